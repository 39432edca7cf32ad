//! All files of one frame: its scan is opened once, its dust is looked for once, and what can share a reading does.

use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::Instant;

use glassine_film::Histogram;
use glassine_raster::CancelToken;
use glassine_repair::Refusal;
use glassine_scanfile::PictureWriter;
use glassine_session::{Frame, OutputKind, OutputSettings};
use glassine_sharpness::Sharpening;

use super::closing::WrittenFrame;
use super::inputs::{Inputs, Printers};
use super::job::{FrameJob, count_alike};
use super::measured::blur_and_grain;
use super::plan::PlannedEntry;
use super::small::SmallPictures;
use super::together::{Target, run_together};
use super::{Exporter, make_folder_of, negative};
use crate::dust::{self, Repair};
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::render;
use crate::types::{ExportRequest, ExportedFile, SharpenChoice, SharpenSuggestion};

/// Results of the files of a frame, each with the position of its kind.
pub(super) type Results = Vec<(usize, Result<WrittenFrame, EngineError>)>;

/// The same failure for every file.
pub(super) fn for_each_file(files: &[&PlannedEntry], error: &EngineError) -> Results {
    let same = || match error {
        EngineError::Cancelled => EngineError::Cancelled,
        other => EngineError::Permanent(other.notice()),
    };
    files.iter().map(|file| (file.kind, Err(same()))).collect()
}

/// Writes the files of one frame.
pub(super) struct FrameWriter<'a> {
    exporter: Exporter<'a>,
    request: &'a ExportRequest,
    kinds: Vec<&'a OutputSettings>,
    printers: &'a Printers,
    frame: &'a Arc<Frame>,
    context: FrameContext,
    cancel: &'a CancelToken,
    started: Instant,
    notes: Vec<String>,
}

/// What all pictures of a frame share.
struct Prepared {
    repair: Option<Arc<Repair>>,
    sharpening: Option<Sharpening>,
}

