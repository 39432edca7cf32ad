//! From a scan with an infrared plane to a dust map.
//!
//! 1. Block medians of density, without holder and open light, give the slow background and a first leakage; silver
//!    film is recognised and refused.
//! 2. The infrared is registered; the leakage is refined on single pixels.
//! 3. The residual is the infrared density that lamp, film base and dyes do not explain. Its noise (median absolute
//!    deviation) sets the threshold, raised at steep image edges because registration and blur are never perfect there.
//! 4. Hysteresis: a defect must peak above the high threshold and extends down to the low one.
//! 5. Parts of defects lighter than their surroundings have lost their emulsion: they are filled from outside, and
//!    lines of them are followed in the visible picture.
//! 6. Faint straight traces below that are kept only if the visible picture shows a line there too (emulsion
//!    scratches).
//!
//! The frame is never held: each step reads it piece by piece and keeps only the few pixels above the noise.
//!
//! Source of the outline: US 5,266,805 (published 1993, term ended) for the infrared map of defects, US 6,393,160 for
//! bounds of defect intensity; hysteresis: J. Canny, IEEE Trans. PAMI 8 (1986). Thresholds are ours, measured by this
//! crate's tests.

use glassine_raster::{CancelToken, PixelRect, Plane, RegionSource, Samples16};

use crate::attenuation;
use crate::bare;
use crate::density::{block_medians, dye_density, smooth_background, transmittance};
use crate::film_blocks::{check_signal, check_size, film_blocks, holder_blocks};
use crate::leakage;
use crate::leaked;
use crate::model::{Model, is_clear};
use crate::region::Region;
use crate::register::{self, Outcome};
use crate::residual::{Residual, Thresholds};
use crate::scratch;
use crate::torn;
use crate::types::{DustClass, DustError, DustMap, DustOptions, Leakage, Refusal, Registration};

/// A larger damaged share of the frame is not dust. Our choice: common practice refuses or warns from a few per cent;
/// dirty film must still pass.
const DAMAGE_MAX: f64 = 0.25;

/// Finds the defects of one frame region (with some margin around the image) at full resolution.
///
/// `linear` holds linear 16-bit codes, the infrared sample last; `colour_channels` is 3, or 1 for grey.
/// The result depends only on the input. Sources and steps: see the module. For scans too large to hold, use
/// [`Analysis`].
pub fn find_dust(
    linear: &Samples16,
    colour_channels: u8,
    options: &DustOptions,
    cancel: &CancelToken,
) -> Result<DustMap, Refusal> {
    let whole = PixelRect::of_size(linear.width(), linear.height());
    Analysis::of(linear, whole, colour_channels, options, cancel)
        .and_then(|analysis| analysis.map(linear, options.sensitivity, cancel))
        .map_err(DustError::into_refusal)
}

/// Everything about a region that does not depend on the sensitivity, so that moving a slider does not repeat it.
///
/// Keeps a few bytes for each pixel that may be marked at any sensitivity up to [`DustOptions::sensitivity_max`]; see
/// [`Analysis::bytes`].
#[derive(Clone)]
pub struct Analysis {
    rect: PixelRect,
    /// Confidence and marks of a registration that is not reliable.
    doubtful: Option<(f32, u32)>,
    leakage: Leakage,
    residual: Residual,
    /// Mean density of clear negative film.
    film_base_d: Option<f32>,
}

impl std::fmt::Debug for Analysis {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Analysis")
            .field("rect", &self.rect)
            .field("registration", &self.residual.model.registration)
            .field("leakage", &self.leakage)
            .field("noise_d", &self.residual.noise_d)
            .finish_non_exhaustive()
    }
}

impl Analysis {
    /// Measures background, leakage, registration and residual of the part `rect` of a scan.
    ///
    /// A registration in the options refers to the middle of `rect`. `options.sensitivity` only raises the highest
    /// sensitivity kept.
    pub fn of(
        source: &dyn RegionSource,
        rect: PixelRect,
        colour_channels: u8,
        options: &DustOptions,
        cancel: &CancelToken,
    ) -> Result<Self, DustError> {
        let region = Region::new(source, rect, cancel);
        let colours = colour_channels.min(3);
        check_size(&region, colours)?;
        let blocks = block_medians(&region, colours)?;
        check_signal(&blocks)?;
        let blocks = blocks.medians;
        let film = film_blocks(&blocks, options.film_base_d);
        let searched = holder_blocks(&blocks).iter().map(|holder| !holder).collect();
        let first = leakage::from_blocks(&blocks, &film);
        if first.is_silver {
            return Err(silver(&first.leakage).into());
        }
        first.leakage.check()?;
        let outcome = match options.registration {
            Some(given) if given.confidence >= register::CONFIDENCE_MIN => Outcome::Found(given),
            _ => register::of_region(&region, colours, options.film_base_d)?,
        };
        let aligned = |confidence| Registration { confidence, ..Registration::ALIGNED };
        let (registration, doubtful) = match outcome {
            Outcome::Found(r) => (r, None),
            Outcome::NoMarks => (aligned(0.0), None),
            Outcome::Uncertain { confidence, marks } => (aligned(confidence), Some((confidence, marks))),
        };
        let (leakage, is_silver) =
            leakage::refine(&region, colours, &first, &registration, &film, options.blur_px)?;
        drop(first);
        if is_silver {
            return Err(silver(&leakage).into());
        }
        leakage.check()?;
        let background = background_of(blocks, &leakage, &film);
        let size = (region.width(), region.height());
        let model = Model::new(size, colours, registration, &leakage, background);
        let residual = Residual::measure(
            &region,
            model,
            leakage.strength,
            searched,
            &film,
            options.sensitivity.max(options.sensitivity_max),
        )?;
        let rect = rect.intersect(PixelRect::of_size(source.width(), source.height()));
        let film_base_d = options
            .film_base_d
            .map(|base| base[..usize::from(colours)].iter().sum::<f64>() as f32 / f32::from(colours));
        Ok(Self { rect, doubtful, leakage, residual, film_base_d })
    }

