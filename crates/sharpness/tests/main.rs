//! The integration tests as one program: linked once, and run side by side.

mod deconvolution;
mod sfr_edges;
