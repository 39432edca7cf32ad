//! Directories of a TIFF file: header, page chain, tags and their values, with limits on everything a file can claim.
//!
//! Source: TIFF 6.0 section 2 (classic), and the `BigTIFF` layout (magic 43, 20-byte entries, 64-bit offsets).

use std::sync::Arc;

use super::bytes::Positioned;
use crate::Error;
use crate::numbers::{to_f64, to_u16, to_u32, to_usize};

/// Most pages read from one file; later ones are ignored.
const MAX_PAGES: usize = 64;
/// Most entries of one directory.
const MAX_ENTRIES: u64 = 4096;
/// Most values of one tag: enough for 16 million strips or tiles.
const MAX_VALUES: u64 = 1 << 24;

/// One directory entry; its value stays in the file until it is requested.
#[derive(Debug, Clone, Copy)]
struct Entry {
    tag: u16,
    kind: u16,
    count: u64,
    inline: [u8; 8],
}

/// The directory of one page, or of a picture inside one.
#[derive(Debug)]
pub(crate) struct Ifd {
    entries: Vec<Entry>,
    /// Number of the page, counted from 1, that contains this picture (tag 330); `None` for pages themselves.
    pub(crate) inside: Option<usize>,
}

/// An open TIFF file with its page directories.
#[derive(Debug)]
pub(crate) struct TiffFile {
    pub(crate) file: Arc<Positioned>,
    pub(crate) big: bool,
    pub(crate) big_endian: bool,
    /// The pages in their order, then the pictures inside pages.
    pub(crate) pages: Vec<Ifd>,
    pub(crate) notes: Vec<String>,
}

impl TiffFile {
    /// Read the header and the page chain. Only the first page must be sound; a broken later one ends the chain with a
    /// note.
    pub(crate) fn open(file: Arc<Positioned>) -> Result<Self, Error> {
        let head = file.bytes(0, 8, "the TIFF header")?;
        let big_endian = match &head[..2] {
            b"II" => false,
            b"MM" => true,
            _ => return Err(Error::malformed(file.path(), "no TIFF byte-order mark")),
        };
        let mut tiff = Self { file, big: false, big_endian, pages: Vec::new(), notes: Vec::new() };
        let first = match tiff.u16_of(&head[2..4]) {
            42 => u64::from(tiff.u32_of(&head[4..8])),
            43 => {
                tiff.big = true;
                let rest = tiff.file.bytes(8, 8, "the BigTIFF header")?;
                if tiff.u16_of(&head[4..6]) != 8 || tiff.u16_of(&head[6..8]) != 0 {
                    return Err(Error::malformed(tiff.file.path(), "a BigTIFF header with odd offset sizes"));
                }
                tiff.u64_of(&rest)
            }
            other => {
                return Err(Error::malformed(
                    tiff.file.path(),
                    format!("TIFF version {other} (42 or 43 expected)"),
                ));
            }
        };
        let seen = tiff.follow_chain(first)?;
        tiff.look_inside_pages(seen);
        Ok(tiff)
    }

    fn follow_chain(&mut self, first: u64) -> Result<Vec<u64>, Error> {
        let mut seen = Vec::new();
        let mut at = first;
        while at != 0 {
            if seen.contains(&at) {
                self.notes.push("the page list loops; pages after the loop are ignored".into());
                break;
            }
            if self.pages.len() == MAX_PAGES {
                self.notes.push(format!("more than {MAX_PAGES} pages; the rest are ignored"));
                break;
            }
            seen.push(at);
            match self.read_ifd(at) {
                Ok((ifd, next)) => {
                    self.pages.push(ifd);
                    at = next;
                }
                Err(e) if self.pages.is_empty() => return Err(e),
                Err(_) => {
                    let n = self.pages.len() + 1;
                    self.notes.push(format!("page {n} is damaged; it and later pages are left out"));
                    break;
                }
            }
        }
        if self.pages.is_empty() {
            return Err(Error::malformed(self.file.path(), "a TIFF without a page"));
        }
        Ok(seen)
    }

