//! Scan planning: pixels, bytes and print size at a resolution, and the resolution that a print needs.
//!
//! Plain arithmetic in one place, so that the window, the command line and the tests agree to the pixel.

use glassine_raster::MM_PER_INCH;

/// Printing resolutions listed side by side, pixels per inch.
///
/// Source: common practice; 300 for close viewing, 240 for exhibition prints, 180 as the least that still looks
/// continuous.
pub const PRINT_PPI: [f64; 3] = [300.0, 240.0, 180.0];

/// Largest file that the 32-bit offsets of classic TIFF can address, bytes. Source: TIFF 6.0, offsets are 32-bit.
pub const CLASSIC_TIFF_LIMIT_BYTES: u64 = 1 << 32;

/// Space reserved for the header, tags and profile of a file, bytes. Our choice.
const HEADER_ROOM_BYTES: u64 = 1 << 16;

/// Largest side that can be planned, mm; beyond it the result is `None`. Our choice: larger than any film.
const SIDE_LIMIT_MM: f64 = 10_000.0;
/// Largest resolution that can be planned, pixels per inch. Our choice: with the largest side it stays below `u32`.
const PPI_LIMIT: f64 = 100_000.0;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SampleLayout {
    /// One 16-bit sample.
    Grey16,
    /// Three 16-bit samples.
    Rgb16,
    /// Three 16-bit samples and an infrared one.
    RgbInfrared16,
}

impl SampleLayout {
    pub fn bytes_per_pixel(self) -> u64 {
        match self {
            Self::Grey16 => 2,
            Self::Rgb16 => 6,
            Self::RgbInfrared16 => 8,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PrintSize {
    /// Printing resolution, pixels per inch.
    pub print_ppi: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
}

impl PrintSize {
    /// Width and height in inches.
    pub fn inches(&self) -> (f64, f64) {
        (self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH)
    }
}

/// Pixel dimensions of an image at a resolution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanPlan {
    /// Image width, mm.
    pub width_mm: f64,
    /// Image height, mm.
    pub height_mm: f64,
    /// Scanning resolution, pixels per inch.
    pub scan_ppi: f64,
    /// Columns.
    pub width_px: u32,
    /// Rows.
    pub height_px: u32,
}

/// Warning that scanning above the scanner's resolution gives larger files without more detail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AboveMeasured {
    /// Planned resolution, pixels per inch.
    pub scan_ppi: f64,
    /// Resolution measured on the scanner, pixels per inch.
    pub measured_ppi: f64,
    /// Share of the pixels that add no detail, 0 to 1.
    pub empty_share: f64,
}

impl ScanPlan {
    /// Plan an image of `width_mm` by `height_mm` at `scan_ppi`.
    ///
    /// ```text
    /// px = round(mm / 25.4 * ppi)
    /// ```
    /// | quantity | unit | domain | outside |
    /// |---|---|---|---|
    /// | sides | mm | (0, 10 000] | `None` |
    /// | resolution | pixels per inch | (0, 100 000] | `None` |
    pub fn new(width_mm: f64, height_mm: f64, scan_ppi: f64) -> Option<Self> {
        let good_side = |v: f64| v > 0.0 && v <= SIDE_LIMIT_MM;
        if !(good_side(width_mm) && good_side(height_mm) && scan_ppi > 0.0 && scan_ppi <= PPI_LIMIT) {
            return None;
        }
        // Casts saturate, and both limits keep the product below 4e7 pixels per side.
        let px = |mm: f64| (mm / MM_PER_INCH * scan_ppi).round().max(1.0) as u32;
        Some(Self { width_mm, height_mm, scan_ppi, width_px: px(width_mm), height_px: px(height_mm) })
    }

    /// Total number of pixels.
    pub fn pixels(&self) -> u64 {
        u64::from(self.width_px) * u64::from(self.height_px)
    }

    pub fn megapixels(&self) -> f64 {
        self.pixels() as f64 / 1e6
    }

