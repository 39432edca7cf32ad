//! Checks whether the packed data of a JPEG hold every block of the picture.
//!
//! Decoders silently fill what is missing with grey. This check walks the Huffman codes of every scan without making
//! pixels: each block must be there, each code valid, and nothing may be left over. A JPEG carries no checksum, so
//! changed data that still make the right number of valid codes pass.
//!
//! Source: ITU-T T.81, sections B.1 to B.2 (segments), C (code tables), F.2.2 (sequential), G.1.2 (progressive).

use super::segments::be;
use crate::numbers::{to_u8, to_u32, to_usize};

/// No picture has more scans than this; a full progressive one has about ten.
const MAX_SCANS: usize = 256;
/// Bytes that some encoders add after the last block to pad the data.
const PADDING_BYTES: usize = 2;

/// Why a block could not be read.
enum Fault {
    /// The data ended first.
    Short,
    /// A code that is in no table, or one that leads out of the block.
    Invalid,
}

type Walked<T> = Result<T, Fault>;

/// `Ok(None)` for sound data and for kinds that are not checked here, `Ok(Some(words))` for data that continue after
/// the last block, `Err(words)` for missing or invalid blocks.
pub(super) fn check_jpeg(bytes: &[u8]) -> Result<Option<String>, String> {
    let mut state = State { bytes, dc: Default::default(), ac: Default::default(), frame: None, interval: 0 };
    let (mut at, mut scans, mut left_over) = (2, 0, 0);
    while let Some([0xFF, marker]) = bytes.get(at..at + 2).map(|b| [b[0], b[1]]) {
        match marker {
            0xFF => at += 1,
            0xD0..=0xD7 | 0x01 => at += 2,
            0xD9 => break,
            _ => {
                let Some(len) = be(bytes, at + 2, 2).map(|len| to_usize(len).max(2)) else { break };
                let body = bytes.get(at + 4..at + 2 + len).unwrap_or_default();
                at += 2 + len;
                match marker {
                    0xC4 => state.take_tables(body).ok_or("a code table of the JPEG is damaged")?,
                    0xDD => state.interval = be(body, 0, 2).unwrap_or(0),
                    0xC0..=0xC2 => match Frame::of(marker == 0xC2, body, bytes.len()) {
                        Ok(frame) => state.frame = frame,
                        Err(blocks) => return Err(format!("the JPEG has no room for its {blocks} blocks")),
                    },
                    // Other ways of packing are left to the decoder.
                    0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF => return Ok(None),
                    0xDA => {
                        scans += 1;
                        if scans > MAX_SCANS {
                            return Err(format!("the JPEG has more than {MAX_SCANS} scans"));
                        }
                        let Some((end, rest)) = state.walk_scan(body, at)? else { return Ok(None) };
                        (at, left_over) = (end, left_over + rest);
                    }
                    _ => {}
                }
            }
        }
    }
    let mut lacks_detail = false;
    for component in state.frame.iter().flat_map(|frame| &frame.components) {
        if component.steps.first() == Some(&UNSEEN) {
            return Err("a colour of the JPEG is missing".into());
        }
        lacks_detail |= component.steps.iter().any(|step| *step != 0);
    }
    if left_over > PADDING_BYTES {
        return Ok(Some(format!("the JPEG is damaged: {left_over} bytes of its data belong to no block")));
    }
    Ok(lacks_detail.then(|| "the JPEG is damaged: its last scans with the fine detail are missing".into()))
}

/// One table of codes.
#[derive(Debug, Clone)]
struct Codes {
    /// For the next nine bits: length of the code and its symbol; length 0 if the code is longer.
    short: Box<[(u8, u8); 512]>,
    /// For each length: one more than the largest code, left-aligned to 16 bits, and the offset of its symbols.
    long: [(u32, i32); 17],
    symbols: Vec<u8>,
}

impl Codes {
    fn new(counts: &[u8; 16], symbols: &[u8]) -> Option<Self> {
        let mut codes =
            Self { short: Box::new([(0, 0); 512]), long: [(0, 0); 17], symbols: symbols.to_vec() };
        let (mut code, mut first) = (0_u32, 0_usize);
        for (length, count) in (1_u32..).zip(counts.iter().map(|c| usize::from(*c))) {
            let end = code + to_u32(count);
            if end > 1 << length {
                return None;
            }
            codes.long[length as usize] =
                (end << (16 - length), to_u32(first).cast_signed() - code.cast_signed());
            if length <= 9 {
                for (value, symbol) in (code..end).zip(symbols.get(first..first + count)?) {
                    let from = (value << (9 - length)) as usize;
                    codes.short[from..from + (1 << (9 - length))].fill((to_u8(length), *symbol));
                }
            }
            (code, first) = (end << 1, first + count);
        }
        Some(codes)
    }

