//! The session file: readable JSON, `NAME.session.json`, that must open for ever.
//!
//! A newer major version is refused; keys this program does not know are kept and written back. The model itself is
//! never serialised: a version has its own structures ([`v1`]), so that the model may change freely.

mod v1;

use std::path::{Component, Path, PathBuf};

use serde_json::Value;

use crate::Session;

/// Value of the key `format` that marks a session file.
pub const FORMAT: &str = "glassine-session";
/// Version this program writes.
pub const VERSION: u32 = 1;
/// Largest session file that is read.
pub const MAX_BYTES: u64 = 64 * 1024 * 1024;

/// Why a session file can't be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// Not JSON, or cut off.
    #[error("the file is damaged at line {line}, column {column}: {reason}")]
    Damaged {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What the parser met.
        reason: String,
    },
    /// JSON, but something else.
    #[error("this is not a session file (no “format”: “{FORMAT}”)")]
    NotASession,
    /// Made by a newer program.
    #[error("the file has version {found}; this program reads up to version {supported}")]
    Newer {
        /// Version of the file.
        found: u64,
        /// Newest version that is read.
        supported: u32,
    },
    /// A value that can't be.
    #[error("{place}: {reason}")]
    Invalid {
        /// Which entry.
        place: String,
        /// What is wrong with it.
        reason: String,
    },
}

