//! Divides the window into its parts.

use egui::{
    CentralPanel, CursorIcon, Frame, Id, Margin, Panel, Rect, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2,
};

use super::command_pane::command_list_ui;
use super::contact_view::{contact_ui, row_id};
use super::export_pane::export_ui;
use super::facts_pane::facts_ui;
use super::focus_pane::focus_ui;
use super::frame_view::frame_ui;
use super::guide_pane::{about_ui, guide_ui, note_under_hand};
use super::histogram_view::{tones_height, tones_ui};
use super::prints::prints_ui;
use super::question_dialogs::questions_ui;
use super::scan_problems::{missing_cards_ui, scan_cards_ui};
use super::scanner_panel::{self, live_ui, scanner_ui};
use super::session_file_dialogs::{held_banner_ui, problem_over_dialogs_ui, session_files_ui};
use super::settings::{rail_ui, section_ui};
use super::status_line::{notices_ui, status_ui};
use super::stock_pane::stock_ui;
use super::strip_bar::{HEIGHT as STRIP_BAR, strip_bar_ui};
use super::strip_view::{StripPlace, strip_ui};
use super::toolbar::toolbar_ui;
use super::variations_grid::variations_ui;
use super::welcome::welcome_ui;
use crate::model::guide;
use crate::model::strip_space::{StripSpace, StripView};
use crate::views::ViewCx;
use crate::widgets::theme;

/// Free room around the strip, points.
const PAD: f32 = 8.0;
/// Least height of strip and prints, points.
const LEAST_STRIP: f32 = 190.0;
/// Least height of the large view, points.
const LEAST_FRAME: f32 = 220.0;
/// Reach of the line between them, points to either side.
const SPLITTER_REACH: f32 = 4.0;
/// Time a strip takes to open from the contact print, seconds.
const OPENING_S: f32 = 0.14;
/// Share of the canvas for the strip; prints take the rest.
const STRIP_OF_CANVAS: f32 = 0.53;

/// Draws the whole window. The clear colour supplies the surround, so nothing repaints it.
pub fn root_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    cx.ui_state.guide.places.clear();
    let bar = Frame::new().fill(p.bar).inner_margin(Margin::symmetric(10, 0));
    let top = Panel::top("toolbar").exact_size(theme::TOOLBAR_HEIGHT).frame(bar);
    let top = top.show(ui, |ui| toolbar_ui(ui, cx)).response.rect;
    let bottom = Panel::bottom("status").exact_size(theme::STATUS_HEIGHT).frame(bar);
    let bottom = bottom.show(ui, |ui| status_ui(ui, cx)).response.rect;
    cx.ui_state.guide.places.extend([(top, guide::INDEX), (bottom, "screen")]);
    held_banner_ui(ui, cx);
    if cx.ui_state.scanner.is_open {
        let frame = Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 8));
        let panel = Panel::left("scanner").exact_size(scanner_panel::WIDTH).frame(frame);
        let rect = panel.show(ui, |ui| scanner_ui(ui, cx)).response.rect;
        cx.ui_state.guide.places.push((rect, "scanner"));
    }
    if cx.session.scans.is_empty() {
        cx.ui_state.guide.places.push((ui.available_rect_before_wrap(), "first-strip"));
        CentralPanel::default().frame(Frame::new()).show(ui, |ui| {
            if cx.status.scanner.scans_overview() {
                live_ui(ui, cx, ui.available_rect_before_wrap());
            } else {
                welcome_ui(ui, cx);
            }
        });
    } else {
        work_ui(ui, cx);
    }
    note_under_hand(ui, cx);
    cx.ui_state.guide.of_dialog = None;
    variations_ui(ui, cx);
    focus_ui(ui, cx);
    export_ui(ui, cx);
    facts_ui(ui, cx);
    guide_ui(ui, cx);
    command_list_ui(ui, cx);
    notices_ui(ui, cx);
    session_files_ui(ui, cx);
    questions_ui(ui, cx);
    problem_over_dialogs_ui(ui, cx);
}

