//! One frame of an export: what it is made from, and how its bands become rows of the file.

use std::sync::Arc;

use glassine_film::{Histogram, OutputSpace, Pipeline, Rendering, quantise8_dithered};
use glassine_raster::{CancelToken, Kernel, ResolutionPpi, TiltedSampling};
use glassine_scanfile::{Compression, Overwrite, PictureFormat, PictureSpec};
use glassine_session::{
    DensityEncoding, Frame, OutputKind, OutputSettings, PrintSettings, TiffCompression, WebFormat,
};
use glassine_sharpness::Sharpening;

use super::about::metadata;
use super::band::{BandGroup, BandMaker, Purpose};
use super::film_density::FilmDensity;
use super::flow::in_order;
use super::negative::linear_film_profile;
use super::print::{PrintPass, PrintSteps};
use super::together::Target;
use crate::colour::{PrinterInUse, output_profile};
use crate::dust::Repair;
use crate::error::EngineError;
use crate::frame::{FrameContext, InputCodes, rendering_of, space_of};
use crate::render::downscale::{Narrowing, Shrink};
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
fn check_size(number: u32, output: &OutputSettings, (width, height): (u32, u32)) -> Result<(), EngineError> {
    if output.extension() == "jpg" && width.max(height) > MOST_JPEG_SIDE_PX {
        return Err(EngineError::user_error(
            format!("frame {number}: a JPEG can't have {width} x {height} px"),
            "write it as a TIFF, or smaller for the web",
        ));
    }
    Ok(())
}

