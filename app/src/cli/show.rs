//! `glassine show`: a session printed, with clip counts of every frame.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{EngineError, SessionAt};
use glassine_film::Param;
use glassine_raster::CancelToken;
use glassine_session::{BaseSource, Frame, ScanRef, Strip};
use serde_json::{Map, Value, json};

use super::{Outcome, Printing, complain, engine_beside, notices_json, open, print_json, say};

/// Print scans, strips and frames
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Session file
    pub session: PathBuf,
    /// Count clipping on every pixel of the export instead of the overview
    #[arg(long)]
    pub exact: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &ShowArgs) -> Result<Outcome, EngineError> {
    let cancel = CancelToken::new();
    let (at, notices) = open(&args.session, &cancel)?;
    let engine = engine_beside(&args.session);
    let mut outcome = Outcome::Done;
    let mut frames = Vec::new();
    let mut told = Vec::new();
    for frame in &at.session.frames {
        let counts = match engine.count(&at, frame, args.exact, &cancel) {
            Ok(counts) => Some(counts),
            Err(error) => {
                // A missing scan is told once, not for each of its frames.
                let notice = error.notice();
                if !told.contains(&notice) {
                    complain(&notice);
                    told.push(notice);
                }
                outcome = Outcome::SomeFailed;
                None
            }
        };
        let low = counts.as_ref().map(glassine_film::Histogram::clip_low_fraction);
        let high = counts.as_ref().map(glassine_film::Histogram::clip_high_fraction);
        frames.push((frame, low, high));
    }
    if args.printing.json {
        let document = json!({
            "title": at.session.title,
            "scans": at.session.scans.iter().map(|scan| scan_json(scan)).collect::<Vec<_>>(),
            "strips": at.session.strips.iter().map(|strip| strip_json(strip)).collect::<Vec<_>>(),
            "frames": frames.iter().map(|(frame, low, high)| frame_json(&at, frame, *low, *high)).collect::<Vec<_>>(),
            "clip_counts": if args.exact { "every pixel" } else { "overview" },
            "notices": notices_json(&notices),
        });
        print_json(&document);
        return Ok(outcome);
    }
    for notice in &notices {
        complain(notice);
    }
    for scan in &at.session.scans {
        let ppi = scan.ppi.map_or_else(|| "resolution unknown".to_owned(), |ppi| format!("{ppi:.0} ppi"));
        say(&format!(
            "scan {}: {} ({} x {} px, {ppi}, {})",
            scan.id,
            scan.path.display(),
            scan.width_px,
            scan.height_px,
            scan.planes.join(" ")
        ));
    }
    for strip in &at.session.strips {
        say(&strip_line(strip));
    }
    for (frame, low, high) in &frames {
        say(&frame_line(&at, frame, *low, *high));
    }
    Ok(outcome)
}

fn strip_line(strip: &Strip) -> String {
    let format = strip.format_id.as_deref().unwrap_or("format unknown");
    let base = strip.base.as_ref().map_or_else(
        || "no film base".to_owned(),
        |base| {
            let [r, g, b] = base.density_d;
            let [sr, sg, sb] = base.spread_d;
            format!(
                "base {r:.3} {g:.3} {b:.3} D on {} px, spread {sr:.4} {sg:.4} {sb:.4} D, tolerance {:.3} D",
                base.pixels, strip.mask_tolerance_d
            )
        },
    );
    format!("strip {}: {}, {format}, {:.2}°, {base}", strip.id, strip.film.label(), strip.angle_deg())
}

fn frame_line(at: &SessionAt, frame: &Frame, low: Option<[f64; 3]>, high: Option<[f64; 3]>) -> String {
    let worst = |counts: Option<[f64; 3]>| {
        counts.map_or_else(|| "?".to_owned(), |c| format!("{:.2} %", 100.0 * c[0].max(c[1]).max(c[2])))
    };
    let flags: Vec<_> = frame.flags.iter().map(|flag| flag.key()).collect();
    let crop = &frame.crop;
    format!(
        "frame {}: {:.0} x {:.0} px at ({:.1}, {:.1}), {:.2}°, confidence {:.2} ({}), clipped low {} high {}{}{}",
        at.session.number_text(frame),
        crop.width_px,
        crop.height_px,
        crop.center.x,
        crop.center.y,
        crop.angle_rad.to_degrees(),
        frame.confidence,
        frame.reason,
        worst(low),
        worst(high),
        if flags.is_empty() { String::new() } else { format!(", {}", flags.join(", ")) },
        if frame.reaches_rebate() { ", reaches the rebate" } else { "" },
    )
}

