//! Streams the rows of a TIFF page without holding a strip or tile, for overviews of scans of any size.
//!
//! Several threads take pieces of the page in file order; each holds one piece of rows, and for packed blocks one piece
//! of packed bytes.

use std::ops::Range;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::bytes::{Positioned, zeroed};
use super::layout::{Layout, Packing, SampleKind};
use super::reduce::{BoxReducer, Reduction, RowAccumulator, RowCodes, RowPlace, make_linear};
use super::tiff::TiffPage;
use super::unpack::{NO_END, Unpacker, codes_of_row, short};
use crate::Error;
use crate::numbers::{to_u32, to_usize};

/// Bytes of rows held by one thread, unless a row is longer: small enough for a core's own cache.
const PIECE_BYTES: usize = 512 << 10;
/// Packed bytes read at once.
const PACKED_BYTES: usize = 128 << 10;
/// Bytes of samples that a thread takes at once.
const UNIT_BYTES: u64 = 4 << 20;
/// Rows of tiles that a thread takes at once, if they can be cut.
const TILE_ROWS: u32 = 512;

/// Rows of one plane that one thread works through.
#[derive(Debug, Clone, PartialEq, Eq)]
struct WorkItem {
    /// Position in the kept samples; 0 if planes are interleaved.
    at: usize,
    rows: Range<u32>,
}

/// Memory that a thread reuses.
#[derive(Debug, Default)]
pub(super) struct Workspace {
    bytes: Vec<u8>,
    packed: Vec<u8>,
    codes: Vec<u16>,
    kept: Vec<u16>,
    spare: Vec<u8>,
}

/// Receives the rows, in order of blocks, and of rows within a block.
pub(super) type RowSink<'a> = dyn FnMut(RowPlace, RowCodes<'_>) + 'a;

impl TiffPage {
    /// Stream every row of the page into `reducer`.
    pub(super) fn stream_all(&self, how: &Reduction<'_>, reducer: &BoxReducer) -> Result<(), Error> {
        let items = self.items(reducer.rows_of_block());
        let next = AtomicUsize::new(0);
        let threads = rayon::current_num_threads().clamp(1, items.len().max(1));
        (0..threads).into_par_iter().try_for_each(|_| {
            let mut work = Workspace::default();
            while let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed)) {
                let mut accumulator = RowAccumulator::new(reducer);
                let done = how.cancel.check().map_err(Error::from).and_then(|()| {
                    self.stream_rows(item.at, item.rows.clone(), how, &mut work, &mut |place, codes| {
                        accumulator.add(place, codes);
                    })
                });
                if let Err(error) = done {
                    // The other threads find no more work.
                    next.store(items.len(), Ordering::Relaxed);
                    return Err(error);
                }
                accumulator.finish();
                (how.progress)(u64::from(item.rows.end - item.rows.start));
            }
            Ok(())
        })
    }

    /// The page cut into pieces of rows; if blocks can be read from any row, whole rows of the small picture.
    fn items(&self, factor: u32) -> Vec<WorkItem> {
        let layout = self.layout();
        let row_bytes = u64::from(layout.width) * (layout.samples_in_block() * layout.kind.bytes()) as u64;
        let wanted = (UNIT_BYTES / row_bytes.max(1)).clamp(1, 1 << 20) as u32;
        let multiple = |of: u32, least: u32| least.div_ceil(of.max(1)).max(1).saturating_mul(of.max(1));
        let rows = match (layout.packing, layout.tiled) {
            (Packing::Plain, false) => multiple(factor, wanted.saturating_sub(factor - 1).max(1)),
            (Packing::Plain, true) if layout.block_h > TILE_ROWS => multiple(factor, TILE_ROWS),
            (_, true) => layout.block_h,
            (_, false) => multiple(layout.block_h, wanted.saturating_sub(layout.block_h - 1).max(1)),
        };
        let planes = if layout.planar { self.keep().len() } else { 1 };
        let starts = || (0..layout.height).step_by(rows as usize);
        (0..planes)
            .flat_map(|at| {
                starts().map(move |y| WorkItem { at, rows: y..y.saturating_add(rows).min(layout.height) })
            })
            .collect()
    }

    /// Stream some rows of one plane (or of all, if they are interleaved), block by block.
    pub(super) fn stream_rows(
        &self,
        at: usize,
        rows: Range<u32>,
        how: &Reduction<'_>,
        work: &mut Workspace,
        row_sink: &mut RowSink<'_>,
    ) -> Result<(), Error> {
        let layout = self.layout();
        let plane = if layout.planar { self.keep().get(at).copied().unwrap_or(0) } else { 0 };
        let mut y = rows.start;
        while y < rows.end {
            let by = y / layout.block_h;
            let end = (by + 1).saturating_mul(layout.block_h).min(rows.end);
            for bx in 0..layout.across {
                let block_rows = BlockRows { page: self, how, at, x0: bx * layout.block_w };
                let index = layout.block_index(plane, bx, by);
                let inside = y - by * layout.block_h..end - by * layout.block_h;
                if layout.packing == Packing::Plain {
                    block_rows.plain(index, y, inside, work, row_sink)?;
                } else {
                    block_rows.packed(index, y, inside, work, row_sink)?;
                }
            }
            y = end;
        }
        Ok(())
    }
}

