//! The options for reading a scan file, and their words in the printed session.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::Args;
use clap::builder::{OsStringValueParser, TypedValueParser as _};
use glassine_engine::ScanReading;
use glassine_session::{EncodingChoice, FourthSampleChoice, StrayLightChoice};

/// Plausible gamma exponents of a scanner or a file.
const GAMMA_RANGE: std::ops::RangeInclusive<f64> = 0.2..=5.0;

/// Options that override what a scan file says about itself.
#[derive(Debug, Clone, Args)]
pub struct ReadingArgs {
    /// How codes relate to light: linear, srgb, or gamma with its exponent such as gamma2.2; auto reads it from the
    /// file
    #[arg(long, value_name = "linear|srgb|gammaN.N|auto", value_parser = parse_encoding)]
    pub encoding: Option<EncodingChoice>,
    /// What the fourth sample of a pixel is: infrared, or ignore to leave it out; auto reads it from the file
    #[arg(long, value_name = "infrared|ignore|auto", value_parser = parse_fourth)]
    pub fourth: Option<FourthSampleChoice>,
    /// Stray light over the whole scan: auto subtracts the amount measured on the holder, off leaves it
    #[arg(long, value_name = "auto|off", value_parser = parse_stray)]
    pub stray_light: Option<StrayLightChoice>,
    /// Page of the file, from 1; auto takes the one that looks like the scan
    #[arg(long, value_name = "N|auto", value_parser = parse_page)]
    pub page: Option<Page>,
    /// Separate infrared file of the scan (of the first one, if several scans are given); none removes it
    #[arg(long, value_name = "FILE|none", value_parser = OsStringValueParser::new().map(infrared_file))]
    pub infrared: Option<InfraredFile>,
}

impl ReadingArgs {
    /// The infrared file, by its absolute path; inner `None` to remove it.
    pub(super) fn infrared_path(&self) -> Option<Option<PathBuf>> {
        let absolute = |path: &PathBuf| std::path::absolute(path).unwrap_or_else(|_| path.clone());
        self.infrared.as_ref().map(|file| file.0.as_ref().map(absolute))
    }

    /// The choices; what the user omitted is read from the file.
    pub(super) fn choices(&self) -> ScanReading {
        ScanReading {
            encoding: self.encoding.unwrap_or_default(),
            fourth_sample: self.fourth.unwrap_or_default(),
            page: self.page.and_then(|page| page.0),
            stray_light: self.stray_light.unwrap_or_default(),
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Page(pub Option<u32>);

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InfraredFile(Option<PathBuf>);

/// A file named “none” can be given as `./none`.
fn infrared_file(text: OsString) -> InfraredFile {
    InfraredFile((text != "none").then(|| PathBuf::from(text)))
}

pub(super) fn parse_encoding(text: &str) -> Result<EncodingChoice, String> {
    let gamma = |text: &str| text.parse().ok().filter(|gamma| GAMMA_RANGE.contains(gamma));
    match text {
        "auto" => Ok(EncodingChoice::Auto),
        "linear" => Ok(EncodingChoice::Linear),
        "srgb" => Ok(EncodingChoice::Srgb),
        _ => text.strip_prefix("gamma").and_then(gamma).map(EncodingChoice::Gamma).ok_or_else(|| {
            let (least, most) = (GAMMA_RANGE.start(), GAMMA_RANGE.end());
            format!(
                "choose linear, srgb, auto, or gamma and a number from {least} to {most} such as gamma2.2"
            )
        }),
    }
}

fn parse_fourth(text: &str) -> Result<FourthSampleChoice, String> {
    let all = [FourthSampleChoice::Auto, FourthSampleChoice::Infrared, FourthSampleChoice::Ignore];
    let found = all.into_iter().find(|choice| fourth_text(*choice) == text);
    found.ok_or_else(|| "choose infrared, ignore or auto".to_owned())
}

fn parse_stray(text: &str) -> Result<StrayLightChoice, String> {
    StrayLightChoice::from_key(text).ok_or_else(|| "choose auto or off".to_owned())
}

fn parse_page(text: &str) -> Result<Page, String> {
    if text == "auto" {
        return Ok(Page(None));
    }
    let number = text.parse().ok().filter(|number| *number > 0);
    number.map(|number| Page(Some(number))).ok_or_else(|| "give a page number from 1, or auto".to_owned())
}

/// An encoding, as the user types it.
pub(super) fn encoding_text(encoding: EncodingChoice) -> String {
    match encoding {
        EncodingChoice::Auto => "auto".to_owned(),
        EncodingChoice::Linear => "linear".to_owned(),
        EncodingChoice::Srgb => "srgb".to_owned(),
        EncodingChoice::Gamma(gamma) => format!("gamma{gamma:?}"),
    }
}

/// A meaning of the fourth sample, as the user types it.
pub(super) fn fourth_text(choice: FourthSampleChoice) -> &'static str {
    match choice {
        FourthSampleChoice::Auto => "auto",
        FourthSampleChoice::Infrared => "infrared",
        FourthSampleChoice::Ignore => "ignore",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn encodings_are_printed_as_they_are_typed() {
        for text in ["auto", "linear", "srgb", "gamma2.2", "gamma1.0"] {
            assert_eq!(parse_encoding(text).map(encoding_text), Ok(text.to_owned()));
        }
        for bad in ["", "gamma", "gamma0", "gamma-1", "gammaNaN", "gamma1e9", "sRGB2"] {
            assert!(parse_encoding(bad).is_err(), "{bad}");
        }
        assert!(
            parse_page("0").is_err() && parse_page("-1").is_err() && parse_page("2") == Ok(Page(Some(2)))
        );
    }
}
