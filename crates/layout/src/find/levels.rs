//! The working picture and its three kinds of pixel: opaque holder, open light, film.

use glassine_raster::{Plane, Samples16, box_reduce};

use super::{LayoutError, Overview};

/// Longest side of the working picture, pixels; larger overviews are reduced first. Ours: a gap of 1 mm between frames
/// of a 250 mm strip still covers ten pixels.
const WORK_SIDE_PX: u32 = 2600;

/// Transmittance, against full scale, above which the clearest neutral plateau counts as open light. Ours: clear
/// black-and-white film with its base is near 0.6, a calibrated scanner puts open light above 0.8.
const OPEN_LEAST_T: f32 = 0.7;

/// Density below the open-light plateau that still counts as open light: lamp fall-off, not film. Ours.
const OPEN_SPREAD_D: f32 = 0.06;

/// Brightest code of the holder, against full scale. Ours: a holder reads as black with some flare.
const HOLDER_MOST_T: f32 = 0.012;

/// Brightest code of a holder with stray light on it, and how even it is. Ours: film simulator with 1 to 4 % of light.
const LIT_HOLDER_MOST_T: f32 = 0.06;
const LIT_HOLDER_SPREAD: f32 = 0.08;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Film,
    Open,
    Holder,
}

/// How to recognise open light: every channel, scaled, reaches `least_t`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct OpenLight {
    scale: [f32; 3],
    pub(super) least_t: f32,
}

impl OpenLight {
    /// The lowest scaled channel of a pixel.
    pub(super) fn clearness(&self, t: [f32; 3]) -> f32 {
        min3(std::array::from_fn(|c| t[c] * self.scale[c]))
    }

    pub(super) fn holds(&self, t: [f32; 3]) -> bool {
        self.clearness(t) >= self.least_t
    }
}

/// Which bright plateau counts as open light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OpenRule {
    /// Neutral and near full scale, as on a calibrated scanner.
    Bright,
    /// The brightest of each channel, whatever its level: a dim or tinted lamp, or channels exposed one by one.
    Relative,
}

/// The picture used by all coarse steps.
#[derive(Debug)]
pub(super) struct Work {
    pub(super) samples: Samples16,
    /// Colour channels, 1 to 3.
    pub(super) colour: usize,
    /// Scan pixels per working pixel.
    pub(super) scale: f64,
    pub(super) kinds: Plane<Kind>,
    /// The open light, if there is any.
    pub(super) open: Option<OpenLight>,
    /// Whether an opaque holder is visible.
    pub(super) has_holder: bool,
}

impl Work {
    /// Reduces and classifies an overview.
    pub(super) fn new(overview: &Overview<'_>, slide: bool, rule: OpenRule) -> Result<Self, LayoutError> {
        let src = overview.samples;
        let (w, h, f) = (src.width(), src.height(), overview.factor.max(1));
        let fits = |small: u32, large: u32| small > 0 && small == large.div_ceil(f);
        if !fits(w, overview.scan_width_px) || !fits(h, overview.scan_height_px) {
            return Err(LayoutError::WrongOverview {
                width: w,
                height: h,
                factor: overview.factor,
                scan_width: overview.scan_width_px,
                scan_height: overview.scan_height_px,
            });
        }
        let colour = overview.colour_channels;
        if !(1..=4).contains(&colour) || colour > src.channels() {
            return Err(LayoutError::WrongChannels { colour, channels: src.channels() });
        }
        let reduce = w.max(h).div_ceil(WORK_SIDE_PX).max(1);
        let samples = box_reduce(src, reduce);
        let colour = usize::from(colour.min(3));
        let mut work = Self {
            kinds: Plane::filled(samples.width(), samples.height(), Kind::Film),
            samples,
            colour,
            scale: f64::from(f) * f64::from(reduce),
            open: None,
            has_holder: false,
        };
        work.classify(slide, rule);
        Ok(work)
    }

