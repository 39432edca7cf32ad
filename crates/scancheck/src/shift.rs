//! Shifts of the channels against each other, and of the infrared against the colours.

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::areas::Areas;
use crate::light::solved;
use crate::statistics::median;
use crate::{Measure, Report, ScanUnderCheck, What};

/// Side of the windows, and most of them. Our choice: a window holds one edge or a piece of texture.
const WINDOW_PX: u32 = 40;
const MOST_WINDOWS: usize = 96;
/// Whole pixels searched for colours and infrared. Our choice: a wrong stepping of three lines; the film moved between
/// two passes.
const SEARCH_COLOURS: i32 = 4;
const SEARCH_INFRARED: i32 = 12;
/// Correlation that both pictures of a window must have. Our choice: other channels show much the same edges, and what
/// differs in colour stays out.
const LEAST_CORRELATION: f64 = 0.96;
/// Fewest windows for a result. Our choice.
const FEWEST: usize = 6;
/// Source: FADGI 2016, films: below 0.80 px at 2 stars, 1.2 px at 1 star.
const SHIFT_LIMIT_PX: f64 = 0.8;
const SHIFT_SERIOUS_PX: f64 = 1.2;
/// Infrared shifts are measured and undone by the dust repair, which searches 10 px at first. Our choice.
const INFRARED_LIMIT_PX: f64 = 2.0;
const INFRARED_SERIOUS_PX: f64 = 10.0;

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let middle = scan.middle_channel();
    let windows = windows(scan, areas, middle);
    let shift_to = |channel: usize, search: i32| shift(scan, &windows, channel, search);
    if scan.colour_channels >= 3 {
        let found: Vec<Shift> =
            [0, 2].into_iter().filter_map(|channel| shift_to(channel, SEARCH_COLOURS)).collect();
        if let Some(worst) = found.iter().max_by(|a, b| a.size_px.total_cmp(&b.size_px)) {
            let source = "FADGI 2016, films: below 0.80 px at 2 stars, 1.2 px at 1 star";
            let measure = Measure {
                what: What::ChannelShift,
                value: worst.size_px,
                unit: "px",
                limit: SHIFT_LIMIT_PX,
                source,
            };
            report.judge(measure, SHIFT_SERIOUS_PX, worst.place);
        }
    }
    if scan.has_infrared()
        && let Some(found) = shift_to(usize::from(scan.colour_channels), SEARCH_INFRARED)
    {
        let source = "ours: dust repair undoes up to 10 px in its first search";
        let measure = Measure {
            what: What::InfraredShift,
            value: found.size_px,
            unit: "px",
            limit: INFRARED_LIMIT_PX,
            source,
        };
        report.judge(measure, INFRARED_SERIOUS_PX, found.place);
    }
}

struct Shift {
    size_px: f64,
    place: Option<PixelRect>,
}

/// A window: its band, and its corner in it.
#[derive(Clone, Copy)]
struct Window {
    band: usize,
    x: u32,
    y: u32,
    contrast: f64,
}

/// Windows with the strongest edges, spread over the scan.
fn windows(scan: &ScanUnderCheck<'_>, areas: &Areas, channel: usize) -> Vec<Window> {
    let border = SEARCH_INFRARED as u32 + 2;
    let mut all = Vec::new();
    for (idx, light) in areas.light[channel].iter().enumerate() {
        let (width, height) = (light.width(), light.height());
        let mut rows = Vec::new();
        for y in (border..height.saturating_sub(border + WINDOW_PX)).step_by(WINDOW_PX as usize) {
            for x in (border..width.saturating_sub(border + WINDOW_PX)).step_by(WINDOW_PX as usize) {
                rows.push((x, y));
            }
        }
        all.extend(rows.into_iter().map(|(x, y)| {
            let mut sum = 0.0;
            for row in (y..y + WINDOW_PX).step_by(2) {
                let (here, below) = (light.row(row), light.row(row + 1));
                for col in (x as usize..(x + WINDOW_PX) as usize).step_by(2) {
                    let level = f64::from(here[col]) + 0.01 * areas.bright;
                    let step = (f64::from(here[col + 1]) - f64::from(here[col])).powi(2)
                        + (f64::from(below[col]) - f64::from(here[col])).powi(2);
                    sum += step / (level * level).max(1e-9);
                }
            }
            Window { band: idx, x, y, contrast: sum }
        }));
    }
    all.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
    // No more than a quarter from any eighth of the scan's width.
    let mut taken = [0_usize; 8];
    let width = scan.size_px.0.max(1);
    all.retain(|window| {
        let part = &mut taken[(window.x * 8 / width).min(7) as usize];
        *part += 1;
        *part <= MOST_WINDOWS / 4
    });
    all.truncate(MOST_WINDOWS);
    all
}

