//! From packed bytes of a block to samples: decompression, bit and byte order, predictors.

use super::layout::{Layout, Packing, Predictor, SampleKind};

/// Samples of one unpacked block.
#[derive(Debug)]
pub(crate) enum Block {
    U8(Vec<u8>),
    U16(Vec<u16>),
}

impl Block {
    pub(crate) fn bytes(&self) -> usize {
        match self {
            Self::U8(v) => v.len(),
            Self::U16(v) => v.len() * 2,
        }
    }
}

/// Unpack `packed` into exactly `out.len()` bytes; the error says how far it came.
pub(crate) fn decompress(packing: Packing, packed: &[u8], out: &mut [u8]) -> Result<(), String> {
    let done = match packing {
        Packing::Plain => {
            let n = packed.len().min(out.len());
            out[..n].copy_from_slice(&packed[..n]);
            n
        }
        Packing::PackBits => pack_bits(packed, out),
        Packing::Deflate => inflate(packed, out)?,
        Packing::Lzw => lzw(packed, out)?,
    };
    if done < out.len() {
        return Err(format!("unpacks to {done} bytes where {} are needed", out.len()));
    }
    Ok(())
}

fn inflate(packed: &[u8], out: &mut [u8]) -> Result<usize, String> {
    let mut inflater = flate2::Decompress::new(true);
    loop {
        let (before_in, before_out) = (inflater.total_in(), inflater.total_out());
        let status = inflater
            .decompress(
                &packed[before_in as usize..],
                &mut out[before_out as usize..],
                flate2::FlushDecompress::None,
            )
            .map_err(|_| format!("has damaged Deflate data after {before_out} bytes"))?;
        let done = inflater.total_out() as usize;
        let stuck = inflater.total_in() == before_in && inflater.total_out() == before_out;
        if status == flate2::Status::StreamEnd || done == out.len() || stuck {
            return Ok(done);
        }
    }
}

fn lzw(packed: &[u8], out: &mut [u8]) -> Result<usize, String> {
    use weezl::{BitOrder, LzwStatus, decode::Decoder};
    // Before TIFF 6.0 codes were packed from the low bit up and widened one code later; the clear code that starts
    // every strip (256) tells the two apart.
    let old_style = matches!(packed, [0, second, ..] if second & 1 == 1);
    let mut decoder = if old_style {
        Decoder::new(BitOrder::Lsb, 8)
    } else {
        Decoder::with_tiff_size_switch(BitOrder::Msb, 8)
    };
    let (mut read, mut done) = (0, 0);
    loop {
        let step = decoder.decode_bytes(&packed[read..], &mut out[done..]);
        read += step.consumed_in;
        done += step.consumed_out;
        let over = match step.status {
            Ok(LzwStatus::Ok) => step.consumed_in == 0 && step.consumed_out == 0,
            Ok(LzwStatus::Done | LzwStatus::NoProgress) => true,
            Err(_) if done == out.len() => true,
            Err(_) => return Err(format!("has damaged LZW data after {done} bytes")),
        };
        if over || done == out.len() {
            return Ok(done);
        }
    }
}

/// Source: TIFF 6.0 section 9. Returns the bytes written.
fn pack_bits(packed: &[u8], out: &mut [u8]) -> usize {
    let (mut read, mut done) = (0, 0);
    while let (Some(&head), true) = (packed.get(read), done < out.len()) {
        read += 1;
        if head < 128 {
            let n = (usize::from(head) + 1).min(packed.len() - read).min(out.len() - done);
            out[done..done + n].copy_from_slice(&packed[read..read + n]);
            read += n;
            done += n;
        } else if head > 128 {
            let Some(&value) = packed.get(read) else { break };
            let n = (257 - usize::from(head)).min(out.len() - done);
            out[done..done + n].fill(value);
            read += 1;
            done += n;
        }
    }
    done
}

/// Turn the unpacked bytes of a block into samples.
pub(crate) fn samples_of(layout: &Layout, mut bytes: Vec<u8>) -> Block {
    let row = layout.block_row_bytes();
    let stride = layout.samples_in_block();
    match layout.kind {
        SampleKind::U8 => {
            if layout.predictor == Predictor::Horizontal {
                for line in bytes.chunks_exact_mut(row) {
                    undo_differences(line, stride, u8::wrapping_add);
                }
            }
            Block::U8(bytes)
        }
        SampleKind::U16 => {
            let mut samples = vec![0_u16; bytes.len() / 2];
            widen(layout.kind, layout.big_endian, &bytes, &mut samples);
            if layout.predictor == Predictor::Horizontal {
                for line in samples.chunks_exact_mut(row / 2) {
                    undo_differences(line, stride, u16::wrapping_add);
                }
            }
            Block::U16(samples)
        }
        SampleKind::F32 => {
            let mut samples = vec![0_u16; bytes.len() / 4];
            if layout.predictor == Predictor::Float {
                let mut whole = vec![0_u8; row];
                for line in bytes.chunks_exact_mut(row) {
                    undo_float_differences(line, stride, &mut whole);
                    line.copy_from_slice(&whole);
                }
                widen(layout.kind, true, &bytes, &mut samples);
            } else {
                widen(layout.kind, layout.big_endian, &bytes, &mut samples);
            }
            Block::U16(samples)
        }
    }
}

