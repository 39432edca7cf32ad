//! Checks exported pictures with an independent colour engine, through the profile that each of them carries.

use glassine_engine::{Engine, NewSessionRequest};
use glassine_film::colour::{Lab, OutputSpace, decode, delta_e_2000, encode};
use glassine_film::matrix::{apply, invert};
use glassine_film::{FilmKind, default_stock};
use glassine_raster::{CancelToken, PixelRect, ResolutionPpi, Samples16};
use glassine_scanfile::{OpenOptions, Overwrite, Scan, write_rgbi};
use glassine_tests::{export_request, say};
use lcms2::{Flags, Intent, PixelFormat, Profile, Transform};

const SIDE: u32 = 64;

/// Linear codes of a frame of 8 by 8 by 8 colours, all inside sRGB after the slide stock's matrix.
fn scan_of_colours() -> Samples16 {
    let back = invert(&default_stock(FilmKind::Slide).working_matrix).expect("the matrix inverts");
    let data = (0..SIDE * SIDE).flat_map(|at| {
        let level = |step: u32| 0.02 + 0.9 * f64::from(step % 8) / 7.0;
        let light = apply(&back, [level(at), level(at / 8), level(at / 64)]);
        let code = light.map(|light| (65_535.0 * light.clamp(0.0, 1.0)).round() as u16);
        [code[0], code[1], code[2], 60_000]
    });
    Samples16::from_vec(SIDE, SIDE, 4, data.collect()).expect("the size fits")
}

fn lab_profile() -> Profile {
    let d50 = lcms2::CIExyY { x: 0.3457, y: 0.3585, Y: 1.0 };
    Profile::new_lab4_context(lcms2::GlobalContext::new(), &d50).expect("Lab is built in")
}

type Doubles = Transform<[f64; 3], [f64; 3]>;

fn transform(from: &Profile, from_as: PixelFormat, to: &Profile, to_as: PixelFormat) -> Doubles {
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE;
    Transform::new_flags(from, from_as, to, to_as, Intent::RelativeColorimetric, flags).expect("a transform")
}

fn unit_codes(picture: &Samples16) -> Vec<[f64; 3]> {
    picture.data().chunks_exact(3).map(|px| [0, 1, 2].map(|c| f64::from(px[c]) / 65_535.0)).collect()
}

fn labs_of(picture: &Samples16, profile: &[u8]) -> Vec<Lab> {
    let profile = Profile::new_icc(profile).expect("a sound profile");
    let codes = unit_codes(picture);
    let mut out = vec![[0.0; 3]; codes.len()];
    transform(&profile, PixelFormat::RGB_DBL, &lab_profile(), PixelFormat::Lab_DBL)
        .transform_pixels(&codes, &mut out);
    out.into_iter().map(|[l, a, b]| Lab { l, a, b }).collect()
}

/// Exports the colours in a space; returns the picture and its profile.
fn exported(space: OutputSpace) -> (Samples16, Vec<u8>) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("colours.tif");
    write_rgbi(&file, &scan_of_colours(), ResolutionPpi::new(300.0), "colours", Overwrite::Never)
        .expect("writes");
    let engine = Engine::new();
    let request = NewSessionRequest {
        scans: vec![file],
        film: Some(FilmKind::Slide),
        one_frame_per_file: true,
        ..NewSessionRequest::default()
    };
    let mut session =
        engine.new_session(&request, &CancelToken::new(), &|_, _| ()).expect("a session is made").session;
    let whole = glassine_raster::TiltedBox::from_edges(0.0, 0.0, f64::from(SIDE), f64::from(SIDE));
    let frame = std::sync::Arc::make_mut(&mut session.frames[0]);
    frame.crop = whole;
    let request = export_request(session, folder.path().join("out"), |output| {
        space.key().clone_into(&mut output.space);
        "straight".clone_into(&mut output.rendering);
    });
    let report = engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
    let scan = Scan::open(&report.written[0].path, &OpenOptions::default()).expect("opens");
    let info = scan.info();
    let all = PixelRect::of_size(info.width_px, info.height_px);
    let picture = scan.read_region(all, &CancelToken::new()).expect("reads");
    assert_eq!((picture.width(), picture.height()), (SIDE, SIDE));
    (picture, info.icc.clone().expect("a profile is embedded"))
}

#[test]
fn every_output_space_shows_the_same_colours_to_another_colour_engine() {
    // The expected result of the pipeline: the scan's own colours, in floating point.
    let scan = scan_of_colours();
    let working = default_stock(FilmKind::Slide).working_matrix;
    let wanted: Vec<Lab> = scan
        .data()
        .chunks_exact(4)
        .map(|px| {
            let light = apply(&working, [0, 1, 2].map(|c| f64::from(px[c]) / 65_535.0));
            glassine_film::colour::lab_from_working(light)
        })
        .collect();
    for space in OutputSpace::ALL {
        let (picture, profile) = exported(space);
        let found = labs_of(&picture, &profile);
        let differences: Vec<f64> = found.iter().zip(&wanted).map(|(a, b)| delta_e_2000(*a, *b)).collect();
        let mean = differences.iter().sum::<f64>() / differences.len() as f64;
        let worst = differences.iter().copied().fold(0.0, f64::max);
        say(&format!("{}: mean {mean:.4}, largest {worst:.3} CIEDE2000", space.key()));
        assert!(mean <= 0.1 && worst < 1.0, "{space:?}: {mean} {worst}");
    }
}

#[test]
fn sixteen_bit_codes_of_every_space_return_within_two_codes() {
    for space in OutputSpace::ALL {
        let (picture, profile) = exported(space);
        let profile = Profile::new_icc(&profile).expect("a sound profile");
        let lab = lab_profile();
        // Out of the picture's space and back, both with the other colour engine.
        let there = transform(&profile, PixelFormat::RGB_DBL, &lab, PixelFormat::Lab_DBL);
        let back = transform(&lab, PixelFormat::Lab_DBL, &profile, PixelFormat::RGB_DBL);
        let codes = unit_codes(&picture);
        let (mut labs, mut again) = (vec![[0.0; 3]; codes.len()], vec![[0.0; 3]; codes.len()]);
        there.transform_pixels(&codes, &mut labs);
        back.transform_pixels(&labs, &mut again);
        let differences =
            codes.iter().flatten().zip(again.iter().flatten()).map(|(a, b)| 65_535.0 * (a - b).abs());
        let worst = differences.fold(0.0, f64::max);
        say(&format!("{}: largest difference {worst:.2} codes", space.key()));
        assert!(worst <= 2.0, "{space:?}: {worst}");
        // The same with our own transfer function.
        for code in picture.data() {
            let ours = decode(space.transfer(), f64::from(*code) / 65_535.0);
            let again = (65_535.0 * encode(space.transfer(), ours)).round();
            assert!((again - f64::from(*code)).abs() <= 1.0, "{space:?} {code}: {again}");
        }
    }
}
