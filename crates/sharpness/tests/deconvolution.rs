//! Whether undoing the measured blur (deconvolution) sharpens better than the mask, under the same limit on overshoot
//! and the same regard for grain.
//!
//! Deconvolution by Van Cittert's iteration, `x + sum (1 - G)^i x`: the first step is the mask with amount 1, more steps
//! come nearer to the inverse of the blur. Source: P. H. van Cittert, Zeitschrift für Physik 69 (1931).

#![expect(clippy::print_stdout, reason = "the figures are shown")]

use glassine_raster::{CancelToken, Plane};
use glassine_sharpness::{BlurAndGrain, Sharpening, SharpeningEffect};
use glassine_testdata::scenes::{Scene, with_scanner_noise};

fn plane(like: &Plane<f32>, value: impl Fn(usize) -> f32) -> Plane<f32> {
    let data = (0..like.data().len()).map(value).collect();
    Plane::from_vec(like.width(), like.height(), data).expect("length fits")
}

/// Smallest and largest values in square windows.
fn range(of: &Plane<f32>, reach: i64) -> (Plane<f32>, Plane<f32>) {
    let (w, h) = (i64::from(of.width()), i64::from(of.height()));
    let pass = |source: &[f32], along: i64, pick: fn(f32, f32) -> f32| -> Vec<f32> {
        let at = |i: i64| source[i as usize];
        (0..w * h)
            .map(|i| {
                let (place, length) = if along == 1 { (i % w, w) } else { (i / w, h) };
                let near = (-reach.min(place)..=reach.min(length - 1 - place)).map(|d| at(i + d * along));
                near.fold(at(i), pick)
            })
            .collect()
    };
    let both = |pick: fn(f32, f32) -> f32| {
        let down = pass(&pass(of.data(), 1, pick), w, pick);
        plane(of, |i| down[i])
    };
    (both(f32::min), both(f32::max))
}

/// Van Cittert's iteration with the suggested sharpening's own weights and limit.
fn deconvolved(seen: &Plane<f32>, suggested: &Sharpening, steps: usize, blur_px: f32) -> Plane<f32> {
    let free = |radius_px: f32, grain_sd: [f32; 3], of: &Plane<f32>| {
        Sharpening { amount: 1.0, radius_px, overshoot_limit: f32::INFINITY, grain_sd }.apply(of)
    };
    // `2 x - G x` less `x` is what the blur took away.
    let lost = |of: &Plane<f32>| {
        let twice = free(blur_px, [0.0; 3], of);
        plane(of, |i| twice.data()[i] - of.data()[i])
    };
    let (mut sum, mut term) = (seen.clone(), seen.clone());
    for _ in 0..steps {
        term = lost(&term);
        sum = plane(seen, |i| sum.data()[i] + term.data()[i]);
    }
    let (plain, spared) =
        (free(suggested.radius_px, [0.0; 3], seen), free(suggested.radius_px, suggested.grain_sd, seen));
    let (low, high) = range(seen, (1.5 * suggested.radius_px).ceil() as i64);
    plane(seen, |i| {
        let x = seen.data()[i];
        let all = plain.data()[i] - x;
        let weight = if all.abs() > 1e-6 { ((spared.data()[i] - x) / all).clamp(0.0, 1.0) } else { 0.0 };
        let (low, high) = (low.data()[i], high.data()[i]);
        let slack = suggested.overshoot_limit * (high - low) - 1.5 * suggested.grain_sd[1];
        (x + weight * (sum.data()[i] - x)).clamp((low - slack).min(x), (high + slack).max(x))
    })
}

#[test]
fn deconvolution_gains_nothing_over_the_mask_at_the_same_overshoot_and_noise() {
    let cancel = CancelToken::new();
    println!("blur, grain: method: MTF50 gain, overshoot, noise gain, distance to the scene");
    for (seed, blur_px, sd) in [(1, 0.7, 0.005), (3, 1.2, 0.01), (5, 2.0, 0.02)] {
        let film = Scene::random(300 + seed, (660, 450));
        let truth = film.seen(|_, _| 0.15, (0, 0));
        let seen = with_scanner_noise(&film.seen(|_, _| blur_px, (0, 0)), sd, seed);
        let found = BlurAndGrain::measure(std::slice::from_ref(&seen), &cancel).expect("not cancelled");
        let suggested = found.suggestion();
        let distance = |of: &Plane<f32>| {
            let off = of.data().iter().zip(truth.data()).map(|(a, b)| f64::from(a - b).powi(2));
            (off.sum::<f64>() / of.data().len() as f64).sqrt()
        };
        let figures = |of: &Plane<f32>| {
            let effect = SharpeningEffect::between(&seen, of, &cancel).expect("not cancelled");
            let effect = effect.expect("equal sizes");
            let figure = |value: Option<f64>| value.expect("edges and flat areas");
            let (gain, noise) = (figure(effect.mtf50_gain), figure(effect.noise_gain));
            (gain, figure(effect.overshoot), noise, distance(of) / distance(&seen))
        };
        let show = |method: &str, (gain, overshoot, noise, off): (f64, f64, f64, f64)| {
            println!("{blur_px} {sd}: {method}: {gain:.2} {overshoot:.4} {noise:.3} {off:.3}");
        };
        let mask = figures(&suggested.apply(&seen));
        show("mask", mask);
        for steps in [1, 2, 4, 8] {
            let blur_px = found.blur_px.expect("edges") as f32;
            let own = figures(&deconvolved(&seen, &suggested, steps, blur_px));
            show(&format!("{steps} steps"), own);
            assert!(own.0 <= mask.0 + 0.05, "{steps} steps gain more: {own:?}, mask {mask:?}");
        }
    }
}
