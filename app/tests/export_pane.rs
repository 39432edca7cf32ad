//! The export pane: names of files, and recipes.

use crate::common::hands::Window;
use crate::common::{SharedPicker, frame_id, open_window, window_with};
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::{ExportCommand, SelectCommand, SelectHow};
use glassine_app::model::screen_state::ProofOf;
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_engine::colour::output_profile;
use glassine_engine::{SheetArrangement, SheetLayout};
use glassine_film::OutputSpace;
use glassine_session::{ExportRecipe, OutputKind, PrintIntent, Printer};

#[test]
fn files_of_an_export_are_named_once_for_each_change() {
    let (mut window, folder) = open_window();
    let mut output = window.state().session().output.clone();
    output.name_template = Some("{count}".to_owned());
    let finished = folder.path().join("finished");
    std::fs::create_dir_all(&finished).expect("the folder is writable");
    std::fs::write(finished.join("1.tif"), "mine").expect("the folder is writable");
    window.state_mut().push(ExportCommand::SetOutput(output));
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    let names = |window: &Window| {
        let files = &window.state().status().export_names.files;
        files.iter().map(|file| (file.frame.number, file.name.clone())).collect::<Vec<_>>()
    };
    let named = |count: u32| (count, format!("{count}.tif"));
    assert_eq!(names(&window), [named(1), named(2), named(3)]);
    let place = |window: &Window| window.state().status().export_names.files.as_ptr();
    let before = place(&window);
    for _ in 0..5 {
        window.step();
    }
    assert_eq!(place(&window), before, "the files were named again though nothing had changed");

    let third = frame_id(&window, 3);
    window.state_mut().push(SelectCommand::Frame(third, SelectHow::Only));
    window.state_mut().ui_state_mut().panels.export_selected_only = true;
    window.run();
    assert_eq!(names(&window), [(3, "1.tif".to_owned())]);
    assert!(window.query_by_label_contains("1 of these files exist").is_some());
    assert_eq!(window.query_all_by_label("not selected").count(), 2);
    assert_eq!(window.query_all_by_label("left out").count(), 0);
}

#[test]
fn a_single_recipe_writes_where_its_field_says() {
    let (mut window, _folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("add a recipe").click();
    window.run();
    let field = window.get_by_role_and_label(Role::TextInput, "subfolder");
    assert_eq!(field.accesskit_node().value().as_deref(), Some("{recipe}"));
    let names: Vec<_> =
        window.state().status().export_names.files.iter().map(|file| file.name.clone()).collect();
    assert_eq!(names[0], "master/quay 01.tif");
}

#[test]
fn a_recipe_is_renamed_when_its_field_is_left() {
    let (mut window, _folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("add a recipe").click();
    window.run();
    let type_name = |window: &mut Window, name: &str| {
        window.get_by_role_and_label(Role::TextInput, "name").focus();
        window.run();
        window.key_press_modifiers(Modifiers::COMMAND, Key::A);
        window.get_by_role_and_label(Role::TextInput, "name").type_text(name);
        window.run();
    };
    let names = |window: &Window| {
        let recipes = &window.state().session().output.recipes;
        recipes.iter().map(|recipe| recipe.name.clone()).collect::<Vec<_>>()
    };
    type_name(&mut window, " for the lab ");
    assert_eq!(names(&window), ["master"], "a name was taken while it was typed");
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(names(&window), ["for the lab"]);
    for refused in ["a/b", " "] {
        type_name(&mut window, refused);
        window.key_press(Key::Enter);
        window.run();
        assert_eq!(names(&window), ["for the lab"]);
    }
    window.get_by_label("copy this recipe").click();
    window.run();
    type_name(&mut window, "for the lab");
    assert!(window.query_by_label_contains("another recipe has this name").is_some());
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(names(&window), ["for the lab", "for the lab 2"]);
}

#[test]
fn the_printer_of_a_recipe_is_chosen_used_and_forgotten() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let profile = folder.path().join("pearl.icc");
    std::fs::write(&profile, output_profile(OutputSpace::AdobeRgb1998, false)).expect("ours");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![profile.clone()])]);
    let mut window = window_with(folder.path(), picker);
    let mut output = window.state().session().output.clone();
    output.recipes = vec![ExportRecipe::of_kind(OutputKind::Print).named("lab")];
    window.state_mut().push(ExportCommand::SetOutput(output));
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    let printer = |window: &Window| {
        let output = &window.state().session().output;
        output.recipes[0].over(output).print.printer
    };
    window.get_by_label("profile…").click();
    window.run();
    assert_eq!(printer(&window), Some(Printer::proofed(profile.clone())));
    assert_eq!(window.state().session().output.print.printer, None, "it belongs to the recipe alone");
    window.get_by_label("profile is for convert").click();
    window.run();
    window.get_by_label("intent perceptual").click();
    window.run();
    let chosen = Printer { profile, intent: PrintIntent::Perceptual, converts: true };
    assert_eq!(printer(&window), Some(chosen.clone()));
    window.get_by_label("soft proof").click();
    window.run();
    let proof = window.state().ui_state().proof.clone();
    assert!(proof.is_on && proof.of == ProofOf::Print && !window.state().ui_state().show_export);
    assert_eq!(proof.printer_file, Some(chosen.profile));
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("none").click();
    window.run();
    assert_eq!(printer(&window), None);
}

#[test]
fn the_paper_of_the_contact_sheet_is_chosen_in_the_pane() {
    let (mut window, folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    assert!(window.query_by_role_and_label(Role::ComboBox, "paper").is_none());
    window.get_by_label("contact sheet").click();
    window.run();
    window.get_by_role_and_label(Role::ComboBox, "paper").click();
    window.run();
    window.get_by_label("letter").click();
    window.run();
    for choice in ["way round wide", "shows prints and film", "frames in a grid"] {
        window.get_by_label(choice).click();
        window.run();
    }
    let layout = window.state().ui_state().panels.sheet_layout;
    let wanted =
        SheetLayout { paper_mm: [279.4, 215.9], arrangement: SheetArrangement::Grid, negatives: true };
    assert_eq!(layout, wanted);
    window.get_by_label("export 3 pictures").click();
    window.run();
    let sheet = std::fs::read(folder.path().join("finished/contact sheet.pdf")).expect("a sheet");
    // 11 by 8.5 inches, in points.
    let page = b"/MediaBox[0 0 792 612]";
    assert!(sheet.windows(page.len()).any(|part| part == page), "the page has another size");
}
