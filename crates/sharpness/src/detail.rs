//! How much blur differs between scans of the same film, from their fine detail alone.
//!
//! Grain and picture are the same on every scan of a film; only the blur of the scanner and its noise differ. For a pair
//! of scans the spectra of one place are `Pa = Ha^2 S + N` and `Pb = Hb^2 S + N`, and the part that both share, their
//! cross spectrum, is `C = Ha Hb S`: three equations that give `N` and both signals without any assumption on the film.
//! Their ratio falls with the square of the frequency as `exp(-4 pi^2 (va - vb) f^2)`, where `v` is the variance of a
//! Gaussian blur; a difference of exposure moves all of it alike.
//!
//! Source: the cross spectrum is common practice for signals with noise of their own; the rest is arithmetic.

use std::f64::consts::PI;

use glassine_raster::Plane;

/// Side of a tile. Our choice: 30 frequencies; larger ones mix plain and busy parts.
pub(crate) const TILE_PX: u32 = 64;
/// Steps of 1/64 cycle per pixel that are compared: 0.05 to 0.39 cycles per pixel. Our choice: below, the window mixes
/// frequencies; above, few lenses show detail.
const BAND: std::ops::Range<usize> = 3..26;
/// Least share of the power of both scans that they have in common (coherence). Our choice: below, noise decides.
const COHERENCE_MIN: f64 = 0.25;
/// Fewest frequencies of a tile. Our choice: fewer give no slope.
const FREQUENCIES_MIN: usize = 5;
/// Addition to the incoherent share, so that no single frequency decides alone. Our choice.
const WEIGHT_FLOOR: f64 = 0.02;

/// Real and imaginary part.
type Complex = (f64, f64);

fn times((a, b): Complex, (c, d): Complex) -> Complex {
    (a * c - b * d, a * d + b * c)
}

fn power((re, im): Complex) -> f64 {
    re * re + im * im
}

/// Frequencies along one axis, steps of 1/64 cycle per pixel; those of the other axis have both signs.
const STEPS: usize = BAND.end;
const BOTH_SIGNS: usize = 2 * STEPS - 1;

/// Spectra of one tile.
pub(crate) struct TileSpectra {
    /// Each line along the rows, then each along the columns, at every step: they tell how the tile is moved.
    lines: [Vec<Complex>; 2],
    /// The tile's own spectrum, by step along the rows and signed step along the columns.
    plane: Vec<Complex>,
}

/// Window and turns of the transform, made once.
pub(crate) struct Transform {
    /// For each step, window times turn at each pixel.
    turns: Vec<Vec<Complex>>,
}

impl Transform {
    pub(crate) fn new() -> Self {
        let n = TILE_PX as usize;
        let turn = |k: usize, x: usize| {
            let hann = 0.5 - 0.5 * (2.0 * PI * (x as f64 + 0.5) / n as f64).cos();
            let (sin, cos) = (2.0 * PI * (k * x % n) as f64 / n as f64).sin_cos();
            (hann * cos, -hann * sin)
        };
        Self { turns: (0..STEPS).map(|k| (0..n).map(|x| turn(k, x)).collect()).collect() }
    }

    /// Spectra of the tile whose upper left pixel is given, times a gain.
    pub(crate) fn of(&self, plane: &Plane<f32>, (x0, y0): (u32, u32), gain: f64) -> TileSpectra {
        let n = TILE_PX as usize;
        let mut rows: Vec<Vec<f64>> = (y0..y0 + TILE_PX)
            .map(|y| plane.row(y)[x0 as usize..][..n].iter().map(|v| gain * f64::from(*v)).collect())
            .collect();
        let mean = rows.iter().flatten().sum::<f64>() / (n * n) as f64;
        rows.iter_mut().flatten().for_each(|value| *value -= mean);
        let columns: Vec<Vec<f64>> = (0..n).map(|x| rows.iter().map(|row| row[x]).collect()).collect();
        let lines = [self.lines(&rows), self.lines(&columns)];
        let mut spectrum = vec![(0.0, 0.0); STEPS * BOTH_SIGNS];
        for (k, line) in spectrum.chunks_exact_mut(BOTH_SIGNS).enumerate() {
            for step in 0..STEPS {
                let (mut plus, mut minus) = ((0.0, 0.0), (0.0, 0.0));
                for (y, (c, s)) in self.turns[step].iter().enumerate() {
                    let (re, im) = lines[0][y * STEPS + k];
                    let (rc, is, rs, ic) = (re * c, im * s, re * s, im * c);
                    plus = (plus.0 + rc - is, plus.1 + rs + ic);
                    minus = (minus.0 + rc + is, minus.1 + ic - rs);
                }
                line[STEPS - 1 + step] = plus;
                line[STEPS - 1 - step] = minus;
            }
        }
        TileSpectra { lines, plane: spectrum }
    }

    fn lines(&self, lines: &[Vec<f64>]) -> Vec<Complex> {
        let mut out = Vec::with_capacity(lines.len() * STEPS);
        for line in lines {
            for turns in &self.turns {
                let add = |(re, im): Complex, (value, turn): (&f64, &Complex)| {
                    (re + value * turn.0, im + value * turn.1)
                };
                out.push(line.iter().zip(turns).fold((0.0, 0.0), add));
            }
        }
        out
    }
}