    fn next(&self, bits: &mut Bits<'_>) -> Walked<u8> {
        let ahead = bits.ahead();
        let (length, symbol) = self.short[(ahead >> 7) as usize];
        if length > 0 {
            bits.skip(u32::from(length))?;
            return Ok(symbol);
        }
        for length in 10..=16_u32 {
            let (end, offset) = self.long[length as usize];
            if ahead < end {
                bits.skip(length)?;
                let at = usize::try_from((ahead >> (16 - length)).cast_signed() + offset);
                return at.ok().and_then(|at| self.symbols.get(at)).copied().ok_or(Fault::Invalid);
            }
        }
        Err(if bits.count < 16 { Fault::Short } else { Fault::Invalid })
    }
}

/// Bits of entropy-coded data up to the next marker.
struct Bits<'b> {
    bytes: &'b [u8],
    at: usize,
    /// The next bits, left-aligned.
    buffer: u64,
    count: u32,
}

impl<'b> Bits<'b> {
    fn new(bytes: &'b [u8], at: usize) -> Self {
        Self { bytes, at, buffer: 0, count: 0 }
    }

    fn fill(&mut self) {
        while self.count <= 56 {
            let Some(&byte) = self.bytes.get(self.at) else { return };
            if byte == 0xFF {
                if self.bytes.get(self.at + 1) != Some(&0) {
                    return;
                }
                self.at += 1;
            }
            self.at += 1;
            self.buffer |= u64::from(byte) << (56 - self.count);
            self.count += 8;
        }
    }

    /// The next 16 bits, zeros after the end of the data.
    fn ahead(&mut self) -> u32 {
        if self.count < 16 {
            self.fill();
        }
        (self.buffer >> 48) as u32
    }

    fn skip(&mut self, n: u32) -> Walked<()> {
        if self.count < n {
            self.fill();
        }
        if self.count < n {
            return Err(Fault::Short);
        }
        self.buffer <<= n;
        self.count -= n;
        Ok(())
    }

    fn take(&mut self, n: u32) -> Walked<u32> {
        let value = if n == 0 { 0 } else { self.ahead() >> (16 - n) };
        self.skip(n)?;
        Ok(value)
    }

    /// Skip to the next marker; returns its position and the number of whole bytes skipped.
    fn skip_to_marker(&mut self) -> (usize, usize) {
        let mut rest = (self.count / 8) as usize;
        (self.buffer, self.count) = (0, 0);
        loop {
            match (self.bytes.get(self.at), self.bytes.get(self.at + 1)) {
                (Some(0xFF), Some(0)) => (self.at, rest) = (self.at + 2, rest + 1),
                // Any number of these bytes may precede a marker.
                (Some(0xFF), Some(0xFF)) => self.at += 1,
                (Some(0xFF), _) | (None, _) => return (self.at, rest),
                (Some(_), _) => (self.at, rest) = (self.at + 1, rest + 1),
            }
        }
    }
}

/// One colour of the picture.
#[derive(Debug)]
struct Component {
    id: u8,
    /// Blocks of an interleaved unit.
    across: usize,
    down: usize,
    /// Blocks of the component alone, and blocks of a row including those that fill up units.
    blocks: (usize, usize),
    row: usize,
    /// For each block of a progressive picture, the coefficients that are not zero.
    nonzero: Vec<u64>,
    /// For each coefficient, the bits that are still to come, or [`UNSEEN`].
    steps: [u8; 64],
}

/// A coefficient that no scan has delivered yet.
const UNSEEN: u8 = u8::MAX;

#[derive(Debug)]
struct Frame {
    is_progressive: bool,
    /// Interleaved units.
    units: (usize, usize),
    components: Vec<Component>,
}

impl Frame {
    /// `Ok(None)` for kinds that are not checked; `Err` with the number of blocks if `file_bytes` cannot hold them.
    fn of(is_progressive: bool, body: &[u8], file_bytes: usize) -> Result<Option<Self>, usize> {
        let number = |at, n| be(body, at, n).map(to_usize);
        let (Some(8), Some(height), Some(width), Some(count)) =
            (number(0, 1), number(1, 2), number(3, 2), number(5, 1))
        else {
            return Ok(None);
        };
        let sampling = |i: usize| number(7 + 3 * i, 1).map(|v| (v >> 4, v & 15));
        let all: Option<Vec<(usize, usize)>> = (0..count).map(sampling).collect();
        let Some(all) = all else { return Ok(None) };
        let sane = all.iter().all(|(h, v)| (1..=4).contains(h) && (1..=4).contains(v));
        if !sane || width == 0 || height == 0 || !(1..=4).contains(&count) {
            return Ok(None);
        }
        let most = |side: fn(&(usize, usize)) -> usize| all.iter().map(side).max().unwrap_or(1);
        let (h_most, v_most) = (most(|s| s.0), most(|s| s.1));
        let units = (width.div_ceil(8 * h_most), height.div_ceil(8 * v_most));
        let blocks: usize = all.iter().map(|(h, v)| units.0 * h * units.1 * v).sum();
        // Every block takes at least one bit; checked before memory is allocated on a false promise.
        if blocks / 8 > file_bytes {
            return Err(blocks);
        }
        let components = all.iter().enumerate().map(|(i, &(h, v))| Component {
            id: to_u8(number(6 + 3 * i, 1).unwrap_or(0)),
            across: h,
            down: v,
            blocks: ((width * h).div_ceil(h_most).div_ceil(8), (height * v).div_ceil(v_most).div_ceil(8)),
            row: units.0 * h,
            nonzero: vec![0; if is_progressive { units.0 * h * units.1 * v } else { 0 }],
            steps: [UNSEEN; 64],
        });
        Ok(Some(Self { is_progressive, units, components: components.collect() }))
    }
}

