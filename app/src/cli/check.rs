//! `glassine check`: what is wrong with scans, said before an evening is spent on them.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{Engine, EngineError, NewSessionRequest, ScanFinding, ScanMeasure, ScanReport};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use serde_json::{Value, json};

use super::new::usage;
use super::reading::ReadingArgs;
use super::{
    Outcome, Printing, failed_json, path_bytes_json, path_json, print_json, print_line, print_notice,
    progress,
};

/// Measure what is wrong with scans: clipping, noise, stray light, shifts, streaks, sharpening and more.
/// Exit code 1 if something serious was found, 2 if nothing could be read.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Scans to check
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Kind of film, if known: colour-negative, black-and-white or slide
    #[arg(long, value_parser = super::parse_film)]
    pub film: Option<FilmKind>,
    /// Frame format, if known, such as 135 or 6x4.5
    #[arg(long)]
    pub format: Option<String>,
    /// Resolution of the scans, if their files do not state it or state it wrongly
    #[arg(long)]
    pub ppi: Option<f64>,
    #[command(flatten)]
    pub reading: ReadingArgs,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &CheckArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    if args.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0)) {
        return Err(usage("a resolution must be positive", "give --ppi a number such as 2400"));
    }
    let (mut checked, mut failed) = (Vec::new(), Vec::new());
    let mut is_serious = false;
    for (idx, file) in args.files.iter().enumerate() {
        let request = NewSessionRequest {
            infrared: args.reading.infrared_path().flatten().filter(|_| idx == 0),
            reading: args.reading.choices(),
            film: args.film,
            format_id: args.format.clone(),
            ppi: args.ppi,
            ..NewSessionRequest::default()
        };
        // A new engine for each file: nothing of one scan is needed for the next.
        match Engine::new().check_file(file, &request, cancel, &progress) {
            Ok(report) => {
                is_serious |= report.has_serious();
                if args.printing.json {
                    checked.push(json!({
                        "file": path_json(file),
                        "file_bytes": path_bytes_json(file),
                        "findings": report.findings.iter().map(finding_json).collect::<Vec<_>>(),
                        "measured": report.measured.iter().map(measure_json).collect::<Vec<_>>(),
                    }));
                } else {
                    checked.push(Value::Null);
                    print_report(&file.display().to_string(), &report);
                }
            }
            Err(EngineError::Cancelled) => return Ok(Outcome::Stopped),
            Err(error) => {
                let notice = error.notice();
                print_notice(&notice);
                failed.push(failed_json(file, &notice));
            }
        }
    }
    let outcome = match (checked.is_empty(), is_serious || !failed.is_empty()) {
        (true, _) => Outcome::CannotStart,
        (false, true) => Outcome::SomeFailed,
        (false, false) => Outcome::Done,
    };
    if args.printing.json {
        print_json(&json!({ "files": checked, "failed": failed }));
    }
    Ok(outcome)
}

fn rounded(value: f64) -> f64 {
    // Four digits are more than any of the measurements is good for.
    format!("{value:.3e}").parse().unwrap_or(value)
}

fn measure_json(measure: &ScanMeasure) -> Value {
    json!({
        "kind": measure.what.key(),
        "value": rounded(measure.value),
        "unit": measure.unit,
        "limit": rounded(measure.limit),
        "source": measure.source,
    })
}

fn finding_json(finding: &ScanFinding) -> Value {
    let mut value = measure_json(&finding.measure);
    if let Some(object) = value.as_object_mut() {
        object.insert("severity".into(), if finding.serious { "serious" } else { "note" }.into());
        object.insert("advice".into(), finding.measure.what.advice().into());
        object.insert("label".into(), finding.measure.what.label().into());
        let place = finding.place.map(|place| [place.x0, place.y0, place.x1, place.y1]);
        object.insert("place_px".into(), json!(place));
    }
    value
}

fn print_report(name: &str, report: &ScanReport) {
    if report.findings.is_empty() {
        print_line(&format!("{name}: nothing is wrong, {} figures measured", report.measured.len()));
    }
    for finding in &report.findings {
        let measure = finding.measure;
        let degree = if finding.serious { "serious" } else { "note" };
        print_line(&format!(
            "{name}: {degree}: {}: {:.3} {} (limit {:.3}); {}",
            measure.what.label(),
            rounded(measure.value),
            measure.unit,
            rounded(measure.limit),
            measure.what.advice()
        ));
    }
}
