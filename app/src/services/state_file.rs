//! `state.json`: what the program remembers, kept in one small file of the user's settings folder.
//!
//! Several windows share the file. Each writes only what changed in itself, so that none takes back what another one
//! remembered, and keys that this version does not know stay. All writing is done by one thread.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;

use crossbeam_channel::{Receiver, Sender, unbounded};
use glassine_engine::{Notice, Preview, Severity};
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use serde_json::Value;

use crate::model::remembered::{RECENT_MAX, RecentSession, Remembered};
use crate::services::thumbnails;

const FILE_NAME: &str = "state.json";
/// A longer file is not one of these.
const MOST_BYTES: u64 = 4 << 20;
/// Time in which changes gather before they are written, seconds.
const GATHER_S: f64 = 1.0;

/// What was read at the start, and where to keep it.
#[derive(Debug, Clone, Default)]
pub struct KeptState {
    pub remembered: Remembered,
    /// Folder of `state.json`; `None` keeps nothing.
    pub folder: Option<PathBuf>,
    /// Folder for small pictures of recent sessions.
    pub thumbnails: Option<PathBuf>,
    /// What the user should know about the file.
    pub notice: Option<Notice>,
}

impl KeptState {
    /// Reads the file of a folder. A damaged one is put aside; one that can't be read is left alone.
    pub fn read(folder: &Path, thumbnails: PathBuf) -> Self {
        let path = folder.join(FILE_NAME);
        let none = Self { thumbnails: Some(thumbnails), ..Self::default() };
        let here = Self { folder: Some(folder.to_owned()), ..none.clone() };
        match read_state(&path) {
            Ok(None) => here,
            Ok(Some(value)) => match serde_json::from_value(value) {
                Ok(remembered) => Self { remembered, ..here },
                Err(_) => here.put_aside(&path),
            },
            Err(Unreadable::Damaged) => here.put_aside(&path),
            Err(Unreadable::Refused(error)) => {
                let headline = format!("what the window remembers can't be read: {error}");
                let notice = Notice::new(Severity::Warning, headline, "the file was left as it is");
                Self { notice: Some(notice.about(path)), ..none }
            }
        }
    }

    /// What was remembered, for a command that only reads it: nothing if there is no readable file.
    pub fn peek(folder: &Path) -> Remembered {
        let value = read_state(&folder.join(FILE_NAME)).ok().flatten();
        value.and_then(|value| serde_json::from_value(value).ok()).unwrap_or_default()
    }

    fn put_aside(self, path: &Path) -> Self {
        let aside = (1..1_000)
            .map(|count| path.with_file_name(format!("{FILE_NAME}.damaged-{count}")))
            .find(|aside| aside.symlink_metadata().is_err());
        let headline = "what the window remembered could not be read; it starts as on its first day";
        let (notice, folder) = match aside.map(|aside| (std::fs::rename(path, &aside), aside)) {
            Some((Ok(()), aside)) => (
                Notice::new(Severity::Warning, headline, "the damaged file was kept").about(aside),
                self.folder,
            ),
            // Nothing is written over a file that could not be kept.
            _ => (Notice::new(Severity::Warning, headline, "remove the damaged file").about(path), None),
        };
        Self { notice: Some(notice), folder, ..self }
    }
}

enum Unreadable {
    Damaged,
    Refused(std::io::Error),
}

/// The content of the file; `None` if there is none.
fn read_state(path: &Path) -> Result<Option<Value>, Unreadable> {
    let meta = match std::fs::metadata(path) {
        Ok(meta) => meta,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(Unreadable::Refused(error)),
    };
    if !meta.is_file() || meta.len() > MOST_BYTES {
        return Err(Unreadable::Damaged);
    }
    let bytes = std::fs::read(path).map_err(Unreadable::Refused)?;
    let value: Value = serde_json::from_slice(&bytes).map_err(|_damage| Unreadable::Damaged)?;
    if value.is_object() { Ok(Some(value)) } else { Err(Unreadable::Damaged) }
}

