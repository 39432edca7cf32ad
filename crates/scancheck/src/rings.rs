//! Newton rings: light reflected between film and glass interferes, so that light and dark rings lie around the places
//! where they touch. In small windows rings are waves; their directions all point to one centre.

use std::f64::consts::{PI, TAU};

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::areas::{Areas, PICTURE, REBATE};
use crate::{Measure, Report, ScanUnderCheck, What};

/// Side of the windows and their distance, pixels. Our choice.
const WINDOW: usize = 32;
const STEP: usize = 16;
/// Pixels per millimetre on which waves are looked for: windows of 4 and 8 mm, waves of 0.35 to 3 mm. Our choice;
/// rings of films in holders are about a millimetre wide (common practice).
const FINEST_PX_PER_MM: f64 = 8.0;
const LEVELS: usize = 2;
/// Frequencies, waves per window. Our choice: slower ones are the picture's shading, faster ones grain.
const LEAST_WAVES: f64 = 2.5;
const MOST_WAVES: usize = 12;
/// Power of a wave against that of other directions at its frequency, and against slower ones in its own direction: an
/// edge has all frequencies. Our choice.
const LEAST_PEAK: f64 = 12.0;
const LEAST_RISE: f64 = 3.0;
/// Light against the brightest that a window may hold. Our choice: film without perforations and scratches.
const LIGHT: [f64; 2] = [0.004, 0.8];
/// Most waves that are kept of a plane, the clearest first. Our choice.
const MOST_KEPT: usize = 160;
/// Waves that are paired with all others to find centres. Our choice: rings have tens of them.
const MOST_FIRST: usize = 64;
/// Farthest from the centre of rings, mm. Our choice.
const REACH_MM: f64 = 16.0;
/// Largest angle between a wave and the direction to the centre, as its sine. Our choice.
const ASKEW: f64 = 0.2;
/// Largest deviation of the frequency, as a logarithm. Our choice.
const OFF: f64 = 0.25;
/// Waves around one centre. Ours: sound scans show up to 15, rings of 2 % in infrared 22 and more.
const LIMIT: f64 = 16.0;

/// A wave in a window: its middle in the scan and its frequency vector, mm and cycles per mm.
#[derive(Debug, Clone, Copy)]
struct Wave {
    at: [f64; 2],
    frequency: [f64; 2],
    size: f64,
    clearness: f64,
}

/// Waves around one centre, how many, and where, mm.
#[derive(Debug, Clone, Copy)]
struct Rings {
    count: usize,
    from: [f64; 2],
    to: [f64; 2],
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let px_per_mm = scan.px_per_mm() / f64::from(scan.factor);
    let reduction = ((px_per_mm / FINEST_PX_PER_MM).round() as u32).max(1);
    let transform = Transform::new();
    let mut worst: Option<Rings> = None;
    for level in 0..LEVELS {
        let step = reduction << level;
        for plane in planes(scan, areas, step) {
            let waves = waves(&plane, px_per_mm / f64::from(step), &transform);
            let found = rings(&waves);
            if let Some(found) = found.filter(|found| worst.is_none_or(|known| found.count > known.count)) {
                worst = Some(found);
            }
        }
    }
    let source = "ours: sound scans show up to 15, rings of 2 % in infrared 22 and more";
    let value = worst.map_or(0, |rings| rings.count);
    let measure = Measure {
        what: What::NewtonRings,
        value: value as f64,
        unit: "waves around one centre",
        limit: LIMIT,
        source,
    };
    let place = worst.map(|rings| {
        let px = |mm: f64, size: u32| (mm.max(0.0) * scan.px_per_mm()).min(f64::from(size)) as u32;
        let (width, height) = scan.size_px;
        PixelRect::new(
            px(rings.from[0], width),
            px(rings.from[1], height),
            px(rings.to[0], width),
            px(rings.to[1], height),
        )
    });
    // A picture can hold a pattern of this kind, so it is for the user to judge.
    report.judge(measure, f64::INFINITY, place);
}

