//! A band of rows: read, repaired, sampled, run through the pipeline, sharpened and rounded, all on one thread while
//! the rows are in its cache.

use std::sync::{Mutex, PoisonError};

use glassine_film::{Histogram, quantise8_dithered, quantise16, quantise16_planes};
use glassine_raster::{
    CancelToken, NoMemory, PixelRect, RegionSource as _, Samples16, SourcePlanes, reserve,
};
use glassine_scanfile::{PackedRows, RowPacker};
use glassine_sharpness::{RowScratch, RowSharpener};

use super::job::FrameJob;
use crate::error::EngineError;
use crate::frame::{BaseShift, InputCodes};
use crate::render::Lightness;
use crate::scans::{ask_for_memory, no_memory};

/// What the rows are made for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose<'a> {
    /// Rows of a file, for this packer.
    File(&'a RowPacker),
    /// Encoded values, to be scaled down.
    Shrink,
    /// Counts only, with all bins.
    Count,
}

/// A finished band.
#[derive(Debug)]
pub(super) struct Band {
    pub(super) body: Body,
    /// Clip counts at both ends; with all bins unless the band was made for a file.
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
    /// Buffers that no thread is using.
    spare: Mutex<Vec<Scratch>>,
    /// Codes of written bands, whose memory the next ones reuse.
    written: Mutex<Vec<Vec<u16>>>,
}

/// Rows finished together: few enough to still be in the caches.
const STEP_ROWS: u32 = 32;

/// Scan rows read at a time, so that sorting by channel finds them in the caches.
const READ_ROWS: usize = 32;

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    /// Encoded red, green, blue of unfinished rows; the first is row `next`.
    planes: [Vec<f32>; 3],
    /// The same for one row above `next`, needed only for its lightness.
    around: [Vec<f32>; 3],
    /// Lightness of these rows and of those around them that sharpening reads; the first is row `light_top`.
    light: Vec<f32>,
    sharp: Vec<f32>,
    shifts: Vec<f32>,
    sampled: Vec<u16>,
    pixels: Vec<f32>,
    narrow: Vec<u8>,
    rows: RowScratch,
    source: SourcePlanes,
}

/// Rows `y0..y1` of the picture, and `top..bottom`, the rows needed around them.
struct Span {
    y0: u32,
    y1: u32,
    top: u32,
    bottom: u32,
}

/// Output buffers of a band.
#[derive(Default)]
struct Made {
    counts: Histogram,
    wide: Vec<u16>,
    narrow: Vec<u8>,
    encoded: Vec<f32>,
}

impl<'a> BandMaker<'a> {
    pub(super) fn new(job: &'a FrameJob<'a>, purpose: Purpose<'a>) -> Self {
        Self {
            job,
            purpose,
            sharpener: job.sharpening.map(|sharpening| sharpening.prepare(job.sampling.width())),
            lightness: Lightness::of(job.space),
            spare: Mutex::new(Vec::new()),
            written: Mutex::new(Vec::new()),
        }
    }

    /// Make rows `y0..y1`, with as many rows around them as sharpening needs.
    pub(super) fn band(&self, (y0, y1): (u32, u32), cancel: &CancelToken) -> Result<Band, EngineError> {
        cancel.check()?;
        let halo = self.job.sharpening.map_or(0, |sharpening| sharpening.halo_px());
        let height = self.job.sampling.height();
        let span = Span { y0, y1, top: y0.saturating_sub(halo), bottom: (y1 + halo).min(height) };
        self.ask_for_room(&span)?;
        let spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = spare.unwrap_or_default();
        self.fill(&span, &mut scratch, cancel)?;
        let width = self.job.sampling.width() as usize;
        let mut made =
            self.room((y1 - y0) as usize * width).map_err(|refused| no_memory(refused, "a picture"))?;
        let (mut next, mut encoded, mut light_top) = (span.y0, span.top, span.top);
        while next < span.y1 {
            cancel.check()?;
            let end = (next + STEP_ROWS).min(span.y1);
            let needed = (end + halo).min(span.bottom);
            self.encode((encoded, needed), (next, light_top), &mut scratch);
            encoded = needed;
            for y in next..end {
                let places = ((y - next) as usize, (y - light_top) as usize);
                let light_rows = (encoded - light_top) as usize;
                self.finish((y, y - span.y0), places, light_rows, &mut scratch, &mut made);
            }
            let kept_light = end.saturating_sub(halo).max(light_top);
            if self.sharpener.is_some() {
                let rows = (kept_light - light_top) as usize..(encoded - light_top) as usize;
                scratch.light.copy_within(rows.start * width..rows.end * width, 0);
            }
            let rows = (end - next) as usize..(encoded - next) as usize;
            for plane in &mut scratch.planes {
                plane.copy_within(rows.start * width..rows.end * width, 0);
            }
            (next, light_top) = (end, kept_light);
        }
        self.spare.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        Ok(Band { body: self.body(&mut made)?, counts: made.counts })
    }

