//! State of the panes on the right and of the export pane: open sections, answers that are not part of the session.

use std::collections::BTreeSet;

/// A section of the settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Section {
    /// Kind, base, balance: everything the strip shares.
    Film,
    /// Exposure and tone.
    Exposure,
    /// Balance and saturation.
    Colour,
    /// Dust and scratches.
    Clean,
    /// Sharpening.
    Sharpen,
    /// What is written.
    Output,
}

impl Section {
    /// Every section, in the order shown.
    pub const ALL: [Self; 6] =
        [Self::Film, Self::Exposure, Self::Colour, Self::Clean, Self::Sharpen, Self::Output];

    /// Head shown.
    pub fn title(self) -> &'static str {
        match self {
            Self::Film => "film",
            Self::Exposure => "exposure",
            Self::Colour => "colour",
            Self::Clean => "clean",
            Self::Sharpen => "sharpen",
            Self::Output => "output",
        }
    }
}

/// What those panes remember between frames.
#[derive(Debug, Clone)]
pub struct PanelState {
    /// Sections that are folded away.
    pub folded: BTreeSet<Section>,
    /// Balance of single tone bands is shown.
    pub show_bands: bool,
    /// Files in the way of an export may be replaced.
    pub replace_existing: bool,
    /// Only the selected frames are exported.
    pub export_selected_only: bool,
    /// A text of the export pane is being typed, as one step of the history.
    pub is_typing: bool,
}

impl Default for PanelState {
    /// What is touched for every frame is open; the rest says in its head how it is set.
    fn default() -> Self {
        Self {
            folded: [Section::Film, Section::Clean, Section::Sharpen, Section::Output].into(),
            show_bands: false,
            replace_existing: false,
            export_selected_only: false,
            is_typing: false,
        }
    }
}

impl PanelState {
    /// Whether a section is open.
    pub fn is_open(&self, section: Section) -> bool {
        !self.folded.contains(&section)
    }

    /// Fold a section away or open it.
    pub fn toggle(&mut self, section: Section) {
        if !self.folded.remove(&section) {
            self.folded.insert(section);
        }
    }
}
