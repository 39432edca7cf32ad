//! Everything that a file depends on, as one text, and its digest: a file with the same digest would be the same again.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_film::{BalanceMode, ParamGroup, RENDERING_VERSION, Stock, default_stock};
use glassine_session::{
    Fingerprint, Frame, FrameMark, OutputKind, OutputSettings, Roll, ScanRef, Session, Strip, StripSolve,
    file,
};

use crate::colour::PrinterInUse;
use crate::types::{ExportRequest, SharpenChoice};

/// Longest record that is written into a file: a JPEG has room for 64 kB of metadata. A frame with many brush strokes has
/// the digest alone.
const MOST_BYTES: usize = 40_000;

/// The settings of one file.
#[derive(Debug, Clone)]
pub(super) struct Record {
    /// BLAKE3 of everything that the file depends on, hexadecimal.
    pub(super) digest: String,
    /// The settings as JSON; empty if they are too long.
    pub(super) settings: String,
    /// BLAKE3 of what the picture is of, whatever its settings: the content of the scan, and the frame on it. `None` if
    /// the content is not known.
    pub(super) source: Option<String>,
}

impl Record {
    /// `None` for a session that could not be saved either.
    pub(super) fn of(
        request: &ExportRequest,
        output: &OutputSettings,
        printer: Option<&PrinterInUse>,
        frame: &Arc<Frame>,
    ) -> Option<Self> {
        let session = &request.at.session;
        let (strip, scan) = session.context(frame)?;
        let kind = output.kind;
        let is_stock = |stock: &&Arc<Stock>| kind.is_picture() && stock.id == strip.stock_id;
        let own = Session {
            title: session.title.clone(),
            scans: vec![Arc::new(reading_of(scan))],
            rolls: session.roll_of(frame).map(|roll| Arc::new(Roll::clone(roll))).into_iter().collect(),
            strips: vec![Arc::new(settings_of_strip(strip, kind))],
            frames: vec![Arc::new(settings_of_frame(frame, kind))],
            stocks: session.stocks.iter().filter(is_stock).cloned().collect(),
            output: settings_of_kind(output),
            ..Session::default()
        };
        let bytes = file::to_json(&own, None, &file::FileStamp::default()).ok()?;
        let value: serde_json::Value = serde_json::from_slice(&bytes).ok()?;
        let sharpen = match request.sharpen.filter(|_| kind.is_picture()) {
            None => "as set",
            Some(SharpenChoice::On) => "on",
            Some(SharpenChoice::Off) => "off",
            Some(SharpenChoice::Suggested) => "suggested",
        };
        let mut record = serde_json::json!({
            "rendering_version": RENDERING_VERSION,
            "repair": request.repair.filter(|_| kind != OutputKind::ArchiveNegative),
            "sharpen": sharpen,
            "session": value,
        });
        // A profile that only serves the proof changes no file.
        if let Some(printer) = printer.filter(|printer| printer.converts) {
            record["printer_profile_blake3"] = printer.digest.as_str().into();
        }
        let settings = record.to_string();
        let digest = blake3::hash(settings.as_bytes()).to_hex().to_string();
        // A quotation mark takes six bytes in XML.
        let length = settings.len() + 5 * settings.matches('"').count();
        let settings = if length > MOST_BYTES { String::new() } else { settings };
        Some(Self { digest, settings, source: source_of(scan, frame) })
    }
}

fn source_of(scan: &ScanRef, frame: &Frame) -> Option<String> {
    let mut hasher = blake3::Hasher::new();
    for print in scan.fingerprints() {
        let print = print.and_then(|print| print.sampled_blake3.as_ref().or(print.blake3.as_ref()))?;
        hasher.update(print.as_bytes());
    }
    hasher.update(&frame.id.0.to_le_bytes());
    Some(hasher.finalize().to_hex().to_string())
}

