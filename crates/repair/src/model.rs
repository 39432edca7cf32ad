//! The infrared density that only defects can explain, on the visible pixel grid.
//!
//! ```text
//! E(x) = D_infrared(register(x)) - blur(c . D_visible)(x) - background(x)
//! ```
//! The [`Model`] holds everything that is frame-wide. Any part of the frame, a [`Field`](crate::field::Field), is then
//! computed only from the samples around it, and the value of a pixel does not depend on the part requested.

use glassine_raster::{PixelRect, Plane};

use crate::types::{Leakage, Registration};

/// Margin that the uncertainty of a field needs around it: the largest slope this near counts. Our choice.
pub(crate) const HALO_PX: u32 = 2;

/// Everything that holds for the whole frame.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) colours: u8,
    pub(crate) registration: Registration,
    /// Infrared density of lamp and film base, one value per block.
    pub(crate) background: Plane<f32>,
    /// Leaked density per visible density, one value per colour; empty when the dyes are clear.
    pub(crate) leaks: Vec<f32>,
    /// See [`Leakage::stray_light`], codes.
    pub(crate) stray_codes: f32,
    /// Blur of the infrared picture: middle and one side of a Gaussian.
    pub(crate) kernel: Vec<f32>,
}

impl Model {
    pub(crate) fn new(
        (width, height): (u32, u32),
        colours: u8,
        registration: Registration,
        leakage: &Leakage,
        background: Plane<f32>,
    ) -> Self {
        let weights = &leakage.coefficients.map(|c| c as f32)[..usize::from(colours.min(3))];
        let leaks = if is_clear(leakage) { Vec::new() } else { weights.to_vec() };
        let kernel = if leaks.is_empty() { vec![1.0] } else { gaussian_kernel(leakage.blur_px as f32) };
        let stray_codes = leakage.stray_light as f32 * 65535.0;
        Self { width, height, colours, registration, background, leaks, stray_codes, kernel }
    }

    /// The part of the scan needed to compute `rect`.
    pub(crate) fn needs(&self, rect: PixelRect) -> PixelRect {
        let outer = rect.grown(HALO_PX, self.width, self.height);
        let visible = outer.grown(self.kernel.len() as u32 - 1, self.width, self.height);
        let corners =
            [(outer.x0, outer.y0), (outer.x1, outer.y0), (outer.x0, outer.y1), (outer.x1, outer.y1)].map(
                |(x, y)| {
                    let r = &self.registration;
                    r.infrared_from_visible(f64::from(x), f64::from(y), self.width, self.height)
                },
            );
        let bound = |pick: fn(&(f64, f64)) -> f64| {
            corners.iter().map(pick).fold((f64::MAX, f64::MIN), |(l, u), v| (l.min(v), u.max(v)))
        };
        let ((left, right), (top, bottom)) = (bound(|p| p.0), bound(|p| p.1));
        // Casts saturate; positions outside repeat the edge, so at least the edge itself is needed.
        let low = |v: f64, n: u32| ((v - 3.0).max(0.0) as u32).min(n - 1);
        let high = |v: f64, n: u32| ((v + 4.0).max(1.0) as u32).min(n);
        PixelRect::new(
            visible.x0.min(low(left, self.width)),
            visible.y0.min(low(top, self.height)),
            visible.x1.max(high(right, self.width)),
            visible.y1.max(high(bottom, self.height)),
        )
    }
}

/// Whether the dyes are clear in the infrared.
pub(crate) fn is_clear(leakage: &Leakage) -> bool {
    // At 3 D that is 0.0006 D, a tenth of the lowest threshold. Our choice.
    leakage.coefficients.iter().all(|c| c.abs() < 2e-4)
}

/// Middle and one side of a Gaussian, cut at three standard deviations.
fn gaussian_kernel(sigma_px: f32) -> Vec<f32> {
    // Below 0.2 the neighbours weigh less than 4e-6; three sigma hold 99.7 %; 20 px bounds the reach.
    if sigma_px.is_nan() || sigma_px <= 0.2 {
        return vec![1.0];
    }
    let reach = (3.0 * sigma_px.min(20.0)).ceil() as usize;
    let half: Vec<f32> = (0..=reach).map(|i| (-0.5 * (i as f32 / sigma_px).powi(2)).exp()).collect();
    let sum = half[0] + 2.0 * half[1..].iter().sum::<f32>();
    half.iter().map(|k| k / sum).collect()
}

#[cfg(test)]
mod tests {
    use glassine_raster::Samples16;
    use glassine_testdata::random::Lcg;

