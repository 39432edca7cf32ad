//! A part of a scan that is read piece by piece and never held whole.

use glassine_raster::{CancelToken, PixelRect, RegionError, RegionSource, Samples16};

use crate::types::{DustError, Refusal};

/// A rectangle of a scan; positions count from its own corner.
#[derive(Clone, Copy)]
pub(crate) struct Region<'a> {
    source: &'a dyn RegionSource,
    rect: PixelRect,
    cancel: &'a CancelToken,
}

impl<'a> Region<'a> {
    /// The part of `rect` inside the scan.
    pub(crate) fn new(source: &'a dyn RegionSource, rect: PixelRect, cancel: &'a CancelToken) -> Self {
        let rect = rect.intersect(PixelRect::of_size(source.width(), source.height()));
        Self { source, rect, cancel }
    }

    pub(crate) fn width(&self) -> u32 {
        self.rect.width()
    }

    pub(crate) fn height(&self) -> u32 {
        self.rect.height()
    }

    pub(crate) fn channels(&self) -> u8 {
        self.source.channels()
    }

    pub(crate) fn whole(&self) -> PixelRect {
        PixelRect::of_size(self.width(), self.height())
    }

    /// A smaller region inside this one.
    pub(crate) fn part(&self, rect: PixelRect) -> Self {
        Self { rect: self.on_scan(rect), ..*self }
    }

    /// The whole region, backed by samples already in memory.
    pub(crate) fn held<'b>(&self, samples: &'b Samples16) -> Region<'b>
    where
        'a: 'b,
    {
        Region::new(samples, self.whole(), self.cancel)
    }

    fn on_scan(&self, rect: PixelRect) -> PixelRect {
        let rect = rect.intersect(self.whole());
        PixelRect::new(
            self.rect.x0 + rect.x0,
            self.rect.y0 + rect.y0,
            self.rect.x0 + rect.x1,
            self.rect.y0 + rect.y1,
        )
    }

    /// Reads the samples of `rect`, which must be inside the region.
    pub(crate) fn read(&self, rect: PixelRect) -> Result<Samples16, DustError> {
        self.cancel.check().map_err(|stop| DustError::Refused(Refusal::Cancelled(stop)))?;
        self.source.read(self.on_scan(rect), self.cancel).map_err(DustError::from)
    }

    pub(crate) fn check(&self) -> Result<(), DustError> {
        self.cancel.check().map_err(|stop| DustError::Refused(Refusal::Cancelled(stop)))
    }
}

impl From<RegionError> for DustError {
    fn from(error: RegionError) -> Self {
        match error {
            RegionError::Cancelled(stop) => Self::Refused(Refusal::Cancelled(stop)),
            other => Self::Unreadable(other),
        }
    }
}

/// Cuts rows `0..height` into pieces of `rows`.
pub(crate) fn row_pieces(height: u32, rows: u32) -> Vec<(u32, u32)> {
    (0..height).step_by(rows.max(1) as usize).map(|y| (y, (y + rows).min(height))).collect()
}
