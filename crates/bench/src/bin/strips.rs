//! Measures the automatic balance on random strips, with the confidence shown to the user, as a table.
//!
//! Film, scanner, light, exposure and subjects are random; whole pictures are compared.
//!
//! ```text
//! cargo run --release -p glassine-bench --bin strips -- \
//!     [--first SEED] [--each N] [--grey-point] [--pictures FOLDER] > tests/STRIPS.md
//! ```
#![expect(clippy::print_stdout, reason = "the table is the output")]

use std::error::Error;
use std::path::{Path, PathBuf};

use clap::Parser;
use glassine_film::colour::{Lab, OutputSpace, Transfer, decode, delta_e_2000, encode, lab_from_xyz_d50};
use glassine_film::matrix::apply;
use glassine_film::{
    BalanceMode, FilmKind, FrameStatistics, Look, OTHER_LIGHT, Pipeline, PixelSource, PixelTarget, Recipe,
    Rendering, SolveHints, StripSolve, default_stock, measure_frame, solve_strip,
};
use glassine_filmsim::{DrawnFilm, Light, Picture, SceneId, draw_scene};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_testdata::random::SplitMix64;
use rayon::prelude::*;

const KIND: FilmKind = FilmKind::ColourNegative;
/// Size of a picture, and side of the cells to compare, pixels.
const SIZE: (u32, u32) = (144, 96);
const CELL: u32 = 4;
/// Longer side to which source pictures are reduced, pixels.
const SOURCE_PX: u32 = 600;
/// A part of a picture is a warm subject from this mean log10 of red over blue. Ours.
const WARM_LOG: f64 = 0.12;
/// Largest mean CIEDE2000 of a strip that counts as right; a high confidence promises this.
const GOOD: f64 = 5.0;

#[derive(Debug, Parser)]
struct Args {
    /// Seed of the first strip of each sort; the sorts are 1000 apart
    #[arg(long, default_value_t = 301)]
    first: u32,
    /// Strips of each sort
    #[arg(long, default_value_t = 20)]
    each: u32,
    /// Point at something grey in the first frame
    #[arg(long)]
    grey_point: bool,
    /// Folder for pictures of the worst strip of each sort: scenes above, results below
    #[arg(long)]
    pictures: Option<PathBuf>,
}

/// Content of the frames of a strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sort {
    Chart,
    Ordinary,
    Warm,
    MixedLight,
    Single,
    SingleWarm,
}

const SORTS: [(Sort, &str); 6] = [
    (Sort::Chart, "ordinary subjects, one frame a chart"),
    (Sort::Ordinary, "ordinary subjects"),
    (Sort::Warm, "warm subjects only"),
    (Sort::MixedLight, "ordinary subjects, three frames in another light"),
    (Sort::Single, "one frame"),
    (Sort::SingleWarm, "one frame, warm"),
];

struct Shot {
    scan: Samples16,
    truth: Vec<[f64; 3]>,
    in_daylight: bool,
}

/// Linear pictures from which parts are photographed.
struct Scenes {
    chart: Picture,
    all: Vec<Picture>,
}

impl Scenes {
    fn new() -> Result<Self, Box<dyn Error>> {
        let mut all = Vec::new();
        for scene in SceneId::ALL.into_iter().filter(|scene| *scene != SceneId::Chart) {
            all.push(draw_scene(scene, scene.aspect(), SOURCE_PX)?);
        }
        for folder in ["scenes-photographs", "scenes-small"] {
            let Some(folder) = glassine_testdata::folder(folder) else { continue };
            let entries = std::fs::read_dir(folder)?.flatten().map(|entry| entry.path());
            let mut files: Vec<_> = entries
                .filter(|path| path.extension().is_some_and(|ending| ending == "jpg" || ending == "png"))
                .collect();
            files.sort();
            for path in files {
                all.extend(read_colour(&path)?);
            }
        }
        Ok(Self { chart: draw_scene(SceneId::Chart, 1.5, SIZE.0)?, all })
    }

