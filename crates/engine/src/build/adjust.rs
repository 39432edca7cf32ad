//! Settings from what the user points at: a grey area, another frame, a chart or wedge of known steps.

use glassine_film::{
    BalanceMode, CHART_PATCH_NAMES, ChartEdition, FilmKind, Param, SolveHints, Stock, ToneCurve,
    balance_cc_from_log, band_curves, fit_stock_from_chart, fit_stock_from_wedge, layer_log_exposures,
    match_frame,
};
use glassine_raster::{CancelToken, DensityD, PixelRect, Point, RegionSource as _, Scan};
use glassine_session::{Edit, FrameId, Session, StripId};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::films::{films, sharing};
use crate::build::import::base_of_frame;
use crate::error::{EngineError, Notice, Severity, counted};
use crate::frame::FrameContext;

/// A match that stays further below the full one than this is told, stops. Our choice: less is hardly seen in a print.
const TOLD_STOPS: f64 = 0.1;

/// Position of a chart on a scan: the outer corners of its first patch, the last of its first row, its last patch and
/// the first of its last row, in scan pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartPlace {
    /// Outer corners of the four corner patches.
    pub corners: [Point<Scan>; 4],
}

/// What a stock is measured from.
#[derive(Debug, Clone, PartialEq)]
pub enum StockTarget {
    /// The 24-patch chart, six patches in each of four rows.
    Chart24(ChartEdition),
    /// A neutral wedge of one row, with the density of each printed step.
    Wedge {
        /// Density of each step, in the order of the corners.
        densities_d: Vec<f64>,
    },
}

/// Result of measuring a stock.
#[derive(Debug, Clone, PartialEq)]
pub struct StockReport {
    /// The fitted stock.
    pub stock: Stock,
    /// For each patch of a chart: name, CIEDE2000 before and after.
    pub patches: Vec<(String, f64, f64)>,
    /// Mean before and after: CIEDE2000 for a chart, log10 exposure error for a wedge.
    pub mean: (f64, f64),
}

impl ChartPlace {
    /// Scan position of a point of the chart's unit square, by bilinear blending of the corners.
    fn at(&self, u: f64, v: f64) -> Point<Scan> {
        let [tl, tr, br, bl] = self.corners;
        let blend = |a: f64, b: f64, c: f64, d: f64| {
            (a * (1.0 - u) + b * u) * (1.0 - v) + (d * (1.0 - u) + c * u) * v
        };
        Point::new(blend(tl.x, tr.x, br.x, bl.x), blend(tl.y, tr.y, br.y, bl.y))
    }

    /// Mean linear codes of the middle of each cell of a grid, row by row.
    fn read(
        &self,
        context: &FrameContext,
        columns: u32,
        rows: u32,
        cancel: &CancelToken,
    ) -> Result<Vec<[f64; 3]>, EngineError> {
        /// Share of a cell's side that is averaged, clear of the gaps between patches.
        const MIDDLE: f64 = 0.45;
        const SAMPLES: u32 = 24;
        let open = &context.open;
        let xs = self.corners.map(|p| p.x);
        let ys = self.corners.map(|p| p.y);
        let least = |v: [f64; 4]| v.into_iter().fold(f64::INFINITY, f64::min).floor().max(0.0);
        let most = |v: [f64; 4], limit: u32| v.into_iter().fold(0.0, f64::max).ceil().min(f64::from(limit));
        let rect = PixelRect::new(
            least(xs) as u32,
            least(ys) as u32,
            most(xs, open.width()) as u32,
            most(ys, open.height()) as u32,
        );
        if rect.is_empty() {
            return Err(EngineError::user_error(
                "the place is not on the scan",
                "choose a place inside the picture",
            ));
        }
        let is_chart = columns * rows > 1;
        if is_chart && (rect.width() < 4 * columns || rect.height() < 4 * rows) {
            return Err(EngineError::user_error(
                "the chart is too small or its corners are not on the scan",
                "put the four corners on the outer corners of the corner patches",
            ));
        }
        let samples = open.read(rect, cancel)?;
        let colours = usize::from(open.colour_channels());
        let mut cells = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let mut lists: [Vec<u16>; 3] = Default::default();
                for i in 0..SAMPLES * SAMPLES {
                    let across = |k: u32| 0.5 + MIDDLE * ((f64::from(k) + 0.5) / f64::from(SAMPLES) - 0.5);
                    let u = (f64::from(column) + across(i % SAMPLES)) / f64::from(columns);
                    let v = (f64::from(row) + across(i / SAMPLES)) / f64::from(rows);
                    let p = self.at(u, v);
                    let x = (p.x as u32).clamp(rect.x0, rect.x1 - 1) - rect.x0;
                    let y = (p.y as u32).clamp(rect.y0, rect.y1 - 1) - rect.y0;
                    let px = samples.pixel(x, y);
                    for (c, list) in lists.iter_mut().enumerate() {
                        list.push(px[c.min(colours - 1)]);
                    }
                }
                cells.push(lists.map(trimmed_mean));
            }
        }
        Ok(cells)
    }
}

