//! Editing a dust map: painting defects in and out, joining maps, counting.

use glassine_raster::{PixelRect, Plane};

use crate::label::components;
use crate::types::{ChannelResponse, DustClass, DustMap, Leakage, Registration};

impl DustMap {
    /// A map without a defect, for repair by hand or where there is no infrared plane.
    pub fn clean(width: u32, height: u32) -> Self {
        Self {
            severity: Plane::filled(width, height, 0),
            class: Plane::filled(width, height, 0),
            attenuation: Plane::filled(width, height, u16::MAX),
            response: vec![ChannelResponse::DIRECT; 3],
            area_fraction: 0.0,
            objects: 0,
            specks: 0,
            hairs: 0,
            scratches: 0,
            registration: Registration { confidence: 0.0, ..Registration::ALIGNED },
            leakage: Leakage {
                coefficients: [0.0; 3],
                offset_d: 0.0,
                silver_correlation: 0.0,
                strength: 0.0,
                blur_px: 0.0,
            },
            noise_d: 0.0,
            threshold_d: 0.0,
        }
    }

    /// Whether nothing is marked.
    pub fn is_clean(&self) -> bool {
        self.severity.data().iter().all(|&s| s == 0)
    }

    /// Mark a disc by hand. Its pixels are filled from their surroundings; what was marked before keeps its values.
    ///
    /// The centre is in pixels of the region, measured at pixel edges. Returns the pixels newly marked.
    pub fn paint_in(&mut self, x_px: f64, y_px: f64, radius_px: f64) -> u64 {
        let mut painted = 0;
        for (x, y) in self.disc(x_px, y_px, radius_px) {
            if self.severity.at(x, y) == 0 {
                self.severity.set(x, y, u8::MAX);
                self.class.set(x, y, DustClass::Speck as u8);
                self.attenuation.set(x, y, 0);
                painted += 1;
            }
        }
        self.measure_area();
        painted
    }

    /// Take the marks off a disc. Returns the pixels that were marked.
    pub fn paint_out(&mut self, x_px: f64, y_px: f64, radius_px: f64) -> u64 {
        let mut cleared = 0;
        for (x, y) in self.disc(x_px, y_px, radius_px) {
            if self.severity.at(x, y) > 0 {
                self.severity.set(x, y, 0);
                self.class.set(x, y, 0);
                cleared += 1;
            }
        }
        self.measure_area();
        cleared
    }

    /// Add the marks of another map of the same size where this one is clean; maps of another size are ignored.
    pub fn join(&mut self, other: &Self) {
        let same = other.severity.width() == self.severity.width()
            && other.severity.height() == self.severity.height();
        if !same {
            return;
        }
        for i in 0..self.severity.data().len() {
            if self.severity.data()[i] == 0 && other.severity.data()[i] > 0 {
                self.severity.data_mut()[i] = other.severity.data()[i];
                self.class.data_mut()[i] = other.class.data()[i];
                self.attenuation.data_mut()[i] = other.attenuation.data()[i];
            }
        }
        self.recount();
    }

    /// Count objects and area anew from the planes, after painting.
    pub fn recount(&mut self) {
        (self.objects, self.specks, self.hairs, self.scratches) = (0, 0, 0, 0);
        for component in components(&self.severity, 0) {
            let mut votes = [0_u32; 4];
            for (x, y) in component.pixels() {
                votes[usize::from(self.class.at(x, y).min(3))] += 1;
            }
            let most = (1..4_u8).max_by_key(|&c| votes[usize::from(c)]).unwrap_or(1);
            self.count(DustClass::from_code(most).unwrap_or(DustClass::Speck));
        }
        self.measure_area();
    }

    pub(crate) fn count(&mut self, class: DustClass) {
        self.objects += 1;
        match class {
            DustClass::Speck => self.specks += 1,
            DustClass::Hair => self.hairs += 1,
            DustClass::Scratch => self.scratches += 1,
        }
    }

    pub(crate) fn measure_area(&mut self) {
        let marked = self.severity.data().iter().filter(|&&s| s > 0).count();
        self.area_fraction = marked as f64 / (self.severity.data().len() as f64).max(1.0);
    }

    /// Pixels whose centre lies within a disc.
    fn disc(&self, x_px: f64, y_px: f64, radius_px: f64) -> Vec<(u32, u32)> {
        let all = [x_px, y_px, radius_px];
        if all.iter().any(|v| !v.is_finite()) || radius_px <= 0.0 {
            return Vec::new();
        }
        // Casts of floats saturate, so a disc far outside gives an empty range.
        let rect = PixelRect::new(
            (x_px - radius_px).max(0.0) as u32,
            (y_px - radius_px).max(0.0) as u32,
            ((x_px + radius_px).max(0.0) as u32).saturating_add(1),
            ((y_px + radius_px).max(0.0) as u32).saturating_add(1),
        )
        .intersect(PixelRect::of_size(self.severity.width(), self.severity.height()));
        let inside =
            |x: u32, y: u32| (f64::from(x) + 0.5 - x_px).hypot(f64::from(y) + 0.5 - y_px) <= radius_px;
        (rect.y0..rect.y1)
            .flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y)))
            .filter(|&(x, y)| inside(x, y))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn painting_in_and_out_returns_to_a_clean_map() {
        let mut map = DustMap::clean(40, 30);
        let painted = map.paint_in(20.0, 15.0, 4.0);
        assert!((45..=55).contains(&painted));
        map.recount();
        assert_eq!((map.objects, map.specks), (1, 1));
        assert!((map.area_fraction - painted as f64 / 1200.0).abs() < 1e-12);
        assert_eq!(map.paint_out(20.0, 15.0, 5.0), painted);
        map.recount();
        assert!(map.is_clean() && map.objects == 0);
    }

    #[test]
    fn senseless_brushes_paint_nothing() {
        let mut map = DustMap::clean(40, 30);
        for (x, y, r) in [(f64::NAN, 1.0, 2.0), (1.0, 1.0, 0.0), (-500.0, 3.0, 9.0), (1e300, 1.0, 5.0)] {
            assert_eq!(map.paint_in(x, y, r), 0);
        }
    }

    #[test]
    fn joined_maps_hold_the_marks_of_both() {
        let mut map = DustMap::clean(40, 30);
        map.paint_in(10.0, 10.0, 2.0);
        let mut other = DustMap::clean(40, 30);
        other.paint_in(30.0, 20.0, 2.0);
        map.join(&other);
        assert_eq!(map.objects, 2);
        map.join(&DustMap::clean(3, 3));
        assert_eq!(map.objects, 2);
    }
}
