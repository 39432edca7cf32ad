//! `glassine scanners` and `glassine acquire` with the test device of the SANE interface (Debian package `libsane1`).

use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::{Duration, Instant};

use crate::program::{code, give_the_same_pictures, glassine, json, program, said, samples, scan_in, text};
use glassine_raster::{CancelToken, PixelRect};
use glassine_scanfile::{OpenOptions, Scan};
use serde_json::Value;

/// A folder with the configuration of the test device; `None` where the interface is not installed.
fn test_device() -> Option<tempfile::TempDir> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("dll.conf"), "test\n").expect("writes");
    match std::fs::copy("/etc/sane.d/test.conf", folder.path().join("test.conf")) {
        Ok(_) => Some(folder),
        Err(_) => {
            glassine_testdata::skipped("the package libsane1 is not installed");
            None
        }
    }
}

fn run(config: &Path, args: &[&str]) -> Output {
    program().env("SANE_CONFIG_DIR", config).args(args).output().expect("the program starts")
}

/// Scans 60 x 40 mm at 75 ppi with more arguments.
fn acquire(config: &Path, to: &Path, more: &[&str]) -> Output {
    let mut args = vec![
        "acquire",
        "--device",
        "test:0",
        "--to",
        text(to),
        "--ppi",
        "75",
        "--area-mm",
        "0,0,60,40",
        "--json",
    ];
    args.extend_from_slice(more);
    run(config, &args)
}

#[test]
fn pictures_of_the_test_device_equal_those_of_another_binding() {
    let Some(config) = test_device() else { return };
    // Made by tests/reference/sane_test_device.py with python3-sane 2.9.1.
    let reference: Value = serde_json::from_str(include_str!("../../tests/reference/sane_test_device.json"))
        .expect("reference values");
    for case in reference["cases"].as_array().expect("a list") {
        let field = |name: &str| case[name].as_str().expect("a text").to_owned();
        let depth = case["depth"].as_u64().expect("a number");
        let to = config.path().join(format!("{} {} {depth}.tif", field("picture"), field("mode")));
        let picture = format!("test-picture={}", field("picture"));
        let done = acquire(
            config.path(),
            &to,
            &["--mode", &field("mode"), "--depth", &depth.to_string(), "--option", &picture],
        );
        assert_eq!(code(&done), 0, "{case}: {}", said(&done));
        assert_eq!(json(&done)["bits"].as_u64(), Some(depth));
        let (width_px, height_px, codes) = samples(&to);
        assert_eq!(Some(u64::from(width_px)), case["width_px"].as_u64(), "{case}");
        assert_eq!(Some(u64::from(height_px)), case["height_px"].as_u64(), "{case}");
        // The reader widens 8 bits to 16 by repeating them.
        let codes = codes.into_iter().map(|code| u64::from(if depth == 8 { code / 257 } else { code }));
        let (mut sum, mut weighted) = (0_u64, 0_u64);
        for (place, code) in (1_u64..).zip(codes) {
            sum += code;
            weighted = weighted.wrapping_add(code * place);
        }
        assert_eq!(Some(sum), case["sum"].as_u64(), "{case}");
        assert_eq!(Some(weighted), case["weighted"].as_u64(), "{case}");
    }
}

#[test]
fn padded_lines_small_reads_three_passes_and_unknown_heights_give_the_same_picture() {
    let Some(config) = test_device() else { return };
    let scan = |name: &str, more: &[&str]| {
        let to = config.path().join(name);
        let mut args = vec!["--mode", "Color", "--option", "test-picture=Grid"];
        args.extend_from_slice(more);
        let done = acquire(config.path(), &to, &args);
        assert_eq!(code(&done), 0, "{name}: {}", said(&done));
        samples(&to)
    };
    let plain = scan("plain.tif", &[]);
    assert_eq!(plain.2.len(), 177 * 118 * 3);
    let limited = ["--option", "read-limit=yes", "--option", "read-limit-size=101"];
    assert!(scan("limited.tif", &limited) == plain);
    assert!(scan("fuzzy.tif", &["--option", "fuzzy-parameters=yes"]) == plain);
    for order in ["RGB", "RBG", "GBR", "GRB", "BRG", "BGR"] {
        let order = format!("three-pass-order={order}");
        let passes = ["--option", "three-pass=yes", "--option", &order];
        assert!(scan(&format!("{order}.tif"), &passes) == plain, "{order}");
    }
    // Lost pixels shorten the picture; padding is not part of it.
    let (width_px, height_px, codes) = scan("padded.tif", &["--option", "ppl-loss=7"]);
    assert_eq!((width_px, height_px), (170, 118));
    for (line, padded) in plain.2.chunks_exact(177 * 3).zip(codes.chunks_exact(170 * 3)) {
        assert!(line[..170 * 3] == *padded);
    }
    // A scanner that is moved by hand is 11 cm wide and says no height.
    let (width_px, height_px, _) = scan("hand.tif", &["--option", "hand-scanner=yes"]);
    assert!(width_px > 177 && height_px > 0, "{width_px} x {height_px}");
}

