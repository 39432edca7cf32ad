//! Working values to encoded output: saturation, gamut, output matrix, transfer function.

use super::build::f32_rows;
use crate::colour::OutputSpace;
use crate::matrix::IDENTITY;
use crate::{Look, Param};

/// The last steps of a recipe.
#[derive(Debug, Clone)]
pub(super) struct Finish {
    saturation: f32,
    output: Option<[[f32; 3]; 3]>,
    encoder: crate::colour::FastEncoder,
    grey: bool,
}

impl Finish {
    pub(super) fn new(look: &Look, space: OutputSpace, grey: bool) -> Self {
        let matrix = space.from_working();
        Self {
            saturation: look.get(Param::Saturation) as f32,
            output: (matrix != IDENTITY).then(|| f32_rows(&matrix)),
            encoder: crate::colour::FastEncoder::new(space.transfer()),
            grey,
        }
    }

    /// Finish one chunk of working values, held as three planes.
    pub(super) fn run(&self, planes: &mut [[f32; super::run::CHUNK]; 3], len: usize) {
        if !self.grey {
            if self.saturation != 1.0 {
                let [r, g, b] = planes;
                for i in 0..len {
                    let y = 0.2126 * r[i] + 0.7152 * g[i] + 0.0722 * b[i];
                    r[i] = y + self.saturation * (r[i] - y);
                    g[i] = y + self.saturation * (g[i] - y);
                    b[i] = y + self.saturation * (b[i] - y);
                }
            }
            if let Some(matrix) = &self.output {
                super::run::neutral_matrix(matrix, planes, len);
            }
        }
        for plane in planes {
            self.encoder.run(&mut plane[..len]);
        }
    }
}
