//! Reduces a picture while it streams past: exact sums of whole-number blocks, from any order of reads.
//!
//! ```text
//! out(x, y) = (sum of the codes of a block + n / 2) / n        n = codes summed, fewer at the right and bottom edge
//! ```
//! Sums are whole numbers, so the result does not depend on the order in which threads deliver rows.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use glassine_raster::{CancelToken, PixelRect, Samples16};

use super::bytes::zeroed;
use super::output_samples;
use crate::Error;
use crate::numbers::{to_u8, to_u32};

/// Rows that may be added before 32-bit sums of 16-bit codes could overflow: 65 536 x 65 535 < 2^32.
const MOST_ROWS: u32 = 65_536;

/// How a picture is reduced.
pub(crate) struct Reduction<'a> {
    /// Channel of the small picture that receives the first channel of this one.
    pub(crate) first_channel: usize,
    /// Code to linear code, for each of the first channels; the rest stay unchanged.
    pub(crate) to_linear: Option<&'a [Vec<u16>]>,
    pub(crate) cancel: &'a CancelToken,
    /// Gets the number of added rows; a row counts once for each separate plane.
    pub(crate) progress: &'a (dyn Fn(u64) + Sync),
}

/// Codes of consecutive pixels of one row.
#[derive(Clone, Copy)]
pub(crate) enum RowCodes<'a> {
    /// 16-bit codes as in a little-endian file.
    LittleEndian(&'a [u8]),
    Codes(&'a [u16]),
}

/// Where codes of a row belong in the picture to be reduced: row, first column, first channel, how many channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct RowPlace {
    pub(crate) y: u32,
    pub(crate) x0: u32,
    pub(crate) channel: usize,
    pub(crate) channels: usize,
}

/// The small picture in progress, shared by all threads.
#[derive(Debug)]
pub(crate) struct BoxReducer {
    width: u32,
    height: u32,
    /// Columns and rows of a block.
    block: (u32, u32),
    out_width: usize,
    channels: usize,
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    out: Vec<u16>,
    /// Rows to which several threads contribute.
    shared: BTreeMap<RowKey, Partial>,
    /// Rows finished, times the channels of each.
    finished: u64,
}

/// A row of the small picture and the channels that arrive together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct RowKey {
    oy: u32,
    channel: usize,
    channels: usize,
}

/// Sums of one row of the small picture, and how many codes went into them.
#[derive(Debug)]
struct Partial {
    sums: Vec<u64>,
    count: u64,
}

impl BoxReducer {
    /// A reducer for a picture of this size, reduced in blocks of this many columns and rows.
    pub(crate) fn new(
        path: &Path,
        (width, height): (u32, u32),
        block: (u32, u32),
        channels: u8,
    ) -> Result<Self, Error> {
        let block = (block.0.max(1), block.1.max(1));
        let rect = PixelRect::of_size(width.div_ceil(block.0), height.div_ceil(block.1));
        let out = output_samples(path, rect, channels)?;
        Ok(Self {
            width,
            height,
            block,
            out_width: rect.width() as usize,
            channels: usize::from(channels),
            inner: Mutex::new(Inner { out, shared: BTreeMap::new(), finished: 0 }),
        })
    }

