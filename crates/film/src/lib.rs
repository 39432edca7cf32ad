//! Film science: density, base, curves, unmixing, balance, tone, colour, histogram.
//!
//! *Scope*: everything between scan codes and finished colours of one frame, and the estimates over a strip.
//! *Simplifications*: layers are treated as independent after one 3x3 unmixing in density; developer effects between
//! neighbouring pixels are ignored.
//! *Out of scope*: files, threads of its own, clocks, the window.

/// Version of everything that decides the pixels of a picture: it rises with each change that gives other pixels for the
/// same session.
pub const RENDERING_VERSION: u32 = 1;

/// What changed with each version after the first.
const RENDERING_CHANGES: [(u32, &str); 0] = [];

/// What gives pictures other pixels than they had in a version, oldest change first.
pub fn rendering_changes_since(version: u32) -> Vec<&'static str> {
    RENDERING_CHANGES.iter().filter(|(since, _)| *since > version).map(|(_, what)| *what).collect()
}

mod adjust;
mod base;
mod codes;
pub mod colour;
mod density;
mod fit;
mod histogram;
mod maths;
pub mod matrix;
mod pipeline;
mod quantise;
mod settings;
mod solve;
mod statistics;
mod stock;
#[cfg(test)]
mod test_support;
mod tone;

pub use adjust::{FrameMatch, layer_log_exposures, match_frame};
pub use base::{
    BaseError, BaseField, BaseMeasurement, base_from_picture, base_mask, measure_base, measure_base_field,
};
pub use codes::{
    CodeCurve, CodeSamples, EncodingFinding, KindFinding, StrayLight, find_encoding, find_kind,
    find_stray_light,
};
pub use colour::OutputSpace;
pub use density::{
    LEAST_TRANSMITTANCE, density_from_transmittance, spectral_density, transmittance_from_density,
};
pub use fit::{
    CHART_ISO17321_LAB_D50, CHART_LAB_D50, CHART_PATCH_NAMES, ChartEdition, FitError, FitReport, PatchFit,
    WedgeReport, fit_stock_from_chart, fit_stock_from_wedge,
};
pub use histogram::Histogram;
pub use pipeline::{Pipeline, PixelSource, PixelTarget, Recipe};
pub use quantise::{quantise8_dithered, quantise8_dithered_rgba, quantise16, quantise16_planes};
pub use settings::{FilmKind, Look, Param, ParamGroup, ParamSpec};
pub use solve::{
    BalanceMode, FrameSolve, OTHER_LIGHT, PICTURES_CANT_TELL, SolveHints, StripSolve, balance_cc_from_log,
    log_from_balance_cc, solve_strip,
};
pub use statistics::{FrameStatistics, measure_frame, measure_frame_without};
pub use stock::{LayerCurve, Stock, StockError, ToeShoulder, default_stock, shipped_stocks};
pub use tone::{BAND_CENTRES_LOG, Rendering, ToneCurve, band_curves, look_from_band_curves};

/// Weights of the channels when a black-and-white film is scanned in colour: silver is grey, so they only average noise,
/// and green is usually the cleanest. Source: ours.
pub(crate) const GREY_WEIGHTS: [f64; 3] = [0.3, 0.4, 0.3];
