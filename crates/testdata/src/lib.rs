//! What tests share: [`random`] numbers, drawn [`strips`] and [`scenes`], dusty and clean [`twin`]s, [`tiff`] files, and open data.
//!
//! Only tests, benches and examples use this crate; `cargo xtask layers` checks it.
//!
//! The data is in `../shared/data`, directly beside the checkout, or in the folder that `GLASSINE_DATA` names. A test
//! whose data is missing is skipped: it prints a line to the terminal and adds one to `target/skipped-tests.txt`, which
//! `cargo xtask check` and `.ci/run` print at the end. It fails instead when `CI` is set, or when `GLASSINE_DATA` is
//! set to a folder without the data.

pub mod random;
pub mod scan_faults;
pub mod scenes;
pub mod strips;
pub mod tiff;
pub mod twin;

use std::ffi::OsString;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// One subfolder of the open data, such as `tiff-corpus`; `None` if the test must be skipped.
///
/// # Panics
/// When the data is missing although `CI` or `GLASSINE_DATA` requires it.
pub fn folder(within: &str) -> Option<PathBuf> {
    found_or_skipped(&Place::of_process(), within)
}

/// One strip of the practice data, beside the open data; `None` if the test must be skipped.
///
/// # Panics
/// As [`folder`].
pub fn practice(name: &str) -> Option<PathBuf> {
    found_or_skipped(&Place::of_process(), &format!("../practice/{name}"))
}

/// Records that the running test can't be run here, and why; the caller then returns.
pub fn skipped(why: &str) {
    let thread = std::thread::current();
    let line = format!("{}: {why}\n", thread.name().unwrap_or("a test"));
    // Bypasses the test harness, which hides the output of passing tests.
    drop(write!(std::io::stderr(), "skipped: {line}"));
    let target =
        std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| checkout().join("target"), PathBuf::from);
    let list = std::fs::OpenOptions::new().create(true).append(true).open(target.join("skipped-tests.txt"));
    if let Ok(mut list) = list {
        // One write per line keeps lines of several processes apart. The terminal has the line anyway.
        drop(list.write_all(line.as_bytes()));
    }
}

/// Whether missing data must fail a test instead of skipping it.
pub fn in_ci() -> bool {
    is_set(std::env::var_os("CI").as_ref())
}

fn found_or_skipped(place: &Place, within: &str) -> Option<PathBuf> {
    match place.look_for(within) {
        Ok(folder) => Some(folder),
        Err(Missing::Skip(why)) => {
            skipped(&why);
            None
        }
        Err(Missing::Fail(why)) => panic!("{why}"),
    }
}

/// Everything that determines where the data is.
struct Place {
    named: Option<PathBuf>,
    beside: PathBuf,
    in_ci: bool,
}

#[derive(Debug, PartialEq, Eq)]
enum Missing {
    Skip(String),
    Fail(String),
}

impl Place {
    fn of_process() -> Self {
        let named = std::env::var_os("GLASSINE_DATA").filter(|value| !value.is_empty()).map(PathBuf::from);
        Self { named, beside: checkout().join("../shared/data"), in_ci: in_ci() }
    }

    fn look_for(&self, within: &str) -> Result<PathBuf, Missing> {
        let folder = self.named.as_ref().unwrap_or(&self.beside).join(within);
        if folder.is_dir() {
            return Ok(folder);
        }
        let missing = format!("the test data {} is missing", folder.display());
        Err(match (&self.named, self.in_ci) {
            (Some(_), _) => Missing::Fail(format!("{missing}; correct GLASSINE_DATA, or unset it")),
            (None, true) => Missing::Fail(format!("{missing}; it must be there where CI is set")),
            (None, false) => Missing::Skip(format!("{missing} (or set GLASSINE_DATA)")),
        })
    }
}

fn is_set(value: Option<&OsString>) -> bool {
    value.is_some_and(|value| !value.is_empty() && value != "false" && value != "0")
}

fn checkout() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).unwrap_or(here).to_path_buf()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder that looks like a checkout, inside a folder that has its own `shared/data` two levels up.
    fn unrelated_parent(name: &str) -> (PathBuf, Place) {
        let root = std::env::temp_dir().join(format!("glassine-testdata-{name}-{}", std::process::id()));
        std::fs::create_dir_all(root.join("shared/data/spectral")).expect("a temporary folder");
        std::fs::create_dir_all(root.join("near/checkout")).expect("a temporary folder");
        let beside = root.join("near/checkout/../shared/data");
        (root, Place { named: None, beside, in_ci: false })
    }

    #[test]
    fn data_of_a_folder_further_up_is_not_taken() {
        let (root, place) = unrelated_parent("up");
        assert!(matches!(place.look_for("spectral"), Err(Missing::Skip(_))));
        std::fs::create_dir_all(root.join("near/shared/data")).expect("a temporary folder");
        assert!(matches!(place.look_for("spectral"), Err(Missing::Skip(_))), "the subfolder is missing");
        std::fs::create_dir_all(root.join("near/shared/data/spectral")).expect("a temporary folder");
        assert!(place.look_for("spectral").is_ok());
        std::fs::remove_dir_all(root).expect("the temporary folder goes");
    }

    #[test]
    fn missing_data_fails_where_it_was_promised() {
        let (root, mut place) = unrelated_parent("promise");
        place.in_ci = true;
        assert!(matches!(place.look_for("spectral"), Err(Missing::Fail(why)) if why.contains("CI")));
        place.in_ci = false;
        place.named = Some(root.join("near"));
        assert!(
            matches!(place.look_for("spectral"), Err(Missing::Fail(why)) if why.contains("GLASSINE_DATA"))
        );
        place.named = Some(root.join("shared/data"));
        assert!(place.look_for("spectral").is_ok());
        std::fs::remove_dir_all(root).expect("the temporary folder goes");
    }

    #[test]
    fn ci_may_be_switched_off_by_its_value() {
        let set = |text: &str| is_set(Some(&OsString::from(text)));
        assert!(set("true") && set("1") && !set("") && !set("false") && !set("0") && !is_set(None));
    }
}
