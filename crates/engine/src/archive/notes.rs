//! Notes for whoever opens a package in thirty years: how the pictures were made, with every formula and value.

use glassine_film::{Param, RENDERING_VERSION};
use glassine_session::{Frame, Session, Strip};

use crate::frame::{space_of, stock_of};

const METHOD: &str = include_str!("method.txt");

/// The notes of a session.
pub(super) fn text(session: &Session) -> String {
    let mut out = METHOD.to_owned();
    line(&mut out, &format!("\nThe roll\n  title: {}\n  notes: {}", session.title, session.notes));
    let output = &session.output;
    line(
        &mut out,
        &format!(
            "  output: kind {}, space {}, rendering {}",
            output.kind.key(),
            output.space,
            output.rendering
        ),
    );
    line(&mut out, &format!("  version of the rendering: {RENDERING_VERSION}"));
    let matrix = space_of(&output.space).from_working();
    line(&mut out, &format!("  matrix from the working space to that of the output, row by row: {matrix:?}"));
    out.push_str("\nScans\n");
    for scan in &session.scans {
        let name = scan.path.file_name().unwrap_or_default().to_string_lossy();
        let ppi = scan.ppi.map_or_else(|| "unknown".to_owned(), |ppi| format!("{ppi}"));
        line(
            &mut out,
            &format!(
                "  scan {}: {name}, {} x {} px, {ppi} ppi, planes {}, encoding {:?}, stray light {:?}",
                scan.id,
                scan.width_px,
                scan.height_px,
                scan.planes.join(" "),
                scan.encoding_in_use(),
                scan.stray_light_in_use()
            ),
        );
        for part in scan.join.iter().flat_map(|join| &join.parts) {
            let name = part.scan.path.file_name().unwrap_or_default().to_string_lossy();
            line(
                &mut out,
                &format!(
                    "    joined from {name}: x, y of its pixels to joined pixels {:?}, gain and offset of each plane {:?}",
                    part.to_joined.0, part.light
                ),
            );
        }
    }
    out.push_str("\nStrips\n");
    session.strips.iter().for_each(|strip| add_strip(&mut out, session, strip));
    out.push_str("\nFrames\n");
    for (idx, frame) in session.frames.iter().enumerate() {
        add_frame(&mut out, session, idx, frame);
    }
    out
}

/// Add a line of text.
pub(super) fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn add_strip(out: &mut String, session: &Session, strip: &Strip) {
    let base = strip.base.as_ref().map_or_else(|| "none".to_owned(), |base| format!("{:?}", base.density_d));
    line(
        out,
        &format!(
            "  strip {}: scan {}, {}, stock {}, film base {base} D, unmix_strength {}",
            strip.id,
            strip.scan,
            strip.film.label(),
            strip.stock_id,
            strip.unmix_strength
        ),
    );
    let stock = stock_of(session, strip);
    line(out, &format!("    unmix {:?}, working_matrix {:?}", stock.unmix, stock.working_matrix));
    line(out, &format!("    curves of the layers {:?}", stock.curves));
    if let Some(solve) = &strip.solve {
        line(
            out,
            &format!(
                "    gamma_ratio {:?}, toe_ratio {:?}, colour_strength {}",
                solve.gamma_ratio, solve.toe_ratio, solve.colour_strength
            ),
        );
    }
    if strip.base.as_ref().is_some_and(|base| base.field.is_some()) {
        out.push_str("    the base varies over the scan: see field_d in roll.session.json\n");
    }
}

fn add_frame(out: &mut String, session: &Session, idx: usize, frame: &Frame) {
    let solve = frame.solve.as_ref();
    let (offset, cast) =
        solve.map_or(([0.0; 3], [0.0; 2]), |solve| (solve.log_offset, solve.cast_suggestion_cc));
    let name = frame.name.as_deref().unwrap_or("without a name");
    line(
        out,
        &format!(
            "  negatives/frame {:03}.tif: frame {}, {name}, strip {}, mark {}, log_offset {offset:?}, cast {cast:?} CC",
            idx + 1,
            session.number_text(frame),
            frame.strip,
            frame.mark.key()
        ),
    );
    let crop = &frame.crop;
    line(
        out,
        &format!(
            "    box: centre {}, {} px, size {} x {} px, angle {} rad; quarter_turns {}, mirrored {}",
            crop.center.x,
            crop.center.y,
            crop.width_px,
            crop.height_px,
            crop.angle_rad,
            frame.orientation.quarter_turns(),
            frame.orientation.is_mirrored()
        ),
    );
    let values: Vec<String> =
        Param::all().map(|param| format!("{} {}", param.spec().key, frame.look.get(param))).collect();
    line(out, &format!("    settings: {}", values.join(", ")));
}
