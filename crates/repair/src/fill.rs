//! Gives marked pixels new values: from their own light divided by what the defect let through, as far as it can be
//! trusted, and otherwise from the surrounding structure, with the surrounding grain.
//!
//! The solver finds the most probable undisturbed densities `S` of a small window around every defect:
//! ```text
//! minimise  sum (S - z)^2 / u^2  +  sum over neighbours (S_p - S_q)^2 / tau^2
//! z = D - A     measured density, less the predicted density of the defect
//! u             expected error of z: grows with the defect's opacity and the steepness of its edge
//! tau^2         mean squared difference of neighbours in that direction, measured on the clean film around
//! ```
//! Light particles are divided out (their grain and detail survive), opaque ones are continued from outside along the
//! directions in which the picture changes least, and everything between is weighted by its uncertainty.
//!
//! Sources: division of the visible by the infrared record: US 5,266,805 (published 1993, term ended); maximum a
//! posteriori estimation in a Gaussian Markov field: S. Geman, D. Geman, IEEE Trans. PAMI 6 (1984) and general
//! statistics.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

use glassine_raster::{CancelToken, PixelRect, RegionSource, Samples16};
use rayon::prelude::*;

use crate::label::{Component, Run};
use crate::region::Region;
use crate::types::{DustError, DustMap, FillReport, PatchPiece, PatchRun, Patches};
use crate::window::{Target, Window};

/// Longer components are solved in pieces of this side. Our choice: bounds the time of one solution.
const PIECE_PX: u32 = 64;
/// Rows whose pieces are filled together. Our choice; changes speed alone.
const BATCH_ROWS: u32 = 96;

/// Fills every marked pixel of `linear` in place. No other code changes.
///
/// `map` must describe the same region. When cancelled, nothing is changed.
pub fn fill(linear: &mut Samples16, colour_channels: u8, map: &DustMap, cancel: &CancelToken) -> FillReport {
    let whole = PixelRect::of_size(linear.width(), linear.height());
    let place = FillPlace { rect: whole, wanted: whole, colour_channels };
    match make_patches(&*linear, place, map, cancel) {
        Ok(patches) => {
            patches.apply(linear, 0, 0);
            patches.report
        }
        Err(_) => FillReport { cancelled: true, ..FillReport::default() },
    }
}

/// Which part of a scan to fill.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FillPlace {
    /// Part of the scan that the map covers.
    pub rect: PixelRect,
    /// Part of the scan to fill: every defect that reaches into it.
    pub wanted: PixelRect,
    /// 3, or 1 for grey.
    pub colour_channels: u8,
}

/// Computes the new values of marked pixels, for the part of the scan that the map covers or any part of it.
///
/// Reads the scan only around the marks. A map of another size, or samples without colour, give no patches.
pub fn make_patches(
    source: &dyn RegionSource,
    place: FillPlace,
    map: &DustMap,
    cancel: &CancelToken,
) -> Result<Patches, DustError> {
    refill(source, place, map, (&Patches::default(), &[]), cancel)
}

/// [`make_patches`] for a map that differs from an earlier one only within a few rectangles; the result is the same.
///
/// `before` holds the patches of the earlier map and the changed rectangles, in positions of the map.
pub fn refill(
    source: &dyn RegionSource,
    place: FillPlace,
    map: &DustMap,
    before: (&Patches, &[PixelRect]),
    cancel: &CancelToken,
) -> Result<Patches, DustError> {
    let region = Region::new(source, place.rect, cancel);
    region.check()?;
    let colours = place.colour_channels.min(3);
    let (w, h) = (region.width(), region.height());
    let fits = (map.width(), map.height()) == (w, h);
    if !fits || colours == 0 || region.channels() < colours {
        return Ok(Patches::default());
    }
    let from = |at: u32, first: u32| at.saturating_sub(first);
    let (wanted, corner) = (place.wanted, place.rect);
    let wanted = PixelRect::new(
        from(wanted.x0, corner.x0),
        from(wanted.y0, corner.y0),
        from(wanted.x1, corner.x0),
        from(wanted.y1, corner.y0),
    );
    let mut batches: BTreeMap<u32, Vec<Piece>> = BTreeMap::new();
    let mut filled: Vec<Filled> = Vec::new();
    let pieces = map.components().into_iter().flat_map(|component| split(component, PIECE_PX));
    for pixels in pieces.filter(|piece| !piece.bounds().intersect(wanted).is_empty()) {
        let piece = Piece::new(pixels, w, h);
        match piece.unchanged(before, colours) {
            Some(same) => filled.push(same),
            None => batches.entry(piece.window.y0 / BATCH_ROWS).or_default().push(piece),
        }
    }
    let work: Vec<(PixelRect, &[Piece])> = batches.values().flat_map(|pieces| readings(pieces)).collect();
    let new: Vec<Vec<Filled>> = work
        .into_par_iter()
        .map_init(Window::default, |window, (rect, pieces)| {
            let linear = region.read(rect)?;
            Ok(pieces.iter().map(|piece| fill_piece(window, (&linear, rect), colours, map, piece)).collect())
        })
        .collect::<Result<_, DustError>>()?;
    filled.extend(new.into_iter().flatten());
    Ok(joined(filled, h, colours))
}

