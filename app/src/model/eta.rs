//! How long running work will still take, from how far it got and when.
//!
//! A pure function of the history: nothing here reads a clock, so the same history always gives the same words.

use std::collections::VecDeque;

/// No estimate is given before this time: the first steps of a job (opening files, filling caches) are not like the
/// rest.
/// Source: ours.
const SILENT_S: f64 = 1.0;
/// No estimate is given before this share is done.
const SILENT_SHARE: f64 = 0.02;
/// The pace is that of the last half of the time: long enough to be steady, short enough to follow a change.
const RECENT: f64 = 0.5;
/// Reports kept; older ones are thinned out evenly.
const MOST_REPORTS: usize = 256;

/// Progress that a job reported.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Report {
    /// Part done, 0 to 1.
    pub share: f64,
    /// Seconds since the job began.
    pub elapsed_s: f64,
}

/// Seconds that a job still needs, from its reports in order of time; `None` while there is no estimate.
///
/// ```text
/// left = (1 - share) / pace - since
/// ```
/// | quantity | unit | meaning |
/// |---|---|---|
/// | `share` | 1 | part done at the last report |
/// | `pace` | 1/s | share gained for each second, over the last half of the time |
/// | `since` | s | time since the last report, at most the longest recent gap between reports (0.25 s or more) |
///
/// A job that reports nothing for longer than the usual gap between its reports counts as slower, not as nearly done.
/// Source: ours, measured by the tests below.
pub fn remaining_s(reports: impl DoubleEndedIterator<Item = Report> + Clone, now_s: f64) -> Option<f64> {
    let last = reports.clone().next_back()?;
    if now_s < SILENT_S || last.share < SILENT_SHARE || !(0.0..1.0).contains(&last.share) {
        return None;
    }
    let begin = Report { share: 0.0, elapsed_s: 0.0 };
    let then = now_s * RECENT;
    let from = reports.clone().rev().find(|report| report.elapsed_s <= then).unwrap_or(begin);
    let since_s = (now_s - last.elapsed_s).max(0.0);
    let gained = last.share - from.share;
    let span_s = last.elapsed_s - from.elapsed_s;
    // Longest recent gap between reports; a longer silence is a stall.
    let usual_gap_s = {
        let recent = reports.rev().take_while(|report| report.elapsed_s >= from.elapsed_s);
        let (gap, _) = recent.fold((0.0_f64, last.elapsed_s), |(gap, later), report| {
            (gap.max(later - report.elapsed_s), report.elapsed_s)
        });
        gap.max(0.25)
    };
    let stalled_s = (since_s - usual_gap_s).max(0.0);
    let pace = if gained > 0.0 && span_s > 0.0 { gained / (span_s + stalled_s) } else { last.share / now_s };
    let left_s = (1.0 - last.share) / pace;
    Some((left_s - since_s.min(usual_gap_s)).max(0.0))
}

/// The reports of one job.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ProgressEstimate {
    began_s: Option<f64>,
    reports: VecDeque<Report>,
}

impl ProgressEstimate {
    /// Notes the start of the job, on the window's clock.
    pub fn begin(&mut self, clock_s: f64) {
        *self = Self { began_s: Some(clock_s), reports: VecDeque::new() };
    }

    /// Notes the job's progress. A share that falls back restarts the history: the job has moved on to other work.
    pub fn report(&mut self, share: f32, clock_s: f64) {
        let began_s = *self.began_s.get_or_insert(clock_s);
        let report = Report { share: f64::from(share), elapsed_s: (clock_s - began_s).max(0.0) };
        if self.reports.back().is_some_and(|last| report.share < last.share) {
            self.begin(clock_s);
            return;
        }
        self.reports.push_back(report);
        if self.reports.len() > MOST_REPORTS {
            let mut keep = false;
            self.reports.retain(|_| {
                keep = !keep;
                keep
            });
            self.reports.push_back(report);
        }
    }

    /// Part done at the last report.
    pub fn share(&self) -> Option<f64> {
        self.reports.back().map(|last| last.share)
    }

    /// Seconds it has been running; `None` while it waits.
    pub fn elapsed_s(&self, clock_s: f64) -> Option<f64> {
        self.began_s.map(|began_s| (clock_s - began_s).max(0.0))
    }

    /// Seconds it still needs.
    pub fn remaining_s(&self, clock_s: f64) -> Option<f64> {
        remaining_s(self.reports.iter().copied(), self.elapsed_s(clock_s)?)
    }

    /// The remaining time in words, such as `about 40 s left`.
    pub fn remaining_text(&self, clock_s: f64) -> Option<String> {
        self.remaining_s(clock_s).map(remaining_text)
    }
}

