//! From packed bytes of a block to samples: decompression, bit and byte order, predictors.

use super::layout::{Layout, Packing, Predictor, SampleKind};
use crate::numbers::{to_usize, whole_u16};

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

/// Unpack `packed` into exactly `out.len()` bytes and check what follows; the error says how far it came.
///
/// Up to `excess` more unpacked bytes are allowed.
pub(crate) fn decompress(packing: Packing, packed: &[u8], out: &mut [u8], excess: u64) -> Result<(), String> {
    let mut unpacker = Unpacker::new(packing, packed);
    let (taken, done) = unpacker.step(packed, out)?;
    if done < out.len() {
        return Err(short(done as u64, out.len() as u64));
    }
    match unpacker.step_to_end(&packed[taken..], excess)? {
        (_, true) => Ok(()),
        (_, false) => Err(NO_END.into()),
    }
}

/// Message about Deflate data without the checksum at their end.
pub(crate) const NO_END: &str = "has damaged Deflate data: the end with the checksum is missing";

/// Message about a block that ends too early.
pub(crate) fn short(done: u64, needed: u64) -> String {
    format!("unpacks to {done} bytes where {needed} are needed")
}

/// Unpacks one block piece by piece, so that neither its packed nor its unpacked bytes need be held whole.
#[derive(Debug)]
pub(crate) struct Unpacker {
    method: Method,
    /// Bytes unpacked so far.
    done: u64,
}

enum Method {
    Plain,
    Deflate(Box<flate2::Decompress>),
    Lzw(Box<weezl::decode::Decoder>),
    PackBits(PackBits),
}

impl std::fmt::Debug for Method {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Plain => "Plain",
            Self::Deflate(_) => "Deflate",
            Self::Lzw(_) => "Lzw",
            Self::PackBits(_) => "PackBits",
        })
    }
}

impl Unpacker {
    /// For a block that begins with the bytes `head` (two are enough).
    pub(crate) fn new(packing: Packing, head: &[u8]) -> Self {
        use weezl::{BitOrder, decode::Decoder};
        // Before TIFF 6.0 codes were packed from the low bit up and widened one code later; the clear code (256) that
        // starts every strip tells the two variants apart.
        let is_old_lzw = matches!(head, [0, second, ..] if second & 1 == 1);
        let method = match packing {
            Packing::Plain => Method::Plain,
            Packing::Deflate => Method::Deflate(Box::new(flate2::Decompress::new(true))),
            Packing::Lzw if is_old_lzw => Method::Lzw(Box::new(Decoder::new(BitOrder::Lsb, 8))),
            Packing::Lzw => Method::Lzw(Box::new(Decoder::with_tiff_size_switch(BitOrder::Msb, 8))),
            Packing::PackBits => Method::PackBits(PackBits::default()),
        };
        Self { method, done: 0 }
    }

    /// Unpack until `packed` is used up, `out` is full or the data end; returns the bytes consumed and produced.
    pub(crate) fn step(&mut self, packed: &[u8], out: &mut [u8]) -> Result<(usize, usize), String> {
        let before = self.done;
        let (taken, given) = match &mut self.method {
            Method::Plain => {
                let n = packed.len().min(out.len());
                out[..n].copy_from_slice(&packed[..n]);
                (n, n)
            }
            Method::Deflate(inflater) => inflate(inflater, packed, out, before)?,
            Method::Lzw(decoder) => lzw(decoder, packed, out, before)?,
            Method::PackBits(state) => state.step(packed, out),
        };
        self.done += given as u64;
        Ok((taken, given))
    }

    /// After the last byte of the block: consume `packed` to the end of the data, where Deflate has a checksum of all
    /// that was unpacked. Returns the bytes consumed and whether the end was reached.
    pub(crate) fn step_to_end(&mut self, packed: &[u8], excess: u64) -> Result<(usize, bool), String> {
        match &mut self.method {
            Method::Deflate(inflater) => inflate_end(inflater, packed, self.done.saturating_add(excess)),
            Method::Plain | Method::Lzw(_) | Method::PackBits(_) => Ok((0, true)),
        }
    }
}

