//! Registration and filling against an independent library, on pictures given by the same formulas.
//!
//! Source of the numbers: scikit-image, by `tests/reference/repair_values.py`.

use glassine_raster::{CancelToken, Samples16};
use glassine_repair::{DustMap, make_patches, register};

const W: u32 = 192;
const H: u32 = 160;

fn specks(x: f64, y: f64, shift: (f64, f64), sigma: f64, strength: f64) -> f64 {
    (0..24_u32)
        .map(|k| {
            let cx = 20.0 + 30.0 * f64::from(k % 6) + f64::from((7 * k) % 11) - 5.0;
            let cy = 22.0 + 38.0 * f64::from(k / 6) + f64::from((5 * k) % 13) - 6.0;
            let d2 = (x - cx - shift.0).powi(2) + (y - cy - shift.1).powi(2);
            strength * (-d2 / (2.0 * sigma * sigma)).exp()
        })
        .sum()
}

fn code(density_d: f64) -> u16 {
    (65535.0 * 10.0_f64.powf(-density_d)).round().clamp(0.0, 65535.0) as u16
}

fn samples(channels: u8, densities: impl Fn(f64, f64) -> Vec<f64>) -> Samples16 {
    let data = (0..H)
        .flat_map(|y| (0..W).map(move |x| (f64::from(x), f64::from(y))))
        .flat_map(|(x, y)| densities(x, y).into_iter().map(code).collect::<Vec<_>>())
        .collect();
    Samples16::from_vec(W, H, channels, data).expect("length fits")
}

#[test]
fn the_shift_agrees_with_phase_correlation() {
    for (shift, phase) in [((1.3, -0.7), (1.29, -0.71)), ((-2.4, 3.1), (-2.39, 3.10))] {
        let scan = samples(4, |x, y| {
            let visible = 0.6 + specks(x, y, (0.0, 0.0), 1.6, 0.5);
            vec![visible, visible, visible, 0.1 + specks(x, y, shift, 1.9, 0.45)]
        });
        let [sx, sy] = register(&scan, 3).expect("two dozen specks").shift_px;
        let off = (sx - phase.0).hypot(sy - phase.1);
        assert!(off < 0.06, "{sx} {sy} against {phase:?}");
    }
}

#[test]
fn opaque_holes_are_filled_better_than_by_the_biharmonic_equation() {
    const BIHARMONIC_RMS_D: f64 = 0.018_130;
    let picture = |x: f64, y: f64| {
        let edge = 0.4 / (1.0 + (-(x + 0.35 * y - 120.0) / 0.8).exp());
        0.7 + 0.15 * (x / 19.0).sin() * (y / 23.0).cos() + edge
    };
    let scan = samples(1, |x, y| vec![picture(x, y)]);
    let mut map = DustMap::clean(W, H);
    for (x, y, r) in
        [(60.0, 50.0, 4.5), (96.0, 70.0, 5.0), (101.0, 60.0, 3.0), (140.0, 110.0, 6.0), (40.0, 120.0, 3.5)]
    {
        // Brush positions are measured at pixel edges, the formula at pixel centres.
        map.paint_in(x + 0.5, y + 0.5, r);
    }
    let mut holed = scan.clone();
    for (v, s) in holed.data_mut().iter_mut().zip(map.severity.data()) {
        if *s > 0 {
            *v = 40;
        }
    }
    make_patches(&holed, 1, &map, &CancelToken::new()).apply(&mut holed, 0, 0);
    let (mut sum, mut n) = (0.0, 0.0);
    for y in 0..H {
        for x in (0..W).filter(|&x| map.severity.at(x, y) > 0) {
            let d = (65535.0 / f64::from(holed.pixel(x, y)[0]).max(0.5)).log10();
            sum += (d - picture(f64::from(x), f64::from(y))).powi(2);
            n += 1.0;
        }
    }
    let rms = f64::sqrt(sum / n);
    assert_eq!(n, 329.0);
    assert!(rms < BIHARMONIC_RMS_D, "rms {rms} D");
}
