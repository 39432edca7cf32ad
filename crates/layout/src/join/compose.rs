//! One picture from placed parts: every pixel is calculated from the parts when it is read.

use glassine_raster::{CancelToken, PixelRect, Plane, Point, RegionError, RegionSource, Samples16, Scan};
use rayon::prelude::*;

use super::affine::Affine;
use super::grey::cubic;
use super::patches::{mapped, rect_around};

/// Where one part takes over from those before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Seam {
    /// Whether it runs down the joined picture, between parts side by side; otherwise it runs across.
    pub runs_down: bool,
    /// Whether the part lies after the seam: to its right, or below it.
    pub is_after: bool,
    /// Joined rows (columns, if it runs across) of the first of the places, and their distance, pixels.
    pub start_px: f64,
    pub step_px: f64,
    /// Joined column (row) of the seam at each place, pixels; straight in between, and on from both ends.
    pub places_px: Vec<f64>,
    /// Half the width over which the parts are blended, pixels.
    pub half_width_px: f64,
}

impl Seam {
    /// Share of the part at a position: a smooth step `3 t^2 - 2 t^3` over the width of the seam.
    fn share(&self, p: Point<Scan>) -> f32 {
        let (along, across) = if self.runs_down { (p.y, p.x) } else { (p.x, p.y) };
        let Some(last) = self.places_px.len().checked_sub(1) else { return 1.0 };
        let at = ((along - self.start_px) / self.step_px).clamp(0.0, last as f64);
        let low = (at as usize).min(last);
        let (p, q) = (self.places_px[low], self.places_px[(low + 1).min(last)]);
        let place = p + (q - p) * (at - low as f64);
        let beyond = if self.is_after { across - place } else { place - across };
        let t = (0.5 + 0.5 * beyond / self.half_width_px).clamp(0.0, 1.0) as f32;
        t * t * (3.0 - 2.0 * t)
    }
}

/// A part in its place on the joined picture.
#[derive(Debug, Clone)]
pub struct Placed<S> {
    source: S,
    to_joined: Affine,
    back: Affine,
    /// Gain and offset (codes) of each channel that match its light to the first part's.
    light: Vec<[f32; 2]>,
    seams: Vec<Seam>,
    /// Shift in whole pixels, if it is placed by one and its light is taken as it is: pixels are copied then.
    copied_from: Option<(i64, i64)>,
}

impl<S: RegionSource> Placed<S> {
    /// A part with gain and offset (relative to full scale) of each channel; missing ones change nothing. `None` if the
    /// map has no inverse.
    pub fn new(source: S, to_joined: Affine, light: &[[f64; 2]], seams: Vec<Seam>) -> Option<Self> {
        let back = to_joined.inverse()?;
        let light: Vec<[f32; 2]> = (0..usize::from(source.channels()))
            .map(|c| {
                light.get(c).map_or([1.0, 0.0], |[gain, offset]| [*gain as f32, (*offset * 65535.0) as f32])
            })
            .collect();
        let [[a, b, tx], [c, d, ty]] = to_joined.0;
        let is_shift = [a, b, c, d] == [1.0, 0.0, 0.0, 1.0] && tx.fract() == 0.0 && ty.fract() == 0.0;
        let is_copy = is_shift && light.iter().all(|light| *light == [1.0, 0.0]);
        let copied_from = is_copy.then_some((tx as i64, ty as i64));
        Some(Self { source, to_joined, back, light, seams, copied_from })
    }

    /// The part itself.
    pub fn source(&self) -> &S {
        &self.source
    }

    fn size(&self) -> (u32, u32) {
        (self.source.width(), self.source.height())
    }

    /// Where it lies on the joined picture.
    pub(super) fn bounds(&self) -> (f64, f64, f64, f64) {
        let (width, height) = self.size();
        mapped(&self.to_joined, (0.0, 0.0, width.into(), height.into()))
    }

    /// Distance of a joined position from the centres of its pixels; 0 where it has them.
    #[inline(always)]
    pub(super) fn distance(&self, q: Point<Scan>) -> f64 {
        let p = self.back.apply(q);
        let (width, height) = self.size();
        // The hundredth absorbs rounding of the maps.
        let beyond = |v: f64, n: u32| (0.49 - v).max(v - f64::from(n) + 0.49).max(0.0);
        beyond(p.x, width).max(beyond(p.y, height))
    }

