//! Dust on film made by an independent model is found and filled, and compared with its clean twin.

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_repair::{
    Analysis, DustMap, DustOptions, FillPlace, Patches, Refusal, fill, find_dust, find_spots, make_patches,
    refill, register,
};
use glassine_testdata::twin::{
    self, Model, Twin, base_against_full_scale_d, dust, positive, precision_recall, psnr, scene, ssim, stroke,
};

fn map_of(scan: &Samples16) -> Result<DustMap, Refusal> {
    find_dust(scan, 3, &DustOptions::default(), &CancelToken::new())
}

fn whole(scan: &Samples16) -> PixelRect {
    PixelRect::of_size(scan.width(), scan.height())
}

fn place(scan: &Samples16) -> FillPlace {
    FillPlace { rect: whole(scan), wanted: whole(scan), colour_channels: 3 }
}

fn patches_of(scan: &Samples16, map: &DustMap) -> Patches {
    make_patches(scan, place(scan), map, &CancelToken::new()).expect("in memory")
}

fn spots_of(scan: &Samples16) -> DustMap {
    find_spots(scan, whole(scan), 3, 0.5, &CancelToken::new()).expect("a picture")
}

fn dusty_twin() -> (Model, Twin) {
    let model = Model::default();
    let opacity = dust(model.width, model.height, 3, 40, 6, 2);
    let twin = model.scan(scene, &opacity);
    (model, twin)
}

#[test]
fn dust_is_found_without_false_alarms_and_filled_like_the_clean_twin() {
    let (model, twin) = dusty_twin();
    let (w, h) = (model.width, model.height);
    let map = map_of(&twin.dusty).expect("dye film with dust");
    let [sx, sy] = map.registration.shift_px;
    assert!((sx - 0.8).abs() < 0.1 && (sy + 0.4).abs() < 0.1, "shift {sx} {sy}");
    let (precision, recall) = precision_recall(&twin.loss, map.severity_plane().data(), w, h);
    assert!(precision >= 0.97 && recall >= 0.92, "precision {precision}, recall {recall}");

    let mut repaired = twin.dusty.clone();
    let report = fill(&mut repaired, 3, &map, &CancelToken::new());
    assert!(report.repaired_px > 500 && !report.cancelled, "{report:?}");
    let [clean, before, after] = [&twin.clean, &twin.dusty, &repaired].map(positive);
    let damaged = |i: usize| twin.loss[i] > 0.08;
    let (unrepaired, inside) = (psnr(&before, &clean, damaged), psnr(&after, &clean, damaged));
    let similar = ssim(&after, &clean, w, h, damaged);
    assert!(
        inside >= 30.0 && inside > unrepaired + 10.0 && similar >= 0.95,
        "{unrepaired} -> {inside}, {similar}"
    );
}

#[test]
fn nothing_outside_the_map_changes_by_one_code() {
    let (_, twin) = dusty_twin();
    let map = map_of(&twin.dusty).expect("dye film with dust");
    let mut repaired = twin.dusty.clone();
    fill(&mut repaired, 3, &map, &CancelToken::new());
    let severity = map.severity_plane();
    for (i, (a, b)) in repaired.data().chunks_exact(4).zip(twin.dusty.data().chunks_exact(4)).enumerate() {
        assert_eq!(a[3], b[3], "infrared stays");
        if severity.data()[i] == 0 {
            assert_eq!(a, b, "pixel {i} is clean");
        }
    }
}

#[test]
fn one_thread_gives_the_same_map_and_filling_as_many() {
    let (_, twin) = dusty_twin();
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a small pool");
        pool.install(|| {
            let map = map_of(&twin.dusty).expect("dye film with dust");
            let mut out = twin.dusty.clone();
            fill(&mut out, 3, &map, &CancelToken::new());
            (map, out)
        })
    };
    assert!(run(1) == run(3), "results differ with the number of threads");
}

