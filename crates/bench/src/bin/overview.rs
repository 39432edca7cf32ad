//! Times the overview of a gigapixel scan against libvips, and how soon something is on screen.
//!
//! `cargo run --release -p glassine-bench --bin overview -- [--file FILE] [--side 33000] [--pairs 5]
//!  [--python /path/to/python-with-pyvips] [--into tests/SPEED.md]`
//!
//! Without `--file` the bench writes a `BigTIFF` of `side` x `side` px (6.5 GB) to the folder for temporary files and
//! removes it afterwards. Every run is a separate process: Glassine and libvips in turn, after one uncounted run of
//! each; medians are printed. With `--into` the section between the overview markers of that page is added or replaced.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::fmt::Write as _;
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use glassine_engine::{Engine, NewSessionRequest, SessionAt};
use glassine_raster::CancelToken;
use glassine_scanfile::{OpenOptions, Scan, overview_factor};
use glassine_session::{Edit, ScanId, Session};
use glassine_testdata::random::Xorshift;
use glassine_testdata::tiff::HollowTiff;
use serde_json::{Value, json};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// Longest side of the program's overview, and of one that fills a screen.
const SIDES_PX: [u32; 2] = [4096, 1650];
const BEGIN: &str = "<!-- overview:begin -->";
const END: &str = "<!-- overview:end -->";

const VIPS: &str = r#"
import json, resource, sys, time
import pyvips
begun, spent = time.perf_counter(), time.process_time()
side = int(sys.argv[2])
picture = pyvips.Image.thumbnail(sys.argv[1], side, height=side, size="down")
codes = picture.write_to_memory()
print(json.dumps({
    "wall_s": time.perf_counter() - begun,
    "cpu_s": time.process_time() - spent,
    "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    "width": picture.width,
    "version": "libvips %d.%d.%d" % tuple(pyvips.version(i) for i in range(3)),
}))
"#;

const FORGET: &str = r#"
import os, sys
file = os.open(sys.argv[1], os.O_RDONLY)
os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
"#;

fn main() -> Outcome<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.first().map(String::as_str) {
        Some("one") => one(Path::new(&args[1]), args[2].parse()?),
        Some("new") => new(Path::new(&args[1])),
        Some("open") => open(Path::new(&args[1]), Path::new(&args[2])),
        _ => bench(&args),
    }
}

/// Makes one overview in a separate process.
fn one(path: &Path, side_px: u32) -> Outcome<()> {
    let begun = Instant::now();
    let scan = Scan::open(path, &OpenOptions::default())?;
    let info = scan.info();
    let factor = overview_factor(info.width_px, info.height_px, side_px);
    let picture = scan.reduced(factor, None, &CancelToken::new(), &|_| {})?;
    report(begun, &json!({ "width": picture.width() }))
}

/// From a session to a coarse picture and to the overview, as the window requests them.
fn open(path: &Path, session: &Path) -> Outcome<()> {
    let begun = Instant::now();
    let engine = Engine::new();
    engine.work_beside(Some(session));
    let at = session_of(path)?;
    let cancel = CancelToken::new();
    let first = engine.coarse_overview(&at, ScanId(1), &cancel)?;
    let first_s = begun.elapsed().as_secs_f64();
    let picture = engine.scan_picture(&at, ScanId(1), &cancel, &|_| {})?;
    let full_s = begun.elapsed().as_secs_f64();
    let told = json!({
        "width": picture.width_px,
        "first_s": first.as_ref().map(|_| first_s),
        "first_width": first.map(|first| first.width_px),
        "full_s": full_s,
    });
    report(begun, &told)?;
    engine.settle();
    Ok(())
}

/// From a scan to a session, as `glassine new` makes it: hash, overview, frames, base, solve.
fn new(path: &Path) -> Outcome<()> {
    let begun = Instant::now();
    let engine = Engine::new();
    let request = NewSessionRequest { scans: vec![path.to_owned()], ..NewSessionRequest::default() };
    let made = engine.new_session(&request, &CancelToken::new(), &|_, _| {})?;
    report(begun, &json!({ "frames": made.session.frames.len(), "strips": made.session.strips.len() }))
}

fn session_of(path: &Path) -> Outcome<SessionAt> {
    let scan = glassine_session::ScanRef {
        id: ScanId(1),
        path: path.to_owned(),
        infrared_path: None,
        width_px: 1,
        height_px: 1,
        ppi: None,
        planes: Vec::new(),
        fingerprint: None,
        encoding: Default::default(),
        fourth_sample: Default::default(),
        ..Default::default()
    };
    let session = Edit::AddScans(vec![scan]).apply(&Session::default())?;
    Ok(SessionAt::new(session, None))
}

