//! What the window of an earlier version remembered must stay: `files/state-VERSION.json` is never changed.

use std::path::Path;

use glassine_app::model::remembered::{NamedLook, Remembered};
use glassine_app::model::scanner_state::ScanUnit;
use glassine_app::services::state_file::{KeptState, StateKeeper};
use glassine_film::Param;
use glassine_session::{OutputKind, OutputSettings};

#[test]
fn what_the_first_version_remembered_is_read_and_kept_in_whole() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("state.json");
    let frozen = include_str!("files/state-0.1.0.json");
    std::fs::write(&file, frozen).expect("writes");
    let kept = KeptState::read(folder.path(), folder.path().join("thumbnails"));
    assert!(kept.notice.is_none(), "{:?}", kept.notice);
    let state = &kept.remembered;
    assert_eq!((state.window.size_points, state.window.maximized), (Some([1480.0, 920.0]), true));
    assert_eq!((state.light, state.strip_share), (true, Some(0.35)));
    assert_eq!(state.folders.exports.as_deref(), Some(Path::new("/film/pictures")));
    let output = state.export.as_ref().expect("habits").applied_to(&OutputSettings::default());
    assert_eq!((output.kind, output.jpeg_quality, output.web_long_side_px), (OutputKind::Web, 88, 2560));
    assert_eq!(output.recipes[0].name, "for the wall");
    assert_eq!(state.recent_sessions[1].path, Path::new("/film/sessions/dunes.session.json"));
    assert_eq!(state.looks[0].look().get(Param::Contrast), 1.15);
    assert_eq!(state.scanner.resolution_ppi, Some(1850.0));
    let device = state.scanner_habits.choices_of("desk:0");
    assert_eq!((device.unit, device.swap_bytes, device.frames_ppi), (ScanUnit::Strip, true, 2400.0));
    assert_eq!(state.scanner_habits.reminders.len(), 2);

    // A run that changes one thing writes everything else as it was.
    let mut keeper = StateKeeper::begin(&kept);
    let added = NamedLook { name: "morning".to_owned(), ..NamedLook::default() };
    let mut now = state.clone();
    now.keep_look(added);
    keeper.keep(&now);
    assert!(keeper.finish().is_none());
    let written = std::fs::read(&file).expect("reads");
    let expected = Remembered { looks: now.looks.clone(), ..kept.remembered.clone() };
    assert_eq!(serde_json::from_slice::<Remembered>(&written).expect("reads"), expected);
}
