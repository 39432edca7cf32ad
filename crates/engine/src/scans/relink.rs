//! Finds moved or renamed scans by their content.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, RegionSource as _};
use glassine_session::{Fingerprint, ScanId, ScanRef};

use crate::error::EngineError;
use crate::scans::checks::{CheckDepth, ScanState, has_hash, what_differs};
use crate::scans::{ScanStore, files_of};
use crate::types::SessionAt;

/// Levels of folders searched below a chosen one.
const MOST_DEPTH: usize = 8;
/// Most files checked in all, so that the search of a whole drive chosen by mistake ends.
const MOST_FILES: usize = 500_000;

/// How a file was recognised as the scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FoundBy {
    /// Its content matches what the session knows.
    Content,
    /// The session knows no hash of the scan; name, size in pixels and planes agree.
    Name,
}

/// A scan found in another place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relinked {
    pub scan: ScanId,
    /// The path that one part of a joined scan had; `None` for a scan that is not joined.
    pub from: Option<PathBuf>,
    /// Where it is now.
    pub path: PathBuf,
    /// Where its infrared file is now; `None` if it has none, or none was found.
    pub infrared_path: Option<PathBuf>,
    pub found_by: FoundBy,
}

/// Files of the searched folders by length, so that only those of the right length are opened.
type Candidates = BTreeMap<u64, Vec<PathBuf>>;

impl ScanStore {
    /// Find missing or changed scans of a session in some folders and their subfolders.
    ///
    /// A scan is recognised by its content: length, then a hash of samples, then the hash of every byte, as far as the
    /// session knows them. Without any hash its name, size in pixels and planes must agree. Of several copies, the one
    /// with the same name is taken, then the first by path.
    pub(crate) fn relink(
        &self,
        at: &SessionAt,
        folders: &[PathBuf],
        cancel: &CancelToken,
    ) -> Result<Vec<Relinked>, EngineError> {
        let folder = at.folder.as_deref();
        let checks = self.check_scans(at, CheckDepth::Sampled, cancel, &|_, _| {})?;
        let lost: BTreeSet<ScanId> =
            checks.iter().filter(|check| check.state != ScanState::Same).map(|check| check.scan).collect();
        if lost.is_empty() {
            return Ok(Vec::new());
        }
        let mut candidates = Candidates::new();
        let mut left = MOST_FILES;
        for folder in folders {
            let folder = std::path::absolute(folder).unwrap_or_else(|_| folder.clone());
            collect(&folder, MOST_DEPTH, &mut left, &mut candidates, cancel)?;
        }
        candidates.values_mut().for_each(|paths| {
            paths.sort();
            paths.dedup();
        });
        let mut found = Vec::new();
        for scan in at.session.scans.iter().filter(|scan| lost.contains(&scan.id)) {
            for part in scan.parts() {
                let again = self.find_again(part, folder, &candidates, cancel)?;
                let from = scan.join.is_some().then(|| part.path.clone());
                found.extend(again.map(|again| Relinked { scan: scan.id, from, ..again }));
            }
        }
        Ok(found)
    }

    fn find_again(
        &self,
        scan: &ScanRef,
        folder: Option<&Path>,
        candidates: &Candidates,
        cancel: &CancelToken,
    ) -> Result<Option<Relinked>, EngineError> {
        let files = files_of(scan, folder);
        let main = self.find_file(&files.scan, scan.fingerprint.as_ref(), candidates, cancel)?;
        let infrared_path = match &files.infrared {
            Some(path) => {
                let known = scan.infrared_fingerprint.as_ref();
                let by_content = self.find_file(path, known, candidates, cancel)?;
                // If nothing is known of its content, a file still at its path serves, or else one of the same name.
                let by_name = || match known.filter(|known| has_hash(known)) {
                    Some(_) => None,
                    None if path.is_file() => Some(path.clone()),
                    None => named(path, candidates).next().cloned(),
                };
                by_content.or_else(by_name)
            }
            None => None,
        };
        if let Some(path) = main {
            let (scan, from, found_by) = (scan.id, None, FoundBy::Content);
            return Ok(Some(Relinked { scan, from, path, infrared_path, found_by }));
        }
        if scan.fingerprint.as_ref().is_some_and(has_hash) {
            return Ok(None);
        }
        for path in named(&files.scan, candidates) {
            cancel.check()?;
            if self.looks_like(scan, path, infrared_path.as_deref()) {
                let path = path.clone();
                let (scan, from, found_by) = (scan.id, None, FoundBy::Name);
                return Ok(Some(Relinked { scan, from, path, infrared_path, found_by }));
            }
        }
        Ok(None)
    }

    /// The candidate whose content matches a fingerprint.
    fn find_file(
        &self,
        path: &Path,
        known: Option<&Fingerprint>,
        candidates: &Candidates,
        cancel: &CancelToken,
    ) -> Result<Option<PathBuf>, EngineError> {
        let Some(known) = known.filter(|known| has_hash(known)) else { return Ok(None) };
        let depth = if known.blake3.is_some() { CheckDepth::Full } else { CheckDepth::Sampled };
        let mut same_length: Vec<&PathBuf> = candidates.get(&known.bytes).into_iter().flatten().collect();
        // Candidates of the same name first. A file is hashed in full only if its samples agree.
        same_length.sort_by_key(|candidate| candidate.file_name() != path.file_name());
        for candidate in same_length {
            cancel.check()?;
            let fits = |depth| match self.print(candidate, depth, cancel, &|_| {}) {
                Ok(print) => Ok(what_differs(known, &print).is_none()),
                Err(EngineError::Cancelled) => Err(EngineError::Cancelled),
                // A file that can't be read does not match.
                Err(_) => Ok(false),
            };
            if fits(CheckDepth::Sampled)? && (depth == CheckDepth::Sampled || fits(depth)?) {
                return Ok(Some(candidate.clone()));
            }
        }
        Ok(None)
    }

    /// Whether a file holds a picture of a scan's size and planes.
    fn looks_like(&self, scan: &ScanRef, path: &Path, infrared: Option<&Path>) -> bool {
        let moved =
            ScanRef { path: path.to_owned(), infrared_path: infrared.map(Path::to_owned), ..scan.clone() };
        self.get(&moved, None).is_ok_and(|open| {
            let planes = open.info().planes.iter().map(|plane| plane.key());
            (open.width(), open.height()) == (scan.width_px, scan.height_px) && planes.eq(&scan.planes)
        })
    }
}

/// Candidates with the same file name, sorted by path.
fn named<'a>(path: &'a Path, candidates: &'a Candidates) -> impl Iterator<Item = &'a PathBuf> {
    let mut found: Vec<&PathBuf> =
        candidates.values().flatten().filter(|candidate| candidate.file_name() == path.file_name()).collect();
    found.sort();
    found.into_iter()
}

/// The files of a folder and its subfolders, by length. Does not follow links to folders; skips what can't be read.
fn collect(
    folder: &Path,
    depth: usize,
    left: &mut usize,
    candidates: &mut Candidates,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Ok(()) };
    for entry in entries.flatten() {
        cancel.check()?;
        if *left == 0 {
            break;
        }
        *left -= 1;
        let (path, Ok(kind)) = (entry.path(), entry.file_type()) else { continue };
        if kind.is_dir() {
            if depth > 0 {
                collect(&path, depth - 1, left, candidates, cancel)?;
            }
        } else if let Ok(meta) = std::fs::metadata(&path)
            && meta.is_file()
        {
            candidates.entry(meta.len()).or_default().push(path);
        }
    }
    Ok(())
}
