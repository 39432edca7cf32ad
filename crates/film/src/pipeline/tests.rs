//! Properties that must hold for any recipe and any code.

use super::*;
use crate::{Param, ToneCurve, band_curves, default_stock, log_from_balance_cc, quantise16, shipped_stocks};
use glassine_raster::{DensityD, ExposureStops};
use proptest::prelude::*;

fn straight_line() -> Vec<f32> {
    (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect()
}

const BASE: [f64; 3] = [0.27, 0.61, 0.93];

fn recipe<'a>(kind: FilmKind, line: &'a [f32], look: &'a Look, stock: &'a Stock) -> Recipe<'a> {
    Recipe {
        kind,
        linearisation: [line; 3],
        base_d: BASE,
        stock,
        unmix_strength: 1.0,
        gamma_ratio: [0.97, 1.0, 1.04],
        solve_offset: [-0.3, -0.25, -0.35],
        cast_suggestion_cc: [6.0, -3.0],
        look,
        rendering: Rendering::Straight,
        space: OutputSpace::Srgb,
        input_to_xyz: None,
    }
}

/// Codes of densities above base.
fn codes_of(density_d: [f64; 3]) -> [u16; 3] {
    [0, 1, 2].map(|c| (65_535.0 * crate::maths::exp10(-density_d[c] - BASE[c])) as u16)
}

fn any_look() -> impl Strategy<Value = Look> {
    proptest::collection::vec(0.0..=1.0_f64, Param::all().len()).prop_map(|shares| {
        let mut look = Look::default();
        for (param, share) in Param::all().zip(shares) {
            let (low, high) = param.spec().hard;
            look.set(param, low + (high - low) * share);
        }
        look
    })
}

proptest! {
    #![proptest_config(crate::test_support::fixed_seed())]

    #[test]
    fn any_code_gives_a_number_for_any_look(
        look in any_look(),
        codes in proptest::collection::vec(any::<u16>(), 900),
        kind in 0..3_usize,
        print in any::<bool>(),
        space in 0..5_usize,
    ) {
        let line = straight_line();
        let kind = FilmKind::ALL[kind];
        let mut recipe = recipe(kind, &line, &look, default_stock(kind));
        recipe.space = OutputSpace::ALL[space];
        recipe.rendering = if print { Rendering::Print } else { Rendering::Straight };
        let mut codes = codes;
        codes[..6].copy_from_slice(&[0, 0, 0, u16::MAX, u16::MAX, u16::MAX]);
        let mut out = vec![f32::NAN; codes.len()];
        Pipeline::new(&recipe).run(PixelSource::pixels(&codes, 3, 3), &[], PixelTarget::Pixels(&mut out));
        prop_assert!(out.iter().all(|x| x.is_finite()));
    }

    #[test]
    fn any_tiling_gives_the_same_bits(
        codes in proptest::collection::vec(any::<u16>(), 4 * 1200),
        cut in 1..1199_usize,
        saturation in 0.0..2.0_f64,
    ) {
        let line = straight_line();
        let look = Look::default().with(Param::Saturation, saturation).with(Param::WeakColourBoost, 0.4);
        let stock = default_stock(FilmKind::ColourNegative);
        let pipeline = Pipeline::new(&recipe(FilmKind::ColourNegative, &line, &look, stock));
        let mut whole = vec![0.0; 3 * 1200];
        pipeline.run(PixelSource::pixels(&codes, 4, 3), &[], PixelTarget::Pixels(&mut whole));
        let mut parts = vec![0.0; 3 * 1200];
        let (left, right) = parts.split_at_mut(3 * cut);
        pipeline.run(PixelSource::pixels(&codes[..4 * cut], 4, 3), &[], PixelTarget::Pixels(left));
        pipeline.run(PixelSource::pixels(&codes[4 * cut..], 4, 3), &[], PixelTarget::Pixels(right));
        prop_assert_eq!(whole, parts);
    }

    #[test]
    fn equal_layer_exposures_stay_exactly_neutral(
        exposure in -1.8..0.3_f64, saturation in 0.0..2.0_f64, boost in 0.0..1.0_f64, space in 0..5_usize,
        contrast in 0.6..1.6_f64,
    ) {
        // A slide scanned with equal codes runs every step except the density ones, with no rounding before them.
        let line = straight_line();
        let look = Look::default()
            .with(Param::Saturation, saturation)
            .with(Param::WeakColourBoost, boost)
            .with(Param::Contrast, contrast);
        let stock = default_stock(FilmKind::Slide);
        let mut recipe = recipe(FilmKind::Slide, &line, &look, stock);
        recipe.solve_offset = [0.0; 3];
        recipe.space = OutputSpace::ALL[space];
        let code = (65_535.0 * crate::maths::exp10(exposure.min(0.0))) as u16;
        let mut out = [0.0; 3];
        Pipeline::new(&recipe).run(PixelSource::pixels(&[code; 3], 3, 3), &[], PixelTarget::Pixels(&mut out));
        prop_assert!(out[0] == out[1] && out[1] == out[2], "{:?}", out);
    }

    #[test]
    fn denser_film_never_prints_darker(
        contrast in 0.3..3.0_f64, white in -0.5..0.5_f64, black in -0.2..0.4_f64, print in any::<bool>(),
        warm in -60.0..60.0_f64,
    ) {
        let line = straight_line();
        let look = Look::default()
            .with(Param::Contrast, contrast)
            .with(Param::WhitePointD, white)
            .with(Param::BlackPointD, black)
            .with(Param::ShadowWarmthCc, warm)
            .with(Param::HighlightTintCc, -warm);
        let stock = default_stock(FilmKind::BlackAndWhite);
        let mut recipe = recipe(FilmKind::BlackAndWhite, &line, &look, stock);
        recipe.rendering = if print { Rendering::Print } else { Rendering::Straight };
        let codes: Vec<u16> = (0..=u16::MAX).rev().collect();
        let mut out = vec![0.0; 3 * codes.len()];
        Pipeline::new(&recipe).run(PixelSource::pixels(&codes, 1, 1), &[], PixelTarget::Pixels(&mut out));
        prop_assert!(out.chunks_exact(3).is_sorted_by(|a, b| a[0] <= b[0]));
    }

    #[test]
    fn tone_curves_of_any_wheels_rise(look in any_look(), e in -3.0..1.0_f64) {
        for curve in band_curves(&look) {
            prop_assert!(curve.apply(e + 1e-3) > curve.apply(e));
        }
    }
}

