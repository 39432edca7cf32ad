//! Version 1 of the session file. Fields may be added with defaults; none may change meaning.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_film::{BaseField, FilmKind, Stock};
use glassine_raster::{Point, TiltedBox};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use self::frame::Frame;
use super::{FORMAT, FileError, VERSION};
use crate::model::{self, ScanId, StripId};

mod frame;

type Extra = Map<String, Value>;

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct File {
    format: String,
    version: u32,
    #[serde(default)]
    title: String,
    #[serde(default)]
    notes: String,
    #[serde(default)]
    next_id: u32,
    #[serde(default)]
    scans: Vec<Scan>,
    #[serde(default)]
    strips: Vec<Strip>,
    #[serde(default)]
    frames: Vec<Frame>,
    /// Own stocks, each as its own file would be.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    stocks: Vec<Value>,
    #[serde(default)]
    output: Option<Output>,
    #[serde(flatten)]
    extra: Extra,
}

#[derive(Debug, Serialize, Deserialize)]
struct Scan {
    id: u32,
    path: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    infrared_path: Option<String>,
    width_px: u32,
    height_px: u32,
    ppi: Option<f64>,
    planes: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fingerprint: Option<Print>,
    #[serde(default)]
    encoding: Encoding,
    #[serde(default)]
    fourth_sample: Fourth,
    #[serde(flatten)]
    extra: Extra,
}

