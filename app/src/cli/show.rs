//! `glassine show`: prints a session, with clip counts of every frame.

use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use glassine_engine::{CheckDepth, Engine, EngineError, Notice, ScanCheck, ScanState, SessionAt};
use glassine_film::{OTHER_LIGHT, PICTURES_CANT_TELL, Param};
use glassine_raster::CancelToken;
use glassine_session::{
    BaseSource, EncodingChoice, Facts, FourthSampleChoice, Frame, Roll, ScanRef, Session, Strip, StripSolve,
    departure, frame_problem,
};
use serde_json::{Map, Value, json};

use super::join::{join_index, joins_json};
use super::reading::{encoding_text, fourth_text, parse_encoding};
use super::{
    Outcome, Printing, edited, notices_json, open, path_bytes_json, path_json, print_json, print_line,
    print_notice, progress,
};

/// Print scans, strips and frames
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Session file
    pub session: PathBuf,
    /// Count clipping on every pixel of the export instead of the overview
    #[arg(long)]
    pub exact: bool,
    /// Print what the session would be if its scans had this encoding: film base and solve are made again, nothing is saved
    #[arg(long, value_name = "linear|srgb|gammaN.N|auto", value_parser = parse_encoding)]
    pub encoding: Option<EncodingChoice>,
    #[command(flatten)]
    pub printing: Printing,
}

/// Clip counts of a frame: shares at the black and at the white end; `None` if it could not be counted.
type Clipping = Option<([f64; 3], [f64; 3])>;

pub(super) fn run(args: &ShowArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let (mut at, mut notices) = open(&engine, &args.session, cancel)?;
    if let Some(encoding) = args.encoding {
        let wanted: Vec<ScanRef> =
            at.session.scans.iter().map(|scan| ScanRef { encoding, ..ScanRef::clone(scan) }).collect();
        let made = engine.reread(&at, &wanted, cancel, &progress)?;
        notices.extend(made.notices);
        at.session = edited(&at.session, &made.edits)?;
    }
    let checks = engine.check_scans(&at, CheckDepth::Sampled, cancel, &|_, _| {})?;
    // The check reports problems of a scan file in full, so drop the notices from opening it.
    notices.retain(|notice| !at.session.scans.iter().any(|scan| notice.path.as_ref() == Some(&scan.path)));
    notices.extend(checks.iter().filter_map(ScanCheck::notice));
    let frames = count(&engine, &at, &checks, args.exact, &mut notices, cancel)?;
    let state = |scan: &ScanRef| checks.iter().find(|check| check.scan == scan.id).map(|check| &check.state);
    if args.printing.json {
        let frames = frames.iter().map(|(frame, clipping)| frame_json(&at, frame, *clipping));
        print_json(&json!({
            "title": at.session.title,
            "scans": at.session.scans.iter().map(|scan| scan_json(scan, state(scan))).collect::<Vec<_>>(),
            "joins": joins_json(&at.session),
            "rolls": at.session.rolls.iter().map(|roll| roll_json(&at.session, roll)).collect::<Vec<_>>(),
            "strips": at.session.strips.iter().map(|strip| strip_json(&at, strip)).collect::<Vec<_>>(),
            "frames": frames.collect::<Vec<_>>(),
            "clip_counts": if args.exact { "every pixel" } else { "overview" },
            "notices": notices_json(&notices),
        }));
        return Ok(Outcome::Done);
    }
    for notice in &notices {
        print_notice(notice);
    }
    for scan in &at.session.scans {
        print_line(&scan_line(scan, state(scan)));
    }
    for strip in &at.session.strips {
        print_line(&strip_line(strip));
    }
    for (frame, clipping) in &frames {
        print_line(&frame_line(&at, frame, *clipping));
    }
    Ok(Outcome::Done)
}

