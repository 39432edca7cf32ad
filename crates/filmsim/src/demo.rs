//! The demo session's scans: a weekend in the invented harbour town of Sallow Quay, described in `demo-sessions/`.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic, write_rgbi};

use crate::Error;
use crate::describe::{StripDescription, bundled, bundled_stock};
use crate::render::render_strip;
use crate::stock::FilmStock;
use crate::strip::StripSpec;

/// Must be raised whenever the demo's descriptions or the model would give other pixels, so that older files are
/// remade.
const PIXELS_VERSION: u32 = 3;

/// A demo scan on disk.
#[derive(Debug, Clone, PartialEq)]
pub struct DemoScan {
    pub path: PathBuf,
    pub strip: &'static StripDescription,
}

static STRIPS: LazyLock<[StripDescription; 4]> = LazyLock::new(|| {
    bundled!("harbour", "headland", "breakwater", "islands" in "").map(|(name, text)| {
        StripDescription::from_text(text, Path::new(name), None).expect("a test reads every bundled strip")
    })
});

/// A stock of the demo: "lantern-200", "fathom-400" or "meridian-50".
pub fn demo_stock(name: &str) -> Option<FilmStock> {
    bundled_stock(name).map(FilmStock::Described)
}

/// The demo's strips, in order.
pub fn demo_strips() -> &'static [StripDescription] {
    &*STRIPS
}

/// A demo strip at any resolution (for tests: 150 to 300 ppi renders quickly).
pub fn demo_spec(id: &str, ppi: f64) -> Option<StripSpec> {
    STRIPS.iter().find(|strip| strip.id == id).map(|strip| strip.clone().at_ppi(ppi).spec())
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
    for (i, strip) in STRIPS.iter().enumerate() {
        cancel.check()?;
        let path = folder.join(&strip.scan_file_name);
        let stamp_path = folder.join(format!("{}.stamp", strip.scan_file_name));
        if !is_complete(&path, &stamp_path, strip) {
            let progress = |part| progress((i as f32 + part) / n, &strip.title);
            make_strip(strip, &path, &stamp_path, &progress, cancel)?;
        }
        progress((i + 1) as f32 / n, &strip.title);
        scans.push(DemoScan { path, strip });
    }
    Ok(scans)
}

fn make_strip(
    strip: &StripDescription,
    path: &Path,
    stamp_path: &Path,
    progress: &dyn Fn(f32),
    cancel: &CancelToken,
) -> Result<(), Error> {
    let written = |error: glassine_scanfile::Error| Error::Write {
        path: path.to_owned(),
        source: error.headline().into(),
    };
    let rendered = render_strip(&strip.spec(), &|part| progress(0.95 * part), cancel)?;
    cancel.check()?;
    let bytes = write_rgbi(path, &rendered.samples, rendered.ppi, &strip.title, Overwrite::Replace)
        .map_err(written)?;
    write_bytes_atomic(stamp_path, stamp(strip, bytes).as_bytes(), Overwrite::Replace, None)
        .map_err(written)?;
    Ok(())
}

fn stamp(strip: &StripDescription, bytes: u64) -> String {
    let (id, ppi) = (&strip.id, strip.ppi());
    format!("demo scan {id}\npixels version {PIXELS_VERSION}\nppi {ppi}\nbytes {bytes}\n")
}

fn is_complete(path: &Path, stamp_path: &Path, strip: &StripDescription) -> bool {
    let (Ok(meta), Ok(text)) = (std::fs::metadata(path), std::fs::read_to_string(stamp_path)) else {
        return false;
    };
    meta.is_file() && text == stamp(strip, meta.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_bundled_description_is_read() {
        assert_eq!((crate::describe::STOCKS.len(), demo_strips().len()), (3, 4));
        for strip in demo_strips() {
            let (w, h) = strip.spec().size_px();
            assert!(u64::from(w) * u64::from(h) * 8 < 120_000_000, "{}: {w} x {h} pixels", strip.id);
        }
    }

    #[test]
    fn a_scan_is_complete_only_with_its_own_stamp() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let info = STRIPS[3].clone().at_ppi(50.0);
        let (path, stamp_path) = (folder.path().join("scan.tif"), folder.path().join("scan.tif.stamp"));
        assert!(!is_complete(&path, &stamp_path, &info));
        make_strip(&info, &path, &stamp_path, &|_| (), &CancelToken::new()).expect("a small strip is made");
        assert!(is_complete(&path, &stamp_path, &info));
        // Another resolution or a truncated file is not complete.
        assert!(!is_complete(&path, &stamp_path, &info.clone().at_ppi(51.0)));
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