struct State<'b> {
    bytes: &'b [u8],
    dc: [Option<Codes>; 4],
    ac: [Option<Codes>; 4],
    frame: Option<Frame>,
    /// Units between restart markers; 0 for none.
    interval: u64,
}

/// How one scan packs its blocks.
#[derive(Clone, Copy)]
struct Band {
    is_progressive: bool,
    first: u32,
    last: u32,
    is_refinement: bool,
}

impl State<'_> {
    fn take_tables(&mut self, mut body: &[u8]) -> Option<()> {
        while let [place, rest @ ..] = body {
            let (counts, rest) = rest.split_first_chunk::<16>()?;
            let n = counts.iter().map(|c| usize::from(*c)).sum();
            let (symbols, rest) = rest.split_at_checked(n)?;
            let tables = if place >> 4 == 0 { &mut self.dc } else { &mut self.ac };
            *tables.get_mut(usize::from(place & 15))? = Some(Codes::new(counts, symbols)?);
            body = rest;
        }
        Some(())
    }

    /// Walk the scan whose header is `body` and whose data begin at `at`; returns where it ends and how many bytes
    /// belong to no block. `None` if its kind is not checked.
    fn walk_scan(&mut self, body: &[u8], at: usize) -> Result<Option<(usize, usize)>, String> {
        let Some(frame) = &mut self.frame else { return Ok(None) };
        let count = body.first().map_or(0, |n| usize::from(*n));
        let Some([first, last, steps]) = body.get(1 + 2 * count..4 + 2 * count).map(|b| [b[0], b[1], b[2]])
        else {
            return Err("a scan header of the JPEG is damaged".into());
        };
        let is_progressive = frame.is_progressive;
        let band = Band {
            is_progressive,
            first: u32::from(first),
            last: u32::from(last),
            is_refinement: steps >> 4 != 0,
        };
        if is_progressive && (last > 63 || first > last || (first == 0 && last != 0)) {
            return Err("a scan header of the JPEG is damaged".into());
        }
        let mut parts = Vec::new();
        for pair in body.get(1..1 + 2 * count).unwrap_or_default().chunks_exact(2) {
            let Some(index) = frame.components.iter().position(|c| c.id == pair[0]) else {
                return Err("a scan of the JPEG is of a colour that it does not have".into());
            };
            let table = |tables: &[Option<Codes>; 4], at: u8| tables.get(usize::from(at)).cloned().flatten();
            // A sequential scan delivers all coefficients whole, whatever its header says.
            let (brought, left) = if is_progressive { (first..=last, steps & 15) } else { (0..=63, 0) };
            if let Some(component) = frame.components.get_mut(index) {
                let brought = usize::from(*brought.start())..=usize::from(*brought.end());
                component.steps[brought].fill(left);
            }
            parts.push(Part { index, dc: table(&self.dc, pair[1] >> 4), ac: table(&self.ac, pair[1] & 15) });
        }
        let mut bits = Bits::new(self.bytes, at);
        walk_units(frame, &parts, band, self.interval, &mut bits)
    }
}

/// A component in a scan.
struct Part {
    index: usize,
    dc: Option<Codes>,
    ac: Option<Codes>,
}

