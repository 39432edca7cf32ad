//! How the samples of one TIFF page are laid out in the file: checked once, so that reading can trust it.

use super::ifd::{Ifd, TiffFile};
use crate::numbers::{to_u16, to_u32, to_usize};
use crate::{Error, OpenOptions};

/// How blocks are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Packing {
    Plain,
    Lzw,
    Deflate,
    PackBits,
}

/// What one sample is in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SampleKind {
    U8,
    U16,
    F32,
}

impl SampleKind {
    pub(crate) fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::U16 => 2,
            Self::F32 => 4,
        }
    }
}

/// Differences taken before packing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Predictor {
    None,
    Horizontal,
    Float,
}

/// One page's sample layout. Blocks are strips (full width) or tiles.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// Samples per pixel in the file.
    pub(crate) samples: u16,
    /// 1 grey, 3 colour; the rest of `samples` are extra.
    pub(crate) colours: u16,
    /// Declared kinds of extra samples; `None` if the tag is missing.
    pub(crate) extra: Vec<Option<u16>>,
    pub(crate) kind: SampleKind,
    pub(crate) white_is_zero: bool,
    pub(crate) packing: Packing,
    pub(crate) predictor: Predictor,
    pub(crate) planar: bool,
    pub(crate) tiled: bool,
    pub(crate) block_w: u32,
    pub(crate) block_h: u32,
    pub(crate) across: u32,
    pub(crate) down: u32,
    pub(crate) reversed_bits: bool,
    pub(crate) big_endian: bool,
    pub(crate) offsets: Vec<u64>,
    pub(crate) counts: Vec<u64>,
}

impl Layout {
    /// Samples of one pixel inside one block.
    pub(crate) fn samples_in_block(&self) -> usize {
        if self.planar { 1 } else { usize::from(self.samples) }
    }

    /// Bytes of one row of a block, unpacked.
    pub(crate) fn block_row_bytes(&self) -> usize {
        self.block_w as usize * self.samples_in_block() * self.kind.bytes()
    }

    /// Rows in a block of block row `by`.
    pub(crate) fn rows_in_block(&self, by: u32) -> u32 {
        if self.tiled {
            self.block_h
        } else {
            self.block_h.min(self.height.saturating_sub(by.saturating_mul(self.block_h)))
        }
    }

    pub(crate) fn block_index(&self, plane: u16, bx: u32, by: u32) -> usize {
        let plane = if self.planar { usize::from(plane) } else { 0 };
        (plane * self.down as usize + by as usize) * self.across as usize + bx as usize
    }

    /// `strip 4 of 12` for messages, counted from 1.
    pub(crate) fn block_name(&self, index: usize) -> String {
        let word = if self.tiled { "tile" } else { "strip" };
        format!("{word} {} of {}", index + 1, self.offsets.len())
    }

    /// The container in words.
    pub(crate) fn describe(&self, big: bool) -> String {
        let kind = match self.kind {
            SampleKind::U8 => "8-bit",
            SampleKind::U16 => "16-bit",
            SampleKind::F32 => "32-bit float",
        };
        let packing = match self.packing {
            Packing::Plain => "uncompressed",
            Packing::Lzw => "LZW",
            Packing::Deflate => "Deflate",
            Packing::PackBits => "PackBits",
        };
        let blocks = if self.tiled {
            format!("tiled {}x{}", self.block_w, self.block_h)
        } else if self.down == 1 {
            "one strip".into()
        } else {
            format!("strips of {} rows", self.block_h)
        };
        let planes = if self.planar { ", planar" } else { "" };
        let order = if self.big_endian { "big-endian" } else { "little-endian" };
        let name = if big { "BigTIFF" } else { "TIFF" };
        format!("{name}, {kind}, {packing}, {blocks}{planes}, {order}")
    }

