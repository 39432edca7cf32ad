//! A small picture of a large scan, made in one pass over the file so that memory stays bounded, and a quick overview
//! from a few of its rows.

use std::sync::atomic::{AtomicU64, Ordering};

use glassine_raster::{CancelToken, Samples16};

use crate::numbers::{to_f32, to_f64, to_u8};
use crate::read::{BoxReducer, Reduction};
use crate::{Error, Scan};

/// Bytes that a quick overview reads by default: a fraction of a second, even from a cold disk.
pub const QUICK_OVERVIEW_BYTES: u64 = 160 << 20;

/// Whole-number factor that brings the longer side to `max_side_px` or less.
pub fn overview_factor(width_px: u32, height_px: u32, max_side_px: u32) -> u32 {
    width_px.max(height_px).div_ceil(max_side_px.max(1)).max(1)
}

impl Scan {
    /// The whole scan reduced by a whole-number factor in one streaming read, on all cores.
    ///
    /// ```text
    /// out(x, y) = mean of the codes of a block of factor x factor pixels, rounded to nearest
    /// ```
    /// Overview pixel `(x, y)` covers scan columns `factor * x .. factor * (x + 1)`; blocks at the right and bottom
    /// edge hold what is there. `to_linear` gives a table of 65 536 codes for each colour channel, applied before the
    /// mean; infrared codes stay as they are. `progress` gets the fraction done. Besides the result, each thread holds
    /// a few megabytes, however large the scan is and however it is packed; only PNG and JPEG are held whole.
    ///
    /// The result is exactly [`glassine_raster::box_reduce`] of the whole scan.
    pub fn reduced(
        &self,
        factor: u32,
        to_linear: Option<&[Vec<u16>]>,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Samples16, Error> {
        let info = self.info();
        let factor = factor.max(1);
        let size = (info.width_px, info.height_px);
        let reducer = BoxReducer::new(&info.path, size, (factor, factor), to_u8(info.planes.len()))?;
        let infrared_rows = self.separate_infrared.as_ref().map_or(0, |_| u64::from(info.height_px));
        let rows_in_all = (self.picture.rows_to_report() + infrared_rows).max(1);
        let rows_done = AtomicU64::new(0);
        let report = |rows: u64| {
            let done = rows_done.fetch_add(rows, Ordering::Relaxed) + rows;
            progress(to_f32((to_f64(done) / to_f64(rows_in_all)).min(1.0)));
        };
        let colour = Reduction { first_channel: 0, to_linear, cancel, progress: &report };
        self.picture.reduce(&colour, &reducer)?;
        if let Some(infrared) = &self.separate_infrared {
            let first_channel = usize::from(self.picture.channels());
            infrared.reduce(&info.path, &Reduction { first_channel, to_linear: None, ..colour }, &reducer)?;
        }
        reducer.into_picture(&info.path)
    }

    /// A quick overview: the colour channels reduced by `factor` from a few rows of every part of the file, in a fraction
    /// of the time of [`Self::reduced`]: about `budget_bytes` are read. `None` if reading everything is as quick, or if
    /// the file has no places to start reading from.
    ///
    /// Every row that is read is reduced exactly and the rows between them are interpolated, so this is for viewing,
    /// never for measuring.
    pub fn quick_overview(
        &self,
        factor: u32,
        budget_bytes: u64,
        to_linear: Option<&[Vec<u16>]>,
        cancel: &CancelToken,
    ) -> Result<Option<Samples16>, Error> {
        let how = Reduction { first_channel: 0, to_linear, cancel, progress: &|_| {} };
        let seen = self.picture.quick_overview(factor.max(1), budget_bytes, &how)?;
        Ok(seen.map(|samples| samples.first_channels(self.info().colour_channels())))
    }
}
