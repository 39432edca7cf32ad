//! Editing a dust map: painting defects in and out, joining maps, counting.

use glassine_raster::{PixelRect, Plane};

use crate::grid::Grid;
use crate::label::{Component, Run, join_runs};
use crate::types::{ChannelResponse, DustClass, DustMap, Leakage, Mark, Registration};

/// Counts of the marks in a part of a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct MarkCounts {
    pub specks: u32,
    pub hairs: u32,
    pub scratches: u32,
    pub marked_px: u64,
}

impl DustMap {
    /// A map without defects, for repair by hand or without an infrared plane.
    pub fn clean(width: u32, height: u32) -> Self {
        Self {
            marks: Grid::new(width, height, Mark::CLEAN),
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
                stray_light: 0.0,
                strength: 0.0,
                blur_px: 0.0,
            },
            noise_d: 0.0,
            threshold_d: 0.0,
        }
    }

    pub fn width(&self) -> u32 {
        self.marks.width()
    }

    pub fn height(&self) -> u32 {
        self.marks.height()
    }

    /// The mark of a pixel inside the region.
    pub fn mark(&self, x: u32, y: u32) -> Mark {
        self.marks.at(x, y)
    }

    /// Severity of a pixel inside the region: 0 clean, else the share of visible light lost, times 255.
    pub fn severity(&self, x: u32, y: u32) -> u8 {
        self.marks.at(x, y).severity
    }

    /// Sets the mark of a pixel inside the region.
    pub fn set_mark(&mut self, x: u32, y: u32, mark: Mark) {
        if self.marks.at(x, y) != mark {
            self.marks.set(x, y, mark);
        }
    }

    /// Marked pixels of a row within columns `x0..x1`, as runs `start..end`, in order.
    pub fn marked_runs(&self, y: u32, x0: u32, x1: u32) -> Vec<(u32, u32)> {
        let mut runs: Vec<(u32, u32)> = Vec::new();
        for (first, line) in self.marks.touched(y, x0, x1) {
            for (x, _) in (first..).zip(line).filter(|(_, mark)| mark.severity > 0) {
                match runs.last_mut() {
                    Some(run) if run.1 == x => run.1 = x + 1,
                    _ => runs.push((x, x + 1)),
                }
            }
        }
        runs
    }

    /// Whether any pixel of `rect` is marked.
    pub fn touches(&self, rect: PixelRect) -> bool {
        self.marks.any(rect, |mark| mark.severity > 0)
    }

    /// Severity of every pixel of the region, as a plane.
    pub fn severity_plane(&self) -> Plane<u8> {
        let mut plane = Plane::filled(self.width(), self.height(), 0);
        for y in 0..self.height() {
            for (x0, x1) in self.marked_runs(y, 0, self.width()) {
                (x0..x1).for_each(|x| plane.set(x, y, self.severity(x, y)));
            }
        }
        plane
    }

    /// Whether nothing is marked.
    pub fn is_clean(&self) -> bool {
        !self.touches(PixelRect::of_size(self.width(), self.height()))
    }

    pub fn marked_px(&self) -> u64 {
        let row = |y| self.marked_runs(y, 0, self.width()).iter().map(|(a, b)| u64::from(b - a)).sum::<u64>();
        (0..self.height()).map(row).sum()
    }

    /// Memory use in bytes.
    pub fn bytes(&self) -> usize {
        self.marks.bytes()
    }

    /// Connected marks, in reading order.
    pub(crate) fn components(&self) -> Vec<Component> {
        join_runs(self.all_runs(), self.height(), 0)
    }

    fn all_runs(&self) -> Vec<Run> {
        let runs_of = |y| self.marked_runs(y, 0, self.width()).into_iter();
        (0..self.height()).flat_map(|y| runs_of(y).map(move |(x0, x1)| Run { y, x0, x1 })).collect()
    }

    /// Counts the marks at the pixels where a condition is true, as if all others were clean.
    pub fn count_where(&self, holds: impl Fn(u32, u32) -> bool) -> MarkCounts {
        let mut runs: Vec<Run> = Vec::new();
        for Run { y, x0, x1 } in self.all_runs() {
            for x in (x0..x1).filter(|&x| holds(x, y)) {
                match runs.last_mut() {
                    Some(last) if last.y == y && last.x1 == x => last.x1 = x + 1,
                    _ => runs.push(Run { y, x0: x, x1: x + 1 }),
                }
            }
        }
        let marked_px = runs.iter().map(|run| u64::from(run.x1 - run.x0)).sum();
        let mut counts = MarkCounts { marked_px, ..MarkCounts::default() };
        for component in join_runs(runs, self.height(), 0) {
            match self.class_of(&component) {
                DustClass::Speck => counts.specks += 1,
                DustClass::Hair => counts.hairs += 1,
                DustClass::Scratch => counts.scratches += 1,
            }
        }
        counts
    }

    /// The most frequent class among the pixels of a connected mark.
    fn class_of(&self, component: &Component) -> DustClass {
        let mut votes = [0_u32; 4];
        for (x, y) in component.pixels() {
            votes[usize::from(self.marks.at(x, y).class.min(3))] += 1;
        }
        let most = (1..4_u8).max_by_key(|&c| votes[usize::from(c)]).unwrap_or(1);
        DustClass::from_code(most).unwrap_or(DustClass::Speck)
    }

    /// Marks a disc by hand. Its pixels are filled from their surroundings; existing marks keep their values.
    ///
    /// The centre is in pixels of the region, measured at pixel edges. Returns the pixels newly marked.
    pub fn paint_in(&mut self, x_px: f64, y_px: f64, radius_px: f64) -> u64 {
        let mut painted = 0;
        for (x, y) in self.disc(x_px, y_px, radius_px) {
            if self.severity(x, y) == 0 {
                let mark = Mark { severity: u8::MAX, class: DustClass::Speck as u8, attenuation: 0 };
                self.marks.set(x, y, mark);
                painted += 1;
            }
        }
        self.measure_area();
        painted
    }

    /// Removes the marks from a disc. Returns the number of pixels that were marked.
    pub fn paint_out(&mut self, x_px: f64, y_px: f64, radius_px: f64) -> u64 {
        let mut cleared = 0;
        for (x, y) in self.disc(x_px, y_px, radius_px) {
            if self.severity(x, y) > 0 {
                let seen = self.marks.at(x, y);
                self.marks.set(x, y, Mark { severity: 0, class: 0, ..seen });
                cleared += 1;
            }
        }
        self.measure_area();
        cleared
    }

    /// Adds the marks of another map where this one is clean; ignores a map of another size.
    pub fn join(&mut self, other: &Self) {
        if (other.width(), other.height()) != (self.width(), self.height()) {
            return;
        }
        for y in 0..self.height() {
            for (x0, x1) in other.marked_runs(y, 0, self.width()) {
                for x in (x0..x1).filter(|&x| other.severity(x, y) > 0) {
                    if self.severity(x, y) == 0 {
                        self.marks.set(x, y, other.marks.at(x, y));
                    }
                }
            }
        }
        self.recount();
    }

    /// Counts objects and area again after painting.
    pub fn recount(&mut self) {
        (self.objects, self.specks, self.hairs, self.scratches) = (0, 0, 0, 0);
        for component in self.components() {
            self.count(self.class_of(&component));
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
        let area = f64::from(self.width()) * f64::from(self.height());
        self.area_fraction = self.marked_px() as f64 / area.max(1.0);
    }

    /// Pixels whose centre is within a disc.
    fn disc(&self, x_px: f64, y_px: f64, radius_px: f64) -> Vec<(u32, u32)> {
        let all = [x_px, y_px, radius_px];
        if all.iter().any(|v| !v.is_finite()) || radius_px <= 0.0 {
            return Vec::new();
        }
        // Float casts saturate, so a disc far outside gives an empty range.
        let rect = PixelRect::new(
            (x_px - radius_px).max(0.0) as u32,
            (y_px - radius_px).max(0.0) as u32,
            ((x_px + radius_px).max(0.0) as u32).saturating_add(1),
            ((y_px + radius_px).max(0.0) as u32).saturating_add(1),
        )
        .intersect(PixelRect::of_size(self.width(), self.height()));
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
    fn counting_a_part_is_counting_after_the_rest_was_taken_away() {
        let mut map = DustMap::clean(60, 40);
        for (x, y, radius) in [(10.0, 10.0, 3.0), (30.0, 20.0, 6.0), (50.0, 30.0, 2.0)] {
            map.paint_in(x, y, radius);
        }
        // Cuts the middle disc in two.
        let holds = |x: u32, _: u32| x != 30 && x > 12;
        let counts = map.count_where(holds);
        for (x, y) in (0..40).flat_map(|y| (0..60).map(move |x| (x, y))).filter(|&(x, y)| !holds(x, y)) {
            map.set_mark(x, y, Mark::CLEAN);
        }
        map.recount();
        assert_eq!((counts.specks, counts.hairs, counts.scratches), (map.specks, map.hairs, map.scratches));
        assert_eq!(counts.marked_px, map.marked_px());
        assert_eq!(counts.specks, 3);
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
