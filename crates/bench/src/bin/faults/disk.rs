//! Fills the disk: sessions and pictures are written with varying free space on a small file system.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::kills::begun;
use crate::program::How;
use crate::stage::{Copy, borrowed, export_args, new_args};
use crate::tally::Tally;
use crate::{Bench, worker};

const SIZE_KIB: u64 = 64 * 1024;

/// A file system that stays mounted until the value is dropped.
#[derive(Debug)]
pub(crate) struct Mounted(pub(crate) PathBuf);

impl Mounted {
    /// Mounts with these arguments; the error gives the reason.
    pub(crate) fn at(folder: &Path, words: &[&str]) -> Result<Self, String> {
        std::fs::create_dir_all(folder).map_err(|error| error.to_string())?;
        let output =
            Command::new("mount").args(words).arg(folder).output().map_err(|error| error.to_string())?;
        if output.status.success() {
            Ok(Self(folder.to_owned()))
        } else {
            Err(String::from_utf8_lossy(&output.stderr).trim().to_owned())
        }
    }

    /// Unmounts; true on success.
    pub(crate) fn unmount(self) -> bool {
        let done = Command::new("umount").arg(&self.0).status().is_ok_and(|status| status.success());
        if done {
            std::mem::forget(self);
        }
        done
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        drop(Command::new("umount").args(["-l"]).arg(&self.0).status());
    }
}

/// Whether this process may mount.
pub(crate) fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// Varies the free space in even steps from nothing to more than a whole save or export needs.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    if !is_root() {
        tally.skip("only root may mount a file system");
        return;
    }
    let folder = bench.program.home().join("full-disk");
    let mounted =
        match Mounted::at(&folder, &["-t", "tmpfs", "-o", &format!("size={SIZE_KIB}k"), "glassine-faults"]) {
            Ok(mounted) => mounted,
            Err(why) => {
                tally.skip(&format!("no file system could be mounted: {why}"));
                return;
            }
        };
    let Some(copy) = begun(tally, bench.stage.copy_to(&mounted.0.join("work"), true)) else { return };
    let steps = bench.trials(200, 10);
    let session_kib = kib_of(&copy.made) + 8;
    let pictures_kib = bench.stage.pictures.keys().map(|name| kib_of(&copy.out.join(name))).sum::<u64>();
    let mut refused = 0_u32;
    for step in 0..steps {
        for exports in [false, true] {
            tally.trials += 1;
            let most = if exports { pictures_kib } else { 4 * session_kib };
            let free_kib = most * step / steps.max(1);
            refused += u32::from(one(bench, tally, &copy, &mounted.0, exports, free_kib));
        }
    }
    tally.remark(format!("{refused} runs were refused for want of space"));
    if !mounted.unmount() {
        tally.remark("the small file system could not be unmounted at once".to_owned());
    }
}

fn kib_of(path: &Path) -> u64 {
    std::fs::metadata(path).map_or(0, |meta| meta.len().div_ceil(1024))
}

/// One run with this much free space; true if the program refused.
fn one(bench: &Bench, tally: &mut Tally, copy: &Copy, disk: &Path, exports: bool, free_kib: u64) -> bool {
    let filler = disk.join("filler");
    if !fill(&filler, disk, free_kib) {
        tally.require(false, || "the bench could not fill its disk".to_owned());
        return false;
    }
    let session = if exports { &copy.session } else { &copy.made };
    let before = worker::open(session).map(|session| session.title).unwrap_or_default();
    let title = worker::title_of(worker::number_in(&before).unwrap_or(0) + 1);
    let args = if exports {
        export_args(&copy.session, &copy.out)
    } else {
        new_args(&copy.made, &copy.small, &title)
    };
    let ended = begun(tally, bench.program.run(&borrowed(&args), &How::default()));
    drop(std::fs::remove_file(&filler));
    let Some(ended) = ended else { return false };
    let what = format!("{} with {free_kib} KiB free", if exports { "export" } else { "save" });
    for wrong in ended.wrongs(None) {
        tally.require(false, || format!("{what}: {wrong}"));
    }
    let told = ended.status.success() || ended.said.to_lowercase().contains("space");
    tally.require(told, || format!("{what}: nothing was said about the space: {}", ended.said.trim()));
    copy.scans_untouched(tally, Some(&ended));
    copy.no_parts(tally, &format!("after an {what}"));
    copy.pictures_whole(tally, &bench.stage, true);
    match worker::open(session) {
        Err(error) => tally.require(false, || format!("{what}: the session is lost: {}", error.notice())),
        Ok(found) => {
            let fits = found.title == before || (!exports && found.title == title);
            tally.require(fits, || format!("{what}: the session is {}", found.title));
        }
    }
    !ended.status.success()
}

/// Fills the disk until only this much is free.
fn fill(filler: &Path, disk: &Path, free_kib: u64) -> bool {
    let Ok(stat) = rustix::fs::statvfs(disk) else { return false };
    let free = stat.f_bavail * stat.f_frsize;
    let Ok(file) = std::fs::File::create(filler) else { return false };
    let take = free.saturating_sub(free_kib * 1024);
    take == 0 || rustix::fs::fallocate(&file, rustix::fs::FallocateFlags::empty(), 0, take).is_ok()
}
