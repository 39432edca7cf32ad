//! Streaks: columns or rows that differ from their neighbours over the whole length of the scan; lines that are missing.

use std::collections::BTreeMap;

use glassine_raster::{PixelLoop, PixelRect, Plane, least, most, run_vectorised};
use rayon::prelude::*;

use crate::areas::{Areas, Ground, OPEN, PICTURE, REBATE};
use crate::bands::transposed;
use crate::jumps::largest_jump;
use crate::statistics::{Sums, deviation};
use crate::{Band, Measure, Report, ScanUnderCheck, What};

/// Parts along a line that must agree. Our choice: a picture that lies across the line fills several of them, and each has
/// tens of pixels.
const PARTS: usize = 24;
/// Share of lit parts that must show the line, and fewest lit parts. Our choice.
const AGREEING: f64 = 0.8;
/// How far a part may be from all together, as a share, or in standard errors of the part where noise explains more.
/// Our choice.
const AGREES: f64 = 0.6;
const ERRORS: f64 = 3.0;
/// Standard errors from which on a ground shows a line. Our choice: texture makes neighbouring pixels alike, so that the
/// true error is larger.
const ERRORS_SHOWN: f64 = 4.5;
const FEWEST_PARTS: usize = 5;
/// Lines that share one spread, and how many around them it is measured on. Our choice: texture changes more slowly.
const SPREAD_EVERY: usize = 16;
const SPREAD_OVER: usize = 64;
/// Least spread of a part, relative: no part outweighs all others. Our choice.
const LEAST_SPREAD: f64 = 0.001;
/// Least difference of a line from its neighbours on both sides, relative, and that of a lost line. Our choice: 0.6 %
/// is 0.0026 D, which a contrasty print shows in an even sky; a lost line is darker or brighter by a third.
const STREAK_LIMIT: f64 = 0.006;
const LOST: f64 = 0.33;
/// Serious from here on, per cent. Our choice: 5 % is 0.02 D, which every print shows.
const STREAK_SERIOUS: f64 = 5.0;
/// How far above the spread of all lines. Our choice: five thousand lines of noise stay below.
const DEVIATIONS: f64 = 6.0;
/// Largest difference of the neighbours on both sides, relative. Our choice: noise and texture pass, edges do not.
const MOST_EDGE: f32 = 0.15;
/// Fewest pixels of a streak on one ground. Our choice: their grain averages to a few per mille.
const FEWEST_ON_GROUND: f64 = 24.0;
/// Distances of the compared neighbours, lines. Our choice: a line of one pixel that lies on two after blur, and specks of
/// dust on the sensor that cover several.
const GAPS: [usize; 3] = [2, 3, 6];
/// Sums that are added up at the same time.
const LANES: usize = 8;

