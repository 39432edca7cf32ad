//! The demo session's scans: a weekend in the invented harbour town of Sallow Quay.

use std::path::{Path, PathBuf};

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic, write_rgbi};

use crate::Error;
use crate::render::render_strip;
use crate::scanner::ScannerSpec;
use crate::scene::SceneId;
use crate::stock::StockId;
use crate::strip::{Dirt, FrameSpec, StripSpec};

/// Must be raised whenever the same description would give other pixels, so that older files are remade.
const PIXELS_VERSION: u32 = 3;

/// One strip of the demo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DemoInfo {
    /// Short name, also the base name of exported frames.
    pub id: &'static str,
    /// Title shown to the user.
    pub title: &'static str,
    pub description: &'static str,
    pub scan_file_name: &'static str,
    /// Film kind, as in session files.
    pub film_kind_key: &'static str,
    /// Frame format, as in session files.
    pub format_id: &'static str,
    pub n_frames: u32,
    /// Scan resolution, pixels per inch.
    pub ppi: u32,
}

/// A demo scan on disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DemoScan {
    pub path: PathBuf,
    /// Film kind, as in session files.
    pub film_kind_key: &'static str,
    /// Frame format, as in session files.
    pub format_id: &'static str,
    /// Title shown to the user.
    pub title: &'static str,
    /// Short name of the strip.
    pub id: &'static str,
}

const STRIPS: [DemoInfo; 4] = [
    DemoInfo {
        id: "harbour",
        title: "Harbour, roll 1 · Lantern 200 · 6x4.5",
        description: "Sallow Quay on Saturday, M. Orrin: the quay after sunset, house fronts in Tiller Row, seed heads \
                      by the slipway, a colour chart",
        scan_file_name: "harbour-645-lantern200.tif",
        film_kind_key: "colour-negative",
        format_id: "6x4.5",
        n_frames: 4,
        ppi: 700,
    },
    DemoInfo {
        id: "headland",
        title: "Headland, roll 2 · Lantern 200 · 35 mm",
        description: "Sunday's walk: the boats at noon, coffee at the net loft, the headland, dunes in fog (over-exposed), \
                      the kitchen table, the square in the rain (under-exposed)",
        scan_file_name: "headland-135-lantern200.tif",
        film_kind_key: "colour-negative",
        format_id: "135",
        n_frames: 6,
        ppi: 820,
    },
    DemoInfo {
        id: "breakwater",
        title: "Breakwater, roll 3 · Fathom 400 · 6x6",
        description: "Silver black-and-white: the lighthouse, the arcade of the old customs house, boulders at low water",
        scan_file_name: "breakwater-66-fathom400.tif",
        film_kind_key: "black-and-white",
        format_id: "6x6",
        n_frames: 3,
        ppi: 590,
    },
    DemoInfo {
        id: "islands",
        title: "Islands, roll 4 · Meridian 50 · 35 mm slides",
        description: "Slides: the sun low over the islands, buoys on the boat shed, hills in autumn, the harbour master's cat",
        scan_file_name: "islands-135-meridian50.tif",
        film_kind_key: "slide",
        format_id: "135",
        n_frames: 4,
        ppi: 820,
    },
];

pub fn demo_strips() -> &'static [DemoInfo] {
    &STRIPS
}

/// The description of a demo strip at any resolution (for tests: 150 to 300 ppi renders quickly).
pub fn spec(id: &str, ppi: f64) -> Option<StripSpec> {
    let mut spec = match id {
        "harbour" => harbour(),
        "headland" => headland(),
        "breakwater" => breakwater(),
        "islands" => islands(),
        _ => return None,
    };
    spec.ppi = ppi;
    let longest_mm = spec.frames.iter().flat_map(|f| f.size_mm).fold(1.0, f64::max);
    // Scenes are slightly coarser than the scan, since film and lens are not sharper than that either.
    spec.scene_px = (0.85 * longest_mm * spec.px_per_mm()).clamp(48.0, 1360.0) as u32;
    Some(spec)
}

fn frame(scene: SceneId, stops: f64, center_mm: [f64; 2], size_mm: [f64; 2], turn_deg: f64) -> FrameSpec {
    FrameSpec { scene, stops, center_mm, size_mm, turn_deg, quarter_turns: 0 }
}