#[derive(Debug, Serialize, Deserialize)]
struct Print {
    bytes: u64,
    blake3: String,
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

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Place {
    center_px: [f64; 2],
    width_px: f64,
    height_px: f64,
    angle_rad: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct Strip {
    id: u32,
    scan: u32,
    film: String,
    format: Option<String>,
    film_area: Option<Place>,
    stock: String,
    base: Option<Base>,
    mask_tolerance_d: f64,
    unmix_strength: f64,
    balance: String,
    solve: Option<StripSolve>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    perforations: Vec<Place>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
    #[serde(flatten)]
    extra: Extra,
}

#[derive(Debug, Serialize, Deserialize)]
struct Base {
    density_d: [f64; 3],
    pixels: u64,
    spread_d: [f64; 3],
    recommended_tolerance_d: f64,
    confidence: f64,
    source: BaseSource,
    /// Terms of the surface over the scan, a channel each.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    field_d: Option<[[f64; 6]; 3]>,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum BaseSource {
    Rebate,
    Box(Place),
    Typed,
    ClearestParts,
}

#[derive(Debug, Serialize, Deserialize)]
struct StripSolve {
    gamma_ratio: [f64; 3],
    #[serde(default = "ones")]
    toe_ratio: [f64; 3],
    #[serde(default = "one")]
    colour_strength: f64,
    neutral_log: [f64; 3],
    confidence: f64,
    provenance: String,
}

fn one() -> f64 {
    1.0
}

fn ones() -> [f64; 3] {
    [1.0; 3]
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(default)]
struct Output {
    folder: Option<String>,
    base_name: String,
    digits: u8,
    half_numbers: bool,
    kind: String,
    space: String,
    rendering: String,
    compression: String,
    jpeg_quality: u8,
    web_long_side_px: u32,
    creator: String,
    copyright: String,
}

impl Default for Output {
    fn default() -> Self {
        Self::from_model(&model::OutputSettings::default())
    }
}

impl File {
    pub(super) fn from_model(session: &model::Session, store: impl Fn(&std::path::Path) -> String) -> Self {
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            title: session.title.clone(),
            notes: session.notes.clone(),
            next_id: session.next_id,
            scans: session.scans.iter().map(|scan| Scan::from_model(scan, &store)).collect(),
            strips: session.strips.iter().map(|strip| Strip::from_model(strip)).collect(),
            frames: session.frames.iter().map(|frame| Frame::from_model(frame)).collect(),
            stocks: session
                .stocks
                .iter()
                .filter_map(|stock| serde_json::from_str(&stock.to_json()).ok())
                .collect(),
            output: Some(Output::from_model(&session.output)),
            extra: session.extra.clone(),
        }
    }

    pub(super) fn into_model(self) -> Result<model::Session, FileError> {
        let Self {
            format: _,
            version: _,
            title,
            notes,
            next_id,
            scans,
            strips,
            frames,
            stocks,
            output,
            extra,
        } = self;
        let session = model::Session {
            title,
            notes,
            scans: scans.into_iter().map(|scan| scan.into_model().map(Arc::new)).collect::<Result<_, _>>()?,
            strips: strips
                .into_iter()
                .map(|strip| strip.into_model().map(Arc::new))
                .collect::<Result<_, _>>()?,
            frames: frames
                .into_iter()
                .map(|frame| frame.into_model().map(Arc::new))
                .collect::<Result<_, _>>()?,
            stocks: stocks.iter().map(|stock| own_stock(stock).map(Arc::new)).collect::<Result<_, _>>()?,
            output: output.unwrap_or_default().into_model()?,
            next_id,
            extra,
        };
        check_links(&session)?;
        Ok(session)
    }
}

fn own_stock(value: &Value) -> Result<Stock, FileError> {
    Stock::from_json(&value.to_string()).map_err(|error| invalid("stocks", error.to_string()))
}

fn invalid(place: impl Into<String>, reason: impl Into<String>) -> FileError {
    FileError::Invalid { place: place.into(), reason: reason.into() }
}

/// Every frame must lie on a strip and every strip on a scan, each id used once.
fn check_links(session: &model::Session) -> Result<(), FileError> {
    let mut ids: Vec<u32> = session.scans.iter().map(|s| s.id.0).collect();
    ids.extend(session.strips.iter().map(|s| s.id.0));
    ids.extend(session.frames.iter().map(|f| f.id.0));
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    if ids.len() != count {
        return Err(invalid("ids", "an id is used twice"));
    }
    for strip in &session.strips {
        session.scan(strip.scan).ok_or_else(|| {
            invalid(format!("strip {}", strip.id), format!("scan {} is missing", strip.scan))
        })?;
    }
    for frame in &session.frames {
        session.strip(frame.strip).ok_or_else(|| {
            invalid(format!("frame {}", frame.number), format!("strip {} is missing", frame.strip))
        })?;
    }
    Ok(())
}

impl Scan {
    fn from_model(scan: &model::ScanRef, store: impl Fn(&std::path::Path) -> String) -> Self {
        Self {
            id: scan.id.0,
            path: store(&scan.path),
            infrared_path: scan.infrared_path.as_deref().map(store),
            width_px: scan.width_px,
            height_px: scan.height_px,
            ppi: scan.ppi,
            planes: scan.planes.clone(),
            fingerprint: scan
                .fingerprint
                .as_ref()
                .map(|print| Print { bytes: print.bytes, blake3: print.blake3.clone() }),
            encoding: match scan.encoding {
                model::EncodingChoice::Auto => Encoding::Auto,
                model::EncodingChoice::Linear => Encoding::Linear,
                model::EncodingChoice::Srgb => Encoding::Srgb,
                model::EncodingChoice::Gamma(gamma) => Encoding::Gamma(gamma),
            },
            fourth_sample: match scan.fourth_sample {
                model::FourthSampleChoice::Auto => Fourth::Auto,
                model::FourthSampleChoice::Infrared => Fourth::Infrared,
                model::FourthSampleChoice::Ignore => Fourth::Ignore,
            },
            extra: scan.extra.clone(),
        }
    }