    /// Its pixels over a region of the joined picture, matched in light, in codes; beyond its edge they repeat.
    pub(super) fn resampled(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Vec<f32>, RegionError> {
        let (width, height) = self.size();
        let channels = usize::from(self.source.channels());
        let edges = (f64::from(rect.x0), f64::from(rect.y0), f64::from(rect.x1), f64::from(rect.y1));
        let needs =
            not_empty(rect_around(mapped(&self.back, edges), 3.0, (width, height)), (width, height), {
                self.back.apply(Point::new(edges.0, edges.1))
            });
        let part = self.source.read(needs, cancel)?;
        let mut out = vec![0.0_f32; rect.width() as usize * rect.height() as usize * channels];
        let stride = (rect.width() as usize * channels).max(1);
        let clamp = |v: i64, low: u32, high: u32| {
            (v.clamp(low.into(), i64::from(high) - 1) - i64::from(low)) as usize
        };
        out.par_chunks_mut(stride).enumerate().for_each(|(j, row)| {
            let y = f64::from(rect.y0) + j as f64 + 0.5;
            for (i, px) in row.chunks_exact_mut(channels).enumerate() {
                let x = f64::from(rect.x0) + i as f64 + 0.5;
                if let Some((tx, ty)) = self.copied_from {
                    let at = (x.floor() as i64 - tx, y.floor() as i64 - ty);
                    let from = part.pixel(
                        clamp(at.0, needs.x0, needs.x1) as u32,
                        clamp(at.1, needs.y0, needs.y1) as u32,
                    );
                    px.iter_mut().zip(from).for_each(|(to, from)| *to = f32::from(*from));
                    continue;
                }
                let p = self.back.apply(Point::new(x, y));
                let (u, v) = (p.x - 0.5, p.y - 0.5);
                let (fu, fv) = (u.floor(), v.floor());
                let (wx, wy) = (cubic((u - fu) as f32), cubic((v - fv) as f32));
                let columns = [-1, 0, 1, 2].map(|k| clamp(fu as i64 + k, needs.x0, needs.x1) * channels);
                for (k, wy) in wy.iter().enumerate() {
                    let line = part.row(clamp(fv as i64 + k as i64 - 1, needs.y0, needs.y1) as u32);
                    for (at, wx) in columns.iter().zip(&wx) {
                        let weight = wx * wy;
                        let from = &line[*at..*at + channels];
                        px.iter_mut().zip(from).for_each(|(to, from)| *to += weight * f32::from(*from));
                    }
                }
                px.iter_mut().zip(&self.light).for_each(|(v, [gain, offset])| *v = *v * gain + offset);
            }
        });
        Ok(out)
    }
}

/// A region with at least one pixel, for positions that lie beyond the picture.
fn not_empty(rect: PixelRect, (width, height): (u32, u32), p: Point<Scan>) -> PixelRect {
    if !rect.is_empty() {
        return rect;
    }
    let near = |low: u32, high: u32, at: f64, n: u32| {
        let last = n.saturating_sub(1);
        if low < high {
            (low, high)
        } else {
            ((at.max(0.0) as u32).min(last), (at.max(0.0) as u32).min(last) + 1)
        }
    };
    let ((x0, x1), (y0, y1)) = (near(rect.x0, rect.x1, p.x, width), near(rect.y0, rect.y1, p.y, height));
    PixelRect::new(x0, y0, x1, y1)
}

/// One picture from several parts, blended at their seams in linear light. A pixel that no part has repeats the edge of
/// the nearest.
///
/// A result depends on the position of the pixel alone, not on the region that is read.
#[derive(Debug, Clone)]
pub struct Joined<S> {
    width: u32,
    height: u32,
    parts: Vec<Placed<S>>,
}

impl<S: RegionSource> Joined<S> {
    /// Parts in the order in which each covers those before it; `None` if there are none, or they have unlike channels.
    pub fn new(width: u32, height: u32, parts: Vec<Placed<S>>) -> Option<Self> {
        let channels = parts.first()?.source.channels();
        let is_sound = parts.iter().all(|part| part.source.channels() == channels && channels > 0);
        is_sound.then_some(Self { width, height, parts })
    }

    /// Shares of all parts in a pixel; they add up to 1.
    fn shares(&self, q: Point<Scan>, shares: &mut [f32]) {
        shares.fill(0.0);
        let (mut first, mut nearest) = (None, (f64::MAX, 0));
        for (k, part) in self.parts.iter().enumerate() {
            let distance = part.distance(q);
            if distance > 0.0 {
                nearest = if distance < nearest.0 { (distance, k) } else { nearest };
                continue;
            }
            if first.is_none() {
                first = Some(k);
                shares[k] = 1.0;
                continue;
            }
            let share: f32 = part.seams.iter().map(|seam| seam.share(q)).product();
            shares[..k].iter_mut().for_each(|other| *other *= 1.0 - share);
            shares[k] = share;
        }
        if first.is_none() {
            shares[nearest.1] = 1.0;
        }
    }

