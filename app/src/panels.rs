//! State of the panes on the right and of the export pane: open sections, text under edit.

/// What those panes remember between frames.
#[derive(Debug, Clone, Default)]
pub struct PanelState {}
