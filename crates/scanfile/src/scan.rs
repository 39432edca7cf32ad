//! An open scan: its planes at full resolution, region by region.

use std::path::Path;

use glassine_raster::{CancelToken, PixelRect, RegionError, RegionSource, Samples16};

use crate::{Error, Linearisation, OpenOptions, ScanInfo};

/// An open scan. Reading never changes the file and never turns the picture.
#[derive(Debug)]
pub struct Scan {
    info: ScanInfo,
    linearisation: Linearisation,
}

impl Scan {
    /// Open a TIFF, PNG or JPEG.
    pub fn open(path: &Path, _options: &OpenOptions) -> Result<Self, Error> {
        Err(Error::unsupported(path, "this kind of file", "save it as TIFF"))
    }

    /// What is known about it.
    pub fn info(&self) -> &ScanInfo {
        &self.info
    }

    /// How its codes become linear light.
    pub fn linearisation(&self) -> Linearisation {
        self.linearisation.clone()
    }
}

impl RegionSource for Scan {
    fn width(&self) -> u32 {
        self.info.width_px
    }

    fn height(&self) -> u32 {
        self.info.height_px
    }

    fn channels(&self) -> u8 {
        self.info.planes.len() as u8
    }

    fn read(&self, _rect: PixelRect, _cancel: &CancelToken) -> Result<Samples16, RegionError> {
        Err(RegionError::Unreadable("not open".into()))
    }
}
