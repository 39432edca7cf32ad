//! Turns scans into a session: frames found, film base measured, strips solved. Every result is an edit.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_film::{
    FilmKind, FrameStatistics, SolveHints, base_from_picture, default_stock, find_kind, measure_base,
    measure_base_field, solve_strip,
};
use glassine_layout::{RebateStrip, format_of, rebate_mask};
use glassine_raster::{CancelToken, Orientation, Plane, RegionSource, TiltedBox};
use glassine_session::{
    BaseSource, Edit, FILM_IS_GUESSED, FilmBase, FilmNumber, Fingerprint, FoundStripEdit, Frame, FrameFlag,
    FrameSolve, NewFrame, RollId, ScanId, ScanRef, Session, Strip, StripCode, StripId, StripSolve,
};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::detect::{recognise, render_slides_straight, warn_of_coarse_codes};
use crate::build::edge_code::edge_code;
use crate::build::films::strips_on;
use crate::build::infrared_file::scans_with_infrared;
use crate::error::{EngineError, Notice, Severity};
use crate::frame::stock_of;
use crate::scans::{OpenScan, read_reduced, shown};
use crate::types::NewSessionRequest;

/// Stored in the session, so that a later version knows which solver made a result.
const SOLVER: &str = concat!("glassine ", env!("CARGO_PKG_VERSION"), ", strip solve 4");

/// One hash for each scan, or why there is none.
type Hashes = Vec<Result<glassine_scanfile::Fingerprint, glassine_scanfile::Error>>;

/// What to find on a scan.
#[derive(Debug, Clone, Default)]
pub(crate) struct FindRequest {
    pub(crate) film: Option<FilmKind>,
    pub(crate) format_id: Option<String>,
    pub(crate) one_frame_per_file: bool,
    /// Roll that the strips belong to, if it is still there.
    pub(crate) roll: Option<RollId>,
}

impl FindRequest {
    pub(crate) fn of(request: &NewSessionRequest) -> Self {
        Self {
            film: request.film,
            format_id: request.format_id.clone(),
            one_frame_per_file: request.one_frame_per_file,
            roll: request.roll,
        }
    }
}

