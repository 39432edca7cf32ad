//! Opening a TIFF: which page is the picture, which samples are colour, which one is infrared.

use std::sync::Arc;

use glassine_raster::{CancelToken, PixelRect};

use super::bytes::Positioned;
use super::ifd::{Ifd, TiffFile};
use super::layout::{Layout, SampleKind};
use super::pages::Pages;
use super::tiff::TiffPage;
use super::{Opened, Picture};
use crate::info::orientation_from_tag;
use crate::numbers::{to_u8, to_u16, to_u32};
use crate::{Encoding, Error, FourthSample, InfraredSource, OpenOptions};

pub(super) fn open_tiff(file: Arc<Positioned>, options: &OpenOptions) -> Result<Opened, Error> {
    let tiff = Arc::new(TiffFile::open(Arc::clone(&file))?);
    let mut notes = tiff.notes.clone();
    let pages = Pages::of(&tiff);
    let main = pages.scan(&tiff, options)?;
    let Some(page) = tiff.pages.get(main) else {
        return Err(Error::malformed(file.path(), "a TIFF without a page"));
    };
    let layout = Layout::of_page(&tiff, page, options)?;
    let colours = layout.colours;
    let extra = extra_sample(&tiff, &layout, options, &mut notes)?;
    let plane = match (extra, options.fourth_sample) {
        (Some(_), _) | (None, FourthSample::Ignore) => None,
        (None, _) => pages.infrared(&tiff, main, options),
    };
    notes.extend(pages.note(main, plane.as_ref().map(|(at, _)| *at)));
    let infrared = match (extra, &plane) {
        (Some(_), _) => InfraredSource::ExtraSample,
        (None, Some(_)) => InfraredSource::SecondPage,
        (None, None) => InfraredSource::None,
    };
    let second_page = plane.map(|(_, layout)| -> Box<dyn Picture> {
        Box::new(TiffPage::new(Arc::clone(&tiff), layout, vec![0], options.cache_bytes))
    });
    if layout.kind == SampleKind::F32 {
        notes.push("floating samples are cut to 0..1 and read with 16 bits".into());
    }
    let eight = layout.kind == SampleKind::U8;
    let icc = match tiff.blob(page, 34675) {
        Ok(icc) => icc,
        Err(_) => {
            notes.push("the embedded colour profile is damaged and was left out".into());
            None
        }
    };
    let container = layout.describe(tiff.big);
    let bits = to_u8(layout.kind.bytes() * 8);
    let orientation = orientation_from_tag(to_u32(tiff.uint(page, 274).ok().flatten().unwrap_or(1)));
    let ppi = resolution(&tiff, page);
    let scanned_at = tiff.scanned_at(page);
    let keep = (0..colours).chain(extra).collect();
    let picture = Box::new(TiffPage::new(Arc::clone(&tiff), layout, keep, options.cache_bytes));
    Ok(Opened {
        file,
        page: to_u32(main) + 1,
        pages: to_u32(tiff.pages.len()),
        damage: None,
        picture,
        colours: to_u8(colours),
        infrared,
        second_page,
        ppi,
        bits,
        container,
        icc,
        orientation,
        scanned_at,
        untagged: if eight { Encoding::Srgb } else { Encoding::Linear },
        untagged_note: eight.then(|| "8-bit codes without a colour profile are taken as sRGB".into()),
        notes,
    })
}

/// Index of the sample to take as infrared.
fn extra_sample(
    tiff: &Arc<TiffFile>,
    layout: &Layout,
    options: &OpenOptions,
    notes: &mut Vec<String>,
) -> Result<Option<u16>, Error> {
    if layout.extra.is_empty() {
        return Ok(None);
    }
    if options.fourth_sample == FourthSample::Ignore {
        notes.push("the extra sample of each pixel is ignored, as requested".into());
        return Ok(None);
    }
    // An explicitly "unspecified" sample wins over ones that claim to be opacity.
    let at = layout.extra.iter().position(|k| *k == Some(0)).unwrap_or(0);
    let sample = layout.colours + to_u16(at);
    let (nth, declared) = (sample + 1, layout.extra.get(at).copied().flatten());
    if layout.extra.len() > 1 {
        notes.push(format!("of {} extra samples only sample {nth} is used", layout.extra.len()));
    }
    if options.fourth_sample == FourthSample::Infrared || declared == Some(0) {
        return Ok(Some(sample));
    }
    let full = (1 << (8 * layout.kind.bytes().min(2))) - 1;
    if is_full_everywhere(tiff, layout, sample)? {
        notes
            .push(format!("sample {nth} is {full} everywhere: an opacity plane that says nothing, left out"));
        return Ok(None);
    }
    notes.push(match declared {
        None => format!("sample {nth} has no tag that says what it is; taken as infrared"),
        Some(kind @ (1 | 2)) => format!("sample {nth} is tagged as opacity (kind {kind}); taken as infrared"),
        Some(kind) => format!("sample {nth} has an extra-sample kind of {kind}; taken as infrared"),
    });
    Ok(Some(sample))
}

/// Whether a sample is at its highest value in a spread of rows.
fn is_full_everywhere(tiff: &Arc<TiffFile>, layout: &Layout, sample: u16) -> Result<bool, Error> {
    let upright = Layout { white_is_zero: false, ..layout.clone() };
    let page = TiffPage::new(Arc::clone(tiff), upright, vec![sample], 0);
    for i in 0..16_u64 {
        let y = to_u32(u64::from(layout.height - 1) * i / 15);
        let line = page.read(PixelRect::new(0, y, layout.width, y + 1), &CancelToken::new())?;
        if line.data().iter().any(|v| *v != u16::MAX) {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Resolution in pixels per inch from tags 282, 283 and 296.
fn resolution(tiff: &TiffFile, page: &Ifd) -> Option<[f64; 2]> {
    let unit = tiff.uint(page, 296).ok().flatten().unwrap_or(2);
    let per_inch = match unit {
        2 => 1.0,
        3 => 2.54,
        _ => return None,
    };
    let x = tiff.real(page, 282)? * per_inch;
    let y = tiff.real(page, 283).map_or(x, |y| y * per_inch);
    let sane = |v: f64| (1.0..1e6).contains(&v);
    (sane(x) && sane(y)).then_some([x, y])
}
