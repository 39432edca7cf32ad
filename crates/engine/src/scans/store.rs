//! The scans of the session under work.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use glassine_layout::join::Placed;
use glassine_raster::RegionSource as _;
use glassine_scanfile::{Encoding, FourthSample, OpenOptions};
use glassine_session::{EncodingChoice, FourthSampleChoice, Join, ScanRef, file::resolve_path};

use super::disk::{Prints, ScanFiles};
use super::handles::Handles;
use super::open::{Curves, OpenScan, Overviews, Shared};
use crate::error::{EngineError, Notice, Severity};
use crate::scans::overview_cache::OverviewCache;

/// Memory for overviews of all scans.
const OVERVIEW_CACHE_BYTES: usize = 1 << 30;

#[derive(Debug, PartialEq, Eq, Hash, Clone)]
struct ScanKey {
    files: ScanFiles,
    choices: String,
}

impl ScanKey {
    fn of(scan: &ScanRef, folder: Option<&Path>) -> Self {
        let choices = format!(
            "{:?} {:?} {:?} {:?} {} {:?}",
            scan.join,
            scan.encoding_in_use(),
            scan.fourth_sample,
            scan.page,
            scan.encoding_covers_infrared(),
            scan.stray_light_in_use()
        );
        Self { files: files_of(scan, folder), choices }
    }
}

/// The files of a session's entry.
pub(crate) fn files_of(scan: &ScanRef, folder: Option<&Path>) -> ScanFiles {
    let resolved = |path: &Path| resolve_path(path, folder);
    let mut parts = scan.parts();
    let first = parts.next().unwrap_or(scan);
    let further = parts.flat_map(|part| [Some(&part.path), part.infrared_path.as_ref()]).flatten();
    ScanFiles {
        scan: resolved(&first.path),
        infrared: first.infrared_path.as_deref().map(resolved),
        further: further.map(|path| resolved(path)).collect(),
    }
}

/// Every scan opened for the session under work.
#[derive(Debug)]
pub(crate) struct ScanStore {
    pub(crate) shared: Shared,
    pub(crate) prints: Prints,
    open: Mutex<HashMap<ScanKey, Arc<OpenScan>>>,
    /// Scans whose files changed, not yet reported.
    changed: Mutex<BTreeSet<PathBuf>>,
}

impl Default for ScanStore {
    fn default() -> Self {
        Self::on(Arc::default())
    }
}

impl ScanStore {
    /// An empty store that finds and keeps overviews in this cache.
    pub(crate) fn on(cache: Arc<OverviewCache>) -> Self {
        Self::with_handles(cache, Handles::default())
    }

