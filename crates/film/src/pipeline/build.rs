//! Folding a recipe into tables and matrices.

use glassine_raster::{PixelLoop, run_vectorised};

use super::finish::Finish;
use super::{CODES, Core, Input, LayerTable, Pipeline, Recipe};
use crate::colour::OutputSpace;
use crate::maths::log2_f32;
use crate::matrix::{self, IDENTITY, Matrix3};
use crate::solve::log_from_balance_cc;
use crate::tone::{LayerTone, band_curves, log_of_light};
use crate::{FilmKind, GREY_WEIGHTS, LayerCurve, Param};

/// Lowest density of the layer tables: noise may reach this far below the base. Our choice; lower ones read this end.
pub(super) const TABLE_LOW_D: f32 = -0.25;
/// Highest density of the layer tables: beyond it a 16-bit scan holds only noise (0.66 of a code). Source: arithmetic.
const TABLE_HIGH_D: f32 = 5.0;
/// Entries per unit of density. Our choice: 4201 entries of four bytes stay in the first-level cache;
/// `exported_files.rs` of the engine bounds the error of a code by the exact formulas.
pub(super) const ENTRIES_PER_D: f32 = 800.0;
/// Density below which an extrapolation replaces the inverse of a toe, whose slope would only amplify noise. Our
/// choice: higher flattens the deepest shadows, lower shows specks in them.
const TOE_LIMIT_D: f64 = 0.006;

/// Number of entries of a layer table.
pub(super) const ENTRIES: usize = ((TABLE_HIGH_D - TABLE_LOW_D) * ENTRIES_PER_D) as usize + 1;
/// The same, rounded up to a power of two, so that masking the high bits of an index keeps it in bounds.
pub(super) const TABLE_LEN: usize = ENTRIES.next_power_of_two();

type InputTable = Box<[f32; CODES]>;

/// A table with an entry for every code; missing ones repeat the last.
fn input_table(values: impl Iterator<Item = f32>) -> InputTable {
    filled_out(values.take(CODES))
}

/// A table of fixed length; missing entries repeat the last.
fn filled_out<const N: usize>(values: impl Iterator<Item = f32>) -> Box<[f32; N]> {
    let mut table: Vec<f32> = values.collect();
    let last = table.last().copied().unwrap_or(0.0);
    table.resize(N, last);
    table.into_boxed_slice().try_into().expect("it was just brought to this length")
}

impl Pipeline {
    /// Fold a recipe into tables; fast enough for every step of a slider.
    pub fn new(recipe: &Recipe<'_>) -> Self {
        let grey = recipe.kind == FilmKind::BlackAndWhite;
        let (input, core) = match recipe.kind {
            FilmKind::Slide => slide(recipe),
            FilmKind::ColourNegative => colour_negative(recipe),
            FilmKind::BlackAndWhite => black_and_white(recipe),
        };
        let finish = Finish::new(recipe.look, recipe.space, grey);
        Self { input, core, finish, grey }
    }
}

/// Offsets in log10 exposure from solve, balance and cast for the three layers.
fn layer_offsets(recipe: &Recipe<'_>) -> [f64; 3] {
    let look = recipe.look;
    let balance = log_from_balance_cc([look.get(Param::WarmthCc), look.get(Param::TintCc)]);
    let strength = look.get(Param::CastStrength);
    let cast = log_from_balance_cc(recipe.cast_suggestion_cc.map(|cc| cc * strength));
    [0, 1, 2].map(|c| {
        let sum = recipe.solve_offset[c] + balance[c] + cast[c];
        if sum.is_finite() { sum } else { 0.0 }
    })
}

/// Scan codes to densities above base.
fn densities(recipe: &Recipe<'_>) -> Input {
    let base_d = recipe.base_d.map(|base_d| if base_d.is_finite() { base_d } else { 0.0 });
    let lines = recipe.linearisation;
    let same = |line: &[f32]| std::ptr::eq(line, lines[0]);
    if is_straight(lines[0]) && lines.iter().all(|line| same(line) || is_straight(line)) {
        return Input::Density {
            clear_d: base_d.map(|base_d| (crate::maths::log10(65_535.0) - base_d) as f32),
        };
    }
    Input::Tables([0, 1, 2].map(|c| density_table(lines[c], base_d[c] as f32)))
}

