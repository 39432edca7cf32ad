//! Overlapping parts with known places: one calculated film, sampled by two or more scans that turn, scale, shift,
//! expose and soil it differently. Parts are sampled here, with code of its own.

#![allow(clippy::print_stdout, reason = "measured figures are shown")]

use glassine_layout::join::{Affine, JoinError, JoinPlan, Joined, PartView, Placed, Unregistered, plan_join};
use glassine_raster::{CancelToken, PixelRect, Point, RegionSource as _, Samples16, Scan};
use glassine_testdata::random::SplitMix64;

/// Random numbers, also normal ones.
struct Random(SplitMix64);

impl Random {
    fn new(seed: u64) -> Self {
        Self(SplitMix64::new(seed))
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0.between(low, high)
    }

    /// Nearly normal, variance 1.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.0.unit()).sum::<f64>() - 6.0
    }
}

/// Film pixels in one scan pixel.
const OVERSAMPLED: f64 = 2.0;

/// Transmitted light of a film, 0 to 1.
struct Film {
    width: usize,
    height: usize,
    light: Vec<f32>,
}

impl Film {
    /// Clouds of several sizes, discs, lines and grain inside a clear rebate; `detail` scales all of it.
    fn new(random: &mut Random, (width, height): (usize, usize), detail: f64) -> Self {
        let mut density = vec![0.5_f32; width * height];
        for (cell, strength) in [(160.0, 0.35), (60.0, 0.2), (22.0, 0.12), (9.0, 0.06)] {
            let phase = (random.between(0.0, 900.0), random.between(0.0, 900.0));
            let seed = random.0.next_u64();
            for y in 0..height {
                for x in 0..width {
                    let at = ((x as f64 + phase.0) / cell, (y as f64 + phase.1) / cell);
                    density[y * width + x] += (detail * strength * cloud(at, seed)) as f32;
                }
            }
        }
        for _ in 0..90 {
            let (cx, cy) = (random.between(0.0, width as f64), random.between(0.0, height as f64));
            let (r, d) = (random.between(4.0, 50.0), detail * random.between(-0.3, 0.3));
            let (x0, x1) = ((cx - r).max(0.0) as usize, ((cx + r) as usize + 1).min(width));
            let (y0, y1) = ((cy - r).max(0.0) as usize, ((cy + r) as usize + 1).min(height));
            for y in y0..y1 {
                for x in x0..x1 {
                    if (x as f64 - cx).hypot(y as f64 - cy) < r {
                        density[y * width + x] += d as f32;
                    }
                }
            }
        }
        let rebate = 40;
        let mut light: Vec<f32> = density.iter().map(|d| 10.0_f32.powf(-d.max(0.15))).collect();
        for (i, light) in light.iter_mut().enumerate() {
            let (x, y) = (i % width, i / width);
            if x < rebate || y < rebate || x + rebate >= width || y + rebate >= height {
                *light = 0.8;
            }
            *light *= 1.0 + (0.01 * detail.min(1.0) * random.normal()) as f32;
        }
        Self { width, height, light }
    }

    /// Light at a film position (edges), bilinear; open light beside the film.
    fn at(&self, p: Point<Scan>) -> f64 {
        let (x, y) = (p.x - 0.5, p.y - 0.5);
        if x < 0.0 || y < 0.0 || x >= (self.width - 1) as f64 || y >= (self.height - 1) as f64 {
            return 0.97;
        }
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let at = |i: usize, j: usize| f64::from(self.light[j * self.width + i]);
        (at(i, j) * (1.0 - u) + at(i + 1, j) * u) * (1.0 - v)
            + (at(i, j + 1) * (1.0 - u) + at(i + 1, j + 1) * u) * v
    }

    /// The mean over one scan pixel.
    fn pixel(&self, to_film: &Affine, (x, y): (u32, u32)) -> f64 {
        let thirds = [1.0 / 6.0, 0.5, 5.0 / 6.0];
        let inside =
            thirds.iter().flat_map(|v| thirds.map(|u| Point::new(f64::from(x) + u, f64::from(y) + v)));
        inside.map(|p| self.at(to_film.apply(p))).sum::<f64>() / 9.0
    }
}

