//! What the user wants from a scan, in the terms of whatever options the device has.

use glassine_raster::{CancelToken, MM_PER_INCH};

use crate::error::{Error, Status};
use crate::helper::Opened;
use crate::option::{Choice, DeviceOption, OptionValue, Unit, ValueKind};

/// A rectangle on the glass, millimetres from its upper left corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AreaMm {
    pub left_mm: f64,
    pub top_mm: f64,
    pub width_mm: f64,
    pub height_mm: f64,
}

/// What is wanted. Whatever is `None` stays as the driver has it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ScanChoices {
    /// Such as the transparency unit, in the words of the driver.
    pub source: Option<String>,
    /// Colour or grey, in the words of the driver.
    pub mode: Option<String>,
    /// The most bits a sample that the device has, unless it is said.
    pub depth_bits: Option<u32>,
    pub ppi: Option<f64>,
    /// The whole area unless it is said.
    pub area: Option<AreaMm>,
    /// Further options by their names, set last, in this order.
    pub options: Vec<(String, String)>,
    /// Options that were kept from an earlier time. Those that the device does not take now become remarks.
    pub kept: Vec<(String, String)>,
}

/// What the device took.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Applied {
    pub ppi: Option<f64>,
    /// The area as the device took it; `None` if it has none to choose.
    pub area: Option<AreaMm>,
    /// What differs from what was wanted, or could not be set.
    pub remarks: Vec<String>,
}

/// Names of options that the standard defines (SANE Standard 1.06, section 4.5) or that its header lists as well known.
pub const SOURCE: &str = "source";
pub const MODE: &str = "mode";
pub const DEPTH: &str = "depth";
pub const RESOLUTION: &str = "resolution";
pub const X_RESOLUTION: &str = "x-resolution";
const Y_RESOLUTION: &str = "y-resolution";
const LEFT: &str = "tl-x";
const TOP: &str = "tl-y";
const RIGHT: &str = "br-x";
const BOTTOM: &str = "br-y";
const PREVIEW: &str = "preview";
const OWN_GAMMA: &str = "custom-gamma";
const GAMMA: &str = "gamma";

/// Sets the options of a device. Source and mode come first, because the others depend on them.
///
/// # Errors
/// A value that the device does not take, or a failing driver.
pub fn apply(device: &mut Opened, wanted: &ScanChoices, cancel: &CancelToken) -> Result<Applied, Error> {
    let mut applied = Applied::default();
    set_if_there(device, PREVIEW, "no", cancel)?;
    for (name, value) in [(SOURCE, &wanted.source), (MODE, &wanted.mode)] {
        let now = device.option(name).and_then(|option| option.value.as_ref()).map(OptionValue::text);
        if let Some(value) = value.as_ref().filter(|value| now.as_ref() != Some(*value)) {
            device.set(name, value, cancel)?;
        }
    }
    match wanted.depth_bits {
        Some(bits) => {
            let took = device.set(DEPTH, &bits.to_string(), cancel)?.and_then(|value| value.number());
            if took.is_some_and(|took| (took - f64::from(bits)).abs() > 0.5) {
                applied.remarks.push(format!(
                    "{bits} bits are not offered, the device took {} bits",
                    took.unwrap_or(0.0)
                ));
            }
        }
        None => set_most_bits(device, cancel)?,
    }
    // Codes in proportion to light, where the device can.
    set_if_there(device, OWN_GAMMA, "no", cancel)?;
    set_if_there(device, GAMMA, "1", cancel)?;
    if let Some(ppi) = wanted.ppi {
        set_ppi(device, ppi, &mut applied, cancel)?;
    }
    applied.ppi = ppi_of(device);
    set_area(device, wanted.area, applied.ppi, &mut applied.remarks, cancel)?;
    set_kept(device, &wanted.kept, &mut applied.remarks, cancel)?;
    for (name, value) in &wanted.options {
        match device.set(name, value, cancel)? {
            // Words for yes and no differ, their meaning does not.
            None | Some(OptionValue::Switch(_)) => {}
            Some(took) if took.text().eq_ignore_ascii_case(value) => {}
            Some(took) => applied.remarks.push(format!("{name}: {} instead of {value}", took.text())),
        }
    }
    // Further options may have changed them.
    applied.ppi = ppi_of(device);
    applied.area = area_of(device, applied.ppi);
    Ok(applied)
}

