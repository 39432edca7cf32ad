//! Memory of an overview does not grow with the scan. A separate program, because the whole process is measured.

#![cfg(target_os = "linux")]

use std::io::Write as _;

use glassine_raster::CancelToken;
use glassine_scanfile::{OpenOptions, QUICK_OVERVIEW_BYTES, Scan};

/// Columns and rows: 1.2 GB of samples that take no room on disk, because nothing is written there.
const SIDE_PX: [u32; 2] = [20_000, 10_000];

/// An uncompressed `BigTIFF` in strips of 16 rows whose samples are a hole in the file.
fn hollow_file(path: &std::path::Path) -> std::io::Result<()> {
    let [width, height] = SIDE_PX.map(u64::from);
    let strips = height.div_ceil(16);
    let strip_bytes = width * 6 * 16;
    let mut head = b"II\x2b\x00\x08\x00\x00\x00".to_vec();
    head.extend(16_u64.to_le_bytes());
    let tags = [
        (256_u16, 4_u16, 1_u64, width),
        (257, 4, 1, height),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 16, strips, 4096),
        (277, 3, 1, 3),
        (278, 4, 1, 16),
        (279, 16, strips, 4096 + 8 * strips),
    ];
    head.extend((tags.len() as u64).to_le_bytes());
    for (tag, kind, count, value) in tags {
        head.extend(tag.to_le_bytes());
        head.extend(kind.to_le_bytes());
        head.extend(count.to_le_bytes());
        head.extend(value.to_le_bytes());
    }
    head.resize(4096, 0);
    head.extend((0..strips).flat_map(|i| (65_536 + i * strip_bytes).to_le_bytes()));
    head.extend((0..strips).flat_map(|_| strip_bytes.to_le_bytes()));
    assert!(head.len() <= 65_536);
    let mut file = std::fs::File::create(path)?;
    file.write_all(&head)?;
    file.set_len(65_536 + strips * strip_bytes)
}

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
    hollow_file(&path).expect("room for a hollow file");
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
