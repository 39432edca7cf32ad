//! Twins for tests: the same film with and without dust, seen by a scanner with an infrared channel.
//!
//! The forward model here is independent of the crate `repair`: transmitted light is multiplied by the dust, blurred by the
//! optics, and gets noise; the infrared is blurred more, shifted, and contains a little of the image.

use glassine_raster::Samples16;

use crate::random::Lcg64;

/// The random numbers of a twin for a small seed.
pub fn random(seed: u64) -> Lcg64 {
    Lcg64::new(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(1))
}

/// Base density of the invented film, red, green, blue.
pub const BASE_D: [f64; 3] = [0.27, 0.61, 0.93];

/// The same relative to full scale: open light is code 62 000.
pub fn base_against_full_scale_d() -> [f64; 3] {
    BASE_D.map(|d| d + (65_535.0_f64 / 62_000.0).log10())
}

/// Properties of the film and the scanner.
#[derive(Debug, Clone)]
pub struct Model {
    pub width: usize,
    pub height: usize,
    pub seed: u64,
    pub grain_d: f64,
    pub leak: [f64; 3],
    pub shift_px: (f64, f64),
    pub visible_blur_px: f64,
    pub infrared_blur_px: f64,
    pub infrared_noise: f64,
    /// Silver film: infrared density follows the visible.
    pub silver: bool,
    /// Where there is no film at all: perforations.
    pub holes: fn(f64, f64) -> bool,
    /// Share of the film's own density that scratches through the emulsion removed from each pixel; empty for none.
    pub lifted: Vec<f64>,
    /// Infrared density scattered away by a torn surface, for each pixel; empty for none.
    pub scatter_d: Vec<f64>,
    /// Additional light in every visible pixel, as a share of open light.
    pub veil: f64,
}

impl Default for Model {
    fn default() -> Self {
        Self {
            width: 360,
            height: 280,
            seed: 7,
            grain_d: 0.006,
            leak: [0.05, -0.01, 0.005],
            shift_px: (0.8, -0.4),
            visible_blur_px: 0.6,
            infrared_blur_px: 0.85,
            infrared_noise: 0.002,
            silver: false,
            holes: |_, _| false,
            veil: 0.0,
            lifted: Vec::new(),
            scatter_d: Vec::new(),
        }
    }
}

/// Both scans and the truth.
#[derive(Debug)]
pub struct Twin {
    pub dusty: Samples16,
    pub clean: Samples16,
    /// Share of the visible light lost.
    pub loss: Vec<f64>,
}

/// A scene with a gradient, edges of every direction, fine texture and flat parts: log exposure above the darkest.
pub fn scene(x: f64, y: f64) -> [f64; 3] {
    let slow = 0.9 + 0.4 * (x / 140.0).sin() * (y / 110.0).cos();
    let disc = if (x - 210.0).hypot(y - 120.0) < 60.0 { 0.5 } else { 0.0 };
    let bar = if (x + 0.6 * y) % 120.0 < 18.0 { -0.35 } else { 0.0 };
    let leaves =
        if y > 190.0 { 0.12 * (x * 0.9).sin() * (y * 0.7 + (x * 0.13).sin() * 3.0).cos() } else { 0.0 };
    let v = slow + disc + bar + leaves;
    [v, v * 0.95 + 0.03 * (x / 50.0).sin(), v * 0.9 + 0.05]
}

