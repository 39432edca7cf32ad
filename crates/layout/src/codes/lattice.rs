//! The codes of a strip agree on number, direction and type of film.

use std::collections::BTreeMap;

use super::{EdgeCode, PITCH_MM};

/// Numbers of codes that belong together differ from the common row by less than this: 3 mm on the film. Our choice:
/// below the half number (0.5) that a misread flag makes.
const AWAY_MAX: f64 = 0.16;
/// A picture whose centre is further from its code than this is too near the tie at half the pitch to be sure, mm. Our
/// choice: 2 mm from the tie at 9.5 mm.
const SURE_MM: f64 = 7.5;
/// A single code must be this clear to be sure. Our choice: no other code confirms it.
const SINGLE_MARGIN_MIN: f64 = 0.4;
/// Numbers that count pictures: makers use 62 and 63 for letters. Source: documentation of a barcode writer.
const NUMBER_MAX: f64 = 61.5;
/// The pitch is fitted with this many codes, and believed within this share of the nominal one: a stated ppi is hardly
/// ever further off. Our choice.
const FITTED_MIN: usize = 3;
const PITCH_SHARE_MAX: f64 = 0.02;

/// What the codes of a strip say together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EdgeCodes {
    /// Codes that agree with each other, along the strip.
    pub codes: Vec<EdgeCode>,
    /// Product and specifier numbers.
    pub film_code: Option<(u8, u8)>,
    /// Whether the scan shows the film from its wrong side.
    pub is_mirrored: bool,
    /// Whether the lying strip is upside down, after mirroring if it is mirrored.
    pub is_turned: bool,
    /// Probability that direction and numbers are right, from agreement alone; 0 without a code.
    pub confidence: f32,
    /// Number at the beginning of the strip and its change per millimetre; halves count 0.5.
    row: Option<(f64, f64)>,
}

/// The number of the code nearest to a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodeNumber {
    pub number: u8,
    /// The second half of the number, "A".
    pub is_half: bool,
    /// From the middle of the code to the place, along the strip, mm.
    pub distance_mm: f64,
    pub is_sure: bool,
}

impl std::fmt::Display for CodeNumber {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}", self.number, if self.is_half { "A" } else { "" })
    }
}

impl EdgeCodes {
    /// Keeps the codes of the edge and direction that most codes support and that are in one row.
    pub(super) fn agree(found: Vec<EdgeCode>) -> Self {
        let total = found.len();
        let mut groups: BTreeMap<(bool, bool), Vec<EdgeCode>> = BTreeMap::new();
        for code in found {
            groups.entry((code.is_at_bottom, code.is_backwards)).or_default().push(code);
        }
        let best = groups.into_values().map(|group| agreed(&group)).max_by(|a, b| {
            let weight = |codes: &[EdgeCode]| codes.iter().map(|code| code.margin).sum::<f64>();
            weight(a).total_cmp(&weight(b))
        });
        let Some(mut codes) = best.filter(|codes| !codes.is_empty()) else { return Self::default() };
        codes.sort_by(|a, b| a.along_mm.total_cmp(&b.along_mm));
        let (is_at_bottom, is_backwards) = (codes[0].is_at_bottom, codes[0].is_backwards);
        let count = codes.len() as i32;
        let clearest = codes.iter().map(|code| code.margin).fold(0.0, f64::max);
        // Each further code that agrees leaves a fifth of the doubt. Our choice, not calibrated.
        let chance = if count == 1 && clearest < SINGLE_MARGIN_MIN { 0.5 } else { 1.0 - 0.2_f64.powi(count) };
        // Film held readable has its codes at the bottom, from left to right.
        let is_mirrored = is_at_bottom == is_backwards;
        Self {
            film_code: Some((codes[0].product, codes[0].specifier)),
            is_mirrored,
            is_turned: !is_at_bottom,
            confidence: (chance * f64::from(count) / total as f64) as f32,
            row: row_of(&codes),
            codes,
        }
    }

