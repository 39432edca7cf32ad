//! The description of a strip.

use std::path::Path;

use serde::Deserialize;

use super::bundled::{STOCKS, bundled_stock};
use super::{Fault, all_within, parse, stock_from, within};
use crate::Error;
use crate::scanner::{BLUR_REACH, ScannerSpec};
use crate::stock::{FilmStock, Process};
use crate::strip::{Dirt, FrameSpec, StripSpec};

/// A strip as described in a file, with what a session must know about it.
#[derive(Debug, Clone, PartialEq)]
pub struct StripDescription {
    /// Short name: that of the file.
    pub id: String,
    /// Title shown to the user.
    pub title: String,
    /// What the strip shows.
    pub about: String,
    pub scan_file_name: String,
    /// Frame format, as in session files.
    pub format_id: String,
    pub process: Process,
    spec: StripSpec,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct StripFile {
    title: String,
    about: String,
    scan_file: String,
    format: String,
    stock: String,
    ppi: f64,
    scan_mm: [f64; 2],
    window_mm: [f64; 2],
    film_mm: [f64; 2],
    #[serde(default)]
    film_offset_mm: [f64; 2],
    #[serde(default)]
    angle_deg: f64,
    perforated: bool,
    first_number: u32,
    seed: u32,
    frames: Vec<FrameSpec>,
    #[serde(default)]
    dirt: Dirt,
    #[serde(default)]
    scanner: ScannerSpec,
}

impl StripDescription {
    /// Reads the description of a strip, and that of its stock: `stocks/NAME.json` beside it, or the bundled one.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Self::from_text(&text_of(path)?, path, Some(&path.with_file_name("stocks")))
    }

    /// `path` gives the name; own stocks are in the folder `stocks`.
    pub(crate) fn from_text(text: &str, path: &Path, stocks: Option<&Path>) -> Result<Self, Error> {
        let file: StripFile = parse(text).map_err(|fault| fault.of(path))?;
        file.check().map_err(|fault| fault.of(path))?;
        let own = stocks.map(|folder| folder.join(format!("{}.json", file.stock)));
        let stock = match own.filter(|own| own.is_file()) {
            Some(own) => stock_from(&text_of(&own)?, &own)?,
            None => bundled_stock(&file.stock).ok_or_else(|| {
                let problem = format!("there is no stock {:?}", file.stock);
                let bundled: Vec<&str> = STOCKS.iter().map(|(name, _)| *name).collect();
                let advice =
                    format!("name {}, or describe yours in stocks/NAME.json beside it", bundled.join(", "));
                Fault::new("stock", problem, advice).of(path)
            })?,
        };
        let id = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(Self {
            id,
            title: file.title,
            about: file.about,
            scan_file_name: file.scan_file,
            format_id: file.format,
            process: stock.process,
            spec: StripSpec {
                stock: FilmStock::Described(stock),
                ppi: file.ppi,
                scan_mm: file.scan_mm,
                window_mm: file.window_mm,
                film_mm: file.film_mm,
                film_offset_mm: file.film_offset_mm,
                angle_deg: file.angle_deg,
                perforated: file.perforated,
                first_number: file.first_number,
                frames: file.frames,
                dirt: file.dirt,
                scanner: file.scanner,
                scene_px: 0,
                seed: file.seed,
            },
        })
    }

    /// The same strip, scanned at another resolution.
    #[must_use]
    pub fn at_ppi(mut self, ppi: f64) -> Self {
        self.spec.ppi = ppi;
        self
    }

    /// Scan resolution, pixels per inch.
    pub fn ppi(&self) -> f64 {
        self.spec.ppi
    }

    /// What to render.
    pub fn spec(&self) -> StripSpec {
        let mut spec = self.spec.clone();
        let longest_mm = spec.frames.iter().flat_map(|f| f.size_mm).fold(1.0, f64::max);
        // Scenes are slightly coarser than the scan, since film and lens are not sharper than that either.
        spec.scene_px = (0.85 * longest_mm * spec.px_per_mm()).clamp(48.0, 1360.0) as u32;
        spec
    }
}

fn text_of(path: &Path) -> Result<String, Error> {
    std::fs::read_to_string(path).map_err(|source| Error::Read { path: path.to_owned(), source })
}

