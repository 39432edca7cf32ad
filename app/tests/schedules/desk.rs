//! The program on a stepped host, the actions on it, and the conditions that must hold.

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;
use std::sync::Arc;

use egui::{Context, Event, RawInput};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{
    BoxCommand, Command, EditCommand, ExportCommand, FileCommand, GesturePhase, JobCommand, SelectCommand,
    SelectHow, ViewCommand,
};
use glassine_app::model::preview_requests::{PreviewRequests, Viewport};
use glassine_app::model::questions::{Answer, Question};
use glassine_app::services::file_dialogs::PreparedPicker;
use glassine_engine::jobs::{JobEdits, JobEventKind};
use glassine_engine::{
    Engine, FrameScope, JobHost, Overlay, PictureSide, ScanMarks, ScanReading, SessionKey, Step, UnitRect,
    ViewKey, Worker,
};
use glassine_film::{FilmKind, Param};
use glassine_raster::PixelRect;
use glassine_session::{Edit, Session};
use glassine_testdata::random::SplitMix64;

use super::world::{World, family};

pub(crate) struct Desk {
    pub(crate) app: GlassineApp,
    pub(crate) world: Arc<World>,
    ctx: Context,
    dice: SplitMix64,
    now_s: f64,
    /// Mark of each session that was current.
    marks: HashMap<SessionKey, String>,
    /// States that each session had, by its mark.
    states: BTreeMap<String, Vec<Session>>,
    /// Newest revision seen in each place.
    seen: HashMap<(SessionKey, ViewKey), u64>,
    /// The state that the user last gave up.
    given_up: Option<Session>,
    in_gesture: bool,
    /// Edits that have arrived and must be in the session, with the key they arrived for.
    arrived: Vec<(SessionKey, Box<JobEdits>)>,
    counter: u32,
    /// Number of saves whose files were checked.
    checked_saves: u32,
    log: Vec<String>,
}

type Verdict = Result<(), String>;

impl Desk {
    pub(crate) fn new(seed: u64, ctx: &Context, engine: &Arc<Engine>) -> Self {
        let world = Arc::new(World::new(seed ^ 0x5EED));
        let jobs = JobHost::stepped(Arc::clone(engine), Arc::clone(&world) as Arc<dyn Worker>);
        let options = AppOptions { inline_jobs: true, ..AppOptions::default() };
        let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
        app.set_session(world.made("0"));
        let mut desk = Self {
            app,
            world,
            ctx: ctx.clone(),
            dice: SplitMix64::new(seed),
            now_s: 0.0,
            marks: HashMap::new(),
            states: BTreeMap::new(),
            seen: HashMap::new(),
            given_up: None,
            in_gesture: false,
            arrived: Vec::new(),
            counter: 0,
            checked_saves: 0,
            log: Vec::new(),
        };
        desk.note_state();
        desk
    }

    /// Makes one thing happen: a job runs, a report arrives, the user does something, or time passes.
    pub(crate) fn step(&mut self) -> Verdict {
        if self.dice.below(5) < 3 {
            let possible = self.app.jobs().possible_steps();
            if let Some(step) = self.dice.pick(&possible).cloned() {
                self.log.push(format!("{step:?}"));
                self.host_step(step);
                return self.frame(0.01, Vec::new());
            }
        }
        if self.dice.one_in(6) {
            let seconds = [0.1, 0.3, 0.6, 1.1][self.dice.below(4)];
            self.log.push(format!("wait {seconds}"));
            return self.frame(seconds, Vec::new());
        }
        let commands = self.act();
        self.log.push(format!("{commands:?}").chars().take(90).collect());
        commands.into_iter().for_each(|command| self.app.push(command));
        self.frame(0.01, Vec::new())
    }

    pub(crate) fn host_step(&mut self, step: Step) {
        let Some(event) = self.app.jobs().step(step) else { return };
        if let JobEventKind::Edits(edits) = event.kind {
            self.arrived.push((event.key, edits));
        }
    }

