//! Runs the whole test suite under trace: tests read the open data and never open it for writing.

use std::path::Path;
use std::process::Command;

use crate::Bench;
use crate::program::writes_to;
use crate::tally::Tally;

/// Runs `cargo test --workspace` and checks its system calls.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    if !bench.program.is_traced() {
        tally.skip("strace is not installed");
        return;
    }
    let Some(data) = glassine_testdata::folder("").and_then(|folder| folder.canonicalize().ok()) else {
        tally.skip("there is no open data");
        return;
    };
    let mut files = Vec::new();
    collect(&data, &mut files);
    let log = bench.program.home().join("suite-trace");
    let status = Command::new("strace")
        .args(["-f", "-q", "-y", "-s", "4096", "--seccomp-bpf", "-e"])
        .arg("trace=open,openat,openat2,creat,truncate,rename,renameat,renameat2,unlink,unlinkat,link,linkat")
        .arg("-o")
        .arg(&log)
        .args(["cargo", "test", "--workspace", "--no-fail-fast", "--quiet"])
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
        .status();
    tally.trials = files.len() as u64;
    tally.require(status.is_ok_and(|status| status.success()), || "the test suite failed".to_owned());
    let trace =
        std::fs::read(&log).map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).unwrap_or_default();
    // Compare only lines about the data with each file.
    let near: String = trace
        .lines()
        .filter(|line| line.contains(data.to_string_lossy().as_ref()) || line.contains("shared/data"))
        .flat_map(|line| [line, "\n"])
        .collect();
    tally.remark(format!("{} calls named the open data", near.lines().count()));
    tally.refuse(writes_to(&near, &files));
}

fn collect(folder: &Path, files: &mut Vec<std::path::PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() { collect(&path, files) } else { files.push(path) }
    }
}
