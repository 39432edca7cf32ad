//! Dust repair of a frame, made once for a box, its sensitivity and its strokes, and kept for previews and exports alike.
//!
//! Marks come from the infrared plane; where that is missing or refused, from visible light if the frame asks for it.
//! Strokes of the brush count in every case.

use std::hash::{DefaultHasher, Hash, Hasher};

use glassine_film::Param;
use glassine_raster::{
    CancelToken, PixelRect, Plane, Point, RegionError, RegionSource, Samples16, TiltedBox,
};
use glassine_repair::{DustMap, DustOptions, Leakage, Patches, Refusal, Registration};
use glassine_session::Frame;

use crate::EngineError;
use crate::recipe::FrameContext;
use crate::scans::{OpenScan, working_memory};
use crate::strokes;
use crate::study::{self, RepairDesk};
use crate::types::RepairSummary;

/// Full-resolution pixels around a box or tile that repair may look at.
const CONTEXT_PX: u32 = 96;
/// Pixels around the image area that a cubic kernel or a sharpening halo may still read.
const EDGE_PX: u32 = 48;
/// Largest side of what is repaired at once: memory stays bounded however large the frame is.
pub(crate) const TILE_PX: u32 = 4096;
/// The same where only strokes are filled, so that little is read for one spot.
const STROKE_TILE_PX: u32 = 1024;

/// Repair of one frame: what was found and the new values, and why infrared was refused if it was.
#[derive(Debug)]
pub(crate) struct Repair {
    /// Part of the scan that was looked at.
    pub(crate) rect: PixelRect,
    /// What was found; `None` when there was nothing to look with.
    pub(crate) found: Option<Found>,
    /// Why the infrared plane was not used.
    pub(crate) refusal: Option<Refusal>,
    key: RepairKey,
    strokes: usize,
}

/// Where dust is and what replaces it.
#[derive(Debug)]
pub(crate) struct Found {
    /// 0 clean, else severity, for every pixel of the part that was looked at.
    pub(crate) severity: Plane<u8>,
    /// Marked part of the image area.
    pub(crate) area_fraction: f64,
    /// Marks within the image area: specks, hairs, scratches.
    pub(crate) counts: [u32; 3],
    /// Marked pixels of the image area.
    pub(crate) marked_px: u64,
    infrared: Option<(Registration, Leakage)>,
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
    finds_spots: bool,
    /// Hash of image area and strokes.
    drawn: u64,
}

impl RepairKey {
    /// Whether both look at the same part of the same scan.
    pub(crate) fn is_same_place(&self, other: &Self) -> bool {
        self.scan == other.scan && self.rect == other.rect
    }
}

/// Whether the settings of a frame ask for repair and there is something to repair with.
pub(crate) fn is_wanted(context: &FrameContext) -> bool {
    let frame = &context.frame;
    let is_on = frame.look.get(Param::RepairStrength) > 0.5;
    is_on && (context.open.has_infrared() || !frame.strokes.is_empty() || finds_spots(frame))
}

fn finds_spots(frame: &Frame) -> bool {
    frame.look.get(Param::SpotFinder) > 0.5
}

/// The part of the film marks are counted in.
fn image_area(frame: &Frame) -> TiltedBox {
    frame.image_area.unwrap_or(frame.crop)
}

