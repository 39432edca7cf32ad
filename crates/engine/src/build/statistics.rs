//! What exposure and balance of a frame are solved from: reduced samples, without the frame's dust.

use glassine_film::{FrameStatistics, Stock, measure_frame, measure_frame_without};
use glassine_raster::{
    CancelToken, Kernel, PixelRect, Plane, RegionSource as _, Samples16, TiltedBox, TiltedSampling,
};
use glassine_repair::{DustMap, DustOptions, Refusal, Registration};
use glassine_session::{Frame, Strip};

use crate::build::context::AnalysisContext;
use crate::build::import::base_of_frame;
use crate::dust::{self, registration};
use crate::error::EngineError;
use crate::scans::{OpenScan, OverviewData};

/// Mark of a pixel that is left out; see [`glassine_film::measure_frame_without`].
const LEFT_OUT: u8 = 2;
/// Share of a picture's cells below its highlights, and density above base (D) that these reach if they are larger than
/// dust.
const HIGH_SHARE: f64 = 0.995;
const LEAST_HIGH_D: f64 = 0.45;

impl AnalysisContext<'_> {
    /// Linear samples inside a frame's box, a few hundred pixels a side: enough for statistics.
    pub(crate) fn frame_samples(&self, open: &OpenScan, frame: &Frame) -> Result<Samples16, EngineError> {
        let overview = open.overview(self.cancel, &|_| {})?;
        Ok(sample_overview(&statistics_sampling(frame, overview.factor), &overview))
    }

    /// What exposure and balance of a frame are solved from, without its dust.
    pub(crate) fn frame_statistics(
        &self,
        open: &OpenScan,
        strip: &Strip,
        frame: &Frame,
        stock: &Stock,
    ) -> Result<FrameStatistics, EngineError> {
        let film = strip.film_area.unwrap_or(frame.crop);
        let samples = self.frame_samples(open, frame)?;
        let film = (&film, dust::clear_film_d(strip));
        let clean = without_dust(samples, open, (film, &frame.crop), self.cancel)?;
        let base_d = base_of_frame(strip, frame, open);
        let measured = measure_frame_without(&clean.samples, &clean.doubtful, base_d, strip.film);
        // Dust on a slide is dark and decides nothing. In a dark picture, the supposed dust may be its only highlights.
        let highest = measured.density_quantile(1, HIGH_SHARE).unwrap_or_default();
        if clean.is_guess && !(strip.film.is_negative() && highest.d() > LEAST_HIGH_D) {
            return Ok(measure_frame(&clean.samples, base_d, strip.film, stock));
        }
        Ok(measured)
    }
}

/// Sampling of a frame for statistics, in full-resolution scan pixels.
pub(crate) fn statistics_sampling(frame: &Frame, factor: u32) -> TiltedSampling {
    const LONG_SIDE_PX: f64 = 768.0;
    let crop = &frame.crop;
    let scale = (LONG_SIDE_PX / crop.width_px.max(crop.height_px)).min(1.0 / f64::from(factor));
    let side = |px: f64| (px * scale).round().max(1.0) as u32;
    let (width, height) = (side(crop.width_px), side(crop.height_px));
    TiltedSampling::new(crop, Default::default(), width, height, Kernel::Bilinear)
}

/// The pixels of a sampling, read from an overview.
pub(crate) fn sample_overview(sampling: &TiltedSampling, overview: &OverviewData) -> Samples16 {
    let out = PixelRect::of_size(sampling.width(), sampling.height());
    sampling.on_reduced(overview.factor).read(&overview.samples, 0, 0, out)
}

/// A piece of film, and the density of its clear parts.
type Film<'a> = (&'a TiltedBox, Option<[f64; 3]>);

/// Samples of a frame for statistics, without its dust.
struct CleanSamples {
    /// Linear codes; dust that the infrared shows is filled.
    samples: Samples16,
    /// Pixels that [`glassine_film::measure_frame_without`] leaves out.
    doubtful: Plane<u8>,
    /// Whether the dust was found in visible light alone, so that glints of the picture may be among it.
    is_guess: bool,
}

/// Remove the dust from samples of a frame.
///
/// `film` is the piece of film the frame is on, `frame` the box that was sampled. One speck is denser than any
/// highlight of a negative, so it must not count in exposure and balance. Without usable infrared, everything too
/// narrow to tell from dust is doubtful.
fn without_dust(
    mut samples: Samples16,
    open: &OpenScan,
    (film, frame): (Film<'_>, &TiltedBox),
    cancel: &CancelToken,
) -> Result<CleanSamples, EngineError> {
    let colours = open.colour_channels();
    if let Some(map) = sampled_dust(&samples, open, (film, frame), cancel)? {
        glassine_repair::fill(&mut samples, colours, &map, cancel);
        cancel.check()?;
        let mut doubtful = map.severity_plane();
        doubtful.data_mut().iter_mut().for_each(|severity| *severity = u8::from(*severity > 0));
        return Ok(CleanSamples { samples, doubtful, is_guess: false });
    }
    let mut doubtful = glassine_repair::narrow_dense(&samples, colours);
    doubtful.data_mut().iter_mut().for_each(|doubt| *doubt *= LEFT_OUT);
    Ok(CleanSamples { samples, doubtful, is_guess: true })
}

/// The dust that the infrared shows in some samples; `None` without usable infrared.
fn sampled_dust(
    samples: &Samples16,
    open: &OpenScan,
    (film, frame): (Film<'_>, &TiltedBox),
    cancel: &CancelToken,
) -> Result<Option<DustMap>, EngineError> {
    let colours = open.colour_channels();
    if !open.has_infrared() || samples.channels() <= colours {
        return Ok(None);
    }
    let bounds = frame.pixel_bounds(open.width(), open.height());
    let registration = registration::region_registration(open, film, bounds, cancel)?.map(|known| {
        let scale = f64::from(samples.width()) / frame.width_px.max(1.0);
        let (sin, cos) = frame.angle_rad.sin_cos();
        let [x, y] = known.shift_px;
        Registration { shift_px: [scale * (cos * x + sin * y), scale * (cos * y - sin * x)], ..known }
    });
    let options = DustOptions { registration, film_base_d: film.1, ..DustOptions::default() };
    match glassine_repair::find_dust(samples, colours, &options, cancel) {
        Ok(map) => Ok(Some(map)),
        Err(Refusal::Cancelled(_)) => Err(EngineError::Cancelled),
        Err(_refused) => Ok(None),
    }
}