fn undo_differences<T: Copy>(line: &mut [T], stride: usize, add: fn(T, T) -> T) {
    if let 1 = stride {
        let mut last = match line.first() {
            Some(first) => *first,
            None => return,
        };
        for v in line.iter_mut().skip(1) {
            last = add(last, *v);
            *v = last;
        }
        return;
    }
    for i in stride..line.len() {
        line[i] = add(line[i], line[i - stride]);
    }
}

/// Floating predictor: bytes were split by significance, most significant first, then differenced.
///
/// Source: TIFF technical note 3 (floating-point predictor). The result is big-endian.
fn undo_float_differences(line: &mut [u8], stride: usize, whole: &mut [u8]) {
    undo_differences(line, stride, u8::wrapping_add);
    let n = line.len() / 4;
    for (i, value) in whole.chunks_exact_mut(4).enumerate() {
        for (k, byte) in value.iter_mut().enumerate() {
            *byte = line[k * n + i];
        }
    }
}

/// Bytes in file order to 16-bit codes: 8-bit codes times 257, floats 0..1 to 0..65535 with the rest cut off.
pub(crate) fn widen(kind: SampleKind, big_endian: bool, bytes: &[u8], out: &mut [u16]) {
    match (kind, big_endian) {
        (SampleKind::U8, _) => out.iter_mut().zip(bytes).for_each(|(o, b)| *o = u16::from(*b) * 257),
        (SampleKind::U16, true) => {
            out.iter_mut()
                .zip(bytes.chunks_exact(2))
                .for_each(|(o, b)| *o = u16::from_be_bytes([b[0], b[1]]));
        }
        (SampleKind::U16, false) => {
            out.iter_mut()
                .zip(bytes.chunks_exact(2))
                .for_each(|(o, b)| *o = u16::from_le_bytes([b[0], b[1]]));
        }
        (SampleKind::F32, _) => {
            for (o, b) in out.iter_mut().zip(bytes.chunks_exact(4)) {
                let four = [b[0], b[1], b[2], b[3]];
                let v = if big_endian { f32::from_be_bytes(four) } else { f32::from_le_bytes(four) };
                // A cast of a float saturates and turns not-a-number into 0.
                *o = (v * 65535.0 + 0.5) as u16;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packbits_unpacks_the_example_of_the_specification() {
        // Source: TIFF 6.0 section 9.
        let packed =
            [0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA];
        let mut out = [0; 24];
        assert_eq!(decompress(Packing::PackBits, &packed, &mut out), Ok(()));
        assert_eq!(out[..8], [0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA]);
        assert_eq!(out[14..], [0xAA; 10]);
    }

    #[test]
    fn short_data_is_an_error_that_counts_bytes() {
        for packing in [Packing::PackBits, Packing::Deflate, Packing::Lzw, Packing::Plain] {
            let mut out = [0; 24];
            let error = decompress(packing, &[], &mut out).expect_err("nothing there");
            assert!(error.contains("0 bytes"), "{packing:?}: {error}");
        }
    }

    #[test]
    fn random_bytes_never_crash_a_decoder() {
        let mut state = 0x9E37_79B9_7F4A_7C15_u64;
        for round in 0..2000 {
            let data: Vec<u8> = (0..round % 97)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    state as u8
                })
                .collect();
            for packing in [Packing::PackBits, Packing::Deflate, Packing::Lzw] {
                let mut out = vec![0; 256];
                drop(decompress(packing, &data, &mut out));
            }
        }
    }

    #[test]
    fn floats_outside_the_range_are_cut_and_not_a_number_is_black() {
        let values = [0.0_f32, 1.0, -3.0, 9.0, f32::NAN, f32::INFINITY, 0.5];
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        let mut out = [0; 7];
        widen(SampleKind::F32, false, &bytes, &mut out);
        assert_eq!(out, [0, 65535, 0, 65535, 0, 65535, 32768]);
    }
}
