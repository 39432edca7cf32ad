//! Faults of scanning, planted into finished scans: what a scanner, its operator or its program does wrong.

use glassine_raster::{PixelRect, Samples16};
use rayon::prelude::*;

use crate::random::SplitMix64;
use crate::strips::hash;

/// A fault and its strength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// Share of the pictures' and rebates' pixels that reach full scale.
    ClippedHigh(f64),
    /// Share of the pictures' pixels that reach zero.
    ClippedLow(f64),
    /// Read noise against the light of the densest film, or 3.5 % of that of the clearest if that is more.
    Noise(f64),
    /// The same light everywhere, share of open light.
    StrayLight(f64),
    /// Share of the light that spreads over about 1.5 mm.
    Glow(f64),
    /// Displacement of red against green, px, to both sides.
    ChannelShift(f64),
    /// Displacement of the infrared, px.
    InfraredShift(f64),
    /// Enlargement by interpolation.
    Resampled(f64),
    /// Light lost at one end.
    UnevenLight(f64),
    /// One column that is brighter by this share.
    Column(f64),
    /// One row that is brighter by this share.
    Row(f64),
    /// A row lost: black, or a repetition of the one before it.
    LostRow { repeated: bool },
    /// Rows cut out: the transport jumped.
    CutRows(u32),
    /// Softer by this standard deviation, px, written with as many pixels.
    Soft(f64),
    /// Codes under a power law.
    Gamma(f64),
    /// Lossy compression, quality 1 to 100.
    Blocks(u32),
    /// 8 bits, linear or under a power law, written as 16.
    EightBits { curved: bool },
    /// Unsharp mask, amount; radius 1 px.
    Sharpened(f64),
    /// Additional blur at one end of the film, px.
    NotFlat(f64),
    /// Contrast of Newton rings.
    NewtonRings(f64),
}

/// Light against full scale below which a slide prints black: 2.4 D, and negatives are not that dense.
const BLACK: f32 = 0.004;
/// Places that are tried for rows that are cut out.
const TRIES: usize = 64;

/// A scan in work: light of each channel, 0 to 1.
struct Light {
    planes: Vec<Vec<f32>>,
    width: usize,
    height: usize,
}