/// What the repair of a frame would be called.
pub(crate) fn key_of(context: &FrameContext) -> RepairKey {
    let (open, frame) = (&context.open, &context.frame);
    let area = image_area(frame);
    let rect = area.pixel_bounds(open.width(), open.height()).grown(EDGE_PX, open.width(), open.height());
    // The hash names an entry of a cache in memory; it is never stored.
    let mut drawn = DefaultHasher::new();
    let mut number = |v: f64| v.to_bits().hash(&mut drawn);
    let sides = [area.center.x, area.center.y, area.width_px, area.height_px, area.angle_rad];
    sides.into_iter().for_each(&mut number);
    for stroke in &frame.strokes {
        number(stroke.radius_px());
        stroke.points().iter().for_each(|p| [p.x, p.y].into_iter().for_each(&mut number));
        number(f64::NAN);
    }
    frame.strokes.iter().for_each(|stroke| stroke.kind().hash(&mut drawn));
    RepairKey {
        scan: open.id(),
        rect,
        sensitivity_bits: frame.look.get(Param::RepairSensitivity).to_bits(),
        finds_spots: finds_spots(frame),
        drawn: drawn.finish(),
    }
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
        match &self.found {
            Some(found) => {
                let repaired: u64 = found.tiles.iter().map(|tile| tile.patches.report.repaired_px).sum();
                (self.rect.area() + repaired * 8) as usize
            }
            None => 256,
        }
    }

    /// Whether any pixel gets a new value.
    pub(crate) fn changes_something(&self) -> bool {
        self.found.as_ref().is_some_and(|found| found.tiles.iter().any(|tile| !tile.patches.is_empty()))
    }

    /// The scan with repaired pixels in place.
    pub(crate) fn over<'a>(&'a self, source: &'a OpenScan) -> Repaired<'a> {
        Repaired { source, repair: self }
    }

    /// Put the repaired pixels into linear samples of `rect`.
    pub(crate) fn apply(&self, samples: &mut Samples16, rect: PixelRect) {
        for tile in self.found.iter().flat_map(|found| &found.tiles) {
            tile.apply(samples, rect);
        }
    }

    /// What the person should know about it.
    pub(crate) fn summary(&self) -> RepairSummary {
        let found = self.found.as_ref();
        let infrared = found.and_then(|found| found.infrared.as_ref());
        let [specks, hairs, scratches] = found.map_or([0; 3], |found| found.counts);
        RepairSummary {
            specks,
            hairs,
            scratches,
            marked_px: found.map_or(0, |found| found.marked_px),
            area_fraction: found.map_or(0.0, |found| found.area_fraction),
            strokes: self.strokes,
            refusal: self.refusal.map(|refusal| refusal.to_string()),
            has_infrared: self.refusal != Some(Refusal::NoInfrared),
            shift_px: infrared
                .filter(|(registration, _)| registration.confidence > 0.0)
                .map(|(registration, _)| registration.shift_px),
            leakage_strength: infrared.map(|(_, leakage)| leakage.strength),
            leaks_strongly: infrared.is_some_and(|(_, leakage)| leakage.is_strong()),
        }
    }
}

/// What marks are found with.
enum Finder {
    Infrared(DustOptions),
    /// Spots in visible light, at this sensitivity.
    Visible(f64),
    /// Only the strokes count.
    Strokes,
}

/// What a repair is made of.
struct Work<'a> {
    context: &'a FrameContext,
    desk: &'a RepairDesk,
    rect: PixelRect,
    keep_studies: bool,
    cancel: &'a CancelToken,
}

/// Find and fill the dust of a frame at full resolution, tile by tile.
///
/// With `keep_studies` the analysis is kept, so that another sensitivity or stroke takes a fraction of the time.
pub(crate) fn make(
    context: &FrameContext,
    desk: &RepairDesk,
    keep_studies: bool,
    cancel: &CancelToken,
) -> Result<Repair, EngineError> {
    let key = key_of(context);
    let work = Work { context, desk, rect: key.rect, keep_studies, cancel };
    let (found, refusal) = match work.by_infrared()? {
        Ok(found) => (Some(found), None),
        Err(refusal) => (work.without_infrared()?, Some(refusal)),
    };
    Ok(Repair { rect: key.rect, key, found, refusal, strokes: context.frame.strokes.len() })
}

