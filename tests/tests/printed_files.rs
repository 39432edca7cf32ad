//! Prints for a printer whose profile is known, compared with an independent colour engine.

use std::path::{Path, PathBuf};

use glassine_engine::session_files::open_session;
use glassine_engine::{
    ArchiveRequest, Engine, EngineError, ExportReport, ExportRequest, PlannedState, SessionAt,
};
use glassine_film::colour::{Lab, delta_e_2000};
use glassine_film::{FilmKind, OutputSpace};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{ExportRecipe, OutputKind, PrintIntent, PrintSettings, Printer, Session};
use glassine_tests::{new_session, say, strip_on_disk};
use lcms2::{Flags, Intent, PixelFormat, Profile, Transform};

use crate::device_models::{photo_printer_profile, press_profile};

fn recipe(name: &str, printer: Option<Printer>) -> ExportRecipe {
    let print = PrintSettings { sides_mm: [60.0, 60.0], ppi: 200.0, printer, ..PrintSettings::default() };
    ExportRecipe { print: Some(print), ..ExportRecipe::of_kind(OutputKind::Print).named(name) }
}

fn printer(profile: &Path, converts: bool) -> Printer {
    Printer { converts, ..Printer::proofed(profile.to_owned()) }
}

fn request(session: &Session, folder: PathBuf, recipes: &[ExportRecipe]) -> ExportRequest {
    let kinds = ExportRecipe::settings_of(recipes, &session.output);
    ExportRequest { repair: Some(false), ..ExportRequest::new(SessionAt::new(session.clone(), None), folder) }
        .in_kinds(kinds)
}

fn export(request: &ExportRequest) -> Result<ExportReport, EngineError> {
    Engine::new().export(request, &CancelToken::new(), &|_, _| ())
}

/// Codes of a file, 0 to 1, and its profile.
fn read(path: &Path) -> (Vec<[f64; 3]>, Vec<u8>) {
    let scan = Scan::open(path, &OpenOptions::default()).expect("opens");
    let all = PixelRect::of_size(scan.width(), scan.height());
    let picture = scan.read_region(all, &CancelToken::new()).expect("reads");
    let unit = |px: &[u16]| [0, 1, 2].map(|c| f64::from(px[c]) / 65_535.0);
    (picture.data().chunks_exact(3).map(unit).collect(), scan.info().icc.clone().expect("has a profile"))
}

/// The same codes for a printer, relative colorimetric with black point compensation, by the other colour engine.
fn converted_elsewhere(from: &[u8], to: &[u8], codes: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let (from, to) = (Profile::new_icc(from).expect("sound"), Profile::new_icc(to).expect("sound"));
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE | Flags::BLACKPOINT_COMPENSATION;
    let (as_, intent) = (PixelFormat::RGB_DBL, Intent::RelativeColorimetric);
    let transform =
        Transform::<[f64; 3], [f64; 3], _, _>::new_flags(&from, as_, &to, as_, intent, flags).expect("made");
    let mut out = vec![[0.0; 3]; codes.len()];
    transform.transform_pixels(codes, &mut out);
    out
}

fn labs_on_paper(printer: &[u8], codes: &[[f64; 3]]) -> Vec<Lab> {
    let d50 = lcms2::CIExyY { x: 0.3457, y: 0.3585, Y: 1.0 };
    let lab = Profile::new_lab4_context(lcms2::GlobalContext::new(), &d50).expect("Lab is built in");
    let printer = Profile::new_icc(printer).expect("sound");
    let flags = Flags::NO_CACHE | Flags::NO_OPTIMIZE;
    let (from, to, intent) = (PixelFormat::RGB_DBL, PixelFormat::Lab_DBL, Intent::RelativeColorimetric);
    let transform = Transform::<[f64; 3], [f64; 3], _, _>::new_flags(&printer, from, &lab, to, intent, flags)
        .expect("made");
    let mut out = vec![[0.0; 3]; codes.len()];
    transform.transform_pixels(codes, &mut out);
    out.into_iter().map(|[l, a, b]| Lab { l, a, b }).collect()
}

#[test]
fn a_converted_print_has_the_colours_that_another_colour_engine_makes_of_the_unconverted_one() {
    let strip = strip_on_disk("harbour", 150.0);
    let scans = std::slice::from_ref(&strip.scan);
    let session = new_session(&Engine::new(), scans, FilmKind::ColourNegative, "6x4.5").session;
    let profile = photo_printer_profile();
    let file = strip.folder.path().join("printer.icc");
    std::fs::write(&file, &profile).expect("ours");
    let recipes = [
        recipe("plain", None),
        recipe("proofed", Some(printer(&file, false))),
        recipe("converted", Some(printer(&file, true))),
    ];
    let report = export(&request(&session, strip.folder.path().join("out"), &recipes)).expect("exports");
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    let of = |name: &str| report.written.iter().find(|file| file.recipe == name).expect("written");
    let (plain, srgb) = read(&of("plain").path);
    let (proofed, own) = read(&of("proofed").path);
    let (converted, embedded) = read(&of("converted").path);
    assert!(plain == proofed && srgb == own, "a profile for the proof changes nothing in the file");
    assert_eq!(embedded, profile, "a converted file carries the profile of the printer");
    assert!(of("plain").notes.is_empty(), "{:?}", of("plain").notes);
    for name in ["proofed", "converted"] {
        let notes = of(name).notes.join(" ");
        assert!(notes.contains(name) && notes.contains("Test photo printer"), "{notes}");
    }

    let theirs = converted_elsewhere(&srgb, &profile, &plain);
    let labs = labs_on_paper(&profile, &converted).into_iter().zip(labs_on_paper(&profile, &theirs));
    let mut differences: Vec<f64> = labs.map(|(a, b)| delta_e_2000(a, b)).collect();
    differences.sort_by(f64::total_cmp);
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let most = differences[differences.len() * 999 / 1000];
    say(&format!("converted print: mean {mean:.3}, 99.9 % within {most:.2} CIEDE2000"));
    // Both files are dithered to 8 bits, which moves a colour by about half a unit.
    assert!(mean < 0.6 && most < 2.5, "mean {mean}, 99.9 % within {most}");
    // What they would be without conversion is far away.
    let unconverted = labs_on_paper(&profile, &plain).into_iter().zip(labs_on_paper(&profile, &theirs));
    let apart = unconverted.map(|(a, b)| delta_e_2000(a, b)).sum::<f64>() / plain.len() as f64;
    assert!(apart > 3.0, "{apart}");
}