fn report(begun: Instant, more: &Value) -> Outcome<()> {
    let mut told = more.clone();
    told["wall_s"] = json!(begun.elapsed().as_secs_f64());
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    let fields: Vec<&str> = stat.rsplit(") ").next().unwrap_or_default().split(' ').collect();
    // Fields 14 and 15 of proc(5), counted after the name; 100 ticks a second on Linux.
    let ticks: f64 = fields[11].parse::<f64>()? + fields[12].parse::<f64>()?;
    told["cpu_s"] = json!(ticks / 100.0);
    let status = std::fs::read_to_string("/proc/self/status")?;
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).ok_or("no peak")?;
    told["peak_mib"] = json!(peak.trim().trim_end_matches(" kB").parse::<f64>()? / 1024.0);
    println!("{told}");
    Ok(())
}

struct Choices {
    file: Option<PathBuf>,
    side_px: u32,
    pairs: usize,
    python: String,
    into: Option<PathBuf>,
}

fn choices(args: &[String]) -> Outcome<Choices> {
    let value = |name: &str| args.iter().position(|arg| arg == name).and_then(|at| args.get(at + 1)).cloned();
    Ok(Choices {
        file: value("--file").map(PathBuf::from),
        side_px: value("--side").map_or(Ok(33_000), |text| text.parse())?,
        pairs: value("--pairs").map_or(Ok(5), |text| text.parse())?,
        python: value("--python").unwrap_or_else(|| "python3".to_owned()),
        into: value("--into").map(PathBuf::from),
    })
}

fn child(program: &str, args: &[&str]) -> Outcome<Value> {
    let output = Command::new(program).args(args).output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    Ok(serde_json::from_slice(&output.stdout).unwrap_or(Value::Null))
}

