//! From samples to 8-bit pixels in one pass: a band of rows goes through the pipeline and is counted, sharpened and
//! rounded while it is in the cache of one core, as in an export.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_film::{Histogram, Pipeline, quantise8_dithered_rgba};
use glassine_raster::{CancelToken, PowerCurve, Samples16};
use glassine_sharpness::{RowScratch, RowSharpener, Sharpening};
use rayon::prelude::*;

use crate::EngineError;
use crate::preview::density_cache::LayerDensities;
use crate::preview::overlay::{self, Mark};
use crate::render::{Lightness, Shift};
use crate::scans::zeroed;

/// Fewest rows of a band: sharpening computes the rows around it twice, which should weigh little.
const LEAST_BAND_ROWS: usize = 64;
/// Bands for each core, so that all of them have work until the end.
const BANDS_PER_CORE: usize = 4;

/// Samples and how they become a picture.
pub(crate) struct Screen<'a> {
    pub(crate) pipeline: &'a Pipeline,
    pub(crate) samples: &'a Samples16,
    pub(crate) colour_channels: u8,
    pub(crate) shift: Option<Shift<'a>>,
    /// Densities of these samples, if known already.
    pub(crate) densities: Option<Arc<LayerDensities>>,
    pub(crate) cancel: &'a CancelToken,
}

/// What is wanted besides the pixels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wishes {
    pub(crate) sharpening: Option<Sharpening>,
    /// Count the encoded values, before they are sharpened.
    pub(crate) counts: bool,
    /// Paint over clipped pixels.
    pub(crate) marks_clipping: bool,
}

/// A picture for the screen.
#[derive(Debug)]
pub(crate) struct Shown {
    pub(crate) rgba: Vec<u8>,
    /// Counts of the whole picture; empty unless requested.
    pub(crate) histogram: Histogram,
    pub(crate) clipped_px: u64,
}

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    /// Encoded red, green, blue: a ring of the rows that wait for those below them.
    ring: [Vec<f32>; 3],
    /// Lightness of the band and the rows around it.
    light: Vec<f32>,
    sharp: Vec<f32>,
    shifts: Vec<f32>,
    rows: RowScratch,
}

/// What one band counted.
#[derive(Default)]
struct Tally {
    histogram: Histogram,
    clipped_px: u64,
}

impl Tally {
    fn plus(mut self, other: &Self) -> Self {
        self.histogram.merge(&other.histogram);
        self.clipped_px += other.clipped_px;
        self
    }
}

/// A pass over a whole picture.
struct Pass<'a> {
    screen: &'a Screen<'a>,
    wishes: Wishes,
    sharpener: Option<RowSharpener>,
    /// Rows above and below that a sharpened row needs.
    halo: usize,
    /// Rows of a band.
    band_rows: usize,
    /// Buffers that no thread is using.
    spare: Mutex<Vec<Scratch>>,
}

/// Previews are coded in sRGB.
const LIGHTNESS: Lightness = Lightness::Encoded;

impl Screen<'_> {
    /// The picture, and what was requested with it.
    pub(crate) fn show(&self, wishes: Wishes) -> Result<Shown, EngineError> {
        let (width, height) = (self.samples.width() as usize, self.samples.height() as usize);
        let mut rgba = zeroed::<u8>((width * height * 4) as u64, "a picture")?;
        let pass = Pass {
            screen: self,
            wishes,
            sharpener: wishes.sharpening.map(|sharpening| sharpening.prepare(self.samples.width())),
            halo: wishes.sharpening.map_or(0, |sharpening| sharpening.halo_px() as usize),
            band_rows: height.div_ceil(BANDS_PER_CORE * rayon::current_num_threads()).max(LEAST_BAND_ROWS),
            spare: Mutex::default(),
        };
        let tally = rgba
            .par_chunks_mut((pass.band_rows * width * 4).max(1))
            .enumerate()
            .map(|(band, out)| pass.band(band * pass.band_rows, out))
            .reduce(Tally::default, |sum, part| sum.plus(&part));
        self.cancel.check()?;
        Ok(Shown { rgba, histogram: tally.histogram, clipped_px: tally.clipped_px })
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
    fn encode(&self, y: u32, planes: [&mut [f32]; 3], shifts: &mut Vec<f32>) {
        if let Some(densities) = &self.densities {
            self.pipeline.run_densities(densities.row(y), planes);
            return;
        }
        self.shift_row(y, shifts);
        let (channels, colours) = (usize::from(self.samples.channels()), usize::from(self.colour_channels));
        self.pipeline.run_into_planes(self.samples.row(y), channels, colours, shifts, planes);
    }

    /// Densities of one row.
    pub(crate) fn densities(&self, y: u32, planes: [&mut [f32]; 3], shifts: &mut Vec<f32>) {
        self.shift_row(y, shifts);
        let (channels, colours) = (usize::from(self.samples.channels()), usize::from(self.colour_channels));
        self.pipeline.densities(self.samples.row(y), channels, colours, shifts, planes);
    }

    fn shift_row(&self, y: u32, shifts: &mut Vec<f32>) {
        if let Some(shift) = &self.shift {
            shifts.resize(self.samples.width() as usize * 3, 0.0);
            shift.row(y, shifts);
        }
    }
}

