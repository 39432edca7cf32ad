//! What the colour panes remember between frames: chosen tone band, open grid of variations, grey point, chart being measured.

use std::sync::Arc;

use glassine_engine::StockReport;
use glassine_engine::jobs::GreyReach;
use glassine_film::{BalanceMode, ChartEdition, FilmKind, Param};
use glassine_raster::{Point, Scan};
use glassine_session::{Edit, FrameId, Strip};

/// Part of the tones that the balance wheel moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Band {
    /// Every tone alike.
    #[default]
    All,
    /// Dark tones.
    Shadows,
    /// Tones around mid grey.
    Middle,
    /// Bright tones.
    Highlights,
}

impl Band {
    /// Every band, in the order shown.
    pub const ALL: [Self; 4] = [Self::All, Self::Shadows, Self::Middle, Self::Highlights];
    /// The bands that have their own point on the tone curves, dark to bright.
    pub const TONES: [Self; 3] = [Self::Shadows, Self::Middle, Self::Highlights];

    /// Name shown.
    pub fn label(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Shadows => "shadows",
            Self::Middle => "middle",
            Self::Highlights => "highlights",
        }
    }

    /// Name in the middle of a sentence.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::All => "all tones",
            Self::Shadows => "the shadows",
            Self::Middle => "the middle tones",
            Self::Highlights => "the highlights",
        }
    }

    /// Warm/cool and magenta/green of the band.
    pub fn params(self) -> [Param; 2] {
        match self {
            Self::All => [Param::WarmthCc, Param::TintCc],
            Self::Shadows => [Param::ShadowWarmthCc, Param::ShadowTintCc],
            Self::Middle => [Param::MidWarmthCc, Param::MidTintCc],
            Self::Highlights => [Param::HighlightWarmthCc, Param::HighlightTintCc],
        }
    }
}

/// Kind of grid that shows one frame several times side by side, each with one step of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum VariationKind {
    /// Stepped exposures.
    Exposure,
    /// Six colour directions around the present balance.
    RingAround,
    /// Stepped mask tolerances, with the pixels that count as base.
    MaskTolerance,
}

impl VariationKind {
    /// Every grid, in the order shown.
    pub const ALL: [Self; 3] = [Self::Exposure, Self::RingAround, Self::MaskTolerance];

    /// Name shown.
    pub fn label(self) -> &'static str {
        match self {
            Self::Exposure => "test strip",
            Self::RingAround => "ring-around",
            Self::MaskTolerance => "mask tolerance",
        }
    }

    /// Steps the user can choose: stops, CC units or densities.
    pub fn steps(self) -> [f64; 3] {
        match self {
            Self::Exposure => [0.25, 0.5, 1.0],
            Self::RingAround => [5.0, 10.0, 20.0],
            Self::MaskTolerance => [0.005, 0.01, 0.02],
        }
    }

    /// A step as text.
    pub fn step_text(self, step: f64) -> String {
        match self {
            Self::Exposure if step == 0.25 => "¼ stop".to_owned(),
            Self::Exposure if step == 0.5 => "½ stop".to_owned(),
            Self::Exposure => format!("{step:.0} stop"),
            Self::RingAround => format!("{step:.0} CC"),
            Self::MaskTolerance => format!("{step:.3} D"),
        }
    }
}

/// What a stock is measured from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TargetKind {
    /// A chart of six by four patches.
    #[default]
    Chart24,
    /// One row of neutral steps.
    Wedge,
}

/// A chart or wedge being measured.
#[derive(Debug, Clone)]
pub struct ChartTool {
    /// The frame it is on.
    pub frame: FrameId,
    /// Outer corners of its corner patches: first, end of the first row, last, start of the last row.
    pub corners: [Point<Scan>; 4],
    pub kind: TargetKind,
    /// Which printing of the chart it is.
    pub edition: ChartEdition,
    /// Densities of the wedge's steps, as typed.
    pub densities_text: String,
    /// Name of the new stock.
    pub name: String,
    /// Last result, until something it depends on changes.
    pub report: Option<Arc<StockReport>>,
}

