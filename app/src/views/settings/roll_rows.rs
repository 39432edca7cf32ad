//! The roll of a strip: what is written about it, and the order of its strips.

use egui::{TextEdit, Ui};
use glassine_session::{Edit, Facts, Roll, Session, Strip, StripId};

use crate::commands::EditCommand;
use crate::views::ViewCx;
use crate::widgets::parts::choice_row_ui;
use crate::widgets::value_row::label_ui;

/// A choice of the roll of a strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Choice {
    None,
    Known(glassine_session::RollId),
    New,
}

/// Rows about the roll of a strip and the order of strips.
pub(super) fn roll_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let session = cx.session;
    let current = strip.roll.map_or(Choice::None, Choice::Known);
    let known = session.rolls.iter().map(|roll| (Choice::Known(roll.id), roll_name(session, roll)));
    let choices = std::iter::once((Choice::None, "the session as a whole".to_owned()))
        .chain(known)
        .chain(std::iter::once((Choice::New, "a new roll…".to_owned())));
    let shown = strip.roll.and_then(|id| session.roll(id));
    let shown = shown.map_or_else(|| "the session as a whole".to_owned(), |roll| roll_name(session, roll));
    let strips = strips_selected(cx, strip);
    match choice_row_ui(ui, "roll", &shown, Some(&current), choices) {
        Some(Choice::New) => cx.push(EditCommand::Apply(Edit::AddRoll { roll: Roll::default(), strips })),
        Some(Choice::Known(id)) => {
            cx.push(EditCommand::Apply(Edit::AssignRoll { strips, roll: Some(id) }));
        }
        Some(Choice::None) => cx.push(EditCommand::Apply(Edit::AssignRoll { strips, roll: None })),
        None => {}
    }
    if let Some(roll) = strip.roll.and_then(|id| session.roll(id)) {
        facts_ui(ui, cx, roll);
    }
    if session.strips.len() > 1 {
        order_ui(ui, cx, strip);
    }
}

/// Name of a roll: its title, else its place among the rolls.
pub(in crate::views) fn roll_name(session: &Session, roll: &Roll) -> String {
    if !roll.title.trim().is_empty() {
        return roll.title.clone();
    }
    let place = session.rolls.iter().position(|other| other.id == roll.id).map_or(1, |idx| idx + 1);
    format!("roll {place}")
}

/// Strips of the selected frames, or the current one.
fn strips_selected(cx: &ViewCx<'_>, strip: &Strip) -> Vec<StripId> {
    let mut strips: Vec<StripId> = cx.selected().iter().map(|frame| frame.strip).collect();
    strips.push(strip.id);
    strips.sort_unstable();
    strips.dedup();
    strips
}

fn facts_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, roll: &Roll) {
    let mut titled = roll.clone();
    if text_row_ui(ui, (roll.id.0, "title"), "for example a place and a year", &mut titled.title) {
        cx.push(EditCommand::Apply(Edit::UpdateRoll(titled)));
    }
    for (_, label, hint, field) in Facts::FIELDS {
        let mut changed = roll.clone();
        if text_row_ui(ui, (roll.id.0, label), hint, field(&mut changed.facts)) {
            cx.push(EditCommand::Apply(Edit::UpdateRoll(changed)));
        }
    }
}

/// A text that is taken when the user leaves its field; returns whether it was changed.
fn text_row_ui(ui: &mut Ui, (roll, label): (u32, &str), hint: &str, text: &mut String) -> bool {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false);
        let id = ui.scope_id().with(("fact of a roll", roll, label));
        let mut typed = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_else(|| text.clone());
        let edit =
            ui.add(TextEdit::singleline(&mut typed).hint_text(hint).desired_width(ui.available_width()));
        ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label(format!("{label} of the roll")));
        if edit.lost_focus() {
            ui.data_mut(|data| data.remove_temp::<String>(id));
            let is_changed = *text != typed;
            *text = typed;
            return is_changed;
        }
        if edit.has_focus() {
            ui.data_mut(|data| data.insert_temp(id, typed));
        }
        false
    })
    .inner
}

/// Moves the strip in the order of the roll, or orders all strips by the numbers on their films.
fn order_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let order: Vec<StripId> = cx.session.strips_in_order().into_iter().map(|strip| strip.id).collect();
    let Some(at) = order.iter().position(|id| *id == strip.id) else { return };
    let mut put = |ui: &mut Ui, text: &str, hint: &str, to: Option<Vec<StripId>>| {
        let button = ui.add_enabled(to.is_some(), egui::Button::new(text));
        if button.on_hover_text(hint).clicked()
            && let Some(order) = to
        {
            cx.out.push(EditCommand::Apply(Edit::OrderStrips(order)).into());
        }
    };
    let swapped = |other: Option<usize>| {
        let other = other.filter(|other| *other < order.len())?;
        let mut order = order.clone();
        order.swap(at, other);
        Some(order)
    };
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        label_ui(ui, "order", false);
        put(ui, "earlier", "put this strip one place earlier in the roll", swapped(at.checked_sub(1)));
        put(ui, "later", "put this strip one place later in the roll", swapped(Some(at + 1)));
        let on_film = cx.session.order_on_film();
        put(ui, "as on the film", "order the strips by the numbers that were read on their edges", on_film);
    });
}
