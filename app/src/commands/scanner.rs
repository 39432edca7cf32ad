//! The scanner: devices and their options, the overview of a holder, then a file for each frame.
//!
//! A thread of its own talks to the drivers; the window asks it for one scan at a time.

use std::collections::{HashSet, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use egui::{ColorImage, Context, TextureHandle, TextureOptions};
use glassine_acquire::{
    Answer, FileChoices, LiveRows, MODE, OptionValue, Progress, SOURCE, ScanTask, Scanned, Worker,
};
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{NewSessionRequest, Notice, RescanRequest, SessionKey, Severity};
use glassine_scanfile::Metadata;
use glassine_session::{Edit, FrameId, RollId, StripId};

use crate::app::GlassineApp;
use crate::model::questions::{PathPurpose, PendingAction};
use crate::model::scanner_state::{
    Batch, DeviceChoices, Doing, ItemState, LiveShown, OverviewPlace, ScanUnit, base_on_overview, exposures,
    items, items_left, megapixels, option_of, scan_of,
};
use crate::platform::clock::now_text;
use crate::platform::disk_space::free_bytes;
use crate::platform::drivers::driver_process;
use crate::services::arrivals::FolderWatch;
use crate::services::eta::ProgressEstimate;
use crate::services::job_events::Waiting;

/// Longest wait for an answer of a driver. Our choice: lamps warm up for a minute.
const PATIENCE: Duration = Duration::from_secs(120);
/// Rows by which a live picture of unknown height grows.
const GROWTH_ROWS: usize = 512;
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
pub(crate) struct ScannerDesk {
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
    taking: Vec<JobId>,
    /// Frames of the batch that were taken over and are solved together at its end.
    taken: Vec<FrameId>,
    /// Rolls that strips on new scans join once they are found.
    rolls: Vec<(PathBuf, RollId)>,
    watch: Option<FolderWatch>,
    /// Scans that arrived in the watched folder and are still to be opened.
    arrived: VecDeque<PathBuf>,
    /// Scans that were written from here, which the watched folder may hold too.
    own: HashSet<PathBuf>,
}

impl GlassineApp {
    pub(super) fn apply_scanner(&mut self, ctx: &Context, command: ScannerCommand) {
        match command {
            ScannerCommand::Show(show) => self.show_scanner(ctx, show),
            ScannerCommand::Look { with_network } => {
                let Some(worker) = self.scanner_worker(ctx) else { return };
                worker.list(with_network);
                self.scanner_does(Doing::Looking);
            }
            ScannerCommand::Choose(device) => self.choose_scanner(ctx, &device),
            ScannerCommand::SetSource(source) => {
                self.change_choices(|choices| choices.source = Some(source.clone()));
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
                self.change_choices(|choices| {
                    choices.options.insert(name.clone(), value.clone());
                });
                self.set_option(ctx, &name, &value);
            }
            ScannerCommand::ForgetOptions => {
                self.change_choices(|choices| choices.options.clear());
                if let Some(device) = self.status.scanner.device.clone() {
                    // A device that is opened again has the values of its driver.
                    self.choose_scanner(ctx, &device);
                }
            }
            ScannerCommand::TakeExposures => self.take_exposures(ctx),
            ScannerCommand::AskFolder => self.ask_path(ctx, PathPurpose::ScansInto),
            ScannerCommand::ScanOverview => self.scan_overview(ctx),
            ScannerCommand::ScanFrames => self.scan_frames(ctx),
            ScannerCommand::GoOn => self.go_on(ctx),
            ScannerCommand::Stop => {
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
        let now_s = self.now;
        let facts = &mut self.status.scanner;
        (facts.share, facts.remaining) = (0.0, None);
        facts.detail.clear();
        facts.doing = Some(doing);
        self.scanner.estimate = ProgressEstimate::default();
        self.scanner.estimate.begin(now_s);
    }

    fn choose_scanner(&mut self, ctx: &Context, device: &str) {
        let Some(worker) = self.scanner_worker(ctx) else { return };
        worker.open(device);
        self.scanner.states_due += 1;
        self.status.scanner.device = None;
        self.scanner_does(Doing::Opening);
    }

    fn set_option(&mut self, ctx: &Context, name: &str, value: &str) {
        let Some(worker) = self.scanner_worker(ctx) else { return };
        worker.set(name, value);
        self.scanner.states_due += 1;
        if !self.status.scanner.is_scanning() {
            self.scanner_does(Doing::Setting);
        }
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
        if folder.is_some() {
            self.remembered.scanner_habits.folder = folder;
            self.show_habits();
            self.look_at_free_space();
            if let Some(command) = waits {
                self.apply_scanner(ctx, command);
            }
        }
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
        let path = free_path(&folder, &format!("{}-overview", self.scan_name()));
        let id = self.begin_scan(ctx, &choices, (choices.overview_ppi, None), path);
        let Some(id) = id else { return };
        let facts = &mut self.status.scanner;
        (facts.overview, facts.batch) = (None, None);
        self.ui_state.scanner.done.clear();
        self.scanner.key = self.key;
        self.scanner_does(Doing::Overview { id });
    }

    /// Has the thread scan; returns the number of the scan.
    fn begin_scan(
        &mut self,
        ctx: &Context,
        choices: &DeviceChoices,
        (ppi, area): (f64, Option<glassine_acquire::AreaMm>),
        path: PathBuf,
    ) -> Option<u64> {
        let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
        if let Err(error) = std::fs::create_dir_all(&folder) {
            let headline = format!("the folder for the scans cannot be made: {error}");
            let notice = Notice::new(Severity::Error, headline, "choose another folder").about(folder);
            self.status.scanner.trouble = Some(notice);
            return None;
        }
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
        self.scanner.own.insert(std::path::absolute(&path).unwrap_or_else(|_| path.clone()));
        let task = ScanTask { id, choices: choices.scan(ppi, area), path, file };
        self.scanner_worker(ctx)?.scan(task);
        // After a scan the thread says how the device is set.
        self.scanner.texture = None;
        self.status.scanner.live = None;
        self.status.scanner.remarks.clear();
        Some(id)
    }

    fn scan_frames(&mut self, ctx: &Context) {
        let facts = &self.status.scanner;
        let Some(overview) = facts.overview.clone().filter(|_| facts.doing.is_none()) else { return };
        let choices = facts.choices.clone();
        let items = items(self.history.current(), &overview, choices.unit, facts.state.whole_area);
        let items = items_left(items, facts.batch.as_ref());
        if items.is_empty() || self.folder_or_ask(ctx, ScannerCommand::ScanFrames).is_none() {
            return;
        }
        let batch = Batch { items, overview, ppi: choices.frames_ppi, is_stopped: false };
        if self.has_room(batch.megapixels(|_| true)) {
            self.status.scanner.batch = Some(batch);
            self.scanner.key = self.key;
            self.scan_next(ctx);
        }
    }

    fn go_on(&mut self, ctx: &Context) {
        if self.status.scanner.doing.is_some() || self.scanner.key != self.key {
            return;
        }
        if let Some(batch) = &mut self.status.scanner.batch {
            batch.is_stopped = false;
            let failed = batch.items.iter_mut().filter(|item| item.state != ItemState::Done);
            failed.for_each(|item| item.state = ItemState::Waiting);
            self.scan_next(ctx);
        }
    }

    /// Scans the next file of the batch; frames deleted meanwhile are left out.
    fn scan_next(&mut self, ctx: &Context) {
        let Some(folder) = self.scans_folder() else { return };
        let session = self.history.current().clone();
        let Some(batch) = &mut self.status.scanner.batch else { return };
        for item in &mut batch.items {
            item.frames.retain(|frame| session.frame(*frame).is_some());
        }
        batch.items.retain(|item| !item.frames.is_empty());
        let next = batch.items.iter().position(|item| item.state == ItemState::Waiting);
        let Some(nth) = next else { return self.end_batch() };
        let item = &mut batch.items[nth];
        item.state = ItemState::Scanning;
        let (stem, area, ppi) = (item.stem.clone(), item.area, batch.ppi);
        let path = free_path(&folder, &format!("{}-{stem}", self.scan_name()));
        let choices = self.status.scanner.choices.clone();
        match self.begin_scan(ctx, &choices, (ppi, Some(area)), path) {
            Some(id) => self.scanner_does(Doing::Item { id, nth }),
            None => self.stop_batch(nth, ItemState::Waiting),
        }
    }

    fn stop_batch(&mut self, nth: usize, state: ItemState) {
        if let Some(batch) = &mut self.status.scanner.batch {
            batch.is_stopped = true;
            if let Some(item) = batch.items.get_mut(nth) {
                item.state = state;
            }
        }
    }

    /// Solves the frames of a batch together, once all are taken over.
    fn end_batch(&mut self) {
        self.look_at_free_space();
        let is_done = self.status.scanner.batch.as_ref().is_some_and(|batch| batch.left() == 0);
        if is_done && self.scanner.taking.is_empty() && !self.scanner.taken.is_empty() {
            let frames = std::mem::take(&mut self.scanner.taken);
            self.waiting.push(Waiting::SolveFrames(frames));
        }
    }

    /// Notes that a job ended: the frames of a scan are taken over, or could not be.
    pub(crate) fn scanner_job_ended(&mut self, id: JobId) {
        let before = self.scanner.taking.len();
        self.scanner.taking.retain(|taking| *taking != id);
        if self.scanner.taking.len() < before && self.status.scanner.doing.is_none() {
            self.end_batch();
        }
    }

    /// Forgets what belongs to the session before; its scan of a frame is stopped. The session that an overview opens
    /// goes on with it.
    pub(super) fn scanner_changes_session(&mut self) {
        let is_of_overview = |overview: &OverviewPlace| scan_of(self.session(), &overview.path).is_some();
        if self.status.scanner.overview.as_ref().is_some_and(is_of_overview) {
            self.scanner.key = self.key;
            return;
        }
        let is_batch = matches!(self.status.scanner.doing, Some(Doing::Item { .. }));
        if let Some(worker) = self.scanner.worker.as_ref().filter(|_| is_batch) {
            worker.stop();
        }
        (self.status.scanner.overview, self.status.scanner.batch) = (None, None);
        self.scanner.taking.clear();
        self.scanner.taken.clear();
        self.scanner.rolls.clear();
        self.scanner.arrived.clear();
    }

    /// Takes what the thread of the drivers has to say.
    pub(crate) fn take_scanner_answers(&mut self, ctx: &Context) {
        while let Some(answer) = self.scanner.worker.as_ref().and_then(Worker::poll) {
            match answer {
                Answer::Devices(devices) => self.scanners_found(ctx, devices),
                Answer::State { device, state } => self.scanner_state(ctx, device, state),
                Answer::Progress { id, at } => self.scan_progress(id, at),
                Answer::Rows { id, rows } => self.rows_arrived(ctx, id, &rows),
                Answer::Scanned { id, result } => self.scanned(ctx, id, result),
            }
        }
        self.join_rolls();
        self.take_arrived();
    }

    fn scanners_found(
        &mut self,
        ctx: &Context,
        devices: Result<Vec<glassine_acquire::Device>, glassine_acquire::Error>,
    ) {
        self.status.scanner.doing = None;
        match devices {
            Ok(devices) => {
                let known = self.remembered.scanner_habits.device.as_ref();
                let is_there = |name: &&String| devices.iter().any(|device| device.name == **name);
                let only = devices.first().filter(|_| devices.len() == 1).map(|device| &device.name);
                let chosen = known.filter(is_there).or(only).cloned();
                let is_open = self.status.scanner.device.is_some();
                self.status.scanner.devices = Some(devices);
                if let Some(device) = chosen.filter(|_| !is_open) {
                    self.choose_scanner(ctx, &device);
                }
            }
            Err(error) => self.scanner_failed(&error),
        }
    }

    fn scanner_state(
        &mut self,
        ctx: &Context,
        device: String,
        state: Result<glassine_acquire::DeviceState, glassine_acquire::Error>,
    ) {
        self.scanner.states_due = self.scanner.states_due.saturating_sub(1);
        if self.scanner.states_due == 0 && !self.status.scanner.is_scanning() {
            self.status.scanner.doing = None;
        }
        let state = match state {
            Ok(state) => state,
            Err(error) => return self.scanner_failed(&error),
        };
        let is_new = self.status.scanner.device.as_ref() != Some(&device);
        let kept = self.remembered.scanner_habits.choices_of(&device);
        let fitted = kept.fitted(&state);
        let facts = &mut self.status.scanner;
        (facts.device, facts.choices, facts.state) = (Some(device.clone()), fitted.clone(), state);
        if is_new {
            self.remembered.scanner_habits.device = Some(device);
            self.show_habits();
            self.set_as_chosen(ctx, &fitted);
        }
    }

    /// Sets a device that was just opened as it was chosen before.
    fn set_as_chosen(&mut self, ctx: &Context, choices: &DeviceChoices) {
        let plain = [(SOURCE, &choices.source), (MODE, &choices.mode)];
        let plain = plain.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value.clone()?)));
        let all: Vec<(String, String)> = plain.chain(choices.options.clone()).collect();
        for (name, value) in all {
            let now = option_of(&self.status.scanner.state, &name).and_then(|option| option.value.as_ref());
            if now.map(OptionValue::text).as_ref() != Some(&value) {
                self.set_option(ctx, &name, &value);
            }
        }
    }

    fn scanner_failed(&mut self, error: &glassine_acquire::Error) {
        if !matches!(error, glassine_acquire::Error::Cancelled) {
            self.status.scanner.trouble = Some(notice_of(error));
        }
    }

    fn scan_progress(&mut self, id: u64, at: Progress) {
        let now_s = self.now;
        let facts = &mut self.status.scanner;
        let pass = if at.frames_done > 0 { format!(", pass {}", at.frames_done + 1) } else { String::new() };
        let share = match (&facts.doing, at.lines) {
            (Some(Doing::Overview { id: now } | Doing::Item { id: now, .. }), _) if *now != id => return,
            (_, None) => 0.0,
            (_, Some(lines)) => at.lines_done as f32 / lines.max(1) as f32,
        };
        facts.detail = match at.lines {
            Some(lines) => format!("line {} of {lines}{pass}", at.lines_done),
            None => format!("{} lines{pass}", at.lines_done),
        };
        let of_all = match (&facts.doing, &facts.batch) {
            (Some(Doing::Item { nth, .. }), Some(batch)) => {
                let all = batch.megapixels(|state| !matches!(state, ItemState::Failed(_))).max(1e-9);
                let done = batch.megapixels(|state| *state == ItemState::Done);
                let this = batch.items.get(*nth).map_or(0.0, |item| megapixels(item.area, batch.ppi));
                ((done + f64::from(share) * this) / all) as f32
            }
            _ => share,
        };
        facts.share = of_all;
        self.scanner.estimate.report(of_all, now_s);
        facts.remaining = self.scanner.estimate.remaining_text(now_s);
    }

    /// Adds rows to the picture of the running scan.
    fn rows_arrived(&mut self, ctx: &Context, id: u64, rows: &LiveRows) {
        let is_current = match &self.status.scanner.doing {
            Some(Doing::Overview { id: now } | Doing::Item { id: now, .. }) => *now == id,
            _ => false,
        };
        let count = rows.rgb.len() / (rows.width_px * 3).max(1);
        let end = rows.first_row + count;
        if !is_current || count == 0 {
            return;
        }
        let known = self.status.scanner.live.map(|live| live.size_px[1]).unwrap_or_default();
        if self.scanner.texture.is_none() || end > known {
            let height = rows.height_px.unwrap_or(0).max(end.next_multiple_of(GROWTH_ROWS));
            let height = rows.height_px.map_or(height, |known| known.max(end));
            self.grow_live(ctx, [rows.width_px, height]);
        }
        let Some(texture) = &mut self.scanner.texture else { return };
        let image = ColorImage::from_rgb([rows.width_px, count], &rows.rgb);
        texture.set_partial([0, rows.first_row], image, TextureOptions::LINEAR);
        if let Some(live) = &mut self.status.scanner.live {
            live.rows = end;
        }
    }

    /// A texture of this size for the running scan. Of a picture whose height is not known only what comes from now on
    /// is shown sharp; its rows so far are drawn again by the overview of the finished scan.
    fn grow_live(&mut self, ctx: &Context, size_px: [usize; 2]) {
        let image = ColorImage::filled(size_px, egui::Color32::TRANSPARENT);
        let texture = ctx.load_texture("scan that arrives", image, TextureOptions::LINEAR);
        let rows = self.status.scanner.live.map_or(0, |live| live.rows);
        self.status.scanner.live = Some(LiveShown { texture: texture.id(), size_px, rows });
        self.scanner.texture = Some(texture);
    }

    fn scanned(&mut self, ctx: &Context, id: u64, result: Result<Box<Scanned>, glassine_acquire::Error>) {
        let doing = self.status.scanner.doing.take_if(
            |doing| matches!(doing, Doing::Overview { id: now } | Doing::Item { id: now, .. } if *now == id),
        );
        // The device says its state after each scan.
        self.scanner.states_due += usize::from(doing.is_some());
        self.status.scanner.live = None;
        self.scanner.texture = None;
        let is_of_session = self.scanner.key == self.key;
        match (doing, result) {
            (Some(Doing::Item { nth, .. }), Err(error)) => {
                let is_stopped = matches!(error, glassine_acquire::Error::Cancelled);
                let state =
                    if is_stopped { ItemState::Waiting } else { ItemState::Failed(notice_of(&error)) };
                self.stop_batch(nth, state);
                self.scanner_failed(&error);
                self.end_batch();
            }
            (_, Err(error)) => self.scanner_failed(&error),
            (Some(_), Ok(scanned)) if !is_of_session => {
                let headline = "a scan was written after another session was opened";
                let notice = Notice::new(Severity::Info, headline, "open it from its folder");
                self.notify_of_program(notice.about(scanned.scan.file.path));
            }
            (Some(Doing::Overview { .. }), Ok(scanned)) => self.overview_scanned(&scanned),
            (Some(Doing::Item { nth, .. }), Ok(scanned)) => self.item_scanned(ctx, nth, &scanned),
            (_, Ok(_)) => {}
        }
    }

    fn note_scan(&mut self, scanned: &Scanned) {
        let pixels = f64::from(scanned.scan.width_px) * f64::from(scanned.scan.height_px);
        let seconds = scanned.elapsed.as_secs_f64() / (pixels / 1e6).max(1e-3);
        self.change_choices(|choices| choices.seconds_per_megapixel = Some(seconds));
        let remarks = scanned.applied.remarks.iter().chain(&scanned.scan.remarks).cloned();
        self.status.scanner.remarks = remarks.collect();
    }

    /// Opens the overview, as the next scan of the session or as a new one.
    fn overview_scanned(&mut self, scanned: &Scanned) {
        self.note_scan(scanned);
        let path = scanned.scan.file.path.clone();
        let state = &self.status.scanner.state;
        let whole = state.whole_area;
        let exposures = exposures(state, None, &[]).iter().map(|row| row.now).collect();
        if let (Some(area), Some(ppi)) = (scanned.applied.area.or(whole), scanned.applied.ppi) {
            self.status.scanner.overview = Some(OverviewPlace { path: path.clone(), area, ppi, exposures });
        }
        self.open_like_the_last(path, scanned.applied.ppi);
    }

    /// Opens a scan as the next one of the session, with film, format and roll of the last strip, or as a new session.
    fn open_like_the_last(&mut self, path: PathBuf, ppi: Option<f64>) {
        let session = self.history.current();
        let is_own = !self.status.is_demo;
        let last = session.strips_in_order().last().filter(|_| is_own).map(|strip| Arc::clone(strip));
        let request = NewSessionRequest {
            scans: vec![path.clone()],
            film: last.as_ref().filter(|strip| !strip.film_is_guessed()).map(|strip| strip.film),
            format_id: last.as_ref().and_then(|strip| strip.format_id.clone()),
            ppi,
            ..NewSessionRequest::default()
        };
        self.scanner.rolls.extend(last.and_then(|strip| strip.roll).map(|roll| (path, roll)));
        if !session.scans.is_empty() && is_own {
            let id = self.submit(Job::AddScans(request.clone()));
            self.files.opening.insert(id, request);
        } else if self.is_unsaved() {
            self.ask_about_unsaved(PendingAction::NewSession(Box::new(request)));
        } else {
            self.open_scans(request);
        }
    }

    /// Puts the strips of new scans on the roll of the strips before, once they are found.
    fn join_rolls(&mut self) {
        if self.scanner.rolls.is_empty() || self.history.in_gesture() {
            return;
        }
        for (path, roll) in std::mem::take(&mut self.scanner.rolls) {
            let session = self.history.current();
            let scan = scan_of(session, &path);
            let strips = session.strips.iter().filter(|strip| Some(strip.scan) == scan);
            let strips: Vec<StripId> = strips.map(|strip| strip.id).collect();
            if strips.is_empty() {
                self.scanner.rolls.push((path, roll));
                continue;
            }
            let edit = Edit::AssignRoll { strips, roll: Some(roll) };
            // Nothing joins a roll that was removed meanwhile.
            if let Ok(session) = edit.apply(session) {
                self.history.apply(edit.label(), session);
                self.touched();
            }
        }
    }

    pub(super) fn watch_folder(&mut self, ctx: &Context, folder: &Path) {
        let ctx = ctx.clone();
        match FolderWatch::begin(folder, move || ctx.request_repaint()) {
            Ok(watch) => {
                self.status.scanner.watched = Some(watch.folder.clone());
                self.scanner.watch = Some(watch);
            }
            Err(error) => {
                let headline = format!("this folder cannot be watched: {error}");
                let what_to_do = "choose a folder that exists and that you may read";
                self.notify(Notice::new(Severity::Error, headline, what_to_do).about(folder));
            }
        }
    }

    /// Opens the next scan of the watched folder, once the one before is open.
    fn take_arrived(&mut self) {
        let Some(watch) = &self.scanner.watch else { return };
        let own = &self.scanner.own;
        self.scanner.arrived.extend(watch.take().into_iter().filter(|path| !own.contains(path)));
        let is_free = self.files.opening.is_empty() && self.ui_state.question.is_none();
        if !is_free || self.history.in_gesture() {
            return;
        }
        if let Some(path) = self.scanner.arrived.pop_front()
            && scan_of(self.session(), &path).is_none()
        {
            self.open_like_the_last(path, None);
        }
    }

    /// Has the frames taken over to their scan, and scans on.
    fn item_scanned(&mut self, ctx: &Context, nth: usize, scanned: &Scanned) {
        self.note_scan(scanned);
        let Some(batch) = &mut self.status.scanner.batch else { return };
        let overview = batch.overview.clone();
        let ppi = scanned.applied.ppi.unwrap_or(batch.ppi);
        let Some(item) = batch.items.get_mut(nth) else { return };
        item.state = ItemState::Done;
        let area = scanned.applied.area.unwrap_or(item.area);
        let frames = item.frames.clone();
        let request = RescanRequest {
            file: scanned.scan.file.path.clone(),
            frames: frames.clone(),
            to_new: overview.to_scan(area, ppi),
            ppi: Some(ppi),
        };
        let job = self.submit(Job::Rescan(request));
        self.scanner.taking.push(job);
        self.scanner.taken.extend(frames);
        self.scan_next(ctx);
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

fn notice_of(error: &glassine_acquire::Error) -> Notice {
    Notice::new(Severity::Error, error.to_string(), error.hint())
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