/// Unpack what follows a full block, to reach the checksum at the end of the data. Some writers fill up their last
/// strip, so a few more rows are no fault.
fn inflate_end(
    inflater: &mut flate2::Decompress,
    packed: &[u8],
    most_out: u64,
) -> Result<(usize, bool), String> {
    let mut scratch = [0; 4096];
    let start = inflater.total_in();
    loop {
        let taken = to_usize(inflater.total_in() - start);
        let (in_before, out_before) = (inflater.total_in(), inflater.total_out());
        let status = inflater
            .decompress(&packed[taken..], &mut scratch, flate2::FlushDecompress::None)
            .ok()
            .ok_or_else(|| "has damaged Deflate data: their checksum is wrong".to_owned())?;
        let taken = to_usize(inflater.total_in() - start);
        if status == flate2::Status::StreamEnd {
            return Ok((taken, true));
        }
        if inflater.total_out() > most_out {
            return Err("has damaged Deflate data, which go on after the block".into());
        }
        if inflater.total_in() == in_before && inflater.total_out() == out_before {
            return Ok((taken, false));
        }
    }
}

fn inflate(
    inflater: &mut flate2::Decompress,
    packed: &[u8],
    out: &mut [u8],
    before: u64,
) -> Result<(usize, usize), String> {
    let (mut taken, mut given) = (0, 0);
    loop {
        let (in_before, out_before) = (inflater.total_in(), inflater.total_out());
        let status = inflater
            .decompress(&packed[taken..], &mut out[given..], flate2::FlushDecompress::None)
            .ok()
            .ok_or_else(|| format!("has damaged Deflate data after {} bytes", before + given as u64))?;
        taken += to_usize(inflater.total_in() - in_before);
        given += to_usize(inflater.total_out() - out_before);
        let stuck = inflater.total_in() == in_before && inflater.total_out() == out_before;
        if status == flate2::Status::StreamEnd || given == out.len() || stuck {
            return Ok((taken, given));
        }
    }
}

fn lzw(
    decoder: &mut weezl::decode::Decoder,
    packed: &[u8],
    out: &mut [u8],
    before: u64,
) -> Result<(usize, usize), String> {
    use weezl::LzwStatus;
    let (mut taken, mut given) = (0, 0);
    loop {
        let step = decoder.decode_bytes(&packed[taken..], &mut out[given..]);
        taken += step.consumed_in;
        given += step.consumed_out;
        let over = match step.status {
            Ok(LzwStatus::Ok) => step.consumed_in == 0 && step.consumed_out == 0,
            Ok(LzwStatus::Done | LzwStatus::NoProgress) => true,
            Err(_) if given == out.len() => true,
            Err(_) => return Err(format!("has damaged LZW data after {} bytes", before + given as u64)),
        };
        if over || given == out.len() {
            return Ok((taken, given));
        }
    }
}

/// State of a run-length stream between two pieces. Source: TIFF 6.0 section 9.
#[derive(Debug, Default)]
struct PackBits {
    /// Bytes to copy unchanged.
    literal: usize,
    /// Repetitions left, and the byte to repeat; `None` until it has been read.
    run: (usize, Option<u8>),
}

impl PackBits {
    fn step(&mut self, packed: &[u8], out: &mut [u8]) -> (usize, usize) {
        let (mut read, mut done) = (0, 0);
        while done < out.len() {
            if self.literal > 0 {
                let n = self.literal.min(packed.len() - read).min(out.len() - done);
                if n == 0 {
                    break;
                }
                out[done..done + n].copy_from_slice(&packed[read..read + n]);
                (read, done, self.literal) = (read + n, done + n, self.literal - n);
            } else if let (left @ 1.., Some(value)) = self.run {
                let n = left.min(out.len() - done);
                out[done..done + n].fill(value);
                (done, self.run.0) = (done + n, left - n);
            } else {
                let Some(&byte) = packed.get(read) else { break };
                read += 1;
                match (self.run, byte) {
                    ((1.., None), value) => self.run.1 = Some(value),
                    (_, 0..=127) => self.literal = usize::from(byte) + 1,
                    (_, 128) => {}
                    (_, 129..) => self.run = (257 - usize::from(byte), None),
                }
            }
        }
        (read, done)
    }
}

/// Turn the unpacked bytes of a block into samples.
pub(crate) fn samples_of(layout: &Layout, mut bytes: Vec<u8>) -> Block {
    let row = layout.block_row_bytes();
    if layout.kind == SampleKind::U8 {
        if layout.predictor == Predictor::Horizontal {
            for line in bytes.chunks_exact_mut(row) {
                undo_differences(line, layout.samples_in_block(), u8::wrapping_add);
            }
        }
        return Block::U8(bytes);
    }
    let per_row = row / layout.kind.bytes();
    let mut samples = vec![0_u16; bytes.len() / layout.kind.bytes()];
    let mut spare = Vec::new();
    for (line, codes) in bytes.chunks_exact_mut(row).zip(samples.chunks_exact_mut(per_row)) {
        codes_of_row(layout, line, codes, &mut spare);
    }
    Block::U16(samples)
}

