//! The clear film of a strip, and a signal that is zero on it and grows with the image.
//!
//! Negatives: density above the clearest film. Slides: how much clearer than the darkest film, with a floor that
//! suppresses sensor noise in the black. Pixels without film (open light, holder) have no signal: NaN.

use glassine_raster::Plane;
use rayon::prelude::*;

use super::levels::{Kind, OpenLight, Work, max3};
use super::strips::{Piece, StripFrame, grow, read_upright};

/// Floor added to transmittances before the logarithm: low enough for the depth of negatives (3.3 D), high enough to
/// hide the noise in the black of slides (2.4 D). Our choice.
const NEGATIVE_FLOOR_T: f32 = 0.0005;
const SLIDE_FLOOR_T: f32 = 0.004;

/// Width of a histogram bin, density. Ours: finer than the grain of any base at overview scale.
const BIN_D: f32 = 0.005;
const BINS: usize = 900;

/// Measured properties of the rebate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Base {
    /// Transmittance of the rebate per colour channel.
    pub(super) t: [f32; 3],
    pub(super) slide: bool,
    /// Spread of the rebate, density.
    pub(super) noise_d: f32,
    /// Share of the piece's outline that is rebate; near zero when the piece is all image.
    pub(super) outline_share: f32,
    /// The open light, if there is any.
    pub(super) open: Option<OpenLight>,
}

impl Base {
    /// Signal of a pixel: 0 on the rebate, positive in the image.
    pub(super) fn signal(&self, t: [f32; 3]) -> f32 {
        let floor = if self.slide { SLIDE_FLOOR_T } else { NEGATIVE_FLOOR_T };
        let sum: f32 = (0..3).map(|c| ((self.t[c] + floor) / (t[c].max(0.0) + floor)).log10()).sum();
        if self.slide { -sum / 3.0 } else { sum / 3.0 }
    }
}

/// Brightest colour of a pixel that may be the black rebate of a slide. Ours: a density of 1.9.
const BLACK_MOST_T: f32 = 0.012;

/// Transmittance of the black around the images of a slide strip: measured on the piece if the film itself is visible
/// there, else around it. `None` when there is no black.
///
/// Our choice of shares: a thirtieth of the piece is rebate rather than shadow, a sixtieth is the least to measure.
fn black_around(work: &Work, piece: &Piece) -> Option<[f32; 3]> {
    let is_black = |i: usize| max3(work.colour_at(i)) < BLACK_MOST_T;
    let mut black: Vec<usize> = piece.pixels.iter().map(|&i| i as usize).filter(|&i| is_black(i)).collect();
    if !work.has_infrared() || black.len() * 30 < piece.pixels.len() {
        let pad = (piece.x.1 - piece.x.0).min(piece.y.1 - piece.y.0) / 20 + 4;
        let columns = piece.x.0.saturating_sub(pad)..(piece.x.1 + pad).min(work.width());
        let rows = piece.y.0.saturating_sub(pad)..(piece.y.1 + pad).min(work.height());
        black = rows
            .flat_map(|y| columns.clone().map(move |x| y * work.width() + x))
            .filter(|&i| is_black(i))
            .collect();
    }
    if black.len() * 60 < piece.pixels.len() {
        return None;
    }
    Some(std::array::from_fn(|c| {
        let mut v: Vec<f32> = black.iter().map(|&i| work.colour_at(i)[c]).collect();
        // Image shadows are among these pixels, so the lower third stands for the rebate.
        let at = v.len() / 3;
        *v.select_nth_unstable_by(at, f32::total_cmp).1
    }))
}

/// Mean density over the channels, with the floor for the kind of film.
fn density(t: [f32; 3], slide: bool) -> f32 {
    let floor = if slide { SLIDE_FLOOR_T } else { NEGATIVE_FLOOR_T };
    -(t[0] + floor).log10() / 3.0 - (t[1] + floor).log10() / 3.0 - (t[2] + floor).log10() / 3.0
}

