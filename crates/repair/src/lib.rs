//! Finds dust and scratches in the infrared plane and fills them invisibly.
//!
//! # Scope
//! Registration of the infrared plane, the image that leaks into it, the dust map, the filling, and marks made by hand
//! or found in visible light. Input and output are planes of linear 16-bit codes; only pixels named by the map change.
//!
//! # How it works
//! 1. [`register`]: marks common to both pictures give the shift, and scale and turn if the picture shows them.
//! 2. leakage: robust regression of infrared on visible density; silver film is recognised here and refused.
//! 3. [`find_dust`]: residual infrared density, thresholds from its own noise, hysteresis, shape classes; faint
//!    straight traces confirmed only by the visible picture (scratches through the emulsion); parts lighter than their
//!    surroundings, where no image is left, and the continuation of such lines without a trace in the infrared.
//! 4. response: the defects of the frame show how much visible light a given infrared loss means, per channel, and the
//!    remaining shift and blur.
//! 5. [`fill`]: the most probable undisturbed densities, from the pixel's own light (divided by what the defect let
//!    through) and from the surroundings along the direction of least change, each weighted by its uncertainty; then
//!    grain copied from the calmest clean place nearby.
//!
//! # Published methods and their age
//! - The infrared record as a map of defects, division of the visible by the infrared record, filling where infrared is
//!   blocked: US 5,266,805 (published 1993). Gain between log records found by correlation before division:
//!   US 6,442,301 (published 2002). Upper and lower bounds of defect intensity: US 6,393,160. All are past the nominal
//!   term of twenty years from filing; this is a reading of dates, not legal advice.
//! - Sub-pixel registration by least squares: Lucas & Kanade, IJCAI 1981. Structure tensor: Harris & Stephens, Alvey
//!   Vision Conference 1988. Interpolation: Keys, IEEE Trans. ASSP 29 (1981).
//! - Hysteresis: Canny, IEEE Trans. PAMI 8 (1986). Robust scale and weights: median absolute deviation and Tukey's
//!   biweight.
//! - Estimation in a Gaussian Markov field: Geman & Geman, IEEE Trans. PAMI 6 (1984); over-relaxation: Young, Trans.
//!   AMS 76 (1954). Summed-area tables: Crow, SIGGRAPH 1984.
//!
//! # Simplifications
//! The response of visible to infrared loss is linear and the same over a frame; a single particle may differ in
//! opacity, which is estimated where its surroundings allow. Dust darkens; whatever makes film lighter (missing
//! emulsion) is only filled from outside. Stray light is uniform over a frame, and so is infrared noise.
//!
//! # Out of scope
//! Files, colour meaning, silver film (refused), fading, and stains as large as the picture.

mod attenuation;
mod bare;
mod brush;
mod density;
mod detect;
mod field;
mod fill;
mod film_blocks;
mod grid;
mod label;
mod leakage;
mod leaked;
mod map;
mod marks;
mod model;
mod narrow;
mod region;
mod register;
mod residual;
mod ridge;
mod robust;
mod scratch;
mod sparse;
mod spots;
mod torn;
mod types;
mod window;

pub use brush::{Stroke, StrokeEffect, apply_strokes, stroke_bounds};
pub use detect::{Analysis, find_dust};
pub use fill::{FillPlace, fill, make_patches, refill};
pub use map::MarkCounts;
pub use narrow::narrow_dense;
pub use register::{consensus, register};
pub use spots::find_spots;
pub use types::{
    ChannelResponse, DustClass, DustError, DustMap, DustOptions, FillReport, Leakage, Mark, Patches, Refusal,
    Registration, STRONG_LEAKAGE,
};