/// Whether codes are linear light.
fn is_straight(line: &[f32]) -> bool {
    line.len() >= CODES
        && line.iter().zip(0..=u16::MAX).all(|(light, code)| *light == f32::from(code) / 65_535.0)
}

/// Scan code to density above base.
fn density_table(linearisation: &[f32], base_d: f32) -> InputTable {
    let mut table = input_table(linearisation.iter().copied());
    run_vectorised(AboveBase { values: &mut *table, base_d });
    table
}

/// Linear light to density above the base, in place.
struct AboveBase<'a> {
    values: &'a mut [f32],
    base_d: f32,
}

impl PixelLoop for AboveBase<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for t in self.values {
            let light = if *t > 0.5 / 65_535.0 { *t } else { 0.5 / 65_535.0 };
            *t = density_of(light) - self.base_d;
        }
    }
}

/// Density of a transmittance.
#[inline(always)]
pub(super) fn density_of(light: f32) -> f32 {
    -std::f32::consts::LOG10_2 * log2_f32(light)
}

/// One layer: density to light, with the black point applied.
///
/// Near the base the inverse of a toe is steep enough to turn noise into specks, and below the base it does not exist.
/// Under `TOE_LIMIT_D` the table therefore falls off exponentially with the slope at that point, so it stays positive
/// and rising. With a black point above the base, a straight line to zero and below replaces everything under that
/// point.
fn layer_table(
    curve: &LayerCurve,
    gamma_ratio: f64,
    tone: &LayerTone,
    black_light: f64,
    black_point_d: f64,
) -> LayerTable {
    let ratio = if gamma_ratio.is_finite() && gamma_ratio > 0.01 { gamma_ratio } else { 1.0 };
    let scale = 1.0 / (1.0 - black_light);
    let light_at = |density_d: f64| (tone.light(curve.log_exposure(density_d / ratio)) - black_light) * scale;
    let foot_d = TOE_LIMIT_D + black_point_d.max(0.0);
    let foot = light_at(foot_d);
    // Slope over 2 % of the density. Our choice: small against the curve's bend, large against rounding.
    let slope = ((light_at(foot_d * 1.02) - foot) / (foot_d * 0.02)).max(0.0);
    let below = |density_d: f64| {
        if black_point_d > 0.0 {
            foot + slope * (density_d - foot_d)
        } else if foot > 0.0 {
            foot * libm::exp((density_d - foot_d) * slope / foot)
        } else {
            foot
        }
    };
    let light = (0..ENTRIES).map(|idx| {
        let density_d = f64::from(TABLE_LOW_D) + idx as f64 / f64::from(ENTRIES_PER_D);
        (if density_d > foot_d { light_at(density_d) } else { below(density_d) }) as f32
    });
    LayerTable { light: filled_out(light) }
}

/// Light that prints as black, from the middle layer's density at the black point.
fn black_light(recipe: &Recipe<'_>, tone: &LayerTone) -> f64 {
    let curve = &recipe.stock.curves[1];
    let density_d = recipe.look.get(Param::BlackPointD);
    let light = if matches!(curve, LayerCurve::Gamma(_)) || density_d > 0.0 {
        tone.light(curve.log_exposure(density_d / recipe.gamma_ratio[1].max(0.05)))
    } else {
        // A toe has no exposure below the base; there the black point lifts the shadows a little. Our choice: 0.05 of
        // light at the end of the range.
        density_d * 0.1
    };
    // Between a lift and a loss that no setting reaches in a picture. Our choice.
    light.clamp(-0.2, 0.5)
}

/// Shift of the white point in log exposure: its density divided by the slope of the middle layer.
fn white_shift(recipe: &Recipe<'_>) -> f64 {
    recipe.look.get(Param::WhitePointD) / recipe.stock.curves[1].gamma()
}

