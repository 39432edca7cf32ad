//! From scan codes to encoded colours, pixel by pixel.
//!
//! A [`Recipe`] says what to do; [`Pipeline::new`] folds it into a few tables and matrices; [`Pipeline::run`] applies
//! them to any run of pixels. Every pixel is computed on its own, so results do not depend on tiling or threads.

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

/// All that decides the colours of one frame.
#[derive(Debug, Clone)]
pub struct Recipe<'a> {
    /// Kind of film.
    pub kind: FilmKind,
    /// For red, green and blue: 65 536 entries, scan code to linear light 0..=1.
    pub linearisation: [&'a [f32]; 3],
    /// Density of clear film against full scale; ignored for slides.
    pub base_d: [f64; 3],
    /// What is known about the film.
    pub stock: &'a Stock,
    /// Share of the stock's dye unmixing: 0 is off, 1 full.
    pub unmix_strength: f64,
    /// Gamma of each layer relative to the stock's, from the strip solve.
    pub gamma_ratio: [f64; 3],
    /// Log10 exposure offsets of the layers, from the strip solve.
    pub solve_offset: [f64; 3],
    /// Cast correction suggested for the frame; applied in the share [`crate::Param::CastStrength`].
    pub cast_suggestion_cc: [f64; 2],
    /// The adjustable values.
    pub look: &'a Look,
    /// Straight or print-like.
    pub rendering: Rendering,
    /// Output space.
    pub space: OutputSpace,
    /// Slides: linear scan RGB to XYZ (D50), from the profile of the scan; without one the stock's working matrix serves.
    pub input_to_xyz: Option<Matrix3>,
}

/// Codes of 16 bits: tables of this length need no check of their index.
const CODES: usize = 65_536;

/// A recipe ready to run.
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
    /// Codes that are light as they stand: their logarithm is quicker than a table that no cache holds.
    ///
    /// `density = clear_d - log10(code)`, codes below a half held there.
    Density { clear_d: [f32; 3] },
}

/// What happens between input tables and working values.
#[derive(Debug, Clone)]
enum Core {
    /// Unmix, layer tables, working matrix.
    Colour { unmix: [[f32; 3]; 3], layers: Box<[LayerTable; 3]>, working: [[f32; 3]; 3] },
    /// One weighted density through one table.
    Grey { weights: [f32; 3], layer: LayerTable },
    /// Input tables give light; only a matrix is left.
    Light { working: [[f32; 3]; 3] },
}

/// Light of a layer's density, tabulated evenly over density.
#[derive(Debug, Clone)]
struct LayerTable {
    light: Box<[f32; build::TABLE_LEN]>,
}

impl Pipeline {
    /// Whether the result is grey: black-and-white film.
    pub fn is_grey(&self) -> bool {
        self.grey
    }
}
