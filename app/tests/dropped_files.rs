//! Files dropped on the window are opened like chosen ones.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::common::hands::Window;
use crate::common::{SharedPicker, app, session, window, write_scan, write_session};
use glassine_app::model::questions::Question;

/// A file as the window system hands it over.
#[derive(Debug)]
struct Dropped(PathBuf);

impl egui::DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        Err("the program reads files by their path".to_owned())
    }
}

fn drop_files(window: &mut Window, paths: &[&Path]) {
    let files = paths.iter().map(|path| Arc::new(Dropped(path.to_path_buf())) as egui::DroppedFileHandle);
    window.input_mut().dropped_files = files.collect();
    window.run();
}

#[test]
fn a_session_dropped_on_the_window_is_opened() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let path = write_session(folder.path(), &session(&scan, None));
    let mut window = window(app(Vec::new(), SharedPicker::default()));
    assert!(window.state().session().frames.is_empty());
    drop_files(&mut window, &[&path]);
    assert_eq!(window.state().session().frames.len(), 3);
    assert_eq!(window.state().status().path.as_deref(), Some(path.as_path()));
}

#[test]
fn scans_dropped_on_the_window_are_asked_about_together() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let first = write_scan(folder.path());
    let second = folder.path().join("second.tif");
    std::fs::copy(&first, &second).expect("the folder is writable");
    let mut window = window(app(Vec::new(), SharedPicker::default()));
    drop_files(&mut window, &[&first, &second]);
    match &window.state().ui_state().question {
        Some(Question::NewSession { scans, .. }) => assert_eq!(scans, &[first, second]),
        other => panic!("{other:?} is asked"),
    }
}
