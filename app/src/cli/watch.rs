//! `glassine watch`: takes scans as they appear in a folder, finds their frames, solves and exports them.
//!
//! What is done is in the session file, so a second run goes on where the first one ended.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use glassine_engine::session_files::{SaveMode, folder_of, lock_session, save_session};
use glassine_engine::{
    Engine, EngineError, ExportRequest, FrameScope, NewSessionRequest, Notice, SessionAt, Severity, counted,
};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_session::{FrameId, ScanRef, Session};
use serde_json::{Value, json};

use super::new::{session_path, usage};
use super::{
    Outcome, Printing, failed_json, notices_json, open_to_change, parse_film, path_json, print_json,
    print_line, print_notice, progress, refuse_held,
};
use crate::model::doubts::{Doubt, doubts, strip_doubts};
use crate::services::arrivals::{
    Arrivals, Arriving, LOOK_AGAIN, NewScan, events_of, late_infrared_notice, scans_in,
};

/// Take scans as they appear in a folder: find frames, solve, save the session, export
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// Folder to watch; folders inside it are left alone
    pub folder: PathBuf,
    /// Session file that takes the scans; made if it is missing
    #[arg(long)]
    pub session: PathBuf,
    /// Export the frames of each scan into this folder; existing files are never replaced
    #[arg(long, value_name = "DIR")]
    pub to: Option<PathBuf>,
    /// colour-negative, black-and-white or slide; recognised if omitted
    #[arg(long, value_parser = parse_film)]
    pub film: Option<FilmKind>,
    /// Frame format, such as 135 or 6x4.5; recognised if omitted
    #[arg(long)]
    pub format: Option<String>,
    /// Every file holds one frame, such as camera copies
    #[arg(long)]
    pub one_frame_per_file: bool,
    /// Take what is there, then end
    #[arg(long)]
    pub once: bool,
    #[command(flatten)]
    pub printing: Printing,
}

/// What happened so far, for the JSON document.
#[derive(Debug, Default)]
struct Tally {
    added: Vec<Value>,
    written: Vec<Value>,
    failed: Vec<Value>,
}

impl Tally {
    fn fail(&mut self, path: &Path, notice: &Notice) {
        print_notice(notice);
        self.failed.push(failed_json(path, notice));
    }
}

pub(super) fn run(args: &WatchArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let path = session_path(&args.session);
    scans_in(&args.folder).map_err(|error| {
        usage(&format!("{} can't be read: {error}", args.folder.display()), "name a folder that exists")
    })?;
    if args.to.as_deref().is_some_and(|to| is_same_folder(to, &args.folder)) {
        return Err(usage(
            "pictures written into the watched folder would be taken for scans",
            "name another folder with --to; one inside the watched folder will do",
        ));
    }
    let engine = Engine::new();
    let mut taken = taken_scans(&engine, &path, cancel)?;
    let (events, _watcher) = events_of(&args.folder);
    let (mut arrivals, mut tally) = (Arrivals::default(), Tally::default());
    if !args.once {
        print_notice(&Notice::new(
            Severity::Info,
            format!("watching {}", args.folder.display()),
            "stop with Ctrl+C; what is taken is in the session",
        ));
    }
    let ended = loop {
        if cancel.is_cancelled() {
            break Outcome::Stopped;
        }
        // A folder that is away for a moment, such as one on the network, is looked at again later.
        let found = scans_in(&args.folder).unwrap_or_default();
        let Arriving { complete, late_infrared, is_growing } = arrivals.look(&found, &taken, Instant::now());
        for scan in complete {
            match take(args, &engine, &path, &scan, &mut tally, cancel) {
                Ok(()) => {
                    taken.insert(scan.path);
                    taken.extend(scan.infrared);
                }
                Err(EngineError::Cancelled) => break,
                Err(error) => {
                    tally.fail(&scan.path, &error.notice().about(scan.path.clone()));
                    let is_of_scan =
                        |file: &PathBuf| *file == scan.path || scan.infrared.as_ref() == Some(file);
                    arrivals.failed.extend(found.iter().filter(|(file, _)| is_of_scan(file)).cloned());
                }
            }
        }
        for (scan, infrared) in late_infrared {
            let what_to_do =
                format!("to use it: glassine read-as {path:?} --scan {scan:?} --infrared {infrared:?}");
            print_notice(&late_infrared_notice(&scan, what_to_do));
            taken.insert(infrared);
        }
        if args.once && !is_growing {
            break if tally.failed.is_empty() { Outcome::Done } else { Outcome::SomeFailed };
        }
        // An event ends the wait; several at once count as one.
        if events.recv_timeout(LOOK_AGAIN).is_ok() {
            std::thread::sleep(Duration::from_millis(50));
            events.try_iter().for_each(drop);
        }
    };
    if args.printing.json {
        let Tally { added, written, failed } = tally;
        print_json(&json!({
            "session": path_json(&path),
            "added": added,
            "written": written,
            "failed": failed,
        }));
    }
    Ok(ended)
}

/// Whether both names lead to one folder.
fn is_same_folder(one: &Path, other: &Path) -> bool {
    let real = |path: &Path| path.canonicalize().or_else(|_missing| std::path::absolute(path));
    real(one).ok().zip(real(other).ok()).is_some_and(|(one, other)| one == other)
}

