//! Dust repair of a frame, made once for a box and its sensitivity and kept for previews and exports alike.

use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect, Plane, RegionError, RegionSource, Samples16};
use glassine_repair::{DustMap, DustOptions, Patches, Refusal, Registration};

use crate::EngineError;
use crate::recipe::FrameContext;
use crate::scans::{OpenScan, working_memory};

/// Full-resolution pixels around a box or tile that repair may look at.
const CONTEXT_PX: u32 = 96;
/// Pixels around the image area that a cubic kernel or a sharpening halo may still read.
const EDGE_PX: u32 = 48;
/// Largest side of what is repaired at once: memory stays bounded however large the frame is.
const TILE_PX: u32 = 4096;

/// Repair of one frame: what was found and the new values, or why it was refused.
#[derive(Debug)]
pub(crate) struct Repair {
    /// Part of the scan that was looked at.
    pub(crate) rect: PixelRect,
    pub(crate) outcome: Result<Found, Refusal>,
    key: RepairKey,
}

/// Where dust is and what replaces it.
#[derive(Debug)]
pub(crate) struct Found {
    /// 0 clean, else severity, for every pixel of the part that was looked at.
    pub(crate) severity: Plane<u8>,
    pub(crate) area_fraction: f64,
    pub(crate) objects: u32,
    tiles: Vec<Tile>,
}

/// The part of a frame that is repaired at once; its patches count only inside its core, so tiles join without overlap.
#[derive(Debug)]
struct Tile {
    rect: PixelRect,
    core: PixelRect,
    patches: Patches,
}

impl Tile {
    /// Put the repaired pixels of the core into linear samples of `rect`.
    fn apply(&self, samples: &mut Samples16, rect: PixelRect) {
        let shared = rect.intersect(self.core);
        if shared.is_empty() || self.patches.is_empty() {
            return;
        }
        if shared == rect {
            self.patches.apply(samples, rect.x0 - self.rect.x0, rect.y0 - self.rect.y0);
            return;
        }
        // Only a part of what was read belongs to this tile: it is taken out, repaired and put back.
        let channels = usize::from(samples.channels());
        let columns = (shared.x0 - rect.x0) as usize * channels..(shared.x1 - rect.x0) as usize * channels;
        let mut part = Samples16::zeroed(shared.width(), shared.height(), samples.channels());
        for y in 0..shared.height() {
            part.row_mut(y).copy_from_slice(&samples.row(y + shared.y0 - rect.y0)[columns.clone()]);
        }
        self.patches.apply(&mut part, shared.x0 - self.rect.x0, shared.y0 - self.rect.y0);
        for y in 0..shared.height() {
            samples.row_mut(y + shared.y0 - rect.y0)[columns.clone()].copy_from_slice(part.row(y));
        }
    }
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
        .grown(EDGE_PX, open.width(), open.height());
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
        match &self.outcome {
            Ok(found) => {
                let repaired: u64 = found.tiles.iter().map(|tile| tile.patches.report.repaired_px).sum();
                (self.rect.area() + repaired * 8) as usize
            }
            Err(_) => 0,
        }
    }

    /// Whether any pixel gets a new value.
    pub(crate) fn changes_something(&self) -> bool {
        self.outcome.as_ref().is_ok_and(|found| found.tiles.iter().any(|tile| !tile.patches.is_empty()))
    }

    /// The scan with repaired pixels in place.
    pub(crate) fn over<'a>(&'a self, source: &'a OpenScan) -> Repaired<'a> {
        Repaired { source, repair: self }
    }

    /// Put the repaired pixels into linear samples of `rect`.
    pub(crate) fn apply(&self, samples: &mut Samples16, rect: PixelRect) {
        if let Ok(found) = &self.outcome {
            for tile in &found.tiles {
                tile.apply(samples, rect);
            }
        }
    }
}

/// Find and fill the dust of a frame at full resolution, tile by tile.
pub(crate) fn make(context: &FrameContext, cancel: &CancelToken) -> Result<Repair, EngineError> {
    let open = &context.open;
    let key = key_of(context);
    let rect = key.rect;
    if !open.has_infrared() {
        return Ok(Repair { rect, key, outcome: Err(Refusal::NoInfrared) });
    }
    let cores = tiles_of(rect);
    let sensitivity = context.frame.look.get(Param::RepairSensitivity);
    let options = DustOptions {
        sensitivity,
        registration: scan_registration(context, cancel)?,
        ..DustOptions::default()
    };
    let mut found = Found {
        severity: Plane::filled(rect.width(), rect.height(), 0),
        area_fraction: 0.0,
        objects: 0,
        tiles: Vec::new(),
    };
    for core in cores {
        cancel.check()?;
        match repair_tile(open, core, &options, cancel)? {
            Ok((tile, map)) => found.add(rect, tile, &map),
            Err(refusal) => return Ok(Repair { rect, key, outcome: Err(refusal) }),
        }
    }
    let marked = found.severity.data().iter().filter(|severity| **severity > 0).count();
    found.area_fraction = marked as f64 / (rect.area().max(1)) as f64;
    Ok(Repair { rect, key, outcome: Ok(found) })
}