    fn into_model(self) -> Result<model::ScanRef, FileError> {
        let place = format!("scan {}", self.id);
        if self.width_px == 0 || self.height_px == 0 {
            return Err(invalid(place, "a picture needs columns and rows"));
        }
        if self.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0)) {
            return Err(invalid(place, "a resolution must be positive"));
        }
        Ok(model::ScanRef {
            id: ScanId(self.id),
            path: PathBuf::from(self.path),
            infrared_path: self.infrared_path.map(PathBuf::from),
            width_px: self.width_px,
            height_px: self.height_px,
            ppi: self.ppi,
            planes: self.planes,
            fingerprint: self
                .fingerprint
                .map(|print| model::Fingerprint { bytes: print.bytes, blake3: print.blake3 }),
            encoding: match self.encoding {
                Encoding::Auto => model::EncodingChoice::Auto,
                Encoding::Linear => model::EncodingChoice::Linear,
                Encoding::Srgb => model::EncodingChoice::Srgb,
                Encoding::Gamma(gamma) if gamma.is_finite() && gamma > 0.0 => {
                    model::EncodingChoice::Gamma(gamma)
                }
                Encoding::Gamma(_) => return Err(invalid(place, "a gamma must be positive")),
            },
            fourth_sample: match self.fourth_sample {
                Fourth::Auto => model::FourthSampleChoice::Auto,
                Fourth::Infrared => model::FourthSampleChoice::Infrared,
                Fourth::Ignore => model::FourthSampleChoice::Ignore,
            },
            extra: self.extra,
        })
    }
}

impl Place {
    /// The angle is stored in radians: turning it to degrees and back would not give the same bits.
    fn from_model(area: &TiltedBox) -> Self {
        Self {
            center_px: [area.center.x, area.center.y],
            width_px: area.width_px,
            height_px: area.height_px,
            angle_rad: area.angle_rad,
        }
    }

    fn into_model(self, place: impl Fn() -> String) -> Result<TiltedBox, FileError> {
        let area = TiltedBox {
            center: Point::new(self.center_px[0], self.center_px[1]),
            width_px: self.width_px,
            height_px: self.height_px,
            angle_rad: self.angle_rad,
        };
        if area.is_sane() {
            Ok(area)
        } else {
            Err(invalid(place(), "a box needs a finite place and two positive sides"))
        }
    }
}

fn optional(place: Option<Place>, name: impl Fn() -> String) -> Result<Option<TiltedBox>, FileError> {
    place.map(|place| place.into_model(name)).transpose()
}

fn finite(values: &[f64], place: impl Fn() -> String) -> Result<(), FileError> {
    if values.iter().all(|v| v.is_finite()) { Ok(()) } else { Err(invalid(place(), "a number is missing")) }
}

impl Strip {
    fn from_model(strip: &model::Strip) -> Self {
        Self {
            id: strip.id.0,
            scan: strip.scan.0,
            film: strip.film.key().to_owned(),
            format: strip.format_id.clone(),
            film_area: strip.film_area.as_ref().map(Place::from_model),
            stock: strip.stock_id.clone(),
            base: strip.base.as_ref().map(Base::from_model),
            mask_tolerance_d: strip.mask_tolerance_d,
            unmix_strength: strip.unmix_strength,
            balance: strip.balance.key().to_owned(),
            solve: strip.solve.as_ref().map(|solve| StripSolve {
                gamma_ratio: solve.gamma_ratio,
                toe_ratio: solve.toe_ratio,
                colour_strength: solve.colour_strength,
                neutral_log: solve.neutral_log,
                confidence: solve.confidence,
                provenance: solve.provenance.clone(),
            }),
            perforations: strip.perforations.iter().map(Place::from_model).collect(),
            notes: strip.notes.clone(),
            extra: strip.extra.clone(),
        }
    }