impl Fault {
    /// The scan with the fault, and its resolution. `pictures` are the true image areas.
    pub fn plant(self, scan: &Samples16, ppi: f64, pictures: &[PixelRect], seed: u64) -> (Samples16, f64) {
        let mut random = SplitMix64::new(seed);
        let mut light = Light::of(scan);
        let colours = light.planes.len().min(3);
        let mut new_ppi = ppi;
        match self {
            Self::ClippedHigh(share) => {
                let gain = 1.0 / light.quantile(pictures, 0, 1.0 - share).max(1e-3);
                light.each(colours, |_, _, v| v * gain);
            }
            Self::ClippedLow(share) => {
                let black = light.quantile(pictures, colours - 1, share);
                light.each(colours, |_, _, v| v - black);
            }
            Self::Noise(relative) => {
                // The dark parts of slides are black, where only noise against their white is seen: at the least strength
                // it is 0.5 % of it, in black a deviation of 5 L*.
                let sigma = (0..colours).map(|c| {
                    let [dark, white] = [0.02, 0.98].map(|share| light.quantile(pictures, c, share));
                    relative as f32 * dark.max(0.035 * white)
                });
                let sigma: Vec<f32> = sigma.collect();
                light.noise(&sigma, seed);
            }
            Self::StrayLight(share) => light.each(colours, |_, _, v| v + 0.94 * share as f32),
            Self::Glow(share) => {
                let spread = light.spread((ppi / 25.4 * 0.75) as usize);
                let share = share as f32;
                for (plane, spread) in light.planes.iter_mut().zip(&spread).take(colours) {
                    plane.iter_mut().zip(spread).for_each(|(v, s)| *v = (1.0 - share) * *v + share * s);
                }
            }
            Self::ChannelShift(size) => {
                let turn = random.between(0.0, std::f64::consts::TAU);
                light.shift(0, size * turn.cos(), size * turn.sin());
            }
            Self::InfraredShift(size) => {
                let turn = random.between(0.0, std::f64::consts::TAU);
                light.shift(3, size * turn.cos(), size * turn.sin());
            }
            Self::Resampled(factor) => {
                light = light.enlarged(factor);
                new_ppi *= factor;
            }
            Self::UnevenLight(lost) => {
                let (width, height, along) = (
                    light.width as f32,
                    light.height as f32,
                    random.one_in(2) || light.width > 2 * light.height,
                );
                light.each(colours, |x, y, v| {
                    let at = if along { x as f32 / width } else { y as f32 / height };
                    v * (1.0 - lost as f32 * at * at)
                });
            }
            Self::Column(size) => {
                // On a picture: beside them it does not harm.
                let area = random
                    .pick(pictures)
                    .copied()
                    .unwrap_or(PixelRect::of_size(light.width as u32, light.height as u32));
                let at = random.between(f64::from(area.x0) + 8.0, f64::from(area.x1) - 8.0) as usize;
                light.each(colours, |x, _, v| if x == at { v * (1.0 + size as f32) } else { v });
            }
            Self::Row(size) => {
                let at = light.film_row(pictures, &mut random);
                light.each(colours, |_, y, v| if y == at { v * (1.0 + size as f32) } else { v });
            }
            Self::LostRow { repeated } => {
                let at = light.film_row(pictures, &mut random);
                light.lose_row(at, repeated);
            }
            Self::CutRows(count) => {
                let count = count as usize;
                let rows = (0..TRIES).map(|_| light.film_row(pictures, &mut random));
                let rows: Vec<usize> = rows.filter(|at| at + count < light.height).collect();
                let seen = rows.iter().find(|at| light.shows_cut(**at, count, pictures));
                light.cut_rows(seen.or(rows.first()).copied().unwrap_or(1), count);
            }
            Self::Soft(sigma) => light.planes = light.blurred(sigma),
            Self::Gamma(power) => light.each(colours, |_, _, v| v.max(0.0).powf(1.0 / power as f32)),
            Self::Blocks(quality) => light.compress(quality),
            Self::EightBits { curved } => {
                let power = if curved { 2.2 } else { 1.0_f32 };
                light.each(colours, |_, _, v| {
                    ((v.max(0.0).powf(1.0 / power) * 255.0).round() / 255.0).powf(power)
                });
            }
            Self::Sharpened(amount) => {
                let soft = light.blurred(1.0);
                for (plane, soft) in light.planes.iter_mut().zip(&soft).take(colours) {
                    plane.iter_mut().zip(soft).for_each(|(v, s)| *v += amount as f32 * (*v - s));
                }
            }
            Self::NotFlat(sigma) => light.bend(sigma, seed),
            Self::NewtonRings(contrast) => light.rings(contrast, ppi, pictures, &mut random),
        }
        (light.scan(), new_ppi)
    }
}

impl Light {
    fn of(scan: &Samples16) -> Self {
        let channels = usize::from(scan.channels());
        let plane = |c: usize| scan.data().iter().skip(c).step_by(channels).map(|v| f32::from(*v) / 65_535.0);
        let (width, height) = (scan.width() as usize, scan.height() as usize);
        Self { planes: (0..channels).map(|c| plane(c).collect()).collect(), width, height }
    }

    fn scan(&self) -> Samples16 {
        let channels = self.planes.len();
        let mut out = Samples16::zeroed(self.width as u32, self.height as u32, channels as u8);
        for (idx, code) in out.data_mut().iter_mut().enumerate() {
            *code =
                (self.planes[idx % channels][idx / channels] * 65_535.0 + 0.5).clamp(0.0, 65_535.0) as u16;
        }
        out
    }

