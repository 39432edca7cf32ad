//! Writing finished pictures: bands of rows through the pipeline on every core, written in order; a written frame is
//! synced, read back and named while the next one is made.

mod band;
mod flow;
mod job;

use std::collections::{HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;
use std::time::Instant;

use glassine_raster::CancelToken;
use glassine_repair::Refusal;
use glassine_scanfile::{ClosedPicture, PictureWriter};
use glassine_session::{Frame, OutputSettings, clash_key, file_stem};

pub(crate) use job::count_exactly;

use crate::recipe::FrameContext;
use crate::repair::Repair;
use crate::types::{ExportReport, ExportRequest, ExportedFile, FailedFrame, FrameScope};
use crate::{Engine, EngineError, Notice, Severity};
use job::FrameJob;

/// Written frames that are synced and read back while others are made.
const CLOSING_AT_ONCE: usize = 2;

/// Progress of an export: share of the whole, and what it is at.
pub type ExportProgress<'a> = &'a (dyn Fn(f32, &str) + Sync);

/// Where each frame of an export will be written, in order; names that can't be are told.
pub fn planned_paths(
    frames: &[Arc<Frame>],
    folder: &Path,
    output: &OutputSettings,
) -> Vec<(Arc<Frame>, Result<PathBuf, Notice>)> {
    let mut taken: HashMap<String, u32> = HashMap::new();
    frames
        .iter()
        .map(|frame| {
            let path = match file_stem(output, frame) {
                Err(error) => Err(Notice::new(
                    Severity::Error,
                    format!("frame {}: {error}", frame.number),
                    "change the base name or the frame's own name",
                )),
                Ok(stem) => {
                    // Some file systems do not tell capitals or composed letters apart.
                    match taken.insert(clash_key(&stem), frame.number) {
                        Some(first) => Err(Notice::new(
                            Severity::Error,
                            format!("frames {first} and {} would both be called “{stem}”", frame.number),
                            "renumber the frames or give one another name",
                        )),
                        None => Ok(folder.join(format!("{stem}.{}", output.kind.extension()))),
                    }
                }
            };
            (Arc::clone(frame), path)
        })
        .collect()
}

impl Engine {
    /// Export many frames. A frame that fails is named in the report and the others go on.
    pub fn export(
        &self,
        request: &ExportRequest,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Result<ExportReport, EngineError> {
        if let Some(sentence) = request.output.unknown_choice() {
            return Err(EngineError::told(
                sentence,
                "set the colour space and the rendering, then export again",
            ));
        }
        let session = &request.at.session;
        let mut report = ExportReport::default();
        let frames: Vec<Arc<Frame>> = match &request.scope {
            FrameScope::All => {
                report.skipped = session.frames.iter().filter(|f| f.skipped).map(|f| f.id).collect();
                session.frames.iter().filter(|frame| !frame.skipped).cloned().collect()
            }
            FrameScope::Only(ids) => {
                if let Some(gone) = ids.iter().find(|id| session.frame(**id).is_none()) {
                    return Err(EngineError::NoFrame(*gone));
                }
                session.frames.iter().filter(|frame| ids.contains(&frame.id)).cloned().collect()
            }
        };
        if frames.is_empty() {
            return Err(EngineError::told("there is no frame to export", "find frames or draw a box first"));
        }
        make_folder(&request.folder)?;
        // Parts of an export that was killed would stay for ever otherwise.
        glassine_scanfile::remove_abandoned_parts(&request.folder);
        let count = frames.len();
        let mut outcomes: Vec<(usize, Outcome)> = Vec::new();
        thread::scope(|threads| {
            let mut closing = VecDeque::new();
            for (idx, (frame, path)) in
                planned_paths(&frames, &request.folder, &request.output).into_iter().enumerate()
            {
                let share = |part: f32| {
                    progress((idx as f32 + part) / count as f32, &format!("frame {} of {count}", idx + 1));
                };
                share(0.0);
                let written = path
                    .map_err(EngineError::Told)
                    .and_then(|path| self.write_frame(request, &frame, &path, cancel, &share));
                if closing.len() >= CLOSING_AT_ONCE {
                    outcomes.extend(closing.pop_front().map(join));
                }
                match written {
                    Ok(written) => closing.push_back((idx, threads.spawn(move || written.close()))),
                    Err(error) => outcomes.push((idx, Err(error))),
                }
                if matches!(outcomes.last(), Some((_, Err(EngineError::Cancelled)))) {
                    break;
                }
            }
            outcomes.extend(closing.into_iter().map(join));
        });
        outcomes.sort_by_key(|(idx, _)| *idx);
        for (idx, outcome) in outcomes {
            match outcome {
                Ok(file) => report.written.push(file),
                Err(EngineError::Cancelled) => report.cancelled = true,
                Err(error) => report.failed.push(FailedFrame {
                    frame: frames[idx].id,
                    number: frames[idx].number,
                    notice: error.notice(),
                }),
            }
        }
        progress(1.0, "done");
        Ok(report)
    }

    /// All of a frame into a file that has no name yet.
    fn write_frame(
        &self,
        request: &ExportRequest,
        frame: &Arc<Frame>,
        path: &Path,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<WrittenFrame, EngineError> {
        cancel.check()?;
        let started = Instant::now();
        // A name that is taken is told before minutes of work, and again when the file is given its name.
        if !request.replace && path.symlink_metadata().is_ok() {
            return Err(glassine_scanfile::Error::AlreadyExists { path: path.to_owned() }.into());
        }
        let session = &request.at.session;
        let context = FrameContext::new(session, frame, request.at.folder.as_deref(), &self.scans)?;
        let mut notes = Vec::new();
        let repair = self.repair_for_export(request, &context, cancel, &mut notes)?;
        let job = FrameJob::new(&request.output, request.sharpen, &context, repair.as_deref());
        let spec = job.spec(request, session);
        let mut writer = PictureWriter::begin(path, &spec)?;
        let histogram = job.run(&mut writer, cancel, share)?;
        cancel.check()?;
        let file = ExportedFile {
            frame: frame.id,
            number: frame.number,
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
        Ok(WrittenFrame { picture: writer.close()?, file, started })
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
            None => crate::repair::is_wanted(context),
        };
        if !wanted {
            return Ok(None);
        }
        let mut repair = self.repair(context, false, cancel, &|_| {})?;
        // One that the window shows stays as it is.
        if let Some(own) = Arc::get_mut(&mut repair) {
            own.forget_marks();
        }
        // A scan without infrared that is repaired by hand needs no word about it.
        let is_by_hand = repair.refusal == Some(Refusal::NoInfrared) && repair.found.is_some();
        if let Some(refusal) = repair.refusal.filter(|_| !is_by_hand) {
            let what = if repair.found.is_some() {
                "only strokes and spots were repaired"
            } else {
                "dust repair was not done"
            };
            notes.push(format!("{what}: {refusal}"));
        }
        Ok(Some(repair).filter(|repair| repair.found.is_some()))
    }
}

/// What became of a frame.
type Outcome = Result<ExportedFile, EngineError>;

/// Wait for a frame that is being closed; a panic there goes on here.
fn join((idx, thread): (usize, thread::ScopedJoinHandle<'_, Outcome>)) -> (usize, Outcome) {
    (idx, thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
}

/// A frame whose rows are all in a file, without its name.
struct WrittenFrame {
    picture: ClosedPicture,
    file: ExportedFile,
    started: Instant,
}

impl WrittenFrame {
    /// Sync the file and read it back at the same time, then give it its name.
    ///
    /// A frame that came this far is finished even when the export is stopped meanwhile.
    fn close(self) -> Outcome {
        let Self { picture, mut file, started } = self;
        thread::scope(|threads| {
            let syncing = threads.spawn(|| picture.sync());
            let checked = picture.check(&CancelToken::new());
            let synced = syncing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            checked.and(synced)
        })?;
        let written = picture.commit()?;
        file.path = written.path;
        file.bytes = written.bytes;
        file.seconds = started.elapsed().as_secs_f64();
        Ok(file)
    }
}

fn make_folder(folder: &Path) -> Result<(), EngineError> {
    std::fs::create_dir_all(folder).map_err(|error| {
        EngineError::Told(
            Notice::new(
                Severity::Error,
                format!("the folder can't be made or used: {error}"),
                "choose another folder",
            )
            .about(folder),
        )
    })
}