/// The reads for the pieces of a batch: all at once, or piece by piece when they are far apart.
fn readings(pieces: &[Piece]) -> Vec<(PixelRect, &[Piece])> {
    let each: u64 = pieces.iter().map(|piece| piece.window.area()).sum();
    let all = pieces.iter().skip(1).fold(pieces[0].window, |all, piece| {
        let w = piece.window;
        PixelRect::new(all.x0.min(w.x0), all.y0.min(w.y0), all.x1.max(w.x1), all.y1.max(w.y1))
    });
    if 4 * each > all.area() {
        return vec![(all, pieces)];
    }
    pieces.chunks(1).map(|piece| (piece[0].window, piece)).collect()
}

fn joined(filled: Vec<Filled>, height: u32, colours: u8) -> Patches {
    let mut rows: Vec<Vec<PatchRun>> = vec![Vec::new(); height as usize];
    let mut report = FillReport::default();
    let mut pieces = Vec::with_capacity(filled.len());
    for Filled { runs, piece } in filled {
        for (y, run) in runs {
            rows[y as usize].push(run);
        }
        report.restored_px += u64::from(piece.restored_px);
        report.inpainted_px += u64::from(piece.inpainted_px);
        pieces.push(piece);
    }
    report.repaired_px = report.restored_px + report.inpainted_px;
    for row in &mut rows {
        row.sort_by_key(|r| r.x);
    }
    pieces.sort_by_key(|p| p.name);
    Patches { rows, pieces, channels: colours, report }
}

struct Filled {
    runs: Vec<(u32, PatchRun)>,
    piece: PatchPiece,
}

/// Marked pixels to solve together, and the window to read for them.
struct Piece {
    pixels: Component,
    window: PixelRect,
    thickness_px: u32,
    name: u64,
}

impl Piece {
    fn new(pixels: Component, width: u32, height: u32) -> Self {
        let bounds = pixels.bounds();
        // A bent or slanting hair is far thinner than its bounds.
        let thickness_px =
            bounds.width().min(bounds.height()).min((3.0 * pixels.mean_width_px()).ceil() as u32);
        // The widest boxes of `window/differences.rs` are 6, 12 and 40 px. Our choice.
        let margin = (thickness_px + 8).clamp(13, 40);
        // The hash identifies a piece among the earlier patches; it is never stored.
        let mut name = DefaultHasher::new();
        pixels.runs.iter().for_each(|run| (run.y, run.x0, run.x1).hash(&mut name));
        Self { window: bounds.grown(margin, width, height), thickness_px, name: name.finish(), pixels }
    }

    /// The earlier values, if neither the piece nor anything it is computed from has changed.
    fn unchanged(&self, (before, changed): (&Patches, &[PixelRect]), colours: u8) -> Option<Filled> {
        if before.channels != colours || changed.iter().any(|rect| !rect.intersect(self.window).is_empty()) {
            return None;
        }
        let at = before.pieces.binary_search_by_key(&self.name, |p| p.name).ok()?;
        let runs: Option<Vec<(u32, PatchRun)>> = self
            .pixels
            .runs
            .iter()
            .map(|run| {
                let row = before.rows.get(run.y as usize)?;
                let old = &row[row.binary_search_by_key(&run.x0, |r| r.x).ok()?];
                let same = old.codes.len() == (run.x1 - run.x0) as usize * usize::from(colours);
                same.then(|| (run.y, old.clone()))
            })
            .collect();
        Some(Filled { runs: runs?, piece: before.pieces[at] })
    }
}

/// Cuts a long component along a fixed grid, so that windows stay small.
pub(crate) fn split(component: Component, piece_px: u32) -> Vec<Component> {
    let bounds = component.bounds();
    if bounds.width() <= piece_px + piece_px / 2 && bounds.height() <= piece_px + piece_px / 2 {
        return vec![component];
    }
    let mut pieces: BTreeMap<(u32, u32), Component> = BTreeMap::new();
    for run in &component.runs {
        let mut x = run.x0;
        while x < run.x1 {
            let end = ((x / piece_px + 1) * piece_px).min(run.x1);
            let key = (run.y / piece_px, x / piece_px);
            pieces.entry(key).or_default().runs.push(Run { y: run.y, x0: x, x1: end });
            x = end;
        }
    }
    pieces.into_values().collect()
}

/// New values of a piece, from samples that cover a part of the mapped region; `window` is scratch space.
fn fill_piece(
    window: &mut Window,
    (linear, from): (&Samples16, PixelRect),
    colours: u8,
    map: &DustMap,
    piece: &Piece,
) -> Filled {
    let target = Target { pixels: &piece.pixels, window: piece.window };
    window.read(linear, (from.x0, from.y0), colours, map, target);
    window.solve(piece.thickness_px);
    crate::window::grain::transplant(window, &piece.pixels);
    let mut filled =
        Filled { runs: Vec::new(), piece: PatchPiece { name: piece.name, restored_px: 0, inpainted_px: 0 } };
    for run in &piece.pixels.runs {
        let mut codes = Vec::with_capacity((run.x1 - run.x0) as usize * colours as usize);
        for x in run.x0..run.x1 {
            if window.own_share(x, run.y) >= 0.5 {
                filled.piece.restored_px += 1;
            } else {
                filled.piece.inpainted_px += 1;
            }
            window.push_codes(x, run.y, &mut codes);
        }
        filled.runs.push((run.y, PatchRun { x: run.x0, codes }));
    }
    filled
}
