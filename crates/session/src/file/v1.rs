//! Versions 1 and 2 of the session file. Fields may be added with defaults; none may change meaning. Version 2 adds joined
//! scans, which a program of version 1 would take for their first part.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_film::{BalanceMode, BaseField, FilmKind, Stock};
use glassine_raster::{Point, TiltedBox};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use self::facts::{Facts, Roll};
use self::frame::Frame;
use self::output::Output;
use self::scan::Scan;
use super::paths::StoredPath;
use super::{FORMAT, FileError, FileStamp, OpenedFile};
use crate::model::{self, RollId, ScanId, StripId};

pub(super) use self::output::keep_unknown_choices;
pub use self::recipe::{recipe_from_json, recipe_to_json};

mod facts;
mod frame;
mod join;
mod output;
mod recipe;
mod scan;

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct File {
    format: String,
    version: u32,
    /// Version of the rendering of the program that wrote the file.
    #[serde(default = "first_rendering")]
    rendering_version: u32,
    #[serde(default)]
    generation: u64,
    #[serde(default)]
    run: String,
    #[serde(default)]
    title: String,
    #[serde(default)]
    notes: String,
    #[serde(default)]
    next_id: u32,
    #[serde(default)]
    scans: Vec<Scan>,
    /// What is written about rolls.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    rolls: Vec<Roll>,
    #[serde(default)]
    strips: Vec<Strip>,
    #[serde(default)]
    frames: Vec<Frame>,
    /// The session's own stocks, each in the format of a stock file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    stocks: Vec<Value>,
    #[serde(default)]
    output: Option<Output>,
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    roll: Option<u32>,
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    edge_code: Option<EdgeCode>,
    #[serde(default, skip_serializing_if = "is_false")]
    shown_mirrored: bool,
    #[serde(default, skip_serializing_if = "is_false")]
    shown_turned: bool,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
fn is_false(value: &bool) -> bool {
    !value
}

#[derive(Debug, Serialize, Deserialize)]
struct EdgeCode {
    film_code: [u8; 2],
    mirrored: bool,
    turned: bool,
    confidence: f64,
    codes: Vec<Code>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Code {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    number: Option<String>,
    center_px: [f64; 2],
}

impl EdgeCode {
    fn from_model(code: &model::StripCode) -> Self {
        let codes = code.codes.iter().map(|code| Code {
            number: code.number.map(|number| number.text(1)),
            center_px: [code.center.x, code.center.y],
        });
        Self {
            film_code: code.film_code,
            mirrored: code.is_mirrored,
            turned: code.is_turned,
            confidence: code.confidence,
            codes: codes.collect(),
        }
    }

    fn into_model(self) -> model::StripCode {
        let codes = self.codes.into_iter().map(|code| model::ReadCode {
            number: code.number.as_deref().and_then(model::FilmNumber::from_text),
            center: Point::new(code.center_px[0], code.center_px[1]),
        });
        model::StripCode {
            film_code: self.film_code,
            is_mirrored: self.mirrored,
            is_turned: self.turned,
            confidence: self.confidence,
            codes: codes.collect(),
        }
    }
}

#[derive(Debug, Serialize, Deserialize)]
struct Base {
    density_d: [f64; 3],
    pixels: u64,
    spread_d: [f64; 3],
    recommended_tolerance_d: f64,
    confidence: f64,
    source: BaseSource,
    /// Terms of the surface over the scan, one row per channel.
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

impl File {
    /// `store` turns a path of the session into the path that is written.
    pub(super) fn from_model(
        session: &model::Session,
        stamp: &FileStamp,
        store: impl Fn(&Path) -> PathBuf,
    ) -> Result<Self, FileError> {
        let store = |path: &Path| StoredPath::of(&store(path));
        Ok(Self {
            format: FORMAT.to_owned(),
            version: super::version_of(session),
            rendering_version: glassine_film::RENDERING_VERSION,
            generation: stamp.generation,
            run: stamp.run.clone(),
            title: session.title.clone(),
            notes: session.notes.clone(),
            next_id: session.next_id,
            scans: session
                .scans
                .iter()
                .map(|scan| Scan::from_model(scan, &store))
                .collect::<Result<_, _>>()?,
            rolls: session.rolls.iter().map(|roll| Roll::from_model(roll)).collect(),
            strips: session.strips.iter().map(|strip| Strip::from_model(strip)).collect(),
            frames: session.frames.iter().map(|frame| Frame::from_model(frame)).collect(),
            stocks: session.stocks.iter().map(|stock| stock_value(stock)).collect::<Result<_, _>>()?,
            output: Some(Output::from_model(&session.output, &session.extra, &store)),
        })
    }

    pub(super) fn into_model(self) -> Result<OpenedFile, FileError> {
        let Self {
            format: _,
            version: _,
            rendering_version,
            generation,
            run,
            title,
            notes,
            next_id,
            scans,
            rolls,
            strips,
            frames,
            stocks,
            output,
        } = self;
        let mut unknown = Vec::new();
        let session = model::Session {
            title,
            notes,
            scans: scans.into_iter().map(|scan| scan.into_model().map(Arc::new)).collect::<Result<_, _>>()?,
            rolls: rolls.into_iter().map(|roll| Arc::new(roll.into_model())).collect(),
            strips: strips
                .into_iter()
                .map(|strip| strip.into_model().map(Arc::new))
                .collect::<Result<_, _>>()?,
            frames: frames
                .into_iter()
                .map(|frame| frame.into_model().map(Arc::new))
                .collect::<Result<_, _>>()?,
            stocks: stocks.iter().map(|stock| own_stock(stock).map(Arc::new)).collect::<Result<_, _>>()?,
            output: output.unwrap_or_default().into_model(&mut unknown),
            next_id,
            extra: Arc::default(),
        };
        check_links(&session)?;
        let changes = glassine_film::rendering_changes_since(rendering_version);
        if !changes.is_empty() {
            unknown
                .push(format!("pictures differ from those that were made earlier: {}", changes.join("; ")));
        }
        unknown.extend(session.output.unknown_choice());
        for (idx, strip) in
            session.strips.iter().enumerate().filter(|(_, strip)| !session.knows_stock_of(strip))
        {
            unknown.push(format!(
                "strip {}: the stock “{}” is not in this program; the usual one for {} is used",
                idx + 1,
                strip.stock_id,
                strip.film.label()
            ));
        }
        Ok(OpenedFile { session, stamp: FileStamp { generation, run }, notes: unknown })
    }
}

/// Rendering of files that do not name one.
fn first_rendering() -> u32 {
    1
}

fn stock_value(stock: &Stock) -> Result<Value, FileError> {
    serde_json::from_str(&stock.to_json()).map_err(|error| FileError::Unwritable {
        place: format!("stock “{}”", stock.name),
        reason: error.to_string(),
    })
}

fn own_stock(value: &Value) -> Result<Stock, FileError> {
    Stock::from_json(&value.to_string()).map_err(|error| invalid("stocks", error.to_string()))
}

fn invalid(place: impl Into<String>, reason: impl Into<String>) -> FileError {
    FileError::Invalid { place: place.into(), reason: reason.into() }
}

/// Every frame must be on a strip and every strip on a scan, with each id used once.
fn check_links(session: &model::Session) -> Result<(), FileError> {
    let mut ids: Vec<u32> = session.scans.iter().map(|s| s.id.0).collect();
    ids.extend(session.strips.iter().map(|s| s.id.0));
    ids.extend(session.frames.iter().map(|f| f.id.0));
    ids.extend(session.rolls.iter().map(|roll| roll.id.0));
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    if ids.len() != count {
        return Err(invalid("ids", "an id is used twice"));
    }
    for strip in &session.strips {
        if let Some(roll) = strip.roll.filter(|id| session.roll(*id).is_none()) {
            return Err(invalid(format!("strip {}", strip.id), format!("roll {roll} is missing")));
        }
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

impl Place {
    /// The angle is stored in radians: conversion to degrees and back would not give the same bits.
    fn from_model(area: &TiltedBox) -> Self {
        Self {
            center_px: [area.center.x, area.center.y],
            width_px: area.width_px,
            height_px: area.height_px,
            angle_rad: area.angle_rad,
        }
    }

    /// Taken as written: a senseless box is reported with its frame, not as a fault of the file.
    fn into_box(self) -> TiltedBox {
        TiltedBox {
            center: Point::new(self.center_px[0], self.center_px[1]),
            width_px: self.width_px,
            height_px: self.height_px,
            angle_rad: self.angle_rad,
        }
    }

    fn into_model(self, place: impl Fn() -> String) -> Result<TiltedBox, FileError> {
        let area = self.into_box();
        if area.is_sane() {
            Ok(area)
        } else {
            Err(invalid(place(), "a box needs a valid position and two positive sides"))
        }
    }
}

impl Strip {
    fn from_model(strip: &model::Strip) -> Self {
        Self {
            id: strip.id.0,
            roll: strip.roll.map(|roll| roll.0),
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
            edge_code: strip.edge_code.as_ref().map(EdgeCode::from_model),
            shown_mirrored: strip.is_mirrored,
            shown_turned: strip.is_turned,
            notes: strip.notes.clone(),
        }
    }

    fn into_model(self) -> Result<model::Strip, FileError> {
        let id = self.id;
        let place = || format!("strip {id}");
        let unknown = |what: &str, value: &str| invalid(place(), format!("unknown {what} “{value}”"));
        Ok(model::Strip {
            id: StripId(id),
            roll: self.roll.map(RollId),
            scan: ScanId(self.scan),
            film: FilmKind::from_key(&self.film).ok_or_else(|| unknown("film kind", &self.film))?,
            format_id: self.format,
            film_area: self.film_area.map(|area| area.into_model(place)).transpose()?,
            stock_id: self.stock,
            base: self.base.map(|base| base.into_model(place)).transpose()?,
            mask_tolerance_d: self.mask_tolerance_d,
            unmix_strength: self.unmix_strength,
            balance: BalanceMode::from_key(&self.balance).ok_or_else(|| unknown("balance", &self.balance))?,
            solve: self.solve.map(|solve| model::StripSolve {
                gamma_ratio: solve.gamma_ratio,
                toe_ratio: solve.toe_ratio,
                colour_strength: solve.colour_strength,
                neutral_log: solve.neutral_log,
                confidence: solve.confidence,
                provenance: solve.provenance,
            }),
            edge_code: self.edge_code.map(EdgeCode::into_model),
            is_mirrored: self.shown_mirrored,
            is_turned: self.shown_turned,
            perforations: self
                .perforations
                .into_iter()
                .map(|area| area.into_model(place))
                .collect::<Result<_, _>>()?,
            notes: self.notes,
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