#[test]
fn patches_repair_a_part_as_they_repair_the_whole() {
    let (_, twin) = dusty_twin();
    let map = map_of(&twin.dusty).expect("dye film with dust");
    let patches = patches_of(&twin.dusty, &map);
    let mut whole = twin.dusty.clone();
    patches.apply(&mut whole, 0, 0);
    let rect = PixelRect::new(90, 60, 250, 190);
    let read = |from: &Samples16| from.read(rect, &CancelToken::new()).expect("in memory");
    let mut part = read(&twin.dusty);
    patches.apply(&mut part, rect.x0, rect.y0);
    assert!(part == read(&whole) && !patches.is_empty());
}

#[test]
fn refilling_after_a_stroke_gives_what_filling_anew_gives() {
    let (_, twin) = dusty_twin();
    let before = map_of(&twin.dusty).expect("dye film with dust");
    let old = patches_of(&twin.dusty, &before);
    // A spot on clean film, one that joins defects into a longer one, and one that removes marks.
    for (x, y, radius, is_out) in
        [(180.0, 140.0, 4.0, false), (120.0, 90.0, 60.0, false), (90.0, 200.0, 50.0, true)]
    {
        let mut map = before.clone();
        if is_out {
            map.paint_out(x, y, radius)
        } else {
            map.paint_in(x, y, radius)
        };
        map.recount();
        assert!(map != before);
        let side = |v: f64| (v - radius).max(0.0) as u32..(v + radius + 1.0) as u32;
        let changed = PixelRect::new(side(x).start, side(y).start, side(x).end, side(y).end);
        let again = refill(&twin.dusty, place(&twin.dusty), &map, (&old, &[changed]), &CancelToken::new());
        assert!(again.expect("in memory") == patches_of(&twin.dusty, &map), "{x} {y}");
    }
}

#[test]
fn a_part_of_a_scan_is_repaired_as_if_it_were_the_whole() {
    let (_, twin) = dusty_twin();
    let rect = PixelRect::new(30, 20, 330, 250);
    let cancel = CancelToken::new();
    let options = DustOptions::default();
    let on_scan = Analysis::of(&twin.dusty, rect, 3, &options, &cancel)
        .and_then(|analysis| analysis.map(&twin.dusty, 0.5, &cancel))
        .expect("dye film with dust");
    let part = twin.dusty.read(rect, &cancel).expect("in memory");
    assert!(on_scan == map_of(&part).expect("dye film with dust"));
    let here = FillPlace { rect, wanted: rect, colour_channels: 3 };
    let patches = make_patches(&twin.dusty, here, &on_scan, &cancel).expect("in memory");
    assert!(patches == patches_of(&part, &on_scan));
    // Everything outside the wanted part stays unchanged.
    let wanted = PixelRect::new(30, 20, 330, 120);
    let upper =
        make_patches(&twin.dusty, FillPlace { wanted, ..here }, &on_scan, &cancel).expect("in memory");
    assert!(upper.report.repaired_px < patches.report.repaired_px && !upper.is_empty());
}

#[test]
fn silver_film_is_refused_with_the_reason() {
    for seed in [1, 2] {
        let model = Model { silver: true, seed, ..Model::default() };
        let opacity = dust(model.width, model.height, 3, 20, 3, 1);
        match map_of(&model.scan(scene, &opacity).dusty) {
            Err(refusal @ Refusal::SilverFilm { strength, .. }) => {
                assert!(strength > 0.7);
                assert!(refusal.to_string().contains("silver"));
            }
            other => panic!("expected a refusal, got {other:?}"),
        }
    }
}

