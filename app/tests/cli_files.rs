//! Commands and existing files: commands never overwrite what must stay, and they report what differs.

use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::program::{code, glassine, json, program, said, scan_in, scan_named, text};
use glassine_engine::session_files::{Access, Run, lock_session};
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use serde_json::Value;

/// A session of one strip of four frames.
fn session_in(folder: &Path) -> (PathBuf, PathBuf) {
    let scan = scan_in(folder);
    let session = folder.join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    (session, scan)
}

fn show(session: &Path) -> Value {
    let shown = glassine(&["show", text(session), "--json"]);
    assert_eq!(code(&shown), 0, "{}", said(&shown));
    json(&shown)
}

/// Changes the stored session by hand.
fn change(session: &Path, change: impl FnOnce(&mut Value)) {
    let mut stored: Value =
        serde_json::from_slice(&std::fs::read(session).expect("reads")).expect("a session is JSON");
    change(&mut stored);
    std::fs::write(session, stored.to_string()).expect("writes");
}

fn bytes(path: &Path) -> Vec<u8> {
    std::fs::read(path).expect("the file is there")
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).expect("the folder is there");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
}

#[test]
fn how_scans_are_read_is_kept_printed_and_changed_without_losing_boxes() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_in(folder.path());
    let session = folder.path().join("roll.session.json");
    let made = glassine(&[
        "new",
        text(&session),
        "--scan",
        text(&scan),
        "--format",
        "6x4.5",
        "--encoding",
        "linear",
        "--fourth",
        "ignore",
        "--page",
        "1",
    ]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    let first = show(&session);
    let read = &first["scans"][0];
    assert_eq!(read["encoding"], "linear");
    assert_eq!((&read["fourth_sample"], &read["page"]), (&"ignore".into(), &1.into()));
    assert_eq!(read["planes"].as_array().map(Vec::len), Some(3));

    let changed = glassine(&[
        "read-as",
        text(&session),
        "--scan",
        "strip.tif",
        "--encoding",
        "gamma1.8",
        "--fourth",
        "infrared",
        "--page",
        "auto",
        "--json",
    ]);
    assert_eq!(code(&changed), 0, "{}", said(&changed));
    assert_eq!(json(&changed)["strips_solved_again"].as_array().map(Vec::len), Some(1));
    let then = show(&session);
    let read = &then["scans"][0];
    assert_eq!((&read["encoding"], &read["page"]), (&"gamma1.8".into(), &Value::Null));
    assert_eq!(read["planes"].as_array().map(Vec::len), Some(4));
    assert_ne!(first["strips"][0]["base_density"], then["strips"][0]["base_density"]);
    let boxes = |document: &Value| {
        let frames = document["frames"].as_array().expect("frames").clone();
        frames.iter().map(|frame| (frame["id"].clone(), frame["corners_px"].clone())).collect::<Vec<_>>()
    };
    assert_eq!(boxes(&first), boxes(&then));
    assert!(!boxes(&first).is_empty());

    let before = bytes(&session);
    for (args, expected) in [
        (vec!["--page", "2"], "page"),
        (vec!["--scan", "other.tif", "--encoding", "srgb"], "other.tif"),
        (vec!["--encoding", "gamma0"], "gamma2.2"),
        (vec![], "--encoding"),
    ] {
        let mut all = vec!["read-as", text(&session)];
        all.extend(args);
        let refused = glassine(&all);
        assert_eq!(code(&refused), 2, "{all:?}: {}", said(&refused));
        assert!(said(&refused).contains(expected), "{all:?}: {}", said(&refused));
    }
    assert_eq!(bytes(&session), before);
}

/// Width and height of the first scan of a session.
fn scan_size(session: &Path) -> (u32, u32) {
    let shown = show(session);
    let side =
        |key: &str| shown["scans"][0][key].as_u64().and_then(|px| u32::try_from(px).ok()).expect("a side");
    (side("width_px"), side("height_px"))
}