/// How far two tiles are moved against each other along an axis, as the turn of one step; from the phase of their cross
/// spectrum, coarse steps first, because fine ones turn more than once.
fn turn_between(a: &[Complex], b: &[Complex]) -> f64 {
    let mut cross = vec![(0.0, 0.0); STEPS];
    for (a, b) in a.chunks_exact(STEPS).zip(b.chunks_exact(STEPS)) {
        for ((sum, a), b) in cross.iter_mut().zip(a).zip(b) {
            let (re, im) = times(*a, (b.0, -b.1));
            *sum = (sum.0 + re, sum.1 + im);
        }
    }
    let mut turn = 0.0_f64;
    for last in [STEPS / 3, STEPS - 1] {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (k, value) in cross.iter().enumerate().take(last + 1).skip(1) {
            let (sin, cos) = (turn * k as f64).sin_cos();
            let (re, im) = times(*value, (cos, -sin));
            let weight = re.hypot(im);
            top += weight * k as f64 * im.atan2(re);
            bottom += weight * (k * k) as f64;
        }
        turn += top / f64::max(bottom, 1e-300);
    }
    turn
}

/// Powers of a ring of frequencies.
#[derive(Clone, Copy, Default)]
struct Ring {
    a: f64,
    b: f64,
    cross: Complex,
    count: f64,
}

/// Variance of the blur of the second scan less that of the first, pixels squared; `None` if the tile shows too little
/// that both have in common.
pub(crate) fn blur_difference(a: &TileSpectra, b: &TileSpectra) -> Option<f64> {
    let [along, across] = [0, 1].map(|axis| turn_between(&a.lines[axis], &b.lines[axis]));
    let mut rings = [Ring::default(); STEPS];
    for kx in 0..STEPS {
        // Half of the plane holds all that real pictures have.
        let first = if kx == 0 { STEPS } else { 0 };
        for at in first..BOTH_SIGNS {
            let ky = at as f64 - (STEPS - 1) as f64;
            let ring = (kx as f64).hypot(ky).round() as usize;
            if !BAND.contains(&ring) {
                continue;
            }
            let (u, v) = (a.plane[kx * BOTH_SIGNS + at], b.plane[kx * BOTH_SIGNS + at]);
            let (sin, cos) = (along * kx as f64 + across * ky).sin_cos();
            let (re, im) = times(times(u, (v.0, -v.1)), (cos, -sin));
            let ring = &mut rings[ring];
            ring.a += power(u);
            ring.b += power(v);
            ring.cross = (ring.cross.0 + re, ring.cross.1 + im);
            ring.count += 1.0;
        }
    }
    slope_of(&rings)
}

/// Weighted line through `ln(Sa/Sb)` over the square of the frequency.
fn slope_of(rings: &[Ring; STEPS]) -> Option<f64> {
    let (mut s, mut sx, mut sy, mut sxx, mut sxy, mut used) = (0.0, 0.0, 0.0, 0.0, 0.0, 0);
    for step in BAND {
        let Ring { a, b, cross, count } = rings[step];
        // Noise alone has a cross spectrum of the size `Pa Pb / n`. The window makes half of the values independent.
        let n = 0.5 * count;
        let common = ((power(cross) - a * b / n) / (1.0 - 1.0 / n)).max(0.0);
        let coherence = common / (a * b).max(1e-300);
        if !(coherence > COHERENCE_MIN && coherence.is_finite()) {
            continue;
        }
        let root = ((a - b).powi(2) + 4.0 * common).sqrt();
        let (sa, sb) = (a - b + root, b - a + root);
        let f = step as f64 / f64::from(TILE_PX);
        let (x, y) = (f * f, (sa / sb).ln());
        // Inverse variance of the logarithm of a ratio of coherent powers.
        let w = n * coherence / (1.0 - coherence + WEIGHT_FLOOR);
        s += w;
        sx += w * x;
        sy += w * y;
        sxx += w * x * x;
        sxy += w * x * y;
        used += 1;
    }
    let det = s * sxx - sx * sx;
    (used >= FREQUENCIES_MIN && det > 0.0).then(|| (s * sxy - sx * sy) / det / (4.0 * PI * PI))
}

#[cfg(test)]
mod tests {
    use glassine_testdata::scenes::{Scene, with_scanner_noise};

    use super::*;

    #[test]
    fn film_grain_alone_tells_how_much_blur_differs() {
        let film = Scene::random(5, (512, 384)).with_film_grain(0.03, 6);
        for (a, b, noise) in [(0.8, 1.2, 0.002), (1.0, 1.1, 0.004), (1.5, 0.9, 0.006), (1.0, 1.0, 0.004)] {
            let scan = |blur_px: f64, shift, seed| {
                with_scanner_noise(&film.seen(|_, _| blur_px, shift), noise, seed)
            };
            let (first, second) = (scan(a, (2, 2), 1), scan(b, (1, 2), 2));
            let transform = Transform::new();
            let tiles = (0..5).flat_map(|j| (0..7).map(move |i| (i * TILE_PX, j * TILE_PX)));
            let found: Vec<f64> = tiles
                .filter_map(|at| {
                    blur_difference(&transform.of(&first, at, 1.0), &transform.of(&second, at, 1.0))
                })
                .collect();
            let mean = found.iter().sum::<f64>() / found.len() as f64;
            let truth = b * b - a * a;
            assert!(
                found.len() > 30 && (mean - truth).abs() < 0.02 + 0.06 * truth.abs(),
                "{mean} of {truth}"
            );
        }
    }
}