fn colour_negative(recipe: &Recipe<'_>) -> (Input, Core) {
    let offsets = layer_offsets(recipe);
    let bands = band_curves(recipe.look);
    let shift = white_shift(recipe);
    let tones = [0, 1, 2].map(|c| LayerTone::new(offsets[c], bands[c], recipe.look, shift, recipe.rendering));
    let black = black_light(recipe, &tones[1]);
    let point = recipe.look.get(Param::BlackPointD);
    let stock = recipe.stock;
    let layers =
        [0, 1, 2].map(|c| layer_table(&stock.curves[c], recipe.gamma_ratio[c], &tones[c], black, point));
    let unmix = unmix_at_strength(stock, recipe.unmix_strength);
    let working = matrix::with_unit_row_sums(&stock.working_matrix);
    (
        densities(recipe),
        Core::Colour { unmix: f32_rows(&unmix), layers: Box::new(layers), working: f32_rows(&working) },
    )
}

/// The stock's unmixing at a share of its strength, with rows scaled so that the densities of a neutral remain as the
/// layer curves expect: a lower strength changes colours, not greys.
fn unmix_at_strength(stock: &crate::Stock, strength: f64) -> Matrix3 {
    // Up to half as much again as the stock says. Our choice.
    let share = if strength.is_finite() { strength.clamp(0.0, 1.5) } else { 1.0 };
    let plain = matrix::lerp(&IDENTITY, &stock.unmix, share);
    let gammas = stock.curves.map(|curve| curve.gamma());
    let Some(back) = matrix::invert(&stock.unmix) else { return plain };
    let neutral = matrix::apply(&plain, matrix::apply(&back, gammas));
    let mut out = plain;
    for (row, (got, want)) in out.iter_mut().zip(neutral.iter().zip(gammas)) {
        if *got > 0.05 {
            for cell in row {
                *cell *= want / got;
            }
        }
    }
    out
}

fn black_and_white(recipe: &Recipe<'_>) -> (Input, Core) {
    let offset = recipe.solve_offset.iter().sum::<f64>() / 3.0;
    let offset = if offset.is_finite() { offset } else { 0.0 };
    let plain = crate::ToneCurve::new([0.0; 3]);
    let tone = LayerTone::new(offset, plain, recipe.look, white_shift(recipe), recipe.rendering);
    let black = black_light(recipe, &tone);
    let point = recipe.look.get(Param::BlackPointD);
    let layer = layer_table(&recipe.stock.curves[1], recipe.gamma_ratio[1], &tone, black, point);
    (densities(recipe), Core::Grey { weights: GREY_WEIGHTS.map(|w| w as f32), layer })
}

fn slide(recipe: &Recipe<'_>) -> (Input, Core) {
    let offsets = layer_offsets(recipe);
    let bands = band_curves(recipe.look);
    let look = recipe.look;
    let shift = look.get(Param::WhitePointD);
    // Point 0 is 3.5 D, about the deepest black of a slide (3.35 to 3.81 in published curves of a reversal film), and
    // the slider's end, 0.5, is 2 D. Our choice.
    let black = crate::maths::exp10(-3.5 + 3.0 * look.get(Param::BlackPointD))
        * f64::from(look.is_changed(Param::BlackPointD));
    let input = [0, 1, 2].map(|c| {
        let tone = LayerTone::new(offsets[c], bands[c], look, shift, recipe.rendering);
        let scale = 1.0 / (1.0 - black.clamp(0.0, 0.5));
        let light = |t: &f32| ((tone.light(log_of_light(f64::from(*t))) - black) * scale) as f32;
        input_table(recipe.linearisation[c].iter().map(light))
    });
    let from_profile = recipe.input_to_xyz.and_then(|to_xyz| {
        let back = matrix::invert(&OutputSpace::Srgb.to_xyz_d50())?;
        matrix::is_finite(&to_xyz).then(|| matrix::multiply(&back, &to_xyz))
    });
    let working = matrix::with_unit_row_sums(&from_profile.unwrap_or(recipe.stock.working_matrix));
    (Input::Tables(input), Core::Light { working: f32_rows(&working) })
}

pub(super) fn f32_rows(m: &Matrix3) -> [[f32; 3]; 3] {
    m.map(|row| row.map(|cell| cell as f32))
}
