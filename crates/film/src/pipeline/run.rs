//! The pixel loop.

use glassine_raster::{PixelLoop, run_vectorised};

use super::build::{ENTRIES, ENTRIES_PER_D, TABLE_LEN, TABLE_LOW_D, density_of};
use super::{Core, Input, LayerTable, Pipeline};

/// Pixels processed at a time: three planes of them fit into the first-level cache. Our choice; changes speed alone.
pub(super) const CHUNK: usize = 256;

/// A chunk as three planes.
pub(super) type Planes = [[f32; CHUNK]; 3];

/// A buffer aligned to cache lines, so that no vector in it straddles two of them.
#[repr(align(64))]
pub(super) struct Aligned<T>(pub(super) T);

/// Multiply three planes of a chunk by a matrix whose rows sum to one; equal inputs give exactly equal outputs.
#[inline(always)]
pub(super) fn neutral_matrix(m: &[[f32; 3]; 3], planes: &mut Planes, len: usize) {
    let [r, g, b] = planes;
    for i in 0..len.min(CHUNK) {
        let (dr, db) = (r[i] - g[i], b[i] - g[i]);
        let green = g[i];
        r[i] = green + m[0][0] * dr + m[0][2] * db;
        g[i] = green + m[1][0] * dr + m[1][2] * db;
        b[i] = green + m[2][0] * dr + m[2][2] * db;
    }
}

/// Multiply three planes of a chunk by any matrix.
#[inline(always)]
pub(super) fn matrix(m: &[[f32; 3]; 3], planes: &mut Planes, len: usize) {
    let [r, g, b] = planes;
    for i in 0..len.min(CHUNK) {
        let (x, y, z) = (r[i], g[i], b[i]);
        r[i] = m[0][0] * x + m[0][1] * y + m[0][2] * z;
        g[i] = m[1][0] * x + m[1][1] * y + m[1][2] * z;
        b[i] = m[2][0] * x + m[2][1] * y + m[2][2] * z;
    }
}

pub(super) fn shortest(planes: [usize; 3]) -> usize {
    planes.into_iter().min().unwrap_or(0)
}

/// Buffers of [`LayerTable::look_up`], allocated once for all chunks.
#[repr(align(64))]
pub(super) struct LookUp {
    places: [u32; CHUNK],
    near: [f32; CHUNK],
    step: [f32; CHUNK],
}

impl LookUp {
    pub(super) fn new() -> Self {
        Self { places: [0; CHUNK], near: [0.0; CHUNK], step: [0.0; CHUNK] }
    }
}

impl LayerTable {
    /// Replace densities by light, interpolating linearly between entries.
    #[inline(always)]
    fn look_up(&self, values: &mut [f32], LookUp { places, near, step }: &mut LookUp) {
        const LAST: f32 = (ENTRIES - 2) as f32;
        /// Above this the steps of an `f32` are whole numbers, so adding it rounds.
        const WHOLE: f32 = 8_388_608.0;
        // Separate loops for indices, entries and interpolation: only the loads of entries are not vectorised.
        for (value, place) in values.iter_mut().zip(&mut *places) {
            let position = (*value - TABLE_LOW_D) * ENTRIES_PER_D;
            let low = if position > 0.0 { position } else { 0.0 };
            let held = if low < LAST { low } else { LAST };
            let rounded = held + WHOLE;
            let is_above = rounded - WHOLE > held;
            let floor = rounded - WHOLE - if is_above { 1.0 } else { 0.0 };
            *place = (rounded.to_bits() & 0x007f_ffff).wrapping_sub(u32::from(is_above));
            let share = low - floor;
            *value = if share < 1.0 { share } else { 1.0 };
        }
        let light = &*self.light;
        for ((place, near), step) in places.iter().zip(&mut *near).zip(&mut *step).take(values.len()) {
            let at = *place as usize % TABLE_LEN;
            *near = light[at];
            *step = light[(at + 1) % TABLE_LEN] - *near;
        }
        for ((value, near), step) in values.iter_mut().zip(&*near).zip(&*step) {
            *value = near + step * *value;
        }
    }
}

