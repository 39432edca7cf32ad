//! Prepares rows of a picture for its file: work that many threads can do while another writes.

use super::checksum::sample_checksum;
use super::spec::{Compression, PictureFormat, PictureSpec};
use crate::numbers::to_u32;

/// Approximate bytes of a TIFF strip before packing.
const STRIP_BYTES: usize = 512 << 10;
/// Deflate effort. The noise of film in 16 bits does not shrink: higher levels take longer and save next to nothing.
const DEFLATE_LEVEL: i32 = 3;

/// Prepares rows of one picture for its writer; shared by threads.
#[derive(Debug, Clone)]
pub struct RowPacker {
    row_samples: usize,
    stride: usize,
    bits: u8,
    form: Form,
    strip_rows: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Strips(Compression),
    BigEndian,
    Plain,
}

/// Rows ready to be written.
#[derive(Debug)]
pub struct PackedRows {
    pub(super) rows: u32,
    pub(super) checksum: u64,
    pub(super) body: Body,
}

#[derive(Debug)]
pub(super) enum Body {
    /// Whole strips, packed one by one.
    Strips(Vec<Vec<u8>>),
    /// 16-bit samples in the byte order of the machine.
    Samples(Vec<u16>),
    Bytes(Vec<u8>),
}

impl PackedRows {
    /// The samples as handed over, if they were not changed on the way, so that their memory can be reused.
    pub fn into_samples(self) -> Option<Vec<u16>> {
        match self.body {
            Body::Samples(samples) => Some(samples),
            _ => None,
        }
    }
}

impl RowPacker {
    pub(super) fn new(spec: &PictureSpec) -> Self {
        let form = match spec.format {
            PictureFormat::Tiff { compression } => Form::Strips(compression),
            PictureFormat::Png => Form::BigEndian,
            PictureFormat::Jpeg { .. } => Form::Plain,
        };
        Self {
            row_samples: spec.row_samples().max(1),
            stride: usize::from(spec.channels),
            bits: spec.bits,
            form,
            strip_rows: to_u32((STRIP_BYTES / spec.row_bytes().max(1)).clamp(1, spec.height_px as usize)),
        }
    }

    /// Every portion of a picture but the last must have a multiple of this many rows.
    pub fn granule_rows(&self) -> u32 {
        self.strip_rows
    }

    /// Pack rows of 16-bit samples.
    pub fn pack_u16(&self, mut samples: Vec<u16>) -> std::io::Result<PackedRows> {
        let rows = to_u32(samples.len() / self.row_samples);
        let checksum = sample_checksum(&samples);
        let body = match self.form {
            Form::Strips(Compression::None) | Form::Plain => Body::Samples(samples),
            Form::BigEndian => Body::Bytes(samples.iter().flat_map(|v| v.to_be_bytes()).collect()),
            Form::Strips(compression) => {
                for line in samples.chunks_exact_mut(self.row_samples) {
                    take_differences(line, self.stride, u16::wrapping_sub);
                }
                self.strips(compression, bytemuck::cast_slice(&samples), 2)?
            }
        };
        Ok(PackedRows { rows, checksum, body })
    }

    /// Pack rows of 8-bit samples.
    pub fn pack_u8(&self, mut samples: Vec<u8>) -> std::io::Result<PackedRows> {
        let rows = to_u32(samples.len() / self.row_samples);
        let wide: Vec<u16> = samples.iter().map(|v| u16::from(*v) * 257).collect();
        let body = match self.form {
            Form::Strips(Compression::None) | Form::BigEndian | Form::Plain => Body::Bytes(samples),
            Form::Strips(compression) => {
                for line in samples.chunks_exact_mut(self.row_samples) {
                    take_differences(line, self.stride, u8::wrapping_sub);
                }
                self.strips(compression, &samples, 1)?
            }
        };
        Ok(PackedRows { rows, checksum: sample_checksum(&wide), body })
    }

    /// Bits that samples must have.
    pub(super) fn bits(&self) -> u8 {
        self.bits
    }

    fn strips(&self, compression: Compression, bytes: &[u8], sample_bytes: usize) -> std::io::Result<Body> {
        let strip = self.strip_rows as usize * self.row_samples * sample_bytes;
        let mut deflate = libdeflater::Compressor::new(deflate_level());
        let packed: std::io::Result<Vec<_>> = bytes
            .chunks(strip)
            .map(|part| match compression {
                Compression::None => Ok(part.to_vec()),
                Compression::Deflate => {
                    let mut packed = vec![0; deflate.zlib_compress_bound(part.len())];
                    let length = deflate.zlib_compress(part, &mut packed).map_err(std::io::Error::other)?;
                    packed.truncate(length);
                    packed.shrink_to_fit();
                    Ok(packed)
                }
                Compression::Lzw => {
                    let mut packed = Vec::with_capacity(part.len());
                    let mut packer = weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8);
                    packer.into_stream(&mut packed).encode_all(part).status?;
                    Ok(packed)
                }
            })
            .collect();
        Ok(Body::Strips(packed?))
    }
}

fn deflate_level() -> libdeflater::CompressionLvl {
    libdeflater::CompressionLvl::new(DEFLATE_LEVEL).unwrap_or_default()
}

impl Body {
    /// The strips to write, at most `plain_bytes` each where they are not packed yet.
    pub(super) fn strips(&self, plain_bytes: usize) -> Box<dyn Iterator<Item = &[u8]> + '_> {
        match self {
            Self::Samples(samples) => Box::new(bytemuck::cast_slice(samples).chunks(plain_bytes)),
            Self::Bytes(bytes) => Box::new(bytes.chunks(plain_bytes)),
            Self::Strips(strips) => Box::new(strips.iter().map(Vec::as_slice)),
        }
    }
}

/// Differences from the pixel on the left, from the right end so that nothing is overwritten too early.
fn take_differences<T: Copy>(line: &mut [T], stride: usize, subtract: fn(T, T) -> T) {
    for i in (stride..line.len()).rev() {
        line[i] = subtract(line[i], line[i - stride]);
    }
}
