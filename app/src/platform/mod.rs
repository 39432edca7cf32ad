//! The system the program runs on: its window and display, signals that end it, failed allocations, the clock.

pub mod aborts;
pub(crate) mod clock;
pub(crate) mod display;
pub mod end_signals;
pub mod screen_profile;
pub mod window;
