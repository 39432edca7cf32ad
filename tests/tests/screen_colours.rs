//! Colours of screens and proofs, compared with an independent colour engine.

use std::sync::Arc;
use std::time::Instant;

use glassine_engine::colour::{Proof, ProofSettings, ProofTarget, output_profile, screen_table};
use glassine_engine::jobs::JobEventKind;
use glassine_engine::{
    Engine, JobHost, Overlay, PictureSide, Preview, PreviewRequest, SessionAt, UnitRect, ViewKey,
};
use glassine_film::colour::{Lab, delta_e_2000};
use glassine_film::{FilmKind, OutputSpace, Param};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::icc::{DeviceProfile, Intent};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{Edit, Session};
use glassine_tests::{export_request, new_session, say, strip_on_disk};
use lcms2::{Flags, PixelFormat, Profile, Transform};

use crate::device_models::{press_profile, screen_profile_with_tables};

/// Codes of colours all over the cube, nodes of tables and places between them.
fn colours() -> Vec<[u8; 3]> {
    let levels = [0, 1, 3, 9, 20, 37, 64, 90, 128, 161, 200, 230, 255];
    let pairs = levels.iter().flat_map(|r| levels.iter().map(move |g| (*r, *g)));
    pairs.flat_map(|(r, g)| levels.iter().map(move |b| [r, g, *b])).collect()
}

fn unit(codes: &[[u8; 3]]) -> Vec<[f64; 3]> {
    codes.iter().map(|rgb| rgb.map(|code| f64::from(code) / 255.0)).collect()
}

fn lab_profile() -> Profile {
    let d50 = lcms2::CIExyY { x: 0.3457, y: 0.3585, Y: 1.0 };
    Profile::new_lab4_context(lcms2::GlobalContext::new(), &d50).expect("Lab is built in")
}

/// What a screen with this profile shows for its codes, by the other colour engine.
fn labs_on(screen: &[u8], codes: &[[f64; 3]]) -> Vec<Lab> {
    let profile = Profile::new_icc(screen).expect("a sound profile");
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE;
    let intent = lcms2::Intent::RelativeColorimetric;
    let (from, to) = (PixelFormat::RGB_DBL, PixelFormat::Lab_DBL);
    let transform =
        Transform::<[f64; 3], [f64; 3], _, _>::new_flags(&profile, from, &lab_profile(), to, intent, flags)
            .expect("a transform");
    let mut labs = vec![[0.0; 3]; codes.len()];
    transform.transform_pixels(codes, &mut labs);
    labs.into_iter().map(|[l, a, b]| Lab { l, a, b }).collect()
}

/// Mean and largest CIEDE2000 between the colours of two sets of codes of one screen.
fn compare(what: &str, screen: &[u8], ours: &[[f64; 3]], theirs: &[[f64; 3]]) -> (f64, f64) {
    let (ours, theirs) = (labs_on(screen, ours), labs_on(screen, theirs));
    let differences: Vec<f64> = ours.iter().zip(&theirs).map(|(a, b)| delta_e_2000(*a, *b)).collect();
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let worst = differences.iter().copied().fold(0.0, f64::max);
    say(&format!("{what}: mean {mean:.3}, largest {worst:.2} CIEDE2000"));
    (mean, worst)
}

/// Screen codes of sRGB codes by the other colour engine, not rounded to 8 bits.
fn converted_elsewhere(screen: &[u8], codes: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let srgb = Profile::new_icc(&output_profile(OutputSpace::Srgb, false)).expect("a sound profile");
    let screen = Profile::new_icc(screen).expect("a sound profile");
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE | Flags::BLACKPOINT_COMPENSATION;
    let (as_, intent) = (PixelFormat::RGB_DBL, lcms2::Intent::RelativeColorimetric);
    let transform = Transform::<[f64; 3], [f64; 3], _, _>::new_flags(&srgb, as_, &screen, as_, intent, flags)
        .expect("a transform");
    let mut out = vec![[0.0; 3]; codes.len()];
    transform.transform_pixels(codes, &mut out);
    out.into_iter().map(|rgb| rgb.map(|value| value.clamp(0.0, 1.0))).collect()
}

