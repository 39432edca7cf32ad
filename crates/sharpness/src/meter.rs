//! Slanted-edge meter: finds the edge in a region of a scan, and measures every channel with its uncertainty.
//!
//! Source: ISO 12233:2014 and ISO 16067-2 (slanted edges of film scanners); see [`crate::slanted_edge`] for the method.

use glassine_raster::{CancelToken, Cancelled, PixelRect, Plane};

use crate::edges::{is_clean, is_line, windows_with_edge};
use crate::sfr::{Sfr, SfrError, slanted_edge};
use crate::suggest::{blur_of_mtf50, frequency_of};

/// Largest side of a region that is tried as a whole, px. Our choice: longer edges gain nothing and bend.
const WHOLE_MAX_PX: u32 = 1024;
/// Windows searched for an edge otherwise, px, the largest first: a longer edge is measured better.
const WINDOWS_PX: [u32; 4] = [256, 128, 64, 32];
/// Share of clipped samples that is tolerated. Our choice: single specks; a clipped side cuts the foot of the edge off.
const CLIPPED_MAX: f64 = 0.02;
/// Least contrast, as a share of the sum of both sides. Our choice: ISO 12233 uses targets of 4:1, a share of 0.6;
/// below 0.1, flare and noise of scans decide the result.
const CONTRAST_MIN: f64 = 0.1;
/// Parts along the edge that are measured one by one for the uncertainty, and the least rows of each. Our choice.
const PARTS: std::ops::RangeInclusive<u32> = 3..=8;
const PART_ROWS: u32 = 32;
/// Half sampling frequency, to which ISO 16067-2 as cited by imaging guidelines relates MTF10. Source: arithmetic.
const HALF_SAMPLING_CY_PX: f64 = 0.5;

/// Why an edge was not measured.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MeterError {
    #[error(transparent)]
    Edge(#[from] SfrError),
    /// An edge too faint for its noise, or for flare.
    #[error("the edge is too faint: its contrast is {:.0} % of the light; use a target of at least 4 to 1", 100.0 * contrast)]
    Faint {
        /// Difference of both sides over their sum.
        contrast: f64,
    },
    /// One side lies at the end of the codes.
    #[error("{:.0} % of the samples at the edge are clipped; scan with less or more exposure", 100.0 * share)]
    Clipped {
        /// Share of all samples there.
        share: f64,
    },
    /// The edge bends, or something else lies beside it.
    #[error(
        "the edge is not straight and clean enough (it strays {stray_px:.2} px, its sides vary by {:.0} %); give a box \
         around a clean part of it",
        100.0 * unevenness
    )]
    Unclean {
        /// Rms distance from a line.
        stray_px: f64,
        /// Unevenness of the sides, as a share of the contrast.
        unevenness: f64,
    },
    /// A line, or an edge with a line along it: it responds more than any edge.
    #[error(
        "this is a line, not an edge (its response rises to {peak:.1}); draw a box around the border of a wider area"
    )]
    Line {
        /// Largest response up to the half sampling frequency.
        peak: f64,
    },
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Response of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelSfr {
    pub sfr: Sfr,
    /// Standard error of the frequency of half response, from parts of the edge; `None` if it is too short for parts.
    pub mtf50_error_cy_px: Option<f64>,
    /// How far the edge lies from that of the reference channel, px across the edge, positive towards right or below.
    pub shift_px: f64,
}

impl ChannelSfr {
    /// Standard error of the frequency of half response: from parts of the edge, else from the noise beside it.
    pub fn error_cy_px(&self) -> Option<f64> {
        self.mtf50_error_cy_px.or_else(|| self.sfr.mtf50_noise_error_cy_px())
    }

    /// Frequency of one tenth response relative to the half sampling frequency, at most 1.
    ///
    /// Source: sampling efficiency of imaging guidelines that cite ISO 16067-2.
    pub fn sampling_efficiency(&self) -> Option<f64> {
        self.sfr.mtf10_cy_px().map(|f| (f / HALF_SAMPLING_CY_PX).min(1.0))
    }
}

/// Sampling efficiency of a Gaussian blur with square pixels that has half response at a frequency.
pub fn sampling_efficiency(mtf50_cy_px: f64) -> f64 {
    let blur_px = blur_of_mtf50(mtf50_cy_px);
    (frequency_of(blur_px, 0.1) / HALF_SAMPLING_CY_PX).min(1.0)
}

