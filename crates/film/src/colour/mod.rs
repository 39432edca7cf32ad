//! Colour: spaces and their matrices, transfer functions, CIE Lab, CIEDE2000 and the perceptual space used for
//! saturation and gamut.
//!
//! The *working* values of the whole crate are linear light with the primaries of sRGB and D65 white, unbounded:
//! colours outside that triangle have negative components, so nothing is lost before the output space is chosen.

mod difference;
mod lab;
mod perceptual;
mod spaces;
mod transfer;

pub use difference::delta_e_2000;
pub use lab::{Lab, Xyz, lab_from_xyz_d50, xyz_d50_from_lab};
pub(crate) use perceptual::{CONES_FROM_SRGB, OPPONENT_FROM_ROOTS, ROOTS_FROM_OPPONENT, SRGB_FROM_CONES};
pub use perceptual::{Perceptual, linear_srgb_from_perceptual, perceptual_from_linear_srgb};
pub use spaces::{
    OutputSpace, WHITE_D50, WHITE_D65, bradford_adaptation, lab_from_working, rgb_to_xyz_matrix,
    working_from_lab,
};
pub(crate) use transfer::FastEncoder;
pub use transfer::{ExactEncoder, Transfer, decode, encode};
