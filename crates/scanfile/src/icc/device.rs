//! Profiles of screens, printers and picture spaces: device values to Lab and back.
//!
//! Matrix profiles are evaluated from device values with the curves that [`parse_profile`] reads; everything else runs
//! through `moxcms`, which takes its values from or hands them to a profile made here whose device values are Lab
//! itself. `moxcms` evaluates tables exactly only if a curve of either profile cannot be joined with another one, and
//! otherwise samples both profiles on a coarse grid, so that profile has such a curve where it is not used.
//!
//! `moxcms` has no black point compensation: [`scaled_black`] is the one of ISO 18619.

use moxcms::{
    ColorProfile, DataColorSpace, Layout, LutMultidimensionalType, LutType, LutWarehouse, Matrix3d,
    ProfileClass, ProfileText, RenderingIntent, ToneReprCurve, TransformOptions, Vector3d,
};

use super::parse::{ProfileCurves, ProfileError, parse_profile};
use crate::numbers::whole_u16;

/// Lab under D50.
pub type LabD50 = [f64; 3];

/// The illuminant of the connection space, D50. Source: ICC.1 v4.
const WHITE: [f64; 3] = [0.9642, 1.0, 0.8249];

/// How colours that a device cannot show are replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Intent {
    /// The nearest colour of the device; all others stay, relative to its white.
    #[default]
    RelativeColorimetric,
    /// As the maker of the profile finds pleasing: all colours move to make room.
    Perceptual,
    /// Strong colours stay strong.
    Saturation,
}

impl Intent {
    /// Every intent, in display order.
    pub const ALL: [Self; 3] = [Self::RelativeColorimetric, Self::Perceptual, Self::Saturation];

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::RelativeColorimetric => "relative colorimetric",
            Self::Perceptual => "perceptual",
            Self::Saturation => "saturation",
        }
    }

    fn options(self) -> TransformOptions {
        let rendering_intent = match self {
            Self::RelativeColorimetric => RenderingIntent::RelativeColorimetric,
            Self::Perceptual => RenderingIntent::Perceptual,
            Self::Saturation => RenderingIntent::Saturation,
        };
        TransformOptions { rendering_intent, allow_use_cicp_transfer: false, ..TransformOptions::default() }
    }
}

/// A device with red, green and blue or with four inks, as its profile describes it.
#[derive(Clone)]
pub struct DeviceProfile {
    name: String,
    profile: ColorProfile,
    /// Curves and matrix of a profile without tables.
    matrix: Option<ProfileCurves>,
}

impl std::fmt::Debug for DeviceProfile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("DeviceProfile").field("name", &self.name).finish_non_exhaustive()
    }
}

impl DeviceProfile {
    /// Reads a profile that goes both ways.
    pub fn parse(bytes: &[u8]) -> Result<Self, ProfileError> {
        let read = |bytes: &[u8]| {
            ColorProfile::new_from_slice(bytes)
                .map_err(|error| ProfileError::Damaged { found: error.to_string() })
        };
        let mut profile = read(bytes)?;
        if !matches!(profile.color_space, DataColorSpace::Rgb | DataColorSpace::Cmyk) {
            let found = format!("one for {:?} values", profile.color_space);
            return Err(ProfileError::NoCurves { found });
        }
        let name = name_of(&profile);
        let has_tables =
            any_table(&profile, Way::ToPcs).is_some() && any_table(&profile, Way::ToDevice).is_some();
        if !has_tables {
            let matrix = parse_profile(bytes)?;
            if matrix.to_xyz_d50.is_none() {
                return Err(ProfileError::NoCurves { found: "without a way back".into() });
            }
            // Tables for one way alone would be mixed with the matrix for the other.
            for way in [Way::ToPcs, Way::ToDevice] {
                tables(&mut profile, way).into_iter().for_each(|table| *table = None);
            }
            return Ok(Self { name, profile, matrix: Some(matrix) });
        }
        profile = read(&with_version_for_its_tables(bytes, &profile))?;
        for way in [Way::ToPcs, Way::ToDevice] {
            // Source: ICC.1 v4, 9.1: a missing table is replaced by that of the perceptual intent.
            let any = any_table(&profile, way).cloned();
            tables(&mut profile, way)
                .into_iter()
                .for_each(|table| *table = table.take().or_else(|| any.clone()));
        }
        (profile.red_trc, profile.green_trc, profile.blue_trc) = (None, None, None);
        Ok(Self { name, profile, matrix: None })
    }

    /// What the profile calls its device.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Values for one colour: 3 or 4.
    pub fn channels(&self) -> usize {
        if self.profile.color_space == DataColorSpace::Cmyk { 4 } else { 3 }
    }

    /// Whether it describes something that prints.
    pub fn is_printer(&self) -> bool {
        self.profile.profile_class == ProfileClass::OutputDevice
    }