/// One line that stands out.
#[derive(Debug, Clone, Copy)]
struct Streak {
    at: usize,
    size: f64,
    gap: usize,
    /// Whether no part contradicts it, and enough show it clearly.
    is_in_every_part: bool,
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let (width, height) = scan.size_px;
    let floor = 0.004 * areas.bright;
    let mut worst: [Option<(f64, PixelRect)>; 2] = [None; 2];
    let mut around_streaks: Vec<PixelRect> = Vec::new();
    let mut note = |found: Vec<Streak>, lines: &Lines<'_>, place: &dyn Fn(u32) -> PixelRect| {
        let dilution = f64::from(lines.factor);
        for streak in found.into_iter().filter(|streak| lines.is_on_all_grounds(areas, streak)) {
            // Means over `dilution` lines show a lost line as a part of it.
            let idx = usize::from(streak.size < -LOST / dilution);
            let size = streak.size.abs() * if idx == 1 { dilution } else { 1.0 };
            // As far as its neighbours, and the line after them, which a jump is named after.
            let reach_px = (streak.gap as u32 + 1) * lines.factor;
            around_streaks.push(place(streak.at as u32).grown(reach_px, width, height));
            if worst[idx].is_none_or(|(known, _)| size > known) {
                worst[idx] = Some((size, place(streak.at as u32)));
            }
        }
    };
    for channel in 0..usize::from(scan.colour_channels) {
        let bands: Vec<Plane<f32>> = scan
            .bands
            .iter()
            .zip(&areas.light[channel])
            .map(|(band, lit)| on_ground(areas, band, lit))
            .collect();
        for (band, plane) in scan.bands.iter().zip(&bands) {
            let top = band.rect.y0;
            let lines = Lines { planes: &[(plane, band.rect.y0)], are_rows: true, factor: 1, floor };
            note(streaks(&[plane], floor, &GAPS), &lines, &|at| {
                PixelRect::new(0, top + at, width, top + at + 1)
            });
        }
        let turned: Vec<Plane<f32>> = bands.iter().map(transposed).collect();
        let found = streaks(&turned.iter().collect::<Vec<_>>(), floor, &GAPS);
        let beside: Vec<(&Plane<f32>, u32)> =
            turned.iter().zip(scan.bands).map(|(plane, band)| (plane, band.rect.y0)).collect();
        let lines = Lines { planes: &beside, are_rows: false, factor: 1, floor };
        note(found, &lines, &|at| PixelRect::new(at, 0, at + 1, height));
        if scan.bands.len() > 1 {
            // Rows between the bands of a large scan: the overview has them, several in one, so that wide ones are narrow.
            let factor = scan.factor;
            let place = |at: u32| PixelRect::new(0, at * factor, width, ((at + 1) * factor).min(height));
            let plane = overview(scan, areas, channel);
            let lines = Lines { planes: &[(&plane, 0)], are_rows: true, factor, floor };
            note(streaks(&[&plane], floor, &GAPS[..1]), &lines, &place);
        }
    }
    let source = "ours: 0.6 % is 0.0026 D, visible in an even sky";
    let (value, place) = worst[0].unwrap_or_default();
    let measure = Measure::per_cent(What::Streaks, value, "%", STREAK_LIMIT, source);
    report.judge(measure, STREAK_SERIOUS, worst[0].map(|_| place));
    missing(scan, areas, worst[1].map(|(_, place)| place), &around_streaks, report);
}

/// Lines as rows of planes, and where they lie in the scan.
struct Lines<'a> {
    /// Each with the scan row at which it begins.
    planes: &'a [(&'a Plane<f32>, u32)],
    are_rows: bool,
    /// Scan pixels per pixel of the planes.
    factor: u32,
    floor: f64,
}

impl Lines<'_> {
    /// Whether a streak is shown by a picture and another ground at least, and contradicted by none: a line of a picture
    /// ends with it, and one that crosses no picture is the edge of the film or harms none.
    fn is_on_all_grounds(&self, areas: &Areas, streak: &Streak) -> bool {
        let mut grounds: BTreeMap<Ground, Sums> = BTreeMap::new();
        for (plane, top) in self.planes {
            let row = |at: usize| plane.row(at as u32);
            let (before, here, after) =
                (row(streak.at - streak.gap), row(streak.at), row(streak.at + streak.gap));
            for (along, ((b, h), a)) in before.iter().zip(here).zip(after).enumerate() {
                let (along, at) = (along as u32 * self.factor, streak.at as u32 * self.factor);
                let (x, y) = if self.are_rows { (along, top + at) } else { (at, top + along) };
                let around = f64::from(0.5 * (b + a));
                if around <= self.floor || f64::from((b - a).abs()) >= f64::from(MOST_EDGE) * around {
                    continue;
                }
                if let Some(ground) = areas.ground(x, y) {
                    let size = (f64::from(*h) / around - 1.0).clamp(-0.5, 0.5);
                    grounds.entry(ground).or_default().add(size, 1.0);
                }
            }
        }
        grounds.retain(|_, sums| sums.count >= FEWEST_ON_GROUND);
        let shows = |sums: &Sums| {
            sums.mean().abs() > ERRORS_SHOWN * sums.error() && agrees(sums.mean(), streak.size, 0.0)
        };
        let showing: Vec<Ground> =
            grounds.iter().filter(|(_, sums)| shows(sums)).map(|(ground, _)| *ground).collect();
        // On one ground alone, as on a slide with black rebate, a line of the picture would have to be as even.
        let is_sure = showing.len() >= 2 || grounds.len() == 1 && streak.is_in_every_part;
        is_sure
            && showing.iter().any(|ground| matches!(ground, Ground::Picture(_)))
            && grounds.values().all(|sums| agrees(sums.mean(), streak.size, sums.error()))
    }
}

