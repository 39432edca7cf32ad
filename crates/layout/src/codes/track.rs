//! Finds the clock on the lines of a band and reads the data beside it.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::EdgeCode;
use super::band::Band;
use crate::FilmTone;

/// Modules of the whole code, and of the older one without frame number. Source: the layout that an open barcode
/// library reads; `field` and `clock` below follow the same layout.
const LONG: usize = 31;
const SHORT: usize = 23;
/// Module lengths to try, mm: 31 modules and a number of about 3 mm share 19 mm. Estimate, so a wide range is searched.
const MODULES_MM: std::ops::RangeInclusive<f64> = 0.37..=0.47;
/// Ratio of neighbouring module lengths: the ends of the code are then at most a fifth of a module off. Our choice.
const MODULE_STEP: f64 = 1.013;
/// Height averaged for a line of a track, mm. Our choice: less than half of a track of about 0.75 mm (estimate).
const TRACK_MM: f64 = 0.3;
/// Distances from the middle of the clock to that of the data, mm. Our choice: the estimate, 0.75, and a wide margin.
const DATA_MM: [f64; 8] = [0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.05, 1.15];
/// Least correlation of a line with the clock. Noise and lettering reach 0.4. Our choice: half way to a clean clock.
const CLOCK_MIN: f64 = 0.6;
/// Least density contrast of the clock, D. Our choice: fogged codes still pass, grain does not; codes have about 1.0
/// (estimate).
const CONTRAST_MIN_D: f64 = 0.08;
/// Contrast of the data against that of the clock. Our choice: the two tracks are exposed alike.
const DATA_CONTRAST_MIN: f64 = 0.4;
/// Least distance of a module from the threshold, as a share of half the contrast. Our choice: lower reads more codes,
/// and more of them wrongly.
const MARGIN_MIN: f64 = 0.25;
/// Most clocks examined for each place, best first. Our choice: bounds time.
const CLOCKS_MAX: usize = 24;
/// Fewest readings of one place that agree, and the least share of all its readings. Our choice: a code read backwards
/// passes its checks in a quarter of all contents.
const READINGS_MIN: usize = 2;
const AGREE_MIN: f64 = 0.7;

/// A place where a line looks like the clock; columns are those of the band.
#[derive(Debug, Clone, Copy)]
struct Clock {
    /// Column at which the bar of five begins.
    start: f64,
    /// Columns for a module; negative when the code runs to the left.
    module: f64,
    modules: usize,
    row: usize,
    correlation: f64,
    contrast_d: f64,
}

impl Clock {
    fn middle(&self) -> f64 {
        self.start + 0.5 * self.module * self.modules as f64
    }
}

/// A line with sums up to each column.
struct Line {
    sums: Vec<f64>,
    squares: Vec<f64>,
}

impl Line {
    fn new(lines: &[Vec<f32>]) -> Self {
        let columns = lines.first().map_or(0, Vec::len);
        let (mut sums, mut squares) = (vec![0.0; columns + 1], vec![0.0; columns + 1]);
        for i in 0..columns {
            let value = lines.iter().map(|line| f64::from(line[i])).sum::<f64>() / lines.len() as f64;
            sums[i + 1] = sums[i] + value;
            squares[i + 1] = squares[i] + value * value;
        }
        Self { sums, squares }
    }

    fn columns(&self) -> f64 {
        self.sums.len() as f64 - 1.0
    }

    fn sum_to(&self, at: f64) -> f64 {
        let i = (at.max(0.0) as usize).min(self.sums.len().saturating_sub(2));
        self.sums[i] + (at - i as f64) * (self.sums[i + 1] - self.sums[i])
    }

    /// Mean between two columns in either order; both must be inside.
    fn mean(&self, a: f64, b: f64) -> f64 {
        (self.sum_to(b) - self.sum_to(a)) / (b - a)
    }

