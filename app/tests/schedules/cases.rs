//! Event orders that once mixed up or lost something, one by one.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Event;
use glassine_app::commands::{
    BoxCommand, Command, EditCommand, ExportCommand, FileCommand, JobCommand, ViewCommand,
};
use glassine_app::model::questions::{Answer, PendingAction, Question};
use glassine_engine::jobs::Lane;
use glassine_engine::{Engine, FrameScope, ScanReading, Step, ViewKey};
use glassine_film::FilmKind;
use glassine_session::{Edit, ScanId};

use super::desk::{Desk, requests};

const FILES: Step = Step::Run(Lane::Files);
const WORK: Step = Step::Run(Lane::Work);

fn desk() -> Desk {
    let desk = Desk::new(1, &egui::Context::default(), &Arc::new(Engine::new()));
    desk.world.disk().is_calm = true;
    desk
}

fn path(name: &str) -> PathBuf {
    Path::new("/nowhere/files").join(format!("{name}.session.json"))
}

/// Saves session 0 and puts session 1 beside it.
fn two_sessions() -> Desk {
    let mut desk = desk();
    let other = desk.world.made("1");
    desk.world.disk().files.insert(path("1-0"), other);
    desk.ask([Command::File(FileCommand::SaveAs(path("0-0")))]);
    desk.settle();
    desk
}

fn first_scan(desk: &Desk) -> ScanId {
    desk.app.session().scans[0].id
}

#[test]
fn a_late_save_names_no_other_session_and_is_told() {
    let mut desk = two_sessions();
    desk.ask([Command::File(FileCommand::Save)]);
    desk.host(FILES);
    desk.ask([Command::File(FileCommand::Open(vec![path("1-0")]))]);
    desk.only(Lane::Work);
    assert_eq!(desk.app.status().path, Some(path("1-0")));
    desk.settle();
    assert_eq!(desk.app.status().path, Some(path("1-0")));
    assert!(!desk.app.history().is_unsaved());
    let told = desk.app.status().notices.iter().any(|notice| notice.path == Some(path("0-0")));
    assert!(told, "{:?}", desk.app.status().notices);
}

#[test]
fn frames_that_were_found_stay_though_a_frame_was_added_meanwhile() {
    let mut desk = desk();
    let scan = first_scan(&desk);
    desk.ask([Command::Job(JobCommand::FindFrames { scan, film: Some(FilmKind::Slide), format_id: None })]);
    desk.ask([Command::Box(BoxCommand::Duplicate)]);
    let (before, seen) = (desk.app.session().strips.clone(), desk.app.history().undo_steps());
    desk.settle();
    let session = desk.app.session();
    assert_ne!(session.strips, before, "the result was refused");
    let strip = session.strips.iter().find(|strip| strip.scan == scan).expect("the scan has a strip");
    assert!(strip.solve.is_some(), "the solve of the new strip is lost");
    assert_eq!(desk.app.history().undo_steps(), seen + 1);
}

#[test]
fn a_solve_arrives_though_a_frame_was_deleted_meanwhile() {
    let mut desk = desk();
    let strip = desk.app.session().strips[0].id;
    let before = desk.app.session().strips[0].solve.clone();
    desk.ask([Command::Job(JobCommand::SolveStrip(strip))]);
    desk.ask([Command::Box(BoxCommand::Delete)]);
    desk.settle();
    assert_ne!(desk.app.session().strips[0].solve, before);
}

#[test]
fn no_picture_of_the_session_before_is_shown_in_the_next_one() {
    let mut desk = two_sessions();
    desk.show_all();
    desk.host(Step::BeginPicture);
    desk.ask([Command::File(FileCommand::Open(vec![path("1-0")]))]);
    desk.only(Lane::Work);
    desk.host(Step::MakePicture);
    desk.host(Step::DeliverPicture);
    assert_eq!(desk.app.previews().arrived().count(), 0);
    desk.show_all();
    desk.settle();
    assert!(desk.app.previews().arrived().count() > 0);
}