impl<'a> FrameWriter<'a> {
    pub(super) fn begin(
        exporter: Exporter<'a>,
        request: &'a ExportRequest,
        frame: &'a Arc<Frame>,
        inputs: &'a Inputs<'_>,
        cancel: &'a CancelToken,
    ) -> Result<Self, EngineError> {
        cancel.check()?;
        let started = Instant::now();
        let at = &request.at;
        let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), exporter.scans)?;
        inputs.begin(&context)?;
        let notes = Vec::from_iter(context.check_box()?.map(|problem| problem.to_string()));
        Ok(Self {
            exporter,
            request,
            kinds: request.kinds(),
            printers: &inputs.printers,
            frame,
            context,
            cancel,
            started,
            notes,
        })
    }

    /// Write all rows of the files, which do not have their names yet, and keep a small picture if it is asked for.
    pub(super) fn write(
        &mut self,
        files: &[&PlannedEntry],
        small: &SmallPictures,
        share: &(dyn Fn(f32) + Sync),
    ) -> Results {
        let (film, pictures): (Vec<&PlannedEntry>, Vec<&PlannedEntry>) =
            files.iter().partition(|file| self.kinds[file.kind].kind == OutputKind::ArchiveNegative);
        // A sheet makes the small picture of a frame without others more cheaply itself.
        if pictures.is_empty() {
            return self.films(&film, share);
        }
        let prepared = match self.prepare(&pictures) {
            Ok(prepared) => prepared,
            Err(error) => {
                let mut results = self.films(&film, share);
                results.extend(for_each_file(&pictures, &error));
                return results;
            }
        };
        let done = Mutex::new([0.0; 2]);
        let count = [film.len(), pictures.len()].map(|files| files as f32);
        let both = |which: usize, part: f32| {
            let mut done = done.lock().unwrap_or_else(PoisonError::into_inner);
            done[which] = part;
            let files: f32 = count.iter().zip(*done).map(|(files, part)| files * part).sum();
            share(files / (count[0] + count[1]));
        };
        let write_film = || self.films(&film, &|part| both(0, part));
        let write_pictures = || {
            let made = self.pictures(&pictures, prepared, small, &|part| both(1, part));
            made.unwrap_or_else(|error| for_each_file(&pictures, &error))
        };
        thread::scope(|threads| {
            // Copying film is mostly waiting for the disk.
            let beside = (!film.is_empty())
                .then(|| thread::Builder::new().name("glassine-film".to_owned()))
                .and_then(|thread| thread.spawn_scoped(threads, write_film).ok());
            let mut results = write_pictures();
            results.extend(match beside {
                Some(beside) => beside.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
                None => write_film(),
            });
            results
        })
    }

    fn films(&self, files: &[&PlannedEntry], share: &(dyn Fn(f32) + Sync)) -> Results {
        let of = |(idx, file): (usize, &&PlannedEntry)| {
            let share = |done: f32| share((idx as f32 + done) / files.len() as f32);
            (file.kind, self.film(file, &share))
        };
        files.iter().enumerate().map(of).collect()
    }

    fn film(&self, file: &PlannedEntry, share: &(dyn Fn(f32) + Sync)) -> Result<WrittenFrame, EngineError> {
        let output = self.kinds[file.kind];
        make_folder_of(file.path()?)?;
        let (picture, shown) =
            negative::write(self.request, output, &self.context, file, self.cancel, share)?;
        Ok(WrittenFrame {
            picture,
            file: shown,
            context: self.context.clone(),
            started: self.started,
            record: file.entry.clone(),
        })
    }

    fn prepare(&mut self, files: &[&PlannedEntry]) -> Result<Prepared, EngineError> {
        let repair = self.repair()?;
        let first = files.first().map(|file| self.kinds[file.kind]);
        let sharpening = self.sharpening(first, repair.as_deref())?;
        Ok(Prepared { repair, sharpening })
    }

    fn pictures(
        &self,
        files: &[&PlannedEntry],
        prepared: Prepared,
        small: &SmallPictures,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Results, EngineError> {
        let Prepared { repair, sharpening } = prepared;
        let small_output = small.output(&self.request.at.session, self.frame.id);
        let outputs = files.iter().map(|file| self.kinds[file.kind]).chain(&small_output);
        let outputs: Vec<&OutputSettings> = outputs.collect();
        let job =
            |output: &&OutputSettings| FrameJob::new(output, sharpening, &self.context, repair.as_deref());
        let printer = |file: &PlannedEntry| self.printers.get(file.kind).cloned().flatten();
        let (mut results, mut begun) = (Results::new(), Vec::new());
        let (mut jobs, mut targets) = (Vec::new(), Vec::new());
        for (idx, output) in outputs.iter().enumerate() {
            let Some(file) = files.get(idx) else {
                jobs.push(job(output)?);
                targets.push(Target::Memory(Vec::new()));
                break;
            };
            let job = job(output).map(|job| job.for_printer(printer(file)));
            match job.and_then(|job| Ok((self.begin_file(file, &job)?, job))) {
                Ok((writer, job)) => {
                    begun.push(*file);
                    jobs.push(job);
                    targets.push(Target::File(Box::new(writer)));
                }
                Err(error) => results.push((file.kind, Err(error))),
            }
        }
        let made = run_together(&jobs, &mut targets, self.cancel, share);
        let counted = match made.and_then(|counted| Ok(self.cancel.check().map(|()| counted)?)) {
            Ok(counted) => counted,
            Err(error) => {
                results.extend(for_each_file(&begun, &error));
                return Ok(results);
            }
        };
        let mut targets = targets.into_iter();
        for (((file, job), counts), target) in begun.iter().zip(&jobs).zip(&counted).zip(&mut targets) {
            if let Target::File(writer) = target {
                results.push((file.kind, self.end_file(file, job, counts, *writer)));
            }
        }
        if let (Some(Target::Memory(rgb)), Some(job)) = (targets.next(), jobs.last()) {
            small.take(self.frame.id, job.size(), rgb);
        }
        Ok(results)
    }

    fn begin_file(&self, file: &PlannedEntry, job: &FrameJob<'_>) -> Result<PictureWriter, EngineError> {
        let output = self.kinds[file.kind];
        make_folder_of(file.path()?)?;
        let mut spec = job.spec(self.request, output);
        spec.overwrite = file.overwrite();
        file.describe(&mut spec.metadata);
        let mut writer = PictureWriter::begin(file.path()?, &spec)?;
        if output.kind == OutputKind::Web && output.most_kb > 0 {
            writer.keep_within(u64::from(output.most_kb) * 1000);
        }
        Ok(writer)
    }

    fn end_file(
        &self,
        file: &PlannedEntry,
        job: &FrameJob<'_>,
        counts: &Histogram,
        writer: PictureWriter,
    ) -> Result<WrittenFrame, EngineError> {
        let output = self.kinds[file.kind];
        let (width_px, height_px) = job.size();
        let of_session = &self.request.at.session.output;
        let counts_for_session = self.request.repair.is_none()
            && self.request.sharpen.is_none()
            && output.kind.is_picture()
            && count_alike(output, of_session, self.frame);
        Ok(WrittenFrame {
            picture: writer.close()?,
            file: ExportedFile {
                frame: self.frame.id,
                number: output.number_of(self.frame, 1),
                recipe: output.recipe_name().to_owned(),
                path: file.path()?.to_owned(),
                width_px,
                height_px,
                clip_low: counts.clip_low_fraction(),
                clip_high: counts.clip_high_fraction(),
                counted_pixels: counts.pixels,
                counts_for_session,
                bytes: 0,
                seconds: 0.0,
                notes: self.notes.iter().cloned().chain(job.print_note()).collect(),
            },
            context: self.context.clone(),
            started: self.started,
            record: file.entry.clone(),
        })
    }

    /// The sharpening of the frame, which all its pictures share.
    fn sharpening(
        &mut self,
        output: Option<&OutputSettings>,
        repair: Option<&Repair>,
    ) -> Result<Option<Sharpening>, EngineError> {
        Ok(match (self.request.sharpen, output) {
            (Some(SharpenChoice::Suggested), Some(output)) => {
                // Film density has no lightness to measure.
                let output = OutputSettings {
                    kind: if output.kind.is_picture() { output.kind } else { OutputKind::Master },
                    ..output.clone()
                };
                let found = blur_and_grain(&output, &self.context, repair, self.cancel)?;
                let suggested = SharpenSuggestion::of(&found);
                self.notes.push(suggested.to_string());
                Some(suggested.sharpening)
            }
            (Some(SharpenChoice::Off), _) => None,
            _ => render::sharpening(&self.frame.look, 1.0),
        })
    }

    fn repair(&mut self) -> Result<Option<Arc<Repair>>, EngineError> {
        let Self { request, context, notes, .. } = self;
        let wanted = match request.repair {
            Some(choice) => choice,
            None => dust::is_wanted(context),
        };
        if !wanted {
            return Ok(None);
        }
        let repair = self.exporter.repairs.for_export(context, self.cancel)?;
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