fn base(stock: StockId, scan_mm: [f64; 2], window_mm: [f64; 2], film_mm: [f64; 2], seed: u32) -> StripSpec {
    StripSpec {
        stock,
        ppi: 300.0,
        scan_mm,
        window_mm,
        film_mm,
        film_offset_mm: [0.0, 0.0],
        angle_deg: 0.0,
        perforated: false,
        first_number: 1,
        frames: Vec::new(),
        dirt: Dirt::NONE,
        scanner: ScannerSpec::default(),
        scene_px: 400,
        seed,
    }
}

fn harbour() -> StripSpec {
    let size = [41.6, 56.0];
    let mut spec = base(StockId::Lantern200, [203.0, 72.0], [196.0, 61.3], [189.0, 61.5], 645);
    spec.film_offset_mm = [0.8, 0.25];
    spec.angle_deg = 0.42;
    spec.first_number = 5;
    spec.frames = vec![
        frame(SceneId::HarbourEvening, 0.2, [-69.6, 0.15], size, 0.06),
        frame(SceneId::PaintedFronts, 0.7, [-22.9, 0.05], size, -0.10),
        frame(SceneId::SeedHeads, -0.3, [23.5, 0.2], size, 0.12),
        frame(SceneId::Chart, 0.0, [70.6, 0.0], size, -0.05),
    ];
    spec.dirt = Dirt { specks: 190, hairs: 7, base_scratches: 3, emulsion_scratches: 1, emulsion_lines: 0 };
    spec
}

fn headland() -> StripSpec {
    let size = [36.0, 24.0];
    let mut spec = base(StockId::Lantern200, [240.0, 42.0], [234.0, 36.6], [230.6, 34.975], 135);
    spec.film_offset_mm = [-0.3, -0.1];
    spec.angle_deg = -0.28;
    spec.perforated = true;
    spec.first_number = 18;
    let scenes = [
        (SceneId::HarbourNoon, 0.4),
        (SceneId::Coffee, 0.0),
        (SceneId::Headland, 0.3),
        (SceneId::Dunes, 1.5),
        (SceneId::StillLife, 0.1),
        (SceneId::NightStreet, -1.3),
    ];
    spec.frames = scenes
        .iter()
        .enumerate()
        .map(|(i, (scene, stops))| {
            // Frames follow the sprockets, 38 mm apart, with the play of a worn transport.
            let play = [0.0, 0.12, -0.1, 0.18, 0.05, -0.14][i];
            frame(*scene, *stops, [38.0 * (i as f64 - 2.5) + play, 0.08], size, 0.03 * (i as f64 - 2.0))
        })
        .collect();
    spec.dirt = Dirt { specks: 150, hairs: 6, base_scratches: 4, emulsion_scratches: 2, emulsion_lines: 0 };
    spec
}

fn breakwater() -> StripSpec {
    let size = [56.0, 56.0];
    let mut spec = base(StockId::Fathom400, [196.0, 72.0], [190.0, 61.3], [184.0, 61.5], 66);
    spec.film_offset_mm = [-0.6, -0.2];
    spec.angle_deg = -0.35;
    spec.first_number = 7;
    spec.frames = vec![
        frame(SceneId::Lighthouse, 0.2, [-61.2, 0.1], size, 0.05),
        frame(SceneId::Colonnade, 0.5, [0.4, 0.0], size, -0.08),
        frame(SceneId::Boulders, -0.4, [61.3, 0.15], size, 0.1),
    ];
    spec.dirt = Dirt { specks: 160, hairs: 6, base_scratches: 2, emulsion_scratches: 1, emulsion_lines: 0 };
    spec
}

fn islands() -> StripSpec {
    let size = [36.0, 24.0];
    let mut spec = base(StockId::Meridian50, [166.0, 42.0], [159.0, 36.6], [154.0, 34.975], 50);
    spec.film_offset_mm = [0.5, 0.1];
    spec.angle_deg = 0.22;
    spec.perforated = true;
    spec.first_number = 31;
    let scenes =
        [(SceneId::SeaSunset, 0.0), (SceneId::Buoys, 0.1), (SceneId::AutumnHills, 0.3), (SceneId::Cat, -0.1)];
    spec.frames = scenes
        .iter()
        .enumerate()
        .map(|(i, (scene, stops))| {
            frame(*scene, *stops, [38.05 * (i as f64 - 1.5) + 0.1, -0.05], size, 0.04 - 0.03 * i as f64)
        })
        .collect();
    spec.dirt = Dirt { specks: 90, hairs: 4, base_scratches: 2, emulsion_scratches: 0, emulsion_lines: 0 };
    spec
}

