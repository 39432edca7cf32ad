//! Scans in version 1 of the session file.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{invalid, join};
use crate::file::FileError;
use crate::file::paths::StoredPath;
use crate::model::{self, ScanId};

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Scan {
    id: u32,
    path: String,
    /// The exact bytes of a path that is not UTF-8, hexadecimal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    path_bytes: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    infrared_path: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    infrared_path_bytes: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    page: Option<u32>,
    width_px: u32,
    height_px: u32,
    ppi: Option<f64>,
    planes: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fingerprint: Option<Print>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    infrared_fingerprint: Option<Print>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    scanned_at: Option<String>,
    #[serde(default)]
    encoding: Encoding,
    #[serde(default)]
    fourth_sample: Fourth,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    found_encoding: Option<Found>,
    #[serde(default, skip_serializing_if = "Stray::is_auto")]
    stray_light: Stray,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    found_stray_light: Option<[f64; 3]>,
    /// Parts of a joined scan; from version 2 on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    join: Option<Vec<join::Part>>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Found {
    encoding: Encoding,
    #[serde(default)]
    covers_infrared: bool,
    #[serde(default)]
    is_guess: bool,
    #[serde(default)]
    why: String,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Stray {
    #[default]
    Auto,
    Off,
}

impl Stray {
    fn is_auto(&self) -> bool {
        *self == Self::Auto
    }
}

impl Encoding {
    fn from_model(encoding: model::EncodingChoice) -> Self {
        match encoding {
            model::EncodingChoice::Auto => Self::Auto,
            model::EncodingChoice::Linear => Self::Linear,
            model::EncodingChoice::Srgb => Self::Srgb,
            model::EncodingChoice::Gamma(gamma) => Self::Gamma(gamma),
        }
    }

    fn into_model(self, place: &str) -> Result<model::EncodingChoice, FileError> {
        match self {
            Self::Auto => Ok(model::EncodingChoice::Auto),
            Self::Linear => Ok(model::EncodingChoice::Linear),
            Self::Srgb => Ok(model::EncodingChoice::Srgb),
            Self::Gamma(gamma) if gamma.is_finite() && gamma > 0.0 => Ok(model::EncodingChoice::Gamma(gamma)),
            Self::Gamma(_) => Err(invalid(place.to_owned(), "a gamma must be positive")),
        }
    }
}

#[derive(Debug, Serialize, Deserialize)]
struct Print {
    bytes: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sampled_blake3: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    blake3: Option<String>,
}

#[derive(Debug, Default, Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Encoding {
    #[default]
    Auto,
    Linear,
    Srgb,
    Gamma(f64),
}

#[derive(Debug, Default, Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Fourth {
    #[default]
    Auto,
    Infrared,
    Ignore,
}

impl Print {
    fn from_model(print: &model::Fingerprint) -> Self {
        let model::Fingerprint { bytes, sampled_blake3, blake3 } = print.clone();
        Self { bytes, sampled_blake3, blake3 }
    }

    fn into_model(self) -> model::Fingerprint {
        let Self { bytes, sampled_blake3, blake3 } = self;
        model::Fingerprint { bytes, sampled_blake3, blake3 }
    }
}

impl Scan {
    pub(super) fn from_model(
        scan: &model::ScanRef,
        store: &impl Fn(&Path) -> StoredPath,
    ) -> Result<Self, FileError> {
        if scan.ppi.is_some_and(|ppi| !ppi.is_finite()) {
            return Err(FileError::Unwritable {
                place: format!("the resolution of scan {}", scan.id),
                reason: "the value is not a finite number".to_owned(),
            });
        }
        let path = store(&scan.path);
        let infrared = scan.infrared_path.as_deref().map(store);
        Ok(Self {
            id: scan.id.0,
            path: path.text,
            path_bytes: path.hex,
            infrared_path: infrared.as_ref().map(|path| path.text.clone()),
            infrared_path_bytes: infrared.and_then(|path| path.hex),
            page: scan.page,
            width_px: scan.width_px,
            height_px: scan.height_px,
            ppi: scan.ppi,
            planes: scan.planes.clone(),
            fingerprint: scan.fingerprint.as_ref().map(Print::from_model),
            infrared_fingerprint: scan.infrared_fingerprint.as_ref().map(Print::from_model),
            scanned_at: scan.scanned_at.clone(),
            encoding: Encoding::from_model(scan.encoding),
            found_encoding: scan.found_encoding.as_ref().map(|found| Found {
                encoding: Encoding::from_model(found.encoding),
                covers_infrared: found.covers_infrared,
                is_guess: found.is_guess,
                why: found.why.clone(),
            }),
            stray_light: match scan.stray_light {
                model::StrayLightChoice::Auto => Stray::Auto,
                model::StrayLightChoice::Off => Stray::Off,
            },
            found_stray_light: scan.found_stray_light,
            join: scan.join.as_deref().map(|join| join::from_model(join, store)).transpose()?,
            fourth_sample: match scan.fourth_sample {
                model::FourthSampleChoice::Auto => Fourth::Auto,
                model::FourthSampleChoice::Infrared => Fourth::Infrared,
                model::FourthSampleChoice::Ignore => Fourth::Ignore,
            },
        })
    }

    pub(super) fn into_model(self) -> Result<model::ScanRef, FileError> {
        let place = format!("scan {}", self.id);
        if self.width_px == 0 || self.height_px == 0 {
            return Err(invalid(place, "a picture needs columns and rows"));
        }
        if self.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0)) {
            return Err(invalid(place, "a resolution must be positive"));
        }
        if self.found_stray_light.is_some_and(|light| light.iter().any(|c| !(0.0..1.0).contains(c))) {
            return Err(invalid(place, "stray light must be a part of full scale"));
        }
        if self.page == Some(0) {
            return Err(invalid(place, "pages are counted from 1"));
        }
        Ok(model::ScanRef {
            id: ScanId(self.id),
            path: StoredPath { text: self.path, hex: self.path_bytes }.into_path(),
            infrared_path: self
                .infrared_path
                .map(|text| StoredPath { text, hex: self.infrared_path_bytes }.into_path()),
            page: self.page,
            width_px: self.width_px,
            height_px: self.height_px,
            ppi: self.ppi,
            planes: self.planes,
            fingerprint: self.fingerprint.map(Print::into_model),
            infrared_fingerprint: self.infrared_fingerprint.map(Print::into_model),
            scanned_at: self.scanned_at,
            encoding: self.encoding.into_model(&place)?,
            found_encoding: match self.found_encoding {
                Some(found) => Some(model::FoundEncoding {
                    encoding: found.encoding.into_model(&place)?,
                    covers_infrared: found.covers_infrared,
                    is_guess: found.is_guess,
                    why: found.why,
                }),
                None => None,
            },
            stray_light: match self.stray_light {
                Stray::Auto => model::StrayLightChoice::Auto,
                Stray::Off => model::StrayLightChoice::Off,
            },
            found_stray_light: self.found_stray_light,
            join: self.join.map(|parts| join::into_model(parts, &place)).transpose()?,
            fourth_sample: match self.fourth_sample {
                Fourth::Auto => model::FourthSampleChoice::Auto,
                Fourth::Infrared => model::FourthSampleChoice::Infrared,
                Fourth::Ignore => model::FourthSampleChoice::Ignore,
            },
        })
    }
}
