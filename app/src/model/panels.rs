//! State of the settings pane and of the export pane: the open section and choices that the session does not hold.

use glassine_engine::SheetLayout;
use glassine_film::ParamGroup;

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

    /// What the section is for, in a few words.
    pub fn purpose(self) -> &'static str {
        match self {
            Self::Film => "what the strip shares",
            Self::Exposure => "light and contrast",
            Self::Colour => "balance and strength of colours",
            Self::Clean => "dust and scratches",
            Self::Sharpen => "sharpness and halos",
            Self::Output => "what the files are like",
        }
    }

    /// The settings of a frame that it shows.
    pub fn group(self) -> Option<ParamGroup> {
        match self {
            Self::Exposure => Some(ParamGroup::Exposure),
            Self::Colour => Some(ParamGroup::Colour),
            Self::Clean => Some(ParamGroup::Clean),
            Self::Sharpen => Some(ParamGroup::Sharpen),
            Self::Film | Self::Output => None,
        }
    }

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
    /// The section beside the rail; `None` leaves its room to the picture.
    pub open: Option<Section>,
    /// The open section takes the keyboard when it is drawn next.
    pub focus_title: bool,
    /// Whether the balance of single tone bands is shown.
    pub show_bands: bool,
    /// Whether an export may replace existing files.
    pub replace_existing: bool,
    /// Whether only the selected frames are exported.
    pub export_selected_only: bool,
    /// Whether an export leaves what would be the same again, and replaces what has changed.
    pub update_existing: bool,
    /// Whether a contact sheet is written beside the pictures.
    pub export_sheet: bool,
    /// Its paper, and what is on it.
    pub sheet_layout: SheetLayout,
    /// Name of the recipe that the export pane changes.
    pub export_recipe: String,
}

impl Default for PanelState {
    fn default() -> Self {
        Self {
            open: Some(Section::Exposure),
            focus_title: false,
            show_bands: false,
            replace_existing: false,
            export_selected_only: false,
            update_existing: false,
            export_sheet: false,
            sheet_layout: SheetLayout::default(),
            export_recipe: String::new(),
        }
    }
}

impl PanelState {
    pub fn is_open(&self, section: Section) -> bool {
        self.open == Some(section)
    }

    /// Opens a section in place of the other, or closes it if it is open.
    pub fn toggle(&mut self, section: Section) {
        self.open = (!self.is_open(section)).then_some(section);
    }
}
