//! Pixels of one TIFF page, region by region.
//!
//! Uncompressed pages read only the bytes that are needed; packed pages unpack only the blocks that are needed, several
//! at once, and keep them for the next read.

use std::sync::Arc;

use glassine_raster::{CancelToken, PixelRect, Samples16};
use rayon::prelude::*;

use super::bytes::{Positioned, zeroed};
use super::cache::BlockCache;
use super::ifd::TiffFile;
use super::layout::{Layout, Packing, SampleKind};
use super::unpack::{Block, decompress, samples_of, widen};
use super::{BoxReducer, Picture, Reduction, output_samples};
use crate::Error;
use crate::numbers::{to_u8, to_u32};

/// Rows of an uncompressed page are fetched in pieces of about this many bytes.
const PIECE_BYTES: u64 = 2 << 20;
/// Rows of at least this many bytes may be read directly into place.
const DIRECT_BYTES: usize = 4096;

/// One page, giving the samples listed in `keep` of every pixel.
#[derive(Debug)]
pub(crate) struct TiffPage {
    tiff: Arc<TiffFile>,
    layout: Layout,
    keep: Vec<u16>,
    cache: BlockCache,
}

/// Rows `y0..y1` of one block row.
#[derive(Debug, Clone, Copy)]
struct Band {
    by: u32,
    y0: u32,
    y1: u32,
}

impl TiffPage {
    pub(crate) fn new(tiff: Arc<TiffFile>, layout: Layout, keep: Vec<u16>, cache_bytes: u64) -> Self {
        // With separate planes a region needs one block of each, however large they are.
        let least = if layout.planar { keep.len() } else { 1 };
        Self { tiff, layout, keep, cache: BlockCache::new(cache_bytes, least) }
    }

    pub(super) fn layout(&self) -> &Layout {
        &self.layout
    }

    /// Samples of a pixel that are read, in order.
    pub(super) fn keep(&self) -> &[u16] {
        &self.keep
    }

    pub(super) fn file(&self) -> &Positioned {
        &self.tiff.file
    }

    /// Bands that cover the rows of `rect`, each inside one block row.
    fn bands(&self, rect: PixelRect) -> Vec<Band> {
        let layout = &self.layout;
        let rows_at_once = if layout.packing == Packing::Plain {
            let row = u64::from(rect.width()) * u64::from(layout.samples) * layout.kind.bytes() as u64;
            to_u32((PIECE_BYTES / row.max(1)).max(1))
        } else {
            u32::MAX
        };
        let mut bands = Vec::new();
        let mut y0 = rect.y0;
        while y0 < rect.y1 {
            let by = y0 / layout.block_h;
            let block_end = (by + 1).saturating_mul(layout.block_h);
            let y1 = block_end.min(rect.y1).min(y0.saturating_add(rows_at_once));
            bands.push(Band { by, y0, y1 });
            y0 = y1;
        }
        bands
    }

    fn block(&self, index: usize) -> Result<Arc<Block>, Error> {
        self.cache.get(index, || {
            let layout = &self.layout;
            let file = &self.tiff.file;
            let wanted = layout.unpacked_bytes(index);
            let count = layout.packed_bytes(index);
            let name = layout.block_name(index);
            let mut packed = file.bytes(layout.offsets[index], count, &name)?;
            if layout.reversed_bits {
                packed.iter_mut().for_each(|b| *b = b.reverse_bits());
            }
            let mut raw = zeroed(file.path(), &name, wanted)?;
            decompress(layout.packing, &packed, &mut raw, layout.full_block_bytes())
                .map_err(|found| Error::malformed(file.path(), format!("{name} {found}")))?;
            Ok(samples_of(layout, raw))
        })
    }

    fn read_band(&self, rect: PixelRect, band: Band, out: &mut [u16]) -> Result<(), Error> {
        let layout = &self.layout;
        let planes: &[u16] = if layout.planar { &self.keep } else { &[0] };
        let columns = rect.x0 / layout.block_w..rect.x1.div_ceil(layout.block_w);
        for (at, &plane) in planes.iter().enumerate() {
            if layout.packing == Packing::Plain {
                for bx in columns.clone() {
                    self.copy_plain(rect, band, plane, at, bx, out)?;
                }
            } else {
                let index = |bx: u32| layout.block_index(plane, bx, band.by);
                let blocks: Result<Vec<_>, Error> =
                    columns.clone().into_par_iter().map(|bx| self.block(index(bx))).collect();
                for (bx, block) in columns.clone().zip(blocks?) {
                    self.copy_block(rect, band, at, bx, &block, out);
                }
            }
        }
        Ok(())
    }

