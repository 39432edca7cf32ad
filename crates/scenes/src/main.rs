//! Draws the calculated pictures in `assets/scenes`: a path tracer, terrain, and the builders of each scene.
//!
//! The program ships the finished pictures; this tool exists so that they can be made again.
//!
//! ```text
//! glassine-scenes all SIDE_PX FOLDER          every calculated scene, as FOLDER/NAME.jpg
//! glassine-scenes one NAME SIDE_PX FILE.jpg   one of them
//! ```
//! `SIDE_PX` is the longest side of the picture; the bundled pictures have 1000.

mod denoise;
mod harbour;
mod indoors;
mod land;
mod noise;
mod paint;
mod shape;
mod shore;
mod sky;
mod terrain;
mod town;
mod tracer;
mod v3;

use std::path::Path;

use anyhow::{Context as _, bail};
use glassine_filmsim::{BUNDLED_WHITE, Picture, SceneId, scene_size};
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["all", side_px, folder] => {
            for scene in SceneId::ALL {
                if let Some(picture) = draw(scene, side_px.parse()?) {
                    write_jpeg(&Path::new(folder).join(format!("{}.jpg", scene.file_stem())), &picture)?;
                }
            }
        }
        ["one", name, side_px, file] => {
            let scene = SceneId::ALL.into_iter().find(|scene| scene.file_stem() == *name);
            let scene = scene.with_context(|| format!("there is no scene {name}"))?;
            let picture = draw(scene, side_px.parse()?)
                .with_context(|| format!("{name} is a photograph or the chart, which are not drawn here"))?;
            write_jpeg(Path::new(file), &picture)?;
        }
        _ => bail!("use: all SIDE_PX FOLDER, or: one NAME SIDE_PX FILE.jpg"),
    }
    Ok(())
}

/// Calculate a scene from its description, which takes seconds to minutes; `None` for the chart and photographs.
fn draw(scene: SceneId, side_px: u32) -> Option<Picture> {
    let (w, h) = scene_size(scene.aspect(), side_px);
    let picture = match scene {
        SceneId::HarbourEvening => harbour::evening(w, h),
        SceneId::HarbourNoon => harbour::noon(w, h),
        SceneId::PaintedFronts => harbour::fronts(w, h),
        SceneId::NightStreet => harbour::night(w, h),
        SceneId::StillLife => indoors::still_life(w, h),
        SceneId::Colonnade => indoors::colonnade(w, h),
        SceneId::Lighthouse => shore::lighthouse(w, h),
        SceneId::Buoys => shore::buoys(w, h),
        SceneId::Boulders => shore::boulders(w, h),
        SceneId::Headland => land::headland(w, h),
        SceneId::Dunes => land::dunes(w, h),
        SceneId::AutumnHills => land::autumn(w, h),
        SceneId::SeaSunset => land::sunset(w, h),
        SceneId::Chart | SceneId::SeedHeads | SceneId::Coffee | SceneId::Cat => return None,
    };
    Some(graduate(picture))
}

/// Compress lights far above white, as with a graduated filter: hue stays, 1.6 is the limit.
fn graduate(mut picture: Picture) -> Picture {
    const KNEE: f32 = 0.8;
    for pixel in &mut picture.pixels {
        let top = pixel[0].max(pixel[1]).max(pixel[2]);
        if top > KNEE {
            let held = KNEE + KNEE * (1.0 - (-(top - KNEE) / KNEE).exp());
            *pixel = pixel.map(|v| v * held / top);
        }
    }
    picture
}

/// Write an 8-bit sRGB file whose largest code is the light [`BUNDLED_WHITE`].
fn write_jpeg(path: &Path, picture: &Picture) -> anyhow::Result<()> {
    let code = |light: f32| {
        let v = (light / BUNDLED_WHITE).clamp(0.0, 1.0);
        // sRGB encoding, IEC 61966-2-1.
        let encoded = if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
        (255.0 * encoded + 0.5) as u8
    };
    let codes: Vec<u8> = picture.pixels.iter().flatten().map(|v| code(*v)).collect();
    let spec = PictureSpec {
        width_px: picture.width,
        height_px: picture.height,
        channels: 3,
        bits: 8,
        ppi: None,
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Jpeg { quality: 87 },
        overwrite: Overwrite::Replace,
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    writer.write_rows_u8(&codes)?;
    writer.finish()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bundled_pictures_are_what_this_tool_draws() {
        let mean = |picture: &Picture| -> [f32; 3] {
            let n = picture.pixels.len() as f32;
            std::array::from_fn(|c| picture.pixels.iter().map(|p| p[c]).sum::<f32>() / n)
        };
        for scene in [SceneId::PaintedFronts, SceneId::Buoys, SceneId::SeaSunset] {
            let drawn = draw(scene, 64).expect("a calculated scene");
            let kept = glassine_filmsim::draw_scene(scene, scene.aspect(), 64).expect("it is bundled");
            for (a, b) in mean(&drawn).into_iter().zip(mean(&kept)) {
                assert!((a - b).abs() < 0.06 * b.max(0.2), "{scene:?}: {a} drawn, {b} kept");
            }
        }
    }
}
