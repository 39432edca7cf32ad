//! Asking for files and folders.
//!
//! The system's own dialog runs on a thread of its own, because the call waits for the person. Some systems have no
//! dialog at all and answer "nothing chosen" at once; that is told apart by looking for a dialog service first and by
//! time, and the window then asks for a typed path instead. The only place that names `rfd`.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, TryRecvError, bounded};

use crate::command::PathPurpose;

/// Nobody sees, reads and cancels a dialog faster than this: an empty answer before it means that none was shown.
/// Source: ours; without a dialog service the answer took 5 to 11 ms, on a busy machine once more than 100 ms.
const NO_DIALOG_WITHIN: Duration = Duration::from_millis(400);

/// Endings of scan files, offered as one filter.
pub const SCAN_ENDINGS: [&str; 5] = ["tif", "tiff", "png", "jpg", "jpeg"];

impl PathPurpose {
    /// Title of the dialog.
    pub fn title(self) -> &'static str {
        match self {
            Self::Open => "open scans or a session",
            Self::SaveAs => "save the session",
            Self::ExportFolder => "choose the folder for finished pictures",
            Self::SaveStock => "write the stock to a file",
            Self::LoadStock => "load a stock file",
            Self::ScanFolder => "choose the folder in which the scans lie now",
            Self::Infrared(_) => "choose the infrared file of the scan",
        }
    }

    /// What a typed path means, for the field that replaces the dialog.
    pub fn hint(self) -> &'static str {
        match self {
            Self::Open => "path of a session file or a scan; several scans are separated by a semicolon",
            Self::SaveAs => "path of the session file, for example /home/me/rolls/harbour.session.json",
            Self::ExportFolder => "path of a folder; it is made when it is missing",
            Self::SaveStock => "path of the stock file, for example /home/me/stocks/harbour.stock.json",
            Self::LoadStock => "path of a stock file",
            Self::ScanFolder => "path of a folder; folders inside it are searched too",
            Self::Infrared(_) => "path of the grey file that the scanner wrote for its infrared light",
        }
    }
}

/// A question for the person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PickRequest {
    /// What for.
    pub purpose: PathPurpose,
    /// Folder to begin in.
    pub folder: Option<PathBuf>,
    /// Name offered when saving.
    pub suggested_name: String,
}

/// How it ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PickOutcome {
    /// These were chosen.
    Chosen(Vec<PathBuf>),
    /// The person changed their mind.
    Cancelled,
    /// This system showed no dialog: ask for a typed path.
    NoDialog,
}

/// The answer to a question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PickAnswer {
    /// What it was asked for.
    pub purpose: PathPurpose,
    /// How it ended.
    pub outcome: PickOutcome,
}

/// Wakes the window when an answer is there.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// Something that can ask for files. Tests answer from a list.
pub trait FilePicker {
    /// Ask; the answer comes through [`Self::poll`]. A second question while one is open is ignored.
    fn ask(&mut self, request: PickRequest, wake: Wake);

    /// The answer, once.
    fn poll(&mut self) -> Option<PickAnswer>;

    /// Whether a question is open.
    fn is_asking(&self) -> bool;
}

/// The dialogs of the system.
#[derive(Debug, Default)]
pub struct SystemPicker {
    open: Option<(PathPurpose, Receiver<PickOutcome>)>,
}

impl FilePicker for SystemPicker {
    fn ask(&mut self, request: PickRequest, wake: Wake) {
        if self.open.is_some() {
            return;
        }
        let (sender, receiver) = bounded(1);
        let purpose = request.purpose;
        let work = move || {
            // The receiver is gone only when the window is closing; then nobody waits for the answer.
            if sender.send(show(&request)).is_ok() {
                wake();
            }
        };
        // On this system a dialog must be shown by the main thread.
        if cfg!(target_os = "macos") {
            work();
        } else if std::thread::Builder::new().name("glassine-dialog".to_owned()).spawn(work).is_err() {
            // The channel was dropped with the closure: the next poll reports that there is no dialog.
        }
        self.open = Some((purpose, receiver));
    }

    fn poll(&mut self) -> Option<PickAnswer> {
        let (purpose, receiver) = self.open.as_ref()?;
        let outcome = match receiver.try_recv() {
            Ok(outcome) => outcome,
            Err(TryRecvError::Empty) => return None,
            Err(TryRecvError::Disconnected) => PickOutcome::NoDialog,
        };
        let answer = PickAnswer { purpose: *purpose, outcome };
        self.open = None;
        Some(answer)
    }

    fn is_asking(&self) -> bool {
        self.open.is_some()
    }
}

/// Whether anything on this system can show a dialog: a message bus with a portal behind it, or the helper program
/// that is used without one. Other systems always have dialogs of their own.
fn has_dialog_service(variable: impl Fn(&str) -> Option<OsString>) -> bool {
    if !cfg!(all(unix, not(target_os = "macos"))) {
        return true;
    }
    let has_bus = variable("DBUS_SESSION_BUS_ADDRESS").is_some_and(|address| !address.is_empty())
        || variable("XDG_RUNTIME_DIR").is_some_and(|folder| Path::new(&folder).join("bus").exists());
    has_bus
        || variable("PATH")
            .is_some_and(|path| std::env::split_paths(&path).any(|folder| folder.join("zenity").is_file()))
}