    /// Columns of `rect` within block column `bx`: first and end in the scan.
    fn span(&self, rect: PixelRect, bx: u32) -> (u32, u32) {
        let start = bx.saturating_mul(self.layout.block_w);
        (rect.x0.max(start), rect.x1.min(start.saturating_add(self.layout.block_w)))
    }

    fn copy_block(&self, rect: PixelRect, band: Band, at: usize, bx: u32, block: &Block, out: &mut [u16]) {
        let layout = &self.layout;
        let (x0, x1) = self.span(rect, bx);
        let per_px = layout.samples_in_block();
        let row = layout.block_w as usize * per_px;
        let from = (x0 - bx * layout.block_w) as usize * per_px;
        let n = (x1 - x0) as usize * per_px;
        let mut wide = vec![0_u16; if matches!(block, Block::U8(_)) { n } else { 0 }];
        for y in band.y0..band.y1 {
            let start = (y - band.by * layout.block_h) as usize * row + from;
            let samples = match block {
                Block::U16(v) => &v[start..start + n],
                Block::U8(v) => {
                    wide.iter_mut().zip(&v[start..start + n]).for_each(|(o, b)| *o = u16::from(*b) * 257);
                    &wide
                }
            };
            self.put(rect, band, (y, x0), at, samples, out);
        }
    }

    fn copy_plain(
        &self,
        rect: PixelRect,
        band: Band,
        plane: u16,
        at: usize,
        bx: u32,
        out: &mut [u16],
    ) -> Result<(), Error> {
        let layout = &self.layout;
        let file = &self.tiff.file;
        let index = layout.block_index(plane, bx, band.by);
        let (x0, x1) = self.span(rect, bx);
        let px_bytes = layout.samples_in_block() * layout.kind.bytes();
        let row_bytes = layout.block_row_bytes();
        let from = (x0 - bx * layout.block_w) as usize * px_bytes;
        let n = (x1 - x0) as usize * px_bytes;
        let first = layout.offsets[index] + u64::from(band.y0 - band.by * layout.block_h) * row_bytes as u64;
        let rows = (band.y1 - band.y0) as usize;
        let name = layout.block_name(index);
        if n >= DIRECT_BYTES && self.is_as_in_memory() {
            // No conversion is needed: the bytes of the file are the samples.
            let at_once = if n == row_bytes && x1 - x0 == rect.width() { rows } else { 1 };
            for i in (0..rows).step_by(at_once) {
                let y = band.y0 + to_u32(i);
                let start = self.place(rect, band, (y, x0));
                let target = &mut out[start..start + at_once * n / 2];
                let at = first + (i * row_bytes + from) as u64;
                file.read_exact_at(at, bytemuck::cast_slice_mut(target), &name)?;
                self.invert(target);
            }
            return Ok(());
        }
        // Rows that are mostly wanted are read in one piece, narrow windows row by row.
        let in_one = n * 2 >= row_bytes || row_bytes * rows <= 65_536;
        let piece_bytes = if in_one { row_bytes * (rows - 1) + n } else { n };
        let mut piece: Vec<u8> = zeroed(file.path(), &name, piece_bytes as u64)?;
        if in_one {
            file.read_exact_at(first + from as u64, &mut piece, &name)?;
        }
        let mut wide = vec![0_u16; n / layout.kind.bytes()];
        for i in 0..rows {
            if !in_one {
                file.read_exact_at(first + (i * row_bytes + from) as u64, &mut piece, &name)?;
            }
            let start = if in_one { i * row_bytes } else { 0 };
            let line = &mut piece[start..start + n];
            if layout.reversed_bits {
                line.iter_mut().for_each(|b| *b = b.reverse_bits());
            }
            let y = band.y0 + to_u32(i);
            match self.whole_pixels(rect, band, (y, x0), x1, out) {
                Some(target) => {
                    widen(layout.kind, layout.big_endian, line, target);
                    self.invert(target);
                }
                None => {
                    widen(layout.kind, layout.big_endian, line, &mut wide);
                    self.put(rect, band, (y, x0), at, &wide, out);
                }
            }
        }
        Ok(())
    }

