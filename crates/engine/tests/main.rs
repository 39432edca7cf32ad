//! The integration tests as one program: linked once, and run side by side.

mod common;
mod export_inputs;
mod exported_files;
mod golden_session;
mod lanes;
mod overviews;
mod preview_scale;
mod scan_files;
mod several_kinds;
