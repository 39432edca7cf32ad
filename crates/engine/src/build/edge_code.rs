//! Numbers of frames from the code along the edge of 35 mm film.

use glassine_layout::{CodedStrip, EdgeCodes, FoundStrip, format_by_id, read_edge_codes};
use glassine_raster::{CancelToken, RegionSource, ResolutionPpi};
use glassine_session::{FilmNumber, ReadCode, StripCode};

use crate::error::EngineError;

/// What the codes of a strip say, and the number of each of its frames where it is beyond doubt.
///
/// Only perforated film has codes; without a known resolution the width of the film gives the scale.
pub(super) fn edge_code(
    scan: &dyn RegionSource,
    strip: &FoundStrip,
    ppi: Option<ResolutionPpi>,
    colour_channels: u8,
    cancel: &CancelToken,
) -> Result<(Option<StripCode>, Vec<Option<FilmNumber>>), EngineError> {
    let nothing = (None, vec![None; strip.frames.len()]);
    if strip.perforations.is_empty() {
        return Ok(nothing);
    }
    let area = &strip.film_area;
    let px_per_mm = match ppi {
        Some(ppi) => ppi.px_from_mm(1.0),
        None => match format_by_id("135").and_then(|format| format.strip_width_mm) {
            Some(width_mm) => area.width_px.min(area.height_px) / width_mm,
            None => return Ok(nothing),
        },
    };
    let coded =
        CodedStrip { film_area: area, axis: strip.axis, tone: strip.tone, px_per_mm, colour_channels };
    let codes = read_edge_codes(scan, &coded, cancel)?;
    let Some((product, specifier)) = codes.film_code else { return Ok(nothing) };
    let numbers = strip.frames.iter().map(|frame| {
        let number = codes.number_at(coded.along_mm(frame.image_area.center))?;
        number.is_sure.then_some(FilmNumber { number: number.number, is_half: number.is_half })
    });
    let numbers = numbers.collect();
    Ok((Some(strip_code(&codes, [product, specifier])), numbers))
}

fn strip_code(codes: &EdgeCodes, film_code: [u8; 2]) -> StripCode {
    let read = codes.codes.iter().map(|code| ReadCode {
        number: code.frame.map(|number| FilmNumber { number, is_half: code.is_half }),
        center: code.center,
    });
    StripCode {
        film_code,
        is_mirrored: codes.is_mirrored,
        is_turned: codes.is_turned,
        confidence: f64::from(codes.confidence),
        codes: read.collect(),
    }
}
