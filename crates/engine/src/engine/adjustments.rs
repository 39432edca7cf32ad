//! The jobs behind what the user points at: grey point, matching, sharpness, measured stocks and their files.

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::Edit;

use crate::build::stock_files::load_stock;
use crate::engine::Engine;
use crate::error::{EngineError, Notice, Severity, counted};
use crate::jobs::worker::SendEvent;
use crate::jobs::{GreyReach, Job, JobEdits, JobEventKind};
use crate::render::look_values;
use crate::types::SessionAt;

impl Engine {
    /// Run one of the jobs that turn what the user pointed at into settings.
    pub(super) fn run_adjustment(
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
        let analysis = self.quiet_analysis(at, cancel);
        match job {
            Job::GreyPoint { frame, center, radius_px, reach } => {
                let place = (frame, center, radius_px);
                let (found, notice) = analysis.grey_point(&at.session, place, reach == GreyReach::Film)?;
                edits("set grey point".to_owned(), found, vec![notice]);
            }
            Job::MatchFrames { frames, target } => {
                let number = at.session.frame(target).ok_or(EngineError::NoFrame(target))?.number;
                let (found, mut notices) = analysis.match_frames(&at.session, &frames, target)?;
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
            Job::SuggestSharpening { frames } => {
                let (mut found, mut notices) = (Vec::new(), Vec::new());
                for frame in frames {
                    let suggested = self.suggest_sharpening(at, frame, cancel)?;
                    let values = look_values(&suggested.sharpening).into_iter();
                    found.extend(values.map(|(param, value)| Edit::SetParam {
                        frames: vec![frame],
                        param,
                        value,
                    }));
                    let number = at.session.frame(frame).map(|frame| at.session.number_text(frame));
                    let headline = format!("frame {}: {suggested}", number.unwrap_or_default());
                    notices.push(Notice::new(
                        Severity::Info,
                        headline,
                        "undo restores the previous sharpening",
                    ));
                }
                edits("take suggested sharpening".to_owned(), found, notices);
            }
            Job::MeasureEdge { scan, area } => {
                let report = match self.sfr(at, scan, Some(area), cancel) {
                    Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                    found => found.map(Box::new).map_err(|error| error.notice()),
                };
                send(JobEventKind::EdgeMeasured { scan, area, report });
            }
            Job::MeasureSharpening { frame, region } => {
                let effect = self.sharpening_effect(at, frame, region, cancel)?;
                send(JobEventKind::SharpeningMeasured { frame, effect });
            }
            Job::CompareFocus(request) => {
                let progress = |share: f32, what: &str| {
                    send(JobEventKind::Progress { share, detail: what.to_owned() });
                };
                let report = self.compare_focus(&request, cancel, &progress)?;
                send(JobEventKind::FocusCompared(Box::new(report)));
            }
            Job::MeasureStock { frame, place, target, name } => {
                let found = analysis.measure_stock(&at.session, frame, &place, &target, &name);
                let other = match &found {
                    Err(EngineError::Cancelled) => None,
                    Err(_) => analysis.other_way_round(&at.session, frame, &place, &target),
                    Ok(_) => None,
                };
                if let Some(notice) = other {
                    return Err(EngineError::Permanent(notice));
                }
                send(JobEventKind::StockMeasured(Box::new(found?)));
            }
            Job::ApplyStock { stock, strips } => {
                let found = analysis.apply_stock(&at.session, &stock, &strips)?;
                let headline =
                    format!("{} solved with stock “{}”", counted(strips.len(), "strip"), stock.name);
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
                let (stock, notice) = load_stock(&at.session, &path)?;
                edits(
                    format!("load stock “{}”", stock.name),
                    vec![Edit::AddStock(Box::new(stock))],
                    vec![notice],
                );
            }
            // The engine itself runs every other job.
            _ => return Err(EngineError::internal("this step is not an adjustment")),
        }
        Ok(())
    }
}
