//! `glassine solve`: solves the balance of a session's strips again, with what the user knows about their frames.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{BalanceHints, Engine, EngineError, read_stock};
use glassine_film::BalanceMode;
use glassine_raster::{CancelToken, Point};
use glassine_session::{Edit, FrameId, Session, StripId};
use serde_json::json;

use super::new::usage;
use super::show::strip_balance_notes;
use super::{
    Outcome, Printing, edited, frame_named, open_to_change, path_json, print_json, print_line, print_notice,
};

/// Solve the balance of strips again and save the session
#[derive(Debug, Args)]
pub struct SolveArgs {
    /// Session file
    pub session: PathBuf,
    /// One balance for each strip, one for each light on it, or one for each frame
    #[arg(long, value_name = "strip|group|frame", value_parser = parse_balance)]
    pub balance: Option<BalanceMode>,
    /// Something grey: number of the frame and place in scan pixels, such as 5:1200,830; settles all of its film
    #[arg(long, value_name = "FRAME:X,Y")]
    pub grey_point: Vec<String>,
    /// A frame that was taken in daylight or with flash
    #[arg(long, value_name = "FRAME")]
    pub daylight: Vec<String>,
    /// Use the stock of this file for the strips of its kind of film
    #[arg(long, value_name = "FILE.json")]
    pub stock: Option<PathBuf>,
    #[command(flatten)]
    pub printing: Printing,
}

fn parse_balance(text: &str) -> Result<BalanceMode, String> {
    BalanceMode::from_key(text).ok_or_else(|| "choose strip, group or frame".to_owned())
}

pub(super) fn run(args: &SolveArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let stock = args.stock.as_deref().map(read_stock).transpose()?;
    let engine = Engine::new();
    let changing = open_to_change(&engine, &args.session, cancel)?;
    changing.made.notices.iter().for_each(print_notice);
    let mut at = changing.at.clone();
    let hints = hints(&at.session, args)?;
    if let Some(stock) = stock {
        let mut edits = vec![Edit::AddStock(Box::new(stock.clone()))];
        let fitting = at.session.strips.iter().filter(|strip| strip.film == stock.kind);
        edits.extend(fitting.map(|strip| Edit::SetStock { strip: strip.id, stock_id: stock.id.clone() }));
        at.session = edited(&at.session, &edits)?;
    }
    let strips: Vec<StripId> = at.session.strips.iter().map(|strip| strip.id).collect();
    let edits = engine.solve_strips(&at, &strips, args.balance, &hints, cancel)?;
    let session = edited(&at.session, &edits)?;
    cancel.check()?;
    changing.save(&engine, &session)?;
    if args.printing.json {
        let strips = session.strips.iter().map(|strip| {
            json!({
                "id": strip.id.0,
                "stock": strip.stock_id,
                "balance": strip.balance.key(),
                "confidence": strip.solve.as_ref().map(|solve| solve.confidence),
                "balance_notes": strip_balance_notes(&session, strip),
            })
        });
        print_json(&json!({ "session": path_json(&changing.path), "strips": strips.collect::<Vec<_>>() }));
        return Ok(Outcome::Done);
    }
    for strip in &session.strips {
        let confidence = strip.solve.as_ref().map_or(0.0, |solve| solve.confidence);
        print_line(&format!(
            "strip {}: balance by {}, confidence {confidence:.2}",
            strip.id,
            strip.balance.key()
        ));
        for note in strip_balance_notes(&session, strip) {
            print_line(&format!("  {note}"));
        }
    }
    print_line("the session is saved");
    Ok(Outcome::Done)
}

fn hints(session: &Session, args: &SolveArgs) -> Result<BalanceHints, EngineError> {
    let frame = |text: &str| -> Result<FrameId, EngineError> {
        frame_named(session, text)
            .map(|place| session.frames[place].id)
            .ok_or_else(|| usage(&format!("there is no frame {text}"), "give the number of a frame"))
    };
    let mut hints = BalanceHints::default();
    for text in &args.grey_point {
        let (number, place) = parse_grey_point(text).ok_or_else(|| {
            usage(&format!("“{text}” is no grey point"), "give FRAME:X,Y in scan pixels, such as 5:1200,830")
        })?;
        hints.grey_points.push((frame(number)?, place));
    }
    hints.daylight = args.daylight.iter().map(|text| frame(text)).collect::<Result<_, _>>()?;
    Ok(hints)
}

fn parse_grey_point(text: &str) -> Option<(&str, Point<glassine_raster::Scan>)> {
    let (frame, place) = text.split_once(':')?;
    let (x, y) = place.split_once(',')?;
    let number =
        |text: &str| text.trim().parse().ok().filter(|v: &f64| v.is_finite() && (0.0..1e7).contains(v));
    Some((frame, Point::new(number(x)?, number(y)?)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grey_point_is_a_frame_and_a_place() {
        let (frame, place) = parse_grey_point("12A:1200, 830.5").expect("a grey point");
        assert_eq!((frame, place.x, place.y), ("12A", 1200.0, 830.5));
        for bad in ["", "5", "5:", "5:1", "5:a,1", "5:1,nan", "5:-1,2"] {
            assert!(parse_grey_point(bad).is_none(), "{bad}");
        }
    }
}
