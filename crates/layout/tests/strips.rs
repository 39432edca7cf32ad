//! The finder finds whole strips drawn with known frames: every frame, no other, to a fraction of a pixel.

use glassine_layout::{FilmTone, FindOptions, Found, FrameFlag, Overview, StripAxis, find, format_by_id};
use glassine_raster::{CancelToken, ResolutionPpi, Samples16, box_reduce};
use glassine_testdata::strips::{BLACK, Bed, Film, GREY, ORANGE, Scene, compare, row};

use Scene::{ClearTop, Even, Night, Photo, Stars};

struct Limits {
    least_iou: f64,
    most_outside_px: f64,
    most_angle_deg: f64,
}

const ORDINARY: Limits = Limits { least_iou: 0.97, most_outside_px: 0.3, most_angle_deg: 0.03 };

fn look(bed: &Bed, tone: FilmTone, format: Option<&str>, ppi: bool) -> Found {
    look_at(&bed.draw(), bed, tone, format, ppi)
}

fn look_at(scan: &Samples16, bed: &Bed, tone: FilmTone, format: Option<&str>, ppi: bool) -> Found {
    let factor = scan.width().max(scan.height()).div_ceil(1800);
    let small = box_reduce(scan, factor);
    let overview = Overview {
        samples: &small,
        colour_channels: 3,
        factor,
        scan_width_px: scan.width(),
        scan_height_px: scan.height(),
    };
    let options = FindOptions {
        tone,
        format: format.map(|id| format_by_id(id).expect("a known format")),
        ppi: ResolutionPpi::new(bed.ppi).filter(|_| ppi),
        ..FindOptions::default()
    };
    find(&overview, Some(scan), &options, &CancelToken::new(), &|_| ()).expect("readable")
}

/// Checks frames, overlap, intrusion and turn of every strip, and prints the worst of each.
#[expect(clippy::print_stdout, reason = "the figures belong in the test log")]
fn check(name: &str, bed: &Bed, found: &Found, limits: &Limits) {
    let (truth, angles) = (bed.truth(), bed.angles());
    assert_eq!(found.strips.len(), truth.len(), "{name}: strips {found:#?}");
    let (mut iou, mut outside, mut turn) = (1.0_f64, 0.0_f64, 0.0_f64);
    for (strip, (frames, angle)) in found.strips.iter().zip(truth.iter().zip(angles)) {
        let list: Vec<_> = strip.frames.iter().map(|f| (f.image_area, &f.reason, &f.flags)).collect();
        assert_eq!(strip.frames.len(), frames.len(), "{name}: {list:#?}");
        for (f, t) in strip.frames.iter().zip(frames) {
            let (i, o) = compare(&f.safe_area().fit_default(), t);
            (iou, outside) = (iou.min(i), outside.max(o));
        }
        turn = turn.max((strip.angle_rad - angle).to_degrees().abs());
    }
    println!("{name}: least overlap {iou:.4}, most outside {outside:.2} px, turn off by {turn:.4} degrees");
    assert!(iou >= limits.least_iou, "{name}: overlap {iou}");
    assert!(outside <= limits.most_outside_px, "{name}: outside {outside} px");
    assert!(turn <= limits.most_angle_deg, "{name}: turn {turn} degrees");
}

fn film(x_mm: f64, y_mm: f64, length_mm: f64, width_mm: f64, angle_deg: f64) -> Film {
    Film {
        x_mm,
        y_mm,
        length_mm,
        width_mm,
        angle_deg,
        perforated: width_mm < 40.0,
        slide: false,
        base: ORANGE,
        shots: Vec::new(),
        leak_d: 0.0,
    }
}

fn strip_135(ppi: f64, scenes: &[Scene]) -> Bed {
    let length = 38.0 * scenes.len() as f64 + 2.0;
    Bed {
        width_mm: length + 22.0,
        height_mm: 52.0,
        ppi,
        openings: vec![[6.0, 6.0, length + 16.0, 46.0]],
        films: vec![Film {
            shots: row(1.5, 38.0, (36.0, 24.0), scenes),
            ..film(11.0, 25.0, length, 35.0, 0.6)
        }],
        infrared: true,
        turned: false,
        seed: 1,
    }
}