    /// Read and check the layout tags of a page.
    pub(crate) fn of_page(tiff: &TiffFile, ifd: &Ifd, options: &OpenOptions) -> Result<Self, Error> {
        let path = tiff.file.path();
        let side = |tag: u16, what: &str| -> Result<u32, Error> {
            let value = tiff
                .uint(ifd, tag)?
                .ok_or_else(|| Error::malformed(path, format!("a page without {what}")))?;
            u32::try_from(value)
                .ok()
                .filter(|v| *v > 0 && *v < 1 << 31)
                .ok_or_else(|| Error::malformed(path, format!("{what} of {value} px")))
        };
        let (width, height) = (side(256, "width")?, side(257, "height")?);
        let pixels = u64::from(width) * u64::from(height);
        if pixels > options.max_pixels {
            return Err(Error::over(
                path,
                format!("a picture of {width} x {height} px"),
                pixels,
                options.max_pixels,
            ));
        }
        let number = |tag: u16, usual: u64| Ok::<u64, Error>(tiff.uint(ifd, tag)?.unwrap_or(usual));
        let samples = number(277, 1)?;
        if !(1..=16).contains(&samples) {
            return Err(Error::unsupported(
                path,
                format!("{samples} samples a pixel"),
                "save the scan as grey or RGB, with or without an infrared channel",
            ));
        }
        let samples = to_u16(samples);
        let (colours, white_is_zero) = colours_of(tiff, ifd, samples)?;
        let kind = sample_kind(tiff, ifd)?;
        let packing = packing_of(tiff, ifd)?;
        let predictor = predictor_of(tiff, ifd, packing, kind)?;
        let planar = match number(284, 1)? {
            1 => false,
            2 => samples > 1,
            other => return Err(Error::malformed(path, format!("planar configuration {other}"))),
        };
        let mut layout = Self {
            width,
            height,
            samples,
            colours,
            extra: extra_kinds(tiff, ifd, samples - colours)?,
            kind,
            white_is_zero,
            packing,
            predictor,
            planar,
            tiled: false,
            block_w: width,
            block_h: height,
            across: 1,
            down: 1,
            reversed_bits: number(266, 1)? == 2,
            big_endian: tiff.big_endian,
            offsets: Vec::new(),
            counts: Vec::new(),
        };
        layout.find_blocks(tiff, ifd, options)?;
        layout.check_blocks(tiff)?;
        Ok(layout)
    }

    fn find_blocks(&mut self, tiff: &TiffFile, ifd: &Ifd, options: &OpenOptions) -> Result<(), Error> {
        let path = tiff.file.path();
        let tile_side = |tag: u16| -> Result<Option<u32>, Error> {
            let Some(value) = tiff.uint(ifd, tag)? else { return Ok(None) };
            match u32::try_from(value) {
                Ok(v) if v > 0 && v <= 1 << 20 => Ok(Some(v)),
                _ => Err(Error::malformed(path, format!("a tile side of {value} px"))),
            }
        };
        let (offsets, counts) = if let (Some(w), Some(h)) = (tile_side(322)?, tile_side(323)?) {
            self.tiled = true;
            (self.block_w, self.block_h) = (w, h);
            (tiff.uints(ifd, 324)?.or(tiff.uints(ifd, 273)?), tiff.uints(ifd, 325)?.or(tiff.uints(ifd, 279)?))
        } else {
            // 2^32 - 1 and a missing tag both mean one strip; 0 occurs in practice and means the same.
            let rows = tiff.uint(ifd, 278)?.unwrap_or(0);
            self.block_h =
                u32::try_from(rows).ok().filter(|r| *r > 0).unwrap_or(self.height).min(self.height);
            (tiff.uints(ifd, 273)?, tiff.uints(ifd, 279)?)
        };
        self.across = self.width.div_ceil(self.block_w);
        self.down = self.height.div_ceil(self.block_h);
        let planes = if self.planar { u64::from(self.samples) } else { 1 };
        let blocks = (u64::from(self.across) * u64::from(self.down)).saturating_mul(planes);
        let mut offsets = offsets.ok_or_else(|| Error::malformed(path, "a page without block positions"))?;
        if (offsets.len() as u64) < blocks {
            let n = offsets.len();
            return Err(Error::malformed(path, format!("{n} block positions where {blocks} are needed")));
        }
        offsets.truncate(to_usize(blocks));
        let block_bytes = self.full_block_bytes();
        if self.packing != Packing::Plain && block_bytes > options.max_decoded_bytes {
            let what = "unpacking one block of the file (bytes)";
            return Err(Error::over(path, what, block_bytes, options.max_decoded_bytes));
        }
        let mut counts = match counts {
            Some(counts) => counts,
            None if self.packing == Packing::Plain => {
                (0..offsets.len()).map(|i| self.unpacked_bytes(i)).collect()
            }
            None if blocks == 1 => {
                vec![tiff.file.len().saturating_sub(offsets.first().copied().unwrap_or(0))]
            }
            None => return Err(Error::malformed(path, "packed blocks without byte counts")),
        };
        if counts.len() < offsets.len() {
            let (n, wanted) = (counts.len(), offsets.len());
            return Err(Error::malformed(path, format!("{n} byte counts where {wanted} are needed")));
        }
        counts.truncate(offsets.len());
        (self.offsets, self.counts) = (offsets, counts);
        Ok(())
    }

