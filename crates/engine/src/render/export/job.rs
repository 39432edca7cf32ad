//! One frame of an export: what it is made from, and how its bands become rows of the file.

use glassine_film::{FilmKind, Histogram, OutputSpace, Pipeline, Rendering, quantise8_dithered};
use glassine_raster::{CancelToken, Kernel, TiltedSampling};
use glassine_scanfile::{
    Compression, FilmSourceKind, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter,
};
use glassine_session::{Frame, OutputKind, OutputSettings, PrintSettings, TiffCompression};
use glassine_sharpness::Sharpening;

use super::band::{Band, BandGroup, BandMaker, Body, Purpose};
use super::flow::in_order;
use super::print::PrintPass;
use crate::colour::output_profile;
use crate::dust::Repair;
use crate::error::EngineError;
use crate::frame::{FrameContext, InputCodes, rendering_of, space_of};
use crate::render::downscale::Shrink;
use crate::render::output_sharpen::OutputSharpener;
use crate::render::{self, Lightness};
use crate::scans::zeroed;
use crate::types::ExportRequest;

/// Pixels of all bands computed at one time, so that memory does not grow with the number of cores.
const PIXELS_UNDER_WAY: u32 = 1_300_000;
/// Pixels of a band: few enough for the caches, enough that the rows around it cost little.
const BAND_PIXELS: std::ops::RangeInclusive<u32> = 1 << 17..=650_000;

/// Resolutions that a file can state; for any other the field is left out.
pub(super) const POSSIBLE_PPI: std::ops::Range<f64> = 1e-3..1e6;
/// Source: ISO/IEC 10918-1, number of lines and samples for each line.
const MOST_JPEG_SIDE_PX: u32 = 65_535;

/// Fails if a file of this kind can't have this size.
fn check_size(
    frame: &Frame,
    output: &OutputSettings,
    (width, height): (u32, u32),
) -> Result<(), EngineError> {
    if !output.kind.is_tiff() && width.max(height) > MOST_JPEG_SIDE_PX {
        return Err(EngineError::user_error(
            format!("frame {}: a JPEG can't have {width} x {height} px", frame.number),
            "write it as a TIFF, or smaller for the web",
        ));
    }
    Ok(())
}

/// Size of the file for a picture of this size, upright.
fn wanted_size(output: &OutputSettings, (width, height): (u32, u32)) -> (u32, u32) {
    let long_side = width.max(height);
    match output.kind {
        OutputKind::Web if long_side > output.web_long_side_px => {
            let side = |px: u32| {
                let scaled = f64::from(px) * f64::from(output.web_long_side_px) / f64::from(long_side);
                scaled.round().max(1.0) as u32
            };
            (side(width), side(height))
        }
        OutputKind::Print => output.print.size_px(width.into(), height.into()),
        _ => (width, height),
    }
}

/// Histogram and clip counts of every pixel a frame's export would have, without writing it.
pub(super) fn count_exactly(
    context: &FrameContext,
    output: &OutputSettings,
    repair: Option<&Repair>,
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<Histogram, EngineError> {
    let job = FrameJob::new(output, render::sharpening(&context.frame.look, 1.0), context, repair)?;
    let group = BandGroup::new(vec![BandMaker::new(&job, Purpose::Count)]);
    let bands = job.bands(1);
    let mut histogram = Histogram::default();
    in_order(bands.len(), ahead(), &|idx| group.bands(bands[idx], cancel), &mut |idx, made| {
        made.iter().for_each(|band| histogram.merge(&band.counts));
        share((idx + 1) as f32 / bands.len() as f32);
        Ok(())
    })?;
    Ok(histogram)
}

/// Bands that may be in work or waiting: one for each thread, and some for the writer.
fn ahead() -> usize {
    rayon::current_num_threads() + 2
}

/// One frame of an export.
pub(super) struct FrameJob<'a> {
    pub(super) context: &'a FrameContext,
    pub(super) sampling: TiltedSampling,
    pub(super) pipeline: Pipeline,
    pub(super) input: InputCodes,
    pub(super) repair: Option<&'a Repair>,
    pub(super) sharpening: Option<Sharpening>,
    pub(super) space: OutputSpace,
    /// Size of the file, if smaller than the frame.
    shrunk: Option<(u32, u32)>,
    /// Whether it is sharpened once more after it was scaled down.
    sharpen_output: bool,
    /// What is done after the picture has its size.
    print: Option<PrintSettings>,
    pub(super) bits: u8,
}