    /// A random part of a random picture that is not all dark; a warm part if requested.
    fn part(&self, dice: &mut SplitMix64, warm: bool) -> Picture {
        loop {
            let whole = &self.all[dice.below(self.all.len())];
            let least = (f64::from(whole.width) / 1.5).min(f64::from(whole.height));
            let height = least * dice.between(0.4, 1.0);
            let scale = height / f64::from(SIZE.1);
            let x0 = dice.between(0.0, f64::from(whole.width) - 1.5 * height);
            let y0 = dice.between(0.0, f64::from(whole.height) - height);
            let at = |from: f64, idx: u32, limit: u32| {
                ((from + (f64::from(idx) + 0.5) * scale) as u32).min(limit - 1)
            };
            let pixels = (0..SIZE.0 * SIZE.1).map(|i| {
                let (x, y) = (at(x0, i % SIZE.0, whole.width), at(y0, i / SIZE.0, whole.height));
                whole.pixels[(y * whole.width + x) as usize]
            });
            let part = Picture { width: SIZE.0, height: SIZE.1, pixels: pixels.collect() };
            let bright = part.pixels.iter().filter(|p| p[1] > 0.03).count();
            if bright * 3 > part.pixels.len() && (!warm || warmth_log(&part) > WARM_LOG) {
                return part;
            }
        }
    }
}

/// Reads a colour picture, linear and reduced by whole factors; `None` for a grey one.
fn read_colour(path: &Path) -> Result<Option<Picture>, Box<dyn Error>> {
    let scan = glassine_scanfile::Scan::open(path, &glassine_scanfile::OpenOptions::default())?;
    if scan.channels() < 3 {
        return Ok(None);
    }
    let samples = scan.read(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new())?;
    let light = scan.linearisation();
    let factor = (scan.width().max(scan.height()) / SOURCE_PX).max(1);
    let (width, height) = (scan.width() / factor, scan.height() / factor);
    let pixels = (0..width * height).map(|i| {
        let (x, y) = (i % width * factor, i / width * factor);
        let mut sum = [0.0_f32; 3];
        for near in 0..factor * factor {
            let px = samples.pixel(x + near % factor, y + near / factor);
            for (c, sum) in sum.iter_mut().enumerate() {
                *sum += light.light(c, px[c]);
            }
        }
        sum.map(|sum| sum / (factor * factor) as f32)
    });
    Ok(Some(Picture { width, height, pixels: pixels.collect() }))
}

