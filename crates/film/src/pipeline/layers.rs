//! The pipeline in two parts: the densities, which exposure, contrast, balance and saturation do not change, and the
//! rest.
//!
//! Densities of the layers depend only on scan, base and stock. To show a frame repeatedly with different looks, keep
//! them and run only the second part on [`PixelSource::Densities`]; the bits are the same.

use glassine_raster::{PixelLoop, run_vectorised};

use super::run::{Aligned, CHUNK, PixelSource, shortest};
use super::{Core, Pipeline};

impl Pipeline {
    /// Whether there are densities to keep: slides go directly through the tables of their look.
    pub fn has_densities(&self) -> bool {
        !matches!(self.core, Core::Light { .. })
    }

    /// Whether densities from one of the two pipelines suit the other.
    pub fn shares_densities(&self, other: &Self) -> bool {
        let same = match (&self.core, &other.core) {
            (Core::Colour { unmix: a, .. }, Core::Colour { unmix: b, .. }) => a == b,
            (Core::Grey { weights: a, .. }, Core::Grey { weights: b, .. }) => a == b,
            _ => false,
        };
        same && self.input == other.input
    }

    /// Densities of the three layers of some pixels (black-and-white: of its one layer, three times), one plane each,
    /// up to the shortest plane; see [`Pipeline::run`] for the inputs.
    pub fn densities(&self, source: PixelSource<'_>, base_shift_d: &[f32], out: [&mut [f32]; 3]) {
        run_vectorised(Densities { pipeline: self, source, base_shift_d, out });
    }
}

struct Densities<'a> {
    pipeline: &'a Pipeline,
    source: PixelSource<'a>,
    base_shift_d: &'a [f32],
    out: [&'a mut [f32]; 3],
}

impl PixelLoop for Densities<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { pipeline, source, base_shift_d, mut out } = self;
        let mut shifts = base_shift_d.chunks(CHUNK * 3);
        let Aligned(planes) = &mut Aligned([[0.0; CHUNK]; 3]);
        let all = shortest(out.each_ref().map(|plane| plane.len())).min(source.len_px());
        for at in (0..all).step_by(CHUNK) {
            let len = CHUNK.min(all - at);
            pipeline.load_densities(source, shifts.next(), at, len, planes);
            for (out, plane) in out.iter_mut().zip(&*planes) {
                out[at..at + len].copy_from_slice(&plane[..len]);
            }
        }
    }
}
