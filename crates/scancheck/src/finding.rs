//! Results of the check: figures, and findings where a figure passes its limit.

use glassine_raster::PixelRect;

/// What was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum What {
    ClippedHigh,
    ClippedLow,
    Noise,
    StrayLight,
    Glow,
    ChannelShift,
    InfraredShift,
    Resolution,
    Resampled,
    UnevenLight,
    Streaks,
    MissingLines,
    Blocks,
    ToneSteps,
    Sharpened,
    Curve,
    NotFlat,
    NewtonRings,
}

impl What {
    /// Stable name for files and the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::ClippedHigh => "clipped-high",
            Self::ClippedLow => "clipped-low",
            Self::Noise => "noise",
            Self::StrayLight => "stray-light",
            Self::Glow => "glow",
            Self::ChannelShift => "channel-shift",
            Self::InfraredShift => "infrared-shift",
            Self::Resolution => "resolution",
            Self::Resampled => "resampled",
            Self::UnevenLight => "uneven-light",
            Self::Streaks => "streaks",
            Self::MissingLines => "missing-lines",
            Self::Blocks => "compression-blocks",
            Self::ToneSteps => "tone-steps",
            Self::Sharpened => "sharpened",
            Self::Curve => "codes-not-linear",
            Self::NotFlat => "film-not-flat",
            Self::NewtonRings => "newton-rings",
        }
    }

    /// Text for people.
    pub fn label(self) -> &'static str {
        match self {
            Self::ClippedHigh => "clear film is clipped",
            Self::ClippedLow => "dense film is clipped to zero",
            Self::Noise => "noise in the densest film",
            Self::StrayLight => "stray light over the whole scan",
            Self::Glow => "glow beside bright edges",
            Self::ChannelShift => "the colour channels are not aligned",
            Self::InfraredShift => "the infrared is not aligned with the colours",
            Self::Resolution => "less detail than the file's resolution",
            Self::Resampled => "the scan was enlarged or turned by interpolation",
            Self::UnevenLight => "uneven light",
            Self::Streaks => "streaks along the whole scan",
            Self::MissingLines => "missing or repeated lines",
            Self::Blocks => "compression blocks",
            Self::ToneSteps => "coarse tone steps",
            Self::Sharpened => "sharpened while scanning",
            Self::Curve => "codes are not proportional to light",
            Self::NotFlat => "film was not flat",
            Self::NewtonRings => "Newton rings suspected",
        }
    }

    /// What it means and what to do.
    pub fn advice(self) -> &'static str {
        match self {
            Self::ClippedHigh => {
                "the clearest film has no tones left there and the film base cannot be measured; scan again with less exposure, automatic adjustments off"
            }
            Self::ClippedLow => {
                "the densest film has no tones left there; scan again with the black point at zero and automatic adjustments off"
            }
            Self::Noise => {
                "dense parts will print grainy; scan again with more exposure or several passes per line"
            }
            Self::StrayLight => {
                "dense film looks thinner than it is; close the lid, mask the glass beside the film, clean the glass, and scan again"
            }
            Self::Glow => {
                "light from clear edges spreads into dense film beside them; mask open light beside the film, clean glass and lens, and scan again"
            }
            Self::ChannelShift => {
                "edges get coloured fringes; let the scanner warm up, hold the film still, scan in one pass, or scan at a higher resolution and reduce"
            }
            Self::InfraredShift => {
                "dust repair has to search for the shift and may miss faint dust; hold the film still and scan colours and infrared in one pass"
            }
            Self::Resolution => {
                "the scan holds less detail than its pixels promise; check the focus or the height of the holder; if it stays so, a lower resolution loses nothing"
            }
            Self::Resampled => {
                "the pixels were calculated, so the file is larger than its detail; scan at a resolution that the scanner really has, without turning"
            }
            Self::UnevenLight => {
                "frames get different colours and exposure across the scan; clean lamp and glass, let the lamp warm up, and calibrate with the holder's window free"
            }
            Self::Streaks => {
                "lines cross every picture; clean the calibration area and the glass, calibrate the scanner and scan again"
            }
            Self::MissingLines => {
                "parts of the picture are lost; check the cable and the transport, and scan again"
            }
            Self::Blocks => {
                "the file was compressed with loss, which shows when contrast is raised; save scans as TIFF without lossy compression"
            }
            Self::ToneSteps => "smooth tones will show bands; scan with 16 bits a channel",
            Self::Sharpened => {
                "halos at edges cannot be taken out later; switch off sharpening in the scanner's settings and scan again"
            }
            Self::Curve => {
                "the scan is read with the stated or found curve; for the best tones in dense film save linear codes without colour management"
            }
            Self::NotFlat => {
                "parts of the film are out of focus; flatten the film under weight, or use a holder that stretches it or glass"
            }
            Self::NewtonRings => {
                "wavy rings come from film touching glass; turn the emulsion side to the glass, use anti-Newton glass, or a holder without glass"
            }
        }
    }
}

