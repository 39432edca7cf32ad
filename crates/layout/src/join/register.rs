//! How two scans lie to each other, coarse to fine, and whether that can be trusted.

use glassine_raster::{CancelToken, Point, RegionError, RegionSource, Samples16, box_reduce};

use super::affine::{Affine, Match, fit_by_consensus, fit_robustly};
use super::coarse::{Shapes, Shift, likely_shifts};
use super::grey::Level;
use super::patches::{Search, search_places};

/// A scan to register: its samples, and an overview of them reduced by a whole factor, in linear codes.
#[derive(Clone, Copy)]
#[expect(missing_debug_implementations, reason = "a source of pixels has nothing to print")]
pub struct PartView<'a> {
    /// The scan at full resolution.
    pub full: &'a dyn RegionSource,
    pub overview: &'a Samples16,
    /// Scan pixels a side of one pixel of the overview.
    pub overview_factor: u32,
    /// Colour channels, which come first; infrared is not used.
    pub colours: u8,
}

/// How two scans lie to each other.
#[derive(Debug, Clone)]
pub struct PairFit {
    /// From pixels of the second scan to pixels of the first.
    pub b_to_a: Affine,
    /// Places that agree.
    pub matches: Vec<Match>,
    /// Robust standard deviation of their distances along one axis, pixels.
    pub sigma_px: f64,
}

/// Why two scans can't be registered.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Unregistered {
    /// No shift makes the scans agree.
    #[error("no overlap was found: too little of the film is on both scans, or it shows no detail")]
    NoOverlap,
    /// Two shifts are about as good.
    #[error("the overlap repeats itself, so that several places fit equally well")]
    Ambiguous,
    /// The places that agree don't fix the position.
    #[error("only {places} places agree, which leaves an uncertainty of {uncertainty_px:.1} px")]
    TooLittleDetail { places: usize, uncertainty_px: f64 },
    /// The places contradict each other: film that bent, or different pictures.
    #[error("the scans do not fit: places that look alike are {sigma_px:.1} px off each other")]
    Inconsistent { sigma_px: f64 },
}

