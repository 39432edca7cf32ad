//! A scan of the session: what is known about it, and its samples in linear codes.

use std::collections::HashMap;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use glassine_layout::join::{Joined, Placed};
use glassine_raster::{CancelToken, PixelRect, Plane, RegionError, RegionSource, Samples16};
use glassine_repair::Registration;
use glassine_scanfile::{Encoding, Linearisation, OpenOptions, Scan, ScanInfo, overview_factor};

use super::disk::{FilesState, ScanFiles, changed_while_read};
use super::dither::dither_steps;
use super::handles::{Handles, Slot};
use super::{COARSE_OVERVIEW_MAX_SIDE_PX, OVERVIEW_MAX_SIDE_PX, OverviewData, read_reduced};
use crate::cache::ByteCache;
use crate::error::{EngineError, Notice};
use crate::scans::overview_cache::{CachedOverview, Identity, OverviewCache};

/// A reduced picture of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Level {
    Overview,
    /// From a few rows, or the small level of a cached overview; for viewing only.
    CoarseOverview,
}

/// Reduced pictures of all scans, by id of the scan.
pub(crate) type Overviews = ByteCache<(u64, Level), OverviewData>;

/// How the codes of a scan become linear; shared by all scans of one scanner.
#[derive(Debug)]
pub(crate) struct Tables {
    pub(crate) linearisation: Linearisation,
    /// Code to linear code, per colour channel, then for the infrared if it is encoded too; `None` if codes are linear
    /// already.
    pub(crate) to_linear: Option<Vec<Vec<u16>>>,
}

/// Tables by the profile and encoding they are made from.
#[derive(Debug, Default)]
pub(crate) struct TableCache(Mutex<HashMap<blake3::Hash, Arc<Tables>>>);

/// What affects codes besides their encoding.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Curves {
    /// Whether the infrared is encoded like the colours.
    pub(crate) covers_infrared: bool,
    /// Linear light subtracted from the colours.
    pub(crate) stray_light: Option<[f64; 3]>,
}

impl TableCache {
    fn of(&self, scan: &Scan, curves: &Curves) -> Arc<Tables> {
        let info = scan.info();
        let mut hasher = blake3::Hasher::new();
        hasher.update(format!("{:?} {} {curves:?}", info.encoding, info.colour_channels()).as_bytes());
        hasher.update(info.icc.as_deref().unwrap_or_default());
        let mut tables = lock(&self.0);
        let made = || {
            let mut linearisation = scan.linearisation();
            let infrared = linearisation.tables.first().filter(|_| curves.covers_infrared).cloned();
            if let Some(stray) = curves.stray_light {
                for (table, stray) in linearisation.tables.iter_mut().zip(stray) {
                    *table = table.iter().map(|light| (light - stray as f32).max(0.0)).collect();
                }
            }
            let linear_code = |light: &f32| (light * 65535.0 + 0.5) as u16;
            let is_changed = info.encoding != Encoding::Linear || curves.stray_light.is_some();
            let to_linear = is_changed.then(|| {
                let tables = linearisation.tables.iter().chain(&infrared);
                tables.map(|table| table.iter().map(linear_code).collect()).collect()
            });
            Arc::new(Tables { linearisation, to_linear })
        };
        Arc::clone(tables.entry(hasher.finalize()).or_insert_with(made))
    }

    /// Drop tables that no scan uses.
    pub(super) fn tidy(&self) {
        lock(&self.0).retain(|_, tables| Arc::strong_count(tables) > 1);
    }
}

/// What all open scans share.
#[derive(Debug, Clone)]
pub(crate) struct Shared {
    pub(crate) cache: Arc<OverviewCache>,
    pub(super) handles: Arc<Handles>,
    pub(super) overviews: Arc<Overviews>,
    pub(super) tables: Arc<TableCache>,
}

/// Where the samples of a scan come from.
#[derive(Debug)]
enum Source {
    File(Arc<Slot>),
    /// Parts that are joined while they are read, in linear codes.
    Joined(Joined<Arc<OpenScan>>),
}

