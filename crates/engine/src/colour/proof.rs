//! What an exported file, or a print of it, will look like on a screen.

use std::sync::Arc;

use glassine_film::OutputSpace;
use glassine_film::colour::{decode, delta_e_2000, lab_from_xyz_d50};
use glassine_film::matrix::{IDENTITY, Matrix3, apply, invert, multiply};
use glassine_scanfile::icc::{
    ColourTable, DeviceProfile, Intent, LabD50, Node, ProfileError, on_paper, scaled_black,
};

use super::printer::wanted;
use super::profiles::output_profile;
use super::screen::{difference, nodes};

/// Nodes along each side of the table of a proof. Our choice: about as many as the tables of printers have.
const SIDE: usize = 33;
/// Colours that come out further than this from what was wanted are out of gamut, CIEDE2000. Our choice: less is hardly
/// seen in a picture, and the tables of printers are not much more exact.
pub(super) const OUT_OF_GAMUT_DE: f64 = 2.0;
/// Nodes along each side of the table that finds colours out of gamut, whose edge is sharper than a proof shows.
const MARKS_SIDE: usize = 65;

/// What is proofed.
#[derive(Debug, Clone)]
pub enum ProofTarget {
    /// A file in a colour space.
    Space(OutputSpace),
    /// A print of the exported file.
    Printer(Arc<DeviceProfile>),
}

/// How it is proofed.
#[derive(Debug, Clone)]
pub struct ProofSettings {
    pub target: ProofTarget,
    /// How the file is printed; nothing else has a choice.
    pub intent: Intent,
    /// Whether the screen shows the white of the paper and the black of the ink, instead of its own.
    pub shows_paper: bool,
    /// Whether colours out of gamut are marked.
    pub marks: bool,
}

/// How a picture is shown as a proof.
#[derive(Debug, PartialEq)]
pub struct Proof {
    /// The space in which the picture is made.
    pub(crate) space: OutputSpace,
    /// From that space to the screen.
    pub(crate) table: ColourTable,
    pub(crate) marks: Option<GamutMarks>,
}

/// How colours out of gamut are found.
#[derive(Debug, PartialEq)]
pub(crate) enum GamutMarks {
    /// In the picture made in the widest space: what the space of the file cannot hold.
    Space(SpaceLimits),
    /// In the picture of the file: the fourth value of a colour is how far it is printed from what was wanted,
    /// CIEDE2000.
    Print(ColourTable),
}

impl GamutMarks {
    /// The space in which the picture is searched, if not the one it is made in.
    pub(crate) fn space(&self) -> Option<OutputSpace> {
        match self {
            Self::Space(_) => Some(WIDEST),
            Self::Print(_) => None,
        }
    }

    /// Whether a colour is out of gamut.
    pub(crate) fn is_out(&self, rgb: [f32; 3]) -> bool {
        match self {
            Self::Space(limits) => limits.moved_de(rgb) > OUT_OF_GAMUT_DE,
            Self::Print(table) => f64::from(table.at(rgb)[3]) > OUT_OF_GAMUT_DE,
        }
    }
}

/// The widest space that pictures are made in.
const WIDEST: OutputSpace = OutputSpace::RommRgb;

/// The edges of a colour space, seen from the widest one.
#[derive(Debug, PartialEq)]
pub(crate) struct SpaceLimits {
    /// Light of a code of 16 bits in the widest space.
    light: Vec<f64>,
    /// Light of the widest space to that of the narrower one, and back.
    there: Matrix3,
    back: Matrix3,
}

impl SpaceLimits {
    fn new(space: OutputSpace) -> Self {
        let light =
            (0..=u16::MAX).map(|code| decode(WIDEST.transfer(), f64::from(code) / 65_535.0)).collect();
        let from_xyz = invert(&space.to_xyz_d50()).unwrap_or(IDENTITY);
        let there = multiply(&from_xyz, &WIDEST.to_xyz_d50());
        Self { light, there, back: invert(&there).unwrap_or(IDENTITY) }
    }