/// A failed registration: scans that don't fit, or that can't be read.
#[derive(Debug, Clone, thiserror::Error)]
pub enum RegisterError {
    #[error(transparent)]
    Unregistered(#[from] Unregistered),
    #[error(transparent)]
    Region(#[from] RegionError),
}

/// Longest sides of the smallest pictures. Source: our choice; all shifts of 160 px are tried in about half a second,
/// and a turn of 1° moves no edge by more than two pixels.
const SMALL_SIDE_PX: u32 = 160;
/// Longest sides of the pictures on which likely shifts are looked at closer.
const MIDDLE_SIDE_PX: u32 = 1000;
/// Distance, pixels of the level, within which places agree. Source: our choice.
const AGREEING_PX: f64 = 1.5;
/// Least places that agree, and least share of all that look alike. Source: our choice; two random positions agree
/// within 1.5 px in one of 250 cases.
const LEAST_AGREEING: usize = 8;
const LEAST_AGREEING_SHARE: f64 = 0.25;
/// Largest uncertainty of a position in the overlap, pixels. Source: our choice; half a pixel is not seen in a print.
const MOST_UNCERTAINTY_PX: f64 = 0.5;
/// Largest scatter of the places, pixels: film that lies flat gives a tenth of that. Source: our choice.
const MOST_SIGMA_PX: f64 = 1.5;

/// Find how two overlapping scans of one film lie to each other: shift, turn and scale.
///
/// Overlaps of at least a tenth of a side, turns up to about 2° and scales within 1 % are found, in whatever exposure and
/// flare. Dust and holder edges, which do not move with the film, are outvoted.
pub fn register_pair<'a>(
    a: &PartView<'a>,
    b: &PartView<'a>,
    cancel: &CancelToken,
) -> Result<PairFit, RegisterError> {
    let small = Reduced::of(a, b, SMALL_SIDE_PX);
    let shapes = (Shapes::of(&small.a, a.colours.into()), Shapes::of(&small.b, b.colours.into()));
    let shifts = likely_shifts(&shapes.0, &shapes.1);
    let middle = Reduced::of(a, b, MIDDLE_SIDE_PX);
    let level = |view: &PartView<'_>, source, factor| Level { source, factor, colours: view.colours.into() };
    let middle = (level(a, &middle.a, middle.factor), level(b, &middle.b, middle.factor));
    let overview = |view: &PartView<'a>| level(view, view.overview, view.overview_factor.max(1).into());
    let (overviews, full) = ((overview(a), overview(b)), (level(a, a.full, 1.0), level(b, b.full, 1.0)));
    let mut map = best_shift(&shifts, small.factor, (&middle.0, &middle.1), cancel)?;
    // Errors of half a pixel grow by the ratio of two levels.
    let mut before = middle.0.factor;
    let steps = [&middle, &overviews, &full, &full];
    let mut result = None;
    for (nth, (a, b)) in steps.into_iter().enumerate() {
        let finest = a.factor.max(b.factor);
        let is_last = nth + 1 == steps.len();
        if nth == 1 && finest <= 1.0 {
            continue;
        }
        let radius_px = if is_last { 2 } else { (before / finest).ceil() as i64 + 2 };
        let search = Search { places: 350, half_px: 18, radius_px, least_likeness: 0.35 };
        let (matches, _) = search_places((a, b), &map, &search, cancel)?;
        let Some(fit) = fit_robustly(&matches, &map) else {
            return Err(Unregistered::TooLittleDetail {
                places: matches.len(),
                uncertainty_px: f64::from(SMALL_SIDE_PX),
            }
            .into());
        };
        map = fit.map;
        before = finest;
        let kept = matches.iter().zip(&fit.weights).filter(|(_, weight)| **weight > 0.1);
        let kept: Vec<Match> = kept.map(|(m, _)| *m).collect();
        result = Some(PairFit { b_to_a: map, matches: kept, sigma_px: fit.sigma_px });
    }
    let fit = result.ok_or(Unregistered::NoOverlap)?;
    judge(&fit)?;
    Ok(fit)
}

/// Two overviews reduced by one factor.
struct Reduced {
    a: Samples16,
    b: Samples16,
    factor: f64,
}

impl Reduced {
    /// Pictures with sides of at most `longest` pixels, by the least factor that both overviews can be reduced to.
    fn of(a: &PartView<'_>, b: &PartView<'_>, longest: u32) -> Self {
        let sides = [a.full.width(), a.full.height(), b.full.width(), b.full.height()];
        let wanted = sides.into_iter().max().unwrap_or(1).div_ceil(longest).max(1);
        let (by_a, by_b) = (a.overview_factor.max(1), b.overview_factor.max(1));
        let common = (1..=by_b).map(|k| by_a.saturating_mul(k)).find(|m| m % by_b == 0).unwrap_or(by_a);
        let factor = common.saturating_mul(wanted.div_ceil(common));
        Self {
            a: box_reduce(a.overview, factor / by_a),
            b: box_reduce(b.overview, factor / by_b),
            factor: factor.into(),
        }
    }
}

/// The map that most places of the closer pictures agree with, among the likely shifts.
fn best_shift(
    shifts: &[Shift],
    small_factor: f64,
    levels: (&Level<'_>, &Level<'_>),
    cancel: &CancelToken,
) -> Result<Affine, RegisterError> {
    let ratio = small_factor / levels.0.factor;
    // One small pixel, and a turn of 1° over half the overlap.
    let radius_px = (1.6 * ratio).ceil() as i64 + 8;
    let search = Search { places: 80, half_px: 14, radius_px, least_likeness: 0.4 };
    let mut found: Vec<(Affine, usize, usize)> = Vec::new();
    for shift in shifts {
        let start = Affine::shift(f64::from(shift.dx) * small_factor, f64::from(shift.dy) * small_factor);
        let (matches, tried) = search_places(levels, &start, &search, cancel)?;
        let tolerance = AGREEING_PX * levels.0.factor;
        let Some((map, agreeing)) = fit_by_consensus(&matches, tolerance) else { continue };
        let is_trusted =
            agreeing >= LEAST_AGREEING && agreeing as f64 >= LEAST_AGREEING_SHARE * matches.len() as f64;
        if is_trusted {
            found.push((map, agreeing, tried));
        }
    }
    found.sort_by_key(|(_, agreeing, _)| std::cmp::Reverse(*agreeing));
    let Some((best, agreeing, _)) = found.first().copied() else {
        return Err(Unregistered::NoOverlap.into());
    };
    let (width, height) = levels.1.size();
    let middle =
        Point::new(0.5 * f64::from(width) * levels.1.factor, 0.5 * f64::from(height) * levels.1.factor);
    let at = best.apply(middle);
    let is_far = |map: &Affine| map.apply(middle).distance(at) > 12.0 * levels.0.factor;
    let rival = found.iter().skip(1).find(|(map, _, _)| is_far(map));
    // Source: our choice; a wrong shift of an unlike picture gathers a small part of the places.
    match rival {
        Some((_, others, _)) if *others as f64 > 0.7 * agreeing as f64 => Err(Unregistered::Ambiguous.into()),
        _ => Ok(best),
    }
}

/// Fails if the places don't fix the position to a fraction of a pixel.
fn judge(fit: &PairFit) -> Result<(), Unregistered> {
    let count = fit.matches.len();
    if fit.sigma_px > MOST_SIGMA_PX {
        return Err(Unregistered::Inconsistent { sigma_px: fit.sigma_px });
    }
    let n = count.max(1) as f64;
    let mean = |of: fn(&Match) -> f64| fit.matches.iter().map(of).sum::<f64>() / n;
    let middle = Point::new(mean(|m| m.a.x), mean(|m| m.a.y));
    let distance = |m: &Match| m.a.distance(middle);
    let spread = fit.matches.iter().map(|m| distance(m).powi(2)).sum::<f64>();
    let farthest = fit.matches.iter().map(distance).fold(0.0, f64::max);
    // Variance of the position of a similarity fit at the farthest place: shift, then turn and scale.
    let uncertainty_px = 2.0 * fit.sigma_px * (1.0 / n + farthest * farthest / spread.max(1e-9)).sqrt();
    if count < LEAST_AGREEING || uncertainty_px > MOST_UNCERTAINTY_PX {
        return Err(Unregistered::TooLittleDetail { places: count, uncertainty_px });
    }
    Ok(())
}
