//! File names of exported frames: base name and counter, a frame's own name, or a template, made safe for any file
//! system.

mod template;

use unicode_normalization::UnicodeNormalization as _;

use crate::model::{Frame, OutputSettings};

pub use template::{NAME_PIECES, NameFacts, is_template};

/// Why a name can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NameError {
    /// Nothing is left of the name.
    #[error("the name is empty; type a base name such as “harbour”")]
    Empty,
    /// A character that some file system can't store or that would leave the folder.
    #[error("“{character}” can't be part of a file name; folders are chosen separately")]
    Character {
        /// The character.
        character: char,
    },
    /// Blanks that reading the name again would drop.
    #[error("a name can't begin or end with a blank")]
    OuterBlank,
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
    /// A word in braces that stands for nothing.
    #[error("“{{{piece}}}” can't be used in a name; use {}", piece_list())]
    Piece {
        /// The word.
        piece: String,
    },
    /// An opening or closing brace alone.
    #[error("a brace has no partner; write {{{{ or }}}} for the character itself")]
    Brace,
    /// More subfolders than are of use.
    #[error("the name has {folders} folders; at most {limit} are made")]
    TooDeep {
        /// Folders of the name.
        folders: usize,
        /// Most that are accepted.
        limit: usize,
    },
}

fn piece_list() -> String {
    NAME_PIECES.map(|(key, _)| format!("{{{key}}}")).join(", ")
}

/// Leaves room for an extension and a temporary suffix below the usual limit of 255 bytes.
const MAX_STEM_BYTES: usize = 200;

/// Name of a frame's file without its extension: `harbour 01`, or the frame's own name.
///
/// Refuses names that could leave the target folder or that some file system can't store. Letters with marks are
/// composed (NFC), however they were typed.
pub fn file_stem(output: &OutputSettings, frame: &Frame) -> Result<String, NameError> {
    let stem = match &frame.name {
        Some(own) => own.trim().to_owned(),
        None => {
            let base = output.base_name.trim();
            check(base)?;
            format!("{base} {}", output.number_of(frame, output.digits))
        }
    };
    let stem = composed(&stem);
    check(&stem)?;
    Ok(stem)
}

/// Path of a frame's file below the target folder, without its extension: by the template of the settings if there is
/// one, else its [`file_stem`]. Folders are separated by `/`.
///
/// # Errors
/// As [`file_stem`], for each folder and the name.
pub fn frame_path(
    output: &OutputSettings,
    frame: &Frame,
    facts: &NameFacts<'_>,
) -> Result<String, NameError> {
    match &output.name_template {
        Some(template) => template::path_of(template, output, frame, facts),
        None => file_stem(output, frame),
    }
}

/// Letters with their marks in one character, however they were typed.
fn composed(text: &str) -> String {
    text.nfc().collect()
}

/// Key that two names share if some file system takes them for one: case and the composition of letters make no
/// difference.
pub fn clash_key(stem: &str) -> String {
    // Upper case first, because some small letters share their capital: ſ and s.
    stem.nfc().flat_map(char::to_uppercase).flat_map(char::to_lowercase).nfc().collect()
}

/// Whether a text can be the name of a file or folder.
///
/// # Errors
/// As [`file_stem`].
pub fn check_name(name: &str) -> Result<(), NameError> {
    check(name)
}

fn check(stem: &str) -> Result<(), NameError> {
    if stem.is_empty() {
        return Err(NameError::Empty);
    }
    if stem.trim() != stem {
        return Err(NameError::OuterBlank);
    }
    let forbidden = |c: char| {
        c.is_control()
            || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|')
            // Marks that are invisible, break lines or turn the reading direction make a name look like another one.
            || matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{2069}' | '\u{feff}')
    };
    if let Some(character) = stem.chars().find(|c| forbidden(*c)) {
        return Err(NameError::Character { character });
    }
    let device = stem.split('.').next().unwrap_or(stem).trim().to_ascii_uppercase();
    let numbered = |prefix: &str| {
        device.strip_prefix(prefix).is_some_and(|n| {
            n.chars().count() == 1 && n.chars().all(|c| matches!(c, '0'..='9' | '¹' | '²' | '³'))
        })
    };
    let reserved = matches!(device.as_str(), "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$")
        || numbered("COM")
        || numbered("LPT");
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
    fn a_name_is_not_accepted_with_blanks_that_reading_it_again_would_drop() {
        for bad in [" web", "web ", "\u{a0}web", " "] {
            assert_eq!(check_name(bad), Err(NameError::OuterBlank), "{bad:?}");
        }
        assert_eq!(check_name("for the web"), Ok(()));
    }

    #[test]
    fn names_that_look_like_others_or_are_devices_are_refused() {
        for bad in
            ["a\u{200b}b", "a\u{2028}b", "\u{feff}a", "com³", "lpt¹.x", "conin$", "con .x", "...", "a\0b"]
        {
            assert!(stem(bad, 1).is_err(), "{bad:?} was accepted");
        }
    }

    #[test]
    fn names_that_a_file_system_takes_for_one_share_their_key_and_composed_letters_are_written() {
        assert_eq!(clash_key("K\u{dc}STE"), clash_key("ku\u{308}ste"));
        assert_ne!(clash_key("kuste"), clash_key("küste"));
        assert_eq!(stem("ku\u{308}ste", 1).as_deref(), Ok("küste 01"));
    }

    #[test]
    fn whatever_is_typed_a_name_stays_in_its_folder_and_fits_every_file_system() {
        use proptest::strategy::Strategy as _;
        use proptest::test_runner::{Config, RngSeed, TestRunner};
        // Seed 12: arbitrary text, and text from the characters that matter.
        let config = Config {
            cases: 20_000,
            rng_seed: RngSeed::Fixed(12),
            failure_persistence: None,
            ..Config::default()
        };
        let odd = "[a./\\\\: \u{0}\n\u{202e}CONUL1$~é\u{308}]{0,260}";
        let texts = proptest::prop_oneof![proptest::prelude::any::<String>(), odd.prop_map(|text| text)];
        let folder = std::path::Path::new("/prints");
        let session = sample_session();
        TestRunner::new(config)
            .run(&(texts, 0_u32..=u32::MAX, proptest::bool::ANY), |(text, number, own)| {
                let mut frame = (*session.frames[0]).clone();
                frame.number = number;
                frame.name = own.then(|| text.clone());
                let output = OutputSettings { base_name: text, ..OutputSettings::default() };
                if let Ok(stem) = file_stem(&output, &frame) {
                    let path = folder.join(format!("{stem}.tif"));
                    assert_eq!(path.parent(), Some(folder));
                    assert_eq!(path.components().count(), 3);
                    assert!(stem.len() <= MAX_STEM_BYTES && !stem.chars().any(char::is_control), "{stem:?}");
                    assert!(!stem.starts_with(['.', ' ']) && !stem.ends_with(['.', ' ']), "{stem:?}");
                }
                Ok(())
            })
            .expect("every name is safe or refused");
    }

    #[test]
    fn an_own_name_replaces_base_and_counter() {
        let session = sample_session();
        let mut frame = (*session.frames[0]).clone();
        frame.name = Some("lighthouse".to_owned());
        assert_eq!(file_stem(&session.output, &frame).as_deref(), Ok("lighthouse"));
    }
}