#[test]
fn the_wheels_are_the_curves() {
    let look = Look::default().with(Param::ShadowWarmthCc, 12.0).with(Param::MidTintCc, -7.0);
    let curves = band_curves(&look);
    let back = crate::look_from_band_curves(&Look::default(), &curves);
    for param in [Param::ShadowWarmthCc, Param::MidTintCc, Param::HighlightWarmthCc] {
        assert!((back.get(param) - look.get(param)).abs() < 1e-9);
    }
    let shadow = log_from_balance_cc([12.0, 0.0]);
    for (curve, wanted) in curves.iter().zip(shadow) {
        assert!((curve.offsets_log()[0] - wanted).abs() < 1e-12);
        assert!((curve.offset_log(-5.0) - wanted).abs() < 1e-12);
    }
    assert_eq!(ToneCurve::new([f64::NAN, 0.0, 0.0]), ToneCurve::new([0.0; 3]));
}

#[test]
fn kept_densities_give_the_bits_of_the_whole_pipeline_for_another_look() {
    let line = straight_line();
    let codes: Vec<u16> = (0..4 * 700_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 16) as u16).collect();
    let shift: Vec<f32> = (0..3 * 700).map(|i| 1e-5 * i as f32).collect();
    for kind in [FilmKind::ColourNegative, FilmKind::BlackAndWhite] {
        let stock = default_stock(kind);
        let look = Look::default().with(Param::ExposureStops, 0.7).with(Param::Saturation, 1.2);
        let plain = Look::default();
        let made_by = Pipeline::new(&recipe(kind, &line, &plain, stock));
        let pipeline = Pipeline::new(&recipe(kind, &line, &look, stock));
        assert!(pipeline.has_densities() && pipeline.shares_densities(&made_by));
        let planes = || [(); 3].map(|()| vec![0.0_f32; 700]);
        let (mut densities, mut kept, mut whole) = (planes(), planes(), planes());
        made_by.densities(
            PixelSource::pixels(&codes, 4, 3),
            &shift,
            densities.each_mut().map(Vec::as_mut_slice),
        );
        let densities = PixelSource::Densities(densities.each_ref().map(Vec::as_slice));
        pipeline.run(densities, &[], PixelTarget::Planes(kept.each_mut().map(Vec::as_mut_slice)));
        let lines = [0, 1, 2].map(|c: usize| codes.iter().skip(c).step_by(4).copied().collect::<Vec<_>>());
        let lines = lines.each_ref().map(Vec::as_slice);
        pipeline.run(
            PixelSource::Lines(lines),
            &shift,
            PixelTarget::Planes(whole.each_mut().map(Vec::as_mut_slice)),
        );
        assert_eq!(kept, whole);
        let mut other = recipe(kind, &line, &look, stock);
        other.base_d[0] += 0.01;
        assert!(!Pipeline::new(&other).shares_densities(&pipeline));
    }
    let slide =
        Pipeline::new(&recipe(FilmKind::Slide, &line, &Look::default(), default_stock(FilmKind::Slide)));
    assert!(!slide.has_densities() && !slide.shares_densities(&slide));
}

