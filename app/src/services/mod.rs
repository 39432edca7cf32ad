//! Work that goes on beside the drawing: pictures, reports of focus, file dialogs, the demo session, what is remembered
//! between runs.

pub(crate) mod arrivals;
pub(crate) mod canvas;
pub mod demo_session;
pub(crate) mod facts_csv;
pub mod file_dialogs;
pub(crate) mod focus_report;
pub(crate) mod json;
pub(crate) mod preview_scheduler;
pub mod preview_store;
pub(crate) mod recent_sessions;
pub(crate) mod screen_colours;
pub(crate) mod screen_pixels;
pub mod state_file;
pub(crate) mod thumbnails;
