//! `glassine sfr`: resolution of a scan, measured at a slanted edge.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{Engine, EngineError};
use glassine_raster::{CancelToken, PixelRect};
use glassine_session::EncodingChoice;
use glassine_sharpness::{ChannelSfr, EdgeReport};
use serde_json::{Value, json};

use super::dust::check_target;
use super::new::usage;
use super::reading::parse_encoding;
use super::{Outcome, Printing, path_bytes_json, path_json, print_json, print_line, print_notice};
use crate::services::canvas::{Align, BLACK, Canvas, GREY, Ink};

/// Measure resolution at a slanted edge (after ISO 12233 and ISO 16067-2)
#[derive(Debug, Args)]
pub struct SfrArgs {
    /// Scan of a target with a slanted edge
    pub file: PathBuf,
    /// Part of the scan that shows the edge, pixels from the upper left corner; the whole scan if omitted
    #[arg(long = "box", value_name = "X,Y,W,H", value_parser = parse_box)]
    pub area: Option<PixelRect>,
    /// Draw the curves as a PNG
    #[arg(long, value_name = "OUT.png")]
    pub plot: Option<PathBuf>,
    /// Replace an existing plot
    #[arg(long)]
    pub replace: bool,
    /// How codes relate to light: linear, srgb, or gamma with its exponent such as gamma2.2; auto reads it from the
    /// file
    #[arg(long, value_name = "linear|srgb|gammaN.N|auto", value_parser = parse_encoding)]
    pub encoding: Option<EncodingChoice>,
    #[command(flatten)]
    pub printing: Printing,
}

fn parse_box(text: &str) -> Result<PixelRect, String> {
    let wrong = || format!("“{text}” is no box; give X,Y,W,H in pixels, such as 1200,800,200,300");
    let numbers: Vec<u32> =
        text.split(',').map(|part| part.trim().parse().ok()).collect::<Option<_>>().ok_or_else(wrong)?;
    let [x, y, width, height] = numbers[..] else { return Err(wrong()) };
    match (x.checked_add(width), y.checked_add(height)) {
        (Some(x1), Some(y1)) if width > 0 && height > 0 => Ok(PixelRect::new(x, y, x1, y1)),
        _ => Err(wrong()),
    }
}

pub(super) fn run(args: &SfrArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    if let Some(plot) = &args.plot {
        check_target(plot, args.replace)?;
    }
    let engine = Engine::new();
    let (at, notices) =
        engine.only_scans(std::slice::from_ref(&args.file), args.encoding.unwrap_or_default(), cancel)?;
    for notice in &notices {
        print_notice(notice);
    }
    let scan =
        at.session.scans.first().ok_or_else(|| usage("there is no scan to measure", "give a scan file"))?;
    let report = engine.sfr(&at, scan.id, args.area, cancel).map_err(|error| with_option(error, args))?;
    let names: &[&str] =
        if report.channels.len() == 1 { &["grey"] } else { &["red", "green", "blue", "infrared"] };
    if let Some(plot) = &args.plot {
        draw(&report, names).write(plot, "slanted-edge response", args.replace)?;
    }
    if args.printing.json {
        print_json(&report_json(args, &report, names, scan.ppi));
    } else {
        print(&report, names, scan.ppi);
    }
    Ok(Outcome::Done)
}

/// Names the option that chooses a part of the scan, if it was not given and the file itself is in order.
fn with_option(error: EngineError, args: &SfrArgs) -> EngineError {
    match error {
        EngineError::Permanent(mut notice) if args.area.is_none() && notice.path.is_none() => {
            notice.what_to_do += " (--box X,Y,W,H measures a part of the scan)";
            EngineError::Permanent(notice)
        }
        other => other,
    }
}

/// Samples per inch that a resolution corresponds to: two for each cycle at one tenth response.
fn effective_ppi(channel: &ChannelSfr, ppi: Option<f64>) -> Option<f64> {
    Some(channel.sampling_efficiency()? * ppi?)
}

fn print(report: &EdgeReport, names: &[&str], ppi: Option<f64>) {
    let region = report.region;
    print_line(&format!(
        "edge at {:.1}° in {} x {} px from ({}, {})",
        report.channels[0].sfr.angle_rad.to_degrees(),
        region.width(),
        region.height(),
        region.x0,
        region.y0
    ));
    for (channel, name) in report.channels.iter().zip(names) {
        let number =
            |value: Option<f64>| value.map_or_else(|| "none".to_owned(), |value| format!("{value:.3}"));
        let error = channel.error_cy_px().map_or_else(String::new, |error| format!(" ± {error:.3}"));
        let mut line = format!(
            "{name}: MTF50 {}{error}, MTF10 {} cycles per pixel",
            number(channel.sfr.mtf50_cy_px()),
            number(channel.sfr.mtf10_cy_px())
        );
        if let Some(efficiency) = channel.sampling_efficiency() {
            line += &format!(", sampling efficiency {:.0} %", 100.0 * efficiency);
        }
        if let Some(effective) = effective_ppi(channel, ppi) {
            line += &format!(" ({effective:.0} of {:.0} ppi)", ppi.unwrap_or_default());
        }
        print_line(&line);
        let shift = channel.shift_px;
        print_line(&format!(
            "  shift {shift:+.2} px, peak {:.2}, overshoot {:.1} %",
            channel.sfr.peak(),
            100.0 * channel.sfr.overshoot
        ));
    }
    if report.parts == 0 {
        print_line("the edge is short: its uncertainty is that of the noise beside it alone");
    }
}