/// Whether an option is one that [`apply`] sets from the choices.
pub fn is_of_plan(name: &str) -> bool {
    [SOURCE, MODE, DEPTH, RESOLUTION, X_RESOLUTION, Y_RESOLUTION, LEFT, TOP, RIGHT, BOTTOM, PREVIEW]
        .contains(&name)
}

/// The area that a device is set to.
fn area_of(device: &Opened, ppi: Option<f64>) -> Option<AreaMm> {
    let corner = |name: &str| {
        let option = device.option(name)?;
        Some(option.value.as_ref()?.number()? * mm_of_one(option, ppi))
    };
    let (left_mm, top_mm) = (corner(LEFT)?, corner(TOP)?);
    let (width_mm, height_mm) = (corner(RIGHT)? - left_mm, corner(BOTTOM)? - top_mm);
    Some(AreaMm { left_mm, top_mm, width_mm, height_mm })
}

/// The largest area that a device scans with its present source.
pub fn whole_area(device: &Opened) -> Option<AreaMm> {
    let ppi = ppi_of(device);
    let end = |name: &str, is_far: bool| {
        let option = device.option(name)?;
        let Choice::Range { least, most, .. } = option.choice else { return None };
        Some(if is_far { most } else { least } * mm_of_one(option, ppi))
    };
    let (left_mm, top_mm) = (end(LEFT, false)?, end(TOP, false)?);
    let (width_mm, height_mm) = (end(RIGHT, true)? - left_mm, end(BOTTOM, true)? - top_mm);
    Some(AreaMm { left_mm, top_mm, width_mm, height_mm })
}

/// Millimetres for one unit of a corner.
fn mm_of_one(option: &DeviceOption, ppi: Option<f64>) -> f64 {
    match option.unit {
        Unit::Pixel => MM_PER_INCH / ppi.unwrap_or(MM_PER_INCH),
        Unit::None | Unit::Bit | Unit::Mm | Unit::Dpi | Unit::Percent | Unit::Microsecond => 1.0,
    }
}

/// Sets kept options; one may make another available, so those that are refused are tried once more.
fn set_kept(
    device: &mut Opened,
    kept: &[(String, String)],
    remarks: &mut Vec<String>,
    cancel: &CancelToken,
) -> Result<(), Error> {
    let mut refused: Vec<(&(String, String), Error)> = Vec::new();
    for round in 0..2 {
        let due: Vec<&(String, String)> = match round {
            0 => kept.iter().collect(),
            _ => std::mem::take(&mut refused).into_iter().map(|(option, _)| option).collect(),
        };
        for option in due {
            match device.set(&option.0, &option.1, cancel) {
                Ok(_) => {}
                Err(
                    error @ (Error::Option { .. }
                    | Error::Driver { status: Status::Invalid | Status::Unsupported, .. }),
                ) => {
                    refused.push((option, error));
                }
                Err(error) => return Err(error),
            }
        }
    }
    remarks.extend(refused.into_iter().map(|(_, error)| format!("a kept option was left out: {error}")));
    Ok(())
}

/// Sets an option that not every device has, if it takes the value.
fn set_if_there(device: &mut Opened, name: &str, text: &str, cancel: &CancelToken) -> Result<(), Error> {
    let takes = |option: &DeviceOption| option.is_settable && option.size == 1 && option.parse(text).is_ok();
    if device.option(name).is_some_and(takes) {
        device.set(name, text, cancel)?;
    }
    Ok(())
}

fn set_most_bits(device: &mut Opened, cancel: &CancelToken) -> Result<(), Error> {
    let Some(option) = device.option(DEPTH).filter(|option| option.is_settable) else { return Ok(()) };
    if let Some(most) = option.most_bits() {
        device.set(DEPTH, &most.to_string(), cancel)?;
    }
    Ok(())
}

