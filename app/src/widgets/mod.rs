//! Controls that the window adds to those of the toolkit, and the theme they share.

pub mod band_plot;
pub mod crop_box;
pub mod drag_value;
pub mod histogram_plot;
pub mod icon;
pub mod markdown_view;
pub mod param_slider;
pub mod parts;
pub mod sfr_plot;
pub mod theme;
pub mod value_row;
pub mod wheel;