    fn each(&mut self, channels: usize, change: impl Fn(usize, usize, f32) -> f32 + Sync) {
        let width = self.width;
        for plane in self.planes.iter_mut().take(channels) {
            plane.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
                row.iter_mut().enumerate().for_each(|(x, v)| *v = change(x, y, *v));
            });
        }
    }

    /// The light below which a share of the pictures' pixels are.
    fn quantile(&self, pictures: &[PixelRect], channel: usize, share: f64) -> f32 {
        let mut all: Vec<f32> = Vec::new();
        for area in pictures {
            for y in area.y0..area.y1.min(self.height as u32) {
                let row = y as usize * self.width;
                all.extend(
                    &self.planes[channel][row + area.x0 as usize..row + (area.x1 as usize).min(self.width)],
                );
            }
        }
        let at = ((all.len() as f64 * share) as usize).min(all.len() - 1);
        *all.select_nth_unstable_by(at, f32::total_cmp).1
    }

    fn film_row(&self, pictures: &[PixelRect], random: &mut SplitMix64) -> usize {
        let area =
            pictures.first().copied().unwrap_or(PixelRect::of_size(self.width as u32, self.height as u32));
        random.between(f64::from(area.y0) + 8.0, f64::from(area.y1) - 8.0) as usize
    }

    fn noise(&mut self, sigma: &[f32], seed: u64) {
        let width = self.width;
        for (c, (plane, sigma)) in self.planes.iter_mut().zip(sigma).enumerate() {
            let seed = seed as u32 ^ (0x5eed + c as u32);
            plane.par_iter_mut().enumerate().for_each(|(idx, v)| {
                let (x, y) = ((idx % width) as i64, (idx / width) as i64);
                // Four even numbers: near enough to normal, deviation 1 after scaling.
                let sum: f32 = (0..4).map(|k| hash(4 * x + k, y, seed) - 0.5).sum();
                *v += sigma * sum * 3.0_f32.sqrt();
            });
        }
    }

    fn lose_row(&mut self, at: usize, repeated: bool) {
        let width = self.width;
        for plane in &mut self.planes {
            let before = plane[(at - 1) * width..at * width].to_vec();
            let row = &mut plane[at * width..(at + 1) * width];
            if repeated { row.copy_from_slice(&before) } else { row.fill(0.0) }
        }
    }

    /// Whether anybody could see that rows are cut out here: on a tenth of the pictures' width the light steps by 1 %,
    /// which is 0.004 D. Nothing is lost where the film is blank or black.
    fn shows_cut(&self, at: usize, count: usize, pictures: &[PixelRect]) -> bool {
        const CELL: usize = 8;
        let plane = &self.planes[self.planes.len().min(3) / 2];
        let row = |y: usize| &plane[y * self.width..(y + 1) * self.width];
        let (mut seen, mut all) = (0, 0);
        for area in pictures.iter().filter(|area| (area.y0 as usize..area.y1 as usize).contains(&at)) {
            let columns = area.x0 as usize..(area.x1 as usize).min(self.width);
            let cells =
                |y: usize| row(y)[columns.clone()].chunks_exact(CELL).map(|cell| cell.iter().sum::<f32>());
            for ((before, gone), after) in cells(at - 1).zip(cells(at)).zip(cells(at + count)) {
                all += 1;
                let steps = (after - before).abs() - (gone - before).abs() > 0.01 * before;
                seen += usize::from(steps && before > BLACK * CELL as f32);
            }
        }
        10 * seen >= all && all > 0
    }

    fn cut_rows(&mut self, at: usize, count: usize) {
        for plane in &mut self.planes {
            plane.drain(at * self.width..(at + count) * self.width);
        }
        self.height -= count;
    }

    /// Three box means of `2 radius + 1` both ways.
    fn spread(&self, radius: usize) -> Vec<Vec<f32>> {
        let mut planes = self.planes.clone();
        for plane in &mut planes {
            for _ in 0..3 {
                means(plane, self.width, self.height, radius);
            }
        }
        planes
    }

    fn blurred(&self, sigma: f64) -> Vec<Vec<f32>> {
        let reach = (3.0 * sigma).ceil() as i64;
        let weights: Vec<f32> =
            (-reach..=reach).map(|k| (-((k * k) as f64) / (2.0 * sigma * sigma)).exp() as f32).collect();
        let sum: f32 = weights.iter().sum();
        let pass = |src: &[f32], step: usize, count: usize, line: usize| {
            let mut out = vec![0.0; src.len()];
            out.par_iter_mut().enumerate().for_each(|(idx, out)| {
                let at = (idx / step) % count;
                let start = idx - at * step;
                *out = weights
                    .iter()
                    .enumerate()
                    .map(|(k, w)| {
                        w * src[start
                            + (at as i64 + k as i64 - reach).clamp(0, count as i64 - 1) as usize * step]
                    })
                    .sum::<f32>()
                    / sum;
            });
            debug_assert_eq!(src.len() % line, 0);
            out
        };
        let size = self.width * self.height;
        self.planes
            .iter()
            .map(|plane| pass(&pass(plane, 1, self.width, self.width), self.width, self.height, size))
            .collect()
    }

    /// Blur that grows with the distance from one end, and the sensor's noise on top.
    fn bend(&mut self, sigma: f64, seed: u64) {
        const STEPS: usize = 6;
        let softs: Vec<Vec<Vec<f32>>> =
            (1..=STEPS).map(|k| self.blurred(sigma * k as f64 / STEPS as f64)).collect();
        let (width, height) = (self.width, self.height);
        for (c, plane) in self.planes.iter_mut().enumerate() {
            plane.iter_mut().enumerate().for_each(|(idx, v)| {
                let share = if width >= height {
                    (idx % width) as f64 / width as f64
                } else {
                    (idx / width) as f64 / height as f64
                };
                let at = (share * share * STEPS as f64).min(STEPS as f64 - 1e-6);
                let (k, part) = (at as usize, at.fract() as f32);
                let sharper = if k == 0 { *v } else { softs[k - 1][c][idx] };
                *v = sharper * (1.0 - part) + softs[k][c][idx] * part;
            });
        }
        self.noise(&[4e-4; 3], seed);
    }

    fn shift(&mut self, channel: usize, dx: f64, dy: f64) {
        let (width, height) = (self.width, self.height);
        let Some(plane) = self.planes.get_mut(channel) else { return };
        let src = plane.clone();
        plane.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            for (x, v) in row.iter_mut().enumerate() {
                *v = cubic(&src, width, height, x as f64 - dx, y as f64 - dy);
            }
        });
    }

    fn enlarged(&self, factor: f64) -> Self {
        let (width, height) = ((self.width as f64 * factor) as usize, (self.height as f64 * factor) as usize);
        let planes = self.planes.iter().map(|src| {
            let mut out = vec![0.0; width * height];
            out.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
                for (x, v) in row.iter_mut().enumerate() {
                    let at = |k: usize| (k as f64 + 0.5) / factor - 0.5;
                    *v = cubic(src, self.width, self.height, at(x), at(y));
                }
            });
            out
        });
        Self { planes: planes.collect(), width, height }
    }

    /// Rings between a slightly curved film and glass: `1 + contrast cos(4 pi gap / wavelength)`.
    fn rings(&mut self, contrast: f64, ppi: f64, pictures: &[PixelRect], random: &mut SplitMix64) {
        let area = pictures[random.below(pictures.len())];
        let centre = [
            random.between(f64::from(area.x0), f64::from(area.x1)),
            random.between(f64::from(area.y0), f64::from(area.y1)),
        ];
        // Film curved with a radius of 10 to 25 m, along and across differently.
        let radius = [random.between(1e4, 2.5e4), random.between(1e4, 2.5e4)];
        let reach = random.between(8.0, 14.0);
        let mm = |px: f64| px * 25.4 / ppi;
        // Wavelengths of lamps' bands, mm.
        let bands = [6.4e-4, 5.4e-4, 4.55e-4];
        let width = self.width;
        for (plane, wavelength) in self.planes.iter_mut().zip(bands) {
            plane.par_iter_mut().enumerate().for_each(|(idx, v)| {
                let (x, y) = (mm((idx % width) as f64 - centre[0]), mm((idx / width) as f64 - centre[1]));
                let gap = x * x / (2.0 * radius[0]) + y * y / (2.0 * radius[1]);
                let fade = (1.0 - (x.hypot(y) / reach).powi(4)).max(0.0);
                *v *= (1.0 + contrast * fade * (4.0 * std::f64::consts::PI * gap / wavelength).cos()) as f32;
            });
        }
    }

    /// The block transform of ITU-T T.81 with its example luminance table, on codes under a power of 2.2.
    fn compress(&mut self, quality: u32) {
        let scale = if quality < 50 { 5000.0 / quality as f32 } else { 200.0 - 2.0 * quality as f32 };
        let steps: Vec<f32> =
            LUMINANCE.iter().map(|q| ((*q as f32 * scale + 50.0) / 100.0).floor().max(1.0)).collect();
        let width = self.width;
        let table = cosines();
        for plane in self.planes.iter_mut().take(3) {
            let rows = plane.par_chunks_mut(width * SIDE).filter(|rows| rows.len() == width * SIDE);
            rows.for_each(|rows| {
                for x0 in (0..width - width % SIDE).step_by(SIDE) {
                    let at = |i: usize| (i / SIDE) * width + x0 + i % SIDE;
                    let code = |light: f32| 255.0 * light.max(0.0).powf(1.0 / 2.2) - 128.0;
                    let mut block: [f32; 64] = std::array::from_fn(|i| code(rows[at(i)]));
                    block = transformed(&block, &table, false);
                    block.iter_mut().zip(&steps).for_each(|(c, step)| *c = (*c / step).round() * step);
                    for (i, code) in transformed(&block, &table, true).into_iter().enumerate() {
                        rows[at(i)] = ((code + 128.0) / 255.0).clamp(0.0, 1.0).powf(2.2);
                    }
                }
            });
        }
    }
}