impl Work<'_> {
    fn by_infrared(&self) -> Result<Result<Found, Refusal>, EngineError> {
        let open = &self.context.open;
        if !open.has_infrared() {
            return Ok(Err(Refusal::NoInfrared));
        }
        let cores = tiles_of(self.rect, TILE_PX);
        let sensitivity = self.context.frame.look.get(Param::RepairSensitivity);
        let options = DustOptions {
            sensitivity,
            registration: study::scan_registration(self.context, self.cancel)?,
            ..DustOptions::default()
        };
        self.over(cores, &Finder::Infrared(options))
    }

    /// Strokes, and spots in visible light when asked for.
    fn without_infrared(&self) -> Result<Option<Found>, EngineError> {
        let frame = &self.context.frame;
        let found = if finds_spots(frame) {
            let finder = Finder::Visible(frame.look.get(Param::RepairSensitivity));
            self.over(tiles_of(self.rect, TILE_PX), &finder)?
        } else if frame.strokes.is_empty() {
            return Ok(None);
        } else {
            let mut cores = tiles_of(self.rect, STROKE_TILE_PX);
            cores.retain(|core| strokes::any_reaches(&frame.strokes, *core));
            self.over(cores, &Finder::Strokes)?
        };
        // Only a place too small to look at is refused here.
        Ok(found.ok())
    }

    fn over(&self, cores: Vec<PixelRect>, finder: &Finder) -> Result<Result<Found, Refusal>, EngineError> {
        let (width, height) = (self.rect.width(), self.rect.height());
        let mut severity = Plane::filled(width, height, 0_u8);
        let mut class = Plane::filled(width, height, 0_u8);
        let mut tiles = Vec::new();
        let mut infrared = None;
        for core in cores {
            self.cancel.check()?;
            let (tile, map) = match self.tile(core, finder)? {
                Ok(made) => made,
                Err(refusal) => return Ok(Err(refusal)),
            };
            copy_core(&mut severity, self.rect, &map.severity, &tile);
            copy_core(&mut class, self.rect, &map.class, &tile);
            if let Finder::Infrared(_) = finder {
                infrared = infrared.or(Some((map.registration, map.leakage)));
            }
            tiles.push(tile);
        }
        let counted = self.count(&severity, class);
        let area_px = image_area(&self.context.frame).area_px2().max(1.0);
        let marked_px = counted.severity.data().iter().filter(|s| **s > 0).count() as u64;
        Ok(Ok(Found {
            severity,
            area_fraction: (marked_px as f64 / area_px).min(1.0),
            counts: [counted.specks, counted.hairs, counted.scratches],
            marked_px,
            infrared,
            tiles,
        }))
    }

    /// Connected marks within the image area.
    fn count(&self, severity: &Plane<u8>, class: Plane<u8>) -> DustMap {
        let area = image_area(&self.context.frame);
        let mut map = DustMap { severity: severity.clone(), class, ..DustMap::clean(0, 0) };
        let width = severity.width() as usize;
        for (at, value) in map.severity.data_mut().iter_mut().enumerate().filter(|(_, value)| **value > 0) {
            let (x, y) = ((at % width) as u32 + self.rect.x0, (at / width) as u32 + self.rect.y0);
            if !area.contains(Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5)) {
                *value = 0;
            }
        }
        map.recount();
        map
    }

    fn tile(
        &self,
        core: PixelRect,
        finder: &Finder,
    ) -> Result<Result<(Tile, DustMap), Refusal>, EngineError> {
        let open = &self.context.open;
        let colours = open.colour_channels();
        let rect = grown(core, open);
        let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
        let finish = |linear: &Samples16, map: Result<DustMap, Refusal>| match map {
            Err(Refusal::Cancelled(_)) => Err(EngineError::Cancelled),
            Err(refusal) => Ok(Err(refusal)),
            Ok(mut map) => {
                strokes::lay_over(&mut map, &self.context.frame.strokes, rect, linear, colours);
                let patches = glassine_repair::make_patches(linear, colours, &map, self.cancel);
                self.cancel.check()?;
                Ok(Ok((Tile { rect, core, patches }, map)))
            }
        };
        match finder {
            Finder::Infrared(options) => {
                let study =
                    self.desk.study(open, self.rect, rect, options, self.keep_studies, self.cancel)?;
                match study {
                    Ok(study) => {
                        let map = study.analysis.map(&study.linear, options.sensitivity, self.cancel);
                        finish(&study.linear, map)
                    }
                    Err(refusal) => Ok(Err(refusal)),
                }
            }
            Finder::Visible(sensitivity) => {
                let linear = open.read(rect, self.cancel)?;
                let map = glassine_repair::find_spots(&linear, colours, *sensitivity, self.cancel);
                finish(&linear, map)
            }
            Finder::Strokes => {
                let linear = open.read(rect, self.cancel)?;
                finish(&linear, Ok(DustMap::clean(rect.width(), rect.height())))
            }
        }
    }
}

/// Put the core of a tile's plane into that of the whole place.
fn copy_core(whole: &mut Plane<u8>, rect: PixelRect, part: &Plane<u8>, tile: &Tile) {
    let core = tile.core;
    for y in core.y0..core.y1 {
        let from = &part.row(y - tile.rect.y0)[(core.x0 - tile.rect.x0) as usize..];
        let width = core.width() as usize;
        whole.row_mut(y - rect.y0)[(core.x0 - rect.x0) as usize..][..width].copy_from_slice(&from[..width]);
    }
}

fn grown(core: PixelRect, open: &OpenScan) -> PixelRect {
    core.grown(CONTEXT_PX, open.width(), open.height())
}

/// A part of a scan cut into even pieces no larger than `side_px`.
pub(crate) fn tiles_of(rect: PixelRect, side_px: u32) -> Vec<PixelRect> {
    let cut = |first: u32, last: u32| -> Vec<(u32, u32)> {
        let pieces = (last - first).div_ceil(side_px.max(1)).max(1);
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
        let tiles = tiles_of(rect, TILE_PX);
        assert_eq!(tiles.len(), 3);
        assert_eq!(tiles.iter().map(|tile| tile.area()).sum::<u64>(), rect.area());
        assert!(tiles.iter().all(|tile| tile.width() <= TILE_PX && tile.intersect(rect) == *tile));
        assert!(tiles.windows(2).all(|pair| pair[0].x1 == pair[1].x0));
    }
}