#[test]
fn a_wrong_infrared_file_is_taken_off_a_scan_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _) = session_in(folder.path());
    let infrared = folder.path().join("infrared.png");
    write_grey(&infrared, scan_size(&session), 0);
    let read_as = |file: &str| {
        let read = glassine(&["read-as", text(&session), "--fourth", "ignore", "--infrared", file]);
        assert_eq!(code(&read), 0, "{}", said(&read));
        show(&session)["scans"][0].clone()
    };
    let with = read_as(text(&infrared));
    assert_eq!(with["infrared_path"].as_str(), Some(text(&infrared)));
    assert_eq!(with["planes"].as_array().map(Vec::len), Some(4));
    let without = read_as("none");
    assert_eq!(without["infrared_path"], Value::Null);
    assert_eq!(without["planes"].as_array().map(Vec::len), Some(3));
}

#[test]
fn moved_scans_are_found_by_content_and_missing_ones_are_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let first = scan_in(folder.path());
    let second = scan_named(folder.path(), "second.tif", 120.0);
    let session = folder.path().join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&first), text(&second), "--film", "slide"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    let elsewhere = folder.path().join("elsewhere/deeper");
    std::fs::create_dir_all(&elsewhere).expect("makes a folder");
    std::fs::rename(&first, elsewhere.join("renamed.tif")).expect("moves");
    std::fs::rename(&second, folder.path().join("aside.bin")).expect("moves");
    let states = |document: &Value| {
        [0, 1].map(|scan| document["scans"][scan]["scan_state"].as_str().unwrap_or_default().to_owned())
    };
    assert_eq!(states(&show(&session)), ["missing", "missing"]);

    let relink = |place: &Path| glassine(&["relink", text(&session), "--folder", text(place), "--json"]);
    let half = relink(&folder.path().join("elsewhere"));
    assert_eq!(code(&half), 1, "{}", said(&half));
    let report = json(&half);
    assert_eq!(report["found"][0]["found_by"], "content");
    assert!(report["found"][0]["path"].as_str().is_some_and(|path| path.ends_with("deeper/renamed.tif")));
    assert_eq!(report["missing"].as_array().map(Vec::len), Some(1));
    assert_eq!(states(&show(&session)), ["same", "missing"]);

    std::fs::rename(folder.path().join("aside.bin"), elsewhere.join("other name.tif")).expect("moves");
    assert_eq!(code(&relink(&elsewhere)), 0);
    assert_eq!(states(&show(&session)), ["same", "same"]);
    let before = bytes(&session);
    assert_eq!(code(&relink(&elsewhere)), 0);
    assert_eq!(bytes(&session), before, "nothing was to be done");
    assert_eq!(code(&relink(&folder.path().join("nowhere"))), 2);
}

#[test]
fn boxes_beside_the_scan_are_named_and_fail_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _) = session_in(folder.path());
    change(&session, |stored| {
        stored["frames"][0]["box"]["center_px"] = serde_json::json!([50000.0, 50000.0]);
        stored["frames"][1]["box"]["width_px"] = 1e9.into();
    });
    let document = show(&session);
    let problem = |frame: usize| document["frames"][frame]["box_problem"].clone();
    assert!(problem(0)["reason"].as_str().is_some_and(|reason| reason.contains("off the scan")));
    assert!(problem(1)["reason"].as_str().is_some_and(|reason| reason.contains("larger than the scan")));
    assert_eq!((&problem(1)["can_export"], problem(2)), (&false.into(), Value::Null));
    let lines = String::from_utf8(glassine(&["show", text(&session)]).stdout).expect("text");
    assert!(lines.contains("the box is entirely off the scan"), "{lines}");

    let out = folder.path().join("out");
    let exported = glassine(&["export", text(&session), "--to", text(&out), "--json"]);
    assert_eq!(code(&exported), 1, "{}", said(&exported));
    let report = json(&exported);
    let numbers = |list: &str| {
        let frames = report[list].as_array().expect("a list").clone();
        frames.iter().filter_map(|frame| frame["number"].as_str()?.parse().ok()).collect::<Vec<u32>>()
    };
    assert_eq!((numbers("failed"), numbers("written")), (vec![1, 2], vec![3, 4]));
}

