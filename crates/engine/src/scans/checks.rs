//! Checks whether the scans of a session are still the files it was made with.

use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, RegionSource as _};
use glassine_session::{Fingerprint, ScanId, ScanRef};

use crate::error::{EngineError, Notice, Severity};
use crate::scans::{ScanStore, files_of, shown};
use crate::types::SessionAt;

/// How closely scans are checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CheckDepth {
    /// Length and samples of each file: milliseconds.
    Sampled,
    /// Every byte of each file.
    Full,
}

/// How a scan compares with what the session knows of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScanState {
    /// The same, as far as it was checked.
    Same,
    /// It can't be read.
    Missing {
        /// Reason, in words.
        why: String,
        /// Nothing is at its place; otherwise a file is there that can't be read.
        is_gone: bool,
    },
    /// Another picture of the same size.
    Changed {
        /// What differs, in words.
        what: String,
    },
    /// A picture of another size or with other planes: boxes and film base do not fit it.
    SizeDiffers {
        /// Both sizes or sets of planes, in words.
        what: String,
    },
}

/// Result of checking one scan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScanCheck {
    pub scan: ScanId,
    /// The file concerned: the scan, or the file of its infrared plane.
    pub path: PathBuf,
    pub state: ScanState,
    /// The scan file as it is now; fully hashed only for [`CheckDepth::Full`], or if the full hash is known already.
    pub fingerprint: Option<Fingerprint>,
    /// The infrared file as it is now.
    pub infrared_fingerprint: Option<Fingerprint>,
}

impl ScanCheck {
    /// The message for the user; `None` if nothing differs.
    pub fn notice(&self) -> Option<Notice> {
        let (headline, what_to_do) = match &self.state {
            ScanState::Same => return None,
            ScanState::Missing { why, .. } => (
                format!("a scan of this session can't be read: {why}"),
                "put the file back or find it in another folder; its frames and settings are kept",
            ),
            ScanState::Changed { what } => (
                format!("a scan differs from the one that the session was made with: {what}"),
                "check that the boxes still fit, or find the right file; exports wait until then",
            ),
            ScanState::SizeDiffers { what } => (
                format!("a scan is not the one that the session was made with: {what}"),
                "find the right file, or find the frames again; its boxes and film base do not fit",
            ),
        };
        Some(Notice::new(Severity::Warning, headline, what_to_do).about(&self.path))
    }
}

/// How a scan differs, and in which file.
type Difference = (ScanState, PathBuf);