#[test]
fn clean_film_of_stars_wires_and_fur_keeps_every_pixel() {
    let clean = vec![0.0; 360 * 280];
    let stars = |x: f64, y: f64| {
        let (cell_x, cell_y) = ((x / 23.0).floor(), (y / 19.0).floor());
        let hash = (cell_x * 12.9898 + cell_y * 78.233).sin() * 43_758.5;
        let (px, py) = (cell_x * 23.0 + 4.0 + 14.0 * (hash - hash.floor()), cell_y * 19.0 + 9.0);
        [0.1 + 2.2 * (-0.5 * ((x - px).powi(2) + (y - py).powi(2)) / 0.7).exp(); 3]
    };
    let wires = |x: f64, y: f64| {
        let line = |slope: f64, at: f64, half: f64| if (y - at - slope * x).abs() < half { 1.4 } else { 0.0 };
        [1.7 - line(0.1, 60.0, 0.8) - line(-0.05, 140.0, 1.4) - line(0.21, 150.0, 0.6); 3]
    };
    let fur = |x: f64, y: f64| {
        let strand =
            (x * 1.3 + 3.0 * (y * 0.05).sin()).sin() * (0.7 * x + 1.1 * y).cos() + (1.9 * y).sin() * 0.4;
        [1.0 + 0.3 * strand, 0.95 + 0.3 * strand, 0.9 + 0.28 * strand]
    };
    type Scene<'a> = &'a dyn Fn(f64, f64) -> [f64; 3];
    let scenes: [(&str, Scene<'_>); 3] = [("stars", &stars), ("wires", &wires), ("fur", &fur)];
    for (name, scene) in scenes {
        for leak in [[0.0; 3], [0.05, -0.01, 0.005], [0.12, 0.0, 0.0]] {
            let model = Model { leak, ..Model::default() };
            let map = map_of(&model.scan(scene, &clean).dusty).expect("clean dye film");
            assert!(map.is_clean(), "{name} with leakage {leak:?}: {} objects", map.objects);
        }
    }
}

#[test]
fn the_edge_of_a_picture_against_black_film_is_not_marked() {
    let clean = vec![0.0; 360 * 280];
    // A slide in its black rebate, 2.9 D denser: the lens carries light over the edge, so its density rises late.
    let slide = |x: f64, y: f64| {
        let inside = (60.0..300.0).contains(&x) && (50.0..230.0).contains(&y);
        let wave = 0.2 + 0.1 * (x / 37.0).sin() * (y / 29.0).cos();
        if inside { [wave, 0.9 * wave, 1.1 * wave] } else { [2.9; 3] }
    };
    for leak in [[0.05, -0.01, 0.005], [0.09, 0.0, 0.0]] {
        let map =
            map_of(&Model { leak, ..Model::default() }.scan(slide, &clean).dusty).expect("clean dye film");
        assert!(map.is_clean(), "leakage {leak:?}: {} objects, {} px", map.objects, map.marked_px());
    }
}

#[test]
fn an_emulsion_scratch_that_infrared_hardly_sees_is_marked_along_its_length() {
    let model = Model { leak: [0.05, 0.0, 0.0], infrared_noise: 0.001, ..Model::default() };
    let (w, h) = (model.width, model.height);
    // A few specks show the position of the infrared picture.
    let mut trace = vec![0.0; w * h];
    for i in 0..12 {
        let (x, y) = (30.0 + 25.0 * f64::from(i), if i % 2 == 0 { 50.0 } else { 230.0 });
        twin::stroke(&mut trace, w, h, &[(x, y), (x + 2.0, y + 1.0)], 1.5, 0.7);
    }
    twin::stroke(&mut trace, w, h, &[(40.0, 150.3), (320.0, 153.1)], 0.5, 0.04);
    // Removed emulsion: the film is lighter there; the model removes dye along the same line.
    let mut gone = vec![0.0; w * h];
    twin::stroke(&mut gone, w, h, &[(40.0, 150.3), (320.0, 153.1)], 0.6, 1.0);
    let scratched = |x: f64, y: f64| scene(x, y).map(|v| v - 0.45 * gone[y as usize * w + x as usize]);
    let twin = model.scan(scratched, &trace);
    let map = map_of(&twin.dusty).expect("dye film");
    let along = (60..300).filter(|&x| (148..156).any(|y| map.severity(x, y) > 0)).count();
    assert!(along > 200, "marked along {along} of 240 columns");
    let stray = (0..h as u32)
        .flat_map(|y| (0..w as u32).map(move |x| (x, y)))
        .filter(|&(x, y)| map.severity(x, y) > 0 && !(144..160).contains(&y))
        .filter(|&(_, y)| !(40..60).contains(&y) && !(220..240).contains(&y))
        .count();
    assert_eq!(stray, 0);
}

#[test]
fn another_pictures_infrared_is_refused_or_marks_nothing() {
    let model = Model::default();
    let a = model.scan(scene, &dust(360, 280, 3, 40, 6, 0));
    let b = Model { seed: 99, ..model }.scan(scene, &dust(360, 280, 77, 40, 6, 0));
    let mut mixed = a.dusty.clone();
    for (m, other) in mixed.data_mut().chunks_exact_mut(4).zip(b.dusty.data().chunks_exact(4).rev()) {
        m[3] = other[3];
    }
    assert!(matches!(map_of(&mixed), Err(Refusal::RegistrationUncertain { .. })));
}

#[test]
fn registration_finds_shift_rotation_and_scale() {
    let (model, twin) = dusty_twin();
    let found = register(&twin.dusty, 3, None).expect("enough dust");
    assert!((found.shift_px[0] - 0.8).abs() < 0.08 && (found.shift_px[1] + 0.4).abs() < 0.08, "{found:?}");
    assert!(found.confidence > 0.6 && found.is_pure_shift());
    for shift_px in [(-3.3, 2.6), (6.2, -5.1)] {
        let moved = Model { shift_px, ..model.clone() }.scan(scene, &dust(360, 280, 3, 40, 6, 2));
        let found = register(&moved.dusty, 3, None).expect("enough dust");
        let [x, y] = found.shift_px;
        assert!((x - shift_px.0).abs() < 0.1 && (y - shift_px.1).abs() < 0.1, "{shift_px:?}: {found:?}");
    }
}

#[test]
fn the_sensitivity_slider_is_monotonic() {
    let (_, twin) = dusty_twin();
    let cancel = CancelToken::new();
    let options = DustOptions { sensitivity_max: 1.0, ..DustOptions::default() };
    let analysis = Analysis::of(&twin.dusty, whole(&twin.dusty), 3, &options, &cancel).expect("dye film");
    let map = |s| analysis.map(&twin.dusty, s, &cancel).expect("dye film");
    let areas = [0.0, 0.25, 0.5, 0.75, 1.0].map(|s| map(s).area_fraction);
    assert!(areas.windows(2).all(|p| p[0] <= p[1]) && areas[0] < areas[4], "{areas:?}");
    assert!(map(0.5) == map_of(&twin.dusty).expect("dye film"));
    // The whole picture takes eight bytes a pixel; the kept data must stay far below that.
    let pixels = twin.dusty.data().len() / 4;
    assert!(analysis.bytes() < 2 * pixels, "{} bytes for {pixels} pixels", analysis.bytes());
}

#[test]
fn grey_scans_with_infrared_are_repaired_too() {
    let (_, twin) = dusty_twin();
    let grey = |s: &Samples16| {
        let data = s.data().chunks_exact(4).flat_map(|p| [p[1], p[3]]).collect();
        Samples16::from_vec(s.width(), s.height(), 2, data).expect("length fits")
    };
    let (mut scan, clean) = (grey(&twin.dusty), grey(&twin.clean));
    let map = find_dust(&scan, 1, &DustOptions::default(), &CancelToken::new()).expect("chromogenic film");
    let error = |s: &Samples16| -> f64 {
        s.data().iter().zip(clean.data()).map(|(a, b)| (f64::from(*a) - f64::from(*b)).powi(2)).sum()
    };
    let before = error(&scan);
    fill(&mut scan, 1, &map, &CancelToken::new());
    assert!(error(&scan) < 0.05 * before);
}

#[test]
fn hopeless_input_is_refused_with_a_sentence() {
    let cancel = CancelToken::new();
    let refuse = |samples: &Samples16, colours| {
        find_dust(samples, colours, &DustOptions::default(), &cancel).expect_err("hopeless")
    };
    assert_eq!(refuse(&Samples16::zeroed(100, 100, 3), 3), Refusal::NoInfrared);
    assert!(matches!(refuse(&Samples16::zeroed(10, 100, 4), 3), Refusal::TooSmall { .. }));
    assert!(matches!(refuse(&Samples16::zeroed(0, 0, 4), 3), Refusal::TooSmall { .. }));
    let black = refuse(&Samples16::zeroed(100, 100, 4), 3);
    assert!(matches!(black, Refusal::InfraredUnusable { at_top: false, .. }));
    assert!(black.to_string().contains("black"));
    let cancelled = CancelToken::new();
    cancelled.cancel();
    let (_, twin) = dusty_twin();
    let stopped = find_dust(&twin.dusty, 3, &DustOptions::default(), &cancelled);
    assert!(matches!(stopped, Err(Refusal::Cancelled(_))));
}

#[test]
fn a_cancelled_filling_changes_nothing() {
    let (_, twin) = dusty_twin();
    let map = map_of(&twin.dusty).expect("dye film with dust");
    let cancel = CancelToken::new();
    cancel.cancel();
    let mut scan = twin.dusty.clone();
    assert!(fill(&mut scan, 3, &map, &cancel).cancelled);
    assert!(scan == twin.dusty);
}

#[test]
fn noise_of_any_kind_is_survived() {
    let mut random = twin::random(11);
    for channels in [2_u8, 4, 5] {
        let n = 96 * 80 * channels as usize;
        let data: Vec<u16> = (0..n).map(|_| (random.unit() * 65535.0) as u16).collect();
        let mut samples = Samples16::from_vec(96, 80, channels, data).expect("length fits");
        let colours = (channels - 1).min(3);
        if let Ok(map) = find_dust(&samples, colours, &DustOptions::default(), &CancelToken::new()) {
            fill(&mut samples, colours, &map, &CancelToken::new());
        }
    }
    let mut everything = DustMap::clean(96, 80);
    everything.paint_in(48.0, 40.0, 500.0);
    let mut flat = Samples16::from_vec(96, 80, 4, vec![9000; 96 * 80 * 4]).expect("length fits");
    fill(&mut flat, 3, &everything, &CancelToken::new());
    let mut other = Samples16::zeroed(5, 5, 4);
    fill(&mut other, 3, &everything, &CancelToken::new());
}

#[test]
fn without_infrared_only_lone_compact_specks_are_offered() {
    let model = Model { infrared_noise: 0.0, ..Model::default() };
    let (w, h) = (model.width, model.height);
    let flat = |x: f64, y: f64| [1.0 + 0.1 * (x / 90.0).sin() + 0.1 * (y / 80.0).cos(); 3];
    let mut opacity = vec![0.0; w * h];
    let spots = [(60.0, 50.0), (200.0, 90.0), (300.0, 220.0)];
    for (x, y) in spots {
        twin::stroke(&mut opacity, w, h, &[(x, y), (x + 1.0, y)], 2.2, 0.8);
    }
    let twin = model.scan(flat, &opacity);
    let map = spots_of(&twin.dusty);
    assert_eq!((map.objects, map.specks), (3, 3));
    for (x, y) in spots {
        assert!(map.severity(x as u32, y as u32) > 0);
    }
    assert!(spots_of(&twin.clean).is_clean());
}

/// Two rows of perforations, as 35 mm film has them.
fn perforations(x: f64, y: f64) -> bool {
    x % 48.0 < 20.0 && ((10.0..38.0).contains(&y) || (242.0..270.0).contains(&y))
}

/// Marks inside the picture between the perforations.
fn marks_between_perforations(map: &DustMap) -> Vec<u8> {
    let mut marks = map.severity_plane();
    for y in (0..56).chain(224..280) {
        marks.row_mut(y).fill(0);
    }
    marks.data().to_vec()
}

#[test]
fn perforations_in_the_region_leave_leakage_and_marks_of_the_picture_alone() {
    for base in [Some(base_against_full_scale_d()), None] {
        let model = Model { holes: perforations, ..Model::default() };
        let (w, h) = (model.width, model.height);
        let opacity = dust(w, h, 3, 40, 6, 2);
        let twin = model.scan(scene, &opacity);
        let options = DustOptions { film_base_d: base, ..DustOptions::default() };
        let map = find_dust(&twin.dusty, 3, &options, &CancelToken::new()).expect("dye film with dust");
        let coefficients = map.leakage.coefficients;
        for (found, known) in coefficients.iter().zip(model.leak) {
            assert!((found - known).abs() < 0.012, "{base:?}: {coefficients:?}");
        }
        let loss: Vec<f64> =
            (0..w * h).map(|i| if (56..224).contains(&(i / w)) { twin.loss[i] } else { 0.0 }).collect();
        let (precision, recall) = precision_recall(&loss, &marks_between_perforations(&map), w, h);
        assert!(precision > 0.97 && recall > 0.9, "{base:?}: {precision} {recall}");
        let film = model.scan(scene, &vec![0.0; w * h]);
        let clean = find_dust(&film.clean, 3, &options, &CancelToken::new()).expect("clean film");
        let marks = marks_between_perforations(&clean);
        let marked: Vec<(usize, usize)> =
            (0..w * h).filter(|&i| marks[i] > 0).map(|i| (i % w, i / w)).collect();
        assert!(marked.is_empty(), "{base:?} {:?} {}: {marked:?}", clean.leakage, clean.noise_d);
    }
}

#[test]
fn stray_light_in_dark_parts_is_not_taken_for_dust() {
    // Densities up to 2.5: blacks contain several times more stray light than light of their own.
    let slide = |x: f64, y: f64| scene(x, y).map(|v| 1.8 * v);
    for veil in [0.0, 0.01, 0.02] {
        let model = Model { veil, ..Model::default() };
        let twin = model.scan(slide, &vec![0.0; model.width * model.height]);
        let map = map_of(&twin.clean).expect("clean film");
        assert!((map.leakage.stray_light - veil * 62_000.0 / 65_535.0).abs() < 0.004, "{:?}", map.leakage);
        assert_eq!(map.marked_px(), 0, "veil {veil}");
        let opacity = dust(model.width, model.height, 3, 40, 6, 0);
        let dusty = model.scan(slide, &opacity);
        let map = map_of(&dusty.dusty).expect("film with dust");
        let (precision, recall) =
            precision_recall(&dusty.loss, map.severity_plane().data(), model.width, model.height);
        assert!(precision > 0.97 && recall > 0.9, "veil {veil}: {precision} {recall}");
    }
}

#[test]
fn infrared_that_falls_where_the_picture_is_dense_is_refused_with_what_to_do() {
    let model = Model::default();
    let mut scan = model.scan(scene, &vec![0.0; model.width * model.height]).clean;
    for px in scan.data_mut().chunks_exact_mut(4) {
        px[3] = (30_000.0 * (62_000.0 / f64::from(px[1])).powf(0.1)) as u16;
    }
    let refusal = map_of(&scan).expect_err("no dye does that");
    assert!(matches!(refusal, Refusal::ImplausibleLeakage { .. }), "{refusal:?}");
    assert!(refusal.to_string().contains("repair spots by hand"), "{refusal}");
}

#[test]
fn a_scratch_through_the_emulsion_is_filled_also_where_the_infrared_loses_it() {
    let (w, h) = (360, 280);
    let mut line = vec![0.0; w * h];
    stroke(&mut line, w, h, &[(15.0, 96.0), (345.0, 132.0)], 1.6, 1.0);
    // For 60 pixels in the middle the scattering equals what the lost dyes let through.
    let scatter = |i: usize| if (150..210).contains(&(i % w)) { 0.0 } else { 0.02 * line[i] };
    let scatter_d: Vec<f64> = (0..w * h).map(scatter).collect();
    let lifted: Vec<f64> = line.iter().map(|l| 0.4 * l).collect();
    let model = Model { lifted, scatter_d, ..Model::default() };
    // The dust around it teaches a response that would divide the scratch away.
    let twin = model.scan(scene, &dust(w, h, 3, 40, 0, 0));
    let map = map_of(&twin.dusty).expect("film with a scratch");
    let torn: Vec<usize> = (0..w * h).filter(|&i| line[i] > 0.3).collect();
    let severity = map.severity_plane();
    let missed = torn.iter().filter(|&&i| severity.data()[i] == 0).count();
    assert!(missed * 50 < torn.len(), "{missed} of {} pixels missed", torn.len());
    let (precision, recall) = precision_recall(&twin.loss, severity.data(), w, h);
    assert!(precision > 0.97 && recall > 0.97, "{precision} {recall}");
    let mut filled = twin.dusty.clone();
    fill(&mut filled, 3, &map, &CancelToken::new());
    let [spoilt, repaired, clean] = [&twin.dusty, &filled, &twin.clean].map(positive);
    let (before, after) =
        (psnr(&spoilt, &clean, |i| line[i] > 0.3), psnr(&repaired, &clean, |i| line[i] > 0.3));
    assert!(after > before + 8.0 && after > 18.0, "{before} dB, then {after} dB");
}

#[test]
fn a_wire_in_the_picture_is_no_scratch() {
    let (w, h) = (360, 280);
    let mut line = vec![0.0; w * h];
    stroke(&mut line, w, h, &[(15.0, 96.0), (345.0, 132.0)], 1.6, 1.0);
    let wire = |x: f64, y: f64| scene(x, y).map(|v| v - 0.7 * line[y as usize * w + x as usize]);
    let twin = Model::default().scan(wire, &vec![0.0; w * h]);
    assert_eq!(map_of(&twin.clean).expect("clean film").marked_px(), 0);
}

/// Share of a torn line that is marked, and marks away from it, when the infrared shows it with the given density.
fn marks_of_torn_line(scatter_d: f64, film_base_d: Option<[f64; 3]>) -> (f64, usize) {
    let (w, h) = (360, 280);
    let mut line = vec![0.0; w * h];
    stroke(&mut line, w, h, &[(20.0, 96.0), (340.0, 102.0)], 1.0, 1.0);
    let model = Model {
        lifted: line.iter().map(|l| 0.8 * l).collect(),
        scatter_d: line.iter().map(|l| scatter_d * l).collect(),
        ..Model::default()
    };
    // Without scattering the infrared shows the line only by the little density that the lost dyes had there.
    let twin = model.scan(scene, &vec![0.0; w * h]);
    let options = DustOptions { film_base_d, ..DustOptions::default() };
    let map = find_dust(&twin.dusty, 3, &options, &CancelToken::new()).expect("film with a torn line");
    let torn: Vec<usize> = (0..w * h).filter(|&i| line[i] > 0.5).collect();
    let marked = torn.iter().filter(|&&i| map.severity_plane().data()[i] > 0).count();
    let away = |i: usize| !(90..108).contains(&(i / w)) && map.severity_plane().data()[i] > 0;
    (marked as f64 / torn.len() as f64, (0..w * h).filter(|&i| away(i)).count())
}

#[test]
fn a_torn_line_clearer_than_the_film_base_needs_no_trace_in_the_infrared() {
    let (marked, away) = marks_of_torn_line(0.0, Some(base_against_full_scale_d()));
    assert!(marked > 0.9 && away == 0, "{marked} marked, {away} px away from it");
    // Without a base it may be part of the photograph.
    let (marked, away) = marks_of_torn_line(0.0, None);
    assert!(marked == 0.0 && away == 0, "{marked} marked, {away} px away from it");
}

#[test]
fn a_torn_line_is_known_by_a_trace_below_the_noise_of_single_pixels() {
    // 0.007 D of scattering after the blur of the infrared is about one standard deviation of its noise.
    let (marked, away) = marks_of_torn_line(0.03, None);
    assert!(marked > 0.9 && away == 0, "{marked} marked, {away} px away from it");
}

#[test]
fn the_edge_of_a_dark_picture_against_clear_film_is_not_marked() {
    let clean = vec![0.0; 360 * 280];
    // A sharp gate: the lens carries light over the edge, so the density seen rises late while the infrared rises in
    // place.
    let night = |x: f64, y: f64| {
        let inside = (60.0..300.0).contains(&x) && (50.0..230.0).contains(&y);
        if inside { scene(x, y).map(|v| v + 1.2) } else { [0.0; 3] }
    };
    for infrared_blur_px in [0.85, 1.1] {
        let model =
            Model { infrared_blur_px, leak: [0.06, 0.0, 0.0], infrared_noise: 0.001, ..Model::default() };
        let map = map_of(&model.scan(night, &clean).dusty).expect("clean dye film");
        assert_eq!(map.marked_px(), 0, "infrared blur {infrared_blur_px}");
    }
}
