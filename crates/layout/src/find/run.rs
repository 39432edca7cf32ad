//! The public entry point: finds every strip of a scan, for a stated or an unknown kind of film.

use glassine_raster::{CancelToken, RegionSource};

use super::filled::fills_file;
use super::levels::{OpenRule, Work};
use super::strip::Scan;
use super::strips::strip_pieces;
use super::usable::{drop_scraps, filled_file, keep_one_frame, name_lone_frame};
use super::{FilmTone, FindOptions, Found, LayoutError, Overview};

/// Finds strips and frames.
///
/// | quantity | meaning |
/// |---|---|
/// | `overview` | the whole scan, reduced, for the coarse steps |
/// | `full` | the scan itself, for measuring image edges; without it the overview is used |
/// | `cancel` | polled between bands |
/// | `progress` | called with 0 to 1, from any thread |
///
/// The result is in scan pixels and does not depend on threads. Finding nothing is a result, not an error.
pub fn find(
    overview: &Overview<'_>,
    full: Option<&dyn RegionSource>,
    options: &FindOptions<'_>,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Found, LayoutError> {
    progress(0.0);
    let size_px = (overview.scan_width_px, overview.scan_height_px);
    // The code below refuses an overview that does not fit its scan.
    let fits = overview.samples.channels() >= overview.colour_channels && overview.colour_channels > 0;
    if fits && fills_file(overview, options.tone) {
        cancel.check()?;
        progress(1.0);
        return Ok(Found { strips: vec![filled_file(size_px, options)], notes: Vec::new() });
    }
    let mut found = match options.tone {
        FilmTone::Negative => find_as(overview, full, options, false, cancel, progress)?,
        FilmTone::Slide => find_as(overview, full, options, true, cancel, progress)?,
        FilmTone::Unknown => {
            let negative = find_as(overview, full, options, false, cancel, &|p| progress(p / 2.0))?;
            let slide = find_as(overview, full, options, true, cancel, &|p| progress(0.5 + p / 2.0))?;
            if worth(&slide) > worth(&negative) { slide } else { negative }
        }
    };
    drop_scraps(&mut found);
    found.strips.iter_mut().for_each(|strip| name_lone_frame(strip, options));
    if options.single_frame_file {
        found = keep_one_frame(found, size_px, options);
    }
    progress(1.0);
    Ok(found)
}

/// Confidence of an explanation: the mean over its strips weighted by area; -1 without film.
fn worth(found: &Found) -> f64 {
    let area: f64 = found.strips.iter().map(|s| s.film_area.area_px2()).sum();
    let sure: f64 = found.strips.iter().map(|s| f64::from(s.confidence) * s.film_area.area_px2()).sum();
    if area > 0.0 { sure / area } else { -1.0 }
}

/// Finds one kind of film. Without a bright neutral plateau the brightest one may still be open light, so both are
/// tried.
fn find_as(
    overview: &Overview<'_>,
    full: Option<&dyn RegionSource>,
    options: &FindOptions<'_>,
    slide: bool,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Found, LayoutError> {
    cancel.check()?;
    let work = Work::new(overview, slide, OpenRule::Bright)?;
    progress(0.1);
    if work.open.is_some() {
        return find_on(&work, overview, full, options, slide, cancel, &|p| progress(0.1 + 0.9 * p));
    }
    let plain = find_on(&work, overview, full, options, slide, cancel, &|p| progress(0.1 + 0.45 * p))?;
    drop(work);
    let work = Work::new(overview, slide, OpenRule::Relative)?;
    if work.open.is_none() {
        return Ok(plain);
    }
    let relative = find_on(&work, overview, full, options, slide, cancel, &|p| progress(0.55 + 0.45 * p))?;
    // The relative reading assumes more, so it must be better by 0.02 of all frames' confidence. Our choice.
    Ok(if worth(&relative) > worth(&plain) + 0.02 { relative } else { plain })
}

fn find_on(
    work: &Work,
    overview: &Overview<'_>,
    full: Option<&dyn RegionSource>,
    options: &FindOptions<'_>,
    slide: bool,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Found, LayoutError> {
    // Positions in a full source of another size than stated are unreliable.
    let full = full.filter(|f| {
        f.width() == overview.scan_width_px
            && f.height() == overview.scan_height_px
            && f.channels() >= overview.colour_channels
    });
    let pieces = strip_pieces(work, slide);
    let mut found = Found::default();
    let scan = Scan {
        work,
        full,
        size_px: (overview.scan_width_px, overview.scan_height_px),
        options,
        slide,
        cancel,
    };
    for (k, piece) in pieces.iter().enumerate() {
        cancel.check()?;
        found.strips.extend(scan.strip(piece)?);
        progress((k + 1) as f32 / pieces.len() as f32);
    }
    if found.strips.is_empty() {
        found.notes.push("no frame was found: no film can be told from what is around it".to_owned());
    } else if found.strips.iter().all(|s| s.frames.is_empty()) {
        found.notes.push("film was found, but no frame on it".to_owned());
    }
    Ok(found)
}
