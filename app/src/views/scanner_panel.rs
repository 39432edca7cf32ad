//! The panel of the scanner: device, overview, files for the frames, reminders; and the picture that arrives.

use egui::{
    Align2, Button, Checkbox, Color32, Label, ProgressBar, Rect, RichText, ScrollArea, TextEdit, Ui, pos2,
    vec2,
};
use glassine_acquire::{Choice, DeviceOption, MODE, OptionValue, SOURCE, ValueKind};
use glassine_engine::{Notice, counted};

use crate::commands::{ScannerCommand, ViewCommand};
use crate::model::eta::remaining_text;
use crate::model::number_text::parse_number;
use crate::model::scanner_exposure::{base_on_overview, exposures};
use crate::model::scanner_state::{
    Batch, Doing, ItemState, LiveShown, ScanUnit, depth_text, driver_options, items, items_left, megapixels,
    option_of, ppi_option,
};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton};
use crate::widgets::parts::{
    choice_row_ui, choice_ui, fact_row_ui, main_button_ui, note_ui, section_title_ui, sub_head_ui,
    switch_row_ui, warning_ui,
};
use crate::widgets::theme;
use crate::widgets::value_row::label_ui;

/// Width of the panel, points.
pub(super) const WIDTH: f32 = 336.0;

pub(super) fn scanner_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let head = section_title_ui(ui, "scanner", "from the glass to files");
    let corner = Rect::from_min_size(head.right_top() - vec2(24.0, 0.0), vec2(24.0, 24.0));
    let mut inside = ui.new_child(egui::UiBuilder::new().max_rect(corner));
    if IconButton::new(Icon::Close, "close the scanner panel").show(&mut inside).clicked() {
        cx.push(ScannerCommand::Show(false));
    }
    ScrollArea::vertical().id_salt("scanner").auto_shrink(false).show(ui, |ui| {
        ui.set_width(ui.available_width() - 8.0);
        device_ui(ui, cx);
        trouble_ui(ui, cx);
        reminders_ui(ui, cx);
        if cx.status.scanner.device.is_some() {
            if cx.ui_state.scanner.shows_driver_options {
                driver_options_ui(ui, cx);
            } else {
                plain_ui(ui, cx);
                overview_ui(ui, cx);
                exposure_ui(ui, cx);
                frames_ui(ui, cx);
            }
        }
        watched_ui(ui, cx);
        ui.add_space(12.0);
    });
}

fn device_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let facts = &cx.status.scanner;
    let devices = facts.devices.as_deref().unwrap_or_default();
    let is_busy = facts.doing.is_some();
    let text_of = |device: &glassine_acquire::Device| format!("{} {}", device.vendor, device.model);
    let shown = match (&facts.doing, &facts.device) {
        (Some(Doing::Looking), _) => "looking for scanners".to_owned(),
        (Some(Doing::Opening), _) => "opening".to_owned(),
        (_, None) => "none".to_owned(),
        (_, Some(name)) => devices.iter().find(|device| device.name == *name).map_or(name.clone(), text_of),
    };
    let list =
        devices.iter().map(|device| (device.name.clone(), format!("{}, {}", text_of(device), device.name)));
    ui.add_enabled_ui(!is_busy, |ui| {
        if let Some(name) = choice_row_ui(ui, "device", &shown, facts.device.as_ref(), list) {
            cx.push(ScannerCommand::Choose(name));
        }
        ui.horizontal(|ui| {
            if ui.button("look again").clicked() {
                cx.push(ScannerCommand::Look { with_network: false });
            }
            let tip = "asks the network for scanners, which can take a minute";
            if ui.button("look on the network").on_hover_text(tip).clicked() {
                cx.push(ScannerCommand::Look { with_network: true });
            }
        });
    });
    if is_busy && !facts.is_scanning() && ui.button("stop waiting").clicked() {
        cx.push(ScannerCommand::Stop);
    }
    if facts.devices.as_ref().is_some_and(Vec::is_empty) && !is_busy {
        note_ui(
            ui,
            "no scanner was found: check cable and power, then look again. A camera, or a scanner with a program \
                     of its own: open its files instead, or watch their folder",
        );
    }
}

fn trouble_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    if let Some(notice) = &cx.status.scanner.trouble {
        told_ui(ui, notice);
    }
    for remark in &cx.status.scanner.remarks {
        warning_ui(ui, remark);
    }
}

fn told_ui(ui: &mut Ui, notice: &Notice) {
    warning_ui(ui, &notice.headline);
    if !notice.what_to_do.is_empty() {
        note_ui(ui, &notice.what_to_do);
    }
}