#[test]
fn a_missing_or_unsuitable_printer_is_told_before_anything_is_written() {
    let strip = strip_on_disk("harbour", 100.0);
    let scans = std::slice::from_ref(&strip.scan);
    let session = new_session(&Engine::new(), scans, FilmKind::ColourNegative, "6x4.5").session;
    let (out, press) = (strip.folder.path().join("out"), strip.folder.path().join("press.icc"));
    std::fs::write(&press, press_profile()).expect("ours");
    let text = strip.folder.path().join("text.icc");
    std::fs::write(&text, "no profile").expect("ours");
    let web = ExportRecipe::of_kind(OutputKind::Web);
    for (wrong, what) in [
        (printer(&strip.folder.path().join("gone.icc"), false), "can't be read"),
        (printer(&press, true), "four inks"),
        (printer(&text, false), "profile"),
    ] {
        let path = wrong.profile.clone();
        let run = request(&session, out.clone(), &[web.clone(), recipe("lab", Some(wrong))]);
        for failed in [export(&run).err(), Engine::new().plan_export(&run).err()] {
            let notice = failed.expect("is refused").notice();
            assert!(notice.headline.contains(what), "{}", notice.headline);
            assert_eq!(notice.path.as_deref(), Some(&*path));
        }
        assert!(!out.exists(), "nothing is written");
    }
    // Four inks can be proofed.
    let report = export(&request(&session, out, &[recipe("lab", Some(printer(&press, false)))]));
    assert!(report.expect("exports").failed.is_empty());
}

#[test]
fn a_second_run_writes_a_converted_print_again_only_if_its_profile_or_intent_changed() {
    let strip = strip_on_disk("harbour", 100.0);
    let scans = std::slice::from_ref(&strip.scan);
    let session = new_session(&Engine::new(), scans, FilmKind::ColourNegative, "6x4.5").session;
    let file = strip.folder.path().join("printer.icc");
    std::fs::write(&file, photo_printer_profile()).expect("ours");
    let run = |printer: Printer| {
        let run = request(&session, strip.folder.path().join("out"), &[recipe("lab", Some(printer))]);
        ExportRequest { update: true, ..run }
    };
    let states = |run: &ExportRequest| {
        let planned = Engine::new().plan_export(run).expect("plans");
        let mut states: Vec<PlannedState> = planned.iter().map(|file| file.state).collect();
        states.dedup();
        states
    };
    let converted = run(printer(&file, true));
    assert!(export(&converted).expect("exports").failed.is_empty());
    assert_eq!(states(&converted), [PlannedState::Unchanged]);
    let perceptual = Printer { intent: PrintIntent::Perceptual, ..printer(&file, true) };
    assert_eq!(states(&run(perceptual)), [PlannedState::Changed]);
    let moved = strip.folder.path().join("paper");
    std::fs::create_dir(&moved).expect("ours");
    std::fs::rename(&file, moved.join("printer.icc")).expect("ours");
    assert_eq!(states(&run(printer(&moved.join("printer.icc"), true))), [PlannedState::Unchanged]);
    let other = glassine_engine::colour::output_profile(OutputSpace::DisplayP3, false);
    std::fs::write(&file, other).expect("ours");
    assert_eq!(states(&converted), [PlannedState::Changed]);
}

#[test]
fn a_package_takes_the_profile_of_a_printer_along() {
    let strip = strip_on_disk("harbour", 100.0);
    let scans = std::slice::from_ref(&strip.scan);
    let mut session = new_session(&Engine::new(), scans, FilmKind::ColourNegative, "6x4.5").session;
    let (file, bag) = (strip.folder.path().join("pearl.icc"), strip.folder.path().join("bag"));
    std::fs::write(&file, photo_printer_profile()).expect("ours");
    session.output.recipes = vec![recipe("lab", Some(printer(&file, true)))];
    let at = SessionAt::new(session, None);
    let request = ArchiveRequest { at, folder: bag.clone(), made_on: String::new() };
    Engine::new().archive(&request, &CancelToken::new(), &|_, _| ()).expect("a package");
    std::fs::remove_file(&file).expect("ours");
    let inner = open_session(&bag.join("data/roll.session.json"), &CancelToken::new()).expect("opens");
    let kept = inner.session.output.printer_profiles().next().expect("named").to_owned();
    assert!(kept.ends_with("data/profiles/pearl.icc"), "{}", kept.display());
    assert_eq!(std::fs::read(kept).expect("there"), photo_printer_profile());
}
