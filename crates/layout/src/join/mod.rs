//! One picture from overlapping scans of a film that is longer or wider than the scanner.
//!
//! Every pair of scans is registered by places of the film that both show ([`register_pair`]); all parts are then placed
//! at once by least squares, their light is matched over the overlaps, and seams are laid where they agree
//! ([`plan_join`]). [`Joined`] calculates any region of the joined picture from the parts.
//!
//! Positions are pixels at pixel edges; light is linear. A part is moved, turned and scaled as a whole: film that bent
//! between two scans is refused.

mod adjust;
mod affine;
mod coarse;
mod compose;
mod grey;
mod patches;
mod register;
mod seam;

use glassine_raster::{CancelToken, RegionError};

pub use self::adjust::{Link, place_all};
pub use self::affine::{Affine, Match};
pub use self::compose::{Joined, Placed, Seam};
pub use self::register::{PairFit, PartView, RegisterError, Unregistered, register_pair};

use self::adjust::reached;
use self::patches::mapped;
use self::seam::{Cells, match_light};

/// How a part lies on the joined picture.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedPart {
    /// Which of the given parts it is.
    pub part: usize,
    /// From its pixels to joined pixels.
    pub to_joined: Affine,
    /// Gain and offset (relative to full scale) of each channel.
    pub light: Vec<[f64; 2]>,
    /// Where it takes over from the parts before it; several seams apply together.
    pub seams: Vec<Seam>,
}

/// How parts make one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct JoinPlan {
    pub width_px: u32,
    pub height_px: u32,
    /// In the order in which each covers those before it. The first is copied pixel by pixel.
    pub parts: Vec<PlannedPart>,
    /// Largest robust standard deviation of the places of any overlap, pixels.
    pub sigma_px: f64,
}

/// Why parts can't be joined; parts are counted from 0.
#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum JoinError {
    #[error("a picture is joined from at least two parts")]
    TooFew,
    /// Parts with unlike planes.
    #[error("part {} has other planes than the first", part + 1)]
    OtherPlanes { part: usize },
    /// A part that fits none of the others.
    #[error("part {} does not fit the others: {why}", part + 1)]
    Apart { part: usize, why: Unregistered },
    /// The joined picture would be far larger than its parts together.
    #[error(
        "the parts lie so far apart that the joined picture would have {width_px:.0} x {height_px:.0} px"
    )]
    TooLarge { width_px: f64, height_px: f64 },
    #[error(transparent)]
    Region(#[from] RegionError),
}

