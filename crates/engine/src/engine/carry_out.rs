//! How the engine carries out jobs.

use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};

use glassine_film::SolveHints;
use glassine_raster::CancelToken;
use glassine_scanfile::Overwrite;
use glassine_session::{Edit, FrameId, Relink, ScanId, Session};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::films::sharing;
use crate::build::import::FindRequest;
use crate::dust::RepairKey;
use crate::engine::Engine;
use crate::error::{EngineError, Notice, Severity};
use crate::frame::FrameContext;
use crate::jobs::worker::{SendEvent, Worker};
use crate::jobs::{Job, JobEdits, JobEventKind, SaveOver};
use crate::preview::scan_pictures::scan_marks;
use crate::scans::relink::FoundBy;
use crate::scans::shown;
use crate::session_files::{self, MadeSession, SaveMode, SaveOutcome};
use crate::types::{ExactCount, Preview, PreviewRequest, SessionAt, ViewKey};

impl Worker for Engine {
    fn run(
        &self,
        at: &SessionAt,
        job: Job,
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let progress = |share: f32, what: &str| {
            send(JobEventKind::Progress { share, detail: what.to_owned() });
        };
        let analysis = self.analysis(at.folder.as_deref(), cancel, &progress);
        match job {
            Job::OpenSession { path } => {
                send(session_ready(session_files::open_to_work(&path, self.saving_run(), cancel)?));
            }
            Job::OpenScans(request) => {
                let session = Session { title: request.title.clone(), ..Session::default() };
                let mut builder = EditBuilder::new(session);
                analysis.open_scans(&mut builder, &request)?;
                let EditBuilder { session, notices, edits: _ } = builder;
                let made = MadeSession { session, notices, ..MadeSession::default() };
                send(session_ready(made));
            }
            Job::MakeSession { label: _, maker } => send(session_ready((maker.0)(cancel, &progress)?)),
            Job::AddScans(request) => {
                edits("add scans", at, send, |builder| analysis.open_scans(builder, &request).map(|_| ()))?;
            }
            Job::HoldScans => self.hold_session(&at.session, at.folder.as_deref()),
            Job::FindOnScans { scans, request } => {
                self.find_on_scans(at, &scans, &FindRequest::of(&request), cancel, send)?;
            }
            Job::SolveTogether { scans, are_single_frames } => {
                edits("solve scans together", at, send, |builder| {
                    analysis.solve_and_order(builder, &scans, are_single_frames)
                })?;
            }
            Job::HashScans { scans } => self.hash_scans(at, &scans, cancel, send)?,
            Job::CheckScans { depth } => {
                let checks = self.check_scans(at, depth, cancel, &progress)?;
                send(JobEventKind::ScansChecked { depth, checks });
            }
            Job::MeasureScan { scan } => send(self.scan_measured(at, scan, cancel, &progress)?),
            Job::Relink { folders } => self.relink_scans(at, &folders, cancel, send)?,
            Job::ReadScan { label, scan } => {
                edits(&label, at, send, |builder| analysis.read_scan(builder, *scan))?;
            }
            Job::LookAtLock { path } => send(JobEventKind::LockSeen(session_files::lock_holder(&path))),
            Job::FindFrames { .. } | Job::JoinScans { .. } | Job::Rescan(_) => {
                from_scan(&analysis, at, job, send)?;
            }
            Job::MeasureBase { strip, area } => {
                edits("measure film base", at, send, |builder| {
                    analysis.measure(builder, strip, area)?;
                    analysis.solve(builder, &[strip], &SolveHints::default())
                })?;
            }
            Job::SolveStrip { strip, alone } => {
                edits("solve strip", at, send, |builder| {
                    let film = if alone { vec![strip] } else { sharing(&builder.session, strip) };
                    analysis.solve(builder, &film, &SolveHints::default())
                })?;
            }
            Job::SolveFilms { strips } => {
                edits("solve roll", at, send, |builder| analysis.solve_films(builder, &strips))?;
            }
            Job::GreyPoint { .. }
            | Job::MatchFrames { .. }
            | Job::SuggestSharpening { .. }
            | Job::MeasureEdge { .. }
            | Job::MeasureSharpening { .. }
            | Job::CompareFocus(_)
            | Job::MeasureStock { .. }
            | Job::ApplyStock { .. }
            | Job::SaveStock { .. }
            | Job::LoadStock { .. } => self.run_adjustment(at, job, cancel, send)?,
            Job::Overview { scan } => {
                self.send_overview(at, scan, cancel, send, &|share| progress(share, "reading the scan"))?;
            }
            Job::MarkScan { scan, marks } => {
                let (picture, pixels) = scan_marks(&self.scans, at, (scan, marks), cancel)?;
                send(JobEventKind::ScanMarked { marks, picture: Arc::new(picture), pixels });
            }
            Job::WriteScan { scan, path } => {
                self.write_scan(at, scan, &path, Overwrite::Never, cancel)?;
                send(JobEventKind::ScanWritten(path));
            }
            Job::Save { path, over, autosaves } => self.save(at, &path, &over, &autosaves, send)?,
            Job::Autosave { path } => {
                session_files::autosave_session(self.saving_run(), &at.session, &path)?;
                send(JobEventKind::Autosaved { session: Box::new(at.session.clone()) });
            }
            Job::FindUnsaved => send(JobEventKind::UnsavedFound(self.saving_run().unsaved_work())),
            Job::DiscardAutosaves(paths) => {
                // Each is removed, even if another one fails.
                let outcomes: Vec<_> =
                    paths.iter().map(|path| session_files::discard_autosave(path)).collect();
                outcomes.into_iter().collect::<Result<(), _>>()?;
            }
            Job::Count { frames } => self.count_frames(at, &frames, cancel, send)?,
            Job::Export(request) => {
                let report = self.export(&request, cancel, &progress)?;
                send(JobEventKind::Exported(Box::new(report)));
            }
        }
        Ok(())
    }

