//! A content hash of a scan, to detect a replaced or damaged source.

use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::Path;

use glassine_raster::CancelToken;

use crate::numbers::to_u64;
use crate::read::zeroed;
use crate::{Error, open_regular};

/// Length and hash of a file's bytes.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Fingerprint {
    /// Length in bytes.
    pub bytes: u64,
    /// BLAKE3 hash, 64 lower-case hexadecimal digits.
    pub blake3: String,
}

/// Length, time and a hash of samples of a file: enough to detect in milliseconds that it is another file than before,
/// not enough to prove that it is the same. For that there is [`fingerprint`].
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct SampledPrint {
    /// Length in bytes.
    pub bytes: u64,
    /// Last change, nanoseconds since 1970; 0 where the system does not say.
    pub modified_ns: u64,
    /// BLAKE3 hash of the start, the end and some sixty places between, 64 lower-case hexadecimal digits.
    pub blake3: String,
}

/// Hash a file in some sixty places; a file of up to 376 KiB is read whole.
pub fn sampled_fingerprint(path: &Path) -> Result<SampledPrint, Error> {
    /// Bytes at both ends, where most formats keep directories and tables, and at each place between.
    const END_BYTES: u64 = 64 << 10;
    const PLACE_BYTES: u64 = 4 << 10;
    const PLACES: u64 = 62;
    let (file, meta) = open_regular(path)?;
    let (bytes, mut reader) = (meta.len(), &file);
    let mut hasher = blake3::Hasher::new();
    let mut take = |from: u64, most: u64| -> Result<(), Error> {
        let mut piece = Vec::new();
        reader.seek(SeekFrom::Start(from)).map_err(Error::io(path, "read the file"))?;
        reader.take(most).read_to_end(&mut piece).map_err(Error::io(path, "read the file"))?;
        hasher.update(&(piece.len() as u64).to_le_bytes()).update(&piece);
        Ok(())
    };
    if bytes <= 2 * END_BYTES + PLACES * PLACE_BYTES {
        take(0, bytes)?;
    } else {
        let between = bytes - 2 * END_BYTES - PLACE_BYTES;
        take(0, END_BYTES)?;
        for place in 0..PLACES {
            let from = END_BYTES + to_u64(u128::from(between) * u128::from(place) / u128::from(PLACES - 1));
            take(from, PLACE_BYTES)?;
        }
        take(bytes - END_BYTES, END_BYTES)?;
    }
    let since = meta.modified().ok().and_then(|time| time.duration_since(std::time::UNIX_EPOCH).ok());
    let modified_ns = since.map_or(0, |since| to_u64(since.as_nanos()));
    Ok(SampledPrint { bytes, modified_ns, blake3: hasher.finalize().to_hex().to_string() })
}

/// Hash a file in pieces of 1 MiB; `progress` gets the bytes done after each.
pub fn fingerprint(path: &Path, cancel: &CancelToken, progress: &dyn Fn(u64)) -> Result<Fingerprint, Error> {
    let (mut file, _) = open_regular(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut piece: Vec<u8> = zeroed(path, "a piece of the file", 1 << 20)?;
    let mut bytes = 0_u64;
    loop {
        cancel.check()?;
        let n = match file.read(&mut piece) {
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(Error::io(path, "read the file")(e)),
        };
        if n == 0 {
            break;
        }
        hasher.update(&piece[..n]);
        bytes += n as u64;
        progress(bytes);
    }
    Ok(Fingerprint { bytes, blake3: hasher.finalize().to_hex().to_string() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_of_an_empty_file_is_the_published_one() {
        let file = tempfile::NamedTempFile::new().expect("temporary file");
        let got = fingerprint(file.path(), &CancelToken::new(), &|_| {}).expect("readable");
        assert_eq!(got.bytes, 0);
        // Source: BLAKE3 test vectors, input length 0.
        assert_eq!(got.blake3, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262");
    }

    #[test]
    fn samples_tell_a_change_of_length_of_an_end_and_of_a_place_looked_at() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("scan");
        let print = |bytes: &[u8]| {
            std::fs::write(&path, bytes).expect("room");
            sampled_fingerprint(&path).expect("readable").blake3
        };
        let bytes: Vec<u8> = (0..3_000_000_u32).map(|i| (i % 251) as u8).collect();
        let first = print(&bytes);
        assert_eq!(print(&bytes), first);
        for at in [0, 40_000, bytes.len() - 1, 64 << 10] {
            let mut other = bytes.clone();
            other[at] ^= 1;
            assert_ne!(print(&other), first, "byte {at}");
        }
        assert_ne!(print(&bytes[..bytes.len() - 1]), first);
        assert_ne!(print(b""), print(b"a"));
    }

    #[test]
    fn a_cancelled_hash_stops() {
        let file = tempfile::NamedTempFile::new().expect("temporary file");
        let cancel = CancelToken::new();
        cancel.cancel();
        assert!(matches!(fingerprint(file.path(), &cancel, &|_| {}), Err(Error::Cancelled(_))));
    }
}
