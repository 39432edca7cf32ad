//! What the code along the edge of a strip says.

use glassine_raster::{Point, Scan};

/// What the codes along the edge of a strip say together.
#[derive(Debug, Clone, PartialEq)]
pub struct StripCode {
    /// Product and specifier numbers of the film.
    pub film_code: [u8; 2],
    /// Whether the scan shows the film from its wrong side.
    pub is_mirrored: bool,
    /// Whether the lying strip is upside down, after mirroring if it is mirrored.
    pub is_turned: bool,
    /// Confidence, 0 to 1.
    pub confidence: f64,
    /// The codes that agree, along the strip.
    pub codes: Vec<ReadCode>,
}

impl StripCode {
    /// How the strip lies on the scan, if not as it is to be viewed.
    pub fn advice(&self) -> Option<&'static str> {
        match (self.is_mirrored, self.is_turned) {
            (false, false) => None,
            (true, false) => {
                Some("the code on the film's edge says that this strip was scanned from its other side")
            }
            (false, true) => Some("the code on the film's edge says that this strip lies upside down"),
            (true, true) => Some(
                "the code on the film's edge says that this strip lies upside down, scanned from its other side",
            ),
        }
    }
}

/// One code on the film's edge.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadCode {
    /// Number on the film; `None` on film whose codes have none.
    pub number: Option<FilmNumber>,
    /// Middle of the code, scan pixels.
    pub center: Point<Scan>,
}

/// A frame number exposed on the film: `12`, or `12A` for the second half of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FilmNumber {
    pub number: u8,
    pub is_half: bool,
}

impl FilmNumber {
    /// The number with at least `digits` digits.
    pub fn text(self, digits: u8) -> String {
        let width = usize::from(digits);
        format!("{:0width$}{}", self.number, if self.is_half { "A" } else { "" })
    }

    /// The number that a text such as `12A` stands for.
    pub fn from_text(text: &str) -> Option<Self> {
        let text = text.trim();
        let number = text.trim_end_matches(['A', 'a']);
        let is_half = text.len() - number.len() == 1;
        let is_sound = is_half || text.len() == number.len();
        number.parse().ok().filter(|_| is_sound).map(|number| Self { number, is_half })
    }
}
