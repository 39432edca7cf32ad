//! Film science: density, base, curves, unmixing, balance, tone, colour, histogram.
//!
//! *Scope*: everything between scan codes and finished colours of one frame, and the estimates over a strip.
//! *Out of scope*: files, threads of its own, clocks, the window.

mod settings;

pub use settings::{FilmKind, Look, Param, ParamGroup, ParamSpec};
