//! Pictures for the screen: a region of the export's own pipeline at screen size, coarse first if the sharp source must
//! still be read.

pub(crate) mod density_cache;
pub(crate) mod overlay;
pub(crate) mod sample_cache;
pub(crate) mod screen;
pub(crate) mod tiles;

use std::sync::Arc;
use std::time::Instant;

use glassine_film::{Histogram, Look, OutputSpace, Pipeline, base_mask};
use glassine_raster::{
    CancelToken, Kernel, PixelRect, Plane, RegionSource as _, Samples16, TiltedBox, TiltedSampling,
};
use glassine_repair::DustMap;
use glassine_session::Frame;

use crate::dust::{Repair, RepairKey};
use crate::frame::{Feed, FrameContext, rendering_of, space_of};
use crate::preview::overlay::Mark;
use crate::preview::sample_cache::SampledKey;
use crate::preview::screen::{Screen, Wishes, scan_rgba};
use crate::render;
use crate::scans::{OpenScan, OverviewData, read_reduced};
use crate::types::{Overlay, PictureSide, Preview, PreviewRequest, UnitRect, ViewKey};
use crate::{Engine, EngineError};

/// Side of the grid that loupe reads are aligned to, so that panning reuses earlier reads.
pub(crate) const TILE_PX: u32 = 512;

/// Linear samples of a part of a scan, reduced.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) samples: Samples16,
    pub(crate) origin: (u32, u32),
    pub(crate) factor: u32,
}

/// Identifies a [`Source`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct SourceKey {
    pub(crate) scan: u64,
    pub(crate) rect: PixelRect,
    pub(crate) factor: u32,
    pub(crate) repair: Option<crate::dust::RepairKey>,
    /// Whether the overview of the scan serves as the source.
    pub(crate) is_overview: bool,
}

#[cfg(test)]
impl SourceKey {
    pub(crate) fn of(scan: u64, rect: PixelRect, factor: u32) -> Self {
        Self { scan, rect, factor, repair: None, is_overview: false }
    }
}

/// One picture to make: which part of the scan, how large.
pub(crate) struct Plan {
    sampling: TiltedSampling,
    /// Scan pixels for one picture pixel.
    scale: f64,
    pub(crate) factor: u32,
    /// Part of the scan to read if the overview is too coarse.
    pub(crate) rect: PixelRect,
    /// Whether this is a close-up: it is made of tiles, so that moving the view reads only what is new.
    is_tiled: bool,
}

impl Plan {
    fn new(
        area: &TiltedBox,
        frame: Option<&Frame>,
        region: UnitRect,
        request: &PreviewRequest,
        open: &OpenScan,
    ) -> Self {
        let orientation = frame.map(|frame| frame.orientation).unwrap_or_default();
        let ends =
            [(region.x0, region.y0), (region.x1, region.y1)].map(|(u, v)| orientation.box_from_upright(u, v));
        let (u0, u1) = (ends[0].0.min(ends[1].0), ends[0].0.max(ends[1].0));
        let (v0, v1) = (ends[0].1.min(ends[1].1), ends[0].1.max(ends[1].1));
        let part = TiltedBox {
            center: area.scan_from_unit(f64::midpoint(u0, u1), f64::midpoint(v0, v1)),
            width_px: area.width_px * (u1 - u0).max(1e-9),
            height_px: area.height_px * (v1 - v0).max(1e-9),
            angle_rad: area.angle_rad,
        };
        let (mut width_px, mut height_px) = (part.width_px, part.height_px);
        if orientation.swaps_sides() {
            std::mem::swap(&mut width_px, &mut height_px);
        }
        let fit = |side_px: f64, most: u32| side_px / f64::from(most.max(1));
        let scale = fit(width_px, request.max_width_px).max(fit(height_px, request.max_height_px)).max(1.0);
        let side = |px: f64| (px / scale).round().clamp(1.0, 16384.0) as u32;
        let factor = scale.floor().clamp(1.0, 4096.0) as u32;
        let kernel = if factor > 1 { Kernel::Bilinear } else { Kernel::Cubic };
        let sampling = TiltedSampling::new(&part, orientation, side(width_px), side(height_px), kernel);
        let (scan_w, scan_h) = (open.width(), open.height());
        let margin = 4 * factor + 4;
        let mut rect = part.pixel_bounds(scan_w, scan_h);
        if region == UnitRect::WHOLE {
            // The whole image area is read, so that dragging the box needs no further reading.
            let image =
                frame.and_then(|frame| frame.image_area).map(|area| area.pixel_bounds(scan_w, scan_h));
            if let Some(image) = image.filter(|image| rect.intersect(*image) == rect) {
                rect = image;
            }
            rect = rect.grown(margin, scan_w, scan_h);
        } else {
            let step = TILE_PX * factor;
            rect = rect.grown(margin, scan_w, scan_h);
            let up = |v: u32, limit: u32| v.div_ceil(step).saturating_mul(step).min(limit);
            rect = PixelRect::new(
                rect.x0 / step * step,
                rect.y0 / step * step,
                up(rect.x1, scan_w),
                up(rect.y1, scan_h),
            );
        }
        Self { sampling, scale, factor, rect, is_tiled: region != UnitRect::WHOLE }
    }

