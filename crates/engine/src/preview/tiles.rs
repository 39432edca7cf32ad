//! Close-ups of a scan, assembled from cached tiles, so that moving the view reads only what is new; and tiles read
//! ahead of the moving view.

use std::sync::Arc;

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};

use crate::dust::{Repair, RepairKey};
use crate::error::EngineError;
use crate::preview::viewport::Viewport;
use crate::preview::{Previews, ScanView};
use crate::scans::{OpenScan, read_reduced, zeroed_samples};
use crate::types::PreviewRequest;

/// Side of the grid that loupe reads are aligned to, so that panning reuses earlier reads.
pub(crate) const TILE_PX: u32 = 512;

/// Linear samples of a part of a scan, reduced.
#[derive(Debug)]
pub(crate) struct ScanTile {
    pub(crate) samples: Samples16,
    pub(crate) origin: (u32, u32),
    pub(crate) factor: u32,
}

/// Identifies a [`ScanTile`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct TileKey {
    pub(crate) scan: u64,
    pub(crate) rect: PixelRect,
    pub(crate) factor: u32,
    pub(crate) repair: Option<RepairKey>,
    /// Whether the overview of the scan serves as the source.
    pub(crate) is_overview: bool,
}

#[cfg(test)]
impl TileKey {
    pub(crate) fn of(scan: u64, rect: PixelRect, factor: u32) -> Self {
        Self { scan, rect, factor, repair: None, is_overview: false }
    }
}

/// Tiles read ahead on each side of the view, and how many more in the direction it moves.
const RING: u32 = 1;
const MORE_AHEAD: u32 = 1;
/// Bytes read by one look-ahead: a quarter of the cache, so that it never evicts what is on screen.
const MOST_AHEAD_BYTES: u64 = 64 << 20;

/// The tiles of the grid that cover `rect`, row by row, cut to a scan of this size.
fn grid(rect: PixelRect, factor: u32, (width, height): (u32, u32)) -> Vec<PixelRect> {
    let step = TILE_PX * factor;
    let starts = |from: u32, to: u32| (from / step..to.div_ceil(step)).map(move |k| k * step);
    starts(rect.y0, rect.y1)
        .flat_map(|y| starts(rect.x0, rect.x1).map(move |x| (x, y)))
        .map(|(x, y)| {
            PixelRect::new(x, y, x.saturating_add(step).min(width), y.saturating_add(step).min(height))
        })
        .collect()
}

/// A view grown by the ring around it, and by more in the direction it moves.
fn ahead(rect: PixelRect, factor: u32, toward: (f64, f64), size: (u32, u32)) -> PixelRect {
    let step = TILE_PX * factor;
    let reach = |goes: f64| if goes > 0.0 { step * (RING + MORE_AHEAD) } else { step * RING };
    PixelRect::new(
        rect.x0.saturating_sub(reach(-toward.0)),
        rect.y0.saturating_sub(reach(-toward.1)),
        rect.x1.saturating_add(reach(toward.0)).min(size.0),
        rect.y1.saturating_add(reach(toward.1)).min(size.1),
    )
}

impl Previews {
    fn tile_key(open: &OpenScan, tile: PixelRect, factor: u32, repair: Option<&Repair>) -> TileKey {
        TileKey { scan: open.id(), rect: tile, factor, repair: repair.map(Repair::key), is_overview: false }
    }

    /// The part of a viewport from cached tiles alone; `None` if one is missing.
    pub(crate) fn kept_tiles(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        repair: Option<&Repair>,
    ) -> Option<Arc<ScanTile>> {
        let tiles: Option<Vec<_>> = grid(viewport.rect, viewport.factor, (open.width(), open.height()))
            .into_iter()
            .map(|tile| self.tiles.get(&Self::tile_key(open, tile, viewport.factor, repair)))
            .collect();
        join(viewport, &tiles?, open.channels()).ok().flatten()
    }

    /// The part of a viewport; its missing tiles are read in at most one piece per row of tiles.
    pub(crate) fn tiled_source(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        repair: Option<&Repair>,
        cancel: &CancelToken,
    ) -> Result<Arc<ScanTile>, EngineError> {
        let tiles = self.tiles(open, viewport.rect, viewport.factor, repair, cancel)?;
        join(viewport, &tiles, open.channels())?
            .ok_or_else(|| EngineError::internal("tiles of a scan do not cover what was asked for"))
    }

    fn tiles(
        &self,
        open: &OpenScan,
        rect: PixelRect,
        factor: u32,
        repair: Option<&Repair>,
        cancel: &CancelToken,
    ) -> Result<Vec<Arc<ScanTile>>, EngineError> {
        let wanted = grid(rect, factor, (open.width(), open.height()));
        let mut found = Vec::with_capacity(wanted.len());
        for row in wanted.chunk_by(|a, b| a.y0 == b.y0) {
            let kept: Vec<_> =
                row.iter().map(|tile| self.tiles.get(&Self::tile_key(open, *tile, factor, repair))).collect();
            let is_missing = |at: &usize| kept[*at].is_none();
            let (first, last) = ((0..row.len()).find(is_missing), (0..row.len()).rfind(is_missing));
            let (Some(first), Some(last)) = (first, last) else {
                found.extend(kept.into_iter().flatten());
                continue;
            };
            cancel.check()?;
            let piece = PixelRect::new(row[first].x0, row[first].y0, row[last].x1, row[first].y1);
            let (samples, origin) = match repair {
                Some(repair) => read_reduced(&repair.over(open), piece, factor, cancel)?,
                None => read_reduced(open, piece, factor, cancel)?,
            };
            for (at, kept) in kept.into_iter().enumerate() {
                let tile = match kept {
                    Some(tile) => tile,
                    None => {
                        let tile = Arc::new(cut(&samples, origin, row[at], factor)?);
                        let bytes = tile.samples.data().len() * 2;
                        self.tiles.insert(Self::tile_key(open, row[at], factor, repair), tile, bytes)
                    }
                };
                found.push(tile);
            }
        }
        Ok(found)
    }