/// Smooth noise between -1 and 1.
fn cloud((x, y): (f64, f64), seed: u64) -> f64 {
    let corner = |i: f64, j: f64| {
        let mut h = (i as i64 as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
            ^ (j as i64 as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f)
            ^ seed;
        h = (h ^ (h >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        h = (h ^ (h >> 29)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((h ^ (h >> 32)) & 0xffff) as f64 / 32767.5 - 1.0
    };
    let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
    let (i, j) = (x.floor(), y.floor());
    let (u, v) = (smooth(x - i), smooth(y - j));
    let row = |j: f64| corner(i, j) * (1.0 - u) + corner(i + 1.0, j) * u;
    row(j) * (1.0 - v) + row(j + 1.0) * v
}

/// How one part is scanned.
struct Scanning {
    /// From pixels of the part to film pixels.
    to_film: Affine,
    gain: [f64; 4],
    flare: f64,
    noise: f64,
}

fn scan(film: &Film, random: &mut Random, how: &Scanning, (width, height): (u32, u32)) -> Samples16 {
    let holder = 12;
    let mut samples = Samples16::zeroed(width, height, 4);
    for y in 0..height {
        for x in 0..width {
            let is_holder = x < holder || y < holder || x + holder >= width || y + holder >= height;
            let light = if is_holder { 0.0 } else { film.pixel(&how.to_film, (x, y)) };
            for c in 0..4 {
                // Channels have contrasts of their own; the fourth, infrared, hardly sees the picture.
                let seen = light.powf([1.0, 1.25, 1.5, 0.1][c]) + how.flare;
                let noise = how.noise * (seen + 0.002).sqrt() * random.normal();
                let code = (how.gain[c] * seen + noise) * 60_000.0;
                samples.row_mut(y)[(x * 4) as usize + c] = code.clamp(0.0, 65535.0) as u16;
            }
        }
    }
    // Dust on the glass stays with the scanner, not with the film.
    for _ in 0..25 {
        let (cx, cy) = (random.between(0.0, width.into()), random.between(0.0, height.into()));
        let r = random.between(1.0, 5.0);
        for y in (cy - r).max(0.0) as u32..((cy + r) as u32 + 1).min(height) {
            for x in (cx - r).max(0.0) as u32..((cx + r) as u32 + 1).min(width) {
                if (f64::from(x) - cx).hypot(f64::from(y) - cy) < r {
                    let row = samples.row_mut(y);
                    row[(x * 4) as usize..][..4]
                        .iter_mut()
                        .for_each(|code| *code = (f64::from(*code) * 0.3) as u16);
                }
            }
        }
    }
    samples
}

struct Case {
    film: Film,
    parts: Vec<Samples16>,
    scans: Vec<Scanning>,
}

impl Case {
    /// `columns` by `rows` parts that share at least `overlap` of a side.
    fn new(seed: u64, (columns, rows): (u32, u32), overlap: f64, detail: f64) -> Self {
        let mut random = Random::new(seed);
        let (width, height) = (640_u32, 460_u32);
        let (step_x, step_y) = (f64::from(width) * (1.0 - overlap), f64::from(height) * (1.0 - overlap));
        let film_size = |side: u32, step: f64, count: u32| {
            (OVERSAMPLED * (f64::from(side) - 50.0 + step * f64::from(count - 1))) as usize
        };
        let film = Film::new(
            &mut random,
            (film_size(width, step_x, columns), film_size(height, step_y, rows)),
            detail,
        );
        let (mut parts, mut scans) = (Vec::new(), Vec::new());
        for nth in 0..columns * rows {
            let (column, row) = (nth % columns, nth / columns);
            let angle = random.between(-1.0, 1.0).to_radians() * 0.5;
            let scale = OVERSAMPLED * (1.0 + random.between(-0.0025, 0.0025));
            let (c, s) = (scale * angle.cos(), scale * angle.sin());
            let (cx, cy) = (f64::from(width) / 2.0, f64::from(height) / 2.0);
            let at = (
                OVERSAMPLED * (cx - 25.0 + step_x * f64::from(column) + random.between(-6.0, 6.0)),
                OVERSAMPLED * (cy - 25.0 + step_y * f64::from(row) + random.between(-6.0, 6.0)),
            );
            let to_film = Affine([[c, -s, at.0 - c * cx + s * cy], [s, c, at.1 - s * cx - c * cy]]);
            let lamp = random.between(0.8, 1.0);
            let how = Scanning {
                to_film,
                gain: [0, 1, 2, 3].map(|_| lamp * random.between(0.97, 1.03)),
                flare: random.between(0.002, 0.012),
                noise: random.between(0.002, 0.012),
            };
            parts.push(scan(&film, &mut random, &how, (width, height)));
            scans.push(how);
        }
        Self { film, parts, scans }
    }

    fn plan(&self) -> Result<JoinPlan, JoinError> {
        let views: Vec<PartView<'_>> = self
            .parts
            .iter()
            .map(|samples| PartView { full: samples, overview: samples, overview_factor: 1, colours: 3 })
            .collect();
        plan_join(&views, &CancelToken::new(), &|_| {})
    }

    /// From pixels of a part to pixels of the first.
    fn truth(&self, part: usize) -> Affine {
        self.scans[0].to_film.inverse().expect("regular").after(&self.scans[part].to_film)
    }

    /// Distances, pixels, of the planned places from the true ones, over the part of the first that both show.
    fn errors(&self, plan: &JoinPlan) -> Vec<f64> {
        let of =
            |part: usize| plan.parts.iter().find(|planned| planned.part == part).expect("planned").to_joined;
        let mut errors = Vec::new();
        for a in 0..self.parts.len() {
            for b in a + 1..self.parts.len() {
                let truth = self.scans[b].to_film.inverse().expect("regular").after(&self.scans[a].to_film);
                let (width, height) = (f64::from(self.parts[b].width()), f64::from(self.parts[b].height()));
                let (columns, rows) = (self.parts[a].width(), self.parts[a].height());
                let grid = (0..rows).step_by(10).flat_map(|y| (0..columns).step_by(10).map(move |x| (x, y)));
                let places = grid.map(|(x, y)| Point::new(f64::from(x), f64::from(y)));
                let pairs = places.map(|p| (p, truth.apply(p)));
                let shared = pairs.filter(|(_, q)| q.x > 0.0 && q.y > 0.0 && q.x < width && q.y < height);
                errors.extend(shared.map(|(p, q)| of(a).apply(p).distance(of(b).apply(q))));
            }
        }
        errors
    }

    fn joined(&self, plan: &JoinPlan) -> Joined<&'_ Samples16> {
        let placed = plan.parts.iter().map(|part| {
            let source = &self.parts[part.part];
            Placed::new(source, part.to_joined, &part.light, part.seams.clone()).expect("regular")
        });
        Joined::new(plan.width_px, plan.height_px, placed.collect()).expect("alike")
    }

    /// Signal to noise of the joined picture against the film, dB, in the square root of light, inside the rebate.
    fn psnr_db(&self, plan: &JoinPlan) -> f64 {
        let joined = self.joined(plan);
        let all = joined
            .read(PixelRect::of_size(plan.width_px, plan.height_px), &CancelToken::new())
            .expect("in memory");
        let back = plan.parts[0].to_joined.inverse().expect("regular");
        let to_film = self.scans[0].to_film.after(&back);
        let (mut sum, mut count) = (0.0, 0);
        for y in (0..plan.height_px).step_by(2) {
            for x in (0..plan.width_px).step_by(2) {
                let at = to_film.apply(Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5));
                if at.x < 60.0
                    || at.y < 60.0
                    || at.x > self.film.width as f64 - 60.0
                    || at.y > self.film.height as f64 - 60.0
                {
                    continue;
                }
                let light = (self.film.pixel(&to_film, (x, y)) + self.scans[0].flare) * self.scans[0].gain[0];
                let seen = f64::from(all.pixel(x, y)[0]) / 60_000.0;
                sum += (light.sqrt() - seen.sqrt()).powi(2);
                count += 1;
            }
        }
        -10.0 * (sum / f64::from(count)).log10()
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Random pairs of parts: a few in the suite, more with `GLASSINE_JOIN_SEEDS=36 cargo test --release`.
fn seeds() -> u64 {
    std::env::var("GLASSINE_JOIN_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(3)
}

#[test]
fn two_parts_lie_within_a_third_of_a_pixel_and_join_as_well_as_with_their_true_places() {
    let (mut means, mut worst, mut losses, mut refused) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for seed in 0..seeds() {
        let mut random = Random::new(1000 + seed);
        let (overlap, detail) = (random.between(0.1, 0.4), random.between(0.3, 1.2));
        let shape = if seed % 3 == 2 { (1, 2) } else { (2, 1) };
        let case = Case::new(seed, shape, overlap, detail);
        let plan = match case.plan() {
            Ok(plan) => plan,
            Err(why) => {
                println!("seed {seed}, overlap {overlap:.2}, detail {detail:.2}: {why}");
                refused.push(seed);
                continue;
            }
        };
        let errors = case.errors(&plan);
        let (mean_px, max_px) = (mean(&errors), errors.iter().copied().fold(0.0, f64::max));
        let mut exact = plan.clone();
        let first = exact.parts[0].to_joined;
        exact.parts.iter_mut().for_each(|part| part.to_joined = first.after(&case.truth(part.part)));
        let (db, exact_db) = (case.psnr_db(&plan), case.psnr_db(&exact));
        println!(
            "seed {seed}: overlap {overlap:.2}, detail {detail:.2}, {mean_px:.3} px, at most {max_px:.3} px, {db:.2} dB, with true places {exact_db:.2} dB"
        );
        for (light, how) in plan.parts[1].light.iter().zip(0..) {
            let (one, other) = (&case.scans[0], &case.scans[plan.parts[1].part]);
            let gain = one.gain[how] / other.gain[how];
            let offset = one.gain[how] * (one.flare - other.flare) * 60_000.0 / 65535.0;
            let at_half = (light[0] - gain) * 0.5 + light[1] - offset;
            assert!(at_half.abs() < 0.004, "seed {seed}, channel {how}: light differs by {at_half:.4}");
        }
        means.push(mean_px);
        worst.push(max_px);
        losses.push(exact_db - db);
    }
    let most = |values: &[f64]| values.iter().copied().fold(f64::MIN, f64::max);
    println!(
        "mean {:.3} px, worst mean {:.3} px, worst place {:.3} px, worst loss {:.2} dB",
        mean(&means),
        most(&means),
        most(&worst),
        most(&losses)
    );
    assert!(refused.is_empty(), "refused: {refused:?}");
    assert!(most(&means) <= 0.3 && most(&worst) <= 0.8, "{:.3} {:.3} px", most(&means), most(&worst));
    assert!(most(&losses) <= 0.5, "{:.2} dB", most(&losses));
}

#[test]
fn differences_show_parts_that_agree_as_even_and_a_moved_part_as_uneven() {
    let case = Case::new(31, (2, 1), 0.3, 0.8);
    let plan = case.plan().expect("they overlap");
    let whole = PixelRect::of_size(plan.width_px, plan.height_px);
    // Median size in the first colour, which the holder in one part does not sway, and how many pixels several parts have.
    let seen = |plan: &JoinPlan| {
        let found = case.joined(plan).differences(whole, &CancelToken::new()).expect("in memory");
        let mut sizes: Vec<f32> = found.data().iter().flatten().map(|d| d[0].abs()).collect();
        sizes.sort_by(f32::total_cmp);
        (sizes[sizes.len() / 2], sizes.len())
    };
    let (agreeing_d, shared) = seen(&plan);
    let mut moved = plan.clone();
    let last = moved.parts.last_mut().expect("two parts");
    last.to_joined = Affine::shift(3.0, 0.0).after(&last.to_joined);
    let (moved_d, _) = seen(&moved);
    let all = whole.area() as usize;
    assert!(shared > all / 20 && shared < all / 2, "{shared} of {all} pixels");
    assert!(agreeing_d < 0.02 && moved_d > 1.5 * agreeing_d, "{agreeing_d:.4} D, moved {moved_d:.4} D");
}

#[test]
fn four_tiles_and_three_parts_in_a_row_are_placed_together() {
    for (seed, shape) in [(71, (2, 2)), (72, (3, 1)), (73, (1, 3))] {
        let case = Case::new(seed, shape, 0.25, 0.8);
        let plan = case.plan().expect("they overlap");
        let errors = case.errors(&plan);
        let most = errors.iter().copied().fold(0.0, f64::max);
        assert!(mean(&errors) <= 0.3 && most <= 0.8, "{shape:?}: {:.3} px, {most:.3} px", mean(&errors));
        assert!(case.psnr_db(&plan) > 26.0, "{:.1} dB", case.psnr_db(&plan));
    }
}

#[test]
fn a_region_is_the_same_however_the_picture_is_read() {
    let case = Case::new(5, (2, 1), 0.3, 0.8);
    let plan = case.plan().expect("they overlap");
    let joined = case.joined(&plan);
    let cancel = CancelToken::new();
    let all = joined.read(PixelRect::of_size(plan.width_px, plan.height_px), &cancel).expect("in memory");
    for rect in
        [PixelRect::new(0, 0, 7, 5), PixelRect::new(380, 100, 760, 140), PixelRect::new(500, 0, 501, 460)]
    {
        let part = joined.read(rect, &cancel).expect("in memory");
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                assert_eq!(part.pixel(x - rect.x0, y - rect.y0), all.pixel(x, y), "{x}, {y}");
            }
        }
    }
    // The first part is copied where it alone has the film.
    let first = plan.parts[0].to_joined.0;
    let (dx, dy) = (first[0][2] as u32, first[1][2] as u32);
    assert_eq!(all.pixel(100 + dx, 200 + dy), case.parts[0].pixel(100, 200));
}

#[test]
fn parts_that_do_not_fit_are_refused_with_the_reason() {
    let apart = |case: &Case| match case.plan() {
        Err(JoinError::Apart { why, .. }) => why,
        other => panic!("{other:?}"),
    };
    // Two films.
    let mut case = Case::new(31, (2, 1), 0.3, 0.8);
    case.parts[1] = Case::new(32, (2, 1), 0.3, 0.8).parts.swap_remove(1);
    assert_eq!(apart(&case), Unregistered::NoOverlap);
    // Nothing on the film but its clear base.
    let case = Case::new(33, (2, 1), 0.3, 0.0);
    apart(&case);
    // Parts that only touch.
    let case = Case::new(34, (2, 1), 0.02, 0.8);
    apart(&case);
    // Another number of planes.
    let mut case = Case::new(35, (2, 1), 0.3, 0.8);
    case.parts[1] = case.parts[1].clone().first_channels(3);
    assert!(matches!(case.plan(), Err(JoinError::OtherPlanes { part: 1 })));
}
