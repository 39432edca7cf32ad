//! Measuring edges, what sharpening does, and scans at several holder heights.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossbeam_channel::{Receiver, TryRecvError, bounded};
use egui::Context;
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{FocusReport, Notice, SessionKey, Severity, UnitRect, ViewKey};
use glassine_film::Param;
use glassine_raster::PixelRect;
use glassine_session::{FrameId, ScanId, ScanRef};
use glassine_sharpness::{EdgeReport, SharpeningEffect};

use super::program::GlassineApp;
use crate::model::app_status::{JobKind, JobStatus};
use crate::model::panels::Section;
use crate::model::picture_inputs::Inputs;
use crate::model::questions::PathPurpose;
use crate::model::sharpness_state::{EffectFound, FocusPane, MeasuredEdge, ShownEffect};
use crate::services::focus_report;

/// Measuring sharpness.
#[derive(Debug, Clone)]
pub enum SharpnessCommand {
    /// Measure the edge in a part of a scan.
    MeasureEdge(ScanId, PixelRect),
    /// Keep a resolution as that of the scanner, pixels per inch.
    KeepResolution(f64),
    /// Forget what was kept of the scanner.
    ForgetScanner,
    /// Choose scans to compare.
    AskFocusScans,
    /// Compare the chosen scans.
    CompareFocus,
    /// Keep the best height and the resolution of the comparison.
    RememberFocus,
    /// Choose the folder for a report of the comparison.
    AskFocusFolder,
    /// Close the pane that compares scans.
    CloseFocus,
}

/// What was asked last and may not have been answered.
#[derive(Debug, Default)]
pub(crate) struct SharpnessAsked {
    effect: Option<EffectAsked>,
    /// The scan whose edge is measured, as it was then.
    edge: Option<(JobId, Arc<ScanRef>)>,
    /// Reports of comparisons that are being written.
    written: Vec<Receiver<Notice>>,
}

/// The effect of sharpening on a part of a frame.
#[derive(Debug)]
struct EffectAsked {
    key: SessionKey,
    frame: FrameId,
    inputs: Inputs,
    region: UnitRect,
    job: JobId,
}

impl GlassineApp {
    pub(super) fn apply_sharpness(&mut self, ctx: &Context, command: SharpnessCommand) {
        match command {
            SharpnessCommand::MeasureEdge(scan, area) => {
                let Some(seen) = self.history.current().scan(scan).cloned() else { return };
                self.sharpness.edge = Some((self.submit(Job::MeasureEdge { scan, area }), seen));
            }
            SharpnessCommand::KeepResolution(ppi) => {
                self.remembered.scanner.resolution_ppi = Some(ppi.round());
                self.status.sharpness.scanner = self.remembered.scanner.clone();
            }
            SharpnessCommand::ForgetScanner => {
                self.remembered.scanner = Default::default();
                self.status.sharpness.scanner = self.remembered.scanner.clone();
            }
            SharpnessCommand::AskFocusScans => self.ask_path(ctx, PathPurpose::FocusScans),
            SharpnessCommand::CompareFocus => self.compare_focus(),
            SharpnessCommand::RememberFocus => self.remember_focus(),
            SharpnessCommand::AskFocusFolder => self.ask_path(ctx, PathPurpose::FocusFolder),
            SharpnessCommand::CloseFocus => self.close_focus(),
        }
    }

    /// Takes over a measured edge, if it was asked for last.
    pub(crate) fn edge_measured(
        &mut self,
        id: JobId,
        area: PixelRect,
        report: Result<Box<EdgeReport>, Notice>,
    ) {
        if let Some((_, scan)) = self.sharpness.edge.take_if(|(asked, _)| *asked == id) {
            self.status.sharpness.edge = Some(MeasuredEdge { scan, area, report });
        }
    }

    /// Opens the pane with these scans.
    pub(super) fn open_focus(&mut self, files: Vec<PathBuf>) {
        if !files.is_empty() {
            self.close_focus();
            self.ui_state.focus = Some(FocusPane::new(files));
        }
    }

    /// Closes the pane, with its report and what it still waits for.
    fn close_focus(&mut self) {
        self.stop_comparing();
        self.status.sharpness.focus = None;
        self.ui_state.focus = None;
    }

    fn compare_focus(&mut self) {
        self.stop_comparing();
        let Some(Ok(request)) = self.ui_state.focus.as_ref().map(FocusPane::request) else { return };
        let id = self.submit(Job::CompareFocus(request.clone()));
        if let Some(pane) = &mut self.ui_state.focus {
            pane.asked = Some((id, request));
        }
    }

    fn stop_comparing(&mut self) {
        if let Some((id, _)) = self.ui_state.focus.as_mut().and_then(|pane| pane.asked.take()) {
            self.jobs.cancel(id);
        }
    }

    fn remember_focus(&mut self) {
        let Some(report) = &self.status.sharpness.focus else { return };
        self.remembered.scanner = self.remembered.scanner.with_focus(report);
        self.status.sharpness.scanner = self.remembered.scanner.clone();
    }

    /// Takes over a comparison, if the pane waits for it.
    pub(crate) fn focus_compared(&mut self, id: JobId, report: FocusReport) {
        if !self.ui_state.focus.as_mut().is_some_and(|pane| pane.take_answer(id)) {
            return;
        }
        for (_, notice) in report.failed.iter().rev() {
            self.notify(notice.clone());
        }
        self.status.sharpness.focus = Some(Arc::new(report));
    }