    /// Ends everything that is running, and makes everything that the views show.
    pub(crate) fn finish(&mut self) -> Verdict {
        self.world.disk().is_calm = true;
        if self.in_gesture {
            self.in_gesture = false;
            self.app.push(EditCommand::Gesture(GesturePhase::Commit));
        }
        if self.app.ui_state().question.is_some() {
            self.app.push(FileCommand::Answer(Answer::Cancel));
        }
        self.frame(0.01, Vec::new())?;
        self.app.show(requests(self.app.session()));
        self.frame(40.0, vec![Event::WindowFocused(true)])?;
        for _ in 0..2_000 {
            let possible = self.app.jobs().possible_steps();
            let Some(step) = self.dice.pick(&possible).cloned() else {
                if self.app.is_idle() && self.now_s > 2_000.0 {
                    return self.at_rest();
                }
                if self.app.ui_state().question.is_some() {
                    self.app.push(FileCommand::Answer(Answer::Cancel));
                }
                self.app.show(requests(self.app.session()));
                self.frame(500.0, vec![Event::WindowFocused(true)])?;
                continue;
            };
            self.log.push(format!("end {step:?}"));
            self.host_step(step);
            self.frame(0.01, Vec::new())?;
        }
        self.fault("it never came to rest")
    }

    fn at_rest(&self) -> Verdict {
        let session = self.app.session().clone();
        if let Some(job) = self.app.status().jobs.first() {
            return self.fault(&format!("“{}” is shown and is no more", job.label));
        }
        for frame in &session.frames {
            let shown = self.app.previews().arrived().find(|picture| picture.key == ViewKey::Print(frame.id));
            let Some(shown) = shown else {
                return self.fault(&format!("frame {} has no picture", frame.id));
            };
            if shown.overlay_share != frame.look.get(Param::ExposureStops) {
                return self.fault(&format!("frame {} shows an older state", frame.id));
            }
        }
        for scan in &session.scans {
            if self.app.previews().overview_factor(scan.id).is_none() {
                return self.fault(&format!("scan {} has no overview", scan.id));
            }
        }
        if self.app.history().is_unsaved() {
            let disk = self.world.disk();
            if !disk.autosaves.values().any(|autosave| is_same(autosave, &session)) {
                drop(disk);
                return self.fault("the session is neither saved nor autosaved");
            }
        }
        Ok(())
    }

    /// Runs one frame of the program, then checks that everything still belongs together.
    pub(crate) fn frame(&mut self, seconds: f64, events: Vec<Event>) -> Verdict {
        let (before, key, was_unsaved) =
            (self.app.session().clone(), self.app.session_key(), self.app.status().is_unsaved);
        let path = self.app.status().path.clone();
        self.now_s += seconds;
        self.ctx.begin_pass(RawInput { time: Some(self.now_s), events, ..RawInput::default() });
        self.app.logic(&self.ctx);
        self.ctx.end_pass().textures_delta.clear();
        self.note_state();
        if self.app.session_key() != key {
            self.in_gesture = false;
            self.left(&before, was_unsaved, path)?;
        }
        self.nothing_is_mixed()?;
        self.results_are_there()
    }

    /// Checks a session that was left: its last state must be in a file, unless the user gave it up.
    fn left(&self, last: &Session, was_unsaved: bool, path: Option<PathBuf>) -> Verdict {
        if was_unsaved {
            let is_given_up = self.given_up.as_ref().is_some_and(|given_up| is_same(given_up, last));
            // A save that the user waited for may have arrived just before.
            let is_saved = self.world.disk().files.values().any(|file| is_same(file, last));
            let is_kept = is_given_up || is_saved;
            return if is_kept { Ok(()) } else { self.fault("a session was left with changes unsaved") };
        }
        let Some(path) = path else { return Ok(()) };
        let disk = self.world.disk();
        let is_there = disk.files.get(&path).is_some_and(|file| {
            // The mark identifies the opening that wrote it; a second window on the file is allowed here.
            is_same(file, last) || file.notes != last.notes
        });
        drop(disk);
        if is_there { Ok(()) } else { self.fault("a session was left as saved, and its file is another") }
    }