#[test]
fn exposure_in_stops_is_exact_in_the_linear_space() {
    let line = straight_line();
    let stock = default_stock(FilmKind::ColourNegative);
    let render = |stops: f64| {
        let look = Look::default().with(Param::ExposureStops, stops);
        let mut recipe = recipe(FilmKind::ColourNegative, &line, &look, stock);
        recipe.space = OutputSpace::LinearSrgb;
        let mut out = [0.0; 3];
        Pipeline::new(&recipe).run(
            PixelSource::pixels(&codes_of([0.62, 0.7, 0.6]), 3, 3),
            &[],
            PixelTarget::Pixels(&mut out),
        );
        out
    };
    let (normal, lighter) = (render(0.0), render(1.0));
    for c in 0..3 {
        assert!((lighter[c] / normal[c] - 2.0).abs() < 1e-3, "{normal:?} {lighter:?}");
    }
}

#[test]
fn one_hundred_cc_is_one_density_between_red_and_blue() {
    // CC filters are named by density times one hundred; exposure factors follow 10^D.
    for (d, factor) in [(0.01, 1.023_293), (0.025, 1.059_254), (0.05, 1.122_018), (0.1, 1.258_925)] {
        let log = log_from_balance_cc([100.0 * d, 0.0]);
        assert!((crate::maths::exp10(log[0] - log[2]) - factor).abs() < 1e-6);
        let log = log_from_balance_cc([0.0, 100.0 * d]);
        assert!((crate::maths::exp10(log[0] - log[1]) - factor).abs() < 1e-6);
        assert!(log.iter().sum::<f64>().abs() < 1e-12);
    }
}

#[test]
fn printer_points_and_filter_packs_follow_the_rules_of_the_darkroom() {
    // A printer point is 0.025 in log10 exposure; twelve of them make a stop to the third digit.
    let stop = ExposureStops::new(1.0).expect("a number");
    assert!((12.0 * 0.025 - DensityD::from(stop).d()).abs() < 1.1e-3);
    // Filters of all three colours are grey density: 46Y + 38M + 12C is 34Y + 26M.
    let of_pack = |[cyan, magenta, yellow]: [f64; 3]| {
        crate::balance_cc_from_log([-cyan / 100.0, -magenta / 100.0, -yellow / 100.0])
    };
    let (three, two) = (of_pack([12.0, 38.0, 46.0]), of_pack([0.0, 26.0, 34.0]));
    assert!((three[0] - two[0]).abs() < 1e-9 && (three[1] - two[1]).abs() < 1e-9, "{three:?} {two:?}");
}

#[test]
fn grey_scans_with_infrared_and_short_buffers_are_no_trouble() {
    let line = straight_line();
    let look = Look::default();
    for stock in shipped_stocks() {
        let pipeline = Pipeline::new(&recipe(stock.kind, &line, &look, stock));
        let mut out = [7.0; 7];
        pipeline.run(
            PixelSource::pixels(&[40_000, 1, 30_000, 2, 20_000], 2, 1),
            &[],
            PixelTarget::Pixels(&mut out),
        );
        assert!(out[..6].iter().all(|x| x.is_finite() && *x != 7.0) && out[6] == 7.0);
        pipeline.run(PixelSource::pixels(&[], 0, 9), &[], PixelTarget::Pixels(&mut out));
        assert_eq!(pipeline.is_grey(), stock.kind == FilmKind::BlackAndWhite);
        let mut codes = [0_u16; 6];
        quantise16(&out[..6], &mut codes);
    }
    let short = Pipeline::new(&recipe(FilmKind::Slide, &line[..3], &look, default_stock(FilmKind::Slide)));
    let mut out = [0.0; 3];
    short.run(PixelSource::pixels(&[60_000; 3], 3, 3), &[], PixelTarget::Pixels(&mut out));
    assert!(out.iter().all(|x| x.is_finite()));
}

