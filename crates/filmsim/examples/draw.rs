//! Draws what the model produces, and remakes the bundled scenes.
//!
//! `draw scene NAME SIDE OUT.jpg` calculates one scene; `draw bundle SIDE FOLDER` calculates all bundled ones; `draw
//! strip ID PPI OUT.tif` renders a demo strip with its truth beside it; `draw demo FOLDER` writes the demo's scans.

use std::path::Path;

use glassine_filmsim::{BUNDLED_WHITE, Picture, SceneId, demo_spec, make_demo, render_strip, trace_scene};
use glassine_raster::CancelToken;
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, write_rgbi};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let words: Vec<&str> = arguments.iter().skip(1).map(String::as_str).collect();
    match words.as_slice() {
        ["scene", name, side, path] => {
            let scene = SceneId::ALL.into_iter().find(|s| s.file_stem() == *name).ok_or("no such scene")?;
            let picture =
                trace_scene(scene, scene.aspect(), side.parse()?).ok_or("this scene is a photograph")?;
            write_jpeg(Path::new(path), &picture)?;
        }
        ["bundle", side, folder] => {
            for scene in SceneId::ALL.into_iter().filter(|s| *s != SceneId::Chart) {
                if let Some(picture) = trace_scene(scene, scene.aspect(), side.parse()?) {
                    write_jpeg(&Path::new(folder).join(format!("{}.jpg", scene.file_stem())), &picture)?;
                }
            }
        }
        ["strip", id, ppi, path] => {
            let spec = demo_spec(id, ppi.parse()?).ok_or("no such strip")?;
            let strip = render_strip(&spec, &|_| (), &CancelToken::new())?;
            write_rgbi(Path::new(path), &strip.samples, spec.ppi, id, Overwrite::Replace)?;
            let truth = (&strip.truth.frames, strip.truth.base_density, strip.truth.rebate_pixels);
            std::fs::write(format!("{path}.txt"), format!("{truth:#?}\n"))?;
        }
        ["demo", folder] => {
            make_demo(Path::new(folder), &|_, _| (), &CancelToken::new())?;
        }
        _ => {
            return Err(
                "scene NAME SIDE OUT.jpg | bundle SIDE FOLDER | strip ID PPI OUT.tif | demo FOLDER".into()
            );
        }
    }
    Ok(())
}

/// Write an 8-bit sRGB file whose largest code is the light [`BUNDLED_WHITE`].
fn write_jpeg(path: &Path, picture: &Picture) -> Result<(), Box<dyn std::error::Error>> {
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
