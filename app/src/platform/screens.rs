//! Where the window opens: as it was left, but always within a screen that exists.

use crate::model::remembered::WindowPlace;

/// Size of the first window, points.
const FIRST_SIZE: [f64; 2] = [1600.0, 1000.0];
/// Room for the system's title bar and panels on a screen that the window would fill, points. Ours.
const ROOM_POINTS: [f64; 2] = [16.0, 72.0];

/// Longest side of a window, points; no screen is larger.
const SIDE_MAX: f64 = 32_768.0;

/// A screen of the system.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Screen {
    pub name: Option<String>,
    /// Its upper left corner, pixels.
    pub corner_px: [i32; 2],
    pub size_px: [u32; 2],
    /// Pixels for one point.
    pub scale: f64,
}

/// Size and place of a window that fits its screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fitted {
    pub size_points: [f64; 2],
    /// Its upper left corner, pixels; `None` leaves the place to the system.
    pub corner_px: Option<[i32; 2]>,
}

/// The remembered size, points, or the first one if what is remembered is none.
pub(crate) fn wanted_size(place: &WindowPlace) -> [f64; 2] {
    let is_size = |size: &[f64; 2]| size.iter().all(|side| (1.0..=SIDE_MAX).contains(side));
    place.size_points.filter(is_size).unwrap_or(FIRST_SIZE)
}

/// The window as it is now, and the size that it has when it is not maximised.
pub(crate) fn place_of(frame: &eframe::Frame, before: &WindowPlace) -> Option<WindowPlace> {
    let window = frame.winit_window()?;
    if window.is_maximized() || window.fullscreen().is_some() {
        return Some(WindowPlace { maximized: window.is_maximized(), ..before.clone() });
    }
    let (size, scale) = (window.inner_size(), window.scale_factor());
    if size.width == 0 || size.height == 0 || window.is_minimized() == Some(true) {
        return None;
    }
    let screen = window.current_monitor();
    let corner = screen.as_ref().map(|screen| screen.position()).unwrap_or_default();
    let position = window.outer_position().ok();
    Some(WindowPlace {
        size_points: Some([size.width, size.height].map(|side| (f64::from(side) / scale).round())),
        from_screen_px: position.map(|at| [at.x - corner.x, at.y - corner.y]),
        screen: screen.and_then(|screen| screen.name()),
        maximized: false,
    })
}

/// The remembered window on these screens, of which the first is the main one.
pub(crate) fn fitted(place: &WindowPlace, screens: &[Screen]) -> Fitted {
    let wanted = wanted_size(place);
    let same = screens.iter().find(|screen| place.screen.is_some() && screen.name == place.screen);
    let Some(screen) = same.or(screens.first()) else {
        return Fitted { size_points: wanted, corner_px: None };
    };
    let scale = if screen.scale.is_finite() && screen.scale > 0.0 { screen.scale } else { 1.0 };
    let room = screen.size_px.map(|px| f64::from(px) / scale);
    let fits = wanted.iter().zip(room).all(|(side, room)| *side <= room);
    let side =
        |nth: usize| if fits { wanted[nth] } else { wanted[nth].min(room[nth] - ROOM_POINTS[nth]).max(1.0) };
    let size_points = [side(0), side(1)];
    // On a screen that is gone the window had a place that means nothing on another one.
    let corner_px = same.and(place.from_screen_px).map(|from| {
        [0, 1].map(|nth| {
            let spare = (f64::from(screen.size_px[nth]) - size_points[nth] * scale).max(0.0) as i32;
            screen.corner_px[nth].saturating_add(from[nth].clamp(0, spare))
        })
    });
    Fitted { size_points, corner_px }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn screen(name: &str, corner_px: [i32; 2], size_px: [u32; 2], scale: f64) -> Screen {
        Screen { name: Some(name.to_owned()), corner_px, size_px, scale }
    }

    fn left(on: &str, from: [i32; 2], size: [f64; 2]) -> WindowPlace {
        WindowPlace {
            size_points: Some(size),
            from_screen_px: Some(from),
            screen: Some(on.to_owned()),
            maximized: false,
        }
    }

    #[test]
    fn the_first_window_fits_its_screen() {
        let first = |size_px, scale| fitted(&WindowPlace::default(), &[screen("a", [0, 0], size_px, scale)]);
        assert_eq!(first([2560, 1440], 1.0), Fitted { size_points: FIRST_SIZE, corner_px: None });
        assert_eq!(first([1600, 1000], 1.0).size_points, FIRST_SIZE);
        assert_eq!(first([1366, 768], 1.0).size_points, [1350.0, 696.0]);
        // The same panel with two pixels for a point has half the room.
        assert_eq!(first([2560, 1600], 2.0).size_points, [1264.0, 728.0]);
        assert_eq!(fitted(&WindowPlace::default(), &[]).size_points, FIRST_SIZE);
    }

    #[test]
    fn a_window_comes_back_where_it_was_left_on_the_screen_of_that_name() {
        let two = [screen("a", [0, 0], [1920, 1080], 1.0), screen("b", [1920, 200], [2560, 1440], 1.0)];
        let place = left("b", [100, 50], [1500.0, 900.0]);
        assert_eq!(
            fitted(&place, &two),
            Fitted { size_points: [1500.0, 900.0], corner_px: Some([2020, 250]) }
        );
        // The screens were put the other way round.
        let moved = [screen("b", [0, 0], [2560, 1440], 1.0), screen("a", [2560, 0], [1920, 1080], 1.0)];
        assert_eq!(fitted(&place, &moved).corner_px, Some([100, 50]));
    }

    #[test]
    fn a_window_never_comes_back_outside_its_screen_or_on_one_that_is_gone() {
        let one = [screen("a", [0, 0], [1920, 1080], 1.0)];
        let out = fitted(&left("a", [1900, -300], [1500.0, 900.0]), &one);
        assert_eq!(out.corner_px, Some([420, 0]));
        let gone = fitted(&left("b", [100, 50], [2400.0, 1300.0]), &one);
        assert_eq!(gone, Fitted { size_points: [1904.0, 1008.0], corner_px: None });
        for nonsense in [[f64::NAN, -5.0], [1e300, 900.0]] {
            let nonsense = WindowPlace { size_points: Some(nonsense), ..WindowPlace::default() };
            assert_eq!(fitted(&nonsense, &one).size_points, [1600.0, 1000.0]);
        }
    }
}
