//! Encoded values to integer codes: rounded to 16 bit, dithered to 8 bit.

use glassine_raster::{PixelLoop, run_vectorised};

/// 16-bit code of an encoded value: clamped, rounded to nearest, an exact half to the even code; not-a-number gives 0.
#[inline(always)]
pub(crate) fn code16(value: f32) -> u16 {
    // Above 2^23 the steps of an `f32` are whole numbers, so the addition rounds and the code is its lowest 16 bits.
    const WHOLE: f32 = 8_388_608.0;
    let scaled = value * 65_535.0;
    let low = if scaled > 0.0 { scaled } else { 0.0 };
    let held = if low < 65_535.0 { low } else { 65_535.0 };
    (held + WHOLE).to_bits() as u16
}

pub fn quantise16(encoded: &[f32], out: &mut [u16]) {
    run_vectorised(Rounding { encoded, out });
}

struct Rounding<'a> {
    encoded: &'a [f32],
    out: &'a mut [u16],
}

impl PixelLoop for Rounding<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (code, value) in self.out.iter_mut().zip(self.encoded) {
            *code = code16(*value);
        }
    }
}

/// Round three planes to interleaved 16-bit codes, up to the shortest of the four buffers.
pub fn quantise16_planes([red, green, blue]: [&[f32]; 3], out: &mut [u16]) {
    run_vectorised(Interleaving { red, green, blue, out });
}

struct Interleaving<'a> {
    red: &'a [f32],
    green: &'a [f32],
    blue: &'a [f32],
    out: &'a mut [u16],
}

impl PixelLoop for Interleaving<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let colours = self.red.iter().zip(self.green).zip(self.blue);
        for (pixel, ((r, g), b)) in self.out.chunks_exact_mut(3).zip(colours) {
            pixel[0] = code16(*r);
            pixel[1] = code16(*g);
            pixel[2] = code16(*b);
        }
    }
}

/// Dither threshold in 0..1 at a position, from a lattice whose neighbours differ strongly, so that the dither has
/// little low-frequency noise.
///
/// Source: the additive recurrence with the plastic number's powers, after M. Roberts, "The unreasonable effectiveness
/// of quasirandom sequences" (2018). The three channels share the threshold, so a grey stays grey.
#[inline(always)]
fn threshold(x: u32, y: u32) -> f32 {
    // 2^32 / p and 2^32 / p^2 with p = 1.32471795724474602596.
    let phase = x.wrapping_mul(3_242_174_889).wrapping_add(y.wrapping_mul(2_447_445_414));
    // A triangle wave of the phase removes the jump from 1 to 0 between neighbours.
    let ramp = (phase >> 8) as f32 / 16_777_216.0;
    if ramp < 0.5 { 2.0 * ramp } else { 2.0 - 2.0 * ramp }
}

/// Dither one row of interleaved RGB, which starts at column `x0` of row `y`, to 8-bit codes.
///
/// The threshold depends only on the position in the picture, so tiles join without a seam.
pub fn quantise8_dithered(encoded: &[f32], out: &mut [u8], x0: u32, y: u32) {
    for (i, (codes, values)) in out.chunks_exact_mut(3).zip(encoded.chunks_exact(3)).enumerate() {
        let lift = threshold(x0.wrapping_add(i as u32), y);
        for (code, value) in codes.iter_mut().zip(values) {
            *code = code8(*value, lift);
        }
    }
}

/// 8-bit code of an encoded value lifted by a threshold: rounded down and clamped; not-a-number gives 0.
#[inline(always)]
fn code8(value: f32, lift: f32) -> u8 {
    // As in `code16`, minus one where the addition rounded up.
    const WHOLE: f32 = 8_388_608.0;
    let scaled = value * 255.0 + lift;
    let low = if scaled > 0.0 { scaled } else { 0.0 };
    let held = if low < 255.0 { low } else { 255.0 };
    let rounded = held + WHOLE;
    let is_above = rounded - WHOLE > held;
    (rounded.to_bits() & 0xff).wrapping_sub(u32::from(is_above)) as u8
}