/// Part of a plane. In light, a blurred edge of the film has one shape in all channels, whatever its height.
/// In logarithms, pictures have one shape in all channels.
fn cut(
    scan: &ScanUnderCheck<'_>,
    window: Window,
    (channel, is_log): (usize, bool),
    grown: u32,
) -> Plane<f32> {
    let band = &scan.bands[window.band];
    let channels = usize::from(band.codes.channels());
    let table = scan.light.get(channel).copied();
    let side = WINDOW_PX + 2 * grown;
    let mut out = Plane::filled(side, side, 0.0_f32);
    for y in 0..side {
        let row = band.codes.row(window.y + y - grown);
        for (x, out) in out.row_mut(y).iter_mut().enumerate() {
            let code = row[(window.x as usize + x - grown as usize) * channels + channel];
            let light = match table {
                Some(table) => table.get(usize::from(code)).copied().unwrap_or(0.0),
                None => f32::from(code) / 65_535.0,
            };
            *out = if is_log { (light + 0.003).ln() } else { light };
        }
    }
    out
}

/// The smaller of the shifts in light and in logarithms: a shift of the channels shows in both.
fn shift(scan: &ScanUnderCheck<'_>, windows: &[Window], channel: usize, search: i32) -> Option<Shift> {
    let found = [false, true].map(|is_log| shift_in(scan, windows, (channel, is_log), search));
    found.into_iter().flatten().min_by(|a, b| a.size_px.total_cmp(&b.size_px))
}

fn shift_in(
    scan: &ScanUnderCheck<'_>,
    windows: &[Window],
    (channel, is_log): (usize, bool),
    search: i32,
) -> Option<Shift> {
    let middle = scan.middle_channel();
    let grown = search as u32 + 2;
    let found: Vec<(Window, [Option<f64>; 2])> = windows
        .par_iter()
        .filter_map(|window| {
            let fixed = cut(scan, *window, (middle, is_log), 1);
            let other = cut(scan, *window, (channel, is_log), grown);
            Some((*window, displacement(&fixed, &other, search)?))
        })
        .collect();
    let axis = |axis: usize, found: &[(Window, [Option<f64>; 2])]| {
        let mut values: Vec<f64> = found.iter().filter_map(|(_, shift)| shift[axis]).collect();
        (values.len() >= FEWEST).then(|| median(&mut values)).flatten()
    };
    // Lateral colour grows towards the sides, so the parts of the scan are judged one by one.
    let third = scan.size_px.0.div_ceil(3).max(1);
    let whole = found.clone();
    let parts = (0..3_u32)
        .map(|part| found.iter().filter(|(window, _)| window.x / third == part).copied().collect::<Vec<_>>())
        .map(Some)
        .chain([None]);
    parts
        .filter_map(|part| {
            let windows = part.as_deref().unwrap_or(&whole);
            let (x, y) = (axis(0, windows), axis(1, windows));
            let size_px = x.unwrap_or(0.0).hypot(y.unwrap_or(0.0));
            let place = part.as_ref().and_then(|part| part.first()).map(|(window, _)| {
                let band = scan.bands[window.band].rect;
                let (x, y) = (window.x, band.y0 + window.y);
                PixelRect::new(x, y, x + WINDOW_PX, y + WINDOW_PX)
            });
            (x.is_some() || y.is_some()).then_some(Shift { size_px, place })
        })
        .max_by(|a, b| a.size_px.total_cmp(&b.size_px))
}

