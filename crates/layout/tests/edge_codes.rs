//! Codes drawn along film edges, with modules made by another program, are read in every position and state.

use std::collections::BTreeMap;

use glassine_layout::{CodedStrip, EdgeCodes, FilmTone, StripAxis, read_edge_codes};
use glassine_raster::{CancelToken, Point, Samples16, TiltedBox};
use glassine_testdata::strips::hash;

/// Modules of the data track by content, made by zxing-cpp; see `reference/edge_codes.py`.
fn reference() -> BTreeMap<String, (String, String)> {
    include_str!("reference/edge_codes.txt")
        .lines()
        .map(|line| {
            let mut words = line.split_whitespace().map(str::to_owned);
            let mut word = || words.next().expect("three words");
            (word(), (word(), word()))
        })
        .collect()
}

/// A strip of bare film whose codes count on from one number; the data track is made here from the published layout and
/// checked against the reference below.
#[derive(Clone)]
struct Coded {
    seed: u32,
    ppi: f64,
    length_mm: f64,
    /// In halves: 2 n for N, 2 n + 1 for NA.
    first: u32,
    first_mm: f64,
    slide: bool,
    /// Amount of damage, 0 to 1: scratches along and across, fog, faint codes.
    damage: f64,
    is_mirrored: bool,
    is_turned: bool,
    angle_deg: f64,
    /// Data tracks by halves.
    codes: Vec<String>,
}

fn data_modules(product: u32, specifier: u32, halves: u32) -> String {
    let body = format!("{product:07b}0{specifier:04b}{:06b}{}0", halves / 2, halves % 2);
    let parity = body.bytes().filter(|b| *b == b'1').count() % 2;
    format!("101010{body}{parity}0101")
}

const CLOCK: &str = "1111101010101010101010101010111";

impl Coded {
    fn random(seed: u32, damage: f64) -> Self {
        let dice = |n: i64| f64::from(hash(n, 3, seed));
        let (product, specifier) = (1 + (126.9 * dice(2)) as u32, (15.9 * dice(3)) as u32);
        Self {
            seed,
            ppi: [500.0, 600.0, 600.0, 1200.0][(4.0 * dice(0)) as usize],
            length_mm: 70.0 + 60.0 * dice(1),
            first: (90.0 * dice(4)) as u32,
            first_mm: 19.0 * dice(5),
            slide: dice(6) < 0.3,
            damage,
            is_mirrored: dice(7) < 0.5,
            is_turned: dice(8) < 0.5,
            angle_deg: 3.0 * dice(9) - 1.5,
            codes: (0..128).map(|halves| data_modules(product, specifier, halves)).collect(),
        }
    }

    /// Density above base, or below it on a slide, of the readable film at a place; edge at the bottom.
    fn mark_d(&self, along_mm: f64, from_edge_mm: f64) -> f64 {
        let dice = |n: i64| f64::from(hash(n, 4, self.seed));
        let module_mm = 0.39 + 0.05 * dice(0);
        let (data_mm, height_mm) = (0.15 + 0.15 * dice(1), 0.65 + 0.12 * dice(2));
        let k = ((along_mm - self.first_mm) / 19.0).round();
        let halves = i64::from(self.first) + k as i64;
        let Some(data) = usize::try_from(halves).ok().and_then(|halves| self.codes.get(halves)) else {
            return 0.0;
        };
        let module = ((along_mm - self.first_mm - 19.0 * k) / module_mm + 15.5).floor();
        let track = ((from_edge_mm - data_mm) / height_mm).floor();
        let depth = if self.damage > 0.0 { 0.35 + 0.65 * f64::from(hash(halves, 5, self.seed)) } else { 1.0 };
        let bits = match track as i64 {
            0 => data,
            1 => CLOCK,
            _ => return 0.0,
        };
        let is_bar = module >= 0.0 && bits.as_bytes().get(module as usize) == Some(&b'1');
        if is_bar { depth } else { 0.0 }
    }

