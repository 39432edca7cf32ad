//! Pictures for the screen: a region of the export's own pipeline at screen size, coarse first if the sharp source must
//! still be read.

pub(crate) mod density_cache;
pub(crate) mod overlay;
pub(crate) mod proof_rows;
pub(crate) mod renderer;
pub(crate) mod sample_cache;
pub(crate) mod scan_pictures;
pub(crate) mod tiles;
pub(crate) mod viewport;

use std::sync::Arc;
use std::time::Instant;

use glassine_film::{Histogram, Look, OutputSpace, Pipeline, base_mask};
use glassine_raster::{CancelToken, DensityD, PixelRect, Plane, RegionSource as _, Samples16};
use glassine_repair::DustMap;

use crate::cache::ByteCache;
use crate::colour::Proof;
use crate::dust::repair_cache::RepairCache;
use crate::dust::{self, Repair, RepairKey};
use crate::error::EngineError;
use crate::frame::{FrameContext, InputCodes, rendering_of, space_of};
use crate::preview::density_cache::DensityCache;
use crate::preview::overlay::Mark;
use crate::preview::proof_rows::ProofPass;
use crate::preview::renderer::{PreviewRenderer, RenderOptions, difference, scan_rgba};
use crate::preview::sample_cache::{SampleCache, SampledKey};
use crate::preview::tiles::{ScanTile, TileKey};
use crate::preview::viewport::Viewport;
use crate::render;
use crate::scans::{OpenScan, OverviewData, ScanStore, read_reduced};
use crate::types::{Overlay, PictureSide, Preview, PreviewRequest, UnitRect, ViewKey};

/// Whether a picture shows repaired pixels, and whether it shows the marks of the repair.
struct RepairOptions {
    applies: bool,
    marks: bool,
}

impl RepairOptions {
    fn of(request: &PreviewRequest, context: &FrameContext) -> Self {
        // Thumbnails are too small for dust to show.
        let is_small = matches!(request.key, ViewKey::Print(_) | ViewKey::Proof(..));
        let is_clean = matches!(request.side, PictureSide::Scan | PictureSide::Unrepaired);
        Self {
            applies: !is_small && !is_clean && dust::is_wanted(context),
            marks: matches!(request.overlay, Overlay::DustMap | Overlay::RepairDifference),
        }
    }

    fn is_needed(&self) -> bool {
        self.applies || self.marks
    }
}

/// Everything a picture is made from besides its samples.
#[derive(Clone, Copy)]
struct RenderInputs<'a> {
    request: &'a PreviewRequest,
    context: &'a FrameContext,
    viewport: &'a Viewport,
    repair: Option<&'a Repair>,
    cancel: &'a CancelToken,
}

/// A part of a scan on screen, with the repair shown on it.
struct ScanView {
    open: Arc<OpenScan>,
    viewport: Viewport,
    repair: Option<Arc<Repair>>,
}

/// Bytes of reduced scan parts kept for previews.
const TILE_CACHE_BYTES: usize = 256 << 20;

/// Makes pictures for the screen, and keeps what the next ones can use.
#[derive(Debug)]
pub(crate) struct Previews {
    scans: Arc<ScanStore>,
    repairs: Arc<RepairCache>,
    tiles: ByteCache<TileKey, ScanTile>,
    samples: SampleCache,
    densities: DensityCache,
}

impl Previews {
    pub(crate) fn new(scans: Arc<ScanStore>, repairs: Arc<RepairCache>) -> Self {
        let (samples, densities) = (SampleCache::default(), DensityCache::default());
        Self { scans, repairs, tiles: ByteCache::new(TILE_CACHE_BYTES), samples, densities }
    }