    /// Standard deviation of a clock's columns over that of a clean clock of unit contrast; `None` beyond the ends.
    ///
    /// A clock's contrast is this times its correlation.
    fn most_contrast(&self, start: f64, module: f64, modules: usize) -> Option<f64> {
        let end = start + module * modules as f64;
        let (low, high) = (start.min(end), start.max(end));
        if low < 0.0 || high > self.columns() {
            return None;
        }
        let (first, last) = (low as usize, (high as usize).min(self.squares.len() - 1));
        let n = (last - first).max(1) as f64;
        let mean = (self.sums[last] - self.sums[first]) / n;
        let variance = (self.squares[last] - self.squares[first]) / n - mean * mean;
        let share = dark_modules(modules) / modules as f64;
        Some(variance.max(1e-12).sqrt() / (share * (1.0 - share)).sqrt())
    }

    /// Correlation with the clocks of some lengths that begin at a place, and the contrast of their bars, D; `None`
    /// beyond the ends and for clocks that are too faint. They share their first modules, which are read once.
    fn clocks<const N: usize>(
        &self,
        start: f64,
        module: f64,
        lengths: [usize; N],
    ) -> [Option<(f64, f64)>; N] {
        let most = lengths.map(|modules| {
            // Whole columns and parts of them differ slightly, so a little less than the limit passes.
            self.most_contrast(start, module, modules).filter(|most| *most > 0.9 * CONTRAST_MIN_D)
        });
        if most.iter().all(Option::is_none) {
            return [None; N];
        }
        let at = |module_number: usize| self.sum_to(start + module * module_number as f64);
        // A bar of five, alternating single modules, a bar of three.
        let (begin, five) = (at(0), at(5) - at(0));
        let ends = lengths.map(&at);
        let mut dark: [f64; N] = std::array::from_fn(|k| five + ends[k] - at(lengths[k] - 3));
        let bars = |modules: usize| (modules - 7) / 2 - 1;
        let longest = (0..N).filter(|k| most[*k].is_some()).map(|k| bars(lengths[k])).max().unwrap_or(0);
        for i in 0..longest {
            let bar = at(7 + 2 * i) - at(6 + 2 * i);
            for (dark, modules) in dark.iter_mut().zip(lengths) {
                *dark += if i < bars(modules) { bar } else { 0.0 };
            }
        }
        std::array::from_fn(|k| {
            let (all, width) = (ends[k] - begin, lengths[k] as f64 * module);
            let dark_width = dark_modules(lengths[k]) * module;
            let contrast = dark[k] / dark_width - (all - dark[k]) / (width - dark_width);
            most[k].map(|most| (contrast / most, contrast))
        })
    }
}

/// Modules of a clock that are bars.
fn dark_modules(modules: usize) -> f64 {
    8.0 + ((modules - 7) / 2) as f64 - 1.0
}

/// All codes of one band.
pub(super) fn codes_of(band: &Band, tone: FilmTone) -> Vec<EdgeCode> {
    let tall = ((TRACK_MM / band.across_mm).round() as usize).max(1);
    let lines: Vec<Line> = band.lines.windows(tall).map(Line::new).collect();
    let mut clocks: Vec<Clock> = lines
        .par_iter()
        .enumerate()
        .flat_map_iter(|(row, line)| clocks_of(line, row, band.along_mm, tone))
        .collect();
    clocks.sort_by(|a, b| b.correlation.abs().total_cmp(&a.correlation.abs()));
    // Clocks of one place: their middles are closer than codes can be. Our choice.
    let near = 0.3 * super::PITCH_MM / band.along_mm;
    let mut places: Vec<Vec<Clock>> = Vec::new();
    for clock in clocks {
        match places.iter_mut().find(|place| (place[0].middle() - clock.middle()).abs() < near) {
            Some(place) if place.len() < CLOCKS_MAX => place.push(clock),
            Some(_) => {}
            None => places.push(vec![clock]),
        }
    }
    places.iter().filter_map(|place| code_of(band, &lines, place)).collect()
}

