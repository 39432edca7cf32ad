//! Bundled pictures as scenes: decoded, made linear, cropped to the frame.
//!
//! Photographs are used unchanged. The calculated scenes were drawn by `crates/scenes`.

use std::io::Write as _;

use glassine_raster::{CancelToken, PixelRect};
use glassine_scanfile::{OpenOptions, Scan};

use super::{Picture, SceneId};
use crate::Error;

/// Light of the largest code in calculated scenes: leaves room above white for lamps and glints.
pub const BUNDLED_WHITE: f32 = 1.6;

/// The bytes of a bundled picture and the light of its largest code. Sources and licences: `assets/scenes/README.md`.
fn bundle(scene: SceneId) -> Option<(&'static [u8], f32)> {
    macro_rules! file {
        ($name:literal) => {
            include_bytes!(concat!("../../../../assets/scenes/", $name, ".jpg")).as_slice()
        };
    }
    Some(match scene {
        SceneId::Chart => return None,
        SceneId::SeedHeads => (file!("seed-heads"), 1.0),
        SceneId::Coffee => (file!("coffee"), 1.0),
        SceneId::Cat => (file!("cat"), 1.0),
        SceneId::HarbourEvening => (file!("harbour-evening"), BUNDLED_WHITE),
        SceneId::HarbourNoon => (file!("harbour-noon"), BUNDLED_WHITE),
        SceneId::PaintedFronts => (file!("painted-fronts"), BUNDLED_WHITE),
        SceneId::NightStreet => (file!("night-street"), BUNDLED_WHITE),
        SceneId::StillLife => (file!("still-life"), BUNDLED_WHITE),
        SceneId::Colonnade => (file!("colonnade"), BUNDLED_WHITE),
        SceneId::Lighthouse => (file!("lighthouse"), BUNDLED_WHITE),
        SceneId::Buoys => (file!("buoys"), BUNDLED_WHITE),
        SceneId::Headland => (file!("headland"), BUNDLED_WHITE),
        SceneId::Dunes => (file!("dunes"), BUNDLED_WHITE),
        SceneId::AutumnHills => (file!("autumn-hills"), BUNDLED_WHITE),
        SceneId::SeaSunset => (file!("sea-sunset"), BUNDLED_WHITE),
        SceneId::Boulders => (file!("boulders"), BUNDLED_WHITE),
    })
}

/// Decode a bundled picture at a size, cropped around its middle; `None` for scenes without one.
pub(crate) fn read(scene: SceneId, width: u32, height: u32) -> Result<Option<Picture>, Error> {
    let Some((bytes, white)) = bundle(scene) else { return Ok(None) };
    let source = decode(bytes).map_err(|source| Error::Scene { scene: scene.file_stem(), source })?;
    let (sw, sh) = (source.width as f32, source.height as f32);
    let scale = (sw / width as f32).min(sh / height as f32);
    let (x0, y0) = ((sw - scale * width as f32) / 2.0, (sh - scale * height as f32) / 2.0);
    Ok(Some(Picture::from_fn(width, height, |x, y| {
        let (x, y) = (x0 + (x as f32 + 0.5) * scale - 0.5, y0 + (y as f32 + 0.5) * scale - 0.5);
        source.cubic(x, y, scale).map(|v| v * white)
    })))
}

fn decode(bytes: &[u8]) -> Result<Picture, Box<dyn std::error::Error + Send + Sync>> {
    let mut file = tempfile::Builder::new().suffix(".jpg").tempfile()?;
    file.write_all(bytes)?;
    file.flush()?;
    let scan = Scan::open(file.path(), &OpenOptions::default())?;
    let info = scan.info();
    let all = PixelRect::of_size(info.width_px, info.height_px);
    let samples = scan.read_region(all, &CancelToken::new())?;
    let light = scan.linearisation();
    let channels = usize::from(samples.channels());
    let pixels = samples
        .data()
        .chunks_exact(channels)
        .map(|p| std::array::from_fn(|c| light.light(c.min(channels - 1), p[c.min(channels - 1)])))
        .collect();
    Ok(Picture { width: samples.width(), height: samples.height(), pixels })
}

impl Picture {
    /// Catmull-Rom interpolation, with a wider kernel for reductions (`scale` source pixels per result).
    fn cubic(&self, x: f32, y: f32, scale: f32) -> [f32; 3] {
        let widen = scale.max(1.0);
        let weight = |d: f32| {
            let d = (d / widen).abs();
            if d < 1.0 {
                1.5 * d * d * d - 2.5 * d * d + 1.0
            } else if d < 2.0 {
                -0.5 * d * d * d + 2.5 * d * d - 4.0 * d + 2.0
            } else {
                0.0
            }
        };
        let reach = (2.0 * widen).ceil() as i32;
        let (ix, iy) = (x.floor() as i32, y.floor() as i32);
        let (mut sum, mut total) = ([0f32; 3], 0f32);
        for sy in iy - reach + 1..=iy + reach {
            let wy = weight(y - sy as f32);
            let row = sy.clamp(0, self.height as i32 - 1) as usize * self.width as usize;
            for sx in ix - reach + 1..=ix + reach {
                let w = wy * weight(x - sx as f32);
                let pixel = self.pixels[row + sx.clamp(0, self.width as i32 - 1) as usize];
                for c in 0..3 {
                    sum[c] += w * pixel[c];
                }
                total += w;
            }
        }
        sum.map(|v| (v / total.max(1e-6)).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean(picture: &Picture) -> [f32; 3] {
        let n = picture.pixels.len() as f32;
        std::array::from_fn(|c| picture.pixels.iter().map(|p| p[c]).sum::<f32>() / n)
    }

    #[test]
    fn bundled_pictures_decode_to_linear_light() {
        for scene in SceneId::ALL.into_iter().filter(|s| *s != SceneId::Chart) {
            let picture = read(scene, 60, 40).expect("the bundled picture decodes").expect("it is bundled");
            let [_, g, _] = mean(&picture);
            assert!((0.02..0.7).contains(&g), "{scene:?}: mean {g}");
            assert!(picture.pixels.iter().flatten().all(|v| (0.0..=2.0).contains(v)));
        }
    }
}
