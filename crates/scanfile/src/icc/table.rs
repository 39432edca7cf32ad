//! A table from red, green and blue to red, green, blue and a fourth value, for colours of many pixels.
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "places in a small table and codes of 8 bits, computed here for each pixel; nothing comes from a file"
)]

use rayon::prelude::*;

use super::parse::ProfileError;

/// Values at the nodes of a table: red, green, blue and whatever else belongs to a colour.
pub type Node = [f32; 4];

/// Pixels of one piece of work: about a millisecond.
const PIECE_PX: usize = 65_536;

/// Values on a grid of evenly spaced colours; between its nodes four of them are weighted (tetrahedra).
#[derive(Clone, PartialEq)]
pub struct ColourTable {
    side: usize,
    nodes: Vec<Node>,
}

impl std::fmt::Debug for ColourTable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ColourTable").field("side", &self.side).finish_non_exhaustive()
    }
}

impl ColourTable {
    /// A table with `side` nodes for each channel, at least 2. `make` gets the red, green and blue of every node, one
    /// after the other, and returns one value for each node.
    pub fn build(
        side: usize,
        make: impl FnOnce(&[f64]) -> Result<Vec<Node>, ProfileError>,
    ) -> Result<Self, ProfileError> {
        let side = side.max(2);
        let step = |i: usize| i as f64 / (side - 1) as f64;
        let colours: Vec<f64> = (0..side * side * side)
            .flat_map(|i| [step(i / side / side), step(i / side % side), step(i % side)])
            .collect();
        let nodes = make(&colours)?;
        if nodes.len() != side * side * side {
            return Err(ProfileError::Damaged { found: "too few colours".into() });
        }
        Ok(Self { side, nodes })
    }

    /// The value of a colour; channels beyond 0 to 1 count as 0 or 1.
    #[inline]
    pub fn at(&self, rgb: [f32; 3]) -> Node {
        let last = (self.side - 1) as f32;
        self.between(rgb.map(|value| cell_of(value.clamp(0.0, 1.0) * last, self.side)))
    }

    /// The value at a place within the cell that begins at a node.
    #[inline]
    fn between(&self, [(red, x), (green, y), (blue, z)]: [(usize, f32); 3]) -> Node {
        let (r, g, b) = (self.side * self.side, self.side, 1);
        let (first, second, weights) = match (x >= y, y >= z, x >= z) {
            (true, true, _) => (r, r + g, [x, y, z]),
            (true, false, true) => (r, r + b, [x, z, y]),
            (true, false, false) => (b, b + r, [z, x, y]),
            (false, false, _) => (b, b + g, [z, y, x]),
            (false, true, false) => (g, g + b, [y, z, x]),
            (false, true, true) => (g, g + r, [y, x, z]),
        };
        let from = red * r + green * g + blue;
        let corner = |step: usize| self.nodes.get(from + step).copied().unwrap_or_default();
        let (near, one, two, far) = (corner(0), corner(first), corner(second), corner(r + g + b));
        let [a, b, c] = weights;
        std::array::from_fn(|i| near[i] * (1.0 - a) + one[i] * (a - b) + two[i] * (b - c) + far[i] * c)
    }

    /// Pixels of red, green, blue and alpha, each replaced by its colour in the table; alpha stays.
    pub fn convert_rgba8(&self, rgba: &[u8]) -> Vec<u8> {
        let last = (self.side - 1) as f32;
        let cells: Vec<(usize, f32)> =
            (0..=u8::MAX).map(|code| cell_of(f32::from(code) / 255.0 * last, self.side)).collect();
        let mut out = vec![0; rgba.len()];
        out.par_chunks_mut(4 * PIECE_PX).zip(rgba.par_chunks(4 * PIECE_PX)).for_each(|(out, rgba)| {
            let (mut known, mut value) = ([0; 3], self.at([0.0; 3]));
            for (out, px) in out.chunks_exact_mut(4).zip(rgba.chunks_exact(4)) {
                let codes = [px[0], px[1], px[2]];
                if codes != known {
                    known = codes;
                    value = self.between(codes.map(|code| cells[usize::from(code)]));
                }
                for (out, value) in out.iter_mut().zip(&value[..3]) {
                    // A cast saturates.
                    *out = (value * 255.0 + 0.5) as u8;
                }
                out[3] = px[3];
            }
        });
        out
    }
}

/// First node of the cell of a position along one axis, and the way into the cell, 0 to 1.
#[inline]
fn cell_of(at: f32, side: usize) -> (usize, f32) {
    let node = (at as usize).min(side - 2);
    (node, at - node as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(side: usize, value: impl Fn(&[f64]) -> Node) -> ColourTable {
        ColourTable::build(side, |colours| Ok(colours.chunks_exact(3).map(value).collect()))
            .expect("it is built")
    }

    #[test]
    fn a_linear_table_is_exact_in_every_tetrahedron() {
        let mixed = |r: f64, g: f64, b: f64| [0.2 * r + 0.7 * g, g - 0.5 * b, 0.3 * b + 0.1 * r, r + g + b];
        let table = table(5, |c| mixed(c[0], c[1], c[2]).map(|v| v as f32));
        for i in 0..1331_u32 {
            let [r, g, b] = [i % 11, i / 11 % 11, i / 121].map(|v| f64::from(v) / 10.0);
            let found = table.at([r as f32, g as f32, b as f32]);
            for (found, wanted) in found.iter().zip(mixed(r, g, b)) {
                assert!((f64::from(*found) - wanted).abs() < 1e-5, "{r} {g} {b}: {found} {wanted}");
            }
        }
    }

    #[test]
    fn a_table_of_the_colours_themselves_changes_no_code_and_keeps_alpha() {
        let same = table(33, |c| [c[0] as f32, c[1] as f32, c[2] as f32, 0.0]);
        let pixels: Vec<u8> = (0..400_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        assert_eq!(same.convert_rgba8(&pixels), pixels);
        let swapped = table(9, |c| [c[2] as f32, c[1] as f32, 1.0 - c[0] as f32, 0.0]);
        assert_eq!(swapped.convert_rgba8(&[10, 20, 250, 77]), [250, 20, 245, 77]);
    }
}