    /// Ask for the memory of a band before its buffers grow: a box may be far larger than any earlier picture.
    fn ask_for_room(&self, span: &Span) -> Result<(), EngineError> {
        /// Encoded planes, lightness, and the finished pixels in their widest form.
        const BYTES_PER_PIXEL: u64 = 4 * 4 + 3 * 4;
        let FrameJob { context, sampling, .. } = self.job;
        let open = &context.open;
        let rows = PixelRect::new(0, span.top, sampling.width(), span.bottom);
        let source = sampling.source_rect(rows, open.width(), open.height());
        let pixels = u64::from(sampling.width()) * u64::from(span.bottom - span.top);
        let codes = source.area() * u64::from(open.channels());
        ask_for_memory(pixels * BYTES_PER_PIXEL + 2 * codes, "a picture")
    }

    /// Take back the buffer of a written band.
    pub(super) fn take_back(&self, rows: PackedRows) {
        if let Some(codes) = rows.into_samples() {
            self.written.lock().unwrap_or_else(PoisonError::into_inner).push(codes);
        }
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, EngineError> {
        let open = &self.job.context.open;
        Ok(match (self.job.repair, self.job.input) {
            (Some(repair), _) => repair.over(open).read(rect, cancel)?,
            (None, InputCodes::Linear) => open.read(rect, cancel)?,
            (None, InputCodes::File) => open.read_codes(rect, cancel)?,
        })
    }

    /// Read the codes of a band, sorted by channel.
    fn fill(&self, span: &Span, scratch: &mut Scratch, cancel: &CancelToken) -> Result<(), EngineError> {
        let FrameJob { context, sampling, .. } = self.job;
        let open = &context.open;
        let rows = PixelRect::new(0, span.top, sampling.width(), span.bottom);
        let rect = sampling.source_rect(rows, open.width(), open.height());
        scratch.source.begin(sampling, rect, open.colour_channels());
        for y0 in (rect.y0..rect.y1).step_by(READ_ROWS) {
            let piece = PixelRect { y0, y1: (y0 + READ_ROWS as u32).min(rect.y1), ..rect };
            scratch.source.add(&self.read(piece, cancel)?, (piece.x0, piece.y0));
        }
        scratch.source.finish();
        Ok(())
    }

    /// Output buffers for the pixels of a band, in the form its purpose needs.
    fn room(&self, pixels: usize) -> Result<Made, NoMemory> {
        let samples = pixels * usize::from(self.job.channels());
        let mut made = Made::default();
        match self.purpose {
            Purpose::File(_) if self.job.bits == 16 => {
                made.wide =
                    self.written.lock().unwrap_or_else(PoisonError::into_inner).pop().unwrap_or_default();
                reserve(&mut made.wide, samples)?;
                made.wide.resize(samples, 0);
            }
            Purpose::File(_) => reserve(&mut made.narrow, samples)?,
            Purpose::Shrink => reserve(&mut made.encoded, pixels * 3)?,
            Purpose::Count => {}
        }
        Ok(made)
    }

    /// Append encoded colours and lightness of rows `from..to`; rows above `next` only give lightness.
    fn encode(&self, (from, to): (u32, u32), (next, light_top): (u32, u32), scratch: &mut Scratch) {
        let FrameJob { context, sampling, pipeline, .. } = self.job;
        let width = sampling.width() as usize;
        let Scratch { planes, around, light, shifts, sampled, source, .. } = scratch;
        let room = |buffer: &mut Vec<f32>, rows: u32| {
            let len = rows as usize * width;
            if buffer.len() < len {
                buffer.resize(len, 0.0);
            }
        };
        planes.iter_mut().for_each(|plane| room(plane, to - next));
        around.iter_mut().for_each(|row| row.resize(width, 0.0));
        if self.sharpener.is_some() {
            room(light, to - light_top);
        }
        let shift: Option<BaseShift<'_>> = context.shift(sampling, from);
        for y in from..to {
            if let Some(shift) = &shift {
                shifts.resize(width * 3, 0.0);
                shift.row(y - from, shifts);
            }
            let codes = sampling.lines(source, y, sampled).colours();
            let [r, g, b] = if y >= next {
                let at = (y - next) as usize * width;
                planes.each_mut().map(|plane| &mut plane[at..at + width])
            } else {
                around.each_mut().map(|row| &mut row[..width])
            };
            pipeline.run_planes(codes, shifts, [&mut *r, &mut *g, &mut *b]);
            if self.sharpener.is_some() {
                let at = (y - light_top) as usize * width;
                self.lightness.measure([r, g, b], &mut light[at..at + width]);
            }
        }
    }

    /// Sharpen and round row `y` of the picture, row `row` of the band. It is row `at` of the planes and row `light_at`
    /// of the lightness, which has `light_rows` rows.
    fn finish(
        &self,
        (y, row): (u32, u32),
        (at, light_at): (usize, usize),
        light_rows: usize,
        scratch: &mut Scratch,
        made: &mut Made,
    ) {
        let width = self.job.sampling.width() as usize;
        let channels = usize::from(self.job.channels());
        let Scratch { planes, light, sharp, pixels, narrow, rows, .. } = scratch;
        let [r, g, b] = planes.each_mut().map(|plane| &mut plane[at * width..][..width]);
        if let Some(sharpener) = &self.sharpener {
            sharp.resize(width, 0.0);
            let light = &light[..light_rows * width];
            sharpener.row_of(light, light_at, rows, sharp);
            self.lightness.apply([&mut *r, &mut *g, &mut *b], &light[light_at * width..][..width], sharp);
        }
        if !made.wide.is_empty() {
            let line = width * channels;
            let codes = &mut made.wide[row as usize * line..][..line];
            if channels == 1 {
                quantise16(g, codes);
                made.counts.add_grey_ends(codes);
            } else {
                quantise16_planes([r, g, b], codes);
                made.counts.add_ends(codes);
            }
            return;
        }
        pixels.clear();
        pixels.extend(r.iter().zip(&*g).zip(&*b).flat_map(|((r, g), b)| [*r, *g, *b]));
        made.counts.add(pixels);
        match self.purpose {
            Purpose::File(_) => {
                narrow.resize(pixels.len(), 0);
                quantise8_dithered(pixels, narrow, 0, y);
                made.narrow.extend(narrow.iter().step_by(if channels == 1 { 3 } else { 1 }));
            }
            Purpose::Shrink => made.encoded.extend_from_slice(pixels),
            Purpose::Count => {}
        }
    }

    fn body(&self, made: &mut Made) -> Result<Body, EngineError> {
        Ok(match self.purpose {
            Purpose::File(packer) if made.wide.is_empty() => {
                Body::Packed(packed(packer.pack_u8(std::mem::take(&mut made.narrow)))?)
            }
            Purpose::File(packer) => Body::Packed(packed(packer.pack_u16(std::mem::take(&mut made.wide)))?),
            Purpose::Shrink => Body::Encoded(std::mem::take(&mut made.encoded)),
            Purpose::Count => Body::Nothing,
        })
    }
}

fn packed(rows: std::io::Result<PackedRows>) -> Result<PackedRows, EngineError> {
    rows.map_err(|error| EngineError::told(format!("rows could not be packed: {error}"), "free some memory"))
}
