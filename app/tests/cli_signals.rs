//! Signals during a command: it stops, leaves nothing unfinished and ends as a shell expects.

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use crate::program::{code, glassine, json, said, scan_named, text};
use rustix::process::{Pid, Signal, kill_process};

/// Starts an export and waits until it writes its first picture.
fn exporting(session: &Path, to: &Path, before: &str) -> Child {
    let script = format!("{before} exec \"$0\" export \"$1\" --to \"$2\" --json");
    let mut command = Command::new("sh");
    command.args(["-c", &script, env!("CARGO_BIN_EXE_glassine"), text(session), text(to)]);
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
    let began = Instant::now();
    while std::fs::read_dir(to).map_or(0, Iterator::count) == 0 {
        assert!(began.elapsed() < Duration::from_secs(120), "no picture is begun");
        std::thread::sleep(Duration::from_millis(1));
    }
    child
}

fn ended_by(child: Child, signal: Signal) -> Output {
    let pid = Pid::from_child(&child);
    kill_process(pid, signal).expect("the program still runs");
    child.wait_with_output().expect("the program ends")
}

#[test]
fn a_signal_stops_an_export_and_leaves_only_finished_files() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_named(folder.path(), "strip.tif", 400.0);
    let session = folder.path().join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    for (signal, expected) in [(Signal::INT, 130), (Signal::TERM, 143), (Signal::HUP, 129)] {
        let out = folder.path().join(format!("out-{expected}"));
        let output = ended_by(exporting(&session, &out, ""), signal);
        assert_eq!(code(&output), expected, "{}", said(&output));
        assert!(said(&output).contains("stopped on request"), "{}", said(&output));
        let report = json(&output);
        assert_eq!(report["stopped"], true);
        let written = report["written"].as_array().expect("a list");
        let left: Vec<_> = std::fs::read_dir(&out).expect("reads").collect();
        assert_eq!(left.len(), written.len(), "{left:?}");
        assert!(written.len() < 4);
    }
    // As under nohup.
    let out = folder.path().join("out-ignored");
    let output = ended_by(exporting(&session, &out, "trap '' HUP;"), Signal::HUP);
    assert_eq!(code(&output), 0, "{}", said(&output));
    assert_eq!(json(&output)["written"].as_array().map(Vec::len), Some(4));
}

#[test]
fn an_abort_ends_a_command_with_advice_and_an_exit_code() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_named(folder.path(), "strip.tif", 400.0);
    let session = folder.path().join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    // The standard library raises this signal when a small allocation fails.
    for round in 0..10 {
        let out = folder.path().join(format!("out-{round}"));
        let output = ended_by(exporting(&session, &out, ""), Signal::ABORT);
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        assert!(said(&output).contains("if memory ran out, close other programs"), "{}", said(&output));
        let named = std::fs::read_dir(&out).expect("reads").flatten();
        let named = named.filter(|entry| !entry.file_name().to_string_lossy().starts_with('.'));
        assert!(named.count() < 4, "an export of four pictures was stopped");
    }
}
