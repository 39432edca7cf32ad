//! The description of one scanned strip: film in a holder, frames on film, all in millimetres.

use glassine_raster::{Orientation, Plane, Point, ResolutionPpi, Samples16, Scan, TiltedBox};
use serde::Deserialize;

use crate::lettering::Lettering;
use crate::light::Light;
use crate::scanner::ScannerSpec;
use crate::scene::SceneId;
use crate::stock::FilmStock;

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FrameSpec {
    pub scene: SceneId,
    /// Exposure relative to the meter, stops.
    pub stops: f64,
    /// Middle of the image area, film millimetres: along and across, origin at the middle of the film.
    pub center_mm: [f64; 2],
    /// Image area: along and across the film, mm.
    pub size_mm: [f64; 2],
    /// Turn of the image area relative to the film, degrees clockwise.
    #[serde(default)]
    pub turn_deg: f64,
    #[serde(default)]
    pub light: Light,
    /// Quarter turns clockwise that put the picture upright.
    #[serde(default)]
    pub quarter_turns: u8,
}

/// Amount of dirt and damage on a strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Dirt {
    pub specks: u32,
    /// Hairs and fibres.
    pub hairs: u32,
    /// Scratches of the base side, along the film.
    pub base_scratches: u32,
    /// Scratches that removed image layers.
    pub emulsion_scratches: u32,
    /// Long lines through the image layers, along or across the film, nearly invisible in infrared.
    pub emulsion_lines: u32,
}

impl Dirt {
    pub const NONE: Self =
        Self { specks: 0, hairs: 0, base_scratches: 0, emulsion_scratches: 0, emulsion_lines: 0 };
}

/// One strip of film in a holder, and its scan.
#[derive(Debug, Clone, PartialEq)]
pub struct StripSpec {
    pub stock: FilmStock,
    /// Scan resolution, pixels per inch.
    pub ppi: f64,
    /// Scanned area, mm: width, height.
    pub scan_mm: [f64; 2],
    /// Opening of the holder, in the middle of the scan, mm.
    pub window_mm: [f64; 2],
    /// Film, mm: length and width.
    pub film_mm: [f64; 2],
    /// Middle of the film from the middle of the scan, mm.
    pub film_offset_mm: [f64; 2],
    /// Turn of the film, degrees clockwise.
    pub angle_deg: f64,
    /// Perforated on both sides, like 35 mm film.
    pub perforated: bool,
    /// Number printed at the first frame.
    pub first_number: u32,
    /// Exposed frames, left to right.
    pub frames: Vec<FrameSpec>,
    pub dirt: Dirt,
    pub scanner: ScannerSpec,
    /// Longest side of the scene pictures, pixels.
    pub scene_px: u32,
    pub seed: u32,
}

/// A colour patch of a chart frame.
#[derive(Debug, Clone, PartialEq)]
pub struct PatchTruth {
    /// Middle of the patch in the scan.
    pub center_px: Point<Scan>,
    /// Half the side of the square that is safe to average, pixels.
    pub half_side_px: f64,
    /// CIE Lab of the patch under D50 (2 degree observer), white = reflectance 1.
    pub lab_d50: [f64; 3],
}

/// Truth about one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameTruth {
    /// The image area in the scan.
    pub area: TiltedBox,
    /// Turn of the picture.
    pub orientation: Orientation,
    /// Corners of the upright picture: top left, top right, bottom right, bottom left, at pixel edges.
    pub corners_px: [Point<Scan>; 4],
    /// Exposure, stops.
    pub stops: f64,
    pub scene: SceneId,
    /// The chart's patches, if the frame shows it.
    pub patches: Vec<PatchTruth>,
}

/// Kinds of dirt and damage, as coded in the truth planes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Defect {
    Dust = 1,
    Hair = 2,
    /// A scratch of the base side.
    BaseScratch = 3,
    /// A scratch through image layers.
    EmulsionScratch = 4,
}

/// Truth about a rendered strip.
#[derive(Debug, Clone, PartialEq)]
pub struct StripTruth {
    /// Frames, left to right.
    pub frames: Vec<FrameTruth>,
    /// Turn of the film, degrees clockwise.
    pub angle_deg: f64,
    /// Density of clear rebate against full scale: red, green, blue, infrared; measured on the clean rebate.
    pub base_density: [f64; 4],
    /// Number of pixels in that measurement.
    pub rebate_pixels: u64,
    /// [`Defect`] codes, 0 where clean.
    pub defect_class: Plane<u8>,
    /// Light blocked (or added) by the defect, 255 = all, 0 where clean.
    pub defect_severity: Plane<u8>,
}

/// A rendered strip: the scan and the truth about it.
#[derive(Debug, Clone, PartialEq)]
pub struct RenderedStrip {
    /// Linear codes: red, green, blue, infrared.
    pub samples: Samples16,
    pub truth: StripTruth,
    pub ppi: ResolutionPpi,
}

