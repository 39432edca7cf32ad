//! Printed sheets: text, lines and pictures at places in millimetres, written as PDF or as a picture.
//!
//! Both forms are drawn from the same value with the same font, so a PDF and a picture of one sheet look alike.

mod font;
mod pdf;
mod picture;

use std::sync::Arc;

pub use font::{Weight, fitted_text, text_width_mm};
pub use pdf::write_sheet_pdf;
pub use picture::write_sheet_picture;

/// Pages with a title.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    /// Title of the document.
    pub title: String,
    /// Program and version.
    pub software: String,
    pub pages: Vec<SheetPage>,
}

/// One page; what comes later is drawn over what comes before.
#[derive(Debug, Clone, Default)]
pub struct SheetPage {
    pub width_mm: f64,
    pub height_mm: f64,
    pub items: Vec<SheetItem>,
}

/// Something on a page. Places count from the top left corner.
#[derive(Debug, Clone)]
pub enum SheetItem {
    /// A line of text.
    Text {
        /// Left end of the baseline.
        x_mm: f64,
        baseline_mm: f64,
        /// Size of the font: one em.
        size_mm: f64,
        weight: Weight,
        /// 0 black to 255 white.
        grey: u8,
        text: String,
    },
    /// A picture stretched over an area.
    Picture { area: SheetArea, picture: Arc<SheetPicture> },
    /// The outline of an area; the stroke lies half inside.
    Outline { area: SheetArea, stroke_mm: f64, grey: u8 },
    /// A straight line.
    Line { from_mm: [f64; 2], to_mm: [f64; 2], stroke_mm: f64, grey: u8 },
}

/// A rectangle on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SheetArea {
    pub x_mm: f64,
    pub y_mm: f64,
    pub width_mm: f64,
    pub height_mm: f64,
}

/// An 8-bit picture in sRGB.
#[derive(Debug, Clone)]
pub struct SheetPicture {
    pub width_px: u32,
    pub height_px: u32,
    /// Red, green and blue for each pixel.
    pub rgb: Vec<u8>,
}

#[cfg(test)]
mod tests;
