//! Dither for scans of 8 bits: spreads each recorded code over the range of values that round to it.
//!
//! A negative uses few of the 256 steps, and its inversion pulls them apart, so that a smooth sky shows contours. Any value
//! that rounds to the recorded code is as likely as another; a value drawn for each pixel turns contours into fine grain.
//! Codes at both ends stay, because they mark clipping.

use glassine_raster::{PixelRect, Samples16};

/// A step of 8 bits in codes of 16.
const STEP: u16 = 257;

/// Spread the codes of the first `colours` channels of 8-bit samples, read from `rect` of a scan, over their steps.
///
/// The result depends on the position in the scan alone: pieces join without a seam, and every reading gives the same.
pub(super) fn dither_steps(samples: &mut Samples16, rect: PixelRect, colours: u8) {
    let (width, channels) = (samples.width().max(1) as usize, usize::from(samples.channels()).max(1));
    for (row, y) in samples.data_mut().chunks_exact_mut(width * channels).zip(rect.y0..) {
        for (pixel, x) in row.chunks_exact_mut(channels).zip(rect.x0..) {
            let mut noise = noise_of(x, y);
            for code in pixel.iter_mut().take(usize::from(colours)) {
                if *code != 0 && *code != u16::MAX {
                    // 257 values around the code, from half a step below to half a step above.
                    let offset = ((noise & 0xffff) * u64::from(STEP)) >> 16;
                    *code = *code + offset as u16 - STEP / 2;
                }
                noise >>= 16;
            }
        }
    }
}

/// Bits of a position that look random.
///
/// Source: the output function of `SplitMix64`, Steele, Lea and Flood 2014.
fn noise_of(x: u32, y: u32) -> u64 {
    let mut z = (u64::from(y) << 32 | u64::from(x)).wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(width: u32, height: u32, code: u16) -> Samples16 {
        let count = (width * height * 3) as usize;
        Samples16::from_vec(width, height, 3, vec![code; count]).expect("length fits")
    }

    #[test]
    fn codes_fill_their_step_and_round_back_to_what_was_recorded() {
        let mut samples = flat(512, 512, 40 * STEP);
        dither_steps(&mut samples, PixelRect::of_size(512, 512), 3);
        let recorded = |code: u16| (f64::from(code) / 257.0).round();
        assert!(samples.data().iter().all(|code| recorded(*code) == 40.0));
        let (least, most) = samples.data().iter().fold((u16::MAX, 0), |(l, m), c| (l.min(*c), m.max(*c)));
        assert_eq!([least, most], [40 * STEP - 128, 40 * STEP + 128]);
        let mean = samples.data().iter().map(|c| f64::from(*c)).sum::<f64>() / samples.data().len() as f64;
        // Standard error of the mean of 786 432 values spread evenly over 257: 0.084.
        assert!((mean - 40.0 * 257.0).abs() < 0.4, "{mean}");
    }

    #[test]
    fn clipped_codes_and_further_channels_stay() {
        for code in [0, u16::MAX] {
            let mut samples = flat(16, 16, code);
            dither_steps(&mut samples, PixelRect::of_size(16, 16), 3);
            assert!(samples.data().iter().all(|c| *c == code));
        }
        let mut samples = flat(16, 16, 100 * STEP);
        dither_steps(&mut samples, PixelRect::of_size(16, 16), 2);
        assert!(samples.data().chunks_exact(3).all(|pixel| pixel[2] == 100 * STEP));
        assert!(samples.data().chunks_exact(3).any(|pixel| pixel[0] != 100 * STEP));
    }

    #[test]
    fn a_piece_has_the_codes_of_the_whole() {
        let mut whole = flat(64, 64, 90 * STEP);
        dither_steps(&mut whole, PixelRect::of_size(64, 64), 3);
        let rect = PixelRect::new(10, 20, 30, 45);
        let mut piece = flat(rect.width(), rect.height(), 90 * STEP);
        dither_steps(&mut piece, rect, 3);
        for y in 0..rect.height() {
            assert_eq!(piece.row(y), &whole.row(y + 20)[10 * 3..30 * 3]);
        }
    }
}