fn work_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let shows_contact = cx.ui_state.strip.contact && cx.ui_state.colour.chart.is_none();
    let opened = ui.ctx().animate_bool_with_time(Id::unique("strip opens"), !shows_contact, OPENING_S);
    if shows_contact {
        let bar = Panel::top("strip bar").exact_size(STRIP_BAR).frame(Frame::new());
        bar.show(ui, |ui| strip_bar_ui(ui, cx));
        about_ui(ui, cx, "sessions", scan_cards_ui);
        settings_panels_ui(ui, cx);
        cx.ui_state.guide.places.push((ui.available_rect_before_wrap(), "rolls"));
        CentralPanel::default().frame(Frame::new()).show(ui, |ui| {
            ui.set_opacity(1.0 - opened);
            contact_ui(ui, cx);
        });
        return;
    }
    let whole = ui.available_rect_before_wrap();
    let most = (whole.height() - LEAST_FRAME).max(LEAST_STRIP);
    let height = (whole.height() * cx.ui_state.strip.share).clamp(LEAST_STRIP, most).round();
    Panel::top("strip").exact_size(height).frame(Frame::new()).show(ui, |ui| {
        strip_bar_ui(ui, cx);
        about_ui(ui, cx, "sessions", scan_cards_ui);
        let canvas = ui.available_rect_before_wrap();
        if cx.status.scanner.scans_overview() {
            live_ui(ui, cx, canvas);
            ui.advance_cursor_after_rect(canvas);
            return;
        }
        let place = opening(ui, place(ui, canvas, cx), opened);
        strip_ui(ui, cx, &place);
        prints_ui(ui, cx, &place);
        missing_cards_ui(ui, cx, &place);
        ui.advance_cursor_after_rect(canvas);
    });
    cx.ui_state.guide.places.push((whole.with_max_y(whole.top() + height), "boxes"));
    settings_panels_ui(ui, cx);
    CentralPanel::default().frame(Frame::new()).show(ui, |ui| {
        let height = tones_height(ui.available_height());
        let tones = Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 4));
        let tones = Panel::bottom("tones").exact_size(height).frame(tones);
        let rect = tones.show(ui, |ui| tones_ui(ui, cx)).response.rect;
        cx.ui_state.guide.places.push((rect, "tones"));
        CentralPanel::default().frame(Frame::new()).show(ui, |ui| frame_ui(ui, cx));
    });
    splitter_ui(ui, cx, whole, whole.top() + height);
}

/// The rail of sections with the open one at its right, or the pane that measures a stock.
fn settings_panels_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let pane = || {
        let frame = Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 8));
        Panel::right("settings").exact_size(theme::SETTINGS_WIDTH).frame(frame)
    };
    if cx.ui_state.colour.chart.is_some() {
        pane().show(ui, |ui| stock_ui(ui, cx));
        return;
    }
    if let Some(section) = cx.ui_state.panels.open {
        let rect = pane().show(ui, |ui| section_ui(ui, cx, section)).response.rect;
        cx.ui_state.guide.places.push((rect, guide::page_of_section(section)));
    }
    let rail = Panel::right("rail").exact_size(theme::RAIL_WIDTH).frame(Frame::new().fill(p.bar));
    rail.show_separator_line(false).show(ui, |ui| rail_ui(ui, cx));
}

/// The line between prints and large view; dragging it divides the height between them.
fn splitter_ui(ui: &Ui, cx: &mut ViewCx<'_>, whole: Rect, at: f32) {
    let rect = Rect::from_x_y_ranges(whole.x_range(), at - SPLITTER_REACH..=at + SPLITTER_REACH);
    let response = ui.interact(rect, ui.scope_id().with("strip height"), Sense::drag());
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::Splitter, true, "height of the strip");
        info.value = Some(f64::from(at - whole.top()));
        info
    });
    if response.hovered() || response.dragged() {
        ui.ctx().set_cursor_icon(CursorIcon::ResizeVertical);
        let line = Stroke::new(1.0, theme::palette(ui).text_weak);
        ui.painter().hline(whole.x_range(), at, line);
    }
    if let Some(pointer) = response.interact_pointer_pos().filter(|_| response.dragged()) {
        cx.ui_state.strip.share = ((pointer.y - whole.top()) / whole.height().max(1.0)).clamp(0.15, 0.8);
    }
}