    fn preview(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<Option<RepairKey>, EngineError> {
        self.previews.preview(request, cancel, ready)
    }

    fn look_for_dust(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<(), EngineError> {
        let (ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _)) =
            request.key
        else {
            return Ok(());
        };
        let at = &request.at;
        let context = FrameContext::of(&at.session, id, at.folder.as_deref(), &self.scans)?;
        let repair = self.repairs.for_screen(&context, cancel, progress)?;
        self.repairs.show(&repair);
        Ok(())
    }

    fn look_ahead(
        &self,
        request: &PreviewRequest,
        toward: (f64, f64),
        cancel: &CancelToken,
    ) -> Result<(), EngineError> {
        self.previews.look_ahead(request, toward, cancel)
    }
}

fn session_ready(made: MadeSession) -> JobEventKind {
    JobEventKind::SessionReady(Box::new(made))
}

fn from_scan(
    analysis: &AnalysisContext<'_>,
    at: &SessionAt,
    job: Job,
    send: SendEvent<'_>,
) -> Result<(), EngineError> {
    match job {
        Job::FindFrames { scan, film, format_id } => {
            let request = FindRequest { film, format_id, ..FindRequest::default() };
            edits("find frames", at, send, |builder| analysis.find_frames(builder, scan, &request))
        }
        Job::JoinScans { scans } => edits("join scans", at, send, |builder| {
            analysis.join_scans(builder, &scans, &FindRequest::default()).map(|_| ())
        }),
        Job::Rescan(request) => edits("scan again", at, send, |builder| analysis.rescan(builder, &request)),
        _ => Ok(()),
    }
}

/// Compute edits of the session and send them as one step.
fn edits(
    label: &str,
    at: &SessionAt,
    send: SendEvent<'_>,
    work: impl FnOnce(&mut EditBuilder) -> Result<(), EngineError>,
) -> Result<(), EngineError> {
    let mut builder = EditBuilder::new(at.session.clone());
    work(&mut builder)?;
    send_edits(label.to_owned(), at, builder, send);
    Ok(())
}

fn send_edits(label: String, at: &SessionAt, builder: EditBuilder, send: SendEvent<'_>) {
    let EditBuilder { session: _, edits, notices } = builder;
    send(JobEventKind::Edits(Box::new(JobEdits { label, base: at.session.clone(), edits, notices })));
}

impl Engine {
    /// A coarse overview of a scan if there is one soon, then the overview.
    fn send_overview(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
        send: SendEvent<'_>,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<(), EngineError> {
        if let Some(picture) = self.coarse_overview(at, scan, cancel)? {
            send(JobEventKind::CoarseOverviewReady(Arc::new(picture)));
        }
        let picture = self.scan_picture(at, scan, cancel, share)?;
        send(JobEventKind::OverviewReady(Arc::new(picture)));
        Ok(())
    }