    /// Bytes of the uncompressed samples.
    pub fn bytes(&self, samples: SampleLayout) -> u64 {
        self.pixels().saturating_mul(samples.bytes_per_pixel())
    }

    /// Mebibytes (2^20 bytes) of the uncompressed samples.
    pub fn mebibytes(&self, samples: SampleLayout) -> f64 {
        self.bytes(samples) as f64 / f64::from(1 << 20)
    }

    /// Whether an uncompressed file needs 64-bit offsets.
    pub fn needs_big_tiff(&self, samples: SampleLayout) -> bool {
        self.bytes(samples).saturating_add(HEADER_ROOM_BYTES) > CLASSIC_TIFF_LIMIT_BYTES
    }

    /// Largest prints at [`PRINT_PPI`].
    pub fn largest_prints(&self) -> [PrintSize; 3] {
        PRINT_PPI.map(|print_ppi| PrintSize {
            print_ppi,
            width_mm: f64::from(self.width_px) / print_ppi * MM_PER_INCH,
            height_mm: f64::from(self.height_px) / print_ppi * MM_PER_INCH,
        })
    }

    /// A warning if the plan exceeds the resolution measured on the scanner.
    pub fn above_measured(&self, measured_ppi: f64) -> Option<AboveMeasured> {
        (measured_ppi > 0.0 && self.scan_ppi > measured_ppi).then(|| AboveMeasured {
            scan_ppi: self.scan_ppi,
            measured_ppi,
            empty_share: 1.0 - (measured_ppi / self.scan_ppi).powi(2),
        })
    }
}

/// What a print of a given size needs from the scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PrintNeed {
    /// Scanning resolution needed, pixels per inch, not rounded.
    pub scan_ppi: f64,
    /// Linear enlargement from film to print.
    pub enlargement: f64,
    /// Size of the print with the whole image on it, mm: one side may exceed the requested one.
    pub covering_mm: (f64, f64),
}

/// Resolution needed to fill a print of `print_mm` from an image of `image_mm` (width, height) at `print_ppi`.
///
/// ```text
/// enlargement = max(print_w / image_w, print_h / image_h)     scan ppi = enlargement * print ppi
/// ```
/// The larger of both enlargements applies: the image fills the print and is cropped, never stretched. Either may be
/// tall or wide: if they differ, the print is turned first. `None` if a number is not positive.
pub fn need_for_print(image_mm: (f64, f64), print_mm: (f64, f64), print_ppi: f64) -> Option<PrintNeed> {
    let all = [image_mm.0, image_mm.1, print_mm.0, print_mm.1, print_ppi];
    if !all.iter().all(|v| v.is_finite() && *v > 0.0) {
        return None;
    }
    let turned = (image_mm.0 - image_mm.1) * (print_mm.0 - print_mm.1) < 0.0;
    let print = if turned { (print_mm.1, print_mm.0) } else { print_mm };
    let enlargement = (print.0 / image_mm.0).max(print.1 / image_mm.1);
    Some(PrintNeed {
        scan_ppi: enlargement * print_ppi,
        enlargement,
        covering_mm: (image_mm.0 * enlargement, image_mm.1 * enlargement),
    })
}

