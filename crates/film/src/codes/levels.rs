//! Plateaus in a whole scan: the dark one (holder, or the black of a slide) and the bright one (open light).

use glassine_raster::Samples16;

/// Share of the pixels at either end that is assumed to be stuck or dirty. Our choice.
const OUTLIERS: f64 = 0.002;
/// Least share of a scan for a plateau. Our choice: a holder or open light is larger, a specular or shadow smaller.
const LEAST_SHARE: f64 = 0.01;

/// Level of an even part of the scan, codes 0 to 1, per channel (grey: three times the same).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Plateau {
    /// Median.
    pub(super) level: [f64; 3],
    /// Difference of the 90th and 10th percentiles relative to the level, in the channel with the largest.
    pub(super) spread: f64,
    /// Share of the scan.
    pub(super) share: f64,
}

/// The colour codes of a pixel, 0 to 1; grey is repeated.
pub(super) fn colour_of(pixel: &[u16], colours: usize) -> [f64; 3] {
    std::array::from_fn(|c| f64::from(pixel[c.min(colours - 1)]) / 65_535.0)
}

/// Most pixels examined. Our choice: bounds time.
const MOST_PIXELS: usize = 400_000;

/// Pixels of a picture as colours; of a large picture every second, third ... pixel of every second, third ... row.
pub(super) fn colours(samples: &Samples16, colours: usize) -> Vec<[f64; 3]> {
    let channels = usize::from(samples.channels()).max(1);
    let used = colours.clamp(1, channels);
    let all = samples.data().len() / channels;
    let step = (1..).find(|step| all / (step * step) <= MOST_PIXELS).unwrap_or(1);
    let rows = (0..samples.height()).step_by(step);
    rows.flat_map(|y| samples.row(y).chunks_exact(channels).step_by(step).map(|pixel| colour_of(pixel, used)))
        .collect()
}

fn top(t: [f64; 3]) -> f64 {
    t[0].max(t[1]).max(t[2])
}

/// The value below which `share` of all values are; 0 if there are none.
pub(super) fn quantile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() as f64 * share) as usize).min(values.len() - 1);
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Median, spread and share of some pixels.
pub(super) fn plateau_of(pixels: &[[f64; 3]], all: usize) -> Option<Plateau> {
    if pixels.is_empty() || (pixels.len() as f64) < LEAST_SHARE * all as f64 {
        return None;
    }
    let mut spread = 0.0_f64;
    let level = std::array::from_fn(|c| {
        let mut values: Vec<f64> = pixels.iter().map(|t| t[c]).collect();
        let middle = quantile(&mut values, 0.5);
        let width = quantile(&mut values, 0.9) - quantile(&mut values, 0.1);
        spread = spread.max(width / middle.max(1e-6));
        middle
    });
    Some(Plateau { level, spread, share: pixels.len() as f64 / all as f64 })
}

/// The darkest even part of a scan.
///
/// A holder is dark in every channel, so pixels are judged by their brightest one, which also separates dense film from
/// it. Among pixels little brighter than the darkest, the most frequent level is the plateau.
///
/// Our choice: up to 1.3 times the darkest belong to it, a level is 6 % wide; a few codes more for the noise of black.
pub(super) fn dark_plateau(pixels: &[[f64; 3]]) -> Option<Plateau> {
    let mut tops: Vec<f64> = pixels.iter().map(|t| top(*t)).collect();
    let least = quantile(&mut tops, OUTLIERS);
    let mut dark: Vec<f64> = tops.into_iter().filter(|t| *t <= 1.3 * least + 0.002).collect();
    dark.sort_unstable_by(f64::total_cmp);
    let reach = |from: f64| 1.06 * from + 0.0006;
    let (mut end, mut fullest) = (0, (0, 0.0));
    for (begin, from) in dark.iter().enumerate() {
        while dark.get(end).is_some_and(|t| *t <= reach(*from)) {
            end += 1;
        }
        if end - begin > fullest.0 {
            fullest = (end - begin, *from);
        }
    }
    let is_in = |t: &[f64; 3]| (fullest.1..=reach(fullest.1)).contains(&top(*t));
    let level: Vec<[f64; 3]> = pixels.iter().copied().filter(is_in).collect();
    plateau_of(&level, pixels.len())
}

/// Open light: the brightest even part, without a dominant channel.
pub(super) fn open_plateau(pixels: &[[f64; 3]]) -> Option<Plateau> {
    let mut lows: Vec<f64> = pixels.iter().map(|t| t[0].min(t[1]).min(t[2])).collect();
    let most = quantile(&mut lows, 1.0 - OUTLIERS);
    let open: Vec<[f64; 3]> =
        pixels.iter().copied().filter(|t| t[0].min(t[1]).min(t[2]) > 0.93 * most).collect();
    let plateau = plateau_of(&open, pixels.len())?;
    // Film has grain and picture; open light varies only by the fall-off of the lamp. Our choice: 12 % is 0.05 D, and a
    // stronger tint than a quarter is film.
    let [r, g, b] = plateau.level;
    let is_even = plateau.spread < 0.12 && r.max(g).max(b) < 1.25 * r.min(g).min(b);
    is_even.then_some(plateau)
}

/// Brightest level of a scan: open light, or the clearest film if there is none.
pub(super) fn bright_level(pixels: &[[f64; 3]]) -> f64 {
    open_plateau(pixels).map_or_else(
        || {
            let mut tops: Vec<f64> = pixels.iter().map(|t| top(*t)).collect();
            quantile(&mut tops, 1.0 - OUTLIERS)
        },
        |open| top(open.level),
    )
}
