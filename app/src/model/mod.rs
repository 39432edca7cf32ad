//! Plain state without files, threads or jobs: what the window remembers, and what its pictures depend on.

pub mod app_status;
pub mod aspect_lock;
pub mod brush_state;
pub mod colour_tools;
pub mod doubts;
pub mod export_names;
pub mod facts_table;
pub mod guide;
pub mod look_text;
pub mod markdown;
pub mod panels;
pub(crate) mod picture_inputs;
pub mod preview_requests;
pub mod questions;
pub mod remembered;
pub mod scanner_exposure;
pub mod scanner_state;
pub mod screen_state;
pub mod sharpness_state;
pub(crate) mod strip_space;
pub mod ui_state;
pub mod variations;