impl Pass<'_> {
    /// Make the rows from `first` on that fill `out`; after a cancellation they stay empty.
    fn band(&self, first: usize, out: &mut [u8]) -> Tally {
        let mut tally = Tally::default();
        if self.screen.cancel.is_cancelled() {
            return tally;
        }
        let spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = spare.unwrap_or_default();
        let (width, height) = (self.screen.samples.width() as usize, self.screen.samples.height() as usize);
        let end = (first + self.band_rows).min(height);
        let (top, bottom) = (first.saturating_sub(self.halo), (end + self.halo).min(height));
        let kept = self.halo + 1;
        scratch.ring.iter_mut().for_each(|plane| plane.resize(kept * width, 0.0));
        if self.sharpener.is_some() {
            scratch.light.resize((bottom - top) * width, 0.0);
            scratch.sharp.resize(width, 0.0);
        }
        let mut next = first;
        for y in top..bottom {
            self.encode(y, y - top, &mut scratch);
            // The last rows of the picture wait for no others.
            let ready = if y + 1 == bottom { end } else { (y + 1).saturating_sub(self.halo) };
            while next < ready {
                let line = &mut out[(next - first) * width * 4..][..width * 4];
                self.finish(next, next - top, &mut scratch, line, &mut tally);
                next += 1;
            }
        }
        self.spare.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        tally
    }

    /// Run row `y` through the pipeline into its slot of the ring; its lightness becomes row `at` of the band's.
    fn encode(&self, y: usize, at: usize, scratch: &mut Scratch) {
        let width = self.screen.samples.width() as usize;
        let Scratch { ring, light, shifts, .. } = scratch;
        let slot = y % (self.halo + 1) * width;
        let [r, g, b] = ring.each_mut().map(|plane| &mut plane[slot..slot + width]);
        self.screen.encode(y as u32, [&mut *r, &mut *g, &mut *b], shifts);
        if self.sharpener.is_some() {
            LIGHTNESS.measure([r, g, b], &mut light[at * width..][..width]);
        }
    }

    /// Count, sharpen and round row `y`; `at` is its row in the lightness of the band and the rows around it.
    fn finish(&self, y: usize, at: usize, scratch: &mut Scratch, line: &mut [u8], tally: &mut Tally) {
        let width = self.screen.samples.width() as usize;
        let Scratch { ring, light, sharp, rows, .. } = scratch;
        let slot = y % (self.halo + 1) * width;
        let [r, g, b] = ring.each_mut().map(|plane| &mut plane[slot..slot + width]);
        if self.wishes.counts {
            tally.histogram.add_planes([&*r, &*g, &*b]);
        }
        if let Some(sharpener) = &self.sharpener {
            sharpener.row_of(light, at, rows, sharp);
            LIGHTNESS.apply([&mut *r, &mut *g, &mut *b], &light[at * width..][..width], sharp);
        }
        quantise8_dithered_rgba([&*r, &*g, &*b], line, 0, y as u32);
        if self.wishes.marks_clipping {
            tally.clipped_px += paint_clipping([&*r, &*g, &*b], line, y as u32);
        }
    }
}

/// Paint over the clipped pixels of a row; returns how many there are.
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
