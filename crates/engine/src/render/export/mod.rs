//! Writing finished pictures: bands of rows run through the pipeline on every core and are written in order; a written
//! frame is synced, read back and named while the next one is made.

mod about;
mod band;
mod closing;
mod film_density;
mod flow;
mod frame_writer;
mod inputs;
mod job;
mod manifest;
pub(crate) mod measured;
mod negative;
mod paths;
mod plan;
mod print;
mod record;
mod small;
mod together;

use std::collections::{BTreeSet, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;
use std::time::Instant;

use glassine_film::Histogram;
use glassine_raster::CancelToken;
use glassine_scanfile::protect::{ProtectedFile, protect, protected_at};
use glassine_session::{Frame, FrameId, OutputSettings, Session};

use crate::dust;
use crate::dust::repair_cache::RepairCache;
use crate::error::{EngineError, Notice, Severity};
use crate::frame::FrameContext;
use crate::scans::{ScanStore, files_of};
use crate::types::{ExportReport, ExportRequest, FailedFrame, FrameScope, PlannedFile, PlannedState};
use closing::{Closing, Outcome, WrittenFrame};
use frame_writer::{FrameWriter, for_each_file};
use inputs::Inputs;
use job::count_exactly;
use manifest::Manifest;
pub(crate) use manifest::{add_sheet, check as check_manifest, is_own_sheet};
pub use paths::{planned_files, planned_paths};
use plan::PlannedEntry;
pub(crate) use small::SmallPictures;

/// Least number of written files that are synced and read back at a time, while others are made; where a frame has more
/// files, as many as it has, so that the next frame never waits for those just written.
const CLOSING_AT_ONCE: usize = 2;

/// Progress of an export: share done, 0 to 1, and the current step.
pub type ExportProgress<'a> = &'a (dyn Fn(f32, &str) + Sync);

/// Positions of a frame and of a kind in an export.
type Place = (usize, usize);

/// A frame and the files that it will have.
struct FrameFiles {
    frame: Arc<Frame>,
    files: Vec<PlannedEntry>,
}

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

    /// Export many frames. A frame that fails is named in the report, and the export continues with the others. Small
    /// pictures of the frames come with the report where `small` asks for them.
    pub(crate) fn export(
        &self,
        request: &ExportRequest,
        small: &SmallPictures,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Result<ExportReport, EngineError> {
        let (frames, skipped) = frames_of(request)?;
        let mut report = ExportReport { skipped, ..ExportReport::default() };
        let at = &request.at;
        let inputs = Inputs::of(self.scans, request, &frames)?;
        let held = hold_inputs(&at.session, at.folder.as_deref());
        let planned = plan::plan(request, &frames);
        refuse_inputs(&request.folder, &planned)?;
        make_folder(&request.folder)?;
        let mut manifest = manifest_of(request)?;
        // Part files of a killed export would otherwise stay forever.
        let folders = planned.iter().filter_map(|file| file.path.as_ref().ok()?.parent());
        for folder in folders.chain([request.folder.as_path()]).collect::<BTreeSet<_>>() {
            glassine_scanfile::remove_abandoned_parts(folder);
        }
        let mut by_frame: Vec<FrameFiles> = Vec::new();
        for (idx, frame) in frames.iter().enumerate() {
            let files = planned.iter().filter(|file| file.place == idx).cloned().collect();
            by_frame.push(FrameFiles { frame: Arc::clone(frame), files });
        }
        for file in by_frame.iter_mut().flat_map(|frame| &mut frame.files) {
            file.decide(request, &inputs.printers, manifest.as_ref());
            let (PlannedState::Unchanged, Ok(path)) = (file.state, &file.path) else { continue };
            report.unchanged.push(path.clone());
            // A run that was stopped left it out.
            let entry =
                file.entry.take().filter(|_| manifest.as_ref().is_some_and(|known| !known.lists(path)));
            if let (Some(manifest), Some(Ok(entry))) = (&mut manifest, entry.map(|entry| entry.of_file(path)))
            {
                manifest.add(path, entry);
            }
        }
        let mut outcomes = self.write_frames(request, by_frame, small, &inputs, cancel, progress);
        drop(held);
        outcomes.sort_by_key(|(place, _)| *place);
        for ((idx, kind), outcome) in outcomes {
            match outcome {
                Ok((file, entry)) => {
                    if let (Some(manifest), Some(entry)) = (&mut manifest, entry) {
                        manifest.add(&file.path, entry);
                    }
                    report.written.push(file);
                }
                Err(EngineError::Cancelled) => report.cancelled = true,
                Err(error) => report.failed.push(FailedFrame {
                    frame: frames[idx].id,
                    number: request.kinds()[kind].number_of(&frames[idx], 1),
                    notice: error.notice(),
                }),
            }
        }
        if let Some(Err(error)) = manifest.map(Manifest::write) {
            report.notices.push(error.notice());
        }
        Ok(report)
    }

    /// Refuse an export that would give a frame one of these names.
    pub(crate) fn refuse_names(&self, request: &ExportRequest, names: &[PathBuf]) -> Result<(), EngineError> {
        let (frames, _) = frames_of(request)?;
        let planned = plan::plan(request, &frames);
        let taken =
            planned.iter().filter_map(|file| file.path.as_ref().ok()).find(|path| names.contains(path));
        match taken {
            Some(path) => Err(EngineError::Permanent(
                Notice::new(
                    Severity::Error,
                    "a frame and the contact sheet would have the same name",
                    "nothing was written; choose another name for one of them",
                )
                .about(path),
            )),
            None => Ok(()),
        }
    }

    /// What an export would do with each file; nothing is written.
    pub(crate) fn plan(&self, request: &ExportRequest) -> Result<Vec<PlannedFile>, EngineError> {
        let (frames, _) = frames_of(request)?;
        let printers = inputs::printers_of(request)?;
        let manifest = manifest_of(request)?;
        let held = hold_inputs(&request.at.session, request.at.folder.as_deref());
        let mut planned = plan::plan(request, &frames);
        refuse_inputs(&request.folder, &planned)?;
        drop(held);
        planned.iter_mut().for_each(|file| file.decide(request, &printers, manifest.as_ref()));
        Ok(planned.into_iter().map(|file| file.shown(request)).collect())
    }

    /// Write frames one after the other; each outcome comes with the positions of its frame and kind.
    fn write_frames(
        &self,
        request: &ExportRequest,
        frames: Vec<FrameFiles>,
        small: &SmallPictures,
        inputs: &Inputs<'_>,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Vec<(Place, Outcome)> {
        let count = frames.len();
        let mut outcomes: Vec<(Place, Outcome)> = Vec::new();
        thread::scope(|threads| {
            let check = || inputs.check(cancel);
            if thread::Builder::new().name("glassine-check".to_owned()).spawn_scoped(threads, check).is_err()
            {
                check();
            }
            let mut closing: VecDeque<(Place, Closing<'_>)> = VecDeque::new();
            let mut pace = String::new();
            for (idx, files) in frames.into_iter().enumerate() {
                let share = |part: f32| {
                    let what = format!("frame {} of {count}{pace}", idx + 1);
                    progress((idx as f32 + part) / count as f32, &what);
                };
                share(0.0);
                let (begun, mut pixels) = (Instant::now(), 0.0);
                let files = self.write_frame(request, &files, small, inputs, cancel, &share);
                let most = CLOSING_AT_ONCE.max(files.len());
                for (kind, written) in files {
                    if closing.len() >= most {
                        outcomes.extend(closing.pop_front().map(|(place, frame)| (place, frame.join())));
                    }
                    match written {
                        Ok(written) => {
                            pixels += f64::from(written.file.width_px) * f64::from(written.file.height_px);
                            closing.push_back(((idx, kind), written.close_beside(threads, inputs)));
                        }
                        Err(error) => outcomes.push(((idx, kind), Err(error))),
                    }
                }
                if outcomes.iter().any(|(_, outcome)| matches!(outcome, Err(EngineError::Cancelled))) {
                    break;
                }
                // That of the last frame; one whose files were all there says nothing.
                if pixels > 0.0 {
                    let rate = pixels * 1e-6 / begun.elapsed().as_secs_f64().max(1e-9);
                    pace = format!(", {rate:.1} megapixels per second");
                }
            }
            outcomes.extend(closing.into_iter().map(|(place, frame)| (place, frame.join())));
        });
        outcomes
    }

    /// Write all rows of the files of a frame, which do not have their names yet. Each comes with the position of its
    /// kind; what fails for all of them fails for each.
    fn write_frame(
        &self,
        request: &ExportRequest,
        files: &FrameFiles,
        small: &SmallPictures,
        inputs: &Inputs<'_>,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Vec<(usize, Result<WrittenFrame, EngineError>)> {
        let mut results = Vec::new();
        let mut wanted = Vec::new();
        for file in files.files.iter().filter(|file| file.state != PlannedState::Unchanged) {
            match &file.path {
                Ok(_) if file.state != PlannedState::Refused => wanted.push(file),
                Ok(path) => {
                    let taken = glassine_scanfile::Error::AlreadyExists { path: path.clone() };
                    results.push((file.kind, Err(taken.into())));
                }
                Err(notice) => results.push((file.kind, Err(EngineError::Permanent(notice.clone())))),
            }
        }
        if wanted.is_empty() {
            return results;
        }
        let made = FrameWriter::begin(*self, request, &files.frame, inputs, cancel)
            .map(|mut writer| writer.write(&wanted, small, share));
        results.extend(made.unwrap_or_else(|error| for_each_file(&wanted, &error)));
        results
    }
}

/// The manifest that a run keeps: of an update always, of any other where the folder has one already.
fn manifest_of(request: &ExportRequest) -> Result<Option<Manifest>, EngineError> {
    if request.update {
        return Manifest::of(&request.folder).map(Some);
    }
    Ok(Manifest::existing(&request.folder))
}

/// Protect the scans and infrared files of a session for as long as the guards live.
fn hold_inputs(session: &Session, folder: Option<&Path>) -> Vec<ProtectedFile> {
    let files = session.scans.iter().map(|scan| files_of(scan, folder));
    files.flat_map(|files| files.paths().map(protect).collect::<Vec<_>>()).collect()
}

/// The frames that an export writes, and those that are left out.
fn frames_of(request: &ExportRequest) -> Result<(Vec<Arc<Frame>>, Vec<FrameId>), EngineError> {
    if let Some(sentence) = request.kinds().iter().find_map(|output| output.unknown_choice()) {
        return Err(EngineError::user_error(
            sentence,
            "set the colour space and the rendering, then export again",
        ));
    }
    let session = &request.at.session;
    let mut skipped = Vec::new();
    let frames: Vec<Arc<Frame>> = match &request.scope {
        FrameScope::All => {
            skipped = session.frames.iter().filter(|f| f.is_left_out()).map(|f| f.id).collect();
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
    Ok((frames, skipped))
}

/// Refuse the whole export if a frame would overwrite a scan, even where files may be replaced: the folder or the names
/// are not what the user meant. A link is refused too, as a file or as a folder of a name, because it may point
/// anywhere.
fn refuse_inputs(folder: &Path, planned: &[PlannedEntry]) -> Result<(), EngineError> {
    let targets = planned.iter().filter_map(|file| Some((&file.frame, file.path.as_ref().ok()?)));
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

/// Make the folder that a file is in.
pub(crate) fn make_folder_of(file: &Path) -> Result<(), EngineError> {
    file.parent().map_or(Ok(()), make_folder)
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
