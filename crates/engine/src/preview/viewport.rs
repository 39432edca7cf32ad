//! Which part of a scan a picture shows, and how large.

use glassine_raster::{
    CancelToken, Kernel, PixelRect, RegionSource as _, Samples16, TiltedBox, TiltedSampling,
};
use glassine_session::Frame;

use crate::error::EngineError;
use crate::preview::tiles::TILE_PX;
use crate::scans::{OpenScan, OverviewData, read_reduced};
use crate::types::{PreviewRequest, UnitRect};

/// One picture to make: which part of the scan, how large.
pub(crate) struct Viewport {
    pub(super) sampling: TiltedSampling,
    /// Scan pixels for one picture pixel.
    pub(super) scale: f64,
    pub(crate) factor: u32,
    /// Part of the scan to read if the overview is too coarse.
    pub(crate) rect: PixelRect,
    /// Whether this is a close-up: it is made of tiles, so that moving the view reads only what is new.
    pub(super) is_tiled: bool,
}

impl Viewport {
    pub(super) fn new(
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
    pub(super) fn of_scan_region(request: &PreviewRequest, open: &OpenScan) -> Option<Self> {
        let r = request.scan_rect.intersect(PixelRect::of_size(open.width(), open.height()));
        let [x0, y0, x1, y1] = [r.x0, r.y0, r.x1, r.y1].map(f64::from);
        let part = UnitRect { x1: 1.0 - 1e-12, ..UnitRect::WHOLE };
        (!r.is_empty()).then(|| Self::new(&TiltedBox::from_edges(x0, y0, x1, y1), None, part, request, open))
    }

    pub(super) fn sample(&self, samples: &Samples16, origin: (u32, u32), factor: u32) -> Samples16 {
        let out = PixelRect::of_size(self.sampling.width(), self.sampling.height());
        self.sampling.on_reduced(factor).read(samples, origin.0 / factor, origin.1 / factor, out)
    }

    /// Sample an overview that is fine enough, after reducing it as far as the picture allows: every pixel of it
    /// counts, as if the scan itself were read.
    pub(super) fn sample_overview(
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
