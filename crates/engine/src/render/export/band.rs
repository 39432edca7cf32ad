//! A band of rows: read, repaired, sampled, run through the pipeline, sharpened and rounded, all on one thread while
//! the rows are in its cache.

use std::sync::{Mutex, PoisonError};

use glassine_film::{Histogram, PixelSource, PixelTarget, quantise8_dithered, quantise16, quantise16_planes};
use glassine_raster::{
    CancelToken, NoMemory, PixelRect, RegionSource as _, Samples16, SourcePlanes, reserve,
};
use glassine_scanfile::{PackedRows, RowPacker};

use super::job::{FrameJob, Process};
use crate::error::EngineError;
use crate::frame::{BaseShift, InputCodes};
use crate::render::Lightness;
use crate::render::downscale::Narrowing;
use crate::render::rows::{RowBuffers, RowPass, RowSteps};
use crate::scans::{ask_for_memory, no_memory};

/// What the rows are made for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose<'a> {
    /// Rows of a file, for this packer.
    File(&'a RowPacker),
    /// Encoded values, to be changed further.
    Encode,
    /// Light of narrow rows, to be averaged across rows.
    Shrink(&'a Narrowing),
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
    /// Interleaved values: encoded ones, or the light of narrow rows.
    Values(Vec<f32>),
    Nothing,
}

/// Makes the bands of one frame for files that show the same picture, on any number of threads.
pub(super) struct BandMaker<'a> {
    job: &'a FrameJob<'a>,
    purposes: Vec<BandPurpose<'a>>,
    pass: RowPass,
    /// Buffers that no thread is using.
    spare: Mutex<Vec<Scratch>>,
}

/// What the rows are made for, with the bits of a sample.
struct BandPurpose<'a> {
    purpose: Purpose<'a>,
    bits: u8,
    /// Codes of written bands, whose memory the next ones reuse.
    written: Mutex<Vec<Vec<u16>>>,
}

/// Scan rows read at a time, so that sorting by channel finds them in the caches.
const READ_ROWS: usize = 32;

/// Buffers of one thread.
#[derive(Default)]
struct Scratch {
    rows: RowBuffers,
    shifts: Vec<f32>,
    sampled: Vec<u16>,
    pixels: Vec<f32>,
    narrow: Vec<u8>,
}

/// Output buffers of a band.
#[derive(Default)]
struct Made {
    counts: Histogram,
    wide: Vec<u16>,
    narrow: Vec<u8>,
    values: Vec<f32>,
}

impl<'a> BandMaker<'a> {
    pub(super) fn new(job: &'a FrameJob<'a>, purpose: Purpose<'a>) -> Self {
        Self::for_files(job, vec![(purpose, job.bits)])
    }

