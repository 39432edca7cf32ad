//! The parts of the window. Each is a function of what it is given; what it asks for goes out as commands.

mod frame;
mod prints;
mod questions;
mod root;
mod status;
mod strip;
mod toolbar;

pub use root::root_ui;
