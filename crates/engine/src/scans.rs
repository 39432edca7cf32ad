//! Open scans, their linear view and their overviews, kept for as long as the engine lives.

use std::borrow::Cow;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use glassine_raster::{CancelToken, MemoryBudget, PixelRect, RegionError, RegionSource, Samples16};
use glassine_repair::Registration;
use glassine_scanfile::{Encoding, FourthSample, Linearisation, OpenOptions, Scan, overview_factor};
use glassine_session::{EncodingChoice, FourthSampleChoice, ScanRef, file::resolve_path};

use crate::EngineError;
use crate::shelf::{Identity, Kept, Shelf};

/// Longest side of an overview: fits a single texture of any graphics driver.
pub(crate) const OVERVIEW_MAX_SIDE_PX: u32 = 4096;
/// Longest side of a first look.
const FIRST_LOOK_MAX_SIDE_PX: u32 = 1024;

/// A scan reduced by a whole-number factor, in linear codes.
#[derive(Debug)]
pub(crate) struct OverviewData {
    pub(crate) samples: Samples16,
    pub(crate) factor: u32,
}

/// A scan file with everything that is worth keeping about it.
#[derive(Debug)]
pub(crate) struct OpenScan {
    pub(crate) scan: Scan,
    pub(crate) linearisation: Linearisation,
    /// Code to linear code, per colour channel; `None` when codes are linear already.
    to_linear: Option<Vec<Vec<u16>>>,
    overview: Mutex<Option<Arc<OverviewData>>>,
    /// The same from a few rows, or the small level of a kept one: only to look at.
    first_look: Mutex<Option<Arc<OverviewData>>>,
    shelf: Arc<Shelf>,
    /// What a kept overview of this scan must have been made from; `None` inside when none is kept.
    identity: OnceLock<Option<Identity>>,
    reading: String,
    id: u64,
    display_gain: OnceLock<f32>,
    /// Where the infrared lies, once somebody asked; `None` inside when it could not be told.
    pub(crate) registration: OnceLock<Option<Registration>>,
}

impl OpenScan {
    /// An open scan whose overview is looked for and kept on `shelf`; `choices` are all that decide how it is read.
    pub(crate) fn new(scan: Scan, choices: &str, shelf: Arc<Shelf>) -> Self {
        let linearisation = scan.linearisation();
        let is_linear = scan.info().encoding == Encoding::Linear;
        let to_linear = (!is_linear).then(|| {
            let linear_code = |light: &f32| (light * 65535.0 + 0.5) as u16;
            linearisation.tables.iter().map(|table| table.iter().map(linear_code).collect()).collect()
        });
        static NEXT_ID: AtomicU64 = AtomicU64::new(1);
        Self {
            scan,
            linearisation,
            to_linear,
            overview: Mutex::new(None),
            first_look: Mutex::new(None),
            shelf,
            identity: OnceLock::new(),
            reading: choices.to_owned(),
            id: NEXT_ID.fetch_add(1, Ordering::Relaxed),
            display_gain: OnceLock::new(),
            registration: OnceLock::new(),
        }
    }

    /// Unique while the program runs: names this open scan in caches.
    pub(crate) fn id(&self) -> u64 {
        self.id
    }

    /// Gain that brings the film's clearest parts near white, for showing the scan as it is.
    pub(crate) fn display_gain(&self, overview: &OverviewData) -> f32 {
        *self.display_gain.get_or_init(|| self.gain_of(overview))
    }

