//! Measuring sharpness and sharpening: slanted-edge response, focus comparison, sharpening without halos, print
//! planning.
//!
//! *Scope*: numbers and planes in, numbers and planes out.
//! *Simplifications*: the caller decides whether a plane is linear or perceptual; each function states which it needs.
//! *Out of scope*: files, colour, clocks.

mod detail;
mod edge_line;
mod edges;
mod focus;
mod height;
mod measured;
mod meter;
pub mod plan;
mod sfr;
mod shape;
mod sharpen;
mod suggest;
#[cfg(test)]
mod test_edges;

pub use focus::{CELL_PX, CellFocus, CellRank, FocusBasis, FocusError, FocusSeries, ScanFocus, percent_text};
pub use height::{BestHeight, HeightError, best_height};
pub use measured::Measured;
pub use meter::{ChannelSfr, EdgeReport, MeterError, measure_edge, sampling_efficiency};
pub use sfr::{Sfr, SfrError, slanted_edge};
pub use shape::HeightShape;
pub use sharpen::{RADIUS_MAX_PX, RowScratch, RowSharpener, Sharpening, halo_px, sharpen};
pub use suggest::{BlurAndGrain, SharpeningEffect};