/// Cuts the rows of one block.
struct BlockRows<'a> {
    page: &'a TiffPage,
    how: &'a Reduction<'a>,
    /// Position of the plane in the kept samples.
    at: usize,
    /// First column of the block.
    x0: u32,
}

impl BlockRows<'_> {
    /// Rows `inside` of an uncompressed block; the first of them is row `y` of the page.
    fn plain(
        &self,
        index: usize,
        y: u32,
        inside: Range<u32>,
        work: &mut Workspace,
        row_sink: &mut RowSink<'_>,
    ) -> Result<(), Error> {
        let (layout, file) = (self.page.layout(), self.page.file());
        let row_bytes = layout.block_row_bytes();
        let name = layout.block_name(index);
        let at_once = to_u32((PIECE_BYTES / row_bytes.max(1)).max(1));
        let mut first = inside.start;
        while first < inside.end {
            let end = first.saturating_add(at_once).min(inside.end);
            let mut bytes = take_bytes(file, &mut work.bytes, row_bytes * (end - first) as usize)?;
            let from = layout.offsets[index] + u64::from(first) * row_bytes as u64;
            file.read_exact_at(from, &mut bytes, &name)?;
            if layout.reversed_bits {
                bytes.iter_mut().for_each(|b| *b = b.reverse_bits());
            }
            self.rows(y + (first - inside.start), &mut bytes, work, row_sink)?;
            work.bytes = bytes;
            first = end;
        }
        Ok(())
    }

    /// The same for a packed block, which is unpacked from its start to the last row needed.
    fn packed(
        &self,
        index: usize,
        y: u32,
        inside: Range<u32>,
        work: &mut Workspace,
        row_sink: &mut RowSink<'_>,
    ) -> Result<(), Error> {
        let (layout, file) = (self.page.layout(), self.page.file());
        let row_bytes = layout.block_row_bytes();
        let at_once = to_u32((PIECE_BYTES / row_bytes.max(1)).max(1));
        let mut stream = PackedStream::begin(layout, file, index, std::mem::take(&mut work.packed))?;
        let mut first = 0;
        while first < inside.end {
            let limit = if first < inside.start { inside.start } else { inside.end };
            let end = first.saturating_add(at_once).min(limit);
            let mut bytes = take_bytes(file, &mut work.bytes, row_bytes * (end - first) as usize)?;
            stream.fill(&mut bytes)?;
            if first >= inside.start {
                self.rows(y + (first - inside.start), &mut bytes, work, row_sink)?;
            }
            work.bytes = bytes;
            first = end;
        }
        if stream.given == layout.unpacked_bytes(index) {
            stream.finish()?;
        }
        work.packed = stream.buffer;
        Ok(())
    }

    /// Unpacked rows of a block, the first of which is row `y` of the page.
    fn rows(
        &self,
        y: u32,
        bytes: &mut [u8],
        work: &mut Workspace,
        row_sink: &mut RowSink<'_>,
    ) -> Result<(), Error> {
        let (layout, keep) = (self.page.layout(), self.page.keep());
        let per_px = layout.samples_in_block();
        let pixels = layout.block_w.min(layout.width.saturating_sub(self.x0)) as usize;
        let channels = if layout.planar { 1 } else { keep.len() };
        let is_whole = layout.planar
            || (per_px == channels && keep.iter().enumerate().all(|(i, k)| i == usize::from(*k)));
        let is_direct = is_whole
            && layout.kind == SampleKind::U16
            && layout.predictor == super::layout::Predictor::None
            && !layout.big_endian
            && !layout.white_is_zero
            && self.how.to_linear.is_none();
        let row_bytes = layout.block_row_bytes();
        work.codes.resize(row_bytes / layout.kind.bytes(), 0);
        for (i, line) in bytes.chunks_exact_mut(row_bytes).enumerate() {
            let channel = self.how.first_channel + if layout.planar { self.at } else { 0 };
            let place = RowPlace { y: y + to_u32(i), x0: self.x0, channel, channels };
            if is_direct {
                row_sink(place, RowCodes::LittleEndian(&line[..pixels * per_px * 2]));
                continue;
            }
            codes_of_row(layout, line, &mut work.codes, &mut work.spare);
            let codes = &mut work.codes[..pixels * per_px];
            let codes = if is_whole {
                codes
            } else {
                work.kept.clear();
                let wanted = codes.chunks_exact(per_px);
                work.kept.extend(wanted.flat_map(|px| keep.iter().map(|k| px[usize::from(*k)])));
                work.kept.as_mut_slice()
            };
            if layout.white_is_zero && (!layout.planar || self.at == 0) {
                codes.iter_mut().step_by(channels).for_each(|v| *v = !*v);
            }
            if let Some(tables) = self.how.to_linear {
                make_linear(tables, if layout.planar { self.at } else { 0 }, channels, codes);
            }
            row_sink(place, RowCodes::Codes(codes));
        }
        Ok(())
    }
}