/// Logarithms of light, red against blue, and infrared; not a number where there is no film.
fn planes(scan: &ScanUnderCheck<'_>, areas: &Areas, step: u32) -> Vec<Plane<f32>> {
    let colours = usize::from(scan.colour_channels);
    let overview = scan.overview;
    let channels = usize::from(overview.channels());
    let (width, height) = (overview.width() / step, overview.height() / step);
    let count = f64::from(step * step) * 65_535.0;
    let mut planes = vec![Plane::filled(width, height, f32::NAN); channels];
    let wants = |channel: usize| channel == colours / 2 || colours == 3 && channel != 1 || channel >= colours;
    let rows: Vec<Vec<f32>> = (0..height)
        .into_par_iter()
        .map(|y| {
            let mut row = vec![f32::NAN; width as usize * channels];
            for x in 0..width {
                let class = areas.class.at(x * step + step / 2, y * step + step / 2);
                if class != PICTURE && class != REBATE {
                    continue;
                }
                let mut sums = [0.0_f64; 8];
                for dy in 0..step {
                    let line = overview.row(y * step + dy);
                    for px in line[(x * step) as usize * channels..((x + 1) * step) as usize * channels]
                        .chunks_exact(channels)
                    {
                        sums.iter_mut().zip(px).for_each(|(sum, code)| *sum += f64::from(*code));
                    }
                }
                let is_film = sums
                    .iter()
                    .take(colours)
                    .all(|sum| (LIGHT[0] * areas.bright..LIGHT[1] * areas.bright).contains(&(sum / count)));
                if is_film {
                    for (c, sum) in sums.iter().take(channels).enumerate().filter(|(c, _)| wants(*c)) {
                        row[x as usize * channels + c] = (sum / count).max(1e-5).ln() as f32;
                    }
                }
            }
            row
        })
        .collect();
    for (y, row) in rows.iter().enumerate() {
        for (c, plane) in planes.iter_mut().enumerate() {
            plane
                .row_mut(y as u32)
                .iter_mut()
                .zip(row.iter().skip(c).step_by(channels))
                .for_each(|(v, l)| *v = *l);
        }
    }
    let mut out = Vec::with_capacity(3);
    if colours == 3 {
        let mut difference = planes[0].clone();
        difference.data_mut().iter_mut().zip(planes[2].data()).for_each(|(v, blue)| *v -= blue);
        out.push(difference);
    }
    out.extend(planes.drain(colours..));
    out.push(planes.swap_remove(colours / 2));
    out
}

/// Frequencies along x, and along y in both directions.
const ALONG_X: usize = MOST_WAVES + 1;
const ALONG_Y: usize = 2 * MOST_WAVES + 1;

/// Cosines and sines of every frequency at the places of a window, and its weights.
struct Transform {
    along_x: [[[f64; ALONG_X]; 2]; WINDOW],
    along_y: [[[f64; ALONG_Y]; 2]; WINDOW],
    weights: [f64; WINDOW],
}

/// Power at `fx` 0 to 12 and `fy` -12 to 12.
type Power = [[f64; ALONG_Y]; ALONG_X];

impl Transform {
    fn new() -> Self {
        let turn = |k: usize| TAU * (k % WINDOW) as f64 / WINDOW as f64;
        let fy = |idx: usize| (idx + WINDOW - MOST_WAVES) % WINDOW;
        Self {
            along_x: std::array::from_fn(|x| {
                [f64::cos, f64::sin].map(|wave| std::array::from_fn(|fx| wave(turn(fx * x))))
            }),
            along_y: std::array::from_fn(|y| {
                [f64::cos, f64::sin].map(|wave| std::array::from_fn(|idx| wave(turn(fy(idx) * y))))
            }),
            weights: std::array::from_fn(|k| 0.5 - 0.5 * (TAU * (k as f64 + 0.5) / WINDOW as f64).cos()),
        }
    }

    /// First along the rows, then along the columns; the innermost loops run over frequencies, several at a time.
    fn power(&self, window: &[[f64; WINDOW]; WINDOW]) -> Power {
        let mut lines = [[[0.0; ALONG_X]; 2]; WINDOW];
        for ((line, row), weight) in lines.iter_mut().zip(window).zip(self.weights) {
            for ((v, waves), weight) in row.iter().zip(&self.along_x).zip(self.weights) {
                let v = v * weight;
                for fx in 0..ALONG_X {
                    line[0][fx] += v * waves[0][fx];
                    line[1][fx] -= v * waves[1][fx];
                }
            }
            line.iter_mut().flatten().for_each(|v| *v *= weight);
        }
        std::array::from_fn(|fx| {
            let mut sums = [[0.0; ALONG_Y]; 2];
            for (line, [cos, sin]) in lines.iter().zip(&self.along_y) {
                let (re, im) = (line[0][fx], line[1][fx]);
                for fy in 0..ALONG_Y {
                    sums[0][fy] += re * cos[fy] + im * sin[fy];
                    sums[1][fy] += im * cos[fy] - re * sin[fy];
                }
            }
            std::array::from_fn(|fy| sums[0][fy] * sums[0][fy] + sums[1][fy] * sums[1][fy])
        })
    }
}

