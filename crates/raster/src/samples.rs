//! Pixel storage: one plane, or interleaved 16-bit samples.

use std::path::PathBuf;
use std::sync::Arc;

use crate::{CancelToken, Cancelled, PixelRect};

/// One plane of samples, row by row.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane<T> {
    width: u32,
    height: u32,
    data: Vec<T>,
}

impl<T: Copy> Plane<T> {
    /// A plane filled with one value.
    pub fn filled(width: u32, height: u32, value: T) -> Self {
        Self { width, height, data: vec![value; width as usize * height as usize] }
    }

    /// Wrap row-by-row data; `None` if its length is not `width * height`.
    pub fn from_vec(width: u32, height: u32, data: Vec<T>) -> Option<Self> {
        (data.len() == width as usize * height as usize).then_some(Self { width, height, data })
    }

    pub fn width(&self) -> u32 {
        self.width
    }

    pub fn height(&self) -> u32 {
        self.height
    }

    /// All samples, row by row.
    pub fn data(&self) -> &[T] {
        &self.data
    }

    /// All samples, row by row, mutable.
    pub fn data_mut(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// Sample at a position; panics if outside, like a slice.
    pub fn at(&self, x: u32, y: u32) -> T {
        self.data[y as usize * self.width as usize + x as usize]
    }

    /// Set the sample at a position; panics if outside, like a slice.
    pub fn set(&mut self, x: u32, y: u32, value: T) {
        self.data[y as usize * self.width as usize + x as usize] = value;
    }

    pub fn row(&self, y: u32) -> &[T] {
        let w = self.width as usize;
        &self.data[y as usize * w..][..w]
    }

    pub fn row_mut(&mut self, y: u32) -> &mut [T] {
        let w = self.width as usize;
        &mut self.data[y as usize * w..][..w]
    }
}

/// Interleaved 16-bit samples, row by row: the raw codes of a region of a scan.
///
/// The reader determines the channel order: grey; or red, green, blue; an infrared plane is always last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Samples16 {
    width: u32,
    height: u32,
    channels: u8,
    data: Vec<u16>,
}

impl Samples16 {
    pub fn zeroed(width: u32, height: u32, channels: u8) -> Self {
        Self { width, height, channels, data: vec![0; width as usize * height as usize * channels as usize] }
    }

    /// Wrap interleaved data; `None` if its length does not fit.
    pub fn from_vec(width: u32, height: u32, channels: u8, data: Vec<u16>) -> Option<Self> {
        (data.len() == width as usize * height as usize * channels as usize).then_some(Self {
            width,
            height,
            channels,
            data,
        })
    }

    pub fn width(&self) -> u32 {
        self.width
    }

    pub fn height(&self) -> u32 {
        self.height
    }

    /// Samples per pixel.
    pub fn channels(&self) -> u8 {
        self.channels
    }

    pub fn data(&self) -> &[u16] {
        &self.data
    }

    pub fn data_mut(&mut self) -> &mut [u16] {
        &mut self.data
    }

    pub fn row(&self, y: u32) -> &[u16] {
        let stride = self.stride();
        &self.data[y as usize * stride..][..stride]
    }

    pub fn row_mut(&mut self, y: u32) -> &mut [u16] {
        let stride = self.stride();
        &mut self.data[y as usize * stride..][..stride]
    }

    /// Samples of one pixel; panics if outside, like a slice.
    pub fn pixel(&self, x: u32, y: u32) -> &[u16] {
        let c = self.channels as usize;
        &self.row(y)[x as usize * c..][..c]
    }

    /// Samples per row: width times channels.
    pub fn stride(&self) -> usize {
        self.width as usize * self.channels as usize
    }

    /// The first `channels` channels; all of them if there are no more.
    #[must_use]
    pub fn first_channels(self, channels: u8) -> Self {
        if channels >= self.channels || channels == 0 {
            return self;
        }
        let (from, keep) = (usize::from(self.channels), usize::from(channels));
        let mut data = Vec::with_capacity(self.data.len() / from * keep);
        for px in self.data.chunks_exact(from) {
            data.extend_from_slice(&px[..keep]);
        }
        Self { data, channels, ..self }
    }

    /// One channel as a plane.
    pub fn channel(&self, channel: u8) -> Plane<u16> {
        let data =
            self.data.iter().skip(channel as usize).step_by(self.channels.max(1) as usize).copied().collect();
        Plane { width: self.width, height: self.height, data }
    }
}

/// A source of full-resolution pixels of a scan: an open file, or a picture in memory in tests.
///
/// `read` returns exactly `rect` (already inside the scan) with every plane of the scan, infrared last.
pub trait RegionSource: Sync {
    fn width(&self) -> u32;
    fn height(&self) -> u32;
    /// Samples per pixel that `read` returns.
    fn channels(&self) -> u8;
    /// The samples of `rect`, or a message for the user.
    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError>;
}

impl<T: RegionSource + ?Sized> RegionSource for &T {
    fn width(&self) -> u32 {
        (**self).width()
    }

    fn height(&self) -> u32 {
        (**self).height()
    }

    fn channels(&self) -> u8 {
        (**self).channels()
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        (**self).read(rect, cancel)
    }
}

impl<T: RegionSource + Send + ?Sized> RegionSource for Arc<T> {
    fn width(&self) -> u32 {
        (**self).width()
    }

    fn height(&self) -> u32 {
        (**self).height()
    }

    fn channels(&self) -> u8 {
        (**self).channels()
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        (**self).read(rect, cancel)
    }
}

#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum RegionError {
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The file could not be read.
    #[error("{what}")]
    Unreadable {
        what: String,
        /// What the user can do about it.
        what_to_do: String,
        /// The file, if there is one.
        path: Option<PathBuf>,
        /// Whether the cause may resolve itself, such as a drive that is not connected.
        may_pass: bool,
    },
}

impl RegionSource for Samples16 {
    fn width(&self) -> u32 {
        self.width
    }

    fn height(&self) -> u32 {
        self.height
    }

    fn channels(&self) -> u8 {
        self.channels
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, RegionError> {
        cancel.check()?;
        let rect = rect.intersect(PixelRect::of_size(self.width, self.height));
        let c = self.channels as usize;
        let mut data = Vec::with_capacity(rect.area() as usize * c);
        for y in rect.y0..rect.y1 {
            data.extend_from_slice(&self.row(y)[rect.x0 as usize * c..rect.x1 as usize * c]);
        }
        Ok(Self { width: rect.width(), height: rect.height(), channels: self.channels, data })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_region_of_samples_is_the_same_pixels() {
        let all = Samples16::from_vec(4, 3, 2, (0..24).collect()).expect("length fits");
        let part = all.read(PixelRect::new(1, 1, 3, 3), &CancelToken::new()).expect("in memory");
        assert_eq!(part.data(), &[10, 11, 12, 13, 18, 19, 20, 21]);
        assert_eq!(part.channel(1).data(), &[11, 13, 19, 21]);
    }

    #[test]
    fn wrong_lengths_are_refused() {
        assert!(Samples16::from_vec(4, 3, 2, vec![0; 23]).is_none());
        assert!(Plane::from_vec(2, 2, vec![0_u8; 5]).is_none());
    }
}