    /// Bytes of block `index` after unpacking.
    pub(crate) fn unpacked_bytes(&self, index: usize) -> u64 {
        let by = (index / self.across as usize) % self.down as usize;
        (self.block_row_bytes() as u64).saturating_mul(u64::from(self.rows_in_block(to_u32(by))))
    }

    /// Bytes of block `index` in the file that are worth reading: nothing packs to more than twice its size, so a
    /// larger count only costs time.
    pub(crate) fn packed_bytes(&self, index: usize) -> u64 {
        self.counts[index].min(self.full_block_bytes().saturating_mul(2).saturating_add(65_536))
    }

    /// Bytes of a block of full height after unpacking; the last one of a page may need less.
    pub(crate) fn full_block_bytes(&self) -> u64 {
        (self.block_row_bytes() as u64).saturating_mul(u64::from(self.block_h))
    }

    /// Where the last block ends; `None` if a position is so far away that it must be damaged.
    fn end(&self) -> Option<u64> {
        let stored = |i: usize| match self.packing {
            Packing::Plain => self.unpacked_bytes(i),
            _ => self.counts.get(i).copied().unwrap_or(0),
        };
        let all = (0..self.offsets.len()).fold(0, |sum: u64, i| sum.saturating_add(stored(i)));
        let ends = self.offsets.iter().enumerate().map(|(i, offset)| offset.saturating_add(stored(i)));
        // Other pages and gaps take room too, but not many times that of the picture.
        ends.max().filter(|end| *end <= all.saturating_mul(8).saturating_add(1 << 24))
    }

    /// Every block must be inside the file and long enough to hold its samples.
    fn check_blocks(&self, tiff: &TiffFile) -> Result<(), Error> {
        let len = tiff.file.len();
        // Most that one byte can unpack to: Deflate 1032 (258 bytes for 2 bits), LZW 4096-entry strings for 12 bits,
        // PackBits 128 for 2 bytes. A larger claim is false, and is refused before memory is requested.
        let ratio = match self.packing {
            Packing::Plain => 1,
            Packing::Deflate => 1040,
            Packing::Lzw => 2800,
            Packing::PackBits => 64,
        };
        for (i, (&offset, &count)) in self.offsets.iter().zip(&self.counts).enumerate() {
            let needed = self.unpacked_bytes(i);
            let stored = if self.packing == Packing::Plain { needed } else { count };
            let found = if count.saturating_mul(ratio) < needed {
                format!(
                    "{} has {count} bytes, which cannot hold the {needed} bytes it stands for",
                    self.block_name(i)
                )
            } else if offset.checked_add(stored).is_none_or(|end| end > len) {
                return Err(Error::cut_short(tiff.file.path(), len, self.end()));
            } else {
                continue;
            };
            return Err(Error::malformed(tiff.file.path(), found));
        }
        Ok(())
    }
}

fn colours_of(tiff: &TiffFile, ifd: &Ifd, samples: u16) -> Result<(u16, bool), Error> {
    let path = tiff.file.path();
    let found = match tiff.uint(ifd, 262)? {
        None => return Ok(if samples >= 3 { (3, false) } else { (1, false) }),
        Some(0) => return Ok((1, true)),
        Some(1) => return Ok((1, false)),
        Some(2) if samples >= 3 => return Ok((3, false)),
        Some(2) => return Err(Error::malformed(path, format!("RGB with {samples} samples a pixel"))),
        Some(3) => "a palette TIFF",
        Some(4) => "a transparency mask",
        Some(5) => "a CMYK TIFF",
        Some(6) => "a YCbCr TIFF",
        Some(8..=10) => "a Lab TIFF",
        Some(32803 | 34892) => "a sensor mosaic TIFF",
        Some(32844 | 32845) => "a LogLuv TIFF",
        Some(other) => {
            return Err(Error::unsupported(path, format!("a TIFF of colour kind {other}"), SAVE_PLAINLY));
        }
    };
    Err(Error::unsupported(path, found, SAVE_PLAINLY))
}

