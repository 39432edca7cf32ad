//! A TIFF directory to write: entries sorted by tag, values that do not fit placed right after it.
//!
//! Source: TIFF 6.0 section 2; BigTIFF with 20-byte entries and 64-bit offsets. Little-endian always.

use std::collections::BTreeMap;

#[derive(Debug)]
struct Value {
    kind: u16,
    count: u64,
    bytes: Vec<u8>,
}

/// Directory under construction; a tag set twice keeps the later value.
#[derive(Debug)]
pub(crate) struct IfdBuilder {
    big: bool,
    entries: BTreeMap<u16, Value>,
}

impl IfdBuilder {
    pub(crate) fn new(big: bool) -> Self {
        Self { big, entries: BTreeMap::new() }
    }

    fn set(&mut self, tag: u16, kind: u16, count: usize, bytes: Vec<u8>) {
        self.entries.insert(tag, Value { kind, count: count as u64, bytes });
    }

    pub(crate) fn short(&mut self, tag: u16, values: &[u16]) {
        self.set(tag, 3, values.len(), values.iter().flat_map(|v| v.to_le_bytes()).collect());
    }

    pub(crate) fn long(&mut self, tag: u16, value: u32) {
        self.set(tag, 4, 1, value.to_le_bytes().to_vec());
    }

    /// Positions or lengths: LONG in a classic file, LONG8 in a big one.
    pub(crate) fn offsets(&mut self, tag: u16, values: &[u64]) {
        if self.big {
            self.set(tag, 16, values.len(), values.iter().flat_map(|v| v.to_le_bytes()).collect());
        } else {
            let bytes = values.iter().flat_map(|v| (*v as u32).to_le_bytes()).collect();
            self.set(tag, 4, values.len(), bytes);
        }
    }

    pub(crate) fn offset(&mut self, tag: u16, value: u64) {
        self.offsets(tag, &[value]);
    }

    /// Whole numbers stay whole, others are rounded to a thousandth.
    pub(crate) fn rational(&mut self, tag: u16, value: f64) {
        let (n, d) =
            if value.fract() == 0.0 { (value as u32, 1) } else { ((value * 1000.0).round() as u32, 1000) };
        self.set(tag, 5, 1, [n.to_le_bytes(), u32::to_le_bytes(d)].concat());
    }

    /// Text with the zero byte at its end; zero bytes inside are dropped.
    pub(crate) fn ascii(&mut self, tag: u16, text: &str) {
        let mut bytes: Vec<u8> = text.bytes().filter(|b| *b != 0).collect();
        bytes.push(0);
        self.set(tag, 2, bytes.len(), bytes);
    }

    pub(crate) fn byte(&mut self, tag: u16, bytes: &[u8]) {
        self.set(tag, 1, bytes.len(), bytes.to_vec());
    }

    pub(crate) fn undefined(&mut self, tag: u16, bytes: &[u8]) {
        self.set(tag, 7, bytes.len(), bytes.to_vec());
    }

    fn sizes(&self) -> (usize, usize, usize) {
        // Sizes of the count field, an entry, and the room inside an entry (which is also the size of an offset).
        if self.big { (8, 20, 8) } else { (2, 12, 4) }
    }

    /// Length of the directory with its outside values, bytes.
    pub(crate) fn len(&self) -> u64 {
        let (count, entry, room) = self.sizes();
        let fixed = count + entry * self.entries.len() + room;
        let outside = |v: &Value| if v.bytes.len() > room { v.bytes.len().next_multiple_of(2) } else { 0 };
        (fixed.next_multiple_of(2) + self.entries.values().map(outside).sum::<usize>()) as u64
    }

    /// The directory for position `at` of the file, with no next page.
    pub(crate) fn bytes(&self, at: u64) -> Vec<u8> {
        let (count_size, entry_size, room) = self.sizes();
        let fixed = (count_size + entry_size * self.entries.len() + room).next_multiple_of(2);
        let number = |v: u64, n: usize| v.to_le_bytes()[..n].to_vec();
        let mut head = number(self.entries.len() as u64, count_size);
        let mut outside: Vec<u8> = Vec::new();
        for (tag, value) in &self.entries {
            head.extend(tag.to_le_bytes());
            head.extend(value.kind.to_le_bytes());
            head.extend(number(value.count, room));
            if value.bytes.len() <= room {
                let mut inline = value.bytes.clone();
                inline.resize(room, 0);
                head.extend(inline);
            } else {
                head.extend(number(at + (fixed + outside.len()) as u64, room));
                outside.extend(&value.bytes);
                outside.resize(outside.len().next_multiple_of(2), 0);
            }
        }
        head.resize(fixed, 0);
        head.extend(outside);
        head
    }
}
