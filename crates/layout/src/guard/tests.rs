//! The guard never lets a box out and allows everything inside.

use glassine_raster::{Point, TiltedBox};

use super::SafeArea;

fn tilted(x: f64, y: f64, w: f64, h: f64, degrees: f64) -> TiltedBox {
    TiltedBox { center: Point::new(x, y), width_px: w, height_px: h, angle_rad: degrees.to_radians() }
}

fn guard() -> SafeArea {
    SafeArea::new(&tilted(500.0, 400.0, 604.0, 404.0, 2.0), 2.0)
}

/// A fixed sequence of numbers in 0..1.
fn numbers() -> impl FnMut() -> f64 {
    let mut random = glassine_testdata::random::Lcg64::new(7);
    move || random.unit()
}

#[test]
fn the_default_box_fills_the_safe_area() {
    let g = guard();
    assert!(g.contains(&g.fit_default()));
    assert_eq!(g.fit_default().width_px, 600.0);
}

#[test]
fn whatever_is_wished_the_held_box_lies_inside() {
    let g = guard();
    let mut n = numbers();
    for _ in 0..4000 {
        let mut any = |spread: f64| {
            tilted(
                500.0 + (n() - 0.5) * 2.0 * spread,
                400.0 + (n() - 0.5) * 2.0 * spread,
                1.0 + n() * 1000.0,
                1.0 + n() * 800.0,
                (n() - 0.5) * 200.0,
            )
        };
        let (before, wish) = (any(500.0), any(500.0));
        assert!(g.contains(&g.hold_moved(&wish)), "{wish:?}");
        assert!(g.contains(&g.hold_rotated(&wish)), "{wish:?}");
        assert!(g.contains(&g.hold_resized(&before, &wish, None)), "{before:?} {wish:?}");
        let kept = g.hold_resized(&before, &wish, Some(1.5));
        assert!(g.contains(&kept), "{before:?} {wish:?} {kept:?}");
    }
}

#[test]
fn a_valid_wish_is_granted_unchanged() {
    let g = guard();
    let wish = tilted(520.0, 390.0, 300.0, 200.0, -4.0);
    let held = g.hold_moved(&wish);
    assert!((held.center.x - wish.center.x).abs() < 1e-9 && (held.center.y - wish.center.y).abs() < 1e-9);
    assert_eq!((held.width_px, held.height_px), (300.0, 200.0));
}

#[test]
fn a_box_pushed_past_a_side_slides_along_it() {
    let g = SafeArea::new(&TiltedBox::from_edges(0.0, 0.0, 100.0, 100.0), 0.0);
    let held = g.hold_moved(&TiltedBox::from_edges(80.0, 30.0, 120.0, 60.0));
    assert_eq!((held.center.x, held.center.y), (80.0, 45.0));
    assert_eq!((held.width_px, held.height_px), (40.0, 30.0));
}

#[test]
fn a_dragged_edge_stops_at_the_side_and_the_others_stay() {
    let g = SafeArea::new(&TiltedBox::from_edges(0.0, 0.0, 100.0, 100.0), 0.0);
    let before = TiltedBox::from_edges(10.0, 20.0, 50.0, 60.0);
    let held = g.hold_resized(&before, &TiltedBox::from_edges(10.0, 20.0, 130.0, 60.0), None);
    let c = held.corners();
    assert!((c[0].x - 10.0).abs() < 1e-6 && (c[2].x - 100.0).abs() < 1e-5);
    assert!((c[0].y - 20.0).abs() < 1e-6 && (c[2].y - 60.0).abs() < 1e-6);
}

#[test]
fn a_dragged_corner_slides_along_a_side() {
    let g = SafeArea::new(&TiltedBox::from_edges(0.0, 0.0, 100.0, 100.0), 0.0);
    let before = TiltedBox::from_edges(10.0, 20.0, 50.0, 60.0);
    let held = g.hold_resized(&before, &TiltedBox::from_edges(10.0, 20.0, 130.0, 80.0), None);
    let c = held.corners()[2];
    assert!((c.x - 100.0).abs() < 1e-5 && (c.y - 80.0).abs() < 1e-5, "{c:?}");
}

#[test]
fn a_locked_proportion_grows_until_it_touches() {
    let g = SafeArea::new(&TiltedBox::from_edges(0.0, 0.0, 100.0, 100.0), 0.0);
    let before = TiltedBox::from_edges(10.0, 20.0, 40.0, 40.0);
    let held = g.hold_resized(&before, &TiltedBox::from_edges(10.0, 20.0, 310.0, 220.0), Some(1.5));
    assert!((held.width_px - 90.0).abs() < 1e-5 && (held.height_px - 60.0).abs() < 1e-5, "{held:?}");
    let c = held.corners()[0];
    assert!((c.x - 10.0).abs() < 1e-5 && (c.y - 20.0).abs() < 1e-5);
}

#[test]
fn a_turn_that_does_not_fit_shrinks_the_box_by_the_known_amount() {
    // The largest box of the same shape at 1 degree in 36 x 24; the check is that its corners touch the sides.
    let g = SafeArea::new(&TiltedBox::from_edges(0.0, 0.0, 3600.0, 2400.0), 0.0);
    let held = g.hold_rotated(&TiltedBox { angle_rad: 1_f64.to_radians(), ..g.area });
    let (sin, cos) = 1_f64.to_radians().sin_cos();
    let expect = (3600.0 / (3600.0 * cos + 2400.0 * sin)).min(2400.0 / (3600.0 * sin + 2400.0 * cos));
    assert!((held.width_px - 3600.0 * expect).abs() < 1e-6);
    assert!(g.contains(&held));
}

#[test]
fn the_hold_is_continuous_as_the_wish_crosses_a_side() {
    let g = guard();
    let before = tilted(500.0, 400.0, 200.0, 150.0, 5.0);
    let mut last: Option<TiltedBox> = None;
    for k in 0..400 {
        let wish =
            TiltedBox { width_px: 200.0 + f64::from(k) * 2.0, height_px: 150.0 + f64::from(k), ..before };
        let held = g.hold_resized(&before, &wish, None);
        if let Some(last) = last {
            assert!((held.width_px - last.width_px).abs() < 8.0 && held.center.distance(last.center) < 8.0);
        }
        last = Some(held);
    }
}

#[test]
fn numbers_that_are_not_numbers_are_answered_with_a_valid_box() {
    let g = guard();
    let nan = tilted(f64::NAN, 0.0, 10.0, 10.0, 0.0);
    assert!(g.contains(&g.hold_moved(&nan)));
    assert!(g.contains(&g.hold_resized(&tilted(500.0, 400.0, 10.0, 10.0, 0.0), &nan, None)));
    assert!(!g.contains(&nan));
}