    /// Density that damage adds.
    fn damage_d(&self, along_mm: f64, down_mm: f64) -> f64 {
        let mut sum = 0.0;
        for i in 0..(14.0 * self.damage) as i64 {
            let dice = |n: i64| f64::from(hash(100 + i, n, self.seed));
            // Scratches, nearly along or nearly across, and hairs.
            let (along, slope) = (dice(0) * self.length_mm, 0.05 * (dice(1) - 0.5));
            let away_mm = if dice(2) < 0.4 {
                down_mm - 33.0 - 2.0 * dice(3) - slope * (along_mm - along)
            } else {
                along_mm - along - slope * down_mm
            };
            let is_in_reach = dice(2) >= 0.4 || (along_mm - along).abs() < 15.0;
            if is_in_reach && away_mm.abs() < 0.03 + 0.06 * dice(4) {
                sum += 1.2 * (dice(5) - 0.6);
            }
        }
        // Fog from the cut end.
        sum + self.damage * 1.2 * (-along_mm / 12.0).exp()
    }

    fn draw(&self) -> (Samples16, TiltedBox) {
        let px_per_mm = self.ppi / 25.4;
        let (width_mm, height_mm) = (self.length_mm + 8.0, 45.0);
        let (w, h) = ((width_mm * px_per_mm) as u32, (height_mm * px_per_mm) as u32);
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        let density = |x_mm: f64, y_mm: f64| -> f64 {
            let (dx, dy) = (x_mm - width_mm / 2.0, y_mm - height_mm / 2.0);
            let (along, down) = (cos * dx + sin * dy + self.length_mm / 2.0, cos * dy - sin * dx + 17.5);
            if !(0.0..self.length_mm).contains(&along) || !(0.0..35.0).contains(&down) {
                return 0.02;
            }
            let (mut along, mut down) = (along, down);
            if self.is_turned {
                (along, down) = (self.length_mm - along, 35.0 - down);
            }
            if self.is_mirrored {
                along = self.length_mm - along;
            }
            let is_hole = |from_edge: f64| (2.0..4.8).contains(&from_edge) && (along / 4.75).fract() < 0.42;
            if is_hole(down) || is_hole(35.0 - down) {
                return 0.02;
            }
            let base = if self.slide { 2.8 } else { 0.35 };
            let mark = self.mark_d(along, 35.0 - down);
            let lettering =
                if (0.4..1.4).contains(&down) && (along / 0.3).floor() as i64 % 5 < 2 { 0.6 } else { 0.0 };
            let marks = if self.slide { -2.2 * mark - lettering } else { 0.9 * mark + lettering };
            base + marks + self.damage_d(along, down)
        };
        let mut data = Vec::with_capacity(3 * (w * h) as usize);
        for (y, x) in (0..h).flat_map(|y| (0..w).map(move |x| (y, x))) {
            // Four taps of light over half a pixel more than the pixel: a soft lens.
            let light: f64 = (0..4)
                .map(|i| {
                    let tap = |shift: f64| 0.5 + 0.75 * shift;
                    let (tx, ty) = (tap(f64::from(i % 2) - 0.5), tap(f64::from(i / 2) - 0.5));
                    10_f64.powf(-density((f64::from(x) + tx) / px_per_mm, (f64::from(y) + ty) / px_per_mm))
                })
                .sum::<f64>()
                / 4.0;
            for c in 0..3_i64 {
                let noise = f64::from(hash(3 * i64::from(x) + c, i64::from(y), self.seed)) - 0.5;
                let code = 60_000.0 * light * (1.0 + 0.06 * noise) + 60.0 * noise + 40.0;
                data.push(code.clamp(0.0, 65_535.0) as u16);
            }
        }
        let samples = Samples16::from_vec(w, h, 3, data).expect("length fits");
        let away = |n: i64| 0.2 * f64::from(hash(n, 6, self.seed)) - 0.1;
        let area = TiltedBox {
            center: Point::new(
                (width_mm / 2.0 + away(0)) * px_per_mm,
                (height_mm / 2.0 + away(1)) * px_per_mm,
            ),
            width_px: self.length_mm * px_per_mm,
            height_px: 35.0 * px_per_mm,
            angle_rad: self.angle_deg.to_radians(),
        };
        (samples, area)
    }