    /// The part of `out` for columns `x0..x1` of row `y`, if block pixels hold exactly the wanted samples.
    fn whole_pixels<'o>(
        &self,
        rect: PixelRect,
        band: Band,
        (y, x0): (u32, u32),
        x1: u32,
        out: &'o mut [u16],
    ) -> Option<&'o mut [u16]> {
        let start = self.place(rect, band, (y, x0));
        self.keeps_pixels().then(|| &mut out[start..start + (x1 - x0) as usize * self.keep.len()])
    }

    /// Where column `x` of row `y` begins in the samples of a band.
    fn place(&self, rect: PixelRect, band: Band, (y, x): (u32, u32)) -> usize {
        ((y - band.y0) as usize * rect.width() as usize + (x - rect.x0) as usize) * self.keep.len()
    }

    /// Whether block pixels hold exactly the wanted samples, in order.
    fn keeps_pixels(&self) -> bool {
        self.layout.samples_in_block() == self.keep.len()
            && (self.layout.planar || self.keep.iter().enumerate().all(|(i, k)| usize::from(*k) == i))
    }

    /// Whether the bytes of the file are samples in the format of this machine.
    fn is_as_in_memory(&self) -> bool {
        let layout = &self.layout;
        layout.kind == SampleKind::U16
            && layout.big_endian == cfg!(target_endian = "big")
            && !layout.reversed_bits
            && !(layout.planar && self.keep.len() > 1)
            && self.keeps_pixels()
    }

    /// White-is-zero pages count down, so their codes are inverted; extra samples are not.
    fn invert(&self, pixels: &mut [u16]) {
        if self.layout.white_is_zero {
            pixels.iter_mut().step_by(self.keep.len()).for_each(|v| *v = !*v);
        }
    }

    /// Copy the wanted samples of consecutive block pixels to their place in `out`.
    fn put(
        &self,
        rect: PixelRect,
        band: Band,
        (y, x0): (u32, u32),
        at: usize,
        samples: &[u16],
        out: &mut [u16],
    ) {
        let per_px = self.layout.samples_in_block();
        let c = self.keep.len();
        let x1 = x0 + to_u32(samples.len() / per_px);
        if let Some(target) = self.whole_pixels(rect, band, (y, x0), x1, out) {
            target.copy_from_slice(samples);
            self.invert(target);
            return;
        }
        let start = ((y - band.y0) as usize * rect.width() as usize + (x0 - rect.x0) as usize) * c;
        let target = out[start..].chunks_exact_mut(c);
        let invert = self.layout.white_is_zero;
        if self.layout.planar {
            let flip = if invert && at == 0 { u16::MAX } else { 0 };
            target.zip(samples).for_each(|(px, v)| px[at] = *v ^ flip);
        } else {
            for (px, from) in target.zip(samples.chunks_exact(per_px)) {
                px.iter_mut().zip(&self.keep).for_each(|(v, k)| *v = from[usize::from(*k)]);
                if invert {
                    px[0] = !px[0];
                }
            }
        }
    }
}

impl Picture for TiffPage {
    fn size(&self) -> (u32, u32) {
        (self.layout.width, self.layout.height)
    }

    fn channels(&self) -> u8 {
        to_u8(self.keep.len())
    }

    fn reduce(&self, how: &Reduction<'_>, reducer: &BoxReducer) -> Result<(), Error> {
        self.stream_all(how, reducer)
    }

    fn rows_to_report(&self) -> u64 {
        let planes = if self.layout.planar { self.keep.len() as u64 } else { 1 };
        u64::from(self.layout.height) * planes
    }

    fn quick_overview(
        &self,
        factor: u32,
        budget_bytes: u64,
        how: &Reduction<'_>,
    ) -> Result<Option<Samples16>, Error> {
        self.quick_overview_of(factor, budget_bytes, how)
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, Error> {
        let rect = rect.intersect(PixelRect::of_size(self.layout.width, self.layout.height));
        let path = self.tiff.file.path();
        let mut data = output_samples(path, rect, self.channels())?;
        let stride = rect.width() as usize * self.keep.len();
        if !rect.is_empty() {
            let mut rest = data.as_mut_slice();
            let mut work = Vec::new();
            for band in self.bands(rect) {
                let (part, after) = rest.split_at_mut((band.y1 - band.y0) as usize * stride);
                rest = after;
                work.push((band, part));
            }
            work.into_par_iter().try_for_each(|(band, part)| {
                cancel.check()?;
                self.read_band(rect, band, part)
            })?;
        }
        Samples16::from_vec(rect.width(), rect.height(), self.channels(), data)
            .ok_or_else(|| Error::usage(path, "a region of another size than asked"))
    }
}
