//! The table of keys, shown over the window.

use egui::{
    Align, Id, Key, Label, Layout, Modal, Modifiers, RichText, ScrollArea, Sense, TextEdit, Ui, UiBuilder,
    vec2,
};

use crate::commands::ViewCommand;
use crate::commands::key_table::{KeyGroup, TABLE};
use crate::views::ViewCx;
use crate::widgets::parts::{note_ui, sub_head_ui, title_ui};
use crate::widgets::theme;

const KEY_WIDTH: f32 = 118.0;
const ROW_HEIGHT: f32 = 20.0;
const COLUMN_WIDTH: f32 = 400.0;

pub(crate) fn keys_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    if !cx.ui_state.show_keys {
        return;
    }
    let frame = egui::Frame::popup(ui.style()).inner_margin(20);
    let room = ui.ctx().content_rect().size();
    let modal = Modal::new(Id::unique("table of keys")).frame(frame).show(ui.ctx(), |ui| {
        ui.set_width((2.0 * COLUMN_WIDTH + 24.0).min(room.x - 80.0));
        ui.set_max_height(room.y - 80.0);
        title_ui(ui, "keys");
        let id = ui.scope_id().with("search");
        let mut search = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_default();
        let edit = ui.add(TextEdit::singleline(&mut search).hint_text("search").desired_width(240.0));
        ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label("search the keys"));
        if ui.memory(|memory| memory.focused().is_none()) {
            edit.request_focus();
        }
        ui.data_mut(|data| data.insert_temp(id, search.clone()));
        let search = search.trim().to_lowercase();
        let list = ScrollArea::vertical().max_height(room.y - 180.0).auto_shrink([false, true]);
        list.show(ui, |ui| {
            let halves = halves();
            ui.horizontal_top(|ui| {
                for half in halves {
                    ui.vertical(|ui| {
                        ui.set_width(COLUMN_WIDTH);
                        ui.spacing_mut().item_spacing.y = 1.0;
                        half.into_iter().for_each(|group| group_ui(ui, group, &search));
                    });
                    ui.add_space(theme::GAP);
                }
            });
            note_ui(
                ui,
                "Tab goes from control to control; arrows change a value, Shift in large steps, Alt in small",
            );
        });
        ui.add_space(theme::GAP);
        ui.button("close").clicked()
    });
    if modal.inner || modal.should_close() {
        cx.push(ViewCommand::ShowKeys(false));
    }
}

/// Groups in two columns of about the same length.
fn halves() -> [Vec<KeyGroup>; 2] {
    let rows = |group: KeyGroup| lines(group).len() + 2;
    let total: usize = KeyGroup::ALL.into_iter().map(rows).sum();
    let mut halves = [Vec::new(), Vec::new()];
    let mut used = 0;
    for group in KeyGroup::ALL {
        halves[usize::from(used * 2 >= total)].push(group);
        used += rows(group);
    }
    halves
}

fn group_ui(ui: &mut Ui, group: KeyGroup, search: &str) {
    let p = theme::palette(ui);
    let is_found =
        |keys: &str, text: &str| text.to_lowercase().contains(search) || keys.to_lowercase().contains(search);
    let found: Vec<_> = lines(group).into_iter().filter(|(keys, text)| is_found(keys, text)).collect();
    if found.is_empty() {
        return;
    }
    sub_head_ui(ui, group.label());
    for (keys, text) in found {
        let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), ROW_HEIGHT), Sense::hover());
        let (left, right) = rect.split_left_right_at_x(rect.left() + KEY_WIDTH);
        for (place, text, colour) in [(left, keys.as_str(), p.text_strong), (right, text, p.text)] {
            let inside = UiBuilder::new().max_rect(place).layout(Layout::left_to_right(Align::Center));
            ui.new_child(inside).add(Label::new(RichText::new(text).color(colour)).truncate());
        }
    }
}

/// Keys of a group with their effect; keys with the same effect share a line.
fn lines(group: KeyGroup) -> Vec<(String, &'static str)> {
    let mut lines: Vec<(String, &'static str)> = Vec::new();
    for row in TABLE.iter().filter(|row| row.group == group) {
        let keys = shortcut_text(row.modifiers, row.key);
        match lines.iter_mut().find(|(_, text)| *text == row.text) {
            Some((known, _)) => known.push_str(&format!("   {keys}")),
            None => lines.push((keys, row.text)),
        }
    }
    lines
}

/// A combination as it is written on a keyboard.
pub(super) fn shortcut_text(modifiers: Modifiers, key: Key) -> String {
    let mut text = String::new();
    for (is_held, name) in [
        (modifiers.command || modifiers.ctrl, "Ctrl + "),
        (modifiers.alt, "Alt + "),
        (modifiers.shift, "Shift + "),
    ] {
        text.push_str(if is_held { name } else { "" });
    }
    let name = match key {
        Key::OpenBracket => "[",
        Key::CloseBracket => "]",
        Key::Period => ".",
        Key::Comma => ",",
        Key::Plus => "+",
        Key::Minus => "−",
        Key::Equals => "=",
        Key::Questionmark => "?",
        Key::ArrowRight => "→",
        Key::ArrowLeft => "←",
        Key::ArrowUp => "↑",
        Key::ArrowDown => "↓",
        Key::PageUp => "Page Up",
        Key::PageDown => "Page Down",
        other => other.name(),
    };
    text.push_str(name);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_written_as_on_a_keyboard() {
        assert_eq!(shortcut_text(Modifiers::COMMAND.plus(Modifiers::SHIFT), Key::Z), "Ctrl + Shift + Z");
        assert_eq!(shortcut_text(Modifiers::NONE, Key::OpenBracket), "[");
        assert_eq!(shortcut_text(Modifiers::NONE, Key::Num0), "0");
    }

    #[test]
    fn keys_that_do_the_same_share_a_line() {
        let frames = lines(KeyGroup::Frames);
        assert!(
            frames.iter().any(|(keys, text)| keys == "Page Down   ." && *text == "next frame"),
            "{frames:?}"
        );
    }
}