/// A scan with everything worth keeping about it. Its file may be closed while others are read; see [`Handles`].
#[derive(Debug)]
pub(crate) struct OpenScan {
    info: ScanInfo,
    pub(crate) tables: Arc<Tables>,
    options: OpenOptions,
    files: ScanFiles,
    /// State of the files when first opened. Any later state is another scan.
    state: FilesState,
    source: Source,
    shared: Shared,
    /// Held while the overview is read, so that two callers never read the same scan twice.
    making: Mutex<()>,
    looking: Mutex<()>,
    /// What a cached overview of this scan must have been made from, once the files could be read.
    identity: Mutex<Option<Identity>>,
    reading: String,
    id: u64,
    display_gain: OnceLock<f32>,
    /// Registration of the infrared, computed on first use; inner `None` if undetermined.
    pub(crate) registration: OnceLock<Option<Registration>>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The guarded values are valid after every statement, so a poisoned lock can be used.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Drop for OpenScan {
    fn drop(&mut self) {
        if let Source::File(slot) = &self.source {
            self.shared.handles.close(slot);
        }
        self.shared.overviews.retain(|(scan, _)| *scan != self.id);
    }
}

impl OpenScan {
    /// Open a scan; `choices` holds everything that decides how it is read.
    pub(super) fn open(
        files: ScanFiles,
        (options, curves): (OpenOptions, Curves),
        choices: &str,
        shared: &Shared,
    ) -> Result<Self, EngineError> {
        let state = files.state();
        let slot = Arc::new(Slot::default());
        let scan = shared.handles.get(&slot, || Ok(Scan::open(&files.scan, &options)?))?;
        let open = Self {
            // The tables hold the profile; two thousand copies of it would waste memory.
            info: ScanInfo { icc: None, ..scan.info().clone() },
            tables: shared.tables.of(&scan, &curves),
            options,
            files,
            state: state?,
            source: Source::File(slot),
            shared: shared.clone(),
            making: Mutex::default(),
            looking: Mutex::default(),
            identity: Mutex::default(),
            reading: choices.to_owned(),
            id: next_id(),
            display_gain: OnceLock::new(),
            registration: OnceLock::new(),
        };
        open.check_unchanged()?;
        Ok(open)
    }

    /// A scan of the given size that is joined from parts. Its codes are linear, whatever those of the parts.
    pub(super) fn joined(
        files: ScanFiles,
        (width_px, height_px): (u32, u32),
        parts: Vec<Placed<Arc<Self>>>,
        shared: &Shared,
    ) -> Result<Self, EngineError> {
        let unlike = || EngineError::internal("the parts of a joined scan have unlike planes");
        let first = Arc::clone(parts.first().ok_or_else(unlike)?.source());
        let colours = first.colour_channels();
        let info = ScanInfo {
            width_px,
            height_px,
            bits_per_sample: 16,
            container: "joined scans".to_owned(),
            encoding: Encoding::Linear,
            encoding_is_unstated: false,
            notes: Vec::new(),
            ..first.info.clone()
        };
        let linearisation = Linearisation {
            to_xyz_d50: first.tables.linearisation.to_xyz_d50,
            ..Linearisation::of_encoding(Encoding::Linear, colours)
        };
        let open = Self {
            info,
            tables: Arc::new(Tables { linearisation, to_linear: None }),
            options: OpenOptions::default(),
            state: files.state()?,
            files,
            source: Source::Joined(Joined::new(width_px, height_px, parts).ok_or_else(unlike)?),
            shared: shared.clone(),
            making: Mutex::default(),
            looking: Mutex::default(),
            identity: Mutex::default(),
            reading: String::new(),
            id: next_id(),
            display_gain: OnceLock::new(),
            registration: OnceLock::new(),
        };
        open.check_unchanged()?;
        Ok(open)
    }