#[test]
fn a_picture_of_a_frame_that_is_gone_is_not_shown_when_its_id_comes_back() {
    let mut desk = desk();
    desk.ask([Command::Box(BoxCommand::Duplicate)]);
    let id = desk.app.ui_state().primary.expect("a frame is selected");
    desk.show_all();
    desk.ask([Command::Edit(EditCommand::Undo)]);
    desk.show_all();
    while desk.app.jobs().possible_steps().contains(&Step::BeginPicture) {
        desk.host(Step::BeginPicture);
        desk.host(Step::MakePicture);
    }
    desk.ask([Command::Edit(EditCommand::Redo)]);
    while desk.app.jobs().possible_steps().contains(&Step::DeliverPicture) {
        desk.host(Step::DeliverPicture);
    }
    let shown = desk.app.previews().arrived().any(|picture| picture.key == ViewKey::Print(id));
    assert!(!shown, "a picture that was asked for before the undo is shown");
}

#[test]
fn what_could_not_be_read_is_asked_for_again_after_a_while_and_when_the_window_is_used_again() {
    for focus in [false, true] {
        let mut desk = desk();
        desk.show_all();
        desk.world.disk().breaks_down = true;
        desk.settle();
        let scan = first_scan(&desk);
        let told = desk.app.status().notices.len();
        assert!(desk.app.previews().overview_factor(scan).is_none());
        desk.wait(1.1, Vec::new());
        desk.settle();
        assert_eq!(desk.app.status().notices.len(), told, "the same failure is told again");
        desk.world.disk().breaks_down = false;
        if focus {
            desk.wait(0.01, vec![Event::WindowFocused(true)]);
        } else {
            desk.wait(2.1, Vec::new());
        }
        desk.settle();
        assert!(desk.app.previews().overview_factor(scan).is_some());
        assert!(desk.app.previews().arrived().count() > 0);
    }
}

#[test]
fn the_export_of_the_session_before_is_told_and_shown_in_no_pane_of_the_next_one() {
    let mut desk = two_sessions();
    let output = glassine_session::OutputSettings {
        folder: Some(PathBuf::from("/nowhere/pictures")),
        ..desk.app.session().output.clone()
    };
    desk.ask([Command::Export(ExportCommand::SetOutput(output)), Command::File(FileCommand::Save)]);
    desk.settle();
    desk.ask([Command::Export(ExportCommand::Start { scope: FrameScope::All, replace: true })]);
    desk.ask([Command::File(FileCommand::Open(vec![path("1-0")]))]);
    desk.only(Lane::Work);
    assert!(desk.app.status().exporting().is_some(), "opening a session stops no export");
    desk.settle();
    assert!(desk.app.status().export_report.is_none());
    assert!(desk.app.status().notices.iter().any(|notice| notice.headline.contains("previous session")));
}

#[test]
fn new_scans_are_there_at_once_and_their_frames_come_scan_by_scan() {
    let mut desk = desk();
    desk.ask([Command::File(FileCommand::SaveAs(path("0-0")))]);
    desk.settle();
    let scans = vec![PathBuf::from("/scans/7-1.tif"), PathBuf::from("/scans/7-2.tif")];
    desk.ask([new_session(scans, false), Command::File(FileCommand::Answer(Answer::Yes))]);
    desk.host(WORK);
    desk.only(Lane::Work);
    let steps = desk.app.history().undo_steps();
    assert_eq!(desk.app.session().scans.len(), 2);
    assert!(steps <= 3, "one step for each scan and one for the film on both, not {steps}");
    desk.settle();
    let session = desk.app.session();
    assert!(session.scans.iter().all(|scan| session.strips.iter().any(|strip| strip.scan == scan.id)));
    assert!(session.scans.iter().all(|scan| scan.fingerprint.is_some()), "the files were not hashed");
}

#[test]
fn frames_drawn_on_a_scan_stay_when_its_first_frames_are_found() {
    let mut desk = desk();
    desk.ask([Command::File(FileCommand::SaveAs(path("0-0")))]);
    desk.settle();
    desk.ask([
        new_session(vec![PathBuf::from("/scans/7-1.tif")], false),
        Command::File(FileCommand::Answer(Answer::Yes)),
    ]);
    desk.host(WORK);
    desk.deliver_until_session("7");
    assert!(desk.app.session().strips.is_empty());
    desk.ask([Command::Box(BoxCommand::Add)]);
    let drawn = desk.app.session().frames.clone();
    assert_eq!(drawn.len(), 1);
    desk.settle();
    assert_eq!(desk.app.session().frames, drawn);
    assert!(desk.app.status().notices.iter().any(|notice| notice.headline.contains("yours were kept")));
}