    /// How far a colour moves when each channel is held between black and white, CIEDE2000.
    fn moved_de(&self, rgb: [f32; 3]) -> f64 {
        let light = rgb.map(|value| {
            // A cast saturates: what is beyond white is clipped, not out of gamut.
            let code = (value * 65_535.0 + 0.5) as u16;
            self.light.get(usize::from(code)).copied().unwrap_or_default()
        });
        let there = apply(&self.there, light);
        if there.iter().all(|value| (0.0..=1.0).contains(value)) {
            return 0.0;
        }
        let held = apply(&self.back, there.map(|value| value.clamp(0.0, 1.0)));
        let lab = |light| lab_from_xyz_d50(apply(&WIDEST.to_xyz_d50(), light));
        delta_e_2000(lab(light), lab(held))
    }
}

impl Proof {
    /// A proof on a screen. `file` is the space of the exported file that is printed.
    pub fn new(
        settings: &ProofSettings,
        file: OutputSpace,
        screen: &DeviceProfile,
    ) -> Result<Self, ProfileError> {
        match &settings.target {
            ProofTarget::Space(space) => Self::of_file(*space, settings.marks, screen),
            ProofTarget::Printer(printer) => Self::of_print(printer, settings, file, screen),
        }
    }

    /// The picture is made in the space itself, so strong colours are reduced as in the file.
    fn of_file(space: OutputSpace, marks: bool, screen: &DeviceProfile) -> Result<Self, ProfileError> {
        let space = curved(space);
        let file = DeviceProfile::parse(&output_profile(space, false))?;
        let screen_black = screen.black_y()?;
        let table = ColourTable::build(SIDE, |colours| {
            let labs = file.to_lab(Intent::RelativeColorimetric, colours)?;
            shown(screen, labs.into_iter().map(|lab| scaled_black(lab, 0.0, screen_black)).collect())
        })?;
        let marks = marks.then(|| GamutMarks::Space(SpaceLimits::new(space)));
        Ok(Self { space, table, marks })
    }

    fn of_print(
        printer: &DeviceProfile,
        settings: &ProofSettings,
        file: OutputSpace,
        screen: &DeviceProfile,
    ) -> Result<Self, ProfileError> {
        let space = curved(file);
        let source = DeviceProfile::parse(&output_profile(space, false))?;
        let colorimetric = Intent::RelativeColorimetric;
        let (ink_black, screen_black) = (printer.black_y()?, screen.black_y()?);
        let table = ColourTable::build(SIDE, |colours| {
            let wanted = wanted(&source, printer, settings.intent, colours)?;
            let printed = printer.to_lab(colorimetric, &printer.from_lab(settings.intent, &wanted)?)?;
            let paper = printer.paper_white_xyz();
            let seen = printed.into_iter().map(|lab| match settings.shows_paper {
                true => on_paper(lab, paper),
                false => scaled_black(lab, ink_black, screen_black),
            });
            shown(screen, seen.collect())
        })?;
        let marks = settings.marks.then(|| {
            let table = ColourTable::build(MARKS_SIDE, |colours| {
                let wanted = wanted(&source, printer, colorimetric, colours)?;
                let printed = printer.to_lab(colorimetric, &printer.from_lab(colorimetric, &wanted)?)?;
                Ok(distances(&wanted, &printed))
            })?;
            Ok(GamutMarks::Print(table))
        });
        Ok(Self { space, table, marks: marks.transpose()? })
    }

    /// The space in which the picture is made.
    pub fn space(&self) -> OutputSpace {
        self.space
    }

    /// The codes of the screen for a colour in that space.
    pub fn shown(&self, rgb: [f32; 3]) -> [f32; 3] {
        let [r, g, b, _] = self.table.at(rgb);
        [r, g, b]
    }
}

/// A table needs evenly seen steps, so linear files are proofed through the space with the same primaries.
pub(super) fn curved(space: OutputSpace) -> OutputSpace {
    if space == OutputSpace::LinearSrgb { OutputSpace::Srgb } else { space }
}

fn shown(screen: &DeviceProfile, labs: Vec<LabD50>) -> Result<Vec<Node>, ProfileError> {
    Ok(nodes(&screen.from_lab(Intent::RelativeColorimetric, &labs)?))
}

fn distances(wanted: &[LabD50], made: &[LabD50]) -> Vec<Node> {
    wanted.iter().zip(made).map(|(wanted, made)| [0.0, 0.0, 0.0, difference(*wanted, *made) as f32]).collect()
}