    fn note_state(&mut self) {
        let session = self.app.session();
        let states = self.states.entry(session.notes.clone()).or_default();
        if states.last().is_none_or(|last| last != session) {
            states.push(session.clone());
        }
    }

    fn nothing_is_mixed(&mut self) -> Verdict {
        let (key, session) = (self.app.session_key(), self.app.session().clone());
        let mark = self.marks.entry(key).or_insert_with(|| session.notes.clone());
        if *mark != session.notes {
            return self.fault("the session became another one under its key");
        }
        if session.scans.iter().any(|scan| family(&scan.path) != session.title) {
            return self.fault("a scan of another session is in this one");
        }
        if session.frames.iter().any(|frame| session.context(frame).is_none()) {
            return self.fault("a frame has no strip or scan");
        }
        let mut ids: Vec<u32> = session.frames.iter().map(|frame| frame.id.0).collect();
        ids.extend(session.strips.iter().map(|strip| strip.id.0));
        ids.extend(session.scans.iter().map(|scan| scan.id.0));
        ids.sort_unstable();
        if ids.windows(2).any(|pair| pair[0] == pair[1]) {
            return self.fault("an id was given twice");
        }
        if self.app.status().path.as_deref().is_some_and(|path| family(path) != session.title) {
            return self.fault("the session has the path of another one");
        }
        self.no_solve_is_foreign(&session)?;
        self.files_are_states()?;
        for picture in self.app.previews().arrived() {
            if picture.session != key {
                return self.fault("a picture of another session is on screen");
            }
            let seen = self.seen.entry((key, picture.key)).or_default();
            if picture.revision < *seen {
                return self.fault("an older picture replaced a newer one");
            }
            *seen = picture.revision;
        }
        Ok(())
    }

    fn no_solve_is_foreign(&self, session: &Session) -> Verdict {
        let disk = self.world.disk();
        let ancestors = disk.ancestors.get(&session.notes).cloned().unwrap_or_default();
        drop(disk);
        for solve in session.strips.iter().filter_map(|strip| strip.solve.as_ref()) {
            let mark = solve.provenance.split(' ').next().unwrap_or_default();
            if mark != "made" && !ancestors.contains(mark) {
                return self.fault("a strip was solved by a job of another session");
            }
        }
        Ok(())
    }

    /// Checks that the file under a path is a state of the session that the path belongs to.
    fn files_are_states(&mut self) -> Verdict {
        let disk = self.world.disk();
        if disk.saves == self.checked_saves {
            return Ok(());
        }
        self.checked_saves = disk.saves;
        for (path, file) in &disk.files {
            if family(path) != file.title {
                drop(disk);
                return self.fault("a session was written over the file of another one");
            }
            let states = self.states.get(&file.notes);
            // Files that were never opened have no states.
            if states.is_some_and(|states| !states.iter().rev().any(|state| state == file)) {
                drop(disk);
                return self.fault("a file holds a state that its session never had");
            }
        }
        Ok(())
    }

    /// Checks that results which arrived are in the session, unless their subject is gone.
    fn results_are_there(&mut self) -> Verdict {
        if self.app.history().in_gesture() {
            return Ok(());
        }
        let (key, session) = (self.app.session_key(), self.app.session().clone());
        let arrived = std::mem::take(&mut self.arrived);
        let is_last = |at: usize, edit: &Edit| {
            // A later result for the same strip or scan replaces it.
            !arrived[at + 1..]
                .iter()
                .any(|(_, later)| later.edits.iter().any(|other| is_about_same(edit, other)))
        };
        for (at, (for_key, edits)) in arrived.iter().enumerate() {
            let searched = edits.edits.iter().find_map(|edit| match edit {
                Edit::ReplaceStrips { scan, .. } => Some(*scan),
                _ => None,
            });
            let is_gone = searched.is_some_and(|scan| session.scan(scan).is_none());
            for edit in edits.edits.iter().filter(|edit| *for_key == key && !is_gone && is_last(at, edit)) {
                if !is_in(&session, &edits.base, edit) {
                    return self.fault(&format!("a result is lost: {edit:?}"));
                }
            }
        }
        Ok(())
    }