/// The well-known options.
fn plain_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let facts = &cx.status.scanner;
    ui.add_enabled_ui(facts.doing.is_none(), |ui| {
        for (name, label) in [(SOURCE, "source"), (MODE, "mode")] {
            let Some(option) = option_of(&facts.state, name) else { continue };
            let Choice::Texts(texts) = &option.choice else { continue };
            let now = option.value.as_ref().map(OptionValue::text).unwrap_or_default();
            let list = texts.iter().map(|text| (text.clone(), text.clone()));
            if let Some(chosen) = choice_row_ui(ui, label, &now, Some(&now), list) {
                cx.push(match name {
                    SOURCE => ScannerCommand::SetSource(chosen),
                    _ => ScannerCommand::SetMode(chosen),
                });
            }
        }
    });
    if let Some(text) = depth_text(&facts.state) {
        fact_row_ui(ui, "depth", &text);
    }
    ui.horizontal(|ui| {
        let tip = "every further option of the driver, kept for this device";
        if ui.button("driver options").on_hover_text(tip).clicked() {
            cx.ui_state.scanner.shows_driver_options = true;
        }
    });
}

/// A row with a resolution: a list where the device has one, else a number.
fn ppi_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, label: &str, ppi: f64, command: fn(f64) -> ScannerCommand) {
    let Some(option) = ppi_option(&cx.status.scanner.state) else { return };
    let text = |ppi: f64| format!("{ppi:.0} ppi");
    match &option.choice {
        Choice::Numbers(numbers) => {
            let list = numbers.iter().map(|number| (*number, text(*number)));
            if let Some(chosen) = choice_row_ui(ui, label, &text(ppi), Some(&ppi), list) {
                cx.push(command(chosen));
            }
        }
        Choice::Range { least, most, .. } => {
            let (least, most) = (*least, *most);
            // Common steps within the range.
            let steps = [75.0, 150.0, 300.0, 600.0, 1200.0, 1600.0, 2400.0, 3200.0, 4000.0, 4800.0, 6400.0];
            let mut steps: Vec<f64> = steps
                .into_iter()
                .chain([least, most, ppi])
                .filter(|step| (least..=most).contains(step))
                .collect();
            steps.sort_by(f64::total_cmp);
            steps.dedup();
            let list = steps.into_iter().map(|step| (step, text(step)));
            if let Some(chosen) = choice_row_ui(ui, label, &text(ppi), Some(&ppi), list) {
                cx.push(command(chosen));
            }
        }
        Choice::Any | Choice::Texts(_) => fact_row_ui(ui, label, &text(ppi)),
    }
}

fn overview_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "overview");
    let facts = &cx.status.scanner;
    ppi_row_ui(ui, cx, "overview at", facts.choices.overview_ppi, ScannerCommand::SetOverviewPpi);
    let is_next = facts.overview.is_some();
    let text = if is_next { "next strip: overview" } else { "scan the overview" };
    let is_scanned = facts.batch.as_ref().is_some_and(|batch| batch.left() == 0);
    let is_free = facts.doing.is_none();
    ui.horizontal(|ui| {
        let button = if is_next && !is_scanned {
            ui.add_enabled(is_free, Button::new(text))
        } else {
            main_button_ui(ui, text, is_free)
        };
        if button.clicked() {
            cx.push(ScannerCommand::ScanOverview);
        }
        if facts.scans_overview() && ui.button("stop").clicked() {
            cx.push(ScannerCommand::Stop);
        }
    });
    if facts.scans_overview() {
        progress_ui(ui, cx);
    } else if is_next {
        note_ui(ui, "put the next strip in first; film, format and numbers go on from the last one");
    } else {
        note_ui(
            ui,
            "quick and coarse: frames are found on it, and their boxes can be corrected before the real scans",
        );
    }
}

fn progress_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let p = theme::palette(ui);
    let facts = &cx.status.scanner;
    let bar = ui.add(ProgressBar::new(facts.share).desired_height(6.0).fill(p.accent));
    ui.ctx().accesskit_node_builder(bar.id, |node| node.set_label("progress of the scan"));
    let texts = [Some(facts.detail.as_str()), facts.remaining.as_deref()];
    let texts: Vec<&str> = texts.into_iter().flatten().filter(|text| !text.is_empty()).collect();
    note_ui(ui, &texts.join(", "));
}