#[test]
fn unmixing_turned_down_changes_colours_but_not_a_neutral() {
    let line = straight_line();
    let look = Look::default();
    let stock = default_stock(FilmKind::ColourNegative);
    let back = crate::matrix::invert(&stock.unmix).expect("unmixing inverts");
    // Densities of a neutral on the straight line of the stock.
    let neutral = crate::matrix::apply(&back, stock.curves.map(|curve| curve.gamma() * 1.1));
    let render = |strength: f64, density_d: [f64; 3]| {
        let mut recipe = recipe(FilmKind::ColourNegative, &line, &look, stock);
        recipe.unmix_strength = strength;
        let mut out = [0.0; 3];
        Pipeline::new(&recipe).run(
            PixelSource::pixels(&codes_of(density_d), 3, 3),
            &[],
            PixelTarget::Pixels(&mut out),
        );
        out
    };
    let (off, full) = (render(0.0, neutral), render(1.0, neutral));
    assert!((0..3).all(|c| (off[c] - full[c]).abs() < 4e-3), "{off:?} {full:?}");
    let colour = [neutral[0] + 0.15, neutral[1], neutral[2] - 0.1];
    let (off, full) = (render(0.0, colour), render(1.0, colour));
    assert!((0..3).any(|c| (off[c] - full[c]).abs() > 0.01), "{off:?} {full:?}");
}

#[test]
fn a_base_that_is_denser_in_one_place_gives_the_same_picture_there() {
    let line = straight_line();
    let look = Look::default();
    let stock = default_stock(FilmKind::ColourNegative);
    let pipeline = Pipeline::new(&recipe(FilmKind::ColourNegative, &line, &look, stock));
    let (mut even, mut shifted) = ([0.0; 3], [0.0; 3]);
    pipeline.run(PixelSource::pixels(&codes_of([0.7, 0.8, 0.75]), 3, 3), &[], PixelTarget::Pixels(&mut even));
    let denser = codes_of([0.73, 0.83, 0.78]);
    pipeline.run(PixelSource::pixels(&denser, 3, 3), &[0.03; 3], PixelTarget::Pixels(&mut shifted));
    assert!((0..3).all(|c| (even[c] - shifted[c]).abs() < 1e-3), "{even:?} {shifted:?}");
}

#[test]
fn one_thread_and_many_give_the_same_bits() {
    use rayon::prelude::{
        IndexedParallelIterator as _, ParallelIterator as _, ParallelSlice as _, ParallelSliceMut as _,
    };
    let line = straight_line();
    let look = Look::default().with(Param::Saturation, 1.3);
    let stock = default_stock(FilmKind::ColourNegative);
    let pipeline = Pipeline::new(&recipe(FilmKind::ColourNegative, &line, &look, stock));
    let codes: Vec<u16> = (0..90_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 16) as u16).collect();
    let (mut one, mut many) = (vec![0.0; codes.len()], vec![0.0; codes.len()]);
    pipeline.run(PixelSource::pixels(&codes, 3, 3), &[], PixelTarget::Pixels(&mut one));
    many.par_chunks_mut(3 * 777).zip(codes.par_chunks(3 * 777)).for_each(|(out, codes)| {
        pipeline.run(PixelSource::pixels(codes, 3, 3), &[], PixelTarget::Pixels(out));
    });
    assert_eq!(one, many);
}

/// Encoded values of a slide in linear sRGB, scanned with these transmittances.
fn linear_slide(transmittance: [f64; 3], look: &Look) -> [f64; 3] {
    let line = straight_line();
    let stock = default_stock(FilmKind::Slide);
    let mut recipe = recipe(FilmKind::Slide, &line, look, stock);
    (recipe.solve_offset, recipe.cast_suggestion_cc) = ([0.0; 3], [0.0; 2]);
    recipe.space = OutputSpace::LinearSrgb;
    let mut out = [0.0; 3];
    let codes = transmittance.map(|t| (65_535.0 * t).round() as u16);
    Pipeline::new(&recipe).run(PixelSource::pixels(&codes, 3, 3), &[], PixelTarget::Pixels(&mut out));
    out.map(f64::from)
}