    /// The dust map at a sensitivity (0..1, see [`DustOptions::sensitivity`]); `source` is the analysed scan.
    ///
    /// A sensitivity above the highest one kept is lowered to it.
    pub fn map(
        &self,
        source: &dyn RegionSource,
        sensitivity: f64,
        cancel: &CancelToken,
    ) -> Result<DustMap, DustError> {
        let region = Region::new(source, self.rect, cancel);
        check_size(&region, self.residual.model.colours)?;
        if (region.width(), region.height()) != (self.rect.width(), self.rect.height()) {
            return Err(Refusal::TooSmall { width: region.width(), height: region.height() }.into());
        }
        let map = self.mark(&region, sensitivity)?;
        match self.doubtful {
            Some((confidence, features)) if map.objects > 0 => {
                Err(Refusal::RegistrationUncertain { confidence, features }.into())
            }
            _ if map.area_fraction > DAMAGE_MAX => {
                Err(Refusal::TooMuchDamage { area_fraction: map.area_fraction }.into())
            }
            _ => Ok(map),
        }
    }

    /// Position of the infrared, relative to the middle of the analysed part.
    pub fn registration(&self) -> Registration {
        self.residual.model.registration
    }

    pub fn leakage(&self) -> Leakage {
        self.leakage
    }

    /// Memory use in bytes.
    pub fn bytes(&self) -> usize {
        self.residual.bytes()
    }

    fn mark(&self, region: &Region<'_>, sensitivity: f64) -> Result<DustMap, DustError> {
        let residual = &self.residual;
        let thresholds = Thresholds::new(sensitivity.min(residual.sensitivity_max), residual.smooth_noise_d);
        let strong = leaked::without_leaked(region, residual, residual.strong_components(&thresholds))?;
        let near = residual.near(&strong);
        let mut weak = scratch::visible_lines(region, residual, &near, &thresholds)?;
        weak.extend(torn::torn_lines(region, residual, &near, self.film_base_d)?);
        let bare = bare::bare_parts(region, residual, &strong, &near)?;
        let continued = scratch::continued(region, residual, &strong, &bare)?;
        let mut map = DustMap::clean(region.width(), region.height());
        map.response = attenuation::measure(region, residual, &strong, &near)?;
        map.registration = residual.model.registration;
        map.leakage = self.leakage;
        map.noise_d = f64::from(residual.noise_d);
        map.threshold_d = f64::from(thresholds.high_d);
        attenuation::write_strong(&mut map, residual, &strong, &near);
        bare::write_bare(&mut map, &bare);
        scratch::write_continued(&mut map, &continued);
        scratch::write_weak(&mut map, &weak);
        for _ in &weak {
            map.count(DustClass::Scratch);
        }
        map.measure_area();
        Ok(map)
    }
}

fn silver(leakage: &Leakage) -> Refusal {
    Refusal::SilverFilm { correlation: leakage.silver_correlation, strength: leakage.strength }
}

/// Slow infrared background, without the leaked image.
fn background_of(mut blocks: Vec<Plane<f32>>, leakage: &Leakage, film: &[bool]) -> Plane<f32> {
    let mut clean = blocks.pop().unwrap_or_else(|| Plane::filled(1, 1, 0.0));
    if !is_clear(leakage) {
        let stray_codes = 65_535.0 * leakage.stray_light as f32;
        for (i, v) in clean.data_mut().iter_mut().enumerate() {
            let density =
                |block_d: f32| f64::from(dye_density(transmittance(block_d) * 65_535.0, stray_codes));
            let image: f64 =
                blocks.iter().zip(leakage.coefficients).map(|(b, c)| c * density(b.data()[i])).sum();
            *v -= image as f32;
        }
    }
    drop(blocks);
    smooth_background(&clean, film)
}
