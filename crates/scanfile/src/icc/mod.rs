//! ICC colour profiles: building display profiles of the matrix kind, reading the curves of embedded ones, and colours
//! of screens and printers.

mod build;
mod device;
mod parse;
mod table;

pub use build::{TransferCurve, build_grey_profile, build_rgb_profile};
pub use device::{DeviceProfile, Intent, LabD50, on_paper, scaled_black};
pub(crate) use parse::is_srgb;
pub use parse::{ProfileCurves, ProfileError, parse_profile};
pub use table::{ColourTable, Node};