/// Register parts, match their light and lay the seams. The first part keeps its pixels and its light.
pub fn plan_join(
    views: &[PartView<'_>],
    cancel: &CancelToken,
    progress: &dyn Fn(f32),
) -> Result<JoinPlan, JoinError> {
    let (Some(first), true) = (views.first(), views.len() > 1) else { return Err(JoinError::TooFew) };
    let planes = |view: &PartView<'_>| (view.full.channels(), view.colours);
    if let Some(part) = views.iter().position(|view| planes(view) != planes(first)) {
        return Err(JoinError::OtherPlanes { part });
    }
    let links = register_all(views, cancel, progress)?;
    let apart = |part| JoinError::Apart { part, why: Unregistered::NoOverlap };
    let placed = place_all(views.len(), &links).ok_or_else(|| apart(1))?;
    check_rings(&links, &placed)?;
    let (width_px, height_px, placed) = bounds(views, &placed)?;
    let order = order_of(views.len(), &links);
    let sigma_px = links.iter().map(|link| link.fit.sigma_px).fold(0.0, f64::max);
    let mut plan = JoinPlan { width_px, height_px, parts: Vec::new(), sigma_px };
    for (nth, part) in order.iter().enumerate() {
        let planned = add_part(&plan, views, (*part, placed[*part]), &links, cancel)?;
        plan.parts.push(planned);
        progress(0.6 + 0.4 * (nth + 1) as f32 / order.len() as f32);
    }
    Ok(plan)
}

/// Every pair that fits; fails if a part fits none.
fn register_all(
    views: &[PartView<'_>],
    cancel: &CancelToken,
    progress: &dyn Fn(f32),
) -> Result<Vec<Link>, JoinError> {
    let (mut links, mut failed): (Vec<Link>, Vec<(usize, usize, Unregistered)>) = (Vec::new(), Vec::new());
    let pairs: Vec<(usize, usize)> =
        (0..views.len()).flat_map(|a| (a + 1..views.len()).map(move |b| (a, b))).collect();
    for (nth, (a, b)) in pairs.iter().copied().enumerate() {
        match register_pair(&views[a], &views[b], cancel) {
            Ok(fit) => links.push(Link { a, b, fit }),
            Err(RegisterError::Unregistered(why)) => failed.push((a, b, why)),
            Err(RegisterError::Region(error)) => return Err(error.into()),
        }
        progress(0.6 * (nth + 1) as f32 / pairs.len() as f32);
    }
    if let Some(part) = reached(views.len(), &links).iter().position(|reached| !reached) {
        let mut reasons =
            failed.into_iter().filter(|(a, b, _)| [*a, *b].contains(&part)).map(|(_, _, why)| why);
        let first = reasons.next().unwrap_or(Unregistered::NoOverlap);
        // Any reason says more than that no overlap was found.
        let why = std::iter::once(first.clone()).chain(reasons).find(|why| *why != Unregistered::NoOverlap);
        return Err(JoinError::Apart { part, why: why.unwrap_or(first) });
    }
    Ok(links)
}

/// Fails if links contradict each other once all parts are placed.
fn check_rings(links: &[Link], placed: &[Affine]) -> Result<(), JoinError> {
    /// Largest mean distance of the places of one link, pixels. Source: our choice.
    const MOST_PX: f64 = 2.0;
    for link in links {
        let distance = |place: &Match| placed[link.a].apply(place.a).distance(placed[link.b].apply(place.b));
        let mean = link.fit.matches.iter().map(distance).sum::<f64>() / link.fit.matches.len().max(1) as f64;
        if mean > MOST_PX {
            let why = Unregistered::Inconsistent { sigma_px: mean };
            return Err(JoinError::Apart { part: link.b, why });
        }
    }
    Ok(())
}

/// Size of the joined picture, and the places moved so that it begins at 0. The first part moves by whole pixels.
fn bounds(views: &[PartView<'_>], placed: &[Affine]) -> Result<(u32, u32, Vec<Affine>), JoinError> {
    let of = |view: &PartView<'_>, map: &Affine| {
        mapped(map, (0.0, 0.0, view.full.width().into(), view.full.height().into()))
    };
    let all: Vec<_> = views.iter().zip(placed).map(|(view, map)| of(view, map)).collect();
    let fold = |of: fn(&(f64, f64, f64, f64)) -> f64, pick: fn(f64, f64) -> f64| {
        all.iter().map(of).reduce(pick).unwrap_or(0.0)
    };
    let (left, top) = (fold(|b| b.0, f64::min).floor(), fold(|b| b.1, f64::min).floor());
    let (width_px, height_px) =
        ((fold(|b| b.2, f64::max) - left).ceil(), (fold(|b| b.3, f64::max) - top).ceil());
    let area: f64 =
        views.iter().map(|view| f64::from(view.full.width()) * f64::from(view.full.height())).sum();
    let fits = width_px <= f64::from(u32::MAX) && height_px <= f64::from(u32::MAX);
    if !(fits && width_px * height_px <= 4.0 * area) {
        return Err(JoinError::TooLarge { width_px, height_px });
    }
    let moved = placed.iter().map(|map| Affine::shift(-left, -top).after(map)).collect();
    Ok((width_px as u32, height_px as u32, moved))
}

/// Parts in an order in which each overlaps one before it.
fn order_of(parts: usize, links: &[Link]) -> Vec<usize> {
    let mut order = vec![0];
    while order.len() < parts {
        let is_next = |part: &usize| {
            !order.contains(part)
                && links.iter().any(|link| {
                    (link.a == *part && order.contains(&link.b))
                        || (link.b == *part && order.contains(&link.a))
                })
        };
        let Some(next) = (0..parts).find(is_next) else { break };
        order.push(next);
    }
    order
}

/// A part with its light matched to those before it, and its seams with them.
fn add_part(
    plan: &JoinPlan,
    views: &[PartView<'_>],
    (part, to_joined): (usize, Affine),
    links: &[Link],
    cancel: &CancelToken,
) -> Result<PlannedPart, JoinError> {
    /// Least size of an overlap relative to the part's largest for a seam of its own. Source: our choice; tiles that
    /// meet at a corner are separated by the seams with their neighbours.
    const LEAST_OVERLAP: f64 = 0.25;
    let mut planned = PlannedPart { part, to_joined, light: Vec::new(), seams: Vec::new() };
    let channels = usize::from(views[part].full.channels());
    let placed = |planned: &PlannedPart| {
        Placed::new(views[planned.part].full, planned.to_joined, &planned.light, Vec::new())
            .ok_or(JoinError::Apart { part: planned.part, why: Unregistered::NoOverlap })
    };
    let new = placed(&planned)?;
    let is_linked =
        |other: usize| links.iter().any(|link| [(link.a, link.b), (link.b, link.a)].contains(&(other, part)));
    let mut neighbours = Vec::new();
    for other in plan.parts.iter().filter(|other| is_linked(other.part)) {
        let before = placed(other)?;
        let size = (plan.width_px, plan.height_px);
        if let Some(cells) = Cells::of((&before, &new), size, channels, cancel)? {
            neighbours.push((cells, centre(before.bounds())));
        }
    }
    let (cells, centres): (Vec<Cells>, Vec<(f64, f64)>) = neighbours.into_iter().unzip();
    planned.light = if cells.is_empty() { vec![[1.0, 0.0]; channels] } else { match_light(&cells, channels) };
    let largest = cells.iter().map(Cells::count).max().unwrap_or(0) as f64;
    let (x, y) = centre(new.bounds());
    for (cells, before) in cells.iter().zip(centres) {
        if cells.count() as f64 >= LEAST_OVERLAP * largest {
            let (dx, dy) = (x - before.0, y - before.1);
            let runs_down = dx.abs() >= dy.abs();
            let is_after = if runs_down { dx > 0.0 } else { dy > 0.0 };
            planned.seams.push(cells.seam(&planned.light, runs_down, is_after));
        }
    }
    Ok(planned)
}

fn centre((x0, y0, x1, y1): (f64, f64, f64, f64)) -> (f64, f64) {
    (f64::midpoint(x0, x1), f64::midpoint(y0, y1))
}
