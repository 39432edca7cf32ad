//! The window and the command line over one engine.
//!
//! | folder | what it holds |
//! |---|---|
//! | `commands/` | everything the window can request, one enum for each domain beside the code that carries it out |
//! | `model/` | plain state: what the window remembers, what the views show, what a picture depends on |
//! | `services/` | work that goes on beside the drawing: pictures, counts, job reports, dialogs |
//! | `platform/` | the system: window, display, signals, clock |
//! | `views/`, `widgets/` | what is drawn, and the controls it is drawn with |
//! | `cli/` | the command line |
//!
//! **Invariant:** views read and draw; they push [`commands::Command`]s and never touch files, threads or the session.

pub mod app;
pub mod cli;
pub mod commands;
pub mod model;
pub mod platform;
pub mod services;
pub mod views;
pub mod widgets;
