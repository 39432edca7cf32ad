//! Makes TIFF files, with no code of the reader or the writer. Source of tags and types: TIFF revision 6.0, section 8.

use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use crate::random::Xorshift;

/// An uncompressed colour `BigTIFF` of 16 bits whose samples are a hole in the file, so that it takes no room on disk.
#[derive(Debug, Clone, Copy)]
pub struct HollowTiff {
    pub width_px: u32,
    pub height_px: u32,
    pub rows_per_strip: u32,
    pub ppi: Option<u32>,
}

impl HollowTiff {
    /// Where the first row begins, bytes.
    pub fn rows_at(&self) -> u64 {
        (TABLES_AT + 16 * self.strips()).next_multiple_of(65_536)
    }

    /// Length of a row, bytes.
    pub fn row_bytes(&self) -> u64 {
        u64::from(self.width_px) * 6
    }

    fn strips(&self) -> u64 {
        u64::from(self.height_px.div_ceil(self.rows_per_strip))
    }

    /// Writes the file; the caller may write rows into it.
    pub fn create(&self, path: &Path) -> std::io::Result<File> {
        let (strips, rows_per_strip) = (self.strips(), u64::from(self.rows_per_strip));
        let mut tags = vec![
            (256_u16, 4_u16, 1_u64, u64::from(self.width_px)),
            (257, 4, 1, u64::from(self.height_px)),
            (258, 3, 3, 16 | 16 << 16 | 16 << 32),
            (259, 3, 1, 1),
            (262, 3, 1, 2),
            (273, 16, strips, TABLES_AT),
            (277, 3, 1, 3),
            (278, 4, 1, rows_per_strip),
            (279, 16, strips, TABLES_AT + 8 * strips),
        ];
        if let Some(ppi) = self.ppi {
            let ppi = u64::from(ppi) | 1 << 32;
            tags.extend([(282, 5, 1, ppi), (283, 5, 1, ppi), (296, 3, 1, 2)]);
        }
        let mut head = b"II\x2b\x00\x08\x00\x00\x00".to_vec();
        head.extend(16_u64.to_le_bytes());
        head.extend((tags.len() as u64).to_le_bytes());
        for (tag, kind, count, value) in tags {
            head.extend(tag.to_le_bytes());
            head.extend(kind.to_le_bytes());
            head.extend(count.to_le_bytes());
            head.extend(value.to_le_bytes());
        }
        let strip_bytes = rows_per_strip * self.row_bytes();
        head.resize(TABLES_AT as usize, 0);
        head.extend((0..strips).flat_map(|i| (self.rows_at() + i * strip_bytes).to_le_bytes()));
        head.extend((0..strips).flat_map(|_| strip_bytes.to_le_bytes()));
        let mut file = File::create(path)?;
        file.write_all(&head)?;
        file.set_len(self.rows_at() + strips * strip_bytes)?;
        Ok(file)
    }
}

/// Where the tables of a hollow file begin, bytes.
const TABLES_AT: u64 = 4096;

/// Compression, with its TIFF number.
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
        let mut noise = Xorshift::new(42_u64.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
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

/// Samples of a line of a block, differences if the page has a predictor.
fn line_of(page: &Page, plane: &[usize], columns: std::ops::Range<usize>, y: usize) -> Vec<u16> {
    let mut line = Vec::new();
    for x in columns {
        // Tiles extend over the right and bottom edges; their content there means nothing.
        let inside = x < page.width && y < page.height;
        let code = |s: &usize| if inside { page.codes[(y * page.width + x) * page.samples + s] } else { 171 };
        line.extend(plane.iter().map(code));
    }
    if page.predictor {
        for i in (plane.len()..line.len()).rev() {
            line[i] = line[i].wrapping_sub(line[i - plane.len()]);
        }
    }
    line
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
                    let line = line_of(page, plane, x0..x0 + bw, y);
                    let size = usize::from(page.bits / 8);
                    let mask = if size == 1 { 255 } else { 65_535 };
                    bytes.extend(line.iter().flat_map(|v| form.n(u64::from(*v) & mask, size)));
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
