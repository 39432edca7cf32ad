//! Reading the bar code that makers expose along the edge of 35 mm film, and numbering pictures by it.
//!
//! A *clock* track beside the perforations and a *data* track beside the film edge repeat every 19 mm. The clock tells
//! where the modules are and in which direction the code runs; the data tell film type and number. A code is accepted
//! only when start, stop, separators and parity agree, and numbers are given only when the codes of a strip agree with
//! each other.
//!
//! 1. [`band`]: both edges of the strip are read along the film as bands of density.
//! 2. [`track`]: the clock's pattern is searched on each line of a band, and the data beside it are read.
//! 3. [`lattice`]: the codes of a strip vote on number, direction and film type.
//!
//! Source: US 4,965,628 and US 5,448,049 for tracks and repetition; module layout: published description of the code in
//! general-purpose barcode libraries. Sizes in millimetres that these do not state are estimates and searched for.

mod band;
mod lattice;
mod track;

use glassine_raster::{CancelToken, Point, RegionSource, Scan, TiltedBox};

use crate::{FilmTone, LayoutError, StripAxis};

pub use lattice::{CodeNumber, EdgeCodes};

/// Distance between the beginnings of two codes, mm: four perforations of 4.750 mm. Source: SMPTE ST 119.
pub(crate) const PITCH_MM: f64 = 19.0;

/// A strip of film on a scan.
#[derive(Debug, Clone, Copy)]
pub struct CodedStrip<'a> {
    /// The film with both edges.
    pub film_area: &'a TiltedBox,
    /// Direction in which the frames follow each other.
    pub axis: StripAxis,
    pub tone: FilmTone,
    pub px_per_mm: f64,
    pub colour_channels: u8,
}

impl CodedStrip<'_> {
    /// Position along the strip from its beginning, mm.
    pub fn along_mm(&self, at: Point<Scan>) -> f64 {
        let unit = self.film_area.unit_from_scan(at);
        let along_px = match self.axis {
            StripAxis::Across => unit.x * self.film_area.width_px,
            StripAxis::Down => unit.y * self.film_area.height_px,
        };
        along_px / self.px_per_mm
    }
}

/// One code that was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeCode {
    /// Product number, 1 to 127.
    pub product: u8,
    /// Generation of the product, 0 to 15.
    pub specifier: u8,
    /// Frame number, 0 to 63; `None` on film whose codes have none.
    pub frame: Option<u8>,
    /// The code of the second half of that number, "A".
    pub is_half: bool,
    /// Middle of both tracks.
    pub center: Point<Scan>,
    /// Position of the middle along the strip from its beginning, mm.
    pub along_mm: f64,
    /// Length of both tracks, mm.
    pub length_mm: f64,
    /// Whether the code runs from the end of the strip to its beginning.
    pub is_backwards: bool,
    /// Whether the code is on the edge that is lower when the strip lies.
    pub is_at_bottom: bool,
    /// Least distance of a module from the threshold, as a share of half the contrast.
    pub margin: f64,
}

/// Reads all codes of a strip, on both edges.
///
/// The strip is seen lying, frame order from left to right as found: one that runs down is turned counter-clockwise.
pub fn read_edge_codes(
    scan: &dyn RegionSource,
    strip: &CodedStrip<'_>,
    cancel: &CancelToken,
) -> Result<EdgeCodes, LayoutError> {
    let of_edge = |is_at_bottom| -> Result<Vec<EdgeCode>, LayoutError> {
        let band = band::Band::read(scan, strip, is_at_bottom, cancel)?;
        cancel.check()?;
        Ok(band.map(|band| track::codes_of(&band, strip.tone)).unwrap_or_default())
    };
    let (top, bottom) = rayon::join(|| of_edge(false), || of_edge(true));
    let mut found = top?;
    found.extend(bottom?);
    Ok(EdgeCodes::agree(found))
}
