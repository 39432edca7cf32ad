//! From pictures to the values of a printer, and what the printer cannot show of them.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Arc, OnceLock};

use glassine_film::OutputSpace;
use glassine_film::colour::{Transfer, encode};
use glassine_scanfile::icc::{ColourTable, DeviceProfile, Intent, LabD50, ProfileError, scaled_black};
use glassine_session::{PrintIntent, Printer};

use super::profiles::{output_profile, read_profile};
use super::proof::{OUT_OF_GAMUT_DE, curved};
use super::screen::{SCREEN_TABLE_SIDE, difference};
use crate::error::{EngineError, Notice, Severity};

/// A printer of an export: its profile, read and found to be usable.
#[derive(Debug)]
pub(crate) struct PrinterInUse {
    pub(crate) profile: Arc<[u8]>,
    /// BLAKE3 of the profile, hexadecimal.
    pub(crate) digest: String,
    pub(crate) converts: bool,
    device: DeviceProfile,
    intent: Intent,
    /// Space of the pictures.
    space: OutputSpace,
    table: OnceLock<Result<ColourTable, ProfileError>>,
}

impl PrinterInUse {
    /// Read the profile of a printer for pictures of a space; relative paths begin at `folder`.
    pub(crate) fn read(
        printer: &Printer,
        space: OutputSpace,
        folder: Option<&Path>,
    ) -> Result<Self, EngineError> {
        let path = glassine_session::file::resolve_path(&printer.profile, folder);
        let wrong = |what: String, what_to_do: &str| {
            EngineError::Permanent(Notice::new(Severity::Error, what, what_to_do).about(&path))
        };
        let unread = |error: std::io::Error| {
            let what = format!("the printer profile can't be read: {error}");
            wrong(what, "nothing was written; put the profile back, or choose another one in the recipe")
        };
        let other = "nothing was written; choose the ICC profile of a printer in the recipe";
        let profile: Arc<[u8]> = read_profile(&path)
            .map_err(unread)?
            .ok_or_else(|| wrong("this is not a printer profile".to_owned(), other))?
            .into();
        // A fault of the library that reads it must not end the program.
        let device = catch_unwind(AssertUnwindSafe(|| DeviceProfile::parse(&profile)))
            .map_err(|_fault| wrong("the printer profile can't be used".to_owned(), other))?
            .map_err(|error| wrong(error.to_string(), other))?;
        if printer.converts && device.channels() != 3 {
            return Err(wrong(
                format!(
                    "“{}” prints from four inks; files for it can be proofed, but not converted",
                    device.name()
                ),
                "nothing was written; set the printer of the recipe to proof only, or choose a profile for red, green \
                 and blue",
            ));
        }
        let intent = match printer.intent {
            PrintIntent::RelativeColorimetric => Intent::RelativeColorimetric,
            PrintIntent::Perceptual => Intent::Perceptual,
            PrintIntent::Saturation => Intent::Saturation,
        };
        let digest = blake3::hash(&profile).to_hex().to_string();
        let converts = printer.converts;
        Ok(Self { profile, digest, converts, device, intent, space, table: OnceLock::new() })
    }

    /// What the profile calls its printer.
    pub(crate) fn name(&self) -> &str {
        self.device.name()
    }

    /// The way from encoded values of the pictures; made once.
    pub(crate) fn values(&self) -> Result<PrinterValues<'_>, EngineError> {
        let table = self.table.get_or_init(|| {
            catch_unwind(AssertUnwindSafe(|| self.make_table()))
                .unwrap_or_else(|_fault| Err(ProfileError::Damaged { found: "a table".to_owned() }))
        });
        let table = table.as_ref().map_err(|error| {
            EngineError::user_error(format!("“{}”: {error}", self.name()), "choose another printer profile")
        })?;
        Ok(PrinterValues { table, is_linear: curved(self.space) != self.space })
    }

    fn make_table(&self) -> Result<ColourTable, ProfileError> {
        let source = DeviceProfile::parse(&output_profile(curved(self.space), false))?;
        ColourTable::build(SCREEN_TABLE_SIDE, |colours| {
            let colorimetric = Intent::RelativeColorimetric;
            let values =
                self.device.from_lab(self.intent, &wanted(&source, &self.device, self.intent, colours)?)?;
            let wished = wanted(&source, &self.device, colorimetric, colours)?;
            let got = self.device.to_lab(colorimetric, &self.device.from_lab(colorimetric, &wished)?)?;
            let beyond = wished.iter().zip(&got).map(|(wished, got)| difference(*wished, *got) as f32);
            let first_three = |values: &[f64]| [0, 1, 2].map(|i| values.get(i).map_or(0.0, |v| *v as f32));
            let nodes = values.chunks_exact(self.device.channels()).map(first_three).zip(beyond);
            Ok(nodes.map(|([r, g, b], beyond)| [r, g, b, beyond]).collect())
        })
    }
}

/// Lab of device values that a printer is asked for. The colorimetric intent brings black to the black of the ink; the
/// other tables of a printer do so themselves.
pub(super) fn wanted(
    source: &DeviceProfile,
    printer: &DeviceProfile,
    intent: Intent,
    colours: &[f64],
) -> Result<Vec<LabD50>, ProfileError> {
    let labs = source.to_lab(intent, colours)?;
    if intent != Intent::RelativeColorimetric {
        return Ok(labs);
    }
    let ink_black = printer.black_y()?;
    Ok(labs.into_iter().map(|lab| scaled_black(lab, 0.0, ink_black)).collect())
}

/// From encoded values to those of a printer.
pub(crate) struct PrinterValues<'a> {
    table: &'a ColourTable,
    /// Whether the encoded values are linear, which the table is not.
    is_linear: bool,
}

impl PrinterValues<'_> {
    /// The values of the printer, 0 to 1, and whether it cannot show the colour.
    pub(crate) fn of(&self, rgb: [f32; 3]) -> ([f32; 3], bool) {
        let rgb = match self.is_linear {
            true => rgb.map(|value| encode(Transfer::Srgb, f64::from(value.clamp(0.0, 1.0))) as f32),
            false => rgb,
        };
        let [r, g, b, beyond] = self.table.at(rgb);
        ([r, g, b], f64::from(beyond) > OUT_OF_GAMUT_DE)
    }
}