/// Lays out strip and prints. A strip that fits is centred and its prints follow close below.
fn place(ui: &Ui, canvas: Rect, cx: &mut ViewCx<'_>) -> StripPlace {
    let space = StripSpace::of(cx.session, cx.ui_state.strip.whole_scans);
    let under_work = cx.strip().map(|strip| strip.id);
    let look = &mut cx.ui_state.strip;
    // While a button is down nothing may move under the pointer.
    if look.follows_strip.is_none() || !ui.input(|input| input.pointer.any_down()) {
        look.follows_strip = under_work;
    }
    let strip = look.follows_strip.and_then(|id| cx.session.strip(id));
    let piece = strip.and_then(|strip| space.pieces.iter().find(|piece| piece.shows(strip)));
    let (left, width) = piece.map_or((0.0, space.width()), |piece| (piece.left, piece.width()));
    let room = vec2(canvas.width() - 4.0 * PAD, canvas.height() * STRIP_OF_CANVAS - 2.0 * PAD);
    let room = room.max(vec2(1.0, 1.0));
    let fitted = f64::from(room.y).min(f64::from(room.x) / width.max(1e-6));
    let points = look.zoom_points.unwrap_or(fitted);
    let strip_height = match look.zoom_points {
        None => points as f32 + 2.0 * PAD,
        Some(_) => (points as f32 + 2.0 * PAD).min(canvas.height() * STRIP_OF_CANVAS),
    };
    let rect = Rect::from_min_max(canvas.min, pos2(canvas.right(), (canvas.top() + strip_height).round()));
    if look.zoom_points.is_none() {
        // Half of the view in strip space; a row longer than the view is never moved past its ends.
        let half = f64::from(room.x) / points / 2.0;
        let middle = left + width / 2.0;
        let center = if space.width() <= 2.0 * half {
            space.width() / 2.0
        } else {
            middle.clamp(half, space.width() - half)
        };
        look.center = (center, 0.5);
    }
    look.fitted_points = points;
    let mut view = StripView { rect, points, center: look.center };
    bring_into_view(ui, cx, &space, &mut view);
    let prints = Rect::from_min_max(
        pos2(canvas.left(), rect.bottom() + 2.0),
        pos2(canvas.right(), canvas.bottom() - 4.0),
    );
    StripPlace { space, view, prints, is_contact: false }
}

/// A strip that is being opened from the contact print grows out of its row there.
fn opening(ui: &Ui, place: StripPlace, opened: f32) -> StripPlace {
    let from = ui.data(|data| data.get_temp::<(Rect, f64)>(row_id()));
    let Some((row, points)) = from.filter(|_| opened < 1.0) else { return place };
    let view = place.view;
    let rect = row.lerp_towards(&view.rect, opened);
    let points = points + (view.points - points) * f64::from(opened);
    let prints = Rect::from_min_size(rect.left_bottom(), place.prints.size());
    StripPlace { view: StripView { rect, points, ..view }, prints, ..place }
}

/// Moves the view to a frame that was just selected and is outside it.
fn bring_into_view(ui: &Ui, cx: &mut ViewCx<'_>, space: &StripSpace, view: &mut StripView) {
    let primary = cx.ui_state.primary;
    let look = &mut cx.ui_state.strip;
    if primary == look.follows_frame || ui.input(|input| input.pointer.any_down()) {
        return;
    }
    look.follows_frame = primary;
    let Some(frame) = primary.and_then(|id| cx.session.frame(id)) else { return };
    let Some(piece) = space.piece_of(cx.session, frame.id) else { return };
    if !view.rect.contains(view.hull(piece, &frame.crop).center()) {
        look.center = piece.space_from_scan(frame.crop.center);
        view.center = look.center;
    }
}