    /// Rows of a block.
    pub(crate) fn rows_of_block(&self) -> u32 {
        self.block.1
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Inner> {
        // Each change is complete before the lock is released.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Number of codes that make up a row of the small picture.
    fn full_count(&self, key: RowKey) -> u64 {
        u64::from(self.rows_of(key.oy)) * u64::from(self.width) * key.channels as u64
    }

    fn rows_of(&self, oy: u32) -> u32 {
        let y0 = oy.saturating_mul(self.block.1);
        self.block.1.min(self.height.saturating_sub(y0))
    }

    /// Means of a row of sums.
    fn means(&self, key: RowKey, sums: &[u64]) -> Vec<u16> {
        let rows = u64::from(self.rows_of(key.oy));
        let last = (self.out_width - 1) * key.channels;
        let rest = u64::from(self.width - (to_u32(self.out_width) - 1) * self.block.0) * rows;
        let (whole, edge) = (Mean::of(u64::from(self.block.0) * rows), Mean::of(rest));
        let mut row: Vec<u16> = sums[..last].iter().map(|sum| whole.mean(*sum)).collect();
        row.extend(sums[last..].iter().map(|sum| edge.mean(*sum)));
        row
    }

    fn put(&self, inner: &mut Inner, key: RowKey, row: &[u16]) {
        let start = key.oy as usize * self.out_width * self.channels;
        let target = inner.out[start..].chunks_exact_mut(self.channels);
        for (px, from) in target.zip(row.chunks_exact(key.channels)) {
            px[key.channel..][..key.channels].copy_from_slice(from);
        }
        inner.finished += key.channels as u64;
    }

    /// Add one thread's sums of a row; the row is finished once all its codes have arrived.
    fn merge(&self, key: RowKey, part: Partial) {
        let mut inner = self.lock();
        let joined = match inner.shared.remove(&key) {
            None => part,
            Some(mut there) => {
                there.sums.iter_mut().zip(&part.sums).for_each(|(a, b)| *a += b);
                there.count += part.count;
                there
            }
        };
        if joined.count == self.full_count(key) {
            let row = self.means(key, &joined.sums);
            self.put(&mut inner, key, &row);
        } else {
            inner.shared.insert(key, joined);
        }
    }

    /// The small picture; fails if rows are missing.
    pub(crate) fn into_picture(self, path: &Path) -> Result<Samples16, Error> {
        let out_height = self.height.div_ceil(self.block.1);
        let inner = self.inner.into_inner().unwrap_or_else(PoisonError::into_inner);
        if inner.finished != u64::from(out_height) * self.channels as u64 {
            return Err(Error::usage(path, "an overview with rows left out"));
        }
        Samples16::from_vec(to_u32(self.out_width), out_height, to_u8(self.channels), inner.out)
            .ok_or_else(|| Error::usage(path, "an overview of another size than asked"))
    }
}

/// Division by the number of codes summed, rounded to nearest, by multiplication where that is exact.
///
/// With `s = sum + n / 2 < 2^16 n` and `m = ceil(2^46 / n)`, `(s m) >> 46` is `floor(s / n)` as long as
/// `s (m n - 2^46) < 2^46`; since `m n - 2^46 < n`, that holds for all `n < 2^15`.
#[derive(Debug, Clone, Copy)]
struct Mean {
    n: u64,
    times: Option<u64>,
}

impl Mean {
    const SHIFT: u32 = 46;

    fn of(n: u64) -> Self {
        let n = n.max(1);
        Self { n, times: (n < 1 << 15).then(|| (1_u64 << Self::SHIFT).div_ceil(n)) }
    }

    #[inline]
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the mean of codes is a code, if `sum` is one of `n`"
    )]
    fn mean(self, sum: u64) -> u16 {
        let s = sum + self.n / 2;
        match self.times {
            Some(times) => ((s * times) >> Self::SHIFT) as u16,
            None => (s / self.n) as u16,
        }
    }
}

/// Sums of one thread before it hands rows over: for rows in order it holds one row of sums at a time.
pub(crate) struct RowAccumulator<'s> {
    reducer: &'s BoxReducer,
    /// Sums of the columns of the current row place.
    columns: Vec<u32>,
    place: Option<RowPlace>,
    rows: u32,
    open: BTreeMap<RowKey, Partial>,
}

impl<'s> RowAccumulator<'s> {
    pub(crate) fn new(reducer: &'s BoxReducer) -> Self {
        Self { reducer, columns: Vec::new(), place: None, rows: 0, open: BTreeMap::new() }
    }

    /// Add the codes of a part of one row.
    pub(crate) fn add(&mut self, place: RowPlace, codes: RowCodes<'_>) {
        let len = match codes {
            RowCodes::LittleEndian(bytes) => bytes.len() / 2,
            RowCodes::Codes(codes) => codes.len(),
        };
        let rows = self.reducer.block.1;
        let joins = self.rows < MOST_ROWS
            && self.columns.len() == len
            && self
                .place
                .is_some_and(|p| RowPlace { y: place.y, ..p } == place && p.y / rows == place.y / rows);
        if !joins {
            self.flush();
            self.columns.clear();
            self.columns.resize(len, 0);
            self.place = Some(place);
        }
        self.rows += 1;
        match codes {
            RowCodes::LittleEndian(bytes) => {
                for (sum, b) in self.columns.iter_mut().zip(bytes.chunks_exact(2)) {
                    *sum += u32::from(u16::from_le_bytes([b[0], b[1]]));
                }
            }
            RowCodes::Codes(codes) => {
                self.columns.iter_mut().zip(codes).for_each(|(sum, code)| *sum += u32::from(*code));
            }
        }
    }

    /// Add the column sums to the sums of their row; a complete row goes to the picture.
    fn flush(&mut self) {
        let (Some(place), true) = (self.place.take(), self.rows > 0) else { return };
        let reducer = self.reducer;
        let c = place.channels.max(1);
        let key = RowKey { oy: place.y / reducer.block.1, channel: place.channel, channels: c };
        let part = self
            .open
            .entry(key)
            .or_insert_with(|| Partial { sums: vec![0; reducer.out_width * c], count: 0 });
        part.count += u64::from(self.rows) * self.columns.len() as u64;
        let mut x = place.x0;
        let mut rest = self.columns.as_slice();
        while !rest.is_empty() {
            let ox = x / reducer.block.0;
            let pixels = ((ox + 1).saturating_mul(reducer.block.0) - x) as usize;
            let (here, after) = rest.split_at((pixels * c).min(rest.len()));
            let sums = &mut part.sums[ox as usize * c..][..c];
            for px in here.chunks_exact(c) {
                sums.iter_mut().zip(px).for_each(|(sum, code)| *sum += u64::from(*code));
            }
            x += to_u32(here.len() / c);
            rest = after;
        }
        self.rows = 0;
        if part.count == reducer.full_count(key)
            && let Some(done) = self.open.remove(&key)
        {
            let row = reducer.means(key, &done.sums);
            reducer.put(&mut reducer.lock(), key, &row);
        }
    }