/// How TIFFs are packed.
pub(super) fn compression_of(output: &OutputSettings) -> Compression {
    match output.compression {
        TiffCompression::None => Compression::None,
        TiffCompression::Deflate => Compression::Deflate,
        TiffCompression::Lzw => Compression::Lzw,
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
pub(super) fn ahead() -> usize {
    rayon::current_num_threads() + 2
}

/// From codes of the scan to encoded values of the file.
pub(super) enum Process {
    Picture(Box<Pipeline>),
    Film(FilmDensity),
}

/// What encoded values depend on besides the frame.
#[derive(Clone, PartialEq)]
enum Look {
    Picture(OutputSpace, Rendering),
    Film(DensityEncoding),
}

impl Look {
    fn of(output: &OutputSettings) -> Self {
        match output.kind.is_picture() {
            true => Self::Picture(space_of(&output.space), rendering_of(&output.rendering)),
            false => Self::Film(output.density),
        }
    }
}

/// Size at which a frame is sampled for a file: a picture larger than the scan is sampled at its own size, a smaller one
/// is averaged from all of the scan.
fn sampled_size(output: &OutputSettings, natural: (u32, u32)) -> (u32, u32) {
    let wanted = output.size_px(natural);
    if wanted.0 > natural.0 || wanted.1 > natural.1 { wanted } else { natural }
}

/// Whether every pixel that is counted for one file of a frame has the same value for the other.
pub(super) fn count_alike(a: &OutputSettings, b: &OutputSettings, frame: &Frame) -> bool {
    let natural = TiltedSampling::natural_size(&frame.crop, frame.orientation);
    Look::of(a) == Look::of(b) && sampled_size(a, natural) == sampled_size(b, natural)
}

/// One frame of an export.
pub(super) struct FrameJob<'a> {
    pub(super) context: &'a FrameContext,
    pub(super) sampling: TiltedSampling,
    pub(super) process: Process,
    pub(super) input: InputCodes,
    pub(super) repair: Option<&'a Repair>,
    pub(super) sharpening: Option<Sharpening>,
    pub(super) space: OutputSpace,
    look: Look,
    /// Size of the file, if smaller than the frame.
    shrunk: Option<(u32, u32)>,
    /// Whether it is sharpened once more after it was scaled down.
    sharpen_output: bool,
    /// What is done after the picture has its size.
    print: Option<PrintSteps>,
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
        let look = Look::of(output);
        // Repair works on linear light; without it the file's own codes keep their full precision.
        let input =
            if context.open.is_linear() || repair.is_none() { InputCodes::File } else { InputCodes::Linear };
        let natural = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let (width, height) = sampled_size(output, natural);
        let sampling = TiltedSampling::new(&frame.crop, frame.orientation, width, height, Kernel::Cubic);
        // Sharpening is given in pixels of the scan.
        let enlarged = (f64::from(width) / f64::from(natural.0)) as f32;
        let sharpening = sharpening
            .filter(|_| output.kind.is_picture())
            .map(|own| Sharpening { radius_px: own.radius_px * enlarged, ..own });
        let shrunk = Some(output.size_px(natural)).filter(|wanted| *wanted != (width, height));
        check_size(frame.number, output, shrunk.unwrap_or((width, height)))?;
        Ok(Self {
            context,
            sampling,
            process: match look {
                Look::Picture(space, rendering) => {
                    Process::Picture(Box::new(context.pipeline(None, space, rendering, input)))
                }
                Look::Film(encoding) => Process::Film(FilmDensity::new(context, encoding, input)),
            },
            look,
            input,
            repair,
            sharpening,
            space,
            shrunk,
            // A print has a sharpening of its own.
            sharpen_output: output.sharpen_output && output.kind != OutputKind::Print,
            print: (output.kind == OutputKind::Print).then(|| {
                PrintSteps::new(PrintSettings {
                    sharpen_amount: if output.sharpen_output { output.print.sharpen_amount } else { 0.0 },
                    ..output.print.clone()
                })
            }),
            bits: output.kind.bits(),
        })
    }

    /// The same print, for a printer whose profile is known.
    pub(super) fn for_printer(mut self, printer: Option<Arc<PrinterInUse>>) -> Self {
        if let Some(print) = &mut self.print {
            print.printer = printer;
        }
        self
    }

    /// What there is to say about the print.
    pub(super) fn print_note(&self) -> Option<String> {
        self.print.as_ref()?.note(self.size())
    }

    fn converts_to(&self) -> Option<&PrinterInUse> {
        self.print.as_ref()?.printer.as_deref().filter(|printer| printer.converts)
    }

    /// Channels of the file.
    fn file_channels(&self) -> u8 {
        // A grey that a printer mixes from colours is no grey of its values.
        if self.converts_to().is_some() { 3 } else { self.channels() }
    }

    /// Channels of the picture that it is made from.
    pub(super) fn channels(&self) -> u8 {
        match &self.process {
            Process::Picture(pipeline) if pipeline.is_grey() => 1,
            Process::Picture(_) => 3,
            Process::Film(_) => self.context.open.colour_channels().min(3),
        }
    }

    pub(super) fn size(&self) -> (u32, u32) {
        self.shrunk.unwrap_or((self.sampling.width(), self.sampling.height()))
    }

    pub(super) fn spec(&self, request: &ExportRequest, output: &OutputSettings) -> PictureSpec {
        let (width_px, height_px) = self.size();
        let frame = &self.context.frame;
        let natural = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let reduction = f64::from(width_px) / f64::from(natural.0);
        let scanned_ppi = self.context.scan_ref.ppi.map(|ppi| ppi * reduction);
        let format = match (output.kind, output.web_format) {
            (OutputKind::Web, WebFormat::Png) => PictureFormat::Png,
            (OutputKind::Web | OutputKind::Jpeg, _) => PictureFormat::Jpeg { quality: output.jpeg_quality },
            _ => PictureFormat::Tiff { compression: compression_of(output) },
        };
        PictureSpec {
            width_px,
            height_px,
            channels: self.file_channels(),
            bits: self.bits,
            ppi: self
                .print
                .as_ref()
                .map(|print| print.settings.ppi)
                .or(scanned_ppi)
                .filter(|ppi| POSSIBLE_PPI.contains(ppi))
                .and_then(ResolutionPpi::new),
            icc: self.profile(output),
            metadata: metadata(request, output, self.context),
            format,
            overwrite: Overwrite::Never,
        }
    }

    fn profile(&self, output: &OutputSettings) -> Option<Arc<[u8]>> {
        if let Some(printer) = self.converts_to() {
            return Some(Arc::clone(&printer.profile));
        }
        match (&self.process, output.density) {
            (Process::Picture(pipeline), _) => Some(output_profile(self.space, pipeline.is_grey())),
            (Process::Film(_), DensityEncoding::Linear) => Some(linear_film_profile(self.channels())),
            // No curve of a profile says what a density means; the description does.
            (Process::Film(_), DensityEncoding::Log) => None,
        }
    }

    /// Rows of each band, a multiple of `granule_rows`.
    pub(super) fn bands(&self, granule_rows: u32) -> Vec<(u32, u32)> {
        let (width, height) = (self.sampling.width(), self.sampling.height());
        let threads = rayon::current_num_threads().max(1) as u32;
        let pixels = (PIXELS_UNDER_WAY / threads).clamp(*BAND_PIXELS.start(), *BAND_PIXELS.end());
        let halo = self.sharpening.map_or(0, |sharpening| sharpening.halo_px());
        let rows = (pixels / width.max(1)).clamp(halo.max(16), 1024).next_multiple_of(granule_rows.max(1));
        (0..height).step_by(rows as usize).map(|y| (y, (y + rows).min(height))).collect()
    }

    /// Whether both sample the same codes at the same places.
    pub(super) fn reads_like(&self, other: &Self) -> bool {
        let size = |job: &Self| (job.sampling.width(), job.sampling.height());
        size(self) == size(other) && self.input == other.input && self.is_repaired() == other.is_repaired()
    }

    fn is_repaired(&self) -> bool {
        self.repair.is_some()
    }

    /// Whether both have the same encoded values, of the same sampling.
    pub(super) fn looks_like(&self, other: &Self) -> bool {
        self.look == other.look && self.sharpening == other.sharpening
    }

    /// How the rows of the file are made from encoded values, if not directly; a picture in memory never is.
    pub(super) fn remake(&self, in_memory: bool) -> Option<Remake> {
        if self.shrunk.is_none() && self.print.is_none() && !in_memory {
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
            print: self.print.clone().map(|print| PrintPass::new(print, self.size(), self.space)),
        })
    }

    /// Write rows of a picture that has its size.
    pub(super) fn put_small(&self, target: &mut Target, encoded: &[f32]) -> Result<(), EngineError> {
        let row = self.size().0 as usize * 3;
        let mut codes = zeroed::<u8>(encoded.len() as u64, "a picture")?;
        let first_row = match target {
            Target::File(writer) => writer.rows_done(),
            Target::Memory(pixels) => (pixels.len() / row.max(1)) as u32,
        };
        for (y, (out, values)) in codes.chunks_exact_mut(row).zip(encoded.chunks_exact(row)).enumerate() {
            quantise8_dithered(values, out, 0, first_row + y as u32);
        }
        match target {
            Target::Memory(pixels) => pixels.extend_from_slice(&codes),
            Target::File(writer) => {
                if self.file_channels() == 1 {
                    codes = codes.into_iter().step_by(3).collect();
                }
                writer.write_rows_u8(&codes)?;
            }
        }
        Ok(())
    }
}

