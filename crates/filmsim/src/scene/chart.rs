//! A colour chart of our own: eighteen colours, six greys, and a stepped grey wedge on a mid-grey card.

use super::Picture;

/// Linear RGB (sRGB primaries, D65 white) of the patches, four rows of six. Invented.
const COLOURS: [[f32; 3]; 24] = [
    [0.165, 0.080, 0.055],
    [0.560, 0.300, 0.215],
    [0.120, 0.195, 0.330],
    [0.105, 0.150, 0.050],
    [0.235, 0.215, 0.430],
    [0.130, 0.500, 0.400],
    [0.680, 0.200, 0.030],
    [0.070, 0.105, 0.370],
    [0.530, 0.085, 0.115],
    [0.110, 0.045, 0.140],
    [0.340, 0.500, 0.060],
    [0.750, 0.360, 0.030],
    [0.030, 0.045, 0.280],
    [0.070, 0.290, 0.070],
    [0.430, 0.035, 0.040],
    [0.800, 0.570, 0.020],
    [0.480, 0.090, 0.300],
    [0.040, 0.235, 0.370],
    [0.900, 0.900, 0.890],
    [0.590, 0.590, 0.590],
    [0.360, 0.362, 0.360],
    [0.190, 0.192, 0.192],
    [0.090, 0.090, 0.091],
    [0.032, 0.032, 0.033],
];

/// Steps of the wedge under the chart: reflectance factors, a third of a stop to two thirds apart.
const WEDGE: [f32; 12] = [0.9, 0.63, 0.45, 0.32, 0.22, 0.16, 0.112, 0.08, 0.056, 0.04, 0.028, 0.02];

/// A patch in the unit square of the upright picture.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Patch {
    pub(crate) center: [f64; 2],
    /// Half side of the safe square, in units of the picture's width.
    pub(crate) half_side: f64,
    pub(crate) rgb: [f32; 3],
    pub(crate) lab_d50: [f64; 3],
}

/// Columns and rows of the chart for a picture of this aspect (width / height): tall pictures get a tall chart.
fn grid(aspect: f64) -> (usize, usize) {
    if aspect < 1.0 { (4, 6) } else { (6, 4) }
}

/// Side of a patch cell in units of the picture's width.
fn cell_side(aspect: f64) -> f64 {
    let (cols, rows) = grid(aspect);
    (0.80 / cols as f64).min(0.68 / aspect / rows as f64)
}

/// All patches: the chart row by row, then the wedge.
pub(crate) fn patches(aspect: f64) -> Vec<Patch> {
    let (cols, rows) = grid(aspect);
    let side = cell_side(aspect);
    let (left, top) = (0.5 - side * cols as f64 / 2.0, 0.08);
    let mut all: Vec<Patch> = (0..24)
        .map(|i| {
            // A tall chart is the wide one turned, so that neutrals stay in one line.
            let (col, row) = if cols == 4 { (3 - i / 6, i % 6) } else { (i % 6, i / 6) };
            let rgb = COLOURS[i];
            Patch {
                center: [left + side * (col as f64 + 0.5), top + side * aspect * (row as f64 + 0.5)],
                half_side: side * 0.34,
                rgb,
                lab_d50: lab_d50(rgb),
            }
        })
        .collect();
    let wedge_top = top + side * aspect * rows as f64 + 0.045;
    let step = 0.84 / WEDGE.len() as f64;
    all.extend(WEDGE.iter().enumerate().map(|(i, grey)| Patch {
        center: [0.08 + step * (i as f64 + 0.5), wedge_top + 0.5 * wedge_height(aspect)],
        half_side: step * 0.32,
        rgb: [*grey; 3],
        lab_d50: lab_d50([*grey; 3]),
    }));
    all
}

fn wedge_height(aspect: f64) -> f64 {
    0.11 * aspect.clamp(0.7, 1.0)
}

/// Draw the chart on its card.
pub(crate) fn draw(width: u32, height: u32) -> Picture {
    let aspect = f64::from(width) / f64::from(height);
    let side = cell_side(aspect);
    let all = patches(aspect);
    let step = 0.84 / WEDGE.len() as f64;
    Picture::from_fn(width, height, |x, y| {
        let (u, v) = ((f64::from(x) + 0.5) / f64::from(width), (f64::from(y) + 0.5) / f64::from(height));
        let mut rgb = [0.18f32; 3];
        for (i, patch) in all.iter().enumerate() {
            let (half_w, half_h) = if i < 24 {
                (side * 0.44, side * 0.44 * aspect)
            } else {
                (step / 2.0, wedge_height(aspect) / 2.0)
            };
            if (u - patch.center[0]).abs() <= half_w && (v - patch.center[1]).abs() <= half_h {
                rgb = patch.rgb;
            } else if i < 24
                && (u - patch.center[0]).abs() <= side * 0.5
                && (v - patch.center[1]).abs() <= side * 0.5 * aspect
            {
                rgb = [0.04; 3];
            }
        }
        rgb
    })
}

/// CIE Lab under D50 of a linear sRGB colour.
///
/// XYZ from the sRGB matrix already adapted to D50 (Bradford), as published with the sRGB profile of ICC.1-based
/// workflows (four digits, from memory); Lab by CIE 15 with white .9642 1 .8249.
pub(crate) fn lab_d50(rgb: [f32; 3]) -> [f64; 3] {
    const M: [[f64; 3]; 3] = [[0.4360, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]];
    let white = [0.9642, 1.0, 0.8249];
    let f: [f64; 3] = std::array::from_fn(|i| {
        let xyz: f64 = (0..3).map(|k| M[i][k] * f64::from(rgb[k])).sum();
        let t = xyz / white[i];
        if t > 216.0 / 24_389.0 { t.cbrt() } else { (24_389.0 / 27.0 * t + 16.0) / 116.0 }
    });
    [116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grey_of_18_per_cent_has_its_known_lightness() {
        let [l, a, b] = lab_d50([0.18; 3]);
        // Reflectance 18 %: L* = 49.4961 (computed from CIE 15).
        assert!((l - 49.4961).abs() < 0.03 && a.abs() < 0.1 && b.abs() < 0.1, "{l} {a} {b}");
    }

    #[test]
    fn patches_stay_on_the_card_and_show_their_colour() {
        for (w, h) in [(300u32, 400u32), (450, 300)] {
            let picture = draw(w, h);
            for patch in patches(f64::from(w) / f64::from(h)) {
                assert!(patch.center.iter().all(|c| (0.03..0.97).contains(c)), "{patch:?}");
                let (x, y) =
                    ((patch.center[0] * f64::from(w)) as u32, (patch.center[1] * f64::from(h)) as u32);
                assert_eq!(picture.at(x, y), patch.rgb);
            }
        }
    }
}
