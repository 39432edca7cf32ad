//! Times single steps of the export on generated rows, on one thread: the best of many rounds, in nanoseconds per
//! pixel.
//!
//! `cargo run --release -p glassine-bench --bin step_speed -- [--into tests/SPEED.md]`
//!
//! The best of many short rounds approximates a quiet machine; use it to compare two builds of one step. The time of a
//! whole sharpened frame on all threads goes to the section of that page between the sharpening markers.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::hint::black_box;
use std::time::Instant;

use glassine_film::{
    FilmKind, Look, OutputSpace, Param, Pipeline, PixelSource, PixelTarget, Recipe, Rendering, default_stock,
    quantise16_planes,
};
use glassine_raster::{
    Kernel, Orientation, PixelRect, Plane, Samples16, SourcePlanes, TiltedBox, TiltedSampling,
};
use glassine_sharpness::{RowScratch, Sharpening};
use glassine_testdata::random::Lcg64;

const WIDTH: u32 = 5280;
const ROWS: u32 = 140;
const ROUNDS: usize = 60;
/// Density of clear film.
const BASE_D: [f64; 3] = [0.2076, 0.4437, 0.6576];

/// Rows of a frame of 19 megapixels.
const FRAME_ROWS: u32 = 3600;
const BEGIN: &str = "<!-- sharpening:begin -->";
const END: &str = "<!-- sharpening:end -->";

fn main() -> std::io::Result<()> {
    steps();
    let section = frames();
    println!("{section}");
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["--into", page] => put_section(page, &section),
        _ => Ok(()),
    }
}

/// Sharpens a whole frame on all threads; the figures as a table.
fn frames() -> String {
    const RUNS: usize = 9;
    let mut random = Lcg64::new(0x9e37_79b9_7f4a_7c15);
    let value = |at: u32| {
        let (x, y) = (f64::from(at % WIDTH), f64::from(at / WIDTH));
        (0.5 + 0.3 * (x / 17.0).sin() * (y / 23.0).cos() + 0.02 * (random.unit() - 0.5)) as f32
    };
    let data = (0..WIDTH * FRAME_ROWS).map(value).collect();
    let frame = Plane::from_vec(WIDTH, FRAME_ROWS, data).unwrap_or_else(|| Plane::filled(1, 1, 0.0));
    let mut lines = format!(
        "Made by `cargo run --release -p glassine-bench --bin step_speed -- --into tests/SPEED.md`: lightness of a frame of \
         {WIDTH} x {FRAME_ROWS} px on {} threads, overshoot limit 2 %, best and median of {RUNS} runs. Wanted: 0.6 s \
         (aim 0.25).\n\n| sharpening | best | median |\n|---|---|---|\n",
        rayon::current_num_threads()
    );
    for (what, radius_px, grain_sd) in [
        ("radius 0.8 px", 0.8, [0.0; 3]),
        ("radius 0.8 px, grain left alone", 0.8, [0.005; 3]),
        ("radius 2 px, grain left alone", 2.0, [0.005; 3]),
    ] {
        let sharpening = Sharpening { amount: 2.0, radius_px, overshoot_limit: 0.02, grain_sd };
        let mut times_s: Vec<f64> = (0..RUNS)
            .map(|_| {
                let began = Instant::now();
                black_box(sharpening.apply(&frame));
                began.elapsed().as_secs_f64()
            })
            .collect();
        times_s.sort_by(f64::total_cmp);
        lines += &format!("| {what} | {:.3} s | {:.3} s |\n", times_s[0], times_s[RUNS / 2]);
    }
    lines
}

/// Adds or replaces the section of a page.
fn put_section(page: &str, section: &str) -> std::io::Result<()> {
    let text = std::fs::read_to_string(page)?;
    let whole = format!("{BEGIN}\n## Sharpening\n\n{section}{END}");
    let text = match (text.find(BEGIN), text.find(END)) {
        (Some(from), Some(to)) if from < to => format!("{}{whole}{}", &text[..from], &text[to + END.len()..]),
        _ => format!("{}\n\n{whole}\n", text.trim_end()),
    };
    std::fs::write(page, text)
}

