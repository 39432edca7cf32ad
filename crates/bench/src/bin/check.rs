//! Measures the scan check: faults planted into strips drawn at random, and false alarms on sound ones, as a table.
//!
//! ```text
//! cargo run --release -p glassine-bench --bin check -- [--first SEED] [--each N] [--clean N] [--only KIND]
//!     [--large] [--into tests/CHECK.md]
//! ```
#![expect(clippy::print_stdout, reason = "the table is the output")]

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::Parser;
use glassine_engine::{Engine, NewSessionRequest, ScanFault, ScanReport, SessionAt};
use glassine_filmsim::{FilmStock, Process, ScannerSpec, demo_spec, demo_strips, render_strip};
use glassine_layout::{CodedStrip, FilmTone, StripAxis, read_edge_codes};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16, TiltedBox};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_testdata::random::SplitMix64;
use glassine_testdata::scan_faults::Fault;
use glassine_testdata::strips::{Bed, Film, ORANGE, Scene, hash, row};
use glassine_testdata::tiff::{Form, Page, make_tiff};
use rayon::prelude::*;

#[derive(Debug, Parser)]
struct Args {
    /// Seed of the first strip
    #[arg(long, default_value_t = 1)]
    first: u64,
    /// Strips for each fault and strength
    #[arg(long, default_value_t = 8)]
    each: u64,
    /// Sound strips
    #[arg(long, default_value_t = 64)]
    clean: u64,
    /// Only faults whose name contains this
    #[arg(long, default_value = "")]
    only: String,
    /// Print every result to the error stream as it comes
    #[arg(long)]
    verbose: bool,
    /// Kinds of strips in turn: the first four are drawn simply, the others by the film simulator
    #[arg(long, default_value_t = KINDS)]
    kinds: u64,
    /// Plant the faults into these scans; a `truth.json` beside them may say where their pictures are
    #[arg(long, num_args = 1..)]
    on: Vec<PathBuf>,
    /// Keep the scans with a fault that is missed, and the sound ones with a finding, in this folder
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Time edge codes and check on a scan of 150 megapixels too
    #[arg(long)]
    large: bool,
    /// Write the page there
    #[arg(long)]
    into: Option<PathBuf>,
    /// Check these files instead, and print what is found
    files: Vec<PathBuf>,
}

const STRENGTHS: [&str; 4] = ["barely visible", "visible", "clear", "strong"];

