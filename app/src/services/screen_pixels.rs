//! Pixels on their way to a texture: converted to the screen, off the window's thread.

use std::sync::{Arc, OnceLock};

use glassine_scanfile::icc::ColourTable;

/// From sRGB codes to those of the screen.
#[derive(Clone)]
pub(crate) struct Conversion {
    pub(crate) table: Arc<ColourTable>,
    /// Wakes the window when pixels are ready; without it they are converted at once.
    pub(crate) wake: Option<Arc<dyn Fn() + Send + Sync>>,
}

impl std::fmt::Debug for Conversion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Conversion").field("table", &self.table).finish_non_exhaustive()
    }
}

/// Red, green, blue and alpha for each pixel, in codes of the screen, once they are ready.
#[derive(Debug, Clone, Default)]
pub(crate) struct ScreenPixels(Arc<OnceLock<Arc<Vec<u8>>>>);

impl ScreenPixels {
    /// Pixels that are shown as they are.
    pub(crate) fn unchanged(rgba: &Arc<Vec<u8>>) -> Self {
        Self(Arc::new(OnceLock::from(Arc::clone(rgba))))
    }

    /// Begins to convert sRGB pixels; the given ones stay as they are.
    pub(crate) fn convert(rgba: &Arc<Vec<u8>>, conversion: Option<&Conversion>) -> Self {
        let Some(Conversion { table, wake }) = conversion else { return Self::unchanged(rgba) };
        let Some(wake) = wake else { return Self::unchanged(&Arc::new(table.convert_rgba8(rgba))) };
        let pixels = Self::default();
        let (ready, rgba, table, wake) =
            (Arc::clone(&pixels.0), Arc::clone(rgba), Arc::clone(table), Arc::clone(wake));
        rayon::spawn(move || {
            ready.get_or_init(|| Arc::new(table.convert_rgba8(&rgba)));
            wake();
        });
        pixels
    }

    pub(crate) fn ready(&self) -> Option<&Arc<Vec<u8>>> {
        self.0.get()
    }
}
