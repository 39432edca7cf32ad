//! Prior for neutral from the colours of real surfaces and lights, before any search for greys.
//!
//! A wrong balance shifts every colour of a strip alike in log exposure, so one table of how often surfaces show a
//! colour serves for every trial. For each trial balance and each kind of light, the different colours of each frame
//! are looked up; the likelihood is summed over lights and kinds of subject. The brightest colours count once more, as
//! what is nearest to white (`highlights.rs`). No frame contributes more than [`CAP`]. The speed balance of films adds a
//! further term. Across the light axis, surfaces determine the balance well; along it, they are warm by a tenth of a log
//! exposure on average, whatever the film, so that the brightest colours and the film's own balance decide.
//!
//! Source of the idea: colour by correlation (G. D. Finlayson, S. D. Hordley, P. M. Hubel, IEEE PAMI 23, 2001), here in
//! log exposure. Sources of the numbers: at each constant.

use std::sync::OnceLock;

use crate::{FrameStatistics, LayerCurve, Stock};

use super::highlights::Highlights;
use super::neutral::Neutral;
use crate::matrix::apply;

/// Red and blue log10 exposure against green of 99 samples of CIE 224:2017 and 18 colours of a chart under D55, in
/// hundredths. Source: `derive/surface_table.py`.
#[rustfmt::skip]
const SURFACES: [(i8, i8); 117] = [
    (19, 4), (59, 12), (48, 6), (25, -1), (86, 3), (41, -4), (86, 0), (85, -1), (11, 2), (50, -17),
    (60, -28), (59, -29), (47, -22), (8, -5), (24, -9), (50, -28), (40, -30), (27, -18), (21, -40), (50, -50),
    (22, -47), (29, -53), (5, -13), (9, -36), (16, -78), (13, -47), (4, -21), (2, -35), (9, -47), (8, -25),
    (7, -46), (11, -64), (5, -24), (-2, -65), (-6, -34), (2, -7), (-6, -44), (1, -19), (3, -13), (4, -23),
    (2, -8), (-19, -63), (-23, -59), (1, -2), (-26, -44), (-20, -27), (5, -14), (-33, -24), (-25, -30), (-17, -16),
    (-10, -12), (-26, -22), (-56, -18), (-14, -3), (-15, -2), (-46, -4), (-67, -4), (-64, -1), (-13, -1), (-2, 1),
    (-10, 1), (3, 3), (-1, 5), (-47, 12), (-56, 11), (-42, 21), (-42, 22), (-14, 12), (0, 9), (-17, 18),
    (-13, 32), (-3, 5), (-24, 29), (10, 5), (-11, 37), (-6, 45), (14, 30), (-7, 46), (9, 18), (13, 25),
    (38, 45), (3, 7), (7, 15), (15, 13), (26, 19), (30, 27), (37, 44), (32, 29), (48, 36), (41, 38),
    (6, 2), (40, 17), (27, 12), (69, 29), (34, 13), (26, 10), (35, 20), (51, 19), (73, 25), (27, -16),
    (28, -10), (-12, 21), (-13, -36), (12, 25), (-36, -5), (40, -60), (-2, 49), (67, 1), (48, 35), (-17, -62),
    (22, -73), (-11, 66), (-42, -43), (98, -12), (10, -79), (70, 33), (-45, 23),
];

/// Change of (red, blue) against green per mired. Source: `derive/surface_table.py`.
const PER_MIRED: [f64; 2] = [0.0017, -0.0022];
/// Unit vectors along the lights (positive is warm) and across them (positive is magenta). Source: the locus above.
pub(super) const ALONG: [f64; 2] = [0.6, -0.8];
pub(super) const ACROSS: [f64; 2] = [0.8, 0.6];

/// A kind of subject: shares of greys, of warm surfaces and of foliage; the rest are [`SURFACES`].
struct Subject {
    grey: f64,
    warm: f64,
    foliage: f64,
    /// Relative to the other kinds.
    often: f64,
}