    /// The part of a scan that a request names; `None` if none of it is on the scan.
    fn of_scan_region(request: &PreviewRequest, open: &OpenScan) -> Option<Self> {
        let r = request.scan_rect.intersect(PixelRect::of_size(open.width(), open.height()));
        let [x0, y0, x1, y1] = [r.x0, r.y0, r.x1, r.y1].map(f64::from);
        let part = UnitRect { x1: 1.0 - 1e-12, ..UnitRect::WHOLE };
        (!r.is_empty()).then(|| Self::new(&TiltedBox::from_edges(x0, y0, x1, y1), None, part, request, open))
    }

    fn sample(&self, samples: &Samples16, origin: (u32, u32), factor: u32) -> Samples16 {
        let out = PixelRect::of_size(self.sampling.width(), self.sampling.height());
        self.sampling.on_reduced(factor).read(samples, origin.0 / factor, origin.1 / factor, out)
    }

    /// Sample an overview that is fine enough, after reducing it as far as the picture allows: every pixel of it
    /// counts, as if the scan itself were read.
    fn sample_overview(
        &self,
        overview: &OverviewData,
        cancel: &CancelToken,
    ) -> Result<Samples16, EngineError> {
        let (own, by) = (overview.factor, (self.factor / overview.factor).max(1));
        let (w, h) = (overview.samples.width(), overview.samples.height());
        let r = self.rect;
        let part =
            PixelRect::new(r.x0 / own, r.y0 / own, r.x1.div_ceil(own).min(w), r.y1.div_ceil(own).min(h));
        let (samples, origin) = read_reduced(&overview.samples, part, by, cancel)?;
        Ok(self.sample(&samples, (origin.0 * own, origin.1 * own), own * by))
    }
}

/// Whether a picture shows repaired pixels, and whether it shows the marks of the repair.
struct RepairWish {
    applies: bool,
    marks: bool,
}

impl RepairWish {
    fn of(request: &PreviewRequest, context: &FrameContext) -> Self {
        // Thumbnails are too small for dust to show.
        let is_small = matches!(request.key, ViewKey::Print(_) | ViewKey::Proof(..));
        let is_clean = matches!(request.side, PictureSide::Scan | PictureSide::Unrepaired);
        Self {
            applies: !is_small && !is_clean && crate::dust::is_wanted(context),
            marks: matches!(request.overlay, Overlay::DustMap | Overlay::RepairDifference),
        }
    }

    fn is_needed(&self) -> bool {
        self.applies || self.marks
    }
}

/// Everything a picture is made from besides its samples.
#[derive(Clone, Copy)]
struct Scene<'a> {
    request: &'a PreviewRequest,
    context: &'a FrameContext,
    plan: &'a Plan,
    repair: Option<&'a Repair>,
    cancel: &'a CancelToken,
}

/// A close-up of a scan, with the repair shown on it.
type CloseUp = (Arc<OpenScan>, Plan, Option<Arc<Repair>>);