/// Further steps on encoded values.
pub(super) struct Remake {
    shrink: Option<Shrink>,
    sharpener: Option<OutputSharpener>,
    print: Option<PrintPass>,
}

impl Remake {
    /// Makes the rows that are taken, where they are not those of encoded values.
    pub(super) fn narrowing(&self) -> Option<Arc<Narrowing>> {
        self.shrink.as_ref().map(|shrink| Arc::clone(shrink.narrowing()))
    }

    /// Take rows; returns the rows that are ready.
    pub(super) fn push(&mut self, values: Vec<f32>) -> Result<Vec<f32>, EngineError> {
        let small = match &mut self.shrink {
            Some(shrink) => shrink.push(&values),
            None => values,
        };
        let small = match &mut self.sharpener {
            Some(sharpener) => sharpener.push(&small),
            None => small,
        };
        self.after(small)
    }

    /// The rest of the rows.
    pub(super) fn finish(&mut self, cancel: &CancelToken) -> Result<Vec<f32>, EngineError> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_jpeg_is_refused_for_its_size() {
        let web = |web_format| OutputSettings { kind: OutputKind::Web, web_format, ..Default::default() };
        let size = (MOST_JPEG_SIDE_PX + 1, 10);
        assert!(check_size(1, &web(WebFormat::Jpeg), size).is_err());
        assert!(check_size(1, &web(WebFormat::Png), size).is_ok());
    }
}
