//! Boxes whose edges are moved, by the pointer or by keys.

use glassine_raster::{Point, TiltedBox};

/// Smallest side of a box.
pub(crate) const MIN_SIDE_PX: f64 = 8.0;

/// A box whose named edges (-1 left or top, 1 right or bottom) moved along its own axes; the others stay.
pub(crate) fn moved_edges(b: &TiltedBox, (ex, ey): (i8, i8), (dx, dy): (f64, f64)) -> TiltedBox {
    let axis = |edge: i8, by: f64, side: f64| {
        if edge == 0 {
            return (side, 0.0);
        }
        let edge = f64::from(edge);
        let next = (side + edge * by).max(MIN_SIDE_PX.min(side));
        (next, edge * (next - side) / 2.0)
    };
    let (width_px, shift_x) = axis(ex, dx, b.width_px);
    let (height_px, shift_y) = axis(ey, dy, b.height_px);
    let (sin, cos) = b.angle_rad.sin_cos();
    TiltedBox {
        center: Point::new(
            b.center.x + cos * shift_x - sin * shift_y,
            b.center.y + sin * shift_x + cos * shift_y,
        ),
        width_px,
        height_px,
        ..*b
    }
}