fn show(request: &PickRequest) -> PickOutcome {
    if !has_dialog_service(|name| std::env::var_os(name)) {
        return PickOutcome::NoDialog;
    }
    let mut dialog = rfd::FileDialog::new().set_title(request.purpose.title());
    if let Some(folder) = &request.folder {
        dialog = dialog.set_directory(folder);
    }
    let asked = Instant::now();
    let chosen = match request.purpose {
        PathPurpose::Open => {
            let mut all = vec!["json"];
            all.extend(SCAN_ENDINGS);
            dialog
                .add_filter("sessions and scans", &all)
                .add_filter("sessions", &["json"])
                .add_filter("scans", &SCAN_ENDINGS)
                .add_filter("all files", &["*"])
                .pick_files()
        }
        PathPurpose::LoadStock => dialog.add_filter("stocks", &["json"]).pick_file().map(|path| vec![path]),
        PathPurpose::SaveAs | PathPurpose::SaveStock => dialog
            .add_filter("session or stock", &["json"])
            .set_file_name(&request.suggested_name)
            .save_file()
            .map(|path| vec![path]),
        PathPurpose::Infrared(_) => {
            dialog.add_filter("scans", &SCAN_ENDINGS).pick_file().map(|path| vec![path])
        }
        PathPurpose::ExportFolder | PathPurpose::ScanFolder => dialog.pick_folder().map(|path| vec![path]),
    };
    match chosen {
        Some(paths) if !paths.is_empty() => PickOutcome::Chosen(paths),
        _ if asked.elapsed() < NO_DIALOG_WITHIN => PickOutcome::NoDialog,
        _ => PickOutcome::Cancelled,
    }
}

/// A picker that gives prepared answers in order, for tests and for scripts without a person.
#[derive(Debug, Default)]
pub struct PreparedPicker {
    /// Answers still to be given.
    pub answers: Vec<PickOutcome>,
    /// Questions that were asked.
    pub asked: Vec<PickRequest>,
    ready: Option<PickAnswer>,
}

impl PreparedPicker {
    /// Answers to give, the first one first; afterwards every question counts as cancelled.
    pub fn new(answers: Vec<PickOutcome>) -> Self {
        Self { answers, asked: Vec::new(), ready: None }
    }
}

impl FilePicker for PreparedPicker {
    fn ask(&mut self, request: PickRequest, wake: Wake) {
        let outcome = if self.answers.is_empty() { PickOutcome::Cancelled } else { self.answers.remove(0) };
        self.ready = Some(PickAnswer { purpose: request.purpose, outcome });
        self.asked.push(request);
        wake();
    }

    fn poll(&mut self) -> Option<PickAnswer> {
        self.ready.take()
    }

    fn is_asking(&self) -> bool {
        self.ready.is_some()
    }
}

/// The paths a person typed: separated by semicolons, quotes and blanks around them taken off, `~` expanded.
///
/// `home` is the folder `~` stands for.
pub fn typed_paths(text: &str, home: Option<&Path>) -> Vec<PathBuf> {
    text.split(';')
        .map(|part| part.trim().trim_matches(['"', '\'']).trim())
        .filter(|part| !part.is_empty())
        .map(|part| match (part.strip_prefix("~/"), home) {
            (Some(rest), Some(home)) => home.join(rest),
            _ if part == "~" => home.map_or_else(|| PathBuf::from(part), Path::to_path_buf),
            _ => PathBuf::from(part),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(all(unix, not(target_os = "macos")))]
    fn a_system_without_bus_and_helper_has_no_dialog() {
        let bare = |name: &str| (name == "PATH").then(|| OsString::from("/nowhere:/also-nowhere"));
        assert!(!has_dialog_service(bare));
        let with_bus =
            |name: &str| (name == "DBUS_SESSION_BUS_ADDRESS").then(|| OsString::from("unix:path=/x"));
        assert!(has_dialog_service(with_bus));
    }

    #[test]
    fn typed_paths_are_split_and_cleaned() {
        let home = Path::new("/home/anna");
        assert_eq!(
            typed_paths(" \"/a b/one.tif\"; ~/two.tif ;; '~' ", Some(home)),
            [PathBuf::from("/a b/one.tif"), PathBuf::from("/home/anna/two.tif"), PathBuf::from("/home/anna")]
        );
        assert!(typed_paths(" ; ", Some(home)).is_empty());
        assert_eq!(typed_paths("~/x", None), [PathBuf::from("~/x")]);
    }

    #[test]
    fn a_prepared_picker_answers_in_order_and_then_cancels() {
        let mut picker = PreparedPicker::new(vec![PickOutcome::Chosen(vec!["/a".into()])]);
        let request = PickRequest { purpose: PathPurpose::Open, folder: None, suggested_name: String::new() };
        for expected in [PickOutcome::Chosen(vec!["/a".into()]), PickOutcome::Cancelled] {
            picker.ask(request.clone(), Arc::new(|| ()));
            assert!(picker.is_asking());
            assert_eq!(picker.poll().map(|answer| answer.outcome), Some(expected));
            assert!(picker.poll().is_none());
        }
    }
}
