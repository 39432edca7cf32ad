//! The recipes of an export: which of them are written, and what belongs to one of them alone.

use egui::{Button, Checkbox, RichText, TextEdit, Ui};
use glassine_session::{ExportRecipe, NAME_PIECES, OutputKind, OutputSettings, check_name};

use super::export_pane::{change, labelled_edit_ui, lower_first};
use crate::commands::ExportCommand;
use crate::views::ViewCx;
use crate::widgets::parts::{note_ui, sub_head_ui, warning_ui};
use crate::widgets::theme;

/// The recipe that the rows below the list change.
pub(super) fn edited<'a>(cx: &'a ViewCx<'_>) -> Option<&'a ExportRecipe> {
    let output = &cx.session.output;
    output.recipe_or_first(&cx.ui_state.panels.export_recipe).and_then(|at| output.recipes.get(at))
}

/// The settings that the rows below the list show: those of the recipe, or of the session if there is none.
pub(super) fn edited_settings(cx: &ViewCx<'_>) -> OutputSettings {
    let output = &cx.session.output;
    edited(cx).map_or_else(|| output.clone(), |recipe| recipe.over(output))
}

/// Change what the rows below the list show.
pub(super) fn change_edited(cx: &mut ViewCx<'_>, with: impl FnOnce(&mut OutputSettings)) {
    let Some(recipe) = edited(cx).cloned() else { return change(cx, with) };
    let before = recipe.over(&cx.session.output);
    let mut after = before.clone();
    with(&mut after);
    change_recipe(cx, &recipe.name, |recipe| recipe.take_changes(&before, &after));
}

fn change_recipe(cx: &mut ViewCx<'_>, name: &str, with: impl FnOnce(&mut ExportRecipe)) {
    change(cx, |output| {
        if let Some(recipe) = output.recipes.iter_mut().find(|recipe| recipe.name == name) {
            with(recipe);
        }
    });
}

/// The list, with what can be done to it.
pub(super) fn recipes_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "recipes");
    let recipes = cx.session.output.recipes.clone();
    let shown = edited(cx).map(|recipe| recipe.name.clone());
    let p = theme::palette(ui);
    for recipe in &recipes {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            let mut is_chosen = recipe.is_chosen;
            let tick = ui.add(Checkbox::without_text(&mut is_chosen));
            ui.ctx().accesskit_node_builder(tick.id, |node| node.set_label(format!("write {}", recipe.name)));
            if tick.on_hover_text("written by the next export").changed() {
                change_recipe(cx, &recipe.name, |recipe| recipe.is_chosen = is_chosen);
            }
            if ui.selectable_label(shown.as_ref() == Some(&recipe.name), &recipe.name).clicked() {
                cx.ui_state.panels.export_recipe.clone_from(&recipe.name);
            }
            let kind = lower_first(recipe.kind.label());
            ui.label(RichText::new(kind).small().color(p.text_weak));
        });
    }
    if recipes.is_empty() {
        note_ui(ui, "one kind of file; add recipes to write several in one run");
    } else if recipes.iter().all(|recipe| !recipe.is_chosen) {
        note_ui(ui, "none is ticked: one kind of file is written, as the output section says");
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let button = |ui: &mut Ui, text: &str, name: &str, is_possible: bool| {
            let response = ui.add_enabled(is_possible, Button::new(RichText::new(text).small()));
            ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
            response.on_hover_text(name).clicked()
        };
        let is_one = shown.is_some();
        if button(ui, "add", "add a recipe", true) {
            add(cx, None);
        }
        if button(ui, "copy", "copy this recipe", is_one) {
            add(cx, shown.clone());
        }
        if button(ui, "delete", "delete this recipe", is_one) {
            change(cx, |output| output.recipes.retain(|recipe| Some(&recipe.name) != shown.as_ref()));
        }
        if button(ui, "load…", "load a recipe from a file", true) {
            cx.push(ExportCommand::AskRecipe);
        }
        if button(ui, "save…", "write this recipe to a file", is_one)
            && let Some(name) = &shown
        {
            cx.push(ExportCommand::AskRecipeFile(name.clone()));
        }
    });
}