impl Engine {
    /// Make a picture for the screen; calls `ready` once, or twice if a coarse one can be shown first.
    ///
    /// Does not wait for an unknown dust repair: the picture comes without it, and the key of the repair is returned.
    pub(crate) fn preview(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<Option<RepairKey>, EngineError> {
        let started = Instant::now();
        match request.key {
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _) => {
                let frame = request.at.session.frame(id).ok_or(EngineError::NoFrame(id))?;
                let context =
                    FrameContext::new(&request.at.session, frame, request.at.folder.as_deref(), &self.scans)?;
                self.frame_preview(request, &context, started, cancel, ready)
            }
            ViewKey::ScanRegion(id) => {
                let scan =
                    request.at.session.scan(id).ok_or_else(|| {
                        EngineError::told("the scan is not in this session", "open it again")
                    })?;
                let open = self.scans.get(scan, request.at.folder.as_deref())?;
                let Some(plan) = Plan::of_scan_region(request, &open) else { return Ok(None) };
                let overview = open.overview(cancel, &|_| {})?;
                let samples = if overview.factor <= plan.factor {
                    plan.sample_overview(&overview, cancel)?
                } else {
                    let source = self.source(&open, &plan, None, cancel)?;
                    plan.sample(&source.samples, source.origin, source.factor)
                };
                let rgba = scan_rgba(&samples, open.colour_channels(), open.display_gain(cancel)?);
                ready(picture(request, &samples, rgba, started));
                Ok(None)
            }
        }
    }