fn strip_120(ppi: f64, size: f64, gap: f64, scenes: &[Scene]) -> Bed {
    let length = (size + gap) * scenes.len() as f64 + 12.0;
    Bed {
        width_mm: length + 22.0,
        height_mm: 80.0,
        ppi,
        // The opening is narrower than the film and hides its long edges.
        openings: vec![[6.0, 10.0, length + 17.0, 70.2]],
        films: vec![Film {
            shots: row(6.0, size + gap, (size, 56.0), scenes),
            ..film(11.0, 40.5, length, 61.5, -0.45)
        }],
        infrared: true,
        turned: false,
        seed: 2,
    }
}

#[test]
fn six_35_mm_frames_are_found_with_and_without_hints() {
    let bed = strip_135(450.0, &[Photo(1), Photo(2), ClearTop(3), Photo(4), Even(0.7), Photo(6)]);
    let scan = bed.draw();
    for (format, ppi) in [(Some("135"), true), (None, true), (None, false)] {
        let found = look_at(&scan, &bed, FilmTone::Negative, format, ppi);
        check(&format!("35 mm {format:?} {ppi}"), &bed, &found, &ORDINARY);
        assert_eq!(found.strips[0].format_id.as_deref(), Some("135"));
        assert_eq!(found.strips[0].perforations.len(), 2);
    }
}

#[test]
fn frames_on_roll_film_are_found_though_the_holder_hides_its_edges() {
    for (id, size, gap, n) in
        [("6x4.5", 41.5, 5.0, 4_u32), ("6x6", 56.0, 6.5, 3), ("6x7", 69.0, 6.0, 3), ("6x9", 84.0, 5.0, 2)]
    {
        let scenes: Vec<Scene> =
            (0..n).map(|k| if k == 1 { ClearTop(k + 20) } else { Photo(k + 20) }).collect();
        let bed = strip_120(450.0, size, gap, &scenes);
        let scan = bed.draw();
        for (format, ppi) in [(Some(id), true), (None, true)] {
            let found = look_at(&scan, &bed, FilmTone::Negative, format, ppi);
            check(&format!("{id} {format:?}"), &bed, &found, &ORDINARY);
            assert_eq!(found.strips[0].format_id.as_deref(), Some(id));
        }
    }
}

#[test]
fn one_wide_6x17_frame_is_found() {
    let bed = strip_120(450.0, 168.0, 4.0, &[Photo(31)]);
    let scan = bed.draw();
    check("6x17", &bed, &look_at(&scan, &bed, FilmTone::Negative, Some("6x17"), true), &ORDINARY);
    check("6x17 unknown", &bed, &look_at(&scan, &bed, FilmTone::Negative, None, true), &ORDINARY);
}

/// Adds the same light to every colour pixel of the scan.
fn with_stray_light(mut scan: Samples16, share: f64) -> Samples16 {
    let channels = usize::from(scan.channels());
    for px in scan.data_mut().chunks_exact_mut(channels) {
        for code in &mut px[..3] {
            *code = (f64::from(*code) + share * 61_000.0).min(65_535.0) as u16;
        }
    }
    scan
}

#[test]
fn frames_are_found_though_stray_light_lies_on_the_holder() {
    let bed = strip_120(300.0, 41.5, 5.0, &[Photo(51), Photo(52), Photo(53)]);
    let scan = bed.draw();
    for share in [0.02, 0.035] {
        let lit = with_stray_light(scan.clone(), share);
        let found = look_at(&lit, &bed, FilmTone::Unknown, None, true);
        check(&format!("stray light {share}"), &bed, &found, &ORDINARY);
        assert_eq!(found.strips[0].tone, FilmTone::Negative, "{share}");
    }
}

