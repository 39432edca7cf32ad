//! From the description of a strip to the codes that a scanner would deliver, and the truth about them.
//!
//! Rows are rendered in chunks with a margin for the blur; every pixel is a pure function of its position, so chunk
//! size and thread count do not affect the result.

use glassine_raster::{CancelToken, Orientation, Plane, ResolutionPpi, Samples16};
use rayon::prelude::*;

use crate::Error;
use crate::dirt::{self, Cover};
use crate::drawn::stock_and_bands;
use crate::latent::{Latent, box_blur};
use crate::lettering::Lettering;
use crate::noise::{hash2, normal, value2};
use crate::scanner::{BLUR_REACH, BandTable, blur_weights};
use crate::scene::{self, SceneId};
use crate::stock::Emulsion;
use crate::strip::{FrameTruth, PatchTruth, RenderedStrip, StripSpec, StripTruth};

/// Rows that a worker renders at a time.
const CHUNK_ROWS: usize = 48;
/// Transmittance of an opaque holder, which leaks a little light.
const HOLDER_T: f32 = 0.000_3;
/// Spacing of the coarse grid for stray light, mm.
const FLARE_STEP_MM: f64 = 1.5;

/// Render a strip; `progress` gets the share done, 0..1, on the calling thread.
pub fn render_strip(
    spec: &StripSpec,
    progress: &dyn Fn(f32),
    cancel: &CancelToken,
) -> Result<RenderedStrip, Error> {
    let (width, height) = spec.size_px();
    let bad_size = Error::BadSize { width_px: width, height_px: height, ppi: spec.ppi };
    let is_drawn = width >= 16 && height >= 16 && u64::from(width) * u64::from(height) <= 1 << 28;
    let Some(ppi) = ResolutionPpi::new(spec.ppi).filter(|_| is_drawn) else { return Err(bad_size) };
    let model = Model::new(spec, progress, cancel)?;
    let (w, h) = (width as usize, height as usize);
    let covers = dirt::draw(spec, width, height);
    let flare = model.flare_map(&covers, w);

    let mut codes = vec![0u16; w * h * 4];
    let mut clean = [0u64; 5];
    let chunk_len = w * 4 * CHUNK_ROWS;
    let chunks: Vec<(usize, &mut [u16])> = codes.chunks_mut(chunk_len).enumerate().collect();
    let total = chunks.len();
    let mut done = 0;
    let mut rest = chunks;
    while !rest.is_empty() {
        cancel.check()?;
        let later = rest.split_off(rest.len().min(8));
        let sums: Vec<[u64; 5]> = rest
            .into_par_iter()
            .map(|(i, rows)| model.render_rows(i * CHUNK_ROWS, rows, w, h, &covers, &flare))
            .collect();
        done += sums.len();
        for sum in sums {
            for k in 0..5 {
                clean[k] += sum[k];
            }
        }
        progress(0.5 + 0.5 * done as f32 / total as f32);
        rest = later;
    }
    let truth = model.truth(&covers, clean, width, height);
    let samples = Samples16::from_vec(width, height, 4, codes).ok_or(bad_size)?;
    Ok(RenderedStrip { samples, truth, ppi })
}

/// A frame ready for exposure: its latent image and its position on the film.
struct ExposedFrame {
    latent: Latent,
    center_mm: [f64; 2],
    half_mm: [f64; 2],
    cos: f64,
    sin: f64,
    quarter_turns: u8,
}

impl ExposedFrame {
    /// Position inside the frame, mm from its middle along its own sides.
    fn local(&self, along_mm: f64, across_mm: f64) -> [f64; 2] {
        let (du, dv) = (along_mm - self.center_mm[0], across_mm - self.center_mm[1]);
        [self.cos * du + self.sin * dv, self.cos * dv - self.sin * du]
    }
}

struct Model<'a> {
    spec: &'a StripSpec,
    film: Emulsion,
    table: BandTable,
    frames: Vec<ExposedFrame>,
    print: Vec<Lettering>,
    /// Spread of the developed fraction in one pixel, and of clumps.
    grain_px: [f32; 3],
    grain_clump: [f32; 3],
}