/// Ours, not fitted. Without foliage, grass and trees count as a green cast: over 132 drawn strips
/// (`crates/bench/src/bin/strips.rs`, ordinary, warm and in mixed light, seeds from 7001 and from 301) the mean difference
/// of pictures falls by 0.29 CIEDE2000, standard error 0.12. Foliage more often, or with more muted greens, is no better
/// there (144 strips: worse by 0.13 +- 0.13) and turns warm subjects without greens to green.
const SUBJECTS: [Subject; KINDS] = [
    Subject { grey: 0.20, warm: 0.0, foliage: 0.0, often: 0.3 },
    Subject { grey: 0.10, warm: 0.3, foliage: 0.0, often: 0.3 },
    Subject { grey: 0.02, warm: 0.3, foliage: 0.0, often: 0.2 },
    Subject { grey: 0.02, warm: 0.6, foliage: 0.0, often: 0.2 },
    Subject { grey: 0.05, warm: 0.1, foliage: 0.4, often: 0.15 },
];
const KINDS: usize = 5;
/// Kinds of light: frequency, middle and spread in mireds from D55: daylight and flash, shade, tungsten, late sun.
/// Source: ours, from memory.
const LIGHTS: [(f64, f64, f64); 4] =
    [(0.60, -5.0, 15.0), (0.15, -50.0, 15.0), (0.15, 140.0, 35.0), (0.10, 80.0, 30.0)];
/// Fluorescent lamps, off the locus: shifts, and the frequency of all of them together. Source: CIE FL2 at 4200 K is at
/// (-0.15, -0.13) for broad layers; the others ours.
const LAMPS: [[f64; 2]; 4] = [[-0.15, -0.13], [-0.08, -0.07], [-0.22, -0.18], [-0.16, -0.02]];
const LAMPS_SHARE: f64 = 0.05;
/// Mireds tried: first, step, number. Our choice: 10 900 K to 2 500 K, 0.028 along the lights apart.
const MIREDS: (f64, f64, usize) = (-90.0, 10.0, 32);

/// Weight of each colour, since colours of one picture are not independent. Ours: half and nearly twice as much did no
/// better over a few drawn strips.
const SHARE: f64 = 0.3;
/// Most that one frame may contribute against a balance, natural logarithm. Our choice: with less, frames hardly agree;
/// with more, one odd picture turns a strip.
const CAP: f64 = 3.0;
/// Most colours of a frame that count. Our choice: bounds time.
const MOST_COLOURS: usize = 60;
/// Number of different colours beyond which a frame counts no more: each then counts less than [`SHARE`]. Our choice.
const ENOUGH_COLOURS: f64 = 24.0;
/// Side of the square of one colour, and height of a band of green, both in log10 exposure. Our choice: about the width
/// of the kernel below, and three to five bands in a picture.
pub(super) const COLOUR_STEP: f64 = 0.06;
const BAND_STEP: f64 = 0.35;
/// Densities above base below which the toe decides a colour. Our choice: where speed is measured (0.10 to 0.15 D).
const LEAST_D: f64 = 0.10;
/// Step of the surface table in log10 exposure; a trial grid step is [`COARSE`] of these. Our choice: 1 and 2 CC.
const FINE: f64 = 0.01;
const COARSE: usize = 2;
/// Reach of the table to each side, in steps of [`FINE`]. Our choice: surfaces, lights and trials together.
const TABLE_REACH: i32 = 170;
/// Reach of trial balances to each side, in steps of `COARSE * FINE`. Our choice: 0.3, about four spreads of films.
const TRIAL_REACH: i32 = 15;

/// Belief about the neutral: offsets of red and blue at the level of middle tones.
#[derive(Debug, Clone)]
pub(super) struct Belief {
    /// Most credible offsets.
    pub(super) at: [f64; 2],
    /// Standard deviation along and across the lights.
    pub(super) spread: [f64; 2],
    /// Different colours of each frame, before any offset.
    pub(super) colours: Vec<Vec<Colour>>,
}

/// Whether colours lie on both sides of a neutral along the lights, 0 to 1: they do for the greys of a scene, not for
/// the mean of one brown surface.
pub(super) fn surrounded(colours: &[Colour], offset: [f64; 2]) -> f64 {
    /// Distance from which a colour counts as beside grey, and the share of colours that suffices on a side. Source:
    /// ours.
    const BESIDE: f64 = 0.07;
    const PLENTY: f64 = 0.04;
    let (mut warm, mut cold, mut all) = (0.0, 0.0, 0.0);
    for colour in colours {
        let along = dot([colour.at[0] + offset[0], colour.at[1] + offset[1]], ALONG);
        all += colour.weight;
        warm += if along > BESIDE { colour.weight } else { 0.0 };
        cold += if along < -BESIDE { colour.weight } else { 0.0 };
    }
    if all > 0.0 { (f64::min(warm, cold) / (PLENTY * all)).min(1.0) } else { 0.0 }
}

