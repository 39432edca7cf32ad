//! PNG written row by row with bounded memory.
//!
//! Every row gets the filter with the smallest sum of absolute values. Source: PNG specification (chunks, filters and
//! that heuristic).

use std::io::{self, Write};

use flate2::write::ZlibEncoder;

use super::metadata::{exif_block, xmp_packet};
use super::spec::PictureSpec;
use crate::{AtomicFile, Error};

/// Bytes of packed data in one chunk.
const CHUNK_BYTES: usize = 256 << 10;

/// Collects packed bytes and writes them as `IDAT` chunks.
#[derive(Debug)]
struct Chunks {
    file: AtomicFile,
    waiting: Vec<u8>,
}

impl Chunks {
    fn chunk(&mut self, kind: &[u8; 4], body: &[u8]) -> io::Result<()> {
        let mut crc = flate2::Crc::new();
        crc.update(kind);
        crc.update(body);
        self.file.write_all(&(body.len() as u32).to_be_bytes())?;
        self.file.write_all(kind)?;
        self.file.write_all(body)?;
        self.file.write_all(&crc.sum().to_be_bytes())
    }

    fn drain(&mut self) -> io::Result<()> {
        let waiting = std::mem::take(&mut self.waiting);
        if waiting.is_empty() { Ok(()) } else { self.chunk(b"IDAT", &waiting) }
    }
}

impl Write for Chunks {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.waiting.extend_from_slice(bytes);
        if self.waiting.len() >= CHUNK_BYTES {
            self.drain()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A PNG under construction.
#[derive(Debug)]
pub(super) struct PngOut {
    packer: ZlibEncoder<Chunks>,
    path: std::path::PathBuf,
    row_bytes: usize,
    px_bytes: usize,
    above: Vec<u8>,
    filtered: [Vec<u8>; 5],
}

impl PngOut {
    pub(super) fn begin(file: AtomicFile, spec: &PictureSpec) -> Result<Self, Error> {
        let path = file.path().to_owned();
        let mut chunks = Chunks { file, waiting: Vec::new() };
        head(&mut chunks, spec).map_err(Error::io(&path, "write the file"))?;
        let row_bytes = spec.row_bytes();
        Ok(Self {
            packer: ZlibEncoder::new(chunks, flate2::Compression::new(5)),
            path,
            row_bytes,
            px_bytes: usize::from(spec.channels) * usize::from(spec.bits / 8),
            above: vec![0; row_bytes],
            filtered: std::array::from_fn(|_| vec![0; row_bytes]),
        })
    }

    pub(super) fn path(&self) -> &std::path::Path {
        &self.path
    }

    /// Add whole rows of big-endian bytes.
    pub(super) fn rows(&mut self, bytes: &[u8]) -> Result<(), Error> {
        for row in bytes.chunks_exact(self.row_bytes) {
            self.row(row).map_err(Error::io(&self.path, "write the file"))?;
        }
        Ok(())
    }

    fn row(&mut self, row: &[u8]) -> io::Result<()> {
        let Self { above, filtered, px_bytes, packer, .. } = self;
        for i in 0..row.len() {
            let (left, corner) = match i.checked_sub(*px_bytes) {
                Some(j) => (row[j], above[j]),
                None => (0, 0),
            };
            let (v, up) = (row[i], above[i]);
            filtered[0][i] = v;
            filtered[1][i] = v.wrapping_sub(left);
            filtered[2][i] = v.wrapping_sub(up);
            filtered[3][i] = v.wrapping_sub(((u16::from(left) + u16::from(up)) / 2) as u8);
            filtered[4][i] = v.wrapping_sub(paeth(left, up, corner));
        }
        let cost = |line: &Vec<u8>| line.iter().map(|v| u64::from((*v as i8).unsigned_abs())).sum::<u64>();
        let best = (0..5).min_by_key(|k| cost(&filtered[*k])).unwrap_or(0);
        packer.write_all(&[best as u8])?;
        packer.write_all(&filtered[best])?;
        above.copy_from_slice(row);
        Ok(())
    }

    pub(super) fn finish(self) -> Result<AtomicFile, Error> {
        let path = self.path;
        let done = self.packer.finish().and_then(|mut chunks| {
            chunks.drain()?;
            chunks.chunk(b"IEND", &[])?;
            Ok(chunks.file)
        });
        done.map_err(Error::io(&path, "write the file"))
    }
}

fn paeth(left: u8, up: u8, corner: u8) -> u8 {
    let (a, b, c) = (i16::from(left), i16::from(up), i16::from(corner));
    let guess = a + b - c;
    let (da, db, dc) = ((guess - a).abs(), (guess - b).abs(), (guess - c).abs());
    if da <= db && da <= dc {
        left
    } else if db <= dc {
        up
    } else {
        corner
    }
}

fn head(chunks: &mut Chunks, spec: &PictureSpec) -> io::Result<()> {
    chunks.file.write_all(b"\x89PNG\r\n\x1a\n")?;
    let mut header = [spec.width_px.to_be_bytes(), spec.height_px.to_be_bytes()].concat();
    header.extend([spec.bits, if spec.channels == 3 { 2 } else { 0 }, 0, 0, 0]);
    chunks.chunk(b"IHDR", &header)?;
    if let Some(icc) = &spec.icc {
        let mut body = b"icc\0\0".to_vec();
        let mut packer = ZlibEncoder::new(&mut body, flate2::Compression::default());
        packer.write_all(icc)?;
        packer.finish()?;
        chunks.chunk(b"iCCP", &body)?;
    }
    if let Some(ppi) = spec.ppi {
        let per_metre = ((ppi / 0.0254).round() as u32).to_be_bytes();
        chunks.chunk(b"pHYs", &[&per_metre[..], &per_metre, &[1]].concat())?;
    }
    if spec.metadata.is_empty() {
        return Ok(());
    }
    chunks.chunk(b"eXIf", &exif_block(spec).map_err(io::Error::other)?)?;
    let mut text = b"XML:com.adobe.xmp\0\0\0\0\0".to_vec();
    text.extend(xmp_packet(&spec.metadata).bytes());
    chunks.chunk(b"iTXt", &text)
}
