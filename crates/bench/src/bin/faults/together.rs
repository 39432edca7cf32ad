//! Several programs share one session: no save is lost, and latecomers get a message.

use std::path::Path;
use std::time::Duration;

use crate::Bench;
use crate::kills::{begun, copy_of};
use crate::tally::Tally;
use crate::worker::{self, number_in};

const WORKERS: u32 = 4;
const TIMES: u32 = 4;

/// Lets four workers count up in one session, four times each; kills one of them in every third round.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    let Some(copy) = copy_of(bench, tally, "together", false) else { return };
    let times = TIMES.to_string();
    let mut told = 0_u64;
    for round in 0..bench.trials(1_000, 10) {
        tally.trials += 1;
        let before =
            worker::open(&copy.session).ok().and_then(|session| number_in(&session.title)).unwrap_or(0);
        let kills = round % 3 == 2;
        let mut runs = Vec::new();
        for _ in 0..WORKERS {
            let args = [Path::new("count"), copy.session.as_path(), Path::new(&times)];
            let Some(run) = begun(tally, bench.program.start_worker(&args)) else { return };
            runs.push(run);
        }
        if kills && let Some(run) = runs.first_mut() {
            std::thread::sleep(Duration::from_millis(30));
            run.kill();
        }
        for (idx, run) in runs.into_iter().enumerate() {
            let Some(ended) = begun(tally, run.end(Duration::from_secs(60))) else { return };
            copy.scans_untouched(tally, Some(&ended));
            if kills && idx == 0 {
                continue;
            }
            tally.require(ended.status.success(), || format!("a worker gave up: {}", ended.said.trim()));
            told += ended.printed.trim().parse::<u64>().unwrap_or(0);
        }
        let after =
            worker::open(&copy.session).ok().and_then(|session| number_in(&session.title)).unwrap_or(0);
        let counted = after.saturating_sub(before);
        let (least, most) = (TIMES * (WORKERS - u32::from(kills)), TIMES * WORKERS);
        tally.require((least..=most).contains(&counted), || {
            format!("{counted} saves are in the file instead of {least} to {most}: an update was lost")
        });
        copy.no_parts_after_start(bench, tally);
    }
    tally.remark(format!("{told} saves were refused with a message and made again"));
}