    /// For several files of the picture of a job, each with its bits.
    pub(super) fn for_files(job: &'a FrameJob<'a>, purposes: Vec<(Purpose<'a>, u8)>) -> Self {
        let purpose = |(purpose, bits)| BandPurpose { purpose, bits, written: Mutex::new(Vec::new()) };
        Self {
            job,
            purposes: purposes.into_iter().map(purpose).collect(),
            pass: RowPass::new(
                (job.sampling.width(), job.sampling.height()),
                job.sharpening,
                Lightness::of(job.space),
            ),
            spare: Mutex::new(Vec::new()),
        }
    }

    /// The rows that must be sampled to make rows `y0..y1`: with as many around them as sharpening needs.
    fn needed(&self, (y0, y1): (u32, u32)) -> PixelRect {
        let needed = self.pass.needed(&(y0 as usize..y1 as usize));
        PixelRect::new(0, needed.start as u32, self.job.sampling.width(), needed.end as u32)
    }

    /// Make rows `y0..y1` of every file from the codes of the rows that they need.
    fn bands(
        &self,
        (y0, y1): (u32, u32),
        source: &SourcePlanes,
        cancel: &CancelToken,
    ) -> Result<Vec<Band>, EngineError> {
        cancel.check()?;
        let FrameJob { context, sampling, .. } = self.job;
        let rows = y0 as usize..y1 as usize;
        let spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut scratch = spare.unwrap_or_default();
        let width = sampling.width() as usize;
        let mut made = Vec::with_capacity(self.purposes.len());
        for purpose in &self.purposes {
            let room = purpose.room((width, rows.len() * width), self.job.channels());
            made.push(room.map_err(|refused| no_memory(refused, "a picture"))?);
        }
        let Scratch { rows: buffers, shifts, sampled, pixels, narrow } = &mut scratch;
        let shift = context.shift(sampling, 0);
        let mut steps = BandRows {
            maker: self,
            first: rows.start,
            shift,
            source,
            shifts,
            sampled,
            pixels,
            narrow,
            made: &mut made,
        };
        self.pass.run(rows, buffers, &mut steps, cancel)?;
        self.spare.lock().unwrap_or_else(PoisonError::into_inner).push(scratch);
        self.purposes.iter().zip(made).map(|(purpose, made)| purpose.band(made)).collect()
    }

    /// Ask for the memory of a band before its buffers grow: a box may be far larger than any earlier picture.
    fn ask_for_room(&self, needed: PixelRect) -> Result<(), EngineError> {
        /// Encoded planes, lightness, and the finished pixels in their widest form.
        const BYTES_PER_PIXEL: u64 = 4 * 4 + 3 * 4;
        let FrameJob { context, sampling, .. } = self.job;
        let open = &context.open;
        let source = sampling.source_rect(needed, open.width(), open.height());
        let codes = source.area() * u64::from(open.channels());
        ask_for_memory(needed.area() * BYTES_PER_PIXEL + 2 * codes, "a picture")
    }

    /// Take back the buffer of a written band of one of the files.
    pub(super) fn take_back(&self, file: usize, rows: PackedRows) {
        if let (Some(codes), Some(purpose)) = (rows.into_samples(), self.purposes.get(file)) {
            purpose.written.lock().unwrap_or_else(PoisonError::into_inner).push(codes);
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
    fn fill(
        &self,
        needed: PixelRect,
        sorted: &mut SourcePlanes,
        cancel: &CancelToken,
    ) -> Result<(), EngineError> {
        let FrameJob { context, sampling, .. } = self.job;
        let open = &context.open;
        let rect = sampling.source_rect(needed, open.width(), open.height());
        sorted.begin(sampling, rect, open.colour_channels());
        for y0 in (rect.y0..rect.y1).step_by(READ_ROWS) {
            let piece = PixelRect { y0, y1: (y0 + READ_ROWS as u32).min(rect.y1), ..rect };
            sorted.add(&self.read(piece, cancel)?, (piece.x0, piece.y0));
        }
        sorted.finish();
        Ok(())
    }
}

impl BandPurpose<'_> {
    /// Output buffers for the pixels of a band.
    fn room(&self, (width, pixels): (usize, usize), channels: u8) -> Result<Made, NoMemory> {
        let samples = pixels * usize::from(channels);
        let mut made = Made::default();
        match self.purpose {
            Purpose::File(_) if self.bits == 16 => {
                made.wide =
                    self.written.lock().unwrap_or_else(PoisonError::into_inner).pop().unwrap_or_default();
                reserve(&mut made.wide, samples)?;
                made.wide.resize(samples, 0);
            }
            Purpose::File(_) => reserve(&mut made.narrow, samples)?,
            Purpose::Encode => reserve(&mut made.values, pixels * 3)?,
            Purpose::Shrink(narrowing) => {
                reserve(&mut made.values, pixels / width.max(1) * narrowing.width() * 3)?;
            }
            Purpose::Count => {}
        }
        Ok(made)
    }

    fn band(&self, made: Made) -> Result<Band, EngineError> {
        let Made { counts, wide, narrow, values } = made;
        let body = match self.purpose {
            Purpose::File(packer) if wide.is_empty() => Body::Packed(packed(packer.pack_u8(narrow))?),
            Purpose::File(packer) => Body::Packed(packed(packer.pack_u16(wide))?),
            Purpose::Encode | Purpose::Shrink(_) => Body::Values(values),
            Purpose::Count => Body::Nothing,
        };
        Ok(Band { body, counts })
    }

    /// Take a row of encoded values; `pixels` and `narrow` are buffers.
    fn take_row(
        &self,
        made: &mut Made,
        (y, first): (usize, usize),
        [r, g, b]: [&[f32]; 3],
        is_grey: bool,
        (pixels, narrow): (&mut Vec<f32>, &mut Vec<u8>),
    ) {
        if !made.wide.is_empty() {
            let line = r.len() * if is_grey { 1 } else { 3 };
            let codes = &mut made.wide[(y - first) * line..][..line];
            if is_grey {
                quantise16(g, codes);
                made.counts.add_grey_ends(codes);
            } else {
                quantise16_planes([r, g, b], codes);
                made.counts.add_ends(codes);
            }
            return;
        }
        made.counts.add_planes([r, g, b]);
        if pixels.is_empty() && matches!(self.purpose, Purpose::File(_) | Purpose::Encode) {
            pixels.extend(r.iter().zip(g).zip(b).flat_map(|((r, g), b)| [*r, *g, *b]));
        }
        match self.purpose {
            Purpose::Shrink(narrowing) => narrowing.take([r, g, b], &mut made.values),
            Purpose::File(_) => {
                narrow.resize(pixels.len(), 0);
                quantise8_dithered(pixels, narrow, 0, y as u32);
                made.narrow.extend(narrow.iter().step_by(if is_grey { 3 } else { 1 }));
            }
            Purpose::Encode => made.values.extend_from_slice(pixels),
            Purpose::Count => {}
        }
    }
}

/// Makes the bands of several files of one frame from one reading of its scan.
pub(super) struct BandGroup<'a> {
    pub(super) makers: Vec<BandMaker<'a>>,
    /// Codes that no thread is using.
    spare: Mutex<Vec<SourcePlanes>>,
}

impl<'a> BandGroup<'a> {
    /// All makers must sample the same codes at the same places.
    pub(super) fn new(makers: Vec<BandMaker<'a>>) -> Self {
        Self { makers, spare: Mutex::default() }
    }