    pub(super) fn width(&self) -> usize {
        self.samples.width() as usize
    }

    pub(super) fn height(&self) -> usize {
        self.samples.height() as usize
    }

    /// Transmittances of the colour channels at a pixel, against full scale; a grey channel is repeated.
    pub(super) fn colour_at(&self, index: usize) -> [f32; 3] {
        let c = self.samples.channels() as usize;
        let px = &self.samples.data()[index * c..][..c];
        std::array::from_fn(|k| f32::from(px[k.min(self.colour - 1)]) / 65535.0)
    }

    /// Infrared transmittance at a pixel, if there is an infrared plane.
    fn infrared_at(&self, index: usize) -> Option<f32> {
        let c = self.samples.channels() as usize;
        (c > self.colour).then(|| f32::from(self.samples.data()[index * c + c - 1]) / 65535.0)
    }

    pub(super) fn has_infrared(&self) -> bool {
        self.samples.channels() as usize > self.colour
    }

    fn classify(&mut self, slide: bool, rule: OpenRule) {
        let n = self.width() * self.height();
        let scale = match rule {
            OpenRule::Bright => [1.0; 3],
            OpenRule::Relative => std::array::from_fn(|c| {
                let one: Vec<f32> = (0..n).map(|i| self.colour_at(i)[c]).collect();
                // A channel darker than 5 % at its brightest has no light to scale by. Our choice.
                1.0 / top_level(&histogram(&one), n).max(0.05)
            }),
        };
        let trial = OpenLight { scale, least_t: 0.0 };
        let clear: Vec<f32> = (0..n).map(|i| trial.clearness(self.colour_at(i)).min(1.0)).collect();
        let any: Vec<f32> =
            (0..n).map(|i| max3(self.colour_at(i)).max(self.infrared_at(i).unwrap_or(0.0))).collect();
        self.open = open_level(&clear, slide).map(|least_t| OpenLight { scale, least_t });
        let holder_t = holder_level(&any).or_else(|| lit_holder_level(&any, self.width()));
        self.has_holder = holder_t.is_some();
        let kinds = self.kinds.data_mut();
        for i in 0..n {
            kinds[i] = match (self.open, holder_t) {
                (Some(open), _) if clear[i] >= open.least_t => Kind::Open,
                (_, Some(t)) if any[i] <= t => Kind::Holder,
                _ => Kind::Film,
            };
        }
    }
}

pub(super) fn min3(t: [f32; 3]) -> f32 {
    t[0].min(t[1]).min(t[2])
}

pub(super) fn max3(t: [f32; 3]) -> f32 {
    t[0].max(t[1]).max(t[2])
}

/// Counts of 0..1 in 4096 steps.
fn histogram(values: &[f32]) -> Vec<u32> {
    // Steps of 1/4096: finer than noise and than the classes told apart. Our choice.
    let mut bins = vec![0_u32; 4096];
    for v in values {
        bins[(v * 4095.0).clamp(0.0, 4095.0) as usize] += 1;
    }
    bins
}

/// Transmittance exceeded by a five-hundredth of the pixels, so that dirt and clipped specks do not decide. Our choice.
fn top_level(bins: &[u32], pixels: usize) -> f32 {
    let mut above = 0_usize;
    let target = (pixels / 500).max(8);
    let top = (0..bins.len()).rev().find(|&b| {
        above += bins[b] as usize;
        above >= target
    });
    top.unwrap_or(0) as f32 / 4095.0
}

/// Lowest transmittance of open light, if there is a bright neutral plateau.
fn open_level(clear: &[f32], slide: bool) -> Option<f32> {
    let bins = histogram(clear);
    let top_t = top_level(&bins, clear.len());
    // The highlights of a slide reach higher than the base of a negative. Our choice.
    if top_t < if slide { 0.8 } else { OPEN_LEAST_T } {
        return None;
    }
    let low = top_t * 10_f32.powf(-OPEN_SPREAD_D);
    // A plateau has most of its bright pixels in the upper half of the allowed spread. The highlights of a picture
    // thin out towards the top instead.
    let middle = top_t * 10_f32.powf(-OPEN_SPREAD_D / 2.0);
    let count = |from: f32| bins[(from * 4095.0) as usize..].iter().map(|&n| n as usize).sum::<usize>();
    (count(middle) * 2 > count(low)).then_some(low)
}

