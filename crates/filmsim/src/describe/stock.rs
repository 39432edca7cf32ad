//! The description of a film stock.

use std::sync::Arc;

use serde::Deserialize;

use super::{Fault, printable, within};
use crate::spectrum::{BANDS, Spectrum, lobe, spectrum};
use crate::stock::{Ladder, Process, Stock};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StockFile {
    edge_print: String,
    process: Process,
    support: SupportFile,
    inhibition_log_h: f32,
    /// Red, green and blue recording layer.
    layers: [LayerFile; 3],
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SupportFile {
    density_d: Shape,
    infrared_d: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LayerFile {
    speed: f64,
    sensitivity: Shape,
    crystals: Ladder,
    dye: Option<DyeFile>,
    mask: Option<MaskFile>,
    #[serde(default)]
    grain_um: f32,
    edge_print_exposure: f32,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DyeFile {
    full_d: f64,
    infrared_d: f64,
    shape: Shape,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct MaskFile {
    full_d: f64,
    shape: Shape,
}

/// A spectrum as a level, a straight rise and a sum of lobes.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Shape {
    #[serde(default)]
    level: f64,
    rise: Option<Rise>,
    #[serde(default)]
    lobes: Vec<Lobe>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Rise {
    height: f64,
    from_nm: f64,
    to_nm: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Lobe {
    height: f64,
    peak_nm: f64,
    short_nm: f64,
    long_nm: f64,
}

impl Shape {
    fn spectrum(&self, times: f64) -> Spectrum {
        spectrum(|nm| {
            let rise =
                self.rise.as_ref().map_or(0.0, |r| r.height * (r.from_nm - nm) / (r.from_nm - r.to_nm));
            let start = self.level + rise;
            let shape = self
                .lobes
                .iter()
                .fold(start, |sum, l| sum + l.height * lobe(l.peak_nm, l.short_nm, l.long_nm)(nm));
            shape * times
        })
    }

    fn check(&self, place: &str) -> Result<(), Fault> {
        within(&format!("{place}.level"), self.level, -10.0..=10.0, "")?;
        if let Some(rise) = &self.rise {
            within(&format!("{place}.rise.height"), rise.height, -10.0..=10.0, "")?;
            within(&format!("{place}.rise.from_nm"), rise.from_nm, 100.0..=2000.0, "nm")?;
            within(&format!("{place}.rise.to_nm"), rise.to_nm, 100.0..=2000.0, "nm")?;
            if (rise.from_nm - rise.to_nm).abs() < 1.0 {
                let problem = "the rise begins and ends at the same wavelength";
                return Err(Fault::new(format!("{place}.rise"), problem, "give two wavelengths"));
            }
        }
        for (i, lobe) in self.lobes.iter().enumerate() {
            within(&format!("{place}.lobes[{i}].height"), lobe.height, -10.0..=10.0, "")?;
            within(&format!("{place}.lobes[{i}].peak_nm"), lobe.peak_nm, 100.0..=2000.0, "nm")?;
            within(&format!("{place}.lobes[{i}].short_nm"), lobe.short_nm, 1.0..=1000.0, "nm")?;
            within(&format!("{place}.lobes[{i}].long_nm"), lobe.long_nm, 1.0..=1000.0, "nm")?;
        }
        Ok(())
    }
}

impl LayerFile {
    fn check(&self, place: &str) -> Result<(), Fault> {
        within(&format!("{place}.speed"), self.speed, 0.01..=100.0, "")?;
        self.sensitivity.check(&format!("{place}.sensitivity"))?;
        if self.sensitivity.spectrum(1.0).iter().sum::<f64>() <= 0.0 {
            return Err(Fault::new(
                format!("{place}.sensitivity"),
                "the layer sees no light between 380 and 730 nm",
                "give it a level above 0 or a lobe in that range",
            ));
        }
        let crystals = &self.crystals;
        within(&format!("{place}.crystals.fastest_log_h"), crystals.fastest_log_h, -5.0..=5.0, "")?;
        within(&format!("{place}.crystals.step_log_h"), crystals.step_log_h, 0.0..=3.0, "")?;
        within(&format!("{place}.crystals.sizes"), f64::from(crystals.sizes), 1.0..=50.0, "")?;
        if let Some(dye) = &self.dye {
            within(&format!("{place}.dye.full_d"), dye.full_d, 0.0..=10.0, "D")?;
            within(&format!("{place}.dye.infrared_d"), dye.infrared_d, 0.0..=10.0, "D")?;
            dye.shape.check(&format!("{place}.dye.shape"))?;
        }
        if let Some(mask) = &self.mask {
            within(&format!("{place}.mask.full_d"), mask.full_d, 0.0..=10.0, "D")?;
            mask.shape.check(&format!("{place}.mask.shape"))?;
        }
        within(&format!("{place}.grain_um"), f64::from(self.grain_um), 0.0..=10.0, "µm")?;
        within(&format!("{place}.edge_print_exposure"), f64::from(self.edge_print_exposure), 0.0..=1e4, "")
    }
}

impl StockFile {
    pub(super) fn into_stock(self) -> Result<Arc<Stock>, Fault> {
        printable("edge_print", &self.edge_print)?;
        self.support.density_d.check("support.density_d")?;
        within("support.infrared_d", self.support.infrared_d, 0.0..=10.0, "D")?;
        within("inhibition_log_h", f64::from(self.inhibition_log_h), 0.0..=2.0, "")?;
        for (i, layer) in self.layers.iter().enumerate() {
            layer.check(&format!("layers[{i}]"))?;
        }
        let [red, green, blue] = &self.layers;
        let layers = [red, green, blue];
        Ok(Arc::new(Stock {
            name: self.edge_print,
            process: self.process,
            sensitivity: layers.map(|layer| layer.sensitivity.spectrum(1.0)),
            speed: layers.map(|layer| layer.speed),
            ladder: layers.map(|layer| layer.crystals),
            dye: layers
                .map(|layer| layer.dye.as_ref().map_or([0.0; BANDS], |dye| dye.shape.spectrum(dye.full_d))),
            dye_ir: layers.map(|layer| layer.dye.as_ref().map_or(0.0, |dye| dye.infrared_d)),
            mask: layers.map(|layer| {
                layer.mask.as_ref().map_or([0.0; BANDS], |mask| mask.shape.spectrum(mask.full_d))
            }),
            support: self.support.density_d.spectrum(1.0),
            support_ir: self.support.infrared_d,
            inhibition_log_h: self.inhibition_log_h,
            grain: layers.map(|layer| layer.grain_um),
            print_exposure: layers.map(|layer| layer.edge_print_exposure),
        }))
    }
}
