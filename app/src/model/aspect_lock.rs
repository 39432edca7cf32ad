//! Proportion that boxes keep while the user sizes them.

use glassine_raster::TiltedBox;
use glassine_session::Strip;

/// Proportion that boxes keep while the user sizes them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum AspectLock {
    #[default]
    Free,
    /// The proportion of the strip's format.
    Format,
    /// A paper or screen proportion, long to short; it follows the box's own longer side.
    Print(u16, u16),
}

impl AspectLock {
    /// Every choice, in the order shown.
    pub const ALL: [Self; 8] = [
        Self::Free,
        Self::Format,
        Self::Print(1, 1),
        Self::Print(5, 4),
        Self::Print(4, 3),
        Self::Print(7, 5),
        Self::Print(3, 2),
        Self::Print(16, 9),
    ];

    /// Name shown.
    pub fn label(self) -> String {
        match self {
            Self::Free => "any shape".to_owned(),
            Self::Format => "film format".to_owned(),
            Self::Print(long, short) => format!("{long} : {short}"),
        }
    }

    /// Width divided by height that it requires of a box; it follows the box's own longer side.
    pub(crate) fn ratio(self, shape: &TiltedBox, strip: Option<&Strip>) -> Option<f64> {
        let long = match self {
            Self::Free => return None,
            Self::Format => glassine_layout::format_of(strip?.format_id.as_deref()?)?.aspect(),
            Self::Print(long, short) => f64::from(long) / f64::from(short.max(1)),
        };
        let long = if long < 1.0 { 1.0 / long } else { long };
        Some(if shape.width_px >= shape.height_px { long } else { 1.0 / long })
    }
}
