//! The profile of a screen: found on a virtual display, and used for every picture of the window.

use std::path::{Path, PathBuf};

use crate::common::{SharedPicker, app, session, write_scan};
use crate::offscreen::{HeadlessWindow, WindowPicture};
use egui::vec2;
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{ScreenCommand, ViewCommand};
use glassine_app::model::screen_state::{ProofChoice, ProofOf, ScreenChoice, ScreenFact};
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_app::widgets::theme;
use glassine_engine::colour::output_profile;
use glassine_film::OutputSpace;
use glassine_scanfile::icc::{TransferCurve, build_rgb_profile};

const SIZE: (f32, f32) = (1280.0, 720.0);
const FRAME_LIMIT: usize = 600;

/// A screen whose red and green are swapped and that otherwise shows sRGB: any colour sent to it unconverted is wrong.
fn swapped_profile() -> Vec<u8> {
    let space = OutputSpace::Srgb;
    let swapped = space.to_xyz_d50().map(|[r, g, b]| [g, r, b]);
    build_rgb_profile("Swapped screen", swapped, space.white(), &TransferCurve::srgb())
}

fn opened(folder: &Path, answers: Vec<PickOutcome>) -> (GlassineApp, HeadlessWindow) {
    let scan = write_scan(folder);
    let mut app = app(Vec::new(), SharedPicker::new(answers));
    app.set_session(session(&scan, Some(PathBuf::from("/pictures/quay"))));
    // Without an open section the picture has the whole width.
    app.ui_state_mut().panels.open = None;
    let mut window = HeadlessWindow::new(vec2(SIZE.0, SIZE.1), 1.0);
    assert!(window.settle(&mut app, FRAME_LIMIT), "the window does not come to rest");
    (app, window)
}

fn drawn(app: &mut GlassineApp, window: &mut HeadlessWindow) -> WindowPicture {
    assert!(window.settle(app, FRAME_LIMIT), "the window does not come to rest");
    window.picture(false).expect("frames were run")
}

/// Share of the window's height above the tones.
const PICTURES: f32 = 0.72;

/// Pixels that have a colour, left of the settings and above the tones: those of the user's pictures, because the
/// window itself is grey there.
fn coloured<'p>(
    before: &'p WindowPicture,
    after: &'p WindowPicture,
) -> impl Iterator<Item = (&'p [u8], &'p [u8])> {
    let row = 4 * SIZE.0 as usize;
    let left = row - 4 * theme::SETTINGS_WIDTH as usize;
    let rows = before.rgba.chunks_exact(row).zip(after.rgba.chunks_exact(row));
    let rows = rows.take((SIZE.1 * PICTURES) as usize);
    let pixels = rows.flat_map(move |(a, b)| a[..left].chunks_exact(4).zip(b[..left].chunks_exact(4)));
    pixels.filter(|(before, _)| before[0].abs_diff(before[1]) > 12 && before[2] > before[1])
}

#[test]
fn every_picture_of_the_window_is_converted_to_the_profile_that_the_user_names() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("swapped.icc");
    std::fs::write(&file, swapped_profile()).expect("writes");
    let (mut app, mut window) = opened(folder.path(), vec![PickOutcome::Chosen(vec![file])]);
    assert_eq!(app.status().screen.screen, ScreenFact::NoProfile);
    let before = drawn(&mut app, &mut window);
    app.push(ScreenCommand::AskProfile);
    let after = drawn(&mut app, &mut window);
    assert!(app.status().screen.short().contains("Swapped screen"), "{:?}", app.status().screen);
    let (mut count, mut swapped) = (0, 0_u32);
    for (before, after) in coloured(&before, &after) {
        count += 1;
        let is_swapped = before[0].abs_diff(after[1]) <= 2
            && before[1].abs_diff(after[0]) <= 2
            && before[2].abs_diff(after[2]) <= 2;
        swapped += u32::from(is_swapped);
    }
    // Strip, prints and the large picture are blue in their upper part.
    assert!(count > 12_000, "{count} coloured pixels");
    assert!(f64::from(swapped) > 0.97 * f64::from(count), "{swapped} of {count} pixels are converted");
    let of_srgb =
        ProofChoice { is_on: true, of: ProofOf::Space(OutputSpace::Srgb), ..ProofChoice::default() };
    app.push(ScreenCommand::SetProof(of_srgb));
    let proofed = drawn(&mut app, &mut window);
    let near =
        |(after, proofed): &(&[u8], &[u8])| after.iter().zip(*proofed).all(|(a, b)| a.abs_diff(*b) <= 3);
    let pixels = || after.rgba.chunks_exact(4).zip(proofed.rgba.chunks_exact(4));
    let share = pixels().filter(near).count() as f64 / pixels().count() as f64;
    assert!(share > 0.98, "a proof is converted once: {share}");
    app.push(ScreenCommand::SetProof(ProofChoice::default()));
    app.push(ScreenCommand::UseSystemProfile);
    let again = drawn(&mut app, &mut window);
    assert!(coloured(&before, &again).all(|(before, again)| before == again), "and back");
}