    /// Read the tiles around a view of a part of a frame or scan, those ahead of it first: `toward` is the direction in
    /// which the view last moved over the scan, in any unit. Nothing is drawn; a later preview finds its tiles in
    /// memory.
    pub(crate) fn look_ahead(
        &self,
        request: &PreviewRequest,
        toward: (f64, f64),
        cancel: &CancelToken,
    ) -> Result<(), EngineError> {
        let Some(ScanView { open, viewport, repair }) = self.view_of(request)? else { return Ok(()) };
        let size = (open.width(), open.height());
        let step = TILE_PX * viewport.factor;
        let mut wanted = grid(ahead(viewport.rect, viewport.factor, toward, size), viewport.factor, size);
        let middle = |rect: &PixelRect| {
            let center = |a: u32, b: u32| f64::from(a) + f64::from(b - a) / 2.0;
            (center(rect.x0, rect.x1), center(rect.y0, rect.y1))
        };
        let ((cx, cy), length) = (middle(&viewport.rect), toward.0.hypot(toward.1).max(1e-9));
        // Near tiles first; a tile in front counts as nearer than one behind.
        let cost = |tile: &PixelRect| {
            let (x, y) = middle(tile);
            let (dx, dy) = ((x - cx) / f64::from(step), (y - cy) / f64::from(step));
            dx.hypot(dy) - (dx * toward.0 + dy * toward.1) / length
        };
        wanted.retain(|tile| tile.intersect(viewport.rect) != *tile);
        wanted.sort_by(|a, b| cost(a).total_cmp(&cost(b)));
        let tile_bytes = u64::from(TILE_PX) * u64::from(TILE_PX) * u64::from(open.channels()) * 2;
        wanted.truncate((MOST_AHEAD_BYTES / tile_bytes.max(1)) as usize);
        for tile in wanted {
            cancel.check()?;
            self.tiles(&open, tile, viewport.factor, repair.as_deref(), cancel)?;
        }
        Ok(())
    }
}

/// The part of reduced samples that is one tile.
fn cut(
    samples: &Samples16,
    origin: (u32, u32),
    tile: PixelRect,
    factor: u32,
) -> Result<ScanTile, EngineError> {
    let (x0, y0) = ((tile.x0 - origin.0) / factor, (tile.y0 - origin.1) / factor);
    let (width, height) = (tile.width().div_ceil(factor), tile.height().div_ceil(factor));
    let channels = usize::from(samples.channels());
    let mut part = zeroed_samples((width, height), samples.channels(), "a part of the scan")?;
    for y in 0..height {
        let from = x0 as usize * channels;
        let n = width as usize * channels;
        part.row_mut(y).copy_from_slice(&samples.row(y0 + y)[from..from + n]);
    }
    Ok(ScanTile { samples: part, origin: (tile.x0, tile.y0), factor })
}

/// Tiles put side by side; `None` if they do not cover the viewport's part.
fn join(
    viewport: &Viewport,
    tiles: &[Arc<ScanTile>],
    channels: u8,
) -> Result<Option<Arc<ScanTile>>, EngineError> {
    if let [one] = tiles {
        return Ok(Some(Arc::clone(one)));
    }
    let (factor, rect) = (viewport.factor, viewport.rect);
    let (width, height) = (rect.width().div_ceil(factor), rect.height().div_ceil(factor));
    let mut whole = zeroed_samples((width, height), channels, "a part of the scan")?;
    let covered: Option<usize> = tiles.iter().map(|tile| lay_in(&mut whole, tile, viewport)).sum();
    let is_whole = covered == Some(whole.data().len());
    Ok(is_whole.then(|| Arc::new(ScanTile { samples: whole, origin: (rect.x0, rect.y0), factor })))
}

/// Copy a tile to its place in the viewport's part; returns the number of its samples, or `None` if it is outside the part.
fn lay_in(whole: &mut Samples16, tile: &ScanTile, viewport: &Viewport) -> Option<usize> {
    let (factor, rect) = (viewport.factor, viewport.rect);
    let at = (tile.origin.0.checked_sub(rect.x0)? / factor, tile.origin.1.checked_sub(rect.y0)? / factor);
    let from = at.0 as usize * usize::from(whole.channels());
    for y in 0..tile.samples.height() {
        let row = tile.samples.row(y);
        whole.row_mut(at.1 + y).get_mut(from..from + row.len())?.copy_from_slice(row);
    }
    Some(tile.samples.data().len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_of_the_grid_cover_a_view_and_end_with_the_scan() {
        let tiles = grid(PixelRect::new(500, 1030, 1600, 1100), 1, (1900, 1100));
        assert_eq!(tiles.len(), 4);
        assert_eq!(tiles[0], PixelRect::new(0, 1024, 512, 1100));
        assert_eq!(tiles[2], PixelRect::new(1024, 1024, 1536, 1100));
    }

    #[test]
    fn a_view_looks_further_where_it_is_going() {
        let view = PixelRect::new(2048, 2048, 3072, 2560);
        assert_eq!(ahead(view, 1, (3.0, 0.0), (9000, 9000)), PixelRect::new(1536, 1536, 4096, 3072));
        assert_eq!(ahead(view, 2, (0.0, -1.0), (9000, 3000)), PixelRect::new(1024, 0, 4096, 3000));
    }
}