impl PrintNeed {
    /// The least whole resolution that is enough.
    pub fn whole_ppi(&self) -> f64 {
        // What rounding adds to a whole number is far less.
        const ROUNDING: f64 = 1e-6;
        (self.scan_ppi - ROUNDING).ceil()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(w: f64, h: f64, ppi: f64) -> ScanPlan {
        ScanPlan::new(w, h, ppi).expect("sane sizes")
    }

    #[test]
    fn sizes_in_pixels_match_the_worked_table() {
        // Worked table: px = round(mm / 25.4 * ppi), computed independently.
        let table = [
            (24.0, 18.0, [(1134, 850), (2268, 1701), (3024, 2268), (3780, 2835)]),
            (36.0, 24.0, [(1701, 1134), (3402, 2268), (4535, 3024), (5669, 3780)]),
            (65.0, 24.0, [(3071, 1134), (6142, 2268), (8189, 3024), (10236, 3780)]),
            (56.0, 41.5, [(2646, 1961), (5291, 3921), (7055, 5228), (8819, 6535)]),
            (56.0, 56.0, [(2646, 2646), (5291, 5291), (7055, 7055), (8819, 8819)]),
            (70.0, 56.0, [(3307, 2646), (6614, 5291), (8819, 7055), (11024, 8819)]),
            (77.0, 56.0, [(3638, 2646), (7276, 5291), (9701, 7055), (12126, 8819)]),
            (84.0, 56.0, [(3969, 2646), (7937, 5291), (10583, 7055), (13228, 8819)]),
            (118.0, 56.0, [(5575, 2646), (11150, 5291), (14866, 7055), (18583, 8819)]),
            (168.0, 56.0, [(7937, 2646), (15874, 5291), (21165, 7055), (26457, 8819)]),
            (127.0, 101.6, [(6000, 4800), (12000, 9600), (16000, 12800), (20000, 16000)]),
            (177.8, 127.0, [(8400, 6000), (16800, 12000), (22400, 16000), (28000, 20000)]),
            (254.0, 203.2, [(12000, 9600), (24000, 19200), (32000, 25600), (40000, 32000)]),
        ];
        for (w, h, sizes) in table {
            for (ppi, size) in [1200.0, 2400.0, 3200.0, 4000.0].into_iter().zip(sizes) {
                let p = plan(w, h, ppi);
                assert_eq!((p.width_px, p.height_px), size, "{w} x {h} mm at {ppi}");
            }
        }
    }

    #[test]
    fn sizes_in_bytes_match_the_worked_table() {
        let rgb = [(36.0, 24.0, [44.1, 78.5, 122.6]), (168.0, 56.0, [480.6, 854.4, 1335.1])];
        for (w, h, mib) in rgb {
            for (ppi, mib) in [2400.0, 3200.0, 4000.0].into_iter().zip(mib) {
                assert!((plan(w, h, ppi).mebibytes(SampleLayout::Rgb16) - mib).abs() < 0.051);
            }
        }
        for (ppi, mib) in [(2400.0, 58.9), (3200.0, 104.6), (4000.0, 163.5)] {
            assert!((plan(36.0, 24.0, ppi).mebibytes(SampleLayout::RgbInfrared16) - mib).abs() < 0.051);
        }
        let sheet = plan(254.0, 203.2, 4000.0);
        assert!((sheet.mebibytes(SampleLayout::RgbInfrared16) - 9765.6).abs() < 0.051);
        assert_eq!(plan(36.0, 24.0, 2400.0).bytes(SampleLayout::Grey16), 3402 * 2268 * 2);
    }

    #[test]
    fn sixty_four_bit_offsets_are_asked_for_exactly_when_needed() {
        use SampleLayout::{Rgb16, RgbInfrared16};
        assert!(plan(254.0, 203.2, 3200.0).needs_big_tiff(Rgb16));
        assert!(!plan(254.0, 203.2, 2400.0).needs_big_tiff(Rgb16));
        assert!(!plan(177.8, 127.0, 4000.0).needs_big_tiff(Rgb16));
        assert!(plan(177.8, 127.0, 4000.0).needs_big_tiff(RgbInfrared16));
        let bed = plan(200.0, 250.0, 3200.0);
        assert_eq!((bed.width_px, bed.height_px), (25197, 31496));
        assert!((bed.megapixels() - 793.6).abs() < 0.05 && bed.needs_big_tiff(Rgb16));
        assert!(!plan(200.0, 250.0, 2400.0).needs_big_tiff(Rgb16));
    }

    #[test]
    fn a_holder_of_68_by_230_mm_has_the_known_sizes() {
        for (ppi, size, gib) in
            [(2400.0, (6425, 21732), 0.780), (3200.0, (8567, 28976), 1.387), (4000.0, (10709, 36220), 2.167)]
        {
            let p = plan(68.0, 230.0, ppi);
            assert_eq!((p.width_px, p.height_px), size);
            assert!((p.mebibytes(SampleLayout::Rgb16) / 1024.0 - gib).abs() < 0.0006, "{ppi}");
        }
        assert!((plan(68.0, 230.0, 2400.0).megapixels() - 139.6).abs() < 0.05);
        let fine = plan(68.0, 230.0, 4800.0);
        assert_eq!((fine.width_px, fine.height_px), (12850, 43465));
    }

    #[test]
    fn print_sizes_match_worked_numbers() {
        let p = plan(36.0, 24.0, 2400.0).largest_prints()[0];
        assert!((p.width_mm - 288.0).abs() < 0.05 && (p.height_mm - 192.0).abs() < 0.05);
        assert!((p.inches().0 - 11.34).abs() < 0.005 && (p.inches().1 - 7.56).abs() < 0.005);
        let [close, exhibition, _] = plan(36.0, 24.0, 4000.0).largest_prints();
        assert!((close.width_mm - 480.0).abs() < 0.05 && (close.height_mm - 320.0).abs() < 0.05);
        assert!((exhibition.width_mm - 600.0).abs() < 0.05 && (exhibition.height_mm - 400.1).abs() < 0.06);
        let square = plan(56.0, 56.0, 2400.0).largest_prints()[0];
        assert!((square.width_mm - 448.0).abs() < 0.05);
        let wide = plan(84.0, 56.0, 2400.0).largest_prints()[0].inches();
        assert!((wide.0 - 26.46).abs() < 0.005 && (wide.1 - 17.64).abs() < 0.005);
    }

    #[test]
    fn a_print_of_300_mm_from_36_mm_at_300_ppi_needs_2500_ppi() {
        let need = need_for_print((36.0, 24.0), (300.0, 200.0), 300.0).expect("positive");
        assert!((need.scan_ppi - 2500.0).abs() < 1e-9);
        let turned = need_for_print((36.0, 24.0), (200.0, 300.0), 300.0).expect("positive");
        assert_eq!(turned, need);
        let cropped = need_for_print((36.0, 24.0), (250.0, 200.0), 300.0).expect("positive");
        assert!((cropped.covering_mm.0 - 300.0).abs() < 1e-9 && (cropped.scan_ppi - 2500.0).abs() < 1e-9);
        // 2400 / 300 = 8 times, 4000 / 300 = 13.33 times.
        let back = need_for_print((36.0, 24.0), (288.0, 192.0), 300.0).expect("positive");
        assert!((back.enlargement - 8.0).abs() < 1e-12 && (back.scan_ppi - 2400.0).abs() < 1e-9);
    }

    #[test]
    fn pitches_are_not_accumulated_from_rounded_pixels() {
        let pitch_px = 38.0 / MM_PER_INCH * 3200.0;
        assert!((pitch_px - 4787.40).abs() < 0.005);
        assert!((6.0 * pitch_px - 6.0 * pitch_px.round() - 2.4).abs() < 0.05);
    }

    #[test]
    fn resolution_above_the_measured_one_is_named_with_its_waste() {
        let p = plan(36.0, 24.0, 4800.0);
        let warning = p.above_measured(2400.0).expect("above");
        assert!((warning.empty_share - 0.75).abs() < 1e-12);
        assert!(p.above_measured(5000.0).is_none() && p.above_measured(f64::NAN).is_none());
    }

    #[test]
    fn sizes_that_make_no_sense_are_refused() {
        for (w, h, ppi) in
            [(0.0, 1.0, 300.0), (f64::NAN, 1.0, 300.0), (1.0, 1.0, f64::INFINITY), (1.0, 1e9, 300.0)]
        {
            assert!(ScanPlan::new(w, h, ppi).is_none());
        }
        assert!(need_for_print((36.0, 0.0), (1.0, 1.0), 300.0).is_none());
    }
}
