//! Options of a device, as its driver describes them (SANE Standard 1.06, section 4.3.6).

use serde::{Deserialize, Serialize};

/// What the numbers of an option measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    #[default]
    None,
    Pixel,
    Bit,
    Mm,
    Dpi,
    Percent,
    Microsecond,
}

impl Unit {
    /// As it is written behind a number.
    pub fn label(self) -> &'static str {
        match self {
            Self::None => "",
            Self::Pixel => "px",
            Self::Bit => "bit",
            Self::Mm => "mm",
            Self::Dpi => "ppi",
            Self::Percent => "%",
            Self::Microsecond => "µs",
        }
    }
}

/// The kind of value of an option.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ValueKind {
    Switch,
    Whole,
    /// A number with 16 binary places.
    Fixed,
    Text,
    /// Something that happens when it is set.
    Button,
    /// A head over the options that follow.
    Group,
}

/// The values that an option takes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    /// Any.
    Any,
    Range {
        least: f64,
        most: f64,
        /// 0 for any value in between.
        step: f64,
    },
    Numbers(Vec<f64>),
    Texts(Vec<String>),
}

/// The value of an option.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum OptionValue {
    Switch(bool),
    Numbers(Vec<f64>),
    Text(String),
}

impl OptionValue {
    /// The value, if it is one number.
    pub fn number(&self) -> Option<f64> {
        match self {
            Self::Numbers(numbers) => numbers.first().copied(),
            Self::Switch(_) | Self::Text(_) => None,
        }
    }

    /// As the user types and reads it.
    pub fn text(&self) -> String {
        match self {
            Self::Switch(on) => if *on { "yes" } else { "no" }.to_owned(),
            Self::Numbers(numbers) => {
                let texts: Vec<String> = numbers.iter().map(|number| format!("{}", round(*number))).collect();
                texts.join(",")
            }
            Self::Text(text) => text.clone(),
        }
    }
}

/// One option of a device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceOption {
    /// Place in the driver's list; it may change whenever the list does.
    pub index: i32,
    /// Empty for groups.
    pub name: String,
    pub title: String,
    pub help: String,
    pub kind: ValueKind,
    pub unit: Unit,
    /// Numbers in the value, or bytes of the longest text.
    pub size: usize,
    pub choice: Choice,
    /// Whether it means anything with the present values of the others.
    pub is_active: bool,
    /// Whether the program can set it.
    pub is_settable: bool,
    pub is_advanced: bool,
    /// The present value of an active option.
    pub value: Option<OptionValue>,
}

impl DeviceOption {
    /// The value that a text means, held to what the option takes. Numbers go to the nearest value that it takes, and
    /// texts are compared without regard to case.
    ///
    /// # Errors
    /// A sentence that names the values it takes.
    pub fn parse(&self, text: &str) -> Result<OptionValue, String> {
        match self.kind {
            ValueKind::Switch => match text.trim().to_lowercase().as_str() {
                "yes" | "on" | "true" | "1" => Ok(OptionValue::Switch(true)),
                "no" | "off" | "false" | "0" => Ok(OptionValue::Switch(false)),
                _ => Err("takes yes or no".to_owned()),
            },
            ValueKind::Whole | ValueKind::Fixed => {
                let numbers: Result<Vec<f64>, _> =
                    text.split(',').map(|part| part.trim().parse::<f64>()).collect();
                let numbers = numbers.ok().filter(|numbers| numbers.iter().all(|number| number.is_finite()));
                let numbers = numbers.ok_or_else(|| format!("takes {}", self.takes()))?;
                if numbers.is_empty() || (numbers.len() != 1 && numbers.len() != self.size) {
                    return Err(format!("takes {} numbers", self.size));
                }
                let held: Result<Vec<f64>, String> =
                    numbers.into_iter().map(|number| self.held(number)).collect();
                let mut held = held?;
                // One number for a whole list.
                held.resize(self.size.max(1), held[0]);
                Ok(OptionValue::Numbers(held))
            }
            ValueKind::Text => match &self.choice {
                Choice::Texts(texts) => texts
                    .iter()
                    .find(|known| known.eq_ignore_ascii_case(text.trim()))
                    .map(|known| OptionValue::Text(known.clone()))
                    .ok_or_else(|| format!("takes {}", self.takes())),
                Choice::Any | Choice::Range { .. } | Choice::Numbers(_) => {
                    if text.len() < self.size.max(1) {
                        Ok(OptionValue::Text(text.to_owned()))
                    } else {
                        Err(format!("takes at most {} bytes", self.size.saturating_sub(1)))
                    }
                }
            },
            ValueKind::Button => Ok(OptionValue::Switch(true)),
            ValueKind::Group => Err("is a head, not an option".to_owned()),
        }
    }

    /// The value nearest to a number that it takes, however far; `None` if it takes no numbers.
    pub fn nearest(&self, number: f64) -> Option<f64> {
        let within = match self.choice {
            Choice::Range { least, most, .. } => number.max(least).min(most),
            Choice::Any | Choice::Numbers(_) | Choice::Texts(_) => number,
        };
        matches!(self.kind, ValueKind::Whole | ValueKind::Fixed).then(|| self.held(within).ok()).flatten()
    }

