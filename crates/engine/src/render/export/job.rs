//! One frame of an export: what it is made from, and how its bands become rows of the file.

use glassine_film::{FilmKind, Histogram, OutputSpace, Pipeline, Rendering, quantise8_dithered};
use glassine_raster::{CancelToken, Kernel, TiltedSampling};
use glassine_scanfile::{
    Compression, FilmSourceKind, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter,
};
use glassine_session::{Frame, OutputKind, OutputSettings, TiffCompression};
use glassine_sharpness::Sharpening;

use super::band::{Band, BandMaker, Body, Purpose};
use super::flow::in_order;
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
const POSSIBLE_PPI: std::ops::Range<f64> = 1e-3..1e6;
/// Source: ISO/IEC 10918-1, number of lines and samples for each line.
const MOST_JPEG_SIDE_PX: u32 = 65_535;

/// Fails if a file of this kind can't have this size.
fn check_size(
    frame: &Frame,
    output: &OutputSettings,
    (width, height): (u32, u32),
) -> Result<(), EngineError> {
    if output.kind != OutputKind::Master && width.max(height) > MOST_JPEG_SIDE_PX {
        return Err(EngineError::user_error(
            format!("frame {}: a JPEG can't have {width} x {height} px", frame.number),
            "write it as a TIFF, or smaller for the web",
        ));
    }
    Ok(())
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
    let maker = BandMaker::new(&job, Purpose::Count);
    let bands = job.bands(1);
    let mut histogram = Histogram::default();
    in_order(bands.len(), ahead(), &|idx| maker.band(bands[idx], cancel), &mut |idx, band| {
        histogram.merge(&band.counts);
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
        let (width, height) = TiltedSampling::natural_size(&frame.crop, frame.orientation);
        let sampling = TiltedSampling::new(&frame.crop, frame.orientation, width, height, Kernel::Cubic);
        let long_side = width.max(height);
        let shrunk = (output.kind == OutputKind::Web && long_side > output.web_long_side_px).then(|| {
            let side = |px: u32| {
                let scaled = f64::from(px) * f64::from(output.web_long_side_px) / f64::from(long_side);
                scaled.round().max(1.0) as u32
            };
            (side(width), side(height))
        });
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
            sharpen_output: output.sharpen_output,
            bits: if output.kind == OutputKind::Master { 16 } else { 8 },
        })
    }

    pub(super) fn channels(&self) -> u8 {
        if self.pipeline.is_grey() { 1 } else { 3 }
    }

    fn size(&self) -> (u32, u32) {
        self.shrunk.unwrap_or((self.sampling.width(), self.sampling.height()))
    }

    pub(super) fn spec(&self, request: &ExportRequest, session: &glassine_session::Session) -> PictureSpec {
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
            ppi: self
                .context
                .scan_ref
                .ppi
                .map(|ppi| ppi * reduction)
                .filter(|ppi| POSSIBLE_PPI.contains(ppi)),
            icc: Some(output_profile(self.space, self.pipeline.is_grey())),
            metadata: Metadata {
                title: frame.name.clone().unwrap_or_default(),
                description: session.output.caption.clone(),
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

    /// Write all rows in order, while other threads make the next ones.
    pub(super) fn run(
        &self,
        writer: &mut PictureWriter,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Histogram, EngineError> {
        let packer = writer.packer();
        let from = (self.sampling.width(), self.sampling.height());
        let mut shrink = self.shrunk.map(|to| Shrink::new(from, to, self.space.transfer()));
        let mut sharpener = self
            .shrunk
            .filter(|_| self.sharpen_output)
            .map(|(width, _)| OutputSharpener::new(width, Lightness::of(self.space)));
        let (purpose, granule_rows) = match shrink {
            Some(_) => (Purpose::Shrink, 1),
            None => (Purpose::File(&packer), packer.granule_rows()),
        };
        let maker = BandMaker::new(self, purpose);
        let bands = self.bands(granule_rows);
        let mut histogram = Histogram::default();
        in_order(bands.len(), ahead(), &|idx| maker.band(bands[idx], cancel), &mut |idx, band: Band| {
            cancel.check()?;
            histogram.merge(&band.counts);
            match (band.body, &mut shrink) {
                (Body::Packed(rows), _) => {
                    writer.write_packed(&rows)?;
                    maker.take_back(rows);
                }
                (Body::Encoded(encoded), Some(shrink)) => {
                    let mut smaller = shrink.push(&encoded);
                    if let Some(sharpener) = &mut sharpener {
                        smaller = sharpener.push(&smaller);
                    }
                    self.put_small(writer, &smaller, shrink.width())?;
                }
                (Body::Encoded(_) | Body::Nothing, _) => {}
            }
            share((idx + 1) as f32 / bands.len() as f32);
            Ok::<(), EngineError>(())
        })?;
        if let Some(shrink) = &mut shrink {
            let mut rest = shrink.finish();
            if let Some(sharpener) = &mut sharpener {
                rest = sharpener.push(&rest);
                rest.extend(sharpener.finish());
            }
            self.put_small(writer, &rest, shrink.width())?;
        }
        Ok(histogram)
    }

    /// Write rows of a scaled-down picture.
    fn put_small(&self, writer: &mut PictureWriter, encoded: &[f32], width: u32) -> Result<(), EngineError> {
        let row = width as usize * 3;
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
