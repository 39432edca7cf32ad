//! Shared by the tests: reading whole scans, and a small TIFF maker that shares no code with the reader or the writer.

#![allow(dead_code, unreachable_pub, reason = "every test program uses its own part")]

use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_scanfile::{Error, OpenOptions, Scan};

/// Options that take pictures of any size; the tests make small ones.
pub fn any_size() -> OpenOptions {
    OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() }
}

/// Open and read everything.
pub fn read_all(path: &Path, options: &OpenOptions) -> Result<(Scan, Samples16), Error> {
    let scan = Scan::open(path, options)?;
    let all = scan.read_region(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new())?;
    Ok((scan, all))
}

/// CRC-32 of the codes as little-endian bytes.
pub fn crc32(codes: &[u16]) -> String {
    let mut crc = flate2::Crc::new();
    codes.iter().for_each(|v| crc.update(&v.to_le_bytes()));
    format!("{:08x}", crc.sum())
}

/// Fixed-seed noise.
pub struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n.max(1)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pack {
    None = 1,
    Lzw = 5,
    Deflate = 8,
    OldDeflate = 32946,
    Runs = 32773,
}

/// One page to make.
#[derive(Debug, Clone)]
pub struct Page {
    pub width: usize,
    pub height: usize,
    pub samples: usize,
    pub bits: u8,
    pub photometric: u16,
    pub planar: bool,
    pub tile: Option<(usize, usize)>,
    pub rows: usize,
    pub pack: Pack,
    pub predictor: bool,
    pub extra: Option<u16>,
    /// More tags: number, type, count, bytes in file order.
    pub more: Vec<(u16, u16, u32, Vec<u8>)>,
    /// Interleaved codes, 0..255 when `bits` is 8.
    pub codes: Vec<u16>,
}

impl Page {
    /// A page with a gradient and some noise in it.
    pub fn new(width: usize, height: usize, samples: usize, bits: u8) -> Self {
        let mut noise = Noise::new(42);
        let top = if bits == 8 { 256 } else { 65_536 };
        let codes =
            (0..width * height * samples).map(|i| ((i as u64 * 37 + noise.below(60)) % top) as u16).collect();
        Self {
            width,
            height,
            samples,
            bits,
            photometric: if samples >= 3 { 2 } else { 1 },
            planar: false,
            tile: None,
            rows: 7,
            pack: Pack::None,
            predictor: false,
            extra: None,
            more: Vec::new(),
            codes,
        }
    }

    /// What reading should give: 16-bit codes, all samples kept.
    pub fn expected(&self) -> Vec<u16> {
        self.codes.iter().map(|v| if self.bits == 8 { v * 257 } else { *v }).collect()
    }
}

/// Byte order and offset size of a file to make.
#[derive(Debug, Clone, Copy)]
pub struct Form {
    pub big_endian: bool,
    pub big: bool,
}

impl Form {
    fn n(self, v: u64, bytes: usize) -> Vec<u8> {
        if self.big_endian {
            v.to_be_bytes()[8 - bytes..].to_vec()
        } else {
            v.to_le_bytes()[..bytes].to_vec()
        }
    }
}

/// Make a TIFF with these pages.
pub fn make_tiff(form: Form, pages: &[Page]) -> Vec<u8> {
    let mut file = if form.big_endian { b"MM".to_vec() } else { b"II".to_vec() };
    let (offset_size, count_size) = if form.big { (8, 8) } else { (4, 2) };
    file.extend(form.n(if form.big { 43 } else { 42 }, 2));
    if form.big {
        file.extend(form.n(8, 2));
        file.extend(form.n(0, 2));
    }
    let mut pointer = file.len();
    file.extend(form.n(0, offset_size));
    for page in pages {
        let (offsets, counts) = put_blocks(&mut file, form, page);
        let mut tags = page_tags(form, page, &offsets, &counts);
        tags.sort_by_key(|t| t.0);
        let mut body = form.n(tags.len() as u64, count_size);
        for (tag, kind, count, bytes) in &tags {
            body.extend(form.n(u64::from(*tag), 2));
            body.extend(form.n(u64::from(*kind), 2));
            body.extend(form.n(u64::from(*count), offset_size));
            if bytes.len() <= offset_size {
                let mut inline = bytes.clone();
                inline.resize(offset_size, 0);
                body.extend(inline);
            } else {
                body.extend(form.n(file.len() as u64, offset_size));
                file.extend(bytes);
            }
        }
        let at = file.len();
        let to = form.n(at as u64, offset_size);
        file[pointer..pointer + offset_size].copy_from_slice(&to);
        pointer = at + body.len();
        file.extend(body);
        file.extend(form.n(0, offset_size));
    }
    file
}

