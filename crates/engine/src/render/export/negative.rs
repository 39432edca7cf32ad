//! Archive negatives: the film of a frame as it was scanned, with infrared and a margin of rebate, sample by sample.

use std::sync::Arc;

use glassine_film::OutputSpace;
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::icc::{TransferCurve, build_grey_profile, build_rgb_profile};
use glassine_scanfile::{
    ClosedPicture, Encoding, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter,
};
use glassine_session::OutputSettings;

use super::plan::PlannedEntry;
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::types::{ExportRequest, ExportedFile};

/// Film around the picture. Our choice: the least gap between frames of small film is 2 mm, so that clear film shows on
/// every side and the neighbours hardly do.
const MARGIN_MM: f64 = 1.5;
/// The same for scans without a known resolution, relative to the shorter side of the picture.
const MARGIN_SHARE: f64 = 0.06;
/// Rows read at a time.
const PIECE_ROWS: u32 = 256;

/// The part of the scan that holds a frame and some film around it.
pub(super) fn place_of(context: &FrameContext) -> PixelRect {
    let (frame, open) = (&context.frame, &context.open);
    let short_px = frame.crop.width_px.min(frame.crop.height_px);
    let margin_px = match context.scan_ref.resolution() {
        Some(ppi) => ppi.px_from_mm(MARGIN_MM),
        None => MARGIN_SHARE * short_px,
    };
    let (width, height) = (open.width(), open.height());
    let margin = margin_px.ceil().clamp(1.0, f64::from(width.max(height))) as u32;
    let crop = frame.crop.pixel_bounds(width, height);
    let image = frame.image_area.map_or(crop, |area| area.pixel_bounds(width, height));
    let both = PixelRect::new(
        crop.x0.min(image.x0),
        crop.y0.min(image.y0),
        crop.x1.max(image.x1),
        crop.y1.max(image.y1),
    );
    both.grown(margin, width, height)
}