/// One unpacked row of a block as 16-bit codes; `line` is overwritten, `spare` is memory for the next call.
pub(crate) fn codes_of_row(layout: &Layout, line: &mut [u8], codes: &mut [u16], spare: &mut Vec<u8>) {
    let stride = layout.samples_in_block();
    match (layout.predictor, layout.kind) {
        (Predictor::Horizontal, SampleKind::U8) => {
            undo_differences(line, stride, u8::wrapping_add);
            widen(layout.kind, layout.big_endian, line, codes);
        }
        (Predictor::Horizontal, _) => {
            widen(layout.kind, layout.big_endian, line, codes);
            undo_differences(codes, stride, u16::wrapping_add);
        }
        (Predictor::Float, _) => {
            spare.resize(line.len(), 0);
            undo_float_differences(line, stride, spare);
            widen(layout.kind, true, spare, codes);
        }
        (Predictor::None, _) => widen(layout.kind, layout.big_endian, line, codes),
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

/// Bytes in file order to 16-bit codes: 8-bit codes times 257, floats 0..1 to 0..65535, clipped.
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
                *o = whole_u16(f64::from(v * 65535.0 + 0.5));
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
        assert_eq!(decompress(Packing::PackBits, &packed, &mut out, 0), Ok(()));
        assert_eq!(out[..8], [0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA]);
        assert_eq!(out[14..], [0xAA; 10]);
    }

    #[test]
    fn short_data_is_an_error_that_counts_bytes() {
        for packing in [Packing::PackBits, Packing::Deflate, Packing::Lzw, Packing::Plain] {
            let mut out = [0; 24];
            let error = decompress(packing, &[], &mut out, 0).expect_err("nothing there");
            assert!(error.contains("0 bytes"), "{packing:?}: {error}");
        }
    }

    #[test]
    fn a_block_unpacks_alike_in_pieces_of_any_size() {
        let plain: Vec<u8> = (0..5000_u32).map(|i| (i / 90 * 7 + u32::from(i % 13 == 0) * i) as u8).collect();
        let mut deflate = Vec::new();
        let mut packer = flate2::Compress::new(flate2::Compression::default(), true);
        deflate.reserve(2 * plain.len());
        packer.compress_vec(&plain, &mut deflate, flate2::FlushCompress::Finish).expect("room");
        let lzw = weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8)
            .encode(&plain)
            .expect("in memory");
        let runs: Vec<u8> =
            plain.chunks(100).flat_map(|part| [&[part.len() as u8 - 1], part].concat()).collect();
        let all = [
            (Packing::Plain, plain.clone()),
            (Packing::Deflate, deflate),
            (Packing::Lzw, lzw),
            (Packing::PackBits, runs),
        ];
        for (packing, packed) in all {
            for (in_piece, out_piece) in [(1, 1), (1, 999), (7, 64), (4096, 11), (9999, 9999)] {
                let mut unpacker = Unpacker::new(packing, &packed);
                let (mut out, mut at, mut done) = (vec![0; plain.len()], 0, 0);
                while done < out.len() {
                    let (from, to) = ((at + in_piece).min(packed.len()), (done + out_piece).min(out.len()));
                    let (taken, given) = unpacker.step(&packed[at..from], &mut out[done..to]).expect("sound");
                    assert!(taken + given > 0, "{packing:?} {in_piece} {out_piece} stuck at {done}");
                    (at, done) = (at + taken, done + given);
                }
                assert_eq!(out, plain, "{packing:?} {in_piece} {out_piece}");
            }
        }
    }

    #[test]
    fn random_bytes_never_crash_a_decoder() {
        let mut random = glassine_testdata::random::Xorshift::new(0x9E37_79B9_7F4A_7C15);
        for round in 0..2000 {
            let data: Vec<u8> = (0..round % 97).map(|_| random.next_u64() as u8).collect();
            for packing in [Packing::PackBits, Packing::Deflate, Packing::Lzw] {
                let mut out = vec![0; 256];
                drop(decompress(packing, &data, &mut out, 0));
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
