//! Measures colour and layout figures of the whole program on strips of the film simulator, as a table.
//!
//! `cargo run --release -p glassine-bench --bin figures > tests/FIGURES.md`
//!
//! The simulator shares no formula with the colour science, but it is ours too. These figures therefore show what to
//! expect, not what is proved.
#![expect(clippy::print_stdout, reason = "the table is the output")]

use std::path::Path;

use glassine_engine::{ChartPlace, Engine, SessionAt, StockTarget};
use glassine_film::colour::{Lab, OutputSpace, Transfer, decode, delta_e_2000, lab_from_xyz_d50};
use glassine_film::matrix::apply;
use glassine_film::{BalanceMode, ChartEdition, FilmKind};
use glassine_filmsim::{
    FilmStock, FrameSpec, FrameTruth, Light, SceneId, StripSpec, StripTruth, demo_spec, demo_stock,
    render_strip,
};
use glassine_raster::{CancelToken, PixelRect, Point, RegionSource as _, Samples16, Scan};
use glassine_scanfile::{OpenOptions, Overwrite, write_rgbi};
use glassine_session::{Frame, Session};
use glassine_testdata::random::SplitMix64;
use glassine_tests::{export_request, new_session};

const PPI: f64 = 300.0;
type Rgb = [f64; 3];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("# Figures of the whole program on simulated strips\n");
    println!(
        "Made by `cargo run --release -p glassine-bench --bin figures`, straight rendering, sRGB, 16 bit, {PPI} ppi.\n"
    );
    println!("| figure | value |\n|---|---|");
    automatic()?;
    exposures()?;
    per_frame()?;
    rolls()?;
    silver()?;
    slide()?;
    Ok(())
}

/// Strips on disk with their session.
struct Case {
    engine: Engine,
    folder: tempfile::TempDir,
    truths: Vec<StripTruth>,
    session: Session,
}

impl Case {
    fn new(spec: &StripSpec, film: FilmKind, format: &str) -> Result<Self, Box<dyn std::error::Error>> {
        Self::of_roll(std::slice::from_ref(spec), film, format)
    }

    fn of_roll(
        specs: &[StripSpec],
        film: FilmKind,
        format: &str,
    ) -> Result<Self, Box<dyn std::error::Error>> {
        let folder = tempfile::tempdir()?;
        let (mut scans, mut truths) = (Vec::new(), Vec::new());
        for (idx, spec) in specs.iter().enumerate() {
            let strip = render_strip(spec, &|_| (), &CancelToken::new())?;
            let scan = folder.path().join(format!("strip {}.tif", idx + 1));
            write_rgbi(&scan, &strip.samples, strip.ppi, "strip", Overwrite::Never)?;
            scans.push(scan);
            truths.push(strip.truth);
        }
        let engine = Engine::new();
        let session = new_session(&engine, &scans, film, format).session;
        Ok(Self { engine, folder, truths, session })
    }

    /// Places among the session's frames of those that show a scene, strip by strip.
    fn frames_of(&self, scene: SceneId) -> Vec<usize> {
        let shows = |frame: &Frame| self.truth_of(frame).is_some_and(|truth| truth.scene == scene);
        let frames = self.session.frames.iter().enumerate();
        frames.filter(|(_, frame)| shows(frame)).map(|(idx, _)| idx).collect()
    }

    /// The drawn frame in which the middle of a found one lies.
    fn truth_of(&self, frame: &Frame) -> Option<&FrameTruth> {
        let scan = self.session.strip(frame.strip)?.scan;
        let nth = self.session.scans.iter().position(|known| known.id == scan)?;
        self.truths[nth].frames.iter().find(|truth| truth.area.contains(frame.crop.center))
    }

    fn at(&self) -> SessionAt {
        SessionAt::new(self.session.clone(), None)
    }

