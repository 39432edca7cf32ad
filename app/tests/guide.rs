//! The guide is whole and true: pages made from the program are up to date, links and pictures exist, words of the
//! window are words of the window.
//!
//! `GLASSINE_BLESS=1 cargo test -p glassine --test all guide::` writes the pages that are made from the program.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::common::hands::Window;
use crate::common::{SharedPicker, app, session, sized_window, window, write_scan};
use egui::{Key, Modifiers};
use egui_kittest::kittest::Queryable as _;
use glassine_app::cli::guide_page;
use glassine_app::commands::{FileCommand, ViewCommand, key_page};
use glassine_app::model::guide::{INDEX, PAGES, PICTURES, page};
use glassine_app::model::markdown::{Block, Span, blocks};
use glassine_app::model::panels::Section;
use glassine_app::model::ui_state::StripTool;
use glassine_session::file::FileStamp;
use glassine_session::{Facts, Roll, RollId, StrokeKind};

/// Most bytes of all pictures together, so that the program and the repository stay small.
const PICTURE_BYTES_MAX: usize = 3_000_000;
/// Most words of a page that is written by hand; a longer one is two pages.
const WORDS_MAX: usize = 900;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the app is in the workspace").to_owned()
}

fn folder() -> PathBuf {
    root().join("assets/guide")
}

#[test]
fn pages_made_from_the_program_are_up_to_date() {
    for (name, made) in [("keys", key_page::page()), ("command-line", guide_page::page())] {
        let path = folder().join(format!("{name}.md"));
        if std::env::var_os("GLASSINE_BLESS").is_some() {
            std::fs::write(&path, &made).expect("the folder of the guide can be written");
            continue;
        }
        let kept = std::fs::read_to_string(&path).expect("the page is kept");
        assert!(kept == made, "{} is out of date: GLASSINE_BLESS=1 writes it again", path.display());
    }
}

#[test]
fn every_page_is_listed_and_every_link_and_picture_exists() {
    let files: BTreeSet<String> = std::fs::read_dir(folder())
        .expect("the guide is there")
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter_map(|name| name.strip_suffix(".md").map(str::to_owned))
        .collect();
    let listed: BTreeSet<String> = PAGES.iter().map(|page| page.name.to_owned()).collect();
    assert_eq!(files, listed, "pages in the folder and in the program");
    let (mut linked, mut shown) = (BTreeSet::from([INDEX]), BTreeSet::new());
    for here in PAGES {
        for block in blocks(here.text) {
            if let Block::Picture { file, words } = &block {
                assert!(!words.is_empty(), "{}: a picture without words", here.name);
                let known = PICTURES.iter().find(|(name, _)| name == file);
                let (name, _) = known.unwrap_or_else(|| panic!("{}: no picture {file}", here.name));
                shown.insert(*name);
            }
            for link in block.spans().iter().filter_map(|span| span.link.as_deref()) {
                let target = page(link).unwrap_or_else(|| panic!("{}: no page {link}", here.name));
                if here.name == INDEX {
                    linked.insert(target.name);
                }
            }
        }
    }
    assert_eq!(linked.len(), PAGES.len(), "the index leads to every page: {linked:?}");
    assert_eq!(shown.len(), PICTURES.len(), "every picture is shown: {shown:?}");
    let bytes: usize = PICTURES.iter().map(|(_, bytes)| bytes.len()).sum();
    assert!(bytes <= PICTURE_BYTES_MAX, "{bytes} bytes of pictures");
}

#[test]
fn pages_written_by_hand_are_short_and_begin_with_their_title() {
    for page in PAGES.iter().filter(|page| !matches!(page.name, "command-line" | "keys")) {
        assert!(page.text.starts_with("# "), "{}", page.name);
        let words = page.text.split_whitespace().count();
        assert!(words <= WORDS_MAX, "{}: {words} words", page.name);
    }
}

/// Source of the program, in lower case, with the words of the window in it.
fn source() -> String {
    let mut folders: Vec<PathBuf> = vec![root().join("app/src")];
    for name in ["film", "session", "scancheck", "engine", "layout"] {
        folders.push(root().join("crates").join(name).join("src"));
    }
    let mut text = String::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("source is there").flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                text.push_str(&std::fs::read_to_string(&path).expect("source is text").to_lowercase());
            }
        }
    }
    text
}

/// Pages in which bold words are not words of the window.
const WITHOUT_LABELS: [&str; 3] = ["cautions", "safekeeping", "session-format"];

#[test]
fn words_in_bold_are_words_of_the_window() {
    let source = source();
    let mut strange = Vec::new();
    for page in PAGES.iter().filter(|page| !WITHOUT_LABELS.contains(&page.name)) {
        for block in blocks(page.text) {
            let labels = block.spans().into_iter().filter(|span: &&Span| span.is_strong && !span.is_code);
            for label in labels {
                let words = label.text.trim_end_matches(['.', ':', ',']).to_lowercase();
                if !source.contains(&words) {
                    strange.push(format!("{}: {words}", page.name));
                }
            }
        }
    }
    assert!(strange.is_empty(), "not in the window: {strange:#?}");
}

/// Keys of every object in a value, below `settings` excepted: those are the values of the sections.
fn keys_of(value: &serde_json::Value, keys: &mut BTreeSet<String>) {
    match value {
        serde_json::Value::Object(map) => {
            for (key, value) in map {
                keys.insert(key.clone());
                if !matches!(key.as_str(), "settings" | "stocks") {
                    keys_of(value, keys);
                }
            }
        }
        serde_json::Value::Array(list) => list.iter().for_each(|value| keys_of(value, keys)),
        _ => {}
    }
}