fn cut(scan: &Samples16, x: std::ops::Range<u32>, y: std::ops::Range<u32>) -> Samples16 {
    let channels = usize::from(scan.channels());
    let columns = x.start as usize * channels..x.end as usize * channels;
    let data = y.clone().flat_map(|y| scan.row(y)[columns.clone()].to_vec()).collect();
    Samples16::from_vec(x.end - x.start, y.end - y.start, scan.channels(), data).expect("sizes fit")
}

#[test]
fn a_picture_cut_out_of_its_film_is_one_frame_of_its_format() {
    let bed = strip_120(300.0, 56.0, 6.0, &[Photo(61), Photo(62), Photo(63)]);
    let scan = bed.draw();
    for frame in &bed.truth()[0] {
        let b = frame.inset(8.0);
        let (x0, x1) = (b.center.x - b.width_px / 2.0 + 4.0, b.center.x + b.width_px / 2.0 - 4.0);
        let (y0, y1) = (b.center.y - b.height_px / 2.0 + 4.0, b.center.y + b.height_px / 2.0 - 4.0);
        let part = cut(&scan, x0 as u32..x1 as u32, y0 as u32..y1 as u32);
        let found = look_at(&part, &bed, FilmTone::Negative, None, true);
        assert_eq!(found.strips.len(), 1);
        let strip = &found.strips[0];
        assert_eq!((strip.frames.len(), strip.format_id.as_deref()), (1, Some("6x6")));
        let whole = strip.frames[0].image_area;
        assert_eq!((whole.width_px as u32, whole.height_px as u32), (part.width(), part.height()));
    }
}

#[test]
fn a_part_of_a_6x17_picture_is_named_after_its_film() {
    let bed = strip_120(300.0, 168.0, 4.0, &[Photo(31)]);
    let scan = bed.draw();
    let part = cut(&scan, 0..(scan.width() * 4 / 5), 0..scan.height());
    let found = look_at(&part, &bed, FilmTone::Unknown, None, true);
    assert_eq!(found.strips[0].format_id.as_deref(), Some("6x17"));
    assert_eq!(found.strips[0].frames.len(), 1);
}

fn two_strips() -> Bed {
    let mut bed = strip_135(450.0, &[Photo(1), Photo(2), Photo(3), Photo(4)]);
    let lower = Film {
        shots: row(3.0, 38.0, (36.0, 24.0), &[Photo(8), ClearTop(9), Photo(10)]),
        ..film(14.0, 71.0, 120.0, 35.0, -0.8)
    };
    bed.films.push(lower);
    bed.height_mm = 98.0;
    bed.openings.push([6.0, 50.0, 165.0, 92.0]);
    bed
}

#[test]
fn two_strips_in_one_holder_have_their_own_turns() {
    let bed = two_strips();
    check("two strips", &bed, &look(&bed, FilmTone::Negative, Some("135"), true), &ORDINARY);
}

#[test]
fn two_strips_in_one_opening_are_separated_by_open_light() {
    let mut bed = two_strips();
    bed.openings = vec![[6.0, 6.0, 170.0, 92.0]];
    check("one opening", &bed, &look(&bed, FilmTone::Negative, None, true), &ORDINARY);
}

#[test]
fn a_strip_that_runs_down_is_found_top_to_bottom() {
    let bed = Bed { turned: true, ..two_strips() };
    let found = look(&bed, FilmTone::Negative, Some("135"), true);
    check("down", &bed, &found, &ORDINARY);
    assert!(found.strips.iter().all(|s| s.axis == StripAxis::Down));
}

#[test]
fn slides_with_dark_rebates_are_found_with_and_without_infrared() {
    let mut bed = strip_135(450.0, &[Photo(41), Photo(42), Photo(43), Photo(44)]);
    bed.films[0].slide = true;
    bed.films[0].base = BLACK;
    for infrared in [true, false] {
        bed.infrared = infrared;
        let scan = bed.draw();
        for format in [Some("135"), None] {
            let found = look_at(&scan, &bed, FilmTone::Slide, format, true);
            check(&format!("slide {infrared} {format:?}"), &bed, &found, &ORDINARY);
        }
    }
}

