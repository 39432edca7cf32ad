//! Colours of the screen: from picture codes to the codes that show them there, directly or as a file or print would
//! look.

mod printer;
mod profiles;
mod proof;
mod screen;

pub(crate) use printer::PrinterInUse;
pub use profiles::{output_profile, read_profile};
pub(crate) use proof::GamutMarks;
pub use proof::{Proof, ProofSettings, ProofTarget};
pub use screen::{SCREEN_TABLE_SIDE, screen_table};
