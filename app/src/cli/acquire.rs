//! `glassine scanners` and `glassine acquire`: devices, their options, and scans straight to a file.

use std::io;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use clap::Args;
use glassine_acquire::{
    AreaMm, DeviceOption, FileChoices, Helper, Opened, Progress, ScanChoices, apply, scan_to_file,
};
use glassine_engine::{EngineError, Notice, Severity};
use glassine_raster::CancelToken;
use glassine_scanfile::Metadata;
use serde_json::json;

use super::new::usage;
use super::{Outcome, Printing, path_json, print_json, print_line, print_notice, progress};
use crate::platform::clock::now_text;
use crate::platform::drivers::driver_process;

/// List scanners, or the options of one
#[derive(Debug, Args)]
pub struct ScannersArgs {
    /// List the options of this device, with their values
    #[arg(long, value_name = "NAME")]
    pub device: Option<String>,
    /// Look for scanners on the network too, which can take a while
    #[arg(long)]
    pub network: bool,
    #[command(flatten)]
    pub waiting: Waiting,
    #[command(flatten)]
    pub printing: Printing,
}

/// Scan into a file: 16 bits, in proportion to light where the device can
#[derive(Debug, Args)]
pub struct AcquireArgs {
    /// The device, as `glassine scanners` names it
    #[arg(long, value_name = "NAME")]
    pub device: String,
    /// The TIFF file to write; it gets its name when the scan is complete
    #[arg(long, value_name = "FILE.tif")]
    pub to: PathBuf,
    /// Resolution
    #[arg(long)]
    pub ppi: Option<f64>,
    /// Source, in the words of the driver, such as its transparency unit
    #[arg(long)]
    pub source: Option<String>,
    /// Mode, in the words of the driver
    #[arg(long)]
    pub mode: Option<String>,
    /// Bits a sample; the most that the device has if omitted
    #[arg(long, value_name = "8|16")]
    pub depth: Option<u32>,
    /// Part of the glass in millimetres: left, top, width, height; everything if omitted
    #[arg(long, value_name = "X,Y,W,H", value_parser = parse_area)]
    pub area_mm: Option<AreaMm>,
    /// Any other option of the device; may be repeated
    #[arg(long = "option", value_name = "NAME=VALUE", value_parser = parse_option)]
    pub options: Vec<(String, String)>,
    /// The driver delivers the bytes of 16-bit samples in the other order
    #[arg(long)]
    pub swap_bytes: bool,
    /// Print every option as it was used, for a report of a problem; it holds no personal data
    #[arg(long)]
    pub log: bool,
    #[command(flatten)]
    pub waiting: Waiting,
    #[command(flatten)]
    pub printing: Printing,
}

/// How long a driver may take.
#[derive(Debug, Clone, Copy, Args)]
pub struct Waiting {
    /// Seconds to wait for an answer of the driver, such as while a lamp warms up
    #[arg(long, value_name = "SECONDS", default_value_t = 120, value_parser = clap::value_parser!(u64).range(1..=3600))]
    pub wait: u64,
}

/// Runs the drivers until the program closes the pipe.
pub(super) fn run_driver() -> Outcome {
    match own_output().and_then(|output| glassine_acquire::driver::run(io::stdin(), output)) {
        Ok(()) => Outcome::Done,
        Err(_) => Outcome::CannotStart,
    }
}

/// The pipe to the program. Some drivers print; what they print goes to the error stream from here on.
#[cfg(unix)]
fn own_output() -> io::Result<std::fs::File> {
    let pipe = rustix::io::dup(io::stdout())?;
    rustix::stdio::dup2_stdout(io::stderr())?;
    Ok(pipe.into())
}

#[cfg(not(unix))]
fn own_output() -> io::Result<io::Stdout> {
    Ok(io::stdout())
}

pub(super) fn list(args: &ScannersArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let mut helper = start(args.waiting)?;
    if let Some(name) = &args.device {
        let device = helper.open(name, cancel).map_err(told)?;
        if args.printing.json {
            print_json(&json!({ "device": name, "options": device.options() }));
        } else {
            device.options().iter().for_each(print_option);
        }
        return Ok(Outcome::Done);
    }
    let devices = helper.devices(args.network, cancel).map_err(told)?;
    if args.printing.json {
        print_json(&json!({ "devices": devices }));
    } else {
        for device in &devices {
            print_line(&format!("{}   {} {}, {}", device.name, device.vendor, device.model, device.kind));
        }
        if devices.is_empty() {
            let what_to_do = "check cable and power; `--network` looks for scanners on the network too";
            print_notice(&Notice::new(Severity::Warning, "no scanner was found", what_to_do));
        }
    }
    Ok(Outcome::Done)
}

fn print_option(option: &DeviceOption) {
    if option.name.is_empty() {
        print_line(&format!("\n{}", option.title));
        return;
    }
    let state = match &option.value {
        Some(value) => format!("{} {}", value.text(), option.unit.label()).trim_end().to_owned(),
        None if option.is_active => "a button".to_owned(),
        None => "not available with the other values".to_owned(),
    };
    print_line(&format!("  {}: {state}   ({})", option.name, option.takes()));
}

