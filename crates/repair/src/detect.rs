//! From a scan with an infrared plane to a dust map.
//!
//! 1. Block medians of density give the slow background and a first leakage; silver film is recognised and refused.
//! 2. The infrared is registered; the leakage is refined on single pixels.
//! 3. What infrared density neither lamp, film base nor dyes explain is the residual; its noise (median absolute deviation)
//!    sets the threshold, raised where the image has steep edges because registration and blur are never perfect there.
//! 4. Hysteresis: a defect must peak above the high threshold and extends down to the low one.
//! 5. Faint straight traces below that are kept only when the visible picture shows a line there too (emulsion scratches).
//!
//! Source of the outline: US 5,266,805 (published 1993, term ended) for the infrared map of defects, US 6,393,160 for bounds
//! of defect intensity; hysteresis: J. Canny, IEEE Trans. PAMI 8 (1986). Thresholds are ours, measured by this crate's tests.

use glassine_raster::{CancelToken, Plane, Samples16};
use rayon::prelude::*;

use crate::attenuation;
use crate::density::{BLOCK_PX, block_medians, density_d, smooth_background};
use crate::label::{Component, components};
use crate::leakage;
use crate::register::{self, Outcome};
use crate::residual;
use crate::robust::{mad_sigma, median_in_place};
use crate::scratch;
use crate::types::{DustClass, DustMap, DustOptions, Leakage, Refusal, Registration, STRONG_LEAKAGE};

/// Smallest side of a region in which background, noise and registration can be measured.
const SIDE_MIN_PX: u32 = 64;
/// More damage than this is not dust.
const DAMAGE_MAX: f64 = 0.25;
/// Multiples of the residual noise for the low and high threshold at medium sensitivity.
const LOW_SIGMA: f32 = 3.5;
const HIGH_SIGMA: f32 = 6.0;
/// Densities below these are invisible in a print whatever the noise: low and high threshold at medium sensitivity, D.
const LOW_D: f32 = 0.006;
const HIGH_D: f32 = 0.011;
/// Part of the local slope of the leaked image that registration and blur may leave behind, when it cannot be measured.
const EDGE_DOUBT: f32 = 0.3;
/// The measured typical part is multiplied by this and kept in this range.
const EDGE_DOUBT_SIGMA: f32 = 5.0;
const EDGE_DOUBT_RANGE: (f32, f32) = (0.1, 0.6);
/// Steep pixels needed to measure it.
const STEEP_MIN: usize = 400;

/// Size, channels and signal of the input.
pub(crate) fn check_input(linear: &Samples16, colours: u8) -> Result<(), Refusal> {
    if colours == 0 || linear.channels() <= colours {
        return Err(Refusal::NoInfrared);
    }
    let (width, height) = (linear.width(), linear.height());
    if width < SIDE_MIN_PX || height < SIDE_MIN_PX {
        return Err(Refusal::TooSmall { width, height });
    }
    let channels = linear.channels() as usize;
    let step = 7 * channels;
    let (mut top, mut black, mut n) = (0_u64, 0_u64, 0_u64);
    for &code in linear.data()[channels - 1..].iter().step_by(step) {
        top += u64::from(code >= 65_500);
        black += u64::from(code <= 16);
        n += 1;
    }
    for (at_top, count) in [(true, top), (false, black)] {
        let fraction = count as f64 / n.max(1) as f64;
        if fraction > 0.9 {
            return Err(Refusal::InfraredUnusable { at_top, fraction });
        }
    }
    Ok(())
}

/// Find the defects of one frame region (with some margin around the image) at full resolution.
///
/// `linear` holds linear 16-bit codes, the infrared sample last; `colour_channels` is 3, or 1 for grey.
/// The result depends on nothing but the input. Sources and steps: see the module.
pub fn find_dust(
    linear: &Samples16,
    colour_channels: u8,
    options: &DustOptions,
    cancel: &CancelToken,
) -> Result<DustMap, Refusal> {
    Analysis::of(linear, colour_channels, options, cancel)?.map(linear, options.sensitivity, cancel)
}

