//! Size of the current frame when written: pixels, file size, and how large it prints.

use egui::Ui;
use glassine_raster::MM_PER_INCH;
use glassine_session::{Frame, OutputKind, OutputSettings};
use glassine_sharpness::plan::PRINT_PPI;

use crate::views::ViewCx;
use crate::widgets::parts::fact_row_ui;

/// Bytes of a pixel of 16-bit red, green and blue.
const MASTER_BYTES_PER_PIXEL: f64 = 6.0;
/// Bytes in a megabyte as file managers count it.
const MEGABYTE: f64 = 1e6;

/// Facts about the written picture of the current frame.
pub(crate) fn size_facts_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let Some(frame) = cx.primary() else { return };
    let output = &cx.session.output;
    let (width, height) = written_px(frame, output);
    let megapixels = width * height / 1e6;
    fact_row_ui(ui, "pixels", &format!("{width:.0} × {height:.0}, {megapixels:.1} MP"));
    if output.kind == OutputKind::Master {
        let size = width * height * MASTER_BYTES_PER_PIXEL / MEGABYTE;
        fact_row_ui(ui, "file, unpacked", &format!("{size:.1} MB"));
    }
    for (idx, ppi) in PRINT_PPI.into_iter().enumerate() {
        let label = if idx == 0 { "largest print" } else { "" };
        fact_row_ui(ui, label, &print_text((width, height), ppi));
    }
}

/// Pixels of the written picture, upright: the box, or the box reduced for the screen.
fn written_px(frame: &Frame, output: &OutputSettings) -> (f64, f64) {
    let (width, height) = (frame.crop.width_px.round().max(1.0), frame.crop.height_px.round().max(1.0));
    let (width, height) = if frame.orientation.swaps_sides() { (height, width) } else { (width, height) };
    let long = width.max(height);
    let limit = f64::from(output.web_long_side_px);
    if output.kind == OutputKind::Web && long > limit {
        ((width * limit / long).round(), (height * limit / long).round())
    } else {
        (width, height)
    }
}

/// Size of the print at a resolution: `pixels / ppi` inches.
fn print_text((width_px, height_px): (f64, f64), print_ppi: f64) -> String {
    let mm = |px: f64| px / print_ppi * MM_PER_INCH;
    format!("{:.0} × {:.0} mm at {print_ppi:.0} ppi", mm(width_px), mm(height_px))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_print_is_as_large_as_its_pixels_allow() {
        // 3000 px at 300 ppi are 10 inches.
        assert_eq!(print_text((3000.0, 1500.0), 300.0), "254 × 127 mm at 300 ppi");
        assert_eq!(print_text((3000.0, 1500.0), 240.0), "318 × 159 mm at 240 ppi");
    }
}
