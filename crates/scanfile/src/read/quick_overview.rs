//! A quick overview of a large page: a few rows of every part are read and represent the rest, so that something is on
//! screen long before the whole file is read.
//!
//! Uncompressed pages can be read at any row; of packed strips and tiles the first rows are unpacked, or whole strips
//! are left out. Rows between the ones that were read are interpolated linearly.

use std::sync::atomic::{AtomicUsize, Ordering};

use glassine_raster::Samples16;
use rayon::prelude::*;

use super::layout::Packing;
use super::output_samples;
use super::reduce::{BoxReducer, Reduction, RowAccumulator, RowPlace};
use super::stream::Workspace;
use super::tiff::TiffPage;
use crate::Error;
use crate::numbers::{to_u8, to_u32, whole_u16};

/// Unpacking takes about this many times as long as reading.
const PACKED_COST: u64 = 2;
/// A page gets a quick overview only if reading all of it costs at least this many times as much.
const LEAST_GAIN: u64 = 3;
/// Rows of a tile read at once.
const TILE_ROWS: u32 = 8;
/// With fewer places than this, a picture shows nothing useful.
const LEAST_PIECES: usize = 8;

/// Groups of `rows` consecutive rows to read, by their first row.
#[derive(Debug, PartialEq, Eq)]
struct Pieces {
    rows: u32,
    starts: Vec<u32>,
}

impl TiffPage {
    /// The page reduced to `factor` columns a pixel from a few of its rows; `None` if reading everything is as quick,
    /// or if the page has too few places to start reading from.
    ///
    /// About `budget_bytes` are read.
    pub(super) fn quick_overview_of(
        &self,
        factor: u32,
        budget_bytes: u64,
        how: &Reduction<'_>,
    ) -> Result<Option<Samples16>, Error> {
        let layout = self.layout();
        let (path, channels) = (self.file().path(), to_u8(self.keep().len()));
        let Some(pieces) = self.pieces(layout.height.div_ceil(factor), budget_bytes) else {
            return Ok(None);
        };
        let count = pieces.starts.len();
        let virtual_height = pieces.rows.saturating_mul(to_u32(count));
        let reducer = BoxReducer::new(path, (layout.width, virtual_height), (factor, pieces.rows), channels)?;
        let planes = if layout.planar { self.keep().len() } else { 1 };
        let next = AtomicUsize::new(0);
        let threads = rayon::current_num_threads().clamp(1, count);
        (0..threads).into_par_iter().try_for_each(|_| -> Result<(), Error> {
            let mut work = Workspace::default();
            loop {
                let nth = next.fetch_add(1, Ordering::Relaxed);
                let (at, piece) = (nth / count, nth % count);
                if at >= planes {
                    return Ok(());
                }
                how.cancel.check()?;
                let start = pieces.starts[piece];
                let first = to_u32(piece) * pieces.rows;
                let mut accumulator = RowAccumulator::new(&reducer);
                self.stream_rows(at, start..start + pieces.rows, how, &mut work, &mut |place, codes| {
                    accumulator.add(RowPlace { y: first + (place.y - start), ..place }, codes);
                })?;
                accumulator.finish();
            }
        })?;
        let sparse = reducer.into_picture(path)?;
        self.fill_between(&sparse, &pieces, factor).map(Some)
    }

