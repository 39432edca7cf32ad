//! The picture of a scan as it arrives, reduced for a screen.

use crate::lines::Samples;
use crate::protocol::{FrameHead, FrameKind};

/// Where a scan is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Passes over the film that are complete.
    pub frames_done: usize,
    pub lines_done: usize,
    /// Unknown for scanners that are moved by hand.
    pub lines: Option<usize>,
}

/// Lines that have just arrived.
#[derive(Debug, Clone, Copy)]
pub struct Arrived<'a> {
    pub(crate) head: &'a FrameHead,
    pub(crate) samples: &'a Samples,
}

/// Rows of a reduced picture, 8-bit red, green and blue. 16-bit samples are taken as proportional to light and encoded
/// with an exponent of 1/2.2; 8-bit samples stay.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LiveRows {
    /// Place of the first of them; a new pass begins at the top again.
    pub first_row: usize,
    pub width_px: usize,
    /// Scan pixels on a side for one pixel here.
    pub factor: usize,
    /// Height of the whole picture, if the device knows it.
    pub height_px: Option<usize>,
    pub rgb: Vec<u8>,
}

/// Reduces lines by means of whole blocks.
#[derive(Debug)]
pub struct LivePicture {
    most_width_px: usize,
    pass: Option<Pass>,
}

#[derive(Debug)]
struct Pass {
    number: usize,
    factor: usize,
    width_px: usize,
    height_px: Option<usize>,
    /// Sums of the block row that is not complete, three a pixel, and its lines.
    sums: Vec<u64>,
    lines: usize,
    first_row: usize,
    rgb: Vec<u8>,
}

impl LivePicture {
    /// A picture of at most this width and, if the height is known, as much height.
    pub fn new(most_width_px: usize) -> Self {
        Self { most_width_px: most_width_px.max(1), pass: None }
    }

    /// Takes lines in. Passes of infrared alone are left out.
    pub fn push(&mut self, at: Progress, arrived: &Arrived<'_>) {
        let head = arrived.head;
        if head.kind == FrameKind::Infrared || head.width_px == 0 {
            return;
        }
        if self.pass.as_ref().is_none_or(|pass| pass.number != at.frames_done) {
            let longest = head.width_px.max(head.lines.unwrap_or(0));
            let factor = longest.div_ceil(self.most_width_px).max(1);
            let width_px = head.width_px.div_ceil(factor);
            self.pass = Some(Pass {
                number: at.frames_done,
                factor,
                width_px,
                height_px: head.lines.map(|lines| lines.div_ceil(factor)),
                sums: vec![0; width_px * 3],
                lines: 0,
                first_row: 0,
                rgb: Vec::new(),
            });
        }
        let Some(pass) = &mut self.pass else { return };
        let channels = head.kind.samples();
        match arrived.samples {
            Samples::Narrow(codes) => {
                codes.chunks_exact(head.width_px * channels).for_each(|line| pass.add(line, channels));
            }
            Samples::Wide(codes) => {
                codes.chunks_exact(head.width_px * channels).for_each(|line| pass.add(line, channels));
            }
        }
    }

    /// Rows that are complete and were not taken yet.
    pub fn take(&mut self) -> Option<LiveRows> {
        let pass = self.pass.as_mut()?;
        let rgb = std::mem::take(&mut pass.rgb);
        let rows = rgb.len() / (pass.width_px * 3);
        let first_row = pass.first_row;
        pass.first_row += rows;
        let (width_px, factor, height_px) = (pass.width_px, pass.factor, pass.height_px);
        (rows > 0).then_some(LiveRows { first_row, width_px, factor, height_px, rgb })
    }
}

impl Pass {
    fn add<T: Copy + Into<u64>>(&mut self, line: &[T], channels: usize) {
        let colours = [0, 1, 2].map(|colour| if channels >= 3 { colour } else { 0 });
        for (block, sums) in line.chunks(self.factor * channels).zip(self.sums.chunks_exact_mut(3)) {
            for pixel in block.chunks_exact(channels) {
                for (sum, colour) in sums.iter_mut().zip(colours) {
                    *sum += pixel[colour].into();
                }
            }
        }
        self.lines += 1;
        if self.lines == self.factor {
            self.complete(channels, line.len(), size_of::<T>() == 2);
        }
    }

    fn complete(&mut self, channels: usize, line_samples: usize, is_wide: bool) {
        let width = line_samples / channels;
        for (x, sums) in self.sums.chunks_exact_mut(3).enumerate() {
            let pixels = self.factor.min(width - x * self.factor) * self.lines;
            for sum in sums {
                let mean = *sum as f64 / pixels as f64;
                let code = if is_wide { 255.0 * (mean / 65_535.0).powf(1.0 / 2.2) } else { mean };
                self.rgb.push(code.round() as u8);
                *sum = 0;
            }
        }
        self.lines = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(kind: FrameKind, width_px: usize, lines: usize) -> FrameHead {
        let bytes_per_line = width_px * kind.samples() * 2;
        FrameHead { kind, is_last: true, bytes_per_line, width_px, lines: Some(lines), depth: 16 }
    }

    #[test]
    fn blocks_of_lines_become_encoded_means_whatever_pieces_they_arrive_in() {
        let head = head(FrameKind::RgbInfrared, 5, 4);
        // Red has full light on the left two columns, green half everywhere, blue none; infrared is left out.
        let line: Vec<u16> =
            (0..5).flat_map(|x| [if x < 2 { 65_535 } else { 0 }, 32_768, 0, 12_345]).collect();
        let mut expected: Option<Vec<u8>> = None;
        for pieces in [vec![4], vec![1, 1, 1, 1], vec![3, 1]] {
            let mut picture = LivePicture::new(3);
            let (mut done, mut rgb) = (0, Vec::new());
            for lines in pieces {
                let samples = Samples::Wide(line.repeat(lines));
                done += lines;
                let at = Progress { frames_done: 0, lines_done: done, lines: Some(4) };
                picture.push(at, &Arrived { head: &head, samples: &samples });
                if let Some(rows) = picture.take() {
                    assert_eq!((rows.width_px, rows.factor, rows.height_px), (3, 2, Some(2)));
                    assert_eq!(rows.first_row, rgb.len() / 9);
                    rgb.extend(rows.rgb);
                }
            }
            // Half the light is 0.73 of the code.
            assert_eq!(rgb, [255, 186, 0, 0, 186, 0, 0, 186, 0].repeat(2));
            assert_eq!(*expected.get_or_insert(rgb.clone()), rgb);
        }
    }

    #[test]
    fn a_pass_of_infrared_leaves_the_picture_alone_and_a_new_pass_begins_at_the_top() {
        let mut picture = LivePicture::new(10);
        let mut push = |kind, pass, code: u16| {
            let head = head(kind, 2, 1);
            let samples = Samples::Wide(vec![code; 2 * kind.samples()]);
            let at = Progress { frames_done: pass, lines_done: 1, lines: Some(1) };
            picture.push(at, &Arrived { head: &head, samples: &samples });
            picture.take()
        };
        let rows = push(FrameKind::Red, 0, 65_535).expect("a row");
        assert_eq!((rows.first_row, rows.rgb), (0, vec![255; 6]));
        assert_eq!(push(FrameKind::Infrared, 1, 65_535), None);
        let rows = push(FrameKind::Green, 2, 0).expect("a row");
        assert_eq!((rows.first_row, rows.rgb), (0, vec![0; 6]));
    }
}