    /// The scan file, reopened if it was closed meanwhile.
    fn file(&self, slot: &Arc<Slot>) -> Result<Arc<Scan>, EngineError> {
        self.shared.handles.get(slot, || {
            self.check_unchanged()?;
            let scan = Scan::open(&self.files.scan, &self.options)?;
            self.check_unchanged()?;
            Ok(scan)
        })
    }

    /// State of the files when first opened.
    pub(crate) fn state(&self) -> FilesState {
        self.state.clone()
    }

    /// Whether the files are no longer those that were opened. Files whose state can't be read count as unchanged.
    pub(super) fn has_changed(&self) -> bool {
        self.files.state().is_ok_and(|now| !now.is_same_writing(&self.state))
    }

    /// Fails if the files were written to or replaced since they were opened.
    pub(crate) fn check_unchanged(&self) -> Result<(), EngineError> {
        if self.has_changed() { Err(changed_while_read(&self.files.scan)) } else { Ok(()) }
    }

    /// Identifies this open scan in caches; unique while the program runs.
    pub(crate) fn id(&self) -> u64 {
        self.id
    }

    /// What is known about the scan, without its colour profile.
    pub(crate) fn info(&self) -> &ScanInfo {
        &self.info
    }

    /// Gain that brings the film's clearest parts near white, for showing the scan as it is.
    pub(crate) fn display_gain(&self, cancel: &CancelToken) -> Result<f32, EngineError> {
        if let Some(gain) = self.display_gain.get() {
            return Ok(*gain);
        }
        let overview = self.overview(cancel, &|_| {})?;
        Ok(*self.display_gain.get_or_init(|| self.gain_of(&overview)))
    }

    /// The same gain from a given overview or a coarse one, without storing it.
    pub(crate) fn gain_of(&self, overview: &OverviewData) -> f32 {
        /// Share of samples that may be brighter: open light and perforations.
        const BRIGHTEST_SHARE: f64 = 0.01;
        let channels = usize::from(overview.samples.channels()).max(1);
        let colours = usize::from(self.colour_channels());
        let mut counts = vec![0_u64; 65536];
        let mut total = 0_u64;
        for px in overview.samples.data().chunks_exact(channels).step_by(7) {
            let brightest = px.iter().take(colours).copied().max().unwrap_or(0);
            counts[usize::from(brightest)] += 1;
            total += 1;
        }
        let mut above = 0;
        let code = (0..65536).rev().find(|code| {
            above += counts[*code];
            above as f64 > total as f64 * BRIGHTEST_SHARE
        });
        (65535.0 / code.unwrap_or(65535).max(655) as f32).max(1.0)
    }

    pub(crate) fn colour_channels(&self) -> u8 {
        self.info.colour_channels()
    }

    pub(crate) fn has_infrared(&self) -> bool {
        self.info.has_infrared()
    }

    /// Whether codes are proportional to light.
    pub(crate) fn is_linear(&self) -> bool {
        self.tables.to_linear.is_none()
    }

    fn to_linear(&self) -> Option<&[Vec<u16>]> {
        self.tables.to_linear.as_deref()
    }

    /// Codes in the encoding of the file; those of 8 bits are spread over their steps.
    pub(crate) fn read_codes(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        let slot = match &self.source {
            Source::File(slot) => slot,
            Source::Joined(joined) => return joined.read(rect, cancel),
        };
        let mut samples = self.file(slot).map_err(unreadable)?.read(rect, cancel)?;
        if self.info.bits_per_sample <= 8 {
            dither_steps(&mut samples, rect, self.colour_channels());
        }
        Ok(samples)
    }

    /// What the parts of a joined scan differ by where they overlap; `None` for a scan that is not joined.
    pub(crate) fn part_differences(
        &self,
        rect: PixelRect,
        cancel: &CancelToken,
    ) -> Result<Option<Plane<Option<[f32; 3]>>>, RegionError> {
        match &self.source {
            Source::File(_) => Ok(None),
            Source::Joined(joined) => joined.differences(rect, cancel).map(Some),
        }
    }

