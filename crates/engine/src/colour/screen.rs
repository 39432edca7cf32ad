//! From sRGB codes to the codes of a screen.

use glassine_film::OutputSpace;
use glassine_film::colour::{Lab, delta_e_2000};
use glassine_scanfile::icc::{ColourTable, DeviceProfile, Intent, LabD50, Node, ProfileError, scaled_black};

use super::profiles::output_profile;

/// Nodes along each side of the table of a screen. Our choice: with 33, codes near black of a screen with a pure power
/// are off by up to a code of 8 bits.
pub const SCREEN_TABLE_SIDE: usize = 65;
/// A screen that differs from sRGB by no more than this shows sRGB codes as they are, CIEDE2000.
const SAME_DE: f64 = 0.3;
/// Nodes along each side when a screen is compared with sRGB: 0, 16, 32, … 240, 255 of an 8-bit code.
const COMPARED_SIDE: usize = 17;

/// The table from sRGB codes to those of a screen, relative colorimetric with black point compensation; `None` if the
/// screen shows sRGB within 0.3 CIEDE2000.
pub fn screen_table(screen: &DeviceProfile) -> Result<Option<ColourTable>, ProfileError> {
    let srgb = DeviceProfile::parse(&output_profile(OutputSpace::Srgb, false))?;
    let mut largest_de: f64 = 0.0;
    ColourTable::build(COMPARED_SIDE, |colours| {
        let intent = Intent::RelativeColorimetric;
        let (wanted, shown) = (srgb.to_lab(intent, colours)?, screen.to_lab(intent, colours)?);
        largest_de = wanted.iter().zip(&shown).map(|(a, b)| difference(*a, *b)).fold(0.0, f64::max);
        Ok(vec![Node::default(); wanted.len()])
    })?;
    if largest_de <= SAME_DE {
        return Ok(None);
    }
    let black_y = screen.black_y()?;
    ColourTable::build(SCREEN_TABLE_SIDE, |colours| {
        let labs = srgb.to_lab(Intent::RelativeColorimetric, colours)?;
        let labs: Vec<LabD50> = labs.into_iter().map(|lab| scaled_black(lab, 0.0, black_y)).collect();
        Ok(nodes(&screen.from_lab(Intent::RelativeColorimetric, &labs)?))
    })
    .map(Some)
}

/// Nodes with these red, green and blue, and a fourth value of 0.
pub(super) fn nodes(rgb: &[f64]) -> Vec<Node> {
    rgb.chunks_exact(3).map(|c| [c[0] as f32, c[1] as f32, c[2] as f32, 0.0]).collect()
}

/// CIEDE2000.
pub(super) fn difference([l, a, b]: LabD50, other: LabD50) -> f64 {
    delta_e_2000(Lab { l, a, b }, Lab { l: other[0], a: other[1], b: other[2] })
}
