//! Spatial frequency response from a slanted edge.
//!
//! The method is that of ISO 12233:2014 (e-SFR, 6.2.4-6.2.5): derivative of each line, straight line through the
//! centroids, projection onto bins of a quarter pixel, derivative `[-1/2, 0, 1/2]`, Hamming window, Fourier transform,
//! division by the derivative's own response. Two differences bring it closer to the true response: distances are
//! measured along the edge's normal (so edges of any slant give frequencies across the edge), and the quarter-pixel
//! bins' own response `sinc(f/4)` is divided out.
//!
//! Source: ISO 12233:2014 as excerpted publicly; the steps before the projection from memory of the method. Checked
//! against the closed form `sinc(f) exp(-2 (pi sigma f)^2)` of a Gaussian blur with square pixels.

use std::f64::consts::PI;

use glassine_raster::{PixelRect, Plane};

/// Bins per pixel. Source: ISO 12233:2014, 6.2.4 (four bins).
const OVERSAMPLING: usize = 4;
/// Smallest side of a region. Our choice: room for the window of the last pass, 12 px, and level sides.
const SIDE_MIN_PX: u32 = 20;
/// Least slope relative to the pixel rows or columns: an edge closer to them does not fill the bins. Our choice: 0.7
/// degrees, a pixel in 83 rows; the standard's edges have about 5 degrees.
const SLANT_MIN: f64 = 0.012;
/// Steepest slope: the region is turned so that edges run downwards, so 1 is the most, and some rounding. Our choice.
const SLANT_MAX: f64 = 1.05;
/// Half width of the window of the last pass, pixels, and at most a third of the region. Our choice: wide enough for
/// blurs of 4 px (three sigma), narrow enough to leave other edges out.
const WINDOW_HALF_PX: f64 = 12.0;
/// Rms distance from a line at which there is no straight edge, pixels. Our choice: more is a curve or a second edge.
const STRAY_MAX_PX: f64 = 0.7;
/// Distance that the ends of the edge keep from the sides of the region, pixels. Our choice: some level area beside it.
const SIDE_ROOM_PX: f64 = 4.0;
/// Pixels at each side of the edge whose bins must be filled, and beyond which the sides count as level. Our choice.
const NEAR_PX: usize = 6;
/// Constant and cosine of the Hamming window. Source: its definition; ISO 12233:2014 asks for this window.
const HAMMING: (f64, f64) = (0.54, 0.46);
/// Least response of the method itself that is divided out. Our choice: below, noise would only be amplified.
const OWN_RESPONSE_MIN: f64 = 0.1;
/// Points beyond this many standard deviations are left out of the line, and the least deviation assumed, pixels. Our
/// choice: three is common practice; without the least, a perfect edge would lose points to rounding.
const OUTLIERS: (f64, f64) = (3.0, 0.02);
/// Fewest points of a line. Our choice.
const POINTS_MIN: usize = 8;

#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SfrError {
    /// The region is too small.
    #[error(
        "a region of {width} x {height} pixels is too small for an edge; take at least {SIDE_MIN_PX} each way"
    )]
    TooSmall {
        /// Columns of the region, clipped to the picture.
        width: u32,
        height: u32,
    },
    /// There is no single straight edge.
    #[error(
        "no single straight edge in the region (it strays {stray_px:.2} px from a line); move the region onto one edge"
    )]
    NoEdge {
        /// Rms distance of the edge from the fitted line; infinite if there is no contrast at all.
        stray_px: f64,
    },
    /// The edge runs along the pixel grid.
    #[error("the edge is only {:.2} degrees off the pixel grid; turn the target by about five degrees", angle_rad.to_degrees())]
    NotSlanted {
        /// Angle to the nearest pixel axis.
        angle_rad: f64,
    },
}

