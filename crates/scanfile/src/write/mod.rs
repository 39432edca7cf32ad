//! Writing pictures row by row into a file that appears whole or not at all.

mod checksum;
mod closed;
mod directory;
mod jpeg_out;
mod metadata;
mod pack;
mod png_out;
mod spec;
mod tiff_out;
mod xmp;

use std::path::Path;

use glassine_raster::reserve;
use rayon::prelude::*;

pub use closed::ClosedPicture;
use closed::ExpectedContent;
pub(crate) use directory::{Fields, write_failed};
pub use pack::{PackedRows, RowPacker};
pub use spec::{Compression, FilmSourceKind, Metadata, PictureFormat, PictureSpec, WrittenFile};
pub use xmp::settings_digest_in;

use crate::numbers::to_u32;
use crate::{AtomicFile, Error};

/// Portions of the smallest size gathered before they are packed together.
const PORTIONS_AT_ONCE: usize = 16;

/// A picture being written; dropping it before [`Self::finish`] leaves no trace.
#[derive(Debug)]
pub struct PictureWriter {
    spec: PictureSpec,
    packer: RowPacker,
    /// Rows handed over and rows written.
    rows_done: u32,
    rows_written: u32,
    /// Rows that do not fill a portion yet.
    waiting: Waiting,
    checksums: Vec<(u32, u64)>,
    /// Largest file that is wanted.
    most_bytes: Option<u64>,
    out: Out,
}

#[derive(Debug)]
enum Waiting {
    Wide(Vec<u16>),
    Narrow(Vec<u8>),
}

#[derive(Debug)]
enum Out {
    Tiff(tiff_out::TiffOut),
    Png(Box<png_out::PngOut>),
    Jpeg { file: AtomicFile, quality: u8, pixels: Vec<u8> },
}

impl PictureWriter {
    /// Start a picture called `path`. A taken name is refused here if it may not be replaced.
    pub fn begin(path: &Path, spec: &PictureSpec) -> Result<Self, Error> {
        spec.check(path)?;
        let file = AtomicFile::create(path, spec.overwrite)?;
        let packer = RowPacker::new(spec);
        let out = match spec.format {
            PictureFormat::Tiff { compression } => {
                Out::Tiff(tiff_out::TiffOut::begin(file, spec, compression, packer.granule_rows())?)
            }
            PictureFormat::Png => Out::Png(Box::new(png_out::PngOut::begin(file, spec)?)),
            PictureFormat::Jpeg { quality } => {
                let bytes = spec.row_bytes() * spec.height_px as usize;
                let mut pixels = Vec::new();
                reserve(&mut pixels, bytes)
                    .map_err(|refused| Error::memory(path, "a JPEG before it is packed", refused.bytes))?;
                Out::Jpeg { file, quality, pixels }
            }
        };
        let waiting = if spec.bits == 16 { Waiting::Wide(Vec::new()) } else { Waiting::Narrow(Vec::new()) };
        Ok(Self {
            spec: spec.clone(),
            packer,
            rows_done: 0,
            rows_written: 0,
            waiting,
            checksums: Vec::new(),
            most_bytes: None,
            out,
        })
    }

    /// Refuse a file of more bytes; a JPEG gets as much less quality as it needs.
    pub fn keep_within(&mut self, bytes: u64) {
        self.most_bytes = Some(bytes);
    }

    /// Rows handed over so far.
    pub fn rows_done(&self) -> u32 {
        self.rows_done
    }

    /// Prepares rows for [`Self::write_packed`], on any thread.
    pub fn packer(&self) -> RowPacker {
        self.packer.clone()
    }

    /// Add rows that the packer of this picture prepared, from the top.
    pub fn write_packed(&mut self, packed: &PackedRows) -> Result<(), Error> {
        self.count_rows(packed.rows as usize * self.spec.row_samples(), self.packer.bits())?;
        let whole = packed.rows.is_multiple_of(self.packer.granule_rows());
        if self.rows_done - packed.rows != self.rows_written
            || (!whole && self.rows_done != self.spec.height_px)
        {
            return Err(Error::usage(self.path(), "rows that do not follow the ones before"));
        }
        self.put(packed)
    }

    /// Add whole rows of a 16-bit picture, from the top, any number per call.
    pub fn write_rows_u16(&mut self, samples: &[u16]) -> Result<(), Error> {
        self.count_rows(samples.len(), 16)?;
        let batch = self.batch_samples();
        // Taken in portions, so that a caller may pass a whole picture at little extra memory.
        for part in samples.chunks(batch) {
            if let Waiting::Wide(waiting) = &mut self.waiting {
                waiting.extend_from_slice(part);
            }
            self.drain(batch)?;
        }
        self.drain_if_complete()
    }

