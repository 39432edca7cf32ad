//! Small pictures of frames that an export makes on the way, for a contact sheet.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use glassine_scanfile::sheet::SheetPicture;
use glassine_session::{FrameId, OutputKind, OutputSettings, Session};

/// The small pictures that are wanted, and those that were made.
#[derive(Debug, Default)]
pub(crate) struct SmallPictures {
    /// Longest side of each.
    wanted: HashMap<FrameId, u32>,
    made: Mutex<HashMap<FrameId, Arc<SheetPicture>>>,
}

impl SmallPictures {
    pub(crate) fn wanted(wanted: HashMap<FrameId, u32>) -> Self {
        Self { wanted, made: Mutex::default() }
    }

    /// The settings of a frame's small picture: sRGB, otherwise as the session's own.
    pub(super) fn output(&self, session: &Session, frame: FrameId) -> Option<OutputSettings> {
        Some(OutputSettings {
            kind: OutputKind::Web,
            space: "srgb".to_owned(),
            web_long_side_px: *self.wanted.get(&frame)?,
            web_megapixels: 0.0,
            sharpen_output: false,
            ..session.output.clone()
        })
    }

    pub(super) fn take(&self, frame: FrameId, (width_px, height_px): (u32, u32), rgb: Vec<u8>) {
        let picture = Arc::new(SheetPicture { width_px, height_px, rgb });
        self.made.lock().unwrap_or_else(PoisonError::into_inner).insert(frame, picture);
    }

    /// The picture of a frame, if it was made.
    pub(crate) fn get(&self, frame: FrameId) -> Option<Arc<SheetPicture>> {
        self.made.lock().unwrap_or_else(PoisonError::into_inner).get(&frame).cloned()
    }
}
