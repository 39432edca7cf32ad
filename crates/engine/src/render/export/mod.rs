//! Writing finished pictures: bands of rows run through the pipeline on every core and are written in order; a written
//! frame is synced, read back and named while the next one is made.

mod band;
mod closing;
mod flow;
mod inputs;
mod job;
pub(crate) mod measured;
mod negative;
mod paths;
mod print;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;
use std::time::Instant;

use glassine_film::Histogram;
use glassine_raster::CancelToken;
use glassine_repair::Refusal;
use glassine_scanfile::PictureWriter;
use glassine_scanfile::protect::{ProtectedFile, protect, protected_at};
use glassine_session::{Frame, OutputKind, OutputSettings, Session};

use crate::dust::repair_cache::RepairCache;
use crate::dust::{self, Repair};
use crate::error::{EngineError, Notice, Severity};
use crate::frame::FrameContext;
use crate::render;
use crate::scans::{ScanStore, files_of};
use crate::types::{
    ExportReport, ExportRequest, ExportedFile, FailedFrame, FrameScope, SharpenChoice, SharpenSuggestion,
};
use closing::{Closing, Outcome, WrittenFrame};
use inputs::Inputs;
use job::{FrameJob, count_exactly};
use measured::blur_and_grain;
pub use paths::planned_paths;

/// Written frames that are synced and read back at a time, while others are made.
const CLOSING_AT_ONCE: usize = 2;

/// Progress of an export: share done, 0 to 1, and the current step.
pub type ExportProgress<'a> = &'a (dyn Fn(f32, &str) + Sync);

/// A frame and where it will be written.
type Planned = (Arc<Frame>, Result<PathBuf, Notice>);

/// Writes frames, and counts what they would contain.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Exporter<'a> {
    pub(crate) scans: &'a ScanStore,
    pub(crate) repairs: &'a RepairCache,
}