fn steps() {
    let scan = scan();
    tilted(&scan);
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    let plain = Look::default();
    let all = [
        (Param::Saturation, 1.15),
        (Param::WeakColourBoost, 0.3),
        (Param::WarmthCc, 6.0),
        (Param::ShadowTintCc, -3.0),
        (Param::Contrast, 1.1),
    ];
    let every = all.iter().fold(plain.clone(), |look, (param, value)| look.with(*param, *value));
    pipeline("pipeline, plain", &scan, &line, &plain, Rendering::Straight);
    pipeline("pipeline, every step", &scan, &line, &every, Rendering::Print);
    let planes = [0, 1, 2].map(|c: usize| -> Vec<f32> {
        scan.data().iter().skip(c).step_by(4).map(|code| f32::from(*code) / 65_535.0).collect()
    });
    let (mut scratch, mut out) = (RowScratch::default(), vec![0.0; WIDTH as usize]);
    for (what, radius_px, grain_sd) in [
        ("sharpening, radius 2", 2.0, [0.0; 3]),
        ("sharpening, radius 0.8", 0.8, [0.0; 3]),
        ("the same beside grain", 0.8, [0.005; 3]),
    ] {
        let sharpening = Sharpening { amount: 1.0, radius_px, overshoot_limit: 0.1, grain_sd };
        let sharpener = sharpening.prepare(WIDTH);
        time(what, || {
            for y in 20..120 {
                sharpener.row_of(&planes[0], y, &mut scratch, &mut out);
            }
            black_box(&out);
        });
    }
    let mut codes = vec![0; WIDTH as usize * 300];
    time("rounding", || {
        let [r, g, b] = planes.each_ref().map(|plane| &plane[..WIDTH as usize * 100]);
        quantise16_planes([r, g, b], &mut codes);
        black_box(&codes);
    });
}

/// Print the best time over the rounds, each on 100 rows.
fn time(what: &str, mut round: impl FnMut()) {
    let best = (0..ROUNDS).map(|_| {
        let began = Instant::now();
        round();
        began.elapsed().as_secs_f64()
    });
    let best = best.fold(f64::MAX, f64::min) * 1e9 / (f64::from(WIDTH) * 100.0);
    println!("{what:<24} {best:6.2} ns a pixel");
}

/// Densities with slow changes and grain, from a fixed seed; four channels.
fn scan() -> Samples16 {
    let mut random = Lcg64::new(0x2545_f491_4f6c_dd1d);
    let mut codes = Vec::new();
    for y in 0..ROWS {
        for x in 0..WIDTH {
            let slow = 0.75 + 0.3 * (f64::from(x) / 300.0).sin() * (f64::from(y) / 110.0).cos();
            for base_d in BASE_D {
                codes.push((65_535.0 * 10.0_f64.powf(-base_d - slow - 0.1 * (random.unit() - 0.5))) as u16);
            }
            codes.push(52_000);
        }
    }
    Samples16::from_vec(WIDTH, ROWS, 4, codes).unwrap_or_else(|| Samples16::zeroed(WIDTH, ROWS, 4))
}

fn tilted(scan: &Samples16) {
    let area = TiltedBox::from_edges(2.0, 22.0, f64::from(WIDTH) - 2.0, 122.0);
    let area = TiltedBox { angle_rad: 0.008, ..area };
    let plan = TiltedSampling::new(&area, Orientation::default(), WIDTH - 4, 100, Kernel::Cubic);
    let whole = PixelRect::of_size(WIDTH, ROWS);
    let (mut planes, mut buffer) = (SourcePlanes::default(), Vec::new());
    time("sorting by channel", || {
        planes.fill(&plan, scan, (0, 0), PixelRect { y1: 100, ..whole }, 3);
        black_box(&planes);
    });
    planes.fill(&plan, scan, (0, 0), whole, 3);
    time("reading at a tilt", || {
        for y in 0..100 {
            black_box(plan.lines(&planes, y, &mut buffer));
        }
    });
}

fn pipeline(what: &str, scan: &Samples16, line: &[f32], look: &Look, rendering: Rendering) {
    let recipe = Recipe {
        kind: FilmKind::ColourNegative,
        linearisation: [line; 3],
        base_d: BASE_D,
        stock: default_stock(FilmKind::ColourNegative),
        unmix_strength: 1.0,
        gamma_ratio: [0.97, 1.0, 1.04],
        solve_offset: [-0.3, -0.25, -0.35],
        cast_suggestion_cc: [6.0, -3.0],
        look,
        rendering,
        space: OutputSpace::Srgb,
        input_to_xyz: None,
    };
    let pipeline = Pipeline::new(&recipe);
    let mut planes = [0; 3].map(|_| vec![0.0; WIDTH as usize]);
    let codes =
        [0, 1, 2].map(|c: usize| -> Vec<u16> { scan.data().iter().skip(c).step_by(4).copied().collect() });
    time(what, || {
        for y in 0..100 {
            let at = y as usize * WIDTH as usize;
            let codes = codes.each_ref().map(|line| &line[at..at + WIDTH as usize]);
            let [r, g, b] = planes.each_mut().map(|plane| &mut plane[..]);
            pipeline.run(PixelSource::Lines(codes), &[], PixelTarget::Planes([r, g, b]));
        }
        black_box(&planes);
    });
}