/// Response of one slanted edge.
#[derive(Debug, Clone, PartialEq)]
pub struct Sfr {
    /// Frequencies across the edge, cycles per pixel, from 0.
    pub frequency_cy_px: Vec<f64>,
    /// Response at each frequency, 1 at frequency 0.
    pub response: Vec<f64>,
    /// Angle of the edge to the nearest pixel axis.
    pub angle_rad: f64,
    /// Difference of the two sides, in the plane's own unit.
    pub contrast: f64,
    /// Unevenness of the two sides, as a share of the contrast.
    pub unevenness: f64,
    /// Rms distance of the edge from a straight line.
    pub stray_px: f64,
    /// Where the middle of the edge crosses the middle row (or column) of the region, pixels from the region's left (or
    /// top) side, measured at pixel edges.
    pub crossing_px: f64,
    /// Whether the edge runs rather downwards than across.
    pub runs_down: bool,
    /// How far the bright side rises above its level beside the edge, as a share of the contrast; 0 or more.
    pub overshoot: f64,
    /// How far the dark side falls below its level beside the edge, as a share of the contrast; 0 or more.
    pub undershoot: f64,
}

impl Sfr {
    /// Response at a frequency, linear between samples; 0 beyond the last.
    pub fn at(&self, frequency_cy_px: f64) -> f64 {
        let after = self.frequency_cy_px.partition_point(|&f| f < frequency_cy_px);
        match after {
            0 => self.response.first().copied().unwrap_or(0.0),
            i if i < self.response.len() => {
                let (f0, f1) = (self.frequency_cy_px[i - 1], self.frequency_cy_px[i]);
                let t = (frequency_cy_px - f0) / (f1 - f0);
                self.response[i - 1] + t * (self.response[i] - self.response[i - 1])
            }
            _ => 0.0,
        }
    }

    /// First frequency at which the response falls to `level`; `None` if it never does.
    pub fn falls_to(&self, level: f64) -> Option<f64> {
        let i = self.response.iter().position(|&r| r < level)?;
        if i == 0 {
            return Some(0.0);
        }
        let (r0, r1) = (self.response[i - 1], self.response[i]);
        let (f0, f1) = (self.frequency_cy_px[i - 1], self.frequency_cy_px[i]);
        Some(f0 + (r0 - level) / (r0 - r1) * (f1 - f0))
    }

    /// Frequency of half response, cycles per pixel.
    pub fn mtf50_cy_px(&self) -> Option<f64> {
        self.falls_to(0.5)
    }

    /// Frequency of one tenth response, cycles per pixel.
    pub fn mtf10_cy_px(&self) -> Option<f64> {
        self.falls_to(0.1)
    }

    /// Largest response up to the half sampling frequency; above 1 if the picture was sharpened.
    pub fn peak(&self) -> f64 {
        let below = self.frequency_cy_px.iter().zip(&self.response).take_while(|(f, _)| **f <= 0.5);
        below.map(|(_, r)| *r).fold(0.0, f64::max)
    }
}

/// Response of the one slanted edge in a region of linear samples.
///
/// The edge may have any direction except along the pixel rows or columns. Values must be proportional to light; a
/// picture with a tone curve gives only the response of that picture.
pub fn slanted_edge(plane: &Plane<f32>, region: PixelRect) -> Result<Sfr, SfrError> {
    let region = region.intersect(PixelRect::of_size(plane.width(), plane.height()));
    let (width, height) = (region.width(), region.height());
    if width < SIDE_MIN_PX || height < SIDE_MIN_PX {
        return Err(SfrError::TooSmall { width, height });
    }
    let lines = Lines::read(plane, region);
    let fit = lines.fit_edge()?;
    let angle_rad = fit.slope.abs().atan();
    if fit.slope.abs() < SLANT_MIN {
        return Err(SfrError::NotSlanted { angle_rad });
    }
    let spread = lines.edge_spread(&fit).ok_or(SfrError::NotSlanted { angle_rad })?;
    let middle = fit.start + fit.slope * (lines.rows.len() as f64 - 1.0) / 2.0 + 0.5;
    let crossing_px = if lines.is_reversed { lines.columns as f64 - middle } else { middle };
    Ok(Sfr { crossing_px, runs_down: lines.runs_down, ..spread.response(&fit, angle_rad) })
}

