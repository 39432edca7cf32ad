//! The order of a frame: `logic` drains job events, carries out commands once a frame and requests the pictures the views
//! showed; `ui` only draws.
//!
//! Everything here also runs without a window, so tests drive the same program.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use egui::{Context, Ui, ViewportCommand};
use glassine_engine::jobs::Job;
use glassine_session::FrameId;

pub use crate::commands::program::{AppOptions, GlassineApp};
use crate::commands::{Command, FileCommand, key_table};
use crate::model::app_status::{JobKind, JobStatus};
use crate::model::exact_counts::CountInputs;
use crate::model::ui_state::is_in;
use crate::platform::screens::place_of;
use crate::services::preview_scheduler::SchedulerInputs;
use crate::views;
use crate::views::ViewCx;
use crate::widgets::theme;

/// Time for job events in one frame.
const DRAIN_BUDGET: Duration = Duration::from_millis(4);
/// Longest time that a change in the window waits for the picture it changes too, so that one frame shows both.
const PICTURE_WAIT: Duration = Duration::from_millis(24);
/// Work that takes longer than this is shown with its progress, seconds.
/// Source: the flow of thought stays unbroken for about a second (Nielsen 1993, after Miller 1968).
const GLANCE_S: f64 = 1.0;
/// Label of an exact count in the status line.
const COUNT_LABEL: &str = "counting every pixel";
/// Time between two looks at the size and place of the window, seconds.
const PLACE_EVERY_S: f64 = 1.0;

impl GlassineApp {
    /// Drains jobs, reads keys, carries out commands and requests pictures. Once a frame, before [`Self::ui`].
    pub fn logic(&mut self, ctx: &Context) {
        self.now = ctx.input(|input| input.time);
        if ctx.input(|input| input.raw.events.contains(&egui::Event::WindowFocused(true))) {
            self.scheduler.retry_all(self.now);
        }
        let more_events = self.drain_jobs();
        self.take_scanner_answers(ctx);
        self.poll_files(ctx);
        key_table::poll(ctx, &mut self.ui_state, &mut self.commands);
        self.end_key_presses_in_time(ctx);
        self.carry_out(ctx);
        self.name_export_files(ctx);
        self.autosave_in_time(ctx);
        self.check_scans_in_time(ctx);
        self.look_at_lock_in_time(ctx);
        self.refresh_jobs(ctx);
        self.count_in_time(ctx);
        self.measure_sharpening_in_time(ctx);
        self.take_written_reports();
        self.remember_in_time(ctx);
        let inline_work = (self.options.inline_jobs && !self.jobs.is_idle()) || self.jobs.works_inline();
        if more_events || inline_work || !self.commands.is_empty() {
            ctx.request_repaint();
        }
    }

    /// Carries out the queued commands and requests the pictures they need.
    fn carry_out(&mut self, ctx: &Context) {
        for command in std::mem::take(&mut self.commands) {
            self.apply_command(ctx, command);
        }
        self.take_waiting();
        self.follow_screen(ctx);
        self.ui_state.prune(self.history.current());
        self.prune_tools();
        self.refresh_status();
        let at = self.session_at();
        self.scheduler.run(SchedulerInputs {
            at: &at,
            requests: &self.ui_state.requests,
            now_s: self.now,
            jobs: &mut self.jobs,
            previews: &mut self.previews,
            status: &mut self.status.jobs,
            table_number: self.screen.table_number(),
            proof: self.screen.tables().proof.as_ref(),
        });
        if let Some(due_s) = self.scheduler.next_retry_s(self.now) {
            ctx.request_repaint_after_secs((due_s - self.now).max(0.0) as f32);
        }
    }

    /// Has everything written that must not be lost. Whatever closes the window, the job host and the keeper of what is
    /// remembered write before they end.
    pub fn end(&mut self) {
        self.autosave_now();
        self.remember_now();
    }

    /// Draws the window. What the views request is carried out at once: its pictures are made while this frame is
    /// painted.
    pub fn ui(&mut self, ui: &mut Ui) {
        let ctx = ui.ctx().clone();
        theme::apply(&ctx, !self.ui_state.light);
        if self.previews.upload_some(&ctx) {
            ctx.request_repaint();
        }
        self.collect_drops(&ctx);
        let wanted = std::mem::take(&mut self.ui_state.requests);
        let mut cx = ViewCx {
            session: self.history.current(),
            status: &self.status,
            ui_state: &mut self.ui_state,
            previews: &self.previews,
            out: &mut self.commands,
        };
        views::root_ui(ui, &mut cx);
        if !self.commands.is_empty() || self.ui_state.requests != wanted {
            self.carry_out(&ctx);
            if self.jobs.makes_previews() && !self.options.inline_jobs {
                // The picture wakes the window when it arrives, so one frame shows it together with everything else
                // that changed.
                ctx.request_repaint_after(PICTURE_WAIT);
            } else {
                ctx.request_repaint();
            }
        }
    }

