//! The finder copes with any input: no panic, no endless work, the same result with any number of threads.

use glassine_layout::{FilmTone, FindOptions, LayoutError, Overview, find, format_by_id};
use glassine_raster::{CancelToken, ResolutionPpi, Samples16};
use glassine_testdata::strips::{BLACK, Bed, Film, GREY, ORANGE, Scene, compare, row};

const TONES: [FilmTone; 3] = [FilmTone::Negative, FilmTone::Slide, FilmTone::Unknown];

fn overview(samples: &Samples16, colour_channels: u8) -> Overview<'_> {
    Overview {
        samples,
        colour_channels,
        factor: 1,
        scan_width_px: samples.width(),
        scan_height_px: samples.height(),
    }
}

/// A fixed sequence of numbers 0..n.
fn numbers() -> impl FnMut(u64) -> u64 {
    let mut random = glassine_testdata::random::Lcg64::new(11);
    move |n| (random.next_u64() >> 33) % n.max(1)
}

#[test]
fn even_and_random_pictures_of_any_size_are_answered() {
    let mut n = numbers();
    for k in 0..60 {
        let (w, h) = (1 + n(180) as u32, 1 + n(140) as u32);
        let channels = [1_u8, 3, 4][k % 3];
        let len = w as usize * h as usize * channels as usize;
        let data: Vec<u16> = match k % 5 {
            0 => vec![0; len],
            1 => vec![65535; len],
            2 => vec![20_000; len],
            3 => (0..len).map(|_| n(65536) as u16).collect(),
            _ => (0..len).map(|i| if (i / 97) % 2 == 0 { 60_000 } else { n(3000) as u16 }).collect(),
        };
        let samples = Samples16::from_vec(w, h, channels, data).expect("length fits");
        for tone in TONES {
            for format in [None, format_by_id("135")] {
                let options = FindOptions {
                    tone,
                    format,
                    ppi: ResolutionPpi::new(1.0 + n(5000) as f64),
                    ..FindOptions::default()
                };
                let found = find(
                    &overview(&samples, channels.min(3)),
                    Some(&samples),
                    &options,
                    &CancelToken::new(),
                    &|_| (),
                )
                .expect("nothing to fail");
                for f in found.strips.iter().flat_map(|s| &s.frames) {
                    assert!(f.image_area.is_sane(), "{f:?}");
                    assert!(
                        f.safe_area().fit_default().is_sane(),
                        "{w} x {h} has a frame without room {f:?}"
                    );
                    assert!((0.0..=1.0).contains(&f.confidence));
                }
            }
        }
    }
}

#[test]
fn pictures_of_a_few_pixels_are_answered() {
    let mut n = numbers();
    for (w, h) in [(1, 1), (2, 2), (14, 14), (16, 12), (1, 100), (24, 4), (3000, 1)] {
        for top in [1, 30_000, 65_536] {
            let data = (0..w * h * 3).map(|_| n(top) as u16).collect();
            let samples = Samples16::from_vec(w as u32, h as u32, 3, data).expect("length fits");
            for tone in TONES {
                for single_frame_file in [false, true] {
                    let options = FindOptions { tone, single_frame_file, ..FindOptions::default() };
                    let found =
                        find(&overview(&samples, 3), Some(&samples), &options, &CancelToken::new(), &|_| ())
                            .expect("nothing to fail");
                    if single_frame_file {
                        assert_eq!(frames_of(&found), 1, "{w} x {h}");
                    }
                }
            }
        }
    }
}

fn frames_of(found: &glassine_layout::Found) -> usize {
    found.strips.iter().map(|strip| strip.frames.len()).sum()
}

