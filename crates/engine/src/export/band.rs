//! A band of rows: read, repaired, sampled, through the pipeline, sharpened and rounded, all on one thread while the rows
//! are in its cache.

use std::sync::{Mutex, PoisonError};

use glassine_film::{Histogram, quantise8_dithered, quantise16, quantise16_planes};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_scanfile::{PackedRows, RowPacker};
use glassine_sharpness::{RowScratch, RowSharpener};

use super::job::FrameJob;
use crate::EngineError;
use crate::recipe::Feed;
use crate::render::{Lightness, Shift};

/// What the rows are made for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose<'a> {
    /// A file, whose packer this is.
    File(&'a RowPacker),
    /// Encoded values, to be made smaller.
    Shrink,
    /// Only counts, with all bins.
    Count,
}

/// A finished band.
#[derive(Debug)]
pub(super) struct Band {
    pub(super) body: Body,
    /// Counts of both ends; with all bins unless it was made for a file.
    pub(super) counts: Histogram,
}

#[derive(Debug)]
pub(super) enum Body {
    Packed(PackedRows),
    /// Interleaved encoded values.
    Encoded(Vec<f32>),
    Nothing,
}

/// Makes the bands of one frame, on any number of threads.
pub(super) struct BandMaker<'a> {
    job: &'a FrameJob<'a>,
    purpose: Purpose<'a>,
    sharpener: Option<RowSharpener>,
    lightness: Lightness,
    /// Buffers that no thread uses at the moment.
    spare: Mutex<Vec<Scratch>>,
}

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    /// Encoded red, green, blue of the rows of the band.
    planes: [Vec<f32>; 3],
    /// The same of one row that only lies around it.
    around: [Vec<f32>; 3],
    /// Lightness of all rows, those around it included.
    light: Vec<f32>,
    sharp: Vec<f32>,
    shifts: Vec<f32>,
    sampled: Vec<u16>,
    pixels: Vec<f32>,
    rows: RowScratch,
}

/// Rows `y0..y1` of the picture and the first and end of those needed around them.
struct Span {
    y0: u32,
    y1: u32,
    top: u32,
    bottom: u32,
}

impl<'a> BandMaker<'a> {
    pub(super) fn new(job: &'a FrameJob<'a>, purpose: Purpose<'a>) -> Self {
        Self {
            job,
            purpose,
            sharpener: job.sharpening.map(|sharpening| sharpening.prepare(job.sampling.width())),
            lightness: Lightness::of(job.space),
            spare: Mutex::new(Vec::new()),
        }
    }

