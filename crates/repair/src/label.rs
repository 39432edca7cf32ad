//! Finds connected components of a sparse mask, and the shape figures that separate specks, hairs and scratches.

use glassine_raster::{PixelRect, Plane};

use crate::types::DustClass;

/// A run of marked pixels in one row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Run {
    pub(crate) y: u32,
    pub(crate) x0: u32,
    pub(crate) x1: u32,
}

/// One connected component (8-neighbours), runs in reading order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Component {
    pub(crate) runs: Vec<Run>,
}

/// Connected components of the non-zero pixels, in reading order of their first pixel; see [`join_runs`].
pub(crate) fn components(mask: &Plane<u8>, gap: u32) -> Vec<Component> {
    let mut runs: Vec<Run> = Vec::new();
    for y in 0..mask.height() {
        push_runs(mask.row(y), y, &mut runs);
    }
    join_runs(runs, mask.height(), gap)
}

/// Connected components of runs; both are in reading order, components by their first run.
///
/// Runs within `gap` pixels of each other along a row or between rows count as touching.
pub(crate) fn join_runs(runs: Vec<Run>, height: u32, gap: u32) -> Vec<Component> {
    let mut row_start = vec![0_usize; height as usize + 1];
    for run in &runs {
        row_start[run.y as usize + 1] += 1;
    }
    for y in 0..height as usize {
        row_start[y + 1] += row_start[y];
    }
    let mut parent: Vec<u32> = (0..runs.len() as u32).collect();
    for y in 0..height as usize {
        let here = row_start[y]..row_start[y + 1];
        for i in here.clone() {
            if gap > 0 && i + 1 < here.end && runs[i + 1].x0 <= runs[i].x1 + gap {
                join(&mut parent, i as u32, i as u32 + 1);
            }
        }
        for back in 1..=(gap as usize + 1).min(y) {
            let mut start = row_start[y - back];
            let end = row_start[y - back + 1];
            for i in here.clone() {
                let reach = 1 + gap;
                while start < end && runs[start].x1 + reach <= runs[i].x0 {
                    start += 1;
                }
                for j in start..end {
                    if runs[j].x0 >= runs[i].x1 + reach {
                        break;
                    }
                    join(&mut parent, i as u32, j as u32);
                }
            }
        }
    }
    let mut index = vec![u32::MAX; runs.len()];
    let mut found: Vec<Component> = Vec::new();
    for (i, run) in runs.iter().enumerate() {
        let root = root_of(&mut parent, i as u32) as usize;
        if index[root] == u32::MAX {
            index[root] = found.len() as u32;
            found.push(Component::default());
        }
        found[index[root] as usize].runs.push(*run);
    }
    found
}

fn push_runs(row: &[u8], y: u32, runs: &mut Vec<Run>) {
    let mut x = 0;
    while x < row.len() {
        // Most of the picture is clean: skip it eight pixels at a time.
        if x + 8 <= row.len() && row[x..x + 8] == [0; 8] {
            x += 8;
            continue;
        }
        if row[x] == 0 {
            x += 1;
            continue;
        }
        let x0 = x;
        while x < row.len() && row[x] != 0 {
            x += 1;
        }
        runs.push(Run { y, x0: x0 as u32, x1: x as u32 });
    }
}

fn root_of(parent: &mut [u32], mut i: u32) -> u32 {
    while parent[i as usize] != i {
        parent[i as usize] = parent[parent[i as usize] as usize];
        i = parent[i as usize];
    }
    i
}

fn join(parent: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root_of(parent, a), root_of(parent, b));
    let (low, high) = (a.min(b), a.max(b));
    parent[high as usize] = low;
}

impl Component {
    /// The same component, `rows` further down.
    pub(crate) fn lowered(mut self, rows: u32) -> Self {
        self.runs.iter_mut().for_each(|run| run.y += rows);
        self
    }

    pub(crate) fn area(&self) -> u32 {
        self.runs.iter().map(|r| r.x1 - r.x0).sum()
    }

