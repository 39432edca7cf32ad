//! The crate's inputs and outputs: options, registration, leakage, the dust map and the reasons to refuse.

use glassine_raster::{Cancelled, PixelRect, RegionError};

use crate::grid::Grid;

/// Position of the infrared picture relative to the visible one.
///
/// ```text
/// infrared position = centre + scale * R(rotation) * (visible position - centre) + shift
/// ```
/// `centre` is the middle of the registered region. Positions are pixels of that region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Registration {
    /// Infrared content is at the visible position plus this shift (x, y), pixels.
    pub shift_px: [f64; 2],
    /// Magnification of the infrared picture about the centre; 1 unless the region shows otherwise.
    pub scale: f64,
    /// Turn of the infrared picture about the centre, clockwise on screen.
    pub rotation_rad: f64,
    /// 0 (unknown) to 1 (one clear, repeatable result).
    pub confidence: f32,
    /// Disagreement between parts of the region after the fit, rms pixels.
    pub residual_px: f64,
}

impl Registration {
    /// The infrared plane matches the visible ones exactly.
    pub const ALIGNED: Self =
        Self { shift_px: [0.0, 0.0], scale: 1.0, rotation_rad: 0.0, confidence: 1.0, residual_px: 0.0 };

    /// Infrared position (pixel centres at integers) of a visible position, for a region of the given size.
    pub fn infrared_from_visible(&self, x: f64, y: f64, width: u32, height: u32) -> (f64, f64) {
        let (cx, cy) = ((f64::from(width) - 1.0) / 2.0, (f64::from(height) - 1.0) / 2.0);
        let (dx, dy) = (x - cx, y - cy);
        let (sin, cos) = self.rotation_rad.sin_cos();
        (
            cx + self.scale * (cos * dx - sin * dy) + self.shift_px[0],
            cy + self.scale * (sin * dx + cos * dy) + self.shift_px[1],
        )
    }

    /// The same registration expressed about another centre, at `offset` (x, y) from this one, pixels.
    ///
    /// ```text
    /// shift' = shift + (scale * R(rotation) - 1) * offset
    /// ```
    #[must_use]
    pub fn about(&self, offset_px: [f64; 2]) -> Self {
        let (sin, cos) = self.rotation_rad.sin_cos();
        let [x, y] = offset_px;
        let moved = [self.scale * (cos * x - sin * y) - x, self.scale * (sin * x + cos * y) - y];
        Self { shift_px: [self.shift_px[0] + moved[0], self.shift_px[1] + moved[1]], ..*self }
    }

    /// Whether a plain shift describes the registration completely.
    pub fn is_pure_shift(&self) -> bool {
        self.scale == 1.0 && self.rotation_rad == 0.0
    }
}

/// How the image itself shows in the infrared, because no dye is perfectly clear there.
///
/// ```text
/// D_infrared = offset + coefficients . (D_red, D_green, D_blue) + slow background + defects
/// D_c        = -log10(max(T_c - stray, T_c / 10)),   T_c = code / 65535
/// ```
/// Infrared density follows that of the dyes, but visible codes also contain stray light, which makes dark parts look
/// clearer than they are. Without subtracting it, the darkest parts of a slide would look like dust.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leakage {
    /// Infrared density per visible density, red, green, blue (grey uses the first).
    pub coefficients: [f64; 3],
    /// Infrared density of clear film, D.
    pub offset_d: f64,
    /// Correlation of infrared with visible density over the picture, -1..=1.
    pub silver_correlation: f64,
    /// Uniform light in the visible codes that did not pass the film, as a share of full scale: flare, or a lid left
    /// ajar.
    pub stray_light: f64,
    /// Infrared density per neutral visible density: about 0.05 for clear dyes, near 1 for silver.
    pub strength: f64,
    /// Extra blur of the infrared picture against the visible one, sigma in pixels.
    pub blur_px: f64,
}

/// Leakage above this strength triggers a warning: dark image parts may count as dust, and dust as image.
///
/// Ours: clear dyes measure about 0.05, silver 0.9 and more.
pub const STRONG_LEAKAGE: f64 = 0.2;

