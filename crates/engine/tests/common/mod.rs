//! Small scans and sessions for tests of files.
#![allow(dead_code, reason = "each test file uses its part")]

use std::path::{Path, PathBuf};

use glassine_engine::{Engine, ExportReport, ExportRequest, SessionAt};
use glassine_film::FilmKind;
use glassine_raster::{CancelToken, ResolutionPpi, TiltedBox};
use glassine_scanfile::{Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use glassine_session::{Edit, EncodingChoice, Fingerprint, FoundStripEdit, NewFrame, ScanRef, Session};

pub(crate) const WIDTH: u32 = 600;
pub(crate) const HEIGHT: u32 = 400;

/// Write an uncompressed 16-bit scan with these codes.
pub(crate) fn write_codes(path: &Path, width: u32, height: u32, codes: &[u16]) {
    let spec = PictureSpec {
        width_px: width,
        height_px: height,
        channels: 3,
        bits: 16,
        ppi: ResolutionPpi::new(3200.0),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Replace,
    };
    let mut writer = PictureWriter::begin(path, &spec).expect("begins");
    writer.write_rows_u16(codes).expect("writes");
    writer.finish().expect("finishes");
}

/// The same, with codes that depend on position and `seed`.
pub(crate) fn write_scan_of(path: &Path, width: u32, height: u32, seed: u32) {
    let code = |i: u32| (20_000 + (i.wrapping_mul(7919).wrapping_add(seed * 104_729) % 20_000)) as u16;
    let codes: Vec<u16> = (0..width * height * 3).map(code).collect();
    write_codes(path, width, height, &codes);
}

pub(crate) fn write_scan(path: &Path, seed: u32) {
    write_scan_of(path, WIDTH, HEIGHT, seed);
}

/// Write over a scan in place, like a scanner program that saves under the same name.
pub(crate) fn scan_again(path: &Path, seed: u32) {
    scan_again_of(path, WIDTH, HEIGHT, seed);
}

/// The same with another size. The product's own writer refuses the name while a session holds the scan.
pub(crate) fn scan_again_of(path: &Path, width: u32, height: u32, seed: u32) {
    let other = path.with_extension("other");
    write_scan_of(&other, width, height, seed);
    std::fs::write(path, std::fs::read(&other).expect("ours")).expect("ours");
    std::fs::remove_file(other).expect("ours");
}

/// The full hash of a file and nothing else, as in early sessions.
pub(crate) fn print_of(path: &Path) -> Fingerprint {
    let bytes = std::fs::read(path).expect("ours");
    let blake3 = Some(blake3::hash(&bytes).to_hex().to_string());
    Fingerprint { bytes: bytes.len() as u64, blake3, ..Fingerprint::default() }
}

pub(crate) fn scan_ref(path: &Path) -> ScanRef {
    ScanRef {
        path: path.to_owned(),
        width_px: WIDTH,
        height_px: HEIGHT,
        ppi: Some(3200.0),
        planes: ["red", "green", "blue"].map(str::to_owned).to_vec(),
        fingerprint: Some(print_of(path)),
        encoding: EncodingChoice::Linear,
        ..ScanRef::default()
    }
}

/// A session with one frame on each scan.
pub(crate) fn session_of(scans: Vec<ScanRef>) -> Session {
    let mut session = Edit::AddScans(scans).apply(&Session::default()).expect("applies");
    for scan in session.scans.clone() {
        let frame = NewFrame::in_box(TiltedBox::from_edges(40.0, 30.0, 560.0, 370.0));
        let strip = FoundStripEdit { frames: vec![frame], ..Default::default() };
        let film = FilmKind::Slide;
        let stock_id = glassine_film::default_stock(film).id.clone();
        let strips =
            Edit::ReplaceStrips { scan: scan.id, film, stock_id, strips: vec![strip], keep: Vec::new() };
        session = strips.apply(&session).expect("applies");
    }
    session
}

pub(crate) fn at(session: &Session) -> SessionAt {
    SessionAt::new(session.clone(), None)
}

pub(crate) fn request(session: &Session, folder: PathBuf) -> ExportRequest {
    ExportRequest { replace: true, ..ExportRequest::new(at(session), folder) }
}

pub(crate) fn export(engine: &Engine, request: &ExportRequest) -> ExportReport {
    engine.export(request, &CancelToken::new(), &|_, _| ()).expect("runs")
}

/// Names in a folder, sorted.
pub(crate) fn names_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<_> =
        entries.map(|entry| entry.expect("entry").file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}
