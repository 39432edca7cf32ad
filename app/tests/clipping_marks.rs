//! Clipping is marked where pictures are judged: under the prints, in the export list, in a grid of variations.

use crate::common::hands::{Window, rest};
use crate::common::{frame_id, open_window};
use egui::{Key, Rect, Shape};
use egui_kittest::kittest::Queryable as _;
use glassine_app::commands::{EditCommand, SelectCommand, SelectHow, ViewCommand};
use glassine_film::Param;

/// Brightens the first frame until its highlights clip.
fn clip_first_frame(window: &mut Window) {
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 3.0));
    window.run();
}

/// Texts painted in the last frame, and where.
fn painted_texts(window: &Window) -> Vec<(String, Rect)> {
    fn collect(shape: &Shape, texts: &mut Vec<(String, Rect)>) {
        match shape {
            Shape::Text(text) => {
                texts.push((text.galley.text().to_owned(), text.galley.rect.translate(text.pos.to_vec2())));
            }
            Shape::Vec(shapes) => shapes.iter().for_each(|shape| collect(shape, texts)),
            _ => {}
        }
    }
    let mut texts = Vec::new();
    window.output().shapes.iter().for_each(|clipped| collect(&clipped.shape, &mut texts));
    texts
}

/// The per cent of the marks behind this word whose middle is inside an area.
fn marks(window: &Window, area: Rect, sign: &str) -> Vec<f64> {
    let inside = painted_texts(window).into_iter().filter(|(_, rect)| area.contains(rect.center()));
    inside
        .filter_map(|(text, _)| {
            let (_, after) = text.split_once(sign)?;
            after.trim_start().split(' ').next()?.parse().ok()
        })
        .collect()
}

/// Clipped share of the first frame's worst channel, per cent, from the picture's own counts.
fn clipped_percent(window: &Window) -> f64 {
    let histogram = window.state().previews().histogram(frame_id(window, 1)).expect("the frame is shown");
    histogram.clip_high_fraction().into_iter().fold(0.0, f64::max) * 100.0
}

#[test]
fn clipping_is_marked_under_the_print_that_clips_and_under_no_other() {
    let (mut window, _folder) = open_window();
    let areas = [1, 2, 3].map(|number| window.get_by_label(&format!("print {number}")).rect());
    let high = |window: &Window| areas.map(|area| marks(window, area, "white"));
    assert!(high(&window).iter().all(Vec::is_empty), "{:?}", high(&window));
    clip_first_frame(&mut window);
    let [first, second, third] = high(&window);
    let expected = clipped_percent(&window);
    assert!(expected > 1.0, "{expected} % clip");
    assert!(first.len() == 1 && (first[0] - expected).abs() < 1.0, "{first:?}, {expected} % clip");
    assert!(second.is_empty() && third.is_empty(), "{second:?} {third:?}");
    // The mark does not depend on the frame being shown large.
    let other = frame_id(&window, 2);
    window.state_mut().push(SelectCommand::Frame(other, SelectHow::Only));
    window.run();
    assert_eq!(high(&window)[0].len(), 1);
    window.state_mut().push(EditCommand::Undo);
    rest(&mut window);
    assert!(high(&window).iter().all(Vec::is_empty), "{:?}", high(&window));
}

#[test]
fn the_export_list_marks_the_files_that_clip() {
    let (mut window, _folder) = open_window();
    clip_first_frame(&mut window);
    let expected = clipped_percent(&window);
    window.state_mut().push(ViewCommand::ShowExport(true));
    rest(&mut window);
    // The large picture's own figures lie under the pane, so only the rows count.
    let rows = [1, 2, 3].map(|number| {
        let name = format!("quay {number:02}.tif");
        let texts = painted_texts(&window);
        let (_, row) = texts.iter().find(|(text, _)| *text == name).expect("the file is listed").clone();
        let right = texts
            .into_iter()
            .filter(|(_, rect)| (rect.center().y - row.center().y).abs() < 6.0 && rect.left() > row.right());
        right.map(|(text, _)| text).collect::<Vec<_>>().join(" ")
    });
    let high = |row: &str| {
        let (_, after) = row.split_once("white ")?;
        after.split(' ').next()?.parse::<f64>().ok()
    };
    let first = high(&rows[0]).unwrap_or_default();
    assert!(expected > 1.0 && (first - expected).abs() < 1.0, "{rows:?}, {expected} % clip");
    assert!(high(&rows[1]).is_none() && high(&rows[2]).is_none(), "{rows:?}");
}

#[test]
fn the_brightest_of_the_variations_is_marked_and_the_darkest_is_not() {
    let (mut window, _folder) = open_window();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 1.0));
    window.run();
    window.key_press(Key::T);
    window.run();
    let cell = |name: &str| window.get_by_label(name).rect();
    let (dark, bright) = (cell("test strip −2.00 stops"), cell("test strip +2.00 stops"));
    let (dark, bright) = (marks(&window, dark, "white"), marks(&window, bright, "white"));
    assert!(dark.is_empty(), "{dark:?}");
    assert!(bright.len() == 1 && bright[0] > 1.0, "{bright:?}");
}
