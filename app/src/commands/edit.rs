//! Turns commands into changes of the session or the window's state, or into jobs.

use egui::Context;
use glassine_engine::jobs::Job;
use glassine_engine::{Notice, SessionKey, Severity};
use glassine_raster::Orientation;
use glassine_session::{Edit, FrameId, Session, StripId};

use super::{boxes, select};
use crate::app::GlassineApp;
use crate::commands::{Command, GesturePhase, PendingAction, Question};
use crate::model::strip_space::StripSpace;
use crate::model::ui_state::JobKind;

/// Key presses closer together than this belong to one undo step.
const NUDGE_SECONDS: f64 = 0.8;
/// Range of a strip's height while zooming, points.
const ZOOM_POINTS: (f64, f64) = (24.0, 40_000.0);

impl GlassineApp {
    /// Carries out one command.
    pub(crate) fn apply_command(&mut self, ctx: &Context, command: Command) {
        if let Command::Nudge { .. } | Command::Grow { .. } | Command::TurnBoxes { .. } = command {
            self.begin_nudging(ctx);
        } else {
            self.end_nudging();
        }
        match command {
            Command::Edit(edit) => self.edit(edit),
            Command::EditAll { label, edits } => self.edit_all(&label, &edits),
            Command::Colour(command) => self.apply_colour(ctx, command),
            Command::Clean(command) => self.apply_clean(command),
            Command::Gesture(phase) => self.gesture(phase),
            Command::SetParam(param, value) => {
                self.edit(Edit::SetParam { frames: self.selected(), param, value });
            }
            Command::ResetParam(param) => {
                let value = param.spec().default;
                self.edit(Edit::SetParam { frames: self.selected(), param, value });
            }
            Command::Undo => self.undo(),
            Command::Redo => self.redo(),
            Command::CopyLook => self.copy_look(),
            Command::PasteLook(groups) => {
                if let Some(look) = self.ui_state.copied_look.clone() {
                    self.edit(Edit::PasteLook { frames: self.selected(), look, groups });
                }
            }
            Command::QuarterTurn(turns) => self.turn_pictures(|o| turned(o, turns)),
            Command::FlipHorizontally => self.turn_pictures(Orientation::flipped_horizontally),
            Command::FlipVertically => self.turn_pictures(Orientation::flipped_vertically),
            Command::FlipStrip => self.flip_strip(),
            Command::SetSkipped(skipped) => {
                self.edit(Edit::SetSkipped { frames: self.selected(), skipped });
            }
            Command::Renumber(first) => self.edit(Edit::Renumber { first }),
            Command::CancelJobs => self.stop_jobs(),
            Command::CountExactly(true) => self.status.counts.resume(),
            Command::CountExactly(false) => self.status.counts.stop(&self.jobs),
            Command::Tell(notice) => self.notify(notice),
            Command::DismissNotice => self.status.notice_open = false,
            Command::Quit => self.quit(ctx),
            Command::CheckScans => self.check_scans_soon(),
            Command::ReadScan { label, scan } => {
                self.submit(Job::ReadScan { label, scan });
            }
            Command::FindFrames { .. }
            | Command::MeasureBase(..)
            | Command::SolveStrip(_)
            | Command::GreyPoint { .. }
            | Command::MatchFrames => self.apply_job(command),
            Command::Nudge { .. }
            | Command::Grow { .. }
            | Command::TurnBoxes { .. }
            | Command::PlaceBox(..)
            | Command::Straighten { .. }
            | Command::SetAspect(_)
            | Command::ResizeAlike
            | Command::Distribute
            | Command::AddFrame
            | Command::DuplicateFrame
            | Command::DeleteFrames
            | Command::SetHeld(_) => self.apply_box_command(command),
            Command::AskOpen
            | Command::AskSaveAs
            | Command::AskExportFolder
            | Command::Open(_)
            | Command::OpenDemo
            | Command::Save
            | Command::SaveAs(_)
            | Command::TakeOver
            | Command::LeaveConflict
            | Command::WorkOnIt
            | Command::DiscardAutosave(_)
            | Command::AskScanFolder
            | Command::AskInfrared(_)
            | Command::SetOutput(_)
            | Command::Export { .. }
            | Command::Answer(_) => self.apply_file_command(ctx, command),
            Command::Select(..)
            | Command::SelectAll
            | Command::Step(_)
            | Command::ShowBasePixels(_)
            | Command::SetTool(_)
            | Command::SetOverlay(_)
            | Command::ShowBefore(_)
            | Command::SetLoupe(_)
            | Command::ShowExport(_)
            | Command::ShowKeys(_)
            | Command::ShowNotices(_)
            | Command::ShowUnsavedWork(_)
            | Command::SetDark(_)
            | Command::FitStrip
            | Command::FitAll
            | Command::ZoomStrip(_)
            | Command::ShowWholeScans(_)
            | Command::Ask(_) => self.apply_view_command(command),
        }
    }

