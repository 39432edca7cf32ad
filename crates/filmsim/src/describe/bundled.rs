//! Descriptions that the program carries.

use std::path::Path;
use std::sync::{Arc, LazyLock};

use super::stock_from;
use crate::stock::Stock;

macro_rules! bundled {
    ($($name:literal),* in $folder:literal) => {
        [$(($name, include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/../../demo-sessions/", $folder, $name, ".json")))),*]
    };
}

pub(crate) use bundled;

/// The bundled stocks by name.
pub(crate) static STOCKS: LazyLock<[(&str, Arc<Stock>); 3]> = LazyLock::new(|| {
    bundled!("lantern-200", "fathom-400", "meridian-50" in "stocks/").map(|(name, text)| {
        (name, stock_from(text, Path::new(name)).expect("a test reads every bundled stock"))
    })
});

pub(crate) fn bundled_stock(name: &str) -> Option<Arc<Stock>> {
    STOCKS.iter().find(|(known, _)| *known == name).map(|(_, stock)| Arc::clone(stock))
}