#[test]
fn one_frame_a_file_is_a_promise_and_the_frame_lies_inside_the_file() {
    let mut n = numbers();
    for k in 0..80 {
        let (w, h) = (40 + n(300) as u32, 40 + n(300) as u32);
        // Patches of even tone imitate plain photographs, bars and borders that look like gaps between frames.
        let mut samples = Samples16::zeroed(w, h, 3);
        for _ in 0..1 + n(9) {
            let (x0, y0) = (n(u64::from(w)) as usize, n(u64::from(h)) as u32);
            let (x1, y1) = (x0 + 1 + n(200) as usize, y0 + 1 + n(200) as u32);
            let colour = [n(65_536) as u16, n(65_536) as u16, n(65_536) as u16];
            for y in y0..y1.min(h) {
                for px in samples.row_mut(y).chunks_exact_mut(3).take(x1).skip(x0) {
                    px.copy_from_slice(&colour);
                    px[k % 3] = px[k % 3].saturating_add(n(2000) as u16);
                }
            }
        }
        let tone = TONES[k % 3];
        let options = FindOptions { tone, single_frame_file: true, ..FindOptions::default() };
        let found = find(&overview(&samples, 3), Some(&samples), &options, &CancelToken::new(), &|_| ())
            .expect("nothing to fail");
        assert_eq!(frames_of(&found), 1, "picture {k}: {found:#?}");
        let crop = found.strips[0].frames[0].safe_area().fit_default();
        assert!(crop.is_sane());
        for corner in crop.corners() {
            let inside = (-1e-6..=f64::from(w) + 1e-6).contains(&corner.x)
                && (-1e-6..=f64::from(h) + 1e-6).contains(&corner.y);
            assert!(inside, "picture {k} of {w} x {h}: {crop:?}");
        }
    }
}

#[test]
fn a_cancelled_search_says_so() {
    let samples = Samples16::zeroed(50, 40, 3);
    let cancel = CancelToken::new();
    cancel.cancel();
    let answer = find(&overview(&samples, 3), None, &FindOptions::default(), &cancel, &|_| ());
    assert!(matches!(answer, Err(LayoutError::Cancelled(_))));
}

fn sheet(slide: bool) -> Bed {
    Bed {
        width_mm: 104.0,
        height_mm: 50.0,
        ppi: 300.0,
        openings: vec![[4.0, 4.0, 100.0, 46.0]],
        films: vec![Film {
            x_mm: 10.0,
            y_mm: 24.5,
            length_mm: 80.0,
            width_mm: 35.0,
            angle_deg: 0.5,
            perforated: true,
            slide,
            base: if slide { BLACK } else { ORANGE },
            shots: row(2.0, 38.0, (36.0, 24.0), &[Scene::Photo(1), Scene::ClearTop(2)]),
            leak_d: 0.0,
        }],
        infrared: true,
        turned: false,
        seed: 5,
    }
}

#[test]
fn the_answer_does_not_depend_on_the_number_of_threads() {
    let scan = sheet(false).draw();
    let options = FindOptions { ppi: ResolutionPpi::new(300.0), ..FindOptions::default() };
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| {
            find(&overview(&scan, 3), Some(&scan), &options, &CancelToken::new(), &|_| ()).expect("readable")
        })
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn one_frame_a_file_is_found_with_a_border_and_taken_whole_without() {
    let mut bed = sheet(false);
    bed.films[0].base = GREY;
    let scan = bed.draw();
    let truth = bed.truth()[0][0];
    let cut = |margin: f64| {
        let b = truth.inset(-margin).pixel_bounds(scan.width(), scan.height());
        let part = glassine_raster::RegionSource::read(&scan, b, &CancelToken::new()).expect("in memory");
        (part, f64::from(b.x0), f64::from(b.y0))
    };
    let options = FindOptions {
        tone: FilmTone::Negative,
        format: format_by_id("135"),
        ppi: ResolutionPpi::new(300.0),
        single_frame_file: true,
        ..FindOptions::default()
    };
    let (bordered, x0, y0) = cut(9.0);
    let found = find(&overview(&bordered, 3), Some(&bordered), &options, &CancelToken::new(), &|_| ())
        .expect("readable");
    assert_eq!(found.strips.iter().map(|s| s.frames.len()).sum::<usize>(), 1, "{found:#?}");
    let mut held = found.strips[0].frames[0].safe_area().fit_default();
    held.center.x += x0;
    held.center.y += y0;
    let (iou, outside) = compare(&held, &truth);
    assert!(iou > 0.96 && outside < 0.5, "{iou} {outside}");

    let (bare, ..) = cut(-8.0);
    let found =
        find(&overview(&bare, 3), Some(&bare), &options, &CancelToken::new(), &|_| ()).expect("readable");
    let frame = &found.strips[0].frames[0];
    assert_eq!(
        (frame.image_area.width_px, frame.image_area.height_px),
        (f64::from(bare.width()), f64::from(bare.height()))
    );
    assert!(frame.reason.contains("whole picture"));
}