/// Everything about a region that does not depend on the sensitivity, so that a slider need not repeat it.
///
/// It keeps up to three planes of the region's size in memory (12 bytes a pixel).
pub struct Analysis {
    colours: u8,
    /// Blocks in which defects are looked for: all but the holder.
    searched: Vec<bool>,
    registration: Registration,
    /// Confidence and marks of a registration that cannot be trusted.
    doubtful: Option<(f32, u32)>,
    leakage: Leakage,
    residual: Residual,
}

impl std::fmt::Debug for Analysis {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Analysis")
            .field("registration", &self.registration)
            .field("leakage", &self.leakage)
            .field("noise_d", &self.residual.noise_d)
            .finish_non_exhaustive()
    }
}

impl Analysis {
    /// Measure background, leakage, registration and residual of a region; `options.sensitivity` plays no part.
    pub fn of(
        linear: &Samples16,
        colour_channels: u8,
        options: &DustOptions,
        cancel: &CancelToken,
    ) -> Result<Self, Refusal> {
        check_input(linear, colour_channels)?;
        let colours = colour_channels.min(3);
        let blocks = blocks_of(linear, colours);
        let film = film_blocks(&blocks);
        let searched = holder_blocks(&blocks).iter().map(|holder| !holder).collect();
        cancel.check()?;
        let first = leakage::from_blocks(&blocks, &film);
        if first.is_silver {
            return Err(silver(&first.leakage));
        }
        let outcome = match options.registration {
            Some(given) if given.confidence >= register::CONFIDENCE_MIN => Outcome::Found(given),
            _ => {
                let background = smooth_background(&blocks[colours as usize], &film);
                register::find(linear, colours, &background, &film, first.leakage.strength)
            }
        };
        cancel.check()?;
        let aligned = |confidence| Registration { confidence, ..Registration::ALIGNED };
        let (registration, doubtful) = match outcome {
            Outcome::Found(r) => (r, None),
            Outcome::NoMarks => (aligned(0.0), None),
            Outcome::Uncertain { confidence, marks } => (aligned(confidence), Some((confidence, marks))),
        };
        let (leakage, is_silver) =
            leakage::refine(linear, colours, &first, &registration, &film, options.blur_px);
        if is_silver {
            return Err(silver(&leakage));
        }
        cancel.check()?;
        let residual = Residual::measure(linear, colours, &registration, &leakage, &blocks, &film);
        cancel.check()?;
        Ok(Self { colours, searched, registration, doubtful, leakage, residual })
    }

    /// The dust map at a sensitivity (0..1, see [`DustOptions::sensitivity`]); `linear` is the region analysed.
    pub fn map(
        &self,
        linear: &Samples16,
        sensitivity: f64,
        cancel: &CancelToken,
    ) -> Result<DustMap, Refusal> {
        let (width, height) = (linear.width(), linear.height());
        if width != self.residual.density.width() || height != self.residual.density.height() {
            return Err(Refusal::TooSmall { width, height });
        }
        if linear.channels() <= self.colours {
            return Err(Refusal::NoInfrared);
        }
        let map = self.mark(linear, sensitivity);
        cancel.check()?;
        match self.doubtful {
            Some((confidence, features)) if map.objects > 0 => {
                Err(Refusal::RegistrationUncertain { confidence, features })
            }
            _ if map.area_fraction > DAMAGE_MAX => {
                Err(Refusal::TooMuchDamage { area_fraction: map.area_fraction })
            }
            _ => Ok(map),
        }
    }

    /// Where the infrared lies.
    pub fn registration(&self) -> Registration {
        self.registration
    }

    /// How the image shows in the infrared.
    pub fn leakage(&self) -> Leakage {
        self.leakage
    }

