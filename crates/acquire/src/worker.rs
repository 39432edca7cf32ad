//! A thread that talks to the drivers, so that nothing else ever waits for one.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, unbounded};
use glassine_raster::CancelToken;

use crate::error::{Error, Status};
use crate::helper::{DriverProcess, Helper, Opened};
use crate::live::{LivePicture, LiveRows, Progress};
use crate::option::DeviceOption;
use crate::plan::{Applied, AreaMm, ScanChoices, apply, whole_area};
use crate::protocol::Device;
use crate::scan::{FileChoices, ScanFile, scan_to_file};

/// Width of the picture that is shown while a scan arrives. Our choice: a screen has little more.
const LIVE_WIDTH_PX: usize = 1600;
/// Shortest time between two pieces of it. Our choice: lines reach the screen within a tenth of a second.
const LIVE_EVERY: Duration = Duration::from_millis(40);

/// One scan to a file.
#[derive(Debug, Clone)]
pub struct ScanTask {
    /// Comes back with the answers.
    pub id: u64,
    pub choices: ScanChoices,
    /// It is made if it is missing.
    pub folder: PathBuf,
    /// Name of the file without its ending; a number follows if the name is taken.
    pub stem: String,
    /// Its resolution is that of the device.
    pub file: FileChoices,
}

#[derive(Debug)]
enum Task {
    List { with_network: bool },
    Open { device: String },
    Set { name: String, text: String },
    Scan(Box<ScanTask>),
}

/// The state of an open device.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DeviceState {
    pub options: Vec<DeviceOption>,
    /// The largest area that it scans with its present source.
    pub whole_area: Option<AreaMm>,
}

/// A scan that has its file.
#[derive(Debug, Clone, PartialEq)]
pub struct Scanned {
    pub scan: ScanFile,
    pub applied: Applied,
    /// Where the file is, without links.
    pub real_path: PathBuf,
    pub elapsed: Duration,
}

/// What became of a task.
#[derive(Debug)]
pub enum Answer {
    Devices(Result<Vec<Device>, Error>),
    /// The device of this name is open, or was set: its options now.
    State {
        device: String,
        state: Result<DeviceState, Error>,
        /// Whether it answers a request; a state after a scan answers none.
        is_asked: bool,
    },
    Progress {
        id: u64,
        at: Progress,
    },
    Rows {
        id: u64,
        rows: LiveRows,
    },
    Scanned {
        id: u64,
        result: Result<Box<Scanned>, Error>,
    },
}

/// Called after every answer, to wake whoever waits for it.
pub type WakeUp = Arc<dyn Fn() + Send + Sync>;

/// The program's end of the thread. Tasks are done in their order.
#[derive(Debug)]
pub struct Worker {
    tasks: Option<Sender<(Task, CancelToken)>>,
    answers: Receiver<Answer>,
    /// Tokens of the tasks that have not ended.
    open: Arc<Mutex<Vec<CancelToken>>>,
    thread: thread::JoinHandle<()>,
}

/// Longest wait for the thread when the program ends, so that it removes what is unfinished. Our choice: long enough
/// for a driver that answers.
const ENDING: Duration = Duration::from_secs(3);

impl Worker {
    /// Starts the thread; no driver is loaded before the first task.
    ///
    /// # Errors
    /// The system starts no thread.
    pub fn start(drivers: DriverProcess, wake: WakeUp) -> Result<Self, Error> {
        let (task_sender, tasks) = unbounded::<(Task, CancelToken)>();
        let (answer_sender, answers) = unbounded();
        let open = Arc::new(Mutex::new(Vec::<CancelToken>::new()));
        let ended = Arc::clone(&open);
        let mut thread_state = State {
            drivers,
            device: None,
            name: None,
            answer: Box::new(move |answer| {
                // Nobody waits for it if the program is ending.
                if answer_sender.send(answer).is_ok() {
                    wake();
                }
            }),
        };
        let work = move || {
            for (task, cancel) in tasks {
                thread_state.carry_out(task, &cancel);
                // Tasks end in their order.
                lock(&ended).drain(..1);
            }
        };
        let thread = thread::Builder::new().name("glassine-scanner".to_owned());
        let thread = thread.spawn(work).map_err(Error::Start)?;
        Ok(Self { tasks: Some(task_sender), answers, open, thread })
    }

    /// Lists the devices: answers with [`Answer::Devices`].
    pub fn list(&self, with_network: bool) {
        self.tell(Task::List { with_network });
    }

    /// Opens a device in place of the one before: answers with [`Answer::State`].
    pub fn open(&self, device: &str) {
        self.tell(Task::Open { device: device.to_owned() });
    }

    /// Sets an option: answers with [`Answer::State`].
    pub fn set(&self, name: &str, text: &str) {
        self.tell(Task::Set { name: name.to_owned(), text: text.to_owned() });
    }

    /// Scans to a file: answers with [`Answer::Progress`], [`Answer::Rows`] and at last [`Answer::Scanned`]. A device
    /// whose driver has ended is opened again.
    pub fn scan(&self, task: ScanTask) {
        self.tell(Task::Scan(Box::new(task)));
    }

    /// Stops what is being done and what waits; the answers say so.
    pub fn stop(&self) {
        lock(&self.open).iter().for_each(CancelToken::cancel);
    }

    /// Whether the thread has ended, which only a fault in it can bring about.
    pub fn is_dead(&self) -> bool {
        self.thread.is_finished()
    }

    /// The next answer.
    pub fn poll(&self) -> Option<Answer> {
        self.answers.try_recv().ok()
    }

