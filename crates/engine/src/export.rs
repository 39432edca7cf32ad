//! Writing finished pictures: bands of rows through the pipeline, reading and computing while the last band is written.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use glassine_film::{FilmKind, Histogram, OutputSpace, Pipeline, Rendering, quantise8_dithered, quantise16};
use glassine_raster::{CancelToken, Kernel, PixelRect, RegionSource, TiltedSampling};
use glassine_repair::Refusal;
use glassine_scanfile::icc::{TransferCurve, build_grey_profile, build_rgb_profile};
use glassine_scanfile::{
    Compression, FilmSourceKind, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter,
};
use glassine_session::{Frame, OutputKind, OutputSettings, TiffCompression, file_stem};
use glassine_sharpness::Sharpening;
use rayon::prelude::*;

use crate::recipe::{Feed, FrameContext, rendering_of, space_of};
use crate::render::{self, Rendered};
use crate::repair::Repair;
use crate::shrink::Shrink;
use crate::types::{ExportReport, ExportRequest, ExportedFile, FailedFrame, FrameScope};
use crate::{Engine, EngineError, Notice, Severity};

/// Pixels of a band: large enough to keep all cores busy, small enough for the caches.
const BAND_PIXELS: u32 = 1 << 20;

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
                    // Some file systems do not tell capital letters apart.
                    match taken.insert(stem.to_lowercase(), frame.number) {
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
        for (idx, (frame, path)) in
            planned_paths(&frames, &request.folder, &request.output).into_iter().enumerate()
        {
            let share = |part: f32| {
                progress((idx as f32 + part) / count as f32, &format!("frame {} of {count}", idx + 1));
            };
            share(0.0);
            let outcome = path
                .map_err(EngineError::Told)
                .and_then(|path| self.export_frame(request, &frame, &path, cancel, &share));
            match outcome {
                Ok(file) => report.written.push(file),
                Err(EngineError::Cancelled) => {
                    report.cancelled = true;
                    break;
                }
                Err(error) => report.failed.push(FailedFrame {
                    frame: frame.id,
                    number: frame.number,
                    notice: error.notice(),
                }),
            }
        }
        progress(1.0, "done");
        Ok(report)
    }

    fn export_frame(
        &self,
        request: &ExportRequest,
        frame: &Arc<Frame>,
        path: &Path,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<ExportedFile, EngineError> {
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
        let written = writer.finish()?;
        Ok(ExportedFile {
            frame: frame.id,
            number: frame.number,
            path: written.path,
            width_px: spec.width_px,
            height_px: spec.height_px,
            clip_low: histogram.clip_low_fraction(),
            clip_high: histogram.clip_high_fraction(),
            counted_pixels: histogram.pixels,
            bytes: written.bytes,
            seconds: started.elapsed().as_secs_f64(),
            notes,
        })
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
        let repair = self.repair(context, false, cancel)?;
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

/// Histogram and clip counts of every pixel a frame's export would have, without writing it.
pub(crate) fn count_exactly(
    context: &FrameContext,
    output: &OutputSettings,
    repair: Option<&Repair>,
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<Histogram, EngineError> {
    let job = FrameJob::new(output, None, context, repair);
    let mut histogram = Histogram::default();
    let bands = job.bands();
    for (idx, band) in bands.iter().enumerate() {
        cancel.check()?;
        histogram.merge(&job.band(*band, cancel)?.1);
        share((idx + 1) as f32 / bands.len() as f32);
    }
    Ok(histogram)
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

/// One frame on its way into a file.
struct FrameJob<'a> {
    context: &'a FrameContext,
    sampling: TiltedSampling,
    pipeline: Pipeline,
    feed: Feed,
    repair: Option<&'a Repair>,
    sharpening: Option<Sharpening>,
    space: OutputSpace,
    /// Size of the file, when it is smaller than the frame.
    shrunk: Option<(u32, u32)>,
    bits: u8,
}

impl<'a> FrameJob<'a> {
    fn new(
        output: &OutputSettings,
        sharpen: Option<bool>,
        context: &'a FrameContext,
        repair: Option<&'a Repair>,
    ) -> Self {
        let frame = &context.frame;
        let space = space_of(&output.space);
        let rendering: Rendering = rendering_of(&output.rendering);
        // Repair works on linear light; without it the file's own codes keep their full precision.
        let feed = if context.open.is_linear() || repair.is_none() { Feed::Codes } else { Feed::Linear };
        let (width, height) = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let sampling = TiltedSampling::new(&frame.crop, frame.orientation, width, height, Kernel::Cubic);
        let sharpening = match sharpen {
            Some(false) => None,
            Some(true) | None => render::sharpening(&frame.look, 1.0),
        };
        let long_side = width.max(height);
        let shrunk = (output.kind == OutputKind::Web && long_side > output.web_long_side_px).then(|| {
            let side = |px: u32| {
                let scaled = f64::from(px) * f64::from(output.web_long_side_px) / f64::from(long_side);
                scaled.round().max(1.0) as u32
            };
            (side(width), side(height))
        });
        Self {
            context,
            sampling,
            pipeline: context.pipeline(None, space, rendering, feed),
            feed,
            repair,
            sharpening,
            space,
            shrunk,
            bits: if output.kind == OutputKind::Master { 16 } else { 8 },
        }
    }

    fn channels(&self) -> u8 {
        if self.pipeline.is_grey() { 1 } else { 3 }
    }

    fn size(&self) -> (u32, u32) {
        self.shrunk.unwrap_or((self.sampling.width(), self.sampling.height()))
    }

    fn spec(&self, request: &ExportRequest, session: &glassine_session::Session) -> PictureSpec {
        let (width_px, height_px) = self.size();
        let output = &request.output;
        let frame = &self.context.frame;
        let reduction = f64::from(width_px) / f64::from(self.sampling.width());
        let format = match output.kind {
            OutputKind::Master => PictureFormat::Tiff {
                compression: match output.compression {
                    TiffCompression::None => Compression::None,
                    TiffCompression::Deflate => Compression::Deflate,
                    TiffCompression::Lzw => Compression::Lzw,
                },
            },
            OutputKind::Web | OutputKind::Jpeg => PictureFormat::Jpeg { quality: output.jpeg_quality },
        };
        let source = match self.context.strip.film {
            FilmKind::Slide => FilmSourceKind::Positive,
            FilmKind::ColourNegative | FilmKind::BlackAndWhite => FilmSourceKind::Negative,
        };
        PictureSpec {
            width_px,
            height_px,
            channels: self.channels(),
            bits: self.bits,
            ppi: self.context.scan_ref.ppi.map(|ppi| ppi * reduction),
            icc: Some(profile(self.space, self.pipeline.is_grey())),
            metadata: Metadata {
                title: frame.name.clone().unwrap_or_default(),
                description: session.title.clone(),
                creator: output.creator.clone(),
                copyright: output.copyright.clone(),
                software: concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned(),
                modified: (!request.written_at.is_empty()).then(|| request.written_at.clone()),
                source,
                ..Metadata::default()
            },
            format,
            overwrite: if request.replace { Overwrite::Replace } else { Overwrite::Never },
        }
    }

    fn bands(&self) -> Vec<(u32, u32)> {
        let (width, height) = (self.sampling.width(), self.sampling.height());
        let rows = (BAND_PIXELS / width.max(1)).clamp(16, 1024);
        (0..height).step_by(rows as usize).map(|y| (y, (y + rows).min(height))).collect()
    }

    /// All rows into the writer; the next band is made while the last one is written.
    fn run(
        &self,
        writer: &mut PictureWriter,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Histogram, EngineError> {
        let bands = self.bands();
        let mut histogram = Histogram::default();
        let mut sink = Sink::new(self, writer);
        let mut ready: Option<Rendered> = None;
        for (idx, band) in bands.iter().enumerate() {
            cancel.check()?;
            let previous = ready.take();
            let (written, made) = rayon::join(
                || previous.map_or(Ok(()), |rendered| sink.write(&rendered)),
                || self.band(*band, cancel),
            );
            written?;
            let (rendered, counts) = made?;
            histogram.merge(&counts);
            ready = Some(rendered);
            share((idx + 1) as f32 / bands.len() as f32);
        }
        if let Some(last) = ready {
            sink.write(&last)?;
        }
        sink.finish()?;
        Ok(histogram)
    }

    /// Rows `y0..y1`, sharpened with as many rows around them as that needs.
    fn band(&self, (y0, y1): (u32, u32), cancel: &CancelToken) -> Result<(Rendered, Histogram), EngineError> {
        let (width, height) = (self.sampling.width(), self.sampling.height());
        let halo = self.sharpening.map_or(0, |sharpening| sharpening.halo_px());
        let (top, bottom) = (y0.saturating_sub(halo), (y1 + halo).min(height));
        let out = PixelRect::new(0, top, width, bottom);
        let open = &self.context.open;
        let rect = self.sampling.source_rect(out, open.width(), open.height());
        let samples = match (self.repair, self.feed) {
            (Some(repair), _) => repair.over(open).read(rect, cancel)?,
            (None, Feed::Linear) => open.read(rect, cancel)?,
            (None, Feed::Codes) => open.scan.read(rect, cancel)?,
        };
        // Infrared has done its work by now.
        let samples = samples.first_channels(open.colour_channels());
        let sampled = self.sampling.read(&samples, rect.x0, rect.y0, out);
        drop(samples);
        let mut rendered = render::run(
            &self.pipeline,
            &sampled,
            open.colour_channels(),
            self.context.shift(&self.sampling, top),
        );
        if let Some(sharpening) = &self.sharpening {
            render::sharpen(&mut rendered, sharpening, self.space);
        }
        let stride = rendered.width * 3;
        rendered.encoded.truncate((y1 - top) as usize * stride);
        rendered.encoded.drain(..(y0 - top) as usize * stride);
        rendered.height = (y1 - y0) as usize;
        let histogram = rendered.histogram(0, rendered.height);
        Ok((rendered, histogram))
    }
}

/// Takes rendered bands, makes them smaller when asked, rounds them and hands them to the writer.
struct Sink<'a> {
    writer: &'a mut PictureWriter,
    shrink: Option<Shrink>,
    grey: bool,
    bits: u8,
    next_row: u32,
}

impl<'a> Sink<'a> {
    fn new(job: &FrameJob<'_>, writer: &'a mut PictureWriter) -> Self {
        let from = (job.sampling.width(), job.sampling.height());
        Self {
            writer,
            shrink: job.shrunk.map(|to| Shrink::new(from, to, job.space.transfer())),
            grey: job.channels() == 1,
            bits: job.bits,
            next_row: 0,
        }
    }

    fn write(&mut self, rendered: &Rendered) -> Result<(), EngineError> {
        match &mut self.shrink {
            None => self.put(&rendered.encoded, rendered.width),
            Some(shrink) => {
                let width = shrink.width() as usize;
                let smaller = shrink.push(&rendered.encoded);
                self.put(&smaller, width)
            }
        }
    }

    fn finish(&mut self) -> Result<(), EngineError> {
        let Some(shrink) = &mut self.shrink else { return Ok(()) };
        let width = shrink.width() as usize;
        let rest = shrink.finish();
        self.put(&rest, width)
    }

    fn put(&mut self, encoded: &[f32], width: usize) -> Result<(), EngineError> {
        if encoded.is_empty() {
            return Ok(());
        }
        let first_row = self.next_row;
        self.next_row += (encoded.len() / (width * 3)) as u32;
        // Grey pictures carry the same value three times up to here.
        let channels = if self.grey { 1 } else { 3 };
        if self.bits == 16 {
            let mut codes = vec![0_u16; encoded.len()];
            codes.par_chunks_mut(width * 3).zip(encoded.par_chunks(width * 3)).for_each(|(out, row)| {
                quantise16(row, out);
            });
            if channels == 1 {
                codes = codes.into_iter().step_by(3).collect();
            }
            self.writer.write_rows_u16(&codes)?;
        } else {
            let mut codes = vec![0_u8; encoded.len()];
            codes
                .par_chunks_mut(width * 3)
                .zip(encoded.par_chunks(width * 3))
                .enumerate()
                .for_each(|(y, (out, row))| quantise8_dithered(row, out, 0, first_row + y as u32));
            if channels == 1 {
                codes = codes.into_iter().step_by(3).collect();
            }
            self.writer.write_rows_u8(&codes)?;
        }
        Ok(())
    }
}

/// The profile that says what the numbers of a space mean.
pub(crate) fn profile(space: OutputSpace, grey: bool) -> Arc<[u8]> {
    let curve = match space {
        OutputSpace::Srgb | OutputSpace::DisplayP3 => TransferCurve::srgb(),
        OutputSpace::AdobeRgb1998 => TransferCurve::Gamma(563.0 / 256.0),
        // ISO 22028-2: 16 times the light below 1/512 of it, else the power 1/1.8.
        OutputSpace::RommRgb => {
            TransferCurve::Parametric { g: 1.8, a: 1.0, b: 0.0, c: 1.0 / 16.0, d: 16.0 / 512.0 }
        }
        OutputSpace::LinearSrgb => TransferCurve::Linear,
    };
    if grey {
        return build_grey_profile(&format!("Grey with the tone curve of {}", space.label()), &curve).into();
    }
    build_rgb_profile(space.label(), space.to_xyz_d50(), space.white(), &curve).into()
}
