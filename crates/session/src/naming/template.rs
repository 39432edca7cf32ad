//! Templates of file names: text and pieces in braces, such as `{roll}/{number:2} {title}`.
//!
//! A piece is a word in braces, with the least number of digits behind a colon where it is a number; behind a second
//! colon, `{count}` has the number to start with. `/` begins a subfolder; `{{` and `}}` stand for braces. What a piece
//! stands for never begins a subfolder.

use super::{NameError, check};
use crate::model::{Frame, OutputSettings};

/// Most folders that a template may make below the target folder: our choice, far more than anyone reads.
const MOST_FOLDERS: usize = 8;
/// Most bytes of the path below the target folder: leaves room for the folder itself in the 1024 bytes that macOS
/// allows for a path.
const MOST_PATH_BYTES: usize = 700;
/// Most digits of a number.
const MOST_DIGITS: u8 = 9;
/// Largest number that a count starts with: it keeps its digits.
const MOST_START: u32 = 999_999_999;

/// What a name says about a frame besides what the frame itself knows.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct NameFacts<'a> {
    /// Title of the roll.
    pub roll: &'a str,
    /// Place of the frame's strip in the session, from 1.
    pub strip: usize,
    /// Place of the frame in the run, from 1.
    pub count: usize,
    /// Kind of export.
    pub kind: &'a str,
    /// Name of the recipe, or the kind of export.
    pub recipe: &'a str,
    /// Date of the export, `YYYY-MM-DD`.
    pub date: &'a str,
    /// When the picture was taken, in the user's words.
    pub shot: &'a str,
    /// When the film was scanned, as the scan says, `YYYY-MM-DD`.
    pub scanned: &'a str,
}

/// A piece that a template can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Roll,
    Strip,
    Number,
    Count,
    Title,
    Kind,
    Date,
    Name,
    Recipe,
    Shot,
    Scanned,
}

/// Words of the pieces, with what they stand for.
pub const NAME_PIECES: [(&str, &str); 11] = [
    ("roll", "title of the roll"),
    ("strip", "place of the strip, from 1"),
    ("number", "number of the frame, as on the film where it was read"),
    ("count", "running number within the export, from 1"),
    ("title", "the frame's own name"),
    ("kind", "kind of export"),
    ("date", "date of the export"),
    ("name", "base name with the frame's number, or the frame's own name"),
    ("recipe", "name of the recipe"),
    ("shot", "date shot"),
    ("scanned", "date of the scan"),
];

impl Field {
    const ALL: [Self; 11] = [
        Self::Roll,
        Self::Strip,
        Self::Number,
        Self::Count,
        Self::Title,
        Self::Kind,
        Self::Date,
        Self::Name,
        Self::Recipe,
        Self::Shot,
        Self::Scanned,
    ];

    fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().zip(NAME_PIECES).find(|(_, (known, _))| *known == key).map(|(field, _)| field)
    }
}

/// Part of a template.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(char),
    Folder,
    /// With the least number of digits, and the number that the count starts with.
    Field(Field, Option<u8>, usize),
}

/// Whether a text is a template rather than a plain base name.
pub fn is_template(text: &str) -> bool {
    text.contains(['{', '}', '/'])
}

fn pieces(template: &str) -> Result<Vec<Piece>, NameError> {
    let mut pieces = Vec::new();
    let mut rest = template.chars().peekable();
    while let Some(character) = rest.next() {
        let piece = match character {
            '/' => Piece::Folder,
            '{' | '}' if rest.peek() == Some(&character) => {
                rest.next();
                Piece::Text(character)
            }
            '{' => {
                let mut word = String::new();
                loop {
                    match rest.next() {
                        Some('}') => break,
                        Some(next) if next != '{' => word.push(next),
                        _ => return Err(NameError::Brace),
                    }
                }
                field(&word)?
            }
            '}' => return Err(NameError::Brace),
            other => Piece::Text(other),
        };
        pieces.push(piece);
    }
    Ok(pieces)
}

fn field(word: &str) -> Result<Piece, NameError> {
    let unknown = || NameError::Piece { piece: word.to_owned() };
    let mut parts = word.split(':').map(str::trim);
    let field = parts.next().and_then(Field::from_key).ok_or_else(unknown)?;
    let digits: Option<u8> = parts.next().map(str::parse).transpose().map_err(|_not_a_number| unknown())?;
    let start: Option<u32> = parts.next().map(str::parse).transpose().map_err(|_not_a_number| unknown())?;
    let is_number = matches!(field, Field::Strip | Field::Number | Field::Count);
    let is_sound = digits.is_none_or(|digits| is_number && (1..=MOST_DIGITS).contains(&digits))
        && start.is_none_or(|start| field == Field::Count && start <= MOST_START)
        && parts.next().is_none();
    match is_sound {
        true => Ok(Piece::Field(field, digits, start.unwrap_or(1) as usize)),
        false => Err(unknown()),
    }
}

