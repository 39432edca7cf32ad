//! Cuts the power: an ext4 image is shut down without a flush while sessions are saved on it, and mounted again.
//!
//! The file system's own shutdown (ioctl 0x8004587D with 2: no flush of the log) drops everything that was not synced.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::Bench;
use crate::disk::{Mounted, is_root};
use crate::kills::begun;
use crate::program::PATIENCE;
use crate::tally::{Tally, random_of};
use crate::worker::{self, number_in};

const SHUTDOWN: &str = "import fcntl, os, struct, sys\n\
    fcntl.ioctl(os.open(sys.argv[1], os.O_RDONLY), 0x8004587D, struct.pack('I', 2))";

/// Cuts the power at random moments of saving.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    if !is_root() {
        tally.skip("only root may mount a file system");
        return;
    }
    let Ok(memory) = tempfile::Builder::new().prefix("glassine-faults-").tempdir_in("/dev/shm") else {
        tally.skip("there is no /dev/shm");
        return;
    };
    let image = memory.path().join("disk.ext4");
    let (image_text, folder) = (image.display().to_string(), memory.path().join("mounted"));
    let size = Command::new("truncate").args(["-s", "48M", &image_text]).status();
    let made = Command::new("mkfs.ext4").args(["-q", "-F", &image_text]).stderr(Stdio::null()).status();
    if !size.is_ok_and(|status| status.success()) || !made.is_ok_and(|status| status.success()) {
        tally.skip("mkfs.ext4 is not installed");
        return;
    }
    let mount = || Mounted::at(&folder, &["-o", "loop", &image_text]);
    let mut mounted = match mount() {
        Ok(mounted) => mounted,
        Err(why) => {
            tally.skip(&format!("a loop device can't be mounted here: {why}"));
            return;
        }
    };
    let work = folder.join("work");
    let Some(copy) = begun(tally, bench.stage.copy_to(&work, false)) else { return };
    rustix::fs::sync();
    for trial in 0..bench.trials(1_000, 16) {
        tally.trials += 1;
        let mut random = random_of(tally.seed, trial);
        let args = [Path::new("save"), &copy.session];
        let Some(mut run) = begun(tally, bench.program.start_worker(&args)) else { return };
        let last = cut_after(&mut run, &folder, Duration::from_millis(40).mul_f64(random.unit()));
        drop(run.end(PATIENCE));
        if !mounted.unmount() {
            tally.require(false, || "the image could not be unmounted".to_owned());
            return;
        }
        mounted = match mount() {
            Ok(mounted) => mounted,
            Err(why) => {
                tally.require(false, || format!("the image could not be mounted again: {why}"));
                return;
            }
        };
        let Some(last) = last else {
            tally.require(false, || "the power was not cut, or nothing was saved before".to_owned());
            continue;
        };
        match worker::open(&copy.session) {
            Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
            Ok(found) => {
                let kept = number_in(&found.title).is_some_and(|number| number >= last);
                tally.require(kept, || format!("acknowledged {last}, found {}", found.title));
            }
        }
        copy.scans_untouched(tally, None);
        copy.no_parts_after_start(bench, tally);
    }
    if !mounted.unmount() {
        tally.remark("the image could not be unmounted at once".to_owned());
    }
}

/// Lets a worker save, cuts the power and stops the worker; returns the last number it acknowledged.
fn cut_after(run: &mut crate::program::Run, folder: &Path, pause: Duration) -> Option<u32> {
    use std::io::{BufRead as _, BufReader, Read as _};
    let mut lines = BufReader::new(run.child.stdout.take()?);
    let mut text = String::new();
    lines.read_line(&mut text).ok()?;
    std::thread::sleep(pause);
    let cut = Command::new("python3").args(["-c", SHUTDOWN]).arg(folder).status();
    run.kill();
    lines.read_to_string(&mut text).ok()?;
    let whole = text.rfind('\n').map(|end| text.split_at(end).0)?;
    let last = whole.lines().last()?.parse().ok()?;
    cut.is_ok_and(|status| status.success()).then_some(last)
}
