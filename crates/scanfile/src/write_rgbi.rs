//! A linear scan, perhaps with an infrared channel, as a plain TIFF, in the layout that film scanners write.

use std::path::Path;

use glassine_raster::{ResolutionPpi, Samples16};
use tiff::TiffResult;
use tiff::encoder::TiffEncoder;
use tiff::tags::{CompressionMethod, ExtraSamples, PhotometricInterpretation, ResolutionUnit, Tag};

use crate::write::{Fields, write_failed};
use crate::{AtomicFile, Error, Overwrite};

/// Rows in one TIFF strip.
const ROWS_PER_STRIP: u32 = 64;

/// Write linear red, green, blue and infrared as one 16-bit TIFF, infrared as a fourth sample of unspecified meaning
/// (`ExtraSamples` 0), uncompressed, in strips. Returns the length in bytes.
///
/// Tags and types: TIFF 6.0, sections 2 to 8; `ExtraSamples` in section 18.
pub fn write_rgbi(
    path: &Path,
    samples: &Samples16,
    ppi: impl Into<Option<ResolutionPpi>>,
    description: &str,
    overwrite: Overwrite,
) -> Result<u64, Error> {
    let (width, height) = (samples.width(), samples.height());
    let bytes = u64::from(width) * u64::from(height) * 8;
    if samples.channels() != 4 || bytes == 0 || bytes > u64::from(u32::MAX) - (1 << 20) {
        return Err(Error::usage(
            path,
            "a scan with infrared has 4 channels and fewer than 4 GiB of samples",
        ));
    }
    write_linear_scan(path, samples, true, ppi.into(), description, overwrite)
}

/// The same for grey or colour, with or without infrared as the last channel.
pub fn write_linear_scan(
    path: &Path,
    samples: &Samples16,
    has_infrared: bool,
    ppi: Option<ResolutionPpi>,
    description: &str,
    overwrite: Overwrite,
) -> Result<u64, Error> {
    let bytes = samples.data().len() as u64 * 2;
    let colours = samples.channels().saturating_sub(u8::from(has_infrared));
    if !matches!(colours, 1 | 3) || bytes == 0 {
        return Err(Error::usage(path, "a scan has one or three colour channels and at least one pixel"));
    }
    if bytes > u64::from(u32::MAX) - (1 << 20) {
        let found = format!("a scan of {} MB in one TIFF", bytes >> 20);
        return Err(Error::unsupported(path, found, "4095 MB fit; the session itself needs no such file"));
    }
    if let Some(ppi) = ppi.map(ResolutionPpi::ppi)
        && ppi >= 1e6
    {
        let found = format!("a resolution of {ppi} ppi");
        return Err(Error::unsupported(path, found, "choose one between 1 and 1 000 000 ppi"));
    }
    let mut file = AtomicFile::create(path, overwrite)?;
    write_page(&mut file, samples, colours, ppi, description).map_err(write_failed(path))?;
    file.commit()
}

fn write_page(
    file: &mut AtomicFile,
    samples: &Samples16,
    colours: u8,
    ppi: Option<ResolutionPpi>,
    description: &str,
) -> TiffResult<()> {
    let channels = usize::from(samples.channels());
    let (width, height) = (samples.width(), samples.height());
    let mut encoder = TiffEncoder::new(file)?;
    let mut page = Fields::of_page(&mut encoder)?;
    let (mut offsets, mut counts) = (Vec::new(), Vec::new());
    for strip in samples.data().chunks(width as usize * channels * ROWS_PER_STRIP as usize) {
        let bytes: &[u8] = bytemuck::cast_slice(strip);
        offsets.push(page.data(bytes)?);
        counts.push(bytes.len() as u64);
    }
    page.set(Tag::NewSubfileType, 0_u32)?;
    page.set(Tag::ImageWidth, width)?;
    page.set(Tag::ImageLength, height)?;
    page.set(Tag::BitsPerSample, vec![16_u16; channels].as_slice())?;
    page.set(Tag::Compression, CompressionMethod::None)?;
    let meaning = match colours {
        1 => PhotometricInterpretation::BlackIsZero,
        _ => PhotometricInterpretation::RGB,
    };
    page.set(Tag::PhotometricInterpretation, meaning)?;
    let text: String = description.chars().filter(|c| matches!(c, ' '..='~')).collect();
    page.text(Tag::ImageDescription, &text)?;
    page.offsets(Tag::StripOffsets, &offsets)?;
    page.set(Tag::SamplesPerPixel, u16::from(samples.channels()))?;
    page.set(Tag::RowsPerStrip, ROWS_PER_STRIP)?;
    page.offsets(Tag::StripByteCounts, &counts)?;
    if let Some(ppi) = ppi {
        page.rational(Tag::XResolution, ppi.ppi())?;
        page.rational(Tag::YResolution, ppi.ppi())?;
        page.set(Tag::ResolutionUnit, ResolutionUnit::Inch)?;
    }
    if samples.channels() > colours {
        page.set(Tag::ExtraSamples, [ExtraSamples::Unspecified].as_slice())?;
    }
    page.finish().map(drop)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{InfraredSource, OpenOptions, Scan};
    use glassine_raster::{CancelToken, PixelRect};

    #[test]
    fn written_scan_is_read_back_exactly_with_its_infrared() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (w, h) in [(31u32, 7u32), (40, 150)] {
            let data = (0..w * h * 4).map(|i| (i * 7919 % 65_536) as u16).collect();
            let samples = Samples16::from_vec(w, h, 4, data).expect("the length fits");
            let path = folder.path().join(format!("scan-{h}.tif"));
            let ppi = ResolutionPpi::new(900.0);
            let bytes =
                write_rgbi(&path, &samples, ppi, "two words", Overwrite::Never).expect("it is written");
            assert_eq!(bytes, std::fs::metadata(&path).expect("the file is there").len());
            let scan = Scan::open(&path, &OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() })
                .expect("it opens");
            assert_eq!(scan.info().infrared, InfraredSource::ExtraSample);
            assert_eq!(scan.info().ppi, ppi.map(|ppi| [ppi; 2]));
            let back = scan.read_region(PixelRect::of_size(w, h), &CancelToken::new()).expect("it reads");
            assert_eq!(back, samples);
        }
    }
}