/// Files that the session has already: scans and their infrared.
fn taken_scans(engine: &Engine, path: &Path, cancel: &CancelToken) -> Result<HashSet<PathBuf>, EngineError> {
    if path.symlink_metadata().is_err() {
        return Ok(HashSet::new());
    }
    let opened = super::open(engine, path, cancel)?.0;
    let folder = opened.folder.clone();
    let whole =
        |scan: &Path| folder.as_deref().map_or_else(|| scan.to_path_buf(), |folder| folder.join(scan));
    let files = |scan: &ScanRef| [Some(scan.path.clone()), scan.infrared_path.clone()];
    let all = opened.session.scans.iter().flat_map(|scan| files(scan).into_iter().flatten());
    Ok(all.map(|file| whole(&file)).collect())
}

/// Adds one scan to the session and exports its frames.
fn take(
    args: &WatchArgs,
    engine: &Engine,
    path: &Path,
    scan: &NewScan,
    tally: &mut Tally,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let request = NewSessionRequest {
        scans: vec![scan.path.clone()],
        infrared: scan.infrared.clone(),
        film: args.film,
        format_id: args.format.clone(),
        one_frame_per_file: args.one_frame_per_file,
        ..NewSessionRequest::default()
    };
    let (session, before, notices) = if path.symlink_metadata().is_err() {
        let access = lock_session(path, engine.saving_run());
        refuse_held(&access, path)?;
        let made = engine.new_session(&request, cancel, &progress)?;
        cancel.check()?;
        engine.hold_session(&made.session, None);
        save_session(engine.saving_run(), &made.session, path, SaveMode::New, &[])?.into_saved()?;
        (made.session, HashSet::new(), made.notices)
    } else {
        let changing = open_to_change(engine, path, cancel)?;
        let before: HashSet<FrameId> = changing.at.session.frames.iter().map(|frame| frame.id).collect();
        let last = changing.at.session.strips_in_order().last().and_then(|strip| strip.roll);
        let request = NewSessionRequest { roll: last, ..request };
        let made = engine.extend_session(changing.at.session.clone(), &request, cancel, &progress)?;
        cancel.check()?;
        changing.save(engine, &made.session)?;
        (made.session, before, made.notices)
    };
    notices.iter().for_each(print_notice);
    let new: Vec<FrameId> =
        session.frames.iter().map(|frame| frame.id).filter(|id| !before.contains(id)).collect();
    let doubtful = doubtful_of(&session, &new);
    if !args.printing.json {
        let infrared = if scan.infrared.is_some() { ", with infrared" } else { "" };
        print_line(&format!("{}: {}{infrared}", scan.path.display(), counted(new.len(), "frame")));
        doubtful.iter().for_each(|(number, text)| print_line(&format!("  frame {number}: {text}")));
    }
    tally.added.push(json!({
        "file": path_json(&scan.path),
        "infrared_file": scan.infrared.as_deref().map(path_json),
        "frames": new.iter().map(|id| id.0).collect::<Vec<_>>(),
        "doubtful": doubtful.iter().map(|(number, text)| json!({ "frame": number, "what": text })).collect::<Vec<_>>(),
        "notices": notices_json(&notices),
    }));
    match &args.to {
        Some(folder) if !new.is_empty() => export(engine, path, session, new, folder, tally, cancel),
        _ => Ok(()),
    }
}

/// Numbers of new frames that deserve a look, with the reason.
fn doubtful_of(session: &Session, new: &[FrameId]) -> Vec<(String, String)> {
    let frames = new.iter().filter_map(|id| session.frame(*id));
    frames
        .flat_map(|frame| {
            let number = session.number_text(frame);
            let strip = session.strip(frame.strip);
            let is_first = strip.is_some_and(|strip| {
                session.frames_of(strip.id).next().is_some_and(|first| first.id == frame.id)
            });
            let of_strip = strip.filter(|_| is_first).map(|strip| strip_doubts(strip)).unwrap_or_default();
            let all = doubts(session, frame).into_iter().chain(of_strip);
            all.map(|doubt: Doubt| (number.clone(), doubt.text())).collect::<Vec<_>>()
        })
        .collect()
}

fn export(
    engine: &Engine,
    path: &Path,
    session: Session,
    frames: Vec<FrameId>,
    folder: &Path,
    tally: &mut Tally,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let request = ExportRequest {
        scope: FrameScope::Only(frames),
        written_at: crate::platform::clock::now_text(),
        ..ExportRequest::new(SessionAt::new(session, folder_of(path)), folder.to_path_buf())
    };
    let report = engine.export(&request, cancel, &progress)?;
    for failed in &report.failed {
        let about = failed.notice.path.clone().unwrap_or_else(|| folder.to_path_buf());
        tally.fail(&about, &failed.notice);
    }
    for file in &report.written {
        print_progress_line(&file.path);
        tally.written.push(json!({ "frame": file.frame.0, "path": path_json(&file.path) }));
    }
    if report.cancelled { Err(EngineError::Cancelled) } else { Ok(()) }
}

/// A written file, told on the error stream so that `--json` stays one document.
fn print_progress_line(path: &Path) {
    print_notice(&Notice::new(Severity::Info, format!("written: {}", path.display()), ""));
}
