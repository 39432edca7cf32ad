//! Exports a folder of single frames as the program does and prints time, memory and size as one line of JSON.
//!
//! `cargo run --release -p glassine-bench --bin export_pace -- FRAMES OUT (plain|deflate|all|unrepaired) [COUNT]`
//!
//! `plain` and `deflate` run the steps of the reference exporter in `crates/bench/peers/export_peer.py`; `all` runs every
//! step.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use glassine_engine::{Engine, ExportRequest, SessionAt};
use glassine_film::{FilmKind, Param, default_stock};
use glassine_raster::{CancelToken, RegionSource as _, TiltedBox};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{
    BaseSource, Edit, FilmBase, FoundStripEdit, FrameSolve, NewFrame, ScanId, ScanRef, Session,
    TiffCompression,
};

/// Density of clear film in the generated frames: light of 0.62, 0.36, 0.22 (`BASE` of the script).
const BASE_D: [f64; 3] = [0.2076, 0.4437, 0.6576];

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let mut next = |what: &str| args.next().ok_or(format!("name {what}"));
    let (frames, out, kind) =
        (next("the folder of frames")?, next("the folder of results")?, next("a kind")?);
    let count: usize = next("").ok().and_then(|count| count.parse().ok()).unwrap_or(usize::MAX);
    let every_step = matches!(kind.as_str(), "all" | "unrepaired");
    let mut names: Vec<PathBuf> = Path::new(&frames)
        .read_dir()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            name.starts_with(if every_step { "infrared" } else { "frame" }) && name.ends_with(".tif")
        })
        .collect();
    names.sort();
    names.truncate(count);
    let mut session = Session::default();
    for (idx, name) in names.iter().enumerate() {
        session = add_frame(&session, name, idx, every_step)?;
    }
    let ids: Vec<_> = session.frames.iter().map(|frame| frame.id).collect();
    let mut looks = vec![
        (Param::SharpenAmount, 1.0),
        (Param::SharpenRadiusPx, 2.0),
        (Param::RepairStrength, f64::from(kind == "all")),
    ];
    if every_step {
        looks.extend([
            (Param::Saturation, 1.15),
            (Param::WeakColourBoost, 0.3),
            (Param::WarmthCc, 6.0),
            (Param::ShadowTintCc, -3.0),
            (Param::Contrast, 1.1),
        ]);
    }
    for (param, value) in looks {
        session = Edit::SetParam { frames: ids.clone(), param, value }.apply(&session)?;
    }
    let mut output = session.output.clone();
    output.compression = if kind == "deflate" { TiffCompression::Deflate } else { TiffCompression::None };
    (if every_step { "print" } else { "straight" }).clone_into(&mut output.rendering);
    let request =
        ExportRequest { output, ..ExportRequest::new(SessionAt::new(session, None), PathBuf::from(out)) };
    run(&request)
}

fn run(request: &ExportRequest) -> Result<(), Box<dyn Error>> {
    let engine = Engine::new();
    let idle_kib = status_kib("VmRSS")?;
    let (started, cpu) = (Instant::now(), cpu_seconds()?);
    let report = engine.export(request, &CancelToken::new(), &|_, _| ())?;
    let (wall, cpu) = (started.elapsed().as_secs_f64(), cpu_seconds()? - cpu);
    if let Some(failed) = report.failed.first() {
        return Err(failed.notice.to_string().into());
    }
    let pixels: u64 = report.written.iter().map(|f| u64::from(f.width_px) * u64::from(f.height_px)).sum();
    let bytes: u64 = report.written.iter().map(|file| file.bytes).sum();
    let rss_mib = (status_kib("VmHWM")? - idle_kib) / 1024.0;
    let megapixels = pixels as f64 / 1e6;
    let version = env!("CARGO_PKG_VERSION");
    println!(
        "{{\"wall\": {wall:.4}, \"cpu\": {cpu:.3}, \"rss_mib\": {rss_mib:.1}, \"bytes\": {bytes}, \
         \"megapixels\": {megapixels:.2}, \"version\": \"{version}\"}}"
    );
    Ok(())
}

fn add_frame(session: &Session, name: &Path, idx: usize, tilted: bool) -> Result<Session, Box<dyn Error>> {
    let scan = Scan::open(name, &OpenOptions::default())?;
    let (width_px, height_px) = (scan.width(), scan.height());
    let scan_ref = ScanRef {
        id: ScanId(0),
        path: std::path::absolute(name)?,
        infrared_path: None,
        width_px,
        height_px,
        ppi: Some(3200.0),
        planes: scan.info().planes.iter().map(|plane| plane.key().to_owned()).collect(),
        fingerprint: None,
        encoding: glassine_session::EncodingChoice::Linear,
        fourth_sample: Default::default(),
        ..ScanRef::default()
    };
    let session = Edit::AddScans(vec![scan_ref]).apply(session)?;
    let scan = session.scans.last().ok_or("the scan was not added")?.id;
    let mut crop = TiltedBox::from_edges(0.0, 0.0, f64::from(width_px), f64::from(height_px));
    if tilted {
        crop = TiltedBox {
            width_px: crop.width_px - 60.4,
            height_px: crop.height_px - 60.4,
            angle_rad: 0.008,
            ..crop
        };
    }
    let frame = NewFrame::in_box(crop);
    let strip = FoundStripEdit { frames: vec![frame], ..Default::default() };
    let film = FilmKind::ColourNegative;
    let stock_id = default_stock(film).id.clone();
    let mut session =
        Edit::ReplaceStrips { scan, film, stock_id, strips: vec![strip], keep: vec![] }.apply(&session)?;
    if let Some(strip) = session.strips.get_mut(idx) {
        Arc::make_mut(strip).base = Some(base());
    }
    if let Some(frame) = session.frames.get_mut(idx) {
        Arc::make_mut(frame).solve = Some(solve());
    }
    Ok(session)
}

fn base() -> FilmBase {
    FilmBase {
        density_d: BASE_D,
        pixels: 0,
        spread_d: [0.0; 3],
        recommended_tolerance_d: 0.05,
        confidence: 1.0,
        source: BaseSource::Typed,
        field: None,
    }
}

/// A solve that brings the middle of the generated densities near mid grey.
fn solve() -> FrameSolve {
    FrameSolve {
        log_offset: [-0.2; 3],
        exposure_stops: 0.0,
        balance_cc: [0.0; 2],
        cast_suggestion_cc: [0.0; 2],
        confidence: 1.0,
        notes: Vec::new(),
    }
}

/// A line of this process's status, in KiB.
fn status_kib(key: &str) -> Result<f64, Box<dyn Error>> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with(key)).ok_or("the system tells no memory")?;
    Ok(line.split_whitespace().nth(1).ok_or("the system tells no memory")?.parse()?)
}

/// Processor time of all threads; the system counts it in hundredths of a second.
fn cpu_seconds() -> Result<f64, Box<dyn Error>> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |at: usize| after_name.split_whitespace().nth(at).and_then(|t| t.parse::<f64>().ok());
    Ok((ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / 100.0)
}
