//! The window before anything is open: scans to open, unsaved work, recent sessions, the demo.

use egui::{
    Align, Button, Color32, Label, Layout, Rect, RichText, Role, ScrollArea, Sense, Stroke, StrokeKind,
    TextStyle, Ui, UiBuilder, Vec2, WidgetInfo, pos2, vec2,
};

use super::guide_pane::about_ui;
use super::session_file_dialogs::unsaved_list_ui;
use crate::commands::{FileCommand, JobCommand, ScannerCommand, ViewCommand};
use crate::model::app_status::{JobStatus, RecentShown};
use crate::platform::clock::day_text;
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton, paint_icon};
use crate::widgets::theme;

/// Widest column of the page, points.
const PAGE_WIDTH: f32 = 1040.0;
const CARD_HEIGHT: f32 = 68.0;
/// Least width of a card, points.
const CARD_LEAST: f32 = 300.0;
/// Room for the picture of a session, points.
const PICTURE: Vec2 = vec2(80.0, 56.0);

pub(super) fn welcome_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if let Some((job, _)) = cx.status.shown_job() {
        progress_ui(ui, cx, job);
        return;
    }
    let room = ui.available_rect_before_wrap();
    let is_bare = cx.status.unsaved_work.is_empty() && cx.status.recent.is_empty();
    ScrollArea::vertical().auto_shrink(false).id_salt("welcome").show(ui, |ui| {
        ui.add_space((room.height() * if is_bare { 0.34 } else { 0.08 }).max(24.0));
        ui.vertical_centered(|ui| begin_ui(ui, cx));
        let width = PAGE_WIDTH.min(room.width() - 80.0);
        let left = room.center().x - width / 2.0;
        let top = ui.cursor().top();
        let column = Rect::from_min_size(pos2(left, top), vec2(width, f32::INFINITY));
        ui.scope_builder(UiBuilder::new().max_rect(column), |ui| {
            about_ui(ui, cx, "sessions", unsaved_ui);
            recent_ui(ui, cx);
            ui.add_space(24.0);
        });
    });
}

/// What is being made or opened.
fn progress_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, job: &JobStatus) {
    let p = theme::palette(ui);
    ui.vertical_centered(|ui| {
        ui.add_space((ui.available_height() * 0.34).max(40.0));
        ui.label(RichText::new(&job.label).text_style(TextStyle::Heading).color(p.text_strong));
        ui.add_space(4.0);
        ui.label(RichText::new(job.detail_text()).color(p.text_weak));
        ui.add_space(12.0);
        let bar = egui::ProgressBar::new(job.share).desired_width(320.0).desired_height(8.0).fill(p.accent);
        ui.add(bar);
        ui.add_space(14.0);
        if job.can_stop() && ui.add(Button::new("cancel").min_size(vec2(110.0, 28.0))).clicked() {
            cx.push(JobCommand::Cancel);
        }
    });
}

/// Scans first, then the demo as another choice.
fn begin_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let title = RichText::new("open scans or a session").text_style(TextStyle::Heading).color(p.text_strong);
    ui.label(title);
    ui.add_space(6.0);
    ui.label(RichText::new("drop scans or a session here, or choose them").color(p.text_weak));
    ui.add_space(18.0);
    let size = vec2(200.0, 32.0);
    let open = Button::new(RichText::new("open…").color(p.on_accent)).fill(p.accent).min_size(size);
    if ui.add(open).clicked() {
        cx.push(FileCommand::AskOpen);
    }
    ui.add_space(4.0);
    if ui.add(Button::new("scan with a scanner").min_size(size)).clicked() {
        cx.push(ScannerCommand::Show(true));
    }
    ui.add_space(4.0);
    watch_ui(ui, cx, size);
    ui.add_space(4.0);
    if ui.add(Button::new("read the guide").min_size(size)).clicked() {
        cx.push(ViewCommand::ShowGuide(Some("first-strip")));
    }
    ui.add_space(4.0);
    if ui.add(Button::new("look at the demo strips").min_size(size)).clicked() {
        cx.push(FileCommand::OpenDemo);
    }
    ui.add_space(2.0);
    let note =
        "the demo is invented film, drawn on first use: a minute or two, and 300 MB in the cache folder";
    ui.label(RichText::new(note).small().color(p.text_weak));
}

/// A folder that a camera or another program fills; what it does once it is watched.
fn watch_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, size: Vec2) {
    let Some(folder) = &cx.status.scanner.watched else {
        if ui.add(Button::new("watch a folder…").min_size(size)).clicked() {
            cx.push(ScannerCommand::AskWatched);
        }
        return;
    };
    if ui.add(Button::new("end watching").min_size(size)).clicked() {
        cx.push(ScannerCommand::EndWatch);
    }
    let note = format!("the next scan that appears in {} opens by itself", folder.display());
    ui.label(RichText::new(note).small().color(theme::palette(ui).text_weak));
}

/// Head of a list, with room for a button at its right end.
fn head_ui(ui: &mut Ui, title: &str, button: impl FnOnce(&mut Ui)) {
    let p = theme::palette(ui);
    ui.add_space(22.0);
    ui.horizontal(|ui| {
        ui.label(RichText::new(title).text_style(theme::section_style()).color(p.text_strong));
        ui.with_layout(Layout::right_to_left(Align::Center), button);
    });
    ui.add_space(2.0);
    let line = ui.available_rect_before_wrap();
    ui.painter().hline(line.x_range(), line.top(), Stroke::new(1.0, p.text_weak.gamma_multiply(0.5)));
    ui.add_space(8.0);
}