/// Exposure at the device, where it has some.
fn exposure_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let facts = &cx.status.scanner;
    let overview = facts.overview.as_ref();
    let base = overview.and_then(|overview| base_on_overview(cx.session, overview));
    let then = overview.map(|overview| overview.exposures.as_slice()).unwrap_or_default();
    let rows = exposures(&facts.state, base, then);
    if rows.is_empty() {
        return;
    }
    sub_head_ui(ui, "exposure at the scanner");
    for row in &rows {
        let suggested = row.suggested.filter(|value| (value - row.now).abs() > 0.01 * row.now);
        let value = match suggested {
            Some(value) => format!("{:.0} → {value:.0} {}", row.now, row.unit),
            None => format!("{:.0} {}", row.now, row.unit),
        };
        fact_row_ui(ui, &row.title, value.trim_end());
    }
    let levels: Vec<String> = rows
        .iter()
        .filter_map(|row| row.clear_level)
        .map(|level| format!("{:.0} %", 100.0 * level))
        .collect();
    if !levels.is_empty() {
        note_ui(ui, &format!("the film base on the overview is at {} of full scale", levels.join(", ")));
    }
    let can_take = rows.iter().any(|row| row.suggested.is_some()) && facts.doing.is_none();
    let tip = "brings the clear film of the negative just under full scale in each colour; scan the overview again after it";
    if ui.add_enabled(can_take, Button::new("take the suggested")).on_hover_text(tip).clicked() {
        cx.push(ScannerCommand::TakeExposures);
    }
}

fn frames_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "the scans");
    let facts = &cx.status.scanner;
    let units = [
        (ScanUnit::Frame, "frame", "a file for each frame, with 2 mm of film around it"),
        (ScanUnit::Strip, "strip", "a file for each strip"),
        (ScanUnit::Whole, "all", "one file of the whole area"),
    ];
    if let Some(unit) = switch_row_ui(ui, "a file for each", facts.choices.unit, &units) {
        cx.push(ScannerCommand::SetUnit(unit));
    }
    ppi_row_ui(ui, cx, "scan at", facts.choices.frames_ppi, ScannerCommand::SetFramesPpi);
    let folder =
        facts.habits.folder.clone().or_else(|| cx.status.folder().map(|folder| folder.to_path_buf()));
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "into", false);
        if ui.button("choose…").clicked() {
            cx.push(ScannerCommand::AskFolder);
        }
        let text =
            folder.as_ref().map_or_else(|| "no folder yet".to_owned(), |folder| folder.display().to_string());
        ui.add(Label::new(RichText::new(&text).small()).truncate()).on_hover_text(&text);
    });
    match &facts.batch {
        Some(batch) if batch.left() > 0 => batch_ui(ui, cx, batch),
        _ => plan_ui(ui, cx),
    }
}

/// What the scans will take, before they are begun.
fn plan_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let facts = &cx.status.scanner;
    let items = facts.overview.as_ref().map(|overview| {
        let items = items(cx.session, overview, facts.choices.unit, facts.state.whole_area);
        items_left(items, &facts.taking)
    });
    let items = items.unwrap_or_default();
    let count = items.len();
    if !items.is_empty() {
        let pixels: f64 = items.iter().map(|item| megapixels(item.area, facts.choices.frames_ppi)).sum();
        let each = if count == 1 { String::new() } else { format!("{}, ", counted(count, "file")) };
        fact_row_ui(ui, "size", &format!("{each}{pixels:.0} MP, up to {:.1} GB", pixels * 8e-3));
        if let Some(free) = facts.free_bytes {
            fact_row_ui(ui, "free", &format!("{:.1} GB", free as f64 / 1e9));
        }
        if let Some(seconds) = facts.choices.seconds_per_megapixel {
            let text = remaining_text(seconds * pixels);
            fact_row_ui(ui, "time", text.trim_end_matches(" left"));
        }
    } else if facts.batch.as_ref().is_some_and(|batch| batch.left() == 0) {
        note_ui(ui, "every frame has its scan; put the next strip in");
    } else if facts.overview.is_some() {
        note_ui(ui, "waiting for boxes on the overview");
    } else {
        note_ui(ui, "first an overview, and its boxes");
    }
    let text = match (facts.choices.unit, count) {
        (_, 0) => "scan".to_owned(),
        (_, count) => format!("scan {}", counted(count, "file")),
    };
    if main_button_ui(ui, &text, count > 0 && facts.doing.is_none()).clicked() {
        cx.push(ScannerCommand::ScanFrames);
    }
}