#[test]
fn swapped_bytes_can_be_put_right() {
    let Some(config) = test_device() else { return };
    let pattern = ["--mode", "Color", "--option", "test-picture=Color pattern"];
    let scan = |name: &str, more: &[&str]| {
        let to = config.path().join(name);
        let done = acquire(config.path(), &to, &[&pattern, more].concat());
        assert_eq!(code(&done), 0, "{}", said(&done));
        (json(&done), samples(&to))
    };
    let (_, plain) = scan("plain.tif", &[]);
    let inverted = ["--option", "invert-endianess=yes"];
    let (_, wrong) = scan("wrong.tif", &inverted);
    assert!(wrong != plain);
    let (_, right) = scan("right.tif", &[&inverted[..], &["--swap-bytes"]].concat());
    assert!(right == plain);
}

#[test]
fn every_error_of_a_driver_ends_with_words_and_without_a_file() {
    let Some(config) = test_device() else { return };
    for (status, words) in [
        ("UNSUPPORTED", "cannot do this"),
        ("CANCELLED", "cancelled"),
        ("DEVICE_BUSY", "busy"),
        ("INVAL", "refused a value"),
        ("EOF", "lines announced"),
        ("JAMMED", "jammed"),
        ("NO_DOCS", "nothing in the feeder"),
        ("COVER_OPEN", "cover"),
        ("IO_ERROR", "connection"),
        ("NO_MEM", "memory"),
        ("ACCESS_DENIED", "denied"),
    ] {
        let to = config.path().join("scan.tif");
        let value = format!("read-return-value=SANE_STATUS_{status}");
        let failed = acquire(config.path(), &to, &["--option", &value]);
        assert_eq!(code(&failed), 2, "{status}: {}", said(&failed));
        assert!(said(&failed).contains(words), "{status}: {}", said(&failed));
        let left: Vec<_> = std::fs::read_dir(config.path()).expect("lists").flatten().collect();
        assert_eq!(left.len(), 2, "{status}: {left:?}");
    }
}

#[test]
fn a_scan_is_stopped_by_a_signal_while_its_data_comes_slowly() {
    let Some(config) = test_device() else { return };
    let to = config.path().join("scan.tif");
    // Each read waits for 0.2 s and brings one byte.
    let slow = [
        "acquire",
        "--device",
        "test:0",
        "--to",
        text(&to),
        "--ppi",
        "600",
        "--json",
        "--option",
        "read-delay=yes",
        "--option",
        "read-delay-duration=200000",
        "--option",
        "read-limit=yes",
        "--option",
        "read-limit-size=1",
    ];
    let mut child =
        program().env("SANE_CONFIG_DIR", config.path()).args(slow).spawn().expect("the program starts");
    std::thread::sleep(Duration::from_secs(2));
    let pid = rustix::process::Pid::from_child(&child);
    let since = Instant::now();
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("it runs");
    let status = child.wait().expect("it ends");
    assert_eq!(status.code(), Some(143));
    assert!(since.elapsed() < Duration::from_secs(20), "{:?}", since.elapsed());
    assert!(!to.exists());
}

#[test]
fn values_that_a_device_does_not_take_are_refused_with_those_it_takes() {
    let Some(config) = test_device() else { return };
    let to = config.path().join("scan.tif");
    let unknown = acquire(config.path(), &to, &["--source", "Drum"]);
    assert_eq!(code(&unknown), 2);
    assert!(said(&unknown).contains("Flatbed, Automatic Document Feeder"), "{}", said(&unknown));
    let nameless = acquire(config.path(), &to, &["--option", "lamp=on"]);
    assert!(said(&nameless).contains("no such option"), "{}", said(&nameless));
    let missing = run(config.path(), &["acquire", "--device", "test:9", "--to", text(&to)]);
    assert_eq!(code(&missing), 2, "{}", said(&missing));
    std::fs::write(&to, b"mine").expect("writes");
    let taken = acquire(config.path(), &to, &[]);
    assert_eq!(code(&taken), 2);
    assert_eq!(std::fs::read(&to).expect("reads"), b"mine", "{}", said(&taken));
}