#[test]
fn every_key_of_a_session_file_is_explained() {
    let text = page("session-format").expect("there is such a page").text;
    let files = [
        "crates/session/tests/files/version-1.session.json",
        "crates/session/tests/files/version-2.session.json",
        "demo-sessions/sallow-quay.session.json",
    ];
    let kept = files.map(|file| {
        let bytes = std::fs::read(root().join(file)).expect("the session is kept");
        (file, bytes)
    });
    for (file, bytes) in kept.into_iter().chain([("what is written now", written_now())]) {
        let value = serde_json::from_slice(&bytes).expect("it is JSON");
        let mut keys = BTreeSet::new();
        keys_of(&value, &mut keys);
        let missing: Vec<_> = keys.iter().filter(|key| !text.contains(&format!("`{key}`"))).collect();
        assert!(missing.is_empty(), "{file}: {missing:?}");
    }
}

/// A session file of this program with everything that one can write about a scan, a roll and a frame.
fn written_now() -> Vec<u8> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut session = session(&write_scan(folder.path()), None);
    let word = || "x".to_owned();
    let facts = Facts {
        caption: word(),
        creator: word(),
        rights: word(),
        keywords: word(),
        place: word(),
        date_shot: word(),
        film: word(),
        camera: word(),
        lens: word(),
        notes: word(),
    };
    Arc::make_mut(&mut session.scans[0]).scanned_at = Some(word());
    Arc::make_mut(&mut session.frames[0]).facts = Arc::new(facts.clone());
    session.rolls.push(Arc::new(Roll { id: RollId(900), title: word(), facts }));
    glassine_session::file::to_json(&session, None, &FileStamp::default()).expect("it can be written")
}

fn open_window() -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, Some(folder.path().join("finished"))));
    (window(app), folder)
}

fn shown(window: &Window) -> Option<&'static str> {
    window.state().ui_state().guide.open
}

#[test]
fn f1_opens_the_page_about_what_is_in_hand() {
    type Prepare = fn(&mut Window);
    let states: [(&str, Prepare); 6] = [
        ("exposure", |_| ()),
        ("dust", |window| window.state_mut().push(ViewCommand::SetTool(StripTool::Brush(StrokeKind::Spot)))),
        ("balance", |window| window.state_mut().push(ViewCommand::SetTool(StripTool::GreyPoint))),
        ("export", |window| window.state_mut().push(ViewCommand::ShowExport(true))),
        ("tones", |window| {
            let place = window.get_by_label("histogram").rect();
            window.hover_at(place.center());
        }),
        ("boxes", |window| window.get_by_label("straighten").focus()),
    ];
    for (page, prepare) in states {
        let (mut window, _folder) = open_window();
        prepare(&mut window);
        window.run();
        window.key_press(Key::F1);
        window.run();
        assert_eq!(shown(&window), Some(page));
        window.key_press(Key::F1);
        window.run();
        assert_eq!(shown(&window), None);
    }
}

#[test]
fn pages_are_found_by_words_and_followed_by_links() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::Questionmark);
    window.run();
    assert_eq!(shown(&window), Some("keys"));
    window.get_by_label("search the guide").type_text("nitrate");
    window.run();
    window.get_by_label("Cautions").click();
    window.run();
    assert_eq!(shown(&window), Some("cautions"));
    window.get_by_label("back").click();
    window.run();
    assert_eq!(shown(&window), Some("keys"));
    window.key_press_modifiers(Modifiers::NONE, Key::Escape);
    window.run();
    assert_eq!(shown(&window), None);
}

#[test]
fn every_page_can_be_drawn_and_comes_to_rest() {
    let (mut window, _folder) = open_window();
    for page in PAGES {
        window.state_mut().push(ViewCommand::ShowGuide(Some(page.name)));
        window.run();
        assert!(window.query_all_by_label(page.title()).next().is_some(), "{}", page.name);
    }
}

#[test]
fn f1_opens_the_page_about_a_question_and_the_question_comes_back() {
    let (mut window, folder) = open_window();
    window.state_mut().push(FileCommand::Open(vec![folder.path().join("strip.tif")]));
    window.run();
    for by_key in [true, false] {
        assert!(window.query_by_label("what is on these scans?").is_some());
        if by_key {
            window.key_press(Key::F1);
        } else {
            window.get_by_label("what the guide says about this").click();
        }
        window.run();
        assert_eq!(shown(&window), Some("first-strip"));
        assert!(window.query_by_label("what is on these scans?").is_none(), "the guide takes its place");
        window.key_press(Key::Escape);
        window.run();
        assert_eq!(shown(&window), None);
    }
    assert!(window.state().ui_state().question.is_some(), "the question is not answered");
}

#[test]
fn f1_opens_the_page_about_each_part_of_the_film_section() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&write_scan(folder.path()), None));
    let mut window = sized_window(app, [1600.0, 1800.0]);
    window.state_mut().push(ViewCommand::ToggleSection(Section::Film));
    window.run();
    for (name, page) in [
        ("film kind", "colour-negatives"),
        ("stock", "stocks"),
        ("balance same for strip", "strip-solve"),
        ("encoding", "file-kinds"),
        ("section clean", "dust"),
    ] {
        let place = window.query_all_by_label(name).last().expect("it is shown").rect();
        window.hover_at(place.center());
        window.run();
        window.key_press(Key::F1);
        window.run();
        assert_eq!(shown(&window), Some(page), "{name}");
        window.key_press(Key::F1);
        window.run();
    }
}

#[test]
fn enter_opens_the_first_page_that_a_search_finds_and_the_words_are_at_its_top() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::Questionmark);
    window.run();
    window.get_by_label("search the guide").type_text("film kind wrong");
    window.run();
    let first = glassine_app::model::guide::search("film kind wrong").hits[0].page;
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(shown(&window), Some(first));
}
