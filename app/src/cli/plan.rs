//! `glassine plan`: the pixels and prints a resolution gives, or the resolution a print needs.

use clap::Args;
use glassine_engine::EngineError;
use glassine_layout::{Format, format_of, formats};
use glassine_sharpness::plan::{PRINT_PPI, SampleLayout, ScanPlan, need_for_print};
use serde_json::{Value, json};

use super::new::usage;
use super::{Outcome, Printing, print_json, print_line};
use crate::platform::user_folders;
use crate::services::state_file::KeptState;

/// Pixels, sizes and prints
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Frame format, such as 135 or 6x4.5
    #[arg(long)]
    pub format: String,
    /// Scan resolution
    #[arg(long, conflicts_with = "print_mm")]
    pub ppi: Option<f64>,
    /// Print size in millimetres, such as 300x200: prints the resolution it needs
    #[arg(long, value_name = "WxH")]
    pub print_mm: Option<String>,
    /// Measured resolution of the scanner; what focus --remember kept if omitted
    #[arg(long)]
    pub measured_ppi: Option<f64>,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &PlanArgs) -> Result<Outcome, EngineError> {
    let format = &format_of(&args.format).ok_or_else(|| {
        let known: Vec<_> = formats().iter().map(|format| format.id).collect();
        usage(
            &format!("“{}” is no known format", args.format),
            &format!("choose one of {}", known.join(", ")),
        )
    })?;
    match (&args.print_mm, args.ppi) {
        (Some(print), _) => for_print(args, format, print),
        (None, Some(ppi)) => for_ppi(args, format, ppi),
        (None, None) => Err(usage("nothing to plan", "give --ppi 2400, or --print-mm 300x200")),
    }
}

/// Resolution of the scanner as given, else as remembered.
fn measured_ppi(args: &PlanArgs) -> Option<f64> {
    args.measured_ppi.or_else(|| KeptState::peek(&user_folders::config()?).scanner.resolution_ppi)
}

fn for_ppi(args: &PlanArgs, format: &Format, ppi: f64) -> Result<Outcome, EngineError> {
    let plan = ScanPlan::new(format.along_mm, format.across_mm, ppi)
        .ok_or_else(|| usage("a resolution must be positive", "give --ppi a number such as 2400"))?;
    let above = measured_ppi(args).and_then(|measured| plan.above_measured(measured));
    if args.printing.json {
        let prints: Vec<Value> = plan
            .largest_prints()
            .iter()
            .map(|print| json!({ "print_ppi": print.print_ppi, "width_mm": print.width_mm, "height_mm": print.height_mm }))
            .collect();
        print_json(&json!({
            "format": format.id,
            "width_mm": format.along_mm,
            "height_mm": format.across_mm,
            "scan_ppi": ppi,
            "width_px": plan.width_px,
            "height_px": plan.height_px,
            "megapixels": plan.megapixels(),
            "bytes_rgb16": plan.bytes(SampleLayout::Rgb16),
            "bytes_rgb_infrared16": plan.bytes(SampleLayout::RgbInfrared16),
            "bytes_grey16": plan.bytes(SampleLayout::Grey16),
            "needs_big_tiff": plan.needs_big_tiff(SampleLayout::RgbInfrared16),
            "largest_prints": prints,
            "above_measured_ppi": above.map(|above| above.measured_ppi),
        }));
        return Ok(Outcome::Done);
    }
    print_line(&format!(
        "{} at {ppi:.0} ppi: {} x {} px, {:.1} MP",
        format.label,
        plan.width_px,
        plan.height_px,
        plan.megapixels()
    ));
    for (name, layout) in
        [("16-bit RGB", SampleLayout::Rgb16), ("with infrared", SampleLayout::RgbInfrared16)]
    {
        let big = if plan.needs_big_tiff(layout) { ", needs BigTIFF" } else { "" };
        print_line(&format!("  {name}: {:.1} MiB{big}", plan.mebibytes(layout)));
    }
    for print in plan.largest_prints() {
        print_line(&format!(
            "  largest print at {:.0} ppi: {:.0} x {:.0} mm",
            print.print_ppi, print.width_mm, print.height_mm
        ));
    }
    if let Some(above) = above {
        print_line(&format!(
            "  above the measured {:.0} ppi: {:.0} % of these pixels hold nothing new",
            above.measured_ppi,
            above.empty_share * 100.0
        ));
    }
    Ok(Outcome::Done)
}

fn for_print(args: &PlanArgs, format: &Format, print: &str) -> Result<Outcome, EngineError> {
    let wrong = || usage(&format!("“{print}” is no print size"), "give --print-mm a size such as 300x200");
    let (width, height) = print.split_once(['x', 'X', '×']).ok_or_else(wrong)?;
    let number = |text: &str| text.trim().parse::<f64>().ok();
    let (width, height) = number(width).zip(number(height)).ok_or_else(wrong)?;
    let image = (format.along_mm, format.across_mm);
    let needs: Vec<_> = PRINT_PPI
        .iter()
        .map(|ppi| need_for_print(image, (width, height), *ppi).map(|need| (*ppi, need)))
        .collect::<Option<_>>()
        .ok_or_else(wrong)?;
    if args.printing.json {
        let needs: Vec<Value> = needs
            .iter()
            .map(|(ppi, need)| {
                json!({
                    "print_ppi": ppi,
                    "scan_ppi": need.scan_ppi,
                    "enlargement": need.enlargement,
                    "covering_mm": [need.covering_mm.0, need.covering_mm.1],
                })
            })
            .collect();
        print_json(&json!({ "format": format.id, "print_mm": [width, height], "needs": needs }));
        return Ok(Outcome::Done);
    }
    print_line(&format!("{} printed {width:.0} x {height:.0} mm:", format.label));
    for (ppi, need) in &needs {
        let above = match measured_ppi(args) {
            Some(measured) if need.scan_ppi > measured => {
                format!(", above the measured {measured:.0} ppi")
            }
            _ => String::new(),
        };
        print_line(&format!(
            "  at {ppi:.0} ppi: scan at {:.0} ppi or more ({:.1} times enlarged{above})",
            need.whole_ppi(),
            need.enlargement
        ));
    }
    Ok(Outcome::Done)
}
