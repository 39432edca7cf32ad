//! Undo and redo: labelled snapshots, one for each finished gesture.

use crate::Session;

/// Snapshots kept; sessions share their unchanged parts, so one costs a few kilobytes.
const MAX_STEPS: usize = 500;

#[derive(Debug, Clone)]
struct Step {
    label: String,
    session: Session,
}

/// A session with its past and its undone future.
///
/// A gesture (a drag, a slider pull) is *begun*, *previewed* any number of times and *committed* as one step, or
/// *cancelled* as if it never happened. A commit that changed nothing leaves no step.
///
/// Ids are not reused after an undo, so that a job that began before it never means another frame by the same id.
#[derive(Debug, Clone)]
pub struct History {
    current: Session,
    past: Vec<Step>,
    future: Vec<Step>,
    gesture: Option<Step>,
    saved: Session,
}

impl History {
    /// A history that begins with a saved session.
    pub fn new(session: Session) -> Self {
        Self { saved: session.clone(), current: session, past: Vec::new(), future: Vec::new(), gesture: None }
    }

    /// The session as it is now, previewed changes included.
    pub fn current(&self) -> &Session {
        &self.current
    }

    /// Whether the session differs from what was last saved.
    pub fn is_unsaved(&self) -> bool {
        !self.current.same_content(&self.saved)
    }

    /// Record the session that was written to disk.
    pub fn mark_saved(&mut self, written: Session) {
        self.saved = written;
    }

    /// Begin a gesture; changes until [`Self::commit`] become one step. A running gesture is committed first.
    pub fn begin(&mut self, label: impl Into<String>) {
        self.commit();
        self.gesture = Some(Step { label: label.into(), session: self.current.clone() });
    }

    /// Whether a gesture is running.
    pub fn in_gesture(&self) -> bool {
        self.gesture.is_some()
    }

    /// Show a state during a gesture without making a step. Without a gesture it is a separate step.
    pub fn preview(&mut self, label: &str, session: Session) {
        if self.gesture.is_some() {
            self.show(session);
        } else {
            self.apply(label, session);
        }
    }

    /// Finish the gesture; returns whether it made a step.
    pub fn commit(&mut self) -> bool {
        let Some(step) = self.gesture.take() else { return false };
        if step.session.same_content(&self.current) {
            return false;
        }
        self.push(step);
        true
    }

    /// Drop the gesture and everything it showed.
    pub fn cancel(&mut self) {
        if let Some(step) = self.gesture.take() {
            self.show(step.session);
        }
    }

    /// Make a change that is a separate step.
    pub fn apply(&mut self, label: impl Into<String>, session: Session) {
        self.commit();
        if session.same_content(&self.current) {
            return;
        }
        let before = self.show(session);
        self.push(Step { label: label.into(), session: before });
    }

    /// [`Self::apply`], but as part of the last step if that has the same label: letters typed one after another are
    /// one step.
    pub fn apply_joined(&mut self, label: &str, session: Session) {
        self.commit();
        if self.undo_label() == Some(label) && self.future.is_empty() {
            self.show(session);
        } else {
            self.apply(label, session);
        }
    }

    /// Take back one step; returns its label.
    pub fn undo(&mut self) -> Option<String> {
        self.commit();
        let step = self.past.pop()?;
        let after = self.show(step.session);
        self.future.push(Step { label: step.label.clone(), session: after });
        Some(step.label)
    }

    /// Redo the last undone step; returns its label.
    pub fn redo(&mut self) -> Option<String> {
        self.commit();
        let step = self.future.pop()?;
        let before = self.show(step.session);
        self.past.push(Step { label: step.label.clone(), session: before });
        Some(step.label)
    }

    /// Label of the step that undo would take back.
    pub fn undo_label(&self) -> Option<&str> {
        self.past.last().map(|step| step.label.as_str())
    }

    /// Label of the step that redo would restore.
    pub fn redo_label(&self) -> Option<&str> {
        self.future.last().map(|step| step.label.as_str())
    }

    /// Change every state alike, without a step, for facts about files, which undo must not take back. The saved state
    /// changes too, so that such a fact alone leaves no unsaved changes.
    pub fn amend(&mut self, change: impl Fn(&mut Session)) {
        let steps = self.past.iter_mut().chain(&mut self.future).chain(&mut self.gesture);
        steps.for_each(|step| change(&mut step.session));
        change(&mut self.current);
        change(&mut self.saved);
    }

    /// Number of steps that can be undone.
    pub fn undo_steps(&self) -> usize {
        self.past.len()
    }