/// Where encoded colours go: three values per pixel, or three planes.
#[derive(Debug)]
pub enum PixelTarget<'a> {
    Pixels(&'a mut [f32]),
    Planes([&'a mut [f32]; 3]),
}

impl PixelTarget<'_> {
    fn len_px(&self) -> usize {
        match self {
            Self::Pixels(out) => out.len() / 3,
            Self::Planes(out) => shortest(out.each_ref().map(|plane| plane.len())),
        }
    }

    /// Store a chunk that starts at pixel `at`.
    #[inline(always)]
    fn put(&mut self, planes: &Planes, at: usize, len: usize) {
        match self {
            Self::Pixels(out) => {
                let [r, g, b] = planes;
                for (i, pixel) in out[3 * at..].chunks_exact_mut(3).take(len).enumerate() {
                    pixel[0] = r[i];
                    pixel[1] = g[i];
                    pixel[2] = b[i];
                }
            }
            Self::Planes(out) => {
                for (out, plane) in out.iter_mut().zip(planes) {
                    out[at..at + len].copy_from_slice(&plane[..len]);
                }
            }
        }
    }
}

/// What a pipeline begins with.
#[derive(Debug, Clone, Copy)]
pub enum PixelSource<'a> {
    /// Interleaved scan codes: `step` samples a pixel, of which the first `colours` (1 or 3) count; an infrared sample
    /// after them is ignored.
    Pixels { codes: &'a [u16], step: usize, colours: usize },
    /// A line of scan codes for each channel; for a grey scan the same line three times.
    Lines([&'a [u16]; 3]),
    /// Densities of the layers, from [`Pipeline::densities`]: only the steps after the layers run.
    Densities([&'a [f32]; 3]),
}

impl<'a> PixelSource<'a> {
    /// Interleaved samples of a grey (1) or a colour (3) scan, `in_channels` a pixel.
    pub fn pixels(codes: &'a [u16], in_channels: usize, colour_channels: usize) -> Self {
        let step = in_channels.max(1);
        let colours = if colour_channels >= 3 && step >= 3 { 3 } else { 1 };
        Self::Pixels { codes, step, colours }
    }

    pub(super) fn len_px(&self) -> usize {
        match self {
            Self::Pixels { codes, step, .. } => codes.len() / step,
            Self::Lines(lines) => shortest(lines.map(<[u16]>::len)),
            Self::Densities(planes) => shortest(planes.map(<[f32]>::len)),
        }
    }

    /// Map each code of a chunk that starts at pixel `at` by a function of channel and code.
    #[inline(always)]
    fn each(self, at: usize, len: usize, planes: &mut Planes, value: impl Fn(usize, u16) -> f32) {
        let [r, g, b] = planes;
        match self {
            Self::Pixels { codes, step, colours: 3 } => {
                let out = r.iter_mut().zip(g).zip(b);
                for (((r, g), b), pixel) in out.zip(codes[at * step..].chunks_exact(step)).take(len) {
                    if let [x, y, z, ..] = pixel {
                        (*r, *g, *b) = (value(0, *x), value(1, *y), value(2, *z));
                    }
                }
            }
            Self::Pixels { codes, step, .. } => {
                let out = r.iter_mut().zip(g).zip(b);
                for (((r, g), b), code) in out.zip(codes[at * step..].iter().step_by(step)).take(len) {
                    (*r, *g, *b) = (value(0, *code), value(1, *code), value(2, *code));
                }
            }
            Self::Lines(lines) => {
                for (c, (plane, line)) in [r, g, b].into_iter().zip(lines).enumerate() {
                    for (out, code) in plane[..len].iter_mut().zip(&line[at..at + len]) {
                        *out = value(c, *code);
                    }
                }
            }
            Self::Densities(_) => {}
        }
    }
}

/// One run of pixels through a pipeline.
struct Pass<'a> {
    pipeline: &'a Pipeline,
    source: PixelSource<'a>,
    base_shift_d: &'a [f32],
    target: PixelTarget<'a>,
}

impl PixelLoop for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { pipeline, source, base_shift_d, mut target } = self;
        let mut shifts = base_shift_d.chunks(CHUNK * 3);
        let Aligned(planes) = &mut Aligned([[0.0; CHUNK]; 3]);
        let mut room = LookUp::new();
        let all = target.len_px().min(source.len_px());
        for at in (0..all).step_by(CHUNK) {
            let len = CHUNK.min(all - at);
            pipeline.load_densities(source, shifts.next(), at, len, planes);
            pipeline.after_layers(planes, len, &mut room);
            pipeline.finish.run(planes, len);
            target.put(planes, at, len);
        }
    }
}

impl Pipeline {
    /// Encoded colours of scan codes, or of densities that were kept.
    ///
    /// They are encoded for the output space, nominally 0..=1 and not clipped, so that clip counts are exact. The
    /// shorter of source and target ends the run.
    ///
    /// `base_shift_d` says how the base varies over the scan: three values per pixel, red, green, blue, how much denser
    /// it appears there than in the recipe (see [`crate::BaseField`]); past its end there is no shift. Slides and kept
    /// densities ignore it.
    pub fn run(&self, source: PixelSource<'_>, base_shift_d: &[f32], target: PixelTarget<'_>) {
        run_vectorised(Pass { pipeline: self, source, base_shift_d, target });
    }

    /// Fill a chunk with densities of the layers, or with light for slides.
    #[inline(always)]
    pub(super) fn load_densities(
        &self,
        source: PixelSource<'_>,
        shift_d: Option<&[f32]>,
        at: usize,
        len: usize,
        planes: &mut Planes,
    ) {
        if let PixelSource::Densities(densities) = source {
            for (plane, densities) in planes.iter_mut().zip(densities) {
                plane[..len].copy_from_slice(&densities[at..at + len]);
            }
        } else {
            self.load(source, at, len, planes);
            self.before_layers(shift_d, planes, len);
        }
    }

    /// Load a chunk of codes as densities, or as light.
    #[inline(always)]
    fn load(&self, codes: PixelSource<'_>, at: usize, len: usize, planes: &mut Planes) {
        match &self.input {
            Input::Tables(tables) => codes.each(at, len, planes, |c, code| tables[c][usize::from(code)]),
            Input::Density { clear_d } => {
                codes.each(at, len, planes, |_, code| f32::from(code));
                for (plane, clear_d) in planes.iter_mut().zip(clear_d) {
                    for value in &mut plane[..len] {
                        let held = if *value > 0.5 { *value } else { 0.5 };
                        *value = density_of(held) + clear_d;
                    }
                }
            }
        }
    }

    /// Convert a chunk from the input tables to densities of the layers; `shift_d` is how much denser the base is.
    #[inline(always)]
    fn before_layers(&self, shift_d: Option<&[f32]>, planes: &mut Planes, len: usize) {
        let shift_d = shift_d.filter(|_| !matches!(self.core, Core::Light { .. }));
        if let Some(shift_d) = shift_d {
            for (c, plane) in planes.iter_mut().enumerate() {
                for (value, shift) in plane.iter_mut().zip(shift_d.chunks_exact(3)) {
                    *value -= shift[c];
                }
            }
        }
        match &self.core {
            Core::Colour { unmix, .. } => matrix(unmix, planes, len),
            Core::Grey { weights, .. } => {
                let [r, g, b] = planes;
                for i in 0..len.min(CHUNK) {
                    g[i] = weights[0] * r[i] + weights[1] * g[i] + weights[2] * b[i];
                }
            }
            Core::Light { .. } => {}
        }
    }

    /// Convert a chunk from densities of the layers to working values.
    #[inline(always)]
    fn after_layers(&self, planes: &mut Planes, len: usize, room: &mut LookUp) {
        match &self.core {
            Core::Colour { layers, working, .. } => {
                for (plane, layer) in planes.iter_mut().zip(layers.iter()) {
                    layer.look_up(&mut plane[..len], room);
                }
                neutral_matrix(working, planes, len);
            }
            Core::Grey { layer, .. } => {
                let [r, g, b] = planes;
                layer.look_up(&mut g[..len], room);
                r[..len].copy_from_slice(&g[..len]);
                b[..len].copy_from_slice(&g[..len]);
            }
            Core::Light { working } => neutral_matrix(working, planes, len),
        }
    }
}
