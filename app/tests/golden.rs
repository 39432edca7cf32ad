//! Window states compared with kept pictures, within what an eye would pass over.
//!
//! `GLASSINE_BLESS=1 cargo test -p glassine --test all golden::` keeps the pictures of this run instead; look at them before
//! committing. A state that differs leaves its picture in `target/golden`.

use std::path::{Path, PathBuf};

use crate::common::{SharedPicker, app, session, write_scan};
use crate::offscreen::{HeadlessWindow, WindowPicture, save_png};
use egui::vec2;
use glassine_app::app::GlassineApp;
use glassine_app::commands::{ColourCommand, Command, EditCommand, SelectCommand, SelectHow, ViewCommand};
use glassine_app::model::colour_tools::VariationKind;
use glassine_app::model::questions::{PendingAction, Question};
use glassine_app::model::ui_state::StripTool;
use glassine_engine::Overlay;
use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};

const SIZE: (f32, f32) = (1280.0, 720.0);
const FRAME_LIMIT: usize = 600;
/// Kept pictures are half as wide and high: letters stay readable, files small.
const REDUCED_BY: usize = 2;
/// A channel must differ by more than this to count, and this share of the pixels must not: fonts and film may be
/// rendered a little otherwise by another processor, but a missing label or histogram is larger.
const DIFFERENCE: u8 = 24;
const SHARE_MAX: f64 = 0.000_7;

/// What makes a state from the program with its session.
type Prepare = fn(&mut GlassineApp);

const STATES: [(&str, Prepare); 15] = [
    ("strip", |_| ()),
    ("strip, light", |app| app.push(ViewCommand::SetDark(false))),
    ("two frames selected", |app| {
        let second = app.session().frames[1].id;
        app.push(Command::Select(SelectCommand::Frame(second, SelectHow::Toggle)));
    }),
    ("clipping shown", |app| {
        app.push(EditCommand::SetParam(Param::ExposureStops, 3.0));
        app.push(ViewCommand::SetOverlay(Overlay::Clipping));
    }),
    ("base pixels shown", |app| app.push(ViewCommand::ShowBasePixels(true))),
    ("base box tool", |app| app.push(ViewCommand::SetTool(StripTool::BaseBox))),
    ("contact print", |app| app.push(ViewCommand::ShowContact(true))),
    ("contact print, light", |app| {
        app.push(ViewCommand::ShowContact(true));
        app.push(ViewCommand::SetDark(false));
        app.ui_state_mut().panels.open = None;
    }),
    ("before and after", |app| {
        app.push(EditCommand::SetParam(Param::ExposureStops, 1.5));
        app.push(ViewCommand::Split(Some(0.4)));
    }),
    ("scan pixels", |app| app.push(ViewCommand::SetLoupe(true))),
    ("export", |app| app.push(ViewCommand::ShowExport(true))),
    ("keys", |app| app.push(ViewCommand::ShowGuide(Some("keys")))),
    ("test strip", |app| app.push(ColourCommand::ShowVariations(Some(VariationKind::Exposure)))),
    ("measuring a stock", |app| app.push(ColourCommand::ShowChart(true))),
    ("unsaved changes", |app| app.push(ViewCommand::Ask(Question::Unsaved(PendingAction::Close)))),
];

fn draw(prepare: Prepare, light: bool) -> WindowPicture {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, Some(PathBuf::from("/pictures/quay"))));
    let mut window = HeadlessWindow::new(vec2(SIZE.0, SIZE.1), 1.0);
    assert!(window.settle(&mut app, FRAME_LIMIT), "the window does not come to rest");
    prepare(&mut app);
    assert!(window.settle(&mut app, FRAME_LIMIT), "the window does not come to rest");
    window.picture(light).expect("frames were run")
}

/// Means over squares of [`REDUCED_BY`] pixels.
fn reduced(picture: &WindowPicture) -> WindowPicture {
    let (width, height) = (picture.width_px as usize / REDUCED_BY, picture.height_px as usize / REDUCED_BY);
    let mut rgba = Vec::with_capacity(4 * width * height);
    for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))) {
        for channel in 0..4 {
            let of = |k: usize| {
                let (x, y) = (x * REDUCED_BY + k % REDUCED_BY, y * REDUCED_BY + k / REDUCED_BY);
                u32::from(picture.rgba[4 * (y * picture.width_px as usize + x) + channel])
            };
            let count = REDUCED_BY * REDUCED_BY;
            rgba.push(((0..count).map(of).sum::<u32>() / count as u32) as u8);
        }
    }
    WindowPicture { width_px: width as u32, height_px: height as u32, rgba }
}

/// Red, green and blue of a kept picture.
fn kept(path: &Path) -> Vec<u8> {
    let scan = Scan::open(path, &OpenOptions::default()).expect("the picture is kept with the tests");
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let codes = scan.read(whole, &CancelToken::new()).expect("reads");
    codes.data().iter().map(|code| (code >> 8) as u8).collect()
}

fn share_that_differs(picture: &WindowPicture, kept: &[u8]) -> f64 {
    let pixels = picture.rgba.chunks_exact(4).zip(kept.chunks_exact(3));
    let differs = |(now, then): &(&[u8], &[u8])| {
        now.iter().zip(*then).any(|(now, then)| now.abs_diff(*then) > DIFFERENCE)
    };
    let count = pixels.clone().count();
    pixels.filter(differs).count() as f64 / count.max(1) as f64
}

#[test]
fn every_state_of_the_window_looks_as_its_kept_picture() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let bless = std::env::var_os("GLASSINE_BLESS").is_some();
    let mut different = Vec::new();
    for (name, prepare) in STATES {
        let picture = reduced(&draw(prepare, name.ends_with("light")));
        let file = format!("{}.png", name.replace(", ", "-").replace(' ', "-"));
        let path = folder.join(&file);
        if bless {
            std::fs::create_dir_all(&folder).expect("a folder of the tests");
            save_png(&picture, &path, true).expect("writes");
            continue;
        }
        let share = share_that_differs(&picture, &kept(&path));
        if share > SHARE_MAX {
            let failed = Path::new(env!("CARGO_TARGET_TMPDIR")).join("golden");
            std::fs::create_dir_all(&failed).expect("a folder of the build");
            save_png(&picture, &failed.join(&file), true).expect("writes");
            different.push(format!("{name}: {:.2} % of the pixels", 100.0 * share));
        }
    }
    assert!(different.is_empty(), "differs from its kept picture: {}", different.join("; "));
}
