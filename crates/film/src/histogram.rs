//! Histogram and exact clip counts of encoded pixels.

use glassine_raster::{PixelLoop, run_vectorised};

/// Counts of encoded values, three channels.
///
/// A value is quantised as in a 16-bit export, `q = round(65535 * v)`: it counts as clipped low when `q <= 0`
/// (`v < 0.5 / 65535`), clipped high when `q >= 65535`; the bin is `q / 257` (256 equal parts of the codes).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Histogram {
    /// Pixels for each of 256 equal parts of the range, red, green, blue.
    pub bins: [[u32; 256]; 3],
    /// Pixels at or below black, per channel.
    pub clip_low: [u64; 3],
    /// Pixels at or above white, per channel.
    pub clip_high: [u64; 3],
    pub pixels: u64,
}

impl Default for Histogram {
    fn default() -> Self {
        Self { bins: [[0; 256]; 3], clip_low: [0; 3], clip_high: [0; 3], pixels: 0 }
    }
}

impl Histogram {
    /// Count three planes of encoded values, up to the length of the shortest plane.
    pub fn add_planes(&mut self, planes: [&[f32]; 3]) {
        let len = planes.iter().map(|plane| plane.len()).min().unwrap_or(0);
        for (channel, plane) in planes.into_iter().enumerate() {
            let Self { bins, clip_low, clip_high, .. } = self;
            run_vectorised(OnePlane {
                values: &plane[..len],
                bins: &mut bins[channel],
                low: &mut clip_low[channel],
                high: &mut clip_high[channel],
            });
        }
        self.pixels += len as u64;
    }

    /// Count pixels, and interleaved 16-bit RGB codes at both ends, but not the bins.
    pub fn add_ends(&mut self, codes: &[u16]) {
        run_vectorised(Ends { codes, low: &mut self.clip_low, high: &mut self.clip_high });
        self.pixels += (codes.len() / 3) as u64;
    }

    /// The same for grey codes, which count in all three channels.
    pub fn add_grey_ends(&mut self, codes: &[u16]) {
        let (mut low, mut high) = ([0; 3], [0; 3]);
        run_vectorised(Ends { codes, low: &mut low, high: &mut high });
        for channel in 0..3 {
            self.clip_low[channel] += low.iter().sum::<u64>();
            self.clip_high[channel] += high.iter().sum::<u64>();
        }
        self.pixels += codes.len() as u64;
    }

    /// Add the counts of another part of the picture.
    pub fn merge(&mut self, other: &Self) {
        for channel in 0..3 {
            for (bin, more) in self.bins[channel].iter_mut().zip(&other.bins[channel]) {
                *bin = bin.saturating_add(*more);
            }
            self.clip_low[channel] += other.clip_low[channel];
            self.clip_high[channel] += other.clip_high[channel];
        }
        self.pixels += other.pixels;
    }

    fn fraction(&self, count: u64) -> f64 {
        if self.pixels == 0 { 0.0 } else { count as f64 / self.pixels as f64 }
    }

    /// Share of pixels at or below black, per channel.
    pub fn clip_low_fraction(&self) -> [f64; 3] {
        self.clip_low.map(|count| self.fraction(count))
    }

    /// Share of pixels at or above white, per channel.
    pub fn clip_high_fraction(&self) -> [f64; 3] {
        self.clip_high.map(|count| self.fraction(count))
    }
}

struct OnePlane<'a> {
    values: &'a [f32],
    bins: &'a mut [u32; 256],
    low: &'a mut u64,
    high: &'a mut u64,
}

impl PixelLoop for OnePlane<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        // Values quantised at a time. Our choice; changes speed alone.
        const LEN: usize = 1024;
        // Neighbours often fall into the same bin. Alternating between two tables keeps an increment from waiting for
        // the last.
        let mut other = [0_u32; 256];
        let mut codes = [0_u16; LEN];
        for values in self.values.chunks(LEN) {
            let codes = &mut codes[..values.len()];
            let (mut low, mut high) = (0_u16, 0_u16);
            for (code, value) in codes.iter_mut().zip(values) {
                *code = super::quantise::code16(*value);
                low += u16::from(*code == 0);
                high += u16::from(*code == u16::MAX);
            }
            *self.low += u64::from(low);
            *self.high += u64::from(high);
            let pairs = codes.chunks_exact(2);
            for code in pairs.remainder() {
                other[usize::from(*code >> 8)] += 1;
            }
            for pair in pairs {
                self.bins[usize::from(pair[0] >> 8)] += 1;
                other[usize::from(pair[1] >> 8)] += 1;
            }
        }
        for (bin, more) in self.bins.iter_mut().zip(other) {
            *bin += more;
        }
    }
}

struct Ends<'a> {
    codes: &'a [u16],
    low: &'a mut [u64; 3],
    high: &'a mut [u64; 3],
}

