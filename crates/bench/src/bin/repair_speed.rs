//! Times dust map and filling on raw samples in a file, once for every line of standard input.
//!
//! `repair_speed FILE WIDTH HEIGHT`: little-endian 16-bit red, green, blue, infrared. Prints for every line the seconds
//! of analysis, map and filling, and the marked share. `crates/bench/peers/repair_speed.py` makes the file and runs a
//! general-purpose library for comparison.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::io::BufRead as _;
use std::time::Instant;

use glassine_raster::{CancelToken, PixelRect, Samples16};
use glassine_repair::{Analysis, DustOptions, FillPlace, make_patches};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let path = args.next().ok_or("name a file of samples")?;
    let mut side = || -> Result<u32, Box<dyn std::error::Error>> {
        Ok(args.next().ok_or("say width and height")?.parse()?)
    };
    let (width, height) = (side()?, side()?);
    let bytes = std::fs::read(path)?;
    let codes = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]])).collect();
    let scan = Samples16::from_vec(width, height, 4, codes).ok_or("the file has another size")?;
    drop(bytes);
    let (whole, cancel) = (PixelRect::of_size(width, height), CancelToken::new());
    let place = FillPlace { rect: whole, wanted: whole, colour_channels: 3 };
    println!("ready");
    for line in std::io::stdin().lock().lines() {
        line?;
        let started = Instant::now();
        let analysis = Analysis::of(&scan, whole, 3, &DustOptions::default(), &cancel)?;
        let analysed = started.elapsed().as_secs_f64();
        let map = analysis.map(&scan, 0.5, &cancel)?;
        let mapped = started.elapsed().as_secs_f64();
        let patches = make_patches(&scan, place, &map, &cancel)?;
        let filled = started.elapsed().as_secs_f64();
        println!(
            "{analysed:.4} {:.4} {:.4} {filled:.4} {:.6} {} {}",
            mapped - analysed,
            filled - mapped,
            map.area_fraction,
            patches.report.repaired_px,
            analysis.bytes() + map.bytes() + patches.bytes()
        );
    }
    Ok(())
}