/// The light of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct FrameLight {
    /// From the film's daylight.
    pub(super) mired: f64,
    /// By how much another light explains the frame better than daylight, natural logarithm.
    pub(super) gain: f64,
}

/// Prior of a film's own speed balance: spreads of red and blue; a share of films has much more.
#[derive(Debug, Clone, Copy)]
pub(super) struct FilmPrior {
    pub(super) spread: [f64; 2],
    pub(super) tail_share: f64,
    pub(super) tail: f64,
}

impl FilmPrior {
    /// Minus log of the density, 0 at the middle.
    pub(super) fn cost(&self, offset: [f64; 2]) -> f64 {
        let q = (offset[0] / self.spread[0]).powi(2) + (offset[1] / self.spread[1]).powi(2);
        let at = |q: f64| {
            (1.0 - self.tail_share) * libm::exp(-0.5 * q)
                + self.tail_share / (self.tail * self.tail) * libm::exp(-0.5 * q / (self.tail * self.tail))
        };
        libm::log(at(0.0)) - libm::log(at(q).max(1e-12))
    }
}

/// Logarithms of how often surfaces show a colour, per kind of subject.
struct Table {
    kinds: Vec<[f32; KINDS]>,
}

const TABLE_SIDE: usize = 2 * TABLE_REACH as usize + 1;

impl Table {
    fn get() -> &'static Self {
        static TABLE: OnceLock<Table> = OnceLock::new();
        TABLE.get_or_init(Self::new)
    }

    fn new() -> Self {
        /// Width of the kernel over surfaces, in steps. Source: ours.
        const KERNEL: f64 = 7.0;
        /// Share of muted colours (mixtures, haze, reflections), and the factor on their distance from grey. Source:
        /// ours.
        const MUTED: (f64, f64) = (0.5, 0.4);
        let mut all = vec![0.0; TABLE_SIDE * TABLE_SIDE];
        for (x, y) in SURFACES {
            for (share, scale) in [(1.0 - MUTED.0, 1.0), (MUTED.0, MUTED.1)] {
                let at = |v: i8| (libm::round(f64::from(v) * scale) as i32 + TABLE_REACH) as usize;
                if let Some(cell) = all.get_mut(at(y) * TABLE_SIDE + at(x)) {
                    *cell += share / SURFACES.len() as f64;
                }
            }
        }
        blur(&mut all, KERNEL);
        let normal = |d: f64, spread: f64| {
            libm::exp(-0.5 * (d / spread).powi(2)) / (spread * libm::sqrt(std::f64::consts::TAU))
        };
        let kinds = (0..TABLE_SIDE * TABLE_SIDE)
            .map(|i| {
                let at = |k: usize| FINE * (k as f64 - f64::from(TABLE_REACH));
                let colour = [at(i % TABLE_SIDE), at(i / TABLE_SIDE)];
                let (along, across) = (dot(ALONG, colour), dot(ACROSS, colour));
                // Spread of greys: our choice. The floor of 0.02 below keeps a colour that no surface has from
                // deciding.
                let of_grey = normal(colour[0], 0.03) * normal(colour[1], 0.03);
                // Wood, fur, skin, leather, evening light: skin is at 0.09 to 0.14 across (computed from published skin
                // colours), wood near 0.05. Middles, spreads and shares are our choice.
                let of_warm = 0.6 * normal(along - 0.25, 0.13) * normal(across - 0.06, 0.06)
                    + 0.4 * normal(along - 0.5, 0.2) * normal(across - 0.08, 0.09);
                let of_all = all[i] / (FINE * FINE);
                // The chart's foliage is at 0.21 along and -0.32 across; in pictures it is mixed with bark, soil and
                // reflected sky. Middles, spreads and shares are our choice.
                let of_foliage = 0.8 * normal(along - 0.18, 0.10) * normal(across + 0.22, 0.08)
                    + 0.2 * normal(along - 0.08, 0.06) * normal(across + 0.10, 0.05);
                SUBJECTS.map(|Subject { grey, warm, foliage, .. }| {
                    let often = (1.0 - grey - warm - foliage) * of_all
                        + grey * of_grey
                        + warm * of_warm
                        + foliage * of_foliage;
                    libm::log(often + 0.02) as f32
                })
            })
            .collect();
        Self { kinds }
    }
}

