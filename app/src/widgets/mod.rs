//! Controls that the window adds to those of the toolkit.

pub mod band_plot;
pub mod crop_box;
pub mod fader;
pub mod histogram_plot;
pub mod icon;
pub mod param_row;
pub mod parts;
pub mod pull;
pub mod wheel;
