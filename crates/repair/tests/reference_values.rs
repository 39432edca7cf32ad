//! Registration and filling compared with an independent library, on pictures from the same formulas.
//!
//! Source of the numbers: scikit-image, by `tests/reference/repair_values.py`, which says how to make them again.

use std::collections::BTreeMap;

use glassine_raster::{CancelToken, Samples16};
use glassine_repair::{DustMap, fill, register};

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

#[derive(serde::Deserialize)]
struct Reference {
    hole_px: usize,
    shifts: Vec<Shift>,
    biharmonic_rms_d: BTreeMap<String, f64>,
}

#[derive(serde::Deserialize)]
struct Shift {
    shift_px: (f64, f64),
    phase_correlation_px: (f64, f64),
}

fn reference() -> Reference {
    serde_json::from_str(include_str!("reference/repair_values.json")).expect("made by the script")
}

#[test]
fn the_shift_agrees_with_phase_correlation() {
    for Shift { shift_px, phase_correlation_px } in reference().shifts {
        let scan = samples(4, |x, y| {
            let visible = 0.6 + specks(x, y, (0.0, 0.0), 1.6, 0.5);
            vec![visible, visible, visible, 0.1 + specks(x, y, shift_px, 1.9, 0.45)]
        });
        let [sx, sy] = register(&scan, 3, None).expect("two dozen specks").shift_px;
        let off = (sx - phase_correlation_px.0).hypot(sy - phase_correlation_px.1);
        assert!(off <= 0.05, "{sx} {sy} against {phase_correlation_px:?}");
    }
}

/// The pictures of the script, by the same formulas.
fn picture(name: &str, x: f64, y: f64) -> f64 {
    let slow = 0.7 + 0.15 * (x / 19.0).sin() * (y / 23.0).cos();
    slow + match name {
        "edge" => 0.4 / (1.0 + (-(x + 0.35 * y - 120.0) / 0.8).exp()),
        "stripes" => 0.12 * ((x + 0.35 * y) / 2.2).sin(),
        "leaves" => 0.05 * (0.9 * x).sin() * (0.7 * y + 3.0 * (0.13 * x).sin()).cos(),
        "wire" => 0.5 * (-((x - 0.62 * y - 30.0) / 1.6).powi(2)).exp(),
        other => panic!("no picture {other}"),
    }
}

#[test]
fn opaque_holes_are_filled_no_worse_than_by_the_biharmonic_equation() {
    let reference = reference();
    assert_eq!(reference.biharmonic_rms_d.len(), 4);
    for (name, biharmonic_rms_d) in &reference.biharmonic_rms_d {
        let scan = samples(1, |x, y| vec![picture(name, x, y)]);
        let mut map = DustMap::clean(W, H);
        for (x, y, r) in [
            (60.0, 50.0, 4.5),
            (96.0, 70.0, 5.0),
            (101.0, 60.0, 3.0),
            (140.0, 110.0, 6.0),
            (40.0, 120.0, 3.5),
            (98.0, 110.0, 2.5),
        ] {
            // Brush positions are measured at pixel edges, the formula at pixel centres.
            map.paint_in(x + 0.5, y + 0.5, r);
        }
        let mut holed = scan.clone();
        for (v, s) in holed.data_mut().iter_mut().zip(map.severity_plane().data()) {
            if *s > 0 {
                *v = 40;
            }
        }
        fill(&mut holed, 1, &map, &CancelToken::new());
        let (mut sum, mut n) = (0.0, 0);
        for y in 0..H {
            for x in (0..W).filter(|&x| map.severity(x, y) > 0) {
                let d = (65535.0 / f64::from(holed.pixel(x, y)[0]).max(0.5)).log10();
                sum += (d - picture(name, f64::from(x), f64::from(y))).powi(2);
                n += 1;
            }
        }
        let rms_d = f64::sqrt(sum / f64::from(n));
        assert_eq!(n as usize, reference.hole_px);
        assert!(rms_d <= *biharmonic_rms_d, "{name}: {rms_d} D against {biharmonic_rms_d} D");
    }
}
