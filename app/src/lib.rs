//! The window and the command line over one engine.
//!
//! **Invariant:** views read and draw; they push [`command::Command`]s and never touch files, threads or the session.

pub mod command;