/// Counts the frames whose scan is present and whose box is on it; other reasons not to count become notices, each
/// once.
fn count<'a>(
    engine: &Engine,
    at: &'a SessionAt,
    checks: &[ScanCheck],
    exact: bool,
    notices: &mut Vec<Notice>,
    cancel: &CancelToken,
) -> Result<Vec<(&'a Arc<Frame>, Clipping)>, EngineError> {
    let is_lost =
        |check: &&ScanCheck| matches!(check.state, ScanState::Missing { .. } | ScanState::SizeDiffers { .. });
    let lost: Vec<_> = checks.iter().filter(is_lost).map(|check| check.scan).collect();
    let mut frames = Vec::new();
    for frame in &at.session.frames {
        let is_counted = at.session.context(frame).is_some_and(|(_, scan)| !lost.contains(&scan.id))
            && !frame_problem(&at.session, frame).is_some_and(|problem| problem.is_fatal());
        let counts = match is_counted.then(|| engine.count(at, frame, exact, cancel)) {
            None => None,
            Some(Ok(counts)) => Some((counts.clip_low_fraction(), counts.clip_high_fraction())),
            Some(Err(EngineError::Cancelled)) => return Err(EngineError::Cancelled),
            Some(Err(error)) => {
                let notice = error.notice();
                if !notices.contains(&notice) {
                    notices.push(notice);
                }
                None
            }
        };
        frames.push((frame, counts));
    }
    Ok(frames)
}

/// A state of a scan as one word.
pub(super) fn state_key(state: &ScanState) -> &'static str {
    match state {
        ScanState::Same => "same",
        ScanState::Missing { .. } => "missing",
        ScanState::Changed { .. } => "changed",
        ScanState::SizeDiffers { .. } => "size-differs",
    }
}

/// How a scan differs from the session's record.
pub(super) fn state_reason(state: &ScanState) -> Option<&str> {
    match state {
        ScanState::Same => None,
        ScanState::Missing { why, .. } => Some(why),
        ScanState::Changed { what } | ScanState::SizeDiffers { what } => Some(what),
    }
}

fn scan_line(scan: &ScanRef, state: Option<&ScanState>) -> String {
    let ppi = scan.ppi.map_or_else(|| "resolution unknown".to_owned(), |ppi| format!("{ppi:.0} ppi"));
    let mut choices = format!("encoding {}", encoding_line(scan));
    if let Some(light) = scan.found_stray_light {
        let [r, g, b] = light.map(|light| 100.0 * light);
        let taken = if scan.stray_light_in_use().is_some() { "taken off" } else { "left on" };
        choices.push_str(&format!(", stray light {r:.2} {g:.2} {b:.2} % {taken}"));
    }
    if scan.fourth_sample != FourthSampleChoice::Auto {
        choices.push_str(&format!(", fourth sample {}", fourth_text(scan.fourth_sample)));
    }
    if let Some(page) = scan.page {
        choices.push_str(&format!(", page {page}"));
    }
    let state = match state {
        None | Some(ScanState::Same) => String::new(),
        Some(state) => format!(", {}", state_key(state).replace('-', " ")),
    };
    if let Some(join) = &scan.join {
        choices = format!("joined from {} scans", join.parts.len());
    }
    format!(
        "scan {}: {} ({} x {} px, {ppi}, {}, {choices}{state})",
        scan.id,
        scan.path.display(),
        scan.width_px,
        scan.height_px,
        scan.planes.join(" ")
    )
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
    let guess = if strip.film_is_guessed() { " (guessed)" } else { "" };
    format!("strip {}: {}{guess}, {format}, {:.2}°, {base}", strip.id, strip.film.label(), strip.angle_deg())
}

fn frame_line(at: &SessionAt, frame: &Frame, clipping: Clipping) -> String {
    let (low, high) = clipping.unzip();
    let problem = frame_problem(&at.session, frame);
    let worst = |counts: Option<[f64; 3]>| {
        counts.map_or_else(|| "?".to_owned(), |c| format!("{:.2} %", 100.0 * c[0].max(c[1]).max(c[2])))
    };
    let flags: Vec<_> = frame.flags.iter().map(|flag| flag.key()).collect();
    let crop = &frame.crop;
    format!(
        "frame {}: {:.0} x {:.0} px at ({:.1}, {:.1}), {:.2}°, confidence {:.2} ({}), clipped low {} high {}{}{}{}",
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
        problem.map(|problem| format!(", {problem}")).unwrap_or_default(),
    )
}

/// The encoding of a scan: as chosen, or as found, with a mark if that is a guess.
pub(super) fn encoding_line(scan: &ScanRef) -> String {
    match (scan.encoding, &scan.found_encoding) {
        (EncodingChoice::Auto, Some(found)) => {
            let guess = if found.is_guess { ", guessed" } else { "" };
            format!("auto ({}{guess})", encoding_text(found.encoding))
        }
        (chosen, _) => encoding_text(chosen),
    }
}

