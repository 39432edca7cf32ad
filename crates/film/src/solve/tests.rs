//! Strips whose neutral is known.

use super::*;
use crate::maths::log10;
use crate::matrix::invert;
use crate::{
    LayerCurve, Look, OutputSpace, Pipeline, PixelSource, PixelTarget, Recipe, Rendering, default_stock,
    measure_frame,
};
use glassine_raster::Samples16;
use glassine_testdata::random::Lcg;

fn with_toes(frames: &[FrameStatistics], stock: &Stock, kind: FilmKind, mode: BalanceMode) -> StripSolve {
    solve_strip(frames, stock, kind, mode, &SolveHints::default())
}

fn without_toes(frames: &[FrameStatistics], stock: &Stock, kind: FilmKind, mode: BalanceMode) -> StripSolve {
    solve(frames, stock, kind, mode, &SolveHints::default(), false)
}

const BASE: [f64; 3] = [0.25, 0.6, 0.9];

/// A film that differs from the generic one in gamma and balance.
struct Film {
    stock: Stock,
    gamma_ratio: [f64; 3],
    offset_log: [f64; 3],
}

fn film() -> Film {
    Film {
        stock: default_stock(FilmKind::ColourNegative).clone(),
        gamma_ratio: [1.12, 1.0, 0.9],
        offset_log: [0.05, 0.0, -0.07],
    }
}

/// The scan of a frame whose layer exposures are `light(x, y)`.
fn scan(film: &Film, stops: f64, light: impl Fn(u32, u32) -> [f64; 3]) -> Samples16 {
    const SIDE: u32 = 120;
    let back = invert(&film.stock.unmix).expect("unmixing inverts");
    let mut noise = Lcg::new(7);
    let mut data = Vec::new();
    for y in 0..SIDE {
        for x in 0..SIDE {
            let light = light(x, y);
            let layers = [0, 1, 2].map(|c| {
                let log = log10(light[c].max(1e-3)) + stops * 0.301 + film.offset_log[c];
                film.gamma_ratio[c] * film.stock.curves[c].density_d(log)
            });
            for (d, base) in apply(&back, layers).iter().zip(BASE) {
                data.push((65_535.0 * exp10(-d - base) * (1.0 + 0.01 * (noise.unit() - 0.5))) as u16);
            }
        }
    }
    Samples16::from_vec(SIDE, SIDE, 3, data).expect("sizes fit")
}

/// A picture of many patches: a third of them grey, the rest coloured and on average brownish.
fn patchwork(seed: u32) -> impl Fn(u32, u32) -> [f64; 3] {
    let mut noise = Lcg::new(seed);
    let patches: Vec<[f64; 3]> = (0..144)
        .map(|idx| {
            let level = 0.9 * exp10(-1.7 * noise.unit());
            if idx % 3 == 0 {
                return [level; 3];
            }
            let warm = 0.35 * noise.unit() - 0.08;
            let green = 0.2 * (noise.unit() - 0.5);
            [level * exp10(warm), level * exp10(green), level * exp10(-warm)].map(|x| x.min(0.95))
        })
        .collect();
    move |x, y| patches[(y / 10 * 12 + x / 10) as usize]
}

/// A wall of one orange with a little shading and a small grey window.
fn orange_wall(x: u32, y: u32) -> [f64; 3] {
    if x < 12 && y < 30 {
        return [0.02 + 0.015 * f64::from(y); 3];
    }
    let shade = 0.7 + 0.3 * f64::from(x) / 120.0;
    [0.55 * shade, 0.22 * shade, 0.07 * shade]
}

fn statistics(film: &Film, scans: &[Samples16]) -> Vec<FrameStatistics> {
    let measure = |scan| measure_frame(scan, Some(BASE), FilmKind::ColourNegative, &film.stock);
    scans.iter().map(measure).collect()
}

fn strip(film: &Film) -> Vec<Samples16> {
    vec![
        scan(film, 0.3, patchwork(1)),
        scan(film, 0.0, orange_wall),
        scan(film, -0.8, patchwork(2)),
        scan(film, 1.0, patchwork(3)),
    ]
}

/// Error of the balance of a frame, red and blue against green, in log10 exposure.
fn balance_error(film: &Film, solve: &FrameSolve) -> [f64; 2] {
    let got = solve.log_offset;
    let want = film.offset_log.map(|offset| -offset);
    [(got[0] - got[1]) - (want[0] - want[1]), (got[2] - got[1]) - (want[2] - want[1])]
}

