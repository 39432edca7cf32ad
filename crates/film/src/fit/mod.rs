//! Measuring a stock: from a frame that shows a 24-patch chart, or a neutral step wedge.

mod chart;
mod levenberg;
mod reference;
mod wedge;

pub use chart::{FitError, FitReport, PatchFit, fit_stock_from_chart};
pub use reference::{CHART_ISO17321_LAB_D50, CHART_LAB_D50, CHART_PATCH_NAMES, ChartEdition};
pub use wedge::{WedgeReport, fit_stock_from_wedge};