fn check_screen(what: &str, screen: &[u8]) {
    let profile = DeviceProfile::parse(screen).expect("a sound profile");
    let table = screen_table(&profile).expect("it can be used").expect("it is not sRGB");
    let codes = colours();
    let theirs = converted_elsewhere(screen, &unit(&codes));
    let exact: Vec<[f64; 3]> = codes
        .iter()
        .map(|rgb| {
            let [r, g, b, _] = table.at(rgb.map(|code| f32::from(code) / 255.0));
            [r, g, b].map(f64::from)
        })
        .collect();
    let (mean, worst) = compare(what, screen, &exact, &theirs);
    assert!(mean <= 0.3 && worst <= 3.0, "{what}: {mean} {worst}");
    let pixels: Vec<u8> = codes.iter().flat_map(|[r, g, b]| [*r, *g, *b, 255]).collect();
    let shown: Vec<[u8; 3]> =
        table.convert_rgba8(&pixels).chunks_exact(4).map(|px| [px[0], px[1], px[2]]).collect();
    let (mean, _) = compare(&format!("{what}, 8 bits"), screen, &unit(&shown), &theirs);
    assert!(mean <= 0.3, "{what}, 8 bits: {mean}");
}

#[test]
fn a_wide_screen_gets_the_codes_of_another_colour_engine() {
    for space in [OutputSpace::AdobeRgb1998, OutputSpace::DisplayP3, OutputSpace::RommRgb] {
        check_screen(space.label(), &output_profile(space, false));
    }
}

#[test]
fn a_screen_described_by_tables_gets_the_codes_of_another_colour_engine() {
    check_screen("screen with tables", &screen_profile_with_tables());
}

#[test]
fn screens_with_profiles_of_other_origin_get_the_codes_of_another_colour_engine() {
    let Some(folder) = glassine_testdata::folder("icc-profiles-cc0") else { return };
    for name in ["AdobeRGB1998", "ProPhotoRGB", "Rec709", "WideGamutRGB"] {
        let profile = std::fs::read(folder.join(name).with_extension("icc")).expect("the data is complete");
        check_screen(name, &profile);
    }
    // Both have the primaries and the curve of sRGB.
    for name in ["sRGB", "Gamma5000K"] {
        let srgb = std::fs::read(folder.join(name).with_extension("icc")).expect("the data is complete");
        let srgb = DeviceProfile::parse(&srgb).expect("a sound profile");
        assert!(screen_table(&srgb).expect("it can be used").is_none(), "{name}");
    }
}

#[test]
fn a_screen_that_is_srgb_gets_the_codes_as_they_are() {
    let table = |bytes: &[u8]| screen_table(&DeviceProfile::parse(bytes).expect("a sound profile"));
    assert!(table(&output_profile(OutputSpace::Srgb, false)).expect("it can be used").is_none());
    let other = Profile::new_srgb().icc().expect("it is written");
    assert!(table(&other).expect("it can be used").is_none());
}

#[test]
fn two_megapixels_are_converted_fast() {
    let screen =
        DeviceProfile::parse(&output_profile(OutputSpace::DisplayP3, false)).expect("a sound profile");
    let table = screen_table(&screen).expect("it can be used").expect("it is not sRGB");
    let mut random = 1_u32;
    let pixels: Vec<u8> = (0..8_000_000)
        .map(|_| {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (random >> 24) as u8
        })
        .collect();
    let started = Instant::now();
    let converted = table.convert_rgba8(&pixels);
    let millis = started.elapsed().as_secs_f64() * 1e3;
    say(&format!("2 MP of random colours converted in {millis:.0} ms"));
    assert_eq!(converted.len(), pixels.len());
    // Many times what it takes, for busy machines.
    assert!(millis < 2000.0, "{millis} ms");
}