    /// The same from a first look; what the overview itself says is not touched by it.
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
        self.scan.info().colour_channels()
    }

    pub(crate) fn has_infrared(&self) -> bool {
        self.scan.info().has_infrared()
    }

    /// Whether its codes are proportional to light.
    pub(crate) fn is_linear(&self) -> bool {
        self.to_linear.is_none()
    }

    /// What a kept overview must have been made from; `None` when reading the scan takes no longer than reading a kept one.
    fn identity(&self) -> Option<&Identity> {
        self.identity.get_or_init(|| self.is_worth_keeping().then(|| self.look_at_files()).flatten()).as_ref()
    }

    fn look_at_files(&self) -> Option<Identity> {
        let info = self.scan.info();
        let mut hasher = blake3::Hasher::new();
        hasher.update(format!("{} {:?} {}", self.reading, info.planes, info.container).as_bytes());
        for code in self.to_linear.iter().flatten().flatten() {
            hasher.update(&code.to_le_bytes());
        }
        Identity::of(&info.path, self.scan.infrared_file(), hasher.finalize().to_hex().to_string())
    }

    /// A scan that is read in the blink of an eye, or held in memory anyway, is not worth a file of its own.
    fn is_worth_keeping(&self) -> bool {
        const PLAIN_BYTES: u64 = 192 << 20;
        const PACKED_BYTES: u64 = 48 << 20;
        let info = self.scan.info();
        let planes = info.planes.len() as u64;
        let bytes = u64::from(info.width_px)
            * u64::from(info.height_px)
            * planes
            * u64::from(info.bits_per_sample / 8);
        let least = if info.container.contains("uncompressed") { PLAIN_BYTES } else { PACKED_BYTES };
        info.container.contains("TIFF") && bytes >= least
    }

    fn kept(&self) -> Option<Kept> {
        self.shelf.find(self.identity()?)
    }

    fn factor(&self) -> u32 {
        overview_factor(self.width(), self.height(), OVERVIEW_MAX_SIDE_PX)
    }

    /// A picture of the scan within a second or so, for as long as the overview is not there: the small level of a kept
    /// overview, else one from a few rows. Only to look at; nothing is measured on it. `None` when the overview is there,
    /// or is as quick to make.
    pub(crate) fn first_look(&self, cancel: &CancelToken) -> Result<Option<Arc<OverviewData>>, EngineError> {
        if self.overview_if_ready().is_some() {
            return Ok(None);
        }
        let mut slot = self.first_look.lock().unwrap_or_else(PoisonError::into_inner);
        if slot.is_some() {
            return Ok(slot.clone());
        }
        let factor = overview_factor(self.width(), self.height(), FIRST_LOOK_MAX_SIDE_PX);
        let seen = match self.kept().and_then(|kept| kept.quick()) {
            Some(quick) => Some(quick),
            None => self
                .scan
                .glimpse(factor, glassine_scanfile::GLIMPSE_BYTES, self.to_linear.as_deref(), cancel)?
                .map(|samples| OverviewData { samples, factor }),
        };
        *slot = seen.map(Arc::new);
        Ok(slot.clone())
    }

    /// Keep the overview again: the session has a place of its own now.
    pub(crate) fn keep_overview(&self) {
        if let (Some(identity), Some(overview)) = (self.identity(), self.overview_if_ready())
            && self.shelf.find(identity).is_none_or(|kept| !kept.is_beside_session())
        {
            self.shelf.keep(identity.clone(), overview);
        }
    }

    /// The overview: kept from an earlier time, or made at the first call by one streaming read.
    pub(crate) fn overview(
        &self,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Arc<OverviewData>, EngineError> {
        // Held while reading, so that two callers never read the same scan twice.
        let mut slot = self.overview.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(ready) = &*slot {
            return Ok(Arc::clone(ready));
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
                let samples = self.scan.reduced(factor, self.to_linear.as_deref(), cancel, progress)?;
                OverviewData { samples, factor }
            }
        };
        let ready = Arc::new(overview);
        *slot = Some(Arc::clone(&ready));
        *self.first_look.lock().unwrap_or_else(PoisonError::into_inner) = None;
        // A file that changed while it was read gives a picture of neither state: that one is not kept.
        if let Some(identity) = self.identity().filter(|_| !is_kept)
            && self.look_at_files().as_ref() == Some(identity)
        {
            self.shelf.keep(identity.clone(), Arc::clone(&ready));
        }
        Ok(ready)
    }

    /// The overview if it was made already.
    pub(crate) fn overview_if_ready(&self) -> Option<Arc<OverviewData>> {
        self.overview.try_lock().ok()?.clone()
    }
}

/// Linear codes: what statistics, resampling and repair work on.
impl RegionSource for OpenScan {
    fn width(&self) -> u32 {
        self.scan.width()
    }

    fn height(&self) -> u32 {
        self.scan.height()
    }