#[test]
fn an_unknown_kind_of_film_is_told_from_the_scan() {
    let mut bed = strip_135(450.0, &[Photo(41), Photo(42), Photo(43)]);
    let found = look(&bed, FilmTone::Unknown, None, true);
    assert!(found.strips.iter().all(|s| s.tone == FilmTone::Negative));
    check("unknown negative", &bed, &found, &ORDINARY);
    bed.films[0].slide = true;
    bed.films[0].base = BLACK;
    let found = look(&bed, FilmTone::Unknown, None, true);
    assert!(found.strips.iter().all(|s| s.tone == FilmTone::Slide));
    check("unknown slide", &bed, &found, &ORDINARY);
}

#[test]
fn black_and_white_film_without_infrared_is_found() {
    let mut bed = strip_120(450.0, 56.0, 6.0, &[Photo(51), ClearTop(52), Photo(53)]);
    bed.films[0].base = GREY;
    bed.infrared = false;
    check("grey", &bed, &look(&bed, FilmTone::Negative, Some("6x6"), true), &ORDINARY);
}

#[test]
fn a_strip_that_begins_with_a_star_field_is_found() {
    let bed = strip_120(400.0, 41.5, 5.0, &[Stars(71), Photo(72), Photo(73), Photo(74)]);
    check("stars", &bed, &look(&bed, FilmTone::Negative, Some("6x4.5"), true), &ORDINARY);
}

#[test]
fn overlapping_faint_and_night_frames_are_all_found_and_marked() {
    let mut bed = strip_135(450.0, &[Photo(61), Photo(62), Even(0.035), Night(64), Photo(65)]);
    // The second frame starts 1.2 mm inside the first.
    bed.films[0].shots[1].at_mm = bed.films[0].shots[0].at_mm + 34.8;
    let found = look(&bed, FilmTone::Negative, Some("135"), true);
    let hard = Limits { least_iou: 0.93, most_outside_px: 14.0, most_angle_deg: 0.03 };
    check("hard", &bed, &found, &hard);
    let frames = &found.strips[0].frames;
    assert!(frames[0].has(FrameFlag::Overlap) && frames[1].has(FrameFlag::Overlap));
    assert!(frames[3].has(FrameFlag::Inferred) && frames[3].has(FrameFlag::LowConfidence));
    assert!(frames[0].confidence > frames[3].confidence);
}

#[test]
fn a_frame_cut_off_by_the_end_of_the_film_is_offered_as_partial() {
    let mut bed = strip_135(450.0, &[Photo(71), Photo(72), Photo(73)]);
    for s in &mut bed.films[0].shots {
        s.at_mm -= 20.0;
    }
    bed.films[0].length_mm -= 20.0;
    let found = look(&bed, FilmTone::Negative, Some("135"), true);
    let frames = &found.strips[0].frames;
    assert_eq!(frames.len(), 3, "{frames:#?}");
    assert!(frames[0].has(FrameFlag::Partial) && !frames[1].has(FrameFlag::Partial));
    let loose = Limits { least_iou: 0.93, most_outside_px: 4.0, most_angle_deg: 0.03 };
    check("cut", &bed, &found, &loose);
}

#[test]
fn a_blank_frame_between_others_is_marked_blank() {
    let bed = strip_135(450.0, &[Photo(81), Photo(82), Even(0.0), Photo(84)]);
    let found = look(&bed, FilmTone::Negative, Some("135"), true);
    let frames = &found.strips[0].frames;
    assert_eq!(frames.len(), 4);
    assert!(frames[2].has(FrameFlag::Blank));
}