    /// Rows `y0..y1`, sharpened with as many rows around them as that needs.
    pub(super) fn band(&self, (y0, y1): (u32, u32), cancel: &CancelToken) -> Result<Band, EngineError> {
        cancel.check()?;
        let halo = self.job.sharpening.map_or(0, |sharpening| sharpening.halo_px());
        let height = self.job.sampling.height();
        let span = Span { y0, y1, top: y0.saturating_sub(halo), bottom: (y1 + halo).min(height) };
        let spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = spare.unwrap_or_default();
        self.encode(&span, &mut scratch, cancel)?;
        let band = self.finish(&span, &mut scratch)?;
        self.spare.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        Ok(band)
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, EngineError> {
        let open = &self.job.context.open;
        Ok(match (self.job.repair, self.job.feed) {
            (Some(repair), _) => repair.over(open).read(rect, cancel)?,
            (None, Feed::Linear) => open.read(rect, cancel)?,
            (None, Feed::Codes) => open.scan.read(rect, cancel)?,
        })
    }

    /// Encoded colours of the band and lightness of all rows, row by row.
    fn encode(&self, span: &Span, scratch: &mut Scratch, cancel: &CancelToken) -> Result<(), EngineError> {
        let FrameJob { context, sampling, pipeline, .. } = self.job;
        let open = &context.open;
        let width = sampling.width() as usize;
        let rect = sampling.source_rect(
            PixelRect::new(0, span.top, sampling.width(), span.bottom),
            open.width(),
            open.height(),
        );
        let samples = self.read(rect, cancel)?;
        let channels = usize::from(samples.channels());
        let Scratch { planes, around, light, shifts, sampled, .. } = scratch;
        planes.iter_mut().for_each(|plane| plane.resize((span.y1 - span.y0) as usize * width, 0.0));
        around.iter_mut().for_each(|row| row.resize(width, 0.0));
        if self.sharpener.is_some() {
            light.resize((span.bottom - span.top) as usize * width, 0.0);
        }
        let shift: Option<Shift<'_>> = context.shift(sampling, span.top);
        for y in span.top..span.bottom {
            if let Some(shift) = &shift {
                shifts.resize(width * 3, 0.0);
                shift.row(y - span.top, shifts);
            }
            let codes = match sampling.copied_row(&samples, rect.x0, rect.y0, y) {
                Some(row) => row,
                None => {
                    sampled.resize(width * channels, 0);
                    sampling.read_row(&samples, rect.x0, rect.y0, y, sampled);
                    &*sampled
                }
            };
            let inside = (span.y0..span.y1).contains(&y);
            let [r, g, b] = if inside {
                let at = (y - span.y0) as usize * width;
                planes.each_mut().map(|plane| &mut plane[at..at + width])
            } else {
                around.each_mut().map(|row| &mut row[..width])
            };
            let colours = usize::from(open.colour_channels());
            pipeline.run_planes(codes, channels, colours, shifts, [&mut *r, &mut *g, &mut *b]);
            if self.sharpener.is_some() {
                let at = (y - span.top) as usize * width;
                self.lightness.measure([r, g, b], &mut light[at..at + width]);
            }
        }
        Ok(())
    }

    /// Sharpen and round, row by row.
    fn finish(&self, span: &Span, scratch: &mut Scratch) -> Result<Band, EngineError> {
        let width = self.job.sampling.width() as usize;
        let rows = (span.y1 - span.y0) as usize;
        let is_grey = self.job.channels() == 1;
        let samples = rows * width * if is_grey { 1 } else { 3 };
        let mut counts = Histogram::default();
        let mut wide = Vec::new();
        let mut narrow = Vec::new();
        let mut encoded = Vec::new();
        match self.purpose {
            Purpose::File(_) if self.job.bits == 16 => wide = vec![0_u16; samples],
            Purpose::File(_) => narrow.reserve_exact(samples),
            Purpose::Shrink => encoded.reserve_exact(rows * width * 3),
            Purpose::Count => {}
        }
        let Scratch { planes, light, sharp, pixels, rows: row_scratch, .. } = scratch;
        for row in 0..rows {
            let at = row * width;
            let [r, g, b] = planes.each_mut().map(|plane| &mut plane[at..at + width]);
            if let Some(sharpener) = &self.sharpener {
                sharp.resize(width, 0.0);
                let y = (span.y0 - span.top) as usize + row;
                sharpener.row_of(light, y, row_scratch, sharp);
                self.lightness.apply([&mut *r, &mut *g, &mut *b], &light[y * width..][..width], sharp);
            }
            if !wide.is_empty() {
                let line = samples / rows;
                let codes = &mut wide[row * line..][..line];
                if is_grey {
                    quantise16(g, codes);
                    counts.add_grey_ends(codes);
                } else {
                    quantise16_planes([r, g, b], codes);
                    counts.add_ends(codes);
                }
                continue;
            }
            pixels.clear();
            pixels.extend(r.iter().zip(&*g).zip(&*b).flat_map(|((r, g), b)| [*r, *g, *b]));
            counts.add(pixels);
            match self.purpose {
                Purpose::File(_) => {
                    let mut codes = vec![0_u8; pixels.len()];
                    quantise8_dithered(pixels, &mut codes, 0, span.y0 + row as u32);
                    narrow.extend(codes.iter().step_by(if is_grey { 3 } else { 1 }));
                }
                Purpose::Shrink => encoded.extend_from_slice(pixels),
                Purpose::Count => {}
            }
        }
        let body = match self.purpose {
            Purpose::File(packer) if wide.is_empty() => Body::Packed(packed(packer.pack_u8(narrow))?),
            Purpose::File(packer) => Body::Packed(packed(packer.pack_u16(wide))?),
            Purpose::Shrink => Body::Encoded(encoded),
            Purpose::Count => Body::Nothing,
        };
        Ok(Band { body, counts })
    }
}

fn packed(rows: std::io::Result<PackedRows>) -> Result<PackedRows, EngineError> {
    rows.map_err(|error| EngineError::told(format!("rows could not be packed: {error}"), "free some memory"))
}