impl Model {
    /// Builds both scans; `opacity` gives the dust's coverage times opacity for each pixel.
    pub fn scan(&self, scene: impl Fn(f64, f64) -> [f64; 3], opacity: &[f64]) -> Twin {
        let (w, h) = (self.width, self.height);
        let n = w * h;
        let mut random = random(self.seed);
        let mut density = vec![[0.0; 3]; n];
        let grain: Vec<Vec<f64>> = (0..4).map(|_| self.grain(&mut random)).collect();
        for (i, d) in density.iter_mut().enumerate() {
            let log_exposure = scene((i % w) as f64, (i / w) as f64);
            for c in 0..3 {
                let dye = (0.6 * log_exposure[c]).max(0.0);
                let amount = self.grain_d * (dye.max(0.05) / 0.5).sqrt();
                d[c] = BASE_D[c] + dye + amount * (0.8 * grain[c][i] + 0.6 * grain[3][i]);
            }
            if self.silver {
                *d = [d[1]; 3];
            }
        }
        let hole: Vec<bool> = (0..n).map(|i| (self.holes)((i % w) as f64, (i / w) as f64)).collect();
        for (d, _) in density.iter_mut().zip(&hole).filter(|(_, hole)| **hole) {
            *d = [0.0; 3];
        }
        let at = |plane: &[f64], i: usize| plane.get(i).copied().unwrap_or(0.0);
        let torn: Vec<[f64; 3]> =
            density.iter().enumerate().map(|(i, d)| d.map(|d| d * (1.0 - at(&self.lifted, i)))).collect();
        let through: Vec<f64> = opacity.iter().map(|o| 1.0 - o).collect();
        let mut codes = [vec![0_u16; 4 * n], vec![0_u16; 4 * n]];
        let mut loss = vec![0.0_f64; n];
        for c in 0..3 {
            let light: Vec<f64> = density.iter().map(|d| 10.0_f64.powf(-d[c])).collect();
            let clean = blur(&light, w, h, self.visible_blur_px);
            let covered: Vec<f64> =
                torn.iter().zip(&through).map(|(d, t)| 10.0_f64.powf(-d[c]) * t).collect();
            let dusty = blur(&covered, w, h, self.visible_blur_px);
            for i in 0..n {
                let noise = random.normal();
                for (codes, value) in codes.iter_mut().zip([clean[i], dusty[i]]) {
                    let value = value + self.veil;
                    let noisy = value + noise * (value * 1.5e-6 + 5e-10).sqrt();
                    codes[4 * i + c] = (noisy * 62_000.0).round().clamp(0.0, 65535.0) as u16;
                }
                loss[i] = loss[i].max((1.0 - (dusty[i] + self.veil) / (clean[i] + self.veil)).abs());
            }
        }
        let infrared: Vec<f64> = torn
            .iter()
            .enumerate()
            .zip(opacity)
            .zip(&hole)
            .map(|(((i, d), o), hole)| {
                let leaked: f64 =
                    if self.silver { 0.95 * d[1] } else { d.iter().zip(self.leak).map(|(d, k)| d * k).sum() };
                let film_d = 0.06 + leaked + at(&self.scatter_d, i);
                let film = if *hole { 1.0 } else { 10.0_f64.powf(-film_d) };
                film * (1.0 - 0.95 * o)
            })
            .collect();
        let soft = blur(&infrared, w, h, self.infrared_blur_px);
        for i in 0..n {
            let (x, y) = ((i % w) as f64 - self.shift_px.0, (i / w) as f64 - self.shift_px.1);
            let lamp = 1.0 - 0.05 * ((x / w as f64 - 0.5).powi(2) + (y / h as f64 - 0.5).powi(2));
            let value = bicubic(&soft, w, h, x, y) * lamp * (1.0 + self.infrared_noise * random.normal());
            for codes in &mut codes {
                codes[4 * i + 3] = (value * 62_000.0).round().clamp(1.0, 65535.0) as u16;
            }
        }
        let [clean, dusty] =
            codes.map(|c| Samples16::from_vec(w as u32, h as u32, 4, c).expect("length fits"));
        Twin { dusty, clean, loss }
    }

    fn grain(&self, random: &mut Lcg64) -> Vec<f64> {
        let white: Vec<f64> = (0..self.width * self.height).map(|_| random.normal()).collect();
        let soft = blur(&white, self.width, self.height, 0.6);
        let rms = (soft.iter().map(|v| v * v).sum::<f64>() / soft.len() as f64).sqrt();
        soft.iter().map(|v| v / rms).collect()
    }
}