#[test]
fn gammas_and_neutral_are_found_and_an_orange_wall_stays_orange() {
    let film = film();
    let solve = without_toes(
        &statistics(&film, &strip(&film)),
        &film.stock,
        FilmKind::ColourNegative,
        BalanceMode::Strip,
    );
    for c in [0, 2] {
        assert!((solve.gamma_ratio[c] / film.gamma_ratio[c] - 1.0).abs() < 0.02, "{:?}", solve.gamma_ratio);
    }
    for frame in &solve.frames {
        let error = balance_error(&film, frame);
        assert!(error.iter().all(|e| e.abs() < 0.015), "{error:?}");
    }
    assert!(solve.confidence > 0.9);
}

/// Frames of different scenes, counted from 1, each in its own light.
fn in_lights(film: &Film, lights: &[[f64; 3]], stops: impl Fn(u32) -> f64) -> Vec<Samples16> {
    let frame = |(light, frame): (&[f64; 3], u32)| {
        let scene = patchwork(frame);
        scan(film, stops(frame), move |x, y| {
            let at = scene(x, y);
            [0, 1, 2].map(|c| at[c] * exp10(light[c]))
        })
    };
    lights.iter().zip(1..).map(frame).collect()
}

#[test]
fn each_frame_may_have_its_own_light() {
    let daylight = film();
    let lights = [[0.0, 0.0, 0.0], [0.15, 0.0, -0.2], [-0.06, 0.0, 0.1]];
    let scans = in_lights(&daylight, &lights, |_| 0.0);
    let solve = without_toes(
        &statistics(&daylight, &scans),
        &daylight.stock,
        FilmKind::ColourNegative,
        BalanceMode::Frame,
    );
    for (frame, light) in solve.frames.iter().zip(lights) {
        let lit = Film { offset_log: [0, 1, 2].map(|c| daylight.offset_log[c] + light[c]), ..film() };
        let error = balance_error(&lit, frame);
        assert!(error.iter().all(|e| e.abs() < 0.03), "{error:?}");
    }
}

#[test]
fn a_locked_balance_is_the_same_in_every_frame() {
    let film = film();
    let lights = [[0.0, 0.0, 0.0], [0.15, 0.0, -0.2], [-0.06, 0.0, 0.1]];
    let scans = in_lights(&film, &lights, |frame| 0.2 * f64::from(frame));
    let frames = statistics(&film, &scans);
    let spread = |mode| {
        let solve = with_toes(&frames, &film.stock, FilmKind::ColourNegative, mode);
        let red_green = solve.frames.iter().map(|frame| frame.log_offset[0] - frame.log_offset[1]);
        let blue_green = solve.frames.iter().map(|frame| frame.log_offset[2] - frame.log_offset[1]);
        let range = |values: Vec<f64>| {
            values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min)
        };
        range(red_green.collect()).max(range(blue_green.collect()))
    };
    assert!(spread(BalanceMode::Strip) < 1e-9, "{}", spread(BalanceMode::Strip));
    assert!(spread(BalanceMode::Frame) > 0.1, "{}", spread(BalanceMode::Frame));
}

#[test]
fn frames_in_the_same_other_light_share_a_balance_and_the_rest_keeps_that_of_the_strip() {
    let daylight = film();
    // Tungsten light: 140 mired (`surfaces.rs`).
    let tungsten = [0.24, 0.0, -0.31];
    let scans: Vec<Samples16> = (0..6)
        .map(|frame| {
            let scene = patchwork(frame + 1);
            let light = if frame % 3 == 1 { tungsten } else { [0.0; 3] };
            scan(&daylight, 0.0, move |x, y| {
                let at = scene(x, y);
                [0, 1, 2].map(|c| at[c] * exp10(light[c]))
            })
        })
        .collect();
    let frames = statistics(&daylight, &scans);
    let solve = without_toes(&frames, &daylight.stock, FilmKind::ColourNegative, BalanceMode::Group);
    let of = |frame: usize| solve.frames[frame].balance_cc;
    assert_eq!(of(1), of(4));
    assert!([2, 3, 5].iter().all(|frame| of(*frame) == of(0)));
    let lit = Film { offset_log: [0, 1, 2].map(|c| daylight.offset_log[c] + tungsten[c]), ..film() };
    for (frame, film) in [(0, &daylight), (1, &lit)] {
        let error = balance_error(film, &solve.frames[frame]);
        assert!(error.iter().all(|e| e.abs() < 0.03), "{frame}: {error:?}");
    }
    let says = |frame: usize| solve.frames[frame].notes.iter().any(|note| note.starts_with(OTHER_LIGHT));
    assert_eq!([0, 1, 2, 3, 4, 5].map(says), [false, true, false, false, true, false]);
}