    fn mark(&self, linear: &Samples16, sensitivity: f64) -> DustMap {
        let Self { colours, searched, residual, .. } = self;
        let thresholds = Thresholds::new(sensitivity, residual.smooth_noise_d);
        let (strong, kept) = residual.strong_components(&thresholds, searched);
        let weak = scratch::visible_lines(linear, *colours, residual, &kept, &thresholds, searched);
        let mut map = DustMap::clean(linear.width(), linear.height());
        map.response = attenuation::measure(linear, *colours, residual, &strong, &kept);
        map.registration = self.registration;
        map.leakage = self.leakage;
        map.noise_d = f64::from(residual.noise_d);
        map.threshold_d = f64::from(thresholds.high_d);
        attenuation::write_strong(&mut map, residual, &strong);
        scratch::write_weak(&mut map, &weak);
        for component in &strong {
            map.count(component.shape().class());
        }
        for _ in &weak {
            map.count(DustClass::Scratch);
        }
        map.measure_area();
        map
    }
}

fn silver(leakage: &Leakage) -> Refusal {
    Refusal::SilverFilm { correlation: leakage.silver_correlation, strength: leakage.strength }
}

/// Block medians of the colours used and of the infrared, which comes last.
pub(crate) fn blocks_of(linear: &Samples16, colours: u8) -> Vec<Plane<f32>> {
    let mut all = block_medians(linear, linear.channels());
    let infrared = all.pop();
    all.truncate(colours as usize);
    all.extend(infrared);
    all
}

/// Which blocks lie on the holder: opaque ones connected to the border.
fn holder_blocks(blocks: &[Plane<f32>]) -> Vec<bool> {
    let (w, h) = (blocks[0].width() as usize, blocks[0].height() as usize);
    let opaque = |i: usize| blocks.iter().all(|b| b.data()[i] > 1.7);
    let mut holder = vec![false; w * h];
    let mut queue: Vec<usize> =
        (0..w * h).filter(|i| i % w == 0 || i % w == w - 1 || i / w == 0 || i / w == h - 1).collect();
    queue.retain(|&i| opaque(i));
    while let Some(i) = queue.pop() {
        if std::mem::replace(&mut holder[i], true) {
            continue;
        }
        let (x, y) = (i % w, i / w);
        let near = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
        queue
            .extend(near.iter().filter(|n| n.0 < w && n.1 < h).map(|n| n.1 * w + n.0).filter(|&n| opaque(n)));
    }
    holder
}

/// Which blocks show film for measurements: neither holder nor next to it, where a block may be half and half.
pub(crate) fn film_blocks(blocks: &[Plane<f32>]) -> Vec<bool> {
    let (w, h) = (blocks[0].width() as usize, blocks[0].height() as usize);
    let holder = holder_blocks(blocks);
    (0..w * h)
        .map(|i| {
            let (x, y) = (i % w, i / w);
            !(y.saturating_sub(1)..=(y + 1).min(h - 1))
                .any(|yy| (x.saturating_sub(1)..=(x + 1).min(w - 1)).any(|xx| holder[yy * w + xx]))
        })
        .collect()
}

/// Residual density, smoothed, with its noise and the doubt the image's edges leave.
pub(crate) struct Residual {
    /// Residual infrared density on the visible grid, D.
    pub(crate) density: Plane<f32>,
    /// The same, smoothed for the thresholds.
    pub(crate) smooth: Plane<f32>,
    /// Leaked image, when there is one.
    pub(crate) leaked: Option<Plane<f32>>,
    pub(crate) noise_d: f32,
    pub(crate) smooth_noise_d: f32,
    /// Part of the leaked image's steepness that may remain in the residual.
    edge_doubt: f32,
}

