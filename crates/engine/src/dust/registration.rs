//! Where the infrared picture of a scan lies on its visible one, measured once for a scan.

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, TiltedBox};
use glassine_repair::Registration;

use crate::dust::tiles_of;
use crate::error::EngineError;
use crate::scans::{OpenScan, working_memory};

/// Side of the pieces of film on which the registration of a scan is measured, px.
const PIECE_PX: u32 = 2048;

/// Registration of the infrared in a part of a scan, with the middle of that part as origin.
///
/// `film` is a piece of film and the density of its clear parts; see [`DustOptions::film_base_d`].
pub(crate) fn region_registration(
    open: &OpenScan,
    film: (&TiltedBox, Option<[f64; 3]>),
    region: PixelRect,
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    let known = scan_registration(open, film, cancel)?;
    Ok(known.map(|registration| {
        let [from, to] = [whole(open), region].map(middle);
        registration.about([to[0] - from[0], to[1] - from[1]])
    }))
}

fn whole(open: &OpenScan) -> PixelRect {
    PixelRect::of_size(open.width(), open.height())
}

fn middle(rect: PixelRect) -> [f64; 2] {
    [f64::midpoint(rect.x0.into(), rect.x1.into()), f64::midpoint(rect.y0.into(), rect.y1.into())]
}

/// Registration of the infrared against the visible planes, measured once for a scan on pieces of the film.
///
/// The film with its edges, perforations and all its dust says more than one frame alone; `None` lets each frame
/// decide. The origin is the middle of the scan.
fn scan_registration(
    open: &OpenScan,
    (film, film_base_d): (&TiltedBox, Option<[f64; 3]>),
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    /// Most pieces of film measured, and the confidence that ends the search.
    const PIECES: usize = 8;
    const SURE: f32 = 0.7;
    if let Some(known) = open.registration.get() {
        return Ok(*known);
    }
    let tiles = tiles_of(film.pixel_bounds(open.width(), open.height()), PIECE_PX);
    let mut order: Vec<usize> = (0..tiles.len()).collect();
    // From the middle outwards: the ends of a strip are often cut, curled or lit from the side.
    order.sort_by_key(|idx| idx.abs_diff(tiles.len() / 2));
    let mut pieces: Vec<Registration> = Vec::new();
    for idx in order.into_iter().take(PIECES) {
        cancel.check()?;
        let rect = tiles[idx];
        let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
        let linear = open.read(rect, cancel)?;
        if let Ok(found) = glassine_repair::register(&linear, open.colour_channels(), film_base_d) {
            let [from, to] = [rect, whole(open)].map(middle);
            pieces.push(found.about([to[0] - from[0], to[1] - from[1]]));
            if found.confidence >= SURE {
                break;
            }
        }
    }
    // With zero confidence nothing stood out, so there is nothing to align either.
    let best = glassine_repair::consensus(&pieces).filter(|best| best.confidence > 0.0);
    Ok(*open.registration.get_or_init(|| best))
}
