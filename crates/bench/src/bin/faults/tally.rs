//! The results of one part: trials, failures, remarks.

use crate::Part;
use clap::ValueEnum as _;
use glassine_testdata::random::SplitMix64;

#[derive(Debug)]
pub(crate) struct Tally {
    pub(crate) part: Part,
    /// Seed of the part's random choices.
    pub(crate) seed: u64,
    pub(crate) trials: u64,
    /// Failed requirements, one sentence each.
    pub(crate) failures: Vec<String>,
    /// Other findings.
    pub(crate) remarks: Vec<String>,
    /// Why the part did not run.
    pub(crate) skipped: Option<String>,
    /// Duration of the part.
    pub(crate) seconds: f64,
}

impl Tally {
    pub(crate) fn new(part: Part, seed: u64) -> Self {
        Self { part, seed, trials: 0, failures: Vec::new(), remarks: Vec::new(), skipped: None, seconds: 0.0 }
    }

    /// Records a failure unless `holds`.
    pub(crate) fn require(&mut self, holds: bool, what: impl FnOnce() -> String) {
        if !holds {
            let trial = self.trials;
            self.failures.push(format!("trial {trial}: {}", what()));
        }
    }

    /// Records each of these as a failure.
    pub(crate) fn refuse(&mut self, found: Vec<String>) {
        for what in found {
            self.require(false, || what);
        }
    }

    pub(crate) fn remark(&mut self, what: String) {
        self.remarks.push(what);
    }

    /// Records that the part can't be run here.
    pub(crate) fn skip(&mut self, why: &str) {
        self.skipped = Some(why.to_owned());
    }

    /// Name of the part on the command line.
    pub(crate) fn name(&self) -> String {
        self.part.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned())
    }

    /// With 95 % confidence the failure rate is below this: 3 / n, when nothing failed.
    pub(crate) fn bound(&self) -> String {
        match (self.trials, self.failures.len()) {
            (0, _) => "–".to_owned(),
            (n, 0) => format!("{:.1e}", 3.0 / n as f64),
            (n, failed) => format!("{failed} of {n}"),
        }
    }

    pub(crate) fn line(&self) -> String {
        if let Some(why) = &self.skipped {
            return format!("{}: skipped, {why}", self.name());
        }
        let mut line = format!(
            "{}: {} trials, {} failures, {:.0} s (seed {})",
            self.name(),
            self.trials,
            self.failures.len(),
            self.seconds,
            self.seed
        );
        for remark in &self.remarks {
            line.push_str("\n    ");
            line.push_str(remark);
        }
        line
    }
}

/// Random numbers that depend only on the seed and the trial.
pub(crate) fn random_of(seed: u64, trial: u64) -> SplitMix64 {
    SplitMix64::new(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ trial.wrapping_mul(0xD1B5_4A32_D192_ED03))
}
