//! Several files of one frame: made from one reading of its scan, and those of the same picture from one pass.

use glassine_film::Histogram;
use glassine_raster::CancelToken;
use glassine_scanfile::PictureWriter;

use super::band::{Band, BandGroup, BandMaker, Body, Purpose};
use super::flow::in_order;
use super::job::{FrameJob, Remake, ahead};
use crate::error::EngineError;

/// Where the rows of a picture go.
pub(super) enum Target {
    File(Box<PictureWriter>),
    /// Interleaved red, green and blue of 8 bits, at the size of the job.
    Memory(Vec<u8>),
}

/// Write the rows of several files of one frame in order, while other threads make the next ones.
pub(super) fn run_together(
    jobs: &[FrameJob<'_>],
    targets: &mut [Target],
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<Vec<Histogram>, EngineError> {
    let mut counts = vec![Histogram::default(); jobs.len()];
    let readings = alike(0..jobs.len(), |a, b| jobs[a].reads_like(&jobs[b]));
    let parts = readings.len() as f32;
    for (part, reading) in readings.into_iter().enumerate() {
        let share = |done: f32| share((part as f32 + done) / parts);
        let looks = alike(reading, |a, b| jobs[a].looks_like(&jobs[b]));
        run_reading(jobs, &looks, targets, &mut counts, cancel, &share)?;
    }
    Ok(counts)
}

/// Wait while the work is paused; fails once it is cancelled.
pub(super) fn rest(cancel: &CancelToken) -> Result<(), EngineError> {
    while cancel.is_paused() {
        std::thread::sleep(std::time::Duration::from_millis(40));
    }
    Ok(cancel.check()?)
}

/// Put what is alike into one group each, in order.
fn alike(items: impl IntoIterator<Item = usize>, is_alike: impl Fn(usize, usize) -> bool) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for item in items {
        match groups.iter_mut().find(|group| group.first().is_some_and(|first| is_alike(*first, item))) {
            Some(group) => group.push(item),
            None => groups.push(vec![item]),
        }
    }
    groups
}

/// Make the files that share a reading; those in one group of `looks` share a pass.
fn run_reading(
    jobs: &[FrameJob<'_>],
    looks: &[Vec<usize>],
    targets: &mut [Target],
    counts: &mut [Histogram],
    cancel: &CancelToken,
    share: &(dyn Fn(f32) + Sync),
) -> Result<(), EngineError> {
    let packers: Vec<_> = targets
        .iter()
        .map(|target| match target {
            Target::File(writer) => Some(writer.packer()),
            Target::Memory(_) => None,
        })
        .collect();
    let mut remakes: Vec<Option<Remake>> = jobs
        .iter()
        .zip(&*targets)
        .map(|(job, target)| job.remake(matches!(target, Target::Memory(_))))
        .collect();
    let narrowings: Vec<_> =
        remakes.iter().map(|remake| remake.as_ref().and_then(Remake::narrowing)).collect();
    let mut granule_rows = 1;
    let mut makers = Vec::new();
    // Job, maker, and place among the files of the maker, in the order in which bands arrive.
    let mut places = Vec::new();
    for group in looks {
        let mut purposes = Vec::new();
        for idx in group {
            let purpose = match &packers[*idx] {
                Some(packer) if remakes[*idx].is_none() => {
                    granule_rows = common_multiple(granule_rows, packer.granule_rows());
                    Purpose::File(packer)
                }
                _ => narrowings[*idx].as_deref().map_or(Purpose::Encode, Purpose::Shrink),
            };
            places.push((*idx, makers.len(), purposes.len()));
            purposes.push((purpose, jobs[*idx].bits));
        }
        if let Some(first) = group.first() {
            makers.push(BandMaker::for_files(&jobs[*first], purposes));
        }
    }
    let made_by = BandGroup::new(makers);
    let halo = |place: &&(usize, usize, usize)| jobs[place.0].sharpening.map_or(0, |s| s.halo_px());
    let Some(tallest) = places.iter().max_by_key(halo) else { return Ok(()) };
    let bands = jobs[tallest.0].bands(granule_rows);
    let make = |idx: usize| made_by.bands(bands[idx], cancel);
    in_order(bands.len(), ahead(), &make, &mut |at, made: Vec<Band>| {
        rest(cancel)?;
        for (band, (idx, maker, file)) in made.into_iter().zip(&places) {
            counts[*idx].merge(&band.counts);
            match (band.body, &mut remakes[*idx], &mut targets[*idx]) {
                (Body::Packed(rows), _, Target::File(writer)) => {
                    writer.write_packed(&rows)?;
                    made_by.makers[*maker].take_back(*file, rows);
                }
                (Body::Values(values), Some(remake), target) => {
                    jobs[*idx].put_small(target, &remake.push(values)?)?;
                }
                _ => {}
            }
        }
        share((at + 1) as f32 / bands.len() as f32);
        Ok::<(), EngineError>(())
    })?;
    for (idx, _, _) in &places {
        if let Some(remake) = &mut remakes[*idx] {
            jobs[*idx].put_small(&mut targets[*idx], &remake.finish(cancel)?)?;
        }
    }
    Ok(())
}

/// Least common multiple.
fn common_multiple(a: u32, b: u32) -> u32 {
    let (mut divisor, mut rest) = (a.max(1), b.max(1));
    while rest != 0 {
        (divisor, rest) = (rest, divisor % rest);
    }
    (a.max(1) / divisor).saturating_mul(b.max(1))
}