enum Task {
    State { before: Box<Remembered>, now: Box<Remembered> },
    Thumbnail { session: PathBuf, picture: Arc<Preview> },
}

/// Writes what is remembered, on its own thread.
#[derive(Debug, Default)]
pub struct StateKeeper {
    tasks: Option<Sender<Task>>,
    troubles: Option<Receiver<Notice>>,
    thread: Option<JoinHandle<()>>,
    /// What the thread was last given to write.
    given: Remembered,
    /// Clock time since which something is to be written.
    changed_s: Option<f64>,
}

impl StateKeeper {
    /// Keeps what changes from now on; nothing without a folder.
    pub fn begin(kept: &KeptState) -> Self {
        let mut keeper = Self::default();
        keeper.given.clone_from(&kept.remembered);
        let Some(folder) = kept.folder.clone() else { return keeper };
        let (tasks, queue) = unbounded();
        let (trouble, troubles) = unbounded();
        let thumbnails = kept.thumbnails.clone();
        let work = move || {
            // A folder that refuses one file refuses the next one too: that is said once.
            let mut is_told = false;
            for task in queue {
                let done = match task {
                    Task::State { before, now } => write_state(&folder, &before, &now, thumbnails.as_deref()),
                    Task::Thumbnail { session, picture } => match &thumbnails {
                        Some(thumbnails) => thumbnails::write(thumbnails, &session, &picture),
                        None => Ok(()),
                    },
                };
                if let Err(error) = done
                    && !std::mem::replace(&mut is_told, true)
                {
                    let headline = format!("what the window remembers can't be kept: {}", error.headline());
                    let notice = Notice::new(Severity::Warning, headline, error.hint());
                    // The window has closed.
                    drop(trouble.send(match error.path() {
                        Some(path) => notice.about(path),
                        None => notice,
                    }));
                }
            }
        };
        // Without a thread nothing is kept; the job host has already told of the lack.
        keeper.thread = std::thread::Builder::new().name("glassine-state".to_owned()).spawn(work).ok();
        (keeper.tasks, keeper.troubles) = (Some(tasks), Some(troubles));
        keeper
    }

    /// Gives the state to the thread once changes have gathered for a second; returns the seconds until then.
    pub fn keep_in_time(&mut self, now: &Remembered, now_s: f64) -> Option<f64> {
        if self.tasks.is_none() || *now == self.given {
            self.changed_s = None;
            return None;
        }
        let wait_s = self.changed_s.get_or_insert(now_s).max(now_s - GATHER_S) + GATHER_S - now_s;
        if wait_s > 0.0 {
            return Some(wait_s);
        }
        self.keep(now);
        None
    }

    /// Gives the state to the thread at once.
    pub fn keep(&mut self, now: &Remembered) {
        self.changed_s = None;
        if *now == self.given {
            return;
        }
        let before = std::mem::replace(&mut self.given, now.clone());
        self.give(Task::State { before: Box::new(before), now: Box::new(now.clone()) });
    }

    /// Keeps a small picture of a session.
    pub fn keep_thumbnail(&self, session: PathBuf, picture: Arc<Preview>) {
        self.give(Task::Thumbnail { session, picture });
    }

    fn give(&self, task: Task) {
        if let Some(tasks) = &self.tasks {
            // Without a thread nothing is kept.
            drop(tasks.send(task));
        }
    }

    /// Waits until everything is written; what went wrong.
    pub fn finish(mut self) -> Option<Notice> {
        self.tasks = None;
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has nothing left to write.
            drop(thread.join());
        }
        self.trouble()
    }

    /// What went wrong; said once in a run.
    pub fn trouble(&self) -> Option<Notice> {
        self.troubles.as_ref()?.try_iter().last()
    }
}