/// Measures the rebate of a piece: the extreme plateau of flat pixels, clearest for negatives, densest for slides.
pub(super) fn measure_base(work: &Work, piece: &Piece, slide: bool) -> Base {
    let (w, h) = (work.width(), work.height());
    let mut d = vec![f32::NAN; w * h];
    for &i in &piece.pixels {
        d[i as usize] = density(work.colour_at(i as usize), slide);
    }
    let d = local_mean(&d, w, h);
    // Our choice: higher takes soft parts of the picture for flat, lower loses a grainy rebate.
    let flat_limit = if slide { 0.06 } else { 0.025 };
    let mut bins = vec![0_u32; BINS];
    let bin_of = |d: f32| ((d / BIN_D) as i64).clamp(0, BINS as i64 - 1) as usize;
    let mut total = 0_u32;
    for &i in &piece.pixels {
        let i = i as usize;
        let (x, y) = (i % w, i / w);
        if x < 2 || y < 2 || x + 2 >= w || y + 2 >= h {
            continue;
        }
        // Pixels beside the piece are NaN and fail the comparison, which leaves out its outline.
        let flat = (d[i - 2] - d[i + 2]).abs() < flat_limit
            && (d[i - 2 * w] - d[i + 2 * w]).abs() < flat_limit
            && (d[i - 2] - d[i]).abs() < flat_limit;
        if flat {
            bins[bin_of(d[i])] += 1;
            total += 1;
        }
    }
    let peak = extreme_plateau(&bins, total, slide);
    let centre = (peak as f32 + 0.5) * BIN_D;
    // Four bins to either side of the peak. Our choice.
    let near: Vec<u32> =
        piece.pixels.iter().copied().filter(|&i| (d[i as usize] - centre).abs() < 0.02).collect();
    let median = |c: usize| {
        let mut v: Vec<f32> = near.iter().map(|&i| work.colour_at(i as usize)[c]).collect();
        glassine_raster::median(&mut v, f32::total_cmp).unwrap_or(0.0)
    };
    let plateau: [f32; 3] = std::array::from_fn(median);
    let t = if slide { black_around(work, piece).unwrap_or(plateau) } else { plateau };
    let mut base = Base { t, slide, noise_d: 0.0, outline_share: 0.0, open: work.open };
    // Two thirds of a normal distribution are within one standard deviation: this is the noise.
    let mut off: Vec<f32> = near.iter().map(|&i| base.signal(work.colour_at(i as usize)).abs()).collect();
    if !off.is_empty() {
        let at = off.len() * 2 / 3;
        base.noise_d = *off.select_nth_unstable_by(at, f32::total_cmp).1;
    }
    base.outline_share = outline_share(work, piece, &base);
    base
}

/// Mean over three by three pixels, so that grain does not hide the plateau; NaN beside the piece stays NaN.
fn local_mean(d: &[f32], w: usize, h: usize) -> Vec<f32> {
    if w < 3 || h < 3 {
        return d.to_vec();
    }
    let mut out = vec![f32::NAN; d.len()];
    out.par_chunks_mut(w).enumerate().filter(|(y, _)| *y > 0 && y + 1 < h).for_each(|(y, row)| {
        for (x, value) in row.iter_mut().enumerate().take(w - 1).skip(1) {
            let line = |y: usize| d[y * w + x - 1] + d[y * w + x] + d[y * w + x + 1];
            *value = (line(y - 1) + line(y) + line(y + 1)) / 9.0;
        }
    });
    out
}

/// Index of the first real peak from the clear end (negatives) or the dense end (slides). Our choice: a window of seven
/// bins with a 150th of the flat pixels is a peak, and half of a peak's height a valley.
fn extreme_plateau(bins: &[u32], total: u32, slide: bool) -> usize {
    let n = bins.len();
    let window = |i: usize| -> u32 { bins[i.saturating_sub(3)..(i + 4).min(n)].iter().sum() };
    let enough = (total / 150).max(20);
    let order: Vec<usize> = if slide { (0..n).rev().collect() } else { (0..n).collect() };
    let Some(first) = order.iter().position(|&i| window(i) >= enough) else {
        // Too few flat pixels: use the most common value.
        return (0..n).max_by_key(|&i| window(i)).unwrap_or(0);
    };
    // Climb to the top of this plateau, at most 0.15 D further and not across a valley: an even image beyond it, such
    // as a night sky, may be larger than the rebate.
    let valley = |best: usize, i: usize| window(best) >= total / 40 && window(i) * 2 < window(best);
    let mut best = order[first];
    for &i in order[first..].iter().take(30) {
        if (window(i), bins[i]) >= (window(best), bins[best]) {
            best = i;
        } else if valley(best, i) {
            break;
        }
    }
    best
}

/// Share of rebate among the pixels two to five pixels inside the outline.
fn outline_share(work: &Work, piece: &Piece, base: &Base) -> f32 {
    let (w, h) = (work.width(), work.height());
    let mut inside = vec![false; w * h];
    for &i in &piece.pixels {
        inside[i as usize] = true;
    }
    let outer = grow(w, h, &inside, 3, true);
    let inner = grow(w, h, &outer, 3, true);
    let (mut hit, mut all) = (0_u32, 0_u32);
    // Four deviations, and no less than prints and fog vary. Our choice.
    let limit = (base.noise_d * 4.0).max(0.04);
    for &i in &piece.pixels {
        let i = i as usize;
        let (x, y) = (i % w, i / w);
        let border = x < 5 || y < 5 || x + 5 >= w || y + 5 >= h;
        if (outer[i] && !inner[i]) || border {
            all += 1;
            hit += u32::from(base.signal(work.colour_at(i)).abs() < limit);
        }
    }
    hit as f32 / all.max(1) as f32
}