const SAVE_PLAINLY: &str = "save the scan as a grey or RGB TIFF with 8 or 16 bits a sample";

fn sample_kind(tiff: &TiffFile, ifd: &Ifd) -> Result<SampleKind, Error> {
    let path = tiff.file.path();
    let bits = tiff.uints(ifd, 258)?.unwrap_or_else(|| vec![1]);
    let first = bits.first().copied().unwrap_or(1);
    if bits.iter().any(|b| *b != first) {
        return Err(Error::unsupported(path, "samples of different bit depths", SAVE_PLAINLY));
    }
    // Kind 4 is "undefined data"; with whole bytes it is read as unsigned, as the specification advises.
    let format = tiff.uints(ifd, 339)?.and_then(|v| v.first().copied()).unwrap_or(1);
    match (format, first) {
        (1 | 4, 8) => Ok(SampleKind::U8),
        (1 | 4, 16) => Ok(SampleKind::U16),
        (3, 32) => Ok(SampleKind::F32),
        (1 | 4, bits) => Err(Error::unsupported(path, format!("{bits} bits a sample"), SAVE_PLAINLY)),
        (2, bits) => Err(Error::unsupported(path, format!("signed {bits}-bit samples"), SAVE_PLAINLY)),
        (3, bits) => Err(Error::unsupported(path, format!("{bits}-bit floating samples"), SAVE_PLAINLY)),
        (other, bits) => {
            Err(Error::unsupported(path, format!("{bits}-bit samples of format {other}"), SAVE_PLAINLY))
        }
    }
}

fn packing_of(tiff: &TiffFile, ifd: &Ifd) -> Result<Packing, Error> {
    let found = match tiff.uint(ifd, 259)?.unwrap_or(1) {
        1 => return Ok(Packing::Plain),
        5 => return Ok(Packing::Lzw),
        8 | 32946 => return Ok(Packing::Deflate),
        32773 => return Ok(Packing::PackBits),
        2..=4 => "fax compression".to_owned(),
        6 | 7 => "JPEG compression inside TIFF".to_owned(),
        50000 => "ZSTD compression".to_owned(),
        34925 => "LZMA compression".to_owned(),
        50001 => "WebP compression inside TIFF".to_owned(),
        33003..=33005 | 34712 => "JPEG 2000 compression inside TIFF".to_owned(),
        other => format!("TIFF compression {other}"),
    };
    let hint = "save the scan uncompressed, or with LZW or Deflate (ZIP)";
    Err(Error::unsupported(tiff.file.path(), found, hint))
}

fn predictor_of(tiff: &TiffFile, ifd: &Ifd, packing: Packing, kind: SampleKind) -> Result<Predictor, Error> {
    // Only LZW and Deflate have a predictor; general readers ignore the tag elsewhere, and so does this one.
    if !matches!(packing, Packing::Lzw | Packing::Deflate) {
        return Ok(Predictor::None);
    }
    match (tiff.uint(ifd, 317)?.unwrap_or(1), kind) {
        (1, _) => Ok(Predictor::None),
        (2, SampleKind::U8 | SampleKind::U16) => Ok(Predictor::Horizontal),
        (3, SampleKind::F32) => Ok(Predictor::Float),
        (other, _) => Err(Error::unsupported(
            tiff.file.path(),
            format!("predictor {other} with this kind of sample"),
            "save the scan uncompressed",
        )),
    }
}

fn extra_kinds(tiff: &TiffFile, ifd: &Ifd, extra: u16) -> Result<Vec<Option<u16>>, Error> {
    let declared = tiff.uints(ifd, 338)?.unwrap_or_default();
    Ok((0..usize::from(extra)).map(|i| declared.get(i).and_then(|k| u16::try_from(*k).ok())).collect())
}