    /// Add the pictures inside pages; unreadable ones are left out with a note.
    fn look_inside_pages(&mut self, mut seen: Vec<u64>) {
        for page in 0..self.pages.len() {
            let inside = match self.pages.get(page).map(|ifd| self.offsets(ifd, 330)) {
                Some(Ok(Some(inside))) => inside,
                Some(Err(_)) => vec![0],
                _ => continue,
            };
            for at in inside {
                if seen.contains(&at) || self.pages.len() == MAX_PAGES {
                    continue;
                }
                seen.push(at);
                match self.read_ifd(at) {
                    Ok((ifd, _)) => self.pages.push(Ifd { inside: Some(page + 1), ..ifd }),
                    Err(_) => {
                        self.notes
                            .push(format!("a picture inside page {} is damaged and left out", page + 1));
                    }
                }
            }
        }
    }

    fn read_ifd(&self, at: u64) -> Result<(Ifd, u64), Error> {
        let what = "a page directory";
        let (count_size, entry_size, offset_size) = if self.big { (8, 20, 8) } else { (2, 12, 4) };
        let count = self.uint_of(&self.file.bytes(at, count_size, what)?);
        if count == 0 || count > MAX_ENTRIES {
            return Err(Error::malformed(self.file.path(), format!("{count} tags in a page directory")));
        }
        let body = self.file.bytes(at.saturating_add(count_size), count * entry_size, what)?;
        let entries = body
            .chunks_exact(to_usize(entry_size))
            .map(|e| {
                let value_at = if self.big { 12 } else { 8 };
                let mut inline = [0; 8];
                inline.iter_mut().zip(&e[value_at..]).for_each(|(to, from)| *to = *from);
                Entry {
                    tag: self.u16_of(&e[..2]),
                    kind: self.u16_of(&e[2..4]),
                    count: self.uint_of(&e[4..value_at]),
                    inline,
                }
            })
            .collect();
        // Some writers end the file right after the entries, which means that there is no next page.
        let end = at.saturating_add(count_size + count * entry_size);
        let next = match self.file.bytes(end, offset_size, what) {
            Ok(bytes) => self.uint_of(&bytes),
            Err(Error::Malformed { .. }) => 0,
            Err(other) => return Err(other),
        };
        Ok((Ifd { entries, inside: None }, next))
    }

    fn u16_of(&self, b: &[u8]) -> u16 {
        to_u16(self.uint_of(&b[..2]))
    }

    fn u32_of(&self, b: &[u8]) -> u32 {
        to_u32(self.uint_of(&b[..4]))
    }

    fn u64_of(&self, b: &[u8]) -> u64 {
        self.uint_of(b)
    }

    /// Unsigned number of up to eight bytes in the file's byte order.
    fn uint_of(&self, b: &[u8]) -> u64 {
        let join = |n: u64, byte: &u8| (n << 8) | u64::from(*byte);
        if self.big_endian { b.iter().fold(0, join) } else { b.iter().rev().fold(0, join) }
    }

    /// Raw bytes of a tag's value; `None` if the page does not have the tag.
    fn raw(&self, ifd: &Ifd, tag: u16, most: u64) -> Result<Option<(u16, Vec<u8>)>, Error> {
        let Some(entry) = ifd.entries.iter().find(|e| e.tag == tag) else { return Ok(None) };
        let size = size_of_kind(entry.kind).ok_or_else(|| {
            Error::malformed(self.file.path(), format!("tag {tag} with unknown value type {}", entry.kind))
        })?;
        if entry.count > most {
            return Err(Error::malformed(
                self.file.path(),
                format!("tag {tag} with {} values (at most {most})", entry.count),
            ));
        }
        let bytes = entry.count * size;
        let room = if self.big { 8 } else { 4 };
        if bytes <= room {
            return Ok(Some((entry.kind, entry.inline[..to_usize(bytes)].to_vec())));
        }
        let at = self.uint_of(&entry.inline[..to_usize(room)]);
        Ok(Some((entry.kind, self.file.bytes(at, bytes, &format!("tag {tag}"))?)))
    }