/// Blur every entry with a normal distribution of `width` steps.
fn blur(cells: &mut [f64], width: f64) {
    let reach = libm::ceil(4.0 * width) as usize;
    let mut kernel: Vec<f64> =
        (0..=2 * reach).map(|i| libm::exp(-0.5 * ((i as f64 - reach as f64) / width).powi(2))).collect();
    let sum: f64 = kernel.iter().sum();
    kernel.iter_mut().for_each(|k| *k /= sum);
    for (stride, step) in [(1, TABLE_SIDE), (TABLE_SIDE, 1)] {
        for line in 0..TABLE_SIDE {
            let old: Vec<f64> = (0..TABLE_SIDE).map(|i| cells[line * step + i * stride]).collect();
            for i in 0..TABLE_SIDE {
                let (first, last) = (i.saturating_sub(reach), (i + reach).min(TABLE_SIDE - 1));
                cells[line * step + i * stride] =
                    (first..=last).map(|j| old[j] * kernel[j + reach - i]).sum();
            }
        }
    }
}

pub(super) fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

/// One distinct colour of a frame and its weight.
#[derive(Debug, Clone)]
pub(super) struct Colour {
    at: [f64; 2],
    weight: f64,
}

/// Log10 exposures of the layers in the cells of a frame outside toes and shoulders, for slopes relative to the
/// stock's.
fn exposures_log(frame: &FrameStatistics, stock: &Stock, gamma_ratio: [f64; 3]) -> Vec<[f64; 3]> {
    let cells = frame.cells_d.iter().map(|cell| apply(&stock.unmix, cell.map(f64::from)));
    cells
        .filter(|layers| layers.iter().zip(&stock.curves).all(|(d, c)| *d >= LEAST_D && *d <= most_d(c)))
        .map(|layers| [0, 1, 2].map(|c| stock.curves[c].log_exposure(layers[c] / gamma_ratio[c])))
        .collect()
}

/// Different colours among cells.
fn colours(cells_log: &[[f64; 3]]) -> Vec<Colour> {
    let square = |v: f64, step: f64| libm::floor(v / step) as i32;
    let mut cells: Vec<((i32, i32, i32), [f64; 2])> = cells_log
        .iter()
        .map(|[r, g, b]| {
            let key = (square(*g, BAND_STEP), square(r - g, COLOUR_STEP), square(b - g, COLOUR_STEP));
            (key, [r - g, b - g])
        })
        .collect();
    cells.sort_by_key(|(square, _)| *square);
    let mut found: Vec<(usize, [f64; 2])> = cells
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| {
            let mean = |c: usize| same.iter().map(|(_, at)| at[c]).sum::<f64>() / same.len() as f64;
            (same.len(), [mean(0), mean(1)])
        })
        .filter(|(cells, _)| *cells >= 3)
        .collect();
    found.sort_by(|a, b| b.0.cmp(&a.0).then(a.1[0].total_cmp(&b.1[0])).then(a.1[1].total_cmp(&b.1[1])));
    found.truncate(MOST_COLOURS);
    // A fourth root keeps large areas from dominating.
    let mut colours: Vec<Colour> = found
        .into_iter()
        .map(|(cells, at)| Colour { at, weight: libm::sqrt(libm::sqrt(cells as f64)) })
        .collect();
    let sum: f64 = colours.iter().map(|colour| colour.weight).sum();
    let count = (colours.len() as f64).min(ENOUGH_COLOURS);
    colours.iter_mut().for_each(|colour| colour.weight *= count / sum.max(1e-9));
    colours
}

/// Density above which a shoulder decides the colour: 92 % of it, our choice; without one, beyond any scan.
fn most_d(curve: &LayerCurve) -> f64 {
    match curve {
        LayerCurve::Curve(curve) => curve.shoulder_d.map_or(6.0, |d| 0.92 * d),
        LayerCurve::Gamma(_) => 6.0,
    }
}

/// The colours of a frame in steps of the table, and the brightest ones again.
struct Scene<'c> {
    steps: Vec<([i32; 2], f64)>,
    highlights: &'c Highlights,
    log_often: [f64; KINDS],
}