fn waves(plane: &Plane<f32>, px_per_mm: f64, transform: &Transform) -> Vec<Wave> {
    let (width, height) = (plane.width() as usize, plane.height() as usize);
    let rows = height.saturating_sub(WINDOW) / STEP + usize::from(height >= WINDOW);
    let mut all: Vec<Wave> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            let columns = width.saturating_sub(WINDOW) / STEP + usize::from(width >= WINDOW);
            (0..columns).filter_map(move |column| {
                let (x0, y0) = (column * STEP, row * STEP);
                let window = levelled(plane, x0, y0)?;
                let (frequency, clearness) = wave(&transform.power(&window))?;
                let to_mm = |px: usize| (px as f64 + WINDOW as f64 / 2.0) / px_per_mm;
                let frequency = frequency.map(|f| f / WINDOW as f64 * px_per_mm);
                Some(Wave {
                    at: [to_mm(x0), to_mm(y0)],
                    frequency,
                    size: frequency[0].hypot(frequency[1]),
                    clearness,
                })
            })
        })
        .collect();
    all.sort_by(|a, b| b.clearness.total_cmp(&a.clearness));
    all.truncate(MOST_KEPT);
    all
}

/// A window less the quadratic surface through it; `None` if part of it is not film.
fn levelled(plane: &Plane<f32>, x0: usize, y0: usize) -> Option<[[f64; WINDOW]; WINDOW]> {
    let middle = (WINDOW as f64 - 1.0) / 2.0;
    let square = (0..WINDOW).map(|k| (k as f64 - middle).powi(2)).sum::<f64>() / WINDOW as f64;
    // Orthogonal on the grid: 1, x, y, x^2 - mean, y^2 - mean, x y.
    let terms = |x: usize, y: usize| {
        let (x, y) = (x as f64 - middle, y as f64 - middle);
        [1.0, x, y, x * x - square, y * y - square, x * y]
    };
    let (mut sums, mut norms) = ([0.0; 6], [0.0; 6]);
    let mut window = [[0.0; WINDOW]; WINDOW];
    for (y, row) in window.iter_mut().enumerate() {
        for (x, (v, from)) in row.iter_mut().zip(&plane.row((y0 + y) as u32)[x0..]).enumerate() {
            if from.is_nan() {
                return None;
            }
            *v = f64::from(*from);
            for (k, term) in terms(x, y).into_iter().enumerate() {
                sums[k] += *v * term;
                norms[k] += term * term;
            }
        }
    }
    for (y, row) in window.iter_mut().enumerate() {
        for (x, v) in row.iter_mut().enumerate() {
            *v -= terms(x, y).into_iter().enumerate().map(|(k, term)| term * sums[k] / norms[k]).sum::<f64>();
        }
    }
    Some(window)
}

/// Frequency of the wave that stands out, waves per window, and how clearly; `None` if none does.
fn wave(power: &Power) -> Option<([f64; 2], f64)> {
    let middle = MOST_WAVES as f64;
    let at = |fx: f64, fy: f64| {
        let (fx, fy) = if fx < 0.0 { (-fx, -fy) } else { (fx, fy) };
        power[(fx.round() as usize).min(MOST_WAVES)]
            [((fy + middle).round().max(0.0) as usize).min(2 * MOST_WAVES)]
    };
    let all =
        (0..=MOST_WAVES).flat_map(|fx| (0..=2 * MOST_WAVES).map(move |fy| (fx as f64, fy as f64 - middle)));
    let in_band = |(fx, fy): &(f64, f64)| (LEAST_WAVES..=middle).contains(&fx.hypot(*fy));
    let (fx, fy) = all.clone().filter(in_band).max_by(|a, b| at(a.0, a.1).total_cmp(&at(b.0, b.1)))?;
    let (most, size) = (at(fx, fy), fx.hypot(fy));
    let (mut sum, mut count) = (0.0, 0.0);
    for (gx, gy) in all {
        let away = (gx - fx).hypot(gy - fy).min((gx + fx).hypot(gy + fy));
        if (gx.hypot(gy) - size).abs() < 1.5 && away > 2.5 {
            sum += at(gx, gy);
            count += 1.0;
        }
    }
    let clearness = most / (sum / f64::max(count, 1.0)).max(1e-30);
    let slower = at(0.4 * fx, 0.4 * fy).max(if size > 4.0 { at(0.55 * fx, 0.55 * fy) } else { 0.0 });
    if clearness < LEAST_PEAK || most < LEAST_RISE * slower {
        return None;
    }
    // Between whole frequencies: the centre of the power around.
    let (mut weights, mut middle) = (0.0, [0.0; 2]);
    for (dx, dy) in (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (f64::from(dx), f64::from(dy)))) {
        let v = at(fx + dx, fy + dy);
        weights += v;
        middle[0] += v * (fx + dx);
        middle[1] += v * (fy + dy);
    }
    Some((middle.map(|v| v / weights), clearness))
}

