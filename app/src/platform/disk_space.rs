//! Free space on a disk.

use std::path::Path;

/// Bytes that this user can still write where a folder is, or will be made; `None` if the system does not say.
#[cfg(unix)]
pub(crate) fn free_bytes(folder: &Path) -> Option<u64> {
    let there = folder.ancestors().find(|part| part.is_dir())?;
    let stat = rustix::fs::statvfs(there).ok()?;
    stat.f_bavail.checked_mul(stat.f_frsize)
}

/// Not known on this system.
#[cfg(not(unix))]
pub(crate) fn free_bytes(_folder: &Path) -> Option<u64> {
    None
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_folder_that_is_not_made_yet_has_the_space_of_its_disk() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let here = free_bytes(folder.path()).expect("the system says");
        let inside = free_bytes(&folder.path().join("scans/roll")).expect("the system says");
        assert!(here > 0 && here.abs_diff(inside) < 1 << 30);
    }
}
