//! From a scan to a session: frames are found, base and light measured, strips solved, stocks fitted.

pub(crate) mod adjust;
pub(crate) mod context;
pub(crate) mod detect;
mod edge_code;
pub(crate) mod films;
pub(crate) mod import;
pub(crate) mod infrared_file;
mod join;
pub(crate) mod reread;
mod rescan;
pub(crate) mod statistics;
pub(crate) mod stock_files;