#[test]
fn a_file_that_is_no_profile_of_a_screen_is_named_and_changes_nothing() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("letter.icc");
    std::fs::write(&file, "no profile").expect("writes");
    let (mut app, mut window) = opened(folder.path(), Vec::new());
    let before = drawn(&mut app, &mut window);
    app.ui_state_mut().screen = ScreenChoice { profile_file: Some(file) };
    let after = drawn(&mut app, &mut window);
    assert!(matches!(app.status().screen.screen, ScreenFact::Unusable { .. }), "{:?}", app.status().screen);
    assert!(app.status().screen.sentence().contains("taken as sRGB"));
    assert!(coloured(&before, &after).all(|(before, after)| before == after));
}

#[test]
fn a_proof_says_what_it_shows_and_a_missing_printer_is_named() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (mut app, mut window) = opened(folder.path(), Vec::new());
    let plain = drawn(&mut app, &mut window);
    let proof = |of| ProofChoice { is_on: true, of, marks: true, ..ProofChoice::default() };
    app.push(ScreenCommand::SetProof(proof(ProofOf::Space(OutputSpace::DisplayP3))));
    let proofed = drawn(&mut app, &mut window);
    assert_eq!(app.status().screen.proof.as_deref(), Some("Display P3"));
    // A screen taken as sRGB shows a file in a wider space almost as it shows the picture itself.
    let (mut count, mut near) = (0, 0_u32);
    for (before, after) in coloured(&plain, &proofed) {
        count += 1;
        near += u32::from(before.iter().zip(after).all(|(a, b)| a.abs_diff(*b) <= 3));
    }
    assert!(count > 12_000 && f64::from(near) > 0.85 * f64::from(count), "{near} of {count}");
    let print = ProofChoice { printer_file: Some("/nowhere/press.icc".into()), ..proof(ProofOf::Print) };
    app.push(ScreenCommand::SetProof(print));
    app.push(ViewCommand::SetLoupe(false));
    drawn(&mut app, &mut window);
    assert_eq!(app.status().screen.proof, None);
    let failure = app.status().screen.proof_failure.clone().unwrap_or_default();
    assert!(failure.contains("/nowhere/press.icc"), "{failure}");
}

#[cfg(all(unix, not(target_os = "macos")))]
mod display {
    use std::io::BufRead as _;
    use std::process::{Child, Command, Stdio};
    use std::sync::Arc;

    use glassine_app::model::screen_state::ProfileOrigin;
    use glassine_app::platform::screen_profile::{ScreenFinder, ScreenLookup};
    use glassine_app::services::file_dialogs::PreparedPicker;
    use glassine_engine::{Engine, JobHost};
    use x11rb::connection::Connection as _;
    use x11rb::protocol::randr::{ConnectionExt as _, MonitorInfo};
    use x11rb::protocol::xproto::{AtomEnum, ConnectionExt as _, PropMode};
    use x11rb::rust_connection::RustConnection;
    use x11rb::wrapper::ConnectionExt as _;

    use super::*;

    /// A virtual display of 640 by 480 pixels, ended when dropped.
    struct Server {
        child: Child,
        name: String,
    }

    impl Drop for Server {
        fn drop(&mut self) {
            // It may have ended already.
            drop(self.child.kill());
            drop(self.child.wait());
        }
    }

