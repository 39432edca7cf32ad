//! Gives marked pixels new values: their own light divided by what the defect let through, as far as that can be trusted,
//! and otherwise the surrounding structure, with the surrounding grain.
//!
//! For every defect a small window is solved for the most probable undisturbed densities `S`:
//! ```text
//! minimise  sum (S - z)^2 / u^2  +  sum over neighbours (S_p - S_q)^2 / tau^2
//! z = D - A     density seen, less the predicted density of the defect
//! u             expected error of z: grows with the defect's opacity and the steepness of its edge
//! tau^2         mean squared difference of neighbours in that direction, measured on the clean film around
//! ```
//! Light particles are divided out (their own grain and detail survive), opaque ones are continued from outside along the
//! directions in which the picture changes least, and everything between is weighed by its own uncertainty.
//!
//! Sources: division of the visible by the infrared record: US 5,266,805 (published 1993, term ended); maximum a posteriori
//! estimation in a Gaussian Markov field: S. Geman, D. Geman, IEEE Trans. PAMI 6 (1984) and general statistics.

use glassine_raster::{CancelToken, PixelRect, Plane, Samples16};
use rayon::prelude::*;

use crate::label::{Component, components};
use crate::types::{DustMap, FillReport, PatchRun, Patches};
use crate::window::Window;

/// Components longer than this are solved in pieces.
const PIECE_PX: u32 = 64;

/// Fill every marked pixel of `linear` in place. Nothing else changes by one code.
///
/// `map` must be of the same region. When cancelled, nothing is changed.
pub fn fill(linear: &mut Samples16, colour_channels: u8, map: &DustMap, cancel: &CancelToken) -> FillReport {
    let patches = make_patches(linear, colour_channels, map, cancel);
    if !patches.report.cancelled {
        patches.apply(linear, 0, 0);
    }
    patches.report
}

/// The new values of every marked pixel, to be applied to the region or any part of it.
///
/// A map of another size, or samples without colour, give no patches.
pub fn make_patches(linear: &Samples16, colour_channels: u8, map: &DustMap, cancel: &CancelToken) -> Patches {
    let colours = colour_channels.min(3);
    let (w, h) = (linear.width(), linear.height());
    let fits = map.severity.width() == w && map.severity.height() == h;
    if !fits || colours == 0 || linear.channels() < colours {
        return Patches::default();
    }
    let pieces: Vec<Component> = components(&map.severity, 0).iter().flat_map(split).collect();
    let filled: Option<Vec<Filled>> = pieces
        .par_iter()
        .map(|piece| (!cancel.is_cancelled()).then(|| fill_piece(linear, colours, map, piece)))
        .collect();
    let Some(filled) = filled else {
        return Patches {
            report: FillReport { cancelled: true, ..FillReport::default() },
            ..Patches::default()
        };
    };
    let mut rows: Vec<Vec<PatchRun>> = vec![Vec::new(); h as usize];
    let mut report = FillReport::default();
    for piece in filled {
        for (y, run) in piece.runs {
            rows[y as usize].push(run);
        }
        report.repaired_px += piece.restored_px + piece.inpainted_px;
        report.restored_px += piece.restored_px;
        report.inpainted_px += piece.inpainted_px;
    }
    for row in &mut rows {
        row.sort_by_key(|r| r.x);
    }
    Patches { rows, channels: colours, report }
}

struct Filled {
    runs: Vec<(u32, PatchRun)>,
    restored_px: u64,
    inpainted_px: u64,
}

/// Cut a long component along a fixed grid, so that windows stay small.
fn split(component: &Component) -> Vec<Component> {
    let bounds = component.bounds();
    if bounds.width() <= PIECE_PX + PIECE_PX / 2 && bounds.height() <= PIECE_PX + PIECE_PX / 2 {
        return vec![component.clone()];
    }
    let mut pieces: std::collections::BTreeMap<(u32, u32), Component> = std::collections::BTreeMap::new();
    for run in &component.runs {
        let mut x = run.x0;
        while x < run.x1 {
            let end = ((x / PIECE_PX + 1) * PIECE_PX).min(run.x1);
            let key = (run.y / PIECE_PX, x / PIECE_PX);
            pieces.entry(key).or_default().runs.push(crate::label::Run { y: run.y, x0: x, x1: end });
            x = end;
        }
    }
    pieces.into_values().collect()
}

fn fill_piece(linear: &Samples16, colours: u8, map: &DustMap, piece: &Component) -> Filled {
    let bounds = piece.bounds();
    let margin = (bounds.width().min(bounds.height()) + 8).clamp(16, 40);
    let rect = bounds.grown(margin, linear.width(), linear.height());
    let mut window = Window::read(linear, colours, map, rect);
    window.solve();
    window.add_grain(piece);
    let mut out = Filled { runs: Vec::new(), restored_px: 0, inpainted_px: 0 };
    for run in &piece.runs {
        let mut codes = Vec::with_capacity((run.x1 - run.x0) as usize * colours as usize);
        for x in run.x0..run.x1 {
            let own = window.own_share(x, run.y);
            if own >= 0.5 {
                out.restored_px += 1;
            } else {
                out.inpainted_px += 1;
            }
            window.push_codes(x, run.y, &mut codes);
        }
        out.runs.push((run.y, PatchRun { x: run.x0, codes }));
    }
    out
}

/// Whether a mask has any marked pixel inside a rectangle; used by callers to skip clean tiles.
pub fn touches(map: &DustMap, rect: PixelRect) -> bool {
    any_marked(&map.severity, rect)
}

fn any_marked(severity: &Plane<u8>, rect: PixelRect) -> bool {
    let rect = rect.intersect(PixelRect::of_size(severity.width(), severity.height()));
    (rect.y0..rect.y1).any(|y| severity.row(y)[rect.x0 as usize..rect.x1 as usize].iter().any(|&s| s > 0))
}
