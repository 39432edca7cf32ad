//! Limits of the system: few file handles with many scans, little memory, no threads, short files.

use std::path::{Path, PathBuf};

use crate::Bench;
use crate::disk::is_root;
use crate::kills::{begun, copy_of};
use crate::program::How;
use crate::stage::{Copy, borrowed, export_args, new_args, words};
use crate::tally::Tally;
use crate::worker;

/// Number of scans of the large session.
const SCANS: u64 = 2_000;

/// Runs under each limit.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    many_scans(bench, tally);
    let Some(copy) = copy_of(bench, tally, "limits", true) else { return };
    let step_kib = if bench.short { 100_000 } else { 10_000 };
    let Some(least_kib) = least_memory_kib(bench, tally) else { return };
    for kib in (least_kib..=640_000).step_by(step_kib) {
        limited(bench, tally, &copy, &format!("ulimit -v {kib}"), None);
    }
    for blocks in [0, 1, 8, 64, 512, 4096] {
        limited(bench, tally, &copy, &format!("ulimit -f {blocks}"), None);
    }
    for handles in [4, 8, 12, 16, 24, 32, 64] {
        limited(bench, tally, &copy, &format!("ulimit -n {handles}"), None);
    }
    if is_root() && std::process::Command::new("setpriv").arg("--version").output().is_ok() {
        open_to_all(bench, &copy);
        for threads in [1, 2, 3, 4, 6, 8] {
            limited(bench, tally, &copy, &format!("ulimit -u {threads}"), Some("nobody"));
        }
    } else {
        tally.remark("thread limits were left out: they need root and setpriv".to_owned());
    }
}

/// Address space in which the program can still report: it prints its version in 4 MB less.
///
/// Below that, the system cannot load the program, or kills it when its first stack grows, so that no message is
/// possible.
fn least_memory_kib(bench: &Bench, tally: &mut Tally) -> Option<usize> {
    const RESERVE_KIB: usize = 4_000;
    const LEAST_KIB: usize = 40_000;
    for kib in (16_000..=200_000).step_by(RESERVE_KIB) {
        let limit = format!("ulimit -v {kib}");
        let how = How { limits: Some(&limit), ..How::default() };
        let ended = begun(tally, bench.program.run(&borrowed(&words(&["--version"])), &how))?;
        if ended.status.success() {
            let least_kib = LEAST_KIB.max(kib + RESERVE_KIB);
            tally.remark(format!("least memory tried: {} MB", least_kib / 1000));
            return Some(least_kib);
        }
    }
    tally.require(false, || "the program does not print its version in 200 MB".to_owned());
    None
}

/// Makes and exports a session of 2 000 scans with 256 file handles.
fn many_scans(bench: &Bench, tally: &mut Tally) {
    let folder = bench.program.home().join("many");
    let count = bench.trials(SCANS, 300).min(SCANS);
    let Some(first) = bench.stage.pictures.keys().next() else { return };
    let from = bench.stage.session.with_file_name("out").join(first);
    let scans: Vec<PathBuf> = (0..count).map(|number| folder.join(format!("scan {number:04}.tif"))).collect();
    let copied = std::fs::create_dir_all(&folder)
        .and_then(|()| scans.iter().try_for_each(|scan| std::fs::copy(&from, scan).map(drop)));
    if begun(tally, copied).is_none() {
        return;
    }
    let session = folder.join("many.session.json");
    let out = folder.join("out");
    let mut new = words(&["new"]);
    new.push(session.clone());
    new.extend(words(&["--film", "slide", "--one-frame-per-file", "--scan"]));
    new.extend(scans.iter().cloned());
    for (what, args) in [("new", new), ("export", export_args(&session, &out))] {
        tally.trials += 1;
        let how = How { limits: Some("ulimit -n 256"), ..How::default() };
        let Some(ended) = begun(tally, bench.program.run(&borrowed(&args), &how)) else { return };
        tally.refuse(ended.wrongs(None));
        let said = ended.said.lines().next().unwrap_or_default();
        tally.require(ended.status.success(), || format!("{what} of {count} scans with 256 handles: {said}"));
        tally.refuse(ended.writes_to(&scans));
    }
    let written = std::fs::read_dir(&out).into_iter().flatten().count() as u64;
    tally
        .require(written == count, || format!("{written} of {count} pictures were written with 256 handles"));
    drop(std::fs::remove_dir_all(folder));
}

fn limited(bench: &Bench, tally: &mut Tally, copy: &Copy, limit: &str, user: Option<&str>) {
    for exports in [false, true] {
        tally.trials += 1;
        let session = if exports { &copy.session } else { &copy.made };
        let before = worker::open(session).map(|session| session.title).unwrap_or_default();
        let title = worker::title_of(worker::number_in(&before).unwrap_or(0) + 1);
        let args = if exports {
            export_args(&copy.session, &copy.out)
        } else {
            new_args(&copy.made, &copy.small, &title)
        };
        let how = How { limits: Some(limit), user, ..How::default() };
        let Some(ended) = begun(tally, bench.program.run(&borrowed(&args), &how)) else { return };
        let what = format!("{limit}, {}", if exports { "export" } else { "save" });
        for wrong in ended.wrongs(None) {
            tally.require(false, || format!("{what}: {wrong}"));
        }
        let known = tally.failures.len();
        copy.scans_untouched(tally, Some(&ended));
        copy.pictures_whole(tally, &bench.stage, true);
        match worker::open(session) {
            Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
            Ok(found) => tally.require(found.title == before || found.title == title, || {
                format!("the session is {}", found.title)
            }),
        }
        copy.no_parts_after_start(bench, tally);
        for failure in tally.failures.iter_mut().skip(known) {
            *failure = format!("{failure} ({what})");
        }
    }
}

/// Lets another user work in the copy.
fn open_to_all(bench: &Bench, copy: &Copy) {
    let folders = [bench.program.home(), &copy.folder];
    drop(std::process::Command::new("chmod").arg("755").args(folders).status());
    let owned: [&Path; 1] = [&copy.folder];
    drop(std::process::Command::new("chown").args(["-R", "nobody"]).args(owned).status());
}
