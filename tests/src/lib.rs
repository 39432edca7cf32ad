//! Helpers of the end-to-end tests in `tests/`: rendered strips on disk and their truth.

use std::path::{Path, PathBuf};

use glassine_engine::{Engine, ExportRequest, MadeSession, NewSessionRequest, SessionAt};
use glassine_film::FilmKind;
use glassine_filmsim::{RenderedStrip, demo_spec, render_strip};
use glassine_raster::{CancelToken, TiltedBox};
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, write_rgbi};
use glassine_session::{OutputSettings, Session};

/// Prints a line in the test's output.
#[expect(clippy::print_stdout, reason = "tests say what they measured")]
pub fn say(line: &str) {
    println!("{line}");
}

/// A demo strip at a small resolution, with its truth, as a scan file.
#[derive(Debug)]
pub struct StripOnDisk {
    /// Keeps the folder until it is dropped.
    pub folder: tempfile::TempDir,
    pub scan: PathBuf,
    /// True layout and samples.
    pub strip: RenderedStrip,
}

/// Renders a demo strip at low resolution and writes it.
pub fn strip_on_disk(id: &str, ppi: f64) -> StripOnDisk {
    let spec = demo_spec(id, ppi).expect("the demo has this strip");
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = folder.path().join(format!("{id}.tif"));
    write_rgbi(&scan, &strip.samples, strip.ppi, id, Overwrite::Never).expect("writes");
    StripOnDisk { folder, scan, strip }
}

/// Makes a session from scans in the way `glassine new` does.
pub fn new_session(engine: &Engine, scans: &[PathBuf], film: FilmKind, format: &str) -> MadeSession {
    let request = NewSessionRequest {
        scans: scans.to_vec(),
        film: Some(film),
        format_id: Some(format.to_owned()),
        ..NewSessionRequest::default()
    };
    engine.new_session(&request, &CancelToken::new(), &|_, _| ()).expect("a session is made")
}

/// An export request for a whole session.
pub fn export_request(
    session: Session,
    folder: PathBuf,
    change: impl FnOnce(&mut OutputSettings),
) -> ExportRequest {
    let mut output = session.output.clone();
    change(&mut output);
    ExportRequest { output, repair: Some(false), ..ExportRequest::new(SessionAt::new(session, None), folder) }
}

/// Share of a true area that a box covers, and how far the box reaches outside, in pixels.
///
/// Both are sampled on a grid of the box's own unit square.
pub fn fit(found: &TiltedBox, truth: &TiltedBox) -> (f64, f64) {
    let reach = found
        .corners()
        .iter()
        .map(|corner| {
            let q = truth.unit_from_scan(*corner);
            let outside = |at: f64, side: f64| (at - 1.0).max(-at).max(0.0) * side;
            outside(q.x, truth.width_px).max(outside(q.y, truth.height_px))
        })
        .fold(0.0, f64::max);
    let steps = 400;
    let mut inside = 0;
    for i in 0..steps {
        for j in 0..steps {
            let at = |k: i32| (f64::from(k) + 0.5) / f64::from(steps);
            inside += i32::from(found.contains(truth.scan_from_unit(at(i), at(j))));
        }
    }
    (f64::from(inside) / f64::from(steps * steps), reach)
}

/// Writes an 8-bit picture as PNG over an existing file; colour with three channels, grey with one.
pub fn write_png8(
    path: &Path,
    (width_px, height_px): (u32, u32),
    channels: u8,
    codes: &[u8],
) -> Result<(), glassine_scanfile::Error> {
    let spec = PictureSpec {
        width_px,
        height_px,
        channels,
        bits: 8,
        ppi: None,
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Png,
        overwrite: Overwrite::Replace,
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    writer.write_rows_u8(codes)?;
    writer.finish().map(|_| ())
}
