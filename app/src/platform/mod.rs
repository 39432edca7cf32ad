//! The system the program runs on: its display and screens, signals that end it, failed allocations, the clock,
//! the user's folders, free space, the process of scanner drivers.

pub mod aborts;
pub(crate) mod clock;
pub(crate) mod disk_space;
pub(crate) mod display;
pub(crate) mod drivers;
pub mod end_signals;
pub mod screen_profile;
pub(crate) mod screens;
pub mod user_folders;