    /// Add whole rows of an 8-bit picture, from the top, any number per call.
    pub fn write_rows_u8(&mut self, samples: &[u8]) -> Result<(), Error> {
        self.count_rows(samples.len(), 8)?;
        let batch = self.batch_samples();
        for part in samples.chunks(batch) {
            if let Waiting::Narrow(waiting) = &mut self.waiting {
                waiting.extend_from_slice(part);
            }
            self.drain(batch)?;
        }
        self.drain_if_complete()
    }

    fn batch_samples(&self) -> usize {
        self.packer.granule_rows() as usize * self.spec.row_samples() * PORTIONS_AT_ONCE
    }

    fn drain_if_complete(&mut self) -> Result<(), Error> {
        if self.rows_done == self.spec.height_px { self.drain(1) } else { Ok(()) }
    }

    /// Pack and write the waiting rows, if they have at least this many samples.
    fn drain(&mut self, least: usize) -> Result<(), Error> {
        let portion = self.packer.granule_rows() as usize * self.spec.row_samples();
        let packer = &self.packer;
        let take = |len: usize| if least == 1 { len } else { len / portion * portion };
        let packed: std::io::Result<Vec<PackedRows>> = match &mut self.waiting {
            Waiting::Wide(waiting) if waiting.len() >= least => {
                let rest = waiting.split_off(take(waiting.len()));
                let whole = std::mem::replace(waiting, rest);
                whole.par_chunks(portion).map(|part| packer.pack_u16(part.to_vec())).collect()
            }
            Waiting::Narrow(waiting) if waiting.len() >= least => {
                let rest = waiting.split_off(take(waiting.len()));
                let whole = std::mem::replace(waiting, rest);
                whole.par_chunks(portion).map(|part| packer.pack_u8(part.to_vec())).collect()
            }
            _ => return Ok(()),
        };
        for rows in packed.map_err(Error::io(self.path(), "pack the rows of the file"))? {
            self.put(&rows)?;
        }
        Ok(())
    }

    fn put(&mut self, packed: &PackedRows) -> Result<(), Error> {
        self.rows_written += packed.rows;
        self.checksums.push((packed.rows, packed.checksum));
        match (&mut self.out, &packed.body) {
            (Out::Tiff(tiff), _) => tiff.rows(packed),
            (Out::Png(png), pack::Body::Bytes(bytes)) => png.rows(bytes),
            (Out::Jpeg { pixels, .. }, pack::Body::Bytes(bytes)) => {
                pixels.extend_from_slice(bytes);
                Ok(())
            }
            _ => Err(Error::usage(self.path(), "rows that were packed for another kind of file")),
        }
    }

    fn path(&self) -> &Path {
        match &self.out {
            Out::Tiff(tiff) => tiff.path(),
            Out::Png(png) => png.path(),
            Out::Jpeg { file, .. } => file.path(),
        }
    }

    fn count_rows(&mut self, samples: usize, bits: u8) -> Result<(), Error> {
        let row = self.spec.row_samples();
        let rows = samples / row;
        let left = self.spec.height_px - self.rows_done;
        if bits != self.spec.bits {
            return Err(Error::usage(
                self.path(),
                format!("{bits}-bit rows for a {}-bit picture", self.spec.bits),
            ));
        }
        if !samples.is_multiple_of(row) {
            return Err(Error::usage(
                self.path(),
                format!("{samples} samples do not make whole rows of {row}"),
            ));
        }
        if rows > left as usize {
            return Err(Error::usage(self.path(), format!("{rows} rows where {left} are left")));
        }
        self.rows_done += to_u32(rows);
        Ok(())
    }

    /// Complete the file, sync it and give it its name.
    pub fn finish(self) -> Result<WrittenFile, Error> {
        self.close()?.commit()
    }

    /// Complete the file without giving it its name.
    pub fn close(self) -> Result<ClosedPicture, Error> {
        if self.rows_written != self.spec.height_px {
            let (done, all) = (self.rows_done, self.spec.height_px);
            return Err(Error::usage(self.path(), format!("{done} of {all} rows were written")));
        }
        let Self { spec, out, checksums, most_bytes, .. } = self;
        let (file, expected) = match out {
            Out::Tiff(tiff) => (tiff.finish(&spec)?, ExpectedContent::Rows(checksums)),
            Out::Png(png) => (png.finish()?, ExpectedContent::Rows(checksums)),
            Out::Jpeg { file, quality, pixels } => {
                let (file, hash) = jpeg_out::write_jpeg(file, &spec, (quality, most_bytes), &pixels)?;
                (file, ExpectedContent::Bytes(hash))
            }
        };
        let bytes = file.bytes()?;
        if let Some(most) = most_bytes.filter(|most| bytes > *most) {
            let found =
                format!("a file of at most {} kB for a picture that needs {} kB", most / 1000, bytes / 1000);
            return Err(Error::unsupported(file.path(), found, "choose fewer pixels or a larger limit"));
        }
        Ok(ClosedPicture {
            file,
            size_px: (spec.width_px, spec.height_px),
            channels: spec.channels,
            expected,
        })
    }
}
