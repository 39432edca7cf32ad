//! The integration tests as one program: linked once, and run side by side.

mod common;
mod damage;
mod hostile_files;
mod icc_profiles;
mod overviews;
mod pages;
mod png_and_jpeg;
mod special_files;
mod tiff_corpus;
mod tiff_crate_traps;
mod tiff_layouts;
mod writing;
