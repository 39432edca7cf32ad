//! What is done with a picture that has the size of a print: sharpening for paper, the white of the paper, and the
//! values of the printer.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use glassine_film::OutputSpace;
use glassine_raster::CancelToken;
use glassine_session::PrintSettings;
use glassine_sharpness::Sharpening;

use crate::colour::PrinterInUse;
use crate::error::EngineError;
use crate::render::Lightness;
use crate::render::rows::{RowBuffers, RowPass, RowSteps};
use crate::scans::ask_for_memory;

/// Radius of the sharpening on paper, mm: about what the eye resolves at reading distance (half a minute of arc at
/// 400 mm is 0.06 mm); common practice is near it.
const RADIUS_MM: f64 = 0.06;
/// Over- and undershoot that are allowed, of full scale; our choice: twice that of a master, because ink spreads.
const OVERSHOOT_LIMIT: f32 = 0.04;

/// How a print is made.
#[derive(Clone)]
pub(super) struct PrintSteps {
    pub(super) settings: PrintSettings,
    pub(super) printer: Option<Arc<PrinterInUse>>,
    /// Pixels that the printer cannot show.
    beyond_px: Arc<AtomicU64>,
}

impl PrintSteps {
    pub(super) fn new(settings: PrintSettings) -> Self {
        Self { settings, printer: None, beyond_px: Arc::default() }
    }

    /// What the printer makes of a print of this size, once it is made.
    pub(super) fn note(&self, (width, height): (u32, u32)) -> Option<String> {
        let printer = self.printer.as_ref()?;
        let pixels = f64::from(width) * f64::from(height);
        let percent = self.beyond_px.load(Ordering::Relaxed) as f64 / pixels.max(1.0) * 100.0;
        let what = if printer.converts { "converted to" } else { "proofed with" };
        Some(format!("{what} “{}”; {percent:.1} % of the picture is out of its gamut", printer.name()))
    }
}

/// Collects the rows of a print and finishes them together.
pub(super) struct PrintPass {
    steps: PrintSteps,
    size: (u32, u32),
    lightness: Lightness,
    /// Encoded red, green and blue of each pixel.
    rows: Vec<f32>,
}

impl PrintPass {
    pub(super) fn new(steps: PrintSteps, size: (u32, u32), space: OutputSpace) -> Self {
        Self { steps, size, lightness: Lightness::of(space), rows: Vec::new() }
    }

    /// Add rows from the top.
    pub(super) fn take(&mut self, encoded: &[f32]) -> Result<(), EngineError> {
        if self.rows.is_empty() {
            let values = self.size.0 as usize * self.size.1 as usize * 3;
            // Once as collected and once as finished.
            ask_for_memory(values as u64 * 8, "a print")?;
            self.rows.reserve(values);
        }
        self.rows.extend_from_slice(encoded);
        Ok(())
    }

    /// The finished rows.
    pub(super) fn finish(&mut self, cancel: &CancelToken) -> Result<Vec<f32>, EngineError> {
        let rows = std::mem::take(&mut self.rows);
        let PrintSteps { settings, printer, beyond_px } = &self.steps;
        let radius_px = RADIUS_MM / glassine_raster::MM_PER_INCH * settings.ppi;
        let sharpening = Sharpening {
            amount: settings.sharpen_amount as f32,
            radius_px: radius_px as f32,
            overshoot_limit: OVERSHOOT_LIMIT,
            // Grain was spared by the capture sharpening already.
            grain_sd: [0.0; 3],
        };
        let sharpening = Some(sharpening).filter(|sharpening| !sharpening.is_identity());
        let pass = RowPass::new(self.size, sharpening, self.lightness);
        let out = Vec::with_capacity(rows.len());
        let mut steps = Finishing {
            rows: &rows,
            width: self.size.0 as usize,
            white: settings.paper_white as f32,
            black: settings.paper_black as f32,
            out,
        };
        pass.run(0..self.size.1 as usize, &mut RowBuffers::default(), &mut steps, cancel)?;
        let mut out = steps.out;
        if let Some(printer) = printer {
            let values = printer.values()?;
            let mut beyond = 0;
            for px in out.chunks_exact_mut(3) {
                let (value, is_beyond) = values.of([px[0], px[1], px[2]]);
                beyond += u64::from(is_beyond);
                if printer.converts {
                    px.copy_from_slice(&value);
                }
            }
            beyond_px.store(beyond, Ordering::Relaxed);
        }
        Ok(out)
    }
}

struct Finishing<'a> {
    rows: &'a [f32],
    width: usize,
    white: f32,
    black: f32,
    out: Vec<f32>,
}

impl RowSteps for Finishing<'_> {
    fn encode(&mut self, y: usize, [red, green, blue]: [&mut [f32]; 3]) {
        let row = self.rows.get(y * self.width * 3..).unwrap_or_default();
        for (x, px) in row.chunks_exact(3).take(self.width).enumerate() {
            (red[x], green[x], blue[x]) = (px[0], px[1], px[2]);
        }
    }

    fn finish(&mut self, _y: usize, [red, green, blue]: [&[f32]; 3]) {
        for ((r, g), b) in red.iter().zip(green).zip(blue) {
            self.out.extend([r, g, b].map(|value| self.black + value.min(1.0) * (self.white - self.black)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A step from dark to light across the picture.
    fn finished(settings: PrintSettings) -> Vec<f32> {
        let mut pass = PrintPass::new(PrintSteps::new(settings), (64, 40), OutputSpace::Srgb);
        for _ in 0..40 {
            let row: Vec<f32> = (0..64).flat_map(|x| [if x < 32 { 0.3 } else { 0.7 }; 3]).collect();
            pass.take(&row).expect("room");
        }
        pass.finish(&CancelToken::new()).expect("not cancelled")
    }

    #[test]
    fn a_print_is_sharpened_within_the_limit_and_keeps_below_the_white_of_the_paper() {
        let plain = PrintSettings { sharpen_amount: 0.0, ..PrintSettings::default() };
        assert_eq!(finished(plain.clone())[..3], [0.3; 3]);
        let sharp = finished(PrintSettings { sharpen_amount: 1.5, ..plain.clone() });
        let row = &sharp[20 * 64 * 3..21 * 64 * 3];
        let (low, high) = row.iter().fold((1.0_f32, 0.0_f32), |(low, high), v| (low.min(*v), high.max(*v)));
        assert!((0.3 - OVERSHOOT_LIMIT - 1e-4..0.299).contains(&low), "{low}");
        assert!(high > 0.701 && high <= 0.7 + OVERSHOOT_LIMIT + 1e-4, "{high}");
        let paper = finished(PrintSettings { paper_white: 0.9, ..plain });
        assert!((paper[63 * 3] - 0.63).abs() < 1e-6, "{}", paper[63 * 3]);
    }
}