impl<'c> Scene<'c> {
    fn new(colours: &[Colour], highlights: &'c Highlights) -> Self {
        let steps = colours
            .iter()
            .map(|colour| (colour.at.map(|v| libm::round(v / FINE) as i32 + TABLE_REACH), colour.weight))
            .collect();
        Self { steps, highlights, log_often: SUBJECTS.map(|subject| libm::log(subject.often)) }
    }

    /// Log likelihood of a shift of all colours by steps of [`FINE`], summed over kinds of subject.
    fn log_likelihood(&self, shift: [i32; 2]) -> f64 {
        let table = Table::get();
        let mut sums = [0.0; KINDS];
        for (at, weight) in &self.steps {
            let [x, y] = [0, 1].map(|c| (at[c] + shift[c]).clamp(0, 2 * TABLE_REACH) as usize);
            for (sum, log) in sums.iter_mut().zip(&table.kinds[y * TABLE_SIDE + x]) {
                *sum += weight * f64::from(*log);
            }
        }
        let any_kind =
            log_sum(&std::array::from_fn::<_, KINDS, _>(|kind| SHARE * sums[kind] + self.log_often[kind]));
        any_kind + self.highlights.log_likelihood(shift.map(|steps| FINE * f64::from(steps)))
    }
}

/// Log likelihood of a frame's colours for every shift of them.
struct Shifts {
    first: [i32; 2],
    side: [usize; 2],
    logs: Vec<f64>,
}

impl Shifts {
    fn new(colours: &[Colour], highlights: &Highlights, lights: &[Light]) -> Self {
        let reach = |c: usize, sign: f64| {
            let most = lights.iter().map(|light| sign * -light.shift[c]).fold(0.0, f64::max);
            libm::ceil(most / (FINE * COARSE as f64)) as i32 + TRIAL_REACH + 1
        };
        let first = [-reach(0, -1.0), -reach(1, -1.0)];
        let side = [0, 1].map(|c| (reach(c, 1.0) - first[c] + 1) as usize);
        let scene = Scene::new(colours, highlights);
        let logs = (0..side[0] * side[1])
            .map(|i| {
                let shift = [first[0] + (i % side[0]) as i32, first[1] + (i / side[0]) as i32];
                scene.log_likelihood(shift.map(|v| v * COARSE as i32))
            })
            .collect();
        Self { first, side, logs }
    }

    /// Log likelihood of a trial under a light.
    fn at(&self, trial: [i32; 2], light: &Light) -> f64 {
        let [x, y] = [0, 1].map(|c| {
            let step = trial[c] - libm::round(light.shift[c] / (FINE * COARSE as f64)) as i32 - self.first[c];
            (step.max(0) as usize).min(self.side[c] - 1)
        });
        self.logs[y * self.side[0] + x]
    }
}

fn log_sum(logs: &[f64]) -> f64 {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + libm::log(logs.iter().map(|log| libm::exp(log - most)).sum::<f64>())
}

/// A light that may have lit a frame.
#[derive(Debug, Clone, Copy)]
struct Light {
    shift: [f64; 2],
    log_share: f64,
    mired: f64,
    daylight: bool,
}

/// The middles of the lights other than daylight: shift of a neutral, and the log of daylight's frequency over theirs.
pub(super) fn other_lights() -> [([f64; 2], f64); 4] {
    let [(daylight, ..), shade, tungsten, late_sun] = LIGHTS;
    let cost = |share: f64| libm::log(daylight / share);
    let of = |(share, mired, _): (f64, f64, f64)| (PER_MIRED.map(|per| per * mired), cost(share));
    [of(shade), of(late_sun), of(tungsten), (LAMPS[0], cost(LAMPS_SHARE))]
}

fn lights(daylight_only: bool) -> Vec<Light> {
    let mut all = Vec::new();
    let (first, step, count) = MIREDS;
    for i in 0..count {
        let mired = first + step * i as f64;
        let normal = |(share, middle, spread): (f64, f64, f64)| {
            // 2.5066 is `sqrt(2 pi)`.
            share * step / spread * libm::exp(-0.5 * ((mired - middle) / spread).powi(2)) / 2.5066
        };
        let kinds = if daylight_only { &LIGHTS[..1] } else { &LIGHTS[..] };
        let share: f64 = kinds.iter().map(|kind| normal(*kind)).sum();
        if share > 1e-6 {
            let shift = PER_MIRED.map(|per| per * mired);
            // Daylight and flash are within 35 mireds of D55: two spreads of their kind. Our choice.
            all.push(Light { shift, log_share: libm::log(share), mired, daylight: mired.abs() <= 35.0 });
        }
    }
    if !daylight_only {
        for shift in LAMPS {
            // 0.0028 is the length of the change per mired.
            let log_share = libm::log(LAMPS_SHARE / LAMPS.len() as f64);
            all.push(Light { shift, log_share, mired: dot(shift, ALONG) / 0.0028, daylight: false });
        }
    }
    all
}