/// Local maxima of the correlation along a line.
fn clocks_of(line: &Line, row: usize, along_mm: f64, tone: FilmTone) -> Vec<Clock> {
    let mut found: Vec<Clock> = Vec::new();
    let mut module_mm = *MODULES_MM.start();
    while module_mm <= *MODULES_MM.end() {
        for sign in [1.0, -1.0] {
            let module = sign * module_mm / along_mm;
            let mut start = 0.0;
            while start <= line.columns() {
                let seen = line.clocks(start, module, [LONG, SHORT]);
                for (modules, (correlation, contrast_d)) in
                    [LONG, SHORT].into_iter().zip(seen).filter_map(|(modules, seen)| Some((modules, seen?)))
                {
                    if !is_possible(correlation, contrast_d, tone) {
                        continue;
                    }
                    let clock = Clock { start, module, modules, row, correlation, contrast_d };
                    let near = found.iter_mut().find(|other| {
                        other.modules == modules
                            && other.module * module > 0.0
                            && (other.middle() - clock.middle()).abs() < 4.0 * module.abs()
                    });
                    match near {
                        Some(other) if other.correlation.abs() < correlation.abs() => *other = clock,
                        Some(_) => {}
                        None => found.push(clock),
                    }
                }
                start += 2.0;
            }
        }
        module_mm *= MODULE_STEP;
    }
    found.into_iter().map(|clock| refined(line, clock)).collect()
}

fn is_possible(correlation: f64, contrast_d: f64, tone: FilmTone) -> bool {
    let is_right_sign = match tone {
        FilmTone::Negative => correlation > 0.0,
        FilmTone::Slide => correlation < 0.0,
        FilmTone::Unknown => true,
    };
    is_right_sign && correlation.abs() > CLOCK_MIN && contrast_d.abs() > CONTRAST_MIN_D
}

/// The clock with start and module of the best correlation nearby.
fn refined(line: &Line, mut best: Clock) -> Clock {
    // Steps of the band and shares of a module, from half of [`MODULE_STEP`] down. Our choice.
    for (step_start, step_module) in [(1.0, 0.006), (0.5, 0.003), (0.25, 0.0015)] {
        let from = best;
        for (i, j) in (-2..=2).flat_map(|j| (-2..=2).map(move |i| (i, j))) {
            let module = from.module * (1.0 + step_module * f64::from(j));
            // The middle stays when the module changes.
            let start = from.middle() - 0.5 * module * from.modules as f64 + step_start * f64::from(i);
            if let [Some((correlation, contrast_d))] = line.clocks(start, module, [from.modules])
                && correlation.abs() > best.correlation.abs()
            {
                best = Clock { start, module, correlation, contrast_d, ..from };
            }
        }
    }
    best
}

/// What the data say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Content {
    product: u8,
    specifier: u8,
    frame: Option<u8>,
    is_half: bool,
    is_backwards: bool,
}

/// The content that the readings of a place agree on.
fn code_of(band: &Band, lines: &[Line], place: &[Clock]) -> Option<EdgeCode> {
    let mut readings: BTreeMap<Content, (usize, f64, f64, Clock, f64)> = BTreeMap::new();
    let mut all = 0.0;
    for clock in place {
        for data_mm in DATA_MM {
            // Data are nearer the film edge, so on an earlier row.
            let up = (data_mm / band.across_mm).round() as usize;
            let Some(line) = clock.row.checked_sub(up).and_then(|row| lines.get(row)) else { continue };
            let Some((content, margin)) = read(line, clock) else { continue };
            let weight = clock.correlation.abs() * margin;
            all += weight;
            let entry = readings.entry(content).or_insert((0, 0.0, 0.0, *clock, data_mm));
            entry.0 += 1;
            entry.1 += weight;
            if margin > entry.2 {
                (entry.2, entry.3, entry.4) = (margin, *clock, data_mm);
            }
        }
    }
    let (content, (count, weight, margin, clock, data_mm)) =
        readings.into_iter().max_by(|a, b| a.1.1.total_cmp(&b.1.1))?;
    if count < READINGS_MIN || weight < AGREE_MIN * all {
        return None;
    }
    let row = clock.row as f64 + 0.5 * (TRACK_MM - data_mm) / band.across_mm;
    Some(EdgeCode {
        product: content.product,
        specifier: content.specifier,
        frame: content.frame,
        is_half: content.is_half,
        center: band.position(clock.middle(), row),
        along_mm: band.strip_mm(clock.middle()),
        length_mm: clock.module.abs() * clock.modules as f64 * band.along_mm,
        is_backwards: content.is_backwards,
        is_at_bottom: band.is_at_bottom,
        margin,
    })
}

