//! Writes a TIFF strip by strip: bounded memory, strips packed elsewhere, directory at the end.
//!
//! Samples are little-endian. Packed strips use horizontal differences (predictor 2); plain strips carry no predictor
//! tag, because general readers ignore it there.

use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::Path;

use super::ifd_out::IfdBuilder;
use super::metadata::{describe_page, exif_ifd, xmp_packet};
use super::pack::{Body, PackedRows};
use super::spec::{Compression, PictureSpec};
use crate::{AtomicFile, Error};

/// Classic offsets end at 4 GiB; this leaves room for the directory and its values.
const CLASSIC_LIMIT: u64 = (1 << 32) - (64 << 20);
/// A TIFF under construction.
#[derive(Debug)]
pub(super) struct TiffOut {
    file: AtomicFile,
    compression: Compression,
    big: bool,
    strip_rows: usize,
    row_bytes: usize,
    plain_bytes: u64,
    position: u64,
    offsets: Vec<u64>,
    counts: Vec<u64>,
}

impl TiffOut {
    pub(super) fn begin(
        mut file: AtomicFile,
        spec: &PictureSpec,
        compression: Compression,
        strip_rows: u32,
    ) -> Result<Self, Error> {
        let row_bytes = spec.row_bytes();
        let whole = row_bytes as u64 * u64::from(spec.height_px);
        // Packed noise can grow a little: LZW by half in theory, so that much is allowed for.
        let worst = if compression == Compression::None { whole } else { whole / 2 * 3 };
        let words = spec.icc.as_ref().map_or(0, |icc| icc.len()) as u64;
        let big = worst + words > CLASSIC_LIMIT;
        let header: &[u8] = if big { b"II\x2b\0\x08\0\0\0\0\0\0\0\0\0\0\0" } else { b"II\x2a\0\0\0\0\0" };
        file.write_all(header).map_err(Error::io(file.path(), "write the file"))?;
        Ok(Self {
            file,
            compression,
            big,
            strip_rows: strip_rows as usize,
            row_bytes,
            plain_bytes: 0,
            position: header.len() as u64,
            offsets: Vec::new(),
            counts: Vec::new(),
        })
    }

    pub(super) fn path(&self) -> &Path {
        self.file.path()
    }

    /// Add rows, in order.
    pub(super) fn rows(&mut self, packed: &PackedRows) -> Result<(), Error> {
        packed.body.write_to(&mut self.file).map_err(Error::io(self.file.path(), "write the file"))?;
        match &packed.body {
            Body::Strips(strips) => strips.iter().for_each(|strip| self.note_strip(strip.len() as u64)),
            Body::Samples(_) | Body::Bytes(_) => {
                self.plain_bytes += self.row_bytes as u64 * u64::from(packed.rows);
            }
        }
        Ok(())
    }

    fn note_strip(&mut self, bytes: u64) {
        self.offsets.push(self.position);
        self.counts.push(bytes);
        self.position += bytes;
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), Error> {
        self.file.write_all(bytes).map_err(Error::io(self.file.path(), "write the file"))
    }

    /// Write what is left, the directory, and the header's pointer to it; the file can then be committed.
    pub(super) fn finish(mut self, spec: &PictureSpec) -> Result<AtomicFile, Error> {
        // Plain strips are contiguous, so their positions follow from the bytes written.
        let strip = (self.strip_rows * self.row_bytes) as u64;
        while self.plain_bytes > 0 {
            let part = strip.min(self.plain_bytes);
            self.note_strip(part);
            self.plain_bytes -= part;
        }
        if self.position % 2 == 1 {
            self.put(&[0])?;
            self.position += 1;
        }
        let ifd = self.directory(spec);
        let at = self.position;
        self.put(&ifd)?;
        let (place, pointer) =
            if self.big { (8, at.to_le_bytes().to_vec()) } else { (4, (at as u32).to_le_bytes().to_vec()) };
        self.file.seek(SeekFrom::Start(place)).map_err(Error::io(self.file.path(), "write the file"))?;
        self.put(&pointer)?;
        Ok(self.file)
    }

    fn directory(&self, spec: &PictureSpec) -> Vec<u8> {
        let mut ifd = IfdBuilder::new(self.big);
        ifd.long(254, 0);
        ifd.long(256, spec.width_px);
        ifd.long(257, spec.height_px);
        ifd.short(258, &vec![u16::from(spec.bits); spec.channels.into()]);
        let packing = match self.compression {
            Compression::None => 1,
            Compression::Lzw => 5,
            Compression::Deflate => 8,
        };
        ifd.short(259, &[packing]);
        ifd.short(262, &[if spec.channels == 3 { 2 } else { 1 }]);
        ifd.offsets(273, &self.offsets);
        ifd.short(274, &[1]);
        ifd.short(277, &[spec.channels.into()]);
        ifd.long(278, self.strip_rows as u32);
        ifd.offsets(279, &self.counts);
        // Without a known resolution the unit is "none" and both values are 1.
        let ppi = spec.ppi.unwrap_or(1.0);
        ifd.rational(282, ppi);
        ifd.rational(283, ppi);
        ifd.short(284, &[1]);
        ifd.short(296, &[if spec.ppi.is_some() { 2 } else { 1 }]);
        if self.compression != Compression::None {
            ifd.short(317, &[2]);
        }
        ifd.short(339, &vec![1; spec.channels.into()]);
        if let Some(icc) = &spec.icc {
            ifd.undefined(34675, icc);
        }
        if spec.metadata.is_empty() {
            return ifd.bytes(self.position);
        }
        ifd.byte(700, xmp_packet(&spec.metadata).as_bytes());
        describe_page(&mut ifd, &spec.metadata);
        ifd.offset(34665, 0);
        let exif_at = self.position + ifd.len();
        ifd.offset(34665, exif_at);
        let mut bytes = ifd.bytes(self.position);
        bytes.extend(exif_ifd(self.big, spec).bytes(exif_at));
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Metadata, Overwrite, PictureFormat};

    #[test]
    fn the_big_form_is_chosen_from_the_size_before_the_first_row() {
        let folder = tempfile::tempdir().expect("temporary folder");
        for (height_px, compression, big) in [
            (30_000, Compression::None, true),
            (20_000, Compression::None, false),
            (20_000, Compression::Lzw, true),
            (10_000, Compression::Deflate, false),
        ] {
            let spec = PictureSpec {
                width_px: 30_000,
                height_px,
                channels: 3,
                bits: 16,
                ppi: None,
                icc: None,
                metadata: Metadata::default(),
                format: PictureFormat::Tiff { compression },
                overwrite: Overwrite::Never,
            };
            let file = AtomicFile::create(&folder.path().join("a.tif"), Overwrite::Never).expect("created");
            let out = TiffOut::begin(file, &spec, compression, 1).expect("begun");
            assert_eq!(out.big, big, "{height_px} {compression:?}");
        }
    }
}
