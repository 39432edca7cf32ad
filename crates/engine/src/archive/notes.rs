//! Notes for whoever opens a package in thirty years: how the pictures were made, with every formula and value.

use glassine_session::{Frame, Session, Strip};

const METHOD: &str = "\
HOW THE PICTURES WERE MADE

What is in this package
  scans/       the scan files, byte by byte as they were; everything else was made from them
  negatives/   the film of each frame as scanned: not inverted, not repaired, not turned, not resampled; 16-bit TIFF;
               red, green, blue and, where the scanner gave it, infrared as the last sample; the description in each
               file says which pixels of which scan it holds; its profile says how codes relate to light
  stocks/      what was known of the films: curves and matrices, as JSON
  profiles/    ICC profiles of the finished pictures and of linear light
  roll.session.json   every setting, as JSON; lengths in scan pixels measured at pixel edges, (0, 0) is the outer
               corner of the first pixel, y points down, angles are clockwise and in radians
  manifest-sha256.txt (beside this folder) lists the SHA-256 of every file (BagIt, RFC 8493)

From a code of the scan to a colour of the picture, for negatives
  1. light       T = linear light of the code, 0 to 1. For linear scans T = code / 65535. Other encodings are named
                 below for each scan. Stray light, if given, is subtracted from T.
  2. density     D = -log10(max(T, 0.5 / 65535)) - base, for red, green and blue, with the film base given below.
  3. layers      d = U D: the matrix unmix of the stock, at the share given as unmix_strength (0 is the identity), with
                 its rows scaled so that densities of a neutral stay the same.
  4. exposure    e = inverse of the layer's characteristic curve at d / gamma_ratio. A straight curve of slope gamma is
                 e = d / gamma - 1.9; curves with toe and shoulder are in the stock's file.
  5. balance     e + log_offset of the layer, and the frame's own settings (look); 1 stop is log10(2).
  6. light       L = 10^e, through the tone curve of the rendering; straight leaves it as it is.
  7. colour      working = M L: the matrix working_matrix of the stock, with rows scaled to a sum of 1; the result is
                 linear light of the primaries of ISO 22028-2 (ROMM), white D50.
  8. output      to the space of the file by its published matrix, then its transfer curve, then 65535 times the value,
                 rounded.
Black-and-white film has one density, 0.3 red + 0.4 green + 0.3 blue, and no colour. Slides skip steps 2 to 5: their
light is shown as it is, with the frame's settings.
Dust was filled from its surroundings where the infrared shows it; negatives/ holds the film with its dust.
";

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
    session.strips.iter().for_each(|strip| add_strip(&mut out, strip));
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

fn add_strip(out: &mut String, strip: &Strip) {
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
    let offset = frame.solve.as_ref().map_or([0.0; 3], |solve| solve.log_offset);
    let name = frame.name.as_deref().unwrap_or("without a name");
    line(
        out,
        &format!(
            "  negatives/frame {:03}.tif: frame {}, {name}, strip {}, mark {}, log_offset {offset:?}",
            idx + 1,
            session.number_text(frame),
            frame.strip,
            frame.mark.key()
        ),
    );
}
