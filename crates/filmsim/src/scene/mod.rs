//! Scenes in front of the camera: pictures in linear light, from bundled files; only the chart is calculated.

mod bundled;
pub(crate) mod chart;

pub use bundled::BUNDLED_WHITE;
use rayon::prelude::*;
use serde::Deserialize;

use crate::Error;

/// A scene; descriptions name it by [`SceneId::file_stem`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SceneId {
    /// Colour chart with a grey wedge.
    Chart,
    /// Boats along the quay after sunset, windows lit.
    HarbourEvening,
    /// Boats at midday.
    HarbourNoon,
    /// House fronts in low sun.
    PaintedFronts,
    /// A street in the rain at night.
    NightStreet,
    /// Pots and fruit on a table.
    StillLife,
    /// A colonnade with hard shadows.
    Colonnade,
    /// A lighthouse under a heavy sky.
    Lighthouse,
    /// Buoys against a tarred shed.
    Buoys,
    /// A headland falling to the sea, hills behind hills.
    Headland,
    /// Dunes in thin fog.
    Dunes,
    /// Hills in autumn.
    AutumnHills,
    /// The sun low over islands.
    SeaSunset,
    /// Boulders on the shore.
    Boulders,
    /// Photograph: seed heads against the sun.
    SeedHeads,
    /// Photograph: a cup of coffee.
    Coffee,
    /// Photograph: a cat.
    Cat,
}

impl SceneId {
    pub const ALL: [Self; 17] = [
        Self::Chart,
        Self::HarbourEvening,
        Self::HarbourNoon,
        Self::PaintedFronts,
        Self::NightStreet,
        Self::StillLife,
        Self::Colonnade,
        Self::Lighthouse,
        Self::Buoys,
        Self::Headland,
        Self::Dunes,
        Self::AutumnHills,
        Self::SeaSunset,
        Self::Boulders,
        Self::SeedHeads,
        Self::Coffee,
        Self::Cat,
    ];

    /// Name of the bundled picture's file, without its extension.
    pub fn file_stem(self) -> &'static str {
        match self {
            Self::Chart => "chart",
            Self::HarbourEvening => "harbour-evening",
            Self::HarbourNoon => "harbour-noon",
            Self::PaintedFronts => "painted-fronts",
            Self::NightStreet => "night-street",
            Self::StillLife => "still-life",
            Self::Colonnade => "colonnade",
            Self::Lighthouse => "lighthouse",
            Self::Buoys => "buoys",
            Self::Headland => "headland",
            Self::Dunes => "dunes",
            Self::AutumnHills => "autumn-hills",
            Self::SeaSunset => "sea-sunset",
            Self::Boulders => "boulders",
            Self::SeedHeads => "seed-heads",
            Self::Coffee => "coffee",
            Self::Cat => "cat",
        }
    }

    /// Width / height for which the scene is composed.
    pub fn aspect(self) -> f32 {
        match self {
            Self::Chart | Self::HarbourEvening | Self::PaintedFronts | Self::SeedHeads => 41.6 / 56.0,
            Self::Lighthouse | Self::Colonnade | Self::Boulders => 1.0,
            _ => 1.5,
        }
    }
}

/// A picture in linear light (sRGB primaries, 1 = white card in the main light).
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    pub width: u32,
    pub height: u32,
    /// Red, green, blue, row by row.
    pub pixels: Vec<[f32; 3]>,
}

impl Picture {
    /// A picture computed pixel by pixel.
    pub fn from_fn(width: u32, height: u32, f: impl Fn(u32, u32) -> [f32; 3] + Sync) -> Self {
        let mut pixels = vec![[0f32; 3]; width as usize * height as usize];
        pixels.par_chunks_mut(width.max(1) as usize).enumerate().for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                *pixel = f(x as u32, y as u32);
            }
        });
        Self { width, height, pixels }
    }

    #[cfg(test)]
    pub(crate) fn at(&self, x: u32, y: u32) -> [f32; 3] {
        self.pixels[y as usize * self.width as usize + x as usize]
    }
}

/// A scene with the given aspect (width / height) and a longest side of about `side_px`: the bundled picture if there
/// is one, else calculated.
pub fn draw(scene: SceneId, aspect: f32, side_px: u32) -> Result<Picture, Error> {
    let (w, h) = size(aspect, side_px);
    Ok(match bundled::read(scene, w, h)? {
        Some(picture) => picture,
        None => chart::draw(w, h),
    })
}

/// Width and height of a picture with this aspect (width / height) and longest side, pixels.
pub fn size(aspect: f32, side_px: u32) -> (u32, u32) {
    let side = side_px.clamp(8, 4096) as f32;
    let aspect = if aspect.is_finite() { aspect.clamp(0.05, 20.0) } else { 1.0 };
    let (w, h) = if aspect >= 1.0 { (side, side / aspect) } else { (side * aspect, side) };
    (w.round().max(4.0) as u32, h.round().max(4.0) as u32)
}