/// What one pixel contains before optics.
struct Spot {
    transmittance: [f32; 4],
    clear_rebate: bool,
}

/// Stray light on a coarse grid.
struct FlareMap {
    w: usize,
    h: usize,
    step_px: f64,
    planes: [Vec<f32>; 4],
}

impl FlareMap {
    fn at(&self, channel: usize, x_px: f64, y_px: f64) -> f32 {
        let x = (x_px / self.step_px - 0.5).clamp(0.0, self.w as f64 - 1.0) as f32;
        let y = (y_px / self.step_px - 0.5).clamp(0.0, self.h as f64 - 1.0) as f32;
        let (ix, iy) = (x as usize, y as usize);
        let (jx, jy) = ((ix + 1).min(self.w - 1), (iy + 1).min(self.h - 1));
        let (fx, fy) = (x - ix as f32, y - iy as f32);
        let p = &self.planes[channel];
        let top = p[iy * self.w + ix] * (1.0 - fx) + p[iy * self.w + jx] * fx;
        let bottom = p[jy * self.w + ix] * (1.0 - fx) + p[jy * self.w + jx] * fx;
        top * (1.0 - fy) + bottom * fy
    }
}

impl<'a> Model<'a> {
    fn new(spec: &'a StripSpec, progress: &dyn Fn(f32), cancel: &CancelToken) -> Result<Self, Error> {
        let (mut stock, bands) = stock_and_bands(&spec.stock);
        stock.dye_ir = stock.dye_ir.map(|d| d * spec.scanner.dye_infrared);
        let film = Emulsion::new(stock);
        let table = BandTable::seen_by(&film, &bands);
        let mut frames = Vec::new();
        for (i, frame) in spec.frames.iter().enumerate() {
            cancel.check()?;
            let turned = frame.quarter_turns % 2 == 1;
            let aspect = if turned {
                frame.size_mm[1] / frame.size_mm[0]
            } else {
                frame.size_mm[0] / frame.size_mm[1]
            };
            let picture = scene::draw(frame.scene, aspect as f32, spec.scene_px)?;
            let (sin, cos) = frame.turn_deg.to_radians().sin_cos();
            frames.push(ExposedFrame {
                latent: Latent::expose(&picture, &film.exposure_from_rgb(frame.light), frame.stops),
                center_mm: frame.center_mm,
                half_mm: [frame.size_mm[0] / 2.0, frame.size_mm[1] / 2.0],
                cos,
                sin,
                quarter_turns: frame.quarter_turns % 4,
            });
            progress(0.5 * (i + 1) as f32 / spec.frames.len() as f32);
        }
        let print = spec.edge_print(&film.stock.name);
        // Grain is inversely proportional to the side of the aperture: here the pixel.
        let side_um = 1000.0 / spec.px_per_mm() as f32;
        let grain_px = film.stock.grain.map(|g| g / side_um);
        let grain_clump = grain_px.map(|g| 0.45 * g);
        Ok(Self { spec, film, table, frames, print, grain_px, grain_clump })
    }

    /// Exposure of the three layers at a point of the film, and the distance in mm to the nearest exposed area.
    fn exposure(&self, u: f64, v: f64) -> ([f32; 3], f64) {
        let mut exposure = [1e-5f32; 3];
        let mut nearest_mm = f64::INFINITY;
        for frame in &self.frames {
            let [s, t] = frame.local(u, v);
            let (du, dv) = (s.abs() - frame.half_mm[0], t.abs() - frame.half_mm[1]);
            let outside_mm = du.max(dv);
            nearest_mm = nearest_mm.min(outside_mm);
            // The gate is a little above the film, so its shadow is a ramp of 0.05 mm, centred on the edge.
            if outside_mm > 0.04 {
                continue;
            }
            let ramp = |d: f64| (0.5 - d / 0.05).clamp(0.0, 1.0) as f32;
            let gate = ramp(du) * ramp(dv);
            let (bu, bv) = (s / (2.0 * frame.half_mm[0]) + 0.5, t / (2.0 * frame.half_mm[1]) + 0.5);
            let (pu, pv) = match frame.quarter_turns {
                0 => (bu, bv),
                1 => (1.0 - bv, bu),
                2 => (1.0 - bu, 1.0 - bv),
                _ => (bv, 1.0 - bu),
            };
            let light = frame.latent.at(pu, pv);
            for (sum, light) in exposure.iter_mut().zip(light) {
                *sum += gate * light;
            }
        }
        if v.abs() > self.spec.film_mm[1] / 2.0 - 3.2 {
            for letters in &self.print {
                let light = letters.light(u, v);
                for (sum, print) in exposure.iter_mut().zip(self.film.stock.print_exposure) {
                    *sum += light * print;
                }
            }
        }
        (exposure, nearest_mm)
    }