/// The region rotated so that the edge runs roughly downwards and brightness rises to the right.
struct Lines {
    rows: Vec<Vec<f64>>,
    columns: usize,
    is_reversed: bool,
    runs_down: bool,
}

/// `x = start + slope * y`.
struct EdgeLine {
    start: f64,
    slope: f64,
    stray_px: f64,
}

struct EdgeSpread {
    bins: Vec<f64>,
    contrast: f64,
    unevenness: f64,
    overshoot: f64,
    undershoot: f64,
}

impl Lines {
    fn read(plane: &Plane<f32>, region: PixelRect) -> Self {
        let at = |x: u32, y: u32| f64::from(plane.at(x, y));
        let (mut across, mut down) = (0.0, 0.0);
        for y in region.y0..region.y1 - 1 {
            for x in region.x0..region.x1 - 1 {
                across += (at(x + 1, y) - at(x, y)).powi(2);
                down += (at(x, y + 1) - at(x, y)).powi(2);
            }
        }
        let runs_down = across >= down;
        let mut rows: Vec<Vec<f64>> = if runs_down {
            (region.y0..region.y1).map(|y| (region.x0..region.x1).map(|x| at(x, y)).collect()).collect()
        } else {
            (region.x0..region.x1).map(|x| (region.y0..region.y1).map(|y| at(x, y)).collect()).collect()
        };
        let columns = rows[0].len();
        // The outer fifths tell which side is brighter; the edge crosses the middle. Our choice.
        let end = columns / 5;
        let side = |from: usize| rows.iter().map(|r| r[from..from + end].iter().sum::<f64>()).sum::<f64>();
        let is_reversed = side(columns - end) < side(0);
        if is_reversed {
            for row in &mut rows {
                row.reverse();
            }
        }
        Self { rows, columns, is_reversed, runs_down }
    }

    /// Straight line through the slope centroids of the lines, in three passes that narrow the window and drop
    /// outliers.
    fn fit_edge(&self) -> Result<EdgeLine, SfrError> {
        let nothing = SfrError::NoEdge { stray_px: f64::INFINITY };
        let middle = (self.columns as f64 - 1.0) / 2.0;
        let mut line: Option<EdgeLine> = None;
        let whole = self.columns as f64 / 2.0;
        for half in [whole, whole, WINDOW_HALF_PX.min(self.columns as f64 / 3.0)] {
            let mut points = Vec::new();
            for (y, row) in self.rows.iter().enumerate() {
                let about = line.as_ref().map_or(middle, |l| l.start + l.slope * y as f64);
                if let Some(x) = centroid(row, about, half) {
                    points.push((y as f64, x));
                }
            }
            line = Some(fit_line(&points).ok_or(nothing)?);
        }
        let line = line.ok_or(nothing)?;
        if !line.stray_px.is_finite() || line.stray_px > STRAY_MAX_PX {
            return Err(SfrError::NoEdge { stray_px: line.stray_px });
        }
        let last = line.start + line.slope * (self.rows.len() as f64 - 1.0);
        let inside = |x: f64| x > SIDE_ROOM_PX && x < self.columns as f64 - 1.0 - SIDE_ROOM_PX;
        if !inside(line.start) || !inside(last) || line.slope.abs() > SLANT_MAX {
            return Err(SfrError::NoEdge { stray_px: line.stray_px });
        }
        Ok(line)
    }

