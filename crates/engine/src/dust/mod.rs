//! Dust repair of a frame, made once for a box, its sensitivity and its strokes, and kept for previews and exports
//! alike.
//!
//! Marks come from the infrared plane or, if that is missing or refused, from visible light if the frame asks for it.
//! Brush strokes count in every case.

pub(crate) mod registration;
pub(crate) mod repair_cache;
mod scan_map;

use std::hash::{DefaultHasher, Hash, Hasher as _};
use std::sync::Arc;

use glassine_film::Param;
use glassine_raster::{
    CancelToken, MM_PER_INCH, PixelRect, Point, RegionError, RegionSource, Samples16, TiltedBox,
};
use glassine_repair::{
    DustError, DustMap, DustOptions, FillPlace, Leakage, Mark, Patches, Refusal, Registration, Stroke,
    StrokeEffect, apply_strokes, stroke_bounds,
};
use glassine_session::{BrushStroke, Frame, Strip, StrokeKind};

use crate::dust::repair_cache::RepairCache;
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::scans::OpenScan;
use crate::scans::progress_reader::ProgressReader;
use crate::types::RepairSummary;

pub use scan_map::DustOfScan;
pub(crate) use scan_map::dust_of_scan;

/// Full-resolution pixels around a box or tile that repair may read.
const CONTEXT_PX: u32 = 96;
/// What a cubic kernel or a sharpening halo may still read around the image area: a length on the film, mm, clamped to
/// a range of pixels; the most if the resolution is unknown. More would reach into perforations.
const EDGE_MM: f64 = 0.3;
const EDGE_PX: (f64, f64) = (16.0, 48.0);

/// Repair of one frame: what was found, the new values, and why infrared was refused, if it was.
#[derive(Debug)]
pub(crate) struct Repair {
    /// What was found; `None` if there was nothing to detect with.
    pub(crate) found: Option<Found>,
    /// Why the infrared plane was not used.
    pub(crate) refusal: Option<Refusal>,
    key: RepairKey,
    strokes: Vec<Arc<BrushStroke>>,
}

/// Where dust is and what replaces it.
#[derive(Debug)]
pub(crate) struct Found {
    /// Part of the scan that the map covers.
    pub(crate) region: PixelRect,
    /// Marks, strokes included.
    pub(crate) map: DustMap,
    /// Marks that strokes removed.
    pub(crate) painted_out: DustMap,
    /// Marked share of the image area, 0 to 1.
    pub(crate) area_fraction: f64,
    /// Marks within the image area: specks, hairs, scratches.
    pub(crate) counts: [u32; 3],
    /// Marked pixels of the image area.
    pub(crate) marked_px: u64,
    infrared: Option<(Registration, Leakage)>,
    patches: Patches,
}

/// Identifies a repair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct RepairKey {
    scan: u64,
    rect: PixelRect,
    sensitivity_bits: u64,
    finds_spots: bool,
    /// Hash of image area and strokes.
    drawn: u64,
}

impl RepairKey {
    /// A key that no scan has, for workers in tests.
    pub fn numbered(scan: u64) -> Self {
        let rect = PixelRect::of_size(1, 1);
        Self { scan, rect, sensitivity_bits: 0, finds_spots: false, drawn: 0 }
    }
}

impl RepairKey {
    /// Id of the repaired scan.
    pub(crate) fn scan(&self) -> u64 {
        self.scan
    }

    /// Whether both cover the same part of the same scan.
    pub(crate) fn is_same_place(&self, other: &Self) -> bool {
        self.scan == other.scan && self.rect == other.rect
    }