    /// Every pixel, in reading order.
    pub(crate) fn pixels(&self) -> impl Iterator<Item = (u32, u32)> + '_ {
        self.runs.iter().flat_map(|r| (r.x0..r.x1).map(|x| (x, r.y)))
    }

    /// Smallest rectangle around the component.
    pub(crate) fn bounds(&self) -> PixelRect {
        let fold = |pick: fn(&Run) -> u32, join: fn(u32, u32) -> u32, seed| {
            self.runs.iter().map(pick).fold(seed, join)
        };
        PixelRect::new(
            fold(|r| r.x0, u32::min, u32::MAX),
            fold(|r| r.y, u32::min, u32::MAX),
            fold(|r| r.x1, u32::max, 0),
            fold(|r| r.y + 1, u32::max, 0),
        )
    }

    pub(crate) fn shape(&self) -> Shape {
        let n = f64::from(self.area()).max(1.0);
        let (mut sx, mut sy) = (0.0, 0.0);
        for (x, y) in self.pixels() {
            sx += f64::from(x);
            sy += f64::from(y);
        }
        let (mx, my) = (sx / n, sy / n);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (x, y) in self.pixels() {
            let (dx, dy) = (f64::from(x) - mx, f64::from(y) - my);
            xx += dx * dx / n;
            xy += dx * dy / n;
            yy += dy * dy / n;
        }
        let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
        let (sin, cos) = angle.sin_cos();
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (x, y) in self.pixels() {
            let along = cos * (f64::from(x) - mx) + sin * (f64::from(y) - my);
            low = low.min(along);
            high = high.max(along);
        }
        let spread = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
        // 1/12 is the variance of a pixel's own width.
        let across = (((xx + yy - spread) / 2.0).max(0.0) + 1.0 / 12.0).sqrt();
        let perimeter = self.perimeter();
        Shape {
            length_px: high - low + 1.0,
            across_rms_px: across,
            direction: (cos, sin),
            path_px: (perimeter / 2.0).max(1.0),
            mean_width_px: n / (perimeter / 2.0).max(1.0),
        }
    }

    /// Area over half the boundary: the width of a thin object, the radius of a disc.
    pub(crate) fn mean_width_px(&self) -> f64 {
        f64::from(self.area()) / (self.perimeter() / 2.0).max(1.0)
    }

    /// Boundary length: pixel sides facing outside, times pi/4 to compensate for the staircase.
    fn perimeter(&self) -> f64 {
        let mut sides = 0_u64;
        let mut previous: (u32, Vec<Run>) = (u32::MAX, Vec::new());
        let mut i = 0;
        while i < self.runs.len() {
            let y = self.runs[i].y;
            let end = i + self.runs[i..].iter().take_while(|r| r.y == y).count();
            let row = &self.runs[i..end];
            let length: u64 = row.iter().map(|r| u64::from(r.x1 - r.x0)).sum();
            let touching = previous.0 != u32::MAX && previous.0 + 1 == y;
            let shared: u64 = if touching {
                row.iter()
                    .flat_map(|a| {
                        previous.1.iter().map(move |b| a.x1.min(b.x1).saturating_sub(a.x0.max(b.x0)))
                    })
                    .map(u64::from)
                    .sum()
            } else {
                0
            };
            // Top and bottom sides of this row, less both sides of what touches the row above.
            sides += 2 * row.len() as u64 + 2 * length - 2 * shared;
            previous = (y, row.to_vec());
            i = end;
        }
        sides as f64 * std::f64::consts::FRAC_PI_4
    }
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct Shape {
    /// Extent along the main axis.
    pub(crate) length_px: f64,
    /// Rms distance from the main axis.
    pub(crate) across_rms_px: f64,
    /// Unit vector of the main axis.
    pub(crate) direction: (f64, f64),
    /// Half the boundary: the length of a thin object along its bends.
    pub(crate) path_px: f64,
    /// Area over path.
    pub(crate) mean_width_px: f64,
}

impl Shape {
    /// Classifies as compact, long and straight, or long and bent.
    ///
    /// Ours: an object at least five times as long as wide is long; a scratch stays within 3 % of its length of its
    /// axis.
    pub(crate) fn class(&self) -> DustClass {
        let long = self.path_px / self.mean_width_px;
        // Below 10 px shapes do not show; a straight line shorter than 30 px may be part of a hair. Ours.
        if long < 5.0 || self.path_px < 10.0 {
            return DustClass::Speck;
        }
        let straight = self.across_rms_px < 0.6 * self.mean_width_px + 0.012 * self.length_px;
        if straight && self.length_px > 30.0 { DustClass::Scratch } else { DustClass::Hair }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn draw(points: impl Iterator<Item = (u32, u32)>) -> Plane<u8> {
        let mut mask = Plane::filled(120, 80, 0_u8);
        for (x, y) in points {
            mask.set(x, y, 1);
        }
        mask
    }

    fn only_class(mask: &Plane<u8>) -> DustClass {
        let found = components(mask, 0);
        assert_eq!(found.len(), 1);
        found[0].shape().class()
    }

    #[test]
    fn a_disc_is_a_speck_a_line_a_scratch_and_an_arc_a_hair() {
        let disc = (0..80)
            .flat_map(|y| (0..120).map(move |x| (x, y)))
            .filter(|&(x, y): &(u32, u32)| (x as i32 - 40).pow(2) + (y as i32 - 40).pow(2) <= 64);
        assert_eq!(only_class(&draw(disc)), DustClass::Speck);
        let line = (0..100).flat_map(|x| (0..2).map(move |d| (x + 5, 20 + x / 5 + d)));
        assert_eq!(only_class(&draw(line)), DustClass::Scratch);
        let arc = (0..400).flat_map(|i| {
            let a = f64::from(i) / 400.0 * 2.5;
            (0..2).map(move |d| ((60.0 + 35.0 * a.cos()) as u32 + d, (30.0 + 35.0 * a.sin()) as u32))
        });
        assert_eq!(only_class(&draw(arc)), DustClass::Hair);
    }

    #[test]
    fn diagonal_neighbours_join_and_a_gap_does_not_unless_allowed() {
        let mask = draw([(3, 3), (4, 4), (7, 4), (20, 10), (20, 12)].into_iter());
        assert_eq!(components(&mask, 0).len(), 4);
        assert_eq!(components(&mask, 2).len(), 2);
        assert_eq!(components(&mask, 0)[0].area(), 2);
        assert_eq!(components(&mask, 0)[0].bounds(), PixelRect::new(3, 3, 5, 5));
    }

    #[test]
    fn the_perimeter_of_a_square_is_its_sides() {
        let mask = draw((10..20).flat_map(|x| (10..20).map(move |y| (x, y))));
        let found = components(&mask, 0);
        assert!((found[0].perimeter() - 40.0 * std::f64::consts::FRAC_PI_4).abs() < 1e-9);
    }
}