/// Displacement of `other` against `fixed`, along x and y as far as the window shows it; `None` if the two differ.
///
/// `fixed` has a border of one pixel and `other` one of `search + 2`.
fn displacement(fixed: &Plane<f32>, other: &Plane<f32>, search: i32) -> Option<[Option<f64>; 2]> {
    let side = WINDOW_PX as usize;
    let grown = search as usize + 2;
    let best = (-search..=search)
        .flat_map(|dy| (-search..=search).map(move |dx| (dx, dy)))
        .map(|(dx, dy)| {
            (correlation(fixed, other, (grown as i32 + dx) as usize, (grown as i32 + dy) as usize), dx, dy)
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let (correlation, dx, dy) = best;
    if correlation < LEAST_CORRELATION {
        return None;
    }
    // other(x + d) = gain fixed(x) + offset, and d from the mean of both gradients, which is exact to second order.
    let (ox, oy) = ((grown as i32 + dx) as usize, (grown as i32 + dy) as usize);
    let at = |plane: &Plane<f32>, x: usize, y: usize| f64::from(plane.at(x as u32, y as u32));
    let mut system = [[0.0; 5]; 4];
    let mut energy = [0.0; 2];
    for y in 0..side {
        for x in 0..side {
            let (f, o) = (at(fixed, x + 1, y + 1), at(other, x + ox, y + oy));
            let fx = 0.5 * (at(fixed, x + 2, y + 1) - at(fixed, x, y + 1));
            let fy = 0.5 * (at(fixed, x + 1, y + 2) - at(fixed, x + 1, y));
            let gx = 0.5 * (at(other, x + ox + 1, y + oy) - at(other, x + ox - 1, y + oy));
            let gy = 0.5 * (at(other, x + ox, y + oy + 1) - at(other, x + ox, y + oy - 1));
            let terms = [0.5 * (fx + gx), 0.5 * (fy + gy), f, 1.0];
            energy[0] += terms[0] * terms[0];
            energy[1] += terms[1] * terms[1];
            for (row, t) in system.iter_mut().zip(terms) {
                for (v, u) in row.iter_mut().zip(terms.iter().chain(&[o])) {
                    *v += t * u;
                }
            }
        }
    }
    let most = energy[0].max(energy[1]);
    // An edge along one axis says nothing about shifts along it; a weak pull to zero keeps the solution stable.
    system[0][0] += 1e-3 * most;
    system[1][1] += 1e-3 * most;
    let [sx, sy, gain, _] = solved(system)?;
    if gain < 0.1 {
        return None;
    }
    // other = gain fixed(x - d), and the mean gradient is (1 + gain) / 2 times that of `fixed`.
    let scale = (1.0 + gain) / (2.0 * gain);
    let shown = |idx: usize, s: f64, whole: i32| {
        (energy[idx] > 0.2 * most && (s * scale).abs() < 1.5).then(|| f64::from(whole) - s * scale)
    };
    Some([shown(0, sx, dx), shown(1, sy, dy)])
}

/// Correlation of the window of `fixed` with the one of `other` that begins at a place.
fn correlation(fixed: &Plane<f32>, other: &Plane<f32>, ox: usize, oy: usize) -> f64 {
    let side = WINDOW_PX as usize;
    let (mut sf, mut so, mut sff, mut soo, mut sfo) = (0.0_f64, 0.0, 0.0, 0.0, 0.0);
    for y in (0..side).step_by(2) {
        let f = &fixed.row(y as u32 + 1)[1..=side];
        let o = &other.row((y + oy) as u32)[ox..ox + side];
        for (f, o) in f.iter().zip(o) {
            let (f, o) = (f64::from(*f), f64::from(*o));
            sf += f;
            so += o;
            sff += f * f;
            soo += o * o;
            sfo += f * o;
        }
    }
    let n = (side * side.div_ceil(2)) as f64;
    let (vf, vo) = (sff - sf * sf / n, soo - so * so / n);
    if vf <= 1e-9 || vo <= 1e-9 { 0.0 } else { (sfo - sf * so / n) / (vf * vo).sqrt() }
}
