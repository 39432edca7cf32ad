//! From scan codes to encoded colours, pixel by pixel.
//!
//! [`Pipeline::new`] folds a [`Recipe`] into a few tables and matrices; [`Pipeline::run`] applies them to any run of
//! pixels. Every pixel is computed independently, so results do not depend on tiling or threads.

mod build;
mod finish;
mod layers;
mod run;
#[cfg(test)]
mod tests;

use crate::colour::OutputSpace;
use crate::matrix::Matrix3;
use crate::{FilmKind, Look, Rendering, Stock};
use finish::Finish;

pub use run::{PixelSource, PixelTarget};

/// Everything that determines the colours of one frame.
#[derive(Debug, Clone)]
pub struct Recipe<'a> {
    pub kind: FilmKind,
    /// For red, green and blue: 65 536 entries, scan code to linear light 0..=1.
    pub linearisation: [&'a [f32]; 3],
    /// Density of clear film relative to full scale; ignored for slides.
    pub base_d: [f64; 3],
    pub stock: &'a Stock,
    /// Share of the stock's dye unmixing: 0 is off, 1 full.
    pub unmix_strength: f64,
    /// Gamma of each layer relative to the stock's, from the strip solve.
    pub gamma_ratio: [f64; 3],
    /// Log10 exposure offsets of the layers, from the strip solve.
    pub solve_offset: [f64; 3],
    /// Cast correction suggested for the frame; [`crate::Param::CastStrength`] sets the share that is applied.
    pub cast_suggestion_cc: [f64; 2],
    pub look: &'a Look,
    pub rendering: Rendering,
    pub space: OutputSpace,
    /// Slides: linear scan RGB to XYZ (D50), from the scan's profile; without one the stock's working matrix applies.
    pub input_to_xyz: Option<Matrix3>,
}

/// Number of 16-bit codes; lookups in tables of this length need no bounds check.
const CODES: usize = 65_536;

#[derive(Debug, Clone)]
pub struct Pipeline {
    input: Input,
    core: Core,
    finish: Finish,
    grey: bool,
}

/// Scan code to density above base (negatives) or straight to light (slides).
#[derive(Debug, Clone, PartialEq)]
enum Input {
    /// A table for each channel.
    Tables([Box<[f32; CODES]>; 3]),
    /// For linear codes: computing the logarithm is faster than a table too large for the caches.
    ///
    /// `density = clear_d - log10(code)`, with codes of at least a half.
    Density { clear_d: [f32; 3] },
}

/// The step between input tables and working values.
#[derive(Debug, Clone)]
enum Core {
    /// Unmix, layer tables, working matrix.
    Colour { unmix: [[f32; 3]; 3], layers: Box<[LayerTable; 3]>, working: [[f32; 3]; 3] },
    /// One weighted density through one table.
    Grey { weights: [f32; 3], layer: LayerTable },
    /// Input tables give light; only a matrix remains.
    Light { working: [[f32; 3]; 3] },
}

/// Light for a layer's density, tabulated evenly over density.
#[derive(Debug, Clone)]
struct LayerTable {
    light: Box<[f32; build::TABLE_LEN]>,
}

impl Pipeline {
    /// Whether the result is grey, as for black-and-white film.
    pub fn is_grey(&self) -> bool {
        self.grey
    }
}
