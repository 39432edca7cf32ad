//! From samples to 8-bit pixels in one pass: a band of rows goes through the pipeline and is counted, sharpened and
//! rounded while it is in the cache of one core, as in an export.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_film::{Histogram, Pipeline, PixelSource, PixelTarget, quantise8_dithered_rgba};
use glassine_raster::{CancelToken, Cancelled, PowerCurve, Samples16, TiltedSampling};
use glassine_sharpness::Sharpening;
use rayon::prelude::*;

use crate::error::EngineError;
use crate::frame::{BaseShift, FrameContext};
use crate::preview::density_cache::{DensityCache, LayerDensities};
use crate::preview::overlay::{self, Mark};
use crate::preview::proof_rows::{ProofPass, ProofScratch};
use crate::preview::sample_cache::SampledKey;
use crate::render::Lightness;
use crate::render::rows::{RowBuffers, RowPass, RowSteps};
use crate::scans::zeroed;

/// Fewest rows of a band: sharpening computes the rows around it twice, which should weigh little.
const LEAST_BAND_ROWS: usize = 64;
/// Bands for each core, so that all of them have work until the end.
const BANDS_PER_CORE: usize = 4;

/// Samples and how they become a picture.
pub(crate) struct PreviewRenderer<'a> {
    pipeline: &'a Pipeline,
    samples: &'a Samples16,
    colour_channels: u8,
    shift: Option<BaseShift<'a>>,
    /// Densities of these samples, if known already.
    pub(crate) densities: Option<Arc<LayerDensities>>,
    cancel: &'a CancelToken,
}

/// What is wanted besides the pixels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RenderOptions<'a> {
    pub(crate) sharpening: Option<Sharpening>,
    /// Count the encoded values, before they are sharpened.
    pub(crate) counts: bool,
    /// Paint over clipped pixels.
    pub(crate) marks_clipping: bool,
    /// Paint where the overshoot limit acts.
    pub(crate) marks_limit: bool,
    pub(crate) proof: Option<ProofPass<'a>>,
}

/// A picture for the screen.
#[derive(Debug)]
pub(crate) struct Rendered {
    pub(crate) rgba: Vec<u8>,
    /// Counts of the whole picture; empty unless requested.
    pub(crate) histogram: Histogram,
    /// Pixels that are clipped, or held by the overshoot limit, whichever is marked.
    pub(crate) marked_px: u64,
    pub(crate) out_of_gamut_px: u64,
}

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    rows: RowBuffers,
    shifts: Vec<f32>,
    held: Vec<f32>,
    proof: ProofScratch,
}

/// What one band counted.
#[derive(Default)]
struct Tally {
    histogram: Histogram,
    marked_px: u64,
    out_of_gamut_px: u64,
}

impl Tally {
    fn plus(mut self, other: &Self) -> Self {
        self.histogram.merge(&other.histogram);
        self.marked_px += other.marked_px;
        self.out_of_gamut_px += other.out_of_gamut_px;
        self
    }
}

/// Previews and proofs are not coded as linear light.
const LIGHTNESS: Lightness = Lightness::Encoded;

impl<'a> PreviewRenderer<'a> {
    /// Samples of a frame, each at its place in the sampling.
    pub(crate) fn new(
        pipeline: &'a Pipeline,
        samples: &'a Samples16,
        context: &'a FrameContext,
        sampling: &'a TiltedSampling,
        cancel: &'a CancelToken,
    ) -> Self {
        let (colour_channels, shift) = (context.open.colour_channels(), context.shift(sampling, 0));
        Self { pipeline, samples, colour_channels, shift, densities: None, cancel }
    }

    /// The picture, and what was requested with it.
    pub(crate) fn show(&self, options: RenderOptions<'_>) -> Result<Rendered, EngineError> {
        let (width, height) = (self.samples.width() as usize, self.samples.height() as usize);
        let mut rgba = zeroed::<u8>((width * height * 4) as u64, "a picture")?;
        let size = (self.samples.width(), self.samples.height());
        let mut pass = RowPass::new(size, options.sharpening, LIGHTNESS);
        if options.marks_limit {
            pass = pass.telling_limit(options.sharpening);
        }
        let band_rows = height.div_ceil(BANDS_PER_CORE * rayon::current_num_threads()).max(LEAST_BAND_ROWS);
        // Buffers that no thread is using.
        let spare: Mutex<Vec<Scratch>> = Mutex::default();
        let lock = || spare.lock().unwrap_or_else(PoisonError::into_inner);
        let make = |(band, out): (usize, &mut [u8])| {
            let taken = lock().pop();
            let Scratch { mut rows, mut shifts, mut held, mut proof } = taken.unwrap_or_default();
            let first = band * band_rows;
            let mut steps = PreviewRows {
                renderer: self,
                options,
                first,
                out,
                shifts: &mut shifts,
                held: &mut held,
                proof: &mut proof,
                tally: Tally::default(),
            };
            pass.run(first..(first + band_rows).min(height), &mut rows, &mut steps, self.cancel)?;
            let tally = steps.tally;
            lock().push(Scratch { rows, shifts, held, proof });
            Ok(tally)
        };
        let tally = rgba
            .par_chunks_mut((band_rows * width * 4).max(1))
            .enumerate()
            .map(make)
            .try_reduce(Tally::default, |sum, part| Ok::<_, Cancelled>(sum.plus(&part)))?;
        let Tally { histogram, marked_px, out_of_gamut_px } = tally;
        Ok(Rendered { rgba, histogram, marked_px, out_of_gamut_px })
    }

