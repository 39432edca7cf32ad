//! Memory of an overview does not grow with the scan. A separate program, because the whole process is measured.

#![cfg(target_os = "linux")]

use glassine_raster::CancelToken;
use glassine_scanfile::{OpenOptions, QUICK_OVERVIEW_BYTES, Scan};
use glassine_testdata::tiff::HollowTiff;

/// Columns and rows: 1.2 GB of samples that take no room on disk, because nothing is written there.
const SIDE_PX: [u32; 2] = [20_000, 10_000];

/// Peak memory of this process so far, bytes.
fn peak_bytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux tells");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("Linux tells");
    line.trim().trim_end_matches(" kB").parse::<u64>().expect("a number") * 1024
}

#[test]
fn an_overview_of_a_gigabyte_takes_a_few_megabytes() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("scan.tif");
    let [width_px, height_px] = SIDE_PX;
    let hollow = HollowTiff { width_px, height_px, rows_per_strip: 16, ppi: None };
    hollow.create(&path).expect("room for a hollow file");
    let scan = Scan::open(&path, &OpenOptions::default()).expect("readable");
    let before = peak_bytes();
    let seen = scan.quick_overview(20, QUICK_OVERVIEW_BYTES, None, &CancelToken::new()).expect("readable");
    assert!(seen.is_some_and(|seen| seen.data().iter().all(|code| *code == 0)));
    let small = scan.reduced(20, None, &CancelToken::new(), &|_| {}).expect("readable");
    assert_eq!((small.width(), small.height()), (1000, 500));
    let grown = peak_bytes() - before;
    // The picture takes 3 MB; each thread may hold about two megabytes of rows and sums.
    let threads = rayon::current_num_threads() as u64;
    let limit = (16 << 20) + threads * (4 << 20);
    assert!(grown < limit, "{grown} bytes with {threads} threads");
}