/// How the samples of a scan are read, whatever its folder.
fn reading_of(scan: &ScanRef) -> ScanRef {
    let mut scan = scan.clone();
    let name = |path: &PathBuf| path.file_name().map(PathBuf::from).unwrap_or_default();
    // The hash of the whole file comes later than that of the samples and says no more.
    let short = |print: &Option<Fingerprint>| {
        print.as_ref().map(|print| Fingerprint {
            blake3: print.blake3.clone().filter(|_| print.sampled_blake3.is_none()),
            ..print.clone()
        })
    };
    scan.change_parts(|part| {
        part.path = name(&part.path);
        part.infrared_path = part.infrared_path.as_ref().map(name);
        part.fingerprint = short(&part.fingerprint);
        part.infrared_fingerprint = short(&part.infrared_fingerprint);
    });
    scan
}

fn settings_of_strip(strip: &Strip, kind: OutputKind) -> Strip {
    let own = Strip {
        notes: Vec::new(),
        solve: strip.solve.as_ref().map(|solve| StripSolve {
            confidence: 0.0,
            provenance: String::new(),
            ..solve.clone()
        }),
        edge_code: None,
        is_mirrored: false,
        is_turned: false,
        ..strip.clone()
    };
    if kind.is_picture() {
        return own;
    }
    // Dust is looked for on the film, and density is that above its base.
    let needs_film = kind == OutputKind::Density;
    Strip {
        format_id: None,
        film_area: own.film_area.filter(|_| needs_film),
        stock_id: default_stock(own.film).id.clone(),
        base: own.base.filter(|_| needs_film),
        mask_tolerance_d: 0.0,
        unmix_strength: 0.0,
        balance: BalanceMode::default(),
        solve: None,
        perforations: Vec::new(),
        ..own
    }
}

fn settings_of_frame(frame: &Frame, kind: OutputKind) -> Frame {
    let mut frame = Frame {
        number: 1,
        film_number: None,
        confidence: 0.0,
        reason: String::new(),
        flags: Vec::new(),
        mark: FrameMark::default(),
        ..frame.clone()
    };
    if let Some(solve) = &mut frame.solve {
        (solve.confidence, solve.notes) = (0.0, Vec::new());
    }
    if !kind.is_picture() {
        let look = std::mem::take(&mut frame.look);
        (frame.solve, frame.guard_margin_px, frame.held) = (None, 0.0, false);
        if kind == OutputKind::Density {
            frame.look.take_group(&look, ParamGroup::Clean);
        } else {
            frame.strokes.clear();
        }
    }
    frame
}

/// The settings that a kind of file depends on; those of its name and of other kinds are the usual ones.
fn settings_of_kind(output: &OutputSettings) -> OutputSettings {
    let usual = OutputSettings::default();
    let mut own = OutputSettings {
        folder: None,
        base_name: usual.base_name.clone(),
        digits: usual.digits,
        half_numbers: usual.half_numbers,
        film_numbers: usual.film_numbers,
        name_template: None,
        recipes: Vec::new(),
        recipe: String::new(),
        ..output.clone()
    };
    if !own.kind.is_tiff() {
        own.compression = usual.compression;
    }
    if own.extension() != "jpg" {
        own.jpeg_quality = usual.jpeg_quality;
    }
    if own.kind != OutputKind::Web {
        (own.web_format, own.most_kb) = (usual.web_format, usual.most_kb);
        (own.web_megapixels, own.web_long_side_px) = (usual.web_megapixels, usual.web_long_side_px);
    }
    if own.kind != OutputKind::Print {
        own.print = usual.print;
    } else {
        own.print.printer = own.print.printer.filter(|printer| printer.converts);
        own.change_profiles(|profile| profile.file_name().map(PathBuf::from).unwrap_or_default());
    }
    if !matches!(own.kind, OutputKind::Web | OutputKind::Print) {
        own.sharpen_output = usual.sharpen_output;
    }
    if own.kind != OutputKind::Density {
        own.density = usual.density;
    }
    if !own.kind.is_picture() {
        (own.space, own.rendering) = (usual.space, usual.rendering);
    }
    own
}