    /// Transmittances at a scan position (pixel middle at +0.5), and whether it is untouched rebate.
    fn spot(&self, x_px: f64, y_px: f64, cover: Cover) -> Spot {
        let spec = self.spec;
        let per_mm = spec.px_per_mm();
        let (mx, my) = (x_px / per_mm - spec.scan_mm[0] / 2.0, y_px / per_mm - spec.scan_mm[1] / 2.0);
        let window_mm = rounded_box(mx, my, spec.window_mm[0] / 2.0, spec.window_mm[1] / 2.0, 0.8);
        let open = (0.5 - window_mm * per_mm).clamp(0.0, 1.0) as f32;
        if open <= 0.0 {
            return Spot { transmittance: [HOLDER_T; 4], clear_rebate: false };
        }
        let [u, v] = spec.film_from_scan(x_px, y_px);
        let edge_mm = (u.abs() - spec.film_mm[0] / 2.0).max(v.abs() - spec.film_mm[1] / 2.0);
        let hole_mm = spec.perforation_distance_mm(u, v);
        let beside_film_mm = edge_mm.max(-hole_mm);
        let on_film = (0.5 - beside_film_mm * per_mm).clamp(0.0, 1.0) as f32;
        let mut t = [1.0f32; 4];
        let mut clear_rebate = false;
        if on_film > 0.0 {
            let (exposure, frame_mm) = self.exposure(u, v);
            let film_t = self.film_transmittance(exposure, x_px, y_px, cover);
            // A cut edge deflects light out of the beam: a thin dark line.
            let line = 1.0 - 0.4 * (-(beside_film_mm / 0.035).powi(2)).exp() as f32;
            t = film_t.map(|film| 1.0 + on_film * (film * line - 1.0));
            let print_mm = spec.film_mm[1] / 2.0 - v.abs();
            clear_rebate = cover.class == 0
                && frame_mm > 0.5
                && beside_film_mm < -0.4
                && window_mm < -0.5
                && (print_mm > 2.4 || exposure[0] < 1.1e-5 && print_mm < 0.3);
        }
        let (visible, infrared) =
            (1.0 - f32::from(cover.visible) / 255.0, 1.0 - f32::from(cover.infrared) / 255.0);
        for (t, dirt) in t.iter_mut().zip([visible, visible, visible, infrared]) {
            *t = HOLDER_T + open * (*t * dirt - HOLDER_T);
        }
        Spot { transmittance: t, clear_rebate }
    }

    fn film_transmittance(&self, exposure: [f32; 3], x_px: f64, y_px: f64, cover: Cover) -> [f32; 4] {
        let mut developed = self.film.developed(exposure);
        let (ix, iy) = (x_px as i32, y_px as i32);
        let clump_px = (self.spec.px_per_mm() * 0.045).max(1.6) as f32;
        for (k, f) in developed.iter_mut().enumerate() {
            let strength = self.grain_px[k];
            if strength > 0.0 {
                // Counting statistics of a fraction: largest in the middle, least where nothing can develop.
                let spread = (*f * (1.0 - *f)).max(0.0).sqrt() + 0.06;
                let seed = self.spec.seed.wrapping_mul(31).wrapping_add(k as u32 * 7919);
                let fine = normal(hash2(ix, iy, seed));
                let clumps = value2(x_px as f32 / clump_px, y_px as f32 / clump_px, seed ^ 0x55AA);
                *f = (*f + spread * (strength * fine + self.grain_clump[k] * 2.0 * clumps)).clamp(0.0, 1.0);
            }
        }
        let mut d = self.table.densities(developed);
        if cover.lifted > 0 {
            // The scratched part keeps only the support.
            let kept = 1.0 - f32::from(cover.lifted) / 255.0;
            let support = [0.12f32, 0.12, 0.14, 0.05];
            for k in 0..4 {
                d[k] = support[k].min(d[k]) + kept * (d[k] - support[k].min(d[k]));
            }
        }
        d.map(|d| (-d * std::f32::consts::LOG2_10).exp2())
    }

