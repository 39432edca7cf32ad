//! The scan check: what is wrong with a scan, measured before work is spent on it.
//!
//! *Scope*: clipped codes, noise, stray light, glow, shifts of channels and of the infrared, resolution,
//! uneven light, streaks, compression blocks, coarse tones, sharpening, film that is not flat. Every
//! finding has a figure, a limit with its source, a place and advice.
//! *Simplifications*: fine structure is measured on [`Band`]s of rows at full resolution, the rest on the overview.
//! *Out of scope*: files, and repairing what was found.

mod areas;
mod bands;
mod blocks;
mod codes;
mod edges;
mod finding;
mod jumps;
mod light;
mod lines;
mod noise;
mod rings;
mod shift;
mod statistics;
mod texture;

pub use bands::{Band, band_rects};
pub use finding::{Finding, Measure, Report, What};

use glassine_film::CodeCurve;
use glassine_layout::{FilmTone, Found};
use glassine_raster::{CancelToken, Cancelled, Samples16};

use crate::areas::Areas;

/// A scan with what is known about it.
#[derive(Debug, Clone, Copy)]
pub struct ScanUnderCheck<'a> {
    /// The whole scan reduced, codes proportional to light; stray light is not subtracted.
    pub overview: &'a Samples16,
    /// Scan pixels per overview pixel in both directions.
    pub factor: u32,
    /// Columns and rows of the scan.
    pub size_px: (u32, u32),
    /// Colour channels, 1 or 3; the infrared, if any, comes after them.
    pub colour_channels: u8,
    /// Bits per sample in the file.
    pub bits: u8,
    /// How the codes of the file relate to light.
    pub curve: Option<CodeCurve>,
    /// Full-resolution parts with the codes of the file; see [`band_rects`].
    pub bands: &'a [Band],
    /// Light, 0 to 1, of every code, for each colour channel.
    pub light: &'a [&'a [f32]],
    /// Where film and pictures are.
    pub found: &'a Found,
    /// Resolution of the scan, pixels per inch, if known.
    pub ppi: Option<f64>,
}

impl ScanUnderCheck<'_> {
    fn has_infrared(&self) -> bool {
        self.overview.channels() > self.colour_channels
    }

    /// The channel that carries most of the lightness.
    fn middle_channel(&self) -> usize {
        usize::from(self.colour_channels / 2)
    }

    fn is_slide(&self) -> bool {
        self.found.strips.first().is_some_and(|strip| strip.tone == FilmTone::Slide)
    }

    /// Scan pixels per millimetre; 400 ppi is assumed where the file says nothing, the least that shows frames well.
    fn px_per_mm(&self) -> f64 {
        self.ppi.filter(|ppi| ppi.is_finite() && *ppi >= 50.0).unwrap_or(400.0) / glassine_raster::MM_PER_INCH
    }
}

/// Measure a scan and judge every figure.
pub fn check(scan: &ScanUnderCheck<'_>, cancel: &CancelToken) -> Result<Report, Cancelled> {
    let areas = Areas::of(scan);
    let checks: [fn(&ScanUnderCheck<'_>, &Areas, &mut Report); 10] = [
        codes::check,
        noise::check,
        light::check,
        shift::check,
        edges::check,
        lines::check,
        blocks::check,
        texture::check,
        rings::check,
        codes::check_curve,
    ];
    use rayon::prelude::*;
    let reports: Vec<Report> = checks
        .par_iter()
        .map(|check| {
            let mut report = Report::default();
            cancel.check()?;
            check(scan, &areas, &mut report);
            Ok(report)
        })
        .collect::<Result<_, Cancelled>>()?;
    let mut all = Report::default();
    for report in reports {
        all.findings.extend(report.findings);
        all.measured.extend(report.measured);
    }
    blocks::settle(&mut all);
    all.keep_worst();
    all.findings.sort_by_key(|finding| !finding.serious);
    Ok(all)
}
