//! The integration tests as one program: linked once, and run side by side.

mod cleaning;
mod demo_session;
mod device_models;
mod hostile_input;
mod joined_parts;
mod output_spaces;
mod outside_readers;
mod practice_strips;
mod preview_is_the_export;
mod printed_files;
mod real_scans;
mod scan_forms;
mod screen_colours;
mod strip_to_pictures;