/// The bytes of a session file: stable key order, one line a key, floats with full precision, a final newline.
///
/// Paths are written relative to `folder` (where the file will lie) when the scan is in or below it or beside it.
pub fn to_json(session: &Session, folder: Option<&Path>) -> Result<Vec<u8>, FileError> {
    let file = v1::File::from_model(session, |path| relative_path(path, folder));
    let mut bytes = serde_json::to_vec_pretty(&file).map_err(|error| damaged(&error))?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// Read the bytes of a session file. Paths come back as written; resolve them with [`resolve_path`].
pub fn from_json(bytes: &[u8]) -> Result<Session, FileError> {
    let value: Value = serde_json::from_slice(bytes).map_err(|error| damaged(&error))?;
    if value.get("format").and_then(Value::as_str) != Some(FORMAT) {
        return Err(FileError::NotASession);
    }
    let found = value.get("version").and_then(Value::as_u64).ok_or(FileError::NotASession)?;
    if found > u64::from(VERSION) {
        return Err(FileError::Newer { found, supported: VERSION });
    }
    // From the bytes again, not from the value, so that a wrong entry is reported with its line.
    let file: v1::File = serde_json::from_slice(bytes).map_err(|error| damaged(&error))?;
    file.into_model()
}

fn damaged(error: &serde_json::Error) -> FileError {
    let text = error.to_string();
    let reason = text.split(" at line ").next().unwrap_or_default().to_owned();
    FileError::Damaged { line: error.line(), column: error.column(), reason }
}

/// A stored path as a path on this machine: relative ones start at the session's folder.
pub fn resolve_path(stored: &Path, folder: Option<&Path>) -> PathBuf {
    match folder {
        Some(folder) if stored.is_relative() => folder.join(stored),
        _ => stored.to_owned(),
    }
}

/// How far up from the session's folder a scan may lie and still be stored relative.
const MAX_STEPS_UP: usize = 3;

fn relative_path(path: &Path, folder: Option<&Path>) -> String {
    let plain = |path: &Path| {
        let parts: Vec<_> = path.components().map(|c| c.as_os_str().to_string_lossy().into_owned()).collect();
        if path.is_absolute() { path.to_string_lossy().into_owned() } else { parts.join("/") }
    };
    let Some(folder) = folder.filter(|folder| folder.is_absolute() && path.is_absolute()) else {
        return plain(path);
    };
    let common = folder.components().zip(path.components()).take_while(|(a, b)| a == b).count();
    let up = folder.components().count() - common;
    let shares_more_than_the_root =
        folder.components().take(common).any(|c| matches!(c, Component::Normal(_)));
    if up > MAX_STEPS_UP || !(shares_more_than_the_root || up == 0) {
        return plain(path);
    }
    let mut parts = vec!["..".to_owned(); up];
    parts.extend(path.components().skip(common).map(|c| c.as_os_str().to_string_lossy().into_owned()));
    parts.join("/")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edit::tests::sample_session;
    use crate::{BaseSource, BrushStroke, Edit, FilmBase, FrameSolve, StripSolve, StrokeKind};
    use glassine_film::Param;
    use glassine_raster::Point;
    use std::sync::Arc;

    fn stroke(kind: StrokeKind) -> BrushStroke {
        let points = [Point::new(30.0625, 21.5), Point::new(34.0, 22.0)];
        BrushStroke::new(kind, &points, 3.25).expect("is sane")
    }

    fn full_session() -> Session {
        let mut session = sample_session();
        let strip = session.strips[0].id;
        let frame = session.frames[0].id;
        let stock = glassine_film::Stock {
            id: "own-1".to_owned(),
            name: "lantern, summer".to_owned(),
            ..glassine_film::default_stock(glassine_film::FilmKind::ColourNegative).clone()
        };
        for edit in [
            Edit::AddStock(Box::new(stock)),
            Edit::SetStock { strip, stock_id: "own-1".to_owned() },
            Edit::SetParam { frames: vec![frame], param: Param::ExposureStops, value: 1.0 / 3.0 },
            Edit::SetBase {
                strip,
                base: Some(FilmBase {
                    density_d: [0.1 + 0.2, 0.61, 0.83],
                    pixels: 12_345,
                    spread_d: [0.004; 3],
                    recommended_tolerance_d: 0.021,
                    confidence: 0.97,
                    source: BaseSource::Box(session.frames[0].crop),
                    field: glassine_film::BaseField::from_coefficients_d(
                        [[0.001, 0.002, 0.0, -0.003, 0.0, 0.1]; 3],
                    ),
                }),
            },
            Edit::ApplySolve {
                strip,
                solve: StripSolve {
                    gamma_ratio: [0.93, 1.0, 1.07],
                    toe_ratio: [1.1, 1.0, 0.9],
                    colour_strength: 0.9,
                    neutral_log: [0.1, 0.0, -0.05],
                    confidence: 0.8,
                    provenance: "strip solver 1".to_owned(),
                },
                frames: vec![(
                    frame,
                    FrameSolve {
                        log_offset: [0.11, 0.02, 0.05],
                        exposure_stops: -0.4,
                        balance_cc: [3.0, -1.0],
                        cast_suggestion_cc: [0.0, 2.0],
                        confidence: 0.7,
                        notes: vec!["few neutral pixels".to_owned()],
                    },
                )],
            },
            Edit::AddStroke { frame, stroke: stroke(StrokeKind::PaintIn) },
            Edit::AddStroke { frame, stroke: stroke(StrokeKind::PaintOut) },
        ] {
            session = edit.apply(&session).expect("applies");
        }
        session
    }

    #[test]
    fn save_open_save_gives_the_same_bytes_and_the_same_session() {
        let session = full_session();
        let bytes = to_json(&session, None).expect("serialises");
        let again = from_json(&bytes).expect("opens");
        assert_eq!(again, session);
        assert_eq!(to_json(&again, None).expect("serialises"), bytes);
    }

    #[test]
    fn keys_of_a_newer_program_survive_a_round_trip() {
        let bytes = to_json(&full_session(), None).expect("serialises");
        let mut value: Value = serde_json::from_slice(&bytes).expect("parses");
        value["colour_of_the_sea"] = "green".into();
        value["frames"][1]["tide_m"] = 2.5.into();
        value["frames"][1]["settings"]["sparkle"] = 0.25.into();
        let opened = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens");
        let saved: Value =
            serde_json::from_slice(&to_json(&opened, None).expect("serialises")).expect("parses");
        assert_eq!(saved["colour_of_the_sea"], "green");
        assert_eq!(saved["frames"][1]["tide_m"], 2.5);
        assert_eq!(saved["frames"][1]["settings"]["sparkle"], 0.25);
    }

    #[test]
    fn strokes_are_optional_in_files_and_those_of_a_newer_program_are_kept() {
        let session = full_session();
        let mut value: Value =
            serde_json::from_slice(&to_json(&session, None).expect("serialises")).expect("parses");
        let frame = &mut value["frames"][0];
        assert_eq!(frame["strokes"][0]["kind"], "paint-in");
        frame["strokes"].as_array_mut().expect("is a list").push(serde_json::json!({ "kind": "glitter" }));
        let opened = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens");
        assert_eq!(opened.frames[0].strokes, session.frames[0].strokes);
        let saved: Value =
            serde_json::from_slice(&to_json(&opened, None).expect("serialises")).expect("parses");
        assert_eq!(saved["frames"][0]["strokes"], value["frames"][0]["strokes"]);

        value["frames"][0].as_object_mut().expect("is an object").remove("strokes");
        let older = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens");
        assert!(older.frames[0].strokes.is_empty());

        value["frames"][0]["strokes"] =
            serde_json::json!([{ "kind": "spot", "radius_px": 2, "points_px": [] }]);
        assert!(matches!(
            from_json(&serde_json::to_vec(&value).expect("serialises")),
            Err(FileError::Invalid { .. })
        ));
    }

    #[test]
    fn a_newer_version_a_strange_file_and_damage_are_each_told_apart() {
        let mut value: Value =
            serde_json::from_slice(&to_json(&full_session(), None).expect("serialises")).expect("parses");
        value["version"] = 7.into();
        let newer = from_json(&serde_json::to_vec(&value).expect("serialises"));
        assert!(matches!(newer, Err(FileError::Newer { found: 7, supported: 1 })));
        assert!(matches!(from_json(b"{\"frames\": []}"), Err(FileError::NotASession)));
        assert!(matches!(from_json(b"{\"format\": "), Err(FileError::Damaged { line: 1, .. })));
    }

    #[test]
    fn a_file_cut_anywhere_is_refused_without_a_panic() {
        let bytes = to_json(&full_session(), None).expect("serialises");
        for end in (0..bytes.len() - 2).step_by(7) {
            assert!(from_json(&bytes[..end]).is_err(), "cut at {end} was accepted");
        }
    }

    #[test]
    fn impossible_values_are_refused_by_name() {
        let mut value: Value =
            serde_json::from_slice(&to_json(&full_session(), None).expect("serialises")).expect("parses");
        value["frames"][2]["box"]["width_px"] = (-5.0).into();
        let error = from_json(&serde_json::to_vec(&value).expect("serialises")).expect_err("refused");
        assert!(error.to_string().contains("frame"), "{error}");
    }

    #[test]
    fn scans_near_the_session_are_stored_relative_and_resolve_back() {
        let mut session = full_session();
        Arc::make_mut(&mut session.scans[0]).path = PathBuf::from("/home/me/rolls/scans/a.tif");
        let folder = Path::new("/home/me/rolls/sessions");
        let bytes = to_json(&session, Some(folder)).expect("serialises");
        let opened = from_json(&bytes).expect("opens");
        assert_eq!(opened.scans[0].path, Path::new("../scans/a.tif"));
        assert_eq!(
            resolve_path(&opened.scans[0].path, Some(folder)),
            Path::new("/home/me/rolls/sessions/../scans/a.tif")
        );
    }
}