#[test]
fn a_scan_that_is_no_longer_the_same_is_named_and_not_exported() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let good = bytes(&scan);
    let mut other = good.clone();
    let (from, to) = (other.len() / 5, other.len() * 4 / 5);
    other[from..to].reverse();
    std::fs::write(&scan, &other).expect("writes");
    assert_eq!(show(&session)["scans"][0]["scan_state"], "changed");
    let out = folder.path().join("out");
    let exported = glassine(&["export", text(&session), "--to", text(&out), "--json"]);
    assert_eq!(code(&exported), 1);
    assert_eq!(json(&exported)["written"].as_array().map(Vec::len), Some(0));
    let told = glassine(&["show", text(&session)]);
    assert!(said(&told).contains("content differs"), "{}", said(&told));

    std::fs::remove_file(&scan).expect("removes");
    scan_named(folder.path(), "strip.tif", 100.0);
    assert_eq!(show(&session)["scans"][0]["scan_state"], "size-differs");
    std::fs::write(&scan, &good).expect("writes");
    assert_eq!(show(&session)["scans"][0]["scan_state"], "same");
}

#[test]
fn unknown_output_choices_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _) = session_in(folder.path());
    let out = folder.path().join("out");
    for key in ["space", "rendering"] {
        change(&session, |stored| stored["output"][key] = "zzz".into());
        let refused = glassine(&["export", text(&session), "--to", text(&out)]);
        assert_eq!(code(&refused), 2, "{}", said(&refused));
        assert!(said(&refused).contains("zzz") && !out.exists(), "{}", said(&refused));
    }
    let chosen =
        glassine(&["export", text(&session), "--to", text(&out), "--space", "srgb", "--render", "straight"]);
    assert_eq!(code(&chosen), 0, "{}", said(&chosen));
}

#[test]
fn replacing_never_writes_over_anything_but_its_own_kind() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let at = |name: &str| folder.path().join(name);
    std::fs::copy(&scan, at("scan.json")).expect("copies");
    std::fs::write(at("letter.json"), "dear all").expect("writes");
    std::os::unix::fs::symlink(&scan, at("link.json")).expect("links");
    std::fs::hard_link(&scan, at("hard.json")).expect("links");
    let before: Vec<_> = ["scan.json", "letter.json", "strip.tif", "roll.session.json"].map(at).to_vec();
    let contents: Vec<_> = before.iter().map(|path| bytes(path)).collect();
    for name in ["scan.json", "letter.json", "link.json", "hard.json"] {
        let scan = at(if name == "letter.json" { "strip.tif" } else { name });
        let made = glassine(&["new", text(&at(name)), "--scan", text(&scan), "--film", "slide", "--replace"]);
        assert_eq!(code(&made), 2, "{name}: {}", said(&made));
        assert!(said(&made).contains("only a session can be replaced"), "{name}: {}", said(&made));
    }
    for name in ["scan.json", "letter.json", "link.json", "hard.json", "roll.session.json", "strip.tif"] {
        let place = at(name);
        let corners = "10,10 90,10 90,60 10,60";
        let saved = glassine(&[
            "measure-stock",
            text(&session),
            "--frame",
            "1",
            "--corners",
            corners,
            "--name",
            "x",
            "--save",
            text(&place),
            "--replace",
        ]);
        assert_eq!(code(&saved), 2, "{name}: {}", said(&saved));
        let words = if name == "link.json" { "link" } else { "only a stock can be replaced" };
        assert!(said(&saved).contains(words), "{name}: {}", said(&saved));
    }
    assert_eq!(before.iter().map(|path| bytes(path)).collect::<Vec<_>>(), contents);
    assert!(names(folder.path()).iter().all(|name| !name.contains("previous") && !name.contains("part")));
}

#[test]
fn a_session_that_another_program_works_on_is_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let before = bytes(&session);
    let run = Run::begin(None);
    let held = lock_session(&session, &run);
    assert!(matches!(held, Access::Locked(_)));
    let commands: [&[&str]; 4] = [
        &["new", text(&session), "--scan", text(&scan), "--replace"],
        &["read-as", text(&session), "--encoding", "linear"],
        &["relink", text(&session), "--folder", text(folder.path())],
        &[
            "measure-stock",
            text(&session),
            "--frame",
            "1",
            "--corners",
            "10,10 90,10 90,60 10,60",
            "--name",
            "x",
            "--apply",
            "strip",
        ],
    ];
    let process = format!("process {}", std::process::id());
    for args in commands {
        let refused = glassine(args);
        assert_eq!(code(&refused), 2, "{args:?}: {}", said(&refused));
        let said = said(&refused);
        assert!(said.contains("open elsewhere") && said.contains(&process), "{args:?}: {said}");
    }
    assert_eq!(bytes(&session), before);
    drop(held);
    let changed = glassine(&["read-as", text(&session), "--encoding", "linear"]);
    assert_eq!(code(&changed), 0, "{}", said(&changed));
}