    /// Hand over what is left: rows to which other threads also contribute.
    pub(crate) fn finish(mut self) {
        self.flush();
        for (key, part) in std::mem::take(&mut self.open) {
            self.reducer.merge(key, part);
        }
    }
}

/// Apply the tables to codes, in place.
pub(crate) fn make_linear(tables: &[Vec<u16>], first: usize, channels: usize, codes: &mut [u16]) {
    if channels == 1 {
        if let Some(table) = tables.get(first) {
            codes.iter_mut().for_each(|code| *code = table[usize::from(*code)]);
        }
        return;
    }
    for px in codes.chunks_exact_mut(channels.max(1)) {
        for (code, table) in px.iter_mut().zip(tables.iter().skip(first)) {
            *code = table[usize::from(*code)];
        }
    }
}

/// Reduction region by region, for pictures that can't stream.
pub(crate) fn reduce_by_regions(
    path: &Path,
    (width, height): (u32, u32),
    channels: u8,
    read: &dyn Fn(PixelRect) -> Result<Samples16, Error>,
    how: &Reduction<'_>,
    reducer: &BoxReducer,
) -> Result<(), Error> {
    /// Bytes of a region held at once.
    const REGION_BYTES: u64 = 4 << 20;
    let c = usize::from(channels);
    let row_bytes = (u64::from(width) * c as u64 * 2).max(1);
    let rows = (REGION_BYTES / row_bytes).clamp(1, 1 << 16) as u32;
    let mut line: Vec<u16> = zeroed(path, "a row of the scan", u64::from(width) * c as u64)?;
    let mut y0 = 0;
    while y0 < height {
        let y1 = y0.saturating_add(rows).min(height);
        how.cancel.check()?;
        let region = read(PixelRect::new(0, y0, width, y1))?;
        let mut accumulator = RowAccumulator::new(reducer);
        for y in y0..y1 {
            let place = RowPlace { y, x0: 0, channel: how.first_channel, channels: c };
            line.copy_from_slice(region.row(y - y0));
            if let Some(tables) = how.to_linear {
                make_linear(tables, 0, c, &mut line);
            }
            accumulator.add(place, RowCodes::Codes(&line));
        }
        accumulator.finish();
        (how.progress)(u64::from(y1 - y0));
        y0 = y1;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_by_multiplication_are_those_of_division() {
        for n in [1, 2, 3, 7, 81, 400, 1089, 6561, 32_400, 32_767, 32_768, 40_000, 1 << 33] {
            let mean = Mean::of(n);
            let top = 65_535 * n;
            // A wrong multiplier fails for sums near the points where rounding changes.
            for code in [0, 1, 2, 254, 32_767, 32_768, 65_533, 65_534, 65_535] {
                for near in [-2_i64, -1, 0, 1, 2] {
                    for half in [0, n / 2, n - n / 2] {
                        let sum = (code * n + half).saturating_add_signed(near).min(top);
                        assert_eq!(u64::from(mean.mean(sum)), (sum + n / 2) / n, "{sum} / {n}");
                    }
                }
            }
        }
    }

    #[test]
    fn rows_in_any_order_and_in_parts_give_the_same_means() {
        let (width, height, factor) = (23_u32, 17_u32, 5_u32);
        let path = Path::new("scan");
        let code = |x: u32, y: u32, c: u32| ((x * 7919 + y * 104_729 + c * 31) % 65_536) as u16;
        let whole: Vec<u16> = (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| (0..3).map(move |c| code(x, y, c))))
            .collect();
        let whole = Samples16::from_vec(width, height, 3, whole).expect("length fits");
        let expected = glassine_raster::box_reduce(&whole, factor);
        for (order, cut) in [(1, 23), (5, 11), (3, 5), (16, 1)] {
            let reducer = BoxReducer::new(path, (width, height), (factor, factor), 3).expect("fits");
            for k in 0..height {
                let y = k * order % height;
                let mut accumulator = RowAccumulator::new(&reducer);
                for x0 in (0..width).step_by(cut) {
                    let row = &whole.row(y)[x0 as usize * 3..(x0 as usize + cut).min(23) * 3];
                    let place = RowPlace { y, x0, channel: 0, channels: 3 };
                    let bytes: Vec<u8> = row.iter().flat_map(|v| v.to_le_bytes()).collect();
                    let by_bytes = (y + x0) % 2 == 0;
                    accumulator.add(
                        place,
                        if by_bytes { RowCodes::LittleEndian(&bytes) } else { RowCodes::Codes(row) },
                    );
                }
                accumulator.finish();
            }
            assert_eq!(reducer.into_picture(path).expect("complete"), expected, "{order} {cut}");
        }
    }
}