#[test]
fn saturation_changes_chroma_and_keeps_hue_and_lightness() {
    // The published matrices of the perceptual space, typed in again from their source (B. Ottosson, 2020).
    let perceptual = |[r, g, b]: [f64; 3]| {
        let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        let lightness = 0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s;
        let a = 1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s;
        let b = 0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s;
        (lightness, a.hypot(b), b.atan2(a).to_degrees())
    };
    for colour in
        [[0.30, 0.22, 0.16], [0.18, 0.26, 0.17], [0.16, 0.2, 0.33], [0.3, 0.2, 0.3], [0.3, 0.29, 0.2]]
    {
        let plain = perceptual(linear_slide(colour, &Look::default()));
        for saturation in [0.6, 1.3] {
            let look = Look::default().with(Param::Saturation, saturation);
            let changed = perceptual(linear_slide(colour, &look));
            assert!((changed.0 - plain.0).abs() < 2e-3, "lightness {plain:?} {changed:?}");
            assert!((changed.1 / plain.1 - saturation).abs() < 0.02, "chroma {plain:?} {changed:?}");
            assert!((changed.2 - plain.2).abs() < 0.5, "hue {plain:?} {changed:?}");
        }
    }
}

/// Green of a grey negative with curves that are straight lines.
fn straight_negative(density_d: f64, look: &Look) -> f64 {
    let line = straight_line();
    let mut stock = default_stock(FilmKind::BlackAndWhite).clone();
    stock.curves = stock.curves.map(|curve| crate::LayerCurve::Gamma(curve.gamma()));
    let mut recipe = recipe(FilmKind::BlackAndWhite, &line, look, &stock);
    recipe.gamma_ratio = [1.0; 3];
    recipe.solve_offset = [0.0; 3];
    recipe.space = OutputSpace::LinearSrgb;
    let mut out = [0.0; 3];
    let codes = codes_of([density_d; 3]);
    Pipeline::new(&recipe).run(PixelSource::pixels(&codes, 3, 3), &[], PixelTarget::Pixels(&mut out));
    f64::from(out[1])
}

#[test]
fn the_white_point_moves_the_density_that_prints_white() {
    let white_d = |point_d: f64| {
        let look = Look::default().with(Param::WhitePointD, point_d);
        let (mut below, mut above) = (0.0, 2.5);
        for _ in 0..30 {
            let middle = 0.5 * (below + above);
            if straight_negative(middle, &look) < 0.999 { below = middle } else { above = middle }
        }
        above
    };
    let plain_d = white_d(0.0);
    assert!((0.3..2.0).contains(&plain_d), "{plain_d}");
    for point_d in [0.15, -0.15] {
        let moved_d = white_d(point_d) - plain_d;
        assert!((moved_d - point_d).abs() < 0.01, "{point_d} D moved white by {moved_d} D");
    }
    // A slide's densities are log exposures themselves.
    let look = Look::default().with(Param::WhitePointD, -0.2);
    let at = |density_d: f64| linear_slide([crate::maths::exp10(-density_d); 3], &look)[1];
    assert!(at(0.199) > 0.995 && at(0.22) < 0.98, "{} {}", at(0.199), at(0.22));
}

#[test]
fn the_black_point_is_the_density_that_prints_black() {
    let look = Look::default().with(Param::BlackPointD, 0.12);
    let plain = straight_negative(0.12, &Look::default());
    assert!(plain > 2e-4, "{plain}");
    assert!(straight_negative(0.119, &look) < 1e-5);
    assert!(straight_negative(0.14, &look) > 2e-5);
    // On slides, the depth below a density of 3.5 for 0 and of 2.9 for 0.2.
    let look = Look::default().with(Param::BlackPointD, 0.2);
    let at = |density_d: f64, look: &Look| linear_slide([crate::maths::exp10(-density_d); 3], look)[1];
    assert!(at(2.92, &Look::default()) > 1e-3);
    assert!(at(2.92, &look) <= 1e-5 && at(2.8, &look) > 1e-5);
}

#[test]
fn a_coloured_density_counts_by_its_weight_in_a_grey_picture() {
    // A density in one channel alone prints like a grey of its share: the green channel counts .4, the others
    // .3 each (our choice, see `GREY_WEIGHTS`).
    let line = straight_line();
    let look = Look::default();
    let stock = default_stock(FilmKind::BlackAndWhite);
    let pipeline = Pipeline::new(&recipe(FilmKind::BlackAndWhite, &line, &look, stock));
    let render = |density_d: [f64; 3]| {
        let mut out = [0.0; 3];
        pipeline.run(PixelSource::pixels(&codes_of(density_d), 3, 3), &[], PixelTarget::Pixels(&mut out));
        out[1]
    };
    for (channel, weight) in [0.3, 0.4, 0.3].into_iter().enumerate() {
        let mut coloured = [0.5; 3];
        coloured[channel] += 0.3;
        let grey = render([0.5 + 0.3 * weight; 3]);
        assert!((render(coloured) - grey).abs() < 1e-3, "channel {channel}: {} {grey}", render(coloured));
    }
}