#[test]
fn automatic_exposure_clips_less_than_one_pixel_in_a_thousand() {
    let film = film();
    let scans = strip(&film);
    let frames = statistics(&film, &scans);
    let solve = without_toes(&frames, &film.stock, FilmKind::ColourNegative, BalanceMode::Strip);
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    let look = Look::default();
    for (scan, frame) in scans.iter().zip(&solve.frames) {
        let recipe = Recipe {
            kind: FilmKind::ColourNegative,
            linearisation: [&line; 3],
            base_d: BASE,
            stock: &film.stock,
            unmix_strength: 1.0,
            gamma_ratio: solve.gamma_ratio,
            solve_offset: frame.log_offset,
            cast_suggestion_cc: frame.cast_suggestion_cc,
            look: &look,
            rendering: Rendering::Straight,
            space: OutputSpace::Srgb,
            input_to_xyz: None,
        };
        let mut out = vec![0.0; scan.data().len()];
        Pipeline::new(&recipe).run(
            PixelSource::pixels(scan.data(), 3, 3),
            &[],
            PixelTarget::Pixels(&mut out),
        );
        let mut histogram = crate::Histogram::default();
        histogram.add(&out);
        let worst = |list: [f64; 3]| list.into_iter().fold(0.0, f64::max);
        assert!(worst(histogram.clip_high_fraction()) <= 0.001, "{:?}", histogram.clip_high_fraction());
        assert!(worst(histogram.clip_low_fraction()) <= 0.001, "{:?}", histogram.clip_low_fraction());
        // The picture is not hidden in the dark either: its median is well above black.
        let mut green: Vec<f32> = out.iter().skip(1).step_by(3).copied().collect();
        green.sort_by(f32::total_cmp);
        assert!(green[green.len() / 2] > 0.2, "{}", green[green.len() / 2]);
    }
}

#[test]
fn empty_strips_frames_and_slides_are_answered() {
    let film = film();
    for kind in FilmKind::ALL {
        for mode in BalanceMode::ALL {
            let none = without_toes(&[], default_stock(kind), kind, mode);
            assert!(none.frames.is_empty() && none.gamma_ratio == [1.0; 3]);
            let empty = without_toes(&[FrameStatistics::default()], default_stock(kind), kind, mode);
            assert!(empty.frames[0].log_offset.iter().all(|x| x.is_finite()));
        }
    }
    let mut frames = statistics(&film, &strip(&film));
    frames.push(FrameStatistics::default());
    let solve = without_toes(&frames, &film.stock, FilmKind::ColourNegative, BalanceMode::Frame);
    let last = solve.frames.last().expect("five frames");
    assert!(balance_error(&film, last).iter().all(|e| e.abs() < 0.015) && !last.notes.is_empty());
    let slides = without_toes(&frames, default_stock(FilmKind::Slide), FilmKind::Slide, BalanceMode::Strip);
    assert!(slides.frames.iter().all(|frame| frame.log_offset == [0.0; 3]));
}

#[test]
fn solving_twice_gives_the_same_bits() {
    let film = film();
    let frames = statistics(&film, &strip(&film));
    let solve = || without_toes(&frames, &film.stock, FilmKind::ColourNegative, BalanceMode::Frame);
    assert_eq!(solve(), solve());
}

#[test]
fn a_plain_gamma_stock_solves_too() {
    let film = film();
    let mut stock = film.stock.clone();
    stock.curves = stock.curves.map(|curve| LayerCurve::Gamma(curve.gamma()));
    let frames = statistics(&film, &strip(&film));
    let solve = without_toes(&frames, &stock, FilmKind::ColourNegative, BalanceMode::Strip);
    assert!((solve.gamma_ratio[0] / film.gamma_ratio[0] - 1.0).abs() < 0.1, "{:?}", solve.gamma_ratio);
}