/// A time in words, no finer than the estimate allows: a tenth of it at best, always rounded up.
pub fn remaining_text(seconds: f64) -> String {
    let up = |value: f64, step: f64| (value / step).ceil() * step;
    if seconds <= 3.0 {
        "a few seconds left".to_owned()
    } else if seconds <= 10.0 {
        "about 10 s left".to_owned()
    } else if seconds <= 55.0 {
        format!("about {:.0} s left", up(seconds, 5.0))
    } else if seconds <= 57.0 * 60.0 {
        format!("about {:.0} min left", up(seconds / 60.0, 1.0))
    } else {
        let minutes = up(seconds / 60.0, 10.0);
        let (hours, rest) = ((minutes / 60.0).floor(), minutes % 60.0);
        if rest == 0.0 {
            format!("about {hours:.0} h left")
        } else {
            format!("about {hours:.0} h {rest:.0} min left")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reports of a job with this pace, `pace(t)` being the share gained in the second around `t`.
    fn run(pace: impl Fn(f64) -> f64, step_s: f64, until: f64) -> Vec<Report> {
        let (mut share, mut at) = (0.0, 0.0);
        let mut reports = Vec::new();
        while share < until {
            at += step_s;
            share = (share + pace(at) * step_s).min(1.0);
            reports.push(Report { share, elapsed_s: at });
        }
        reports
    }

    fn left(reports: &[Report], now_s: f64) -> Option<f64> {
        remaining_s(reports.iter().copied(), now_s)
    }

    #[test]
    fn an_even_job_is_foretold_within_a_tenth_from_the_first_fifth_on() {
        // Jitter of 30 % with a fixed pattern; the whole takes about 40 s.
        let jitter = |at: f64| 0.025 * (1.0 + 0.3 * (at * 7.3).sin());
        let all = run(jitter, 0.1, 1.0);
        let whole_s = all.last().expect("it ran").elapsed_s;
        for (idx, report) in all.iter().enumerate().filter(|(_, r)| (0.2..1.0).contains(&r.share)) {
            let told = left(&all[..=idx], report.elapsed_s).expect("enough is known");
            let error_s = told - (whole_s - report.elapsed_s);
            assert!(error_s.abs() < 0.1 * whole_s, "{error_s} s wrong at {report:?}");
        }
    }

    #[test]
    fn the_time_told_does_not_jump() {
        let jitter = |at: f64| 0.025 * (1.0 + 0.3 * (at * 7.3).sin());
        let all = run(jitter, 0.1, 1.0);
        let mut last: Option<f64> = None;
        for (idx, report) in all.iter().enumerate().filter(|(_, r)| (0.2..1.0).contains(&r.share)) {
            let told = left(&all[..=idx], report.elapsed_s).expect("enough is known");
            assert!(last.is_none_or(|last| (last - told).abs() < 1.5), "{last:?} then {told}");
            last = Some(told);
        }
    }

    #[test]
    fn a_job_that_becomes_slower_is_followed() {
        // Half as fast after 10 s: 0.4 done by then, 30 s more.
        let slower = |at: f64| if at <= 10.0 { 0.04 } else { 0.02 };
        let all = run(slower, 0.1, 0.8);
        let last = *all.last().expect("it ran");
        let told = left(&all, last.elapsed_s).expect("enough is known");
        assert!((told - 10.0).abs() < 1.0, "{told} s told, 10 s left");
    }

    #[test]
    fn between_reports_time_goes_on_and_a_stall_makes_the_rest_longer() {
        let all = run(|_| 0.05, 1.0, 0.5);
        let now = all.last().expect("it ran").elapsed_s;
        let at_once = left(&all, now).expect("enough is known");
        let a_little_later = left(&all, now + 0.8).expect("enough is known");
        let much_later = left(&all, now + 15.0).expect("enough is known");
        assert!((at_once - a_little_later - 0.8).abs() < 1e-9);
        assert!(much_later > at_once, "{much_later} after 15 s of silence, {at_once} before");
    }

    #[test]
    fn nothing_is_said_before_something_is_known_nor_at_the_end() {
        assert_eq!(left(&[], 5.0), None);
        assert_eq!(left(&[Report { share: 0.5, elapsed_s: 0.4 }], 0.4), None);
        assert_eq!(left(&[Report { share: 0.001, elapsed_s: 4.0 }], 4.0), None);
        assert_eq!(left(&[Report { share: 1.0, elapsed_s: 4.0 }], 4.0), None);
        assert_eq!(left(&[Report { share: f64::NAN, elapsed_s: 4.0 }], 4.0), None);
    }

    #[test]
    fn many_reports_are_thinned_out_and_tell_the_same() {
        let mut pace = ProgressEstimate::default();
        pace.begin(100.0);
        for step in 1..=5_000_u16 {
            pace.report(f32::from(step) / 10_000.0, 100.0 + f64::from(step) * 0.01);
        }
        assert!(pace.reports.len() <= MOST_REPORTS);
        let told = pace.remaining_s(150.0).expect("enough is known");
        assert!((told - 50.0).abs() < 1.0, "{told}");
        pace.report(0.1, 151.0);
        assert_eq!(pace.remaining_s(152.0), None, "another phase begins anew");
    }

    #[test]
    fn times_are_told_no_finer_than_they_are_known() {
        for (seconds, text) in [
            (0.2, "a few seconds left"),
            (7.0, "about 10 s left"),
            (31.0, "about 35 s left"),
            (55.1, "about 1 min left"),
            (61.0, "about 2 min left"),
            (3_421.0, "about 1 h left"),
            (5_000.0, "about 1 h 30 min left"),
        ] {
            assert_eq!(remaining_text(seconds), text, "{seconds}");
        }
    }
}