    /// Writes the report of the last comparison into a folder, on another thread; existing files stay.
    pub(super) fn save_focus(&mut self, ctx: &Context, folder: &Path) {
        let Some(report) = self.status.sharpness.focus.clone() else { return };
        let folder = folder.to_owned();
        if self.options.inline_jobs {
            return self.notify_of_program(write_into(&report, &folder));
        }
        let (sender, receiver) = bounded(1);
        let ctx = ctx.clone();
        let work = move || {
            // If the window has closed meanwhile, nobody needs the answer.
            if sender.send(write_into(&report, &folder)).is_ok() {
                ctx.request_repaint();
            }
        };
        match std::thread::Builder::new().name("glassine-focus".to_owned()).spawn(work) {
            Ok(_running) => self.sharpness.written.push(receiver),
            Err(error) => self.notify_of_program(Notice::new(
                Severity::Error,
                format!("the report was not written: {error}"),
                "close other programs, then try again",
            )),
        }
    }

    /// Tells what became of reports that were being written.
    pub(crate) fn take_written_reports(&mut self) {
        let mut ended = Vec::new();
        self.sharpness.written.retain(|written| match written.try_recv() {
            Ok(notice) => {
                ended.push(notice);
                false
            }
            Err(TryRecvError::Empty) => true,
            Err(TryRecvError::Disconnected) => false,
        });
        ended.into_iter().for_each(|notice| self.notify_of_program(notice));
    }

    /// Measures what sharpening does to the part that is shown, while its section is open and nothing changes.
    pub(crate) fn measure_sharpening_in_time(&mut self, ctx: &Context) {
        let Some((frame, region)) = self.sharpening_shown() else { return self.drop_effect() };
        let session = self.history.current();
        let inputs = Inputs::of(session, session.frame(frame), None);
        let is_same = self.sharpness.effect.as_ref().is_some_and(|asked| {
            asked.key == self.key
                && asked.frame == frame
                && asked.region == region
                && asked.inputs.same(&inputs)
        });
        if is_same {
            return;
        }
        self.drop_effect();
        let is_busy = self.history.in_gesture()
            || !self.jobs.previews_are_idle()
            || ctx.input(|input| input.pointer.any_down());
        if is_busy {
            return;
        }
        let job = Job::MeasureSharpening { frame, region };
        let label = job.label();
        let id = self.jobs.submit(self.session_at(), job);
        self.sharpness.effect = Some(EffectAsked { key: self.key, frame, inputs, region, job: id });
        let status = JobStatus::new(id, label, JobKind::Background);
        self.status.jobs.push(JobStatus { ends_with_session: true, ..status });
    }

    /// Drops what was measured of sharpening, and stops measuring it.
    fn drop_effect(&mut self) {
        self.status.sharpness.effect = None;
        if let Some(asked) = self.sharpness.effect.take() {
            self.jobs.cancel(asked.job);
        }
    }

    /// The frame shown large and its shown part, if its sharpening is being worked on.
    fn sharpening_shown(&self) -> Option<(FrameId, UnitRect)> {
        let id = self.ui_state.primary.filter(|_| self.ui_state.panels.is_open(Section::Sharpen))?;
        let frame = self.history.current().frame(id)?;
        let shown = self.ui_state.requests.pictures.iter().find(|(key, _)| *key == ViewKey::Frame(id))?;
        (frame.look.get(Param::SharpenAmount) > 0.0).then_some((id, shown.1.region))
    }

    /// Takes over what sharpening does, if that was asked last; `None` without anything to measure.
    pub(crate) fn sharpening_measured(&mut self, id: JobId, effect: Option<SharpeningEffect>) {
        self.sharpening_found(id, effect.map_or(EffectFound::Nothing, EffectFound::Measured));
    }

    /// Shows that what sharpening does could not be measured, if that was asked last.
    pub(crate) fn sharpening_failed(&mut self, id: JobId) {
        self.sharpening_found(id, EffectFound::Failed);
    }

    fn sharpening_found(&mut self, id: JobId, found: EffectFound) {
        if let Some(asked) = self.sharpness.effect.as_ref().filter(|asked| asked.job == id) {
            self.status.sharpness.effect = Some(ShownEffect { frame: asked.frame, found });
        }
    }
}

/// Writes a report into a folder under names that are free, and tells what became of it.
fn write_into(report: &FocusReport, folder: &Path) -> Notice {
    let Some((picture, text)) = free_names(folder) else {
        let headline = "the report was not written: every name for it is taken";
        return Notice::new(Severity::Error, headline, "choose another folder").about(folder);
    };
    match focus_report::write_report(report, &focus_report::report_json(report), (&picture, &text), false) {
        Ok(()) => Notice::new(Severity::Info, "report of the comparison written", "").about(picture),
        Err(error) => error.notice(),
    }
}

/// Names of a drawing and of its figures with the lowest number that is free for both.
fn free_names(folder: &Path) -> Option<(PathBuf, PathBuf)> {
    let named = |nth: u32| {
        let stem = if nth == 1 { "focus".to_owned() } else { format!("focus {nth}") };
        (folder.join(format!("{stem}.png")), folder.join(format!("{stem}.json")))
    };
    let is_free = |path: &PathBuf| path.symlink_metadata().is_err();
    (1..1000).map(named).find(|(picture, text)| is_free(picture) && is_free(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawing_and_its_figures_get_the_same_number() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let names = |stem: &str| {
            let path = |ending: &str| folder.path().join(format!("{stem}.{ending}"));
            Some((path("png"), path("json")))
        };
        assert_eq!(free_names(folder.path()), names("focus"));
        std::fs::write(folder.path().join("focus.json"), b"{}").expect("writes");
        std::fs::write(folder.path().join("focus 2.png"), b"").expect("writes");
        assert_eq!(free_names(folder.path()), names("focus 3"));
    }
}