fn batch_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, batch: &Batch) {
    let facts = &cx.status.scanner;
    let p = theme::palette(ui);
    for item in &batch.items {
        let (mark, colour) = match &item.state {
            ItemState::Waiting => ("waiting", p.text_weak),
            ItemState::Scanning => ("being scanned", p.text_strong),
            ItemState::Done => ("done", p.text),
            ItemState::Failed(_) => ("▲ failed", p.warn),
        };
        ui.horizontal(|ui| {
            label_ui(ui, &item.label, item.state == ItemState::Scanning);
            ui.label(RichText::new(mark).color(colour));
        });
        if let ItemState::Failed(notice) = &item.state {
            told_ui(ui, notice);
        }
    }
    if facts.is_scanning() {
        if let Some(live) = facts.live {
            let room = vec2(ui.available_width(), 160.0);
            let (rect, _) = ui.allocate_exact_size(room, egui::Sense::hover());
            live_in(ui, rect, live);
        }
        progress_ui(ui, cx);
        if ui.button("stop").clicked() {
            cx.push(ScannerCommand::Stop);
        }
    } else if batch.is_stopped {
        let text = format!("go on with {}", counted(batch.left(), "file"));
        if main_button_ui(ui, &text, facts.doing.is_none()).clicked() {
            cx.push(ScannerCommand::GoOn);
        }
    }
}

/// All options of the driver that are not in the plain part.
fn driver_options_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.horizontal(|ui| {
        if ui.button("back").clicked() {
            cx.ui_state.scanner.shows_driver_options = false;
        }
        let tip = "the device gets the values of its driver";
        let is_free = cx.status.scanner.doing.is_none();
        if ui.add_enabled(is_free, Button::new("forget my settings")).on_hover_text(tip).clicked() {
            cx.push(ScannerCommand::ForgetOptions);
        }
    });
    let swaps = cx.status.scanner.choices.swap_bytes;
    let mut swap = swaps;
    let tip = "for drivers that deliver the bytes of 16-bit samples in the wrong order; a remark after a scan says so";
    if ui.checkbox(&mut swap, "swap the bytes of samples").on_hover_text(tip).changed() {
        cx.push(ScannerCommand::SwapBytes(swap));
    }
    let is_free = cx.status.scanner.doing.is_none();
    let facts = &cx.status.scanner;
    for option in driver_options(&facts.state) {
        option_ui(ui, cx, option, is_free);
    }
}

fn option_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, option: &DeviceOption, is_free: bool) {
    let title = if option.title.is_empty() { &option.name } else { &option.title };
    let can_set = is_free && option.is_active && option.is_settable;
    let mut set = |value: String| {
        cx.out.push(ScannerCommand::SetOption { name: option.name.clone(), value }.into());
    };
    let now = option.value.as_ref();
    ui.add_enabled_ui(can_set, |ui| match (option.kind, &option.choice) {
        (ValueKind::Switch, _) => {
            let mut on = matches!(now, Some(OptionValue::Switch(true)));
            if ui.add(Checkbox::new(&mut on, title)).on_hover_text(&option.help).changed() {
                set(if on { "yes" } else { "no" }.to_owned());
            }
        }
        (ValueKind::Button, _) => {
            if ui.button(title).on_hover_text(&option.help).clicked() {
                set("yes".to_owned());
            }
        }
        (_, Choice::Texts(texts)) => {
            let shown = now.map(OptionValue::text).unwrap_or_default();
            ui.label(title).on_hover_text(&option.help);
            let width = ui.available_width();
            let list = texts.iter().map(|text| (text.clone(), text.clone()));
            if let Some(chosen) = choice_ui(ui, title, &shown, width, Some(&shown), list) {
                set(chosen);
            }
        }
        (ValueKind::Group, _) => {}
        (ValueKind::Whole | ValueKind::Fixed | ValueKind::Text, _) => {
            ui.label(title).on_hover_text(&option.help);
            let typed = cx.ui_state.scanner.typed.entry(option.name.clone());
            let shown = now.map(OptionValue::text).unwrap_or_default();
            let text = typed.or_insert_with(|| shown.clone());
            ui.horizontal(|ui| {
                let response = ui.add(TextEdit::singleline(text).desired_width(120.0));
                ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(title.clone()));
                ui.label(RichText::new(option.unit.label()).weak());
                if response.lost_focus() && *text != shown {
                    let is_number =
                        option.kind == ValueKind::Text || parse_number(text).is_some() || text.contains(',');
                    if is_number {
                        set(text.trim().to_owned());
                    }
                }
                if !response.has_focus() {
                    text.clone_from(&shown);
                }
            });
            if !option.takes().is_empty() {
                ui.label(RichText::new(option.takes()).small().weak());
            }
        }
    });
}