    /// `None` if there is no server to start.
    fn server() -> Option<Server> {
        let mut command = Command::new("Xvfb");
        // It would forget all properties when the last client leaves.
        command.args(["-displayfd", "1", "-screen", "0", "640x480x24", "-nolisten", "tcp", "-noreset"]);
        let Ok(mut child) = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn() else {
            assert!(!glassine_testdata::in_ci(), "Xvfb is not installed");
            glassine_testdata::skipped("Xvfb is not installed");
            return None;
        };
        let mut number = String::new();
        let out = child.stdout.take().expect("it is piped");
        std::io::BufReader::new(out).read_line(&mut number).expect("the server says its number");
        Some(Server { child, name: format!(":{}", number.trim()) })
    }

    struct Painter {
        connection: RustConnection,
        root: u32,
    }

    impl Painter {
        fn on(server: &Server) -> Self {
            let (connection, screen) = x11rb::connect(Some(&server.name)).expect("the server answers");
            let root = connection.setup().roots[screen].root;
            Self { connection, root }
        }

        fn atom(&self, name: &str) -> u32 {
            let cookie = self.connection.intern_atom(false, name.as_bytes()).expect("asks");
            cookie.reply().expect("answers").atom
        }

        fn set(&self, property: &str, bytes: &[u8]) {
            let (atom, kind) = (self.atom(property), AtomEnum::CARDINAL);
            let request = self.connection.change_property8(PropMode::REPLACE, self.root, atom, kind, bytes);
            request.expect("asks").check().expect("is set");
        }

        /// Two screens side by side, each half of the display.
        fn split(&self) {
            let outputs = self.connection.randr_get_screen_resources(self.root).expect("asks");
            let outputs = outputs.reply().expect("answers").outputs;
            for (name, x, outputs) in [("left", 0, outputs), ("right", 320, Vec::new())] {
                let half = MonitorInfo {
                    name: self.atom(name),
                    x,
                    width: 320,
                    height: 480,
                    width_in_millimeters: 100,
                    height_in_millimeters: 150,
                    outputs,
                    ..MonitorInfo::default()
                };
                let request = self.connection.randr_set_monitor(self.root, half).expect("asks");
                request.check().expect("is set");
            }
        }
    }

    #[test]
    fn the_profile_of_the_display_is_found_and_so_is_its_change() {
        let Some(server) = server() else { return };
        let mut finder = ScreenFinder::new(ScreenLookup::X11(Some(server.name.clone())));
        assert_eq!(finder.find(None), None);
        let painter = Painter::on(&server);
        let mut found = || finder.find(None).map(|found| (found.bytes, found.origin));
        for profile in [swapped_profile(), output_profile(OutputSpace::AdobeRgb1998, false).to_vec()] {
            painter.set("_ICC_PROFILE", &profile);
            assert_eq!(found(), Some((profile, ProfileOrigin::Display)));
        }
    }

    #[test]
    fn each_screen_of_a_display_has_its_own_profile() {
        let Some(server) = server() else { return };
        let painter = Painter::on(&server);
        painter.split();
        painter.set("_ICC_PROFILE", b"of the left screen");
        painter.set("_ICC_PROFILE_1", b"of the right screen");
        let mut finder = ScreenFinder::new(ScreenLookup::X11(Some(server.name.clone())));
        let mut found = |at| finder.find(at).map(|found| String::from_utf8_lossy(&found.bytes).into_owned());
        assert_eq!(found(Some((100, 100))).as_deref(), Some("of the left screen"));
        assert_eq!(found(Some((400, 100))).as_deref(), Some("of the right screen"));
        assert_eq!(found(Some((-50, 9000))).as_deref(), Some("of the left screen"));
    }

    #[test]
    fn the_program_names_the_profile_of_the_display() {
        let Some(server) = server() else { return };
        Painter::on(&server).set("_ICC_PROFILE", &output_profile(OutputSpace::DisplayP3, false));
        let options = AppOptions {
            inline_jobs: true,
            screen: ScreenLookup::X11(Some(server.name.clone())),
            ..AppOptions::default()
        };
        let jobs = JobHost::inline(Arc::new(Engine::new()));
        let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
        let mut window = HeadlessWindow::new(vec2(SIZE.0, SIZE.1), 1.0);
        assert!(window.settle(&mut app, FRAME_LIMIT), "the window does not come to rest");
        assert_eq!(app.status().screen.short(), "screen: Display P3");
    }
}