fn unsaved_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let count = cx.status.unsaved_work.len();
    if count == 0 {
        return;
    }
    if !cx.ui_state.files.shows_unsaved {
        ui.add_space(14.0);
        ui.vertical_centered(|ui| {
            if ui.button(format!("unsaved work ({count})")).clicked() {
                cx.push(ViewCommand::ShowUnsavedWork(true));
            }
        });
        return;
    }
    head_ui(ui, "unsaved work of earlier runs", |ui| {
        let tip = "it is kept until you save or discard it";
        if ui.button("not now").on_hover_text(tip).clicked() {
            cx.push(ViewCommand::ShowUnsavedWork(false));
        }
    });
    unsaved_list_ui(ui, cx);
}

fn recent_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if cx.status.recent.is_empty() {
        return;
    }
    head_ui(ui, "recent sessions", |_| ());
    let gap = theme::GAP;
    let width = ui.available_width();
    let columns = ((width + gap) / (CARD_LEAST + gap)).floor().max(1.0);
    let card = (width - gap * (columns - 1.0)) / columns;
    ui.spacing_mut().item_spacing.y = gap;
    for row in cx.status.recent.chunks(columns as usize) {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = gap;
            for shown in row {
                card_ui(ui, cx, shown, card);
            }
        });
    }
}

/// Name of a session: that of its file.
fn name_of(shown: &RecentShown) -> String {
    let name = shown.recent.path.file_name().unwrap_or_default().to_string_lossy();
    let name = name.strip_suffix(".json").unwrap_or(&name);
    name.strip_suffix(".session").unwrap_or(name).to_owned()
}

/// One recent session: a click opens it, its cross takes it off the list.
fn card_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, shown: &RecentShown, width: f32) {
    let p = theme::palette(ui);
    let name = name_of(shown);
    let (rect, response) = ui.allocate_exact_size(vec2(width, CARD_HEIGHT), Sense::click());
    response.widget_info(|| {
        let label = if shown.is_missing { format!("find {name}, missing") } else { format!("open {name}") };
        WidgetInfo::labeled(Role::Button, true, label)
    });
    ui.painter().rect_filled(rect, 4.0, if response.hovered() { p.button_hover } else { p.panel });
    if response.has_focus() {
        ui.painter().rect_stroke(rect, 4.0, Stroke::new(1.0, p.accent), StrokeKind::Inside);
    }
    let frame = Rect::from_min_size(rect.min + vec2(6.0, 6.0), PICTURE);
    picture_ui(ui, shown, frame);
    words_ui(
        ui,
        shown,
        &name,
        Rect::from_min_max(frame.right_top() + vec2(10.0, 0.0), rect.max - vec2(32.0, 6.0)),
    );
    let corner = Rect::from_min_size(pos2(rect.right() - 30.0, rect.top() + 4.0), vec2(26.0, 26.0));
    // Within the card, whose room is already taken.
    let mut inside = ui.new_child(UiBuilder::new().max_rect(corner));
    let label = format!("take {name} off the list");
    if IconButton::new(Icon::Close, &label).tip("its file stays").show(&mut inside).clicked() {
        cx.push(FileCommand::ForgetRecent(shown.recent.path.clone()));
    }
    let path = shown.recent.path.clone();
    let tip = path.display().to_string();
    let tip = if shown.is_missing { format!("{tip}\nmoved or renamed? click to find it") } else { tip };
    if response.on_hover_text(tip).clicked() {
        cx.push(if shown.is_missing { FileCommand::FindRecent(path) } else { FileCommand::Open(vec![path]) });
    }
}

/// The small picture, whole and in the middle of its room.
fn picture_ui(ui: &Ui, shown: &RecentShown, frame: Rect) {
    let p = theme::palette(ui);
    ui.painter().rect_filled(frame, 2.0, p.field);
    let Some((texture, size)) = shown.picture.filter(|(_, size)| size.x > 0.0 && size.y > 0.0) else {
        return;
    };
    let scale = (frame.width() / size.x).min(frame.height() / size.y);
    let place = Rect::from_center_size(frame.center(), size * scale);
    let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
    let tint = if shown.is_missing { Color32::from_white_alpha(110) } else { Color32::WHITE };
    ui.painter().image(texture, place, whole, tint);
}

fn words_ui(ui: &mut Ui, shown: &RecentShown, name: &str, room: Rect) {
    let p = theme::palette(ui);
    let mut inside = ui.new_child(UiBuilder::new().max_rect(room).layout(Layout::top_down(Align::Min)));
    let ui = &mut inside;
    ui.spacing_mut().item_spacing = vec2(4.0, 1.0);
    let line = |text: RichText| Label::new(text).truncate().selectable(false);
    ui.add(line(RichText::new(name).text_style(theme::strong_style()).color(p.text_strong)));
    let folder = shown.recent.path.parent().map(|folder| folder.display().to_string()).unwrap_or_default();
    ui.add(line(RichText::new(folder).small().color(p.text_weak)));
    let day = day_text(shown.recent.opened_unix_s);
    if !shown.is_missing {
        ui.add(line(RichText::new(day).small().color(p.text_weak)));
        return;
    }
    ui.horizontal(|ui| {
        let (sign, _) = ui.allocate_exact_size(vec2(14.0, 14.0), Sense::hover());
        paint_icon(ui.painter(), sign, Icon::Warn, p.warn);
        ui.add(line(RichText::new("missing  ·  find it…").small().color(p.text)));
    });
}
