//! Bundled photographs as scenes: decoded, made linear, cropped to the frame.

use std::io::Write as _;

use glassine_raster::{CancelToken, PixelRect};
use glassine_scanfile::{OpenOptions, Scan};

use super::Picture;
use crate::Error;

/// A bundled photograph. Sources and licences: `assets/scenes/README.md`.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Photo {
    SeedHeads,
    Coffee,
    Cat,
}

impl Photo {
    fn bytes(self) -> &'static [u8] {
        match self {
            Self::SeedHeads => include_bytes!("../../../../assets/scenes/seed-heads.jpg"),
            Self::Coffee => include_bytes!("../../../../assets/scenes/coffee.jpg"),
            Self::Cat => include_bytes!("../../../../assets/scenes/cat.jpg"),
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::SeedHeads => "seed heads",
            Self::Coffee => "coffee",
            Self::Cat => "cat",
        }
    }
}

/// Read a photograph at a size, cropped around its middle.
pub(crate) fn read(photo: Photo, width: u32, height: u32) -> Result<Picture, Error> {
    let source = decode(photo).map_err(|source| Error::Scene { scene: photo.name(), source })?;
    let (sw, sh) = (source.width as f32, source.height as f32);
    let scale = (sw / width as f32).min(sh / height as f32);
    let (x0, y0) = ((sw - scale * width as f32) / 2.0, (sh - scale * height as f32) / 2.0);
    Ok(Picture::from_fn(width, height, |x, y| {
        source.cubic(x0 + (x as f32 + 0.5) * scale - 0.5, y0 + (y as f32 + 0.5) * scale - 0.5, scale)
    }))
}

fn decode(photo: Photo) -> Result<Picture, Box<dyn std::error::Error + Send + Sync>> {
    let mut file = tempfile::Builder::new().suffix(".jpg").tempfile()?;
    file.write_all(photo.bytes())?;
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
    /// Catmull-Rom interpolation, widened when the picture is reduced (`scale` source pixels per result).
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

    #[test]
    fn bundled_photographs_decode_to_linear_light() {
        for photo in [Photo::SeedHeads, Photo::Coffee, Photo::Cat] {
            let picture = read(photo, 60, 40).expect("the bundled photograph decodes");
            let mean = picture.pixels.iter().map(|p| p[1]).sum::<f32>() / picture.pixels.len() as f32;
            assert!((0.03..0.5).contains(&mean), "{photo:?}: mean {mean}");
            assert!(picture.pixels.iter().flatten().all(|v| (0.0..=1.2).contains(v)));
        }
    }
}
