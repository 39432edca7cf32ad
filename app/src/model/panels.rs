//! State of the panes on the right and of the export pane: open sections and choices that the session does not hold.

use std::collections::BTreeSet;

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
    /// Kind, colour space and rendering of the output.
    Output,
}

impl Section {
    /// Every section, in the order shown.
    pub const ALL: [Self; 6] =
        [Self::Film, Self::Exposure, Self::Colour, Self::Clean, Self::Sharpen, Self::Output];

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

/// What the panes remember between frames.
#[derive(Debug, Clone)]
pub struct PanelState {
    /// Folded sections.
    pub folded: BTreeSet<Section>,
    /// Whether the balance of single tone bands is shown.
    pub show_bands: bool,
    /// Whether an export may replace existing files.
    pub replace_existing: bool,
    /// Whether only the selected frames are exported.
    pub export_selected_only: bool,
    /// Whether the user is typing a text of the export pane, as one step of the history.
    pub is_typing: bool,
}

impl Default for PanelState {
    /// Sections used for every frame are open; the others show their settings in their head.
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
    pub fn is_open(&self, section: Section) -> bool {
        !self.folded.contains(&section)
    }

    pub fn toggle(&mut self, section: Section) {
        if !self.folded.remove(&section) {
            self.folded.insert(section);
        }
    }
}