    fn into_model(self) -> Result<model::Strip, FileError> {
        let id = self.id;
        let place = || format!("strip {id}");
        finite(&[self.mask_tolerance_d, self.unmix_strength], place)?;
        let unknown = |what: &str, value: &str| invalid(place(), format!("unknown {what} “{value}”"));
        Ok(model::Strip {
            id: StripId(id),
            scan: ScanId(self.scan),
            film: FilmKind::from_key(&self.film).ok_or_else(|| unknown("film kind", &self.film))?,
            format_id: self.format,
            film_area: optional(self.film_area, place)?,
            stock_id: self.stock,
            base: self.base.map(|base| base.into_model(place)).transpose()?,
            mask_tolerance_d: self.mask_tolerance_d,
            unmix_strength: self.unmix_strength,
            balance: model::BalanceChoice::from_key(&self.balance)
                .ok_or_else(|| unknown("balance", &self.balance))?,
            solve: self.solve.map(|solve| model::StripSolve {
                gamma_ratio: solve.gamma_ratio,
                toe_ratio: solve.toe_ratio,
                colour_strength: solve.colour_strength,
                neutral_log: solve.neutral_log,
                confidence: solve.confidence,
                provenance: solve.provenance,
            }),
            perforations: self
                .perforations
                .into_iter()
                .map(|area| area.into_model(place))
                .collect::<Result<_, _>>()?,
            notes: self.notes,
            extra: self.extra,
        })
    }
}

impl Base {
    fn from_model(base: &model::FilmBase) -> Self {
        Self {
            density_d: base.density_d,
            pixels: base.pixels,
            spread_d: base.spread_d,
            recommended_tolerance_d: base.recommended_tolerance_d,
            confidence: base.confidence,
            source: match &base.source {
                model::BaseSource::Rebate => BaseSource::Rebate,
                model::BaseSource::Box(area) => BaseSource::Box(Place::from_model(area)),
                model::BaseSource::Typed => BaseSource::Typed,
                model::BaseSource::ClearestParts => BaseSource::ClearestParts,
            },
            field_d: base.field.as_ref().map(BaseField::coefficients_d),
        }
    }

    fn into_model(self, place: impl Fn() -> String + Copy) -> Result<model::FilmBase, FileError> {
        Ok(model::FilmBase {
            density_d: self.density_d,
            pixels: self.pixels,
            spread_d: self.spread_d,
            recommended_tolerance_d: self.recommended_tolerance_d,
            confidence: self.confidence,
            source: match self.source {
                BaseSource::Rebate => model::BaseSource::Rebate,
                BaseSource::Box(area) => model::BaseSource::Box(area.into_model(place)?),
                BaseSource::Typed => model::BaseSource::Typed,
                BaseSource::ClearestParts => model::BaseSource::ClearestParts,
            },
            field: self.field_d.and_then(BaseField::from_coefficients_d),
        })
    }
}

impl Output {
    fn from_model(output: &model::OutputSettings) -> Self {
        Self {
            folder: output.folder.as_ref().map(|folder| folder.to_string_lossy().into_owned()),
            base_name: output.base_name.clone(),
            digits: output.digits,
            half_numbers: output.half_numbers,
            kind: output.kind.key().to_owned(),
            space: output.space.clone(),
            rendering: output.rendering.clone(),
            compression: output.compression.key().to_owned(),
            jpeg_quality: output.jpeg_quality,
            web_long_side_px: output.web_long_side_px,
            creator: output.creator.clone(),
            copyright: output.copyright.clone(),
        }
    }

    fn into_model(self) -> Result<model::OutputSettings, FileError> {
        let unknown = |what: &str, value: &str| invalid("output", format!("unknown {what} “{value}”"));
        Ok(model::OutputSettings {
            folder: self.folder.map(PathBuf::from),
            base_name: self.base_name,
            digits: self.digits.clamp(1, 9),
            half_numbers: self.half_numbers,
            kind: model::OutputKind::from_key(&self.kind).ok_or_else(|| unknown("kind", &self.kind))?,
            space: self.space,
            rendering: self.rendering,
            compression: model::TiffCompression::from_key(&self.compression)
                .ok_or_else(|| unknown("compression", &self.compression))?,
            jpeg_quality: self.jpeg_quality.clamp(1, 100),
            web_long_side_px: self.web_long_side_px.max(16),
            creator: self.creator,
            copyright: self.copyright,
        })
    }
}
