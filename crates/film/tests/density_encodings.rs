//! The pipeline against published encodings of film density: with their constants as a stock it returns their numbers.

use glassine_film::matrix::{IDENTITY, Matrix3, apply};
use glassine_film::{
    FilmKind, LayerCurve, Look, OutputSpace, Pipeline, PixelSource, PixelTarget, Recipe, Rendering, Stock,
    default_stock,
};

fn stock(kind: FilmKind, gamma: f64, unmix: Matrix3, working_matrix: Matrix3) -> Stock {
    let curves = [LayerCurve::Gamma(gamma); 3];
    Stock { kind, curves, unmix, working_matrix, ..default_stock(kind).clone() }
}

/// Linear light from the pipeline for densities above base if density `white_d` is white.
fn light(stock: &Stock, density_d: [f64; 3], white_d: f64) -> [f64; 3] {
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    let look = Look::default();
    let offset = -stock.curves[1].log_exposure(white_d);
    let recipe = Recipe {
        kind: stock.kind,
        linearisation: [&line; 3],
        base_d: [0.0; 3],
        stock,
        unmix_strength: 1.0,
        gamma_ratio: [1.0; 3],
        solve_offset: [offset; 3],
        cast_suggestion_cc: [0.0; 2],
        look: &look,
        rendering: Rendering::Straight,
        space: OutputSpace::LinearSrgb,
        input_to_xyz: None,
    };
    let codes = density_d.map(|d| (65_535.0 * 10_f64.powf(-d)).round() as u16);
    let mut out = [0.0; 3];
    Pipeline::new(&recipe).run(PixelSource::pixels(&codes, 3, 3), &[], PixelTarget::Pixels(&mut out));
    out.map(f64::from)
}

#[test]
fn printing_density_codes_give_their_published_light() {
    // Printing density above base is 0.002 per code from code 95, white is code 685, gamma 0.6. Light of each code with
    // black at the base, computed with colour-science 0.4.7 (`log_decoding_Cineon`).
    let stock = stock(FilmKind::BlackAndWhite, 0.6, IDENTITY, IDENTITY);
    let density = |code: f64| 0.002 * (code - 95.0);
    for (code, want) in [
        (200.0, 0.013_521_40),
        (300.0, 0.041_732_35),
        (400.0, 0.102_510_98),
        (445.0, 0.149_303_71),
        (470.0, 0.183_194_53),
        (500.0, 0.233_454_58),
        (600.0, 0.515_564_01),
    ] {
        let got = light(&stock, [density(code); 3], density(685.0));
        // Half a scan code at these densities is 0.1 % of the exposure.
        assert!(got.iter().all(|x| (x / want - 1.0).abs() < 4e-3), "{code}: {got:?} is not {want}");
    }
    // The densities of marked codes, as published with the encoding.
    for (code, want) in [(180.0, 0.17), (445.0, 0.70), (470.0, 0.75), (685.0, 1.18), (1023.0, 1.856)] {
        assert!((density(code) - want).abs() < 1e-9);
    }
}

/// Channel densities to channel-independent densities, SMPTE ST 2065-3; rows as published in open colour transforms.
const UNMIX: Matrix3 =
    [[0.755_73, 0.221_97, 0.022_30], [0.059_01, 0.969_28, -0.028_29], [0.161_34, 0.074_06, 0.764_60]];
/// Layer exposures to linear light, as above.
const EXPOSURE_TO_LIGHT: Matrix3 =
    [[0.722_86, 0.126_30, 0.150_84], [0.119_23, 0.764_18, 0.116_59], [0.014_27, 0.082_13, 0.903_59]];

#[test]
fn ten_and_sixteen_bit_density_codes_agree_and_neutrals_and_a_colour_give_their_published_light() {
    let ten = |code: f64| (code - 95.0) / 500.0;
    let sixteen = |code: f64| (code - 1520.0) / 8000.0;
    assert!((ten(445.0) - 0.70).abs() < 1e-12 && (sixteen(7120.0) - 0.70).abs() < 1e-12);
    let stock = stock(FilmKind::ColourNegative, 0.55, UNMIX, EXPOSURE_TO_LIGHT);
    // 0.70 above base is 18 % grey; a straight line of gamma 0.55 puts white at 0.70 - 0.55 log10(0.18).
    let white_d = 0.70 - 0.55 * 0.18_f64.log10();
    // The straight line subtracts the light of the base; the encoding does not.
    let base = 10_f64.powf(-white_d / 0.55);
    let above_base = |light: f64| (light - base) / (1.0 - base);
    // Neutral light, from the published straight part above 0.6.
    for (code, want) in [(445.0, 0.180_000), (495.0, 0.273_584)] {
        let got = light(&stock, [ten(code); 3], white_d);
        assert!(
            got.iter().all(|x| (x / above_base(want) - 1.0).abs() < 4e-3),
            "{code}: {got:?} is not {want}"
        );
    }
    // A colour, through both matrices: channel-independent densities, then light.
    let colour = [445.0, 500.0, 400.0].map(ten);
    for (got, want) in apply(&UNMIX, colour).into_iter().zip([0.722_41, 0.809_167, 0.639_333]) {
        assert!((got - want).abs() < 2e-5, "{got} is not {want}");
    }
    let got = light(&stock, colour, white_d);
    for (got, want) in got.into_iter().zip([0.199_88, 0.257_098, 0.152_335]) {
        assert!((got / above_base(want) - 1.0).abs() < 5e-3, "{got} is not {want}");
    }
}
