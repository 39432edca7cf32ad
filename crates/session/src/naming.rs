//! File names of exported frames: base name and counter, or a frame's own name, made safe for any file system.

use crate::model::{Frame, OutputSettings};

/// Why a name can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NameError {
    /// Nothing is left of it.
    #[error("the name is empty; type a base name such as “harbour”")]
    Empty,
    /// A character that some file system can't store, or that would leave the folder.
    #[error("“{character}” can't be part of a file name; folders are chosen separately")]
    Character {
        /// The character.
        character: char,
    },
    /// A device name of some systems, or only dots.
    #[error("“{name}” is reserved on some systems; choose another base name")]
    Reserved {
        /// The name.
        name: String,
    },
    /// Longer than file systems allow.
    #[error("the name has {bytes} bytes; file systems allow {limit}")]
    TooLong {
        /// Length in UTF-8 bytes.
        bytes: usize,
        /// Longest that is accepted.
        limit: usize,
    },
}

/// Room is left for an ending and a temporary suffix below the usual limit of 255 bytes.
const MAX_STEM_BYTES: usize = 200;

/// Name of a frame's file without its ending: `harbour 01`, or the frame's own name.
///
/// Refuses names that could leave the target folder or that some file system can't hold.
pub fn file_stem(output: &OutputSettings, frame: &Frame) -> Result<String, NameError> {
    let stem = match &frame.name {
        Some(own) => own.trim().to_owned(),
        None => {
            let base = output.base_name.trim();
            check(base)?;
            format!("{base} {}", output.number_text(frame.number, output.digits))
        }
    };
    check(&stem)?;
    Ok(stem)
}

fn check(stem: &str) -> Result<(), NameError> {
    if stem.is_empty() {
        return Err(NameError::Empty);
    }
    let forbidden = |c: char| {
        c.is_control()
            || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|')
            // Marks that turn the reading direction make a name look like another one.
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    if let Some(character) = stem.chars().find(|c| forbidden(*c)) {
        return Err(NameError::Character { character });
    }
    let device = stem.split('.').next().unwrap_or(stem).trim().to_ascii_uppercase();
    let numbered = |prefix: &str| {
        device.strip_prefix(prefix).is_some_and(|n| n.len() == 1 && n.chars().all(|c| c.is_ascii_digit()))
    };
    let reserved =
        matches!(device.as_str(), "CON" | "PRN" | "AUX" | "NUL") || numbered("COM") || numbered("LPT");
    if reserved || stem.starts_with('.') || stem.ends_with('.') {
        return Err(NameError::Reserved { name: stem.to_owned() });
    }
    if stem.len() > MAX_STEM_BYTES {
        return Err(NameError::TooLong { bytes: stem.len(), limit: MAX_STEM_BYTES });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edit::tests::sample_session;

    fn stem(base: &str, number: u32) -> Result<String, NameError> {
        let session = sample_session();
        let mut frame = (*session.frames[0]).clone();
        frame.number = number;
        file_stem(&OutputSettings { base_name: base.to_owned(), ..OutputSettings::default() }, &frame)
    }

    #[test]
    fn base_name_and_counter_make_the_stem() {
        assert_eq!(stem("harbour", 1).as_deref(), Ok("harbour 01"));
        assert_eq!(stem(" harbour ", 123).as_deref(), Ok("harbour 123"));
    }

    #[test]
    fn half_numbers_give_the_second_frame_of_a_number_an_a() {
        let output = OutputSettings { half_numbers: true, ..OutputSettings::default() };
        let text: Vec<_> = (24..28).map(|number| output.number_text(number, 2)).collect();
        assert_eq!(text, ["12", "12A", "13", "13A"]);
    }

    #[test]
    fn names_that_leave_the_folder_or_confuse_a_system_are_refused() {
        for bad in ["", "  ", "../up", "a/b", "c:\\d", "nul", "COM1", ".hidden", "line\nbreak", "a\u{202e}b"]
        {
            assert!(stem(bad, 1).is_err(), "{bad:?} was accepted");
        }
        assert!(matches!(stem(&"x".repeat(300), 1), Err(NameError::TooLong { .. })));
    }

    #[test]
    fn an_own_name_replaces_base_and_counter() {
        let session = sample_session();
        let mut frame = (*session.frames[0]).clone();
        frame.name = Some("lighthouse".to_owned());
        assert_eq!(file_stem(&session.output, &frame).as_deref(), Ok("lighthouse"));
    }
}