/// Mean of the middle half, so that dust and scratches do not count.
fn trimmed_mean(mut codes: Vec<u16>) -> f64 {
    codes.sort_unstable();
    let quarter = codes.len() / 4;
    let middle = &codes[quarter..codes.len() - quarter];
    middle.iter().map(|code| f64::from(*code)).sum::<f64>() / middle.len().max(1) as f64
}

/// Log10 exposure that a tone curve maps to `after_log`, by bisection: the curve rises everywhere.
fn inverse(curve: &ToneCurve, after_log: f64) -> f64 {
    const STEPS: u32 = 48;
    let reach = 0.01 + curve.offsets_log().into_iter().fold(0.0, |most: f64, offset| most.max(offset.abs()));
    let (mut low, mut high) = (after_log - reach, after_log + reach);
    for _ in 0..STEPS {
        let middle = f64::midpoint(low, high);
        if curve.apply(middle) < after_log {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

fn density_above_base(context: &FrameContext, codes: [f64; 3]) -> [f64; 3] {
    let base = base_of_frame(&context.strip, &context.frame, &context.open);
    let base = base.filter(|_| context.strip.film.is_negative()).unwrap_or([0.0; 3]);
    [0, 1, 2].map(|c| -(codes[c].max(0.5) / 65535.0).log10() - base[c])
}

/// Density above base of a square around a scan position.
fn grey_density(
    context: &FrameContext,
    center: Point<Scan>,
    radius_px: f64,
    cancel: &CancelToken,
) -> Result<[f64; 3], EngineError> {
    // At least five by five pixels, and never beyond the edge of the scan.
    let (width, height) = (f64::from(context.open.width()), f64::from(context.open.height()));
    let most = (width.min(height) / 2.0 - 1.0).max(2.5);
    let r = if radius_px.is_finite() { radius_px.clamp(2.5, most) } else { 2.5 };
    let inside = |at: f64, side: f64| if at.is_finite() { at.min(side - r).max(r) } else { side / 2.0 };
    let center = Point::<Scan>::new(inside(center.x, width), inside(center.y, height));
    let place = ChartPlace {
        corners: [(-r, -r), (r, -r), (r, r), (-r, r)].map(|(x, y)| Point::new(center.x + x, center.y + y)),
    };
    let codes = place.read(context, 1, 1, cancel)?;
    Ok(density_above_base(context, codes.first().copied().unwrap_or([0.0; 3])))
}

/// Edits that make a density on a frame neutral, and what they do; the exposure of the frame stays.
fn grey_of_frame(session: &Session, context: &FrameContext, density_d: [f64; 3]) -> (Vec<Edit>, Notice) {
    let frame = context.frame.id;
    let solve = context.frame.solve.as_ref();
    let offset = solve.map_or([0.0; 3], |solve| solve.log_offset);
    let ratio = context.strip.solve.as_ref().map_or([1.0; 3], |solve| solve.gamma_ratio);
    let logs = layer_log_exposures(density_d, &context.stock, context.strip.film, ratio);
    let look = &context.frame.look;
    // Exposure of the area before the tone bands, and the exposures that the bands then map to one grey.
    let exposure_log = DensityD::from(look.exposure()).d();
    let grey_log = (0..3).map(|c| logs[c] + offset[c]).sum::<f64>() / 3.0 + exposure_log;
    let before_bands = band_curves(look).map(|curve| inverse(&curve, grey_log));
    let missing = [0, 1, 2].map(|c| before_bands[c] - exposure_log - logs[c] - offset[c]);
    let [warm, tint] = balance_cc_from_log(missing);
    // Leave out what the cast correction already does.
    let strength = look.get(Param::CastStrength);
    let cast = solve.map_or([0.0; 2], |solve| solve.cast_suggestion_cc.map(|cc| cc * strength));
    let (warm, tint) = (warm - cast[0], tint - cast[1]);
    let number = session.number_text(&context.frame);
    let headline =
        format!("the grey point changed frame {number} alone: warm / cool {warm:+.1} CC, tint {tint:+.1} CC");
    let hint = match context.strip.film {
        FilmKind::ColourNegative => {
            "choose “the film” beside the tool to let one grey decide every frame of it"
        }
        _ => "undo restores the balance before",
    };
    let edits = [(Param::WarmthCc, warm), (Param::TintCc, tint)];
    let edits = edits.map(|(param, value)| Edit::SetParam { frames: vec![frame], param, value });
    (edits.to_vec(), Notice::new(Severity::Info, headline, hint))
}

/// What the user says about the frames of some strips before they are solved.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BalanceHints {
    /// Grey areas: frame and scan position.
    pub grey_points: Vec<(FrameId, Point<Scan>)>,
    /// Frames taken in daylight or with flash.
    pub daylight: Vec<FrameId>,
}

impl AnalysisContext<'_> {
    /// Edits that solve some strips again, those of one film together, using what the user says about their frames. If
    /// `balance` is given, that mode is set first.
    pub(crate) fn solve_strips(
        &self,
        session: &Session,
        strips: &[StripId],
        balance: Option<BalanceMode>,
        hints: &BalanceHints,
    ) -> Result<Vec<Edit>, EngineError> {
        /// Half the side of the square that a grey point averages, scan pixels. Source: ours; grain averages out.
        const RADIUS_PX: f64 = 6.0;
        let mut points = Vec::new();
        for (frame, center) in &hints.grey_points {
            let context = self.context(session, *frame)?;
            let image = context.frame.image_area.unwrap_or(context.frame.crop);
            if !image.contains(*center) && !context.frame.crop.contains(*center) {
                let headline = format!(
                    "the grey point {:.0}, {:.0} lies outside frame {}",
                    center.x, center.y, context.frame.number
                );
                return Err(EngineError::user_error(headline, "give a place on its picture, in scan pixels"));
            }
            points.push((*frame, grey_density(&context, *center, RADIUS_PX, self.cancel)?));
        }
        let mut builder = EditBuilder::new(session.clone());
        if let Some(balance) = balance {
            for strip in strips {
                builder.push(Edit::SetBalance { strip: *strip, balance })?;
            }
        }
        for film in films(&builder.session, strips) {
            let ids: Vec<FrameId> = film
                .iter()
                .flat_map(|strip| builder.session.frames_of(*strip).map(|frame| frame.id))
                .collect();
            let place = |id: &FrameId| ids.iter().position(|known| known == id);
            let hints = SolveHints {
                grey_points: points.iter().filter_map(|(id, d)| Some((place(id)?, *d))).collect(),
                daylight: hints.daylight.iter().filter_map(place).collect(),
            };
            self.solve(&mut builder, &film, &hints)?;
        }
        Ok(builder.edits)
    }

    fn context(&self, session: &Session, id: FrameId) -> Result<FrameContext, EngineError> {
        FrameContext::of(session, id, self.folder, self.scans)
    }

    /// The session with the balance of every strip set to locked or free, solved again.
    pub(crate) fn with_balance(
        &self,
        session: &Session,
        balance: BalanceMode,
    ) -> Result<Session, EngineError> {
        let mut builder = EditBuilder::new(session.clone());
        let strips: Vec<_> =
            session.strips.iter().filter(|strip| strip.balance != balance).map(|strip| strip.id).collect();
        for strip in &strips {
            builder.push(Edit::SetBalance { strip: *strip, balance })?;
        }
        self.solve_films(&mut builder, &strips)?;
        Ok(builder.session)
    }

    /// Edits that make a square of a frame neutral, its middle a scan position and half its side in scan pixels, and
    /// what they do. The whole film follows it, or the frame alone.
    pub(crate) fn grey_point(
        &self,
        session: &Session,
        (frame, center, radius_px): (FrameId, Point<Scan>, f64),
        is_of_film: bool,
    ) -> Result<(Vec<Edit>, Notice), EngineError> {
        let context = self.context(session, frame)?;
        let density_d = grey_density(&context, center, radius_px, self.cancel)?;
        if is_of_film {
            self.grey_of_film(session, &context, density_d)
        } else {
            Ok(grey_of_frame(session, &context, density_d))
        }
    }

    /// Edits that solve the film of a frame with a grey of this density on it, and what they do.
    fn grey_of_film(
        &self,
        session: &Session,
        context: &FrameContext,
        density_d: [f64; 3],
    ) -> Result<(Vec<Edit>, Notice), EngineError> {
        let frame = context.frame.id;
        let film = sharing(session, context.strip.id);
        let frames: Vec<FrameId> =
            film.iter().flat_map(|strip| session.frames_of(*strip)).map(|frame| frame.id).collect();
        let place = frames.iter().position(|id| *id == frame).ok_or(EngineError::NoFrame(frame))?;
        let mut builder = EditBuilder::new(session.clone());
        // The frame's own balance would move the grey away from neutral again.
        for param in [Param::WarmthCc, Param::TintCc, Param::CastStrength] {
            let value = param.spec().default;
            if context.frame.look.kept(param) != value {
                builder.push(Edit::SetParam { frames: vec![frame], param, value })?;
            }
        }
        let hints = SolveHints { grey_points: vec![(place, density_d)], ..SolveHints::default() };
        self.solve(&mut builder, &film, &hints)?;
        let solve = builder.session.strip(context.strip.id).and_then(|strip| strip.solve.as_ref());
        let percent = solve.map_or(0.0, |solve| 100.0 * solve.confidence);
        let number = session.number_text(&context.frame);
        let headline = format!(
            "the grey on frame {number} decides the balance of {} on {}, confidence {percent:.0} %",
            counted(frames.len(), "frame"),
            counted(film.len(), "strip"),
        );
        let hint = "compare the prints; undo restores the balance before";
        Ok((builder.edits, Notice::new(Severity::Info, headline, hint)))
    }

    /// Edits that bring some frames to the exposure and balance of another one.
    pub(crate) fn match_frames(
        &self,
        session: &Session,
        frames: &[FrameId],
        target: FrameId,
    ) -> Result<(Vec<Edit>, Vec<Notice>), EngineError> {
        let wanted = self.context(session, target)?;
        let look_of = |context: &FrameContext, param: Param| context.frame.look.get(param);
        let measured = |context: &FrameContext| -> Result<_, EngineError> {
            let statistics =
                self.frame_statistics(&context.open, &context.strip, &context.frame, &context.stock)?;
            let solved = context.frame.solve.as_ref().map_or([0.0; 3], |solve| solve.log_offset);
            Ok((statistics, solved))
        };
        let (target_statistics, target_offset) = measured(&wanted)?;
        let (mut edits, mut notices) = (Vec::new(), Vec::new());
        for id in frames.iter().filter(|id| **id != target) {
            let context = self.context(session, *id)?;
            if context.strip.film != wanted.strip.film {
                return Err(EngineError::user_error(
                    "frames of different kinds of film can't be matched",
                    "choose frames of one kind of film",
                ));
            }
            let (statistics, offset) = measured(&context)?;
            let ratio = context.strip.solve.as_ref().map_or([1.0; 3], |solve| solve.gamma_ratio);
            let found = match_frame(
                (&statistics, offset),
                (&target_statistics, target_offset),
                &context.stock,
                context.strip.film,
                ratio,
            );
            let Some(found) = found else { continue };
            if found.held_back.stops() > TOLD_STOPS {
                let number = session.number_text(&context.frame);
                let headline = format!(
                    "frame {number} stays {:.1} stops darker than the one it was matched to",
                    found.held_back.stops()
                );
                let hint = "its highlights would be lost; make it lighter by hand if they do not matter";
                notices.push(Notice::new(Severity::Info, headline, hint));
            }
            for (param, change) in [
                (Param::ExposureStops, found.exposure.stops()),
                (Param::WarmthCc, found.balance_cc[0]),
                (Param::TintCc, found.balance_cc[1]),
            ] {
                let value = look_of(&wanted, param) + change;
                edits.push(Edit::SetParam { frames: vec![*id], param, value });
            }
        }
        Ok((edits, notices))
    }

    /// Fit a stock to a chart or wedge on a frame.
    pub(crate) fn measure_stock(
        &self,
        session: &Session,
        frame: FrameId,
        place: &ChartPlace,
        target: &StockTarget,
        name: &str,
    ) -> Result<StockReport, EngineError> {
        let context = self.context(session, frame)?;
        if context.strip.film.is_negative() && context.strip.base.is_none() {
            return Err(EngineError::user_error(
                "the strip has no film base yet",
                "measure the film base first",
            ));
        }
        let fit_error = |error: glassine_film::FitError| {
            EngineError::user_error(
                error.to_string(),
                "check film kind, corners and which way round the chart is",
            )
        };
        let (mut stock, patches, mean) = match target {
            StockTarget::Chart24(edition) => {
                let codes = place.read(&context, 6, 4, self.cancel)?;
                let densities: Vec<_> =
                    codes.into_iter().map(|codes| density_above_base(&context, codes)).collect();
                let (stock, report) =
                    fit_stock_from_chart(&densities, edition.lab_d50(), &context.stock).map_err(fit_error)?;
                let patches = report
                    .patches
                    .iter()
                    .zip(CHART_PATCH_NAMES)
                    .map(|(patch, name)| (name.to_owned(), patch.delta_e_before, patch.delta_e_after))
                    .collect();
                (stock, patches, (report.mean_before, report.mean_after))
            }
            StockTarget::Wedge { densities_d } => {
                let steps = u32::try_from(densities_d.len()).unwrap_or(0).max(1);
                let codes = place.read(&context, steps, 1, self.cancel)?;
                let densities: Vec<_> =
                    codes.into_iter().map(|codes| density_above_base(&context, codes)).collect();
                let logs: Vec<f64> = densities_d.iter().map(|d| -d).collect();
                let (stock, report) =
                    fit_stock_from_wedge(&densities, &logs, &context.stock).map_err(fit_error)?;
                let mean = |v: [f64; 3]| v.iter().sum::<f64>() / 3.0;
                (stock, Vec::new(), (mean(report.rms_log_before), mean(report.rms_log_after)))
            }
        };
        name.clone_into(&mut stock.name);
        stock.id = free_stock_id(session, name);
        stock.measured_on = format!("frame {} of “{}”", context.frame.number, session.title);
        Ok(StockReport { stock, patches, mean })
    }

    /// Edits that keep a stock with the session, assign it to strips of its kind, and solve them again.
    pub(crate) fn apply_stock(
        &self,
        session: &Session,
        stock: &Stock,
        strips: &[StripId],
    ) -> Result<Vec<Edit>, EngineError> {
        let mut builder = EditBuilder::new(session.clone());
        builder.push(Edit::AddStock(Box::new(stock.clone())))?;
        let fits = |id: &&StripId| session.strip(**id).is_some_and(|strip| strip.film == stock.kind);
        let strips: Vec<_> = strips.iter().filter(fits).copied().collect();
        for strip in &strips {
            builder.push(Edit::SetStock { strip: *strip, stock_id: stock.id.clone() })?;
        }
        self.solve_films(&mut builder, &strips)?;
        Ok(builder.edits)
    }

    /// Advice if an unreadable chart fits with its corners in another order.
    pub(crate) fn other_way_round(
        &self,
        session: &Session,
        frame: FrameId,
        place: &ChartPlace,
        target: &StockTarget,
    ) -> Option<Notice> {
        /// Mean CIEDE2000 that only the right order reaches.
        const FITS: f64 = 3.0;
        let StockTarget::Chart24(_) = target else { return None };
        let [a, b, c, d] = place.corners;
        for (corners, what) in [
            ([c, d, a, b], "press “turn” twice, then measure again"),
            ([d, a, b, c], "press “turn” once, then measure again"),
            ([b, c, d, a], "press “turn” three times, then measure again"),
            ([b, a, d, c], "press “mirror”, then measure again"),
            ([d, c, b, a], "press “turn” twice and “mirror”, then measure again"),
            ([a, d, c, b], "press “turn” once and “mirror”, then measure again"),
            ([c, b, a, d], "press “mirror”, then “turn” once, then measure again"),
        ] {
            let report = self.measure_stock(session, frame, &ChartPlace { corners }, target, "chart");
            if report.is_ok_and(|report| report.mean.1 < FITS) {
                let headline = "the chart is the wrong way round";
                return Some(Notice::new(Severity::Error, headline, what));
            }
        }
        None
    }
}

/// A short id made from a name, not used by another stock.
pub(crate) fn free_stock_id(session: &Session, name: &str) -> String {
    let plain: String = name
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
        .collect::<String>()
        .split('-')
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join("-");
    let base = if plain.is_empty() { "own-stock".to_owned() } else { plain };
    let taken = |id: &str| {
        session.stock(id).is_some() || glassine_film::shipped_stocks().iter().any(|stock| stock.id == id)
    };
    (1..)
        .map(|n| if n == 1 { base.clone() } else { format!("{base}-{n}") })
        .find(|id| !taken(id))
        .unwrap_or(base)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_inverse_of_a_tone_curve_leads_back() {
        for offsets in [[0.0; 3], [0.2, -0.1, 0.15], [-0.4, 0.3, -0.04], [1.0, 0.5, 0.2]] {
            let curve = ToneCurve::new(offsets);
            for step in 0..40 {
                let log = -3.0 + 0.1 * f64::from(step);
                let back = inverse(&curve, curve.apply(log));
                assert!((back - log).abs() < 1e-6, "{offsets:?} {log} {back}");
            }
        }
    }
}
