//! A small picture of a large scan, made in bands so that memory stays bounded.

use glassine_raster::{CancelToken, PixelRect, RegionSource, Samples16, box_reduce};

use crate::Error;

/// Bytes of full-resolution samples held at once.
const BAND_BYTES: u64 = 48 << 20;

/// Whole-number factor that brings the longer side to `max_side_px` or less.
pub fn overview_factor(width_px: u32, height_px: u32, max_side_px: u32) -> u32 {
    width_px.max(height_px).div_ceil(max_side_px.max(1)).max(1)
}

/// The scan reduced by a whole-number factor, as [`box_reduce`] of the whole would give it.
///
/// Returns the picture and the factor; overview pixel `(x, y)` covers scan columns `factor * x .. factor * (x + 1)`.
/// `progress` is told the fraction done.
pub fn overview(
    source: &dyn RegionSource,
    max_side_px: u32,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<(Samples16, u32), Error> {
    let (width, height, channels) = (source.width(), source.height(), source.channels());
    let factor = overview_factor(width, height, max_side_px);
    let (out_w, out_h) = (width.div_ceil(factor), height.div_ceil(factor));
    let row_bytes = (u64::from(width) * u64::from(channels) * 2).max(1);
    let out_rows = (BAND_BYTES / row_bytes / u64::from(factor)).clamp(1, u64::from(out_h.max(1))) as u32;
    let mut data = Vec::new();
    data.try_reserve_exact(out_w as usize * out_h as usize * channels as usize)
        .map_err(|_| Error::Source(format!("no memory for an overview of {out_w} x {out_h} px")))?;
    let mut oy = 0;
    while oy < out_h {
        cancel.check()?;
        let next = oy.saturating_add(out_rows).min(out_h);
        let y1 = next.saturating_mul(factor).min(height);
        let band = source.read(PixelRect::new(0, oy * factor, width, y1), cancel)?;
        data.extend_from_slice(box_reduce(&band, factor).data());
        oy = next;
        progress(oy as f32 / out_h as f32);
    }
    Samples16::from_vec(out_w, out_h, channels, data)
        .map(|picture| (picture, factor))
        .ok_or_else(|| Error::Source("the scan gave a region of another size than asked".into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_give_the_same_overview_as_the_whole() {
        let (w, h) = (301, 207);
        let data = (0..w * h * 3).map(|i| (i * 7919 % 65_521) as u16).collect();
        let scan = Samples16::from_vec(w, h, 3, data).expect("length fits");
        let (small, factor) = overview(&scan, 64, &CancelToken::new(), &|_| {}).expect("in memory");
        assert_eq!(factor, 5);
        assert_eq!(small, box_reduce(&scan, 5));
    }

    #[test]
    fn a_small_scan_is_its_own_overview() {
        let scan = Samples16::zeroed(3, 2, 4);
        let (small, factor) = overview(&scan, 64, &CancelToken::new(), &|_| {}).expect("in memory");
        assert_eq!((small.width(), factor), (3, 1));
    }
}