fn page_tags(form: Form, page: &Page, offsets: &[u64], counts: &[u64]) -> Vec<(u16, u16, u32, Vec<u8>)> {
    let short = |tag, v: &[u64]| (tag, 3, v.len() as u32, v.iter().flat_map(|v| form.n(*v, 2)).collect());
    let long = |tag, v: &[u64]| (tag, 4, v.len() as u32, v.iter().flat_map(|v| form.n(*v, 4)).collect());
    let mut tags: Vec<(u16, u16, u32, Vec<u8>)> = vec![
        long(256, &[page.width as u64]),
        long(257, &[page.height as u64]),
        short(258, &vec![u64::from(page.bits); page.samples]),
        short(259, &[page.pack as u64]),
        short(262, &[u64::from(page.photometric)]),
        short(277, &[page.samples as u64]),
        short(284, &[if page.planar { 2 } else { 1 }]),
    ];
    if page.predictor {
        tags.push(short(317, &[2]));
    }
    if let Some(kind) = page.extra {
        tags.push(short(338, &[u64::from(kind)]));
    }
    match page.tile {
        Some((w, h)) => tags.extend([
            short(322, &[w as u64]),
            short(323, &[h as u64]),
            long(324, offsets),
            long(325, counts),
        ]),
        None => tags.extend([long(273, offsets), long(278, &[page.rows as u64]), long(279, counts)]),
    }
    tags.extend(page.more.iter().cloned());
    tags
}

fn put_blocks(file: &mut Vec<u8>, form: Form, page: &Page) -> (Vec<u64>, Vec<u64>) {
    let (bw, bh) = page.tile.unwrap_or((page.width, page.rows));
    let (mut offsets, mut counts) = (Vec::new(), Vec::new());
    let planes: Vec<Vec<usize>> = if page.planar {
        (0..page.samples).map(|s| vec![s]).collect()
    } else {
        vec![(0..page.samples).collect()]
    };
    for plane in &planes {
        for y0 in (0..page.height).step_by(bh) {
            for x0 in (0..page.width).step_by(bw) {
                let rows = if page.tile.is_some() { bh } else { bh.min(page.height - y0) };
                let mut bytes = Vec::new();
                for y in y0..y0 + rows {
                    let mut line = Vec::new();
                    for x in x0..x0 + bw {
                        for s in plane {
                            // Tiles extend over the right and bottom edges; their content there means nothing.
                            let inside = x < page.width && y < page.height;
                            line.push(if inside {
                                page.codes[(y * page.width + x) * page.samples + s]
                            } else {
                                171
                            });
                        }
                    }
                    if page.predictor {
                        for i in (plane.len()..line.len()).rev() {
                            line[i] = line[i].wrapping_sub(line[i - plane.len()]);
                        }
                    }
                    let size = usize::from(page.bits / 8);
                    line.iter().for_each(|v| {
                        bytes.extend(form.n(u64::from(*v) & if size == 1 { 255 } else { 65_535 }, size))
                    });
                }
                let packed = pack(page.pack, &bytes);
                offsets.push(file.len() as u64);
                counts.push(packed.len() as u64);
                file.extend(packed);
            }
        }
    }
    (offsets, counts)
}

pub fn pack(kind: Pack, bytes: &[u8]) -> Vec<u8> {
    use std::io::Write as _;
    match kind {
        Pack::None => bytes.to_vec(),
        Pack::Lzw => weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8)
            .encode(bytes)
            .expect("memory is enough"),
        Pack::Deflate | Pack::OldDeflate => {
            let mut out = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
            out.write_all(bytes).expect("memory is enough");
            out.finish().expect("memory is enough")
        }
        Pack::Runs => {
            bytes.chunks(128).flat_map(|c| [vec![(c.len() - 1) as u8], c.to_vec()].concat()).collect()
        }
    }
}

/// Write bytes into a fresh folder; the folder lives as long as the first value.
pub fn in_folder(name: &str, bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).expect("written");
    (folder, path)
}
