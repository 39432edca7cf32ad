//! Frames in version 1 of the session file.

use std::sync::Arc;

use glassine_film::{Look, Param, ParamGroup};
use glassine_raster::{Orientation, Point};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use super::{Facts, Place, invalid};
use crate::crop_guard::is_held_inside;
use crate::file::FileError;
use crate::model::{self, FrameId, FrameMark, StripId};
use crate::stroke::{BrushStroke, StrokeKind};

#[derive(Debug, Serialize, Deserialize)]
struct FrameSolve {
    log_offset: [f64; 3],
    exposure_stops: f64,
    balance_cc: [f64; 2],
    cast_suggestion_cc: [f64; 2],
    confidence: f64,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
}

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Frame {
    id: u32,
    number: u32,
    /// Number on the film, such as `12A`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    film_number: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    strip: u32,
    #[serde(rename = "box")]
    crop: Place,
    image_area: Option<Place>,
    guard_margin_px: f64,
    held: bool,
    quarter_turns: u8,
    mirrored: bool,
    #[serde(default)]
    skipped: bool,
    /// The user's choice, unless there is none or it is to leave the frame out, which `skipped` says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    mark: Option<String>,
    confidence: f64,
    #[serde(default)]
    reason: String,
    #[serde(default)]
    flags: Vec<String>,
    solve: Option<FrameSolve>,
    settings: Map<String, Value>,
    /// Groups of settings without effect.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    settings_off: Vec<String>,
    /// Each is a [`Stroke`]; strokes of an unknown kind are kept as they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    strokes: Vec<Value>,
    /// What is written about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    facts: Option<Facts>,
}

#[derive(Debug, Deserialize)]
struct Stroke {
    kind: String,
    radius_px: f64,
    points_px: Vec<[f64; 2]>,
}

impl Frame {
    pub(super) fn from_model(frame: &model::Frame) -> Self {
        Self {
            id: frame.id.0,
            number: frame.number,
            film_number: frame.film_number.map(|number| number.text(1)),
            name: frame.name.clone(),
            strip: frame.strip.0,
            crop: Place::from_model(&frame.crop),
            image_area: frame.image_area.as_ref().map(Place::from_model),
            guard_margin_px: frame.guard_margin_px,
            held: frame.held,
            quarter_turns: frame.orientation.quarter_turns(),
            mirrored: frame.orientation.is_mirrored(),
            skipped: frame.is_left_out(),
            mark: matches!(frame.mark, FrameMark::Keep | FrameMark::LookAgain)
                .then(|| frame.mark.key().to_owned()),
            confidence: frame.confidence,
            reason: frame.reason.clone(),
            flags: frame.flags.iter().map(|flag| flag.key().to_owned()).collect(),
            solve: frame.solve.as_ref().map(|solve| FrameSolve {
                log_offset: solve.log_offset,
                exposure_stops: solve.exposure_stops,
                balance_cc: solve.balance_cc,
                cast_suggestion_cc: solve.cast_suggestion_cc,
                confidence: solve.confidence,
                notes: solve.notes.clone(),
            }),
            settings: Param::all()
                .map(|param| (param.spec().key.to_owned(), Value::from(frame.look.kept(param))))
                .collect(),
            settings_off: ParamGroup::ALL
                .into_iter()
                .filter(|group| frame.look.is_off(*group))
                .map(|group| group.key().to_owned())
                .collect(),
            strokes: frame.strokes.iter().map(|stroke| stroke_to_value(stroke)).collect(),
            facts: (!frame.facts.is_empty()).then(|| Facts::from_model(&frame.facts)),
        }
    }

    pub(super) fn into_model(self) -> Result<model::Frame, FileError> {
        let number = self.number;
        let place = || format!("frame {number}");
        let mut look = Look::default();
        // This program ignores settings, strokes and flags of a newer one; the file keeps them.
        for (key, value) in self.settings {
            match (Param::from_key(&key), value.as_f64()) {
                (Some(param), Some(number)) => look.set(param, number),
                (Some(_), None) => return Err(invalid(place(), format!("“{key}” must be a number"))),
                (None, _) => {}
            }
        }
        for group in self.settings_off.iter().filter_map(|key| ParamGroup::from_key(key)) {
            look.switch(group, true);
        }
        let strokes = self
            .strokes
            .into_iter()
            .filter(is_known_stroke)
            .map(|value| {
                stroke_from_value(value)
                    .map(Arc::new)
                    .ok_or_else(|| invalid(place(), "a brush stroke needs finite points and a radius"))
            })
            .collect::<Result<_, _>>()?;
        let mut frame = model::Frame {
            id: FrameId(self.id),
            number,
            film_number: self.film_number.as_deref().and_then(model::FilmNumber::from_text),
            name: self.name,
            strip: StripId(self.strip),
            crop: self.crop.into_box(),
            image_area: self.image_area.map(Place::into_box),
            guard_margin_px: self.guard_margin_px,
            held: self.held,
            orientation: Orientation::new(self.quarter_turns, self.mirrored),
            look,
            strokes,
            solve: self.solve.map(|solve| model::FrameSolve {
                log_offset: solve.log_offset,
                exposure_stops: solve.exposure_stops,
                balance_cc: solve.balance_cc,
                cast_suggestion_cc: solve.cast_suggestion_cc,
                confidence: solve.confidence,
                notes: solve.notes,
            }),
            confidence: self.confidence,
            reason: self.reason,
            flags: self.flags.iter().filter_map(|flag| model::FrameFlag::from_key(flag)).collect(),
            mark: match self.mark.as_deref().and_then(FrameMark::from_key) {
                _ if self.skipped => FrameMark::LeaveOut,
                mark => mark.unwrap_or_default(),
            },
            facts: Arc::new(self.facts.map(Facts::into_model).unwrap_or_default()),
        };
        // An older program may have left a held box outside its image area: released, its picture stays as it was.
        frame.held &= is_held_inside(&frame);
        Ok(frame)
    }
}

fn stroke_to_value(stroke: &BrushStroke) -> Value {
    let points: Vec<Value> = stroke.points().iter().map(|p| Value::from(vec![p.x, p.y])).collect();
    let mut value = Map::new();
    value.insert("kind".to_owned(), stroke.kind().key().into());
    value.insert("radius_px".to_owned(), stroke.radius_px().into());
    value.insert("points_px".to_owned(), points.into());
    Value::Object(value)
}

/// Whether the kind of a stroke is known: a newer program may have added others.
fn is_known_stroke(value: &Value) -> bool {
    value.get("kind").and_then(Value::as_str).is_none_or(|kind| StrokeKind::from_key(kind).is_some())
}

fn stroke_from_value(value: Value) -> Option<BrushStroke> {
    let Stroke { kind, radius_px, points_px } = serde_json::from_value(value).ok()?;
    let points: Vec<_> = points_px.into_iter().map(|[x, y]| Point::new(x, y)).collect();
    BrushStroke::new(StrokeKind::from_key(&kind)?, &points, radius_px)
}
