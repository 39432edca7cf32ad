//! ICC colour profiles: building display profiles of the matrix kind, and reading the curves of embedded ones.

mod build;

pub use build::{TransferCurve, build_grey_profile, build_rgb_profile};