/// Gaussian blur, edges repeated.
pub fn blur(plane: &[f64], w: usize, h: usize, sigma: f64) -> Vec<f64> {
    let reach = (4.0 * sigma).ceil() as i64;
    let kernel: Vec<f64> = (-reach..=reach).map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp()).collect();
    let total: f64 = kernel.iter().sum();
    let pass = |plane: &[f64], along_x: bool| -> Vec<f64> {
        (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as i64, (i / w) as i64);
                kernel
                    .iter()
                    .enumerate()
                    .map(|(k, weight)| {
                        let d = k as i64 - reach;
                        let (px, py) = if along_x { (x + d, y) } else { (x, y + d) };
                        let at = py.clamp(0, h as i64 - 1) as usize * w + px.clamp(0, w as i64 - 1) as usize;
                        weight * plane[at]
                    })
                    .sum::<f64>()
                    / total
            })
            .collect()
    };
    pass(&pass(plane, true), false)
}

fn bicubic(plane: &[f64], w: usize, h: usize, x: f64, y: f64) -> f64 {
    let weights = |t: f64| {
        let (t2, t3) = (t * t, t * t * t);
        [
            -0.5 * t3 + t2 - 0.5 * t,
            1.5 * t3 - 2.5 * t2 + 1.0,
            -1.5 * t3 + 2.0 * t2 + 0.5 * t,
            0.5 * t3 - 0.5 * t2,
        ]
    };
    let (wx, wy) = (weights(x - x.floor()), weights(y - y.floor()));
    let mut sum = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        for (i, wx) in wx.iter().enumerate() {
            let px = (x.floor() as i64 + i as i64 - 1).clamp(0, w as i64 - 1) as usize;
            let py = (y.floor() as i64 + j as i64 - 1).clamp(0, h as i64 - 1) as usize;
            sum += wx * wy * plane[py * w + px];
        }
    }
    sum
}

/// Dust of every kind: specks, hairs, scratches.
pub fn dust(w: usize, h: usize, seed: u64, specks: usize, hairs: usize, scratches: usize) -> Vec<f64> {
    let mut random = random(seed);
    let mut out = vec![0.0; w * h];
    for _ in 0..specks {
        let (cx, cy) = (random.unit() * w as f64, random.unit() * h as f64);
        let (a, b) = (1.0 + 5.0 * random.unit().powi(2), 1.0 + 3.0 * random.unit());
        stroke(&mut out, w, h, &[(cx, cy), (cx + b - 1.0, cy + 0.5 * b)], a, 0.25 + 0.7 * random.unit());
    }
    for _ in 0..hairs {
        let (mut x, mut y) = (random.unit() * w as f64, random.unit() * h as f64);
        let (mut turn, mut angle) = (0.12 * (random.unit() - 0.5), random.unit() * std::f64::consts::TAU);
        let mut line = Vec::new();
        for _ in 0..(20 + (30.0 * random.unit()) as usize) {
            line.push((x, y));
            (x, y) = (x + 1.5 * f64::cos(angle), y + 1.5 * f64::sin(angle));
            angle += turn;
            turn += 0.03 * (random.unit() - 0.5);
        }
        stroke(&mut out, w, h, &line, 0.8 + random.unit(), 0.3 + 0.4 * random.unit());
    }
    for _ in 0..scratches {
        let y = random.unit() * h as f64;
        let ends = [(0.1 * w as f64, y), (0.9 * w as f64, y + 8.0 * (random.unit() - 0.5))];
        stroke(&mut out, w, h, &ends, 0.6, 0.15 + 0.1 * random.unit());
    }
    out
}

/// Draws a line of given half width and opacity, with an edge one pixel soft.
pub fn stroke(out: &mut [f64], w: usize, h: usize, line: &[(f64, f64)], half: f64, opacity: f64) {
    for pair in line.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        let reach = half + 2.0;
        let ys = ((y0.min(y1) - reach).max(0.0) as usize)
            ..=((y0.max(y1) + reach).clamp(0.0, h as f64 - 1.0) as usize);
        for y in ys {
            let xs = ((x0.min(x1) - reach).max(0.0) as usize)
                ..=((x0.max(x1) + reach).clamp(0.0, w as f64 - 1.0) as usize);
            for x in xs {
                let (dx, dy, px, py) = (x1 - x0, y1 - y0, x as f64 - x0, y as f64 - y0);
                let t = ((px * dx + py * dy) / (dx * dx + dy * dy).max(1e-9)).clamp(0.0, 1.0);
                let distance = (px - t * dx).hypot(py - t * dy);
                let cover = (half + 0.5 - distance).clamp(0.0, 1.0);
                out[y * w + x] = f64::max(out[y * w + x], cover * opacity);
            }
        }
    }
}

