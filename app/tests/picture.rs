//! The window drawn without a display: the same picture every time, and what must be visible in it.

use crate::common::{SharedPicker, app, session, write_scan};
use crate::offscreen::{HeadlessWindow, WindowPicture};
use egui::vec2;
use glassine_app::commands::ViewCommand;

const SIZE: (f32, f32) = (1280.0, 720.0);
const FRAME_LIMIT: usize = 500;

fn draw(light: bool) -> WindowPicture {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, None));
    app.push(ViewCommand::SetDark(!light));
    let mut window = HeadlessWindow::new(vec2(SIZE.0, SIZE.1), 1.0);
    assert!(window.settle(&mut app, FRAME_LIMIT), "the window does not come to rest");
    window.picture(light).expect("frames were run")
}

/// Share of pixels whose channels differ by more than `least`.
fn coloured_share(picture: &WindowPicture, least: u8) -> f64 {
    let coloured = picture.rgba.chunks_exact(4).filter(|p| {
        let (low, high) = (p[..3].iter().min(), p[..3].iter().max());
        high.zip(low).is_some_and(|(high, low)| high - low > least)
    });
    coloured.count() as f64 / (picture.rgba.len() / 4) as f64
}

#[test]
fn the_same_session_is_drawn_the_same_twice_and_differently_in_light() {
    let first = draw(false);
    assert_eq!((first.width_px, first.height_px), (1280, 720));
    assert!(first == draw(false), "two drawings of one session differ");
    let light = draw(true);
    let mean = |picture: &WindowPicture| {
        picture.rgba.iter().map(|v| f64::from(*v)).sum::<f64>() / picture.rgba.len() as f64
    };
    assert!(mean(&light) > mean(&first) + 40.0, "the light surround is not lighter");
    // Film, prints and the large frame are coloured, everything around them is grey.
    let share = coloured_share(&first, 24);
    assert!((0.03..0.6).contains(&share), "{share} of the window is coloured");
}
