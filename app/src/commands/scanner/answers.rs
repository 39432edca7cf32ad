//! What the thread of the drivers answers.

use egui::{ColorImage, Context, TextureOptions};
use glassine_acquire::{
    Answer, Device, DeviceState, Error, LiveRows, MODE, OptionValue, Progress, SOURCE, Scanned, Worker,
};
use glassine_engine::{Notice, Severity};

use super::notice_of;
use crate::app::GlassineApp;
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
                Answer::State { device, state } => self.scanner_state(ctx, device, state),
                Answer::Progress { id, at } => self.scan_progress(id, at),
                Answer::Rows { id, rows } => self.rows_arrived(ctx, id, &rows),
                Answer::Scanned { id, result } => self.scanned(ctx, id, result),
            }
        }
        self.join_rolls();
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

    fn scanner_state(&mut self, ctx: &Context, device: String, state: Result<DeviceState, Error>) {
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

    fn scanned(&mut self, ctx: &Context, id: u64, result: Result<Box<Scanned>, Error>) {
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
                let is_stopped = matches!(error, Error::Cancelled);
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
        let state = &self.status.scanner.state;
        let whole = state.whole_area;
        let exposures = exposures(state, None, &[]).iter().map(|row| row.now).collect();
        if let (Some(area), Some(ppi)) = (scanned.applied.area.or(whole), scanned.applied.ppi) {
            self.status.scanner.overview = Some(OverviewPlace { path: path.clone(), area, ppi, exposures });
        }
        self.open_like_the_last(path, scanned.applied.ppi);
    }
}