    /// Stray light: mean transmittance around each position, over about a centimetre.
    fn flare_map(&self, covers: &[Cover], w: usize) -> FlareMap {
        let step_px = FLARE_STEP_MM * self.spec.px_per_mm();
        let (sw, sh) = self.spec.size_px();
        let cols = (f64::from(sw) / step_px).ceil().max(1.0) as usize;
        let rows = (f64::from(sh) / step_px).ceil().max(1.0) as usize;
        let spots: Vec<[f32; 4]> = (0..cols * rows)
            .into_par_iter()
            .map(|i| {
                let x = ((i % cols) as f64 + 0.5) * step_px;
                let y = ((i / cols) as f64 + 0.5) * step_px;
                let at = (y as usize).min(sh as usize - 1) * w + (x as usize).min(w - 1);
                let cover = covers.get(at).copied().unwrap_or_default();
                self.spot(x.floor() + 0.5, y.floor() + 0.5, cover).transmittance
            })
            .collect();
        let planes = std::array::from_fn(|c| {
            let mut plane: Vec<f32> = spots.iter().map(|s| s[c]).collect();
            for _ in 0..3 {
                plane = box_blur(&plane, cols, rows, 3);
            }
            plane
        });
        FlareMap { w: cols, h: rows, step_px, planes }
    }

    /// Render one chunk of rows; returns code sums over clear rebate and the number of pixels summed.
    fn render_rows(
        &self,
        y0: usize,
        out: &mut [u16],
        w: usize,
        h: usize,
        covers: &[Cover],
        flare: &FlareMap,
    ) -> [u64; 5] {
        let n_rows = out.len() / (w * 4);
        let m = BLUR_REACH;
        let (pw, ph) = (w + 2 * m, n_rows + 2 * m);
        let mut light = vec![[0f32; 4]; pw * ph];
        let mut clear = vec![false; w * n_rows];
        for py in 0..ph {
            let y = (y0 + py) as f64 - m as f64 + 0.5;
            for px in 0..pw {
                let x = px as f64 - m as f64 + 0.5;
                let (cx, cy) = ((px.saturating_sub(m)).min(w - 1), (y0 + py).saturating_sub(m).min(h - 1));
                let spot = self.spot(x, y, covers[cy * w + cx]);
                light[py * pw + px] = spot.transmittance;
                if (m..m + w).contains(&px) && (m..m + n_rows).contains(&py) {
                    clear[(py - m) * w + px - m] = spot.clear_rebate;
                }
            }
        }
        let scanner = &self.spec.scanner;
        let kernel = |axis: usize| -> [[f32; 4]; 2 * BLUR_REACH + 1] {
            let per: [_; 4] =
                std::array::from_fn(|c| blur_weights(scanner.blur_px[c], scanner.shift_px[c][axis]));
            std::array::from_fn(|i| std::array::from_fn(|c| per[c][i]))
        };
        let (kx, ky) = (kernel(0), kernel(1));
        let mut across = vec![[0f32; 4]; w * ph];
        for py in 0..ph {
            for x in 0..w {
                across[py * w + x] = weigh(&kx, |i| &light[py * pw + x + i]);
            }
        }
        let mut sums = [0u64; 5];
        for row in 0..n_rows {
            for x in 0..w {
                let seen = weigh(&ky, |i| &across[(row + i) * w + x]);
                let code = self.expose_sensor(seen, x, y0 + row, h, flare);
                out[(row * w + x) * 4..][..4].copy_from_slice(&code);
                if clear[row * w + x] {
                    for k in 0..4 {
                        sums[k] += u64::from(code[k]);
                    }
                    sums[4] += 1;
                }
            }
        }
        sums
    }