/// Responses of all channels at one edge.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeReport {
    /// What was measured.
    pub region: PixelRect,
    /// One for each plane given.
    pub channels: Vec<ChannelSfr>,
    /// Parts of the edge behind the uncertainty; 0 if it was too short.
    pub parts: u32,
}

/// Find the edge in an area and measure all channels of it; `reference` is the channel that finds it and that others
/// are compared with.
///
/// Planes hold linear light, 0 to 1, and have one size.
pub fn measure_edge(
    planes: &[Plane<f32>],
    reference: usize,
    area: PixelRect,
    cancel: &CancelToken,
) -> Result<EdgeReport, MeterError> {
    let Some(guide) = planes.get(reference) else {
        return Err(SfrError::TooSmall { width: 0, height: 0 }.into());
    };
    let region =
        edge_region(guide, area.intersect(PixelRect::of_size(guide.width(), guide.height())), cancel)?;
    for plane in planes {
        refuse_clipped(plane, region)?;
    }
    let found: Vec<Sfr> = planes.iter().map(|plane| slanted_edge(plane, region)).collect::<Result<_, _>>()?;
    for (plane, sfr) in planes.iter().zip(&found) {
        refuse_line(sfr)?;
        refuse_faint(plane, region, sfr)?;
    }
    let cuts = cuts(region, &found[reference]);
    let middle = found[reference].crossing_px;
    let channels = planes.iter().zip(found).map(|(plane, sfr)| ChannelSfr {
        mtf50_error_cy_px: error_of(plane, &cuts),
        shift_px: (sfr.crossing_px - middle) * sfr.angle_rad.cos(),
        sfr,
    });
    Ok(EdgeReport { region, channels: channels.collect(), parts: cuts.len() as u32 })
}

/// The area itself if it holds one clean edge, else the largest window of it with one, that of most contrast.
fn edge_region(plane: &Plane<f32>, area: PixelRect, cancel: &CancelToken) -> Result<PixelRect, MeterError> {
    let whole = slanted_edge(plane, area);
    let is_small = area.width().max(area.height()) <= WHOLE_MAX_PX;
    if whole.as_ref().is_ok_and(|sfr| is_small && is_clean(sfr) && !is_line(sfr)) {
        return Ok(area);
    }
    let part = crop(plane, area);
    for side in WINDOWS_PX {
        let found = windows_with_edge(&part, side, 2.0 * CONTRAST_MIN * mean(&part), cancel)?;
        if let Some(window) = found.first() {
            let (x, y) = (area.x0 + window.x0, area.y0 + window.y0);
            return Ok(PixelRect::new(x, y, x + side, y + side));
        }
    }
    match whole {
        Ok(sfr) if is_clean(&sfr) => Ok(area),
        Ok(sfr) => {
            refuse_clipped(plane, area)?;
            refuse_line(&sfr)?;
            refuse_faint(plane, area, &sfr)?;
            Err(MeterError::Unclean { stray_px: sfr.stray_px, unevenness: sfr.unevenness })
        }
        Err(error) => {
            // A window may show what keeps the whole area from being an edge: one along the pixel grid.
            let (x, y) = (area.x0 + area.width() / 2, area.y0 + area.height() / 2);
            let half = (area.width().min(area.height()) / 2).min(WINDOWS_PX[1]);
            let middle = PixelRect::new(x - half, y - half, x + half, y + half);
            match slanted_edge(plane, middle) {
                Err(upright @ SfrError::NotSlanted { .. }) => Err(upright.into()),
                _ => Err(error.into()),
            }
        }
    }
}

fn mean(plane: &Plane<f32>) -> f64 {
    plane.data().iter().map(|value| f64::from(*value)).sum::<f64>() / plane.data().len().max(1) as f64
}