impl Exporter<'_> {
    /// Histogram and clip counts of every pixel that the export of a frame would have.
    pub(crate) fn count_every_pixel(
        &self,
        output: &OutputSettings,
        context: &FrameContext,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Histogram, EngineError> {
        context.check_box()?;
        let repair =
            if dust::is_wanted(context) { Some(self.repairs.for_export(context, cancel)?) } else { None };
        let repair = repair.as_deref().filter(|repair| repair.found.is_some());
        count_exactly(context, output, repair, cancel, share)
    }

    /// Export many frames. A frame that fails is named in the report, and the export continues with the others.
    pub(crate) fn export(
        &self,
        request: &ExportRequest,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Result<ExportReport, EngineError> {
        if let Some(sentence) = request.output.unknown_choice() {
            return Err(EngineError::user_error(
                sentence,
                "set the colour space and the rendering, then export again",
            ));
        }
        let session = &request.at.session;
        let mut report = ExportReport::default();
        let frames: Vec<Arc<Frame>> = match &request.scope {
            FrameScope::All => {
                report.skipped = session.frames.iter().filter(|f| f.is_left_out()).map(|f| f.id).collect();
                session.frames.iter().filter(|frame| !frame.is_left_out()).cloned().collect()
            }
            FrameScope::Only(ids) => {
                if let Some(gone) = ids.iter().find(|id| session.frame(**id).is_none()) {
                    return Err(EngineError::NoFrame(*gone));
                }
                session.frames.iter().filter(|frame| ids.contains(&frame.id)).cloned().collect()
            }
        };
        if frames.is_empty() {
            return Err(EngineError::user_error(
                "there is no frame to export",
                "find frames or draw a box first",
            ));
        }
        let at = &request.at;
        let held = hold_inputs(session, at.folder.as_deref());
        let date = request.written_at.split(' ').next().unwrap_or_default().replace(':', "-");
        let planned = planned_paths(session, &frames, &request.folder, &request.output, &date);
        refuse_inputs(&request.folder, &planned)?;
        make_folder(&request.folder)?;
        // Part files of a killed export would otherwise stay forever.
        glassine_scanfile::remove_abandoned_parts(&request.folder);
        let inputs = Inputs::of(self.scans, session, at.folder.as_deref(), &frames);
        let mut outcomes = self.write_frames(request, planned, &inputs, cancel, progress);
        drop(held);
        outcomes.sort_by_key(|(idx, _)| *idx);
        for (idx, outcome) in outcomes {
            match outcome {
                Ok(file) => report.written.push(file),
                Err(EngineError::Cancelled) => report.cancelled = true,
                Err(error) => report.failed.push(FailedFrame {
                    frame: frames[idx].id,
                    number: request.output.number_of(&frames[idx], 1),
                    notice: error.notice(),
                }),
            }
        }
        progress(1.0, "done");
        Ok(report)
    }

    /// Write frames one after the other; each outcome comes with its position.
    fn write_frames(
        &self,
        request: &ExportRequest,
        planned: Vec<Planned>,
        inputs: &Inputs<'_>,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Vec<(usize, Outcome)> {
        let count = planned.len();
        let mut outcomes: Vec<(usize, Outcome)> = Vec::new();
        thread::scope(|threads| {
            let check = || inputs.check(cancel);
            if thread::Builder::new().name("glassine-check".to_owned()).spawn_scoped(threads, check).is_err()
            {
                check();
            }
            let mut closing: VecDeque<(usize, Closing<'_>)> = VecDeque::new();
            for (idx, (frame, path)) in planned.into_iter().enumerate() {
                let share = |part: f32| {
                    progress((idx as f32 + part) / count as f32, &format!("frame {} of {count}", idx + 1));
                };
                share(0.0);
                let written = path
                    .map_err(EngineError::Permanent)
                    .and_then(|path| self.write_frame(request, &frame, &path, inputs, cancel, &share));
                if closing.len() >= CLOSING_AT_ONCE {
                    outcomes.extend(closing.pop_front().map(|(idx, frame)| (idx, frame.join())));
                }
                match written {
                    Ok(written) => closing.push_back((idx, written.close_beside(threads, inputs))),
                    Err(error) => outcomes.push((idx, Err(error))),
                }
                if matches!(outcomes.last(), Some((_, Err(EngineError::Cancelled)))) {
                    break;
                }
            }
            outcomes.extend(closing.into_iter().map(|(idx, frame)| (idx, frame.join())));
        });
        outcomes
    }

    /// Write all rows of a frame to a file that does not have its name yet.
    fn write_frame(
        &self,
        request: &ExportRequest,
        frame: &Arc<Frame>,
        path: &Path,
        inputs: &Inputs<'_>,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<WrittenFrame, EngineError> {
        cancel.check()?;
        let started = Instant::now();
        // A taken name is reported before minutes of work, and checked again when the file gets its name.
        if !request.replace && path.symlink_metadata().is_ok() {
            return Err(glassine_scanfile::Error::AlreadyExists { path: path.to_owned() }.into());
        }
        let session = &request.at.session;
        let context = FrameContext::new(session, frame, request.at.folder.as_deref(), self.scans)?;
        inputs.begin(&context)?;
        let mut notes = Vec::from_iter(context.check_box()?.map(|problem| problem.to_string()));
        if let Some(folder) = path.parent() {
            make_folder(folder)?;
        }
        if request.output.kind == OutputKind::ArchiveNegative {
            return negative::write(request, context, path, cancel, share)
                .map(|(picture, file, context)| WrittenFrame { picture, file, context, started });
        }
        let repair = self.repair_for_export(request, &context, cancel, &mut notes)?;
        let sharpening = match request.sharpen {
            Some(SharpenChoice::Off) => None,
            Some(SharpenChoice::On) | None => render::sharpening(&frame.look, 1.0),
            Some(SharpenChoice::Suggested) => {
                let found = blur_and_grain(&request.output, &context, repair.as_deref(), cancel)?;
                let suggested = SharpenSuggestion::of(&found);
                notes.push(suggested.to_string());
                Some(suggested.sharpening)
            }
        };
        let job = FrameJob::new(&request.output, sharpening, &context, repair.as_deref())?;
        let spec = job.spec(request);
        let mut writers = [PictureWriter::begin(path, &spec)?];
        let counted = job::run_together(&[job], &mut writers, cancel, share)?;
        let ([writer], Some(histogram)) = (writers, counted.first()) else {
            return Err(EngineError::internal("a frame was not counted"));
        };
        cancel.check()?;
        let file = ExportedFile {
            frame: frame.id,
            number: request.output.number_of(frame, 1),
            path: path.to_owned(),
            width_px: spec.width_px,
            height_px: spec.height_px,
            clip_low: histogram.clip_low_fraction(),
            clip_high: histogram.clip_high_fraction(),
            counted_pixels: histogram.pixels,
            bytes: 0,
            seconds: 0.0,
            notes,
        };
        Ok(WrittenFrame { picture: writer.close()?, file, context, started })
    }

    fn repair_for_export(
        &self,
        request: &ExportRequest,
        context: &FrameContext,
        cancel: &CancelToken,
        notes: &mut Vec<String>,
    ) -> Result<Option<Arc<Repair>>, EngineError> {
        let wanted = match request.repair {
            Some(choice) => choice,
            None => dust::is_wanted(context),
        };
        if !wanted {
            return Ok(None);
        }
        let repair = self.repairs.for_export(context, cancel)?;
        // A scan without infrared that is repaired by hand needs no note about it.
        let is_by_hand = repair.refusal == Some(Refusal::NoInfrared) && repair.found.is_some();
        if let Some(refusal) = repair.refusal.filter(|_| !is_by_hand) {
            let what = if repair.found.is_some() {
                "only strokes and spots were repaired"
            } else {
                "dust was not repaired"
            };
            notes.push(format!("{what}: {refusal}"));
        }
        Ok(Some(repair).filter(|repair| repair.found.is_some()))
    }
}

/// Protect the scans and infrared files of a session for as long as the guards live.
fn hold_inputs(session: &Session, folder: Option<&Path>) -> Vec<ProtectedFile> {
    let files = session.scans.iter().map(|scan| files_of(scan, folder));
    files.flat_map(|files| files.paths().map(protect).collect::<Vec<_>>()).collect()
}

/// Refuse the whole export if a frame would overwrite a scan, even where files may be replaced: the folder or the names
/// are not what the user meant. A link is refused too, as a file or as a folder of a name, because it may point
/// anywhere.
fn refuse_inputs(folder: &Path, planned: &[Planned]) -> Result<(), EngineError> {
    let targets = planned.iter().filter_map(|(frame, path)| Some((frame, path.as_ref().ok()?)));
    for (frame, path) in targets {
        let refused = |headline: String, what_to_do: &str| {
            Err(EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do).about(path)))
        };
        if let Some(input) = protected_at(path) {
            return refused(
                format!("frame {} would be written over a scan, {}", frame.number, input.display()),
                "nothing was written; choose another folder or another base name",
            );
        }
        let is_below = |part: &&Path| *part != folder && part.starts_with(folder);
        if path.ancestors().take_while(is_below).any(Path::is_symlink) {
            return refused(
                format!("the name of frame {} is taken by a link", frame.number),
                "nothing was written; remove the link or choose another folder",
            );
        }
    }
    Ok(())
}

fn make_folder(folder: &Path) -> Result<(), EngineError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        EngineError::Permanent(
            Notice::new(
                Severity::Error,
                format!("the folder can't be made or used: {error}"),
                "choose another folder",
            )
            .about(folder),
        )
    })
}