    /// White of the paper in XYZ, Y of the perfect diffuser 1; D50 for anything that does not print.
    pub fn paper_white_xyz(&self) -> [f64; 3] {
        match self.profile.media_white_point.filter(|_| self.is_printer()) {
            Some(white) => [white.x, white.y, white.z],
            None => WHITE,
        }
    }

    /// Lab of device values, relative to the white of the device; the values lie one colour after the other, 0 to 1.
    pub fn to_lab(&self, intent: Intent, values: &[f64]) -> Result<Vec<LabD50>, ProfileError> {
        if let Some(ProfileCurves { tables, to_xyz_d50: Some(matrix) }) = &self.matrix {
            let light = |(table, value): (&std::sync::Arc<[f32]>, &f64)| {
                let code = usize::from(whole_u16((value.clamp(0.0, 1.0) * 65_535.0).round()));
                table.get(code).map_or(0.0, |light| f64::from(*light))
            };
            let lab = |rgb: &[f64]| {
                let light: Vec<f64> = tables.iter().zip(rgb).map(light).collect();
                lab_from_xyz(matrix.map(|row| row.iter().zip(&light).map(|(m, v)| m * v).sum()))
            };
            return Ok(values.chunks_exact(3).map(lab).collect());
        }
        let mut unit = vec![0.0; values.len() / self.channels() * 3];
        let lab = lab_as_device();
        self.profile
            .create_transform_f64(self.layout(), &lab, Layout::Rgb, intent.options())
            .and_then(|transform| transform.transform(values, &mut unit))
            .map_err(unusable)?;
        Ok(unit.chunks_exact(3).map(|v| [v[0] * 100.0, v[1] * 255.0 - 128.0, v[2] * 255.0 - 128.0]).collect())
    }

    /// Device values of Lab colours, 0 to 1, one colour after the other.
    pub fn from_lab(&self, intent: Intent, labs: &[LabD50]) -> Result<Vec<f64>, ProfileError> {
        let unit: Vec<f64> =
            labs.iter().flat_map(|[l, a, b]| [l / 100.0, (a + 128.0) / 255.0, (b + 128.0) / 255.0]).collect();
        let mut values = vec![0.0; labs.len() * self.channels()];
        lab_as_device()
            .create_transform_f64(Layout::Rgb, &self.profile, self.layout(), intent.options())
            .and_then(|transform| transform.transform(&unit, &mut values))
            .map_err(unusable)?;
        values.iter_mut().for_each(|value| *value = value.clamp(0.0, 1.0));
        Ok(values)
    }

    /// Luminance of the darkest neutral the device shows, its white 1.
    pub fn black_y(&self) -> Result<f64, ProfileError> {
        let intent = Intent::RelativeColorimetric;
        let darkest = self.to_lab(intent, &self.from_lab(intent, &[[0.0; 3]])?)?;
        // Half of full lightness is no black: such a profile is left alone. Source: ISO 18619.
        let l = darkest.first().map_or(0.0, |lab| lab[0].clamp(0.0, 50.0));
        Ok(xyz_from_lab([l, 0.0, 0.0])[1])
    }

    fn layout(&self) -> Layout {
        if self.channels() == 4 { Layout::Rgba } else { Layout::Rgb }
    }
}

fn unusable(error: moxcms::CmsError) -> ProfileError {
    ProfileError::NoCurves { found: format!("one that cannot be used ({error})") }
}

/// A colour moved so that one black becomes another, and white stays.
///
/// ```text
/// XYZ' = W - (W - XYZ) (1 - to) / (1 - from)
/// ```
/// `from_y` and `to_y` are luminances of neutral blacks, white 1. Source: ISO 18619, black point compensation.
pub fn scaled_black(lab: LabD50, from_y: f64, to_y: f64) -> LabD50 {
    let scale = (1.0 - to_y) / (1.0 - from_y);
    let xyz = xyz_from_lab(lab);
    lab_from_xyz(std::array::from_fn(|i| WHITE[i] - (WHITE[i] - xyz[i]) * scale))
}

/// A colour relative to white paper, as it looks beside a perfect white. Source: ICC.1 v4, annex D.
pub fn on_paper(lab: LabD50, paper_white_xyz: [f64; 3]) -> LabD50 {
    let xyz = xyz_from_lab(lab);
    lab_from_xyz(std::array::from_fn(|i| xyz[i] * paper_white_xyz[i] / WHITE[i]))
}