fn crop(plane: &Plane<f32>, area: PixelRect) -> Plane<f32> {
    let row = |y: u32| plane.row(y)[area.x0 as usize..area.x1 as usize].iter().copied();
    let data = (area.y0..area.y1).flat_map(row).collect();
    Plane::from_vec(area.width(), area.height(), data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
}

fn refuse_clipped(plane: &Plane<f32>, region: PixelRect) -> Result<(), MeterError> {
    let part = crop(plane, region);
    let clipped = part.data().iter().filter(|value| **value <= 0.0 || **value >= 1.0).count();
    let share = clipped as f64 / part.data().len().max(1) as f64;
    if share > CLIPPED_MAX { Err(MeterError::Clipped { share }) } else { Ok(()) }
}

fn refuse_line(sfr: &Sfr) -> Result<(), MeterError> {
    if is_line(sfr) { Err(MeterError::Line { peak: sfr.peak() }) } else { Ok(()) }
}

fn refuse_faint(plane: &Plane<f32>, region: PixelRect, sfr: &Sfr) -> Result<(), MeterError> {
    let sum = 2.0 * mean(&crop(plane, region));
    let contrast = sfr.contrast.abs() / sum.max(1e-12);
    if contrast < CONTRAST_MIN { Err(MeterError::Faint { contrast }) } else { Ok(()) }
}

/// Parts of a region along its edge, each with at least one full cycle of the edge's place within a pixel.
fn cuts(region: PixelRect, sfr: &Sfr) -> Vec<PixelRect> {
    let length = if sfr.runs_down { region.height() } else { region.width() };
    let cycle = (1.2 / sfr.angle_rad.tan().max(1e-6)).ceil().min(1e6) as u32;
    let count = (length / PART_ROWS.max(cycle)).min(*PARTS.end());
    if count < *PARTS.start() {
        return Vec::new();
    }
    let at = |part: u32| part * length / count;
    (0..count)
        .map(|part| (at(part), at(part + 1)))
        .map(|(from, to)| match sfr.runs_down {
            true => PixelRect { y0: region.y0 + from, y1: region.y0 + to, ..region },
            false => PixelRect { x0: region.x0 + from, x1: region.x0 + to, ..region },
        })
        .collect()
}

/// Standard error of the mean frequency of half response over the parts of an edge.
fn error_of(plane: &Plane<f32>, cuts: &[PixelRect]) -> Option<f64> {
    let found: Vec<f64> =
        cuts.iter().filter_map(|cut| slanted_edge(plane, *cut).ok()?.mtf50_cy_px()).collect();
    let n = found.len() as f64;
    if found.len() < *PARTS.start() as usize {
        return None;
    }
    let middle = found.iter().sum::<f64>() / n;
    let variance = found.iter().map(|f| (f - middle).powi(2)).sum::<f64>() / (n - 1.0);
    Some((variance / n).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_edges::{Edge, noisy};

    fn measure(planes: &[Plane<f32>]) -> Result<EdgeReport, MeterError> {
        let whole = PixelRect::of_size(planes[0].width(), planes[0].height());
        measure_edge(planes, planes.len() / 2, whole, &CancelToken::new())
    }

    /// An edge picture in the middle of a larger flat one of its own corner's value.
    fn within(edge: &Plane<f32>, side: u32) -> Plane<f32> {
        let mut out = Plane::filled(side, side, edge.at(0, 0));
        for y in 0..edge.height() {
            for x in 0..edge.width() {
                out.data_mut()[((y + 200) * side + x + 300) as usize] = edge.at(x, y);
            }
        }
        out
    }

    #[test]
    fn the_uncertainty_covers_the_error_of_noisy_edges() {
        // MTF50 of sigma 0.7: 0.2471 (check value CV-5.1).
        let edge = Edge { sigma: 0.7, width: 96, height: 400, ..Edge::default() }.draw();
        let mut inside = 0;
        for seed in 0..30 {
            let report = measure(&[noisy(&edge, 0.01, seed)]).expect("an edge");
            let channel = &report.channels[0];
            let (mtf50, error) = (channel.sfr.mtf50_cy_px().expect("falls"), channel.mtf50_error_cy_px);
            let error = error.expect("parts");
            assert!(error < 0.006 && report.parts == 8, "{error}");
            inside += u32::from((mtf50 / 0.2471 - 1.0).abs() < 2.0 * error / 0.2471 + 0.01);
        }
        assert!(inside >= 27, "{inside} of 30");
    }

    #[test]
    fn channels_beside_each_other_are_told_in_pixels() {
        let at = |shift: f64| {
            let edge = Edge { sigma: 0.7, width: 96, height: 200, ..Edge::default() };
            // A shift of an edge along itself by its height moves it across by the sine.
            let mut long = Edge { height: 600, ..edge }.draw();
            let rows = (shift / 5.0_f64.to_radians().sin()).round();
            let from = (200.0 + rows) as usize * 96;
            let data = long.data_mut()[from..from + 200 * 96].to_vec();
            (Plane::from_vec(96, 200, data).expect("length fits"), -rows * 5.0_f64.to_radians().sin())
        };
        let ((red, red_px), (green, _), (blue, blue_px)) = (at(-0.7), at(0.0), at(1.4));
        let report = measure(&[red, green, blue]).expect("an edge");
        let shift = |channel: usize| report.channels[channel].shift_px;
        assert!(
            (shift(0) + red_px).abs() < 0.03 || (shift(0) - red_px).abs() < 0.03,
            "{} {red_px}",
            shift(0)
        );
        assert!((shift(2).abs() - blue_px.abs()).abs() < 0.03 && shift(0) * shift(2) < 0.0, "{}", shift(2));
        assert_eq!(shift(1), 0.0);
    }

    #[test]
    fn an_edge_in_a_large_picture_is_found() {
        let edge = Edge { sigma: 0.8, width: 300, height: 300, ..Edge::default() }.draw();
        let report = measure(&[within(&edge, 1100)]).expect("an edge");
        let mtf50 = report.channels[0].sfr.mtf50_cy_px().expect("falls");
        // sinc(f) exp(-2 (pi 0.8 f)^2) = 1/2 at 0.2199.
        assert!((mtf50 / 0.2199 - 1.0).abs() < 0.02, "{mtf50} in {:?}", report.region);
    }

    /// Columns of a plane.
    fn columns(plane: &Plane<f32>, from: u32, width: u32) -> Plane<f32> {
        crop(plane, PixelRect::new(from, 0, from + width, plane.height()))
    }

    #[test]
    fn a_line_beside_an_edge_is_refused_and_an_edge_that_the_scanner_sharpened_is_not() {
        let edge = Edge { sigma: 0.7, width: 60, height: 128, ..Edge::default() }.draw();
        // Two steps, four pixels apart, make a line that rises above the edge by 0.8 of its contrast.
        let (rise, fall) = (columns(&edge, 12, 40), columns(&edge, 8, 40));
        let both = rise.data().iter().zip(fall.data());
        let light = both.map(|(rise, fall)| 0.3 + 0.25 * (rise - 0.1) + 0.2 * (rise - fall)).collect();
        let line = Plane::from_vec(40, 128, light).expect("length fits");
        let colours = [columns(&edge, 10, 40), line.clone(), columns(&edge, 10, 40)];
        for planes in [&[line][..], &colours] {
            let found = measure(planes);
            assert!(matches!(found, Err(MeterError::Line { peak }) if peak > 1.5), "{found:?}");
        }
        let middle = edge.data().iter().map(|v| 0.5 + 0.4 * (v - 0.5)).collect();
        let plain = Plane::from_vec(60, 128, middle).expect("length fits");
        let plain_cy_px =
            measure(std::slice::from_ref(&plain)).expect("an edge").channels[0].sfr.mtf50_cy_px();
        for radius_px in [0.8, 1.5, 3.0] {
            let sharp = crate::sharpen(&plain, 1.0, radius_px, f32::INFINITY);
            let found = measure(&[sharp]).expect("an edge");
            assert!(found.channels[0].sfr.mtf50_cy_px() > plain_cy_px, "radius {radius_px}");
        }
    }

    #[test]
    fn what_cannot_be_measured_is_refused_with_its_reason() {
        let edge = Edge { sigma: 0.7, ..Edge::default() };
        let upright = Edge { angle_deg: 0.0, ..edge }.draw();
        assert!(matches!(measure(&[upright]), Err(MeterError::Edge(SfrError::NotSlanted { .. }))));
        let lift = |plane: &Plane<f32>, gain: f32, lift: f32| {
            let data = plane.data().iter().map(|v| (v * gain + lift).clamp(0.0, 1.0)).collect();
            Plane::from_vec(plane.width(), plane.height(), data).expect("length fits")
        };
        assert!(matches!(measure(&[lift(&edge.draw(), 1.3, 0.0)]), Err(MeterError::Clipped { .. })));
        assert!(matches!(measure(&[lift(&edge.draw(), 0.05, 0.5)]), Err(MeterError::Faint { .. })));
        let tiny = Edge { width: 18, height: 60, ..edge }.draw();
        assert!(matches!(measure(&[tiny]), Err(MeterError::Edge(SfrError::TooSmall { .. }))));
        assert!(measure(&[Plane::filled(200, 200, 0.4)]).is_err());
    }
}
