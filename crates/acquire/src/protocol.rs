//! What the program and the process of the drivers say to each other: one line of JSON each, and after a `data` line
//! that many bytes.

use std::io::{self, BufRead, Read as _, Write};

use serde::{Deserialize, Serialize};

use crate::error::Status;
use crate::option::{DeviceOption, OptionValue};

/// Longest line of JSON. Our choice: many times the longest list of options.
const MOST_LINE: u64 = 8 << 20;
/// Most bytes of one piece of data.
pub(crate) const MOST_DATA: usize = 256 << 10;

/// A scanner, as its driver names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// Name by which it is opened; it begins with the driver.
    pub name: String,
    pub vendor: String,
    pub model: String,
    pub kind: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Request {
    /// Load the library.
    Init,
    List {
        local_only: bool,
    },
    Open {
        name: String,
    },
    Options,
    Set {
        index: i32,
        value: OptionValue,
    },
    /// Begin the next frame; its lines follow as data without further requests.
    Start,
    /// Stop the frame; also understood in the middle of its data.
    Cancel,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Reply {
    Done,
    Devices(Vec<Device>),
    Options(Vec<DeviceOption>),
    Frame(FrameHead),
    /// So many bytes of the frame follow this line.
    Data(usize),
    /// The frame is complete.
    FrameEnd,
    /// The frame ended before it was complete, or a request failed.
    Failed {
        status: Status,
    },
    NoLibrary {
        why: String,
    },
}

/// What the driver says about a frame before its first line (SANE Standard 1.06, section 4.3.8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FrameHead {
    pub kind: FrameKind,
    /// No further frame belongs to the picture.
    pub is_last: bool,
    pub bytes_per_line: usize,
    pub width_px: usize,
    /// Unknown for scanners that are moved by hand.
    pub lines: Option<usize>,
    /// Bits of a sample.
    pub depth: u32,
}

/// Samples of a frame. Infrared has the numbers that common drivers use; the standard reserves none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum FrameKind {
    Grey,
    Rgb,
    Red,
    Green,
    Blue,
    Infrared,
    RgbInfrared,
    /// A kind that is not supported, by its number.
    Other(i32),
}

impl FrameKind {
    pub(crate) fn from_code(code: i32) -> Self {
        match code {
            0 => Self::Grey,
            1 => Self::Rgb,
            2 => Self::Red,
            3 => Self::Green,
            4 => Self::Blue,
            0x0f => Self::Infrared,
            0x10 => Self::RgbInfrared,
            other => Self::Other(other),
        }
    }

    /// Samples of one pixel.
    pub(crate) fn samples(self) -> usize {
        match self {
            Self::Rgb => 3,
            Self::RgbInfrared => 4,
            Self::Grey | Self::Red | Self::Green | Self::Blue | Self::Infrared | Self::Other(_) => 1,
        }
    }
}

/// Sends a value as a line.
pub(crate) fn send(to: &mut impl Write, value: &impl Serialize) -> io::Result<()> {
    let mut line = serde_json::to_vec(value)?;
    line.push(b'\n');
    to.write_all(&line)?;
    to.flush()
}

/// Reads one line as a value; `None` at the end.
pub(crate) fn receive<T: for<'de> Deserialize<'de>>(from: &mut impl BufRead) -> io::Result<Option<T>> {
    let mut line = Vec::new();
    from.take(MOST_LINE).read_until(b'\n', &mut line)?;
    if line.is_empty() {
        return Ok(None);
    }
    if line.last() != Some(&b'\n') {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    serde_json::from_slice(&line).map(Some).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_survive_the_pipe_and_cut_lines_are_errors() {
        let mut pipe = Vec::new();
        let set = Request::Set { index: 3, value: OptionValue::Text("Transparency".into()) };
        send(&mut pipe, &set).expect("written");
        send(&mut pipe, &Request::Start).expect("written");
        pipe.extend_from_slice(b"{\"list\":");
        let mut reader = pipe.as_slice();
        assert_eq!(receive(&mut reader).expect("a line"), Some(set));
        assert_eq!(receive(&mut reader).expect("a line"), Some(Request::Start));
        assert!(receive::<Request>(&mut reader).is_err());
        assert_eq!(receive::<Request>(&mut [].as_slice()).expect("the end"), None);
    }
}
