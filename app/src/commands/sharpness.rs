//! Measuring edges, what sharpening does, and scans at several holder heights.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Context;
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{FocusReport, Notice, Severity, UnitRect, ViewKey};
use glassine_film::Param;
use glassine_raster::PixelRect;
use glassine_session::{FrameId, ScanId};

use crate::app::GlassineApp;
use crate::cli::{focus, focus_report};
use crate::model::app_status::{JobKind, JobStatus};
use crate::model::panels::Section;
use crate::model::picture_inputs::Inputs;
use crate::model::questions::PathPurpose;
use crate::model::sharpness_state::{FocusPane, ShownEffect};

/// Measuring sharpness.
#[derive(Debug, Clone)]
pub enum SharpnessCommand {
    /// Measure the edge in a part of a scan.
    MeasureEdge(ScanId, PixelRect),
    /// Keep a resolution as that of the scanner, pixels per inch; `None` forgets what was kept.
    KeepResolution(Option<f64>),
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

/// What was asked last about the effect of sharpening.
#[derive(Debug, Default)]
pub(crate) struct EffectAsked {
    inputs: Option<(FrameId, Inputs, UnitRect)>,
    job: Option<JobId>,
}

impl GlassineApp {
    pub(super) fn apply_sharpness(&mut self, ctx: &Context, command: SharpnessCommand) {
        match command {
            SharpnessCommand::MeasureEdge(scan, area) => {
                self.submit(Job::MeasureEdge { scan, area });
            }
            SharpnessCommand::KeepResolution(ppi) => {
                match ppi {
                    Some(_) => self.remembered.scanner.resolution_ppi = ppi.map(f64::round),
                    None => self.remembered.scanner = Default::default(),
                }
                self.status.sharpness.scanner = self.remembered.scanner.clone();
            }
            SharpnessCommand::AskFocusScans => self.ask_path(ctx, PathPurpose::FocusScans),
            SharpnessCommand::CompareFocus => {
                let request = self.ui_state.focus.as_ref().map(FocusPane::request);
                if let Some(Ok(request)) = request {
                    self.submit(Job::CompareFocus(request));
                }
            }
            SharpnessCommand::RememberFocus => self.remember_focus(),
            SharpnessCommand::AskFocusFolder => self.ask_path(ctx, PathPurpose::FocusFolder),
            SharpnessCommand::CloseFocus => self.ui_state.focus = None,
        }
    }

    /// Opens the pane with these scans.
    pub(super) fn open_focus(&mut self, files: Vec<PathBuf>) {
        if !files.is_empty() {
            self.status.sharpness.focus = None;
            self.ui_state.focus = Some(FocusPane::new(files));
        }
    }

    fn remember_focus(&mut self) {
        let Some(report) = &self.status.sharpness.focus else { return };
        self.remembered.scanner = self.remembered.scanner.with_focus(report);
        self.status.sharpness.scanner = self.remembered.scanner.clone();
    }

    /// Takes over a comparison.
    pub(crate) fn focus_compared(&mut self, report: FocusReport) {
        for (_, notice) in report.failed.iter().rev() {
            self.notify(notice.clone());
        }
        if let Some(pane) = &mut self.ui_state.focus {
            pane.place = None;
        }
        self.status.sharpness.focus = Some(Arc::new(report));
    }

    /// Writes the report of the last comparison into a folder; existing files stay.
    pub(super) fn save_focus(&mut self, folder: &Path) {
        let Some(report) = self.status.sharpness.focus.clone() else { return };
        let document = focus_report::report_json(&report);
        let free = |ending: &str| {
            let named =
                |nth: u32| if nth == 1 { format!("focus.{ending}") } else { format!("focus {nth}.{ending}") };
            (1..1000).map(|nth| folder.join(named(nth))).find(|path| path.symlink_metadata().is_err())
        };
        let (Some(picture), Some(text)) = (free("png"), free("json")) else { return };
        let notice = match focus::write_report(&report, &document, (&picture, &text), false) {
            Ok(()) => Notice::new(Severity::Info, "report of the comparison written", "").about(&picture),
            Err(error) => error.notice(),
        };
        self.notify(notice);
    }

    /// Measures what sharpening does to the part that is shown, while its section is open and nothing changes.
    pub(crate) fn measure_sharpening_in_time(&mut self, ctx: &Context) {
        let Some((frame, region)) = self.sharpening_shown() else {
            self.status.sharpness.effect = None;
            self.effect.inputs = None;
            return;
        };
        let session = self.history.current();
        let inputs = Inputs::of(session, session.frame(frame), None);
        let is_same =
            self.effect.inputs.as_ref().is_some_and(|(asked, before, part)| {
                *asked == frame && *part == region && before.same(&inputs)
            });
        let is_busy = self.history.in_gesture()
            || !self.jobs.previews_are_idle()
            || ctx.input(|input| input.pointer.any_down());
        if is_same || is_busy {
            return;
        }
        if let Some(job) = self.effect.job.take() {
            self.jobs.cancel(job);
        }
        self.status.sharpness.effect = None;
        self.effect.inputs = Some((frame, inputs, region));
        let job = Job::MeasureSharpening { frame, region };
        let label = job.label();
        let id = self.jobs.submit(self.session_at(), job);
        self.effect.job = Some(id);
        let status = JobStatus::new(id, label, JobKind::Background);
        self.status.jobs.push(JobStatus { ends_with_session: true, ..status });
    }

    /// The frame shown large and its shown part, if its sharpening is being worked on.
    fn sharpening_shown(&self) -> Option<(FrameId, UnitRect)> {
        let id = self.ui_state.primary.filter(|_| self.ui_state.panels.is_open(Section::Sharpen))?;
        let frame = self.history.current().frame(id)?;
        let shown = self.ui_state.requests.pictures.iter().find(|(key, _)| *key == ViewKey::Frame(id))?;
        (frame.look.get(Param::SharpenAmount) > 0.0).then_some((id, shown.1.region))
    }

    /// Takes over what sharpening does, if that was asked last.
    pub(crate) fn sharpening_measured(
        &mut self,
        id: JobId,
        frame: FrameId,
        effect: Option<glassine_sharpness::SharpeningEffect>,
    ) {
        if let Some((asked, _, region)) = self.effect.inputs.as_ref().filter(|_| self.effect.job == Some(id))
            && *asked == frame
        {
            self.status.sharpness.effect = Some(ShownEffect { frame, region: *region, effect });
        }
    }
}