/// Where the infrared lies against the visible planes, measured once for a scan on the piece of film that tells best.
///
/// The film with its edges, perforations and all its dust says more than one frame alone; `None` lets each frame decide.
fn scan_registration(
    context: &FrameContext,
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    /// Pieces of film that are looked at, and the confidence that ends the search.
    const PIECES: usize = 5;
    const SURE: f32 = 0.7;
    let open = &context.open;
    if let Some(known) = open.registration.get() {
        return Ok(*known);
    }
    let film = context.strip.film_area.unwrap_or(context.frame.crop);
    let tiles = tiles_of(film.pixel_bounds(open.width(), open.height()));
    let mut order: Vec<usize> = (0..tiles.len()).collect();
    // From the middle outwards: the ends of a strip are often cut, curled or lit from the side.
    order.sort_by_key(|idx| idx.abs_diff(tiles.len() / 2));
    let mut best: Option<Registration> = None;
    for idx in order.into_iter().take(PIECES) {
        cancel.check()?;
        let rect = tiles[idx];
        let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
        let linear = open.read(rect, cancel)?;
        if let Ok(found) = glassine_repair::register(&linear, open.colour_channels())
            && best.is_none_or(|best| found.confidence > best.confidence)
        {
            best = Some(found);
        }
        if best.is_some_and(|best| best.confidence >= SURE) {
            break;
        }
    }
    // A confidence of zero means that nothing stood out: then there is nothing to lay over either.
    let best = best.filter(|best| best.confidence > 0.0);
    Ok(*open.registration.get_or_init(|| best))
}

impl Found {
    fn add(&mut self, rect: PixelRect, tile: Tile, map: &DustMap) {
        let core = tile.core;
        for y in core.y0..core.y1 {
            let from = &map.severity.row(y - tile.rect.y0)[(core.x0 - tile.rect.x0) as usize..];
            let width = core.width() as usize;
            self.severity.row_mut(y - rect.y0)[(core.x0 - rect.x0) as usize..][..width]
                .copy_from_slice(&from[..width]);
        }
        self.objects += map.objects;
        self.tiles.push(tile);
    }
}

fn repair_tile(
    open: &OpenScan,
    core: PixelRect,
    options: &DustOptions,
    cancel: &CancelToken,
) -> Result<Result<(Tile, DustMap), Refusal>, EngineError> {
    let rect = grown(core, open);
    let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
    let linear = open.read(rect, cancel)?;
    match glassine_repair::find_dust(&linear, open.colour_channels(), options, cancel) {
        Err(Refusal::Cancelled(_)) => Err(EngineError::Cancelled),
        Err(refusal) => Ok(Err(refusal)),
        Ok(map) => {
            let patches = glassine_repair::make_patches(&linear, open.colour_channels(), &map, cancel);
            cancel.check()?;
            Ok(Ok((Tile { rect, core, patches }, map)))
        }
    }
}

fn grown(core: PixelRect, open: &OpenScan) -> PixelRect {
    core.grown(CONTEXT_PX, open.width(), open.height())
}

/// A part of a scan cut into even pieces no larger than a tile.
fn tiles_of(rect: PixelRect) -> Vec<PixelRect> {
    let cut = |first: u32, last: u32| -> Vec<(u32, u32)> {
        let pieces = (last - first).div_ceil(TILE_PX).max(1);
        let edge = |k: u32| first + (u64::from(last - first) * u64::from(k) / u64::from(pieces)) as u32;
        (0..pieces).map(|k| (edge(k), edge(k + 1))).collect()
    };
    let columns = cut(rect.x0, rect.x1);
    cut(rect.y0, rect.y1)
        .into_iter()
        .flat_map(|(y0, y1)| columns.iter().map(move |(x0, x1)| PixelRect::new(*x0, y0, *x1, y1)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_cover_a_part_without_overlap_and_stay_small() {
        let rect = PixelRect::new(10, 20, 10 + 3 * TILE_PX - 5, 20 + 900);
        let tiles = tiles_of(rect);
        assert_eq!(tiles.len(), 3);
        assert_eq!(tiles.iter().map(|tile| tile.area()).sum::<u64>(), rect.area());
        assert!(tiles.iter().all(|tile| tile.width() <= TILE_PX && tile.intersect(rect) == *tile));
        assert!(tiles.windows(2).all(|pair| pair[0].x1 == pair[1].x0));
    }
}