    /// Which rows to read for a picture of `out_rows` rows.
    fn pieces(&self, out_rows: u32, budget_bytes: u64) -> Option<Pieces> {
        let layout = self.layout();
        let planes = if layout.planar { self.keep().len() } else { usize::from(layout.samples) };
        let row_bytes = u64::from(layout.width) * (planes * layout.kind.bytes()) as u64;
        let is_plain = layout.packing == Packing::Plain;
        let bytes = if is_plain { budget_bytes } else { budget_bytes / PACKED_COST };
        let rows = (bytes / row_bytes.max(1)).clamp(1, 1 << 20) as u32;
        if u64::from(rows) * LEAST_GAIN > u64::from(layout.height) {
            return None;
        }
        let pieces = if is_plain && !layout.tiled {
            let count = rows.min(out_rows);
            let each = (rows / count).clamp(1, TILE_ROWS);
            Pieces { rows: each, starts: spread(0, layout.height, count, each) }
        } else {
            // If there are many blocks, only every `every`-th row of blocks is opened.
            let every = layout.down.div_ceil(rows).max(1);
            let blocks = layout.down.div_ceil(every);
            let room = (rows / blocks).max(1);
            let each = if is_plain { room.min(TILE_ROWS) } else { room.min(4 * TILE_ROWS) };
            let each = each.min(layout.block_h);
            let in_block = if is_plain { (room / each).max(1) } else { 1 };
            let starts = (0..layout.down).step_by(every as usize).flat_map(|by| {
                let (top, rows) =
                    (by * layout.block_h, layout.rows_in_block(by).min(layout.height - by * layout.block_h));
                match (rows < each, is_plain) {
                    (true, _) => Vec::new(),
                    (false, true) => spread(top, rows, in_block, each),
                    (false, false) => vec![top],
                }
            });
            Pieces { rows: each, starts: starts.collect() }
        };
        (pieces.starts.len() >= LEAST_PIECES).then_some(pieces)
    }

    /// The picture at its full height, from one row of each piece.
    fn fill_between(&self, sparse: &Samples16, pieces: &Pieces, factor: u32) -> Result<Samples16, Error> {
        let layout = self.layout();
        let path = self.file().path();
        let out_height = layout.height.div_ceil(factor);
        let rect = glassine_raster::PixelRect::of_size(sparse.width(), out_height);
        let mut data = output_samples(path, rect, sparse.channels())?;
        let middle = |piece: usize| f64::from(pieces.starts[piece]) + f64::from(pieces.rows) / 2.0;
        let last = pieces.starts.len() - 1;
        let mut above = 0;
        for (oy, row) in data.chunks_exact_mut(sparse.stride().max(1)).enumerate() {
            let y0 = to_u32(oy) * factor;
            let y = (f64::from(y0) + f64::from((y0 + factor).min(layout.height))) / 2.0;
            while above < last && middle(above + 1) <= y {
                above += 1;
            }
            let below = (above + 1).min(last);
            let gap = middle(below) - middle(above);
            let share = if gap > 0.0 { ((y - middle(above)) / gap).clamp(0.0, 1.0) } else { 0.0 };
            let (a, b) = (sparse.row(to_u32(above)), sparse.row(to_u32(below)));
            for ((code, a), b) in row.iter_mut().zip(a).zip(b) {
                *code = whole_u16(f64::from(*a) + (f64::from(*b) - f64::from(*a)) * share + 0.5);
            }
        }
        Samples16::from_vec(sparse.width(), out_height, sparse.channels(), data)
            .ok_or_else(|| Error::usage(path, "a quick overview of another size than asked"))
    }
}

/// Starts of `count` groups of `each` rows, spread evenly over `rows` rows from `top`, without overlap.
fn spread(top: u32, rows: u32, count: u32, each: u32) -> Vec<u32> {
    let count = count.min(rows / each.max(1)).max(1);
    (0..count)
        .map(|i| {
            let middle = to_u32(u64::from(2 * i + 1) * u64::from(rows) / (2 * u64::from(count)));
            top + middle.saturating_sub(each / 2).min(rows.saturating_sub(each))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_of_rows_are_spread_inside_without_overlap() {
        for (rows, count, each) in
            [(100, 10, 1), (100, 10, 10), (7, 3, 2), (256, 2, 8), (5, 9, 1), (33_000, 847, 1)]
        {
            let starts = spread(50, rows, count, each);
            assert!(starts.windows(2).all(|w| w[0] + each <= w[1]), "{rows} {count} {each}: {starts:?}");
            assert!(starts[0] >= 50 && starts[starts.len() - 1] + each <= 50 + rows);
        }
    }
}
