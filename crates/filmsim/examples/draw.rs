//! Draw a scene or render a demo strip to look at it: `draw scene Dunes 700 out.ppm`, `draw strip harbour 300 out.pam`.
//!
//! Scenes come out as 8-bit sRGB PPM, strips as 16-bit linear PAM with infrared as the fourth channel.

use std::io::Write as _;

use glassine_filmsim::{SceneId, demo_spec, draw_scene, render_strip};
use glassine_raster::CancelToken;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, kind, name, size, path] = arguments.as_slice() else {
        return Err("draw scene NAME SIDE OUT.ppm | draw strip ID PPI OUT.pam".into());
    };
    let mut out = std::io::BufWriter::new(std::fs::File::create(path)?);
    if kind == "scene" {
        let scene = SceneId::ALL.into_iter().find(|s| format!("{s:?}") == *name).ok_or("no such scene")?;
        let aspect = if matches!(scene, SceneId::HarbourEvening | SceneId::PaintedFronts | SceneId::SeedHeads)
        {
            0.743
        } else if matches!(scene, SceneId::Lighthouse | SceneId::Colonnade | SceneId::Boulders) {
            1.0
        } else {
            1.5
        };
        let picture = draw_scene(scene, aspect, size.parse()?)?;
        write!(out, "P6\n{} {}\n255\n", picture.width, picture.height)?;
        for v in picture.pixels.iter().flatten() {
            let v = v.clamp(0.0, 1.0);
            let code = if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
            out.write_all(&[(255.0 * code + 0.5) as u8])?;
        }
    } else {
        let spec = demo_spec(name, size.parse()?).ok_or("no such strip")?;
        let strip = render_strip(&spec, &|_| (), &CancelToken::new())?;
        let samples = &strip.samples;
        write!(
            out,
            "P7\nWIDTH {}\nHEIGHT {}\nDEPTH 4\nMAXVAL 65535\nTUPLTYPE RGBI\nENDHDR\n",
            samples.width(),
            samples.height()
        )?;
        for code in samples.data() {
            out.write_all(&code.to_be_bytes())?;
        }
        std::fs::write(
            format!("{path}.txt"),
            format!("{:#?}\n{:?}\n", strip.truth.frames, strip.truth.base_density),
        )?;
    }
    out.flush()?;
    Ok(())
}