    /// Lamp, stray light, shot and read noise, 16-bit codes.
    fn expose_sensor(&self, seen: [f32; 4], x: usize, y: usize, h: usize, flare: &FlareMap) -> [u16; 4] {
        let scanner = &self.spec.scanner;
        let off_axis = (y as f32 + 0.5) / h as f32 * 2.0 - 1.0;
        let lamp = 1.0 - scanner.lamp_falloff_frac as f32 * off_axis * off_axis;
        let well = scanner.full_well_electrons as f32;
        let read = scanner.read_noise_electrons as f32;
        std::array::from_fn(|k| {
            let stray = scanner.flare_frac as f32 * flare.at(k, x as f64 + 0.5, y as f64 + 0.5);
            let open = scanner.open_light_frac[k] as f32;
            let frac = open * lamp * (seen[k] * (1.0 - scanner.flare_frac as f32) + stray)
                + open * scanner.veil_frac as f32;
            let electrons = frac * well;
            let seed = self.spec.seed ^ (0xA511_E9B3 + k as u32 * 0x9E37);
            let sigma = (electrons.max(0.0) + read * read).sqrt();
            let noisy = electrons + sigma * normal(hash2(x as i32, y as i32, seed));
            (noisy / well * 65_535.0 + 0.5).clamp(0.0, 65_535.0) as u16
        })
    }

    fn truth(&self, covers: &[Cover], clean: [u64; 5], width: u32, height: u32) -> StripTruth {
        let n = clean[4].max(1) as f64;
        let base_density =
            std::array::from_fn(|k| -((clean[k] as f64 / n / 65_535.0).max(1.0 / 65_535.0)).log10());
        let frames = self.spec.frames.iter().map(|frame| {
            let area = self.spec.frame_area(frame);
            let orientation = Orientation::new(frame.quarter_turns % 4, false);
            let patches = if frame.scene == SceneId::Chart {
                let upright_w = if orientation.swaps_sides() { area.height_px } else { area.width_px };
                scene::chart::patches(upright_w / self.upright_height(&area, orientation))
                    .into_iter()
                    .map(|p| {
                        let (bu, bv) = orientation.box_from_upright(p.center[0], p.center[1]);
                        PatchTruth {
                            center_px: area.scan_from_unit(bu, bv),
                            half_side_px: p.half_side * upright_w,
                            lab_d50: p.lab_d50,
                        }
                    })
                    .collect()
            } else {
                Vec::new()
            };
            FrameTruth {
                corners_px: area.upright_corners(orientation),
                area,
                orientation,
                stops: frame.stops,
                scene: frame.scene,
                patches,
            }
        });
        let plane = |pick: fn(&Cover) -> u8| {
            let mut plane = Plane::filled(width, height, 0u8);
            for (to, cover) in plane.data_mut().iter_mut().zip(covers) {
                *to = pick(cover);
            }
            plane
        };
        StripTruth {
            frames: frames.collect(),
            angle_deg: self.spec.angle_deg,
            base_density,
            rebate_pixels: clean[4],
            defect_class: plane(|c| if c.visible.max(c.lifted) > 10 { c.class } else { 0 }),
            defect_severity: plane(|c| c.visible.max(c.lifted)),
        }
    }

    fn upright_height(&self, area: &glassine_raster::TiltedBox, orientation: Orientation) -> f64 {
        if orientation.swaps_sides() { area.width_px } else { area.height_px }
    }
}

/// Weighted sum of nine neighbours, four channels at once.
fn weigh<'a>(weights: &[[f32; 4]; 2 * BLUR_REACH + 1], at: impl Fn(usize) -> &'a [f32; 4]) -> [f32; 4] {
    let mut sum = [0f32; 4];
    for (i, weight) in weights.iter().enumerate() {
        let value = at(i);
        for k in 0..4 {
            sum[k] += weight[k] * value[k];
        }
    }
    sum
}

/// Signed distance to a box with rounded corners, negative inside.
fn rounded_box(x: f64, y: f64, half_w: f64, half_h: f64, radius: f64) -> f64 {
    let (dx, dy) = (x.abs() - half_w + radius, y.abs() - half_h + radius);
    dx.max(0.0).hypot(dy.max(0.0)) + dx.max(dy).min(0.0) - radius
}