    /// Replace the current session; returns the old one.
    fn show(&mut self, mut session: Session) -> Session {
        session.next_id = session.next_id.max(self.current.next_id);
        std::mem::replace(&mut self.current, session)
    }

    fn push(&mut self, step: Step) {
        self.future.clear();
        self.past.push(step);
        if self.past.len() > MAX_STEPS {
            self.past.remove(0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn titled(title: &str) -> Session {
        Session { title: title.to_owned(), ..Session::default() }
    }

    #[test]
    fn a_gesture_is_one_step_however_often_it_is_previewed() {
        let mut history = History::new(titled("a"));
        history.begin("drag");
        for title in ["b", "c", "d"] {
            history.preview("drag", titled(title));
        }
        assert!(history.commit());
        assert_eq!((history.current().title.as_str(), history.undo_steps()), ("d", 1));
        assert_eq!(history.undo().as_deref(), Some("drag"));
        assert_eq!(history.current().title, "a");
        assert_eq!(history.redo().as_deref(), Some("drag"));
        assert_eq!(history.current().title, "d");
    }

    #[test]
    fn a_cancelled_or_empty_gesture_leaves_nothing() {
        let mut history = History::new(titled("a"));
        history.begin("drag");
        history.preview("drag", titled("b"));
        history.cancel();
        assert_eq!((history.current().title.as_str(), history.undo_steps()), ("a", 0));
        history.begin("drag");
        assert!(!history.commit());
        assert_eq!(history.undo(), None);
    }

    #[test]
    fn joined_changes_are_one_step_until_another_or_an_undo_comes_between() {
        let mut history = History::new(titled("a"));
        for title in ["b", "bc", "bcd"] {
            history.apply_joined("type", titled(title));
        }
        assert_eq!((history.current().title.as_str(), history.undo_steps()), ("bcd", 1));
        history.apply("one", titled("x"));
        history.apply_joined("type", titled("y"));
        assert_eq!(history.undo_steps(), 3);
        history.undo();
        history.undo();
        history.apply_joined("type", titled("z"));
        assert_eq!((history.undo_steps(), history.redo()), (2, None));
        history.undo();
        assert_eq!(history.current().title, "bcd");
    }

    #[test]
    fn a_new_change_drops_the_undone_future() {
        let mut history = History::new(titled("a"));
        history.apply("one", titled("b"));
        history.undo();
        history.apply("two", titled("c"));
        assert_eq!(history.redo(), None);
        assert_eq!(history.undo_label(), Some("two"));
    }

    #[test]
    fn undoing_back_to_the_saved_state_counts_as_saved() {
        let mut history = History::new(titled("a"));
        history.apply("one", titled("b"));
        assert!(history.is_unsaved());
        history.undo();
        assert!(!history.is_unsaved());
    }

    #[test]
    fn an_id_that_was_undone_is_not_given_again() {
        use crate::edit::tests::{new_frame, sample_session};
        use crate::{Edit, FrameId};
        use std::collections::HashSet;
        let session = sample_session();
        let strip = session.strips[0].id;
        let mut history = History::new(session);
        let ids = |history: &History| -> HashSet<FrameId> {
            history.current().frames.iter().map(|f| f.id).collect()
        };
        let add = |history: &mut History| {
            let edit = Edit::AddFrame { strip, frame: new_frame(210.0), look: Default::default() };
            let after = edit.apply(history.current()).expect("adds");
            history.apply("add frame", after);
        };
        let first = ids(&history);
        add(&mut history);
        let second = ids(&history);
        history.undo();
        assert!(!history.is_unsaved());
        add(&mut history);
        assert_eq!(ids(&history).intersection(&second).count(), first.len());
    }

    #[test]
    fn sessions_are_alike_by_their_parts_whether_shared_or_equal() {
        use std::sync::Arc;
        let stock = glassine_film::shipped_stocks()[0].clone();
        let with = |stock: Arc<glassine_film::Stock>| Session { stocks: vec![stock], ..Session::default() };
        let shared = Arc::new(stock.clone());
        assert_eq!(with(Arc::clone(&shared)), with(Arc::clone(&shared)));
        assert_eq!(with(Arc::clone(&shared)), with(Arc::new(stock.clone())));
        let other = glassine_film::Stock { id: "other".to_owned(), ..stock };
        assert_ne!(with(shared), with(Arc::new(other)));
        assert_ne!(Session { next_id: 2, ..Session::default() }, Session::default());
    }
}
