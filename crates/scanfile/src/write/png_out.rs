//! PNG written row by row with bounded memory.

use std::fmt;
use std::io::{self, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use png::{BitDepth, ColorType, Compression, EncodingError, PixelDimensions, StreamWriter, Unit};

use super::metadata::exif_block;
use super::spec::PictureSpec;
use super::xmp::xmp_packet;
use crate::numbers::whole_u32;
use crate::{AtomicFile, Error};

/// Bytes of packed data in one chunk.
const CHUNK_BYTES: usize = 256 << 10;

/// Bytes between the encoder and the file. The encoder writes the end of the picture when it is dropped and hides
/// errors of that, so it must not write to the file itself.
#[derive(Debug, Clone, Default)]
struct Waiting(Arc<Mutex<Vec<u8>>>);

impl Waiting {
    fn bytes(&self) -> MutexGuard<'_, Vec<u8>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Write for Waiting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.bytes().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A PNG under construction.
pub(super) struct PngOut {
    encoder: StreamWriter<'static, Waiting>,
    waiting: Waiting,
    file: AtomicFile,
}

impl fmt::Debug for PngOut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PngOut").field("file", &self.file).finish_non_exhaustive()
    }
}

impl PngOut {
    pub(super) fn begin(file: AtomicFile, spec: &PictureSpec) -> Result<Self, Error> {
        let waiting = Waiting::default();
        let encoder = encoder(waiting.clone(), spec)
            .map_err(|e| Error::usage(file.path(), format!("the picture could not be encoded ({e})")))?;
        Ok(Self { encoder, waiting, file })
    }

    pub(super) fn path(&self) -> &Path {
        self.file.path()
    }

    /// Add whole rows of big-endian bytes.
    pub(super) fn rows(&mut self, bytes: &[u8]) -> Result<(), Error> {
        self.encoder.write_all(bytes).map_err(Error::io(self.file.path(), "write the file"))?;
        drain(&self.waiting, &mut self.file)
    }

    pub(super) fn finish(self) -> Result<AtomicFile, Error> {
        let Self { encoder, waiting, mut file } = self;
        encoder
            .finish()
            .map_err(|e| Error::usage(file.path(), format!("the picture could not be encoded ({e})")))?;
        drain(&waiting, &mut file)?;
        Ok(file)
    }
}

fn drain(waiting: &Waiting, file: &mut AtomicFile) -> Result<(), Error> {
    let mut bytes = waiting.bytes();
    file.write_all(&bytes).map_err(Error::io(file.path(), "write the file"))?;
    bytes.clear();
    Ok(())
}

fn encoder(out: Waiting, spec: &PictureSpec) -> Result<StreamWriter<'static, Waiting>, EncodingError> {
    let mut info = png::Info::with_size(spec.width_px, spec.height_px);
    info.icc_profile = spec.icc.as_deref().map(Into::into);
    info.pixel_dims = spec.ppi.map(|ppi| {
        let per_metre = whole_u32((ppi.ppi() / 0.0254).round());
        PixelDimensions { xppu: per_metre, yppu: per_metre, unit: Unit::Meter }
    });
    if !spec.metadata.is_empty() {
        info.exif_metadata = Some(exif_block(spec).map_err(io::Error::other)?.into());
    }
    let mut encoder = png::Encoder::with_info(out, info)?;
    encoder.set_color(if spec.channels == 3 { ColorType::Rgb } else { ColorType::Grayscale });
    encoder.set_depth(if spec.bits == 16 { BitDepth::Sixteen } else { BitDepth::Eight });
    encoder.set_compression(Compression::Balanced);
    if !spec.metadata.is_empty() {
        encoder.add_itxt_chunk("XML:com.adobe.xmp".into(), xmp_packet(&spec.metadata))?;
    }
    encoder.write_header()?.into_stream_writer_with_size(CHUNK_BYTES)
}
