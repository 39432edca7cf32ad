//! Dust and scratches: found in the infrared plane, filled so that nobody can tell.

mod attenuation;
mod box_sums;
mod density;
mod detect;
mod fill;
mod grain;
mod label;
mod leakage;
mod map;
mod marks;
mod register;
mod residual;
mod robust;
mod scratch;
mod spots;
mod types;
mod window;

pub use detect::{Analysis, find_dust};
pub use fill::{fill, make_patches, touches};
pub use register::register;
pub use spots::find_spots;
pub use types::{
    ChannelResponse, DustClass, DustMap, DustOptions, FillReport, Leakage, Patches, Refusal, Registration,
    STRONG_LEAKAGE,
};
