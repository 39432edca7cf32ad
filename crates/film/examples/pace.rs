//! Pixels a second of the pipeline on one core, plain and with every adjustable step on.
//!
//! `cargo run --release -p glassine-film --example pace`
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::time::Instant;

use glassine_film::{FilmKind, Look, OutputSpace, Param, Pipeline, Recipe, Rendering, default_stock};

const WIDTH: usize = 5280;
const ROWS: usize = 16;

fn main() {
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    // Densities of a grainy negative: a ramp with noise, three channels apart.
    let mut state = 0x2545_f491_u32;
    let codes: Vec<u16> = (0..WIDTH * ROWS * 3)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / 16_777_216.0 - 0.5;
            let density =
                0.3 + 0.2 * (i % 3) as f64 + 1.2 * ((i / 3) % WIDTH) as f64 / WIDTH as f64 + 0.1 * noise;
            (65_535.0 * 10.0_f64.powf(-density)) as u16
        })
        .collect();
    let full = Look::default()
        .with(Param::Saturation, 1.2)
        .with(Param::WeakColourBoost, 0.4)
        .with(Param::Contrast, 1.1);
    for (what, look, rendering) in
        [("plain", Look::default(), Rendering::Straight), ("every step", full, Rendering::Print)]
    {
        let pipeline = Pipeline::new(&Recipe {
            kind: FilmKind::ColourNegative,
            linearisation: [&line, &line, &line],
            base_d: [0.25, 0.45, 0.65],
            stock: default_stock(FilmKind::ColourNegative),
            unmix_strength: 1.0,
            gamma_ratio: [1.0; 3],
            solve_offset: [-0.9; 3],
            cast_suggestion_cc: [0.0; 2],
            look: &look,
            rendering,
            space: OutputSpace::Srgb,
            input_to_xyz: None,
        });
        let mut planes = [vec![0.0_f32; WIDTH], vec![0.0; WIDTH], vec![0.0; WIDTH]];
        let mut times: Vec<f64> = (0..101)
            .map(|_| {
                let started = Instant::now();
                for row in codes.chunks_exact(WIDTH * 3) {
                    let [r, g, b] = &mut planes;
                    pipeline.run_planes(row, 3, 3, &[], [r, g, b]);
                }
                started.elapsed().as_secs_f64()
            })
            .collect();
        times.sort_by(f64::total_cmp);
        let pixels = (WIDTH * ROWS) as f64 / 1e6;
        println!("{what}: best {:.0} MP/s, median {:.0} MP/s", pixels / times[0], pixels / times[50]);
    }
}