fn report_json(args: &SfrArgs, report: &EdgeReport, names: &[&str], ppi: Option<f64>) -> Value {
    let channels: Vec<Value> = report
        .channels
        .iter()
        .zip(names)
        .map(|(channel, name)| {
            json!({
                "channel": name,
                "mtf50_cy_px": channel.sfr.mtf50_cy_px(),
                "mtf50_error_cy_px": channel.error_cy_px(),
                "mtf10_cy_px": channel.sfr.mtf10_cy_px(),
                "response_at_half_sampling": channel.sfr.at(0.5),
                "sampling_efficiency": channel.sampling_efficiency(),
                "effective_ppi": effective_ppi(channel, ppi),
                "peak": channel.sfr.peak(),
                "overshoot": channel.sfr.overshoot,
                "undershoot": channel.sfr.undershoot,
                "shift_px": channel.shift_px,
                "contrast": channel.sfr.contrast.abs(),
                "frequency_cy_px": channel.sfr.frequency_cy_px,
                "response": channel.sfr.response,
            })
        })
        .collect();
    let region = report.region;
    json!({
        "file": path_json(&args.file),
        "file_bytes": path_bytes_json(&args.file),
        "box_px": [region.x0, region.y0, region.width(), region.height()],
        "angle_deg": report.channels[0].sfr.angle_rad.to_degrees(),
        "ppi": ppi,
        "parts": report.parts,
        "channels": channels,
        "plot": args.plot.as_deref().map(path_json),
    })
}

/// Curves over frequency, with MTF50 and MTF10 marked.
fn draw(report: &EdgeReport, names: &[&str]) -> Canvas {
    const INKS: [Ink; 4] = [[0.8, 0.15, 0.1], [0.1, 0.55, 0.15], [0.15, 0.25, 0.8], [0.45, 0.3, 0.45]];
    let (width, height) = (900.0_f32, 560.0_f32);
    let (left, top, right, bottom) = (70.0_f32, 30.0_f32, width - 30.0, height - 60.0);
    let highest = report.channels.iter().map(|channel| channel.sfr.peak()).fold(1.1, f64::max);
    let at = |f: f64, response: f64| {
        (left + (right - left) * f as f32, bottom - (bottom - top) * (response / highest) as f32)
    };
    let mut canvas = Canvas::new(width as usize, height as usize);
    for step in 0..=10 {
        let f = f64::from(step) / 10.0;
        canvas.lines(&[at(f, 0.0), at(f, highest)], 1.0, GREY);
        canvas.text((at(f, 0.0).0, bottom + 16.0), Align::Centre, 14.0, &format!("{f:.1}"), BLACK);
    }
    for step in 0..=(highest * 5.0) as u32 {
        let response = f64::from(step) / 5.0;
        canvas.lines(&[at(0.0, response), at(1.0, response)], 1.0, GREY);
        canvas.text((left - 8.0, at(0.0, response).1), Align::Right, 14.0, &format!("{response:.1}"), BLACK);
    }
    canvas.lines(&[at(0.0, 0.5), at(1.0, 0.5)], 1.0, BLACK);
    canvas.lines(&[at(0.0, 0.1), at(1.0, 0.1)], 1.0, BLACK);
    canvas.text(((left + right) / 2.0, height - 18.0), Align::Centre, 15.0, "cycles per pixel", BLACK);
    canvas.text((left, 15.0), Align::Left, 15.0, "response", BLACK);
    for (idx, (channel, name)) in report.channels.iter().zip(names).enumerate() {
        let ink = if report.channels.len() == 1 { BLACK } else { INKS[idx % INKS.len()] };
        let curve = channel.sfr.frequency_cy_px.iter().zip(&channel.sfr.response);
        let points: Vec<_> = curve.map(|(f, response)| at(*f, response.min(highest))).collect();
        canvas.lines(&points, 2.0, ink);
        let mtf50 = channel.sfr.mtf50_cy_px().map_or_else(|| "none".to_owned(), |f| format!("{f:.3}"));
        let label = format!("{name}: MTF50 {mtf50}");
        canvas.text((right - 10.0, top + 16.0 + 20.0 * idx as f32), Align::Right, 15.0, &label, ink);
    }
    canvas
}