    /// Reports a command that reached code that does not know it, so that no command fails silently.
    pub(super) fn not_carried_out(&mut self, command: &Command) {
        let name = format!("{command:?}");
        let name = name.split([' ', '(']).next().unwrap_or_default();
        let what = "this is a bug in the program; the session is intact, please report it";
        self.notify(Notice::new(Severity::Error, format!("“{name}” was not carried out"), what));
    }

    /// Stops the jobs that the user can see and stop.
    fn stop_jobs(&mut self) {
        for job in self.status.jobs.iter().filter(|job| job.can_stop()) {
            if job.kind == JobKind::Count {
                self.status.counts.stop(&self.jobs);
            } else {
                self.jobs.cancel(job.id);
            }
        }
    }

    /// Carries out commands that start a job of the session.
    fn apply_job(&mut self, command: Command) {
        match command {
            Command::FindFrames { scan, film, format_id } => {
                self.submit(Job::FindFrames { scan, film, format_id });
            }
            Command::MeasureBase(strip, area) => {
                self.submit(Job::MeasureBase { strip, area });
            }
            Command::SolveStrip(strip) => {
                self.submit(Job::SolveStrip { strip });
            }
            Command::GreyPoint { frame, center, radius_px } => {
                self.submit(Job::GreyPoint { frame, center, radius_px });
            }
            Command::MatchFrames => {
                let Some(target) = self.ui_state.primary else { return };
                let frames: Vec<FrameId> = self.selected().into_iter().filter(|id| *id != target).collect();
                if frames.is_empty() {
                    self.notify(Notice::new(
                        Severity::Info,
                        "only one frame is selected",
                        "select the frames to be matched as well, then match them to the one shown large",
                    ));
                } else {
                    self.submit(Job::MatchFrames { frames, target });
                }
            }
            other => self.not_carried_out(&other),
        }
    }

    /// Carries out commands that only change what the window shows.
    fn apply_view_command(&mut self, command: Command) {
        let state = &mut self.ui_state;
        match command {
            Command::Select(frame, how) => select::select(state, self.history.current(), frame, how),
            Command::SelectAll => {
                state.selected = self.history.current().frames.iter().map(|frame| frame.id).collect();
            }
            Command::Step(by) => select::step(state, self.history.current(), by),
            Command::ShowBasePixels(show) => state.show_base_pixels = show,
            Command::SetTool(tool) => state.tool = tool,
            Command::SetOverlay(overlay) => state.frame.overlay = overlay,
            Command::ShowBefore(show) => state.frame.show_before = show,
            Command::SetLoupe(loupe) => state.frame.loupe = loupe,
            Command::ShowExport(show) => {
                if state.show_export && !show {
                    // The user has seen the result of the last export.
                    self.status.export_report = None;
                }
                state.show_export = show;
            }
            Command::ShowKeys(show) => state.show_keys = show,
            Command::ShowNotices(show) => state.show_notices = show,
            Command::ShowUnsavedWork(show) => {
                state.files.shows_unsaved = show;
                state.files.discards = None;
            }
            Command::SetDark(dark) => state.light = !dark,
            Command::FitStrip | Command::FitAll => {
                state.strip.zoom_points = None;
                state.strip.show_all = matches!(command, Command::FitAll);
            }
            Command::ZoomStrip(factor) => {
                // Without a zoom setting the view fits, and zooming starts at the size shown.
                let now = state.strip.zoom_points.unwrap_or(state.strip.fitted_points);
                let next = (now * factor).clamp(ZOOM_POINTS.0, ZOOM_POINTS.1);
                state.strip.zoom_points = next.is_finite().then_some(next);
            }
            Command::ShowWholeScans(whole) => {
                state.strip.whole_scans = whole;
                state.strip.zoom_points = None;
            }
            Command::Ask(question) => state.question = Some(question),
            other => self.not_carried_out(&other),
        }
    }

    /// Applies an edit: previewed inside a gesture, otherwise as a separate step. The guard limits boxes first.
    pub(crate) fn edit(&mut self, edit: Edit) {
        let edit =
            boxes::held(self.history.current(), self.gesture_start.as_ref(), self.ui_state.aspect, edit);
        let label = edit.label();
        match edit.apply(self.history.current()) {
            Ok(session) => {
                self.history.preview(&label, session);
                self.touched();
            }
            Err(error) => self.refused(error.to_string()),
        }
    }

    /// Applies several edits as one step.
    pub(crate) fn apply_all(&mut self, label: String, edits: &[Edit]) {
        let mut session = self.history.current().clone();
        for edit in edits {
            match edit.apply(&session) {
                Ok(next) => session = next,
                Err(error) => {
                    self.refused(error.to_string());
                    return;
                }
            }
        }
        self.history.apply(label, session);
        self.touched();
    }

    fn refused(&mut self, why: String) {
        self.notify(Notice::new(Severity::Error, why, "the session is unchanged"));
    }

    fn gesture(&mut self, phase: GesturePhase) {
        match phase {
            GesturePhase::Begin(label) => {
                self.history.begin(label);
                self.gesture_start = Some(self.history.current().clone());
            }
            GesturePhase::Commit => {
                self.history.commit();
                self.gesture_start = None;
            }
            GesturePhase::Cancel => {
                self.history.cancel();
                self.gesture_start = None;
                self.ui_state.box_drag = None;
            }
        }
        self.touched();
    }

