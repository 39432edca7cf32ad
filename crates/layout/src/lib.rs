//! Where the pictures are: film formats, frame finding, skew, and the guard that keeps a box inside its picture.
//!
//! *Scope*: nominal sizes as data; finding strips, their angle and the image area of every frame on an overview, with
//! edges measured at full resolution; one picture from overlapping scans ([`join`]); the safe area for a crop box; arranging boxes along a strip; the pixels that may
//! be film base.
//! *Simplifications*: an image area is a rectangle with its own turn; the guard margin covers bowed film edges and
//! rounded gate corners.
//! *Out of scope*: files, colour, and the base density itself (`film` measures it on the pixels offered here).
//!
//! All positions are scan pixels measured at pixel edges; angles are clockwise on screen.

mod arrange;
mod codes;
mod find;
mod formats;
mod guard;
pub mod join;
mod rebate;

pub use arrange::{
    Direction, StripAxis, angle_from_horizon, distribute, next_position, pitch_px, resize_alike, with_aspect,
};
pub use codes::{CodeNumber, CodedStrip, EdgeCode, EdgeCodes, read_edge_codes};
pub use find::{
    FilmTone, FindOptions, Found, FoundFrame, FoundStrip, FrameFlag, LayoutError, Overview, find,
};
pub use formats::{CustomFormat, Format, format_by_id, format_of, formats};
pub use guard::SafeArea;
pub use rebate::{RebateStrip, paint_box, rebate_mask};