    /// Codes exactly as the file holds them. Those of joined parts are resampled.
    pub(crate) fn own_codes(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, EngineError> {
        match &self.source {
            Source::File(slot) => Ok(self.file(slot)?.read_region(rect, cancel)?),
            Source::Joined(joined) => Ok(joined.read(rect, cancel)?),
        }
    }

    /// The colour profile in the file. Joined parts are linear and have none.
    pub(crate) fn own_profile(&self) -> Result<Option<Vec<u8>>, EngineError> {
        match &self.source {
            Source::File(slot) => Ok(self.file(slot)?.info().icc.as_ref().map(|icc| icc.to_vec())),
            Source::Joined(_) => Ok(None),
        }
    }

    /// What a cached overview must have been made from; `None` if reading the scan takes no longer than reading a
    /// cached overview, and while the files can't be read.
    fn identity(&self) -> Option<Identity> {
        if !self.is_worth_keeping() {
            return None;
        }
        let mut known = lock(&self.identity);
        if known.is_none() {
            *known = self.look_at_files();
        }
        known.clone()
    }

    fn look_at_files(&self) -> Option<Identity> {
        let info = &self.info;
        let mut hasher = blake3::Hasher::new();
        hasher.update(format!("{} {:?} {}", self.reading, info.planes, info.container).as_bytes());
        for code in self.to_linear().into_iter().flatten().flatten() {
            hasher.update(&code.to_le_bytes());
        }
        let reading = hasher.finalize().to_hex().to_string();
        Identity::of(&self.files.scan, self.files.infrared.as_deref(), reading)
    }

    /// Whether the overview is worth a file: not if the scan is read in an instant or is held in memory anyway.
    fn is_worth_keeping(&self) -> bool {
        const PLAIN_BYTES: u64 = 192 << 20;
        const PACKED_BYTES: u64 = 48 << 20;
        let info = &self.info;
        let planes = info.planes.len() as u64;
        let bytes = u64::from(info.width_px)
            * u64::from(info.height_px)
            * planes
            * u64::from(info.bits_per_sample / 8);
        let least = if info.container.contains("uncompressed") { PLAIN_BYTES } else { PACKED_BYTES };
        info.container.contains("TIFF") && bytes >= least
    }

    fn kept(&self) -> Option<CachedOverview> {
        self.shared.cache.find(&self.identity()?)
    }

    fn factor(&self) -> u32 {
        overview_factor(self.width(), self.height(), OVERVIEW_MAX_SIDE_PX)
    }

    fn remember(&self, level: Level, data: OverviewData) -> Arc<OverviewData> {
        let bytes = data.samples.data().len() * 2;
        self.shared.overviews.insert((self.id, level), Arc::new(data), bytes)
    }

    /// A picture of the scan within about a second, until the overview is there: the small level of a cached overview,
    /// else one from a few rows. For viewing only; nothing is measured on it. `None` if the overview is there, or is as
    /// quick to make.
    pub(crate) fn coarse_overview(
        &self,
        cancel: &CancelToken,
    ) -> Result<Option<Arc<OverviewData>>, EngineError> {
        if self.overview_if_ready().is_some() {
            return Ok(None);
        }
        let _looking = lock(&self.looking);
        if let Some(ready) = self.shared.overviews.get(&(self.id, Level::CoarseOverview)) {
            return Ok(Some(ready));
        }
        let factor = overview_factor(self.width(), self.height(), COARSE_OVERVIEW_MAX_SIDE_PX);
        let seen = match (self.kept().and_then(|kept| kept.quick()), &self.source) {
            (Some(quick), _) => Some(quick),
            (None, Source::Joined(_)) => None,
            (None, Source::File(slot)) => self
                .file(slot)?
                .quick_overview(factor, glassine_scanfile::QUICK_OVERVIEW_BYTES, self.to_linear(), cancel)?
                .map(|samples| OverviewData { samples, factor }),
        };
        Ok(seen.map(|seen| self.remember(Level::CoarseOverview, seen)))
    }

    /// Cache the overview again, because the session now has a folder for it.
    pub(crate) fn keep_overview(&self) {
        if let (Some(identity), Some(overview)) = (self.identity(), self.overview_if_ready())
            && self.shared.cache.find(&identity).is_none_or(|kept| !kept.is_beside_session())
        {
            self.shared.cache.keep(identity, overview);
        }
    }

    /// The overview: from the cache on disk, or made at the first call by one streaming read.
    pub(crate) fn overview(
        &self,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Arc<OverviewData>, EngineError> {
        if let Some(ready) = self.overview_if_ready() {
            return Ok(ready);
        }
        let _making = lock(&self.making);
        if let Some(ready) = self.overview_if_ready() {
            return Ok(ready);
        }
        let fits = |kept: &OverviewData| {
            let (width, height) = (kept.samples.width(), kept.samples.height());
            kept.factor == self.factor()
                && kept.samples.channels() == self.channels()
                && (width, height)
                    == (self.width().div_ceil(kept.factor), self.height().div_ceil(kept.factor))
        };
        let kept = self.kept().and_then(|kept| kept.full()).filter(fits);
        let is_kept = kept.is_some();
        let overview = match kept {
            Some(kept) => kept,
            None => {
                let factor = self.factor();
                let samples = match &self.source {
                    Source::File(slot) => {
                        self.file(slot)?.reduced(factor, self.to_linear(), cancel, progress)?
                    }
                    Source::Joined(joined) => {
                        let all = PixelRect::of_size(self.width(), self.height());
                        read_reduced(joined, all, factor, cancel)?.0
                    }
                };
                // A file that is written to while it is read gives a picture of neither state.
                self.check_unchanged()?;
                OverviewData { samples, factor }
            }
        };
        let ready = self.remember(Level::Overview, overview);
        self.shared.overviews.retain(|key| *key != (self.id, Level::CoarseOverview));
        if let Some(identity) = self.identity().filter(|_| !is_kept)
            && self.look_at_files().as_ref() == Some(&identity)
        {
            self.shared.cache.keep(identity, Arc::clone(&ready));
        }
        Ok(ready)
    }

    /// The overview, if it is already made and still in memory.
    pub(crate) fn overview_if_ready(&self) -> Option<Arc<OverviewData>> {
        self.shared.overviews.get(&(self.id, Level::Overview))
    }

    /// The lock that a thread holds while it reads the overview.
    #[cfg(test)]
    pub(super) fn hold_overview(&self) -> MutexGuard<'_, ()> {
        lock(&self.making)
    }

    /// The scan's own file.
    pub(crate) fn path(&self) -> &Path {
        &self.files.scan
    }
}

fn next_id() -> u64 {
    static NEXT_ID: AtomicU64 = AtomicU64::new(1);
    NEXT_ID.fetch_add(1, Ordering::Relaxed)
}

fn unreadable(error: EngineError) -> RegionError {
    let Notice { headline: what, what_to_do, path, .. } = error.notice();
    RegionError::Unreadable { what, what_to_do, path, may_pass: error.may_pass() }
}

/// Linear codes: what statistics, resampling and repair work on.
impl RegionSource for OpenScan {
    fn width(&self) -> u32 {
        self.info.width_px
    }

    fn height(&self) -> u32 {
        self.info.height_px
    }

    fn channels(&self) -> u8 {
        self.info.planes.len() as u8
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        let mut samples = self.read_codes(rect, cancel)?;
        if let Some(tables) = self.to_linear() {
            let channels = usize::from(samples.channels()).max(1);
            for px in samples.data_mut().chunks_exact_mut(channels) {
                for (code, table) in px.iter_mut().zip(tables) {
                    *code = table[usize::from(*code)];
                }
            }
        }
        Ok(samples)
    }
}