fn set_ppi(device: &mut Opened, ppi: f64, applied: &mut Applied, cancel: &CancelToken) -> Result<(), Error> {
    if device.option(RESOLUTION).is_none() && device.option(X_RESOLUTION).is_none() {
        applied.remarks.push("this device has no resolution to choose".to_owned());
        return Ok(());
    }
    let text = ppi.to_string();
    let name = if device.option(RESOLUTION).is_some() { RESOLUTION } else { X_RESOLUTION };
    let took = device.set(name, &text, cancel)?.and_then(|value| value.number());
    if device.option(Y_RESOLUTION).is_some() {
        let across = device.set(Y_RESOLUTION, &text, cancel)?.and_then(|value| value.number());
        if let (Some(along), Some(across)) = (took, across)
            && (along - across).abs() > 0.5
        {
            applied
                .remarks
                .push(format!("pixels are not square: {along} ppi across the glass, {across} ppi along it"));
        }
    }
    if let Some(took) = took.filter(|took| (took - ppi).abs() > 0.5) {
        applied.remarks.push(format!("{ppi} ppi are not offered, the device took {took} ppi"));
    }
    Ok(())
}

fn ppi_of(device: &Opened) -> Option<f64> {
    let option = device.option(RESOLUTION).or_else(|| device.option(X_RESOLUTION))?;
    option.value.as_ref().and_then(OptionValue::number).filter(|ppi| *ppi > 0.0)
}

/// Sets the area; its corners may be in millimetres or in pixels.
fn set_area(
    device: &mut Opened,
    area: Option<AreaMm>,
    ppi: Option<f64>,
    remarks: &mut Vec<String>,
    cancel: &CancelToken,
) -> Result<(), Error> {
    let has_corners = [LEFT, TOP, RIGHT, BOTTOM].iter().all(|name| device.option(name).is_some());
    if !has_corners {
        if area.is_some() {
            remarks.push("this device has no area to choose; it scans the whole".to_owned());
        }
        return Ok(());
    }
    let ends = match area {
        // The far corner last: a device may hold the near one to it.
        Some(area) => [
            (LEFT, area.left_mm),
            (TOP, area.top_mm),
            (RIGHT, area.left_mm + area.width_mm),
            (BOTTOM, area.top_mm + area.height_mm),
        ],
        None => [(LEFT, f64::MIN), (TOP, f64::MIN), (RIGHT, f64::MAX), (BOTTOM, f64::MAX)],
    };
    // A near corner beyond the present far one would be refused by some drivers, so the far ones open up first.
    for name in [RIGHT, BOTTOM] {
        set_corner(device, name, f64::MAX, ppi, cancel)?;
    }
    for (name, mm) in ends {
        let took = set_corner(device, name, mm, ppi, cancel)?;
        if let Some(took) = took.filter(|took| mm.abs() < 1e6 && (took - mm).abs() > 0.5) {
            remarks.push(format!("{name}: {took:.1} mm instead of {mm:.1} mm"));
        }
    }
    Ok(())
}

/// Sets a corner to the nearest place that the device has; returns where it is then, millimetres.
fn set_corner(
    device: &mut Opened,
    name: &str,
    mm: f64,
    ppi: Option<f64>,
    cancel: &CancelToken,
) -> Result<Option<f64>, Error> {
    let Some(option) = device.option(name) else { return Ok(None) };
    let mm_of_one = mm_of_one(option, ppi);
    let value = match &option.choice {
        Choice::Range { least, most, .. } => (mm / mm_of_one).max(*least).min(*most),
        Choice::Numbers(_) | Choice::Any | Choice::Texts(_) => mm / mm_of_one,
    };
    let is_number = matches!(option.kind, ValueKind::Whole | ValueKind::Fixed);
    if !(is_number && value.is_finite() && value.abs() < 1e9) {
        return Ok(None);
    }
    let took = device.set(name, &value.to_string(), cancel)?;
    Ok(took.and_then(|value| value.number()).map(|value| value * mm_of_one))
}