    /// Unsigned values of a tag.
    pub(crate) fn uints(&self, ifd: &Ifd, tag: u16) -> Result<Option<Vec<u64>>, Error> {
        let Some((kind, raw)) = self.raw(ifd, tag, MAX_VALUES)? else { return Ok(None) };
        let size = match kind {
            1 => 1,
            3 => 2,
            4 | 13 => 4,
            16 | 18 => 8,
            _ => {
                return Err(Error::malformed(
                    self.file.path(),
                    format!("tag {tag} with value type {kind} where whole numbers belong"),
                ));
            }
        };
        Ok(Some(raw.chunks_exact(size).map(|b| self.uint_of(b)).collect()))
    }

    /// Positions of directories, at most as many as there may be pages.
    fn offsets(&self, ifd: &Ifd, tag: u16) -> Result<Option<Vec<u64>>, Error> {
        let Some((kind, raw)) = self.raw(ifd, tag, MAX_PAGES as u64)? else { return Ok(None) };
        let size = if matches!(kind, 16 | 18) { 8 } else { 4 };
        Ok(Some(raw.chunks_exact(size).map(|b| self.uint_of(b)).collect()))
    }

    /// First unsigned value of a tag.
    pub(crate) fn uint(&self, ifd: &Ifd, tag: u16) -> Result<Option<u64>, Error> {
        Ok(self.uints(ifd, tag)?.and_then(|v| v.first().copied()))
    }

    /// First rational (or floating) value of a tag; anything unreadable counts as absent.
    pub(crate) fn real(&self, ifd: &Ifd, tag: u16) -> Option<f64> {
        let (kind, raw) = self.raw(ifd, tag, 64).ok()??;
        let value = match kind {
            5 if raw.len() >= 8 => to_f64(self.uint_of(&raw[..4])) / to_f64(self.uint_of(&raw[4..8])),
            11 if raw.len() >= 4 => f64::from(f32::from_bits(self.u32_of(&raw))),
            12 if raw.len() >= 8 => f64::from_bits(self.uint_of(&raw[..8])),
            3 if raw.len() >= 2 => f64::from(self.u16_of(&raw)),
            4 if raw.len() >= 4 => f64::from(self.u32_of(&raw)),
            _ => return None,
        };
        value.is_finite().then_some(value)
    }

    /// When the picture was digitised: the date of Exif, else that of the file as the scanner wrote it, with the zone if
    /// Exif states one.
    pub(crate) fn scanned_at(&self, page: &Ifd) -> Option<String> {
        let text = |ifd: &Ifd, tag| {
            let (_, bytes) = self.raw(ifd, tag, 64).ok().flatten()?;
            String::from_utf8(bytes).ok()
        };
        let exif_at = self.uint(page, 34665).ok().flatten();
        let exif = exif_at.and_then(|at| self.read_ifd(at).ok()).map(|(ifd, _)| ifd);
        let digitised = exif.as_ref().and_then(|exif| text(exif, 36868));
        let zone = exif.as_ref().and_then(|exif| text(exif, 36882));
        crate::info::moment(digitised.or_else(|| text(page, 306)), zone)
    }

    /// Bytes of a BYTE, ASCII or UNDEFINED tag.
    pub(crate) fn blob(&self, ifd: &Ifd, tag: u16) -> Result<Option<Vec<u8>>, Error> {
        Ok(self.raw(ifd, tag, MAX_VALUES)?.and_then(|(kind, raw)| matches!(kind, 1 | 2 | 7).then_some(raw)))
    }
}

/// Bytes of one value of a TIFF type.
fn size_of_kind(kind: u16) -> Option<u64> {
    match kind {
        1 | 2 | 6 | 7 => Some(1),
        3 | 8 => Some(2),
        4 | 9 | 11 | 13 => Some(4),
        5 | 10 | 12 | 16..=18 => Some(8),
        _ => None,
    }
}