/// Infrared density per visible density above which the infrared shows the image itself, as silver does.
///
/// Ours: clear dyes give a strength near 0.05, partly transparent slide films up to 0.4, silver 0.8 to 1.2.
pub(crate) const SILVER_STRENGTH: f64 = 0.5;
/// Leakage possible with dyes: single coefficients, and the lowest sum of all (below zero is measurement error). Our
/// choice, by the arithmetic at [`Leakage::check`].
const LEAKAGE_RANGE: std::ops::Range<f64> = -0.15..0.6;
const STRENGTH_MIN: f64 = -0.03;

impl Leakage {
    /// Refuses what no dye can do: infrared density that falls where the film is denser, or that follows one colour
    /// alone against the others.
    ///
    /// Infrared density is that of the dyes, and every dye absorbs a little or nothing there. A matrix with
    /// off-diagonal terms of about -0.1 to -0.3 (unwanted absorptions) gives the dye densities from those of the
    /// scanner's bands. With up to 0.5 D per D for the most absorbing dye, coefficients are between -0.15 and 0.6.
    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let single = self.coefficients.iter().all(|c| LEAKAGE_RANGE.contains(c));
        if single && (STRENGTH_MIN..SILVER_STRENGTH).contains(&self.strength) {
            return Ok(());
        }
        Err(Refusal::ImplausibleLeakage { strength: self.strength })
    }

    /// Whether the dyes block so much infrared that the user should check the map before trusting it.
    pub fn is_strong(&self) -> bool {
        self.strength > STRONG_LEAKAGE
    }
}

/// Why there is no dust map. The text says what was found and what to do.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The scan has no infrared sample.
    #[error(
        "this scan has no infrared plane, so dust cannot be distinguished from the image; scan with the infrared pass on, or repair spots by hand"
    )]
    NoInfrared,
    /// Silver blocks infrared just as it blocks light.
    #[error(
        "this is silver film: its image blocks infrared light just as dust does (correlation {correlation:.2}, {strength:.2} D per D), so nothing was marked; mark spots and hairs with the repair brush instead"
    )]
    SilverFilm {
        /// Correlation of infrared and visible density.
        correlation: f64,
        /// Infrared density per visible density.
        strength: f64,
    },
    /// The infrared follows the picture in a way that no film's dyes do.
    #[error(
        "the infrared plane follows the picture in a way no film does ({strength:.2} D per D), so dust cannot be distinguished from the image; check that it belongs to this scan and that the frame lies on film only, or repair spots by hand"
    )]
    ImplausibleLeakage {
        /// Infrared density per neutral visible density, see [`Leakage::strength`].
        strength: f64,
    },
    /// The infrared and visible pictures could not be aligned with certainty.
    #[error(
        "the infrared plane could not be aligned with the picture (confidence {confidence:.2}, {features} marks found); check that it belongs to this scan, or scan both in one pass"
    )]
    RegistrationUncertain {
        /// 0..1, see [`Registration::confidence`].
        confidence: f32,
        /// Pixels usable as marks.
        features: u32,
    },
    /// So much of the picture would be replaced that something else must be wrong.
    #[error(
        "the infrared plane marks {:.0} % of the picture as damaged, which is not dust; check that it belongs to this scan and that the film is not silver black-and-white",
        area_fraction * 100.0
    )]
    TooMuchDamage {
        /// Share of the region that would be marked.
        area_fraction: f64,
    },
    /// The infrared plane carries no signal.
    #[error(
        "the infrared plane is {} almost everywhere ({:.0} %), so it shows nothing; scan again with a {} infrared exposure",
        if *.at_top { "at full scale" } else { "black" },
        fraction * 100.0,
        if *.at_top { "shorter" } else { "longer" }
    )]
    InfraredUnusable {
        /// Full scale instead of black.
        at_top: bool,
        /// Share of the region concerned.
        fraction: f64,
    },
    /// The region is too small for any measurement.
    #[error("the region of {width} x {height} pixels is too small for dust detection; choose a larger one")]
    TooSmall {
        /// Columns of the region.
        width: u32,
        /// Rows of the region.
        height: u32,
    },
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Why there is no dust map: the picture does not allow it, or the scan could not be read.
#[derive(Debug, Clone, thiserror::Error)]
pub enum DustError {
    /// The content of the picture does not allow it.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The scan's pixels could not be read.
    #[error(transparent)]
    Unreadable(RegionError),
}

