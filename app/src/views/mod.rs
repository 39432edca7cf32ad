//! The parts of the window. Each is a function of its input and returns its requests as commands.

mod brush_tool;
mod command_pane;
mod contact_view;
mod edge_tool;
mod export_names;
mod export_pane;
mod export_printer;
mod export_recipes;
mod facts_pane;
mod focus_pane;
mod frame_menu;
mod frame_tools;
mod frame_view;
mod guide_pane;
mod histogram_view;
mod planner;
mod prints;
mod question_dialogs;
mod root;
mod scan_picture;
mod scan_problems;
mod scanner_panel;
mod screen_pane;
mod session_file_dialogs;
mod settings;
mod status_line;
mod stock_pane;
mod strip_bar;
mod strip_drawing;
mod strip_view;
mod toolbar;
mod variations_grid;
mod view_cx;
mod welcome;

pub use root::root_ui;
pub use view_cx::ViewCx;