    /// The number at a place along the strip; `None` where codes have no number or it does not count pictures.
    ///
    /// Rule: a picture has the number of the code whose middle is nearest to its own, wherever that code was cut or
    /// scratched away; codes are 19 mm apart, N and NA in turn.
    pub fn number_at(&self, along_mm: f64) -> Option<CodeNumber> {
        let (first, per_mm) = self.row?;
        let exact = first + per_mm * along_mm;
        let nearest = (2.0 * exact).round() / 2.0;
        if !(0.0..=NUMBER_MAX).contains(&nearest) {
            return None;
        }
        let distance_mm = (exact - nearest) / per_mm;
        // Below 0.7, three tenths of the codes disagree. Our choice.
        let is_sure = distance_mm.abs() < SURE_MM && self.confidence >= 0.7;
        Some(CodeNumber { number: nearest as u8, is_half: nearest.fract() > 0.25, distance_mm, is_sure })
    }

    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }
}

fn value(code: &EdgeCode) -> Option<f64> {
    code.frame.map(|frame| f64::from(frame) + if code.is_half { 0.5 } else { 0.0 })
}

fn nominal_per_mm(code: &EdgeCode) -> f64 {
    let per_mm = 0.5 / PITCH_MM;
    if code.is_backwards { -per_mm } else { per_mm }
}

/// The largest set of codes of one film type whose numbers are in one row.
fn agreed(group: &[EdgeCode]) -> Vec<EdgeCode> {
    let beginning = |code: &EdgeCode| value(code).map(|value| value - nominal_per_mm(code) * code.along_mm);
    let with = |first: &EdgeCode| -> Vec<EdgeCode> {
        let is_alike = |code: &&EdgeCode| {
            (code.product, code.specifier) == (first.product, first.specifier)
                && match (beginning(code), beginning(first)) {
                    (Some(a), Some(b)) => (a - b).abs() < AWAY_MAX,
                    (None, None) => true,
                    _ => false,
                }
        };
        group.iter().filter(is_alike).copied().collect()
    };
    group.iter().map(with).max_by_key(Vec::len).unwrap_or_default()
}

fn row_of(codes: &[EdgeCode]) -> Option<(f64, f64)> {
    let points: Option<Vec<(f64, f64)>> =
        codes.iter().map(|code| value(code).map(|value| (code.along_mm, value))).collect();
    let points = points?;
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let nominal = nominal_per_mm(codes.first()?);
    let xx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let fitted = if xx > 0.0 { xy / xx } else { nominal };
    let is_fitted = points.len() >= FITTED_MIN && (fitted / nominal - 1.0).abs() < PITCH_SHARE_MAX;
    let per_mm = if is_fitted { fitted } else { nominal };
    Some((my - per_mm * mx, per_mm))
}

#[cfg(test)]
mod tests {
    use glassine_raster::Point;

    use super::*;

    fn code(frame: u8, is_half: bool, along_mm: f64) -> EdgeCode {
        EdgeCode {
            product: 22,
            specifier: 9,
            frame: Some(frame),
            is_half,
            center: Point::new(0.0, 0.0),
            along_mm,
            length_mm: 13.0,
            is_backwards: false,
            is_at_bottom: true,
            margin: 0.7,
        }
    }

    #[test]
    fn one_misread_code_is_outvoted_and_its_place_is_filled() {
        let codes =
            vec![code(3, false, 25.0), code(7, true, 44.0), code(4, false, 63.0), code(4, true, 82.0)];
        let codes = EdgeCodes::agree(codes);
        assert_eq!(codes.codes.len(), 3);
        let at = |mm| codes.number_at(mm).expect("a number").to_string();
        assert_eq!([at(22.0), at(41.0), at(60.0), at(85.0)], ["3", "3A", "4", "4A"]);
        assert!(codes.number_at(22.0).is_some_and(|number| number.is_sure));
        assert!(codes.number_at(34.0).is_some_and(|number| !number.is_sure), "between two codes");
        assert_eq!(codes.number_at(-200.0), None, "before the first number");
    }

    #[test]
    fn edge_and_direction_tell_how_the_strip_lies() {
        for (is_at_bottom, is_backwards, mirrored, turned) in [
            (true, false, false, false),
            (false, true, false, true),
            (true, true, true, false),
            (false, false, true, true),
        ] {
            let codes =
                EdgeCodes::agree(vec![EdgeCode { is_at_bottom, is_backwards, ..code(3, false, 25.0) }]);
            assert_eq!((codes.is_mirrored, codes.is_turned), (mirrored, turned));
        }
    }

    #[test]
    fn nothing_is_said_without_codes() {
        let none = EdgeCodes::agree(Vec::new());
        assert!(none.is_empty() && none.confidence == 0.0 && none.number_at(20.0).is_none());
    }
}
