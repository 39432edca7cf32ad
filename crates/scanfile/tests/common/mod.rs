//! Shared by the tests: reading whole scans, files in fresh folders.

#![allow(unreachable_pub, reason = "shared by the tests alone")]

use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_scanfile::{Error, OpenOptions, Scan};
use glassine_testdata::random::Xorshift;

/// Options that take pictures of any size; the tests make small ones.
pub fn any_size() -> OpenOptions {
    OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() }
}

/// Open and read everything.
pub fn read_all(path: &Path, options: &OpenOptions) -> Result<(Scan, Samples16), Error> {
    let scan = Scan::open(path, options)?;
    let all = scan.read_region(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new())?;
    Ok((scan, all))
}

/// CRC-32 of the codes as little-endian bytes.
pub fn crc32(codes: &[u16]) -> String {
    let mut crc = flate2::Crc::new();
    codes.iter().for_each(|v| crc.update(&v.to_le_bytes()));
    format!("{:08x}", crc.sum())
}

/// Fixed-seed noise.
pub fn noise(seed: u64) -> Xorshift {
    Xorshift::new(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
}

/// Write bytes into a fresh folder; the folder lives as long as the first value.
pub fn in_folder(name: &str, bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).expect("written");
    (folder, path)
}