fn median(runs: &[Value], key: &str) -> f64 {
    let mut values: Vec<f64> = runs.iter().filter_map(|run| run[key].as_f64()).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn bench(args: &[String]) -> Outcome<()> {
    let choices = choices(args)?;
    let folder = tempfile::tempdir()?;
    let file = match &choices.file {
        Some(file) => std::path::absolute(file)?,
        None => {
            let path = folder.path().join("giant.tif");
            make_giant(&path, choices.side_px)?;
            path
        }
    };
    let own = std::env::current_exe()?.display().to_string();
    let path = file.display().to_string();
    let info = Scan::open(&file, &OpenOptions::default())?.info().clone();
    let bytes = std::fs::metadata(&file)?.len();
    let mut page = String::new();
    writeln!(
        page,
        "{} x {} px ({:.2} gigapixels), {}, {:.2} GB; medians of {} runs in turn, file in memory unless said.\n",
        info.width_px,
        info.height_px,
        f64::from(info.width_px) * f64::from(info.height_px) / 1e9,
        info.container,
        bytes as f64 / 1e9,
        choices.pairs
    )?;
    writeln!(
        page,
        "| overview | wall s | CPU s | peak MiB | wall against libvips | memory against libvips |"
    )?;
    writeln!(page, "|---|---|---|---|---|---|")?;
    for side in SIDES_PX {
        let side = overview_factor(info.width_px, info.height_px, side);
        let side = info.width_px.max(info.height_px).div_ceil(side).to_string();
        compare(&own, &choices, &path, &side, &mut page)?;
    }
    opening(&own, &choices, &path, folder.path(), &mut page)?;
    let made = child(&own, &["new", &path])?;
    writeln!(
        page,
        "\nA session from it (hash, overview, frames, base, solve): {} frames on {} strips in {:.1} s, {:.1} s of CPU, at \
         most {:.0} MiB.",
        made["frames"],
        made["strips"],
        median(std::slice::from_ref(&made), "wall_s"),
        median(std::slice::from_ref(&made), "cpu_s"),
        median(std::slice::from_ref(&made), "peak_mib")
    )?;
    println!("{page}");
    match &choices.into {
        Some(target) => put_section(target, &page),
        None => Ok(()),
    }
}

fn compare(own: &str, choices: &Choices, path: &str, side: &str, page: &mut String) -> Outcome<()> {
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for nth in 0..=choices.pairs {
        let a = child(own, &["one", path, side])?;
        let b = child(&choices.python, &["-c", VIPS, path, side])?;
        if nth > 0 {
            ours.push(a);
            theirs.push(b);
        }
    }
    let ratios: Vec<Value> = ours
        .iter()
        .zip(&theirs)
        .map(|(a, b)| {
            let share = |key: &str| a[key].as_f64().unwrap_or(f64::NAN) / b[key].as_f64().unwrap_or(f64::NAN);
            json!({ "wall": 1.0 / share("wall_s"), "memory": share("peak_mib") })
        })
        .collect();
    let version = theirs[0]["version"].as_str().unwrap_or("libvips").to_owned();
    for (name, runs) in [("Glassine".to_owned(), &ours), (version, &theirs)] {
        write!(
            page,
            "| {name}, {} px wide | {:.2} | {:.2} | {:.0} |",
            runs[0]["width"],
            median(runs, "wall_s"),
            median(runs, "cpu_s"),
            median(runs, "peak_mib"),
        )?;
        if name == "Glassine" {
            writeln!(page, " {:.2} x faster | {:.2} |", median(&ratios, "wall"), median(&ratios, "memory"))?;
        } else {
            writeln!(page, " | |")?;
        }
    }
    Ok(())
}

/// How soon something is on screen: the first time, also from a cold disk, and the next time.
fn opening(own: &str, choices: &Choices, path: &str, folder: &Path, page: &mut String) -> Outcome<()> {
    let session = folder.join("giant.session.json").display().to_string();
    let kept = folder.join("giant.session.cache");
    let (mut cold, mut warm, mut again) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..choices.pairs.min(5) {
        for (is_cold, runs) in [(true, &mut cold), (false, &mut warm)] {
            if kept.exists() {
                std::fs::remove_dir_all(&kept)?;
            }
            if is_cold {
                child(&choices.python, &["-c", FORGET, path])?;
            }
            runs.push(child(own, &["open", path, &session])?);
        }
        again.push(child(own, &["open", path, &session])?);
    }
    writeln!(
        page,
        "\n| opening in the engine, as the window does | coarse picture s | overview s | peak MiB |"
    )?;
    writeln!(page, "|---|---|---|---|")?;
    for (name, runs) in
        [("first time, nothing in memory", &cold), ("first time", &warm), ("again, kept overview", &again)]
    {
        writeln!(
            page,
            "| {name} | {:.3} | {:.3} | {:.0} |",
            median(runs, "first_s"),
            median(runs, "full_s"),
            median(runs, "peak_mib")
        )?;
    }
    Ok(())
}

fn put_section(target: &Path, page: &str) -> Outcome<()> {
    let mut old =
        std::fs::read_to_string(target).unwrap_or_else(|_| "# Speed, memory and latency\n".to_owned());
    if !old.contains(BEGIN) {
        write!(old, "\n## Overviews of gigapixel scans\n{BEGIN}\n{END}\n")?;
    }
    let (Some(begin), Some(end)) = (old.find(BEGIN), old.find(END)) else {
        return Err("the page has only one of the overview markers".into());
    };
    let new = format!("{}{BEGIN}\n{page}{}", &old[..begin], &old[end..]);
    Ok(std::fs::write(target, new)?)
}

/// A sheet of eight strips of a colour negative in a holder, 4800 ppi, uncompressed, one row per TIFF strip.
fn make_giant(path: &Path, side_px: u32) -> Outcome<()> {
    println!("making {} ({:.1} GB)", path.display(), f64::from(side_px).powi(2) * 6.0 / 1e9);
    let hollow = HollowTiff { width_px: side_px, height_px: side_px, rows_per_strip: 1, ppi: Some(4800) };
    let mut file = hollow.create(path)?;
    file.seek(SeekFrom::Start(hollow.rows_at()))?;
    let mut file = std::io::BufWriter::with_capacity(4 << 20, file);
    let mut random = Xorshift::new(0x9E37_79B9_7F4A_7C15);
    let noise: Vec<i32> = (0..1 << 20).map(|_| random.below(1200) as i32 - 600).collect();
    let mut row = Vec::with_capacity(hollow.row_bytes() as usize);
    for y in 0..side_px {
        row.clear();
        let grain = (u64::from(y) * 7919 * 131) as usize;
        for x in 0..side_px {
            for (c, code) in code_at(x, y, side_px).into_iter().enumerate() {
                let n = noise[(grain + x as usize * 3 + c) & (noise.len() - 1)];
                row.extend((code + code * n / 20_000).clamp(0, 65_535).to_le_bytes()[..2].iter());
            }
        }
        file.write_all(&row)?;
    }
    file.into_inner().map_err(|error| error.into_error())?.sync_all()?;
    Ok(())
}

/// Open light, film base, or a frame.
fn code_at(x: u32, y: u32, side_px: u32) -> [i32; 3] {
    let in_strip = (y + 3600) % 4000;
    if y < 400 || in_strip >= 3400 || x < 300 || x + 500 > side_px {
        return [60_000; 3];
    }
    let in_frame = (x + 4100) % 4800;
    if x < 700 || x + 1200 > side_px || in_frame >= 4400 || !(350..3050).contains(&in_strip) {
        return [30_000, 16_000, 9_000];
    }
    // Two slow waves and a ramp: something to balance, without a per-pixel call that would take minutes.
    let wave = |at: u32, period: u32| {
        let t = (at % period) as i32 - period as i32 / 2;
        t.abs() * 8000 / period as i32
    };
    let code = 4000 + wave(x, 1800) + wave(y, 1300) + in_frame as i32 * 2;
    [code, code * 55 / 100, code * 30 / 100]
}
