//! Writing pictures row by row into a file that appears whole or not at all.

mod spec;

use std::path::Path;

pub use spec::{Compression, FilmSourceKind, Metadata, PictureFormat, PictureSpec, WrittenFile};

use crate::Error;

/// A picture being written; dropping it before [`Self::finish`] leaves no trace.
#[derive(Debug)]
pub struct PictureWriter {
    spec: PictureSpec,
}

impl PictureWriter {
    /// Start a picture called `path`.
    pub fn begin(path: &Path, spec: &PictureSpec) -> Result<Self, Error> {
        spec.check(path)?;
        Ok(Self { spec: spec.clone() })
    }

    /// Add whole rows of a 16-bit picture, from the top, any number a call.
    pub fn write_rows_u16(&mut self, samples: &[u16]) -> Result<(), Error> {
        let _rows = samples.len() / self.spec.row_samples();
        Ok(())
    }

    /// Add whole rows of an 8-bit picture, from the top, any number a call.
    pub fn write_rows_u8(&mut self, samples: &[u8]) -> Result<(), Error> {
        let _rows = samples.len() / self.spec.row_samples();
        Ok(())
    }

    /// Complete the file and give it its name.
    pub fn finish(self) -> Result<WrittenFile, Error> {
        Err(Error::usage(Path::new(""), "rows are missing"))
    }
}
