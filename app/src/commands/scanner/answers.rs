//! What the thread of the drivers answers.

use egui::{ColorImage, Context, TextureOptions};
use glassine_acquire::{
    Answer, AreaMm, Device, DeviceState, Error, LiveRows, MODE, OptionValue, Progress, SOURCE, Scanned,
    ValueKind, Worker,
};
use glassine_engine::{Notice, Severity};
use glassine_raster::MM_PER_INCH;

use super::notice_of;
use crate::commands::program::GlassineApp;
use crate::model::scanner_exposure::exposures;
use crate::model::scanner_state::{
    DeviceChoices, Doing, ItemState, LiveShown, OverviewPlace, megapixels, option_of,
};

/// Rows by which a live picture of unknown height grows.
const GROWTH_ROWS: usize = 512;

impl GlassineApp {
    /// Takes what the thread of the drivers has to say.
    pub(crate) fn take_scanner_answers(&mut self, ctx: &Context) {
        while let Some(answer) = self.scanner.worker.as_ref().and_then(Worker::poll) {
            match answer {
                Answer::Devices(devices) => self.scanners_found(ctx, devices),
                Answer::State { device, state, is_asked } => {
                    self.states_answered(is_asked);
                    self.scanner_state(ctx, device, state, is_asked);
                }
                Answer::Progress { id, at } => self.scan_progress(id, at),
                Answer::Rows { id, rows } => self.rows_arrived(ctx, id, &rows),
                Answer::Scanned { id, result } => self.scanned(ctx, id, result),
            }
        }
        self.look_at_worker();
        self.take_arrived();
    }