    /// Handles job events for a few milliseconds; returns whether there may be more.
    fn drain_jobs(&mut self) -> bool {
        let begun = Instant::now();
        while let Some(event) = self.jobs.poll() {
            let event = self.note_fault_check(event);
            self.take_event(event);
            if begun.elapsed() > DRAIN_BUDGET {
                return true;
            }
        }
        false
    }

    /// Starts, drops or delays the exact counts of what is shown.
    fn count_in_time(&mut self, ctx: &Context) {
        let wanted = self.counts_wanted();
        let works = |job: &JobStatus| !matches!(job.kind, JobKind::Silent | JobKind::Count);
        let is_busy = self.history.in_gesture()
            || self.status.jobs.iter().any(works)
            || !self.jobs.previews_are_idle()
            || ctx.input(|input| input.pointer.any_down());
        let state = CountInputs { now_s: self.now, is_busy };
        let step = self.status.counts.next(self.history.current(), &wanted, state);
        if let Some(id) = step.cancel {
            self.jobs.cancel(id);
        }
        if !step.count.is_empty() {
            let id = self.jobs.submit(self.session_at(), Job::Count { frames: step.count });
            self.status.counts.begun(id);
            self.stop_full_check();
            self.stop_looking_for_faults();
            let status = JobStatus::new(id, COUNT_LABEL.to_owned(), JobKind::Count);
            self.status.jobs.push(JobStatus { ends_with_session: true, ..status });
        }
        if let Some(wait_s) = step.wait_s {
            ctx.request_repaint_after_secs(wait_s as f32);
        }
    }

    /// Frames whose exact count is shown: those of the export while its pane is open, else the one shown large.
    fn counts_wanted(&self) -> Vec<FrameId> {
        if !self.ui_state.show_export {
            return self.ui_state.primary.into_iter().collect();
        }
        let session = self.history.current();
        let scope = self.ui_state.export_scope(session);
        session.frames.iter().filter(|frame| is_in(&scope, frame)).map(|frame| frame.id).collect()
    }

    /// Updates each job's remaining time and whether it has been running for longer than [`GLANCE_S`].
    fn refresh_jobs(&mut self, ctx: &Context) {
        for job in &mut self.status.jobs {
            job.remaining = job.estimate.remaining_text(self.now);
            let Some(elapsed_s) = job.estimate.elapsed_s(self.now) else { continue };
            job.is_long = elapsed_s >= GLANCE_S;
            if !job.is_long && job.kind != JobKind::Silent {
                ctx.request_repaint_after_secs((GLANCE_S - elapsed_s) as f32);
            }
        }
    }

    fn refresh_status(&mut self) {
        self.status.undo_label = self.history.undo_label().map(str::to_owned);
        self.status.redo_label = self.history.redo_label().map(str::to_owned);
        self.status.is_unsaved = self.is_unsaved();
    }

    /// Opens files dropped onto the window like chosen ones.
    fn collect_drops(&mut self, ctx: &Context) {
        let dropped: Vec<PathBuf> =
            ctx.input(|input| input.raw.dropped_files.iter().map(|file| file.path().to_path_buf()).collect());
        if !dropped.is_empty() {
            self.commands.push(Command::File(FileCommand::Open(dropped)));
        }
    }

    /// Keeps the window open on a close request until the user answers about unsaved changes or a running export.
    fn hold_close(&mut self, ctx: &Context) {
        let asked = ctx.input(|input| input.viewport().close_requested());
        if asked && !self.options.end_signal.is_raised() && self.ask_before_closing() {
            ctx.send_viewport_cmd(ViewportCommand::CancelClose);
        } else if asked {
            self.leave_autosave();
        }
    }

    /// Notes the size and place of the window, now and then and when it closes.
    fn note_place(&mut self, ctx: &Context, frame: &eframe::Frame) {
        let closes = ctx.input(|input| input.viewport().close_requested());
        if self.now < self.place_due_s && !closes {
            return;
        }
        self.place_due_s = self.now + PLACE_EVERY_S;
        if let Some(place) = place_of(frame, &self.remembered.window) {
            self.remembered.window = place;
        }
    }
}

impl eframe::App for GlassineApp {
    fn logic(&mut self, ctx: &Context, frame: &mut eframe::Frame) {
        self.note_place(ctx, frame);
        self.hold_close(ctx);
        if self.options.end_signal.is_raised() {
            self.autosave_now();
            ctx.send_viewport_cmd(ViewportCommand::Close);
        }
        Self::logic(self, ctx);
    }

    fn ui(&mut self, ui: &mut Ui, _: &mut eframe::Frame) {
        Self::ui(self, ui);
    }

    fn on_exit(&mut self, _: Option<&eframe::glow::Context>) {
        self.end();
    }

    fn clear_color(&self, _: &egui::Visuals) -> [f32; 4] {
        theme::palette_of(!self.ui_state.light).surround.to_normalized_gamma_f32()
    }

    fn persist_egui_memory(&self) -> bool {
        false
    }
}
