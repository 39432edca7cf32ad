//! The pipeline in two parts: the densities, which exposure, contrast, balance and saturation do not change, and the
//! rest.
//!
//! Densities of the layers depend only on scan, base and stock. To show a frame repeatedly with different looks, keep
//! them and run only the second part; the bits equal those of [`Pipeline::run_planes`].

use glassine_raster::{PixelLoop, run_vectorised};

use super::run::{Aligned, CHUNK, Codes, LookUp};
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
    /// up to the shortest plane; see [`Pipeline::run_shifted`] for the inputs.
    pub fn densities(
        &self,
        codes: &[u16],
        in_channels: usize,
        colour_channels: usize,
        base_shift_d: &[f32],
        out: [&mut [f32]; 3],
    ) {
        let codes = Codes::of_pixels(codes, in_channels, colour_channels);
        run_vectorised(Before { pipeline: self, codes, base_shift_d, out });
    }

    /// Encoded colours of densities from [`Pipeline::densities`], up to the shortest plane.
    pub fn run_densities(&self, densities_d: [&[f32]; 3], out: [&mut [f32]; 3]) {
        run_vectorised(After { pipeline: self, densities_d, out });
    }
}

fn shortest(planes: [usize; 3]) -> usize {
    planes.into_iter().min().unwrap_or(0)
}

struct Before<'a> {
    pipeline: &'a Pipeline,
    codes: Codes<'a>,
    base_shift_d: &'a [f32],
    out: [&'a mut [f32]; 3],
}

impl PixelLoop for Before<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { pipeline, codes, base_shift_d, mut out } = self;
        let mut shifts = base_shift_d.chunks(CHUNK * 3);
        let Aligned(planes) = &mut Aligned([[0.0; CHUNK]; 3]);
        let all = shortest(out.each_ref().map(|plane| plane.len())).min(codes.len_px());
        for at in (0..all).step_by(CHUNK) {
            let len = CHUNK.min(all - at);
            pipeline.load(codes, at, len, planes);
            pipeline.before_layers(shifts.next(), planes, len);
            for (out, plane) in out.iter_mut().zip(&*planes) {
                out[at..at + len].copy_from_slice(&plane[..len]);
            }
        }
    }
}

struct After<'a> {
    pipeline: &'a Pipeline,
    densities_d: [&'a [f32]; 3],
    out: [&'a mut [f32]; 3],
}

impl PixelLoop for After<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { pipeline, densities_d, mut out } = self;
        let Aligned(planes) = &mut Aligned([[0.0; CHUNK]; 3]);
        let mut room = LookUp::new();
        let all = shortest(out.each_ref().map(|plane| plane.len()))
            .min(shortest(densities_d.map(|plane| plane.len())));
        for at in (0..all).step_by(CHUNK) {
            let len = CHUNK.min(all - at);
            for (plane, densities) in planes.iter_mut().zip(densities_d) {
                plane[..len].copy_from_slice(&densities[at..at + len]);
            }
            pipeline.after_layers(planes, len, &mut room);
            pipeline.finish.run(planes, len);
            for (out, plane) in out.iter_mut().zip(&*planes) {
                out[at..at + len].copy_from_slice(&plane[..len]);
            }
        }
    }
}