#[test]
fn dust_maps_spare_scans_and_links() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let out = folder.path().join("maps");
    let map = |more: &[&str]| {
        let mut args = vec!["dust-map", text(&session), "--to", text(&out)];
        args.extend(more);
        glassine(&args)
    };
    assert_eq!(code(&map(&[])), 0);
    assert_eq!(code(&map(&[])), 2, "a map is not written over by itself");
    assert_eq!(code(&map(&["--replace"])), 0);
    let good = bytes(&scan);
    let infrared = folder.path().join("infrared.png");
    write_grey(&infrared, scan_size(&session), 0);
    let read = glassine(&["read-as", text(&session), "--fourth", "ignore", "--infrared", text(&infrared)]);
    assert_eq!(code(&read), 0, "{}", said(&read));
    for to in [&scan, &infrared] {
        let before = bytes(to);
        for more in [&["--to", text(to)][..], &["--to", text(to), "--replace"]] {
            let refused = glassine(&[&["dust-map", text(&session)][..], more].concat());
            assert_eq!(code(&refused), 2, "{}", said(&refused));
            assert_eq!(bytes(to), before);
        }
    }
    let back = glassine(&["read-as", text(&session), "--fourth", "auto", "--infrared", "none"]);
    assert_eq!(code(&back), 0, "{}", said(&back));
    for link in [true, false] {
        let place = out.join("strip dust.png");
        std::fs::remove_file(&place).expect("removes");
        if link {
            std::os::unix::fs::symlink(&scan, &place).expect("links");
        } else {
            std::fs::hard_link(&scan, &place).expect("links");
        }
        let refused = map(&["--replace"]);
        assert_eq!(code(&refused), 2, "{}", said(&refused));
        assert_eq!(bytes(&scan), good);
        assert_eq!(bytes(&place), good);
    }
}

/// Exit code and output of a command that must not wait forever.
fn soon(args: &[&str]) -> (Option<i32>, String) {
    let mut command = program();
    command.args(args).stdout(std::process::Stdio::null()).stderr(std::process::Stdio::piped());
    let mut child = command.spawn().expect("the program starts");
    let began = Instant::now();
    while child.try_wait().expect("a child").is_none() && began.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(20));
    }
    // Killing a process that has ended fails, and that is fine.
    child.kill().ok();
    let output = child.wait_with_output().expect("a child");
    assert!(output.status.code().is_some(), "{args:?} waits");
    (output.status.code(), said(&output))
}

#[test]
fn what_is_no_plain_file_or_too_small_is_refused_in_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let pipe = folder.path().join("pipe");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().expect("mkfifo starts").success());
    let tiny = folder.path().join("tiny.png");
    write_grey(&tiny, (16, 12), 0);
    let new = folder.path().join("new.session.json");
    let cases: [(&[&str], &str); 8] = [
        (&["show", "/dev/zero"], "device"),
        (&["show", text(&pipe)], "pipe"),
        (&["show", text(folder.path())], "folder"),
        (&["new", text(&new), "--scan", text(&pipe)], "pipe"),
        (&["new", text(&new), "--scan", "/dev/zero"], "device"),
        (&["new", text(&new), "--scan", text(folder.path())], "folder"),
        (&["new", text(&new), "--scan", text(&scan), "--stock", text(&pipe)], "pipe"),
        (&["new", text(&new), "--scan", text(&tiny)], "too small"),
    ];
    for (args, words) in cases {
        let (code, said) = soon(args);
        assert_eq!(code, Some(2), "{args:?}: {said}");
        assert!(said.contains(words), "{args:?}: {said}");
        assert_eq!(said.lines().count(), 1, "{args:?}: {said}");
    }
    assert!(!new.exists());
    std::fs::remove_file(&scan).expect("removes");
    std::fs::rename(&pipe, &scan).expect("moves");
    let (code, said) = soon(&["show", text(&session)]);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("pipe"), "{said}");
}