    /// Mean value by distance from the edge; `None` if too many bins near the edge are empty.
    fn edge_spread(&self, line: &EdgeLine) -> Option<EdgeSpread> {
        // Whole cycles of the edge's position within a pixel, so that every phase has equal weight.
        let cycles = (self.rows.len() as f64 * line.slope.abs()).floor();
        let rows = if cycles >= 1.0 { (cycles / line.slope.abs()).round() as usize } else { self.rows.len() };
        let cos = 1.0 / (1.0 + line.slope * line.slope).sqrt();
        let n = self.columns * OVERSAMPLING;
        let (mut sum, mut count) = (vec![0.0; n], vec![0_u32; n]);
        for (y, row) in self.rows.iter().enumerate().take(rows) {
            let edge = line.start + line.slope * y as f64;
            for (x, &value) in row.iter().enumerate() {
                let distance = (x as f64 - edge) * cos;
                let bin = ((distance + self.columns as f64 / 2.0) * OVERSAMPLING as f64).floor();
                if bin >= 0.0 && (bin as usize) < n {
                    sum[bin as usize] += value;
                    count[bin as usize] += 1;
                }
            }
        }
        let middle = n / 2;
        let reach = NEAR_PX * OVERSAMPLING;
        let near = middle - reach..middle + reach;
        // Up to a fifth may be interpolated. Our choice: a slant of a whole number of rows leaves some bins empty.
        if near.clone().filter(|&i| count[i] == 0).count() > near.len() / 5 {
            return None;
        }
        // Bins beyond the picture repeat the outermost filled ones.
        let first = count.iter().position(|&c| c > 0)?;
        let last = count.iter().rposition(|&c| c > 0)?;
        let mut bins = vec![0.0; n];
        let mut previous = first;
        for i in first..=last {
            if count[i] == 0 {
                continue;
            }
            bins[i] = sum[i] / f64::from(count[i]);
            for gap in previous + 1..i {
                let t = (gap - previous) as f64 / (i - previous) as f64;
                bins[gap] = bins[previous] + t * (bins[i] - bins[previous]);
            }
            previous = i;
        }
        let (low, high) = (bins[first], bins[last]);
        bins[..first].fill(low);
        bins[last + 1..].fill(high);
        let (a, b) = (
            &bins[first..middle - reach.min(middle - first - 1)],
            &bins[middle + reach.min(last - middle)..=last],
        );
        let ((mean_a, spread_a), (mean_b, spread_b)) = (mean_and_spread(a), mean_and_spread(b));
        let contrast = mean_b - mean_a;
        // Means over a pixel, so that noise in single bins is no halo.
        let smooth: Vec<f64> = bins[first..=last]
            .windows(OVERSAMPLING)
            .map(|w| w.iter().sum::<f64>() / OVERSAMPLING as f64)
            .collect();
        let share = |beyond: f64| beyond.max(0.0) / contrast.abs().max(1e-12);
        let overshoot = share(smooth.iter().copied().fold(f64::MIN, f64::max) - mean_b);
        let undershoot = share(mean_a - smooth.iter().copied().fold(f64::MAX, f64::min));
        let unevenness = spread_a.max(spread_b) / contrast.abs().max(1e-12);
        Some(EdgeSpread { contrast, unevenness, bins, overshoot, undershoot })
    }
}

impl EdgeSpread {
    fn response(self, line: &EdgeLine, angle_rad: f64) -> Sfr {
        let n = self.bins.len();
        let mut slope = vec![0.0; n];
        for (s, around) in slope[1..].iter_mut().zip(self.bins.windows(3)) {
            *s = 0.5 * (around[2] - around[0]);
        }
        let top = (0..n).max_by(|&a, &b| slope[a].abs().total_cmp(&slope[b].abs())).unwrap_or(n / 2);
        slope.rotate_right((n + n / 2 - top) % n);
        for (i, s) in slope.iter_mut().enumerate() {
            *s *= HAMMING.0 - HAMMING.1 * (2.0 * PI * i as f64 / (n as f64 - 1.0)).cos();
        }
        let pixels = n as f64 / OVERSAMPLING as f64;
        let (mut frequency_cy_px, mut response) = (Vec::new(), Vec::new());
        let mut zero = 1.0;
        for k in 0..=(pixels as usize).min(n / 2) {
            let f = k as f64 / pixels;
            let turn = 2.0 * PI * k as f64 / n as f64;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, s) in slope.iter().enumerate() {
                re += s * (turn * i as f64).cos();
                im += s * (turn * i as f64).sin();
            }
            let modulus = re.hypot(im);
            if k == 0 {
                zero = modulus.max(1e-300);
            }
            let own = sinc(2.0 * f / OVERSAMPLING as f64) * sinc(f / OVERSAMPLING as f64);
            frequency_cy_px.push(f);
            response.push(modulus / zero / own.max(OWN_RESPONSE_MIN));
        }
        Sfr {
            frequency_cy_px,
            response,
            angle_rad,
            contrast: self.contrast,
            unevenness: self.unevenness,
            stray_px: line.stray_px,
            crossing_px: line.start,
            runs_down: true,
            overshoot: self.overshoot,
            undershoot: self.undershoot,
        }
    }
}