/// Perforation pitch KS-1870, mm (0.1870 in). Source: SMPTE ST 119:2011 scope text.
const PERFORATION_PITCH_MM: f64 = 4.750;
/// Opening across and along the film, its corner radius and its distance from the film edge, mm; from memory.
const PERFORATION_MM: [f64; 4] = [2.794, 1.981, 0.51, 2.01];

impl StripSpec {
    pub(crate) fn px_per_mm(&self) -> f64 {
        self.ppi / glassine_raster::MM_PER_INCH
    }

    /// Size of the scan, pixels.
    pub fn size_px(&self) -> (u32, u32) {
        let px = |mm: f64| (mm * self.px_per_mm()).round().clamp(1.0, 60_000.0) as u32;
        (px(self.scan_mm[0]), px(self.scan_mm[1]))
    }

    /// Film millimetres (along, across, from the middle of the film) of a scan position in pixels.
    pub(crate) fn film_from_scan(&self, x_px: f64, y_px: f64) -> [f64; 2] {
        let dx = x_px / self.px_per_mm() - self.scan_mm[0] / 2.0 - self.film_offset_mm[0];
        let dy = y_px / self.px_per_mm() - self.scan_mm[1] / 2.0 - self.film_offset_mm[1];
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        [cos * dx + sin * dy, cos * dy - sin * dx]
    }

    /// Scan position in pixels of a point of the film; inverse of [`Self::film_from_scan`].
    pub(crate) fn scan_from_film(&self, along_mm: f64, across_mm: f64) -> Point<Scan> {
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        let x_mm = self.scan_mm[0] / 2.0 + self.film_offset_mm[0] + cos * along_mm - sin * across_mm;
        let y_mm = self.scan_mm[1] / 2.0 + self.film_offset_mm[1] + sin * along_mm + cos * across_mm;
        Point::new(x_mm * self.px_per_mm(), y_mm * self.px_per_mm())
    }

    /// The image area of a frame in the scan.
    pub fn frame_area(&self, frame: &FrameSpec) -> TiltedBox {
        TiltedBox {
            center: self.scan_from_film(frame.center_mm[0], frame.center_mm[1]),
            width_px: frame.size_mm[0] * self.px_per_mm(),
            height_px: frame.size_mm[1] * self.px_per_mm(),
            angle_rad: (self.angle_deg + frame.turn_deg).to_radians(),
        }
    }

    /// Signed distance to the nearest perforation, mm: negative inside the hole; infinite without perforations.
    pub(crate) fn perforation_distance_mm(&self, along_mm: f64, across_mm: f64) -> f64 {
        if !self.perforated {
            return f64::INFINITY;
        }
        let [across, along, radius, margin] = PERFORATION_MM;
        let row = self.film_mm[1] / 2.0 - margin - across / 2.0;
        let phase = (along_mm + 0.7) / PERFORATION_PITCH_MM;
        let du = ((phase - phase.round()) * PERFORATION_PITCH_MM).abs() - (along / 2.0 - radius);
        let dv = (across_mm.abs() - row).abs() - (across / 2.0 - radius);
        du.max(0.0).hypot(dv.max(0.0)) + du.max(dv).min(0.0) - radius
    }

    /// Edge print of the strip: stock name and frame numbers along both edges.
    pub(crate) fn edge_print(&self, stock_name: &str) -> Vec<Lettering> {
        let (height, edge) = if self.perforated { (1.15, 1.0) } else { (1.45, 1.35) };
        let across = self.film_mm[1] / 2.0 - edge;
        let mut print = Vec::new();
        for (i, frame) in self.frames.iter().enumerate() {
            let number = self.first_number + i as u32;
            let (middle, half) = (frame.center_mm[0], frame.size_mm[0] / 2.0);
            print.push(Lettering::new(stock_name, middle - 0.8 * half, across, height));
            print.push(Lettering::new(&format!("{number}"), middle + 0.35 * half, across, height));
            print.push(Lettering::new(&format!("> {number}A"), middle + 0.72 * half, -across, height));
            print.push(Lettering::new("||", middle - 0.2 * half, -across, 0.8 * height));
        }
        print.retain(|p| {
            p.along_mm > -self.film_mm[0] / 2.0 && p.along_mm + p.length_mm() < self.film_mm[0] / 2.0
        });
        print
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn film_and_scan_positions_are_inverse() {
        let spec = crate::demo::demo_spec("harbour", 300.0).expect("the harbour strip exists");
        let p = spec.scan_from_film(31.0, -7.5);
        let [u, v] = spec.film_from_scan(p.x, p.y);
        assert!((u - 31.0).abs() < 1e-9 && (v + 7.5).abs() < 1e-9);
    }

    #[test]
    fn perforations_repeat_every_pitch_and_clear_the_image() {
        let spec = crate::demo::demo_spec("headland", 300.0).expect("the headland strip exists");
        let row = spec.film_mm[1] / 2.0 - 2.01 - 1.397;
        for k in -5..5 {
            let along = f64::from(k) * 4.75 - 0.7;
            assert!((spec.perforation_distance_mm(along, row) + 0.99).abs() < 0.02);
            assert!(spec.perforation_distance_mm(along, 12.0) > 0.5);
        }
    }
}