impl StripFile {
    fn check(&self) -> Result<(), Fault> {
        let is_plain_name =
            Path::new(&self.scan_file).file_name().is_some_and(|name| name == &*self.scan_file)
                && !self.scan_file.contains('\\');
        if !is_plain_name || !self.scan_file.ends_with(".tif") {
            return Err(Fault::new(
                "scan_file",
                format!("{:?} is not the name of a scan", self.scan_file),
                "give a file name without folders that ends in .tif",
            ));
        }
        within("ppi", self.ppi, 20.0..=10_000.0, "ppi")?;
        all_within("scan_mm", &self.scan_mm, &(5.0..=600.0), "mm")?;
        all_within("window_mm", &self.window_mm, &(1.0..=600.0), "mm")?;
        all_within("film_mm", &self.film_mm, &(5.0..=2000.0), "mm")?;
        all_within("film_offset_mm", &self.film_offset_mm, &(-600.0..=600.0), "mm")?;
        within("angle_deg", self.angle_deg, -45.0..=45.0, "degrees")?;
        within("first_number", f64::from(self.first_number), 0.0..=9999.0, "")?;
        if self.frames.len() > 200 {
            return Err(Fault::new(
                "frames",
                format!("{} are too many", self.frames.len()),
                "use at most 200",
            ));
        }
        for (i, frame) in self.frames.iter().enumerate() {
            check_frame(&format!("frames[{i}]"), frame, self.film_mm)?;
        }
        let dirt = &self.dirt;
        for (key, count) in [
            ("specks", dirt.specks),
            ("hairs", dirt.hairs),
            ("base_scratches", dirt.base_scratches),
            ("emulsion_scratches", dirt.emulsion_scratches),
            ("emulsion_lines", dirt.emulsion_lines),
        ] {
            within(&format!("dirt.{key}"), f64::from(count), 0.0..=100_000.0, "")?;
        }
        check_scanner(&self.scanner)
    }
}

fn check_frame(place: &str, frame: &FrameSpec, film_mm: [f64; 2]) -> Result<(), Fault> {
    within(&format!("{place}.stops"), frame.stops, -12.0..=12.0, "stops")?;
    for (axis, half_mm) in film_mm.map(|side_mm| side_mm / 2.0).into_iter().enumerate() {
        let center = format!("{place}.center_mm[{axis}]");
        within(&center, frame.center_mm[axis], -half_mm..=half_mm, "mm")?;
    }
    all_within(&format!("{place}.size_mm"), &frame.size_mm, &(1.0..=600.0), "mm")?;
    within(&format!("{place}.turn_deg"), frame.turn_deg, -45.0..=45.0, "degrees")?;
    within(&format!("{place}.quarter_turns"), f64::from(frame.quarter_turns), 0.0..=3.0, "")?;
    within(&format!("{place}.light.kelvin"), frame.light.kelvin, 1000.0..=40_000.0, "K")?;
    within(&format!("{place}.light.green_line"), frame.light.green_line, 0.0..=20.0, "")
}

fn check_scanner(scanner: &ScannerSpec) -> Result<(), Fault> {
    all_within("scanner.open_light_frac", &scanner.open_light_frac, &(0.01..=1.0), "")?;
    within("scanner.lamp_falloff_frac", scanner.lamp_falloff_frac, 0.0..=1.0, "")?;
    within("scanner.flare_frac", scanner.flare_frac, 0.0..=1.0, "")?;
    within("scanner.veil_frac", scanner.veil_frac, 0.0..=1.0, "")?;
    within("scanner.dye_infrared", scanner.dye_infrared, 0.0..=100.0, "")?;
    // The kernel reaches so far; wider blurs and shifts would be cut off.
    let reach_px = BLUR_REACH as f64;
    all_within("scanner.blur_px", &scanner.blur_px, &(0.2..=reach_px / 2.0), "px")?;
    for (i, shift_px) in scanner.shift_px.iter().enumerate() {
        let place = format!("scanner.shift_px[{i}]");
        all_within(&place, shift_px, &(-reach_px / 2.0..=reach_px / 2.0), "px")?;
    }
    within("scanner.full_well_electrons", scanner.full_well_electrons, 100.0..=1e9, "electrons")?;
    within("scanner.read_noise_electrons", scanner.read_noise_electrons, 0.0..=1e6, "electrons")
}