/// `sin(pi x) / (pi x)`.
pub(crate) fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Centroid of the rise within a Hamming window; `None` if the line does not rise there.
fn centroid(row: &[f64], about: f64, half: f64) -> Option<f64> {
    let (mut sum, mut total) = (0.0, 0.0);
    for x in 1..row.len() - 1 {
        let away = x as f64 - about;
        if away.abs() > half {
            continue;
        }
        let weight = HAMMING.0 + HAMMING.1 * (PI * away / half).cos();
        let rise = 0.5 * (row[x + 1] - row[x - 1]) * weight;
        sum += rise * x as f64;
        total += rise;
    }
    let x = sum / total;
    (total > 0.0 && x.is_finite() && x > -1.0 && x < row.len() as f64).then_some(x)
}

/// Least-squares line `x(y)`, refitted without points beyond three deviations.
fn fit_line(points: &[(f64, f64)]) -> Option<EdgeLine> {
    let mut kept: Vec<(f64, f64)> = points.to_vec();
    let mut line = None;
    for _ in 0..3 {
        let n = kept.len() as f64;
        if kept.len() < POINTS_MIN {
            return None;
        }
        let (my, mx) = kept.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
        let yy: f64 = kept.iter().map(|p| (p.0 - my).powi(2)).sum();
        let yx: f64 = kept.iter().map(|p| (p.0 - my) * (p.1 - mx)).sum();
        let slope = yx / yy.max(1e-12);
        let start = mx - slope * my;
        let stray = (kept.iter().map(|p| (p.1 - start - slope * p.0).powi(2)).sum::<f64>() / n).sqrt();
        line = Some(EdgeLine { start, slope, stray_px: stray });
        let limit = OUTLIERS.0 * stray.max(OUTLIERS.1);
        kept.retain(|p| (p.1 - start - slope * p.0).abs() <= limit);
    }
    // More than a quarter off the line is no single edge. Our choice.
    line.filter(|_| kept.len() * 4 >= points.len() * 3)
}

