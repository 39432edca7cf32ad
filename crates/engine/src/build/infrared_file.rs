//! Which file has the infrared of a scan, by its name.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

use glassine_raster::RegionSource as _;
use glassine_scanfile::{OpenOptions, Scan};

/// Scans among some files, in their order, each with its infrared file if that is among them.
///
/// A file beside a scan has its infrared if it is called like the scan, then `ir` or `infrared` after a hyphen, an
/// underscore, a dot or a space: `strip 1.tif` and `strip 1_ir.tif`. A file in colour is a scan whatever it is called;
/// one that cannot be read yet may be infrared. Of scans that differ by their endings alone, the one with the ending of
/// the infrared file takes it, else the first.
pub fn scans_with_infrared(files: &[PathBuf]) -> Vec<(&PathBuf, Option<&PathBuf>)> {
    let mut named: HashMap<(Option<&Path>, Cow<'_, str>), Vec<&PathBuf>> = HashMap::new();
    for file in files {
        if let Some(stem) = file.file_stem() {
            named.entry((file.parent(), stem.to_string_lossy())).or_default().push(file);
        }
    }
    let mut infrared: HashMap<&PathBuf, &PathBuf> = HashMap::new();
    let mut of_a_scan: HashSet<&PathBuf> = HashSet::new();
    let mut candidates: Vec<(&PathBuf, String)> =
        files.iter().filter_map(|file| Some((file, scan_stem(file)?))).collect();
    // Short names first: what is the infrared of a scan has none itself.
    candidates.sort_by_key(|(_, stem)| stem.len());
    for (file, stem) in candidates {
        let scan = named.get(&(file.parent(), stem.into())).into_iter().flatten().rev();
        let scan = scan
            .filter(|scan| !of_a_scan.contains(*scan) && !infrared.contains_key(*scan))
            .max_by_key(|scan| scan.extension() == file.extension());
        if let Some(scan) = scan
            && !is_in_colour(file)
        {
            infrared.insert(scan, file);
            of_a_scan.insert(file);
        }
    }
    let scans = files.iter().filter(|file| !of_a_scan.contains(file));
    scans.map(|scan| (scan, infrared.get(scan).copied())).collect()
}

/// Whether a file can be read and has colours.
fn is_in_colour(file: &Path) -> bool {
    Scan::open(file, &OpenOptions::default()).is_ok_and(|scan| scan.channels() > 1)
}

/// The name without ending of the scan whose infrared a file would have.
fn scan_stem(file: &Path) -> Option<String> {
    const SEPARATORS: [char; 4] = ['-', '_', '.', ' '];
    let stem = file.file_stem()?.to_str()?;
    let (scan, ending) = stem.rsplit_once(SEPARATORS)?;
    let is_infrared = ending.eq_ignore_ascii_case("ir") || ending.eq_ignore_ascii_case("infrared");
    is_infrared.then(|| scan.trim_end_matches(SEPARATORS).to_owned())
}

#[cfg(test)]
mod tests {
    use glassine_testdata::tiff::{Form, Page, make_tiff};

    use super::*;

    #[test]
    fn infrared_files_are_known_by_their_names() {
        for name in ["1_ir.tif", "1-IR.png", "1 infrared.tiff", "1.ir.tif", "1__Infrared.tif"] {
            assert_eq!(scan_stem(Path::new(name)).as_deref(), Some("1"), "{name}");
        }
        for name in ["1.tif", "1ir.tif", "1_irons.tif", "ir.tif"] {
            assert_eq!(scan_stem(Path::new(name)), None, "{name}");
        }
        let files = ["2.tif", "1_ir.tif", "1.tif", "3_ir.tif", "deeper/2_ir.tif"].map(PathBuf::from);
        let [two, infrared, one, alone, deeper] = &files;
        let pairs = [(two, None), (one, Some(infrared)), (alone, None), (deeper, None)];
        assert_eq!(scans_with_infrared(&files), pairs);
    }

    #[test]
    fn one_infrared_file_belongs_to_one_scan() {
        let files = ["1.jpg", "1.tif", "1_ir.tif", "a.tif", "a_ir.tif", "a_ir_ir.tif"].map(PathBuf::from);
        let [picture, one, infrared, a, of_a, alone] = &files;
        let pairs = [(picture, None), (one, Some(infrared)), (a, Some(of_a)), (alone, None)];
        assert_eq!(scans_with_infrared(&files), pairs);
        // Two files that both may be the infrared of one scan: neither is lost.
        let files = ["1.tif", "1_ir.tif", "1-ir.tif"].map(PathBuf::from);
        let [one, infrared, other] = &files;
        assert_eq!(scans_with_infrared(&files), [(one, Some(infrared)), (other, None)]);
    }

    #[test]
    fn a_file_in_colour_is_a_scan_whatever_it_is_called() {
        let folder = tempfile::tempdir().expect("a folder");
        let [one, in_colour, two, infrared] =
            ["1.tif", "1_ir.tif", "2.tif", "2_ir.tif"].map(|name| folder.path().join(name));
        let form = Form { big_endian: false, big: false };
        for (file, channels) in [(&in_colour, 3), (&infrared, 1)] {
            std::fs::write(file, make_tiff(form, &[Page::new(64, 16, channels, 16)])).expect("writes");
        }
        let files = [one, in_colour, two, infrared];
        let [one, in_colour, two, infrared] = &files;
        assert_eq!(scans_with_infrared(&files), [(one, None), (in_colour, None), (two, Some(infrared))]);
    }
}