    /// Drop what belongs to any other scan.
    pub(crate) fn retain(&self, keep: impl Fn(u64) -> bool) {
        self.tiles.retain(|key| keep(key.scan));
        self.samples.retain(&keep);
        self.densities.retain(&keep);
    }

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
                let at = &request.at;
                let context = FrameContext::of(&at.session, id, at.folder.as_deref(), &self.scans)?;
                self.frame_preview(request, &context, started, cancel, ready)
            }
            ViewKey::ScanRegion(id) => {
                let scan = request.at.session.scan(id).ok_or_else(EngineError::no_scan)?;
                let open = self.scans.get(scan, request.at.folder.as_deref())?;
                let Some(viewport) = Viewport::of_scan_region(request, &open) else { return Ok(None) };
                let overview = open.overview(cancel, &|_| {})?;
                let samples = if overview.factor <= viewport.factor {
                    viewport.sample_overview(&overview, cancel)?
                } else {
                    let source = self.source(&open, &viewport, None, cancel)?;
                    viewport.sample(&source.samples, source.origin, source.factor)
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
        let viewport =
            Viewport::new(&context.frame.crop, Some(&context.frame), request.region, request, open);
        self.show_coarse_overview(request, context, &viewport, started, cancel, ready)?;
        let overview = open.overview(cancel, &|_| {})?;
        let whole_enough = overview.factor <= viewport.factor;
        let wish = RepairOptions::of(request, context);
        let key = wish.is_needed().then(|| dust::key_of(context));
        let known = key.and_then(|_| self.repairs.known(context));
        let lacks = key.filter(|_| known.is_none());
        // While a repair is made, the last one of this place stands in, so that a slider or brush causes no flicker.
        let repair = known.or_else(|| self.repairs.stand_in(&key?));
        let shown = repair.as_deref().filter(|_| wish.applies);
        let inputs =
            RenderInputs { request, context, viewport: &viewport, repair: repair.as_deref(), cancel };
        let finish = |(samples, key): (Arc<Samples16>, Option<SampledKey>), is_coarse: bool| {
            let mut preview = self.finish(&inputs, (&samples, key), started)?;
            (preview.is_coarse, preview.lacks_repair) = (is_coarse, lacks.is_some());
            if let Some(repair) = repair.as_ref().filter(|_| !is_coarse && lacks.is_none()) {
                self.repairs.show(repair);
            }
            ready(preview);
            Ok::<(), EngineError>(())
        };
        let from_overview = || self.sampled_overview(open, &viewport, &overview);
        if whole_enough && (!wish.is_needed() || (lacks.is_some() && shown.is_none())) {
            finish(from_overview(), lacks.is_some())?;
            return Ok(lacks);
        }
        let source = match self.cached_source(open, &viewport, shown) {
            Some(source) => source,
            None => {
                // Shows what is available while the sharp source is read.
                match self.cached_source(open, &viewport, None) {
                    Some(bare) => finish(self.sampled_from(open, &viewport, &bare, None), true)?,
                    None => finish(from_overview(), true)?,
                }
                cancel.check()?;
                self.source(open, &viewport, shown, cancel)?
            }
        };
        finish(self.sampled_from(open, &viewport, &source, shown), lacks.is_some())?;
        Ok(lacks)
    }

    /// The samples of a picture from its source.
    fn sampled_from(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        source: &ScanTile,
        repair: Option<&Repair>,
    ) -> (Arc<Samples16>, Option<SampledKey>) {
        let key = SampledKey::new(Self::source_key(open, viewport, repair), &viewport.sampling);
        let sample = || viewport.sample(&source.samples, source.origin, source.factor);
        (self.samples.get_or(key, sample), Some(key))
    }

    /// The samples of a picture from the overview of its scan.
    fn sampled_overview(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        overview: &OverviewData,
    ) -> (Arc<Samples16>, Option<SampledKey>) {
        let sample = || viewport.sample(&overview.samples, (0, 0), overview.factor);
        if viewport.is_tiled {
            // Close-ups move, so their coarse samples are not needed again.
            return (Arc::new(sample()), None);
        }
        let source = TileKey {
            scan: open.id(),
            rect: PixelRect::of_size(open.width(), open.height()),
            factor: overview.factor,
            repair: None,
            is_overview: true,
        };
        let key = SampledKey::new(source, &viewport.sampling);
        (self.samples.get_or(key, sample), Some(key))
    }

    /// Show a picture from the coarse overview while a large scan is still being read.
    fn show_coarse_overview(
        &self,
        request: &PreviewRequest,
        context: &FrameContext,
        viewport: &Viewport,
        started: Instant,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<(), EngineError> {
        // The histogram of a part needs the overview itself, and so does the brightness of the film as scanned.
        if request.region != UnitRect::WHOLE || request.side == PictureSide::Scan {
            return Ok(());
        }
        let Some(seen) = context.open.coarse_overview(cancel)? else { return Ok(()) };
        let samples = viewport.sample(&seen.samples, (0, 0), seen.factor);
        let inputs = RenderInputs { request, context, viewport, repair: None, cancel };
        let mut preview = self.finish(&inputs, (&samples, None), started)?;
        preview.is_coarse = true;
        ready(preview);
        Ok(())
    }

    fn source_key(open: &OpenScan, viewport: &Viewport, repair: Option<&Repair>) -> TileKey {
        let repair = repair.filter(|repair| repair.changes_something()).map(Repair::key);
        TileKey { scan: open.id(), rect: viewport.rect, factor: viewport.factor, repair, is_overview: false }
    }

    /// Scan, viewport and repair of the close-up on screen; `None` for any other picture, and while its repair is being
    /// made.
    fn view_of(&self, request: &PreviewRequest) -> Result<Option<ScanView>, EngineError> {
        let (session, folder) = (&request.at.session, request.at.folder.as_deref());
        if let ViewKey::ScanRegion(id) = request.key {
            let Some(scan) = session.scan(id) else { return Ok(None) };
            let open = self.scans.get(scan, folder)?;
            let viewport = Viewport::of_scan_region(request, &open);
            return Ok(viewport.map(|viewport| ScanView { open, viewport, repair: None }));
        }
        let (ViewKey::Frame(id) | ViewKey::Compare(id)) = request.key else { return Ok(None) };
        let Some(frame) = session.frame(id).filter(|_| request.region != UnitRect::WHOLE) else {
            return Ok(None);
        };
        let context = FrameContext::new(session, frame, folder, &self.scans)?;
        let viewport = Viewport::new(&frame.crop, Some(frame), request.region, request, &context.open);
        let repair = if RepairOptions::of(request, &context).applies {
            match self.repairs.known(&context) {
                Some(repair) => Some(repair).filter(|repair| repair.changes_something()),
                None => return Ok(None),
            }
        } else {
            None
        };
        Ok(Some(ScanView { open: context.open, viewport, repair }))
    }

    fn cached_source(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        repair: Option<&Repair>,
    ) -> Option<Arc<ScanTile>> {
        if viewport.is_tiled {
            return self.kept_tiles(open, viewport, repair.filter(|repair| repair.changes_something()));
        }
        self.tiles.get(&Self::source_key(open, viewport, repair))
    }

    fn source(
        &self,
        open: &OpenScan,
        viewport: &Viewport,
        repair: Option<&Repair>,
        cancel: &CancelToken,
    ) -> Result<Arc<ScanTile>, EngineError> {
        if viewport.is_tiled {
            let repair = repair.filter(|repair| repair.changes_something());
            return self.tiled_source(open, viewport, repair, cancel);
        }
        let key = Self::source_key(open, viewport, repair);
        if let Some(ready) = self.tiles.get(&key) {
            return Ok(ready);
        }
        let (samples, origin) = match repair.filter(|repair| repair.changes_something()) {
            Some(repair) => read_reduced(&repair.over(open), viewport.rect, viewport.factor, cancel)?,
            None => read_reduced(open, viewport.rect, viewport.factor, cancel)?,
        };
        let bytes = samples.data().len() * 2;
        Ok(self.tiles.insert(key, Arc::new(ScanTile { samples, origin, factor: viewport.factor }), bytes))
    }

    /// From linear samples to the picture on screen.
    fn finish(
        &self,
        inputs: &RenderInputs<'_>,
        (samples, sampled): (&Samples16, Option<SampledKey>),
        started: Instant,
    ) -> Result<Preview, EngineError> {
        let RenderInputs { request, context, viewport, repair, cancel } = *inputs;
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
        // Repair is compared in sRGB, whatever is proofed.
        let proof = request.proof.as_deref().filter(|_| request.overlay != Overlay::RepairDifference);
        let made_in = proof.map_or(OutputSpace::Srgb, Proof::space);
        let pipeline_in = |space| context.pipeline(Some(look), space, rendering, InputCodes::Linear);
        let pipeline = pipeline_in(made_in);
        let space = space_of(&output.space);
        let is_whole = request.region == UnitRect::WHOLE;
        let mut densities = None;
        // A large picture is made again and again while the user changes a value.
        if let (ViewKey::Frame(_), Some(key)) = (request.key, sampled) {
            let renderer = PreviewRenderer::new(&pipeline, samples, context, &viewport.sampling, cancel);
            densities = renderer.kept_densities(&self.densities, key);
        }
        let renderer = |pipeline| {
            let mut made = PreviewRenderer::new(pipeline, samples, context, &viewport.sampling, cancel);
            made.densities.clone_from(&densities);
            made
        };
        let search_in = proof.and_then(|proof| proof.marks.as_ref()?.space()).map(pipeline_in);
        let searched = search_in.as_ref().map(renderer);
        let options = RenderOptions {
            sharpening: render::sharpening(look, viewport.scale),
            counts: is_whole && space == made_in,
            marks_clipping: request.overlay == Overlay::Clipping,
            marks_limit: request.overlay == Overlay::OvershootLimit,
            proof: proof.map(|proof| ProofPass { proof, searched: searched.as_ref() }),
        };
        let mut shown = renderer(&pipeline).show(options)?;
        let histogram = if !is_whole {
            self.whole_histogram(context, look, request)?
        } else if options.counts {
            shown.histogram
        } else {
            renderer(&pipeline_in(space)).count()
        };
        let share = match request.overlay {
            Overlay::Clipping | Overlay::OvershootLimit => {
                shown.marked_px as f64 / (shown.rgba.len() / 4).max(1) as f64
            }
            Overlay::RepairDifference => {
                let share;
                (shown.rgba, share) = self.difference(inputs, &pipeline)?;
                share
            }
            other => paint_overlay(other, context, viewport, samples, repair, &mut shown.rgba),
        };
        let pixels = (shown.rgba.len() / 4).max(1) as f64;
        let mut preview = picture(request, samples, shown.rgba, started);
        preview.is_proof = proof.is_some();
        let marks = proof.and_then(|proof| proof.marks.as_ref());
        preview.out_of_gamut_share = marks.map(|_| shown.out_of_gamut_px as f64 / pixels);
        preview.histogram = Some(Arc::new(histogram));
        preview.overlay_share = share;
        preview.repair = repair.map(|repair| Arc::new(repair.summary()));
        Ok(preview)
    }

    /// What repair changes, amplified, and the share of pixels it changes, 0 to 1.
    fn difference(
        &self,
        inputs: &RenderInputs<'_>,
        pipeline: &Pipeline,
    ) -> Result<(Vec<u8>, f64), EngineError> {
        let RenderInputs { context, viewport, repair, cancel, .. } = *inputs;
        let open = &context.open;
        let Some(repair) = repair.filter(|repair| repair.changes_something()) else {
            let pixels = viewport.sampling.width() as usize * viewport.sampling.height() as usize;
            return Ok(([0, 0, 0, 255].repeat(pixels), 0.0));
        };
        let samples = |repair: Option<&Repair>| -> Result<Samples16, EngineError> {
            let source = self.source(open, viewport, repair, cancel)?;
            Ok(viewport.sample(&source.samples, source.origin, source.factor))
        };
        let (before, after) = (samples(None)?, samples(Some(repair))?);
        let [before, after] = [&before, &after]
            .map(|samples| PreviewRenderer::new(pipeline, samples, context, &viewport.sampling, cancel));
        difference(&before, &after)
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
        let viewport =
            Viewport::new(&context.frame.crop, Some(&context.frame), UnitRect::WHOLE, &whole, &context.open);
        let cancel = CancelToken::new();
        let overview = context.open.overview(&cancel, &|_| {})?;
        let samples = viewport.sample(&overview.samples, (0, 0), overview.factor);
        let output = &request.at.session.output;
        let pipeline = context.pipeline(
            Some(look),
            space_of(&output.space),
            rendering_of(&output.rendering),
            InputCodes::Linear,
        );
        let renderer = PreviewRenderer::new(&pipeline, &samples, context, &viewport.sampling, &cancel);
        Ok(renderer.count())
    }
}

fn paint_overlay(
    wanted: Overlay,
    context: &FrameContext,
    viewport: &Viewport,
    samples: &Samples16,
    repair: Option<&Repair>,
    rgba: &mut [u8],
) -> f64 {
    match wanted {
        Overlay::None | Overlay::Clipping | Overlay::OvershootLimit | Overlay::RepairDifference => 0.0,
        Overlay::BasePixels => match &context.strip.base {
            Some(base) => {
                let tolerance = DensityD::new(context.strip.mask_tolerance_d).unwrap_or_default();
                let mask = base_mask(samples, base.density_d, tolerance);
                overlay::paint_plane(rgba, &mask, Mark::Base)
            }
            None => 0.0,
        },
        Overlay::DustMap => {
            let Some(found) = repair.and_then(|repair| repair.found.as_ref()) else {
                return 0.0;
            };
            overlay::paint_plane(rgba, &dust_on_screen(&found.map, found.region, viewport), Mark::Dust);
            if !found.painted_out.is_clean() {
                let removed = dust_on_screen(&found.painted_out, found.region, viewport);
                overlay::paint_plane(rgba, &overlay::outline(&removed), Mark::PaintedOut);
            }
            found.area_fraction
        }
    }
}

/// Screen pixels that cover any dust of a map; the map covers `region` of the scan.
fn dust_on_screen(map: &DustMap, region: PixelRect, viewport: &Viewport) -> Plane<u8> {
    use rayon::prelude::*;
    let (width, height) = (viewport.sampling.width(), viewport.sampling.height());
    let mut mask = Plane::filled(width, height, 0_u8);
    let reach = (viewport.scale / 2.0).max(0.5);
    mask.data_mut().par_chunks_mut(width.max(1) as usize).zip(0..height).for_each(|(line, y)| {
        for (value, x) in line.iter_mut().zip(0..width) {
            let p = viewport.sampling.scan_position(x, y);
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
        is_proof: false,
        out_of_gamut_share: None,
        repair: None,
        is_coarse: false,
        lacks_repair: false,
        millis: started.elapsed().as_secs_f64() * 1000.0,
    }
}