fn mean_and_spread(values: &[f64]) -> (f64, f64) {
    let n = (values.len() as f64).max(1.0);
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_edges::{Edge, noisy};

    fn whole(plane: &Plane<f32>) -> Result<Sfr, SfrError> {
        slanted_edge(plane, PixelRect::of_size(plane.width(), plane.height()))
    }

    /// Frequency at which `sinc(f) exp(-2 (pi sigma f)^2)` falls to a level, by bisection.
    fn analytic(sigma: f64, level: f64) -> f64 {
        let (mut low, mut high) = (0.0, 0.999);
        for _ in 0..60 {
            let f = 0.5 * (low + high);
            let value = sinc(f) * (-2.0 * (PI * sigma * f).powi(2)).exp();
            (low, high) = if value > level { (f, high) } else { (low, f) };
        }
        low
    }

    #[test]
    fn the_closed_form_gives_the_published_check_values() {
        // Check values CV-5.1 of the reference notes: MTF50 and MTF10 by sigma.
        for (sigma, half, tenth) in
            [(0.3, 0.4423, 0.7637), (0.5, 0.3231, 0.5813), (1.0, 0.18, 0.3277), (2.0, 0.0927, 0.169)]
        {
            assert!(
                (analytic(sigma, 0.5) - half).abs() < 1e-4 && (analytic(sigma, 0.1) - tenth).abs() < 1e-4
            );
        }
    }

    #[test]
    fn half_response_matches_the_closed_form_within_two_percent() {
        for sigma in [0.3, 0.5, 0.7, 1.0, 1.5, 2.0] {
            let sfr = whole(&Edge { sigma, ..Edge::default() }.draw()).expect("a clean edge");
            let (got, expect) = (sfr.mtf50_cy_px().expect("falls"), analytic(sigma, 0.5));
            assert!((got / expect - 1.0).abs() < 0.02, "sigma {sigma}: {got} against {expect}");
        }
    }

    #[test]
    fn an_independent_program_of_the_same_recipe_agrees_within_three_percent() {
        // Check values CV-5.3: 128 rows, 96 columns, 5 degrees, levels 0.1 and 0.9.
        for (sigma, half) in [(0.5, 0.3197), (0.7, 0.2453), (1.0, 0.1791), (1.5, 0.1224), (2.0, 0.0927)] {
            let sfr = whole(&Edge { sigma, ..Edge::default() }.draw()).expect("a clean edge");
            let got = sfr.mtf50_cy_px().expect("falls");
            assert!((got / half - 1.0).abs() < 0.03, "sigma {sigma}: {got} against {half}");
        }
    }

    #[test]
    fn the_whole_curve_follows_the_table() {
        // Check values CV-5.2, sigma 0.7.
        let sfr = whole(&Edge { sigma: 0.7, ..Edge::default() }.draw()).expect("a clean edge");
        for (f, value) in
            [(0.05, 0.9721), (0.1, 0.8929), (0.2, 0.6354), (0.3, 0.3594), (0.4, 0.1610), (0.5, 0.0567)]
        {
            assert!((sfr.at(f) - value).abs() < 0.015, "{f}: {} against {value}", sfr.at(f));
        }
        assert!((sfr.mtf10_cy_px().expect("falls") - 0.4485).abs() < 0.01);
        assert!(sfr.peak() < 1.02);
    }

    #[test]
    fn slant_direction_and_polarity_do_not_matter() {
        let reference = analytic(0.7, 0.5);
        for angle_deg in [2.0, -5.0, 8.0, 12.0, 25.0, 40.0] {
            for (turned, falling) in [(false, false), (true, false), (false, true), (true, true)] {
                let edge = Edge { sigma: 0.7, angle_deg, turned, falling, ..Edge::default() };
                let edge = if angle_deg > 20.0 { Edge { width: 200, ..edge } } else { edge };
                let got = whole(&edge.draw()).expect("a clean edge").mtf50_cy_px().expect("falls");
                assert!((got / reference - 1.0).abs() < 0.03, "{edge:?}: {got} against {reference}");
            }
        }
    }

    #[test]
    fn noise_widens_the_answer_as_expected_and_no_more() {
        let got: Vec<f64> = (0..20)
            .map(|seed| {
                let plane = noisy(&Edge { sigma: 0.7, ..Edge::default() }.draw(), 0.005, seed);
                whole(&plane).expect("an edge").mtf50_cy_px().expect("falls")
            })
            .collect();
        let (mean, spread) = mean_and_spread(&got);
        // The independent program gives a spread of 0.0011 at this noise (CV-5.3).
        assert!((mean - 0.2471).abs() < 0.004 && spread < 0.003, "{mean} +- {spread}");
    }

    #[test]
    fn pictures_without_a_slanted_edge_are_refused() {
        let flat = Plane::filled(64, 64, 0.5_f32);
        assert!(matches!(whole(&flat), Err(SfrError::NoEdge { .. })));
        assert!(matches!(whole(&Plane::filled(8, 64, 0.5)), Err(SfrError::TooSmall { .. })));
        let upright = Edge { angle_deg: 0.0, ..Edge::default() }.draw();
        assert!(matches!(whole(&upright), Err(SfrError::NotSlanted { .. })));
        assert!(whole(&noisy(&flat, 0.2, 5)).is_err());
        assert!(whole(&Plane::filled(64, 64, f32::NAN)).is_err());
    }
}