    /// Only the counts.
    pub(crate) fn count(&self) -> Histogram {
        let width = self.samples.width() as usize;
        (0..self.samples.height())
            .into_par_iter()
            .fold(
                || (Histogram::default(), [vec![0.0; width], vec![0.0; width], vec![0.0; width]], Vec::new()),
                |(mut sum, mut planes, mut shifts), y| {
                    self.encode(y, planes.each_mut().map(Vec::as_mut_slice), &mut shifts);
                    sum.add_planes(planes.each_ref().map(Vec::as_slice));
                    (sum, planes, shifts)
                },
            )
            .map(|(sum, ..)| sum)
            .reduce(Histogram::default, |mut sum, part| {
                sum.merge(&part);
                sum
            })
    }

    /// One row through the pipeline.
    pub(crate) fn encode(&self, y: u32, planes: [&mut [f32]; 3], shifts: &mut Vec<f32>) {
        if let Some(densities) = &self.densities {
            let kept = PixelSource::Densities(densities.row(y));
            self.pipeline.run(kept, &[], PixelTarget::Planes(planes));
            return;
        }
        self.shift_row(y, shifts);
        self.pipeline.run(self.source(y), shifts, PixelTarget::Planes(planes));
    }

    /// The densities of these samples, if they are kept or worth keeping.
    pub(crate) fn kept_densities(
        &self,
        cache: &DensityCache,
        key: SampledKey,
    ) -> Option<Arc<LayerDensities>> {
        let size = (self.samples.width(), self.samples.height());
        cache.of(key, self.pipeline, self.shift.map(|shift| shift.field), || {
            LayerDensities::compute(size, |y, planes, shifts| {
                self.shift_row(y, shifts);
                self.pipeline.densities(self.source(y), shifts, planes);
            })
        })
    }

    fn source(&self, y: u32) -> PixelSource<'_> {
        let (channels, colours) = (usize::from(self.samples.channels()), usize::from(self.colour_channels));
        PixelSource::pixels(self.samples.row(y), channels, colours)
    }

    fn shift_row(&self, y: u32, shifts: &mut Vec<f32>) {
        if let Some(shift) = &self.shift {
            shifts.resize(self.samples.width() as usize * 3, 0.0);
            shift.row(y, shifts);
        }
    }
}

/// The rows of one band of a preview.
struct PreviewRows<'a> {
    renderer: &'a PreviewRenderer<'a>,
    options: RenderOptions<'a>,
    /// First row of the band.
    first: usize,
    /// Red, green, blue and 255 for each pixel of the band.
    out: &'a mut [u8],
    shifts: &'a mut Vec<f32>,
    /// How far the overshoot limit moved each pixel of the row; positive where it held a bright rim.
    held: &'a mut Vec<f32>,
    proof: &'a mut ProofScratch,
    tally: Tally,
}

impl RowSteps for PreviewRows<'_> {
    fn encode(&mut self, y: usize, planes: [&mut [f32]; 3]) {
        self.renderer.encode(y as u32, planes, self.shifts);
    }

    fn count(&mut self, planes: [&[f32]; 3]) {
        if self.options.counts {
            self.tally.histogram.add_planes(planes);
        }
    }

    fn limited(&mut self, limited: &[f32], free: &[f32]) {
        self.held.clear();
        self.held.extend(free.iter().zip(limited).map(|(free, limited)| free - limited));
    }

    fn finish(&mut self, y: usize, planes: [&[f32]; 3]) {
        let line = 4 * planes[0].len();
        let line = &mut self.out[(y - self.first) * line..][..line];
        match &self.options.proof {
            Some(pass) => self.tally.out_of_gamut_px += pass.row(planes, line, y as u32, self.proof),
            None => quantise8_dithered_rgba(planes, line, 0, y as u32),
        }
        if self.options.marks_clipping {
            self.tally.marked_px += paint_clipping(planes, line, y as u32);
        }
        if self.options.marks_limit && self.options.sharpening.is_some() {
            self.tally.marked_px += paint_held(self.held, line, y as u32);
        }
    }
}