/// Side of a block.
const SIDE: usize = 8;

/// Cosines of the transform: place times 8 plus frequency.
fn cosines() -> [f32; 64] {
    std::array::from_fn(|i| {
        let (place, frequency) = (i / SIDE, i % SIDE);
        let scale = if frequency == 0 { (1.0_f32 / 8.0).sqrt() } else { 0.5 };
        scale * ((2 * place + 1) as f32 * frequency as f32 * std::f32::consts::PI / 16.0).cos()
    })
}

/// The cosine transform of a block, or back.
fn transformed(block: &[f32; 64], table: &[f32; 64], back: bool) -> [f32; 64] {
    let cosine =
        |out: usize, within: usize| table[if back { out * SIDE + within } else { within * SIDE + out }];
    std::array::from_fn(|out| {
        let term = |k: usize| block[k] * cosine(out / SIDE, k / SIDE) * cosine(out % SIDE, k % SIDE);
        (0..64).map(term).sum()
    })
}

/// Source: ITU-T T.81, table K.1.
const LUMINANCE: [u8; 64] = [
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17,
    22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78,
    87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
];

/// Catmull-Rom interpolation.
fn cubic(src: &[f32], width: usize, height: usize, x: f64, y: f64) -> f32 {
    let (ix, iy) = (x.floor(), y.floor());
    let weights = |t: f64| {
        let (t2, t3) = (t * t, t * t * t);
        [
            (-t3 + 2.0 * t2 - t) / 2.0,
            (3.0 * t3 - 5.0 * t2 + 2.0) / 2.0,
            (-3.0 * t3 + 4.0 * t2 + t) / 2.0,
            (t3 - t2) / 2.0,
        ]
    };
    let (wx, wy) = (weights(x - ix), weights(y - iy));
    let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64 - 1.0) as usize;
    let mut sum = 0.0;
    for (j, wy) in wy.iter().enumerate() {
        let row = clamp(iy + j as f64 - 1.0, height) * width;
        for (i, wx) in wx.iter().enumerate() {
            sum += wx * wy * f64::from(src[row + clamp(ix + i as f64 - 1.0, width)]);
        }
    }
    sum as f32
}

/// Means over `2 radius + 1` pixels both ways, in place.
fn means(plane: &mut [f32], width: usize, height: usize, radius: usize) {
    let mut line = Vec::new();
    let mut pass = |plane: &mut [f32], count: usize, start: usize, step: usize| {
        line.clear();
        line.extend((0..count).map(|k| plane[start + k * step]));
        let at = |k: i64| line[k.clamp(0, count as i64 - 1) as usize];
        let r = radius as i64;
        let mut sum: f32 = (-r..=r).map(at).sum();
        for k in 0..count as i64 {
            plane[start + k as usize * step] = sum / (2 * r + 1) as f32;
            sum += at(k + r + 1) - at(k - r);
        }
    };
    for y in 0..height {
        pass(plane, width, y * width, 1);
    }
    for x in 0..width {
        pass(plane, height, x, width);
    }
}