#[test]
fn changes_made_while_another_session_opens_are_asked_about() {
    let mut desk = two_sessions();
    desk.ask([Command::File(FileCommand::Open(vec![path("1-0")]))]);
    let frames = desk.app.session().frames.iter().map(|frame| frame.id).collect();
    let edit = Edit::SetParam { frames, param: glassine_film::Param::ExposureStops, value: 1.0 };
    desk.ask([Command::Edit(EditCommand::Apply(edit))]);
    desk.only(Lane::Work);
    assert_eq!(desk.app.session().title, "0");
    assert!(matches!(desk.app.ui_state().question, Some(Question::Unsaved(PendingAction::Show(_)))));
    desk.ask([Command::File(FileCommand::Answer(Answer::Yes))]);
    desk.settle();
    assert_eq!(desk.app.session().title, "1");
    let saved = desk.world.disk().files[&path("0-0")].frames[0].clone();
    assert!((saved.look.get(glassine_film::Param::ExposureStops) - 1.0).abs() < 1e-9);
}

#[test]
fn a_save_that_follows_another_at_once_is_no_conflict_with_it() {
    let mut desk = two_sessions();
    desk.ask([Command::Box(BoxCommand::Duplicate), Command::File(FileCommand::Save)]);
    desk.ask([Command::Box(BoxCommand::Duplicate), Command::File(FileCommand::Save)]);
    desk.settle();
    assert!(desk.app.status().conflict.is_none() && !desk.app.history().is_unsaved());
    assert_eq!(desk.world.disk().files[&path("0-0")].frames.len(), desk.app.session().frames.len());
}

#[test]
fn every_change_is_autosaved_within_half_a_second_however_long_the_changes_go_on() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let run = Arc::new(glassine_engine::session_files::Run::begin(Some(folder.path())));
    let mut desk = Desk::new(1, &egui::Context::default(), &Arc::new(Engine::new().in_run(run)));
    desk.world.disk().is_calm = true;
    for step in 0..8 {
        desk.ask([Command::Edit(EditCommand::QuarterTurn(1))]);
        desk.wait(0.1, Vec::new());
        desk.settle();
        let autosaved = desk.world.disk().autosaves.len();
        assert!(step < 5 || autosaved == 1, "nothing was autosaved after {step} changes");
    }
    desk.wait(0.5, Vec::new());
    desk.settle();
    let last = desk.world.disk().autosaves.values().next().cloned().expect("autosaved");
    assert_eq!(last.frames, desk.app.session().frames);
}

fn new_session(scans: Vec<PathBuf>, add: bool) -> Command {
    let reading = ScanReading::default();
    Command::View(ViewCommand::Ask(Question::NewSession {
        scans,
        film: None,
        format_id: None,
        reading,
        one_frame_per_file: false,
        add,
    }))
}

impl Desk {
    fn ask(&mut self, commands: impl IntoIterator<Item = Command>) {
        commands.into_iter().for_each(|command| self.app.push(command));
        self.wait(0.01, Vec::new());
    }

    fn wait(&mut self, seconds: f64, events: Vec<Event>) {
        self.frame(seconds, events).expect("nothing is mixed up");
    }

    fn show_all(&mut self) {
        let requests = requests(self.app.session());
        self.app.show(requests);
        self.wait(0.01, Vec::new());
    }

    fn host(&mut self, step: Step) {
        self.host_step(step);
        self.wait(0.001, Vec::new());
    }

    /// Runs everything of one lane, and nothing else.
    fn only(&mut self, lane: Lane) {
        for _ in 0..100 {
            let possible = self.app.jobs().possible_steps();
            let of_lane = |step: &&Step| matches!(step, Step::Run(of) | Step::Deliver(of) if *of == lane);
            let Some(step) = possible.iter().find(of_lane).copied() else { return };
            self.host(step);
        }
    }

    fn deliver_until_session(&mut self, title: &str) {
        while self.app.session().title != title {
            self.host(Step::Deliver(Lane::Work));
        }
    }

    /// Runs everything that can happen without time passing.
    fn settle(&mut self) {
        for _ in 0..1_000 {
            let Some(step) = self.app.jobs().possible_steps().first().copied() else { return };
            self.host(step);
        }
        panic!("it never came to rest");
    }
}