/// A proof by the other colour engine: from the file to the press, from there to the screen.
fn proofed_elsewhere(
    press: &[u8],
    file: OutputSpace,
    shows_paper: bool,
    codes: &[[f64; 3]],
) -> Vec<[f64; 3]> {
    let profile = |bytes: &[u8]| Profile::new_icc(bytes).expect("a sound profile");
    let (file, screen) =
        (profile(&output_profile(file, false)), profile(&output_profile(OutputSpace::DisplayP3, false)));
    let press = profile(press);
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE;
    let bpc = flags | Flags::BLACKPOINT_COMPENSATION;
    let (rgb, cmyk) = (PixelFormat::RGB_DBL, PixelFormat::CMYK_DBL);
    let to_ink = Transform::<[f64; 3], [f64; 4], _, _>::new_flags(
        &file,
        rgb,
        &press,
        cmyk,
        lcms2::Intent::RelativeColorimetric,
        bpc,
    )
    .expect("a transform");
    let (intent, flags) = match shows_paper {
        true => (lcms2::Intent::AbsoluteColorimetric, flags),
        false => (lcms2::Intent::RelativeColorimetric, bpc),
    };
    let to_screen =
        Transform::<[f64; 4], [f64; 3], _, _>::new_flags(&press, cmyk, &screen, rgb, intent, flags)
            .expect("a transform");
    let (mut inks, mut out) = (vec![[0.0; 4]; codes.len()], vec![[0.0; 3]; codes.len()]);
    to_ink.transform_pixels(codes, &mut inks);
    to_screen.transform_pixels(&inks, &mut out);
    out.into_iter().map(|rgb| rgb.map(|value| value.clamp(0.0, 1.0))).collect()
}

#[test]
fn a_print_looks_as_another_colour_engine_says() {
    let press = press_profile();
    let printer = Arc::new(DeviceProfile::parse(&press).expect("a sound profile"));
    assert!(printer.is_printer() && printer.channels() == 4);
    let screen = output_profile(OutputSpace::DisplayP3, false);
    let on_screen = DeviceProfile::parse(&screen).expect("a sound profile");
    let codes = unit(&colours());
    for (file, shows_paper) in
        [(OutputSpace::Srgb, false), (OutputSpace::Srgb, true), (OutputSpace::AdobeRgb1998, false)]
    {
        let target = ProofTarget::Printer(Arc::clone(&printer));
        let settings =
            ProofSettings { target, intent: Intent::RelativeColorimetric, shows_paper, marks: false };
        let proof = Proof::new(&settings, file, &on_screen).expect("a proof");
        let ours: Vec<[f64; 3]> =
            codes.iter().map(|rgb| proof.shown(rgb.map(|v| v as f32)).map(f64::from)).collect();
        let theirs = proofed_elsewhere(&press, file, shows_paper, &codes);
        let what = format!("print of {}, paper {shows_paper}", file.label());
        let (mean, worst) = compare(&what, &screen, &ours, &theirs);
        assert!(mean <= 0.5 && worst <= 5.0, "{what}: {mean} {worst}");
    }
}

fn proofed_preview(host: &mut JobHost, session: &Session, proof: Arc<Proof>) -> Arc<Preview> {
    host.preview(PreviewRequest {
        key: ViewKey::Frame(session.frames[0].id),
        at: SessionAt::new(session.clone(), None),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        max_width_px: 4000,
        max_height_px: 4000,
        side: PictureSide::Positive,
        overlay: Overlay::None,
        proof: Some(proof),
        revision: 1,
    });
    let mut last = None;
    while !host.is_idle() {
        if let Some(JobEventKind::PreviewReady(preview)) = host.poll().map(|event| event.kind) {
            last = Some(preview);
        }
    }
    last.expect("a preview is made")
}

/// A colourful strip in the print rendering, so that wide spaces hold more of it than sRGB.
fn colourful(engine: &Engine, scan: &std::path::PathBuf) -> Session {
    let mut session =
        new_session(engine, std::slice::from_ref(scan), FilmKind::ColourNegative, "6x4.5").session;
    for (param, value) in [(Param::Saturation, 1.9), (Param::RepairStrength, 0.0)] {
        let frames = session.frames.iter().map(|frame| frame.id).collect();
        session = Edit::SetParam { frames, param, value }.apply(&session).expect("applies");
    }
    session
}