/// Positive picture (sRGB-encoded, 0..1) of the colour samples, by the known numbers of the film.
pub fn positive(samples: &Samples16) -> Vec<[f64; 3]> {
    samples
        .data()
        .chunks_exact(4)
        .map(|px| {
            let mut out = [0.0; 3];
            for c in 0..3 {
                let d = (62_000.0 / f64::from(px[c]).max(0.5)).log10() - BASE_D[c];
                let light = (0.02 * 10.0_f64.powf(d / 0.6)).clamp(0.0, 1.0);
                out[c] =
                    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
            }
            out
        })
        .collect()
}

/// Peak signal-to-noise ratio over the chosen pixels, dB.
pub fn psnr(a: &[[f64; 3]], b: &[[f64; 3]], chosen: impl Fn(usize) -> bool) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for i in (0..a.len()).filter(|&i| chosen(i)) {
        for c in 0..3 {
            sum += (a[i][c] - b[i][c]).powi(2);
            n += 1.0;
        }
    }
    -10.0 * (sum / f64::max(n, 1.0)).max(1e-12).log10()
}

/// Mean structural similarity over the chosen pixels (window 7 x 7, mean of the channels).
///
/// Source: Z. Wang et al., "Image quality assessment", IEEE Trans. Image Processing 13 (2004), K1 0.01, K2 0.03.
pub fn ssim(a: &[[f64; 3]], b: &[[f64; 3]], w: usize, h: usize, chosen: impl Fn(usize) -> bool) -> f64 {
    let grey = |p: &[f64; 3]| (p[0] + p[1] + p[2]) / 3.0;
    let (mut sum, mut n) = (0.0, 0.0);
    for i in (0..a.len()).filter(|&i| chosen(i)) {
        let (x, y) = (i % w, i / w);
        if x < 3 || y < 3 || x + 3 >= w || y + 3 >= h {
            continue;
        }
        let (mut ma, mut mb, mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for yy in y - 3..=y + 3 {
            for xx in x - 3..=x + 3 {
                let (p, q) = (grey(&a[yy * w + xx]), grey(&b[yy * w + xx]));
                ma += p / 49.0;
                mb += q / 49.0;
                aa += p * p / 48.0;
                bb += q * q / 48.0;
                ab += p * q / 48.0;
            }
        }
        let (va, vb, vab) =
            (aa - ma * ma * 49.0 / 48.0, bb - mb * mb * 49.0 / 48.0, ab - ma * mb * 49.0 / 48.0);
        let (c1, c2) = (1e-4, 9e-4);
        sum += (2.0 * ma * mb + c1) * (2.0 * vab + c2) / ((ma * ma + mb * mb + c1) * (va + vb + c2));
        n += 1.0;
    }
    sum / f64::max(n, 1.0)
}

/// Share of `found` near true damage, share of true damage found.
pub fn precision_recall(loss: &[f64], found: &[u8], w: usize, h: usize) -> (f64, f64) {
    let near = |i: usize| {
        let (x, y) = (i % w, i / w);
        (y.saturating_sub(2)..=(y + 2).min(h - 1))
            .any(|yy| (x.saturating_sub(2)..=(x + 2).min(w - 1)).any(|xx| loss[yy * w + xx] > 0.04))
    };
    let count = |test: &dyn Fn(usize) -> bool| (0..loss.len()).filter(|&i| test(i)).count() as f64;
    let marked = count(&|i| found[i] > 0);
    let right = count(&|i| found[i] > 0 && near(i));
    let damaged = count(&|i| loss[i] > 0.08);
    let hit = count(&|i| loss[i] > 0.08 && found[i] > 0);
    (right / marked.max(1.0), hit / damaged.max(1.0))
}