    fn begin_nudging(&mut self, ctx: &Context) {
        if self.nudging_until.is_none() && !self.history.in_gesture() {
            self.history.begin(if self.ui_state.selected.len() > 1 { "nudge boxes" } else { "nudge box" });
        }
        self.nudging_until = Some(self.now + NUDGE_SECONDS);
        ctx.request_repaint_after_secs(NUDGE_SECONDS as f32);
    }

    fn end_nudging(&mut self) {
        if self.nudging_until.take().is_some() {
            self.history.commit();
        }
    }

    /// Ends the step that collects key presses once the user has paused.
    pub(crate) fn end_nudging_in_time(&mut self, ctx: &Context) {
        match self.nudging_until {
            Some(until) if self.now >= until => self.end_nudging(),
            Some(until) => ctx.request_repaint_after_secs((until - self.now) as f32),
            None => {}
        }
    }

    fn undo(&mut self) {
        self.leave_gesture();
        self.history.undo();
        self.touched();
    }

    fn redo(&mut self) {
        self.leave_gesture();
        self.history.redo();
        self.touched();
    }

    fn leave_gesture(&mut self) {
        self.history.commit();
        self.gesture_start = None;
        self.ui_state.box_drag = None;
    }

    fn copy_look(&mut self) {
        let session = self.history.current();
        if let Some(frame) = self.ui_state.primary.and_then(|id| session.frame(id)) {
            self.ui_state.copied_look = Some(frame.look.clone());
            let headline = format!("settings of frame {} copied", frame.number);
            self.notify(Notice::new(Severity::Info, headline, "select other frames and paste"));
        }
    }

    fn turn_pictures(&mut self, turn: impl Fn(Orientation) -> Orientation) {
        let session = self.history.current();
        let frames = self.ui_state.selected.iter().filter_map(|id| session.frame(*id));
        let turns: Vec<_> = frames.map(|frame| (frame.id, turn(frame.orientation))).collect();
        if !turns.is_empty() {
            self.edit(Edit::SetOrientations(turns));
        }
    }

    fn flip_strip(&mut self) {
        let Some(strip) = self.active_strip() else { return };
        let frames = self.history.current().frames_of(strip);
        let turns: Vec<_> =
            frames.map(|frame| (frame.id, frame.orientation.flipped_horizontally())).collect();
        self.edit(Edit::SetOrientations(turns));
    }

    /// Selected frames in the order shown.
    pub(crate) fn selected(&self) -> Vec<FrameId> {
        self.ui_state.selected_in_order(self.history.current())
    }

    /// The current strip.
    pub(crate) fn active_strip(&self) -> Option<StripId> {
        let session = self.history.current();
        let of_frame = self.ui_state.primary.and_then(|id| session.frame(id)).map(|frame| frame.strip);
        of_frame.or(self.ui_state.active_strip).or_else(|| session.strips.first().map(|strip| strip.id))
    }

    pub(crate) fn strip_space(&self) -> StripSpace {
        StripSpace::of(self.history.current(), self.ui_state.strip.whole_scans)
    }

    /// Notes a possible change: an autosave is due soon.
    pub(crate) fn touched(&mut self) {
        self.files.touched_at.get_or_insert(self.now);
    }

    /// Starts with another session.
    pub(crate) fn begin_session(
        &mut self,
        session: Session,
        path: Option<std::path::PathBuf>,
        is_saved: bool,
    ) {
        self.leave_autosave();
        self.key = SessionKey::fresh();
        for job in self.status.jobs.iter().filter(|job| job.ends_with_session) {
            self.jobs.cancel(job.id);
        }
        self.previews.clear();
        self.scheduler.clear();
        self.jobs.forget_previews();
        self.status.counts.clear(&self.jobs);
        self.history = glassine_session::History::new(session);
        if !is_saved {
            self.history.mark_saved(Session::default());
        }
        self.gesture_start = None;
        self.nudging_until = None;
        self.waiting.clear();
        self.jobs.engine().work_beside(path.as_deref());
        self.status.path = path;
        self.status.export_report = None;
        self.status.existing_files.clear();
        self.status.conflict = None;
        self.status.held_by = None;
        self.status.is_free_again = false;
        self.status.scan_problems.clear();
        self.status.is_demo = self.is_demo();
        self.ui_state.begin_session(self.history.current());
        self.files.begin_session();
        if !is_saved {
            self.touched();
        }
        self.submit(Job::HoldScans);
        self.begin_scan_checks();
    }

    /// Asks the question the user must answer before leaving the session.
    pub(crate) fn ask_about_unsaved(&mut self, action: PendingAction) {
        self.ui_state.question = Some(Question::Unsaved(action));
    }
}

fn turned(orientation: Orientation, turns: i8) -> Orientation {
    (0..turns.rem_euclid(4)).fold(orientation, |o, _| o.turned_clockwise())
}
