//! Dust repair of a frame, made once for a box and its sensitivity and kept for previews and exports alike.

use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect, RegionError, RegionSource, Samples16};
use glassine_repair::{DustMap, DustOptions, Patches, Refusal};

use crate::EngineError;
use crate::recipe::FrameContext;
use crate::scans::OpenScan;

/// Full-resolution pixels around a box that repair may look at.
const CONTEXT_PX: u32 = 64;

/// Repair of one frame: what was found and the new values, or why it was refused.
#[derive(Debug)]
pub(crate) struct Repair {
    /// Part of the scan that was looked at.
    pub(crate) rect: PixelRect,
    pub(crate) outcome: Result<Found, Refusal>,
    key: RepairKey,
}

/// A map and its filling.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) map: DustMap,
    pub(crate) patches: Patches,
}

/// What makes a repair the same as another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct RepairKey {
    scan: u64,
    rect: PixelRect,
    sensitivity_bits: u64,
}

/// Whether the settings of a frame ask for repair and its scan can give it.
pub(crate) fn is_wanted(context: &FrameContext) -> bool {
    context.open.has_infrared() && context.frame.look.get(Param::RepairStrength) > 0.5
}

/// What the repair of a frame would be called.
pub(crate) fn key_of(context: &FrameContext) -> RepairKey {
    let open = &context.open;
    let rect = context
        .frame
        .image_area
        .unwrap_or(context.frame.crop)
        .pixel_bounds(open.width(), open.height())
        .grown(CONTEXT_PX, open.width(), open.height());
    let sensitivity_bits = context.frame.look.get(Param::RepairSensitivity).to_bits();
    RepairKey { scan: open.id(), rect, sensitivity_bits }
}

/// A scan with repaired pixels in place.
#[derive(Debug)]
pub(crate) struct Repaired<'a> {
    source: &'a OpenScan,
    repair: &'a Repair,
}

impl RegionSource for Repaired<'_> {
    fn width(&self) -> u32 {
        self.source.width()
    }

    fn height(&self) -> u32 {
        self.source.height()
    }

    fn channels(&self) -> u8 {
        self.source.channels()
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        let mut samples = self.source.read(rect, cancel)?;
        self.repair.apply(&mut samples, rect);
        Ok(samples)
    }
}

impl Repair {
    /// Its name in caches.
    pub(crate) fn key(&self) -> RepairKey {
        self.key
    }

    /// About how much memory it takes.
    pub(crate) fn bytes(&self) -> usize {
        /// Severity, class and attenuation of a pixel.
        const MAP_BYTES: u64 = 4;
        match &self.outcome {
            Ok(found) => (self.rect.area() * MAP_BYTES + found.patches.report.repaired_px * 8) as usize,
            Err(_) => 0,
        }
    }

    /// Whether any pixel gets a new value.
    pub(crate) fn changes_something(&self) -> bool {
        self.outcome.as_ref().is_ok_and(|found| !found.patches.is_empty())
    }

    /// The scan with repaired pixels in place.
    pub(crate) fn over<'a>(&'a self, source: &'a OpenScan) -> Repaired<'a> {
        Repaired { source, repair: self }
    }

    /// Put the repaired pixels into linear samples of `rect`.
    pub(crate) fn apply(&self, samples: &mut Samples16, rect: PixelRect) {
        let Ok(found) = &self.outcome else { return };
        let shared = rect.intersect(self.rect);
        if shared.is_empty() {
            return;
        }
        if shared == rect {
            found.patches.apply(samples, rect.x0 - self.rect.x0, rect.y0 - self.rect.y0);
            return;
        }
        // Only a part of what was read was repaired: it is taken out, repaired and put back.
        let channels = usize::from(samples.channels());
        let columns = (shared.x0 - rect.x0) as usize * channels..(shared.x1 - rect.x0) as usize * channels;
        let mut part = Samples16::zeroed(shared.width(), shared.height(), samples.channels());
        for y in 0..shared.height() {
            part.row_mut(y).copy_from_slice(&samples.row(y + shared.y0 - rect.y0)[columns.clone()]);
        }
        found.patches.apply(&mut part, shared.x0 - self.rect.x0, shared.y0 - self.rect.y0);
        for y in 0..shared.height() {
            samples.row_mut(y + shared.y0 - rect.y0)[columns.clone()].copy_from_slice(part.row(y));
        }
    }
}

/// Find and fill the dust of a frame at full resolution.
pub(crate) fn make(context: &FrameContext, cancel: &CancelToken) -> Result<Repair, EngineError> {
    let open = &context.open;
    let key = key_of(context);
    let rect = key.rect;
    if !open.has_infrared() {
        return Ok(Repair { rect, key, outcome: Err(Refusal::NoInfrared) });
    }
    let linear = open.read(rect, cancel)?;
    let sensitivity = context.frame.look.get(Param::RepairSensitivity);
    let options = DustOptions { sensitivity, ..DustOptions::default() };
    let outcome = match glassine_repair::find_dust(&linear, open.colour_channels(), &options, cancel) {
        Err(Refusal::Cancelled(_)) => return Err(EngineError::Cancelled),
        Err(refusal) => Err(refusal),
        Ok(map) => {
            let patches = glassine_repair::make_patches(&linear, open.colour_channels(), &map, cancel);
            cancel.check()?;
            Ok(Found { map, patches })
        }
    };
    Ok(Repair { rect, key, outcome })
}
