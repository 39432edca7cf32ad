//! Data of a frame becomes whole lines without padding.

use crate::error::Error;
use crate::protocol::{FrameHead, FrameKind};

/// Lines of samples as they arrived, from the top.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Rows {
    /// Place of the first of them.
    pub first: usize,
    pub samples: Samples,
}

/// Samples of 8 or 16 bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Samples {
    Narrow(Vec<u8>),
    Wide(Vec<u16>),
}

/// Gathers the bytes of a frame into lines.
#[derive(Debug)]
pub(crate) struct LineSink {
    bytes_per_line: usize,
    /// Bytes of a line that hold samples; drivers may pad lines.
    used: usize,
    is_wide: bool,
    swap: bool,
    rest: Vec<u8>,
    done: usize,
    lines: Option<usize>,
    channels: usize,
    /// Steps between neighbours in the high and in the low byte, summed.
    steps: (u64, u64),
}

impl LineSink {
    /// For a frame. 16-bit samples have the order of this machine (SANE Standard 1.06, section 3.2.1); `swap` is for
    /// drivers that deliver the other one.
    ///
    /// # Errors
    /// A depth that is not supported, or a head that contradicts itself.
    pub(crate) fn new(head: &FrameHead, swap: bool) -> Result<Self, Error> {
        let wrong = |found: String| Err(Error::Data { found });
        if let FrameKind::Other(code) = head.kind {
            return wrong(format!("frames of kind {code}; choose another mode"));
        }
        let bytes = match head.depth {
            8 => 1,
            16 => 2,
            other => return wrong(format!("{other} bits a sample; choose a mode of 8 or 16 bits")),
        };
        let used = head.width_px.saturating_mul(head.kind.samples() * bytes);
        if used == 0 || used > head.bytes_per_line || head.bytes_per_line > 1 << 28 {
            return wrong(format!("{} pixels in lines of {} bytes", head.width_px, head.bytes_per_line));
        }
        Ok(Self {
            bytes_per_line: head.bytes_per_line,
            used,
            is_wide: bytes == 2,
            swap,
            rest: Vec::new(),
            done: 0,
            lines: head.lines,
            channels: head.kind.samples(),
            steps: (0, 0),
        })
    }

    /// Lines that are complete with these bytes.
    ///
    /// # Errors
    /// More lines than announced.
    pub(crate) fn push(&mut self, bytes: &[u8]) -> Result<Option<Rows>, Error> {
        self.rest.extend_from_slice(bytes);
        let count = self.rest.len() / self.bytes_per_line;
        if count == 0 {
            return Ok(None);
        }
        if self.lines.is_some_and(|lines| self.done + count > lines) {
            return Err(Error::Data {
                found: format!("more than the {} lines announced", self.lines.unwrap_or(0)),
            });
        }
        let whole = count * self.bytes_per_line;
        let lines = self.rest[..whole].chunks_exact(self.bytes_per_line).map(|line| &line[..self.used]);
        let samples = if self.is_wide {
            let read = |pair: &[u8]| {
                let code = u16::from_ne_bytes([pair[0], pair[1]]);
                if self.swap { code.swap_bytes() } else { code }
            };
            let codes: Vec<u16> = lines.flat_map(|line| line.chunks_exact(2).map(read)).collect();
            self.add_steps(&codes);
            Samples::Wide(codes)
        } else {
            Samples::Narrow(lines.flatten().copied().collect())
        };
        let rows = Rows { first: self.done, samples };
        self.rest.drain(..whole);
        self.done += count;
        Ok(Some(rows))
    }

    /// Checks that the frame is complete; returns its number of lines.
    ///
    /// # Errors
    /// Fewer lines than announced, part of a line, or nothing.
    pub(crate) fn finish(&self) -> Result<usize, Error> {
        match self.lines {
            Some(lines) if self.done != lines => {
                Err(Error::Data { found: format!("{} of the {lines} lines announced", self.done) })
            }
            _ if !self.rest.is_empty() => {
                Err(Error::Data { found: format!("part of a line, {} bytes, at the end", self.rest.len()) })
            }
            _ if self.done == 0 => Err(Error::Data { found: "no lines".to_owned() }),
            _ => Ok(self.done),
        }
    }

    fn add_steps(&mut self, codes: &[u16]) {
        for (first, second) in codes.iter().zip(codes.iter().skip(self.channels)) {
            let ([a_high, a_low], [b_high, b_low]) = (first.to_be_bytes(), second.to_be_bytes());
            self.steps.0 += u64::from(a_high.abs_diff(b_high));
            self.steps.1 += u64::from(a_low.abs_diff(b_low));
        }
    }

    /// Whether the samples look as if their bytes were swapped: neighbours then differ less in the low byte than in the
    /// high one. In a picture of film the high byte is the smoother one by far; in noise neither is, and plain areas say
    /// nothing.
    pub(crate) fn looks_swapped(&self) -> bool {
        let (high, low) = self.steps;
        low > 0 && high > 4 * low
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(depth: u32, bytes_per_line: usize, lines: Option<usize>) -> FrameHead {
        FrameHead { kind: FrameKind::Rgb, is_last: true, bytes_per_line, width_px: 2, lines, depth }
    }

    #[test]
    fn padding_is_dropped_and_lines_are_joined_over_pieces() {
        let mut sink = LineSink::new(&head(8, 8, Some(2)), false).expect("a sound head");
        assert_eq!(sink.push(&[1, 2, 3, 4, 5]).expect("sound"), None);
        let rows = sink.push(&[6, 99, 99, 7, 8, 9, 10, 11, 12, 99, 99]).expect("sound").expect("two lines");
        assert_eq!(rows.samples, Samples::Narrow((1..=12).collect()));
        assert_eq!(sink.finish().expect("complete"), 2);
    }

    #[test]
    fn frames_that_end_early_or_late_are_refused() {
        let mut sink = LineSink::new(&head(8, 6, Some(2)), false).expect("a sound head");
        sink.push(&[0; 6]).expect("one line");
        assert!(sink.finish().expect_err("one line is missing").to_string().contains("1 of the 2 lines"));
        assert!(sink.push(&[0; 12]).is_err());
        let mut cut = LineSink::new(&head(8, 6, None), false).expect("a sound head");
        cut.push(&[0; 9]).expect("a line and a half");
        assert!(cut.finish().is_err());
        assert!(LineSink::new(&head(1, 6, None), false).is_err());
        assert!(LineSink::new(&head(16, 6, None), false).is_err(), "two pixels of six bytes need twelve");
    }

    #[test]
    fn wide_samples_come_in_the_order_of_the_machine_and_the_other_one_is_noticed() {
        let ramp: Vec<u16> = (0..600).map(|at| 20_000 + at * 7).collect();
        let bytes: Vec<u8> = ramp[..6].iter().flat_map(|code| code.to_ne_bytes()).collect();
        let mut sink = LineSink::new(&head(16, 12, Some(1)), false).expect("a sound head");
        let rows = sink.push(&bytes).expect("sound").expect("a line");
        assert_eq!(rows.samples, Samples::Wide(ramp[..6].to_vec()));
        let swapped: Vec<u16> = ramp.iter().map(|code| code.swap_bytes()).collect();
        let looks_swapped = |codes: &[u16]| {
            let mut sink = LineSink::new(&head(16, 12, None), false).expect("a sound head");
            sink.push(&codes.iter().flat_map(|code| code.to_ne_bytes()).collect::<Vec<u8>>()).expect("sound");
            sink.looks_swapped()
        };
        assert!(looks_swapped(&swapped) && !looks_swapped(&ramp));
    }
}