/// Path of a frame's file below the target folder, with `/` between folders and without its extension.
pub(super) fn path_of(
    template: &str,
    output: &OutputSettings,
    frame: &Frame,
    facts: &NameFacts<'_>,
) -> Result<String, NameError> {
    let mut parts = vec![String::new()];
    for piece in pieces(template)? {
        let Some(part) = parts.last_mut() else { break };
        match piece {
            Piece::Text(character) => part.push(character),
            Piece::Folder => parts.push(String::new()),
            Piece::Field(field, digits, start) => {
                let text = value((field, digits, start), output, frame, facts);
                if text.contains('/') {
                    return Err(NameError::Character { character: '/' });
                }
                part.push_str(&text);
            }
        }
    }
    if parts.len() > MOST_FOLDERS + 1 {
        return Err(NameError::TooDeep { folders: parts.len() - 1, limit: MOST_FOLDERS });
    }
    for part in &mut parts {
        // A piece without a value leaves no double blank.
        *part = part.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
        *part = super::composed(part.trim());
        check(part)?;
    }
    let path = parts.join("/");
    if path.len() > MOST_PATH_BYTES {
        return Err(NameError::TooLong { bytes: path.len(), limit: MOST_PATH_BYTES });
    }
    Ok(path)
}

fn value(
    (field, digits, start): (Field, Option<u8>, usize),
    output: &OutputSettings,
    frame: &Frame,
    facts: &NameFacts<'_>,
) -> String {
    let number = |value: usize| format!("{value:0width$}", width = usize::from(digits.unwrap_or(1)));
    match field {
        Field::Roll => facts.roll.trim().to_owned(),
        Field::Strip => number(facts.strip),
        Field::Number => {
            let digits = digits.unwrap_or(output.digits);
            match frame.film_number {
                Some(film) => film.text(digits),
                None => output.number_of(frame, digits),
            }
        }
        Field::Count => number((facts.count + start).saturating_sub(1)),
        Field::Title => frame.name.as_deref().unwrap_or_default().trim().to_owned(),
        Field::Kind => facts.kind.to_owned(),
        Field::Date => facts.date.to_owned(),
        Field::Name => match &frame.name {
            Some(own) => own.trim().to_owned(),
            None => format!("{} {}", output.base_name.trim(), output.number_of(frame, output.digits)),
        },
        Field::Recipe => facts.recipe.to_owned(),
        // Dates may be typed with separators that no file name can have.
        Field::Shot => facts.shot.trim().replace(['/', ':'], "-"),
        Field::Scanned => facts.scanned.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{clash_key, frame_path};
    use super::*;
    use crate::edit::tests::sample_session;
    use crate::model::FilmNumber;

    const FACTS: NameFacts<'static> = NameFacts {
        roll: "harbour",
        strip: 2,
        count: 7,
        kind: "web",
        recipe: "for friends",
        date: "2026-11-29",
        shot: "06/1987",
        scanned: "2026-10-02",
    };

    fn named(template: &str, title: Option<&str>, film_number: Option<&str>) -> Result<String, NameError> {
        let session = sample_session();
        let mut frame = (*session.frames[0]).clone();
        frame.name = title.map(str::to_owned);
        frame.film_number = film_number.and_then(FilmNumber::from_text);
        let name_template = Some(template.to_owned());
        let output = OutputSettings { name_template, ..OutputSettings::default() };
        frame_path(&output, &frame, &FACTS)
    }

    #[test]
    fn pieces_stand_for_what_is_known_of_the_frame() {
        for (template, title, wanted) in [
            ("{roll} {number} {title}", Some("pier"), "harbour 12A pier"),
            ("{roll} {number} {title}", None, "harbour 12A"),
            ("{date}/{kind}/{strip:2}-{count:3}", None, "2026-11-29/web/02-007"),
            ("{{{roll}}}", None, "{harbour}"),
            ("{ number : 4 }", None, "0012A"),
            ("{count:3:100}", None, "106"),
            ("{count:1:0}", None, "6"),
            ("{recipe}/{name}", None, "for friends/frame 01"),
            ("{name}", Some("pier"), "pier"),
            ("{shot} {scanned}", None, "06-1987 2026-10-02"),
        ] {
            assert_eq!(named(template, title, Some("12A")).as_deref(), Ok(wanted), "{template}");
        }
        // Without a number on the film, the running one.
        assert_eq!(named("{number:3}", None, None).as_deref(), Ok("001"));
    }

    #[test]
    fn templates_that_say_nothing_or_lead_out_of_the_folder_are_refused() {
        for template in [
            "",
            " ",
            "/",
            "a//b",
            "/a",
            "a/",
            "../a",
            "a/../b",
            "./a",
            "{",
            "}",
            "{rol}",
            "{roll:2}",
            "{count:0}",
            "{count:10}",
            "{count:x}",
            "{count:3:x}",
            "{count:3:1:1}",
            "{number:3:1}",
            "{{roll}",
            "nul/{count}",
            "a\\b",
            "c:/x",
            "{title}",
            "a/b/c/d/e/f/g/h/i/j",
        ] {
            assert!(named(template, None, None).is_err(), "{template:?} was accepted");
        }
        assert_eq!(named("{title}", Some("../up"), None), Err(NameError::Character { character: '/' }));
        assert!(named(&"x".repeat(250), None, None).is_err());
        assert!(named(&vec!["y".repeat(150); 6].join("/"), None, None).is_err());
    }

    /// What Windows, macOS and Linux have in common, written down apart from the code under test.
    fn is_safe_part(part: &str) -> bool {
        let base = part.split('.').next().unwrap_or_default().trim_end().to_uppercase();
        let is_device = ["CON", "PRN", "AUX", "NUL"].contains(&base.as_str())
            || (base.chars().count() == 4
                && (base.starts_with("COM") || base.starts_with("LPT"))
                && base.ends_with(|c: char| c.is_ascii_digit() || "¹²³".contains(c)));
        !part.is_empty()
            && part.len() + ".tif".len() <= 255
            && !part.ends_with(['.', ' '])
            && !part.starts_with([' ', '.'])
            && !part.chars().any(|c| c < ' ' || "<>:\"/\\|?*\u{7f}".contains(c))
            && !is_device
    }

    #[test]
    fn of_a_hundred_thousand_random_templates_and_titles_none_leads_out_of_the_folder() {
        use proptest::strategy::Strategy as _;
        use proptest::test_runner::{Config, RngSeed, TestRunner};
        // Seed 31: pieces, separators and characters that matter, in any order.
        let config = Config {
            cases: 100_000,
            rng_seed: RngSeed::Fixed(31),
            failure_persistence: None,
            ..Config::default()
        };
        let part = proptest::prop_oneof![
            proptest::sample::select(
                ["{roll}", "{title}", "{number:2}", "{count}", "{kind}", "/", "..", ".", " ", "nul", "COM1"]
                    .map(str::to_owned)
                    .to_vec()
            ),
            "[a-z./\\\\: \u{0}\n\u{202e}~{}é\u{308}]{0,6}".prop_map(|text| text),
            "x{0,260}".prop_map(|text| text),
        ];
        let template = proptest::collection::vec(part, 0..7).prop_map(|parts| parts.concat());
        let title = "[a-z./\\\\:{}\u{0} é]{0,12}";
        let session = sample_session();
        let (mut accepted, mut keys) = (0_u32, std::collections::HashMap::new());
        TestRunner::new(config)
            .run(&(template, title), |(template, title)| {
                let mut frame = (*session.frames[0]).clone();
                frame.name = Some(title.clone());
                let output =
                    OutputSettings { name_template: Some(template.clone()), ..OutputSettings::default() };
                let facts = NameFacts { roll: &title, ..FACTS };
                if let Ok(path) = frame_path(&output, &frame, &facts) {
                    assert!(path.split('/').all(is_safe_part), "{template:?} gave {path:?}");
                    assert!(!path.starts_with('/') && path.len() <= MOST_PATH_BYTES, "{path:?}");
                }
                Ok(())
            })
            .expect("every path is safe or refused");
        // The same names again, to know that the test did not only see refusals.
        for count in 0..1000 {
            let facts = NameFacts { count, ..FACTS };
            let output = OutputSettings {
                name_template: Some("{roll}/{count:3} {title}".to_owned()),
                ..OutputSettings::default()
            };
            let path = frame_path(&output, &session.frames[0], &facts).expect("a plain name");
            accepted += 1;
            keys.insert(clash_key(&path), count);
        }
        assert_eq!((accepted, keys.len()), (1000, 1000));
    }
}