/// Combine the priors of surfaces, lights and the film's own balance.
///
/// `daylight` lists frames known to be taken in daylight.
pub(super) fn believe(
    frames: &[FrameStatistics],
    stock: &Stock,
    prior: &FilmPrior,
    daylight: &[usize],
) -> Belief {
    let side = (2 * TRIAL_REACH + 1) as usize;
    let trial = |i: usize| [(i % side) as i32 - TRIAL_REACH, (i / side) as i32 - TRIAL_REACH];
    let offset = |i: usize| trial(i).map(|v| FINE * COARSE as f64 * f64::from(v));
    let mut sum: Vec<f64> = (0..side * side).map(|i| -prior.cost(offset(i))).collect();
    let (any, day) = (lights(false), lights(true));
    let mut different = Vec::new();
    for (idx, frame) in frames.iter().enumerate() {
        let cells_log = exposures_log(frame, stock, [1.0; 3]);
        let colours = colours(&cells_log);
        let lights = if daylight.contains(&idx) { &day } else { &any };
        if colours.is_empty() {
            different.push(colours);
            continue;
        }
        let shifts = Shifts::new(&colours, &Highlights::of(&cells_log), lights);
        let says: Vec<f64> = (0..side * side)
            .map(|i| {
                let logs: Vec<f64> =
                    lights.iter().map(|light| light.log_share + shifts.at(trial(i), light)).collect();
                log_sum(&logs)
            })
            .collect();
        let most = says.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (sum, says) in sum.iter_mut().zip(&says) {
            *sum += libm::log(libm::exp(says - most) + libm::exp(-CAP));
        }
        different.push(colours);
    }
    let most = sum.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let share: Vec<f64> = sum.iter().map(|log| libm::exp(log - most)).collect();
    let all: f64 = share.iter().sum();
    let mean = |c: usize| share.iter().enumerate().map(|(i, s)| s * offset(i)[c]).sum::<f64>() / all;
    let at = [mean(0), mean(1)];
    let spread = [ALONG, ACROSS].map(|axis| {
        let square = |i: usize| (dot(offset(i), axis) - dot(at, axis)).powi(2);
        libm::sqrt(share.iter().enumerate().map(|(i, s)| s * square(i)).sum::<f64>() / all)
    });
    Belief { at, spread, colours: different }
}

/// The light of each frame, once slopes and neutral of the strip are known.
pub(super) fn frame_lights(
    frames: &[FrameStatistics],
    stock: &Stock,
    [red_ratio, blue_ratio, red, blue]: Neutral,
    daylight: &[usize],
) -> Vec<FrameLight> {
    let (any, day) = (lights(false), lights(true));
    let light = |(idx, frame): (usize, &FrameStatistics)| {
        let cells_log = exposures_log(frame, stock, [red_ratio, 1.0, blue_ratio]);
        let (colours, highlights) = (colours(&cells_log), Highlights::of(&cells_log));
        if colours.is_empty() {
            return FrameLight::default();
        }
        let scene = Scene::new(&colours, &highlights);
        let lights = if daylight.contains(&idx) { &day } else { &any };
        let log_of = |light: &Light| {
            let shift = [red - light.shift[0], blue - light.shift[1]];
            light.log_share + scene.log_likelihood(shift.map(|v| libm::round(v / FINE) as i32))
        };
        let logs: Vec<f64> = lights.iter().map(log_of).collect();
        let whole = log_sum(&logs);
        let mired = lights.iter().zip(&logs).map(|(light, log)| light.mired * libm::exp(log - whole)).sum();
        let in_day: Vec<f64> =
            lights.iter().zip(&logs).filter(|(light, _)| light.daylight).map(|(_, log)| *log).collect();
        FrameLight { mired, gain: whole - log_sum(&in_day) }
    };
    frames.iter().enumerate().map(light).collect()
}