/// Most waves that point to one centre, with frequencies that are equal or grow with the distance from it.
fn rings(waves: &[Wave]) -> Option<Rings> {
    (0..waves.len().min(MOST_FIRST))
        .into_par_iter()
        .filter_map(|first| {
            let others = (first + 1..waves.len()).filter_map(|second| {
                let centre = crossing(&waves[first], &waves[second])?;
                around(waves, centre)
            });
            others.max_by_key(|rings| rings.count)
        })
        .max_by_key(|rings| rings.count)
}

/// Where the directions of two waves cross, if they are near each other and differ enough.
fn crossing(a: &Wave, b: &Wave) -> Option<[f64; 2]> {
    let apart = [b.at[0] - a.at[0], b.at[1] - a.at[1]];
    let along = |wave: &Wave| wave.frequency.map(|f| f / wave.size);
    let (u, v) = (along(a), along(b));
    let cross = u[0] * v[1] - u[1] * v[0];
    if apart[0].hypot(apart[1]) > 0.75 * REACH_MM || cross.abs() < 0.3 {
        return None;
    }
    let t = (apart[0] * v[1] - apart[1] * v[0]) / cross;
    Some([a.at[0] + t * u[0], a.at[1] + t * u[1]])
}

fn around(waves: &[Wave], centre: [f64; 2]) -> Option<Rings> {
    let near: Vec<(&Wave, [f64; 2], f64)> = waves
        .iter()
        .filter_map(|wave| {
            let from = [wave.at[0] - centre[0], wave.at[1] - centre[1]];
            let square = from[0] * from[0] + from[1] * from[1];
            let cross = from[0] * wave.frequency[1] - from[1] * wave.frequency[0];
            let is_near = (1.0..REACH_MM * REACH_MM).contains(&square);
            let points = cross * cross < ASKEW * ASKEW * square * wave.size * wave.size;
            (is_near && points).then(|| (wave, from, square.sqrt()))
        })
        .collect();
    if near.len() < 6 {
        return None;
    }
    // A curved gap gives frequencies in proportion to the distance, a wedge equal ones.
    let kept = [1.0, 0.0].map(|growth: f64| {
        let logs: Vec<f64> = near.iter().map(|(wave, _, r)| wave.size.ln() - growth * r.ln()).collect();
        let middle = crate::statistics::median(&mut logs.clone()).unwrap_or(0.0);
        let kept = near.iter().zip(logs).filter(|(_, log)| (log - middle).abs() < OFF).map(|(near, _)| near);
        kept.collect::<Vec<_>>()
    });
    let [growing, even] = kept;
    let kept = if growing.len() >= even.len() { growing } else { even };
    let mut sectors = [false; 8];
    for (_, from, _) in &kept {
        sectors[((from[1].atan2(from[0]) / PI + 1.0) * 4.0).min(7.0) as usize] = true;
    }
    let bound = |axis: usize, least: bool| {
        let values = kept.iter().map(|(wave, ..)| wave.at[axis]);
        if least { values.fold(f64::MAX, f64::min) } else { values.fold(0.0, f64::max) }
    };
    (sectors.iter().filter(|is_seen| **is_seen).count() >= 3).then(|| Rings {
        count: kept.len(),
        from: [bound(0, true), bound(1, true)],
        to: [bound(0, false), bound(1, false)],
    })
}
