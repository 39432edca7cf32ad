//! ICC colour profiles: building display profiles of the matrix kind, and reading the curves of embedded ones.

mod build;
mod parse;

pub use build::{TransferCurve, build_grey_profile, build_rgb_profile};
pub(crate) use parse::is_srgb;
pub use parse::{ProfileCurves, ProfileError, parse_profile};