impl Drop for StateKeeper {
    fn drop(&mut self) {
        self.tasks = None;
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has nothing left to write.
            drop(thread.join());
        }
    }
}

fn write_state(
    folder: &Path,
    before: &Remembered,
    now: &Remembered,
    thumbnails: Option<&Path>,
) -> Result<(), glassine_scanfile::Error> {
    // A link that the user made to another place stays: what it leads to is written.
    let path = folder.join(FILE_NAME);
    let path = std::fs::canonicalize(&path).unwrap_or(path);
    // The next start reports a damaged file; it is not read for keys of others.
    let there = read_state(&path).ok().flatten().unwrap_or_default();
    let recent = recent_of_all(&there, before, now);
    let mut state = merged(there, &as_value(before), &as_value(now));
    if let (Some(slot), Ok(recent)) = (state.get_mut("recent_sessions"), serde_json::to_value(&recent)) {
        *slot = recent;
    }
    let mut bytes = serde_json::to_vec_pretty(&state).unwrap_or_default();
    bytes.push(b'\n');
    if let Err(source) = std::fs::create_dir_all(folder) {
        return Err(glassine_scanfile::Error::Io {
            path: folder.to_owned(),
            action: "make the folder",
            source,
        });
    }
    write_bytes_atomic(&path, &bytes, Overwrite::Replace, None)?;
    if let Some(thumbnails) = thumbnails {
        let paths: BTreeSet<&Path> = recent.iter().map(|recent| recent.path.as_path()).collect();
        thumbnails::remove_others(thumbnails, &paths);
    }
    Ok(())
}

fn as_value(state: &Remembered) -> Value {
    serde_json::to_value(state).unwrap_or_default()
}

/// The file's content with the changes from `before` to `now`; all else stays.
fn merged(there: Value, before: &Value, now: &Value) -> Value {
    let (Value::Object(mut there), Value::Object(now)) = (there, now) else { return now.clone() };
    for (key, now) in now {
        let before = before.get(key).unwrap_or(&Value::Null);
        match there.get_mut(key) {
            Some(_) if before == now => {}
            Some(slot) => *slot = merged(slot.take(), before, now),
            None => drop(there.insert(key.clone(), now.clone())),
        }
    }
    Value::Object(there)
}

