//! Sends SIGKILL at random moments of saving, autosaving and exporting.

use glassine_testdata::random::SplitMix64;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::time::Duration;

use crate::program::{How, Run};
use crate::stage::{Copy, borrowed, export_args, new_args};
use crate::tally::{Tally, random_of};
use crate::worker::{self, number_in};
use crate::{Bench, program};

/// Longest time a worker saves before it is killed.
const LONGEST: Duration = Duration::from_millis(40);

/// Kills the program while it saves a session: nine times of ten through the engine, once through `glassine new`.
pub(crate) fn saves(bench: &Bench, tally: &mut Tally) {
    let Some(copy) = copy_of(bench, tally, "save-kills", false) else { return };
    for trial in 0..bench.trials(2_000, 40) {
        tally.trials += 1;
        let mut random = random_of(tally.seed, trial);
        if trial % 10 == 9 {
            kill_new(bench, tally, &copy, &mut random, trial);
        } else {
            kill_worker(bench, tally, &copy, "save", &mut random);
        }
        copy.scans_untouched(tally, None);
        copy.no_parts_after_start(bench, tally);
    }
}

/// Kills the program while it autosaves.
pub(crate) fn autosaves(bench: &Bench, tally: &mut Tally) {
    let Some(copy) = copy_of(bench, tally, "autosave-kills", false) else { return };
    for trial in 0..bench.trials(2_000, 40) {
        tally.trials += 1;
        kill_worker(bench, tally, &copy, "autosave", &mut random_of(tally.seed, trial));
        copy.scans_untouched(tally, None);
        copy.no_parts_after_start(bench, tally);
        clear_autosaves(&copy);
    }
}

/// Kills an export: every other time over the pictures of an earlier one.
pub(crate) fn exports(bench: &Bench, tally: &mut Tally) {
    let (Some(full), Some(empty)) =
        (copy_of(bench, tally, "export-kills", true), copy_of(bench, tally, "export-kills-empty", false))
    else {
        return;
    };
    for trial in 0..bench.trials(500, 16) {
        tally.trials += 1;
        let mut random = random_of(tally.seed, trial);
        let copy = if trial % 2 == 0 { &full } else { &empty };
        let args = export_args(&copy.session, &copy.out);
        let Some(mut run) = begun(tally, bench.program.start(&borrowed(&args), &How::default())) else {
            return;
        };
        std::thread::sleep(bench.stage.export_takes.mul_f64(1.1 * random.unit()));
        run.kill();
        let Some(ended) = begun(tally, run.end(program::PATIENCE)) else { return };
        copy.scans_untouched(tally, Some(&ended));
        copy.pictures_whole(tally, &bench.stage, trial % 2 == 0);
        next_start(bench, tally, copy);
        copy.no_parts(tally, "after the next export");
        copy.pictures_whole(tally, &bench.stage, false);
        if trial % 2 == 1 {
            drop(std::fs::remove_dir_all(&copy.out));
        }
    }
}

/// Exports one frame into the same folder, as the next start would.
fn next_start(bench: &Bench, tally: &mut Tally, copy: &Copy) {
    let mut args = export_args(&copy.session, &copy.out);
    args.extend(["--frames".into(), "1".into()]);
    if let Some(ended) = begun(tally, bench.program.run(&borrowed(&args), &How::default())) {
        tally.require(ended.status.success(), || format!("the next export failed: {}", ended.said));
        copy.scans_untouched(tally, Some(&ended));
    }
}

fn kill_new(bench: &Bench, tally: &mut Tally, copy: &Copy, random: &mut SplitMix64, trial: u64) {
    let before = worker::open(&copy.made).map(|session| session.title).unwrap_or_default();
    let title = worker::title_of(trial as u32 * 1_000);
    let args = new_args(&copy.made, &copy.small, &title);
    let Some(mut run) = begun(tally, bench.program.start(&borrowed(&args), &How::default())) else { return };
    // Saving is the last step of `new`.
    std::thread::sleep(bench.stage.new_takes.mul_f64(0.7 + 0.4 * random.unit()));
    run.kill();
    let Some(ended) = begun(tally, run.end(program::PATIENCE)) else { return };
    copy.scans_untouched(tally, Some(&ended));
    match worker::open(&copy.made) {
        Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
        Ok(found) => {
            let whole = found.title == title || found.title == before;
            tally.require(whole, || format!("the session is neither old nor new: {}", found.title));
            let kept = !ended.status.success() || found.title == title;
            tally.require(kept, || "the program ended well, but the session is the old one".to_owned());
        }
    }
}

fn kill_worker(bench: &Bench, tally: &mut Tally, copy: &Copy, task: &str, random: &mut SplitMix64) {
    let args = [Path::new(task), &copy.session];
    let Some(mut run) = begun(tally, bench.program.start_worker(&args)) else { return };
    let acknowledged = killed_after(&mut run, LONGEST.mul_f64(random.unit()));
    let Some(ended) = begun(tally, run.end(program::PATIENCE)) else { return };
    copy.scans_untouched(tally, Some(&ended));
    let Some(last) = acknowledged else {
        tally.require(false, || format!("the worker saved nothing: {}", ended.said));
        return;
    };
    match worker::recover(&copy.session) {
        Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
        Ok(found) => {
            let number = number_in(&found.title);
            let kept = number.is_some_and(|number| number == last || number == last + 1);
            tally.require(kept, || format!("acknowledged {last}, found {}", found.title));
        }
    }
}

/// Kills a worker a pause after its first acknowledgement; returns the last acknowledged number.
pub(crate) fn killed_after(run: &mut Run, pause: Duration) -> Option<u32> {
    let mut lines = BufReader::new(run.child.stdout.take()?);
    let mut text = String::new();
    // A worker that could not start closes its output, and no line arrives.
    lines.read_line(&mut text).ok()?;
    std::thread::sleep(pause);
    run.kill();
    lines.read_to_string(&mut text).ok()?;
    // The last line may be incomplete.
    let whole = text.rfind('\n').map(|end| text.split_at(end).0)?;
    whole.lines().last()?.parse().ok()
}

fn clear_autosaves(copy: &Copy) {
    for entry in std::fs::read_dir(&copy.folder).into_iter().flatten().flatten() {
        if entry.file_name().to_string_lossy().contains("autosave") {
            drop(std::fs::remove_file(entry.path()));
        }
    }
}

/// Copies the stage for one part, inside the bench's folder.
pub(crate) fn copy_of(bench: &Bench, tally: &mut Tally, name: &str, with_pictures: bool) -> Option<Copy> {
    begun(tally, bench.stage.copy_to(&bench.program.home().join(name), with_pictures))
}

/// The value, or `None` after recording a failure of the bench itself.
pub(crate) fn begun<T>(tally: &mut Tally, result: std::io::Result<T>) -> Option<T> {
    result.map_err(|error| tally.require(false, || format!("the bench could not go on: {error}"))).ok()
}