fn scan_json(scan: &ScanRef) -> Value {
    json!({
        "id": scan.id.0,
        "path": scan.path,
        "infrared_path": scan.infrared_path,
        "width_px": scan.width_px,
        "height_px": scan.height_px,
        "ppi": scan.ppi,
        "planes": scan.planes,
        "bytes": scan.fingerprint.as_ref().map(|print| print.bytes),
        "blake3": scan.fingerprint.as_ref().and_then(|print| print.blake3.as_deref()),
    })
}

fn strip_json(strip: &Strip) -> Value {
    let base = strip.base.as_ref();
    json!({
        "id": strip.id.0,
        "scan": strip.scan.0,
        "film": strip.film.key(),
        "format": strip.format_id,
        "angle_deg": strip.angle_deg(),
        "stock": strip.stock_id,
        "base_density": base.map(|base| base.density_d),
        "base_pixels": base.map(|base| base.pixels),
        "base_spread_d": base.map(|base| base.spread_d),
        "base_source": base.map(|base| match base.source {
            BaseSource::Rebate => "rebate",
            BaseSource::Box(_) => "box",
            BaseSource::Typed => "typed",
            BaseSource::ClearestParts => "clearest-parts",
        }),
        "base_range_over_scan_d": base.and_then(|base| base.field.as_ref()).map(glassine_film::BaseField::range_d),
        "base_confidence": base.map(|base| base.confidence),
        "mask_tolerance_d": strip.mask_tolerance_d,
        "recommended_tolerance_d": base.map(|base| base.recommended_tolerance_d),
        "unmix_strength": strip.unmix_strength,
        "balance": strip.balance.key(),
        "solve": strip.solve.as_ref().map(|solve| json!({
            "gamma_ratio": solve.gamma_ratio,
            "toe_ratio": solve.toe_ratio,
            "colour_strength": solve.colour_strength,
            "neutral_log": solve.neutral_log,
            "confidence": solve.confidence,
            "provenance": solve.provenance,
        })),
        "notes": strip.notes,
    })
}

fn frame_json(at: &SessionAt, frame: &Frame, low: Option<[f64; 3]>, high: Option<[f64; 3]>) -> Value {
    let corners = frame.crop.upright_corners(frame.orientation).map(|p| [p.x, p.y]);
    let area = frame.image_area.map(|area| area.upright_corners(frame.orientation).map(|p| [p.x, p.y]));
    let settings: Map<String, Value> =
        Param::all().map(|param| (param.spec().key.to_owned(), frame.look.get(param).into())).collect();
    let solve = frame.solve.as_ref();
    json!({
        "id": frame.id.0,
        "number": frame.number,
        "number_text": at.session.number_text(frame),
        "guard_margin_px": frame.guard_margin_px,
        "name": frame.name,
        "strip": frame.strip.0,
        "strokes": frame.strokes.len(),
        "scan": at.session.strip(frame.strip).map(|strip| strip.scan.0),
        "corners_px": corners,
        "image_corners_px": area,
        "orientation": {
            "quarter_turns": frame.orientation.quarter_turns(),
            "mirrored": frame.orientation.is_mirrored(),
        },
        "held": frame.held,
        "reaches_rebate": frame.reaches_rebate(),
        "skipped": frame.skipped,
        "confidence": frame.confidence,
        "reason": frame.reason,
        "flags": frame.flags.iter().map(|flag| flag.key()).collect::<Vec<_>>(),
        "exposure_stops": frame.look.get(Param::ExposureStops),
        "balance_cc": {
            "warmth": frame.look.get(Param::WarmthCc),
            "tint": frame.look.get(Param::TintCc),
        },
        "solved": solve.map(|solve| json!({
            "log_offset": solve.log_offset,
            "exposure_stops": solve.exposure_stops,
            "balance_cc": { "warmth": solve.balance_cc[0], "tint": solve.balance_cc[1] },
            "cast_suggestion_cc": { "warmth": solve.cast_suggestion_cc[0], "tint": solve.cast_suggestion_cc[1] },
            "confidence": solve.confidence,
            "notes": solve.notes,
        })),
        "clip_low": low,
        "clip_high": high,
        "settings": settings,
    })
}
