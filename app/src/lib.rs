//! The window and the command line over one engine.
//!
//! **Invariant:** views read and draw; they push [`command::Command`]s and never touch files, threads or the session.

pub mod aborts;
pub mod app;
mod apply;
pub mod clean;
pub mod cli;
mod clock;
pub mod colour;
pub mod command;
pub mod counts;
pub mod demo;
pub mod dialogs;
mod display;
pub mod end_signals;
mod events;
pub mod headless;
mod inputs;
pub mod keys;
pub mod pace;
pub mod panels;
pub mod proofs;
pub mod raster_ui;
mod schedule;
pub mod start_watch;
pub mod state;
pub mod store;
mod strip_space;
pub mod theme;
pub mod views;
pub mod widgets;
pub mod window;