pub(super) fn scan_json(scan: &ScanRef, state: Option<&ScanState>) -> Value {
    json!({
        "id": scan.id.0,
        "path": path_json(&scan.path),
        "path_bytes": path_bytes_json(&scan.path),
        "infrared_path": scan.infrared_path.as_deref().map(path_json),
        "encoding": encoding_text(scan.encoding),
        "encoding_in_use": encoding_text(scan.encoding_in_use()),
        "encoding_found": scan.found_encoding.as_ref().map(|found| json!({
            "encoding": encoding_text(found.encoding),
            "is_guess": found.is_guess,
            "why": found.why,
            "covers_infrared": found.covers_infrared,
        })),
        "stray_light": scan.stray_light.key(),
        "stray_light_found": scan.found_stray_light,
        "stray_light_taken_off": scan.stray_light_in_use(),
        "fourth_sample": fourth_text(scan.fourth_sample),
        "page": scan.page,
        "width_px": scan.width_px,
        "height_px": scan.height_px,
        "ppi": scan.ppi,
        "planes": scan.planes,
        "bytes": scan.fingerprint.as_ref().map(|print| print.bytes),
        "blake3": scan.fingerprint.as_ref().and_then(|print| print.blake3.as_deref()),
        "scan_state": state.map(state_key),
        "scan_state_reason": state.and_then(state_reason),
    })
}

fn roll_json(session: &Session, roll: &Roll) -> Value {
    let mut value = facts_json(&roll.facts);
    value["id"] = roll.id.0.into();
    value["title"] = roll.title.clone().into();
    value["solves"] = roll_solves(session, roll);
    value
}

/// The solves of a roll, each with the strips that share it.
fn roll_solves(session: &Session, roll: &Roll) -> Value {
    let mut solves: Vec<(&StripSolve, Vec<u32>)> = Vec::new();
    for strip in session.strips.iter().filter(|strip| strip.roll == Some(roll.id)) {
        let Some(solve) = &strip.solve else { continue };
        match solves.iter_mut().find(|(known, _)| *known == solve) {
            Some((_, strips)) => strips.push(strip.id.0),
            None => solves.push((solve, vec![strip.id.0])),
        }
    }
    let with_strips = |(solve, strips): (&StripSolve, Vec<u32>)| {
        let mut value = solve_json(solve);
        value["strips"] = strips.into();
        value
    };
    solves.into_iter().map(with_strips).collect()
}

fn solve_json(solve: &StripSolve) -> Value {
    json!({
        "gamma_ratio": solve.gamma_ratio,
        "toe_ratio": solve.toe_ratio,
        "colour_strength": solve.colour_strength,
        "neutral_log": solve.neutral_log,
        "confidence": solve.confidence,
        "provenance": solve.provenance,
    })
}

/// What is written about a roll or a frame.
fn facts_json(facts: &Facts) -> Value {
    let mut facts = facts.clone();
    let fields = Facts::FIELDS.into_iter();
    fields.map(|(key, _, _, field)| (key.to_owned(), Value::from(field(&mut facts).clone()))).collect()
}

fn strip_json(at: &SessionAt, strip: &Strip) -> Value {
    let base = strip.base.as_ref();
    let code = strip.edge_code.as_ref();
    json!({
        "id": strip.id.0,
        "roll": strip.roll.map(|roll| roll.0),
        "scan": strip.scan.0,
        "encoding": at.session.scan(strip.scan).map(|scan| encoding_text(scan.encoding)),
        "film": strip.film.key(),
        "film_is_guessed": strip.film_is_guessed(),
        "format": strip.format_id,
        "angle_deg": strip.angle_deg(),
        "stock": strip.stock_id,
        "stray_light_taken_off": at.session.scan(strip.scan).and_then(|scan| scan.stray_light_in_use()),
        "base_density": base.map(|base| base.density_d),
        "base_pixels": base.map(|base| base.pixels),
        "base_spread_d": base.map(|base| base.spread_d),
        "base_source": base.map(|base| match base.source {
            BaseSource::Rebate => "rebate",
            BaseSource::Box(_) => "box",
            BaseSource::Typed => "typed",
            BaseSource::ClearestParts => "clearest-parts",
        }),
        "base_range_over_scan_d": base.and_then(|base| base.field.as_ref()).map(|field| field.range().d()),
        "base_confidence": base.map(|base| base.confidence),
        "mask_tolerance_d": strip.mask_tolerance_d,
        "recommended_tolerance_d": base.map(|base| base.recommended_tolerance_d),
        "unmix_strength": strip.unmix_strength,
        "balance": strip.balance.key(),
        "confidence": strip.solve.as_ref().map(|solve| solve.confidence),
        "balance_notes": strip_balance_notes(&at.session, strip),
        "solve": strip.solve.as_ref().map(solve_json),
        "departure": departure(&at.session, strip.id).map(|found| json!({
            "balance_cc": found.balance_cc,
            "error_cc": found.error_cc,
            "clear": found.is_clear(),
        })),
        "film_code": code.map(|code| format!("{}-{}", code.film_code[0], code.film_code[1])),
        "code_confidence": code.map(|code| code.confidence),
        "mirrored": code.map(|code| code.is_mirrored),
        "turned": code.map(|code| code.is_turned),
        "shown_mirrored": strip.is_mirrored,
        "shown_turned": strip.is_turned,
        "codes": code.map(|code| code.codes.iter().map(|read| json!({
            "number": read.number.map(|number| number.text(1)),
            "center_px": [read.center.x, read.center.y],
        })).collect::<Vec<_>>()),
        "notes": strip.notes,
    })
}