/// Highest code of the holder, if a good part of the scan is black: three times the median leaves room for its flare.
/// Our choice.
fn holder_level(any: &[f32]) -> Option<f32> {
    let mut dark: Vec<f32> = any.iter().copied().filter(|v| *v < HOLDER_MOST_T).collect();
    if dark.len() < any.len() / 200 {
        return None;
    }
    let median = glassine_raster::median(&mut dark, f32::total_cmp)?;
    Some((median * 3.0).clamp(0.002, HOLDER_MOST_T))
}

/// Highest code of a holder with stray light on it: the darkest even part of the scan, if it covers most of one side.
///
/// Our choice: 60 % of a side and 2 % of the scan, because film interrupts a holder's side and a shadow is smaller.
fn lit_holder_level(any: &[f32], width: usize) -> Option<f32> {
    let mut least: Vec<f32> = any.iter().step_by(3).copied().collect();
    let at = least.len() / 500;
    if least.is_empty() || width == 0 {
        return None;
    }
    let darkest = *least.select_nth_unstable_by(at, f32::total_cmp).1;
    let limit = darkest * (1.0 + 2.0 * LIT_HOLDER_SPREAD);
    if darkest < HOLDER_MOST_T || limit > LIT_HOLDER_MOST_T {
        return None;
    }
    let is_held = |t: &f32| *t <= limit;
    let height = any.len() / width;
    let is_side = |count: usize, at: &dyn Fn(usize) -> usize| {
        (0..count).filter(|i| any.get(at(*i)).is_some_and(is_held)).count() * 10 > count * 6
    };
    let runs = is_side(width, &|x| x)
        || is_side(width, &|x| x + width * height.saturating_sub(1))
        || is_side(height, &|y| y * width)
        || is_side(height, &|y| y * width + width - 1);
    (runs && any.iter().filter(|t| is_held(t)).count() * 50 > any.len()).then_some(limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_overview_that_does_not_fit_its_scan_is_refused() {
        let samples = Samples16::zeroed(10, 5, 3);
        let wrong = Overview {
            samples: &samples,
            colour_channels: 3,
            factor: 4,
            scan_width_px: 50,
            scan_height_px: 20,
        };
        assert!(matches!(Work::new(&wrong, false, OpenRule::Bright), Err(LayoutError::WrongOverview { .. })));
        let few = Overview { colour_channels: 4, scan_width_px: 40, ..wrong };
        assert!(matches!(Work::new(&few, false, OpenRule::Bright), Err(LayoutError::WrongChannels { .. })));
    }

    #[test]
    fn holder_film_and_open_light_are_told_apart() {
        let mut samples = Samples16::zeroed(90, 30, 3);
        for y in 0..30 {
            for x in 0..90_usize {
                let px = if x < 30 {
                    [60, 50, 40]
                } else if x < 60 {
                    [34000, 16000, 7700]
                } else {
                    [61000; 3]
                };
                samples.row_mut(y)[x * 3..][..3].copy_from_slice(&px);
            }
        }
        let overview = Overview {
            samples: &samples,
            colour_channels: 3,
            factor: 1,
            scan_width_px: 90,
            scan_height_px: 30,
        };
        let work = Work::new(&overview, false, OpenRule::Bright).expect("fits");
        assert_eq!(work.kinds.at(10, 3), Kind::Holder);
        assert_eq!(work.kinds.at(45, 3), Kind::Film);
        assert_eq!(work.kinds.at(80, 3), Kind::Open);
    }
}