/// The signal over the whole working picture.
pub(super) fn signal_plane(work: &Work, base: &Base) -> Plane<f32> {
    let (w, h) = (work.width(), work.height());
    let kinds = work.kinds.data();
    let block = |kind: Kind| {
        let mask: Vec<bool> = kinds.iter().map(|k| *k == kind).collect();
        grow(w, h, &mask, 2, false)
    };
    let open = block(Kind::Open);
    // The rebate of a slide may be as black as the holder: black then means signal zero, not missing film.
    let holder = if base.slide { Vec::new() } else { block(Kind::Holder) };
    let data = (0..w * h)
        .map(|i| {
            if open[i] || holder.get(i).copied().unwrap_or(false) {
                f32::NAN
            } else {
                base.signal(work.colour_at(i))
            }
        })
        .collect();
    Plane::from_vec(w as u32, h as u32, data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
}

/// Compresses the signal so that faint and strong images weigh alike; 0.08 D counts half. Our choice.
pub(super) fn soft(s: f32) -> f32 {
    let s = s.max(0.0);
    s / (s + 0.08)
}

/// Turn within `range_rad` of `start` at which rows and columns of images are sharpest.
pub(super) fn sharpest_angle(
    signal: &Plane<f32>,
    start: StripFrame,
    u: (f64, f64),
    v: (f64, f64),
    range_rad: f64,
) -> f64 {
    let sharpness = |angle: f64, step: f64| {
        let frame = StripFrame { angle_rad: angle, ..start };
        let plane = read_upright(signal, frame, u, v, step, f32::NAN);
        let (w, h) = (plane.width() as usize, plane.height() as usize);
        let (mut rows, mut columns) = (vec![(0.0_f64, 0_u32); h], vec![(0.0_f64, 0_u32); w]);
        for (j, row) in rows.iter_mut().enumerate() {
            for (i, s) in plane.row(j as u32).iter().enumerate().filter(|(_, s)| s.is_finite()) {
                let s = f64::from(soft(*s));
                *row = (row.0 + s, row.1 + 1);
                columns[i] = (columns[i].0 + s, columns[i].1 + 1);
            }
        }
        let energy = |p: &[(f64, u32)], least: usize| -> f64 {
            let ok = |a: &(f64, u32)| a.1 as usize > least;
            p.windows(2)
                .filter(|q| ok(&q[0]) && ok(&q[1]))
                .map(|q| (q[1].0 / f64::from(q[1].1) - q[0].0 / f64::from(q[0].1)).powi(2))
                .sum()
        };
        energy(&rows, w / 5) + energy(&columns, h / 5)
    };
    let length = u.1 - u.0;
    let mut best = start.angle_rad;
    // 0.23 degrees, then 0.05: what the sides measured later can still correct. Our choice.
    for (samples, range, step) in [(400.0, range_rad, 0.004), (900.0, 0.004, 0.0008)] {
        let pixel = (length / samples).max(1.0);
        let n = (range / step).round() as i32;
        let centre = best;
        let scores: Vec<(f64, f64)> =
            (-n..=n).map(|k| centre + f64::from(k) * step).map(|a| (a, sharpness(a, pixel))).collect();
        best = scores.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(centre, |s| s.0);
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clearest_plateau_is_the_base_of_a_negative_and_the_densest_of_a_slide() {
        let mut bins = vec![0_u32; BINS];
        bins[100] = 4000;
        bins[101] = 6000;
        bins[300] = 50_000;
        bins[400] = 9000;
        bins[20] = 3;
        assert_eq!(extreme_plateau(&bins, 69_003, false), 101);
        assert_eq!(extreme_plateau(&bins, 69_003, true), 400);
    }

    #[test]
    fn an_even_image_a_little_denser_than_the_rebate_is_not_taken_for_it() {
        let mut bins = vec![0_u32; BINS];
        bins[118..123].copy_from_slice(&[900, 2000, 3000, 2000, 900]);
        // A night sky 0.1 D denser that covers more of the film.
        bins[138..143].copy_from_slice(&[3000, 6000, 9000, 6000, 3000]);
        assert_eq!(extreme_plateau(&bins, 35_800, false), 120);
    }

    #[test]
    fn the_signal_is_zero_on_the_base_and_positive_in_the_image() {
        let base = Base { t: [0.53, 0.24, 0.12], slide: false, noise_d: 0.0, outline_share: 1.0, open: None };
        assert!(base.signal([0.53, 0.24, 0.12]).abs() < 1e-6);
        assert!((base.signal([0.053, 0.024, 0.012]) - 1.0).abs() < 0.03);
        let slide = Base { slide: true, t: [0.001; 3], ..base };
        assert!(slide.signal([0.5; 3]) > 1.5 && slide.signal([0.001; 3]).abs() < 1e-6);
    }
}