    fn fault(&self, what: &str) -> Verdict {
        let last = self.log.iter().rev().take(40).rev().cloned().collect::<Vec<_>>();
        Err(format!("{what}; before it: {}", last.join(" | ")))
    }

    /// A random action of the user.
    fn act(&mut self) -> Vec<Command> {
        if self.app.ui_state().question.is_some() && !self.dice.one_in(4) {
            let answer =
                self.dice.pick(&[Answer::Yes, Answer::No, Answer::Cancel]).cloned().unwrap_or(Answer::Cancel);
            if answer == Answer::No {
                self.given_up = Some(self.app.session().clone());
            }
            return vec![Command::File(FileCommand::Answer(answer))];
        }
        let session = self.app.session().clone();
        let scan = self.dice.pick(&session.scans).map(|scan| scan.id);
        let strip = self.dice.pick(&session.strips).map(|strip| strip.id);
        let frame = self.dice.pick(&session.frames).map(|frame| frame.id);
        let one = |command: Option<Command>| command.into_iter().collect();
        match self.dice.below(22) {
            0..=3 => vec![self.exposure()],
            4 => one(frame.map(|frame| Command::Select(SelectCommand::Frame(frame, SelectHow::Only)))),
            5 => vec![Command::Box(BoxCommand::Add)],
            6 => vec![Command::Box(BoxCommand::Duplicate)],
            7 => vec![Command::Box(BoxCommand::Delete)],
            8 => vec![Command::Edit(EditCommand::Undo)],
            9 => vec![Command::Edit(EditCommand::Redo)],
            10 => self.gesture(),
            11 => one(strip.map(|strip| Command::Job(JobCommand::SolveStrip(strip)))),
            12 => one(scan.map(|scan| {
                let film = Some(FilmKind::ColourNegative);
                Command::Job(JobCommand::FindFrames { scan, film, format_id: None })
            })),
            13 if self.app.status().conflict.is_some() => vec![Command::File(FileCommand::TakeOver)],
            13 => vec![Command::File(FileCommand::Save)],
            14 => vec![Command::File(FileCommand::SaveAs(self.free_path(&session.title)))],
            15 => {
                let files: Vec<PathBuf> = self.world.disk().files.keys().cloned().collect();
                one(self.dice.pick(&files).cloned().map(|path| Command::File(FileCommand::Open(vec![path]))))
            }
            16 | 17 => self.open_scans(&session),
            18 => {
                let output = glassine_session::OutputSettings {
                    folder: Some(PathBuf::from("/nowhere/pictures")),
                    ..session.output.clone()
                };
                vec![
                    Command::Export(ExportCommand::SetOutput(output)),
                    Command::Export(ExportCommand::Start { scope: FrameScope::All, replace: true }),
                ]
            }
            19 if self.dice.one_in(3) => vec![Command::Job(JobCommand::Cancel)],
            _ => {
                let mut shown = requests(&session);
                let dice = &mut self.dice;
                shown.pictures.retain(|_| !dice.one_in(3));
                self.app.show(shown);
                Vec::new()
            }
        }
    }

    fn exposure(&mut self) -> Command {
        self.counter += 1;
        Command::Edit(EditCommand::SetParam(Param::ExposureStops, f64::from(self.counter) * 1e-3))
    }