/// Add a recipe: a copy, or the next kind that has none yet.
fn add(cx: &mut ViewCx<'_>, from: Option<String>) {
    let recipes = &cx.session.output.recipes;
    let copied = recipes.iter().find(|recipe| Some(&recipe.name) == from.as_ref()).cloned();
    let is_new = |kind: &OutputKind| recipes.iter().all(|recipe| recipe.kind != *kind);
    let kinds = std::iter::once(cx.session.output.kind).chain(OutputKind::ALL);
    let next = || ExportRecipe::of_kind(kinds.clone().find(is_new).unwrap_or_default());
    let recipe = copied.unwrap_or_else(next);
    let names = (1..).map(|count| match count {
        1 => recipe.name.clone(),
        count => format!("{} {count}", recipe.name),
    });
    let is_free = |name: &String| recipes.iter().all(|recipe| recipe.name != *name);
    let Some(name) = names.into_iter().find(is_free) else { return };
    cx.ui_state.panels.export_recipe.clone_from(&name);
    change(cx, |output| output.recipes.push(recipe.named(&name)));
}

/// Name and folder of the recipe, and the template of the names of its files.
pub(super) fn name_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if let Some(recipe) = edited(cx).cloned() {
        recipe_name_row_ui(ui, cx, &recipe);
        let mut folder = recipe.folder_template().to_owned();
        if labelled_edit_ui(ui, "subfolder", "none", &mut folder).changed() {
            change_recipe(cx, &recipe.name, |recipe| recipe.folder = Some(folder));
        }
    }
    let settings = edited_settings(cx);
    let mut template = settings.name_template.clone().unwrap_or_default();
    let row = labelled_edit_ui(ui, "file names", "{name}", &mut template);
    if row.on_hover_text(pieces_text()).changed() {
        let template = Some(template).filter(|template| !template.is_empty());
        change_edited(cx, |output| output.name_template = template);
    }
}

/// The name of the recipe; taken when the user leaves the field, if it is possible.
fn recipe_name_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, recipe: &ExportRecipe) {
    let id = ui.scope_id().with(("name of a recipe", &recipe.name));
    let mut typed = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_else(|| recipe.name.clone());
    let row = labelled_edit_ui(ui, "name", "name of the recipe", &mut typed);
    let name = typed.trim().to_owned();
    let mut others = cx.session.output.recipes.iter().filter(|other| other.name != recipe.name);
    let trouble = match check_name(&name) {
        Err(error) => Some(error.to_string()),
        Ok(()) => others.any(|other| other.name == name).then(|| "another recipe has this name".to_owned()),
    };
    if row.lost_focus() {
        ui.data_mut(|data| data.remove_temp::<String>(id));
        if trouble.is_none() && name != recipe.name {
            cx.ui_state.panels.export_recipe.clone_from(&name);
            change_recipe(cx, &recipe.name, |recipe| recipe.name = name);
        }
    } else if row.has_focus() {
        ui.data_mut(|data| data.insert_temp(id, typed));
        if let Some(trouble) = trouble {
            warning_ui(ui, &trouble);
        }
    }
}

fn pieces_text() -> String {
    let lines = NAME_PIECES.iter().map(|(key, what)| format!("{{{key}}}  {what}"));
    let lines: Vec<_> = lines.chain(["{count:3:100}  with three digits, from 100".to_owned()]).collect();
    format!("{}\n/  begins a folder", lines.join("\n"))
}

/// Text of a row of numbers that the user types.
pub(super) fn number_text_row_ui(
    ui: &mut Ui,
    label: &str,
    hint: &str,
    value: f64,
    is_sound: impl Fn(f64) -> bool,
) -> Option<f64> {
    let id = ui.scope_id().with(("number of a recipe", label));
    let shown = if value == 0.0 { String::new() } else { format!("{value}") };
    let mut typed = ui.data(|data| data.get_temp::<String>(id)).unwrap_or(shown);
    let row = ui
        .horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            crate::widgets::value_row::label_ui(ui, label, false);
            let edit = ui.add(TextEdit::singleline(&mut typed).hint_text(hint).desired_width(90.0));
            ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label(label));
            edit
        })
        .inner;
    let number =
        if typed.trim().is_empty() { Some(0.0) } else { typed.trim().replace(',', ".").parse().ok() };
    let sound = number.filter(|number| is_sound(*number));
    if row.has_focus() {
        ui.data_mut(|data| data.insert_temp(id, typed));
        if sound.is_none() {
            warning_ui(ui, &format!("{label}: this number is not possible"));
        }
    }
    if row.lost_focus() {
        ui.data_mut(|data| data.remove_temp::<String>(id));
        return sound.filter(|number| *number != value);
    }
    None
}
