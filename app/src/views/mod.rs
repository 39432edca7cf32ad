//! The parts of the window. Each is a function of its input and returns its requests as commands.

mod brush;
mod drawing;
mod export;
mod frame;
mod frame_tools;
mod histogram;
mod keys;
mod missing;
mod planner;
mod prints;
mod proofs;
mod questions;
mod root;
mod scan_picture;
mod session_files;
mod settings;
mod status;
mod stock;
mod strip;
mod strip_bar;
mod toolbar;
mod welcome;

pub use root::root_ui;
