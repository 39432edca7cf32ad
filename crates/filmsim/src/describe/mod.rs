//! Descriptions of strips and stocks: JSON files that people read, copy and change. `demo-sessions/README.md` explains
//! the format.

mod bundled;
mod stock;
mod strip;

use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::Arc;

use serde::de::DeserializeOwned;

pub(crate) use bundled::{STOCKS, bundled, bundled_stock};
pub use strip::StripDescription;

use crate::Error;
use crate::stock::Stock;

/// What is wrong with a description, where, and what to do about it; the file is added by [`Fault::of`].
#[derive(Debug, PartialEq, Eq)]
struct Fault {
    place: String,
    problem: String,
    advice: String,
}

impl Fault {
    fn new(place: impl Into<String>, problem: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { place: place.into(), problem: problem.into(), advice: advice.into() }
    }

    fn of(self, path: &Path) -> Error {
        let Self { place, problem, advice } = self;
        Error::Description { path: path.to_owned(), place, problem, advice }
    }
}

/// A stock from its description; `path` is for messages.
pub(crate) fn stock_from(text: &str, path: &Path) -> Result<Arc<Stock>, Error> {
    parse::<stock::StockFile>(text).and_then(stock::StockFile::into_stock).map_err(|fault| fault.of(path))
}

fn parse<T: DeserializeOwned>(text: &str) -> Result<T, Fault> {
    let mut reader = serde_json::Deserializer::from_str(text);
    let value = serde_path_to_error::deserialize(&mut reader).map_err(|error| {
        let place = error.path().to_string();
        let inner = error.into_inner();
        if inner.is_data() {
            let advice = "correct it; demo-sessions/README.md lists every key with its unit";
            Fault::new(if place == "." { "the file".to_owned() } else { place }, inner.to_string(), advice)
        } else {
            syntax(&inner)
        }
    })?;
    reader.end().map_err(|error| syntax(&error))?;
    Ok(value)
}

fn syntax(error: &serde_json::Error) -> Fault {
    let place = format!("line {}, column {}", error.line(), error.column());
    let problem = error.to_string();
    let problem = problem.split(" at line ").next().unwrap_or_default().to_owned();
    Fault::new(
        place,
        problem,
        "correct the JSON there: look for a missing or surplus comma, quote or bracket",
    )
}

fn within(place: &str, value: f64, range: RangeInclusive<f64>, unit: &str) -> Result<(), Fault> {
    if range.contains(&value) {
        return Ok(());
    }
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    Err(Fault::new(
        place,
        format!("{value}{unit} cannot be drawn"),
        format!("give a value from {} to {}{unit}", range.start(), range.end()),
    ))
}

fn all_within(place: &str, values: &[f64], range: &RangeInclusive<f64>, unit: &str) -> Result<(), Fault> {
    values
        .iter()
        .enumerate()
        .try_for_each(|(i, value)| within(&format!("{place}[{i}]"), *value, range.clone(), unit))
}

/// Checks that a name can be printed on film; only these letters have a shape.
fn printable(place: &str, text: &str) -> Result<(), Fault> {
    match text.chars().find(|letter| !crate::lettering::has_glyph(*letter)) {
        Some(letter) => Err(Fault::new(
            place,
            format!("the letter {letter:?} cannot be printed on film"),
            format!("use only these letters, and spaces: {}", crate::lettering::LETTERS),
        )),
        None if text.len() > 24 => {
            Err(Fault::new(place, "the name is too long for the edge of the film", "use at most 24 letters"))
        }
        None => Ok(()),
    }
}
