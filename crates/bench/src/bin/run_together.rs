//! Master, archive negative, web picture and contact sheet of frames of 12 megapixels, in one run and one by one; prints
//! the ratio as one line of JSON.
//!
//! `cargo run --release -p glassine-bench --bin run_together -- FOLDER [COUNT]`
//!
//! The frames are made in the folder on first use: colours, infrared, grain and dust, 96 MB each. Every run begins with a
//! new engine, so that nothing is kept from the one before.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;

use glassine_engine::{ContactSheetRequest, Engine, ExportRequest, SessionAt, SheetLayout};
use glassine_film::{FilmKind, Param, default_stock};
use glassine_raster::{CancelToken, ResolutionPpi, TiltedBox};
use glassine_scanfile::{Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use glassine_session::{
    BaseSource, Edit, EncodingChoice, ExportRecipe, FilmBase, FoundStripEdit, NewFrame, OutputKind, ScanRef,
    Session,
};
use glassine_testdata::random::SplitMix64;

const WIDTH: u32 = 4000;
const HEIGHT: u32 = 3000;

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let folder = PathBuf::from(args.next().ok_or("name a folder")?);
    let count: usize = args.next().and_then(|count| count.parse().ok()).unwrap_or(36);
    std::fs::create_dir_all(&folder)?;
    let mut scans = Vec::new();
    for idx in 0..count {
        let path = folder.join(format!("frame {idx:02}.tif"));
        if !path.is_file() {
            write_frame(&path, idx as u64)?;
        }
        // Read once, so that every run finds it in memory as far as that reaches.
        std::io::copy(&mut std::fs::File::open(&path)?, &mut std::io::sink())?;
        scans.push(std::path::absolute(&path)?);
    }
    let session = session_of(scans)?;
    let kinds = [OutputKind::Master, OutputKind::ArchiveNegative, OutputKind::Web];
    let mut single = Vec::new();
    for kind in kinds {
        single.push(run(&session, &folder, &[kind], false)?);
    }
    single.push(run(&session, &folder, &[], true)?);
    let together = run(&session, &folder, &kinds, true)?;
    let sum = |which: fn(&Cost) -> f64| single.iter().map(which).sum::<f64>();
    let (wall, cpu) = (sum(|cost| cost.wall_s), sum(|cost| cost.cpu_s));
    let parts: Vec<String> = single.iter().map(|cost| format!("{:.2}", cost.wall_s)).collect();
    println!(
        "{{\"frames\": {count}, \"single_s\": [{}], \"together_s\": {:.2}, \"ratio\": {:.3}, \"cpu_ratio\": {:.3}}}",
        parts.join(", "),
        together.wall_s,
        together.wall_s / wall,
        together.cpu_s / cpu
    );
    Ok(())
}

struct Cost {
    wall_s: f64,
    cpu_s: f64,
}

/// One run with a new engine; its files are removed afterwards.
fn run(session: &Session, folder: &Path, kinds: &[OutputKind], sheet: bool) -> Result<Cost, Box<dyn Error>> {
    let out = folder.join("out");
    if out.exists() {
        std::fs::remove_dir_all(&out)?;
    }
    std::fs::create_dir_all(&out)?;
    let at = SessionAt::new(session.clone(), None);
    let sheet = sheet.then(|| {
        Box::new(ContactSheetRequest {
            at: at.clone(),
            path: out.join("sheet.pdf"),
            layout: SheetLayout::default(),
            replace: false,
            output: session.output.clone(),
            name: String::new(),
            made_on: String::new(),
        })
    });
    let (engine, cancel) = (Engine::new(), CancelToken::new());
    let (started, cpu) = (Instant::now(), cpu_seconds()?);
    let failed = if kinds.is_empty() {
        let sheet = sheet.ok_or("nothing to do")?;
        engine.contact_sheet(&sheet, &cancel, &|_, _| ())?.failed
    } else {
        let recipes = kinds.iter().map(|kind| ExportRecipe::of_kind(*kind)).collect::<Vec<_>>();
        let request = ExportRequest { sheet, ..ExportRequest::new(at, out.clone()) };
        let request = request.in_kinds(ExportRecipe::settings_of(&recipes, &session.output));
        engine.export(&request, &cancel, &|_, _| ())?.failed
    };
    if let Some(failed) = failed.first() {
        return Err(failed.notice.to_string().into());
    }
    let cost = Cost { wall_s: started.elapsed().as_secs_f64(), cpu_s: cpu_seconds()? - cpu };
    std::fs::remove_dir_all(&out)?;
    Ok(cost)
}

