//! Joined scans in the session file, from version 2 on.

use std::path::Path;
use std::sync::Arc;

use glassine_layout::join::{Affine, Seam};
use serde::{Deserialize, Serialize};

use super::invalid;
use super::scan::Scan;
use crate::file::FileError;
use crate::file::paths::StoredPath;
use crate::model;

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Part {
    scan: Scan,
    /// Rows `[a, b, tx]` and `[c, d, ty]`: from pixels of the part to joined pixels, at pixel edges.
    to_joined: [[f64; 3]; 2],
    /// Gain and offset of each plane.
    light: Vec<[f64; 2]>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    seams: Vec<StoredSeam>,
}

#[derive(Debug, Serialize, Deserialize)]
struct StoredSeam {
    runs_down: bool,
    is_after: bool,
    start_px: f64,
    step_px: f64,
    half_width_px: f64,
    places_px: Vec<f64>,
}

/// The parts of a joined scan.
pub(super) fn from_model(
    join: &model::Join,
    store: &impl Fn(&Path) -> StoredPath,
) -> Result<Vec<Part>, FileError> {
    let part = |part: &model::JoinPart| {
        let seams = part.seams.iter().map(|seam| StoredSeam {
            runs_down: seam.runs_down,
            is_after: seam.is_after,
            start_px: seam.start_px,
            step_px: seam.step_px,
            half_width_px: seam.half_width_px,
            places_px: seam.places_px.clone(),
        });
        Ok(Part {
            scan: Scan::from_model(&part.scan, store)?,
            to_joined: part.to_joined.0,
            light: part.light.clone(),
            seams: seams.collect(),
        })
    };
    join.parts.iter().map(part).collect()
}

/// The parts as a value; refuses numbers that no picture can be made with.
pub(super) fn into_model(parts: Vec<Part>, place: &str) -> Result<Arc<model::Join>, FileError> {
    if parts.len() < 2 {
        return Err(invalid(place.to_owned(), "a joined scan has at least two parts"));
    }
    let part = |part: Part| {
        let to_joined = Affine(part.to_joined);
        // A scale far from 1 would make every read unbounded.
        if !to_joined.is_sound() || !(0.1..=10.0).contains(&to_joined.scale()) {
            return Err(invalid(place.to_owned(), "a part has no sensible place"));
        }
        let light_is_sound = part.light.iter().all(|[gain, offset]| gain.is_finite() && offset.is_finite());
        if !light_is_sound {
            return Err(invalid(place.to_owned(), "gain and offset of a part must be finite"));
        }
        let scan = part.scan.into_model()?;
        if scan.join.is_some() {
            return Err(invalid(place.to_owned(), "a part can't be joined itself"));
        }
        let seams = part.seams.into_iter().map(|seam| seam.into_model(place));
        Ok(model::JoinPart { scan, to_joined, light: part.light, seams: seams.collect::<Result<_, _>>()? })
    };
    Ok(Arc::new(model::Join { parts: parts.into_iter().map(part).collect::<Result<_, _>>()? }))
}

impl StoredSeam {
    fn into_model(self, place: &str) -> Result<Seam, FileError> {
        let Self { runs_down, is_after, start_px, step_px, half_width_px, places_px } = self;
        let is_sound =
            step_px > 0.0 && half_width_px > 0.0 && step_px.is_finite() && half_width_px.is_finite();
        if !(is_sound && start_px.is_finite() && places_px.iter().all(|place| place.is_finite())) {
            return Err(invalid(place.to_owned(), "a seam has no sensible place"));
        }
        Ok(Seam { runs_down, is_after, start_px, step_px, places_px, half_width_px })
    }
}