    /// Make rows `y0..y1` of every file, maker by maker.
    pub(super) fn bands(&self, rows: (u32, u32), cancel: &CancelToken) -> Result<Vec<Band>, EngineError> {
        cancel.check()?;
        let needed = self.makers.iter().map(|maker| maker.needed(rows)).reduce(|a, b| PixelRect {
            y0: a.y0.min(b.y0),
            y1: a.y1.max(b.y1),
            ..a
        });
        let (Some(first), Some(needed)) = (self.makers.first(), needed) else { return Ok(Vec::new()) };
        first.ask_for_room(needed)?;
        let spare = self.spare.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut source = spare.unwrap_or_default();
        first.fill(needed, &mut source, cancel)?;
        let made: Result<Vec<_>, _> =
            self.makers.iter().map(|maker| maker.bands(rows, &source, cancel)).collect();
        self.spare.lock().unwrap_or_else(PoisonError::into_inner).push(source);
        Ok(made?.into_iter().flatten().collect())
    }
}

/// The rows of one band.
struct BandRows<'a> {
    maker: &'a BandMaker<'a>,
    /// First row of the band.
    first: usize,
    shift: Option<BaseShift<'a>>,
    source: &'a SourcePlanes,
    shifts: &'a mut Vec<f32>,
    sampled: &'a mut Vec<u16>,
    pixels: &'a mut Vec<f32>,
    narrow: &'a mut Vec<u8>,
    made: &'a mut [Made],
}

impl RowSteps for BandRows<'_> {
    fn encode(&mut self, y: usize, planes: [&mut [f32]; 3]) {
        let FrameJob { sampling, process, .. } = self.maker.job;
        if let Some(shift) = &self.shift {
            self.shifts.resize(sampling.width() as usize * 3, 0.0);
            shift.row(y as u32, self.shifts);
        }
        let codes = sampling.lines(self.source, y as u32, self.sampled).colours();
        match process {
            Process::Picture(pipeline) => {
                pipeline.run(PixelSource::Lines(codes), self.shifts, PixelTarget::Planes(planes));
            }
            Process::Film(density) => density.run(codes, self.shifts, planes),
        }
    }

    fn finish(&mut self, y: usize, planes: [&[f32]; 3]) {
        let Self { maker, first, pixels, narrow, made, .. } = self;
        let is_grey = maker.job.channels() == 1;
        pixels.clear();
        for (purpose, made) in maker.purposes.iter().zip(made.iter_mut()) {
            purpose.take_row(made, (y, *first), planes, is_grey, (&mut **pixels, &mut **narrow));
        }
    }
}

fn packed(rows: std::io::Result<PackedRows>) -> Result<PackedRows, EngineError> {
    rows.map_err(|error| {
        EngineError::user_error(format!("rows could not be packed: {error}"), "free some memory")
    })
}
