//! Writes a TIFF strip by strip: bounded memory, strips packed elsewhere, directory at the end.
//!
//! Packed strips use horizontal differences (predictor 2); plain strips carry no predictor tag, because general readers
//! ignore it there. The `tiff` crate keeps the positions and writes the directory; it would write unpacked strips under
//! a compression tag, so it gets packed bytes.

use std::fmt;
use std::fs::File;
use std::mem::ManuallyDrop;
use std::path::Path;

use glassine_raster::ResolutionPpi;
use tiff::TiffResult;
use tiff::encoder::{TiffEncoder, TiffKind, TiffKindBig, TiffKindStandard};
use tiff::tags::{
    CompressionMethod, ExtraSamples, PhotometricInterpretation, PlanarConfiguration, Predictor,
    ResolutionUnit, SampleFormat, Tag,
};

use super::directory::{Fields, write_failed};
use super::metadata::{describe_page, exif_directory};
use super::pack::PackedRows;
use super::spec::{Compression, PictureSpec};
use super::xmp::xmp_packet;
use crate::{AtomicFile, Error};

/// Classic offsets end at 4 GiB; this leaves room for the directory and its values.
const CLASSIC_LIMIT: u64 = (1 << 32) - (64 << 20);
/// Adobe XMP specification, part 3, section 3.
const XMP: Tag = Tag::Unknown(700);

/// A TIFF under construction.
#[derive(Debug)]
pub(super) struct TiffOut {
    // Before the file, so that the second handle is closed when the file is committed or removed.
    encoder: Encoder,
    file: AtomicFile,
    compression: Compression,
    strips: Strips,
}

enum Encoder {
    Classic(TiffEncoder<File, TiffKindStandard>),
    Big(TiffEncoder<File, TiffKindBig>),
}

impl fmt::Debug for Encoder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Classic(_) => "Classic",
            Self::Big(_) => "Big",
        })
    }
}

/// Strips written so far.
#[derive(Debug)]
struct Strips {
    /// Rows of every strip but the last, and their bytes before packing.
    rows: u32,
    plain_bytes: usize,
    offsets: Vec<u64>,
    counts: Vec<u64>,
}

impl TiffOut {
    pub(super) fn begin(
        file: AtomicFile,
        spec: &PictureSpec,
        compression: Compression,
        strip_rows: u32,
    ) -> Result<Self, Error> {
        let row_bytes = spec.row_bytes();
        let whole = row_bytes as u64 * u64::from(spec.height_px);
        // Packed noise can grow a little: LZW by half in theory, so that much is allowed for.
        let worst = if compression == Compression::None { whole } else { whole / 2 * 3 };
        let words = spec.icc.as_ref().map_or(0, |icc| icc.len()) as u64;
        let handle = file.second_handle()?;
        let encoder = if worst + words > CLASSIC_LIMIT {
            TiffEncoder::new_big(handle).map(Encoder::Big)
        } else {
            TiffEncoder::new(handle).map(Encoder::Classic)
        }
        .map_err(write_failed(file.path()))?;
        let strips = Strips {
            rows: strip_rows,
            plain_bytes: strip_rows as usize * row_bytes,
            offsets: Vec::new(),
            counts: Vec::new(),
        };
        Ok(Self { encoder, file, compression, strips })
    }

    pub(super) fn path(&self) -> &Path {
        self.file.path()
    }

    /// Add rows, in order.
    pub(super) fn rows(&mut self, packed: &PackedRows) -> Result<(), Error> {
        for strip in packed.body.strips(self.strips.plain_bytes) {
            let at = match &mut self.encoder {
                Encoder::Classic(encoder) => append(encoder, strip),
                Encoder::Big(encoder) => append(encoder, strip),
            };
            self.strips.offsets.push(at.map_err(write_failed(self.file.path()))?);
            self.strips.counts.push(strip.len() as u64);
        }
        Ok(())
    }

    /// Write the directory and the header's pointer to it; the file can then be committed.
    pub(super) fn finish(self, spec: &PictureSpec) -> Result<AtomicFile, Error> {
        let Self { encoder, file, compression, strips } = self;
        match encoder {
            Encoder::Classic(mut encoder) => write_directories(&mut encoder, spec, compression, &strips),
            Encoder::Big(mut encoder) => write_directories(&mut encoder, spec, compression, &strips),
        }
        .map_err(write_failed(file.path()))?;
        Ok(file)
    }
}

/// Write a strip; returns its position.
fn append<K: TiffKind>(encoder: &mut TiffEncoder<File, K>, strip: &[u8]) -> TiffResult<u64> {
    // Only a directory gives access to the file, and dropping it would write it.
    ManuallyDrop::new(encoder.extra_directory()?).write_data(strip)
}