/// Rows of RGBA that show how far two pictures of one size differ before sharpening, amplified on black, and the share
/// of pixels that differ, 0 to 1.
pub(crate) fn difference(
    before: &PreviewRenderer<'_>,
    after: &PreviewRenderer<'_>,
) -> Result<(Vec<u8>, f64), EngineError> {
    let (width, height) = (before.samples.width() as usize, before.samples.height());
    let mut rgba = zeroed::<u8>((width * height as usize * 4) as u64, "a picture")?;
    let planes = || [(); 3].map(|()| vec![0.0; width]);
    let differing: u64 = rgba
        .par_chunks_mut((width * 4).max(1))
        .zip(0..height)
        .map_init(
            || (planes(), planes(), Vec::new()),
            |(one, other, shifts), (line, y)| {
                before.encode(y, one.each_mut().map(Vec::as_mut_slice), shifts);
                after.encode(y, other.each_mut().map(Vec::as_mut_slice), shifts);
                let rows = [&*one, &*other].map(|planes| planes.each_ref().map(Vec::as_slice));
                overlay::paint_difference(rows, line)
            },
        )
        .sum();
    Ok((rgba, differing as f64 / (width * height as usize).max(1) as f64))
}

/// Tones this close to an end are marked as nearly clipped: the print no longer separates them.
/// Source: ours; two of 256 parts of the codes, as the histogram counts them.
const NEAR_END: f32 = 2.0 / 256.0;

/// Paint over the clipped pixels of a row, and mark those that nearly clip; returns how many are clipped.
fn paint_clipping([red, green, blue]: [&[f32]; 3], line: &mut [u8], y: u32) -> u64 {
    let half_code = 0.5 / 65535.0;
    let mut painted = 0;
    let colours = red.iter().zip(green).zip(blue);
    for ((px, ((r, g), b)), x) in line.chunks_exact_mut(4).zip(colours).zip(0..) {
        let values = [*r, *g, *b];
        let high = values.iter().any(|v| *v >= 1.0 - half_code);
        let low = values.iter().any(|v| *v < half_code);
        if high || low {
            overlay::paint(px, if high { Mark::High } else { Mark::Low }, x, y);
            painted += 1;
        } else if values.iter().any(|v| *v >= 1.0 - NEAR_END) {
            overlay::paint(px, Mark::NearHigh, x, y);
        } else if values.iter().any(|v| *v < NEAR_END) {
            overlay::paint(px, Mark::NearLow, x, y);
        }
    }
    painted
}

/// Paint pixels that the overshoot limit moved by a code of 8 bits or more; returns how many.
fn paint_held(held: &[f32], line: &mut [u8], y: u32) -> u64 {
    const LEAST: f32 = 1.0 / 255.0;
    let mut painted = 0;
    for ((px, off), x) in line.chunks_exact_mut(4).zip(held).zip(0..) {
        if off.abs() >= LEAST {
            overlay::paint(px, if *off > 0.0 { Mark::HeldBright } else { Mark::HeldDark }, x, y);
            painted += 1;
        }
    }
    painted
}

/// The film as scanned: linear codes times a gain, sRGB coded.
pub(crate) fn scan_rgba(samples: &Samples16, colour_channels: u8, gain: f32) -> Vec<u8> {
    let table: Vec<u8> = (0..=u16::MAX)
        .map(|code| {
            let light = f64::from(f32::from(code) / 65535.0 * gain).min(1.0);
            (PowerCurve::SRGB.encode(light) * 255.0 + 0.5) as u8
        })
        .collect();
    let channels = usize::from(samples.channels()).max(1);
    let colours = if colour_channels >= 3 { [0, 1, 2] } else { [0, 0, 0] };
    let mut rgba = vec![0_u8; samples.data().len() / channels * 4];
    let width = (samples.width() as usize).max(1);
    let rows = samples.data().par_chunks(width * channels);
    rgba.par_chunks_mut(width * 4).zip(rows).for_each(|(row, codes)| {
        for (px, codes) in row.chunks_exact_mut(4).zip(codes.chunks_exact(channels)) {
            for (value, channel) in px.iter_mut().zip(colours) {
                *value = codes.get(channel).map_or(0, |code| table[usize::from(*code)]);
            }
            px[3] = u8::MAX;
        }
    });
    rgba
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clipped_and_nearly_clipped_pixels_are_marked_apart() {
        let values = [1.0, 0.995, 0.5, 0.005, 0.0].map(|v: f32| [v; 12]).concat();
        let mut line = vec![128; 4 * values.len()];
        let clipped = paint_clipping([&values; 3], &mut line, 0);
        assert_eq!(clipped, 24);
        let marked = |part: usize| {
            line[48 * part..48 * (part + 1)].chunks_exact(4).filter(|px| px[..3] != [128; 3]).count()
        };
        // Six pixels from line to line.
        assert_eq!([0, 1, 2, 3, 4].map(marked), [12, 2, 0, 2, 12]);
    }
}
