//! Stock files.

use std::io::Read as _;
use std::path::Path;

use glassine_film::Stock;
use glassine_scanfile::open_regular;
use glassine_session::Session;

use crate::build::adjust::free_stock_id;
use crate::error::{EngineError, Notice, Severity};

/// Largest stock file that is read; real ones take a few kilobytes.
const MAX_STOCK_BYTES: u64 = 1 << 20;

/// Read a stock file.
pub fn read_stock(path: &Path) -> Result<Stock, EngineError> {
    let refused = |headline: String| {
        let what = "choose a stock file that was written by this program";
        EngineError::Permanent(Notice::new(Severity::Error, headline, what).about(path))
    };
    let unreadable = |error: std::io::Error| refused(format!("the stock can't be read: {error}"));
    let (file, meta) = open_regular(path)?;
    if meta.len() > MAX_STOCK_BYTES {
        return Err(refused(format!("the file has {} bytes, more than any stock has", meta.len())));
    }
    let mut text = String::new();
    file.take(MAX_STOCK_BYTES).read_to_string(&mut text).map_err(unreadable)?;
    Stock::from_json(&text).map_err(|error| refused(error.to_string()))
}

/// A stock from a file, under an id that the session does not use for another stock.
pub(crate) fn load_stock(session: &Session, path: &Path) -> Result<(Stock, Notice), EngineError> {
    let mut stock = read_stock(path)?;
    let known = session.stock(&stock.id).is_some_and(|known| **known == stock);
    if !known {
        let is_taken = session.stock(&stock.id).is_some()
            || glassine_film::shipped_stocks().iter().any(|shipped| shipped.id == stock.id);
        if is_taken || stock.id.trim().is_empty() {
            stock.id = free_stock_id(session, &stock.name);
        }
    }
    let headline = format!("stock “{}” is kept with this session now", stock.name);
    let what = format!("choose it under film, for strips of {}", stock.kind.label().to_lowercase());
    Ok((stock, Notice::new(Severity::Info, headline, what)))
}