/// A measured figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measure {
    pub what: What,
    pub value: f64,
    /// Unit of value and limit.
    pub unit: &'static str,
    /// The figure passes above it.
    pub limit: f64,
    /// Where the limit comes from.
    pub source: &'static str,
}

impl Measure {
    /// A share and its limit, both as per cent of what `unit` names.
    pub(crate) fn per_cent(
        what: What,
        share: f64,
        unit: &'static str,
        limit: f64,
        source: &'static str,
    ) -> Self {
        Self { what, value: 100.0 * share, unit, limit: 100.0 * limit, source }
    }

    /// The figure against its limit: figures of one kind that are measured in several ways compare by it.
    fn share_of_limit(&self) -> f64 {
        self.value / self.limit
    }
}

/// A figure beyond its limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    pub measure: Measure,
    /// Worth scanning again before any other work.
    pub serious: bool,
    /// Where it is worst, scan pixels; the whole scan if it is everywhere.
    pub place: Option<PixelRect>,
}

/// Everything measured on one scan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// Serious ones first.
    pub findings: Vec<Finding>,
    /// All figures, those within their limits too.
    pub measured: Vec<Measure>,
}

impl Report {
    /// Note a figure; it is a finding from `limit` on, a serious one from `serious_from` on.
    pub(crate) fn judge(&mut self, measure: Measure, serious_from: f64, place: Option<PixelRect>) {
        self.measured.push(measure);
        if measure.value > measure.limit {
            self.findings.push(Finding { measure, serious: measure.value > serious_from, place });
        }
    }

    /// Keep one figure and one finding of each kind, the worst against its limit: sharpening is measured in two ways.
    pub(crate) fn keep_worst(&mut self) {
        let mut measured: Vec<Measure> = Vec::new();
        for measure in std::mem::take(&mut self.measured) {
            match measured.iter_mut().find(|known| known.what == measure.what) {
                Some(known) if measure.share_of_limit() > known.share_of_limit() => *known = measure,
                Some(_) => {}
                None => measured.push(measure),
            }
        }
        self.measured = measured;
        let mut findings: Vec<Finding> = Vec::new();
        for finding in std::mem::take(&mut self.findings) {
            match findings.iter_mut().find(|known| known.measure.what == finding.measure.what) {
                Some(known) => {
                    let serious = known.serious || finding.serious;
                    if finding.measure.share_of_limit() > known.measure.share_of_limit() {
                        *known = finding;
                    }
                    known.serious = serious;
                }
                None => findings.push(finding),
            }
        }
        self.findings = findings;
    }

    pub fn has_serious(&self) -> bool {
        self.findings.iter().any(|finding| finding.serious)
    }

    pub fn has(&self, what: What) -> bool {
        self.findings.iter().any(|finding| finding.measure.what == what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_figures_of_one_kind_the_worse_against_its_limit_is_kept() {
        let mut report = Report::default();
        let measure =
            |what: What, value: f64, limit: f64| Measure { what, value, unit: "%", limit, source: "" };
        report.judge(measure(What::Sharpened, 3.0, 2.5), 8.0, None);
        report.judge(measure(What::Noise, 1.0, 4.0), 8.0, None);
        let fine_noise = measure(What::Sharpened, 18.0, 6.0);
        report.judge(fine_noise, 20.0, None);
        report.keep_worst();
        let finding = Finding { measure: fine_noise, serious: false, place: None };
        assert_eq!(report.findings, [finding]);
        assert_eq!(report.measured, [fine_noise, measure(What::Noise, 1.0, 4.0)]);
    }

    #[test]
    fn a_serious_finding_stays_serious_beside_another_of_its_kind() {
        let mut report = Report::default();
        let measure =
            |value: f64, limit: f64| Measure { what: What::Sharpened, value, unit: "%", limit, source: "" };
        report.judge(measure(8.1, 2.5), 8.0, None);
        report.judge(measure(19.9, 6.0), 20.0, None);
        report.keep_worst();
        assert!(report.has_serious() && report.findings.len() == 1, "{report:?}");
        assert_eq!(report.findings[0].measure, measure(19.9, 6.0));
    }
}
