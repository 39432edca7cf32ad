//! Rows of a proof: from the space the picture is made in to the codes of the screen, with marks on colours out of
//! gamut.

use glassine_film::quantise8_dithered_rgba;

use crate::colour::{GamutMarks, Proof};
use crate::preview::overlay::{self, Mark};
use crate::preview::renderer::PreviewRenderer;

/// How finished rows become those of a proof.
#[derive(Clone, Copy)]
pub(crate) struct ProofPass<'a> {
    pub(crate) proof: &'a Proof,
    /// Makes the rows that are searched for colours out of gamut, if they are others than those shown.
    pub(crate) searched: Option<&'a PreviewRenderer<'a>>,
}

impl std::fmt::Debug for ProofPass<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ProofPass").field("proof", self.proof).finish_non_exhaustive()
    }
}

/// Buffers of one thread.
#[derive(Default)]
pub(crate) struct ProofScratch {
    shown: [Vec<f32>; 3],
    searched: [Vec<f32>; 3],
    shifts: Vec<f32>,
}

impl ProofPass<'_> {
    /// Writes a row of RGBA; returns how many of its pixels are out of gamut.
    pub(crate) fn row(
        &self,
        planes: [&[f32]; 3],
        line: &mut [u8],
        y: u32,
        scratch: &mut ProofScratch,
    ) -> u64 {
        let ProofScratch { shown, searched, shifts } = scratch;
        let [red, green, blue] = planes;
        for plane in shown.iter_mut().chain(searched.iter_mut()) {
            plane.resize(red.len(), 0.0);
        }
        for (x, ((r, g), b)) in red.iter().zip(green).zip(blue).enumerate() {
            for (plane, value) in shown.iter_mut().zip(self.proof.shown([*r, *g, *b])) {
                plane[x] = value;
            }
        }
        quantise8_dithered_rgba(shown.each_ref().map(Vec::as_slice), line, 0, y);
        let Some(marks) = &self.proof.marks else { return 0 };
        match self.searched {
            Some(renderer) => {
                renderer.encode(y, searched.each_mut().map(Vec::as_mut_slice), shifts);
                mark(marks, searched.each_ref().map(Vec::as_slice), line, y)
            }
            None => mark(marks, planes, line, y),
        }
    }
}

fn mark(marks: &GamutMarks, [red, green, blue]: [&[f32]; 3], line: &mut [u8], y: u32) -> u64 {
    let mut marked = 0;
    let colours = red.iter().zip(green).zip(blue);
    for ((px, ((r, g), b)), x) in line.chunks_exact_mut(4).zip(colours).zip(0..) {
        if marks.is_out([*r, *g, *b]) {
            overlay::paint(px, Mark::OutOfGamut, x, y);
            marked += 1;
        }
    }
    marked
}