/// Whether a part shows a line of this size, as far as its standard error tells.
fn agrees(part: f64, size: f64, error: f64) -> bool {
    (part - size).abs() <= (AGREES * size.abs()).max(ERRORS * error)
}

/// Lines that are repeated, black or cut out. Beside a streak everything jumps too, from line to line in its direction.
fn missing(
    scan: &ScanUnderCheck<'_>,
    areas: &Areas,
    lost: Option<PixelRect>,
    around_streaks: &[PixelRect],
    report: &mut Report,
) {
    let is_beside_none =
        |jump: PixelRect| !around_streaks.iter().any(|around| around.intersect(jump) == jump);
    let (value, place) = match (repeated_lines(scan, areas), lost) {
        (Some((count, place)), _) => (f64::from(count), Some(place)),
        (None, Some(place)) => (1.0, Some(place)),
        (None, None) => largest_jump(scan, areas, is_beside_none).map_or((0.0, None), |at| (1.0, Some(at))),
    };
    let measure =
        Measure { what: What::MissingLines, value, unit: "lines", limit: 0.0, source: "none may be missing" };
    report.judge(measure, 0.0, place);
}

/// Light of a band where film or open light is certain, 0 elsewhere: edges of the film are lines of their own.
fn on_ground(areas: &Areas, band: &Band, lit: &Plane<f32>) -> Plane<f32> {
    let mut plane = lit.clone();
    let width = plane.width().max(1) as usize;
    let factor = areas.factor as usize;
    plane.data_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (cell, part) in row.chunks_mut(factor).enumerate() {
            if !is_ground(areas.at((cell * factor) as u32, band.rect.y0 + y as u32)) {
                part.fill(0.0);
            }
        }
    });
    plane
}

fn overview(scan: &ScanUnderCheck<'_>, areas: &Areas, channel: usize) -> Plane<f32> {
    let mut plane = Plane::filled(scan.overview.width(), scan.overview.height(), 0.0_f32);
    let codes = scan.overview.channel(channel as u8);
    let light = codes.data().iter().zip(areas.class.data());
    plane.data_mut().iter_mut().zip(light).for_each(|(v, (code, class))| {
        *v = if is_ground(*class) { f32::from(*code) / 65_535.0 } else { 0.0 };
    });
    plane
}

fn is_ground(class: u8) -> bool {
    matches!(class, OPEN | REBATE | PICTURE)
}

/// Differences of a line from those on both sides of it in one part, relative; not a number where it is dark.
#[derive(Debug, Clone, Copy)]
struct Ridge {
    left: f64,
    right: f64,
}

impl Ridge {
    fn size(self) -> f64 {
        f64::midpoint(self.left, self.right)
    }
}