impl DustError {
    /// Converts to a refusal, for samples in memory, where reading cannot fail.
    pub(crate) fn into_refusal(self) -> Refusal {
        match self {
            Self::Refused(refusal) => refusal,
            Self::Unreadable(_) => Refusal::NoInfrared,
        }
    }
}

/// How to detect dust.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DustOptions {
    /// 0 (only strong dust) to 1 (everything above the noise); outside values are clamped.
    pub sensitivity: f64,
    /// Highest sensitivity that will be requested from a kept analysis; it determines how much the analysis keeps.
    pub sensitivity_max: f64,
    /// Registration to use instead of measuring one (measured on the whole scan, for example), if its confidence
    /// allows.
    pub registration: Option<Registration>,
    /// Extra blur of the infrared picture, sigma in pixels, to use instead of measuring it.
    pub blur_px: Option<f64>,
    /// Density of the clear film against full scale, red, green, blue (grey: red); `None` for slides, or if unknown.
    ///
    /// Nothing on a negative is clearer, so anything clearer is not film: perforations, or open light beside the film.
    pub film_base_d: Option<[f64; 3]>,
}

impl Default for DustOptions {
    fn default() -> Self {
        Self { sensitivity: 0.5, sensitivity_max: 0.0, registration: None, blur_px: None, film_base_d: None }
    }
}

/// Shape class of a defect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum DustClass {
    /// Compact: dust, a drying mark, a hole.
    Speck = 1,
    /// Long, bent and thin: hair, lint, fibre.
    Hair = 2,
    /// Long and straight: a scratch.
    Scratch = 3,
}

impl DustClass {
    /// The class for a sample of [`DustMap::class`]; `None` for clean film.
    pub fn from_code(code: u8) -> Option<Self> {
        match code {
            1 => Some(Self::Speck),
            2 => Some(Self::Hair),
            3 => Some(Self::Scratch),
            _ => None,
        }
    }
}

/// How visible attenuation follows from infrared attenuation, measured on the defects of the frame.
///
/// ```text
/// 1 - T_c = gain * o + dx * do/dx + dy * do/dy + laplacian * lap(o) + bilaplacian * lap(lap(o)),   o = 1 - T_infrared
/// ```
/// The derivatives carry the remaining shift and blur between the infrared and channel `c`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelResponse {
    /// Loss of visible light per loss of infrared light.
    pub gain: f64,
    /// Horizontal derivative term, pixels.
    pub dx: f64,
    /// Vertical derivative term, pixels.
    pub dy: f64,
    /// Laplacian term, square pixels; negative sharpens.
    pub laplacian: f64,
    /// Term of the Laplacian applied twice, pixels to the fourth; positive sharpens further.
    pub bilaplacian: f64,
    /// Noise of the predicted transmittance, from the infrared noise.
    pub noise_t: f64,
    /// Error of the predicted loss, as a share of the loss itself.
    pub error_t: f64,
    /// Part of the error that grows with the slope of the attenuation, per unit slope.
    pub error_per_slope: f64,
}

impl ChannelResponse {
    /// Visible light is lost exactly as infrared is; used when a frame has too few defects to measure a response.
    /// Errors: our choice, for a defect that has not been measured.
    pub const DIRECT: Self = Self {
        gain: 1.0,
        dx: 0.0,
        dy: 0.0,
        laplacian: 0.0,
        bilaplacian: 0.0,
        noise_t: 0.005,
        error_t: 0.06,
        error_per_slope: 0.15,
    };
}