    pub(super) fn with_handles(cache: Arc<OverviewCache>, handles: Handles) -> Self {
        let overviews = Arc::new(Overviews::new(OVERVIEW_CACHE_BYTES));
        let shared = Shared { cache, handles: Arc::new(handles), overviews, tables: Arc::default() };
        Self { shared, prints: Prints::default(), open: Mutex::default(), changed: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<ScanKey, Arc<OpenScan>>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The open scan of a session's entry, opened anew if its file was written to.
    pub(crate) fn get(&self, scan: &ScanRef, folder: Option<&Path>) -> Result<Arc<OpenScan>, EngineError> {
        let key = ScanKey::of(scan, folder);
        let known = self.lock().get(&key).cloned();
        if let Some(open) = known {
            if !open.has_changed() {
                return Ok(open);
            }
            self.forget(&open);
        }
        if let Some(join) = &scan.join {
            let open = self.joined(scan, join, key.files.clone(), folder)?;
            return Ok(Arc::clone(self.lock().entry(key).or_insert_with(|| Arc::new(open))));
        }
        let curves = Curves {
            covers_infrared: scan.encoding_covers_infrared(),
            stray_light: scan.stray_light_in_use(),
        };
        let how = (options(scan, &key), curves);
        let open = OpenScan::open(key.files.clone(), how, &key.choices, &self.shared)?;
        // Another thread may have been faster: all use the first one.
        Ok(Arc::clone(self.lock().entry(key).or_insert_with(|| Arc::new(open))))
    }

    /// A joined scan, with its parts open.
    fn joined(
        &self,
        scan: &ScanRef,
        join: &Join,
        files: ScanFiles,
        folder: Option<&Path>,
    ) -> Result<OpenScan, EngineError> {
        let parts = join.parts.iter().map(|part| {
            let open = self.get(&part.scan, folder)?;
            check_part(&part.scan, &open)?;
            Placed::new(open, part.to_joined, &part.light, part.seams.clone())
                .ok_or_else(|| EngineError::internal("a part of a joined scan has no place"))
        });
        let parts = parts.collect::<Result<Vec<_>, EngineError>>()?;
        OpenScan::joined(files, (scan.width_px, scan.height_px), parts, &self.shared)
    }

    /// Forget a scan whose file changed, to be reported by [`Self::take_changed`].
    pub(crate) fn forget(&self, open: &Arc<OpenScan>) {
        self.lock().retain(|_, other| !Arc::ptr_eq(other, open));
        self.changed.lock().unwrap_or_else(PoisonError::into_inner).insert(open.path().to_owned());
    }

    /// Scans that were forgotten because their files changed, since the last call.
    pub(crate) fn take_changed(&self) -> Vec<PathBuf> {
        let changed = std::mem::take(&mut *self.changed.lock().unwrap_or_else(PoisonError::into_inner));
        changed.into_iter().collect()
    }

    /// Close every scan except those of a session whose files are unchanged; returns the ids of those kept.
    pub(crate) fn keep_only(&self, scans: &[Arc<ScanRef>], folder: Option<&Path>) -> BTreeSet<u64> {
        let wanted: HashSet<_> = scans.iter().map(|scan| ScanKey::of(scan, folder)).collect();
        let mut open = self.lock();
        open.retain(|key, open| wanted.contains(key) && !open.has_changed());
        let kept = open.values().map(|open| open.id()).collect();
        drop(open);
        self.shared.tables.tidy();
        self.changed.lock().unwrap_or_else(PoisonError::into_inner).clear();
        kept
    }

    /// Set the file of the session, if it has one: overviews are kept beside it.
    pub(crate) fn move_to(&self, session_path: Option<&Path>) {
        if self.shared.cache.move_to(session_path) && session_path.is_some() {
            let open: Vec<_> = self.lock().values().cloned().collect();
            open.iter().for_each(|open| open.keep_overview());
        }
    }
}

/// Fails if a part has another size or other planes than when it was joined.
fn check_part(part: &ScanRef, open: &OpenScan) -> Result<(), EngineError> {
    let planes = open.info().planes.iter().map(|plane| plane.key());
    if (open.width(), open.height()) == (part.width_px, part.height_px) && planes.eq(&part.planes) {
        return Ok(());
    }
    let headline = "a part of a joined scan has another size or other planes than when it was joined";
    let what_to_do = "find the right file, or join the scans again";
    Err(EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do).about(open.path())))
}

fn options(scan: &ScanRef, key: &ScanKey) -> OpenOptions {
    OpenOptions {
        infrared_file: key.files.infrared.clone(),
        page: scan.page,
        fourth_sample: match scan.fourth_sample {
            FourthSampleChoice::Auto => FourthSample::Auto,
            FourthSampleChoice::Infrared => FourthSample::Infrared,
            FourthSampleChoice::Ignore => FourthSample::Ignore,
        },
        encoding: match scan.encoding_in_use() {
            EncodingChoice::Auto => None,
            EncodingChoice::Linear => Some(Encoding::Linear),
            EncodingChoice::Srgb => Some(Encoding::Srgb),
            EncodingChoice::Gamma(gamma) => Some(Encoding::Gamma(gamma)),
        },
        ..OpenOptions::default()
    }
}