impl Residual {
    fn measure(
        linear: &Samples16,
        colours: u8,
        registration: &Registration,
        leakage: &Leakage,
        blocks: &[Plane<f32>],
        film: &[bool],
    ) -> Self {
        let leaked = residual::leaked_image(linear, colours, leakage);
        let mut clean = blocks[colours as usize].clone();
        for (i, v) in clean.data_mut().iter_mut().enumerate() {
            let image: f64 = blocks[..colours as usize]
                .iter()
                .zip(leakage.coefficients)
                .map(|(b, c)| c * f64::from(b.data()[i]))
                .sum();
            *v -= if leaked.is_some() { image as f32 } else { 0.0 };
        }
        let background = smooth_background(&clean, film);
        let density = residual::residual(linear, registration, leaked.as_ref(), &background);
        let smooth = residual::separable(&density, &[0.5, 0.25]);
        let noise_d = noise(&density, film, background.width());
        let smooth_noise_d = noise(&smooth, film, background.width());
        let mut measured = Self { density, smooth, leaked, noise_d, smooth_noise_d, edge_doubt: EDGE_DOUBT };
        measured.edge_doubt = measured.measure_edge_doubt(film, background.width())
            * (1.0 + (leakage.strength.max(0.0) / STRONG_LEAKAGE) as f32).min(3.0);
        measured
    }

    /// How much of the image's edges really remains in the residual: typical ratio over the steep pixels.
    fn measure_edge_doubt(&self, film: &[bool], blocks_wide: u32) -> f32 {
        let (w, h) = (self.smooth.width(), self.smooth.height());
        let step = ((f64::from(w) * f64::from(h) / 400_000.0).sqrt() as usize).max(1);
        let steep_d = 6.0 * self.smooth_noise_d;
        let mut ratios = Vec::new();
        let mut steepness = vec![0.0_f32; w as usize];
        for y in (0..h).step_by(step) {
            self.steepness_row(y, &mut steepness);
            for x in (0..w).step_by(step) {
                let s = steepness[x as usize];
                if s > steep_d && film[(y / BLOCK_PX * blocks_wide + x / BLOCK_PX) as usize] {
                    ratios.push(self.smooth.at(x, y).abs() / s);
                }
            }
        }
        if ratios.len() < STEEP_MIN {
            return EDGE_DOUBT;
        }
        let typical = 1.4826 * median_in_place(&mut ratios);
        (EDGE_DOUBT_SIGMA * typical).clamp(EDGE_DOUBT_RANGE.0, EDGE_DOUBT_RANGE.1)
    }

    /// What an imperfect registration or blur may leave of the image at a pixel, D.
    pub(crate) fn doubt_row(&self, y: u32, out: &mut [f32]) {
        self.steepness_row(y, out);
        for o in out {
            *o *= self.edge_doubt;
        }
    }

    /// Slope and bend of the leaked image, D per pixel.
    fn steepness_row(&self, y: u32, out: &mut [f32]) {
        let Some(leaked) = &self.leaked else {
            out.fill(0.0);
            return;
        };
        let here = leaked.row(y);
        let above = leaked.row(y.saturating_sub(1));
        let below = leaked.row((y + 1).min(leaked.height() - 1));
        let n = here.len();
        for x in 0..n {
            let (l, r) = (here[x.saturating_sub(1)], here[(x + 1).min(n - 1)]);
            let slope = 0.5 * ((r - l).abs() + (below[x] - above[x]).abs());
            let bend = (l + r + above[x] + below[x] - 4.0 * here[x]).abs();
            out[x] = slope + 0.5 * bend;
        }
    }

    /// Components that peak above the high threshold, and their mask.
    fn strong_components(&self, thresholds: &Thresholds, film: &[bool]) -> (Vec<Component>, Plane<u8>) {
        let (w, h) = (self.smooth.width(), self.smooth.height());
        let blocks_wide = w.div_ceil(BLOCK_PX);
        let mut mask = Plane::filled(w, h, 0_u8);
        mask.data_mut().par_chunks_mut(w as usize).enumerate().for_each_init(
            || vec![0.0_f32; w as usize],
            |doubt, (y, out)| {
                let y = y as u32;
                let row = self.smooth.row(y);
                if !row.iter().any(|&e| e > thresholds.low_d) {
                    return;
                }
                self.doubt_row(y, doubt);
                let film_row = &film[(y / BLOCK_PX * blocks_wide) as usize..];
                for (x, ((o, &e), &d)) in out.iter_mut().zip(row).zip(&*doubt).enumerate() {
                    if film_row[x / BLOCK_PX as usize] {
                        let high = e > thresholds.high_d + d;
                        *o = u8::from(e > thresholds.low_d + 0.5 * d) + u8::from(high);
                    }
                }
            },
        );
        let kept: Vec<Component> = components(&mask, 0)
            .into_iter()
            .filter(|c| c.pixels().any(|(x, y)| mask.at(x, y) == 2) && !self.is_holder(c, film))
            .collect();
        mask.data_mut().fill(0);
        for (x, y) in kept.iter().flat_map(Component::pixels) {
            mask.set(x, y, 1);
        }
        (kept, mask)
    }
}

