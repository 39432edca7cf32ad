//! Small strips, rendered end to end and compared with what is known about them.

use glassine_filmsim::{Defect, Dirt, RenderedStrip, SceneId, StripSpec, demo_spec, render_strip};
use glassine_raster::{CancelToken, Samples16};

fn spec(id: &str, ppi: f64) -> StripSpec {
    demo_spec(id, ppi).expect("a demo strip has this name")
}

fn render(spec: &StripSpec) -> RenderedStrip {
    render_strip(spec, &|_| (), &CancelToken::new()).expect("the strip renders")
}

fn density(samples: &Samples16, x: u32, y: u32, channel: usize) -> f64 {
    -(f64::from(samples.pixel(x, y)[channel].max(1)) / 65_535.0).log10()
}

/// Densities (red, green, blue, infrared) of clean pixels inside all frames, away from their edges.
fn frame_densities(strip: &RenderedStrip) -> Vec<[f64; 4]> {
    let mut all = Vec::new();
    for frame in &strip.truth.frames {
        for i in 0..60 {
            for j in 0..60 {
                let p = frame.area.scan_from_unit(0.05 + 0.015 * f64::from(i), 0.05 + 0.015 * f64::from(j));
                let (x, y) = (p.x as u32, p.y as u32);
                if strip.truth.defect_class.at(x, y) == 0 {
                    all.push(std::array::from_fn(|c| density(&strip.samples, x, y, c)));
                }
            }
        }
    }
    all
}

fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let n = pairs.len() as f64;
    let (ma, mb) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        ab += (a - ma) * (b - mb);
        aa += (a - ma).powi(2);
        bb += (b - mb).powi(2);
    }
    ab / (aa * bb).sqrt()
}

#[test]
fn base_densities_lie_where_such_films_have_theirs() {
    // Usual clear-film densities of masked colour negatives: 0.20-0.35 / 0.50-0.70 / 0.70-0.95 (from memory);
    // roll-film silver negatives 0.06-0.20 (from memory) plus 0.025 for open light below full scale.
    let harbour = render(&spec("harbour", 110.0)).truth;
    let [r, g, b, ir] = harbour.base_density;
    assert!(
        (0.20..0.35).contains(&r) && (0.50..0.70).contains(&g) && (0.70..0.95).contains(&b),
        "{r} {g} {b}"
    );
    assert!(ir < 0.12 && harbour.rebate_pixels > 3000, "{ir}, {} pixels", harbour.rebate_pixels);
    let silver = render(&spec("breakwater", 110.0)).truth.base_density;
    assert!(silver[..3].iter().all(|d| (0.10..0.24).contains(d)), "{silver:?}");
    // A slide's unexposed rebate is black.
    let slide = render(&spec("islands", 110.0)).truth.base_density;
    assert!(slide[..3].iter().all(|d| (2.0..4.0).contains(d)), "{slide:?}");
}

#[test]
fn dyes_are_almost_clear_in_infrared_and_silver_is_not() {
    let colour = frame_densities(&render(&StripSpec { dirt: Dirt::NONE, ..spec("headland", 130.0) }));
    let ir: Vec<f64> = colour.iter().map(|d| d[3]).collect();
    let (low, high) = ir.iter().fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
    assert!(high - low < 0.09, "infrared of dyes from {low} to {high}");
    // The cyan dye leaks into infrared, so infrared follows the red density.
    assert!(correlation(&colour.iter().map(|d| (d[0], d[3])).collect::<Vec<_>>()) > 0.8);

    let silver = frame_densities(&render(&StripSpec { dirt: Dirt::NONE, ..spec("breakwater", 130.0) }));
    assert!(correlation(&silver.iter().map(|d| (d[1], d[3])).collect::<Vec<_>>()) > 0.98);
    let spread = |c: usize| {
        let (a, b) = silver.iter().fold((f64::MAX, f64::MIN), |(a, b), d| (a.min(d[c]), b.max(d[c])));
        b - a
    };
    assert!(spread(3) > 0.8 * spread(1), "infrared {} of visible {}", spread(3), spread(1));
}

#[test]
fn the_same_description_gives_the_same_bytes_on_any_number_of_threads() {
    let spec = spec("islands", 90.0);
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a small pool starts");
        pool.install(|| render(&spec))
    };
    let one = on(1);
    let three = on(3);
    assert!(one.samples == three.samples);
    assert!(one.truth == three.truth);
}

