//! What is written about the frames, as a table over the window: a row for each frame, and one for each roll above its
//! frames. What a frame has from its roll, or from every file, is grey in its empty cells.

use egui::{
    Align, Align2, Button, FontSelection, Id, Key, Label, Layout, Modal, Rect, RichText, Role, ScrollArea,
    Sense, TextEdit, Ui, UiBuilder, Vec2, WidgetInfo, pos2, vec2,
};
use glassine_session::Session;

use super::settings::roll_name;
use crate::commands::{EditCommand, FactsCommand};
use crate::model::facts_table::{FactsColumn, FactsPane, FactsRow, cell_of, edit_of, rows_of};
use crate::views::ViewCx;
use crate::widgets::parts::{main_button_ui, note_ui, title_ui};
use crate::widgets::theme;

/// Largest size of the pane, points.
const MOST: Vec2 = vec2(1500.0, 900.0);
/// Width of the column with the number of the frame, points.
const NUMBER: f32 = 84.0;
/// Width of the other columns, points.
const CELL: f32 = 148.0;
const ROW: f32 = 26.0;

/// The table, over the window while it is open.
pub(super) fn facts_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(mut pane) = cx.ui_state.facts.take() else { return };
    let was_typing = std::mem::take(&mut pane.is_typing);
    let style = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("facts of the frames")).frame(style).show(ui.ctx(), |ui| {
        let room = (ui.ctx().content_rect().size() - vec2(80.0, 60.0)).min(MOST);
        ui.set_width(room.x - 40.0);
        ui.set_max_height(room.y - 40.0);
        title_ui(ui, "facts of the frames");
        ui.add_space(4.0);
        note_ui(
            ui,
            "grey: as the roll says, or the export pane for every file. Tab to the next cell, Enter or the arrows up \
             and down to the next row",
        );
        ui.add_space(theme::GAP);
        table_ui(ui, cx, &mut pane, room.y - 170.0);
        ui.add_space(theme::GAP);
        foot_ui(ui, cx)
    });
    cx.ui_state.facts = Some(pane);
    if modal.inner || (modal.should_close() && !was_typing) {
        cx.push(FactsCommand::Show(false));
    }
}

/// Buttons under the table; returns whether it is closed.
fn foot_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) -> bool {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let close = main_button_ui(ui, "close", true).clicked();
        ui.add_space(theme::GAP);
        let button = |ui: &mut Ui, text: &str, hint: &str, is_possible: bool| {
            ui.add_enabled(is_possible, Button::new(text)).on_hover_text(hint).clicked()
        };
        let step = |ui: &mut Ui, text: &str, label: &Option<String>, key: &str| {
            let button = ui.add_enabled(label.is_some(), Button::new(text));
            ui.ctx().accesskit_node_builder(button.id, |node| node.set_label(format!("{text} a change")));
            let hint = format!("{}   {key}", label.as_deref().unwrap_or_default());
            button.on_hover_text(hint.trim()).clicked()
        };
        if step(ui, "undo", &cx.status.undo_label, "Ctrl+Z") {
            cx.push(EditCommand::Undo);
        }
        if step(ui, "redo", &cx.status.redo_label, "Ctrl+Shift+Z") {
            cx.push(EditCommand::Redo);
        }
        ui.add_space(theme::GAP);
        let has_frames = !cx.session.frames.is_empty();
        if button(ui, "from a table…", "take the facts from a table (CSV) of another program", has_frames) {
            cx.push(FactsCommand::AskLoad);
        }
        if button(ui, "as a table…", "write the facts as a table (CSV) for another program", has_frames) {
            cx.push(FactsCommand::AskSave);
        }
        close
    })
    .inner
}

fn table_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, pane: &mut FactsPane, height: f32) {
    let rows = rows_of(cx.session);
    if rows.is_empty() {
        return note_ui(ui, "there is no frame yet");
    }
    let width = NUMBER + CELL * FactsColumn::all().count() as f32;
    ScrollArea::horizontal().id_salt("columns of facts").show(ui, |ui| {
        ui.set_min_width(width);
        head_ui(ui, width);
        let body = ScrollArea::vertical().id_salt("rows of facts").max_height(height - ROW);
        body.show(ui, |ui| {
            let (rect, _) = ui.allocate_exact_size(vec2(width, ROW * rows.len() as f32), Sense::hover());
            for (idx, row) in rows.iter().enumerate() {
                let place =
                    Rect::from_min_size(pos2(rect.left(), rect.top() + ROW * idx as f32), vec2(width, ROW));
                // Rows out of sight cost nothing, but the one with the keyboard keeps it.
                if ui.is_rect_visible(place) || pane.at.is_some_and(|(at, _)| at == *row) {
                    let mut ui =
                        ui.new_child(UiBuilder::new().max_rect(place).scope_id(Id::unique(("facts", row))));
                    row_ui(&mut ui, cx, pane, &rows, idx);
                }
            }
        });
    });
}