/// Content and margin of the data on a line, if everything fixed in it is right.
fn read(line: &Line, clock: &Clock) -> Option<(Content, f64)> {
    let value = |i: usize| {
        let at = |part: f64| clock.start + clock.module * (i as f64 + part);
        // The middle six tenths of a module: blur and skew reach its ends. Our choice.
        line.mean(at(0.2), at(0.8))
    };
    let modules = clock.modules;
    let fixed_bars = [0, 2, 4, modules - 3, modules - 1];
    let fixed_gaps = [1, 3, 5, modules - 4, modules - 2];
    let mean = |of: [usize; 5]| of.into_iter().map(value).sum::<f64>() / 5.0;
    let (bar, gap) = (mean(fixed_bars), mean(fixed_gaps));
    let contrast = bar - gap;
    if contrast * clock.contrast_d.signum() < DATA_CONTRAST_MIN * clock.contrast_d.abs() {
        return None;
    }
    let (mut bits, mut margin) = (0_u32, 1.0_f64);
    for i in 0..modules {
        // 1 in the middle of a bar, -1 in that of a gap.
        let level = 2.0 * (value(i) - gap) / contrast - 1.0;
        margin = margin.min(level.abs());
        bits = (bits << 1) | u32::from(level > 0.0);
    }
    if margin < MARGIN_MIN {
        return None;
    }
    let content = decode(bits, modules)?;
    Some((Content { is_backwards: clock.module < 0.0, ..content }, margin))
}

/// Decodes the modules of the data track, first module in the highest bit.
///
/// ```text
/// with number:    101010 ppppppp 0 ssss nnnnnn h 0 x 0101
/// without number: 101010 ppppppp 0 ssss x 0101
/// ```
///
/// `p` product, `s` specifier, `n` number, `h` half, `x` even parity from the first `p` on.
fn decode(bits: u32, modules: usize) -> Option<Content> {
    let field = |first: usize, count: usize| (bits >> (modules - first - count)) & ((1 << count) - 1);
    let parity_at = modules - 5;
    let is_sound = field(0, 6) == 0b10_1010
        && field(13, 1) == 0
        && field(modules - 4, 4) == 0b0101
        && field(6, parity_at - 5).count_ones() % 2 == 0;
    let product = field(6, 7) as u8;
    if !is_sound || product == 0 {
        return None;
    }
    let specifier = field(14, 4) as u8;
    let content = Content { product, specifier, frame: None, is_half: false, is_backwards: false };
    if modules == SHORT {
        return Some(content);
    }
    (field(25, 1) == 0).then(|| Content {
        frame: Some(field(18, 6) as u8),
        is_half: field(24, 1) == 1,
        ..content
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Modules as text, first at the left.
    fn bits_of(text: &str) -> (u32, usize) {
        let text: String = text.split_whitespace().collect();
        (u32::from_str_radix(&text, 2).expect("binary"), text.len())
    }

    #[test]
    fn data_are_decoded_field_by_field() {
        // Layout of the published description; 115-10/11A is the example in general-purpose barcode libraries.
        // 115 = 1110011, 10 = 1010, 11 = 001011; ten ones before parity, so parity is 1 to make eleven plus one even.
        let ones = "1110011 0 1010 001011 1 0".bytes().filter(|b| *b == b'1').count();
        let parity = if ones % 2 == 1 { "1" } else { "0" };
        let (bits, modules) = bits_of(&format!("101010 1110011 0 1010 001011 1 0 {parity} 0101"));
        let content = decode(bits, modules).expect("sound");
        assert_eq!((content.product, content.specifier), (115, 10));
        assert_eq!((content.frame, content.is_half), (Some(11), true));
        assert_eq!(decode(bits ^ (1 << 10), modules), None, "one wrong module fails parity");
        let (bits, modules) = bits_of("101010 1110011 0 1010 1 0101");
        assert_eq!(decode(bits, modules).map(|c| (c.product, c.specifier, c.frame)), Some((115, 10, None)));
    }
}
