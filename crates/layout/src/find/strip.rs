//! Analyses one piece of film, from the signal to the measured frames.

use glassine_raster::{CancelToken, Plane, RegionSource, ResolutionPpi, TiltedBox};
use rayon::prelude::*;

use super::frames::{Columns, Span};
use super::levels::Work;
use super::outline::{Outline, film_outline, strip_turn};
use super::perforations::{Perforations, find_perforations};
use super::recognise::{Clues, Recognised, expected_height_px, recognise};
use super::refine::{Look, Sides, measure_sides};
use super::rows::{Band, image_band};
use super::settle::{mask_unreliable, neighbours_overlap, off_the_holder, settle_sizes};
use super::signal::{Base, measure_base, sharpest_angle, signal_plane};
use super::strips::{Piece, StripFrame, coarse_frame, hull_points, read_upright};
use super::{FilmTone, FindOptions, FoundFrame, FoundStrip, FrameFlag, LayoutError, row};
use crate::{SafeArea, StripAxis};

/// Shared input of the steps.
pub(super) struct Scan<'a> {
    pub(super) work: &'a Work,
    pub(super) full: Option<&'a dyn RegionSource>,
    pub(super) size_px: (u32, u32),
    pub(super) options: &'a FindOptions<'a>,
    pub(super) slide: bool,
    pub(super) cancel: &'a CancelToken,
}

/// A strip in its own coordinates, before the edges are measured.
struct Coarse {
    frame: StripFrame,
    u: (f64, f64),
    v: (f64, f64),
    plane: Plane<f32>,
    band: Band,
    columns: Columns,
    holes: Perforations,
    outline: Outline,
    known: Recognised,
    /// Nominal image size along and across, scan pixels, if format and scale are known.
    nominal_px: Option<(f64, f64)>,
}

