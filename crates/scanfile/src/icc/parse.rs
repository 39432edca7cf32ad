//! Curves and matrix of an embedded profile: just enough to turn codes into linear light.
//!
//! Source of the layout: ICC.1 v4 (header, tag table, `curv`, `para`, `XYZ `), which version 2 shares for these types.
//!
//! Not read with `moxcms`, which refuses a whole profile for one damaged tag, even if nothing depends on that tag,
//! does not say what is wrong, and decodes colour tables of many megabytes that are of no use here.

use std::sync::Arc;

use glassine_raster::PowerCurve;

use crate::linear::table_of;
use crate::numbers::{to_f64, whole_u32};

/// The usable parts of a profile.
#[derive(Debug, Clone)]
pub struct ProfileCurves {
    /// One table of 65 536 entries per channel: one for grey, three for RGB.
    pub tables: Vec<Arc<[f32]>>,
    /// Linear light to XYZ under D50, for RGB.
    pub to_xyz_d50: Option<[[f64; 3]; 3]>,
}

/// Why a profile could not be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProfileError {
    /// Not a profile, or damaged.
    #[error("the colour profile is damaged ({found})")]
    Damaged {
        /// What was wrong.
        found: String,
    },
    /// A sound profile without usable curves.
    #[error("the colour profile is {found}, which cannot be used here")]
    NoCurves {
        /// What it is instead.
        found: String,
    },
}

/// No sound profile has more tags than this.
const MAX_TAGS: usize = 256;

/// Read the curves of a grey or matrix RGB profile.
pub fn parse_profile(profile: &[u8]) -> Result<ProfileCurves, ProfileError> {
    let damaged = |found: &str| ProfileError::Damaged { found: found.into() };
    if slice(profile, 36, 4) != Some(b"acsp".as_slice()) {
        return Err(damaged("no signature"));
    }
    let class = slice(profile, 12, 4).unwrap_or_default();
    if !matches!(class, b"mntr" | b"scnr" | b"prtr" | b"spac") {
        let found = match class {
            b"nmcl" => "a list of named colours",
            b"link" => "a device link",
            b"abst" => "an abstract profile",
            _ => "of an unknown class",
        };
        return Err(ProfileError::NoCurves { found: found.into() });
    }
    let tags = Tags::of(profile)?;
    let colour_space = slice(profile, 16, 4).unwrap_or_default();
    let missing = || ProfileError::NoCurves { found: "one with tables instead of curves".into() };
    match colour_space {
        b"GRAY" => {
            let curve = tags.curve(*b"kTRC")?.ok_or_else(missing)?;
            Ok(ProfileCurves { tables: vec![curve], to_xyz_d50: None })
        }
        b"RGB " => {
            let mut tables: Vec<Arc<[f32]>> = Vec::new();
            let mut matrix = [[0.0; 3]; 3];
            let red = tags.find(*b"rTRC");
            for (i, letter) in [b'r', b'g', b'b'].into_iter().enumerate() {
                let curve = [letter, b'T', b'R', b'C'];
                // The three curves are usually equal; they then share one table.
                let table = match tables.first() {
                    Some(first) if tags.find(curve) == red => Arc::clone(first),
                    _ => tags.curve(curve)?.ok_or_else(missing)?,
                };
                tables.push(table);
                let column = tags.xyz([letter, b'X', b'Y', b'Z'])?.ok_or_else(missing)?;
                matrix.iter_mut().zip(column).for_each(|(row, v)| row[i] = v);
            }
            Ok(ProfileCurves { tables, to_xyz_d50: Some(matrix) })
        }
        other => Err(ProfileError::NoCurves {
            found: format!("one for {} values", String::from_utf8_lossy(other).trim_end()),
        }),
    }
}

/// Red, green and blue of sRGB under D50. Source: IEC 61966-2-1 primaries, adapted from D65 by the Bradford matrix.
const SRGB_TO_XYZ_D50: [[f64; 3]; 3] =
    [[0.436_07, 0.385_06, 0.143_08], [0.222_50, 0.716_88, 0.060_62], [0.013_93, 0.097_10, 0.714_17]];

/// Whether a profile describes sRGB, whatever its name.
pub(crate) fn is_srgb(profile: &[u8]) -> bool {
    /// Profiles store whole multiples of 1/65536 and differ in the last digits of their adaptation.
    const MATRIX_TOLERANCE: f64 = 2e-3;
    const LIGHT_TOLERANCE: f64 = 1e-3;
    let Ok(curves) = parse_profile(profile) else { return false };
    let Some(matrix) = curves.to_xyz_d50 else { return false };
    let mut pairs = matrix.iter().flatten().zip(SRGB_TO_XYZ_D50.iter().flatten());
    pairs.all(|(a, b)| (a - b).abs() < MATRIX_TOLERANCE)
        && curves.tables.iter().all(|table| {
            [0_u16, 2_000, 12_000, 32_768, 50_000, 65_535].iter().all(|code| {
                let light = table.get(usize::from(*code)).map_or(f64::NAN, |light| f64::from(*light));
                (light - PowerCurve::SRGB.decode(f64::from(*code) / 65_535.0)).abs() < LIGHT_TOLERANCE
            })
        })
}