type Planted = (&'static str, ScanFault, [Fault; 4]);

/// Every fault in four strengths, and what must be found.
fn faults() -> Vec<Planted> {
    use Fault as F;
    let of = |make: fn(f64) -> F, strengths: [f64; 4]| strengths.map(make);
    vec![
        ("clipped clear film", ScanFault::ClippedHigh, of(F::ClippedHigh, [0.004, 0.01, 0.05, 0.2])),
        ("clipped dense film", ScanFault::ClippedLow, of(F::ClippedLow, [0.004, 0.01, 0.05, 0.2])),
        ("noise in dense film", ScanFault::Noise, of(F::Noise, [0.15, 0.25, 0.5, 1.0])),
        ("stray light", ScanFault::StrayLight, of(F::StrayLight, [0.008, 0.015, 0.03, 0.06])),
        ("glow", ScanFault::Glow, of(F::Glow, [0.05, 0.08, 0.15, 0.3])),
        ("channel shift", ScanFault::ChannelShift, of(F::ChannelShift, [1.1, 1.5, 2.0, 3.0])),
        ("infrared shift", ScanFault::InfraredShift, of(F::InfraredShift, [3.0, 4.0, 6.0, 9.0])),
        ("interpolated", ScanFault::Resampled, of(F::Resampled, [1.25, 1.5, 2.0, 3.0])),
        ("uneven light", ScanFault::UnevenLight, of(F::UnevenLight, [0.09, 0.12, 0.18, 0.3])),
        ("bright column", ScanFault::Streaks, of(F::Column, [0.01, 0.02, 0.04, 0.15])),
        ("bright row", ScanFault::Streaks, of(F::Row, [0.01, 0.02, 0.04, 0.15])),
        (
            "lost row (twice: repeated, twice: black)",
            ScanFault::MissingLines,
            [true, true, false, false].map(|repeated| F::LostRow { repeated }),
        ),
        ("rows cut out (1, 2, 4, 9)", ScanFault::MissingLines, [1, 2, 4, 9].map(F::CutRows)),
        ("too soft for its pixels", ScanFault::Resolution, of(F::Soft, [1.0, 1.4, 2.0, 3.0])),
        ("codes under a curve", ScanFault::Curve, of(F::Gamma, [1.8, 1.8, 2.2, 2.4])),
        ("lossy compression (quality 95, 90, 75, 50)", ScanFault::Blocks, [95, 90, 75, 50].map(F::Blocks)),
        (
            "8 bits written as 16 (twice under a curve, twice linear)",
            ScanFault::ToneSteps,
            [true, true, false, false].map(|curved| F::EightBits { curved }),
        ),
        ("sharpened", ScanFault::Sharpened, of(F::Sharpened, [0.2, 0.4, 0.8, 1.5])),
        ("film not flat", ScanFault::NotFlat, of(F::NotFlat, [1.5, 2.0, 2.5, 3.5])),
        ("Newton rings", ScanFault::NewtonRings, of(F::NewtonRings, [0.01, 0.02, 0.04, 0.08])),
    ]
}

/// A sound scan.
struct Strip {
    kind: &'static str,
    scan: Samples16,
    ppi: f64,
    pictures: Vec<PixelRect>,
}

const KINDS: u64 = 8;

/// A scan of a file; its pictures are the quads of `frames` in a `truth.json` beside it, else its middle.
fn of_file(path: &Path) -> Result<Strip, Box<dyn Error>> {
    let scan = Scan::open(path, &OpenOptions::default())?;
    let size = (scan.width(), scan.height());
    let ppi = scan.info().ppi.map_or(400.0, |[x, _]| x.ppi());
    let samples = scan.read(PixelRect::of_size(size.0, size.1), &CancelToken::new())?;
    let truth = std::fs::read_to_string(path.with_file_name("truth.json")).unwrap_or_default();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap_or_default();
    let quad = |frame: &serde_json::Value| -> Option<PixelRect> {
        let corners: Vec<[f64; 2]> = serde_json::from_value(frame.get("inner_quad")?.clone()).ok()?;
        let side = |axis: usize, least: bool| {
            let values = corners.iter().map(|corner| corner[axis].max(0.0));
            if least { values.fold(f64::MAX, f64::min) } else { values.fold(0.0, f64::max) }
        };
        let (x0, y0) = (side(0, true) as u32 + 12, side(1, true) as u32 + 12);
        let (x1, y1) = (side(0, false) as u32, side(1, false) as u32);
        Some(PixelRect::new(x0, y0, x1.min(size.0) - 12, y1.min(size.1) - 12))
    };
    let frames = truth["frames"].as_array().cloned().unwrap_or_default();
    let mut pictures: Vec<PixelRect> = frames.iter().filter_map(quad).collect();
    if pictures.is_empty() {
        pictures.push(PixelRect::new(size.0 / 4, size.1 / 3, size.0 * 3 / 4, size.1 * 2 / 3));
    }
    Ok(Strip { kind: "file", scan: samples, ppi, pictures })
}

/// A strip for a seed; its kind follows from the seed.
fn strip(seed: u64, kinds: u64) -> Result<Strip, Box<dyn Error>> {
    let mut random = SplitMix64::new(seed);
    let ids: Vec<&str> = demo_strips().iter().map(|strip| strip.id.as_str()).collect();
    match seed % kinds.clamp(1, KINDS) {
        0 => Ok(of_bed("colour negative 135", &bed_135(&mut random, false))),
        1 => Ok(of_bed("colour negative 120", &bed_120(&mut random))),
        2 => Ok(of_bed("slide 135", &bed_135(&mut random, true))),
        3 => Ok(of_bed("colour negative 135, upright", &Bed { turned: true, ..bed_135(&mut random, false) })),
        kind => simulated(ids[(kind as usize - 4) % ids.len()], seed, &mut random),
    }
}

fn scenes(count: usize, slide: bool, random: &mut SplitMix64) -> Vec<Scene> {
    let scene = |random: &mut SplitMix64| match random.below(6) {
        _ if slide => Scene::OnSlide(random.below(1000) as u32),
        0 => Scene::ClearTop(random.below(1000) as u32),
        1 => Scene::Even(random.between(0.2, 1.0) as f32),
        _ => Scene::Photo(random.below(1000) as u32),
    };
    (0..count).map(|_| scene(random)).collect()
}

fn bed_135(random: &mut SplitMix64, slide: bool) -> Bed {
    let scenes = scenes(2 + random.below(4), slide, random);
    let length = 38.0 * scenes.len() as f64 + 2.0;
    Bed {
        width_mm: length + 22.0,
        height_mm: 52.0,
        ppi: random.between(300.0, 600.0),
        openings: vec![[6.0, 6.0, length + 16.0, 46.0]],
        films: vec![Film {
            x_mm: 11.0,
            y_mm: 25.5,
            length_mm: length,
            width_mm: 35.0,
            angle_deg: random.between(-1.2, 1.2),
            perforated: true,
            slide,
            base: if slide { [0.0016, 0.0014, 0.0018] } else { ORANGE },
            shots: row(1.5, 38.0, (36.0, 24.0), &scenes),
            leak_d: 0.0,
        }],
        infrared: true,
        turned: false,
        seed: random.below(1 << 30) as u32,
    }
}

fn bed_120(random: &mut SplitMix64) -> Bed {
    let scenes = scenes(2 + random.below(2), false, random);
    let (size, gap) = (*random.pick(&[41.5, 56.0, 70.0]).unwrap_or(&56.0), random.between(2.0, 6.0));
    let length = (size + gap) * scenes.len() as f64 + 12.0;
    Bed {
        width_mm: length + 22.0,
        height_mm: 80.0,
        ppi: random.between(250.0, 400.0),
        openings: vec![[6.0, 6.0, length + 17.0, 74.0]],
        films: vec![Film {
            x_mm: 11.0,
            y_mm: 40.5,
            length_mm: length,
            width_mm: 61.5,
            angle_deg: random.between(-1.0, 1.0),
            perforated: false,
            slide: false,
            base: ORANGE,
            shots: row(6.0, size + gap, (size, 56.0), &scenes),
            leak_d: 0.0,
        }],
        infrared: true,
        turned: false,
        seed: random.below(1 << 30) as u32,
    }
}

fn rects(areas: impl Iterator<Item = TiltedBox>, (width, height): (u32, u32)) -> Vec<PixelRect> {
    areas.map(|area| area.inset(12.0).pixel_bounds(width, height)).collect()
}

fn of_bed(kind: &'static str, bed: &Bed) -> Strip {
    let scan = bed.draw();
    let pictures = rects(bed.truth().into_iter().flatten(), (scan.width(), scan.height()));
    Strip { kind, scan, ppi: bed.ppi, pictures }
}

/// A strip of the film simulator with grain and dirt, on another film and a sound scanner of its own.
fn simulated(id: &str, seed: u64, random: &mut SplitMix64) -> Result<Strip, Box<dyn Error>> {
    let described = demo_strips().iter().find(|strip| strip.id == id).ok_or("no such strip")?;
    let mut spec = demo_spec(id, random.between(300.0, 450.0)).ok_or("no such strip")?;
    spec.seed = seed as u32;
    spec.angle_deg = random.between(-1.0, 1.0);
    if described.process == Process::ColourNegative && random.one_in(2) {
        spec.stock = FilmStock::Drawn(seed as u32);
    }
    let near =
        |random: &mut SplitMix64, size: f64| [random.between(-size, size), random.between(-size, size)];
    spec.scanner = ScannerSpec {
        lamp_falloff_frac: random.between(0.0, 0.035),
        flare_frac: random.between(0.0, 0.005),
        blur_px: [random.between(0.45, 0.7), random.between(0.45, 0.7), random.between(0.45, 0.7), 0.7],
        shift_px: [near(random, 0.25), [0.0; 2], near(random, 0.25), near(random, 0.7)],
        ..spec.scanner
    };
    let drawn = render_strip(&spec, &|_| (), &CancelToken::new())?;
    let size = (drawn.samples.width(), drawn.samples.height());
    let pictures = rects(drawn.truth.frames.iter().map(|frame| frame.area), size);
    let kind = match described.process {
        Process::ColourNegative => "simulated colour negative",
        Process::BlackAndWhite => "simulated black-and-white",
        Process::Slide => "simulated slide",
    };
    Ok(Strip { kind, scan: drawn.samples, ppi: drawn.ppi.ppi(), pictures })
}

fn write(path: &Path, scan: &Samples16) -> std::io::Result<()> {
    let mut page = Page::new(scan.width() as usize, scan.height() as usize, scan.channels().into(), 16);
    page.codes = scan.data().to_vec();
    page.extra = (scan.channels() == 4).then_some(0);
    page.rows = 64;
    std::fs::write(path, make_tiff(Form { big_endian: false, big: false }, &[page]))
}

/// Writes a scan and checks the file.
fn checked(folder: &Path, name: &str, scan: &Samples16, ppi: f64) -> Result<ScanReport, Box<dyn Error>> {
    let path = folder.join(format!("{name}.tif"));
    write(&path, scan)?;
    let request = NewSessionRequest { ppi: Some(ppi), ..NewSessionRequest::default() };
    let report = Engine::new().check_file(&path, &request, &CancelToken::new(), &|_, _| {});
    std::fs::remove_file(&path)?;
    report.map_err(|error| format!("{name}: {}", error.notice().headline).into())
}

struct Case {
    fault: Option<(usize, usize)>,
    seed: u64,
}

struct Result1 {
    case: Case,
    kind: &'static str,
    report: ScanReport,
}

fn carry_out(folder: &Path, case: Case, faults: &[Planted], args: &Args) -> Result<Result1, String> {
    let carry_out = || -> Result<(&'static str, ScanReport), Box<dyn Error>> {
        let strip = match args.on.get(case.seed as usize % args.on.len().max(1)) {
            Some(path) => of_file(path)?,
            None => strip(case.seed, args.kinds)?,
        };
        let name = format!("{}-{:?}", case.seed, case.fault).replace(['(', ')', ' '], "");
        let (scan, ppi) = match case.fault {
            Some((fault, strength)) => {
                faults[fault].2[strength].plant(&strip.scan, strip.ppi, &strip.pictures, case.seed)
            }
            None => (strip.scan, strip.ppi),
        };
        let report = checked(folder, &name, &scan, ppi)?;
        let is_right = match case.fault {
            Some((fault, _)) => names(&report, faults[fault].1),
            None => report.findings.is_empty(),
        };
        if let Some(kept) = args.keep.as_ref().filter(|_| !is_right) {
            write(&kept.join(format!("{name}.tif")), &scan)?;
        }
        Ok((strip.kind, report))
    };
    let (kind, report) = carry_out().map_err(|error| error.to_string())?;
    Ok(Result1 { case, kind, report })
}

fn main() -> Result<(), Box<dyn Error>> {
    let args = Args::parse();
    let faults: Vec<Planted> = faults().into_iter().filter(|(name, ..)| name.contains(&args.only)).collect();
    if !args.files.is_empty() {
        return check_files(&args.files);
    }
    let folder = tempfile::tempdir()?;
    let folder: PathBuf = folder.path().to_owned();
    let mut cases: Vec<Case> =
        (0..args.clean).map(|k| Case { fault: None, seed: args.first + 100_000 + k }).collect();
    for fault in 0..faults.len() {
        for strength in 0..STRENGTHS.len() {
            // Each fault and strength has strips of its own, of every kind in turn.
            let first = args.first
                + (fault as u64 * 1000 + strength as u64 * 100) * KINDS
                + strength as u64 * args.each;
            cases.extend((0..args.each).map(|k| Case { fault: Some((fault, strength)), seed: first + k }));
        }
    }
    let results: Vec<Result1> = cases
        .into_par_iter()
        .map(|case| {
            let result = carry_out(&folder, case, &faults, &args)?;
            if args.verbose {
                tell(&result, &faults);
            }
            Ok(result)
        })
        .collect::<Result<_, String>>()?;
    let mut page = page(&args, &results, &faults)?;
    if args.large {
        page += &timed(&folder.join("large.tif"), args.first)?;
    }
    match &args.into {
        Some(path) => std::fs::write(path, page)?,
        None => print!("{page}"),
    }
    Ok(())
}

/// Two pictures on 35 mm film at 4300 ppi, colours and infrared, 150 megapixels: each pixel of a drawing is four by four.
fn large(first: u64) -> (Samples16, f64) {
    const FACTOR: u32 = 4;
    const PPI: f64 = 4300.0;
    let mut random = SplitMix64::new(first);
    let pictures = [Scene::Photo(random.below(1000) as u32), Scene::Photo(random.below(1000) as u32)];
    let mut bed = bed_135(&mut random, false);
    bed.width_mm = 100.0;
    bed.ppi = PPI / f64::from(FACTOR);
    bed.openings = vec![[6.0, 6.0, 94.0, 46.0]];
    bed.films[0].length_mm = 78.0;
    bed.films[0].shots = row(1.5, 38.0, (36.0, 24.0), &pictures);
    let small = bed.draw();
    let mut scan = Samples16::zeroed(small.width() * FACTOR, small.height() * FACTOR, small.channels());
    let (channels, width) = (usize::from(small.channels()), scan.width() as usize);
    scan.data_mut().par_chunks_mut(width * channels).enumerate().for_each(|(y, out)| {
        let row = small.row(y as u32 / FACTOR);
        for (x, px) in out.chunks_exact_mut(channels).enumerate() {
            let from = x / FACTOR as usize * channels;
            for (c, (code, drawn)) in px.iter_mut().zip(&row[from..from + channels]).enumerate() {
                let noise = hash(x as i64, y as i64, c as u32) - 0.5;
                *code = (f32::from(*drawn) * (1.0 + 0.02 * noise)).min(65_535.0) as u16;
            }
        }
    });
    (scan, PPI)
}

/// Seconds for edge codes, and for the check once the overview is known; medians of five.
fn timed(path: &Path, first: u64) -> Result<String, Box<dyn Error>> {
    let (scan, ppi) = large(first);
    write(path, &scan)?;
    let megapixels = f64::from(scan.width()) * f64::from(scan.height()) / 1e6;
    drop(scan);
    let cancel = CancelToken::new();
    let request =
        NewSessionRequest { scans: vec![path.to_owned()], ppi: Some(ppi), ..NewSessionRequest::default() };
    let engine = Engine::new();
    let at = SessionAt::new(engine.new_session(&request, &cancel, &|_, _| {})?.session, None);
    let id = at.session.scans.first().ok_or("no scan")?.id;
    engine.check_scan(&at, id, &cancel, &|_, _| {})?;
    let file = Scan::open(path, &OpenOptions::default())?;
    let strip = at.session.strips.first().ok_or("no strip")?;
    let area = strip.film_area.ok_or("no film")?;
    let coded = CodedStrip {
        film_area: &area,
        axis: StripAxis::Across,
        tone: FilmTone::Negative,
        px_per_mm: ppi / glassine_raster::MM_PER_INCH,
        colour_channels: 3,
    };
    let mut runs: [Vec<f64>; 6] = Default::default();
    for _ in 0..5 {
        let begin = (Instant::now(), processor_s());
        read_edge_codes(&file, &coded, &cancel)?;
        let between = (Instant::now(), processor_s());
        engine.check_scan(&at, id, &cancel, &|_, _| {})?;
        let end = (Instant::now(), processor_s());
        let seconds = [
            (between.0 - begin.0).as_secs_f64(),
            (end.0 - between.0).as_secs_f64(),
            (end.0 - begin.0).as_secs_f64(),
            between.1 - begin.1,
            end.1 - between.1,
            end.1 - begin.1,
        ];
        runs.iter_mut().zip(seconds).for_each(|(runs, s)| runs.push(s));
    }
    let [codes, check, both, codes_cpu, check_cpu, both_cpu] = runs.map(|mut runs| {
        runs.sort_by(f64::total_cmp);
        runs[runs.len() / 2]
    });
    Ok(format!(
        "\nOn a scan of {megapixels:.0} megapixels with infrared, 16 bits, uncompressed and in memory, beside the overview, on \
         {} threads, medians of five: edge codes {codes:.2} s, check {check:.2} s, together {both:.2} s. Processor time, which \
         other programs on the machine disturb less: {codes_cpu:.2} s, {check_cpu:.2} s, together {both_cpu:.2} s.\n",
        rayon::current_num_threads()
    ))
}

/// Processor time of this program so far, all threads together, seconds; 0 where the system does not tell.
fn processor_s() -> f64 {
    /// Source: `proc_pid_stat(5)`: times are in clock ticks, of which Linux has 100 a second.
    const TICKS_PER_S: f64 = 100.0;
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // User and system time are fields 14 and 15; the name before field 3 may contain spaces.
    let fields = stat.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
    fields.filter_map(|field| field.parse::<f64>().ok()).sum::<f64>() / TICKS_PER_S
}

/// Whether a report names a fault. An enlarged scan has less detail than its pixels promise, so that each of these two
/// findings counts for the other.
fn names(report: &ScanReport, what: ScanFault) -> bool {
    report.has(what)
        || what == ScanFault::Resampled && report.has(ScanFault::Resolution)
        || what == ScanFault::Resolution && report.has(ScanFault::Resampled)
}

/// What was found, in short.
fn found(report: &ScanReport) -> String {
    let found = report.findings.iter().map(|finding| {
        let measure = finding.measure;
        let place =
            finding.place.map(|p| format!(" @{},{},{},{}", p.x0, p.y0, p.x1, p.y1)).unwrap_or_default();
        let degree = if finding.serious { "!" } else { "" };
        format!("{}{degree} {:.3}{place}", measure.what.key(), measure.value)
    });
    found.collect::<Vec<_>>().join(", ")
}

#[expect(clippy::print_stderr, reason = "for whoever works on the check")]
fn tell(Result1 { case, kind, report }: &Result1, faults: &[Planted]) {
    match case.fault {
        None => eprintln!("sound {} ({kind}): {}", case.seed, found(report)),
        Some((fault, strength)) => {
            let (_, what, strengths) = &faults[fault];
            let value = report.measured.iter().find(|m| m.what == *what).map(|m| m.value);
            let state = if names(report, *what) { "found" } else { "missed" };
            let strength = strengths[strength];
            eprintln!("{state} {strength:?} {} ({kind}): {value:?}; {}", case.seed, found(report));
        }
    }
}

fn check_files(files: &[PathBuf]) -> Result<(), Box<dyn Error>> {
    for file in files {
        let start = std::time::Instant::now();
        let request = NewSessionRequest::default();
        let report = Engine::new()
            .check_file(file, &request, &CancelToken::new(), &|_, _| {})
            .map_err(|error| error.notice().headline.clone())?;
        println!("{} ({:.2} s): {}", file.display(), start.elapsed().as_secs_f64(), found(&report));
        for measure in &report.measured {
            println!("    {} {:.3} (limit {:.3})", measure.what.key(), measure.value, measure.limit);
        }
    }
    Ok(())
}

/// Two-sided 95 % of the normal distribution.
const WILSON_Z: f64 = 1.96;

/// Between which shares the true one is, with a confidence of 95 %. Source: E. B. Wilson, 1927, score interval.
fn within(hits: usize, count: usize) -> String {
    let (n, share) = (count.max(1) as f64, hits as f64 / count.max(1) as f64);
    let z2 = WILSON_Z * WILSON_Z / n;
    let half = WILSON_Z * (share * (1.0 - share) / n + z2 / (4.0 * n)).sqrt();
    let [low, high] = [-half, half].map(|half| 100.0 * (share + z2 / 2.0 + half) / (1.0 + z2));
    format!("{low:.1} to {high:.1} % with a confidence of 95 %")
}

fn page(args: &Args, results: &[Result1], faults: &[Planted]) -> Result<String, std::fmt::Error> {
    let mut page = String::new();
    writeln!(page, "# The scan check on planted faults\n")?;
    writeln!(
        page,
        "Made by `cargo run --release -p glassine-bench --bin check`: {} strips for each fault and strength, {} sound \
         strips, seeds from {}; drawn strips and strips of the film simulator, of eight kinds in turn. A fault is found \
         if it is named; other findings on the same strip do not count. Bright columns and rows cross a picture. Rows are \
         cut out where the light steps by 1 % (0.004 D) on a tenth of the pictures' width at least; on blank film nobody \
         sees it.\n",
        args.each, args.clean, args.first
    )?;
    writeln!(page, "| fault | {} | all |\n|---|---|---|---|---|---|", STRENGTHS.join(" | "))?;
    let (mut all_found, mut all_planted) = (0, 0);
    for (idx, (name, what, kinds)) in faults.iter().enumerate() {
        let mut cells = Vec::new();
        let (mut found, mut planted) = (0, 0);
        for strength in 0..kinds.len() {
            let of = results.iter().filter(|result| result.case.fault == Some((idx, strength)));
            let (hits, count) = of.fold((0, 0), |(hits, count), result| {
                (hits + usize::from(names(&result.report, *what)), count + 1)
            });
            cells.push(format!("{hits} / {count}"));
            (found, planted) = (found + hits, planted + count);
        }
        (all_found, all_planted) = (all_found + found, all_planted + planted);
        writeln!(page, "| {name} | {} | {found} / {planted} |", cells.join(" | "))?;
    }
    writeln!(
        page,
        "\n{all_found} of {all_planted} found, {:.1} % ({}).\n",
        100.0 * all_found as f64 / all_planted.max(1) as f64,
        within(all_found, all_planted)
    )?;
    let mut kinds: BTreeMap<&str, [usize; 3]> = BTreeMap::new();
    for result in results.iter().filter(|result| result.case.fault.is_none()) {
        let [count, alarms, serious] = kinds.entry(result.kind).or_default();
        *count += 1;
        *alarms += usize::from(!result.report.findings.is_empty());
        *serious += usize::from(result.report.has_serious());
    }
    writeln!(page, "| sound strips | number | with any finding | with a serious one |\n|---|---|---|---|")?;
    let mut sums = [0; 3];
    for (kind, counts) in &kinds {
        writeln!(page, "| {kind} | {} | {} | {} |", counts[0], counts[1], counts[2])?;
        sums.iter_mut().zip(counts).for_each(|(sum, count)| *sum += count);
    }
    writeln!(page, "| all | {} | {} | {} |", sums[0], sums[1], sums[2])?;
    writeln!(
        page,
        "\nNeedless findings on {:.1} % of the sound strips ({}), serious ones on {:.1} % ({}).",
        100.0 * sums[1] as f64 / sums[0].max(1) as f64,
        within(sums[1], sums[0]),
        100.0 * sums[2] as f64 / sums[0].max(1) as f64,
        within(sums[2], sums[0])
    )?;
    Ok(page)
}