#[test]
fn a_light_leak_at_the_cut_end_is_not_a_frame() {
    let mut bed = strip_135(450.0, &[Photo(91), Photo(92), Photo(93)]);
    for s in &mut bed.films[0].shots {
        s.at_mm += 20.0;
    }
    bed.films[0].length_mm += 20.0;
    bed.width_mm += 20.0;
    bed.openings[0][2] += 20.0;
    bed.films[0].leak_d = 0.8;
    check("leak", &bed, &look(&bed, FilmTone::Negative, Some("135"), true), &ORDINARY);
}

#[test]
fn higher_resolution_keeps_the_fraction_of_a_pixel() {
    let bed = strip_135(1450.0, &[Photo(101), Photo(102)]);
    check("1600 ppi", &bed, &look(&bed, FilmTone::Negative, Some("135"), true), &ORDINARY);
}

#[test]
fn a_dim_or_tinted_lamp_is_still_open_light() {
    let bed = strip_135(300.0, &[Photo(111), Photo(112), Photo(113)]);
    let scan = bed.draw();
    let mut tinted = scan.clone();
    for px in tinted.data_mut().chunks_exact_mut(4) {
        for (code, gain) in px.iter_mut().zip([0.7, 0.55, 0.5, 0.6]) {
            *code = (f64::from(*code) * gain) as u16;
        }
    }
    let low = Limits { least_iou: 0.95, ..ORDINARY };
    for format in [Some("135"), None] {
        check("tinted", &bed, &look_at(&tinted, &bed, FilmTone::Negative, format, true), &low);
    }
}

#[test]
fn perforations_tell_half_frames_from_roll_film_of_the_same_shape() {
    // 18 x 24 mm and 41.5 x 56 mm have nearly the same shape; without ppi only the perforations give a scale.
    let scenes: Vec<Scene> = (1..=6).map(Photo).collect();
    let mut bed = strip_135(450.0, &scenes);
    bed.films[0].length_mm = 19.0 * 6.0 + 2.0;
    bed.films[0].shots = row(1.5, 19.0, (18.0, 24.0), &scenes);
    let found = look(&bed, FilmTone::Negative, None, false);
    check("half frames", &bed, &found, &ORDINARY);
    assert_eq!(found.strips[0].format_id.as_deref(), Some("135-half"));
}

/// Mean of the pixels within `reach`, along rows and columns.
fn softened(scan: &Samples16, reach: i64) -> Samples16 {
    let (w, h, channels) = (i64::from(scan.width()), i64::from(scan.height()), usize::from(scan.channels()));
    let mut data = scan.data().to_vec();
    for (step_x, step_y) in [(1, 0), (0, 1)] {
        let from = data.clone();
        for (i, out) in data.iter_mut().enumerate() {
            let (at, channel) = ((i / channels) as i64, i % channels);
            let (x, y) = (at % w, at / w);
            let code = |k: i64| {
                let (x, y) = ((x + k * step_x).clamp(0, w - 1), (y + k * step_y).clamp(0, h - 1));
                u64::from(from[(y * w + x) as usize * channels + channel])
            };
            *out = ((-reach..=reach).map(code).sum::<u64>() / (2 * reach + 1) as u64) as u16;
        }
    }
    Samples16::from_vec(scan.width(), scan.height(), scan.channels(), data).expect("length fits")
}

#[test]
fn boxes_keep_further_from_soft_edges() {
    let bed = strip_135(450.0, &[Photo(1), Photo(2), Photo(3)]);
    let scan = bed.draw();
    let margins = |scan: &Samples16| -> Vec<f64> {
        let found = look_at(scan, &bed, FilmTone::Negative, Some("135"), true);
        found.strips[0].frames.iter().map(|frame| frame.guard_margin_px).collect()
    };
    let (sharp, soft) = (margins(&scan), margins(&softened(&scan, 2)));
    assert_eq!((sharp.len(), soft.len()), (3, 3));
    // A mean over five pixels makes an edge 4 pixels wide from 10 to 90 %.
    assert!(sharp.iter().zip(&soft).all(|(sharp, soft)| soft - sharp > 0.5), "{sharp:?} {soft:?}");
}