impl Scan<'_> {
    fn px_per_mm(&self) -> Option<f64> {
        let ppi = self.options.ppi.map(ResolutionPpi::ppi).filter(|ppi| *ppi > 1.0)?;
        Some(ppi / 25.4 / self.work.scale)
    }

    /// Analyses one piece of film.
    pub(super) fn strip(&self, piece: &Piece) -> Result<Option<FoundStrip>, LayoutError> {
        let base = measure_base(self.work, piece, self.slide);
        let across = self
            .options
            .format
            .zip(self.px_per_mm())
            .map(|(f, k)| f.strip_width_mm.unwrap_or(f.across_mm) * k);
        let first = coarse_frame(piece, self.work.width(), across);
        // Without a visible rebate the piece is one bare image on the light. Our choice: rebate is most of an outline.
        if !self.slide && base.outline_share < 0.06 {
            return Ok(Some(self.bare_image(piece, &base, first)?));
        }
        let signal = signal_plane(self.work, &base);
        let mut best: Option<Coarse> = None;
        for axis in self.axes(piece, first) {
            self.cancel.check()?;
            let coarse = self.lay_out(piece, &base, &signal, StripFrame { axis, ..first });
            let better = |c: &Coarse| best.as_ref().is_none_or(|b| c.known.row.fit > b.known.row.fit);
            if let Some(c) = coarse.filter(better) {
                best = Some(c);
            }
        }
        match best {
            Some(c) if !c.known.row.spans.is_empty() => self.finish(&base, c).map(Some),
            _ => Ok(Some(self.empty_strip(piece, &base, first)?)),
        }
    }

    /// Axes to try: both when the piece is not much longer than wide.
    fn axes(&self, piece: &Piece, first: StripFrame) -> Vec<StripAxis> {
        let (u, v) = extent(piece, self.work.width(), first);
        let ratio = (u.1 - u.0) / (v.1 - v.0).max(1.0);
        let other = match first.axis {
            StripAxis::Across => StripAxis::Down,
            StripAxis::Down => StripAxis::Across,
        };
        // Two frames of the squarest format side by side have a ratio near 2. Our choice.
        if ratio > 1.9 { vec![first.axis] } else { vec![first.axis, other] }
    }

    fn lay_out(&self, piece: &Piece, base: &Base, signal: &Plane<f32>, start: StripFrame) -> Option<Coarse> {
        let (u, v) = extent(piece, self.work.width(), start);
        // Searched to 1.6 degrees on either side of the outline's turn. Our choice.
        let angle_rad = sharpest_angle(signal, start, u, v, 0.028);
        let frame = StripFrame { angle_rad, ..start };
        let (u, mut v) = extent(piece, self.work.width(), frame);
        if self.slide {
            // The film may be as black as the holder: leave room beside the images.
            let pad = (v.1 - v.0) * 0.05 + 4.0;
            v = (v.0 - pad, v.1 + pad);
        }
        let u = if self.slide { (u.0 - 8.0, u.1 + 8.0) } else { u };
        // Perforated film is 35 mm wide for images of 24 mm: a quarter on each side, and some. Our choice.
        let room = (v.1 - v.0) * 0.35;
        let holes =
            find_perforations(self.work, frame, u, if self.slide { (v.0 - room, v.1 + room) } else { v });
        let outline = film_outline(self.work, base, frame, u, v);
        let film_width_px = match outline.long {
            [Some(a), Some(b)] => Some(b.value(0.0) - a.value(0.0)),
            _ => None,
        };
        let clues = Clues {
            given: self.options.format,
            px_per_mm: self.px_per_mm().or(holes.px_per_mm()),
            perforated: holes.found(),
            film_width_px,
        };
        let plane = read_upright(signal, frame, u, v, 1.0, f32::NAN);
        let expected = expected_height_px(&clues);
        let band = expected
            .and_then(|e| image_band(&plane, Some(e), 0.0))
            .or_else(|| image_band(&plane, None, (v.1 - v.0) * 0.4))?;
        // The black of a slide's rebate and of the holder differ a little; both count as clear of image (our choice).
        let noise_d = if self.slide { base.noise_d.max(0.018) } else { base.noise_d };
        let columns = Columns::new(&plane, &band, noise_d);
        let known = recognise(&columns, &band, &clues);
        let format = known.format_id.as_deref().and_then(crate::format_by_id).or(self.options.format);
        let nominal_px = format
            .zip(clues.px_per_mm)
            .map(|(f, k)| (f.along_mm * k * self.work.scale, f.across_mm * k * self.work.scale));
        Some(Coarse { nominal_px, frame, u, v, plane, band, columns, holes, outline, known })
    }

    /// Completes the row, measures the edges and describes the result.
    fn finish(&self, base: &Base, mut c: Coarse) -> Result<FoundStrip, LayoutError> {
        row::complete(&mut c.known.row.spans, &c.columns, &c.plane, &c.band);
        let spans = c.known.row.spans.clone();
        let boxes: Vec<TiltedBox> = spans
            .iter()
            .map(|s| {
                c.frame.to_box(
                    (c.u.0 + s.a, c.u.0 + s.b),
                    (c.v.0 + c.band.v0, c.v.0 + c.band.v1),
                    self.work.scale,
                )
            })
            .collect();
        let mut measured: Vec<(TiltedBox, Sides)> = spans
            .par_iter()
            .zip(&boxes)
            .map(|(s, b)| self.measure(base, s, b, c.frame))
            .collect::<Result<_, _>>()?;
        settle_sizes(&spans, &mut measured, c.frame, c.nominal_px);
        for m in &mut measured {
            m.0 = off_the_holder(self.work, &m.0, &m.1, self.slide);
        }
        let frames = spans
            .iter()
            .zip(&measured)
            .enumerate()
            .map(|(k, (s, m))| {
                self.describe(s, m, neighbours_overlap(&measured, k, c.frame.axis), c.frame.axis)
            })
            .collect();
        Ok(self.describe_strip(base, &c, frames, &measured))
    }

    fn measure(
        &self,
        base: &Base,
        span: &Span,
        guess: &TiltedBox,
        frame: StripFrame,
    ) -> Result<(TiltedBox, Sides), LayoutError> {
        let scale = self.work.scale;
        // Half of a 0.6 degree turn over the longer side, and the coarse step; a small frame allows less. Our choice.
        let longer = guess.width_px.max(guess.height_px) / scale;
        let room = (longer * 0.005 + 5.0).min(0.06 * longer + 4.0);
        let look = Look {
            source: &self.work.samples,
            colour: self.work.colour,
            scale,
            reach_px: [room; 4],
            turn_rad: 0.02,
            base,
        };
        let coarse = measure_sides(&look, guess, self.cancel)?;
        let coarse = mask_unreliable(coarse, span, frame.axis);
        let angle = coarse.angle().unwrap_or(guess.angle_rad);
        let first = coarse.rectangle(guess, angle, None);
        let Some(full) = self.full.filter(|_| scale > 1.0) else { return Ok((first, coarse)) };
        // Room for an error of the overview of a working pixel and a half, and of 0.34 degrees. Our choice.
        let near = 1.6 * scale + 5.0;
        let look = Look { source: full, scale: 1.0, reach_px: [near; 4], turn_rad: 0.006, ..look };
        let fine = mask_unreliable(measure_sides(&look, &first, self.cancel)?, span, frame.axis);
        // A side that is visible on the overview but not at full resolution keeps its overview position.
        let sides = Sides(std::array::from_fn(|k| fine.0[k].or(coarse.0[k])));
        let angle = if fine.seen() >= 2 { fine.angle() } else { sides.angle() }.unwrap_or(angle);
        Ok((sides.rectangle(&first, angle, None), sides))
    }

    fn describe(&self, span: &Span, m: &(TiltedBox, Sides), overlap: bool, axis: StripAxis) -> FoundFrame {
        let (area, sides) = m;
        let names = ["top", "right", "bottom", "left"];
        let unseen: Vec<&str> = (0..4).filter(|&k| sides.0[k].is_none()).map(|k| names[k]).collect();
        let mut flags = Vec::new();
        // Less than one per cent of full content is fog. Our choice.
        let blank = span.content < 0.01 && sides.seen() < 2;
        let reason = if blank {
            flags.push(FrameFlag::Blank);
            "shows only film base; its position follows from the neighbours".to_owned()
        } else if unseen.is_empty() {
            "all four edges are measured".to_owned()
        } else if unseen.len() == 4 {
            "no edge is visible; position and size follow from the other frames".to_owned()
        } else {
            format!(
                "{} measured; {} not seen and taken from the other frames",
                count_edges(4 - unseen.len()),
                unseen.join(" and ")
            )
        };
        let along = match axis {
            StripAxis::Across => [1, 3],
            StripAxis::Down => [0, 2],
        };
        let hidden = along.iter().any(|&k| sides.0[k].is_none());
        if span.inferred || (hidden && !(span.cut_start || span.cut_end)) || unseen.len() >= 2 {
            flags.push(FrameFlag::Inferred);
        }
        if span.cut_start || span.cut_end {
            flags.push(FrameFlag::Partial);
        }
        if overlap {
            flags.push(FrameFlag::Overlap);
        }
        // Confidences here and below are our choice, not calibrated: an unseen side counts 0.15, a seen one 0.4 to 1;
        // a place inferred from neighbours at most 0.4; below 0.6 the frame is marked as doubtful.
        let support: f32 =
            sides.0.iter().map(|s| s.map_or(0.15, |s| 0.4 + 0.6 * s.agreeing)).sum::<f32>() / 4.0;
        let mut confidence = support.clamp(0.0, 1.0);
        if span.inferred {
            confidence = confidence.min(0.4);
        }
        if blank {
            confidence = confidence.min(0.3);
        }
        if confidence < 0.6 {
            flags.push(FrameFlag::LowConfidence);
        }
        let edge_blur_px = sides.blur_px().unwrap_or(2.0);
        let guard_margin_px =
            self.options.guard_margin_px.unwrap_or_else(|| SafeArea::default_margin_px(edge_blur_px));
        FoundFrame { image_area: *area, edge_blur_px, guard_margin_px, confidence, reason, flags }
    }

    fn describe_strip(
        &self,
        base: &Base,
        c: &Coarse,
        frames: Vec<FoundFrame>,
        measured: &[(TiltedBox, Sides)],
    ) -> FoundStrip {
        let turns: Vec<f64> = measured
            .iter()
            .filter(|m| m.1.seen() >= 3)
            .filter_map(|m| m.1.angle())
            .map(|a| a - c.frame.angle_rad)
            .collect();
        let holes: Vec<_> = c.holes.rows.iter().map(|r| r.line).collect();
        // A strip that runs down has its u and v axes swapped, and with them the sign of a turn.
        let sign = if c.frame.axis == StripAxis::Across { 1.0 } else { -1.0 };
        let signed: Vec<f64> = turns.iter().map(|t| t * sign).collect();
        let turn = sign * strip_turn(&c.outline, &holes, &signed, c.u.1 - c.u.0, c.v.1 - c.v.0);
        let angle_rad = c.frame.angle_rad + turn;
        let at = |l: Option<super::line::Line>, otherwise: f64| l.map_or(otherwise, |l| l.value(0.0));
        let [top, bottom] = c.outline.long;
        let [left, right] = c.outline.cut;
        let u = (at(left, c.u.0), at(right, c.u.1));
        let v = (at(top, c.v.0), at(bottom, c.v.1));
        let straight = StripFrame { angle_rad, ..c.frame };
        let film_area = straight.to_box(u, v, self.work.scale);
        let mut notes = Vec::new();
        if let Some(rival) = &c.known.rival {
            notes.push(format!("the frames could also be {rival}; choose the format if this one is wrong"));
        }
        if frames.iter().any(|f| f.has(FrameFlag::Partial)) {
            notes.push("a frame is cut off at the end of the film".to_owned());
        }
        let known = if c.known.format_id.is_some() { 1.0 } else { 0.6 };
        let mean = frames.iter().map(|f| f.confidence).sum::<f32>() / frames.len().max(1) as f32;
        FoundStrip {
            film_area,
            angle_rad,
            axis: c.frame.axis,
            format_id: c.known.format_id.clone(),
            // A size that matches no format is a weaker explanation: film on open light can look like one long image.
            confidence: (mean * (0.5 + 0.5 * c.known.row.fit.clamp(0.0, 1.0)) * known).clamp(0.0, 1.0),
            frames,
            notes,
            perforations: c.holes.boxes(straight, u, self.work.scale),
            tone: if base.slide { FilmTone::Slide } else { FilmTone::Negative },
        }
    }

    /// Describes a piece of film without a rebate: its outline is the image area.
    fn bare_image(&self, piece: &Piece, base: &Base, first: StripFrame) -> Result<FoundStrip, LayoutError> {
        self.cancel.check()?;
        let (u, v) = extent(piece, self.work.width(), first);
        let mut film_area = first.to_box(u, v, self.work.scale);
        let (w, h) = (f64::from(self.size_px.0), f64::from(self.size_px.1));
        // Within 2 % the outline is the side of the file. Our choice.
        let whole = film_area.width_px > 0.98 * w && film_area.height_px > 0.98 * h;
        if whole {
            film_area = TiltedBox::from_edges(0.0, 0.0, w, h);
        }
        let reason = if whole {
            "no border is visible; the whole picture is taken as the image"
        } else {
            "no clear border is visible; the outline of the film is taken as the image"
        };
        // Without a rebate the outline is known only to the working pixel.
        let blur = if whole { 0.0 } else { 2.0 * self.work.scale };
        let frame = FoundFrame {
            image_area: film_area,
            edge_blur_px: blur,
            guard_margin_px: self.options.guard_margin_px.unwrap_or(if whole { 0.0 } else { blur }),
            confidence: if whole && self.options.single_frame_file { 0.7 } else { 0.35 },
            reason: reason.to_owned(),
            flags: if whole && self.options.single_frame_file {
                Vec::new()
            } else {
                vec![FrameFlag::LowConfidence]
            },
        };
        Ok(FoundStrip {
            film_area,
            angle_rad: film_area.angle_rad,
            axis: first.axis,
            format_id: self.options.format.map(|f| f.id.to_owned()),
            confidence: frame.confidence,
            frames: vec![frame],
            notes: vec!["no film base is visible here; measure it on another strip or type it in".to_owned()],
            perforations: Vec::new(),
            tone: if base.slide { FilmTone::Slide } else { FilmTone::Negative },
        })
    }

    /// Describes film on which no image can be told from the base.
    fn empty_strip(&self, piece: &Piece, base: &Base, first: StripFrame) -> Result<FoundStrip, LayoutError> {
        let mut strip = self.bare_image(piece, base, first)?;
        strip.notes = vec!["no image stands out from the film base; draw the boxes by hand".to_owned()];
        strip.confidence = 0.2;
        for f in &mut strip.frames {
            f.confidence = 0.2;
            f.flags = vec![FrameFlag::Blank, FrameFlag::LowConfidence];
            f.reason = "only even film; the box covers the whole piece".to_owned();
        }
        Ok(strip)
    }
}

fn count_edges(n: usize) -> &'static str {
    match n {
        1 => "one edge is",
        2 => "two edges are",
        _ => "three edges are",
    }
}

/// Bounds of a piece in strip coordinates.
pub(super) fn extent(piece: &Piece, width: usize, frame: StripFrame) -> ((f64, f64), (f64, f64)) {
    let mut b = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
    for (x, y) in hull_points(piece, width) {
        let (u, v) = frame.to_uv(x, y);
        b = [b[0].min(u), b[1].max(u), b[2].min(v), b[3].max(v)];
    }
    ((b[0], b[1]), (b[2], b[3]))
}