fn warmth_log(picture: &Picture) -> f64 {
    let lit = picture.pixels.iter().filter(|p| p[1] > 0.01);
    let logs: Vec<f64> = lit.map(|p| f64::from((p[0].max(1e-3) / p[2].max(1e-3)).log10())).collect();
    mean(&logs)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Mean colours of the cells of a picture.
fn cells(at: impl Fn(u32, u32) -> [f64; 3]) -> Vec<[f64; 3]> {
    let (columns, rows) = (SIZE.0 / CELL, SIZE.1 / CELL);
    let cell = |i: u32| {
        let (x, y) = (i % columns * CELL, i / columns * CELL);
        let mut sum = [0.0; 3];
        for near in 0..CELL * CELL {
            let px = at(x + near % CELL, y + near / CELL);
            sum.iter_mut().zip(px).for_each(|(sum, v)| *sum += v / f64::from(CELL * CELL));
        }
        sum
    };
    (0..columns * rows).map(cell).collect()
}

/// The light of a frame: daylight, except for three of six frames of mixed strips.
fn light_of(sort: Sort, frame: usize, dice: &mut SplitMix64) -> Light {
    let body = |kelvin: f64| Light { kelvin, green_line: 0.0 };
    match (sort, frame) {
        (Sort::MixedLight, 1) => body(dice.between(2700.0, 3200.0)),
        (Sort::MixedLight, 3) => body(dice.between(8000.0, 12_000.0)),
        (Sort::MixedLight, 5) => Light { kelvin: 4200.0, green_line: 1.2 },
        _ => Light::DAYLIGHT,
    }
}

fn shots(film: &DrawnFilm, sort: Sort, seed: u32, scenes: &Scenes) -> Vec<Shot> {
    let mut dice = SplitMix64::new(u64::from(seed) << 8);
    let frames = match sort {
        Sort::Single | Sort::SingleWarm => 1,
        Sort::MixedLight => 6,
        _ => 3 + dice.below(4),
    };
    let shot = |frame: usize| {
        let picture = match sort {
            Sort::Chart if frame == 1 => scenes.chart.clone(),
            _ => scenes.part(&mut dice, matches!(sort, Sort::Warm | Sort::SingleWarm)),
        };
        let light = light_of(sort, frame, &mut dice);
        let stops = dice.between(-0.7, 1.3);
        let truth = cells(|x, y| picture.pixels[(y * picture.width + x) as usize].map(f64::from));
        let scan = film.photograph(&picture, light, stops, seed * 16 + frame as u32);
        Shot { scan, truth, in_daylight: light == Light::DAYLIGHT }
    };
    (0..frames).map(shot).collect()
}

/// Density above base of a grey card in daylight.
fn grey_card_d(film: &DrawnFilm) -> [f64; 3] {
    let grey = Picture { width: 8, height: 8, pixels: vec![[0.2; 3]; 64] };
    let scan = film.photograph(&grey, Light::DAYLIGHT, 0.0, 3);
    let codes = |c: usize| scan.data().chunks_exact(3).map(move |px| f64::from(px[c])).collect::<Vec<_>>();
    [0, 1, 2].map(|c| -(mean(&codes(c)) / 65_535.0).log10() - film.base_d()[c])
}

fn lab(rgb: [f64; 3]) -> Lab {
    lab_from_xyz_d50(apply(&OutputSpace::Srgb.to_xyz_d50(), rgb))
}

/// Develops a frame to sRGB, a number of stops darker.
fn developed(
    shot: &Shot,
    base_d: [f64; 3],
    solve: &StripSolve,
    log_offset: [f64; 3],
    darker_stops: f64,
) -> Vec<f32> {
    let line: Vec<f32> = (0..=u16::MAX).map(|code| f32::from(code) / 65_535.0).collect();
    let stock = default_stock(KIND)
        .with_toe_ratio(solve.toe_ratio)
        .with_colour_strength(solve.colour_strength, solve.gamma_ratio);
    let recipe = Recipe {
        kind: KIND,
        linearisation: [&line; 3],
        base_d,
        stock: &stock,
        unmix_strength: 1.0,
        gamma_ratio: solve.gamma_ratio,
        solve_offset: log_offset.map(|log| log - darker_stops * 2_f64.log10()),
        cast_suggestion_cc: [0.0; 2],
        look: &Look::default(),
        rendering: Rendering::Straight,
        space: OutputSpace::Srgb,
        input_to_xyz: None,
    };
    let mut out = vec![0.0; shot.scan.data().len()];
    Pipeline::new(&recipe).run(
        PixelSource::pixels(shot.scan.data(), 3, 3),
        &[],
        PixelTarget::Pixels(&mut out),
    );
    out
}

/// Mean CIEDE2000 over the cells of a frame, after the best-fitting exposure factor; `None` for a frame that is nearly
/// all dark or white.
fn difference(shot: &Shot, base_d: [f64; 3], solve: &StripSolve, log_offset: [f64; 3]) -> Option<f64> {
    // One stop darker, so that nothing is white.
    let out = developed(shot, base_d, solve, log_offset, 1.0);
    let got = cells(|x, y| {
        let at = 3 * (y * SIZE.0 + x) as usize;
        [0, 1, 2].map(|c| decode(Transfer::Srgb, f64::from(out[at + c])))
    });
    let pairs: Vec<([f64; 3], Lab)> = got
        .into_iter()
        .zip(&shot.truth)
        .filter(|(_, truth)| truth.iter().all(|light| *light < 0.98))
        .map(|(got, truth)| (got, lab(*truth)))
        .filter(|(_, truth)| truth.l > 8.0)
        .collect();
    let at = |factor: f64| {
        let all = pairs.iter().map(|(got, truth)| delta_e_2000(lab(got.map(|v| v * factor)), *truth));
        mean(&all.collect::<Vec<_>>())
    };
    let factors = (0..=60).map(|step| 2.0_f64.powf(-1.0 + f64::from(step) / 15.0));
    let best = factors.map(at).min_by(f64::total_cmp);
    best.filter(|_| pairs.len() >= 20)
}

/// A solved strip: mean difference over its daylight frames, and the confidence shown to the user.
struct Row {
    seed: u32,
    delta_e: f64,
    confidence: f64,
    /// Counts of all frames and of those reported as lit differently: for daylight frames, and for the others.
    told: [(usize, usize); 2],
}

/// The frames of a strip and their solution.
fn solved(
    film: &DrawnFilm,
    sort: Sort,
    seed: u32,
    scenes: &Scenes,
    grey_point: bool,
) -> (Vec<Shot>, StripSolve) {
    let shots = shots(film, sort, seed, scenes);
    let stock = default_stock(KIND);
    let statistics: Vec<FrameStatistics> =
        shots.iter().map(|shot| measure_frame(&shot.scan, Some(film.base_d()), KIND, stock)).collect();
    let grey_points = if grey_point { vec![(0, grey_card_d(film))] } else { Vec::new() };
    let hints = SolveHints { grey_points, ..SolveHints::default() };
    let solve = solve_strip(&statistics, stock, KIND, BalanceMode::Strip, &hints);
    (shots, solve)
}

fn row(sort: Sort, seed: u32, scenes: &Scenes, grey_point: bool) -> Row {
    let film = DrawnFilm::new(seed);
    let (shots, solve) = solved(&film, sort, seed, scenes, grey_point);
    let frames = shots.iter().zip(&solve.frames).filter(|(shot, _)| shot.in_daylight);
    let differences: Vec<f64> = frames
        .filter_map(|(shot, frame)| difference(shot, film.base_d(), &solve, frame.log_offset))
        .collect();
    let mut told = [(0, 0); 2];
    for (shot, frame) in shots.iter().zip(&solve.frames) {
        let (all, other) = &mut told[usize::from(!shot.in_daylight)];
        *all += 1;
        *other += usize::from(frame.notes.iter().any(|note| note.starts_with(OTHER_LIGHT)));
    }
    Row { seed, delta_e: mean(&differences), confidence: f64::from(solve.confidence), told }
}

/// Writes the scenes of a strip, and the results below them.
fn write_pictures(
    path: &Path,
    sort: Sort,
    seed: u32,
    scenes: &Scenes,
    grey_point: bool,
) -> Result<(), Box<dyn Error>> {
    let film = DrawnFilm::new(seed);
    let (shots, solve) = solved(&film, sort, seed, scenes, grey_point);
    let frames: Vec<Vec<f32>> = shots
        .iter()
        .zip(&solve.frames)
        .map(|(shot, frame)| developed(shot, film.base_d(), &solve, frame.log_offset, 0.0))
        .collect();
    let mut codes = Vec::new();
    let code = |encoded: f64| (255.0 * encoded.clamp(0.0, 1.0)).round() as u8;
    for y in 0..SIZE.1 {
        for shot in &shots {
            for x in 0..SIZE.0 {
                let cell = shot.truth[(y / CELL * (SIZE.0 / CELL) + x / CELL) as usize];
                codes.extend(cell.map(|light| code(encode(Transfer::Srgb, light))));
            }
        }
    }
    for y in 0..SIZE.1 as usize {
        for frame in &frames {
            let line = 3 * SIZE.0 as usize;
            codes.extend(frame[y * line..(y + 1) * line].iter().map(|v| code(f64::from(*v))));
        }
    }
    glassine_tests::write_png8(path, (SIZE.0 * shots.len() as u32, 2 * SIZE.1), 3, &codes)?;
    Ok(())
}

fn p95(sorted: &[f64]) -> f64 {
    sorted.get((sorted.len().max(1) - 1) * 95 / 100).copied().unwrap_or(0.0)
}

fn print_row(name: &str, rows: &[&Row]) {
    let Some(worst) = rows.iter().max_by(|a, b| a.delta_e.total_cmp(&b.delta_e)) else { return };
    let mut all: Vec<f64> = rows.iter().map(|row| row.delta_e).collect();
    all.sort_by(f64::total_cmp);
    println!(
        "| {name} | {} | {:.0} % | {:.2} | {:.2} | {:.2} | {} |",
        rows.len(),
        100.0 * all.partition_point(|delta_e| *delta_e <= GOOD) as f64 / all.len() as f64,
        mean(&all),
        p95(&all),
        worst.delta_e,
        worst.seed
    );
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let scenes = Scenes::new()?;
    let jobs: Vec<(Sort, u32)> = SORTS
        .iter()
        .zip(0..)
        .flat_map(|((sort, _), nth)| (0..args.each).map(move |i| (*sort, args.first + 1000 * nth + i)))
        .collect();
    let rows: Vec<(Sort, Row)> =
        jobs.into_par_iter().map(|(sort, seed)| (sort, row(sort, seed, &scenes, args.grey_point))).collect();
    println!("# Automatic balance on strips drawn at random\n");
    println!(
        "Made by `cargo run --release -p glassine-bench --bin strips`, {} strips of each sort, seeds from {}{}: mean \
         CIEDE2000 of whole pictures, daylight frames of a strip, straight rendering, after one exposure factor a frame.\n",
        args.each,
        args.first,
        if args.grey_point { ", with a grey point" } else { "" }
    );
    println!(
        "| strips | number | within {GOOD:.0} | mean | 95 % | worst | its seed |\n|---|---|---|---|---|---|---|"
    );
    for (sort, name) in SORTS {
        let of_sort: Vec<&Row> = rows.iter().filter(|(of, _)| *of == sort).map(|(_, row)| row).collect();
        print_row(name, &of_sort);
        let worst = of_sort.iter().max_by(|a, b| a.delta_e.total_cmp(&b.delta_e));
        if let (Some(folder), Some(worst)) = (&args.pictures, worst) {
            std::fs::create_dir_all(folder)?;
            let path = folder.join(format!("{}.png", worst.seed));
            write_pictures(&path, sort, worst.seed, &scenes, args.grey_point)?;
        }
    }
    for (name, from, to) in [
        ("confidence below .2", 0.0, 0.2),
        ("confidence .2 to .4", 0.2, 0.4),
        ("confidence .4 to .6", 0.4, 0.6),
        ("confidence .6 to .8", 0.6, 0.8),
        ("confidence .8 and more", 0.8, 2.0),
    ] {
        let shown: Vec<&Row> =
            rows.iter().map(|(_, row)| row).filter(|row| (from..to).contains(&row.confidence)).collect();
        print_row(name, &shown);
    }
    let cant_tell = |sort: Sort| matches!(sort, Sort::Warm | Sort::Single | Sort::SingleWarm);
    let wrong = rows.iter().filter(|(sort, row)| cant_tell(*sort) && row.delta_e > GOOD);
    let sure = wrong.clone().filter(|(_, row)| row.confidence >= 0.5).count();
    println!(
        "\nOf {} strips of warm subjects or one frame that are wrong by more than {GOOD:.0}, {sure} show a confidence of .5 or more.",
        wrong.count()
    );
    println!();
    for (idx, name) in ["in daylight", "in another light"].into_iter().enumerate() {
        let count = |pick: fn(&(usize, usize)) -> usize| {
            rows.iter().map(|(_, row)| pick(&row.told[idx])).sum::<usize>()
        };
        println!(
            "Of {} frames {name}, {} are said to seem to be in another light.",
            count(|told| told.0),
            count(|told| told.1)
        );
    }
    Ok(())
}
