//! Edge print: names and numbers that the maker exposes on the film, as small round-cornered dot-matrix letters.

/// One piece of edge print, in film millimetres (origin at the middle of the film).
#[derive(Debug, Clone)]
pub(crate) struct Lettering {
    pub(crate) text: Vec<u8>,
    /// Left edge along the film, mm.
    pub(crate) along_mm: f64,
    /// Middle of the letters across the film, mm.
    pub(crate) across_mm: f64,
    /// Height of a capital, mm.
    pub(crate) height_mm: f64,
}

/// Rows of 5 dots, top first, for the letters used in edge print.
fn glyph(letter: u8) -> [u8; 7] {
    match letter {
        b'0' => [14, 17, 19, 21, 25, 17, 14],
        b'1' => [4, 12, 4, 4, 4, 4, 14],
        b'2' => [14, 17, 1, 6, 8, 16, 31],
        b'3' => [30, 1, 1, 14, 1, 1, 30],
        b'4' => [2, 6, 10, 18, 31, 2, 2],
        b'5' => [31, 16, 30, 1, 1, 17, 14],
        b'6' => [6, 8, 16, 30, 17, 17, 14],
        b'7' => [31, 1, 2, 4, 8, 8, 8],
        b'8' => [14, 17, 17, 14, 17, 17, 14],
        b'9' => [14, 17, 17, 15, 1, 2, 12],
        b'A' => [14, 17, 17, 31, 17, 17, 17],
        b'D' => [30, 17, 17, 17, 17, 17, 30],
        b'E' => [31, 16, 16, 30, 16, 16, 31],
        b'F' => [31, 16, 16, 30, 16, 16, 16],
        b'H' => [17, 17, 17, 31, 17, 17, 17],
        b'I' => [14, 4, 4, 4, 4, 4, 14],
        b'L' => [16, 16, 16, 16, 16, 16, 31],
        b'M' => [17, 27, 21, 21, 17, 17, 17],
        b'N' => [17, 25, 21, 19, 17, 17, 17],
        b'O' => [14, 17, 17, 17, 17, 17, 14],
        b'R' => [30, 17, 17, 30, 20, 18, 17],
        b'S' => [15, 16, 16, 14, 1, 1, 30],
        b'T' => [31, 4, 4, 4, 4, 4, 4],
        b'>' => [16, 24, 28, 30, 28, 24, 16],
        b'|' => [21, 21, 21, 21, 21, 21, 21],
        _ => [0; 7],
    }
}

/// Letters that have a shape.
pub(crate) const LETTERS: &str = "0123456789ADEFHILMNORST>|";

/// Whether a letter can be printed; a space is printed as a gap.
pub(crate) fn has_glyph(letter: char) -> bool {
    letter == ' ' || LETTERS.contains(letter)
}

/// Width of one letter with its gap, as a fraction of its height.
const ADVANCE: f64 = 0.86;

impl Lettering {
    pub(crate) fn new(text: &str, along_mm: f64, across_mm: f64, height_mm: f64) -> Self {
        Self { text: text.bytes().collect(), along_mm, across_mm, height_mm }
    }

    /// Length along the film, mm.
    pub(crate) fn length_mm(&self) -> f64 {
        self.text.len() as f64 * ADVANCE * self.height_mm
    }

    /// Light that reached the film at a point, 0..1.
    pub(crate) fn light(&self, along_mm: f64, across_mm: f64) -> f32 {
        let (du, dv) = (
            (along_mm - self.along_mm) / self.height_mm,
            (across_mm - self.across_mm) / self.height_mm + 0.5,
        );
        if !(0.0..1.0).contains(&dv) || du < 0.0 {
            return 0.0;
        }
        let place = (du / ADVANCE) as usize;
        let Some(letter) = self.text.get(place) else { return 0.0 };
        let rows = glyph(*letter);
        // Dot coordinates inside the 5 x 7 field; one dot is 1/7 of the height.
        let (x, y) = ((du - place as f64 * ADVANCE) * 7.0 - 0.5, dv * 7.0 - 0.5);
        let dot = |cx: i32, cy: i32| -> f64 {
            let inside = (0..5).contains(&cx) && (0..7).contains(&cy);
            if inside && rows[cy as usize] >> (4 - cx) & 1 == 1 { 1.0 } else { 0.0 }
        };
        let (ix, iy) = (x.floor() as i32, y.floor() as i32);
        let (fx, fy) = (x - x.floor(), y - y.floor());
        let top = dot(ix, iy) * (1.0 - fx) + dot(ix + 1, iy) * fx;
        let bottom = dot(ix, iy + 1) * (1.0 - fx) + dot(ix + 1, iy + 1) * fx;
        // Bilinear dots with raised contrast: round strokes with soft edges.
        (((top * (1.0 - fy) + bottom * fy) - 0.3) / 0.4).clamp(0.0, 1.0) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_expose_only_their_own_field() {
        let print = Lettering::new("H", 10.0, 0.0, 1.4);
        // The cross bar of an H passes through its middle.
        assert!(print.light(10.5, 0.0) > 0.9);
        assert!(
            print.light(10.5, 0.9) == 0.0 && print.light(9.9, 0.0) == 0.0 && print.light(12.0, 0.0) == 0.0
        );
    }
}