    fn frame_preview(
        &self,
        request: &PreviewRequest,
        context: &FrameContext,
        started: Instant,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<Option<RepairKey>, EngineError> {
        let open = &context.open;
        let plan = Plan::new(&context.frame.crop, Some(&context.frame), request.region, request, open);
        self.show_first_look(request, context, &plan, started, cancel, ready)?;
        let overview = open.overview(cancel, &|_| {})?;
        let whole_enough = overview.factor <= plan.factor;
        let wish = RepairWish::of(request, context);
        let key = wish.is_needed().then(|| crate::dust::key_of(context));
        let known = key.and_then(|_| self.repair_if_known(context));
        let lacks = key.filter(|_| known.is_none());
        // While a repair is made, the last one of this place stands in, so that a slider or brush causes no flicker.
        let repair = known.or_else(|| self.repairs.stand_in(&key?));
        let shown = repair.as_deref().filter(|_| wish.applies);
        let scene = Scene { request, context, plan: &plan, repair: repair.as_deref(), cancel };
        let finish = |(samples, key): (Arc<Samples16>, Option<SampledKey>), is_coarse: bool| {
            let mut preview = self.finish(&scene, (&samples, key), started)?;
            (preview.is_coarse, preview.lacks_repair) = (is_coarse, lacks.is_some());
            if let Some(repair) = repair.as_ref().filter(|_| !is_coarse && lacks.is_none()) {
                self.repairs.show(repair);
            }
            ready(preview);
            Ok::<(), EngineError>(())
        };
        let from_overview = || self.sampled_overview(open, &plan, &overview);
        if whole_enough && (!wish.is_needed() || (lacks.is_some() && shown.is_none())) {
            finish(from_overview(), lacks.is_some())?;
            return Ok(lacks);
        }
        let source = match self.cached_source(open, &plan, shown) {
            Some(source) => source,
            None => {
                // Shows what is available while the sharp source is read.
                match self.cached_source(open, &plan, None) {
                    Some(bare) => finish(self.sampled_from(open, &plan, &bare, None), true)?,
                    None => finish(from_overview(), true)?,
                }
                cancel.check()?;
                self.source(open, &plan, shown, cancel)?
            }
        };
        finish(self.sampled_from(open, &plan, &source, shown), lacks.is_some())?;
        Ok(lacks)
    }

    /// The samples of a picture from its source.
    fn sampled_from(
        &self,
        open: &OpenScan,
        plan: &Plan,
        source: &Source,
        repair: Option<&Repair>,
    ) -> (Arc<Samples16>, Option<SampledKey>) {
        let key = SampledKey::new(Self::source_key(open, plan, repair), &plan.sampling);
        let sample = || plan.sample(&source.samples, source.origin, source.factor);
        (self.sampled(key, sample), Some(key))
    }

    /// The samples of a picture from the overview of its scan.
    fn sampled_overview(
        &self,
        open: &OpenScan,
        plan: &Plan,
        overview: &OverviewData,
    ) -> (Arc<Samples16>, Option<SampledKey>) {
        let sample = || plan.sample(&overview.samples, (0, 0), overview.factor);
        if plan.is_tiled {
            // Close-ups move, so their coarse samples are not needed again.
            return (Arc::new(sample()), None);
        }
        let source = SourceKey {
            scan: open.id(),
            rect: PixelRect::of_size(open.width(), open.height()),
            factor: overview.factor,
            repair: None,
            is_overview: true,
        };
        let key = SampledKey::new(source, &plan.sampling);
        (self.sampled(key, sample), Some(key))
    }

    /// Show a picture from the first look while a large scan is still being read.
    fn show_first_look(
        &self,
        request: &PreviewRequest,
        context: &FrameContext,
        plan: &Plan,
        started: Instant,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<(), EngineError> {
        // The histogram of a part needs the overview itself, and so does the brightness of the film as scanned.
        if request.region != UnitRect::WHOLE || request.side == PictureSide::Scan {
            return Ok(());
        }
        let Some(seen) = context.open.first_look(cancel)? else { return Ok(()) };
        let samples = plan.sample(&seen.samples, (0, 0), seen.factor);
        let scene = Scene { request, context, plan, repair: None, cancel };
        let mut preview = self.finish(&scene, (&samples, None), started)?;
        preview.is_coarse = true;
        ready(preview);
        Ok(())
    }

    fn source_key(open: &OpenScan, plan: &Plan, repair: Option<&Repair>) -> SourceKey {
        let repair = repair.filter(|repair| repair.changes_something()).map(Repair::key);
        SourceKey { scan: open.id(), rect: plan.rect, factor: plan.factor, repair, is_overview: false }
    }

    /// Scan, plan and repair of the close-up on screen; `None` for any other picture, and while its repair is being
    /// made.
    pub(crate) fn view_of(&self, request: &PreviewRequest) -> Result<Option<CloseUp>, EngineError> {
        let (session, folder) = (&request.at.session, request.at.folder.as_deref());
        if let ViewKey::ScanRegion(id) = request.key {
            let Some(scan) = session.scan(id) else { return Ok(None) };
            let open = self.scans.get(scan, folder)?;
            return Ok(Plan::of_scan_region(request, &open).map(|plan| (open, plan, None)));
        }
        let (ViewKey::Frame(id) | ViewKey::Compare(id)) = request.key else { return Ok(None) };
        let Some(frame) = session.frame(id).filter(|_| request.region != UnitRect::WHOLE) else {
            return Ok(None);
        };
        let context = FrameContext::new(session, frame, folder, &self.scans)?;
        let plan = Plan::new(&frame.crop, Some(frame), request.region, request, &context.open);
        let repair = if RepairWish::of(request, &context).applies {
            match self.repair_if_known(&context) {
                Some(repair) => Some(repair).filter(|repair| repair.changes_something()),
                None => return Ok(None),
            }
        } else {
            None
        };
        Ok(Some((context.open, plan, repair)))
    }

    fn cached_source(&self, open: &OpenScan, plan: &Plan, repair: Option<&Repair>) -> Option<Arc<Source>> {
        if plan.is_tiled {
            return self.kept_tiles(open, plan, repair.filter(|repair| repair.changes_something()));
        }
        self.sources.get(&Self::source_key(open, plan, repair))
    }

    fn source(
        &self,
        open: &OpenScan,
        plan: &Plan,
        repair: Option<&Repair>,
        cancel: &CancelToken,
    ) -> Result<Arc<Source>, EngineError> {
        if plan.is_tiled {
            let repair = repair.filter(|repair| repair.changes_something());
            return self.tiled_source(open, plan, repair, cancel);
        }
        let key = Self::source_key(open, plan, repair);
        if let Some(ready) = self.sources.get(&key) {
            return Ok(ready);
        }
        let (samples, origin) = match repair.filter(|repair| repair.changes_something()) {
            Some(repair) => read_reduced(&repair.over(open), plan.rect, plan.factor, cancel)?,
            None => read_reduced(open, plan.rect, plan.factor, cancel)?,
        };
        let bytes = samples.data().len() * 2;
        Ok(self.sources.insert(key, Arc::new(Source { samples, origin, factor: plan.factor }), bytes))
    }

    /// From linear samples to the picture on screen.
    fn finish(
        &self,
        scene: &Scene<'_>,
        (samples, sampled): (&Samples16, Option<SampledKey>),
        started: Instant,
    ) -> Result<Preview, EngineError> {
        let Scene { request, context, plan, repair, cancel } = *scene;
        let open = &context.open;
        let channels = open.colour_channels();
        if request.side == PictureSide::Scan {
            let gain = open.display_gain(cancel)?;
            return Ok(picture(request, samples, scan_rgba(samples, channels, gain), started));
        }
        let output = &request.at.session.output;
        let rendering = rendering_of(&output.rendering);
        let default_look = Look::default();
        let look = if request.side == PictureSide::Before { &default_look } else { &context.frame.look };
        let pipeline = context.pipeline(Some(look), OutputSpace::Srgb, rendering, Feed::Linear);
        let space = space_of(&output.space);
        let is_whole = request.region == UnitRect::WHOLE;
        let screen = |pipeline| Screen {
            pipeline,
            samples,
            colour_channels: channels,
            shift: context.shift(&plan.sampling, 0),
            densities: None,
            cancel,
        };
        let wishes = Wishes {
            sharpening: render::sharpening(look, plan.scale),
            counts: is_whole && space == OutputSpace::Srgb,
            marks_clipping: request.overlay == Overlay::Clipping,
        };
        let mut picture_screen = screen(&pipeline);
        // A large picture is made again and again while the user changes a value.
        if let (ViewKey::Frame(_), Some(key)) = (request.key, sampled) {
            picture_screen.densities = self.densities.of(key, &picture_screen);
        }
        let mut shown = picture_screen.show(wishes)?;
        let histogram = if !is_whole {
            self.whole_histogram(context, look, request)?
        } else if wishes.counts {
            shown.histogram
        } else {
            screen(&context.pipeline(Some(look), space, rendering, Feed::Linear)).count()
        };
        let share = match request.overlay {
            Overlay::Clipping => shown.clipped_px as f64 / (shown.rgba.len() / 4).max(1) as f64,
            Overlay::RepairDifference => {
                let share;
                (shown.rgba, share) = self.difference(scene, &pipeline)?;
                share
            }
            other => paint_overlay(other, context, plan, samples, repair, &mut shown.rgba),
        };
        let rgba = shown.rgba;
        let mut preview = picture(request, samples, rgba, started);
        preview.histogram = Some(Arc::new(histogram));
        preview.overlay_share = share;
        preview.repair = repair.map(|repair| Arc::new(repair.summary()));
        Ok(preview)
    }

    /// What repair changes, amplified, and the share of pixels it changes, 0 to 1.
    fn difference(&self, scene: &Scene<'_>, pipeline: &Pipeline) -> Result<(Vec<u8>, f64), EngineError> {
        let Scene { context, plan, repair, cancel, .. } = *scene;
        let open = &context.open;
        let encoded = |repair: Option<&Repair>| -> Result<Vec<f32>, EngineError> {
            let source = self.source(open, plan, repair, cancel)?;
            let samples = plan.sample(&source.samples, source.origin, source.factor);
            Ok(render::run(pipeline, &samples, open.colour_channels(), context.shift(&plan.sampling, 0)))
        };
        let after = match repair {
            Some(repair) if repair.changes_something() => encoded(Some(repair))?,
            _ => {
                let pixels = plan.sampling.width() as usize * plan.sampling.height() as usize;
                return Ok(([0, 0, 0, 255].repeat(pixels), 0.0));
            }
        };
        Ok(overlay::difference(&encoded(None)?, &after))
    }

    /// Histogram of the whole box while only part of it is on screen.
    fn whole_histogram(
        &self,
        context: &FrameContext,
        look: &Look,
        request: &PreviewRequest,
    ) -> Result<Histogram, EngineError> {
        const SIDE_PX: u32 = 512;
        let whole = PreviewRequest { max_width_px: SIDE_PX, max_height_px: SIDE_PX, ..request.clone() };
        let plan =
            Plan::new(&context.frame.crop, Some(&context.frame), UnitRect::WHOLE, &whole, &context.open);
        let cancel = CancelToken::new();
        let overview = context.open.overview(&cancel, &|_| {})?;
        let samples = plan.sample(&overview.samples, (0, 0), overview.factor);
        let output = &request.at.session.output;
        let pipeline = context.pipeline(
            Some(look),
            space_of(&output.space),
            rendering_of(&output.rendering),
            Feed::Linear,
        );
        let screen = Screen {
            pipeline: &pipeline,
            samples: &samples,
            colour_channels: context.open.colour_channels(),
            shift: context.shift(&plan.sampling, 0),
            densities: None,
            cancel: &cancel,
        };
        Ok(screen.count())
    }
}

fn paint_overlay(
    wanted: Overlay,
    context: &FrameContext,
    plan: &Plan,
    samples: &Samples16,
    repair: Option<&Repair>,
    rgba: &mut [u8],
) -> f64 {
    match wanted {
        Overlay::None | Overlay::Clipping | Overlay::RepairDifference => 0.0,
        Overlay::BasePixels => match &context.strip.base {
            Some(base) => {
                let mask = base_mask(samples, base.density_d, context.strip.mask_tolerance_d);
                overlay::paint_plane(rgba, &mask, Mark::Base)
            }
            None => 0.0,
        },
        Overlay::DustMap => {
            let Some(found) = repair.and_then(|repair| repair.found.as_ref()) else {
                return 0.0;
            };
            overlay::paint_plane(rgba, &dust_on_screen(&found.map, found.region, plan), Mark::Dust);
            if !found.painted_out.is_clean() {
                let removed = dust_on_screen(&found.painted_out, found.region, plan);
                overlay::paint_plane(rgba, &overlay::outline(&removed), Mark::PaintedOut);
            }
            found.area_fraction
        }
    }
}

/// Screen pixels that cover any dust of a map; the map covers `region` of the scan.
fn dust_on_screen(map: &DustMap, region: PixelRect, plan: &Plan) -> Plane<u8> {
    use rayon::prelude::*;
    let (width, height) = (plan.sampling.width(), plan.sampling.height());
    let mut mask = Plane::filled(width, height, 0_u8);
    let reach = (plan.scale / 2.0).max(0.5);
    mask.data_mut().par_chunks_mut(width.max(1) as usize).zip(0..height).for_each(|(line, y)| {
        for (value, x) in line.iter_mut().zip(0..width) {
            let p = plan.sampling.scan_position(x, y);
            let side = |at: f64, first: u32, limit: u32| {
                let at = at - f64::from(first);
                let cut = |v: f64| v.clamp(0.0, f64::from(limit)) as u32;
                (cut((at - reach).floor()), cut((at + reach).ceil()))
            };
            let (x0, x1) = side(p.x, region.x0, map.width());
            let (y0, y1) = side(p.y, region.y0, map.height());
            *value = u8::from(map.touches(PixelRect::new(x0, y0, x1, y1)));
        }
    });
    mask
}

fn picture(request: &PreviewRequest, samples: &Samples16, rgba: Vec<u8>, started: Instant) -> Preview {
    Preview {
        session: request.at.key,
        key: request.key,
        region: request.region,
        scan_rect: request.scan_rect,
        side: request.side,
        revision: request.revision,
        width_px: samples.width(),
        height_px: samples.height(),
        rgba: Arc::new(rgba),
        histogram: None,
        overlay_share: 0.0,
        repair: None,
        is_coarse: false,
        lacks_repair: false,
        millis: started.elapsed().as_secs_f64() * 1000.0,
    }
}