    /// The most bits a sample, up to 16, that an option for them takes.
    pub fn most_bits(&self) -> Option<f64> {
        let most = match &self.choice {
            Choice::Numbers(bits) => bits.iter().copied().filter(|bits| *bits <= 16.0).fold(0.0, f64::max),
            Choice::Range { most, .. } => most.min(16.0),
            Choice::Any | Choice::Texts(_) => return None,
        };
        (most > 0.0).then_some(most)
    }

    /// The nearest value that it takes, if the number is within its range.
    fn held(&self, number: f64) -> Result<f64, String> {
        match &self.choice {
            Choice::Range { least, most, step } => {
                if number < *least - f64::EPSILON || number > *most + f64::EPSILON {
                    return Err(format!("takes {}", self.takes()));
                }
                let on_step =
                    if *step > 0.0 { least + ((number - least) / step).round() * step } else { number };
                Ok(on_step.max(*least).min(*most))
            }
            Choice::Numbers(numbers) => {
                let nearest =
                    numbers.iter().copied().min_by(|a, b| (a - number).abs().total_cmp(&(b - number).abs()));
                nearest.ok_or_else(|| "takes no value".to_owned())
            }
            Choice::Any | Choice::Texts(_) => Ok(number),
        }
    }

    /// The values it takes, in words.
    pub fn takes(&self) -> String {
        let unit = self.unit.label();
        match &self.choice {
            Choice::Any => match self.kind {
                ValueKind::Switch => "yes or no".to_owned(),
                ValueKind::Whole | ValueKind::Fixed => "a number".to_owned(),
                ValueKind::Text | ValueKind::Button | ValueKind::Group => "any text".to_owned(),
            },
            Choice::Range { least, most, .. } => {
                format!("{} to {} {unit}", round(*least), round(*most)).trim_end().to_owned()
            }
            Choice::Numbers(numbers) => {
                let numbers: Vec<String> = numbers.iter().map(|number| round(*number).to_string()).collect();
                format!("{} {unit}", numbers.join(", ")).trim_end().to_owned()
            }
            Choice::Texts(texts) => texts.join(", "),
        }
    }
}

/// A number without the digits that 16 binary places bring.
fn round(number: f64) -> f64 {
    (number * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn option(kind: ValueKind, choice: Choice) -> DeviceOption {
        DeviceOption {
            index: 1,
            name: "x".into(),
            title: String::new(),
            help: String::new(),
            kind,
            unit: Unit::Dpi,
            size: if kind == ValueKind::Text { 12 } else { 1 },
            choice,
            is_active: true,
            is_settable: true,
            is_advanced: false,
            value: None,
        }
    }

    #[test]
    fn numbers_go_to_the_nearest_value_that_the_driver_takes() {
        let ranged = option(ValueKind::Whole, Choice::Range { least: 50.0, most: 1200.0, step: 25.0 });
        assert_eq!(ranged.parse("310"), Ok(OptionValue::Numbers(vec![300.0])));
        assert_eq!(ranged.parse("2400"), Err("takes 50 to 1200 ppi".to_owned()));
        let listed = option(ValueKind::Whole, Choice::Numbers(vec![8.0, 16.0]));
        assert_eq!(listed.parse("14"), Ok(OptionValue::Numbers(vec![16.0])));
        assert!(listed.parse("many").is_err());
    }

    #[test]
    fn any_number_has_a_nearest_value_and_odd_ranges_do_no_harm() {
        let ranged = option(ValueKind::Whole, Choice::Range { least: 50.0, most: 1200.0, step: 25.0 });
        assert_eq!([ranged.nearest(1.0), ranged.nearest(9999.0)], [Some(50.0), Some(1200.0)]);
        assert_eq!(ranged.nearest(310.0), Some(300.0));
        let odd = option(ValueKind::Whole, Choice::Range { least: 600.0, most: 75.0, step: 0.0 });
        assert_eq!(odd.nearest(300.0), None);
        let texts = option(ValueKind::Text, Choice::Texts(vec!["300".into()]));
        assert_eq!(texts.nearest(300.0), None);
    }

    #[test]
    fn texts_are_found_without_regard_to_case_or_refused_with_the_list() {
        let source = option(ValueKind::Text, Choice::Texts(vec!["Flatbed".into(), "Transparency".into()]));
        assert_eq!(source.parse("transparency"), Ok(OptionValue::Text("Transparency".into())));
        assert_eq!(source.parse("drum"), Err("takes Flatbed, Transparency".to_owned()));
        assert!(option(ValueKind::Text, Choice::Any).parse("longer than it takes").is_err());
    }

    #[test]
    fn switches_read_words() {
        let switch = option(ValueKind::Switch, Choice::Any);
        assert_eq!(switch.parse("yes"), Ok(OptionValue::Switch(true)));
        assert_eq!(switch.parse("off"), Ok(OptionValue::Switch(false)));
        assert!(switch.parse("perhaps").is_err());
    }
}