fn head_ui(ui: &mut Ui, width: f32) {
    let p = theme::palette(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(width, ROW), Sense::hover());
    let text = |x: f32, text: &str| {
        let at = pos2(rect.left() + x + 4.0, rect.center().y);
        let font = FontSelection::Default.resolve(ui.style());
        ui.painter().text(at, Align2::LEFT_CENTER, text, font, p.text_weak);
    };
    text(0.0, "frame");
    for (idx, column) in FactsColumn::all().enumerate() {
        text(NUMBER + CELL * idx as f32, column.label());
    }
}

/// What a row is about, in a word.
fn name_of(session: &Session, row: FactsRow) -> String {
    match row {
        FactsRow::Frame(id) => session.frame(id).map(|frame| session.number_text(frame)).unwrap_or_default(),
        FactsRow::Roll(id) => session.roll(id).map(|roll| roll_name(session, roll)).unwrap_or_default(),
    }
}

fn row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, pane: &mut FactsPane, rows: &[FactsRow], idx: usize) {
    let row = rows[idx];
    let p = theme::palette(ui);
    let name = name_of(cx.session, row);
    let rect = ui.max_rect();
    let is_roll = matches!(row, FactsRow::Roll(_));
    let place = Rect::from_min_size(rect.min, vec2(NUMBER - 6.0, ROW));
    let text = RichText::new(&name).color(if is_roll { p.text_strong } else { p.text });
    let layout = Layout::left_to_right(Align::Center);
    ui.scope_builder(UiBuilder::new().max_rect(place).layout(layout), |ui| {
        ui.add_space(4.0);
        ui.add(Label::new(text).truncate());
    });
    let mut moved = None;
    for (at, column) in FactsColumn::all().enumerate() {
        let left = rect.left() + NUMBER + CELL * at as f32;
        let place = Rect::from_min_size(pos2(left, rect.top() + 1.0), vec2(CELL - 4.0, ROW - 2.0));
        let what = if is_roll {
            format!("{} of the roll {name}", column.label())
        } else {
            format!("{} of frame {name}", column.label())
        };
        if let Some(step) = cell_ui(ui, cx, pane, (row, column), place, &what) {
            let to = idx.saturating_add_signed(step).min(rows.len() - 1);
            moved = Some((rows[to], column));
        }
    }
    if let Some(cell) = moved {
        (pane.at, pane.takes_focus) = (Some(cell), true);
    }
}

/// A cell; its text is taken when the user leaves it. Returns by how many rows the keyboard moves on.
fn cell_ui(
    ui: &mut Ui,
    cx: &mut ViewCx<'_>,
    pane: &mut FactsPane,
    (row, column): (FactsRow, FactsColumn),
    place: Rect,
    what: &str,
) -> Option<isize> {
    let cell = cell_of(cx.session, row, column);
    let id = Id::unique(("fact", row, column));
    let mut typed = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_else(|| cell.own.clone());
    let edit = TextEdit::singleline(&mut typed).id(id).hint_text(&cell.inherited);
    let response = ui.put(place, edit);
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::TextInput, true, what);
        info.current_text_value = Some(typed.clone());
        info.hint_text = Some(cell.inherited.clone());
        info
    });
    if pane.takes_focus && pane.at == Some((row, column)) {
        pane.takes_focus = false;
        response.request_focus();
        response.scroll_to_me(None);
    }
    if response.gained_focus() {
        pane.at = Some((row, column));
    }
    let (enter, down, up) = ui.input(|input| {
        (input.key_pressed(Key::Enter), input.key_pressed(Key::ArrowDown), input.key_pressed(Key::ArrowUp))
    });
    pane.is_typing |= response.has_focus();
    let step = match (enter, down, up) {
        (true, ..) if response.lost_focus() => Some(1),
        (_, true, _) if response.has_focus() => Some(1),
        (_, _, true) if response.has_focus() => Some(-1),
        _ => None,
    };
    if response.lost_focus() || (step.is_some() && response.has_focus()) {
        response.surrender_focus();
        ui.data_mut(|data| data.remove_temp::<String>(id));
        let is_given_up = ui.input(|input| input.key_pressed(Key::Escape));
        if typed != cell.own
            && !is_given_up
            && let Some(edit) = edit_of(cx.session, row, column, &typed)
        {
            cx.push(EditCommand::Apply(edit));
        }
    } else if response.has_focus() {
        ui.data_mut(|data| data.insert_temp(id, typed));
    }
    step
}