fn reminders_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "before each strip");
    let reminders = &cx.status.scanner.habits.reminders;
    let height = cx.status.sharpness.scanner.holder_height_mm;
    if let Some(text) = &mut cx.ui_state.scanner.draft {
        let edit = ui.add(TextEdit::multiline(text).desired_width(f32::INFINITY).desired_rows(5));
        ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label("reminders, one a line"));
        if ui.button("keep this list").clicked() {
            let lines =
                text.lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect();
            cx.ui_state.scanner.draft = None;
            cx.push(ScannerCommand::SetReminders(lines));
        }
        return;
    }
    cx.ui_state.scanner.done.resize(reminders.len(), false);
    for (reminder, done) in reminders.iter().zip(&mut cx.ui_state.scanner.done) {
        ui.horizontal_wrapped(|ui| {
            ui.checkbox(done, RichText::new(reminder).small());
        });
    }
    if let Some(height_mm) = height {
        note_ui(ui, &format!("your scanner is sharpest with the holder at {height_mm:+.2} mm"));
    }
    note_ui(
        ui,
        "film from before the 1950s can be nitrate, which catches fire: if you are in doubt, keep it away from the \
         scanner and read the cautions first",
    );
    ui.horizontal(|ui| {
        if ui.button("change the list").clicked() {
            cx.ui_state.scanner.draft = Some(reminders.join("\n"));
        }
        if ui.button("cautions").clicked() {
            cx.push(ViewCommand::ShowGuide(Some("cautions")));
        }
    });
}

/// A folder that another program scans into.
fn watched_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "watched folder");
    match &cx.status.scanner.watched {
        Some(folder) => {
            note_ui(ui, &format!("new scans in {} become strips of this session", folder.display()));
            if ui.button("end watching").clicked() {
                cx.push(ScannerCommand::EndWatch);
            }
        }
        None => {
            note_ui(ui, "for cameras, and for scanners with a program of their own");
            if ui.button("watch a folder…").clicked() {
                cx.push(ScannerCommand::AskWatched);
            }
        }
    }
}

/// The overview as it arrives, in place of the strip.
pub(super) fn live_ui(ui: &Ui, cx: &ViewCx<'_>, room: Rect) {
    let p = theme::palette(ui);
    let facts = &cx.status.scanner;
    match facts.live {
        Some(live) => live_in(ui, room.shrink(8.0), live),
        None => {
            let font = egui::TextStyle::Body.resolve(ui.style());
            let text = "waiting for the first line";
            ui.painter().text(room.center(), Align2::CENTER_CENTER, text, font, p.text_weak);
        }
    }
}

/// A picture that arrives, whole and in the middle of its room; a tall one lies on its side, as strips do.
fn live_in(ui: &Ui, room: Rect, live: LiveShown) {
    let [width, height] = live.size_px.map(|px| px.max(1) as f32);
    let lies = (height > width) == (room.height() > room.width());
    let size = if lies { vec2(width, height) } else { vec2(height, width) };
    let scale = (room.width() / size.x).min(room.height() / size.y);
    let rect = Rect::from_center_size(room.center(), size * scale);
    ui.painter().rect_filled(rect, 0.0, theme::palette(ui).field);
    let mut mesh = egui::Mesh::with_texture(live.texture);
    let corners = [rect.left_top(), rect.right_top(), rect.right_bottom(), rect.left_bottom()];
    let whole = [pos2(0.0, 0.0), pos2(1.0, 0.0), pos2(1.0, 1.0), pos2(0.0, 1.0)];
    for (nth, corner) in corners.into_iter().enumerate() {
        // A quarter turn: the lower left corner comes to the upper left.
        let uv = if lies { whole[nth] } else { whole[(nth + 3) % 4] };
        mesh.vertices.push(egui::epaint::Vertex { pos: corner, uv, color: Color32::WHITE });
    }
    mesh.indices.extend([0, 1, 2, 0, 2, 3]);
    ui.painter().add(mesh);
    let shown = format!("{} of {} rows", live.rows, live.size_px[1]);
    let response = ui.interact(rect, ui.scope_id().with("live scan"), egui::Sense::hover());
    response.widget_info(|| {
        egui::WidgetInfo::labeled(egui::Role::Image, true, format!("the scan as it arrives, {shown}"))
    });
}
