//! Writing pictures row by row into a file that appears whole or not at all.

mod ifd_out;
mod jpeg_out;
mod metadata;
mod png_out;
mod spec;
mod tiff_out;

use std::path::Path;

pub use spec::{Compression, FilmSourceKind, Metadata, PictureFormat, PictureSpec, WrittenFile};

use crate::{AtomicFile, Error};

/// A picture being written; dropping it before [`Self::finish`] leaves no trace.
#[derive(Debug)]
pub struct PictureWriter {
    spec: PictureSpec,
    rows_done: u32,
    bytes: Vec<u8>,
    out: Out,
}

#[derive(Debug)]
enum Out {
    Tiff(tiff_out::TiffOut),
    Png(Box<png_out::PngOut>),
    Jpeg { file: AtomicFile, quality: u8, pixels: Vec<u8> },
}

impl PictureWriter {
    /// Start a picture called `path`. A name that is taken is refused here when it may not be replaced.
    pub fn begin(path: &Path, spec: &PictureSpec) -> Result<Self, Error> {
        spec.check(path)?;
        let file = AtomicFile::create(path, spec.overwrite)?;
        let out = match spec.format {
            PictureFormat::Tiff { compression } => {
                Out::Tiff(tiff_out::TiffOut::begin(file, spec, compression)?)
            }
            PictureFormat::Png => Out::Png(Box::new(png_out::PngOut::begin(file, spec)?)),
            PictureFormat::Jpeg { quality } => {
                let bytes = spec.row_bytes() * spec.height_px as usize;
                let mut pixels = Vec::new();
                pixels
                    .try_reserve_exact(bytes)
                    .map_err(|_| Error::memory(path, "a JPEG before it is packed", bytes as u64))?;
                Out::Jpeg { file, quality, pixels }
            }
        };
        Ok(Self { spec: spec.clone(), rows_done: 0, bytes: Vec::new(), out })
    }

    /// Rows written so far.
    pub fn rows_done(&self) -> u32 {
        self.rows_done
    }

    /// Add whole rows of a 16-bit picture, from the top, any number a call.
    pub fn write_rows_u16(&mut self, samples: &[u16]) -> Result<(), Error> {
        self.count_rows(samples.len(), 16)?;
        // Pieces of a few megabytes, so that a caller may hand over a whole picture at little extra memory.
        let piece = self.spec.row_samples() * ((2 << 20) / self.spec.row_samples()).max(1);
        for part in samples.chunks(piece) {
            let mut bytes = std::mem::take(&mut self.bytes);
            bytes.resize(part.len() * 2, 0);
            let pairs = bytes.chunks_exact_mut(2).zip(part);
            match &self.out {
                Out::Png(_) => pairs.for_each(|(two, v)| two.copy_from_slice(&v.to_be_bytes())),
                _ => pairs.for_each(|(two, v)| two.copy_from_slice(&v.to_le_bytes())),
            }
            let done = self.put(&bytes);
            self.bytes = bytes;
            done?;
        }
        Ok(())
    }

    /// Add whole rows of an 8-bit picture, from the top, any number a call.
    pub fn write_rows_u8(&mut self, samples: &[u8]) -> Result<(), Error> {
        self.count_rows(samples.len(), 8)?;
        self.put(samples)
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), Error> {
        match &mut self.out {
            Out::Tiff(tiff) => tiff.rows(bytes, &self.spec),
            Out::Png(png) => png.rows(bytes),
            Out::Jpeg { pixels, .. } => {
                pixels.extend_from_slice(bytes);
                Ok(())
            }
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
        self.rows_done += rows as u32;
        Ok(())
    }

    /// Complete the file, sync it and give it its name.
    pub fn finish(self) -> Result<WrittenFile, Error> {
        if self.rows_done != self.spec.height_px {
            let (done, all) = (self.rows_done, self.spec.height_px);
            return Err(Error::usage(self.path(), format!("{done} of {all} rows were written")));
        }
        let Self { spec, out, .. } = self;
        let file = match out {
            Out::Tiff(tiff) => tiff.finish(&spec)?,
            Out::Png(png) => png.finish()?,
            Out::Jpeg { file, quality, pixels } => jpeg_out::write_jpeg(file, &spec, quality, &pixels)?,
        };
        let path = file.path().to_owned();
        let bytes = file.commit()?;
        Ok(WrittenFile { bytes, path })
    }
}