fn walk_units(
    frame: &mut Frame,
    parts: &[Part],
    band: Band,
    interval: u64,
    bits: &mut Bits<'_>,
) -> Result<Option<(usize, usize)>, String> {
    let single = match parts {
        [] => return Ok(None),
        [part] => Some(part.index),
        _ => None,
    };
    let (across, down) = match single.and_then(|index| frame.components.get(index)) {
        Some(component) => component.blocks,
        None => frame.units,
    };
    let all = across * down;
    let (mut run, mut left_over) = (0, 0);
    for unit in 0..all {
        if interval > 0 && unit > 0 && (unit as u64).is_multiple_of(interval) {
            let (at, rest) = bits.skip_to_marker();
            let wanted = 0xD0 + ((unit as u64 / interval - 1) % 8) as u8;
            if bits.bytes.get(at + 1) != Some(&wanted) || rest > PADDING_BYTES {
                return Err(format!("the JPEG's picture data are damaged after block {unit} of {all}"));
            }
            (bits.at, run, left_over) = (at + 2, 0, left_over + rest);
        }
        let (ux, uy) = (unit % across, unit / across);
        for part in parts {
            let component = &mut frame.components[part.index];
            let (w, h) = if single.is_some() { (1, 1) } else { (component.across, component.down) };
            for inner in 0..w * h {
                let block = (uy * h + inner / w) * component.row + ux * w + inner % w;
                let nonzero = component.nonzero.get_mut(block);
                walk_block(part, band, nonzero, &mut run, bits).map_err(|fault| match fault {
                    Fault::Short => format!("the JPEG ends after block {unit} of {all}; the rest is missing"),
                    Fault::Invalid => format!("the JPEG's picture data are damaged at block {unit} of {all}"),
                })?;
            }
        }
    }
    let (end, rest) = bits.skip_to_marker();
    Ok(Some((end, left_over + rest)))
}

fn walk_block(
    part: &Part,
    band: Band,
    nonzero: Option<&mut u64>,
    run: &mut u32,
    bits: &mut Bits<'_>,
) -> Walked<()> {
    if band.first == 0 {
        if band.is_progressive && band.is_refinement {
            return bits.skip(1);
        }
        let size = part.dc.as_ref().ok_or(Fault::Invalid)?.next(bits)?;
        if size > 15 {
            return Err(Fault::Invalid);
        }
        bits.skip(u32::from(size))?;
        if band.is_progressive {
            return Ok(());
        }
    }
    let codes = part.ac.as_ref().ok_or(Fault::Invalid)?;
    match nonzero {
        _ if !band.is_progressive => walk_first(codes, (1, 63), &mut 0, None, bits),
        Some(nonzero) if band.is_refinement => refine(codes, band, nonzero, run, bits),
        nonzero => walk_first(codes, (band.first, band.last), run, nonzero, bits),
    }
}

/// Walk coefficients that appear for the first time. Source: T.81 F.2.2.2 and G.1.2.2.
fn walk_first(
    codes: &Codes,
    (first, last): (u32, u32),
    run: &mut u32,
    mut nonzero: Option<&mut u64>,
    bits: &mut Bits<'_>,
) -> Walked<()> {
    if *run > 0 {
        *run -= 1;
        return Ok(());
    }
    let mut k = first;
    while k <= last {
        let symbol = u32::from(codes.next(bits)?);
        let (zeros, size) = (symbol >> 4, symbol & 15);
        match (zeros, size) {
            (15, 0) => k += 16,
            (_, 0) => {
                // Only progressive pictures have runs of ended blocks.
                if zeros > 0 && nonzero.is_none() {
                    return Err(Fault::Invalid);
                }
                *run = (1 << zeros) - 1 + bits.take(zeros)?;
                return Ok(());
            }
            _ => {
                k += zeros;
                if k > last {
                    return Err(Fault::Invalid);
                }
                if let Some(nonzero) = nonzero.as_deref_mut() {
                    *nonzero |= 1 << k;
                }
                bits.skip(size)?;
                k += 1;
            }
        }
    }
    if k > last + 1 { Err(Fault::Invalid) } else { Ok(()) }
}

/// Walk one more bit of coefficients that appeared before, and new ones. Source: T.81 G.1.2.3.
fn refine(codes: &Codes, band: Band, nonzero: &mut u64, run: &mut u32, bits: &mut Bits<'_>) -> Walked<()> {
    let mut k = band.first;
    while *run == 0 && k <= band.last {
        let symbol = u32::from(codes.next(bits)?);
        let (mut zeros, size) = (symbol >> 4, symbol & 15);
        match (zeros, size) {
            (0..15, 0) => {
                *run = (1 << zeros) + bits.take(zeros)?;
                break;
            }
            (_, 0) => {}
            (_, 1) => bits.skip(1)?,
            _ => return Err(Fault::Invalid),
        }
        while k <= band.last {
            if *nonzero >> k & 1 == 1 {
                bits.skip(1)?;
            } else if zeros == 0 {
                break;
            } else {
                zeros -= 1;
            }
            k += 1;
        }
        if size == 1 {
            if k > band.last {
                return Err(Fault::Invalid);
            }
            *nonzero |= 1 << k;
        }
        k += 1;
    }
    if *run > 0 {
        *run -= 1;
        let rest = (k..=band.last).filter(|k| *nonzero >> k & 1 == 1).count();
        for _ in 0..rest {
            bits.skip(1)?;
        }
    }
    Ok(())
}