#[test]
fn a_proof_of_a_file_shows_the_exported_file_as_another_colour_engine_shows_it() {
    let disk = strip_on_disk("harbour", 200.0);
    let engine = Arc::new(Engine::new());
    let session = colourful(&engine, &disk.scan);
    // The widest screen, so that the screen itself hides nothing.
    let screen = output_profile(OutputSpace::RommRgb, false);
    let on_screen = DeviceProfile::parse(&screen).expect("a sound profile");
    let mut host = JobHost::inline(Arc::clone(&engine));
    let (mut shares, mut in_srgb) = (Vec::new(), Vec::new());
    for space in [OutputSpace::Srgb, OutputSpace::DisplayP3] {
        let wanted = export_request(session.clone(), disk.folder.path().join(space.key()), |output| {
            space.key().clone_into(&mut output.space);
        });
        let report = engine.export(&wanted, &CancelToken::new(), &|_, _| ()).expect("exports");
        let file = &report.written[0];
        let scan = Scan::open(&file.path, &OpenOptions::default()).expect("opens");
        let whole = PixelRect::of_size(file.width_px, file.height_px);
        let codes = scan.read(whole, &CancelToken::new()).expect("reads");
        let exported: Vec<[f64; 3]> =
            codes.data().chunks_exact(3).map(|px| [0, 1, 2].map(|c| f64::from(px[c]) / 65_535.0)).collect();
        let profile = scan.info().icc.clone().expect("a profile is embedded");
        let settings = ProofSettings {
            target: ProofTarget::Space(space),
            intent: Intent::RelativeColorimetric,
            shows_paper: false,
            marks: false,
        };
        let proof = Arc::new(Proof::new(&settings, OutputSpace::Srgb, &on_screen).expect("a proof"));
        let preview = proofed_preview(&mut host, &session, proof);
        assert!(preview.is_proof && (preview.width_px, preview.height_px) == (file.width_px, file.height_px));
        let shown: Vec<[f64; 3]> =
            preview.rgba.chunks_exact(4).map(|px| [0, 1, 2].map(|c| f64::from(px[c]) / 255.0)).collect();
        let (found, wanted) = (labs_on(&screen, &shown), labs_on(&profile, &exported));
        let differences: Vec<f64> = found.iter().zip(&wanted).map(|(a, b)| delta_e_2000(*a, *b)).collect();
        let mean = differences.iter().sum::<f64>() / differences.len() as f64;
        say(&format!("proof of {}: mean {mean:.3} CIEDE2000", space.label()));
        // 8 bits of so wide a space are coarse.
        assert!(mean <= 0.6, "{space:?}: {mean}");
        if space == OutputSpace::Srgb {
            in_srgb = wanted;
        } else {
            // What only the wider file holds must not be lost on the way to the screen.
            let strong = wanted.iter().zip(&in_srgb).map(|(wide, narrow)| delta_e_2000(*wide, *narrow) > 2.0);
            let strong: Vec<f64> =
                differences.iter().zip(strong).filter(|(_, strong)| *strong).map(|(de, _)| *de).collect();
            let mean = strong.iter().sum::<f64>() / strong.len() as f64;
            say(&format!("{} pixels are stronger than in sRGB: mean {mean:.3} CIEDE2000", strong.len()));
            assert!(strong.len() > 100 && mean <= 1.0, "{} {mean}", strong.len());
        }
        let marked = Proof::new(&ProofSettings { marks: true, ..settings }, OutputSpace::Srgb, &on_screen);
        let preview = proofed_preview(&mut host, &session, Arc::new(marked.expect("a proof")));
        shares.push(preview.out_of_gamut_share.expect("it is counted"));
    }
    say(&format!("out of gamut: sRGB {:.4}, Display P3 {:.4}", shares[0], shares[1]));
    assert!(shares[0] > shares[1] && shares[0] > 0.001, "{shares:?}");
}
