//! The export pane: names of files, and recipes.

mod common;

use common::hands::Window;
use common::{frame_id, open_window};
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::{ExportCommand, SelectCommand, SelectHow};

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