/// Numbers that look random, one for each `n`.
fn noise(n: u64) -> f64 {
    SplitMix64::new(n).unit()
}

/// A negative of waves and grain with two hundred specks that hold back infrared too.
fn write_frame(path: &Path, seed: u64) -> Result<(), Box<dyn Error>> {
    let at = |n: u64| noise(seed * 1_000_003 + n);
    let specks: Vec<[f64; 3]> = (0..200)
        .map(|n| [at(3 * n) * f64::from(WIDTH), at(3 * n + 1) * f64::from(HEIGHT), 2.0 + 6.0 * at(3 * n + 2)])
        .collect();
    let spec = PictureSpec {
        width_px: WIDTH,
        height_px: HEIGHT,
        channels: 4,
        bits: 16,
        ppi: ResolutionPpi::new(2800.0),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Never,
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    for y in 0..HEIGHT {
        let near: Vec<_> = specks.iter().filter(|s| (s[1] - f64::from(y)).abs() <= s[2]).collect();
        let mut row = Vec::with_capacity(WIDTH as usize * 4);
        for x in 0..WIDTH {
            let (fx, fy) = (f64::from(x), f64::from(y));
            let dust = near.iter().any(|s| (s[0] - fx).powi(2) + (s[1] - fy).powi(2) <= s[2] * s[2]);
            let held = if dust { 0.35 } else { 1.0 };
            let wave = 0.5 + 0.25 * (fx / 310.0 + seed as f64).sin() + 0.25 * (fy / 190.0).cos();
            let grain = 0.02 * (noise(u64::from(y * WIDTH + x) ^ (seed << 40)) - 0.5);
            let density_d = 0.15 + 0.9 * wave + grain;
            for base_d in [0.21, 0.44, 0.66] {
                row.push((65_535.0 * 10.0_f64.powf(-(density_d + base_d)) * held) as u16);
            }
            row.push((52_000.0 * held + 300.0 * grain) as u16);
        }
        writer.write_rows_u16(&row)?;
    }
    writer.finish()?;
    Ok(())
}

fn session_of(scans: Vec<PathBuf>) -> Result<Session, Box<dyn Error>> {
    let film = FilmKind::ColourNegative;
    let mut session = Session::default();
    for path in scans {
        let scan = ScanRef {
            path,
            width_px: WIDTH,
            height_px: HEIGHT,
            ppi: Some(2800.0),
            planes: ["red", "green", "blue", "infrared"].map(str::to_owned).to_vec(),
            encoding: EncodingChoice::Linear,
            ..ScanRef::default()
        };
        session = Edit::AddScans(vec![scan]).apply(&session)?;
        let scan = session.scans.last().ok_or("the scan was not added")?.id;
        let (right, bottom) = (f64::from(WIDTH) - 20.0, f64::from(HEIGHT) - 20.0);
        let frame = NewFrame::in_box(TiltedBox::from_edges(20.0, 20.0, right, bottom));
        let strip = FoundStripEdit { frames: vec![frame], ..Default::default() };
        let stock_id = default_stock(film).id.clone();
        session = Edit::ReplaceStrips { scan, film, stock_id, strips: vec![strip], keep: vec![] }
            .apply(&session)?;
    }
    for strip in session.strips.iter().map(|strip| strip.id).collect::<Vec<_>>() {
        let base = FilmBase {
            density_d: [0.21, 0.44, 0.66],
            pixels: 0,
            spread_d: [0.0; 3],
            recommended_tolerance_d: 0.05,
            confidence: 1.0,
            source: BaseSource::Typed,
            field: None,
        };
        session = Edit::SetBase { strip, base: Some(base) }.apply(&session)?;
    }
    let frames: Vec<_> = session.frames.iter().map(|frame| frame.id).collect();
    for (param, value) in
        [(Param::RepairStrength, 1.0), (Param::SharpenAmount, 1.0), (Param::SharpenRadiusPx, 1.5)]
    {
        session = Edit::SetParam { frames: frames.clone(), param, value }.apply(&session)?;
    }
    Ok(session)
}

/// Processor time of all threads; the system counts it in hundredths of a second.
fn cpu_seconds() -> Result<f64, Box<dyn Error>> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |at: usize| after_name.split_whitespace().nth(at).and_then(|t| t.parse::<f64>().ok());
    Ok((ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / 100.0)
}