/// What a [`DustMap`] says about one pixel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// 0 clean, 1..=255: share of the visible light lost, times 255. Only marked pixels may change.
    pub severity: u8,
    /// 0 clean, else the code of a [`DustClass`].
    pub class: u8,
    /// Infrared transmittance of the defect alone, times 65535; 65535 where nothing was seen, 0 where the pixel's own
    /// light is useless.
    pub attenuation: u16,
}

impl Mark {
    pub const CLEAN: Self = Self { severity: 0, class: 0, attenuation: u16::MAX };
}

/// Defects of one frame region, on the visible pixel grid.
///
/// Only the marks and their surroundings take memory, so the map of a large frame is small.
#[derive(Debug, Clone, PartialEq)]
pub struct DustMap {
    pub(crate) marks: Grid<Mark>,
    /// Response of each visible channel; one entry for grey.
    pub response: Vec<ChannelResponse>,
    /// Share of the region that is marked.
    pub area_fraction: f64,
    /// Number of connected defects.
    pub objects: u32,
    /// Number of connected specks.
    pub specks: u32,
    /// Number of connected hairs.
    pub hairs: u32,
    /// Number of connected scratches.
    pub scratches: u32,
    pub registration: Registration,
    pub leakage: Leakage,
    /// Noise of clean film in the infrared residual, D.
    pub noise_d: f64,
    /// Residual density above which a defect counts, D.
    pub threshold_d: f64,
}

/// Counts from [`crate::fill`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FillReport {
    /// Pixels given new values.
    pub repaired_px: u64,
    /// Of these, pixels that kept most of their own light.
    pub restored_px: u64,
    /// Of these, pixels filled mostly from their surroundings.
    pub inpainted_px: u64,
    /// Stopped on request; nothing was changed.
    pub cancelled: bool,
}

/// The new values of repaired pixels, kept apart from the picture so that every region of it is repaired alike.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Patches {
    pub(crate) rows: Vec<Vec<PatchRun>>,
    /// Groups of pixels solved together, sorted by name.
    pub(crate) pieces: Vec<PatchPiece>,
    pub(crate) channels: u8,
    pub report: FillReport,
}

/// Repaired pixels that were solved together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct PatchPiece {
    /// Hash of its pixels' positions.
    pub(crate) name: u64,
    pub(crate) restored_px: u32,
    pub(crate) inpainted_px: u32,
}

/// Adjacent repaired pixels of one row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PatchRun {
    pub(crate) x: u32,
    /// Interleaved colour codes.
    pub(crate) codes: Vec<u16>,
}

impl Patches {
    /// Writes the repaired pixels inside `region`, whose first pixel is `(x0, y0)` of the mapped region.
    ///
    /// Every other sample, and every infrared sample, stays as it is.
    pub fn apply(&self, region: &mut glassine_raster::Samples16, x0: u32, y0: u32) {
        let rect =
            PixelRect::new(x0, y0, x0.saturating_add(region.width()), y0.saturating_add(region.height()));
        let (colours, step) = (self.channels as usize, region.channels() as usize);
        if colours == 0 || step < colours {
            return;
        }
        for y in rect.y0..rect.y1.min(self.rows.len() as u32) {
            let row = region.row_mut(y - rect.y0);
            for run in &self.rows[y as usize] {
                for (i, codes) in run.codes.chunks_exact(colours).enumerate() {
                    let x = run.x + i as u32;
                    if (rect.x0..rect.x1).contains(&x) {
                        let at = (x - rect.x0) as usize * step;
                        row[at..at + colours].copy_from_slice(codes);
                    }
                }
            }
        }
    }

    /// Whether no pixel changes.
    pub fn is_empty(&self) -> bool {
        self.report.repaired_px == 0
    }

    /// Approximate memory use in bytes.
    pub fn bytes(&self) -> usize {
        let runs: usize = self.rows.iter().map(Vec::len).sum();
        let codes = self.report.repaired_px as usize * usize::from(self.channels) * 2;
        (self.rows.len() + 2 * runs) * size_of::<Vec<PatchRun>>()
            + codes
            + self.pieces.len() * size_of::<PatchPiece>()
    }
}