/// Dither three planes of one row, which starts at column `x0` of row `y`, to red, green, blue and 255, up to the
/// shortest of the four buffers. The codes equal those of [`quantise8_dithered`].
pub fn quantise8_dithered_rgba([red, green, blue]: [&[f32]; 3], out: &mut [u8], x0: u32, y: u32) {
    run_vectorised(Dithering { red, green, blue, out, x0, y });
}

struct Dithering<'a> {
    red: &'a [f32],
    green: &'a [f32],
    blue: &'a [f32],
    out: &'a mut [u8],
    x0: u32,
    y: u32,
}

impl PixelLoop for Dithering<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { red, green, blue, out, x0, y } = self;
        let colours = red.iter().zip(green).zip(blue);
        for ((pixel, ((r, g), b)), i) in out.chunks_exact_mut(4).zip(colours).zip(0_u32..) {
            let lift = threshold(x0.wrapping_add(i), y);
            let [r, g, b] = [*r, *g, *b].map(|value| u32::from(code8(value, lift)));
            pixel.copy_from_slice(&(r | (g << 8) | (b << 16) | 0xff00_0000).to_le_bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dither_keeps_the_mean_and_joins_tiles() {
        let (width, height) = (256_u32, 256_u32);
        for level in [10.25_f32, 127.5, 200.8] {
            let mut sum = 0_u64;
            for y in 0..height {
                let row = vec![level / 255.0; 3 * width as usize];
                let mut whole = vec![0; row.len()];
                quantise8_dithered(&row, &mut whole, 0, y);
                let mut parts = vec![0; row.len()];
                let (left, right) = parts.split_at_mut(3 * 100);
                quantise8_dithered(&row[..300], left, 0, y);
                quantise8_dithered(&row[300..], right, 100, y);
                assert_eq!(whole, parts);
                sum += whole.iter().map(|&x| u64::from(x)).sum::<u64>();
            }
            let mean = sum as f64 / f64::from(width * height * 3);
            assert!((mean - f64::from(level)).abs() < 0.02, "{level} {mean}");
        }
    }

    #[test]
    fn planes_are_dithered_to_the_codes_of_the_formula() {
        let values: Vec<f32> = (0..3000_u32).map(|i| (i * 7919 % 1013) as f32 / 900.0 - 0.05).collect();
        let odd = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1.0, 0.0, 254.5 / 255.0];
        let row: Vec<f32> = values.into_iter().chain(odd).collect();
        let width = row.len() / 3;
        let planes = [0, 1, 2].map(|c| row.iter().skip(c).step_by(3).copied().collect::<Vec<f32>>());
        let (mut pixels, mut codes) = (vec![0; 4 * width], vec![0; 3 * width]);
        quantise8_dithered_rgba(planes.each_ref().map(Vec::as_slice), &mut pixels, 5, 77);
        quantise8_dithered(&row, &mut codes, 5, 77);
        for (x, (pixel, codes)) in pixels.chunks_exact(4).zip(codes.chunks_exact(3)).enumerate() {
            let lift = threshold(5 + x as u32, 77);
            // A cast in Rust rounds towards zero, saturates, and turns not-a-number into 0.
            let wanted = [0, 1, 2].map(|c| (row[3 * x + c] * 255.0 + lift) as u8);
            assert_eq!((&pixel[..3], codes, pixel[3]), (&wanted[..], &wanted[..], 255), "pixel {x}");
        }
    }

    #[test]
    fn rounding_is_to_the_nearest_code_and_never_wraps() {
        let mut out = [0_u16; 5];
        let values = [-3.0, 0.5, 1.0, 7.0, f32::NAN];
        quantise16(&values, &mut out);
        assert_eq!(out, [0, 32_768, 65_535, 65_535, 0]);
        let mut pixels = [1_u16; 15];
        quantise16_planes([&values, &[0.25; 5], &values], &mut pixels);
        for (pixel, code) in pixels.chunks_exact(3).zip(out) {
            assert_eq!(pixel, [code, 16_384, code]);
        }
        for step in 0..200_000_u32 {
            let value = step as f32 / 199_999.0;
            let exact = f64::from(value) * 65_535.0;
            assert!((f64::from(code16(value)) - exact).abs() <= 0.505, "{value}");
        }
    }
}