/// Everything the colour panes remember.
#[derive(Debug, Clone)]
pub struct ColourState {
    /// Band the wheel moves.
    pub band: Band,
    /// Open grid of variations.
    pub variations: Option<VariationKind>,
    /// Chosen step of each kind of grid, an index into [`VariationKind::steps`].
    pub variation_steps: [usize; 3],
    /// Where the keyboard has moved the grey point to, in the upright picture's unit square.
    pub grey_at: (f64, f64),
    /// The grey point tool has the keyboard.
    pub grey_in_hand: bool,
    /// Side of the averaged square, scan pixels.
    pub grey_side_px: f64,
    /// What a grey point changes, once the user has chosen.
    pub grey_reach: Option<GreyReach>,
    /// The chart measured before, so that its corners need not be placed again.
    pub last_chart: Option<ChartTool>,
    /// The chart being measured; its pane replaces the settings.
    pub chart: Option<ChartTool>,
}

impl Default for ColourState {
    fn default() -> Self {
        Self {
            band: Band::All,
            variations: None,
            variation_steps: [1, 1, 0],
            grey_at: (0.5, 0.5),
            grey_in_hand: false,
            grey_side_px: 31.0,
            grey_reach: None,
            last_chart: None,
            chart: None,
        }
    }
}

impl ColourState {
    /// The chosen step of a kind of grid.
    pub fn variation_step(&self, kind: VariationKind) -> f64 {
        let steps = kind.steps();
        let chosen = self.variation_steps.get(kind as usize).copied().unwrap_or(1);
        steps.get(chosen).copied().unwrap_or(steps[1])
    }

    /// What a grey point on this strip changes: what the user chose, or the film if one balance is locked over it.
    pub fn grey_reach(&self, strip: &Strip) -> GreyReach {
        let usual = if strip.balance == BalanceMode::Strip { GreyReach::Film } else { GreyReach::Frame };
        if can_solve_from_grey(strip) { self.grey_reach.unwrap_or(usual) } else { GreyReach::Frame }
    }

    /// Drops everything that belonged to another session; keeps the user's habits.
    pub fn begin_session(&mut self) {
        self.variations = None;
        self.grey_at = (0.5, 0.5);
        self.chart = None;
        self.last_chart = None;
    }
}

/// Whether one grey can decide the balance of a whole film: only that of colour negatives is solved from greys.
pub fn can_solve_from_grey(strip: &Strip) -> bool {
    strip.film == FilmKind::ColourNegative
}

/// Parses the typed densities of a wedge's steps: numbers with decimal point or comma, separated by blanks or
/// semicolons.
pub fn parse_densities(text: &str) -> Option<Vec<f64>> {
    let parts = text.split(|c: char| c.is_whitespace() || c == ';').filter(|part| !part.is_empty());
    let numbers: Option<Vec<f64>> = parts
        .map(|part| part.trim_end_matches(',').replace(',', ".").parse().ok().filter(|d: &f64| d.is_finite()))
        .collect();
    numbers.filter(|numbers| (2..=64).contains(&numbers.len()))
}

/// Edits that set both values of a band for some frames.
pub fn band_edits(frames: &[FrameId], band: Band, [warm, tint]: [f64; 2]) -> Vec<Edit> {
    let [warm_param, tint_param] = band.params();
    [(warm_param, warm), (tint_param, tint)]
        .map(|(param, value)| Edit::SetParam { frames: frames.to_vec(), param, value })
        .to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn densities_are_read_with_points_or_commas() {
        assert_eq!(parse_densities("0.05 0,20; 0.35"), Some(vec![0.05, 0.2, 0.35]));
        assert_eq!(parse_densities("0.05, 0.20, 0.35"), Some(vec![0.05, 0.2, 0.35]));
        for bad in ["", "0.1", "a b", "0.1 nan", "1e999 2"] {
            assert_eq!(parse_densities(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_band_sets_both_of_its_values() {
        let edits = band_edits(&[FrameId(3)], Band::Shadows, [4.0, -2.0]);
        assert_eq!(edits.len(), 2);
        assert!(
            matches!(&edits[1], Edit::SetParam { param: Param::ShadowTintCc, value, .. } if *value == -2.0)
        );
    }
}