    use super::*;
    use crate::field::Field;

    fn everything(model: &Model, linear: &Samples16) -> Field {
        let whole = PixelRect::of_size(model.width, model.height);
        let mut field = Field::default();
        field.compute(model, linear, whole, whole);
        field
    }

    fn leakage(coefficients: [f64; 3], blur_px: f64) -> Leakage {
        Leakage {
            coefficients,
            offset_d: 0.0,
            silver_correlation: 0.0,
            stray_light: 0.0,
            strength: 0.0,
            blur_px,
        }
    }

    #[test]
    fn a_shifted_infrared_picture_is_laid_back() {
        let wave = |x: f64, y: f64| 30_000.0 + 8_000.0 * (0.3 * x).sin() * (0.25 * y).cos();
        let (w, h) = (64, 48);
        let mut data = Vec::new();
        for y in 0..h {
            for x in 0..w {
                // Infrared content is at the visible position plus (0.8, -0.4).
                data.extend([20_000, wave(f64::from(x) - 0.8, f64::from(y) + 0.4) as u16]);
            }
        }
        let samples = Samples16::from_vec(w, h, 2, data).expect("length fits");
        for rotation_rad in [0.0, 1e-9] {
            let registration = Registration { shift_px: [0.8, -0.4], rotation_rad, ..Registration::ALIGNED };
            let zero = Plane::filled(4, 3, 0.0_f32);
            let model = Model::new((w, h), 1, registration, &leakage([0.0; 3], 0.0), zero);
            let laid = everything(&model, &samples);
            for (x, y) in [(5, 5), (30, 20), (50, 40)] {
                let expect = (65535.0 / wave(f64::from(x), f64::from(y))).log10() as f32;
                assert!((laid.density_at(x, y) - expect).abs() < 5e-4);
            }
        }
    }

    #[test]
    fn a_part_has_the_values_of_the_whole() {
        let (w, h) = (90, 70);
        let mut random = Lcg::new(5);
        let data = (0..w * h * 4).map(|_| 20_000 + (random.next_u32() >> 18) as u16);
        let samples = Samples16::from_vec(w, h, 4, data.collect()).expect("length fits");
        let background =
            Plane::from_vec(6, 5, (0..30_u8).map(|i| 0.01 * f32::from(i)).collect()).expect("length fits");
        for (shift_px, rotation_rad) in [([0.8, -0.4], 0.0), ([-5.3, 7.1], 0.0), ([1.2, 0.3], 0.02)] {
            let registration = Registration { shift_px, rotation_rad, ..Registration::ALIGNED };
            let leakage = leakage([0.05, 0.01, -0.02], 0.9);
            let model = Model::new((w, h), 3, registration, &leakage, background.clone());
            let whole = everything(&model, &samples);
            let (mut space, mut other) = (Default::default(), Default::default());
            let mut part = Field::default();
            for rect in [(0, 0, 20, 9), (33, 17, 71, 40), (80, 60, 90, 70)] {
                let rect = PixelRect::new(rect.0, rect.1, rect.2, rect.3);
                let needs = model.needs(rect);
                let mut read = Samples16::zeroed(needs.width(), needs.height(), 4);
                for y in needs.y0..needs.y1 {
                    let columns = needs.x0 as usize * 4..needs.x1 as usize * 4;
                    read.row_mut(y - needs.y0).copy_from_slice(&samples.row(y)[columns]);
                }
                part.compute(&model, &read, needs, rect);
                for y in rect.y0..rect.y1 {
                    let columns = |field: &Field| {
                        (rect.x0 - field.outer.x0) as usize..(rect.x1 - field.outer.x0) as usize
                    };
                    let all = &whole.smooth_row(y, &mut space)[columns(&whole)];
                    let some = &part.smooth_row(y, &mut other)[columns(&part)];
                    assert_eq!(all, some);
                    for (x, smooth) in (rect.x0..rect.x1).zip(some) {
                        assert_eq!(part.smooth_at(x, y), *smooth);
                        assert_eq!(part.steepness_at(x, y), whole.steepness_at(x, y), "{x} {y}");
                        assert_eq!(part.lag_at(x, y), whole.lag_at(x, y), "{x} {y}");
                        assert_eq!(part.density_at(x, y), whole.density_at(x, y), "{x} {y}");
                        assert_eq!(part.leaked_at(x, y), whole.leaked_at(x, y), "{x} {y}");
                    }
                }
            }
        }
    }
}