    /// Where several parts have pixels: how much lighter the last of them is than the one before it, matched in light,
    /// as log10 of each colour.
    pub fn differences(
        &self,
        rect: PixelRect,
        cancel: &CancelToken,
    ) -> Result<Plane<Option<[f32; 3]>>, RegionError> {
        /// Added to both, codes: near zero there is noise alone. Source: our choice, a thousandth of full scale.
        const FLOOR: f32 = 64.0;
        let channels = usize::from(self.channels()).max(1);
        let mut out = Plane::filled(rect.width(), rect.height(), None);
        for (k, upper) in self.parts.iter().enumerate() {
            for lower in &self.parts[..k] {
                cancel.check()?;
                let [a, b] = [upper, lower]
                    .map(|part| rect_around(part.bounds(), 1.0, (self.width, self.height)).intersect(rect));
                let shared = a.intersect(b);
                if shared.is_empty() {
                    continue;
                }
                let (over, under) = (upper.resampled(shared, cancel)?, lower.resampled(shared, cancel)?);
                let pixels = over.chunks_exact(channels).zip(under.chunks_exact(channels));
                for (at, (over, under)) in (0..).zip(pixels) {
                    let (x, y) = (shared.x0 + at % shared.width(), shared.y0 + at / shared.width());
                    let q = Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5);
                    if upper.distance(q) > 0.0 || lower.distance(q) > 0.0 {
                        continue;
                    }
                    let log = |c: usize| {
                        let c = c.min(channels - 1);
                        ((over[c].max(0.0) + FLOOR) / (under[c].max(0.0) + FLOOR)).log10()
                    };
                    out.set(x - rect.x0, y - rect.y0, Some([log(0), log(1), log(2)]));
                }
            }
        }
        Ok(out)
    }

    /// A band of the picture, as codes.
    fn band(&self, rect: PixelRect, cancel: &CancelToken, out: &mut [u16]) -> Result<(), RegionError> {
        let (count, channels) = (self.parts.len(), usize::from(self.channels()));
        let (width, height) = (rect.width() as usize, rect.height() as usize);
        // Pixel by pixel, so that a row of shares is one chunk for one thread.
        let mut shares = vec![0.0_f32; count * width * height];
        shares.par_chunks_mut(count * width).enumerate().for_each(|(j, row)| {
            let y = f64::from(rect.y0) + j as f64 + 0.5;
            for (i, shares) in row.chunks_exact_mut(count).enumerate() {
                self.shares(Point::new(f64::from(rect.x0) + i as f64 + 0.5, y), shares);
            }
        });
        let mut sums = vec![0.0_f32; width * height * channels];
        for (k, part) in self.parts.iter().enumerate() {
            cancel.check()?;
            let Some(used) = used_bounds(&shares, (count, k), (width, height)) else { continue };
            let region =
                PixelRect::new(rect.x0 + used.x0, rect.y0 + used.y0, rect.x0 + used.x1, rect.y0 + used.y1);
            let values = part.resampled(region, cancel)?;
            let line = region.width() as usize * channels;
            let rows = sums.par_chunks_mut(width * channels).skip(used.y0 as usize);
            rows.zip(values.par_chunks(line)).enumerate().for_each(|(j, (sums, values))| {
                let first = (used.y0 as usize + j) * width + used.x0 as usize;
                let sums = sums[used.x0 as usize * channels..].chunks_exact_mut(channels);
                for (i, (sum, value)) in sums.zip(values.chunks_exact(channels)).enumerate() {
                    let share = shares[(first + i) * count + k];
                    if share > 0.0 {
                        sum.iter_mut().zip(value).for_each(|(sum, value)| *sum += share * value);
                    }
                }
            });
        }
        out.par_iter_mut().zip(&sums).for_each(|(code, sum)| *code = (sum + 0.5).clamp(0.0, 65535.0) as u16);
        Ok(())
    }
}

/// Bounds of the pixels of which a part has a share.
fn used_bounds(
    shares: &[f32],
    (count, part): (usize, usize),
    (width, height): (usize, usize),
) -> Option<PixelRect> {
    let rows: Vec<Option<(usize, usize)>> = (0..height)
        .into_par_iter()
        .map(|y| {
            let row = &shares[y * width * count..(y + 1) * width * count];
            let is_used = |x: &usize| row[x * count + part] > 0.0;
            Some(((0..width).find(is_used)?, (0..width).rev().find(is_used)? + 1))
        })
        .collect();
    let used = || rows.iter().enumerate().filter_map(|(y, row)| row.map(|row| (y, row)));
    let (top, bottom) = (used().next()?.0, used().next_back()?.0 + 1);
    let left = used().map(|(_, row)| row.0).min()?;
    let right = used().map(|(_, row)| row.1).max()?;
    Some(PixelRect::new(left as u32, top as u32, right as u32, bottom as u32))
}

impl<S: RegionSource> RegionSource for Joined<S> {
    fn width(&self) -> u32 {
        self.width
    }

    fn height(&self) -> u32 {
        self.height
    }

    fn channels(&self) -> u8 {
        self.parts.first().map_or(1, |part| part.source.channels())
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        /// Shares of all parts that are held at once. Source: our choice; 32 MB.
        const MOST_SHARES: usize = 8 << 20;
        let rect = rect.intersect(PixelRect::of_size(self.width, self.height));
        let mut out = Samples16::zeroed(rect.width(), rect.height(), self.channels());
        let stride = out.stride();
        if rect.is_empty() {
            return Ok(out);
        }
        let rows = (MOST_SHARES / (self.parts.len() * rect.width() as usize)).max(1);
        for (nth, codes) in out.data_mut().chunks_mut(stride * rows).enumerate() {
            let y0 = rect.y0 + (nth * rows) as u32;
            let band = PixelRect::new(rect.x0, y0, rect.x1, (y0 + rows as u32).min(rect.y1));
            self.band(band, cancel, codes)?;
        }
        Ok(out)
    }
}