    fn scan_measured(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<JobEventKind, EngineError> {
        let report = Box::new(self.check_scan(at, scan, cancel, progress)?);
        Ok(JobEventKind::ScanMeasured { scan, report })
    }

    /// Find the frames of one scan after another. Each result is based on the same session, so that it can be used
    /// alone. An unreadable scan does not hold up the others.
    fn find_on_scans(
        &self,
        at: &SessionAt,
        scans: &[ScanId],
        request: &FindRequest,
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let mut failure = None;
        for (idx, scan) in scans.iter().enumerate() {
            cancel.check()?;
            let Some(scan_ref) = at.session.scan(*scan) else { continue };
            let progress = |share: f32, what: &str| {
                let share = (idx as f32 + share) / scans.len() as f32;
                let detail = match scans.len() {
                    1 => what.to_owned(),
                    count => format!("{what}, scan {} of {count}", idx + 1),
                };
                send(JobEventKind::Progress { share, detail });
            };
            let analysis = self.analysis(at.folder.as_deref(), cancel, &progress);
            let mut builder = EditBuilder::new(at.session.clone());
            match analysis.find_frames(&mut builder, *scan, request) {
                Ok(()) => send_edits(format!("find frames of {}", shown(&scan_ref.path)), at, builder, send),
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => failure = failure.or(Some(error)),
            }
        }
        failure.map_or(Ok(()), Err)
    }

    fn relink_scans(
        &self,
        at: &SessionAt,
        folders: &[PathBuf],
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let found = self.relink(at, folders, cancel)?;
        if found.is_empty() {
            return Err(EngineError::user_error(
                "no missing scan was found in this folder or its subfolders",
                "choose another folder; scans are known by their content, so they may have other names",
            ));
        }
        let by_name = found.iter().filter(|found| found.found_by == FoundBy::Name).count();
        let count = found.len();
        let relinks = found.into_iter().map(|found| Relink {
            scan: found.scan,
            from: found.from,
            path: Some(found.path),
            infrared_path: found.infrared_path,
        });
        let mut builder = EditBuilder::new(at.session.clone());
        builder.push(Edit::RelinkScans(relinks.collect()))?;
        let scans = if count == 1 { "scan was" } else { "scans were" };
        let notice = match by_name {
            0 => Notice::new(Severity::Info, format!("{count} {scans} found by content"), ""),
            _ => Notice::new(
                Severity::Warning,
                format!("{count} {scans} found, {by_name} of them by name and size only"),
                "look whether the boxes fit",
            ),
        };
        builder.notices.push(notice);
        send_edits("find scans".to_owned(), at, builder, send);
        Ok(())
    }

    fn hash_scans(
        &self,
        at: &SessionAt,
        scans: &[ScanId],
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let count = scans.len().max(1) as f32;
        for (idx, scan) in scans.iter().enumerate() {
            let Some(scan_ref) = at.session.scan(*scan) else { continue };
            let path = glassine_session::file::resolve_path(&scan_ref.path, at.folder.as_deref());
            let bytes = scan_ref.fingerprint.as_ref().map_or(u64::MAX, |print| print.bytes.max(1));
            let share = |done: u64| {
                let share = (idx as f32 + done as f32 / bytes as f32) / count;
                send(JobEventKind::Progress { share, detail: shown(&path).into_owned() });
            };
            let print = match self.fingerprint(&path, cancel, &share) {
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                print => print.map_err(|error| error.notice()),
            };
            send(JobEventKind::Hashed { scan: *scan, path: scan_ref.path.clone(), print });
        }
        Ok(())
    }

    fn save(
        &self,
        at: &SessionAt,
        path: &Path,
        over: &SaveOver,
        autosaves: &[PathBuf],
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let mut written = self.written.lock().unwrap_or_else(PoisonError::into_inner);
        let real = session_files::real_path(path);
        // A save requested before the last one ended overwrites what that one wrote.
        let own = written.get(&real).filter(|(key, _)| *key == at.key).map(|(_, state)| state);
        let mode = match over {
            SaveOver::Chosen => SaveMode::Replace,
            SaveOver::Theirs => SaveMode::TakeOver,
            SaveOver::Opened(opened) => match own.or(opened.as_ref()) {
                Some(state) => SaveMode::Known(state),
                None => SaveMode::New,
            },
        };
        match session_files::save_session(self.saving_run(), &at.session, path, mode, autosaves)? {
            SaveOutcome::Saved(saved) => {
                written.insert(real, (at.key, saved.state.clone()));
                let is_chosen = *over == SaveOver::Chosen;
                let access = is_chosen.then(|| session_files::lock_session(&saved.path, self.saving_run()));
                let session = Box::new(at.session.clone());
                send(JobEventKind::Saved { session, saved: Box::new(saved), access });
            }
            SaveOutcome::Conflict(conflict) => send(JobEventKind::SaveConflict(Box::new(conflict))),
        }
        Ok(())
    }

    /// Count frames one after another; a frame that cannot be counted does not hold up the others.
    fn count_frames(
        &self,
        at: &SessionAt,
        frames: &[FrameId],
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        let count = frames.len().max(1);
        for (idx, frame) in frames.iter().enumerate() {
            cancel.check()?;
            let detail = if count > 1 { format!("frame {} of {count}", idx + 1) } else { String::new() };
            let share = |part: f32| {
                let share = (idx as f32 + part) / count as f32;
                send(JobEventKind::Progress { share, detail: detail.clone() });
            };
            let counted = at.session.frame(*frame).ok_or(EngineError::NoFrame(*frame)).and_then(|frame| {
                let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
                self.exporter().count_every_pixel(&at.session.output, &context, cancel, &share)
            });
            let count = match counted {
                Ok(histogram) => Ok(ExactCount::from(&histogram)),
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => Err(error.notice()),
            };
            send(JobEventKind::Counted { frame: *frame, count });
        }
        Ok(())
    }
}