/// The workspace's bytes at a given length; an error if there is no memory.
fn take_bytes(file: &Positioned, bytes: &mut Vec<u8>, len: usize) -> Result<Vec<u8>, Error> {
    let mut bytes = std::mem::take(bytes);
    if bytes.capacity() < len {
        bytes = zeroed(file.path(), "rows of the scan", len as u64)?;
    }
    bytes.resize(len, 0);
    Ok(bytes)
}

/// A packed block, unpacked from its start.
struct PackedStream<'a> {
    layout: &'a Layout,
    file: &'a Positioned,
    index: usize,
    unpacker: Unpacker,
    /// Packed bytes read so far, and how many of them are used.
    buffer: Vec<u8>,
    used: usize,
    /// Where the next packed bytes begin, and how many are left.
    from: u64,
    left: u64,
    given: u64,
}

impl<'a> PackedStream<'a> {
    fn begin(layout: &'a Layout, file: &'a Positioned, index: usize, buffer: Vec<u8>) -> Result<Self, Error> {
        let mut stream = Self {
            layout,
            file,
            index,
            unpacker: Unpacker::new(layout.packing, &[]),
            buffer,
            used: 0,
            from: layout.offsets[index],
            left: layout.packed_bytes(index),
            given: 0,
        };
        stream.buffer.clear();
        stream.fetch()?;
        stream.unpacker = Unpacker::new(layout.packing, &stream.buffer);
        Ok(stream)
    }

    fn fetch(&mut self) -> Result<(), Error> {
        let n = to_usize(self.left.min(PACKED_BYTES as u64));
        self.buffer.resize(n, 0);
        if n > 0 {
            self.file.read_exact_at(self.from, &mut self.buffer, &self.layout.block_name(self.index))?;
        }
        if self.layout.reversed_bits {
            self.buffer.iter_mut().for_each(|b| *b = b.reverse_bits());
        }
        (self.used, self.from, self.left) = (0, self.from + n as u64, self.left - n as u64);
        Ok(())
    }

    /// Check what follows the last row of the block.
    fn finish(&mut self) -> Result<(), Error> {
        let broken = |index: usize, found: &str| {
            let name = self.layout.block_name(index);
            Error::malformed(self.file.path(), format!("{name} {found}"))
        };
        loop {
            let is_dry = self.used == self.buffer.len();
            if is_dry && self.left > 0 {
                self.fetch()?;
            }
            let (taken, is_over) = self
                .unpacker
                .step_to_end(&self.buffer[self.used..], self.layout.full_block_bytes())
                .map_err(|found| broken(self.index, &found))?;
            self.used += taken;
            if is_over {
                return Ok(());
            }
            if self.left == 0 || (taken == 0 && !is_dry) {
                return Err(broken(self.index, NO_END));
            }
        }
    }

    fn fill(&mut self, out: &mut [u8]) -> Result<(), Error> {
        let mut done = 0;
        while done < out.len() {
            if self.used == self.buffer.len() && self.left > 0 {
                self.fetch()?;
            }
            let broken = |found: String| {
                let name = self.layout.block_name(self.index);
                Error::malformed(self.file.path(), format!("{name} {found}"))
            };
            let (taken, given) =
                self.unpacker.step(&self.buffer[self.used..], &mut out[done..]).map_err(broken)?;
            (self.used, done, self.given) = (self.used + taken, done + given, self.given + given as u64);
            let is_dry = self.used == self.buffer.len() && self.left > 0;
            if taken == 0 && given == 0 && !is_dry {
                let needed = self.layout.unpacked_bytes(self.index);
                let name = self.layout.block_name(self.index);
                return Err(Error::malformed(
                    self.file.path(),
                    format!("{name} {}", short(self.given, needed)),
                ));
            }
        }
        Ok(())
    }
}
