//! Random base names and frame names: accepted names stay inside the folder and fit every file system.

use glassine_testdata::random::SplitMix64;
use std::path::{Component, Path};
use std::sync::Arc;

use glassine_engine::planned_paths;
use glassine_session::{Frame, OutputSettings, Session, file, file_stem};

use super::{Target, Verdict};

/// Pieces for building names.
const PIECES: &[&str] = &[
    "..",
    ".",
    "/",
    "\\",
    ":",
    "a",
    "harbour",
    " ",
    "  ",
    "\t",
    "\n",
    "\0",
    "CON",
    "nul",
    "COM1",
    "lpt9",
    "AUX.",
    "~",
    "*",
    "?",
    "\"",
    "<",
    ">",
    "|",
    "é",
    "e\u{301}",
    "\u{202e}",
    "\u{200f}",
    "\u{feff}",
    "🎞",
    "ß",
    "SS",
    "İ",
    "-",
    "--",
    "%00",
    "%2f",
    "$HOME",
    "`x`",
    "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx",
    "01",
    "\u{7f}",
    "C:",
    "//server",
    "٣",
    "ﬁ",
];

pub(super) struct Names {
    frame: Option<Arc<Frame>>,
}

impl Names {
    /// Starts from a frame of the frozen session.
    pub(super) fn new() -> Self {
        let frozen = include_bytes!("../../../../../session/tests/files/version-1.session.json");
        let session = file::from_json(frozen).ok().map(|opened| opened.session);
        Self { frame: session.and_then(|session| session.frames.first().cloned()) }
    }
}

impl Target for Names {
    fn seeds(&self) -> Vec<Vec<u8>> {
        PIECES.iter().map(|piece| [b"\0harbour ", piece.as_bytes()].concat()).collect()
    }

    fn input(&self, random: &mut SplitMix64) -> Vec<u8> {
        let mut name = String::new();
        for _ in 0..1 + random.below(6) {
            if random.below(4) == 0 {
                let code = random.next_u64() as u32 % 0x11_0000;
                name.extend(char::from_u32(code));
            } else {
                name.push_str(random.pick(PIECES).copied().unwrap_or_default());
            }
        }
        // The first byte says whether this is the base name or the name of the frame.
        let mut input = vec![random.below(2) as u8];
        input.extend_from_slice(name.as_bytes());
        input
    }

    fn read(&self, input: &[u8], _place: &Path) -> Result<Verdict, String> {
        let Some(frame) = &self.frame else { return Err("the frozen session could not be read".to_owned()) };
        let Some((own, name)) = input.split_first() else { return Ok(Verdict::Refused) };
        let name = String::from_utf8_lossy(name).into_owned();
        let mut output = OutputSettings::default();
        let mut first = (**frame).clone();
        first.name = None;
        if *own == 1 {
            first.name = Some(name.clone());
        } else {
            output.base_name.clone_from(&name);
        }
        let Ok(stem) = file_stem(&output, &first) else { return Ok(Verdict::Refused) };
        let folder = Path::new("/folder/of pictures");
        let path = folder.join(format!("{stem}.tif"));
        let inside = path.parent() == Some(folder)
            && path.components().all(|part| !matches!(part, Component::ParentDir))
            && path.file_name().is_some();
        if !inside || stem.contains(['/', '\\', '\0']) || stem.len() > 240 || stem.starts_with('.') {
            return Err(format!("the name {name:?} became {stem:?}"));
        }
        // Two frames whose names differ only in case can't both be planned.
        let mut second = first.clone();
        second.name = Some(stem.to_uppercase());
        let planned =
            planned_paths(&Session::default(), &[Arc::new(first), Arc::new(second)], folder, &output, "");
        let paths: Vec<_> = planned.into_iter().filter_map(|(_, path)| path.ok()).collect();
        let clash = match paths.as_slice() {
            [one, other] => one.to_string_lossy().to_lowercase() == other.to_string_lossy().to_lowercase(),
            _ => false,
        };
        if clash { Err(format!("two frames are planned as {stem:?}")) } else { Ok(Verdict::Taken) }
    }
}
