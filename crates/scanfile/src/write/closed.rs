//! A complete picture that does not have its name yet: it is read back and compared first.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use glassine_raster::{CancelToken, PixelRect, RegionSource as _};

use super::checksum::sample_checksum;
use super::spec::WrittenFile;
use crate::read::zeroed;
use crate::{AtomicFile, Error, FourthSample, OpenOptions, Scan};

/// Bytes of unpacked blocks kept while reading back; rows are requested once and in order.
const CACHE_BYTES: u64 = 4 << 20;

/// What a finished file must hold.
#[derive(Debug)]
pub(super) enum ExpectedContent {
    /// Rows that decode to samples with these checksums, from the top: number of rows and their checksum.
    Rows(Vec<(u32, u64)>),
    /// These bytes, if packing loses detail on purpose.
    Bytes(blake3::Hash),
}

/// A picture on disk under a temporary name; dropping it leaves no trace.
#[derive(Debug)]
pub struct ClosedPicture {
    pub(super) file: AtomicFile,
    pub(super) size_px: (u32, u32),
    pub(super) channels: u8,
    pub(super) expected: ExpectedContent,
}

impl ClosedPicture {
    /// The final name.
    pub fn path(&self) -> &Path {
        self.file.path()
    }

    /// Read the file back, as any reader would, and compare every sample with what was written.
    ///
    /// The bytes come from where the system keeps them, which after writing usually is its memory. This finds faults of
    /// packing, writing and memory, not of the disk.
    pub fn check(&self, cancel: &CancelToken) -> Result<(), Error> {
        match &self.expected {
            ExpectedContent::Rows(rows) => self.check_rows(rows, cancel),
            ExpectedContent::Bytes(hash) => self.check_bytes(*hash, cancel),
        }
    }

    fn differs(&self, found: impl Into<String>) -> Error {
        Error::ReadBack { path: self.path().to_owned(), found: found.into() }
    }

    fn check_rows(&self, rows: &[(u32, u64)], cancel: &CancelToken) -> Result<(), Error> {
        let with_reason = |error: Error| match error {
            Error::Cancelled(_) | Error::Io { .. } | Error::OutOfMemory { .. } => error,
            other => self.differs(format!("it can't be read ({other})")),
        };
        // Every sample is read, whatever an even infrared looks like.
        let options = OpenOptions {
            cache_bytes: CACHE_BYTES,
            least_sides_px: (1, 1),
            fourth_sample: FourthSample::Infrared,
            ..OpenOptions::default()
        };
        let scan = Scan::open(self.file.temporary_path(), &options).map_err(with_reason)?;
        if (scan.width(), scan.height(), scan.channels()) != (self.size_px.0, self.size_px.1, self.channels) {
            return Err(self.differs("it has another size"));
        }
        let mut y0 = 0;
        for (count, checksum) in rows {
            let y1 = y0 + count;
            let samples =
                scan.read_region(PixelRect::new(0, y0, self.size_px.0, y1), cancel).map_err(with_reason)?;
            if sample_checksum(samples.data()) != *checksum {
                return Err(self.differs(format!("rows {y0} to {y1} differ")));
            }
            y0 = y1;
        }
        if y0 == self.size_px.1 { Ok(()) } else { Err(self.differs("rows are missing")) }
    }

    fn check_bytes(&self, wanted: blake3::Hash, cancel: &CancelToken) -> Result<(), Error> {
        let failed = || Error::io(self.path(), "read the file back");
        let mut file = File::open(self.file.temporary_path()).map_err(failed())?;
        let mut hasher = blake3::Hasher::new();
        let mut buffer: Vec<u8> = zeroed(self.path(), "a piece of the file", 1 << 20)?;
        loop {
            cancel.check()?;
            match file.read(&mut buffer).map_err(failed())? {
                0 => break,
                count => hasher.update(&buffer[..count]),
            };
        }
        if hasher.finalize() == wanted { Ok(()) } else { Err(self.differs("its bytes differ")) }
    }

    /// Sync the file's contents to the disk, so that [`Self::commit`] has little left to wait for.
    pub fn sync(&self) -> Result<(), Error> {
        self.file.sync()
    }

    /// Sync the file and give it its name.
    pub fn commit(self) -> Result<WrittenFile, Error> {
        let path = self.file.path().to_owned();
        let bytes = self.file.commit()?;
        Ok(WrittenFile { bytes, path })
    }
}
