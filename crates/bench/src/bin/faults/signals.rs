//! Sends SIGINT, SIGTERM and SIGHUP at random moments: the program cleans up and reports how it ended.

use rustix::process::Signal;

use crate::kills::{begun, copy_of};
use crate::program::{How, PATIENCE};
use crate::stage::{borrowed, export_args, new_args};
use crate::tally::{Tally, random_of};
use crate::{Bench, worker};

const SIGNALS: [(Signal, &str); 3] = [(Signal::INT, "INT"), (Signal::TERM, "TERM"), (Signal::HUP, "HUP")];

/// Sends each signal to saves and exports in turn.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    let Some(copy) = copy_of(bench, tally, "signals", true) else { return };
    let mut ends = std::collections::BTreeMap::<String, u32>::new();
    for trial in 0..bench.trials(300, 24) {
        tally.trials += 1;
        let mut random = random_of(tally.seed, trial);
        let Some((signal, name)) = SIGNALS.get(trial as usize % 3).copied() else { return };
        let saves = trial / 3 % 2 == 0;
        let (args, takes) = if saves {
            (new_args(&copy.made, &copy.small, &worker::title_of(trial as u32)), bench.stage.new_takes)
        } else {
            (export_args(&copy.session, &copy.out), bench.stage.export_takes)
        };
        let Some(run) = begun(tally, bench.program.start(&borrowed(&args), &How::default())) else { return };
        std::thread::sleep(takes.mul_f64(1.1 * random.unit()));
        run.signal(signal);
        let Some(ended) = begun(tally, run.end(PATIENCE)) else { return };
        *ends.entry(ended.status.to_string()).or_default() += 1;
        // A program shows its parent that it obeyed a signal by dying again from the same signal.
        for wrong in ended.wrongs(Some(signal.as_raw())) {
            let code = ended.status.code().unwrap_or(0);
            // The shell's exit code for a signal needs no message.
            tally.require(code > 128 && wrong.contains("without a word"), || format!("{name}: {wrong}"));
        }
        copy.scans_untouched(tally, Some(&ended));
        copy.no_parts(tally, &format!("after {name} during {}", if saves { "a save" } else { "an export" }));
        copy.pictures_whole(tally, &bench.stage, true);
        let opened = worker::open(if saves { &copy.made } else { &copy.session });
        tally.require(opened.is_ok(), || format!("{name}: the session is lost"));
    }
    tally.remark(ends.iter().map(|(end, count)| format!("{end}: {count}")).collect::<Vec<_>>().join(", "));
}
