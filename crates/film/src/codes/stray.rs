//! Stray light: the same light on every pixel, from an open lid or glass that scatters. It is measured on the holder.

use super::levels::{bright_level, colours, dark_plateau};
use glassine_raster::Samples16;

/// Least stray light that is subtracted, relative to open light. A sound scanner also scatters light from bright places
/// onto its holder: 0.1 to 0.2 % of open light on the practice scans, up to 0.4 % in the film simulator. Our choice.
const LEAST_OF_OPEN: f64 = 0.006;
/// Most stray light: above it the dark part is film or a grey holder. Our choice: film is denser than 1.1 D there.
const MOST_OF_OPEN: f64 = 0.08;
/// Least share of the scan for an even dark part. Ours: the holder beside the narrowest of the practice strips is 5 %.
const LEAST_SHARE: f64 = 0.02;
/// Largest ratio between channels: stray light has the colour of the lamp. Our choice: dense film is more tinted.
const MOST_TINT: f64 = 1.35;

/// Light that was added to the whole scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StrayLight {
    /// Linear light of red, green, blue relative to full scale, to subtract from every pixel.
    pub light: [f64; 3],
    /// The largest of them relative to open light, or to the brightest film if no open light is visible.
    pub of_open: f64,
}

/// Measure the stray light of a whole scan on its dark plateau; `None` without one, and if it is as dark as it should
/// be.
///
/// ```text
/// seen(x, y) = film(x, y) + stray        stray = median of the holder, per channel
/// D = -log10(seen - stray)
/// ```
/// | quantity | unit | range |
/// |---|---|---|
/// | `linear` | linear codes of the whole scan, reduced | any size |
/// | result | light against full scale | 0.6 to 8 % of open light |
///
/// A holder blocks light, so any light measured there was added. Film cannot replace it: a mask or dyes tint it, and
/// its grain spreads its codes. Light that increases towards bright places (scatter inside the lens) is not even and is
/// not removed.
pub fn find_stray_light(linear: &Samples16, colour_channels: u8) -> Option<StrayLight> {
    let pixels: Vec<[f64; 3]> = colours(linear, colour_channels.into());
    let dark = dark_plateau(&pixels)?;
    let brightest = bright_level(&pixels);
    let [r, g, b] = dark.level;
    let (low, high) = (r.min(g).min(b), r.max(g).max(b));
    let of_open = high / brightest.max(1e-6);
    let is_stray = (LEAST_OF_OPEN..MOST_OF_OPEN).contains(&of_open)
        && dark.share > LEAST_SHARE
        && high < MOST_TINT * low
        && is_along_a_side(linear, colour_channels, high);
    is_stray.then_some(StrayLight { light: dark.level, of_open })
}

/// Share of one side of the scan that the holder covers, and its largest variation from pixel to pixel. Ours: grain of
/// film as dense as this is 4 % and more at any resolution at which it is scanned; read noise at 1 % of full scale is 1
/// %.
const LEAST_OF_SIDE: f64 = 0.6;
const MOST_GRAIN: f64 = 0.025;

/// Whether pixels of a level run along a side of the scan and are as even as a holder.
fn is_along_a_side(linear: &Samples16, colour_channels: u8, level: f64) -> bool {
    let channels = usize::from(linear.channels()).max(1);
    let used = usize::from(colour_channels.clamp(1, linear.channels().max(1)));
    let (width, height) = (linear.width(), linear.height());
    if width < 4 || height < 4 {
        return false;
    }
    let at = |x: u32, y: u32| -> f64 {
        let pixel = &linear.row(y)[x as usize * channels..][..used];
        f64::from(pixel.iter().copied().max().unwrap_or(0)) / 65_535.0
    };
    let is_side = |count: u32, at: &dyn Fn(u32) -> f64| {
        let codes: Vec<f64> = (0..count).map(at).collect();
        // 12 % about the level, as for open light (`levels.rs`). Our choice.
        let is_in = |code: &f64| (*code / level - 1.0).abs() < 0.12;
        let inside = codes.iter().filter(|code| is_in(code)).count();
        let mut steps: Vec<f64> = codes
            .windows(2)
            .filter(|pair| pair.iter().all(is_in))
            .map(|pair| (pair[1] - pair[0]).abs() / level)
            .collect();
        inside as f64 > LEAST_OF_SIDE * f64::from(count)
            && glassine_raster::median(&mut steps, f64::total_cmp).is_some_and(|step| step < MOST_GRAIN)
    };
    is_side(width, &|x| at(x, 1))
        || is_side(width, &|x| at(x, height - 2))
        || is_side(height, &|y| at(1, y))
        || is_side(height, &|y| at(width - 2, y))
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    /// Holder, open light and grainy masked film, with the same light added everywhere.
    fn scan(stray: f64, holder: bool) -> Samples16 {
        let mut random = Lcg::new(7);
        let mut data = Vec::new();
        for y in 0..120_u32 {
            for x in 0..160_u32 {
                let light = match (x, y) {
                    (0..20, _) if holder => [0.0008; 3],
                    (20..30, _) => [0.94, 0.935, 0.925],
                    _ => {
                        let d = if y < 15 { 0.0 } else { 0.2 + 1.4 * f64::from(x) / 160.0 }
                            + 0.1 * (random.unit() - 0.5);
                        [0.53, 0.245, 0.118].map(|base| 0.94 * base * 10_f64.powf(-d))
                    }
                };
                for c in light {
                    data.push(
                        ((c + stray * 0.94 + 1e-4 * (random.unit() - 0.5)).clamp(0.0, 1.0) * 65_535.0) as u16,
                    );
                }
            }
        }
        Samples16::from_vec(160, 120, 3, data).expect("sizes fit")
    }

    #[test]
    fn light_on_the_holder_is_measured() {
        for stray in [0.01, 0.02, 0.05] {
            let found = find_stray_light(&scan(stray, true), 3).expect("there is some");
            for light in found.light {
                assert!((light - 0.94 * stray - 0.0008).abs() < 1e-4, "{stray} {found:?}");
            }
            assert!((found.of_open / (stray + 0.0008) - 1.0).abs() < 0.1);
        }
    }

    #[test]
    fn a_dark_holder_and_dense_film_give_none() {
        assert_eq!(find_stray_light(&scan(0.0, true), 3), None);
        assert_eq!(find_stray_light(&scan(0.0, false), 3), None);
        assert_eq!(find_stray_light(&scan(0.02, false), 3), None);
    }
}