    fn scanners_found(&mut self, ctx: &Context, devices: Result<Vec<Device>, Error>) {
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

    fn states_answered(&mut self, is_asked: bool) {
        self.scanner.states_due -= usize::from(is_asked && self.scanner.states_due > 0);
        if self.scanner.states_due == 0 && !self.status.scanner.is_scanning() {
            self.status.scanner.doing = None;
        }
    }

    /// Tells of a thread that has ended by a fault; the next request starts another one.
    fn look_at_worker(&mut self) {
        if !self.scanner.worker.as_ref().is_some_and(Worker::is_dead) {
            return;
        }
        self.scanner.worker = None;
        self.scanner.states_due = 0;
        self.status.scanner.device = None;
        if let Some(Doing::Item { nth, .. }) = self.status.scanner.doing.take() {
            self.stop_batch(nth, ItemState::Waiting);
        }
        let headline = "the connection to the scanner driver ended by a fault";
        let what_to_do = "look for the scanner again; the session is safe";
        self.status.scanner.trouble = Some(Notice::new(Severity::Error, headline, what_to_do));
    }

    fn scanner_state(
        &mut self,
        ctx: &Context,
        device: String,
        state: Result<DeviceState, Error>,
        is_asked: bool,
    ) {
        let state = match state {
            Ok(state) => state,
            Err(error) => {
                self.scanner.setting.clear();
                return self.scanner_failed(&error);
            }
        };
        let is_new = self.status.scanner.device.as_ref() != Some(&device);
        let facts = &mut self.status.scanner;
        (facts.device, facts.state) = (Some(device.clone()), state);
        if is_new {
            self.remembered.scanner_habits.device = Some(device);
        }
        self.keep_what_was_set(is_asked);
        self.change_choices(|_| ());
        if let Some(overview) = self.status.scanner.overview.as_mut().filter(|_| !is_asked) {
            // A state that nobody asked for comes after a scan: it has the exposures of that scan.
            if overview.exposures.is_empty() {
                let rows = exposures(&self.status.scanner.state, None, &[]);
                overview.exposures = rows.iter().map(|row| row.now).collect();
            }
        }
        if is_asked && self.scanner.states_due == 0 && self.scanner.setups_left > 0 {
            self.scanner.setups_left -= 1;
            let choices = self.status.scanner.choices.clone();
            self.set_as_chosen(ctx, &choices);
        }
    }

    /// Keeps options that the device has taken, with the values that it has now. Buttons have none.
    fn keep_what_was_set(&mut self, is_asked: bool) {
        if !is_asked || self.scanner.states_due > 0 {
            return;
        }
        let state = &self.status.scanner.state;
        let taken = std::mem::take(&mut self.scanner.setting).into_iter().filter_map(|name| {
            let option = option_of(state, &name).filter(|option| option.kind != ValueKind::Button)?;
            Some((name, option.value.as_ref()?.text()))
        });
        let taken: Vec<(String, String)> = taken.collect();
        self.change_choices(|choices| choices.options.extend(taken));
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

    fn scanner_failed(&mut self, error: &Error) {
        if !matches!(error, Error::Cancelled) {
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
        let most = ctx.input(|input| input.max_texture_side);
        let (width, known) =
            self.status.scanner.live.map_or((0, 0), |live| (live.size_px[0], live.size_px[1]));
        if end > most || rows.width_px > most {
            return;
        }
        if width != rows.width_px || end > known {
            if width != rows.width_px {
                self.scanner.picture.clear();
            }
            let height =
                rows.height_px.unwrap_or_else(|| end.next_multiple_of(GROWTH_ROWS)).max(end).min(most);
            self.scanner.picture.resize(rows.width_px * height, egui::Color32::TRANSPARENT);
            self.show_live(ctx, [rows.width_px, height]);
        }
        let Some(texture) = &mut self.scanner.texture else { return };
        let image = ColorImage::from_rgb([rows.width_px, count], &rows.rgb);
        let from = rows.first_row * rows.width_px;
        self.scanner.picture[from..from + image.pixels.len()].copy_from_slice(&image.pixels);
        texture.set_partial([0, rows.first_row], image, TextureOptions::LINEAR);
        if let Some(live) = &mut self.status.scanner.live {
            live.rows = end;
        }
    }

    /// Shows the picture of the running scan in a new texture.
    fn show_live(&mut self, ctx: &Context, size_px: [usize; 2]) {
        let image = ColorImage::new(size_px, self.scanner.picture.clone());
        let texture = ctx.load_texture("scan that arrives", image, TextureOptions::LINEAR);
        let rows = self.status.scanner.live.map_or(0, |live| live.rows);
        self.status.scanner.live = Some(LiveShown { texture: texture.id(), size_px, rows });
        self.scanner.texture = Some(texture);
    }

    pub(super) fn drop_live(&mut self) {
        self.status.scanner.live = None;
        (self.scanner.texture, self.scanner.picture) = (None, Vec::new());
    }

    fn scanned(&mut self, ctx: &Context, id: u64, result: Result<Box<Scanned>, Error>) {
        let doing = self.status.scanner.doing.take_if(
            |doing| matches!(doing, Doing::Overview { id: now } | Doing::Item { id: now, .. } if *now == id),
        );
        self.drop_live();
        self.scanner.written.extend(result.as_ref().ok().map(|scanned| scanned.real_path.clone()));
        let is_of_session = self.scanner.key == self.key;
        match (doing, result) {
            (Some(Doing::Item { nth, .. }), Err(error)) => {
                let is_stopped = matches!(error, Error::Cancelled);
                let state =
                    if is_stopped { ItemState::Waiting } else { ItemState::Failed(notice_of(&error)) };
                self.stop_batch(nth, state);
                self.scanner_failed(&error);
                self.look_at_free_space();
                self.solve_taken();
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

    pub(super) fn note_scan(&mut self, scanned: &Scanned) {
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
        let facts = &mut self.status.scanner;
        (facts.overview, facts.batch) = (None, None);
        if let Some(ppi) = scanned.applied.ppi {
            let mm = |px: u32| f64::from(px) * MM_PER_INCH / ppi;
            let (width_mm, height_mm) = (mm(scanned.scan.width_px), mm(scanned.scan.height_px));
            // A device without an area to choose scans what it scans, from its corner.
            let whole = AreaMm { left_mm: 0.0, top_mm: 0.0, width_mm, height_mm };
            let area = scanned.applied.area.unwrap_or(whole);
            let (path, exposures) = (path.clone(), Vec::new());
            facts.overview = Some(OverviewPlace { path, area, ppi, exposures });
        }
        self.open_like_the_last(path, None, scanned.applied.ppi);
    }
}