    fn read(&self) -> EdgeCodes {
        let (samples, area) = self.draw();
        let strip = CodedStrip {
            film_area: &area,
            axis: StripAxis::Across,
            tone: if self.slide { FilmTone::Slide } else { FilmTone::Negative },
            px_per_mm: self.ppi / 25.4,
            colour_channels: 3,
        };
        read_edge_codes(&samples, &strip, &CancelToken::new()).expect("in memory")
    }

    /// True number at a place along the lying strip, in halves.
    fn halves_at(&self, along_mm: f64) -> f64 {
        let is_reversed = self.is_mirrored != self.is_turned;
        let along = if is_reversed { self.length_mm - along_mm } else { along_mm };
        f64::from(self.first) + (along - self.first_mm) / 19.0
    }
}

/// Right, missing, and wrong though sure, over places along some strips.
fn score(seeds: std::ops::Range<u32>, damage: f64) -> (u32, u32, u32, u32) {
    let (mut right, mut missing, mut wrong, mut sure_and_wrong) = (0, 0, 0, 0);
    for seed in seeds {
        let strip = Coded::random(seed, damage);
        let codes = strip.read();
        if !codes.is_empty() {
            let lies = (codes.is_mirrored, codes.is_turned);
            assert_eq!(lies, (strip.is_mirrored, strip.is_turned), "{seed}: {codes:?}");
        }
        let mut along_mm = 20.0;
        while along_mm < strip.length_mm - 15.0 {
            let exact = strip.halves_at(along_mm);
            // Numbers above 61 do not count pictures, and those before the first are not on the film.
            if (exact - exact.round()).abs() < 0.3 && (0.0..122.0).contains(&exact) {
                match codes.number_at(along_mm) {
                    Some(n) if 2 * i64::from(n.number) + i64::from(n.is_half) == exact.round() as i64 => {
                        right += 1
                    }
                    Some(n) => {
                        wrong += 1;
                        sure_and_wrong += u32::from(n.is_sure);
                    }
                    None => missing += 1,
                }
            }
            along_mm += 11.0;
        }
    }
    (right, missing, wrong, sure_and_wrong)
}

#[test]
fn modules_drawn_here_are_those_of_another_program() {
    for (content, (data, clock)) in reference() {
        let Some((film, number)) = content.split_once('/') else { continue };
        let (product, specifier) = film.split_once('-').expect("two numbers");
        let number_only = number.trim_end_matches('A').parse::<u32>().expect("a number");
        let halves = 2 * number_only + u32::from(number.ends_with('A'));
        let parse = |text: &str| text.parse().expect("a number");
        assert_eq!(data_modules(parse(product), parse(specifier), halves), data, "{content}");
        assert_eq!(clock, CLOCK);
    }
}

#[test]
fn clean_codes_number_every_picture_in_every_position() {
    let (right, missing, wrong, sure_and_wrong) = score(0..10, 0.0);
    assert!(right >= 40 && missing + wrong == 0 && sure_and_wrong == 0, "{right} {missing} {wrong}");
}

#[test]
fn scratched_and_fogged_codes_give_no_wrong_number_as_sure() {
    let (right, missing, wrong, sure_and_wrong) = score(100..112, 1.0);
    let share = f64::from(right) / f64::from(right + missing + wrong);
    assert!(
        share >= 0.85 && sure_and_wrong == 0,
        "{right} right, {missing} missing, {wrong} wrong, {sure_and_wrong} sure"
    );
}

#[test]
fn pictures_and_lettering_alone_give_no_code() {
    for seed in 0..4 {
        let mut strip = Coded::random(seed, 0.5);
        strip.codes.clear();
        let codes = strip.read();
        assert!(codes.is_empty(), "{seed}: {codes:?}");
    }
}
