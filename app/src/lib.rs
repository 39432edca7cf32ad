//! The window and the command line over one engine.
//!
//! | room | what it holds |
//! |---|---|
//! | `model` | plain state: what the window remembers, what the views show, what a picture depends on |
//! | `widgets` | the controls that views are drawn with |
//! | `platform` | the system: display, signals, clock |
//! | `services` | work that goes on beside the drawing: pictures, dialogs |
//! | `commands` | the program's state, and everything that changes it: one enum for each domain, reports of jobs |
//! | `views` | what is drawn |
//! | `app`, `window` | the order of a frame; the real window |
//! | `cli` | the command line |
//!
//! Each imports only from those above it.
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
pub mod window;