/// Source: CIE 15.
fn lab_from_xyz(xyz: [f64; 3]) -> LabD50 {
    let f = |t: f64| if t > 216.0 / 24_389.0 { t.cbrt() } else { (24_389.0 / 27.0 * t + 16.0) / 116.0 };
    let [x, y, z] = std::array::from_fn(|i| f(xyz[i] / WHITE[i]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// Inverse of [`lab_from_xyz`].
fn xyz_from_lab([l, a, b]: LabD50) -> [f64; 3] {
    let y = (l + 16.0) / 116.0;
    let t = |f: f64| if f > 6.0 / 29.0 { f * f * f } else { (116.0 * f - 16.0) * 27.0 / 24_389.0 };
    let roots = [y + a / 500.0, y, y - b / 200.0];
    std::array::from_fn(|i| t(roots[i]) * WHITE[i])
}

/// Direction of a table.
#[derive(Clone, Copy)]
enum Way {
    ToPcs,
    ToDevice,
}

/// Tables of one direction: perceptual, colorimetric, saturation.
fn tables(profile: &mut ColorProfile, way: Way) -> [&mut Option<LutWarehouse>; 3] {
    match way {
        Way::ToPcs => [
            &mut profile.lut_a_to_b_perceptual,
            &mut profile.lut_a_to_b_colorimetric,
            &mut profile.lut_a_to_b_saturation,
        ],
        Way::ToDevice => [
            &mut profile.lut_b_to_a_perceptual,
            &mut profile.lut_b_to_a_colorimetric,
            &mut profile.lut_b_to_a_saturation,
        ],
    }
}

/// The table of one direction that stands in for missing ones.
fn any_table(profile: &ColorProfile, way: Way) -> Option<&LutWarehouse> {
    let ColorProfile { lut_a_to_b_perceptual, lut_a_to_b_colorimetric, lut_a_to_b_saturation, .. } = profile;
    let ColorProfile { lut_b_to_a_perceptual, lut_b_to_a_colorimetric, lut_b_to_a_saturation, .. } = profile;
    let tables = match way {
        Way::ToPcs => [lut_a_to_b_perceptual, lut_a_to_b_colorimetric, lut_a_to_b_saturation],
        Way::ToDevice => [lut_b_to_a_perceptual, lut_b_to_a_colorimetric, lut_b_to_a_saturation],
    };
    tables.into_iter().find_map(Option::as_ref)
}

/// The profile with the version from which `moxcms` concludes how its tables write Lab.
///
/// Tables of 16 bits write a lightness of 100 as 0xFF00 in every version, all others as their largest code (ICC.1 v4,
/// 6.3.4.2 and 10.10); `moxcms` takes version 2 for the former and version 4.1 and later for the latter.
fn with_version_for_its_tables(bytes: &[u8], profile: &ColorProfile) -> Vec<u8> {
    let is_legacy = any_table(profile, Way::ToPcs).is_some_and(
        |table| matches!(table, LutWarehouse::Lut(lut) if matches!(lut.lut_type, LutType::Lut16)),
    );
    let mut bytes = bytes.to_vec();
    if let Some(version) = bytes.get_mut(8..12) {
        version.copy_from_slice(&if is_legacy { [2, 0x40, 0, 0] } else { [4, 0x40, 0, 0] });
    }
    bytes
}

/// A profile whose device values are Lab: lightness / 100, (a + 128) / 255 and (b + 128) / 255.
fn lab_as_device() -> ColorProfile {
    let straight = || vec![ToneReprCurve::Lut(Vec::new()); 3];
    let identity = LutMultidimensionalType {
        num_input_channels: 3,
        num_output_channels: 3,
        grid_points: [0; 16],
        clut: None,
        // Only used with a table of colours, but a curve that falls makes `moxcms` evaluate every step exactly.
        a_curves: vec![ToneReprCurve::Lut(vec![0, u16::MAX, 0]); 3],
        b_curves: straight(),
        m_curves: Vec::new(),
        matrix: Matrix3d::IDENTITY,
        bias: Vector3d::default(),
    };
    let mut profile = ColorProfile::default();
    (profile.color_space, profile.pcs) = (DataColorSpace::Rgb, DataColorSpace::Lab);
    for way in [Way::ToPcs, Way::ToDevice] {
        for table in tables(&mut profile, way) {
            *table = Some(LutWarehouse::Multidimensional(identity.clone()));
        }
    }
    profile
}

fn name_of(profile: &ColorProfile) -> String {
    let text = match &profile.description {
        Some(ProfileText::PlainString(text)) => text.clone(),
        Some(ProfileText::Localizable(texts)) => {
            let english = texts.iter().find(|text| text.language == "en").or_else(|| texts.first());
            english.map(|text| text.value.clone()).unwrap_or_default()
        }
        Some(ProfileText::Description(text)) => text.ascii_string.clone(),
        None => String::new(),
    };
    let text = text.trim_matches(|c: char| c.is_whitespace() || c.is_control());
    if text.is_empty() { "a profile without a name".to_owned() } else { text.to_owned() }
}
