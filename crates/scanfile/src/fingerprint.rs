//! A content hash of a scan, so that a replaced or damaged source is noticed.

use std::fs::File;
use std::io::Read as _;
use std::path::Path;

use glassine_raster::CancelToken;

use crate::Error;

/// Length and hash of a file's bytes.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Fingerprint {
    /// Length in bytes.
    pub bytes: u64,
    /// BLAKE3 hash, 64 lower-case hexadecimal digits.
    pub blake3: String,
}

/// Hash a file in pieces of 1 MiB; `progress` is told the bytes done after each.
pub fn fingerprint(path: &Path, cancel: &CancelToken, progress: &dyn Fn(u64)) -> Result<Fingerprint, Error> {
    let mut file = File::open(path).map_err(Error::io(path, "open"))?;
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0_u8; 1 << 20];
    let mut bytes = 0_u64;
    loop {
        cancel.check()?;
        let n = match file.read(&mut piece) {
            Ok(n) => n,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(Error::io(path, "read")(e)),
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
    fn a_cancelled_hash_stops() {
        let file = tempfile::NamedTempFile::new().expect("temporary file");
        let cancel = CancelToken::new();
        cancel.cancel();
        assert!(matches!(fingerprint(file.path(), &cancel, &|_| {}), Err(Error::Cancelled(_))));
    }
}