impl Residual {
    /// A long dense object that comes in from the border or from the holder: the holder or the film's edge, not dust.
    fn is_holder(&self, component: &Component, searched: &[bool]) -> bool {
        let (w, h) = (self.density.width(), self.density.height());
        let b = component.bounds();
        let blocks_wide = w.div_ceil(BLOCK_PX);
        let open = |x: u32, y: u32| searched[((y / BLOCK_PX) * blocks_wide + x / BLOCK_PX) as usize];
        let beside_holder = || {
            component.pixels().any(|(x, y)| {
                let (l, r) = (x.saturating_sub(1), (x + 1).min(w - 1));
                let (u, d) = (y.saturating_sub(1), (y + 1).min(h - 1));
                !(open(l, y) && open(r, y) && open(x, u) && open(x, d))
            })
        };
        let at_border = b.x0 == 0 || b.y0 == 0 || b.x1 == w || b.y1 == h || beside_holder();
        if !at_border || b.width().max(b.height()) < w.min(h) / 4 {
            return false;
        }
        let mean = component.pixels().map(|(x, y)| self.density.at(x, y)).sum::<f32>()
            / component.area().max(1) as f32;
        mean > 0.3
    }
}

/// Thresholds on the smoothed residual, D.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Thresholds {
    pub(crate) low_d: f32,
    pub(crate) high_d: f32,
    /// For faint lines that the visible picture must confirm.
    pub(crate) line_d: f32,
}

impl Thresholds {
    fn new(sensitivity: f64, smooth_noise_d: f32) -> Self {
        // Four times more or less at the ends of the slider; half as much on the noise multiples, which may never fall
        // to where noise itself would be marked.
        let s = if sensitivity.is_finite() { sensitivity.clamp(0.0, 1.0) as f32 } else { 0.5 };
        let scale = 4.0_f32.powf(1.0 - 2.0 * s);
        let mild = 1.3_f32.powf(1.0 - 2.0 * s);
        let low_d = (LOW_D * scale.max(0.5)).max(LOW_SIGMA * mild * smooth_noise_d);
        let high_d = (HIGH_D * scale).max(HIGH_SIGMA * mild * smooth_noise_d).max(1.2 * low_d);
        Self { low_d, high_d, line_d: (2.5 * mild * smooth_noise_d).max(0.0018 * scale.max(0.5)) }
    }
}

/// Noise of a residual plane over film, from the median absolute deviation of a lattice of pixels.
fn noise(plane: &Plane<f32>, film: &[bool], blocks_wide: u32) -> f32 {
    let (w, h) = (plane.width(), plane.height());
    let step = ((f64::from(w) * f64::from(h) / 150_000.0).sqrt() as usize).max(1);
    let mut values = Vec::new();
    for y in (0..h).step_by(step) {
        for x in (0..w).step_by(step) {
            if film[(y / BLOCK_PX * blocks_wide + x / BLOCK_PX) as usize] {
                values.push(plane.at(x, y));
            }
        }
    }
    mad_sigma(&mut values).1.max(1e-5)
}

/// Mean visible density of a pixel.
pub(crate) fn visible_d(linear: &Samples16, colours: u8, x: u32, y: u32) -> f32 {
    let px = linear.pixel(x, y);
    px[..colours as usize].iter().map(|&c| density_d(c)).sum::<f32>() / f32::from(colours)
}