    /// Whether both find the same marks before any stroke.
    fn finds_the_same(&self, other: &Self) -> bool {
        self.is_same_place(other)
            && self.sensitivity_bits == other.sensitivity_bits
            && self.finds_spots == other.finds_spots
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

/// The part of the film in which marks are counted.
fn image_area(frame: &Frame) -> TiltedBox {
    frame.image_area.unwrap_or(frame.crop)
}

/// Pixels around the image area that are repaired with it.
fn edge_px(ppi: Option<f64>) -> u32 {
    let (least, most) = EDGE_PX;
    ppi.map_or(most, |ppi| EDGE_MM / MM_PER_INCH * ppi).clamp(least, most).round() as u32
}

/// Density (D) of the clear film of a negative strip, the lowest on it; `None` if unknown or not a negative.
pub(crate) fn clear_film_d(strip: &Strip) -> Option<[f64; 3]> {
    strip.base.as_ref().filter(|_| strip.film.is_negative()).map(|base| base.density_d)
}

/// Key of a frame's repair.
pub(crate) fn key_of(context: &FrameContext) -> RepairKey {
    let (open, frame) = (&context.open, &context.frame);
    let area = image_area(frame);
    let edge_px = edge_px(context.scan_ref.ppi);
    let rect = area.pixel_bounds(open.width(), open.height()).grown(edge_px, open.width(), open.height());
    // The hash only names an entry of a cache in memory; it is never stored.
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
    pub(crate) fn key(&self) -> RepairKey {
        self.key
    }

    /// Approximate memory use, bytes.
    pub(crate) fn bytes(&self) -> usize {
        match &self.found {
            Some(found) => found.map.bytes() + found.painted_out.bytes() + found.patches.bytes(),
            None => 256,
        }
    }

    /// Drop the marks once the new values are known: an export needs no more.
    pub(crate) fn forget_marks(&mut self) {
        if let Some(found) = &mut self.found {
            found.map = DustMap::clean(found.region.width(), found.region.height());
        }
    }

    /// Whether any pixel gets a new value.
    pub(crate) fn changes_something(&self) -> bool {
        self.found.as_ref().is_some_and(|found| !found.patches.is_empty())
    }

    /// The scan with repaired pixels in place.
    pub(crate) fn over<'a>(&'a self, source: &'a OpenScan) -> Repaired<'a> {
        Repaired { source, repair: self }
    }

    /// Put the repaired pixels into linear samples of `rect`.
    pub(crate) fn apply(&self, samples: &mut Samples16, rect: PixelRect) {
        let Some(found) = &self.found else { return };
        let region = found.region;
        let shared = rect.intersect(region);
        if shared == rect {
            found.patches.apply(samples, rect.x0 - region.x0, rect.y0 - region.y0);
            return;
        }
        if shared.is_empty() || found.patches.is_empty() {
            return;
        }
        // Only part of what was read belongs to the region: that part is taken out, repaired and put back.
        let channels = usize::from(samples.channels());
        let columns = (shared.x0 - rect.x0) as usize * channels..(shared.x1 - rect.x0) as usize * channels;
        let mut part = Samples16::zeroed(shared.width(), shared.height(), samples.channels());
        for y in 0..shared.height() {
            part.row_mut(y).copy_from_slice(&samples.row(y + shared.y0 - rect.y0)[columns.clone()]);
        }
        found.patches.apply(&mut part, shared.x0 - region.x0, shared.y0 - region.y0);
        for y in 0..shared.height() {
            samples.row_mut(y + shared.y0 - rect.y0)[columns.clone()].copy_from_slice(part.row(y));
        }
    }

    /// What the user should know about it.
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
            strokes: self.strokes.len(),
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

/// What a repair is made from.
struct Work<'a> {
    context: &'a FrameContext,
    cache: &'a RepairCache,
    key: RepairKey,
    /// Part of the scan that is analysed.
    region: PixelRect,
    keep_analysis: bool,
    /// The scan, with its reads counted.
    source: ProgressReader<'a>,
    cancel: &'a CancelToken,
}

/// Find and fill the dust of a frame at full resolution.
///
/// With `keep_analysis` the analysis is kept, so that another sensitivity or stroke takes a fraction of the time. A
/// stroke refills only what it touches of the repair shown last. `progress` gets the share done.
pub(crate) fn make(
    context: &FrameContext,
    cache: &RepairCache,
    keep_analysis: bool,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Repair, EngineError> {
    let key = key_of(context);
    let region = key.rect.grown(CONTEXT_PX, context.open.width(), context.open.height());
    let source = ProgressReader::new(&context.open, region, progress);
    let work = Work { context, cache, key, region, keep_analysis, source, cancel };
    let (marks, refusal) = match work.by_infrared()? {
        Ok(map) => (Some((Some((map.registration, map.leakage)), map)), None),
        Err(refusal) => (work.without_infrared()?.map(|map| (None, map)), Some(refusal)),
    };
    let found = match marks {
        Some((infrared, map)) => Some(work.finish(infrared, map)?),
        None => None,
    };
    Ok(Repair { key, found, refusal, strokes: context.frame.strokes.clone() })
}

/// The piece of film a frame is on.
fn film_of(context: &FrameContext) -> TiltedBox {
    context.strip.film_area.unwrap_or(context.frame.crop)
}

/// A refusal is a result, everything else a failure.
fn refusal_of<T>(outcome: Result<T, DustError>) -> Result<Result<T, Refusal>, EngineError> {
    match outcome {
        Ok(value) => Ok(Ok(value)),
        Err(DustError::Refused(Refusal::Cancelled(_))) => Err(EngineError::Cancelled),
        Err(DustError::Refused(refusal)) => Ok(Err(refusal)),
        Err(DustError::Unreadable(error)) => Err(error.into()),
    }
}

impl Work<'_> {
    fn by_infrared(&self) -> Result<Result<DustMap, Refusal>, EngineError> {
        let open = &self.context.open;
        if !open.has_infrared() {
            return Ok(Err(Refusal::NoInfrared));
        }
        let sensitivity = self.context.frame.look.get(Param::RepairSensitivity);
        let film_base_d = clear_film_d(&self.context.strip);
        let options = DustOptions {
            sensitivity,
            sensitivity_max: if self.keep_analysis { 1.0 } else { sensitivity },
            registration: registration::region_registration(
                open,
                (&film_of(self.context), film_base_d),
                self.region,
                self.cancel,
            )?,
            film_base_d,
            ..DustOptions::default()
        };
        refusal_of(self.cache.marks(
            open,
            &self.source,
            self.region,
            &options,
            self.keep_analysis,
            self.cancel,
        ))
    }

    /// Marks without infrared: spots in visible light if the frame asks for them, else an empty map if it has strokes.
    fn without_infrared(&self) -> Result<Option<DustMap>, EngineError> {
        let frame = &self.context.frame;
        let open: &OpenScan = &self.context.open;
        if finds_spots(frame) {
            let sensitivity = frame.look.get(Param::RepairSensitivity);
            let colours = open.colour_channels();
            let spots =
                glassine_repair::find_spots(&self.source, self.region, colours, sensitivity, self.cancel);
            // Only a place too small to analyse is refused here.
            return Ok(refusal_of(spots)?.ok());
        }
        let region = self.region;
        Ok((!frame.strokes.is_empty()).then(|| DustMap::clean(region.width(), region.height())))
    }

    /// Apply strokes to the marks found, and compute the new values.
    fn finish(
        &self,
        infrared: Option<(Registration, Leakage)>,
        marks: DustMap,
    ) -> Result<Found, EngineError> {
        let (open, frame, region): (&OpenScan, _, _) = (&self.context.open, &self.context.frame, self.region);
        let mut map = marks;
        let mut painted_out = DustMap::clean(region.width(), region.height());
        if !frame.strokes.is_empty() {
            let marks = map.clone();
            let strokes = strokes_of(&frame.strokes);
            apply_strokes(&mut map, &strokes, region, open, self.cancel)?;
            painted_out = removed(&marks, &map, &stroke_bounds(&strokes, region));
        }
        let place =
            FillPlace { rect: region, wanted: self.key.rect, colour_channels: open.colour_channels() };
        let last = self.cache.stand_in(&self.key).filter(|last| last.key.finds_the_same(&self.key));
        let before = last.as_ref().and_then(|last| Some((last, last.found.as_ref()?)));
        let patches = match before {
            Some((last, found)) => {
                let changed = changed_by_strokes(&last.strokes, &frame.strokes, region);
                glassine_repair::refill(&self.source, place, &map, (&found.patches, &changed), self.cancel)
            }
            None => glassine_repair::make_patches(&self.source, place, &map, self.cancel),
        };
        let patches = refusal_of(patches)?.unwrap_or_default();
        let area = image_area(frame);
        let center =
            |x: u32, y: u32| Point::new(f64::from(x + region.x0) + 0.5, f64::from(y + region.y0) + 0.5);
        let counts = map.count_where(|x, y| area.contains(center(x, y)));
        let marked_px = counts.marked_px;
        Ok(Found {
            region,
            map,
            painted_out,
            area_fraction: (marked_px as f64 / area.area_px2().max(1.0)).min(1.0),
            counts: [counts.specks, counts.hairs, counts.scratches],
            marked_px,
            infrared,
            patches,
        })
    }
}

fn strokes_of(strokes: &[Arc<BrushStroke>]) -> Vec<Stroke<'_>> {
    let effect = |kind| match kind {
        StrokeKind::PaintIn => StrokeEffect::Mark,
        StrokeKind::PaintOut => StrokeEffect::Clear,
        StrokeKind::Spot => StrokeEffect::Spot,
    };
    strokes
        .iter()
        .map(|stroke| Stroke {
            effect: effect(stroke.kind()),
            points: stroke.points(),
            radius_px: stroke.radius_px(),
        })
        .collect()
}

/// Where the marks under two lists of strokes may differ, relative to `rect`: under the strokes after their common
/// beginning.
fn changed_by_strokes(
    before: &[Arc<BrushStroke>],
    after: &[Arc<BrushStroke>],
    rect: PixelRect,
) -> Vec<PixelRect> {
    let same = before.iter().zip(after).take_while(|(a, b)| a == b).count();
    let mut all = stroke_bounds(&strokes_of(&before[same..]), rect);
    all.extend(stroke_bounds(&strokes_of(&after[same..]), rect));
    all
}

/// Marks of one map that another no longer has, within some rectangles.
fn removed(before: &DustMap, after: &DustMap, within: &[PixelRect]) -> DustMap {
    let mut removed = DustMap::clean(before.width(), before.height());
    for rect in within {
        for y in rect.y0..rect.y1 {
            for (x0, x1) in before.marked_runs(y, rect.x0, rect.x1) {
                for x in (x0..x1).filter(|&x| after.severity(x, y) == 0) {
                    removed.set_mark(x, y, Mark { attenuation: 0, ..before.mark(x, y) });
                }
            }
        }
    }
    removed
}

/// Cuts a part of a scan into even pieces no larger than `side_px`.
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
    fn the_edge_is_a_length_on_the_film() {
        // 0.3 mm at 300, 2400 and 4800 ppi are 3.5, 28.3 and 56.7 px; perforations of 35 mm film begin 0.7 mm from the
        // picture.
        assert_eq!([300.0, 2400.0, 4800.0].map(|ppi| edge_px(Some(ppi))), [16, 28, 48]);
        assert_eq!(edge_px(None), 48);
    }

    #[test]
    fn tiles_cover_a_part_without_overlap_and_stay_small() {
        let rect = PixelRect::new(10, 20, 10 + 3 * 4096 - 5, 20 + 900);
        let tiles = tiles_of(rect, 4096);
        assert_eq!(tiles.len(), 3);
        assert_eq!(tiles.iter().map(|tile| tile.area()).sum::<u64>(), rect.area());
        assert!(tiles.iter().all(|tile| tile.width() <= 4096 && tile.intersect(rect) == *tile));
        assert!(tiles.windows(2).all(|pair| pair[0].x1 == pair[1].x0));
    }
}