/// A grey picture of this size.
fn write_grey(path: &Path, (width_px, height_px): (u32, u32), seed: u32) {
    let spec = PictureSpec {
        width_px,
        height_px,
        channels: 1,
        bits: 8,
        ppi: None,
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Png,
        overwrite: Overwrite::Replace,
    };
    let mut writer = PictureWriter::begin(path, &spec).expect("the folder is writable");
    let rows: Vec<u8> = (0..width_px * height_px).map(|at| (60 + (at * 7 + seed * 13) % 150) as u8).collect();
    writer.write_rows_u8(&rows).expect("the rows have the right length");
    writer.finish().expect("the picture is complete");
}

#[test]
fn three_hundred_scans_are_worked_on_with_sixty_four_open_files() {
    let folder = tempfile::tempdir().expect("a folder");
    for nth in 0..300 {
        write_grey(&folder.path().join(format!("s{nth:03}.png")), (96, 64), nth);
    }
    let script = "ulimit -n 64; cd \"$1\" && \"$2\" new roll --scan s*.png --film slide --one-frame-per-file --json \
                  && \"$2\" show roll.session.json --json > shown.json \
                  && \"$2\" export roll.session.json --to out --json";
    let mut command = std::process::Command::new("sh");
    command.args(["-c", script, "sh", text(folder.path()), env!("CARGO_BIN_EXE_glassine")]);
    let output = command.output().expect("a shell starts");
    assert_eq!(code(&output), 0, "{}", said(&output));
    assert_eq!(names(&folder.path().join("out")).len(), 300);
}

#[test]
fn names_that_are_not_text_and_linked_folders_work() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir_all(at("real/sessions")).expect("makes a folder");
    std::fs::create_dir_all(at("real/scans")).expect("makes a folder");
    let odd = std::ffi::OsStr::from_bytes(b"str\xffip.tif");
    let scan = scan_named(&at("real/scans"), odd, 150.0);
    std::os::unix::fs::symlink(at("real/sessions"), at("linked")).expect("links");
    let session = at("linked/roll.session.json");
    let made = program()
        .args(["new", text(&session), "--format", "6x4.5", "--json", "--scan"])
        .arg(&scan)
        .output()
        .expect("the program starts");
    assert_eq!(code(&made), 0, "{}", said(&made));
    for session in [session, at("real/sessions/roll.session.json")] {
        let document = show(&session);
        assert_eq!(document["scans"][0]["scan_state"], "same", "{document}");
        let exact = document["scans"][0]["path_bytes"].as_str().unwrap_or_default().to_owned();
        assert!(exact.ends_with("737472ff69702e746966"), "{exact}");
        let out = tempfile::tempdir().expect("a folder");
        let exported = glassine(&["export", text(&session), "--to", text(out.path()), "--json"]);
        assert_eq!(code(&exported), 0, "{}", said(&exported));
        assert_eq!(names(out.path()).len(), 4);
    }
    // Messages about such a file are one document as well.
    std::fs::remove_file(&scan).expect("removes");
    let document = show(&at("linked/roll.session.json"));
    assert_eq!(document["notices"].as_array().map(Vec::len), Some(1), "{document}");
}

#[test]
fn show_tries_an_encoding_and_saves_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _scan) = session_in(folder.path());
    let before = bytes(&session);
    let shown = |more: &[&str]| {
        let mut args = vec!["show", text(&session), "--json"];
        args.extend(more);
        let output = glassine(&args);
        assert_eq!(code(&output), 0, "{}", said(&output));
        let all: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
        (all["scans"][0]["encoding_in_use"].clone(), all["strips"][0]["base_density"].clone())
    };
    let (as_saved, base_d) = shown(&[]);
    let (tried, tried_base_d) = shown(&["--encoding", "gamma1.5"]);
    assert_eq!((as_saved.as_str(), tried.as_str()), (Some("linear"), Some("gamma1.5")));
    assert!(base_d.is_array() && base_d != tried_base_d, "{base_d} {tried_base_d}");
    assert_eq!(bytes(&session), before);
    assert_eq!(code(&glassine(&["show", text(&session), "--encoding", "bright"])), 2);
}
