//! TIFF directories, written by the `tiff` crate in the byte order of the machine.
//!
//! Added to what the crate does: text beyond ASCII (which it refuses), and values and directories at even positions,
//! as TIFF 6.0 section 2 demands.

use std::io::{Seek, Write};

use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKind, TiffValue};
use tiff::tags::{Tag, Type};
use tiff::{Directory, TiffError, TiffResult};

use crate::Error;
use crate::numbers::whole_u32;

/// A directory under construction; a tag set twice keeps the later value.
pub(crate) struct Fields<'e, W: Write + Seek, K: TiffKind>(DirectoryEncoder<'e, W, K>);

impl<'e, W: Write + Seek, K: TiffKind> Fields<'e, W, K> {
    /// The next page of the file.
    pub(crate) fn of_page(encoder: &'e mut TiffEncoder<W, K>) -> TiffResult<Self> {
        encoder.image_directory().map(Self)
    }

    /// A directory that an entry of a page points to.
    pub(crate) fn of_part(encoder: &'e mut TiffEncoder<W, K>) -> TiffResult<Self> {
        encoder.extra_directory().map(Self)
    }

    /// Write bytes that are no value; returns their position.
    pub(crate) fn data(&mut self, bytes: &[u8]) -> TiffResult<u64> {
        self.0.write_data(bytes)
    }

    fn align(&mut self) -> TiffResult<()> {
        if self.data(&[])? % 2 == 1 {
            self.data(&[0])?;
        }
        Ok(())
    }

    pub(crate) fn set(&mut self, tag: Tag, value: impl TiffValue) -> TiffResult<()> {
        self.align()?;
        self.0.write_tag(tag, value)
    }

    /// Positions or lengths: LONG in a classic file, LONG8 in a big one.
    pub(crate) fn offsets(&mut self, tag: Tag, values: &[u64]) -> TiffResult<()> {
        let values: Vec<_> = values.iter().map(|v| K::convert_offset(*v)).collect::<TiffResult<_>>()?;
        self.set(tag, K::convert_slice(&values))
    }

    /// Whole numbers stay whole, others are rounded to a thousandth.
    pub(crate) fn rational(&mut self, tag: Tag, value: f64) -> TiffResult<()> {
        let d = if value.fract() == 0.0 { 1 } else { 1000 };
        self.set(tag, Rational { n: whole_u32((value * f64::from(d)).round()), d })
    }

    /// Text with the zero byte at its end; zero bytes inside are dropped.
    pub(crate) fn text(&mut self, tag: Tag, text: &str) -> TiffResult<()> {
        let bytes: Vec<u8> = text.bytes().filter(|b| *b != 0).chain([0]).collect();
        self.bytes_of_type(tag, Type::ASCII, &bytes)
    }

    pub(crate) fn undefined(&mut self, tag: Tag, bytes: &[u8]) -> TiffResult<()> {
        self.bytes_of_type(tag, Type::UNDEFINED, bytes)
    }

    fn bytes_of_type(&mut self, tag: Tag, kind: Type, bytes: &[u8]) -> TiffResult<()> {
        self.align()?;
        let entry = self.0.write_entry_bytes(kind, bytes)?;
        self.0.extend_from(&Directory::from_iter([(tag, entry)]));
        Ok(())
    }

    /// Write the directory; returns its position.
    pub(crate) fn finish(mut self) -> TiffResult<K::OffsetType> {
        self.align()?;
        Ok(self.0.finish_with_offsets()?.offset)
    }
}

/// Turns a fault of the crate into an error about a file.
pub(crate) fn write_failed(path: &std::path::Path) -> impl Fn(TiffError) -> Error + '_ {
    move |error| match error {
        TiffError::IoError(error) => Error::io(path, "write the file")(error),
        other => Error::usage(path, format!("the directory of the file can't be written ({other})")),
    }
}