impl PixelLoop for Ends<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        /// Sixteen pixels: lane `i` always holds channel `i % 3`.
        const LANES: usize = 48;
        // 16-bit counters overflow after 65 535 groups.
        for part in self.codes.chunks(LANES * 65_535) {
            let (mut low, mut high) = ([0_u16; LANES], [0_u16; LANES]);
            let groups = part.chunks_exact(LANES);
            for (lane, code) in groups.remainder().iter().enumerate() {
                self.low[lane % 3] += u64::from(*code == 0);
                self.high[lane % 3] += u64::from(*code == u16::MAX);
            }
            for group in groups {
                for lane in 0..LANES {
                    low[lane] += u16::from(group[lane] == 0);
                    high[lane] += u16::from(group[lane] == u16::MAX);
                }
            }
            for lane in 0..LANES {
                self.low[lane % 3] += u64::from(low[lane]);
                self.high[lane % 3] += u64::from(high[lane]);
            }
        }
    }
}

#[cfg(test)]
impl Histogram {
    /// Count interleaved encoded RGB, value by value: what the other ways of counting are compared with.
    pub(crate) fn add(&mut self, encoded: &[f32]) {
        let Self { bins, clip_low, clip_high, pixels } = self;
        for pixel in encoded.chunks_exact(3) {
            for channel in 0..3 {
                let code = super::quantise::code16(pixel[channel]);
                clip_low[channel] += u64::from(code == 0);
                clip_high[channel] += u64::from(code == u16::MAX);
                bins[channel][usize::from(code >> 8)] += 1;
            }
        }
        *pixels += (encoded.len() / 3) as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clipping_is_counted_where_the_sixteen_bit_code_ends() {
        let mut first = Histogram::default();
        first.add(&[0.0, 1.0, 0.5, -0.2, 1.3, 0.9999]);
        let mut second = Histogram::default();
        second.add(&[0.6 / 65_535.0, 65_534.4 / 65_535.0, f32::NAN]);
        first.merge(&second);
        assert_eq!(first.pixels, 3);
        assert_eq!(first.clip_low, [2, 0, 1]);
        assert_eq!(first.clip_high, [0, 2, 0]);
        assert!((first.clip_low_fraction()[0] - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(first.bins[1].iter().sum::<u32>(), 3);
    }

    #[test]
    fn every_bin_holds_the_values_of_its_256_codes() {
        // Code 0, codes 255 and 256 (either side of the first border), the last code of bin 254, the first and the last
        // of bin 255; an odd number of values, once as pixels and once as planes.
        let codes = [0.0, 255.0, 256.0, 65_279.0, 65_280.0, 65_535.0, 65_535.0_f32];
        let values = codes.map(|code| code / 65_535.0);
        let pixels: Vec<f32> = values.iter().flat_map(|value| [*value; 3]).collect();
        let (mut by_pixel, mut by_plane) = (Histogram::default(), Histogram::default());
        by_pixel.add(&pixels);
        by_plane.add_planes([&values; 3]);
        for counted in [by_pixel, by_plane] {
            for bins in &counted.bins {
                assert_eq!([bins[0], bins[1], bins[254], bins[255]], [2, 1, 1, 3]);
                assert_eq!(bins.iter().sum::<u32>(), 7);
            }
            assert_eq!((counted.clip_low, counted.clip_high, counted.pixels), ([1; 3], [2; 3], 7));
        }
    }

    #[test]
    fn planes_are_counted_like_pixels() {
        let values: Vec<f32> = (0..3 * 1333_u32).map(|i| (i * 7919 % 331) as f32 / 300.0 - 0.05).collect();
        let planes = [0, 1, 2].map(|c| values.iter().skip(c).step_by(3).copied().collect::<Vec<f32>>());
        let (mut by_pixel, mut by_plane) = (Histogram::default(), Histogram::default());
        by_pixel.add(&values);
        by_plane.add_planes(planes.each_ref().map(Vec::as_slice));
        assert_eq!(by_plane, by_pixel);
        assert!(by_plane.clip_low[0] > 0 && by_plane.clip_high[2] > 0);
    }

    #[test]
    fn ends_counted_from_codes_are_those_counted_from_values() {
        let values: Vec<f32> = (0..3 * 1000_u32).map(|i| (i * 7919 % 331) as f32 / 300.0 - 0.05).collect();
        let mut codes = vec![0; values.len()];
        crate::quantise16(&values, &mut codes);
        let (mut by_value, mut by_code) = (Histogram::default(), Histogram::default());
        by_value.add(&values);
        by_code.add_ends(&codes);
        assert_eq!((by_code.clip_low, by_code.clip_high), (by_value.clip_low, by_value.clip_high));
        assert_eq!(by_code.pixels, by_value.pixels);
        assert!(by_code.clip_low[0] > 0 && by_code.clip_high[2] > 0);
        let mut grey = Histogram::default();
        grey.add_grey_ends(&codes);
        assert_eq!(grey.clip_low, [by_code.clip_low.iter().sum::<u64>(); 3]);
        assert_eq!(grey.pixels, 3000);
    }
}