#[test]
fn frame_edges_lie_where_the_truth_says() {
    let strip = render(&StripSpec { dirt: Dirt::NONE, ..spec("harbour", 200.0) });
    let frame = strip.truth.frames.iter().find(|f| f.scene == SceneId::Chart).expect("a chart frame");
    // The card is an even grey, so the edge of the gate's shadow is half way in density between rebate and card.
    for (u, v, du, dv) in
        [(0.0, 0.5, 1.0, 0.0), (1.0, 0.5, -1.0, 0.0), (0.5, 0.0, 0.0, 1.0), (0.5, 1.0, 0.0, -1.0)]
    {
        let along = |px: f64, t: f64| {
            let (u, v) = (u + du * px / frame.area.width_px, v + dv * px / frame.area.height_px);
            let (u, v) = (u + dv.abs() * t, v + du.abs() * t);
            let p = frame.area.scan_from_unit(u, v);
            density(&strip.samples, p.x as u32, p.y as u32, 1)
        };
        let mean = |px: f64| (-20..=20).map(|i| along(px, 0.008 * f64::from(i))).sum::<f64>() / 41.0;
        let (outside, inside) = (mean(-5.0), mean(5.0));
        assert!(inside > outside + 0.3, "no edge at ({u}, {v}): {outside} to {inside}");
        let half = f64::midpoint(inside, outside);
        let crossing = (-40..40)
            .map(|i| 0.1 * f64::from(i))
            .find(|px| mean(*px) > half)
            .expect("the density passes the middle");
        assert!(crossing.abs() < 0.9, "edge at ({u}, {v}) found {crossing} px from the truth");
    }
}

#[test]
fn chart_greys_darken_the_negative_in_order_and_stay_neutral_above_base() {
    let strip = render(&StripSpec { dirt: Dirt::NONE, ..spec("harbour", 200.0) });
    let frame = strip.truth.frames.iter().find(|f| f.scene == SceneId::Chart).expect("a chart frame");
    assert_eq!(frame.patches.len(), 36);
    let mut greys: Vec<(f64, [f64; 3])> = frame
        .patches
        .iter()
        .filter(|p| p.lab_d50[1].hypot(p.lab_d50[2]) < 1.0)
        .map(|p| {
            let n = p.half_side_px.floor().max(1.0) as i32 - 1;
            let mut sum = [0.0; 3];
            let mut count = 0.0;
            for dy in -n..=n {
                for dx in -n..=n {
                    let (x, y) = (p.center_px.x + f64::from(dx), p.center_px.y + f64::from(dy));
                    for (c, s) in sum.iter_mut().enumerate() {
                        *s += density(&strip.samples, x as u32, y as u32, c) - strip.truth.base_density[c];
                    }
                    count += 1.0;
                }
            }
            (p.lab_d50[0], sum.map(|s| s / count))
        })
        .collect();
    greys.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert!(greys.len() >= 16);
    for pair in greys.windows(2) {
        if pair[1].0 - pair[0].0 > 4.0 {
            assert!((0..3).all(|c| pair[1].1[c] > pair[0].1[c]), "{pair:?}");
        }
    }
    // A mid grey (L* 49.5) is a negative density of about 0.5 to 0.8 above base.
    let (_, mid) =
        greys.iter().min_by(|a, b| (a.0 - 49.5).abs().total_cmp(&(b.0 - 49.5).abs())).expect("greys");
    assert!(mid.iter().all(|d| (0.45..0.85).contains(d)), "{mid:?}");
}

#[test]
fn dust_stops_infrared_as_well_as_light() {
    let mut spec = spec("harbour", 320.0);
    spec.dirt = Dirt { specks: 400, hairs: 20, base_scratches: 0, emulsion_scratches: 3, emulsion_lines: 0 };
    let strip = render(&spec);
    let clean = render(&StripSpec { dirt: Dirt::NONE, ..spec });
    let (w, h) = (strip.samples.width(), strip.samples.height());
    let [sx, sy] = spec_shift(&strip, &clean);
    assert!(sx > 0.0 && sy < 0.0, "infrared defects lie at ({sx}, {sy})");
    let (mut lost_red, mut lost_ir, mut n) = (0.0, 0.0, 0.0);
    let mut lifted = 0u32;
    for y in 3..h - 3 {
        for x in 3..w - 3 {
            let class = strip.truth.defect_class.at(x, y);
            let ratio = |c: usize| {
                f64::from(strip.samples.pixel(x, y)[c]) / f64::from(clean.samples.pixel(x, y)[c].max(1))
            };
            if class == Defect::Dust as u8 && strip.truth.defect_severity.at(x, y) > 150 {
                lost_red += 1.0 - ratio(0);
                lost_ir += 1.0 - ratio(3);
                n += 1.0;
            }
            lifted += u32::from(class == Defect::EmulsionScratch as u8 && ratio(2) > 1.1);
        }
    }
    assert!(n > 50.0, "{n} covered pixels");
    assert!(lost_red / n > 0.3 && lost_ir / n > 0.25, "red {} infrared {}", lost_red / n, lost_ir / n);
    assert!(lifted > 5, "emulsion scratches lighten the negative at {lifted} pixels");
}

