//! `glassine focus`: which of several scans of the same film is the sharpest.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::{Engine, EngineError, NewSessionRequest, SessionAt};
use glassine_raster::CancelToken;
use glassine_sharpness::{FocusBasis, FocusMeasure, RankedFocus, best_height, rank_focus};
use serde_json::{Value, json};

use super::{
    Outcome, Printing, failed_json, path_bytes_json, path_json, print_json, print_line, print_notice,
};

/// Compare scans of the same film at different holder heights
#[derive(Debug, Args)]
pub struct FocusArgs {
    /// Scans of the same film, such as one for each holder height
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Holder heights of the files in their order, such as -0.5,0,0.5: tells the best height
    #[arg(long, value_name = "MM,...", value_delimiter = ',', allow_hyphen_values = true)]
    pub heights_mm: Vec<f64>,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &FocusArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let heights = &args.heights_mm;
    if !heights.is_empty() && heights.len() != args.files.len() {
        return Err(super::new::usage(
            &format!("{} heights were given for {} files", heights.len(), args.files.len()),
            "give one height for each file, in the same order",
        ));
    }
    let engine = Engine::new();
    let (mut measured, mut failed, mut measured_heights) = (Vec::new(), Vec::new(), Vec::new());
    for (idx, file) in args.files.iter().enumerate() {
        match measure(&engine, file, cancel) {
            Ok(measure) => {
                measured.push((file, measure));
                measured_heights.extend(heights.get(idx));
            }
            Err(EngineError::Cancelled) => return Ok(Outcome::Stopped),
            Err(error) => {
                let notice = error.notice();
                print_notice(&notice);
                failed.push(failed_json(file, &notice));
            }
        }
    }
    let outcome = if failed.is_empty() { Outcome::Done } else { Outcome::SomeFailed };
    let measures: Vec<FocusMeasure> = measured.iter().map(|(_, measure)| *measure).collect();
    let Some(ranked) = rank_focus(&measures) else {
        if args.printing.json {
            print_json(&json!({ "ranking": [], "verdict": null, "failed": failed }));
        }
        if measured.is_empty() {
            return Ok(outcome);
        }
        return Err(super::new::usage(
            "these scans share no measure of sharpness",
            "give scans of the same film, made in the same way",
        ));
    };
    let names: Vec<String> = measured.iter().map(|(file, _)| name_of(file)).collect();
    let verdict = ranked.verdict(&names.iter().map(String::as_str).collect::<Vec<_>>());
    let best = (!heights.is_empty()).then(|| {
        let points = ranked.ranking.iter().map(|r| (measured_heights[r.index], r.relative, r.uncertainty));
        best_height(&points.collect::<Vec<_>>())
    });
    if args.printing.json {
        let place = |rank: &RankedFocus| {
            let (file, measure) = &measured[rank.index];
            rank_json(rank, file, measure)
        };
        let ranking: Vec<Value> = ranked.ranking.iter().map(place).collect();
        let basis = match ranked.basis {
            FocusBasis::Edges => "edges",
            FocusBasis::Texture => "texture",
        };
        let best = best.map(|best| match best {
            Ok(best) => json!({ "height_mm": best.height_mm, "error_mm": best.error_mm }),
            Err(refusal) => json!({ "height_mm": null, "reason": refusal.to_string() }),
        });
        print_json(&json!({
            "ranking": ranking,
            "basis": basis,
            "verdict": verdict,
            "best_height": best,
            "failed": failed,
        }));
        return Ok(outcome);
    }
    for rank in &ranked.ranking {
        let edges = rank
            .mtf50_cy_px
            .map_or_else(String::new, |mtf50| format!(", half response at {mtf50:.3} cycles per pixel"));
        print_line(&format!(
            "{}: {:.0} % ± {:.0} % of the sharpest{edges}",
            names[rank.index],
            100.0 * rank.relative,
            100.0 * rank.uncertainty
        ));
    }
    print_line(&verdict);
    match best {
        Some(Ok(best)) => {
            print_line(&format!("best height {:+.2} mm ± {:.2} mm", best.height_mm, best.error_mm));
        }
        Some(Err(refusal)) => print_line(&refusal.to_string()),
        None => {}
    }
    Ok(outcome)
}

fn rank_json(rank: &RankedFocus, file: &Path, measure: &FocusMeasure) -> Value {
    json!({
        "file": path_json(file),
        "file_bytes": path_bytes_json(file),
        "score": rank.score,
        "relative": rank.relative,
        "uncertainty": rank.uncertainty,
        "ties_with_best": rank.ties_with_best,
        "mtf50_cy_px": measure.mtf50_cy_px,
        "mtf50_error_cy_px": measure.mtf50_cy_px.map(|_| measure.mtf50_error),
        "edges": measure.edges,
        "texture": measure.texture,
        "texture_tiles": measure.tiles,
    })
}

/// Finds the pictures of a scan and measures them, or the middle of a scan that is no strip.
fn measure(engine: &Engine, file: &Path, cancel: &CancelToken) -> Result<FocusMeasure, EngineError> {
    let request = NewSessionRequest { scans: vec![file.to_owned()], ..NewSessionRequest::default() };
    match engine.new_session(&request, cancel, &|_, _| ()) {
        Ok(made) => engine.focus(&SessionAt::new(made.session, None), cancel),
        Err(EngineError::Cancelled) => Err(EngineError::Cancelled),
        // A target or a cut-out is no strip: its middle is measured as it is.
        Err(_) => engine.focus(&engine.only_scans(std::slice::from_ref(&file.to_owned()), cancel)?.0, cancel),
    }
}

fn name_of(file: &Path) -> String {
    file.file_name().map_or_else(|| file.display().to_string(), |name| name.to_string_lossy().into_owned())
}
