//! The scanner: devices and their options, the overview of a holder, then a file for each frame.
//!
//! A thread of its own talks to the drivers; the window asks it for one scan at a time.

mod answers;
mod batch;
mod new_scans;

use std::collections::{HashSet, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use egui::{Context, TextureHandle};
use glassine_acquire::{FileChoices, MODE, SOURCE, ScanTask, Worker};
use glassine_engine::jobs::JobId;
use glassine_engine::{Notice, SessionKey, Severity};
use glassine_scanfile::Metadata;
use glassine_session::FrameId;

use crate::commands::program::GlassineApp;
use crate::model::eta::ProgressEstimate;
use crate::model::questions::PathPurpose;
use crate::model::scanner_exposure::{base_on_overview, exposures};
use crate::model::scanner_state::{DeviceChoices, Doing, ScanUnit, megapixels, scan_of};
use crate::platform::clock::now_text;
use crate::platform::disk_space::free_bytes;
use crate::platform::drivers::driver_process;
use crate::services::arrivals::{FolderWatch, NewScan};

/// Longest wait for an answer of a driver. Our choice: lamps warm up for a minute.
const PATIENCE: Duration = Duration::from_secs(120);
/// Bytes of a pixel that are reckoned with: four channels of 16 bits.
const BYTES_PER_PIXEL: f64 = 8.0;

/// Looking for scanners and scanning with them.
#[derive(Debug, Clone)]
pub enum ScannerCommand {
    /// Open the panel, or close it.
    Show(bool),
    /// List the devices, on the network too if asked for.
    Look {
        with_network: bool,
    },
    /// Open a device.
    Choose(String),
    SetSource(String),
    SetMode(String),
    SetOverviewPpi(f64),
    SetFramesPpi(f64),
    SetUnit(ScanUnit),
    /// The driver delivers the bytes of samples in the other order.
    SwapBytes(bool),
    /// Set any other option, and keep it for this device.
    SetOption {
        name: String,
        value: String,
    },
    /// Give up the options kept for this device.
    ForgetOptions,
    /// Set the exposures that the film on the overview suggests.
    TakeExposures,
    /// Choose where scans are written.
    AskFolder,
    /// Scan the whole area quickly.
    ScanOverview,
    /// Scan each frame on the overview, each strip, or all of it.
    ScanFrames,
    /// Scan what was left after a failure or a stop.
    GoOn,
    /// Stop the running scan.
    Stop,
    /// What to be reminded of before each strip.
    SetReminders(Vec<String>),
    /// Choose a folder whose new scans the session takes.
    AskWatched,
    /// Watch no folder any more.
    EndWatch,
}

/// The thread of the drivers and what was asked of it.
#[derive(Default)]
pub(crate) struct ScannerThread {
    worker: Option<Worker>,
    next_id: u64,
    /// Answers about the state of the device that are still to come.
    states_due: usize,
    estimate: ProgressEstimate,
    /// The texture of the running scan.
    texture: Option<TextureHandle>,
    /// The session that the running scan or batch belongs to.
    key: SessionKey,
    /// What waits for a folder.
    after_folder: Option<ScannerCommand>,
    /// Scans whose frames are being taken over.
    taking: Vec<(JobId, Vec<FrameId>)>,
    /// The overview that opens a session of its own.
    opens: Option<PathBuf>,
    /// Options that the device was asked to take; they are kept once it has.
    setting: Vec<String>,
    /// How often a device is still to be set as it was chosen: each time it may offer more.
    setups_left: u8,
    /// The user gave the running scan up to close the window.
    is_given_up: bool,
    /// The picture of the running scan.
    picture: Vec<egui::Color32>,
    /// Frames of the batch that were taken over and are solved together at its end.
    taken: Vec<FrameId>,
    watch: Option<FolderWatch>,
    /// Scans that arrived in the watched folder and are still to be opened.
    arrived: VecDeque<NewScan>,
    /// Scans that were written from here, which the watched folder may hold too.
    written: HashSet<PathBuf>,
}

impl GlassineApp {
    pub(super) fn apply_scanner(&mut self, ctx: &Context, command: ScannerCommand) {
        match command {
            ScannerCommand::Show(show) => self.show_scanner(ctx, show),
            ScannerCommand::Look { with_network } => {
                if self.status.scanner.doing.is_some() {
                    return;
                }
                let Some(worker) = self.scanner_worker(ctx) else { return };
                worker.list(with_network);
                self.scanner_does(Doing::Looking);
            }
            ScannerCommand::Choose(device) => self.choose_scanner(ctx, &device),
            ScannerCommand::SetSource(source) => {
                self.change_choices(|choices| choices.source = Some(source.clone()));
                // The modes of another source may be others.
                self.scanner.setups_left = 1;
                self.set_option(ctx, SOURCE, &source);
            }
            ScannerCommand::SetMode(mode) => {
                self.change_choices(|choices| choices.mode = Some(mode.clone()));
                self.set_option(ctx, MODE, &mode);
            }
            ScannerCommand::SetOverviewPpi(ppi) => self.change_choices(|choices| choices.overview_ppi = ppi),
            ScannerCommand::SetFramesPpi(ppi) => self.change_choices(|choices| choices.frames_ppi = ppi),
            ScannerCommand::SetUnit(unit) => self.change_choices(|choices| choices.unit = unit),
            ScannerCommand::SwapBytes(swap) => self.change_choices(|choices| choices.swap_bytes = swap),
            ScannerCommand::SetOption { name, value } => {
                self.set_option(ctx, &name, &value);
                self.scanner.setting.push(name);
            }
            ScannerCommand::ForgetOptions => {
                if self.status.scanner.doing.is_some() {
                    return;
                }
                self.change_choices(|choices| choices.options.clear());
                if let Some(device) = self.status.scanner.device.clone() {
                    // A device that is opened again has the values of its driver.
                    self.choose_scanner(ctx, &device);
                }
            }
            ScannerCommand::TakeExposures => self.take_exposures(ctx),
            ScannerCommand::AskFolder => {
                self.scanner.after_folder = None;
                self.ask_path(ctx, PathPurpose::ScansInto);
            }
            ScannerCommand::ScanOverview => self.scan_overview(ctx),
            ScannerCommand::ScanFrames => self.scan_frames(ctx),
            ScannerCommand::GoOn => self.go_on(ctx),
            ScannerCommand::Stop => {
                if let Some(batch) = &mut self.status.scanner.batch {
                    batch.is_stopped = true;
                }
                if let Some(worker) = &self.scanner.worker {
                    worker.stop();
                }
            }
            ScannerCommand::SetReminders(reminders) => {
                self.ui_state.scanner.done.clear();
                self.remembered.scanner_habits.reminders = reminders;
                self.show_habits();
            }
            ScannerCommand::AskWatched => self.ask_path(ctx, PathPurpose::WatchedFolder),
            ScannerCommand::EndWatch => {
                self.scanner.watch = None;
                self.status.scanner.watched = None;
            }
        }
    }

    fn show_scanner(&mut self, ctx: &Context, show: bool) {
        self.ui_state.scanner.is_open = show;
        if !show {
            return;
        }
        self.show_habits();
        self.look_at_free_space();
        if self.status.scanner.devices.is_none() && self.status.scanner.doing.is_none() {
            self.apply_scanner(ctx, ScannerCommand::Look { with_network: false });
        }
    }

    fn show_habits(&mut self) {
        self.status.scanner.habits = self.remembered.scanner_habits.clone();
    }

    fn look_at_free_space(&mut self) {
        let folder = self.scans_folder();
        self.status.scanner.free_bytes = folder.as_deref().and_then(free_bytes);
    }

    /// The thread of the drivers; it is started when it is first needed.
    fn scanner_worker(&mut self, ctx: &Context) -> Option<&Worker> {
        self.status.scanner.trouble = None;
        if self.scanner.worker.is_none() {
            let ctx = ctx.clone();
            let wake = Arc::new(move || ctx.request_repaint());
            let drivers = self.options.drivers.clone().map_or_else(|| driver_process(PATIENCE), Ok);
            let drivers = drivers.map_err(glassine_acquire::Error::Start);
            match drivers.and_then(|drivers| Worker::start(drivers, wake)) {
                Ok(worker) => self.scanner.worker = Some(worker),
                Err(error) => {
                    self.status.scanner.trouble = Some(notice_of(&error));
                }
            }
        }
        self.scanner.worker.as_ref()
    }

    fn scanner_does(&mut self, doing: Doing) {
        let facts = &mut self.status.scanner;
        (facts.share, facts.remaining) = (0.0, None);
        facts.detail.clear();
        // The estimate of a batch goes on from one file to the next.
        if !matches!(doing, Doing::Item { .. }) {
            self.begin_estimate();
        }
        self.status.scanner.doing = Some(doing);
    }

    fn begin_estimate(&mut self) {
        self.scanner.estimate = ProgressEstimate::default();
        self.scanner.estimate.begin(self.now);
    }

    fn choose_scanner(&mut self, ctx: &Context, device: &str) {
        if self.status.scanner.is_scanning() {
            return;
        }
        let Some(worker) = self.scanner_worker(ctx) else { return };
        worker.open(device);
        self.scanner.states_due += 1;
        self.status.scanner.device = None;
        self.scanner.setups_left = 2;
        self.scanner_does(Doing::Opening);
    }

    fn set_option(&mut self, ctx: &Context, name: &str, value: &str) {
        if self.status.scanner.is_scanning() {
            return;
        }
        let Some(worker) = self.scanner_worker(ctx) else { return };
        worker.set(name, value);
        self.scanner.states_due += 1;
        self.scanner_does(Doing::Setting);
    }

    /// Changes what is kept for the open device, and what is shown of it.
    fn change_choices(&mut self, change: impl FnOnce(&mut DeviceChoices)) {
        let Some(device) = self.status.scanner.device.clone() else { return };
        let kept = self.remembered.scanner_habits.choices.entry(device).or_default();
        change(kept);
        self.status.scanner.choices = kept.fitted(&self.status.scanner.state);
        self.show_habits();
    }

    fn take_exposures(&mut self, ctx: &Context) {
        let facts = &self.status.scanner;
        let Some(overview) = &facts.overview else { return };
        let base = base_on_overview(self.history.current(), overview);
        let rows = exposures(&facts.state, base, &overview.exposures);
        for row in rows {
            if let Some(value) = row.suggested {
                let (name, value) = (row.option, value.to_string());
                self.apply_scanner(ctx, ScannerCommand::SetOption { name, value });
            }
        }
    }

    /// Has scans written into a folder from now on, for tests and pictures of the window.
    pub fn remember_scans_folder(&mut self, folder: PathBuf) {
        self.remembered.scanner_habits.folder = Some(folder);
    }

    /// Where scans are written: the folder the user chose, else that of the session.
    fn scans_folder(&self) -> Option<PathBuf> {
        let chosen = self.remembered.scanner_habits.folder.clone();
        chosen.or_else(|| self.status.folder().map(|folder| folder.to_path_buf()))
    }

    pub(super) fn use_scans_folder(&mut self, ctx: &Context, folder: Option<PathBuf>) {
        let waits = self.scanner.after_folder.take();
        if let Some(folder) = folder {
            // Scans of the session are named by whole paths too.
            self.remembered.scanner_habits.folder = Some(std::path::absolute(&folder).unwrap_or(folder));
            self.show_habits();
            self.look_at_free_space();
            if let Some(command) = waits {
                self.apply_scanner(ctx, command);
            }
        }
    }

    pub(super) fn forget_what_waits_for_a_folder(&mut self) {
        self.scanner.after_folder = None;
    }

    /// The folder, or `None` after asking for one.
    fn folder_or_ask(&mut self, ctx: &Context, then: ScannerCommand) -> Option<PathBuf> {
        let folder = self.scans_folder();
        if folder.is_none() {
            self.scanner.after_folder = Some(then);
            self.ask_path(ctx, PathPurpose::ScansInto);
        }
        folder
    }

    /// Fails if there is no room for so many megapixels.
    fn has_room(&mut self, megapixels: f64) -> bool {
        self.look_at_free_space();
        let needed = megapixels * 1e6 * BYTES_PER_PIXEL;
        let free = self.status.scanner.free_bytes;
        let has_room = free.is_none_or(|free| needed < free as f64);
        if !has_room {
            let gigabytes = |bytes: f64| bytes / 1e9;
            let headline = format!(
                "the scans need up to {:.1} GB, and {:.1} GB are free",
                gigabytes(needed),
                gigabytes(free.unwrap_or(0) as f64)
            );
            let what_to_do = "choose another folder or a lower resolution, or make room";
            self.status.scanner.trouble = Some(Notice::new(Severity::Error, headline, what_to_do));
        }
        has_room
    }

    fn scan_overview(&mut self, ctx: &Context) {
        let is_free = self.status.scanner.doing.is_none() && self.status.scanner.device.is_some();
        let Some(folder) = self.folder_or_ask(ctx, ScannerCommand::ScanOverview).filter(|_| is_free) else {
            return;
        };
        let choices = self.status.scanner.choices.clone();
        let whole = self.status.scanner.state.whole_area;
        if !self.has_room(whole.map_or(0.0, |area| megapixels(area, choices.overview_ppi))) {
            return;
        }
        let id = self.begin_scan(ctx, &choices, (choices.overview_ppi, None), (folder, "overview"));
        let Some(id) = id else { return };
        self.solve_taken();
        self.ui_state.scanner.done.clear();
        self.scanner.key = self.key;
        self.scanner_does(Doing::Overview { id });
    }

    /// Has the thread scan into a folder, under the session's name and this one; returns the number of the scan.
    fn begin_scan(
        &mut self,
        ctx: &Context,
        choices: &DeviceChoices,
        (ppi, area): (f64, Option<glassine_acquire::AreaMm>),
        (folder, name): (PathBuf, &str),
    ) -> Option<u64> {
        self.scanner.next_id += 1;
        let id = self.scanner.next_id;
        let file = FileChoices {
            ppi: None,
            metadata: Metadata {
                digitised: Some(now_text() + "+00:00"),
                software: concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned(),
                ..Metadata::default()
            },
            swap_bytes: choices.swap_bytes,
        };
        let stem = format!("{}-{name}", self.scan_name());
        let task = ScanTask { id, choices: choices.scan(ppi, area), folder, stem, file };
        self.scanner_worker(ctx)?.scan(task);
        self.drop_live();
        self.status.scanner.remarks.clear();
        Some(id)
    }

    /// Forgets what belongs to the session before; its scan of a frame is stopped. The session that an overview opens
    /// goes on with it.
    pub(super) fn scanner_changes_session(&mut self) {
        let opens = self.scanner.opens.take_if(|path| scan_of(self.history.current(), path).is_some());
        if opens.is_some() && self.status.scanner.batch.is_none() {
            self.scanner.key = self.key;
            return;
        }
        let is_batch = matches!(self.status.scanner.doing, Some(Doing::Item { .. }));
        if let Some(worker) = self.scanner.worker.as_ref().filter(|_| is_batch) {
            worker.stop();
        }
        (self.status.scanner.overview, self.status.scanner.batch) = (None, None);
        self.status.scanner.taking.clear();
        self.scanner.taking.clear();
        self.scanner.taken.clear();
    }

    /// Whether closing the window would stop a scan that the user has not given up.
    pub(super) fn is_scanning(&self) -> bool {
        self.status.scanner.is_scanning() && !self.scanner.is_given_up
    }

    /// Stops the scan because the window closes.
    pub(super) fn give_scan_up(&mut self) {
        self.scanner.is_given_up = true;
        if let Some(worker) = &self.scanner.worker {
            worker.stop();
        }
    }

    /// What scans of this session are named after.
    fn scan_name(&self) -> String {
        let title = self.history.current().title.trim();
        let plain = |c: char| if c.is_alphanumeric() || c == '_' { c } else { '-' };
        let name: String = title.chars().map(plain).collect();
        let name = name.trim_matches('-').trim_end_matches("-overview");
        if name.is_empty() { "roll".to_owned() } else { name.to_owned() }
    }
}

fn notice_of(error: &glassine_acquire::Error) -> Notice {
    Notice::new(Severity::Error, error.to_string(), error.hint())
}