    fn channels(&self) -> u8 {
        self.scan.channels()
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        let mut samples = self.scan.read(rect, cancel)?;
        if let Some(tables) = &self.to_linear {
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

/// A table that leaves codes as they are: for samples that were made linear while reading.
pub(crate) fn identity_table() -> Arc<[f32]> {
    static TABLE: std::sync::OnceLock<Arc<[f32]>> = std::sync::OnceLock::new();
    Arc::clone(TABLE.get_or_init(|| (0..=u16::MAX).map(|code| f32::from(code) / 65535.0).collect()))
}

#[derive(Debug, PartialEq, Eq, Hash, Clone)]
struct ScanKey {
    path: PathBuf,
    infrared: Option<PathBuf>,
    choices: String,
}

/// Every scan that was opened.
#[derive(Debug, Default)]
pub(crate) struct ScanStore {
    pub(crate) shelf: Arc<Shelf>,
    open: Mutex<HashMap<ScanKey, Arc<OpenScan>>>,
}

impl ScanStore {
    /// No scan yet; overviews are looked for and kept on this shelf.
    pub(crate) fn on(shelf: Arc<Shelf>) -> Self {
        Self { shelf, open: Mutex::default() }
    }

    /// The open scan of a session's entry.
    pub(crate) fn get(&self, scan: &ScanRef, folder: Option<&Path>) -> Result<Arc<OpenScan>, EngineError> {
        let key = ScanKey {
            path: resolve_path(&scan.path, folder),
            infrared: scan.infrared_path.as_deref().map(|path| resolve_path(path, folder)),
            choices: format!("{:?} {:?}", scan.encoding, scan.fourth_sample),
        };
        if let Some(open) = self.open.lock().unwrap_or_else(PoisonError::into_inner).get(&key) {
            return Ok(Arc::clone(open));
        }
        let options = OpenOptions {
            infrared_file: key.infrared.clone(),
            fourth_sample: match scan.fourth_sample {
                FourthSampleChoice::Auto => FourthSample::Auto,
                FourthSampleChoice::Infrared => FourthSample::Infrared,
                FourthSampleChoice::Ignore => FourthSample::Ignore,
            },
            encoding: match scan.encoding {
                EncodingChoice::Auto => None,
                EncodingChoice::Linear => Some(Encoding::Linear),
                EncodingChoice::Srgb => Some(Encoding::Srgb),
                EncodingChoice::Gamma(gamma) => Some(Encoding::Gamma(gamma)),
            },
            ..OpenOptions::default()
        };
        let scan = Scan::open(&key.path, &options)?;
        let open = Arc::new(OpenScan::new(scan, &key.choices, Arc::clone(&self.shelf)));
        self.open.lock().unwrap_or_else(PoisonError::into_inner).insert(key, Arc::clone(&open));
        Ok(open)
    }

    /// The session has this file from now on, or none: overviews are kept beside it.
    pub(crate) fn move_to(&self, session_path: Option<&Path>) {
        if self.shelf.move_to(session_path) && session_path.is_some() {
            let open: Vec<_> =
                self.open.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect();
            open.iter().for_each(|open| open.keep_overview());
        }
    }

    /// Close every file; they are opened again when wanted.
    pub(crate) fn clear(&self) {
        self.open.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }
}

/// Memory for full-resolution samples that are worked on at this moment, over all threads.
pub(crate) fn working_memory() -> &'static MemoryBudget {
    const LIMIT_BYTES: u64 = 1 << 30;
    static BUDGET: OnceLock<MemoryBudget> = OnceLock::new();
    BUDGET.get_or_init(|| MemoryBudget::new(LIMIT_BYTES))
}

/// Linear samples reduced by `factor`, for the part of a scan that covers `rect`.
///
/// The result begins at scan pixel `origin`, a multiple of `factor`; bands keep memory bounded.
pub(crate) fn read_reduced(
    source: &dyn RegionSource,
    rect: PixelRect,
    factor: u32,
    cancel: &CancelToken,
) -> Result<(Samples16, (u32, u32)), EngineError> {
    /// Full-resolution bytes held at once.
    const BAND_BYTES: u64 = 32 << 20;
    let factor = factor.max(1);
    let origin = (rect.x0 / factor * factor, rect.y0 / factor * factor);
    let aligned = PixelRect::new(
        origin.0,
        origin.1,
        rect.x1.div_ceil(factor).saturating_mul(factor).min(source.width()),
        rect.y1.div_ceil(factor).saturating_mul(factor).min(source.height()),
    );
    if factor == 1 {
        let _held = working_memory().reserve(aligned.area() * u64::from(source.channels()) * 2)?;
        return Ok((source.read(aligned, cancel)?, origin));
    }
    let row_bytes = (u64::from(aligned.width()) * u64::from(source.channels()) * 2).max(1);
    let rows = (BAND_BYTES / row_bytes / u64::from(factor)).clamp(1, 4096) as u32 * factor;
    let mut data = Vec::new();
    let mut y = aligned.y0;
    while y < aligned.y1 {
        cancel.check()?;
        let band = PixelRect::new(aligned.x0, y, aligned.x1, (y + rows).min(aligned.y1));
        let full = source.read(band, cancel)?;
        data.extend_from_slice(glassine_raster::box_reduce(&full, factor).data());
        y = band.y1;
    }
    let (width, height) = (aligned.width().div_ceil(factor), aligned.height().div_ceil(factor));
    Samples16::from_vec(width, height, source.channels(), data)
        .map(|samples| (samples, origin))
        .ok_or_else(|| EngineError::fault("a scan gave a region of another size than asked"))
}

/// Tables for a pipeline that is fed `channels` colour channels.
pub(crate) fn table_refs<'a>(tables: &'a [Arc<[f32]>], spare: &'a Arc<[f32]>) -> [&'a [f32]; 3] {
    [0, 1, 2].map(|c| -> &[f32] { tables.get(c).or(tables.first()).unwrap_or(spare) })
}

/// Text of a path for messages.
pub(crate) fn shown(path: &Path) -> Cow<'_, str> {
    path.to_string_lossy()
}