fn write_directories<K: TiffKind>(
    encoder: &mut TiffEncoder<File, K>,
    spec: &PictureSpec,
    compression: Compression,
    strips: &Strips,
) -> TiffResult<()> {
    let has_metadata = !spec.metadata.is_empty();
    let exif_at = if has_metadata { Some(exif_directory(encoder, spec)?) } else { None };
    let channels = usize::from(spec.channels);
    let mut page = Fields::of_page(encoder)?;
    page.set(Tag::NewSubfileType, 0_u32)?;
    page.set(Tag::ImageWidth, spec.width_px)?;
    page.set(Tag::ImageLength, spec.height_px)?;
    page.set(Tag::BitsPerSample, vec![u16::from(spec.bits); channels].as_slice())?;
    let method = match compression {
        Compression::None => CompressionMethod::None,
        Compression::Lzw => CompressionMethod::LZW,
        Compression::Deflate => CompressionMethod::Deflate,
    };
    page.set(Tag::Compression, method)?;
    let colour = match spec.channels {
        3 | 4 => PhotometricInterpretation::RGB,
        _ => PhotometricInterpretation::BlackIsZero,
    };
    page.set(Tag::PhotometricInterpretation, colour)?;
    page.offsets(Tag::StripOffsets, &strips.offsets)?;
    page.set(Tag::Orientation, 1_u16)?;
    page.set(Tag::SamplesPerPixel, u16::from(spec.channels))?;
    page.set(Tag::RowsPerStrip, strips.rows)?;
    page.offsets(Tag::StripByteCounts, &strips.counts)?;
    // Without a known resolution the unit is "none" and both values are 1.
    let ppi = spec.ppi.map_or(1.0, ResolutionPpi::ppi);
    page.rational(Tag::XResolution, ppi)?;
    page.rational(Tag::YResolution, ppi)?;
    page.set(Tag::PlanarConfiguration, PlanarConfiguration::Chunky)?;
    let unit = if spec.ppi.is_some() { ResolutionUnit::Inch } else { ResolutionUnit::None };
    page.set(Tag::ResolutionUnit, unit)?;
    if compression != Compression::None {
        page.set(Tag::Predictor, Predictor::Horizontal)?;
    }
    if spec.has_infrared() {
        // The only honest tag for infrared: TIFF 6.0, section 18, has none for it.
        page.set(Tag::ExtraSamples, [ExtraSamples::Unspecified].as_slice())?;
    }
    page.set(Tag::SampleFormat, vec![SampleFormat::Uint; channels].as_slice())?;
    if let Some(icc) = &spec.icc {
        page.undefined(Tag::IccProfile, icc)?;
    }
    if let Some(exif_at) = exif_at {
        page.set(XMP, xmp_packet(&spec.metadata).as_bytes())?;
        describe_page(&mut page, &spec.metadata)?;
        page.set(Tag::ExifDirectory, exif_at)?;
    }
    page.finish().map(drop)
}

#[cfg(test)]
mod tests {
    use std::io::Seek as _;

    use super::*;
    use crate::write::RowPacker;
    use crate::{Metadata, OpenOptions, Overwrite, PictureFormat, Scan};
    use glassine_raster::{CancelToken, PixelRect};

    fn spec(width_px: u32, height_px: u32, compression: Compression) -> PictureSpec {
        PictureSpec {
            width_px,
            height_px,
            channels: 3,
            bits: 16,
            ppi: ResolutionPpi::new(300.0),
            icc: None,
            metadata: Metadata::default(),
            format: PictureFormat::Tiff { compression },
            overwrite: Overwrite::Never,
        }
    }

    #[test]
    fn the_big_form_is_chosen_from_the_size_before_the_first_row() {
        let folder = tempfile::tempdir().expect("temporary folder");
        for (height_px, compression, big) in [
            (30_000, Compression::None, true),
            (20_000, Compression::None, false),
            (20_000, Compression::Lzw, true),
            (10_000, Compression::Deflate, false),
        ] {
            let spec = spec(30_000, height_px, compression);
            let file = AtomicFile::create(&folder.path().join("a.tif"), Overwrite::Never).expect("created");
            let out = TiffOut::begin(file, &spec, compression, 1).expect("begun");
            assert_eq!(matches!(out.encoder, Encoder::Big(_)), big, "{height_px} {compression:?}");
        }
    }

    #[test]
    fn a_picture_in_the_big_form_reads_back_exactly() {
        let folder = tempfile::tempdir().expect("temporary folder");
        for compression in [Compression::None, Compression::Lzw, Compression::Deflate] {
            let metadata = Metadata { creator: "Ana Ö".into(), ..Metadata::default() };
            let spec = PictureSpec { metadata, ..spec(31, 9_001, compression) };
            let path = folder.path().join(format!("{compression:?}.tif"));
            let file = AtomicFile::create(&path, Overwrite::Never).expect("created");
            let packer = RowPacker::new(&spec);
            let mut out = TiffOut::begin(file, &spec, compression, packer.granule_rows()).expect("begun");
            out.file.rewind().expect("a file");
            let handle = out.file.second_handle().expect("a file");
            out.encoder = Encoder::Big(TiffEncoder::new_big(handle).expect("a header"));
            let codes: Vec<u16> =
                (0..31 * 3 * 9_001_u32).map(|i| (i.wrapping_mul(40_503) >> 7) as u16).collect();
            for part in codes.chunks(31 * 3 * packer.granule_rows() as usize) {
                out.rows(&packer.pack_u16(part.to_vec()).expect("packed")).expect("written");
            }
            out.finish(&spec).and_then(AtomicFile::commit).expect("complete");
            let options = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
            let scan = Scan::open(&path, &options).expect("readable");
            assert!(scan.info().container.contains("BigTIFF"), "{}", scan.info().container);
            assert_eq!(scan.info().ppi, ResolutionPpi::new(300.0).map(|ppi| [ppi; 2]));
            let all = scan.read_region(PixelRect::of_size(31, 9_001), &CancelToken::new()).expect("read");
            assert!(all.data() == codes, "{compression:?}");
        }
    }
}