/// Remarks about the balance of a strip.
pub(super) fn strip_balance_notes(session: &Session, strip: &Strip) -> Vec<String> {
    let mut notes = Vec::new();
    if strip.solve.as_ref().is_some_and(|solve| solve.confidence < 0.5) {
        notes.push(PICTURES_CANT_TELL.to_owned());
    }
    let other: Vec<String> = session
        .frames_of(strip.id)
        .filter(|frame| {
            let notes = frame.solve.iter().flat_map(|solve| &solve.notes);
            notes.into_iter().any(|note| note.starts_with(OTHER_LIGHT))
        })
        .map(|frame| session.number_text(frame))
        .collect();
    match other.as_slice() {
        [] => {}
        [one] => notes.push(format!("frame {one} seems to have been taken in another light")),
        several => {
            notes.push(format!("frames {} seem to have been taken in another light", several.join(", ")))
        }
    }
    notes
}

fn frame_json(at: &SessionAt, frame: &Frame, clipping: Clipping) -> Value {
    let (low, high) = clipping.unzip();
    let problem = frame_problem(&at.session, frame).map(|problem| {
        json!({
            "reason": problem.to_string(),
            "hint": problem.what_to_do(),
            "can_export": !problem.is_fatal(),
        })
    });
    let corners = frame.crop.upright_corners(frame.orientation).map(|p| [p.x, p.y]);
    let area = frame.image_area.map(|area| area.upright_corners(frame.orientation).map(|p| [p.x, p.y]));
    let settings: Map<String, Value> =
        Param::all().map(|param| (param.spec().key.to_owned(), frame.look.kept(param).into())).collect();
    let solve = frame.solve.as_ref();
    json!({
        "id": frame.id.0,
        "number": frame.film_number.map_or_else(|| at.session.number_text(frame), |number| number.text(1)),
        "index": at.session.frame_idx(frame.id).map(|index| index + 1),
        "guard_margin_px": frame.guard_margin_px,
        "name": frame.name,
        "strip": frame.strip.0,
        "strokes": frame.strokes.len(),
        "scan": at.session.strip(frame.strip).map(|strip| strip.scan.0),
        "join": at.session.strip(frame.strip).and_then(|strip| join_index(&at.session, strip.scan)),
        "corners_px": corners,
        "image_corners_px": area,
        "orientation": {
            "quarter_turns": frame.orientation.quarter_turns(),
            "mirrored": frame.orientation.is_mirrored(),
        },
        "held": frame.held,
        "reaches_rebate": frame.reaches_rebate(),
        "skipped": frame.is_left_out(),
        "mark": frame.mark.key(),
        "confidence": frame.confidence,
        "reason": frame.reason,
        "flags": frame.flags.iter().map(|flag| flag.key()).collect::<Vec<_>>(),
        "box_problem": problem,
        "exposure_stops": frame.look.kept(Param::ExposureStops),
        "balance_cc": {
            "warmth": frame.look.kept(Param::WarmthCc),
            "tint": frame.look.kept(Param::TintCc),
        },
        "balance_confidence": solve.map(|solve| solve.confidence),
        "balance_notes": solve.map(|solve| &solve.notes),
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