/// Rows that stand out in one or several planes, which lie beside each other along the rows.
fn streaks(planes: &[&Plane<f32>], floor: f64, gaps: &[usize]) -> Vec<Streak> {
    let Some(count) = planes.iter().map(|plane| plane.height() as usize).min() else { return Vec::new() };
    let parts_each = (PARTS / planes.len()).max(1);
    let parts: Vec<(&Plane<f32>, std::ops::Range<usize>)> = planes
        .iter()
        .flat_map(|plane| {
            let width = plane.width() as usize;
            (0..parts_each)
                .map(move |part| (*plane, part * width / parts_each..(part + 1) * width / parts_each))
        })
        .collect();
    let mut found: Vec<Streak> = Vec::new();
    for &gap in gaps {
        if count < 4 * gap {
            continue;
        }
        let ridges: Vec<Vec<Option<Ridge>>> = parts
            .par_iter()
            .map(|part| (0..count).into_par_iter().map(|at| ridge(part, at, gap, count, floor)).collect())
            .collect();
        let spreads: Vec<Vec<f64>> = ridges.par_iter().map(|of_part| spreads(of_part)).collect();
        let lines: Vec<Option<Line>> =
            (0..count).into_par_iter().map(|at| Line::of(&ridges, &spreads, at)).collect();
        let signs: Vec<f64> = lines.iter().flatten().map(|line| line.size / line.error).collect();
        let least = DEVIATIONS * deviation(&signs).max(1.0);
        for (at, line) in lines.iter().enumerate() {
            let Some(Line { size, error, is_whole, is_in_every_part }) = *line else { continue };
            if is_whole && size.abs() > (least * error).max(0.5 * STREAK_LIMIT) {
                found.push(Streak { at, size, gap, is_in_every_part });
            }
        }
    }
    // A whole picture of lines is texture, or a fault of another kind.
    if found.len() > count / 10 { Vec::new() } else { found }
}

/// How far a line differs from those on both sides in one part; `None` where too little of it is lit.
fn ridge(
    (plane, range): &(&Plane<f32>, std::ops::Range<usize>),
    at: usize,
    gap: usize,
    count: usize,
    floor: f64,
) -> Option<Ridge> {
    if at < gap || at + gap >= count {
        return None;
    }
    let row = |y: usize| &plane.row(y as u32)[range.clone()];
    let (before, here, after) = (row(at - gap), row(at), row(at + gap));
    let floor = floor as f32;
    let [left, right, lit] = run_vectorised(RidgeSums { before, here, after, floor })
        .map(|lanes| f64::from(lanes.iter().sum::<f32>()));
    let (left, right) = (left / lit.max(1.0), right / lit.max(1.0));
    (lit > 0.3 * range.len() as f64 && lit > 8.0).then_some(Ridge { left, right })
}

/// Sums over a part: differences of a line from the one before and the one after, relative to both, and lit pixels.
struct RidgeSums<'a> {
    before: &'a [f32],
    here: &'a [f32],
    after: &'a [f32],
    floor: f32,
}

impl PixelLoop for RidgeSums<'_> {
    type Output = [[f32; LANES]; 3];

    #[inline(always)]
    fn call(self) -> Self::Output {
        let mut sums = [[0.0_f32; LANES]; 3];
        // Several sums at once, which a processor adds together; the last few pixels of a part do not matter.
        let [before, here, after] =
            [self.before, self.here, self.after].map(|row| row.as_chunks::<LANES>().0);
        for ((before, here), after) in before.iter().zip(here).zip(after) {
            for lane in 0..LANES {
                let (b, h, a) = (before[lane], here[lane], after[lane]);
                let around = 0.5 * (b + a);
                // Beside an edge the two neighbours differ; a narrow gap between film and holder is no streak.
                let is_lit = (around > self.floor) & ((b - a).abs() < MOST_EDGE * around);
                let scale = if is_lit { 1.0 / around } else { 0.0 };
                // Bounded, so that dust in the part weighs little.
                sums[0][lane] += least(most((h - b) * scale, -0.5), 0.5);
                sums[1][lane] += least(most((h - a) * scale, -0.5), 0.5);
                sums[2][lane] += if is_lit { 1.0 } else { 0.0 };
            }
        }
        sums
    }
}

/// How much the ridges of a part vary from line to line, around every line that begins a group.
fn spreads(of_part: &[Option<Ridge>]) -> Vec<f64> {
    let around = |at: usize| {
        let from = (at + SPREAD_EVERY / 2).saturating_sub(SPREAD_OVER / 2);
        let near = &of_part[from..(from + SPREAD_OVER).min(of_part.len())];
        let sizes: Vec<f64> = near.iter().flatten().map(|ridge| ridge.size()).collect();
        deviation(&sizes).max(LEAST_SPREAD)
    };
    (0..of_part.len()).step_by(SPREAD_EVERY).map(around).collect()
}