    fn gesture(&mut self) -> Vec<Command> {
        if !self.in_gesture {
            self.in_gesture = true;
            return vec![
                Command::Edit(EditCommand::Gesture(GesturePhase::Begin("pull".to_owned()))),
                self.exposure(),
            ];
        }
        match self.dice.below(3) {
            0 => vec![self.exposure()],
            1 => {
                self.in_gesture = false;
                vec![Command::Edit(EditCommand::Gesture(GesturePhase::Commit))]
            }
            _ => {
                self.in_gesture = false;
                vec![Command::Edit(EditCommand::Gesture(GesturePhase::Cancel))]
            }
        }
    }

    fn free_path(&mut self, name: &str) -> PathBuf {
        let number = self.dice.below(3);
        PathBuf::from(format!("/nowhere/files/{name}-{number}.session.json"))
    }

    /// Opens scans for a new session, or adds some to this one.
    fn open_scans(&mut self, session: &Session) -> Vec<Command> {
        let add = self.dice.one_in(2);
        self.counter += 1;
        let name = if add { session.title.clone() } else { self.counter.to_string() };
        let count = 1 + self.dice.below(2);
        let scans =
            (0..count).map(|at| PathBuf::from(format!("/nowhere/scans/{name}-x{}{at}.tif", self.counter)));
        let question = Question::NewSession {
            scans: scans.collect(),
            film: None,
            format_id: None,
            reading: ScanReading::default(),
            one_frame_per_file: self.dice.one_in(2),
            add,
        };
        vec![Command::View(ViewCommand::Ask(question)), Command::File(FileCommand::Answer(Answer::Yes))]
    }
}

/// Every place of a session.
pub(crate) fn requests(session: &Session) -> PreviewRequests {
    let viewport = Viewport {
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::of_size(10, 10),
        size_px: [10, 10],
        side: PictureSide::Positive,
        overlay: Overlay::None,
    };
    let prints = session.frames.iter().map(|frame| ViewKey::Print(frame.id));
    let large = session.frames.first().map(|frame| ViewKey::Frame(frame.id));
    let regions = session.scans.iter().map(|scan| ViewKey::ScanRegion(scan.id));
    PreviewRequests {
        pictures: prints.chain(large).chain(regions).map(|key| (key, viewport)).collect(),
        overviews: session.scans.iter().map(|scan| scan.id).collect(),
        marks: session.scans.first().map(|scan| (scan.id, ScanMarks::BasePixels)).into_iter().collect(),
        ..PreviewRequests::default()
    }
}

/// Whether two sessions are equal, ignoring what is known about files and which ids were used up.
fn is_same(one: &Session, other: &Session) -> bool {
    one.title == other.title
        && one.notes == other.notes
        && one.frames == other.frames
        && one.strips == other.strips
}

fn is_about_same(one: &Edit, other: &Edit) -> bool {
    match (one, other) {
        (Edit::ApplySolve { strip: a, .. }, Edit::ApplySolve { strip: b, .. }) => a == b,
        (_, Edit::ReplaceStrips { .. }) => true,
        _ => false,
    }
}

/// Whether a session contains the result of a job's edit, or the subject of the edit is gone.
fn is_in(session: &Session, base: &Session, edit: &Edit) -> bool {
    match edit {
        Edit::AddScans(scans) => {
            scans.iter().all(|new| session.scans.iter().any(|scan| scan.path == new.path))
        }
        Edit::ApplySolve { strip, solve, .. } if base.strip(*strip).is_some() => {
            session.strip(*strip).is_none_or(|strip| strip.solve.as_ref() == Some(solve))
        }
        // Strips that the same edits added: their ids may have changed.
        Edit::ApplySolve { solve, .. } => {
            let was_searched = |scan| base.strips.iter().any(|strip| strip.scan == scan);
            let is_drawn = session.strips.iter().any(|strip| !was_searched(strip.scan));
            is_drawn || session.strips.iter().any(|strip| strip.solve.as_ref() == Some(solve))
        }
        _ => true,
    }
}
