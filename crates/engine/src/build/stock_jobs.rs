//! The jobs behind what the user points at: grey point, matching, measured stocks and their files.

use std::io::Read as _;
use std::path::Path;

use glassine_film::Stock;
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, open_regular, write_bytes_atomic};
use glassine_session::{Edit, FrameId};

use crate::build::adjust::{ChartPlace, StockTarget, free_stock_id};
use crate::jobs::worker::SendEvent;
use crate::jobs::{Job, JobEdits, JobEventKind};
use crate::types::SessionAt;
use crate::{Engine, EngineError, Notice, Severity};

/// Largest stock file that is read; real ones take a few kilobytes.
const MAX_STOCK_BYTES: u64 = 1 << 20;

impl Engine {
    /// Run one of the jobs that turn what the user pointed at into settings.
    pub(crate) fn run_adjustment(
        &self,
        at: &SessionAt,
        job: Job,
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let edits = |label: String, edits: Vec<Edit>, notices: Vec<Notice>| {
            let base = at.session.clone();
            send(JobEventKind::Edits(Box::new(JobEdits { label, base, edits, notices })));
        };
        match job {
            Job::GreyPoint { frame, center, radius_px } => {
                let found = self.grey_point(at, frame, center, radius_px, cancel)?;
                edits("set grey point".to_owned(), found, Vec::new());
            }
            Job::MatchFrames { frames, target } => {
                let number = at.session.frame(target).ok_or(EngineError::NoFrame(target))?.number;
                let found = self.match_frames(at, &frames, target, cancel)?;
                let mut notices = Vec::new();
                if found.is_empty() {
                    let headline = format!("nothing could be matched to frame {number}");
                    notices.push(Notice::new(
                        Severity::Warning,
                        headline,
                        "select frames with a picture on them",
                    ));
                }
                edits(format!("match to frame {number}"), found, notices);
            }
            Job::MeasureStock { frame, place, target, name } => {
                let found = self.measure_stock(at, frame, &place, &target, &name, cancel);
                let other = match &found {
                    Err(EngineError::Cancelled) => None,
                    Err(_) => self.other_way_round(at, frame, &place, &target, cancel),
                    Ok(_) => None,
                };
                if let Some(notice) = other {
                    return Err(EngineError::Told(notice));
                }
                send(JobEventKind::StockMeasured(Box::new(found?)));
            }
            Job::ApplyStock { stock, strips } => {
                let found = self.apply_stock(at, &stock, &strips, cancel)?;
                let count = strips.len();
                let which = if count == 1 { "one strip".to_owned() } else { format!("{count} strips") };
                let headline = format!("{which} solved with stock “{}”", stock.name);
                let what = "check the prints; undo restores the previous stock";
                let notice = Notice::new(Severity::Info, headline, what);
                edits(format!("use stock “{}”", stock.name), found, vec![notice]);
            }
            Job::SaveStock { stock, path } => {
                write_bytes_atomic(&path, stock.to_json().as_bytes(), Overwrite::Replace, None)?;
                let headline = format!("stock “{}” written", stock.name);
                let notice =
                    Notice::new(Severity::Info, headline, "it can be loaded into any session").about(&path);
                edits("write stock".to_owned(), Vec::new(), vec![notice]);
            }
            Job::LoadStock { path } => {
                let (stock, notice) = load(at, &path)?;
                edits(
                    format!("load stock “{}”", stock.name),
                    vec![Edit::AddStock(Box::new(stock))],
                    vec![notice],
                );
            }
            // The engine itself runs every other job.
            _ => return Err(EngineError::fault("this step is not an adjustment")),
        }
        Ok(())
    }

    /// Advice if an unreadable chart fits with its corners in another order.
    fn other_way_round(
        &self,
        at: &SessionAt,
        frame: FrameId,
        place: &ChartPlace,
        target: &StockTarget,
        cancel: &CancelToken,
    ) -> Option<Notice> {
        /// Mean CIEDE2000 that only the right order reaches.
        const FITS: f64 = 3.0;
        let StockTarget::Chart24(_) = target else { return None };
        let [a, b, c, d] = place.corners;
        for (corners, what) in [
            ([c, d, a, b], "press “turn” twice, then measure again"),
            ([d, a, b, c], "press “turn” once, then measure again"),
            ([b, c, d, a], "press “turn” three times, then measure again"),
            ([b, a, d, c], "press “mirror”, then measure again"),
            ([d, c, b, a], "press “turn” twice and “mirror”, then measure again"),
            ([a, d, c, b], "press “turn” once and “mirror”, then measure again"),
            ([c, b, a, d], "press “mirror”, then “turn” once, then measure again"),
        ] {
            let report = self.measure_stock(at, frame, &ChartPlace { corners }, target, "chart", cancel);
            if report.is_ok_and(|report| report.mean.1 < FITS) {
                let headline = "the chart is the wrong way round";
                return Some(Notice::new(Severity::Error, headline, what));
            }
        }
        None
    }
}

/// Read a stock file.
pub fn read_stock(path: &Path) -> Result<Stock, EngineError> {
    let told = |headline: String| {
        let what = "choose a stock file that was written by this program";
        EngineError::Told(Notice::new(Severity::Error, headline, what).about(path))
    };
    let unreadable = |error: std::io::Error| told(format!("the stock can't be read: {error}"));
    let (file, meta) = open_regular(path)?;
    if meta.len() > MAX_STOCK_BYTES {
        return Err(told(format!("the file has {} bytes, more than any stock has", meta.len())));
    }
    let mut text = String::new();
    file.take(MAX_STOCK_BYTES).read_to_string(&mut text).map_err(unreadable)?;
    Stock::from_json(&text).map_err(|error| told(error.to_string()))
}

/// A stock from a file, under an id that the session does not use for another stock.
fn load(at: &SessionAt, path: &Path) -> Result<(Stock, Notice), EngineError> {
    let mut stock = read_stock(path)?;
    let known = at.session.stock(&stock.id).is_some_and(|known| **known == stock);
    if !known {
        let is_taken = at.session.stock(&stock.id).is_some()
            || glassine_film::shipped_stocks().iter().any(|shipped| shipped.id == stock.id);
        if is_taken || stock.id.trim().is_empty() {
            stock.id = free_stock_id(at, &stock.name);
        }
    }
    let headline = format!("stock “{}” is kept with this session now", stock.name);
    let what = format!("choose it under film, for strips of {}", stock.kind.label().to_lowercase());
    Ok((stock, Notice::new(Severity::Info, headline, what)))
}