/// A line in all its parts together.
#[derive(Debug, Clone, Copy)]
struct Line {
    size: f64,
    /// Standard error of the size, from the spread of lines around it.
    error: f64,
    is_whole: bool,
    is_in_every_part: bool,
}

impl Line {
    fn of(ridges: &[Vec<Option<Ridge>>], spreads: &[Vec<f64>], at: usize) -> Option<Self> {
        let lit: Vec<(Ridge, f64)> = ridges
            .iter()
            .zip(spreads)
            .filter_map(|(ridges, spreads)| Some((ridges[at]?, spreads[at / SPREAD_EVERY])))
            .collect();
        if lit.len() < FEWEST_PARTS {
            return None;
        }
        let weights: f64 = lit.iter().map(|(_, spread)| spread.powi(-2)).sum();
        let mean = |of: fn(&Ridge) -> f64| {
            lit.iter().map(|(ridge, spread)| of(ridge) * spread.powi(-2)).sum::<f64>() / weights
        };
        let (left, right) = (mean(|ridge| ridge.left), mean(|ridge| ridge.right));
        let size = f64::midpoint(left, right);
        let agreeing = lit.iter().filter(|(ridge, spread)| agrees(ridge.size(), size, *spread)).count();
        // A line of an edge differs from one side alone.
        let is_ridge = agrees(left, size, 0.0) && agrees(right, size, 0.0);
        let is_whole = is_ridge && agreeing as f64 >= AGREEING * lit.len() as f64;
        let clear = lit.iter().filter(|(ridge, spread)| {
            ridge.size().abs() > ERRORS * spread && agrees(ridge.size(), size, 0.0)
        });
        let is_in_every_part = agreeing == lit.len() && clear.count() >= FEWEST_PARTS;
        Some(Self { size, error: weights.powf(-0.5), is_whole, is_in_every_part })
    }
}

/// Lines that repeat the line before them exactly, while others do not: the transport stood still.
fn repeated_lines(scan: &ScanUnderCheck<'_>, areas: &Areas) -> Option<(u32, PixelRect)> {
    let least = (65_535.0 * 0.05 * areas.bright) as u16;
    // Lines of an empty holder may well be equal.
    let varies = |most: u16, fewest: u16| most > least && most != fewest;
    let (mut rows, mut columns) = (Repeats::default(), Vec::new());
    for band in scan.bands {
        let channels = usize::from(band.codes.channels()).max(1);
        for y in 1..band.codes.height() {
            let (before, here) = (band.codes.row(y - 1), band.codes.row(y));
            let most = here.iter().max().copied().unwrap_or(0);
            let fewest = here.iter().min().copied().unwrap_or(0);
            let y = band.rect.y0 + y;
            rows.note(varies(most, fewest), before == here, PixelRect::new(0, y, scan.size_px.0, y + 1));
        }
        // Most, least, and whether the column so far equals the one before it.
        columns.resize(band.codes.width() as usize, (0_u16, u16::MAX, true));
        for y in 0..band.codes.height() {
            let row = band.codes.row(y);
            for (x, (most, fewest, is_same)) in columns.iter_mut().enumerate() {
                let here = &row[x * channels..(x + 1) * channels];
                *most = (*most).max(here[0]);
                *fewest = (*fewest).min(here[0]);
                *is_same = *is_same && x > 0 && here == &row[(x - 1) * channels..x * channels];
            }
        }
    }
    let mut across = Repeats::default();
    for (x, (most, fewest, is_same)) in columns.into_iter().enumerate().skip(1) {
        let x = x as u32;
        across.note(varies(most, fewest), is_same, PixelRect::new(x, 0, x + 1, scan.size_px.1));
    }
    rows.found().or(across.found())
}