impl ScanStore {
    /// Compare the scans of a session with what it knows of them: size in pixels, planes, length and hashes. Unknown
    /// fingerprints are computed and returned, so that the caller can record them.
    ///
    /// Fails only when cancelled; an unreadable scan is one of the results.
    pub(crate) fn check_scans(
        &self,
        at: &SessionAt,
        depth: CheckDepth,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<Vec<ScanCheck>, EngineError> {
        let scans = &at.session.scans;
        let count = scans.len().max(1) as f32;
        let mut checks = Vec::with_capacity(scans.len());
        for (idx, scan) in scans.iter().enumerate() {
            cancel.check()?;
            let share = |part: f32| {
                progress((idx as f32 + part) / count, &format!("checking {}", shown(&scan.path)));
            };
            share(0.0);
            checks.push(self.check_scan(scan, at.folder.as_deref(), depth, cancel, &share)?);
        }
        Ok(checks)
    }

    /// Length and hashes of a file; all bytes are hashed only for [`CheckDepth::Full`].
    pub(crate) fn print(
        &self,
        path: &Path,
        depth: CheckDepth,
        cancel: &CancelToken,
        progress: &dyn Fn(u64),
    ) -> Result<Fingerprint, EngineError> {
        let prints = &self.prints;
        let (state, sampled) = prints.sampled(path)?;
        let whole = match depth {
            CheckDepth::Sampled => prints.whole_if_known(&state),
            CheckDepth::Full => Some(prints.whole(path, cancel, progress)?.1),
        };
        Ok(Fingerprint { bytes: state.bytes(), sampled_blake3: Some(sampled), blake3: whole })
    }

    fn check_scan(
        &self,
        scan: &ScanRef,
        folder: Option<&Path>,
        depth: CheckDepth,
        cancel: &CancelToken,
        share: &dyn Fn(f32),
    ) -> Result<ScanCheck, EngineError> {
        let files = files_of(scan, folder);
        let mut prints = vec![None; files.paths().count()];
        let mut difference: Option<Difference> = None;
        for (nth, (path, known)) in files.paths().zip(scan.fingerprints()).enumerate() {
            let length = match std::fs::metadata(path) {
                Ok(meta) => meta.len().max(1) as f32,
                Err(error) => {
                    let is_gone = error.kind() == std::io::ErrorKind::NotFound;
                    let missing = ScanState::Missing { why: reason(&error), is_gone };
                    difference = difference.or(Some((missing, path.to_owned())));
                    continue;
                }
            };
            match self.print(path, depth, cancel, &|bytes| share(bytes as f32 / length)) {
                Ok(print) => {
                    let what = known.and_then(|known| what_differs(known, &print));
                    difference =
                        difference.or(what.map(|what| (ScanState::Changed { what }, path.to_owned())));
                    prints[nth] = Some(print);
                }
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => {
                    let missing = (unreadable(&error), path.to_owned());
                    difference = difference.or(Some(missing));
                }
            }
        }
        let is_missing = matches!(difference, Some((ScanState::Missing { .. }, _)));
        let is_known =
            difference.is_none() && scan.parts().all(|part| part.fingerprint.as_ref().is_some_and(has_hash));
        // A file with the right hash has the right size. Any other is opened to find out what it is.
        if !is_missing && !is_known {
            let found = self.what_is_there(scan, folder).map(|state| (state, files.scan.clone()));
            difference = found.or(difference);
        }
        let (state, path) = difference.unwrap_or((ScanState::Same, files.scan));
        let mut prints = prints.into_iter();
        let fingerprint = prints.next().flatten();
        // A joined scan has no infrared file of its own.
        let infrared_fingerprint = prints.next().flatten().filter(|_| scan.join.is_none());
        Ok(ScanCheck { scan: scan.id, path, state, fingerprint, infrared_fingerprint })
    }

    /// Compares the picture in a scan's file with the session: whether it can be read and has the same size and planes.
    fn what_is_there(&self, scan: &ScanRef, folder: Option<&Path>) -> Option<ScanState> {
        let open = match self.get(scan, folder) {
            Ok(open) => open,
            Err(error) => return Some(unreadable(&error)),
        };
        let (width, height) = (open.width(), open.height());
        if (width, height) != (scan.width_px, scan.height_px) {
            let what = format!(
                "it has {width} x {height} px and the session was made for {} x {} px",
                scan.width_px, scan.height_px
            );
            return Some(ScanState::SizeDiffers { what });
        }
        let planes: Vec<&str> = open.info().planes.iter().map(|plane| plane.key()).collect();
        (!scan.planes.is_empty() && planes != scan.planes).then(|| ScanState::SizeDiffers {
            what: format!(
                "it has the planes {} and the session was made for {}",
                planes.join(", "),
                scan.planes.join(", ")
            ),
        })
    }
}

/// A file that is there and can't be read.
fn unreadable(error: &EngineError) -> ScanState {
    ScanState::Missing { why: error.notice().headline, is_gone: false }
}

/// Why a file can't be found, in words.
fn reason(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "file not found".to_owned(),
        std::io::ErrorKind::PermissionDenied => "no permission to read it".to_owned(),
        _ => error.to_string(),
    }
}

/// Whether a fingerprint holds more than the length.
pub(crate) fn has_hash(print: &Fingerprint) -> bool {
    print.blake3.is_some() || print.sampled_blake3.is_some()
}

/// How a file differs from its known fingerprint, as far as both are known.
pub(crate) fn what_differs(known: &Fingerprint, found: &Fingerprint) -> Option<String> {
    if known.bytes != found.bytes {
        return Some(format!("it has {} bytes instead of {}", found.bytes, known.bytes));
    }
    let differ =
        |one: &Option<String>, other: &Option<String>| matches!((one, other), (Some(a), Some(b)) if a != b);
    let differs =
        differ(&known.sampled_blake3, &found.sampled_blake3) || differ(&known.blake3, &found.blake3);
    differs.then(|| "its content differs".to_owned())
}
