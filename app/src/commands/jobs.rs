//! Work of the engine that the user starts or stops.

use std::sync::Arc;

use glassine_engine::jobs::{GreyReach, Job};
use glassine_engine::{Notice, Severity};
use glassine_film::FilmKind;
use glassine_raster::{Point, Scan, TiltedBox};
use glassine_session::{Frame, FrameId, ScanId, StripId};

use super::program::GlassineApp;
use crate::model::app_status::JobKind;
use crate::model::questions::Question;

/// Work of the engine that the user starts or stops.
#[derive(Debug, Clone)]
pub enum JobCommand {
    /// Find the frames of a scan.
    FindFrames {
        scan: ScanId,
        /// Kind of film; recognised if not given.
        film: Option<FilmKind>,
        /// Format, if known.
        format_id: Option<String>,
    },
    /// Measure the base of a strip, in a box or on its rebate.
    MeasureBase(StripId, Option<TiltedBox>),
    /// Solve exposure and balance of a strip.
    SolveStrip(StripId),
    /// Solve a strip without those that share its solve.
    SolveAlone(StripId),
    /// Measure what is wrong with a scan.
    MeasureScan(ScanId),
    /// Make one scan of overlapping scans.
    JoinScans(Vec<ScanId>),
    /// Solve every strip of the roll.
    SolveRoll,
    /// Make the area around a scan point of a frame neutral, on that frame or on its film.
    GreyPoint {
        frame: FrameId,
        /// Centre of the averaged square.
        center: Point<Scan>,
        /// Half its side, scan pixels.
        radius_px: f64,
        reach: GreyReach,
    },
    /// Match exposure and balance of the selected frames to this one, or to the one shown large.
    MatchFrames {
        /// The frame that the others follow, if it is not the one shown large.
        target: Option<FrameId>,
    },
    /// Set the sharpening that the selected frames' own blur and grain suggest.
    SuggestSharpening,
    /// Stop the running jobs.
    Cancel,
    /// Let the running export rest, or go on.
    PauseExport(bool),
    /// Count every pixel of what is shown, or stop doing so.
    CountExactly(bool),
}

impl GlassineApp {
    /// Starts or stops work of the engine.
    pub(super) fn apply_job(&mut self, command: JobCommand) {
        match command {
            JobCommand::FindFrames { scan, film, format_id } => {
                self.submit(Job::FindFrames { scan, film, format_id });
            }
            JobCommand::MeasureBase(strip, Some(area)) => self.measure_base_in(strip, area),
            JobCommand::MeasureBase(strip, None) => {
                self.submit(Job::MeasureBase { strip, area: None });
            }
            JobCommand::SolveStrip(strip) => {
                self.submit(Job::SolveStrip { strip, alone: false });
            }
            JobCommand::SolveAlone(strip) => {
                self.submit(Job::SolveStrip { strip, alone: true });
            }
            JobCommand::MeasureScan(scan) => self.measure_scan(scan),
            JobCommand::JoinScans(scans) => {
                self.submit(Job::JoinScans { scans });
            }
            JobCommand::SolveRoll => {
                let strips = self.session().strips.iter().map(|strip| strip.id).collect();
                self.submit(Job::SolveFilms { strips });
            }
            JobCommand::GreyPoint { frame, center, radius_px, reach } => {
                self.submit(Job::GreyPoint { frame, center, radius_px, reach });
            }
            JobCommand::MatchFrames { target } => self.match_frames(target),
            JobCommand::SuggestSharpening => {
                let frames = self.selected();
                self.submit(Job::SuggestSharpening { frames });
            }
            JobCommand::Cancel => self.stop_jobs(),
            JobCommand::PauseExport(is_paused) => {
                for job in self.status.jobs.iter_mut().filter(|job| job.kind == JobKind::Export) {
                    job.is_paused = is_paused;
                    self.jobs.pause(job.id, is_paused);
                }
            }
            JobCommand::CountExactly(true) => self.status.counts.resume(),
            JobCommand::CountExactly(false) => self.stop_counting(),
        }
    }

    /// Measures the film base in a drawn box, after a question if the box lies in a picture.
    fn measure_base_in(&mut self, strip: StripId, area: TiltedBox) {
        let session = self.session();
        let lies_in = |frame: &&Arc<Frame>| {
            let image = frame.image_area.unwrap_or(frame.crop);
            image.contains(area.center) || area.corners().iter().filter(|at| image.contains(**at)).count() > 1
        };
        let under = session.frames_of(strip).find(lies_in).map(|frame| session.number_text(frame));
        match under {
            Some(frame) => self.ui_state.question = Some(Question::BaseInPicture { strip, area, frame }),
            None => {
                self.submit(Job::MeasureBase { strip, area: Some(area) });
            }
        }
    }

    fn match_frames(&mut self, target: Option<FrameId>) {
        let Some(target) = target.or(self.ui_state.primary) else { return };
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

    /// Stops the jobs that the user can see and stop.
    fn stop_jobs(&mut self) {
        for job in self.status.jobs.iter().filter(|job| job.can_stop() && job.kind != JobKind::Count) {
            self.jobs.cancel(job.id);
        }
        if self.status.jobs.iter().any(|job| job.can_stop() && job.kind == JobKind::Count) {
            self.stop_counting();
        }
    }
}
