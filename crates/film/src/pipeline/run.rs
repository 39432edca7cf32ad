//! The pixel loop.

use glassine_raster::{PixelLoop, run_vectorised};

use super::build::{ENTRIES, ENTRIES_PER_D, TABLE_LEN, TABLE_LOW_D, density_of};
use super::{Core, Input, LayerTable, Pipeline};

/// Pixels processed at a time: three planes of them fit into the first-level cache.
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

/// Where results go: three values per pixel, or three planes.
enum Target<'a> {
    Pixels(&'a mut [f32]),
    Planes([&'a mut [f32]; 3]),
}

impl Target<'_> {
    fn len_px(&self) -> usize {
        match self {
            Self::Pixels(out) => out.len() / 3,
            Self::Planes(out) => out.iter().map(|plane| plane.len()).min().unwrap_or(0),
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

/// Source of codes: `step` samples per pixel, of which the first `colours` count, or one line per channel.
#[derive(Clone, Copy)]
pub(super) enum Codes<'a> {
    Pixels { codes: &'a [u16], step: usize, colours: usize },
    Lines([&'a [u16]; 3]),
}

impl<'a> Codes<'a> {
    /// Interleaved samples of a grey or a colour scan.
    pub(super) fn of_pixels(codes: &'a [u16], in_channels: usize, colour_channels: usize) -> Self {
        let step = in_channels.max(1);
        let colours = if colour_channels >= 3 && step >= 3 { 3 } else { 1 };
        Self::Pixels { codes, step, colours }
    }

    pub(super) fn len_px(&self) -> usize {
        match self {
            Self::Pixels { codes, step, .. } => codes.len() / step,
            Self::Lines(lines) => lines.iter().map(|line| line.len()).min().unwrap_or(0),
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
        }
    }
}

/// One run of pixels through a pipeline.
struct Pass<'a> {
    pipeline: &'a Pipeline,
    codes: Codes<'a>,
    base_shift_d: &'a [f32],
    target: Target<'a>,
}

impl PixelLoop for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { pipeline, codes, base_shift_d, mut target } = self;
        let mut shifts = base_shift_d.chunks(CHUNK * 3);
        let Aligned(planes) = &mut Aligned([[0.0; CHUNK]; 3]);
        let mut room = LookUp::new();
        let all = target.len_px().min(codes.len_px());
        for at in (0..all).step_by(CHUNK) {
            let len = CHUNK.min(all - at);
            pipeline.load(codes, at, len, planes);
            pipeline.before_layers(shifts.next(), planes, len);
            pipeline.after_layers(planes, len, &mut room);
            pipeline.finish.run(planes, len);
            target.put(planes, at, len);
        }
    }
}

impl Pipeline {
    /// Encoded colours of interleaved scan codes.
    ///
    /// `codes` holds `in_channels` samples per pixel, of which the first `colour_channels` (1 for grey scans, 3 for
    /// colour) are used; an infrared sample after them is ignored. `out` takes three values per pixel, encoded for the
    /// output space, nominally 0..=1 and not clipped, so that clip counts are exact. The shorter of the two ends the
    /// run.
    pub fn run(&self, codes: &[u16], in_channels: usize, colour_channels: usize, out: &mut [f32]) {
        self.run_shifted(codes, in_channels, colour_channels, &[], out);
    }

    /// [`Pipeline::run`] with a base that varies over the scan.
    ///
    /// `base_shift_d` holds three values per pixel, red, green, blue: how much denser the base appears there than in
    /// the recipe (see [`crate::BaseField`]); past its end there is no shift. Slides have no base and ignore it.
    pub fn run_shifted(
        &self,
        codes: &[u16],
        in_channels: usize,
        colour_channels: usize,
        base_shift_d: &[f32],
        out: &mut [f32],
    ) {
        let codes = Codes::of_pixels(codes, in_channels, colour_channels);
        run_vectorised(Pass { pipeline: self, codes, base_shift_d, target: Target::Pixels(out) });
    }

    /// [`Pipeline::run_shifted`] with separate output planes for red, green and blue, up to the shortest of them.
    pub fn run_into_planes(
        &self,
        codes: &[u16],
        in_channels: usize,
        colour_channels: usize,
        base_shift_d: &[f32],
        out: [&mut [f32]; 3],
    ) {
        let codes = Codes::of_pixels(codes, in_channels, colour_channels);
        run_vectorised(Pass { pipeline: self, codes, base_shift_d, target: Target::Planes(out) });
    }

    /// [`Pipeline::run_shifted`] from one line of codes per channel (for a grey scan the same line three times) to one
    /// plane per channel, up to the shortest of them.
    pub fn run_planes(&self, codes: [&[u16]; 3], base_shift_d: &[f32], out: [&mut [f32]; 3]) {
        let (codes, target) = (Codes::Lines(codes), Target::Planes(out));
        run_vectorised(Pass { pipeline: self, codes, base_shift_d, target });
    }

    /// Load a chunk of codes as densities, or as light.
    #[inline(always)]
    pub(super) fn load(&self, codes: Codes<'_>, at: usize, len: usize, planes: &mut Planes) {
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
    pub(super) fn before_layers(&self, shift_d: Option<&[f32]>, planes: &mut Planes, len: usize) {
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
    pub(super) fn after_layers(&self, planes: &mut Planes, len: usize, room: &mut LookUp) {
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