/// Displacement of infrared defects from red ones: difference of their centres of mass around strong specks.
fn spec_shift(strip: &RenderedStrip, clean: &RenderedStrip) -> [f64; 2] {
    let (w, h) = (strip.samples.width() as i32, strip.samples.height() as i32);
    let (mut sum, mut n) = ([0.0; 2], 0.0);
    for y in 6..h - 6 {
        for x in 6..w - 6 {
            if strip.truth.defect_severity.at(x as u32, y as u32) < 150 {
                continue;
            }
            let centre = |c: usize| {
                let (mut m, mut cx, mut cy) = (0.0, 0.0, 0.0);
                for (dx, dy) in (-4..=4_i32).flat_map(|dy| (-4..=4_i32).map(move |dx| (dx, dy))) {
                    let (px, py) = ((x + dx) as u32, (y + dy) as u32);
                    let lost = 1.0
                        - f64::from(strip.samples.pixel(px, py)[c])
                            / f64::from(clean.samples.pixel(px, py)[c].max(1));
                    if lost > 0.08 {
                        m += lost;
                        cx += lost * f64::from(dx);
                        cy += lost * f64::from(dy);
                    }
                }
                (cx / f64::max(m, 1e-9), cy / f64::max(m, 1e-9))
            };
            let (a, b) = (centre(0), centre(3));
            sum[0] += b.0 - a.0;
            sum[1] += b.1 - a.1;
            n += 1.0;
        }
    }
    [sum[0] / n, sum[1] / n]
}

#[test]
fn open_light_is_near_full_scale_and_the_holder_is_black() {
    let strip = render(&spec("harbour", 90.0));
    let (w, h) = strip.samples.size_pair();
    assert!(strip.samples.pixel(3, h / 2)[1] < 400);
    // Left of the film's cut end, inside the holder's opening.
    let x = ((203.0 - 196.0) / 2.0 + 1.7) / 203.0 * f64::from(w);
    assert!(strip.samples.pixel(x as u32, h / 2)[..3].iter().all(|c| (56_000..65_000).contains(c)));
}

trait SizePair {
    fn size_pair(&self) -> (u32, u32);
}

impl SizePair for Samples16 {
    fn size_pair(&self) -> (u32, u32) {
        (self.width(), self.height())
    }
}

#[test]
fn a_cancelled_or_impossible_strip_is_refused() {
    let cancel = CancelToken::new();
    cancel.cancel();
    assert!(render_strip(&spec("harbour", 90.0), &|_| (), &cancel).is_err());
    for ppi in [f64::NAN, 0.0, 1e9] {
        assert!(render_strip(&spec("harbour", ppi), &|_| (), &CancelToken::new()).is_err(), "{ppi} ppi");
    }
}

#[test]
fn lines_through_the_emulsion_are_lighter_and_nearly_unseen_by_the_infrared() {
    let mut spec = spec("headland", 300.0);
    spec.dirt = Dirt { emulsion_lines: 8, ..Dirt::NONE };
    let strip = render(&spec);
    let clean = render(&StripSpec { dirt: Dirt::NONE, ..spec });
    let (mut blue, mut infrared, mut n) = (0.0, 0.0, 0.0);
    let (mut left, mut right) = (u32::MAX, 0);
    for y in 0..strip.samples.height() {
        for x in 0..strip.samples.width() {
            if strip.truth.defect_class.at(x, y) == Defect::EmulsionScratch as u8 {
                let change_d = |c: usize| density(&strip.samples, x, y, c) - density(&clean.samples, x, y, c);
                blue += change_d(2);
                infrared += change_d(3);
                n += 1.0;
                (left, right) = (left.min(x), right.max(x));
            }
        }
    }
    assert!(n > 1000.0 && right - left > 1000, "{n} pixels from {left} to {right}");
    assert!(blue / n < -0.1 && (infrared / n).abs() < 0.02, "blue {} infrared {}", blue / n, infrared / n);
}

#[test]
fn perforations_are_open_in_every_plane() {
    let spec = StripSpec { dirt: Dirt::NONE, angle_deg: 0.0, ..spec("headland", 200.0) };
    let strip = render(&spec);
    // The middles of both rows of holes are 14.1 mm from the middle of the film.
    let row = |across_mm: f64| {
        let y = (spec.scan_mm[1] / 2.0 + spec.film_offset_mm[1] + across_mm) * spec.ppi / 25.4;
        let open = |x: &u32| strip.samples.pixel(*x, y as u32).iter().all(|code| *code > 55_000);
        (0..strip.samples.width()).filter(open).count() as f64 / f64::from(strip.samples.width())
    };
    // 1.981 mm of 4.750 mm, ignoring rounded corners and blur; film is 230.6 of 240 mm.
    for across_mm in [-14.0, 14.0] {
        assert!((0.33..0.42).contains(&row(across_mm)), "{}", row(across_mm));
    }
    assert!(row(8.0) < 0.03, "{}", row(8.0));
}

#[test]
fn constant_stray_light_adds_the_same_everywhere() {
    let mut spec = StripSpec { dirt: Dirt::NONE, ..spec("harbour", 90.0) };
    let without = render(&spec);
    spec.scanner.veil_frac = 0.02;
    let with = render(&spec);
    let added = |x: u32, y: u32| {
        let codes = |strip: &RenderedStrip| f64::from(strip.samples.pixel(x, y)[1]);
        codes(&with) - codes(&without)
    };
    // 2 % of open light at 0.94 of full scale, on the holder and on film.
    let (w, h) = (with.samples.width(), with.samples.height());
    for (x, y) in [(3, h / 2), (w / 2, h / 2), (w / 3, h / 3)] {
        assert!((added(x, y) - 0.02 * 0.94 * 65_535.0).abs() < 60.0, "{} at {x}, {y}", added(x, y));
    }
}
