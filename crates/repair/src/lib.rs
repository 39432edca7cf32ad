//! Dust and scratches: found in the infrared plane, filled so that nobody can tell.

mod types;

pub use types::{
    ChannelResponse, DustClass, DustMap, DustOptions, FillReport, Leakage, Patches, Refusal, Registration,
    STRONG_LEAKAGE,
};
