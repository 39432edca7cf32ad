//! What the program doubts about a frame, and what the user wants done with it.

/// Something about a frame that the user should check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FrameFlag {
    /// Placed from the pitch and its neighbours, without a visible edge.
    Inferred,
    /// Found, but an edge is uncertain.
    LowConfidence,
    /// Cut by the end of the film.
    Partial,
    /// Nothing on it.
    Blank,
    /// Overlaps a neighbour.
    Overlap,
}

impl FrameFlag {
    const ALL: [Self; 5] = [Self::Inferred, Self::LowConfidence, Self::Partial, Self::Blank, Self::Overlap];

    /// Name in files and `--json` output.
    pub fn key(self) -> &'static str {
        match self {
            Self::Inferred => "inferred",
            Self::LowConfidence => "low-confidence",
            Self::Partial => "partial",
            Self::Blank => "blank",
            Self::Overlap => "overlap",
        }
    }

    /// The flag a file names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|flag| flag.key() == key)
    }
}

/// The user's choice about a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub enum FrameMark {
    /// None yet: it is exported.
    #[default]
    Unmarked,
    /// Chosen.
    Keep,
    /// To be decided later; it is exported.
    LookAgain,
    /// Not exported.
    LeaveOut,
}

impl FrameMark {
    /// Every mark, in display order.
    pub const ALL: [Self; 4] = [Self::Unmarked, Self::Keep, Self::LookAgain, Self::LeaveOut];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Unmarked => "unmarked",
            Self::Keep => "keep",
            Self::LookAgain => "look-again",
            Self::LeaveOut => "leave-out",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Unmarked => "no mark",
            Self::Keep => "keep",
            Self::LookAgain => "look again",
            Self::LeaveOut => "leave out",
        }
    }

    /// The mark a file names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|mark| mark.key() == key)
    }
}
