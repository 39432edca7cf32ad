//! Which file has the infrared of a scan, by its name.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};

/// Scans among some files, in their order, each with its infrared file if that is among them.
///
/// A file beside a scan has its infrared if it is called like the scan, then `ir` or `infrared` after a hyphen, an
/// underscore, a dot or a space: `strip 1.tif` and `strip 1_ir.tif`.
pub fn scans_with_infrared(files: &[PathBuf]) -> Vec<(&PathBuf, Option<&PathBuf>)> {
    let names: HashSet<(Option<&Path>, Cow<'_, str>)> =
        files.iter().filter_map(|file| Some((file.parent(), file.file_stem()?.to_string_lossy()))).collect();
    let infrared: HashMap<(Option<&Path>, Cow<'_, str>), &PathBuf> = files
        .iter()
        .filter_map(|file| Some(((file.parent(), scan_stem(file)?.into()), file)))
        .filter(|(scan, _)| names.contains(scan))
        .collect();
    let of_a_scan: HashSet<&PathBuf> = infrared.values().copied().collect();
    let with_infrared =
        |scan: &Path| infrared.get(&(scan.parent(), scan.file_stem()?.to_string_lossy())).copied();
    files.iter().filter(|file| !of_a_scan.contains(file)).map(|scan| (scan, with_infrared(scan))).collect()
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
}