impl AnalysisContext<'_> {
    /// Read the headers of scan files and add them to the session; returns their ids.
    pub(crate) fn open_scans(
        &self,
        builder: &mut EditBuilder,
        request: &NewSessionRequest,
    ) -> Result<Vec<ScanId>, EngineError> {
        if request.scans.is_empty() {
            return Err(EngineError::user_error(
                "no scan was named",
                "choose at least one TIFF, PNG or JPEG",
            ));
        }
        if let Some(id) = &request.format_id
            && format_of(id).is_none()
        {
            let known: Vec<_> = glassine_layout::formats().iter().map(|format| format.id).collect();
            return Err(EngineError::user_error(
                format!("“{id}” is no known format"),
                format!("choose one of {}, or a size such as 40x65mm", known.join(", ")),
            ));
        }
        let scans = scans_with_infrared(&request.scans);
        let count = scans.len();
        let mut added = Vec::new();
        for (idx, (path, beside)) in scans.into_iter().enumerate() {
            self.cancel.check()?;
            (self.progress)(0.1 * idx as f32 / count as f32, &format!("opening {}", shown(path)));
            let named = request.infrared.as_ref().filter(|_| idx == 0);
            if let (None, Some(file)) = (named, beside) {
                let headline = format!("{} was taken as the infrared of this scan", shown(file));
                let notice = Notice::new(Severity::Info, headline, "if it is not, read the scan without it");
                builder.notices.push(notice.about(path));
            }
            let infrared = named.or(beside).cloned();
            let mut scan = self.describe(builder, path, infrared, request)?;
            self.fingerprint(&mut scan);
            builder.push(Edit::AddScans(vec![scan]))?;
            added.extend(builder.session.scans.last().map(|scan| scan.id));
        }
        Ok(added)
    }

    /// Open files, add them to the session, find their frames, measure and solve.
    pub(crate) fn add_scans(
        &self,
        builder: &mut EditBuilder,
        request: &NewSessionRequest,
    ) -> Result<(), EngineError> {
        let added = self.open_scans(builder, request)?;
        // Content hashes are computed while frames are found: both need the same bytes, which the system then reads
        // once.
        let paths: Vec<PathBuf> =
            added.iter().filter_map(|id| builder.session.scan(*id)).map(|scan| scan.path.clone()).collect();
        let stop = CancelToken::new();
        let prints = std::thread::scope(|threads| {
            let hasher =
                std::thread::Builder::new().name("glassine-hash".to_owned()).spawn_scoped(threads, || {
                    paths
                        .iter()
                        .map(|path| glassine_scanfile::fingerprint(path, &stop, &|_| {}))
                        .collect::<Vec<_>>()
                });
            let found = self
                .find_on_all(builder, request, &added)
                .and_then(|()| render_slides_straight(builder, &added));
            if found.is_err() || self.cancel.is_cancelled() {
                stop.cancel();
            }
            let prints = self.wait_for_hashes(hasher, &paths, &stop);
            found.and(prints)
        })?;
        for (id, print) in added.iter().zip(prints) {
            let Some(mut scan) = builder.session.scan(*id).map(|scan| ScanRef::clone(scan)) else { continue };
            let print = print?;
            let sampled_blake3 = scan.fingerprint.take().and_then(|known| known.sampled_blake3);
            scan.fingerprint =
                Some(Fingerprint { bytes: print.bytes, sampled_blake3, blake3: Some(print.blake3) });
            builder.push(Edit::UpdateScan(scan))?;
        }
        Ok(())
    }

    /// Wait for the hashes; a cancelled step stops them.
    fn wait_for_hashes(
        &self,
        hasher: std::io::Result<std::thread::ScopedJoinHandle<'_, Hashes>>,
        paths: &[PathBuf],
        stop: &CancelToken,
    ) -> Result<Hashes, EngineError> {
        // Without a thread the files are hashed here, one after the other.
        let Ok(hasher) = hasher else {
            return Ok(paths
                .iter()
                .map(|path| glassine_scanfile::fingerprint(path, stop, &|_| {}))
                .collect());
        };
        if !hasher.is_finished() {
            (self.progress)(0.99, "hashing the scans");
        }
        while !hasher.is_finished() {
            if self.cancel.is_cancelled() {
                stop.cancel();
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        hasher.join().map_err(|_panicked| EngineError::internal("hashing a scan failed"))
    }

    /// Find the frames of every added scan, measure and solve.
    fn find_on_all(
        &self,
        builder: &mut EditBuilder,
        request: &NewSessionRequest,
        added: &[ScanId],
    ) -> Result<(), EngineError> {
        let count = added.len();
        let find = FindRequest::of(request);
        for (idx, scan) in added.iter().enumerate() {
            let part = |share: f32, what: &str| {
                (self.progress)(0.1 + 0.9 * (idx as f32 + share) / count as f32, what);
            };
            let analysis = AnalysisContext { progress: &part, ..*self };
            analysis.find_frames(builder, *scan, &find)?;
        }
        self.solve_and_order(builder, added, request.one_frame_per_file)
    }

    /// Solve the strips on these scans together, and put all strips in the order of the numbers on their films, if every
    /// one has some and the strips on other scans are in this order already.
    pub(crate) fn solve_and_order(
        &self,
        builder: &mut EditBuilder,
        scans: &[ScanId],
        are_single_frames: bool,
    ) -> Result<(), EngineError> {
        if are_single_frames {
            self.solve_one_film(builder, &strips_on(&builder.session, scans))?;
        } else {
            self.solve_films_over(builder, scans)?;
        }
        let session = &builder.session;
        let is_new = |id: &StripId| session.strip(*id).is_some_and(|strip| scans.contains(&strip.scan));
        let shown = session.strips_in_order().into_iter().map(|strip| strip.id);
        let known: Vec<StripId> = shown.filter(|id| !is_new(id)).collect();
        // An order that the user chose stays.
        let keeps_known = |order: &Vec<StripId>| order.iter().filter(|id| !is_new(id)).eq(&known);
        match session.order_on_film().filter(keeps_known) {
            Some(order) => builder.push(Edit::OrderStrips(order)),
            None => Ok(()),
        }
    }

    pub(crate) fn describe(
        &self,
        builder: &mut EditBuilder,
        path: &Path,
        infrared_path: Option<PathBuf>,
        request: &NewSessionRequest,
    ) -> Result<ScanRef, EngineError> {
        let (ppi, reading) = (request.ppi, request.reading);
        let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
        let infrared_path = infrared_path.map(|infrared| std::path::absolute(&infrared).unwrap_or(infrared));
        let mut scan = ScanRef {
            id: ScanId(0),
            path: path.clone(),
            infrared_path,
            ppi,
            page: reading.page,
            encoding: reading.encoding,
            fourth_sample: reading.fourth_sample,
            stray_light: reading.stray_light,
            ..ScanRef::default()
        };
        self.take_what_is_there(builder, &mut scan)?;
        Ok(scan)
    }

    /// Find the frames of one scan, measure the base of its strips and solve them.
    pub(crate) fn find_frames(
        &self,
        builder: &mut EditBuilder,
        scan_id: ScanId,
        request: &FindRequest,
    ) -> Result<(), EngineError> {
        let scan = self.find_reading(builder, scan_id)?;
        let open = self.scans.get(&scan, self.folder)?;
        let progress = self.progress;
        let overview = open.overview(self.cancel, &|share| progress(0.5 * share, "reading the scan"))?;
        progress(0.5, "finding frames");
        let colours = find_kind(&overview.samples, open.colour_channels());
        let found = self.found_on(&open, &overview, scan.resolution(), request, colours)?;
        let full: &dyn RegionSource = &*open;
        for note in &found.notes {
            let what_to_do = if found.strips.iter().all(|strip| strip.frames.is_empty()) {
                "choose another kind of film, format or encoding and look again, or add boxes by hand"
            } else {
                "look at the boxes on the strip"
            };
            builder.warn(note.clone(), what_to_do);
        }
        let (film, is_guessed) = match request.film {
            Some(film) => (film, false),
            None => recognise(&found, &overview.samples, overview.factor, colours),
        };
        if is_guessed {
            let headline = format!("{} is guessed for {}", film.label().to_lowercase(), shown(&scan.path));
            let what_to_do = "no film base is in view; choose the kind of film if this one is wrong";
            builder.warn(headline, what_to_do);
        }
        let guess = is_guessed.then(|| FILM_IS_GUESSED.to_owned());
        let orientation = open.info().orientation;
        let mut strips = Vec::with_capacity(found.strips.len());
        for strip in &found.strips {
            let code = edge_code(full, strip, scan.resolution(), open.colour_channels(), self.cancel)?;
            strips.push(found_strip(builder, strip, request, code, orientation, guess.clone()));
        }
        if strips.iter().all(|strip| strip.frames.is_empty()) {
            builder.warn(
                format!("no frame was found on {}", shown(&scan.path)),
                "add boxes by hand, or choose film kind and format and find frames again",
            );
        }
        let stock_id = default_stock(film).id.clone();
        builder.push(Edit::ReplaceStrips { scan: scan_id, film, stock_id, strips, keep: Vec::new() })?;
        let ids: Vec<StripId> = builder
            .session
            .strips
            .iter()
            .filter(|strip| strip.scan == scan_id)
            .map(|strip| strip.id)
            .collect();
        if let Some(roll) = request.roll.filter(|roll| builder.session.roll(*roll).is_some()) {
            builder.push(Edit::AssignRoll { strips: ids.clone(), roll: Some(roll) })?;
        }
        for (idx, strip) in ids.iter().enumerate() {
            progress(0.8 + 0.2 * idx as f32 / ids.len() as f32, "measuring the film base");
            self.measure(builder, *strip, None)?;
        }
        self.solve_films(builder, &ids)?;
        progress(1.0, "done");
        Ok(())
    }

    fn strip_and_scan(
        &self,
        session: &Session,
        id: StripId,
    ) -> Result<(Arc<Strip>, Arc<OpenScan>), EngineError> {
        let gone = || EngineError::user_error("the strip is not in this session", "choose another strip");
        let strip = session.strip(id).cloned().ok_or_else(gone)?;
        let scan = session.scan(strip.scan).ok_or_else(gone)?;
        let open = self.scans.get(scan, self.folder)?;
        Ok((strip, open))
    }

    /// Measure the base of a strip on its rebate, in a drawn box, or, failing both, from the clearest image parts.
    pub(crate) fn measure(
        &self,
        builder: &mut EditBuilder,
        id: StripId,
        area: Option<TiltedBox>,
    ) -> Result<(), EngineError> {
        let (strip, open) = self.strip_and_scan(&builder.session, id)?;
        if !strip.film.is_negative() {
            return builder.push(Edit::SetBase { strip: id, base: None });
        }
        let base = match area {
            Some(area) => Some(self.base_in_box(&open, &area, strip.film)?),
            None => self.base_on_rebate(builder, &strip, &open)?,
        };
        let base = match base {
            Some(base) => base,
            None => {
                builder.warn(
                    "no clear rebate was found; the film base was estimated from the clearest parts of the frames",
                    "draw a box on clear film, or type the base densities",
                );
                self.base_from_frames(&builder.session, &strip, &open)?
            }
        };
        warn_of_coarse_codes(builder, &open, base.density_d);
        let tolerance_d = base.recommended_tolerance_d;
        builder.push(Edit::SetBase { strip: id, base: Some(base) })?;
        builder.push(Edit::SetMaskTolerance { strip: id, tolerance_d })
    }

    pub(crate) fn base_in_box(
        &self,
        open: &OpenScan,
        area: &TiltedBox,
        film: FilmKind,
    ) -> Result<FilmBase, EngineError> {
        /// Most pixels read at full resolution.
        const MOST_PIXELS: u64 = 4_000_000;
        let rect = area.pixel_bounds(open.width(), open.height());
        let factor = (1..64).find(|f| rect.area() / (f * f) <= MOST_PIXELS).unwrap_or(64) as u32;
        let (samples, origin) = read_reduced(open, rect, factor, self.cancel)?;
        let mut mask = Plane::filled(samples.width(), samples.height(), 0_u8);
        for y in 0..samples.height() {
            for x in 0..samples.width() {
                let center =
                    |at: u32, first: u32| f64::from(first) + (f64::from(at) + 0.5) * f64::from(factor);
                let inside =
                    area.contains(glassine_raster::Point::new(center(x, origin.0), center(y, origin.1)));
                mask.set(x, y, u8::from(inside));
            }
        }
        let measured = measure_base(&samples, &mask, film)
            .map_err(|error| EngineError::user_error(error.to_string(), "draw a larger box on clear film"))?;
        Ok(film_base(&measured, BaseSource::Box(*area)))
    }

    pub(crate) fn base_on_rebate(
        &self,
        builder: &mut EditBuilder,
        strip: &Strip,
        open: &OpenScan,
    ) -> Result<Option<FilmBase>, EngineError> {
        let overview = open.overview(self.cancel, &|_| {})?;
        let Some(film_area) = &strip.film_area else { return Ok(None) };
        let images: Vec<TiltedBox> =
            builder.session.frames_of(strip.id).map(|frame| frame.image_area.unwrap_or(frame.crop)).collect();
        let rebate = RebateStrip { film_area, image_areas: &images, perforations: &strip.perforations };
        let blur = builder.session.frames_of(strip.id).map(|f| f.guard_margin_px).fold(1.0, f64::max);
        let factor = f64::from(overview.factor);
        // First well clear of every edge; if the rebate is narrow, as near as the blur allows.
        for margin_px in [3.0 * blur + 2.0 * factor, 1.5 * blur + factor] {
            let (width, height) = (overview.samples.width(), overview.samples.height());
            let mask = rebate_mask(width, height, overview.factor, rebate, margin_px);
            match measure_base(&overview.samples, &mask, strip.film) {
                Ok(measured) => {
                    for note in &measured.notes {
                        builder.warn(note.clone(), "look at the base pixels on the strip");
                    }
                    let mut base = film_base(&measured, BaseSource::Rebate);
                    base.field = measure_base_field(&overview.samples, &mask, &measured);
                    return Ok(Some(base));
                }
                Err(_too_few) => self.cancel.check()?,
            }
        }
        Ok(None)
    }

    /// Base of a strip without a rebate: the clearest part of its clearest frame.
    fn base_from_frames(
        &self,
        session: &Session,
        strip: &Strip,
        open: &OpenScan,
    ) -> Result<FilmBase, EngineError> {
        let mut least: Option<FilmBase> = None;
        for frame in session.frames_of(strip.id) {
            let samples = self.frame_samples(open, frame)?;
            let Ok(measured) = base_from_picture(&samples, strip.film, stock_of(session, strip)) else {
                continue;
            };
            let base = film_base(&measured, BaseSource::ClearestParts);
            if least.as_ref().is_none_or(|least| base.density_d[1] < least.density_d[1]) {
                least = Some(base);
            }
        }
        Ok(least.unwrap_or_else(|| FilmBase {
            density_d: stock_of(session, strip).typical_base_d,
            pixels: 0,
            spread_d: [0.0; 3],
            recommended_tolerance_d: 0.03,
            confidence: 0.0,
            source: BaseSource::ClearestParts,
            field: None,
        }))
    }

    fn statistics(&self, session: &Session, id: StripId) -> Result<Vec<FrameStatistics>, EngineError> {
        let (strip, open) = self.strip_and_scan(session, id)?;
        session
            .frames_of(id)
            .map(|frame| {
                self.cancel.check()?;
                self.frame_statistics(&open, &strip, frame, stock_of(session, &strip))
            })
            .collect()
    }

    /// Solve the frames of some strips of one film together. `hints` says what the user knows about the frames,
    /// numbered over all the strips.
    pub(crate) fn solve(
        &self,
        builder: &mut EditBuilder,
        strips: &[StripId],
        hints: &SolveHints,
    ) -> Result<(), EngineError> {
        let Some(first) = strips.first().and_then(|id| builder.session.strip(*id)).cloned() else {
            return Ok(());
        };
        let mut statistics = Vec::new();
        for id in strips {
            statistics.extend(self.statistics(&builder.session, *id)?);
        }
        if statistics.is_empty() {
            return Ok(());
        }
        let stock = stock_of(&builder.session, &first);
        let solved = solve_strip(&statistics, stock, first.film, first.balance, hints);
        let solve = StripSolve {
            gamma_ratio: solved.gamma_ratio,
            toe_ratio: solved.toe_ratio,
            colour_strength: solved.colour_strength,
            neutral_log: solved.neutral_log,
            confidence: f64::from(solved.confidence),
            provenance: SOLVER.to_owned(),
        };
        let mut results = solved.frames.iter();
        for id in strips {
            let frames: Vec<_> = builder
                .session
                .frames_of(*id)
                .zip(results.by_ref())
                .map(|(frame, result)| (frame.id, frame_solve(result)))
                .collect();
            builder.push(Edit::ApplySolve { strip: *id, solve: solve.clone(), frames })?;
        }
        Ok(())
    }
}

/// Base density in the middle of a frame.
pub(crate) fn base_of_frame(strip: &Strip, frame: &Frame, open: &OpenScan) -> Option<[f64; 3]> {
    let (at, width, height) = (frame.crop.center, open.width(), open.height());
    strip.base.as_ref().map(|base| base.density_at(at.x, at.y, width, height))
}

fn film_base(measured: &glassine_film::BaseMeasurement, source: BaseSource) -> FilmBase {
    FilmBase {
        density_d: measured.density_d,
        pixels: measured.pixels,
        spread_d: measured.spread_d,
        recommended_tolerance_d: measured.recommended_tolerance.d(),
        confidence: f64::from(measured.confidence),
        source,
        field: None,
    }
}

fn frame_solve(solved: &glassine_film::FrameSolve) -> FrameSolve {
    FrameSolve {
        log_offset: solved.log_offset,
        exposure_stops: solved.exposure.stops(),
        balance_cc: solved.balance_cc,
        cast_suggestion_cc: solved.cast_suggestion_cc,
        confidence: f64::from(solved.confidence),
        notes: solved.notes.clone(),
    }
}

/// A strip that was found, as the edit that adds it; what its edge code advises is told.
fn found_strip(
    builder: &mut EditBuilder,
    strip: &glassine_layout::FoundStrip,
    request: &FindRequest,
    (edge_code, numbers): (Option<StripCode>, Vec<Option<FilmNumber>>),
    orientation: Orientation,
    guess: Option<String>,
) -> FoundStripEdit {
    let advice = edge_code.as_ref().and_then(StripCode::advice);
    if let Some(advice) = advice {
        builder
            .warn(advice, "mirror or turn the strip to see it the right way round; the scan stays as it is");
    }
    let turned = |crop: &TiltedBox| {
        let several = strip.frames.len() > 1;
        if several { along_the_strip(orientation, &strip.film_area, crop) } else { orientation }
    };
    let frames = strip.frames.iter().zip(numbers);
    FoundStripEdit {
        film_area: Some(strip.film_area),
        // A custom size keeps the user's wording.
        format_id: request.format_id.clone().or_else(|| strip.format_id.clone()),
        perforations: strip.perforations.clone(),
        edge_code,
        notes: strip.notes.iter().cloned().chain(guess).chain(advice.map(str::to_owned)).collect(),
        frames: frames.map(|(frame, number)| new_frame(frame, turned(&frame.image_area), number)).collect(),
    }
}

/// The orientation of a picture as the strip shows it once it lies from left to right: film that runs down the scan is
/// turned by quarter turns, and its pictures with it.
fn along_the_strip(own: Orientation, film: &TiltedBox, crop: &TiltedBox) -> Orientation {
    let quarter = std::f64::consts::FRAC_PI_2;
    let runs_down = film.height_px > film.width_px;
    let along_rad = film.angle_rad + if runs_down { quarter } else { 0.0 };
    let turns = ((crop.angle_rad - along_rad) / quarter).round();
    // A finite number modulo four is 0 to 3.
    let turns = if turns.is_finite() { turns.rem_euclid(4.0) as u8 } else { 0 };
    (0..turns).fold(own, |orientation, _| orientation.turned_clockwise())
}

fn new_frame(
    found: &glassine_layout::FoundFrame,
    orientation: Orientation,
    film_number: Option<FilmNumber>,
) -> NewFrame {
    use glassine_layout::FrameFlag as Flag;
    let flags = found.flags.iter().map(|flag| match flag {
        Flag::Inferred => FrameFlag::Inferred,
        Flag::LowConfidence => FrameFlag::LowConfidence,
        Flag::Partial => FrameFlag::Partial,
        Flag::Blank => FrameFlag::Blank,
        Flag::Overlap => FrameFlag::Overlap,
    });
    NewFrame {
        crop: found.safe_area().fit_default(),
        image_area: Some(found.image_area),
        guard_margin_px: found.guard_margin_px,
        orientation,
        film_number,
        confidence: f64::from(found.confidence),
        reason: found.reason.clone(),
        flags: flags.collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_of_film_that_runs_down_the_scan_turn_with_the_strip() {
        let own = Orientation::default();
        let tall = TiltedBox::from_edges(0.0, 0.0, 100.0, 600.0);
        let lying = TiltedBox::from_edges(0.0, 0.0, 600.0, 100.0);
        let crop = TiltedBox::from_edges(10.0, 10.0, 90.0, 60.0);
        // What is at the right of the scan is at the top of the lying strip.
        let turned = along_the_strip(own, &tall, &crop);
        assert_eq!(turned, own.turned_counter_clockwise());
        assert_eq!(along_the_strip(own, &lying, &crop), own);
        let down = TiltedBox { angle_rad: std::f64::consts::FRAC_PI_2 - 0.01, ..lying };
        assert_eq!(along_the_strip(own, &down, &crop), own.turned_counter_clockwise());
        // Boxes that run with the film need no turn.
        let along = TiltedBox { angle_rad: std::f64::consts::FRAC_PI_2, ..crop };
        assert_eq!(along_the_strip(own, &down, &along), own);
    }
}