#[test]
fn toes_that_differ_are_found_when_dark_greys_tell() {
    let mut film = film();
    let generic = film.stock.clone();
    film.stock = generic.with_toe_ratio([1.35, 1.0, 0.75]);
    let wedge = |x: u32, y: u32| [0.9 * exp10(-2.0 * f64::from(y / 10 * 12 + x / 10) / 143.0); 3];
    let scans = [scan(&film, 0.0, wedge), scan(&film, 0.4, patchwork(4))];
    let solve = with_toes(&statistics(&film, &scans), &generic, FilmKind::ColourNegative, BalanceMode::Strip);
    // The prior limits them, so the solve finds about half of the difference: enough for the darkest greys.
    assert!((1.12..1.4).contains(&solve.toe_ratio[0]), "{:?}", solve.toe_ratio);
    assert!((0.7..0.9).contains(&solve.toe_ratio[2]), "{:?}", solve.toe_ratio);
    for c in [0, 2] {
        assert!((solve.gamma_ratio[c] / film.gamma_ratio[c] - 1.0).abs() < 0.02, "{:?}", solve.gamma_ratio);
    }
}

/// A picture of greys and strong colours at the edge of sRGB, as layer exposures of a film.
fn strong_colours(stock: &Stock, share: f64) -> impl Fn(u32, u32) -> [f64; 3] {
    let exposures = invert(&stock.working_matrix).expect("the matrix inverts");
    let patches: Vec<[f64; 3]> = (0..36_u32)
        .map(|idx| {
            let level = 0.8 * exp10(-0.05 * f64::from(idx / 2));
            let strong = [0, 1, 2].map(|c| if (idx >> c) & 1 == 1 { 1.0 } else { 1.0 - 0.985 * share });
            let grey = idx % 3 == 0 || idx % 8 == 0;
            let light = if grey { [level; 3] } else { strong.map(|x| x * level) };
            apply(&exposures, light).map(|x| x.max(1e-3))
        })
        .collect();
    move |x, y| patches[(y / 20 * 6 + x / 20) as usize]
}

#[test]
fn a_film_that_separates_too_strongly_is_held_back_and_others_are_not() {
    let found = |inhibition: f64, share: f64, measured: bool| {
        let mut film = film();
        (film.gamma_ratio, film.offset_log) = ([1.0; 3], [0.0; 3]);
        let mut stock = film.stock.clone();
        // The film's layers inhibit each other, so its colours come out stronger than the stock predicts.
        film.stock = stock.with_colour_strength(1.0 / (1.0 + inhibition), [1.0; 3]);
        if measured {
            stock.measured_on = "a chart".into();
        }
        let scans = [scan(&film, 0.0, strong_colours(&stock, share)), scan(&film, 0.3, patchwork(6))];
        let solve =
            with_toes(&statistics(&film, &scans), &stock, FilmKind::ColourNegative, BalanceMode::Strip);
        solve.colour_strength
    };
    let strong = found(0.3, 1.0, false);
    assert!((0.70..0.90).contains(&strong), "{strong}");
    assert!(found(0.0, 1.0, false) > 0.95);
    assert_eq!(found(0.3, 0.5, false), 1.0);
    assert_eq!(found(0.3, 1.0, true), 1.0);
}

#[test]
fn a_slide_with_a_cast_gets_a_suggestion_that_removes_it() {
    let scene = patchwork(5);
    let cast = [0.03, 0.0, -0.05];
    let data: Vec<u16> = (0..120 * 120_u32)
        .flat_map(|idx| {
            let light = scene(idx % 120, idx / 120);
            [0, 1, 2].map(|c| (65_535.0 * 0.7 * light[c] * exp10(cast[c])).min(65_535.0) as u16)
        })
        .collect();
    let scan = Samples16::from_vec(120, 120, 3, data).expect("sizes fit");
    let stock = default_stock(FilmKind::Slide);
    let frame = measure_frame(&scan, None, FilmKind::Slide, stock);
    let solve = without_toes(&[frame], stock, FilmKind::Slide, BalanceMode::Strip);
    let fixed = log_from_balance_cc(solve.frames[0].cast_suggestion_cc);
    let left = [0, 1, 2].map(|c| cast[c] + fixed[c]);
    assert!((left[0] - left[1]).abs() < 0.01 && (left[2] - left[1]).abs() < 0.01, "{left:?}");
    assert_eq!(solve.frames[0].log_offset, [0.0; 3]);
}