    /// Linear colours of a frame's patches in the exported picture, and the expected colours.
    fn patches(&self, session: &Session, idx: usize) -> Result<Vec<(Rgb, Lab)>, Box<dyn std::error::Error>> {
        let frame = &session.frames[idx];
        let folder = self.folder.path().join(format!("out {idx} {}", self.folder.path().read_dir()?.count()));
        let mut request =
            export_request(session.clone(), folder, |output| "straight".clone_into(&mut output.rendering));
        request.scope = glassine_engine::FrameScope::Only(vec![frame.id]);
        let report = self.engine.export(&request, &CancelToken::new(), &|_, _| ())?;
        let file = report.written.first().ok_or("nothing was written")?;
        let picture = read(&file.path)?;
        let truth = self.truth_of(frame).ok_or("a frame that was not drawn")?;
        let patches = truth.patches.iter().map(|patch| {
            let q = frame.crop.unit_from_scan(patch.center_px);
            let [l, a, b] = patch.lab_d50;
            (mean_light(&picture, q.x, q.y, patch.half_side_px * 0.8), Lab { l, a, b })
        });
        Ok(patches.collect())
    }
}

fn read(path: &Path) -> Result<Samples16, Box<dyn std::error::Error>> {
    let scan = glassine_scanfile::Scan::open(path, &OpenOptions::default())?;
    Ok(scan.read(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new())?)
}

fn mean_light(picture: &Samples16, u: f64, v: f64, half_px: f64) -> Rgb {
    let (x, y) = (u * f64::from(picture.width()), v * f64::from(picture.height()));
    let range = |at: f64, limit: u32| {
        let low = (at - half_px).max(0.0) as u32;
        low..((at + half_px) as u32).min(limit)
    };
    let mut sum = [0.0; 3];
    let mut count = 0.0;
    for row in range(y, picture.height()) {
        for column in range(x, picture.width()) {
            let px = picture.pixel(column, row);
            for (c, sum) in sum.iter_mut().enumerate() {
                let code = px.get(c).or(px.first()).copied().unwrap_or(0);
                *sum += decode(Transfer::Srgb, f64::from(code) / 65535.0);
            }
            count += 1.0;
        }
    }
    sum.map(|sum| sum / f64::max(count, 1.0))
}

fn lab(rgb: Rgb, factor: f64) -> Lab {
    lab_from_xyz_d50(apply(&OutputSpace::Srgb.to_xyz_d50(), rgb.map(|v| v * factor)))
}