    fn tell(&self, task: Task) {
        let cancel = CancelToken::new();
        lock(&self.open).push(cancel.clone());
        // The thread ends only after this sender, or by a fault that `is_dead` tells.
        let _sent = self.tasks.as_ref().map(|tasks| tasks.send((task, cancel)));
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.tasks = None;
        let since = Instant::now();
        while !self.thread.is_finished() && since.elapsed() < ENDING {
            self.stop();
            thread::sleep(Duration::from_millis(5));
        }
    }
}

fn lock<T>(shared: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

struct State {
    drivers: DriverProcess,
    device: Option<Opened>,
    name: Option<String>,
    answer: Box<dyn Fn(Answer) + Send>,
}

impl State {
    fn carry_out(&mut self, task: Task, cancel: &CancelToken) {
        match task {
            Task::List { with_network } => {
                let devices = self.start().and_then(|mut helper| helper.devices(with_network, cancel));
                (self.answer)(Answer::Devices(devices));
            }
            Task::Open { device } => {
                // A device may be opened once only.
                self.device = None;
                self.name = Some(device.clone());
                let state = self.opened(cancel).map(|device| state_of(device));
                (self.answer)(Answer::State { device, state, is_asked: true });
            }
            Task::Set { name, text } => {
                let set = |device: &mut Opened| -> Result<DeviceState, Error> {
                    device.set(&name, &text, cancel)?;
                    Ok(state_of(device))
                };
                let state = self.opened(cancel).and_then(set);
                self.drop_dead(state.as_ref().err());
                let device = self.name.clone().unwrap_or_default();
                (self.answer)(Answer::State { device, state, is_asked: true });
            }
            Task::Scan(task) => {
                let result = self.scan(&task, cancel);
                self.drop_dead(result.as_ref().err());
                (self.answer)(Answer::Scanned { id: task.id, result: result.map(Box::new) });
                if let Some(opened) = &self.device {
                    let device = self.name.clone().unwrap_or_default();
                    let state = Ok(state_of(opened));
                    (self.answer)(Answer::State { device, state, is_asked: false });
                }
            }
        }
    }

    fn start(&self) -> Result<Helper, Error> {
        Helper::start(&self.drivers)
    }

    /// The device, opened again if its driver has ended.
    fn opened(&mut self, cancel: &CancelToken) -> Result<&mut Opened, Error> {
        let device = match self.device.take() {
            Some(device) => device,
            None => {
                let none = || Error::Option { name: "device".to_owned(), why: "none is chosen".to_owned() };
                let name = self.name.clone().ok_or_else(none)?;
                self.start()?.open(&name, cancel)?
            }
        };
        Ok(self.device.insert(device))
    }

    /// Lets a device go whose driver can't be asked any more.
    fn drop_dead(&mut self, error: Option<&Error>) {
        let is_dead = match error {
            Some(Error::Crashed { .. } | Error::Hangs { .. } | Error::Garbled { .. } | Error::Cancelled) => {
                true
            }
            Some(Error::Driver { status, .. }) => matches!(status, Status::IoError | Status::Unknown(_)),
            _ => false,
        };
        if is_dead {
            self.device = None;
        }
    }

    fn scan(&mut self, task: &ScanTask, cancel: &CancelToken) -> Result<Scanned, Error> {
        let since = Instant::now();
        self.opened(cancel)?;
        let Some(device) = &mut self.device else { return Err(Error::Cancelled) };
        let applied = apply(device, &task.choices, cancel)?;
        let file = FileChoices { ppi: applied.ppi, ..task.file.clone() };
        let (mut picture, mut told) = (LivePicture::new(LIVE_WIDTH_PX), None::<Instant>);
        let (id, answer) = (task.id, &self.answer);
        let folder = task.folder.clone();
        std::fs::create_dir_all(&folder).map_err(|source| Error::Folder { folder, source })?;
        let path = free_path(&task.folder, &task.stem);
        let scan = scan_to_file(device, &path, &file, cancel, &mut |at, arrived| {
            picture.push(at, arrived);
            let is_end = at.lines.is_some_and(|lines| at.lines_done >= lines);
            if is_end || told.is_none_or(|told| told.elapsed() >= LIVE_EVERY) {
                told = Some(Instant::now());
                answer(Answer::Progress { id, at });
                if let Some(rows) = picture.take() {
                    answer(Answer::Rows { id, rows });
                }
            }
        })?;
        if scan.loses_device {
            self.device = None;
        }
        let real_path = path.canonicalize().unwrap_or(path);
        Ok(Scanned { scan, applied, real_path, elapsed: since.elapsed() })
    }
}

fn state_of(device: &Opened) -> DeviceState {
    DeviceState { options: device.options().to_vec(), whole_area: whole_area(device) }
}

/// The first free name of a scan: `stem.tif`, `stem-2.tif` and so on.
fn free_path(folder: &Path, stem: &str) -> PathBuf {
    let named = |nth: u32| match nth {
        1 => folder.join(format!("{stem}.tif")),
        nth => folder.join(format!("{stem}-{nth}.tif")),
    };
    let is_free = |path: &PathBuf| path.symlink_metadata().is_err();
    // A scan is never written over another, so the last name is safe too.
    (1..10_000).map(named).find(is_free).unwrap_or_else(|| named(10_000))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scan_gets_the_first_free_name() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let name = || free_path(folder.path(), "quay-frame-1").file_name().map(|name| name.to_owned());
        assert_eq!(name(), Some("quay-frame-1.tif".into()));
        for taken in ["quay-frame-1.tif", "quay-frame-1-2.tif"] {
            std::fs::write(folder.path().join(taken), b"").expect("writes");
        }
        assert_eq!(name(), Some("quay-frame-1-3.tif".into()));
    }
}