#[test]
fn devices_and_options_are_listed() {
    let Some(config) = test_device() else { return };
    let devices = run(config.path(), &["scanners", "--json"]);
    assert_eq!(json(&devices)["devices"][0]["name"], "test:0");
    let options = json(&run(config.path(), &["scanners", "--device", "test:0", "--json"]));
    let option = |name: &str| {
        let all = options["options"].as_array().expect("a list");
        all.iter().find(|option| option["name"] == name).cloned().expect("the option is listed")
    };
    assert_eq!(option("resolution")["unit"], "dpi");
    assert_eq!(option("resolution")["choice"]["range"]["most"], 1200.0);
    assert_eq!(option("depth")["choice"]["numbers"], serde_json::json!([1.0, 8.0, 16.0]));
    assert_eq!(option("three-pass")["is_active"], false);
    let words = run(config.path(), &["scanners", "--device", "test:0"]);
    assert!(String::from_utf8_lossy(&words.stdout).contains("(Gray, Color)"));
}

#[test]
fn without_the_interface_the_package_to_install_is_named() {
    // An empty folder in place of the libraries of the system.
    let folder = tempfile::tempdir().expect("a temporary folder");
    let missing = folder.path().join("none.so");
    let output =
        program().env("GLASSINE_SANE", &missing).arg("scanners").output().expect("the program starts");
    assert_eq!(code(&output), 2);
    assert!(said(&output).contains("libsane1"), "{}", said(&output));
    assert_eq!(code(&glassine(&["acquire", "--device", "x", "--to", "scan.png"])), 2);
}

/// The library of the scanner that plays a file back; built with the other examples of this package.
fn standin() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_BIN_EXE_glassine")).parent().expect("a folder");
    let library = beside.join("examples").join("libstandin_scanner.so");
    if !library.exists() {
        glassine_testdata::skipped("the stand-in scanner is not built: cargo build -p glassine --examples");
        return None;
    }
    Some(library)
}

fn with_standin(library: &Path, scan: &Path, fault: &str, args: &[&str]) -> Output {
    let mut command = program();
    command.env("GLASSINE_SANE", library).env("STANDIN_SCAN", scan).env("STANDIN_FAULT", fault).args(args);
    command.output().expect("the program starts")
}

#[test]
fn a_strip_with_infrared_from_a_scanner_gives_the_pictures_of_the_file_it_came_from() {
    let Some(library) = standin() else { return };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let strip = scan_in(folder.path());
    let scanned = folder.path().join("scanned.tif");
    let done = with_standin(
        &library,
        &strip,
        "",
        &["acquire", "--device", "standin:0", "--to", text(&scanned), "--source", "transparency", "--json"],
    );
    assert_eq!(code(&done), 0, "{}", said(&done));
    assert_eq!(json(&done)["infrared"], true);
    assert!(samples(&scanned) == samples(&strip));
    give_the_same_pictures(folder.path(), [&scanned, &strip]);
}

#[test]
fn a_part_of_the_glass_is_scanned_to_the_pixel() {
    let Some(library) = standin() else { return };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let strip = scan_in(folder.path());
    let part = folder.path().join("part.tif");
    // 150 ppi: 25.4 mm are 150 px.
    let done = with_standin(
        &library,
        &strip,
        "",
        &[
            "acquire",
            "--device",
            "standin:0",
            "--to",
            text(&part),
            "--area-mm",
            "25.4,12.7,50.8,25.4",
            "--json",
        ],
    );
    assert_eq!(code(&done), 0, "{}", said(&done));
    let options = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
    let whole = Scan::open(&strip, &options).expect("readable");
    let region = whole.read_region(PixelRect::new(150, 75, 450, 225), &CancelToken::new()).expect("reads");
    let (width_px, height_px, codes) = samples(&part);
    assert_eq!((width_px, height_px), (300, 150));
    assert!(codes == region.data());
}

#[test]
fn a_driver_that_crashes_or_hangs_takes_nothing_with_it() {
    let Some(library) = standin() else { return };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let strip = scan_in(folder.path());
    let to = folder.path().join("scanned.tif");
    for (fault, words) in [("crash", "crashed"), ("hang", "did not answer for 2 s")] {
        let since = Instant::now();
        let failed = with_standin(
            &library,
            &strip,
            fault,
            &["acquire", "--device", "standin:0", "--to", text(&to), "--wait", "2"],
        );
        assert_eq!(code(&failed), 2, "{fault}: {}", said(&failed));
        assert!(said(&failed).contains(words), "{fault}: {}", said(&failed));
        assert!(since.elapsed() < Duration::from_secs(60), "{fault}");
        let left = std::fs::read_dir(folder.path()).expect("lists").count();
        assert_eq!(left, 1, "{fault}: only the strip is there");
    }
}