/// Write the demo's scans to `folder`, skipping those already complete.
///
/// The files are 16-bit linear RGB with infrared as a fourth, unspecified sample. The same version of the program
/// always writes the same pixels. A file is complete if the stamp beside it names its version and length; scans are
/// written whole or not at all. `progress` gets the share done (0..1) and the name of the current scan, on the calling
/// thread.
pub fn make_demo(
    folder: &Path,
    progress: &dyn Fn(f32, &str),
    cancel: &CancelToken,
) -> Result<Vec<DemoScan>, Error> {
    std::fs::create_dir_all(folder)
        .map_err(|source| Error::Write { path: folder.to_owned(), source: source.into() })?;
    let n = STRIPS.len() as f32;
    let mut scans = Vec::new();
    for (i, info) in STRIPS.iter().enumerate() {
        cancel.check()?;
        let path = folder.join(info.scan_file_name);
        let stamp_path = folder.join(format!("{}.stamp", info.scan_file_name));
        if !is_complete(&path, &stamp_path, info) {
            make_strip(
                info,
                &path,
                &stamp_path,
                &|part| progress((i as f32 + part) / n, info.title),
                cancel,
            )?;
        }
        progress((i + 1) as f32 / n, info.title);
        scans.push(DemoScan {
            path,
            film_kind_key: info.film_kind_key,
            format_id: info.format_id,
            title: info.title,
            id: info.id,
        });
    }
    Ok(scans)
}

fn make_strip(
    info: &DemoInfo,
    path: &Path,
    stamp_path: &Path,
    progress: &dyn Fn(f32),
    cancel: &CancelToken,
) -> Result<(), Error> {
    let written = |error: glassine_scanfile::Error| Error::Write {
        path: path.to_owned(),
        source: error.headline().into(),
    };
    let Some(spec) = spec(info.id, f64::from(info.ppi)) else {
        return Err(Error::BadSize { width_px: 0, height_px: 0, ppi: f64::from(info.ppi) });
    };
    let strip = render_strip(&spec, &|part| progress(0.95 * part), cancel)?;
    cancel.check()?;
    let bytes =
        write_rgbi(path, &strip.samples, spec.ppi, info.title, Overwrite::Replace).map_err(written)?;
    write_bytes_atomic(stamp_path, stamp(info, bytes).as_bytes(), Overwrite::Replace, None)
        .map_err(written)?;
    Ok(())
}

fn stamp(info: &DemoInfo, bytes: u64) -> String {
    format!("demo scan {}\npixels version {PIXELS_VERSION}\nppi {}\nbytes {bytes}\n", info.id, info.ppi)
}

fn is_complete(path: &Path, stamp_path: &Path, info: &DemoInfo) -> bool {
    let (Ok(meta), Ok(text)) = (std::fs::metadata(path), std::fs::read_to_string(stamp_path)) else {
        return false;
    };
    meta.is_file() && text == stamp(info, meta.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scan_is_complete_only_with_its_own_stamp() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let info = DemoInfo { ppi: 50, ..STRIPS[3] };
        let (path, stamp_path) = (folder.path().join("scan.tif"), folder.path().join("scan.tif.stamp"));
        assert!(!is_complete(&path, &stamp_path, &info));
        make_strip(&info, &path, &stamp_path, &|_| (), &CancelToken::new()).expect("a small strip is made");
        assert!(is_complete(&path, &stamp_path, &info));
        // Another resolution or a truncated file is not complete.
        assert!(!is_complete(&path, &stamp_path, &DemoInfo { ppi: 51, ..info }));
        let bytes = std::fs::read(&path).expect("the scan is there");
        std::fs::write(&path, &bytes[..bytes.len() / 2]).expect("it can be cut");
        assert!(!is_complete(&path, &stamp_path, &info));
        make_strip(&info, &path, &stamp_path, &|_| (), &CancelToken::new()).expect("it is made again");
        assert_eq!(bytes, std::fs::read(&path).expect("the scan is there"));
    }

    #[test]
    fn a_cancelled_demo_leaves_no_scan() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let cancel = CancelToken::new();
        cancel.cancel();
        assert!(matches!(make_demo(folder.path(), &|_, _| (), &cancel), Err(Error::Cancelled)));
        assert_eq!(std::fs::read_dir(folder.path()).expect("the folder is there").count(), 0);
    }
}