#[derive(Debug, Default)]
struct Repeats {
    count: u32,
    lines: u32,
    first: Option<PixelRect>,
}

impl Repeats {
    fn note(&mut self, varies: bool, is_same: bool, place: PixelRect) {
        self.lines += u32::from(varies);
        if varies && is_same {
            self.count += 1;
            self.first = self.first.or(Some(place));
        }
    }

    /// Lines repeated all over are an enlarged scan.
    fn found(&self) -> Option<(u32, PixelRect)> {
        self.first.filter(|_| self.count * 8 < self.lines).map(|place| (self.count, place))
    }
}

#[cfg(test)]
mod tests {
    use glassine_film::CodeCurve;
    use glassine_layout::{FilmTone, Found, FoundFrame, FoundStrip, StripAxis};
    use glassine_raster::{Samples16, TiltedBox};
    use glassine_testdata::strips::hash;

    use super::*;

    const SIZE_PX: (u32, u32) = (480, 760);
    /// Edges of the film, and of the two pictures on it, px.
    const FILM: [f64; 4] = [30.0, 30.0, 450.0, 730.0];
    const PICTURES: [[f64; 4]; 2] = [[60.0, 60.0, 420.0, 370.0], [60.0, 390.0, 420.0, 700.0]];

    /// Even film with noise of 0.5 %, under two streaks: one of one line and 4 %, one of five lines and 3 %.
    fn streaked(x: u32, y: u32) -> u16 {
        let is_in =
            |[x0, y0, x1, y1]: [f64; 4]| (x0..x1).contains(&f64::from(x)) && (y0..y1).contains(&f64::from(y));
        let light = match () {
            () if is_in(PICTURES[0]) => 12_000.0,
            () if is_in(PICTURES[1]) => 15_000.0,
            () if is_in(FILM) => 40_000.0,
            () => 60_000.0,
        };
        let noise = 0.995 + 0.01 * f64::from(hash(i64::from(x), i64::from(y), 1));
        let streak = match x {
            200 => 0.96,
            400..=404 => 0.97,
            _ => 1.0,
        };
        (light * noise * streak) as u16
    }

    fn found() -> Found {
        let area = |[x0, y0, x1, y1]: [f64; 4]| TiltedBox::from_edges(x0, y0, x1, y1);
        let frames = PICTURES.map(|edges| FoundFrame {
            image_area: area(edges),
            edge_blur_px: 0.0,
            guard_margin_px: 0.0,
            confidence: 1.0,
            reason: String::new(),
            flags: Vec::new(),
        });
        let strip = FoundStrip {
            film_area: area(FILM),
            angle_rad: 0.0,
            axis: StripAxis::Down,
            format_id: None,
            frames: frames.to_vec(),
            confidence: 1.0,
            notes: Vec::new(),
            perforations: Vec::new(),
            tone: FilmTone::Negative,
        };
        Found { strips: vec![strip], notes: Vec::new() }
    }

    #[test]
    fn lines_beside_a_second_and_wider_streak_are_not_missing() {
        let (width, height) = SIZE_PX;
        let codes = (0..height).flat_map(|y| (0..width).map(move |x| streaked(x, y))).collect();
        let codes = Samples16::from_vec(width, height, 1, codes).expect("one code for each pixel");
        let bands = [Band { rect: PixelRect::of_size(width, height), codes: codes.clone() }];
        let found = found();
        let scan = ScanUnderCheck {
            overview: &codes,
            factor: 1,
            size_px: SIZE_PX,
            colour_channels: 1,
            bits: 16,
            curve: Some(CodeCurve::Linear),
            bands: &bands,
            light: &[],
            found: &found,
            ppi: Some(400.0),
        };
        let areas = Areas::of(&scan);
        assert!(largest_jump(&scan, &areas, |place| place.x0 >= 390).is_some(), "the wide streak has edges");
        let mut report = Report::default();
        check(&scan, &areas, &mut report);
        assert!(report.has(What::Streaks) && !report.has(What::MissingLines), "{report:?}");
    }
}