/// Recent sessions of this window and of others that wrote the file meanwhile.
fn recent_of_all(there: &Value, before: &Remembered, now: &Remembered) -> Vec<RecentSession> {
    let there = there.get("recent_sessions").cloned().unwrap_or_default();
    let there: Vec<RecentSession> = serde_json::from_value(there).unwrap_or_default();
    let has = |list: &[RecentSession], path: &Path| list.iter().any(|recent| recent.path == path);
    let mut all = now.recent_sessions.clone();
    for other in there {
        match all.iter_mut().find(|own| own.path == other.path) {
            Some(own) => own.opened_unix_s = own.opened_unix_s.max(other.opened_unix_s),
            // One that was known before and no longer is was removed here.
            None if !has(&before.recent_sessions, &other.path) => all.push(other),
            None => {}
        }
    }
    all.sort_by_key(|recent| std::cmp::Reverse(recent.opened_unix_s));
    all.truncate(RECENT_MAX);
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(folder: &Path) -> KeptState {
        KeptState::read(folder, folder.join("thumbnails"))
    }

    /// Starts as the program does, changes what is remembered, and ends.
    fn run(folder: &Path, change: impl FnOnce(&mut Remembered)) {
        let kept = kept(folder);
        let mut now = kept.remembered.clone();
        let mut keeper = StateKeeper::begin(&kept);
        change(&mut now);
        keeper.keep(&now);
    }

    #[test]
    fn what_one_run_remembers_the_next_one_knows_and_unknown_keys_stay() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("deeper");
        run(&path, |state| state.light = true);
        let text = std::fs::read_to_string(path.join(FILE_NAME)).expect("written");
        let text = text.replacen('{', "{\n  \"of_a_newer_version\": [1, 2],", 1);
        let text = text.replacen("\"window\": {", "\"window\": {\n \"also_newer\": true,", 1);
        std::fs::write(path.join(FILE_NAME), text).expect("written");
        run(&path, |state| {
            assert!(state.light);
            state.window.size_points = Some([1200.0, 800.0]);
        });
        let value = read_state(&path.join(FILE_NAME)).ok().flatten().expect("whole");
        assert_eq!(value["of_a_newer_version"], serde_json::json!([1, 2]));
        assert_eq!(value["window"]["also_newer"], true);
        assert_eq!(kept(&path).remembered.window.size_points, Some([1200.0, 800.0]));
    }

    #[test]
    fn a_damaged_file_is_kept_aside_and_the_start_goes_on() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join(FILE_NAME);
        for (nth, damaged) in ["{ \"light\": tr", "[]", "{\"light\": \"maybe\"}", ""].into_iter().enumerate()
        {
            std::fs::write(&path, damaged).expect("written");
            let kept = kept(folder.path());
            assert_eq!(kept.remembered, Remembered::default());
            let notice = kept.notice.expect("told");
            let aside = folder.path().join(format!("{FILE_NAME}.damaged-{}", nth + 1));
            assert_eq!(notice.path.as_ref(), Some(&aside));
            assert_eq!(std::fs::read_to_string(aside).expect("kept"), damaged);
            assert!(!path.exists());
        }
    }

    #[test]
    fn two_windows_keep_each_others_changes() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        run(folder.path(), |state| state.used_session(Path::new("/rolls/old.session.json"), 1));
        let (one, two) = (kept(folder.path()), kept(folder.path()));
        for (kept, light, name) in [(one, true, "one"), (two, false, "two")] {
            let mut now = kept.remembered.clone();
            let mut keeper = StateKeeper::begin(&kept);
            now.light |= light;
            now.used_session(Path::new(&format!("/rolls/{name}.session.json")), 5);
            if !light {
                now.forget_session(Path::new("/rolls/old.session.json"));
            }
            keeper.keep(&now);
        }
        let state = kept(folder.path()).remembered;
        assert!(state.light, "the second window did not change the surround");
        let mut names: Vec<_> =
            state.recent_sessions.iter().filter_map(|recent| recent.path.file_stem()).collect();
        names.sort();
        assert_eq!(names, ["one.session", "two.session"]);
    }

    #[test]
    fn a_folder_that_refuses_the_file_is_told_once() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let blocked = folder.path().join("a file");
        std::fs::write(&blocked, b"").expect("written");
        let kept = KeptState { folder: Some(blocked.join("config")), ..KeptState::default() };
        let mut keeper = StateKeeper::begin(&kept);
        for light in [true, false, true] {
            keeper.keep(&Remembered { light, ..Remembered::default() });
        }
        let troubles = keeper.troubles.clone().expect("the keeper has a thread");
        drop(keeper);
        assert_eq!(troubles.try_iter().count(), 1);
    }

    #[test]
    fn changes_gather_for_a_second_before_they_are_written() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let kept = kept(folder.path());
        let mut keeper = StateKeeper::begin(&kept);
        let now = Remembered { light: true, ..Remembered::default() };
        assert_eq!(keeper.keep_in_time(&Remembered::default(), 0.0), None);
        assert_eq!(keeper.keep_in_time(&now, 10.0), Some(1.0));
        assert!(keeper.keep_in_time(&now, 10.5).is_some_and(|wait_s| (wait_s - 0.5).abs() < 1e-9));
        assert_eq!(keeper.keep_in_time(&now, 11.1), None);
        assert_eq!(keeper.keep_in_time(&now, 11.2), None);
        drop(keeper);
        assert!(folder.path().join(FILE_NAME).is_file());
    }
}