impl<'a> FrameJob<'a> {
    pub(super) fn new(
        output: &OutputSettings,
        sharpening: Option<Sharpening>,
        context: &'a FrameContext,
        repair: Option<&'a Repair>,
    ) -> Result<Self, EngineError> {
        let frame = &context.frame;
        let space = space_of(&output.space);
        let rendering: Rendering = rendering_of(&output.rendering);
        // Repair works on linear light; without it the file's own codes keep their full precision.
        let input =
            if context.open.is_linear() || repair.is_none() { InputCodes::File } else { InputCodes::Linear };
        let natural = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let wanted = wanted_size(output, natural);
        // A picture larger than the scan is sampled at its own size, a smaller one is averaged from all of the scan.
        let (width, height) = if wanted.0 > natural.0 || wanted.1 > natural.1 { wanted } else { natural };
        let sampling = TiltedSampling::new(&frame.crop, frame.orientation, width, height, Kernel::Cubic);
        // Sharpening is given in pixels of the scan.
        let enlarged = (f64::from(width) / f64::from(natural.0)) as f32;
        let sharpening = sharpening.map(|own| Sharpening { radius_px: own.radius_px * enlarged, ..own });
        let shrunk = Some(wanted).filter(|wanted| *wanted != (width, height));
        check_size(frame, output, shrunk.unwrap_or((width, height)))?;
        Ok(Self {
            context,
            sampling,
            pipeline: context.pipeline(None, space, rendering, input),
            input,
            repair,
            sharpening,
            space,
            shrunk,
            // A print has a sharpening of its own.
            sharpen_output: output.sharpen_output && output.kind != OutputKind::Print,
            print: (output.kind == OutputKind::Print).then_some(PrintSettings {
                sharpen_amount: if output.sharpen_output { output.print.sharpen_amount } else { 0.0 },
                ..output.print
            }),
            bits: output.kind.bits(),
        })
    }

    pub(super) fn channels(&self) -> u8 {
        if self.pipeline.is_grey() { 1 } else { 3 }
    }

    fn size(&self) -> (u32, u32) {
        self.shrunk.unwrap_or((self.sampling.width(), self.sampling.height()))
    }