/// The best-fitting exposure factor, and the differences after applying it.
fn differences(patches: &[(Rgb, Lab)]) -> (f64, Vec<f64>) {
    let at = |factor: f64| -> Vec<f64> {
        patches.iter().map(|(rgb, reference)| delta_e_2000(lab(*rgb, factor), *reference)).collect()
    };
    let best = (-120..=120)
        .map(|step| 2.0_f64.powf(f64::from(step) / 40.0))
        .min_by(|a, b| mean(&at(*a)).total_cmp(&mean(&at(*b))))
        .unwrap_or(1.0);
    (best, at(best))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn p95(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get((sorted.len().max(1) - 1) * 95 / 100).copied().unwrap_or(0.0)
}

fn chroma(patches: &[(Rgb, Lab)]) -> f64 {
    let steps = patches.iter().map(|(rgb, _)| lab(*rgb, 1.0)).filter(|lab| lab.l > 8.0);
    steps.map(|lab| lab.a.hypot(lab.b)).fold(0.0, f64::max)
}

/// The 24 patches, without the wedge behind them.
fn chart(patches: &[(Rgb, Lab)]) -> &[(Rgb, Lab)] {
    &patches[..24.min(patches.len())]
}

fn spec_of(id: &str, stock: &str) -> Result<StripSpec, Box<dyn std::error::Error>> {
    let mut spec = demo_spec(id, PPI).ok_or("no such demo strip")?;
    spec.stock = demo_stock(stock).ok_or("no such stock")?;
    Ok(spec)
}

fn set(frame: &mut FrameSpec, scene: SceneId, stops: f64) {
    frame.scene = scene;
    frame.stops = stops;
}

fn automatic() -> Result<(), Box<dyn std::error::Error>> {
    let case = Case::new(&spec_of("harbour", "lantern-200")?, FilmKind::ColourNegative, "6x4.5")?;
    let base = case.session.strips[0].base.as_ref().ok_or("no base")?;
    let error =
        (0..3).map(|c| (base.density_d[c] - case.truths[0].base_density[c]).abs()).fold(0.0, f64::max);
    println!("| film base, largest error of a channel | {error:.4} D |");
    let patches = case.patches(&case.session, 3)?;
    let (_, found) = differences(chart(&patches));
    println!(
        "| 24-patch chart, automatic, mean (p95) ΔE2000 after one exposure factor | {:.2} ({:.2}) |",
        mean(&found),
        p95(&found)
    );
    println!("| neutral wedge, automatic, largest C*ab | {:.2} |", chroma(&patches[24..]));
    let truth = &case.truths[0].frames[3].patches;
    let middle = |pick: fn(&Point<Scan>) -> f64| {
        [0, 5, 18, 23].iter().map(|i| pick(&truth[*i].center_px)).sum::<f64>() / 4.0
    };
    let (middle_x, middle_y) = (middle(|p| p.x), middle(|p| p.y));
    let outer = |idx: usize| -> Point<Scan> {
        let patch = &truth[idx];
        let away = |at: f64, from: f64| at + (at - from).signum() * patch.half_side_px * 1.3;
        Point::new(away(patch.center_px.x, middle_x), away(patch.center_px.y, middle_y))
    };
    let place = ChartPlace { corners: [outer(0), outer(5), outer(23), outer(18)] };
    let (at, cancel) = (case.at(), CancelToken::new());
    let frame = case.session.frames[3].id;
    match case.engine.measure_stock(
        &at,
        frame,
        &place,
        &StockTarget::Chart24(ChartEdition::Iso17321),
        "measured",
        &cancel,
    ) {
        Ok(report) => {
            let edits = case.engine.apply_stock(&at, &report.stock, &[case.session.strips[0].id], &cancel)?;
            let mut session = case.session.clone();
            for edit in edits {
                session = edit.apply(&session)?;
            }
            let (_, found) = differences(chart(&case.patches(&session, 3)?));
            println!(
                "| same, with a stock measured from the chart | {:.2} ({:.2}) |",
                mean(&found),
                p95(&found)
            );
        }
        Err(error) => println!("| same, with a stock measured from the chart | {error} |"),
    }
    Ok(())
}

/// Mean difference of each patch from its own mean over the frames, after one factor per frame.
fn spread(frames: &[Vec<(Rgb, Lab)>]) -> f64 {
    let labs: Vec<Vec<Lab>> = frames
        .iter()
        .map(|patches| {
            let (factor, _) = differences(chart(patches));
            chart(patches).iter().map(|(rgb, _)| lab(*rgb, factor)).collect()
        })
        .collect();
    let mut all = Vec::new();
    for patch in 0..labs[0].len() {
        let n = labs.len() as f64;
        let sum = |pick: fn(&Lab) -> f64| labs.iter().map(|frame| pick(&frame[patch])).sum::<f64>() / n;
        let middle = Lab { l: sum(|lab| lab.l), a: sum(|lab| lab.a), b: sum(|lab| lab.b) };
        all.extend(labs.iter().map(|frame| delta_e_2000(frame[patch], middle)));
    }
    mean(&all)
}

fn exposures() -> Result<(), Box<dyn std::error::Error>> {
    let mut spec = spec_of("headland", "lantern-200")?;
    for (frame, stops) in spec.frames.iter_mut().zip([-1.5, -0.7, 0.0, 0.7, 1.4, 2.0]) {
        set(frame, SceneId::Chart, stops);
    }
    let case = Case::new(&spec, FilmKind::ColourNegative, "135")?;
    let frames = (0..6).map(|idx| case.patches(&case.session, idx)).collect::<Result<Vec<_>, _>>()?;
    println!("| one chart from −1.5 to +2 stops, locked balance, mean spread | {:.2} |", spread(&frames));
    Ok(())
}

fn per_frame() -> Result<(), Box<dyn std::error::Error>> {
    let mut spec = spec_of("headland", "lantern-200")?;
    let scenes = [
        SceneId::Chart,
        SceneId::PaintedFronts,
        SceneId::Chart,
        SceneId::Coffee,
        SceneId::Chart,
        SceneId::SeedHeads,
    ];
    for ((frame, scene), stops) in spec.frames.iter_mut().zip(scenes).zip([-1.0, 0.3, 0.2, 0.0, 1.2, 0.0]) {
        set(frame, scene, stops);
    }
    let case = Case::new(&spec, FilmKind::ColourNegative, "135")?;
    let free = case.engine.with_balance(&case.at(), BalanceMode::Frame, &CancelToken::new())?;
    let frames = [0, 2, 4].into_iter().map(|idx| case.patches(&free, idx)).collect::<Result<Vec<_>, _>>()?;
    println!("| chart among strong colours, balance per frame, mean spread | {:.2} |", spread(&frames));
    Ok(())
}

/// Rolls drawn at random: film, scanner and light of each are its own.
const ROLLS: u32 = 12;
const STRIPS: usize = 6;

/// Six strips of a roll with a chart on each, every strip scanned with another exposure and on a slightly other base.
fn roll(seed: u32) -> Result<Vec<StripSpec>, Box<dyn std::error::Error>> {
    let mut random = SplitMix64::new(u64::from(seed));
    let subjects: Vec<SceneId> = SceneId::ALL.into_iter().filter(|scene| *scene != SceneId::Chart).collect();
    let light = Light { kelvin: random.between(5000.0, 6200.0), green_line: 0.0 };
    let mut strips = Vec::new();
    for strip in 0..STRIPS {
        let mut spec = demo_spec("headland", PPI).ok_or("no such demo strip")?;
        spec.stock = FilmStock::Drawn(seed);
        spec.seed = seed * STRIPS as u32 + strip as u32;
        spec.angle_deg = random.between(-0.8, 0.8);
        let chart = random.below(spec.frames.len());
        for (idx, frame) in spec.frames.iter_mut().enumerate() {
            let scene = if idx == chart { SceneId::Chart } else { subjects[random.below(subjects.len())] };
            set(frame, scene, random.between(-0.7, 1.3));
            // One picture in eight by lamplight or in the shade.
            let other = [random.between(2700.0, 3200.0), random.between(8000.0, 12_000.0)];
            let is_other = idx != chart && random.one_in(8);
            frame.light =
                if is_other { Light { kelvin: other[random.below(2)], green_line: 0.0 } } else { light };
        }
        let exposure = random.between(0.75, 1.0);
        for light in &mut spec.scanner.open_light_frac[..3] {
            *light *= exposure * 10.0_f64.powf(random.between(-0.01, 0.01));
        }
        spec.scanner.lamp_falloff_frac = random.between(0.0, 0.03);
        spec.scanner.flare_frac = random.between(0.0, 0.005);
        strips.push(spec);
    }
    Ok(strips)
}

fn rolls() -> Result<(), Box<dyn std::error::Error>> {
    let mut spreads = Vec::new();
    for seed in 0..ROLLS {
        let case = Case::of_roll(&roll(701 + seed)?, FilmKind::ColourNegative, "135")?;
        let charts = case.frames_of(SceneId::Chart);
        if charts.len() != STRIPS {
            return Err(format!("{} of {STRIPS} charts were found", charts.len()).into());
        }
        let frames =
            charts.into_iter().map(|idx| case.patches(&case.session, idx)).collect::<Result<Vec<_>, _>>()?;
        spreads.push(spread(&frames));
    }
    spreads.sort_by(f64::total_cmp);
    println!(
        "| {ROLLS} rolls of {STRIPS} strips, one chart a strip, locked balance, spread over the strips, mean (largest) | \
         {:.2} ({:.2}) |",
        mean(&spreads),
        spreads.last().copied().unwrap_or(0.0)
    );
    Ok(())
}

fn silver() -> Result<(), Box<dyn std::error::Error>> {
    let mut spec = spec_of("harbour", "fathom-400")?;
    set(&mut spec.frames[3], SceneId::Chart, 0.0);
    let case = Case::new(&spec, FilmKind::BlackAndWhite, "6x4.5")?;
    println!(
        "| black-and-white wedge, largest C*ab | {:.2} |",
        chroma(&case.patches(&case.session, 3)?[24..])
    );
    Ok(())
}

fn slide() -> Result<(), Box<dyn std::error::Error>> {
    let mut spec = spec_of("islands", "meridian-50")?;
    set(&mut spec.frames[1], SceneId::Chart, 0.0);
    let case = Case::new(&spec, FilmKind::Slide, "135")?;
    let (_, found) = differences(chart(&case.patches(&case.session, 1)?));
    println!(
        "| slide, 24-patch chart against the scene, the film's own contrast included, mean (p95) ΔE2000 | {:.2} ({:.2}) |",
        mean(&found),
        p95(&found)
    );
    Ok(())
}