/// Write the film of a frame, without giving the file its name yet.
pub(super) fn write(
    request: &ExportRequest,
    output: &OutputSettings,
    context: &FrameContext,
    planned: &PlannedEntry,
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<(ClosedPicture, ExportedFile), EngineError> {
    let path = planned.path()?;
    let place = place_of(context);
    let mut spec = spec_of(request, output, context, place)?;
    spec.overwrite = planned.overwrite();
    planned.describe(&mut spec.metadata);
    let mut writer = PictureWriter::begin(path, &spec)?;
    let channels = usize::from(spec.channels);
    let colours = usize::from(context.open.colour_channels()).min(3);
    let mut ends = [[0_u64; 3]; 2];
    for y0 in (place.y0..place.y1).step_by(PIECE_ROWS as usize) {
        super::together::rest(cancel)?;
        let piece = PixelRect { y0, y1: (y0 + PIECE_ROWS).min(place.y1), ..place };
        let samples = context.open.own_codes(piece, cancel)?;
        for px in samples.data().chunks_exact(channels) {
            for (channel, code) in px.iter().take(colours).enumerate() {
                ends[0][channel] += u64::from(*code == 0);
                ends[1][channel] += u64::from(*code == u16::MAX);
            }
        }
        writer.write_rows_u16(samples.data())?;
        share(f64::from(piece.y1 - place.y0) as f32 / place.height() as f32);
    }
    let share_of = |counts: [u64; 3]| {
        let of = |channel: usize| counts[channel.min(colours - 1)] as f64 / place.area().max(1) as f64;
        [of(0), of(1), of(2)]
    };
    let [clip_low, clip_high] = ends.map(share_of);
    let file = ExportedFile {
        frame: context.frame.id,
        number: output.number_of(&context.frame, 1),
        recipe: output.recipe_name().to_owned(),
        path: path.to_owned(),
        width_px: place.width(),
        height_px: place.height(),
        clip_low,
        clip_high,
        counted_pixels: place.area(),
        counts_for_session: false,
        bytes: 0,
        seconds: 0.0,
        notes: Vec::new(),
    };
    Ok((writer.close()?, file))
}

fn spec_of(
    request: &ExportRequest,
    output: &OutputSettings,
    context: &FrameContext,
    place: PixelRect,
) -> Result<PictureSpec, EngineError> {
    let open = &context.open;
    Ok(PictureSpec {
        width_px: place.width(),
        height_px: place.height(),
        channels: open.channels(),
        bits: 16,
        ppi: context.scan_ref.resolution().filter(|ppi| super::job::POSSIBLE_PPI.contains(&ppi.ppi())),
        icc: Some(film_profile(context)?),
        metadata: Metadata {
            description: describe(context, place),
            ..super::about::metadata(request, output, context)
        },
        format: PictureFormat::Tiff { compression: super::job::compression_of(output) },
        overwrite: Overwrite::Never,
    })
}

/// What the samples are and where they come from, for a reader who has only this file.
fn describe(context: &FrameContext, place: PixelRect) -> String {
    let FrameContext { frame, scan_ref, open, .. } = context;
    let name = scan_ref.path.file_name().unwrap_or_default().to_string_lossy();
    let planes = scan_ref.planes.join(", ");
    let turns = frame.orientation.quarter_turns();
    let mirrored = if frame.orientation.is_mirrored() { "mirrored, then " } else { "" };
    format!(
        "Archive negative: film as scanned, not inverted, not repaired, not turned. Samples: {planes}; {} codes of the \
         scan “{name}”, pixels {} to {} across and {} to {} down. To view: {mirrored}turned clockwise by {} degrees.",
        encoding_text(open.info().encoding),
        place.x0,
        place.x1,
        place.y0,
        place.y1,
        u32::from(turns) * 90
    )
}

/// How codes relate to light, in words.
pub(crate) fn encoding_text(encoding: Encoding) -> String {
    match encoding {
        Encoding::Linear => "linear".to_owned(),
        Encoding::Srgb => "sRGB (IEC 61966-2-1)".to_owned(),
        Encoding::Gamma(gamma) => format!("gamma {gamma}"),
        Encoding::Profile => "by the embedded profile".to_owned(),
    }
}

/// The profile of the film's own light: the curve of its codes, linear for a linear scan. Its colours are those of the
/// scan's profile if that has any, else the primaries of sRGB stand in for those of the scanner, which nobody measured.
fn film_profile(context: &FrameContext) -> Result<Arc<[u8]>, EngineError> {
    let open = &context.open;
    let curve = match open.info().encoding {
        Encoding::Linear => TransferCurve::Linear,
        Encoding::Srgb => TransferCurve::srgb(),
        Encoding::Gamma(gamma) => TransferCurve::Gamma(gamma as f32),
        Encoding::Profile => match open.own_profile()? {
            Some(own) => return Ok(own.into()),
            None => TransferCurve::Linear,
        },
    };
    if open.colour_channels() == 1 {
        return Ok(build_grey_profile("Film as scanned, grey", &curve).into());
    }
    let space = OutputSpace::LinearSrgb;
    let to_xyz = open.tables.linearisation.to_xyz_d50.unwrap_or_else(|| space.to_xyz_d50());
    Ok(build_rgb_profile("Film as scanned, scanner colours not measured", to_xyz, space.white(), &curve)
        .into())
}

/// The profile of light through the film, relative to that through its base.
pub(super) fn linear_film_profile(channels: u8) -> Arc<[u8]> {
    if channels == 1 {
        return build_grey_profile("Light through film, grey", &TransferCurve::Linear).into();
    }
    let space = OutputSpace::LinearSrgb;
    let name = "Light through film, scanner colours not measured";
    build_rgb_profile(name, space.to_xyz_d50(), space.white(), &TransferCurve::Linear).into()
}