    pub(super) fn spec(&self, request: &ExportRequest) -> PictureSpec {
        let output = &request.output;
        let (width_px, height_px) = self.size();
        let frame = &self.context.frame;
        let natural = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let reduction = f64::from(width_px) / f64::from(natural.0);
        let scanned_ppi = self.context.scan_ref.ppi.map(|ppi| ppi * reduction);
        let format = match output.kind {
            OutputKind::Master | OutputKind::Tiff8 | OutputKind::Print | OutputKind::ArchiveNegative => {
                PictureFormat::Tiff {
                    compression: match output.compression {
                        TiffCompression::None => Compression::None,
                        TiffCompression::Deflate => Compression::Deflate,
                        TiffCompression::Lzw => Compression::Lzw,
                    },
                }
            }
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
            ppi: self.print.map(|print| print.ppi).or(scanned_ppi).filter(|ppi| POSSIBLE_PPI.contains(ppi)),
            icc: Some(output_profile(self.space, self.pipeline.is_grey())),
            metadata: Metadata {
                title: frame.name.clone().unwrap_or_default(),
                description: request.at.session.output.caption.clone(),
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

    /// Rows of each band, a multiple of `granule_rows`.
    fn bands(&self, granule_rows: u32) -> Vec<(u32, u32)> {
        let (width, height) = (self.sampling.width(), self.sampling.height());
        let threads = rayon::current_num_threads().max(1) as u32;
        let pixels = (PIXELS_UNDER_WAY / threads).clamp(*BAND_PIXELS.start(), *BAND_PIXELS.end());
        let halo = self.sharpening.map_or(0, |sharpening| sharpening.halo_px());
        let rows = (pixels / width.max(1)).clamp(halo.max(16), 1024).next_multiple_of(granule_rows.max(1));
        (0..height).step_by(rows as usize).map(|y| (y, (y + rows).min(height))).collect()
    }

    /// Whether both sample the same codes at the same places.
    fn reads_like(&self, other: &Self) -> bool {
        let size = |job: &Self| (job.sampling.width(), job.sampling.height());
        size(self) == size(other) && self.input == other.input
    }

    /// How the rows of the file are made from encoded values, if not directly.
    fn remake(&self) -> Option<Remake> {
        if self.shrunk.is_none() && self.print.is_none() {
            return None;
        }
        let from = (self.sampling.width(), self.sampling.height());
        let shrink = self.shrunk.map(|to| Shrink::new(from, to, self.space.transfer()));
        let sharpener = self
            .shrunk
            .filter(|_| self.sharpen_output)
            .map(|(width, _)| OutputSharpener::new(width, Lightness::of(self.space)));
        Some(Remake {
            shrink,
            sharpener,
            print: self.print.map(|print| PrintPass::new(print, self.size(), self.space)),
        })
    }

    /// Write rows of a picture that has its size.
    fn put_small(&self, writer: &mut PictureWriter, encoded: &[f32]) -> Result<(), EngineError> {
        let row = self.size().0 as usize * 3;
        let mut codes = zeroed::<u8>(encoded.len() as u64, "a picture")?;
        let first_row = writer.rows_done();
        for (y, (out, values)) in codes.chunks_exact_mut(row).zip(encoded.chunks_exact(row)).enumerate() {
            quantise8_dithered(values, out, 0, first_row + y as u32);
        }
        if self.channels() == 1 {
            codes = codes.into_iter().step_by(3).collect();
        }
        writer.write_rows_u8(&codes)?;
        Ok(())
    }
}

/// Further steps on encoded values.
struct Remake {
    shrink: Option<Shrink>,
    sharpener: Option<OutputSharpener>,
    print: Option<PrintPass>,
}

impl Remake {
    /// Take rows; returns the rows that are ready.
    fn push(&mut self, encoded: Vec<f32>) -> Result<Vec<f32>, EngineError> {
        let small = match &mut self.shrink {
            Some(shrink) => shrink.push(&encoded),
            None => encoded,
        };
        let small = match &mut self.sharpener {
            Some(sharpener) => sharpener.push(&small),
            None => small,
        };
        self.after(small)
    }

    /// The rest of the rows.
    fn finish(&mut self, cancel: &CancelToken) -> Result<Vec<f32>, EngineError> {
        let mut rest = self.shrink.as_mut().map(Shrink::finish).unwrap_or_default();
        if let Some(sharpener) = &mut self.sharpener {
            rest = sharpener.push(&rest);
            rest.extend(sharpener.finish());
        }
        let rest = self.after(rest)?;
        match &mut self.print {
            Some(print) => print.finish(cancel),
            None => Ok(rest),
        }
    }

    fn after(&mut self, rows: Vec<f32>) -> Result<Vec<f32>, EngineError> {
        match &mut self.print {
            Some(print) => print.take(&rows).map(|()| Vec::new()),
            None => Ok(rows),
        }
    }
}

/// Write the rows of several files of one frame in order, while other threads make the next ones. Files that sample the
/// scan alike are made from one reading of it.
pub(super) fn run_together(
    jobs: &[FrameJob<'_>],
    writers: &mut [PictureWriter],
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<Vec<Histogram>, EngineError> {
    let mut counts = vec![Histogram::default(); jobs.len()];
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (idx, job) in jobs.iter().enumerate() {
        match groups.iter_mut().find(|group| group.first().is_some_and(|first| jobs[*first].reads_like(job)))
        {
            Some(group) => group.push(idx),
            None => groups.push(vec![idx]),
        }
    }
    let parts = groups.len() as f32;
    for (part, group) in groups.iter().enumerate() {
        let share = |done: f32| share((part as f32 + done) / parts);
        run_group(jobs, group, writers, &mut counts, cancel, &share)?;
    }
    Ok(counts)
}

fn run_group(
    jobs: &[FrameJob<'_>],
    group: &[usize],
    writers: &mut [PictureWriter],
    counts: &mut [Histogram],
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<(), EngineError> {
    let packers: Vec<_> = group.iter().map(|idx| writers[*idx].packer()).collect();
    let mut remakes: Vec<Option<Remake>> = group.iter().map(|idx| jobs[*idx].remake()).collect();
    let mut granule_rows = 1;
    let mut makers = Vec::new();
    for ((idx, packer), remake) in group.iter().zip(&packers).zip(&remakes) {
        let purpose = if remake.is_some() { Purpose::Encode } else { Purpose::File(packer) };
        if remake.is_none() {
            granule_rows = common_multiple(granule_rows, packer.granule_rows());
        }
        makers.push(BandMaker::new(&jobs[*idx], purpose));
    }
    let made_by = BandGroup::new(makers);
    let tallest = group.iter().max_by_key(|idx| jobs[**idx].sharpening.map_or(0, |s| s.halo_px()));
    let Some(tallest) = tallest else { return Ok(()) };
    let bands = jobs[*tallest].bands(granule_rows);
    let make = |idx: usize| made_by.bands(bands[idx], cancel);
    in_order(bands.len(), ahead(), &make, &mut |at, made: Vec<Band>| {
        cancel.check()?;
        for (place, band) in made.into_iter().enumerate() {
            let idx = group[place];
            counts[idx].merge(&band.counts);
            match (band.body, &mut remakes[place]) {
                (Body::Packed(rows), _) => {
                    writers[idx].write_packed(&rows)?;
                    made_by.makers[place].take_back(rows);
                }
                (Body::Encoded(encoded), Some(remake)) => {
                    jobs[idx].put_small(&mut writers[idx], &remake.push(encoded)?)?;
                }
                (Body::Encoded(_) | Body::Nothing, _) => {}
            }
        }
        share((at + 1) as f32 / bands.len() as f32);
        Ok::<(), EngineError>(())
    })?;
    for (place, remake) in remakes.iter_mut().enumerate() {
        if let Some(remake) = remake {
            let idx = group[place];
            jobs[idx].put_small(&mut writers[idx], &remake.finish(cancel)?)?;
        }
    }
    Ok(())
}

/// Least common multiple.
fn common_multiple(a: u32, b: u32) -> u32 {
    let (mut divisor, mut rest) = (a.max(1), b.max(1));
    while rest != 0 {
        (divisor, rest) = (rest, divisor % rest);
    }
    (a.max(1) / divisor).saturating_mul(b.max(1))
}
