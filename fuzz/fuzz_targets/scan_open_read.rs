//! Opening a scan and reading its middle gives a result for any bytes and never panics.
#![no_main]

use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let folder = if std::path::Path::new("/dev/shm").is_dir() { "/dev/shm".into() } else { std::env::temp_dir() };
    let path = folder.join(format!("glassine-fuzz-{}", std::process::id()));
    std::fs::write(&path, data).expect("the fuzzer's own folder takes a file");
    let any_size = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
    if let Ok(scan) = Scan::open(&path, &any_size) {
        let (x, y) = (scan.width().saturating_sub(256) / 2, scan.height().saturating_sub(256) / 2);
        let rect = PixelRect::new(x, y, scan.width().min(x + 256), scan.height().min(y + 256));
        let light = scan.linearisation();
        if let Ok(samples) = scan.read_region(rect, &CancelToken::new()) {
            let first = samples.data().first().copied().unwrap_or(0);
            assert!(light.light(0, first).is_finite());
        }
    }
});
