//! What is just found, what just not, and how a filled place looks.

use glassine_raster::{CancelToken, PixelRect, Samples16};
use glassine_repair::{DustMap, DustOptions, Refusal, fill, find_dust};
use glassine_testdata::twin::{BASE_D, Model, Twin, stroke};

/// Places on a grid of the default model, away from each other and from the border.
fn places() -> Vec<(f64, f64)> {
    (0..54).map(|i| (30.0 + 37.0 * f64::from(i % 9), 25.0 + 46.0 * f64::from(i / 9))).collect()
}

fn flat(_: f64, _: f64) -> [f64; 3] {
    [0.9, 0.85, 0.8]
}

/// Film with specks of one radius and opacity at all places.
fn specked(model: &Model, radius_px: f64, opacity: f64) -> Twin {
    let mut plane = vec![0.0; model.width * model.height];
    for (x, y) in places() {
        stroke(&mut plane, model.width, model.height, &[(x, y), (x + 0.3, y)], radius_px, opacity);
    }
    model.scan(flat, &plane)
}

fn map_of(scan: &Samples16) -> Result<DustMap, Refusal> {
    find_dust(scan, 3, &DustOptions::default(), &CancelToken::new())
}

/// Share of the places where something is marked.
fn found(map: &DustMap) -> f64 {
    let is_marked = |&(x, y): &(f64, f64)| {
        let near = PixelRect::new(x as u32 - 1, y as u32 - 1, x as u32 + 2, y as u32 + 2);
        (near.y0..near.y1).any(|y| (near.x0..near.x1).any(|x| map.severity(x, y) > 0))
    };
    let places = places();
    places.iter().filter(|place| is_marked(place)).count() as f64 / places.len() as f64
}

fn density_d(samples: &Samples16, x: u32, y: u32) -> f64 {
    (62_000.0 / f64::from(samples.pixel(x, y)[1]).max(0.5)).log10() - BASE_D[1]
}

#[test]
fn faint_specks_are_found_down_to_a_few_times_the_noise() {
    let share = |opacity| found(&map_of(&specked(&Model::default(), 2.0, opacity).dusty).expect("dye film"));
    // The infrared noise is 0.2 % a pixel; a loss of 2 % is below what anyone sees.
    assert!(share(0.04) > 0.95, "{}", share(0.04));
    assert!(share(0.02) < 0.05, "{}", share(0.02));
}

#[test]
fn a_filled_place_has_the_grain_of_its_surroundings() {
    let model = Model { grain_d: 0.02, ..Model::default() };
    let twin = specked(&model, 4.0, 0.97);
    let map = map_of(&twin.dusty).expect("dye film");
    let mut repaired = twin.dusty.clone();
    fill(&mut repaired, 3, &map, &CancelToken::new());
    // Differences of pixels two apart, inside the filled discs and on clean film between them.
    let rms_d = |offset: f64| {
        let mut squares = Vec::new();
        for (x, y) in places() {
            for (dx, dy) in (-1..=1).flat_map(|dy| (-2..=0).map(move |dx| (dx, dy))) {
                let (x, y) = ((x + offset) as i32 + dx, y as i32 + dy);
                let at = |x: i32| density_d(&repaired, x as u32, y as u32);
                squares.push((at(x) - at(x + 2)).powi(2));
            }
        }
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let ratio = rms_d(0.0) / rms_d(18.0);
    assert!((0.6..1.2).contains(&ratio), "{ratio}");
}

#[test]
fn a_repair_reaches_as_far_as_the_blur_carries_a_speck() {
    for blur_px in [0.6, 1.0] {
        let (visible_blur_px, infrared_blur_px) = (blur_px, blur_px + 0.25);
        let model = Model { visible_blur_px, infrared_blur_px, grain_d: 0.002, ..Model::default() };
        let twin = specked(&model, 3.0, 0.97);
        let map = map_of(&twin.dusty).expect("dye film");
        let mut repaired = twin.dusty.clone();
        fill(&mut repaired, 3, &map, &CancelToken::new());
        for radius_px in [3.0, 4.0, 5.0, 6.0] {
            let on_ring = |(cx, cy): (f64, f64)| {
                (0..16).map(move |k| {
                    let angle = f64::from(k) * std::f64::consts::TAU / 16.0;
                    let (x, y) = (cx + 0.15 + radius_px * angle.cos(), cy + radius_px * angle.sin());
                    (x.round() as u32, y.round() as u32)
                })
            };
            let error_d = |(x, y)| density_d(&repaired, x, y) - density_d(&twin.clean, x, y);
            let errors_d: Vec<f64> = places().into_iter().flat_map(on_ring).map(error_d).collect();
            let mean_d = errors_d.iter().sum::<f64>() / errors_d.len() as f64;
            let worst_d = errors_d.iter().fold(0.0, |most: f64, d| most.max(d.abs()));
            assert!(mean_d.abs() < 0.003 && worst_d < 0.02, "{radius_px} px: {mean_d} {worst_d} D");
        }
    }
}

#[test]
fn dust_on_a_picture_without_detail_is_not_taken_for_silver() {
    // On an even sky the strongest detail is dust, which visible and infrared light show alike.
    let twin = specked(&Model::default(), 4.0, 0.97);
    let map = map_of(&twin.dusty).expect("dye film");
    assert!(found(&map) > 0.95);
}

#[test]
fn a_frame_that_is_damaged_all_over_is_refused() {
    let model = Model::default();
    let mut plane = vec![0.0; model.width * model.height];
    for y in (5..model.height).step_by(12) {
        let ends = [(0.0, y as f64), (model.width as f64, y as f64)];
        stroke(&mut plane, model.width, model.height, &ends, 1.5, 0.9);
    }
    let refusal = map_of(&model.scan(flat, &plane).dusty).expect_err("half of the frame is lines");
    assert!(matches!(refusal, Refusal::TooMuchDamage { area_fraction } if area_fraction > 0.3), "{refusal}");
}