pub(super) fn run(args: &AcquireArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    if args.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0)) {
        return Err(usage("a resolution must be positive", "give --ppi a number such as 2400"));
    }
    if args
        .to
        .extension()
        .is_none_or(|ending| !ending.eq_ignore_ascii_case("tif") && !ending.eq_ignore_ascii_case("tiff"))
    {
        return Err(usage("a scan is written as TIFF", "give --to a name that ends in .tif"));
    }
    // Before minutes of scanning, not after.
    if args.to.symlink_metadata().is_ok() {
        return Err(glassine_scanfile::Error::AlreadyExists { path: args.to.clone() }.into());
    }
    let mut device = start(args.waiting)?.open(&args.device, cancel).map_err(told)?;
    let choices = ScanChoices {
        source: args.source.clone(),
        mode: args.mode.clone(),
        depth_bits: args.depth,
        ppi: args.ppi,
        area: args.area_mm,
        options: args.options.clone(),
        kept: Vec::new(),
    };
    let applied = apply(&mut device, &choices, cancel).map_err(told)?;
    if args.log {
        print_log(&device);
    }
    let file = FileChoices {
        ppi: applied.ppi,
        metadata: Metadata {
            // The clock is in universal time.
            digitised: Some(now_text() + "+00:00"),
            software: concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned(),
            ..Metadata::default()
        },
        swap_bytes: args.swap_bytes,
    };
    let since = Instant::now();
    let scan = scan_to_file(&mut device, &args.to, &file, cancel, &mut |at, _lines| show_progress(at))
        .map_err(told)?;
    progress(1.0, "");
    let remarks: Vec<&String> = applied.remarks.iter().chain(&scan.remarks).collect();
    if args.printing.json {
        print_json(&json!({
            "file": path_json(&scan.file.path),
            "bytes": scan.file.bytes,
            "width_px": scan.width_px,
            "height_px": scan.height_px,
            "bits": scan.bits,
            "infrared": scan.has_infrared,
            "ppi": applied.ppi,
            "seconds": since.elapsed().as_secs_f64(),
            "remarks": remarks,
        }));
    } else {
        let infrared = if scan.has_infrared { ", with infrared" } else { "" };
        let path = scan.file.path.display();
        print_line(&format!(
            "{path}: {} × {} px, {} bits{infrared}",
            scan.width_px, scan.height_px, scan.bits
        ));
        for remark in remarks {
            print_notice(&Notice::new(Severity::Warning, remark.clone(), "").about(&scan.file.path));
        }
    }
    Ok(Outcome::Done)
}

/// Every option with its value, to the error stream.
fn print_log(device: &Opened) {
    for option in device.options().iter().filter(|option| !option.name.is_empty()) {
        let value = option.value.as_ref().map_or_else(|| "–".to_owned(), |value| value.text());
        let text = format!("option {} = {value} ({:?}, {})", option.name, option.kind, option.takes());
        print_notice(&Notice::new(Severity::Info, text, ""));
    }
}

fn show_progress(at: Progress) {
    match at.lines {
        Some(lines) => {
            let share = at.lines_done as f32 / lines.max(1) as f32;
            let pass =
                if at.frames_done > 0 { format!(", pass {}", at.frames_done + 1) } else { String::new() };
            progress(share.min(0.99), &format!("scanning, line {} of {lines}{pass}", at.lines_done));
        }
        None => progress(0.0, &format!("scanning, {} lines", at.lines_done)),
    }
}

/// Starts the process of the drivers, which is this program.
fn start(waiting: Waiting) -> Result<Helper, EngineError> {
    let process = driver_process(Duration::from_secs(waiting.wait));
    let process = process.map_err(|error| told(glassine_acquire::Error::Start(error)))?;
    Helper::start(&process).map_err(told)
}

fn told(error: glassine_acquire::Error) -> EngineError {
    match error {
        glassine_acquire::Error::Cancelled => EngineError::Cancelled,
        glassine_acquire::Error::File(error) => error.into(),
        error => EngineError::Permanent(Notice::new(Severity::Error, error.to_string(), error.hint())),
    }
}

fn parse_area(text: &str) -> Result<AreaMm, String> {
    let wrong = || "takes left, top, width and height in millimetres, such as 0,0,36,200".to_owned();
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|part| part.trim().parse::<f64>()).collect();
    match numbers.ok().as_deref() {
        Some([left_mm, top_mm, width_mm, height_mm])
            if [left_mm, top_mm, width_mm, height_mm].iter().all(|mm| mm.is_finite() && **mm >= 0.0)
                && *width_mm > 0.0
                && *height_mm > 0.0 =>
        {
            Ok(AreaMm { left_mm: *left_mm, top_mm: *top_mm, width_mm: *width_mm, height_mm: *height_mm })
        }
        _ => Err(wrong()),
    }
}

fn parse_option(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("takes NAME=VALUE")?;
    Ok((name.trim().to_owned(), value.trim().to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_and_options_are_read_or_refused_with_an_example() {
        let area = parse_area("1.5, 2,36,24").expect("four numbers");
        assert_eq!((area.left_mm, area.height_mm), (1.5, 24.0));
        for wrong in ["", "1,2,3", "1,2,0,4", "-1,0,2,2", "a,b,c,d", "1,2,3,4,5", "0,0,inf,1"] {
            assert!(parse_area(wrong).is_err(), "{wrong}");
        }
        assert_eq!(parse_option("focus=4=x"), Ok(("focus".to_owned(), "4=x".to_owned())));
        assert!(parse_option("focus").is_err());
    }
}