fn slice(bytes: &[u8], at: usize, n: usize) -> Option<&[u8]> {
    bytes.get(at..at.checked_add(n)?)
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    slice(bytes, at, 4).map(|b| b.iter().fold(0, |n, byte| (n << 8) | u32::from(*byte)))
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    slice(bytes, at, 2).map(|b| u16::from(b[0]) << 8 | u16::from(b[1]))
}

fn fixed_at(bytes: &[u8], at: usize) -> Option<f64> {
    u32_at(bytes, at).map(|v| f64::from(v.cast_signed()) / 65536.0)
}

struct Tags<'p> {
    list: Vec<([u8; 4], &'p [u8])>,
}

impl<'p> Tags<'p> {
    fn of(profile: &'p [u8]) -> Result<Self, ProfileError> {
        let damaged = |found: &str| ProfileError::Damaged { found: found.into() };
        let count = u32_at(profile, 128).ok_or_else(|| damaged("no tag table"))? as usize;
        if count > MAX_TAGS {
            return Err(damaged("an endless tag table"));
        }
        let mut list = Vec::new();
        for i in 0..count {
            let at = 132 + 12 * i;
            let entry = slice(profile, at, 12).ok_or_else(|| damaged("a tag table that is cut short"))?;
            let (offset, size) = (u32_at(entry, 4).unwrap_or(0), u32_at(entry, 8).unwrap_or(0));
            // A tag that points outside is left out; whether that matters shows when it is looked up.
            if let Some(data) = slice(profile, offset as usize, size as usize) {
                list.push(([entry[0], entry[1], entry[2], entry[3]], data));
            }
        }
        Ok(Self { list })
    }

    fn find(&self, signature: [u8; 4]) -> Option<&'p [u8]> {
        self.list.iter().find(|(s, _)| *s == signature).map(|(_, data)| *data)
    }

    fn xyz(&self, signature: [u8; 4]) -> Result<Option<[f64; 3]>, ProfileError> {
        let Some(data) = self.find(signature) else { return Ok(None) };
        match (fixed_at(data, 8), fixed_at(data, 12), fixed_at(data, 16)) {
            (Some(x), Some(y), Some(z)) => Ok(Some([x, y, z])),
            _ => Err(ProfileError::Damaged { found: "a colorant that is cut short".into() }),
        }
    }

    fn curve(&self, signature: [u8; 4]) -> Result<Option<Arc<[f32]>>, ProfileError> {
        let Some(data) = self.find(signature) else { return Ok(None) };
        curve_of(data)
            .map(Some)
            .ok_or_else(|| ProfileError::Damaged { found: "a curve that cannot be read".into() })
            .and_then(|curve| match curve {
                Some(curve) if !rises(&curve) => {
                    Err(ProfileError::Damaged { found: "a curve that does not rise".into() })
                }
                other => Ok(other),
            })
    }
}

/// Whether more code means more light. A power of zero or less does not rise, and no density follows from it.
fn rises(curve: &[f32]) -> bool {
    let ends = curve.first().zip(curve.last());
    ends.is_some_and(|(dark, bright)| bright > dark) && curve.iter().all(|light| light.is_finite())
}

fn curve_of(data: &[u8]) -> Option<Arc<[f32]>> {
    match slice(data, 0, 4)? {
        b"curv" => {
            let n = u32_at(data, 8)? as usize;
            match n {
                0 => Some(table_of(|x| x)),
                1 => {
                    let gamma = f64::from(u16_at(data, 12)?) / 256.0;
                    Some(table_of(|x| x.powf(gamma)))
                }
                _ => {
                    let raw = slice(data, 12, n.checked_mul(2)?)?;
                    let table: Vec<u16> =
                        raw.chunks_exact(2).map(|b| u16::from(b[0]) << 8 | u16::from(b[1])).collect();
                    Some(table_of(|x| table_light(&table, x)))
                }
            }
        }
        b"para" => parametric(data),
        _ => None,
    }
}

/// Linear interpolation between evenly spaced samples; outside 0..1 the end samples hold.
fn table_light(table: &[u16], value: f64) -> f64 {
    let (Some(first), Some(last)) = (table.first(), table.last()) else { return value };
    let at = value.clamp(0.0, 1.0) * to_f64(table.len() as u64 - 1);
    let i = whole_u32(at) as usize;
    let low = f64::from(*table.get(i).unwrap_or(first));
    let high = f64::from(*table.get(i + 1).unwrap_or(last));
    (low + (high - low) * (at - at.floor())) / 65535.0
}

/// Parametric curve kinds 0 to 4. Source: ICC.1 v4, `parametricCurveType`.
fn parametric(data: &[u8]) -> Option<Arc<[f32]>> {
    let kind = u16_at(data, 8)?;
    let n = *[1, 3, 4, 5, 7].get(usize::from(kind))?;
    let mut p = [0.0_f64; 7];
    for (i, v) in p.iter_mut().take(n).enumerate() {
        *v = fixed_at(data, 12 + 4 * i)?;
    }
    let [g, a, b, c, d, e, f] = p;
    let power = |x: f64| (a * x + b).max(0.0).powf(g);
    Some(match kind {
        0 => table_of(|x| x.powf(g)),
        1 => table_of(|x| if a * x + b >= 0.0 { power(x) } else { 0.0 }),
        2 => table_of(|x| if a * x + b >= 0.0 { power(x) + c } else { c }),
        3 => table_of(|x| if x >= d { power(x) } else { c * x }),
        _ => table_of(|x| if x >= d { power(x) + e } else { c * x + f }),
    })
}
