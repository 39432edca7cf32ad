//! The list of commands: everything the window can do, found by name and carried out from the keyboard.

use egui::{Button, Id, Key, Modal, Modifiers, ScrollArea, TextEdit, Ui};

use crate::commands::ViewCommand;
use crate::commands::command_list::{FoundCommand, found};
use crate::commands::key_page::shortcut_text;
use crate::model::ui_state::CommandSearch;
use crate::views::ViewCx;
use crate::widgets::parts::{note_ui, title_ui};

const WIDTH: f32 = 520.0;
const ROW_HEIGHT: f32 = 24.0;
/// Rows shown without scrolling.
const ROWS: f32 = 14.0;

pub(crate) fn command_list_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(before) = cx.ui_state.command_search.clone() else { return };
    let mut search = before.clone();
    let frame = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("list of commands")).frame(frame).show(ui.ctx(), |ui| {
        ui.set_width(WIDTH.min(ui.ctx().content_rect().width() - 80.0));
        title_ui(ui, "commands");
        let field = TextEdit::singleline(&mut search.text)
            .hint_text("what do you want to do?")
            .desired_width(f32::INFINITY);
        // The arrows choose a command; the field has one line and does not need them.
        let step = ui.input_mut(|input| {
            input.count_and_consume_key(Modifiers::NONE, Key::ArrowDown) as isize
                - input.count_and_consume_key(Modifiers::NONE, Key::ArrowUp) as isize
        });
        let edit = ui.add(field);
        ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label("search the commands"));
        let enters = edit.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        if !edit.has_focus() {
            edit.request_focus();
        }
        if search.text != before.text {
            search.at = 0;
        }
        let commands = found(cx.session, cx.ui_state, &search.text);
        search.at = search.at.saturating_add_signed(step).min(commands.len().saturating_sub(1));
        let clicked = rows_ui(ui, &commands, &search, step != 0);
        if commands.is_empty() {
            note_ui(ui, "no command has these words");
        }
        clicked.or(enters.then_some(search.at)).and_then(|at| commands.into_iter().nth(at))
    });
    if let Some(command) = modal.inner {
        cx.push(ViewCommand::ShowCommands(false));
        cx.push(command.command);
    } else if modal.should_close() {
        cx.push(ViewCommand::ShowCommands(false));
    }
    cx.ui_state.command_search = Some(search);
}

/// Draws the commands and returns the place of the one that is clicked.
fn rows_ui(ui: &mut Ui, commands: &[FoundCommand], search: &CommandSearch, follows: bool) -> Option<usize> {
    let list = ScrollArea::vertical().max_height(ROWS * ROW_HEIGHT).auto_shrink([false, false]);
    list.show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 0.0;
        let mut clicked = None;
        for (at, command) in commands.iter().enumerate() {
            let key = command
                .shortcut
                .map_or_else(String::new, |keys| shortcut_text(keys.modifiers, keys.logical_key));
            let is_chosen = at == search.at;
            let button = Button::selectable(is_chosen, command.text)
                .shortcut_text(key)
                .min_size(egui::vec2(ui.available_width(), ROW_HEIGHT));
            let response = ui.add(button);
            if is_chosen && follows {
                response.scroll_to_me(None);
            }
            if response.clicked() {
                clicked = Some(at);
            }
        }
        clicked
    })
    .inner
}
