//! The adjustable values of one frame, declared once: user interface, file checks, help and documentation use this
//! table.

use glassine_raster::ExposureStops;

/// What is on the film.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum FilmKind {
    /// Masked or unmasked colour negative.
    #[default]
    ColourNegative,
    /// Silver or chromogenic black-and-white negative: one density.
    BlackAndWhite,
    /// Reversal film: a positive transparency.
    Slide,
}

impl FilmKind {
    /// Every kind, in display order.
    pub const ALL: [Self; 3] = [Self::ColourNegative, Self::BlackAndWhite, Self::Slide];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::ColourNegative => "colour-negative",
            Self::BlackAndWhite => "black-and-white",
            Self::Slide => "slide",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::ColourNegative => "Colour negative",
            Self::BlackAndWhite => "Black-and-white negative",
            Self::Slide => "Slide",
        }
    }

    /// Inverse of [`Self::key`]; `None` for any other text.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }

    /// Whether a film base is divided out and the densities inverted.
    pub fn is_negative(self) -> bool {
        self != Self::Slide
    }
}

/// Section of the settings panel that shows a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ParamGroup {
    /// Exposure and tone.
    Exposure,
    /// Balance and saturation.
    Colour,
    /// Dust and scratches.
    Clean,
    Sharpen,
}

impl ParamGroup {
    /// Every group, in display order.
    pub const ALL: [Self; 4] = [Self::Exposure, Self::Colour, Self::Clean, Self::Sharpen];

    /// Name used in files.
    pub fn key(self) -> &'static str {
        match self {
            Self::Exposure => "exposure",
            Self::Colour => "colour",
            Self::Clean => "clean",
            Self::Sharpen => "sharpen",
        }
    }

    /// Inverse of [`Self::key`]; `None` for any other text.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|group| group.key() == key)
    }
}

/// One adjustable value of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct ParamSpec {
    pub param: Param,
    /// Name in session files and `--json` output, unit included.
    pub key: &'static str,
    pub label: &'static str,
    /// Unit shown after the number, possibly empty.
    pub unit: &'static str,
    /// One line of help.
    pub help: &'static str,
    pub group: ParamGroup,
    /// Accepted range.
    pub hard: (f64, f64),
    /// Range of the slider.
    pub soft: (f64, f64),
    pub default: f64,
    /// Step for the keyboard and the wheel.
    pub step: f64,
    /// Decimals shown.
    pub decimals: u8,
}

macro_rules! params {
    ($($name:ident $key:literal $label:literal $unit:literal $group:ident
       hard $hl:literal $hh:literal soft $sl:literal $sh:literal default $d:literal step $st:literal decimals $dec:literal
       $help:literal;)*) => {
        /// The adjustable values; [`Param::spec`] gives the meaning of each.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Param { $(#[doc = $help] $name,)* }

        const SPECS: &[ParamSpec] = &[$(ParamSpec {
            param: Param::$name, key: $key, label: $label, unit: $unit, help: $help, group: ParamGroup::$group,
            hard: ($hl, $hh), soft: ($sl, $sh), default: $d, step: $st, decimals: $dec,
        },)*];
    };
}

// Ranges, defaults and steps are our choice unless said here: soft ranges are what pictures need, hard ones what the
// formulas allow. 1 CC is 0.01 D (how filters are named); the halo limit of 5 % is the low end of the 5 to 10 % that is
// common practice; radii about 0.5 to 1.5 px are common practice for scans near their real resolution.
params! {
    ExposureStops "exposure_stops" "Exposure" "stops" Exposure
        hard -8.0 8.0 soft -3.0 3.0 default 0.0 step 0.1 decimals 2
        "Lightens (positive) or darkens the print; one stop is a factor of two in light";
    Contrast "contrast" "Contrast" "" Exposure
        hard 0.2 4.0 soft 0.5 2.0 default 1.0 step 0.02 decimals 2
        "Slope of the tone curve around mid grey; 1 leaves the scene's own contrast";
    BlackPointD "black_point_d" "Black point" "D" Exposure
        hard -0.5 1.0 soft 0.0 0.5 default 0.0 step 0.01 decimals 3
        "Density above the film base that prints as black; slides: depth below the deepest shadow";
    WhitePointD "white_point_d" "White point" "D" Exposure
        hard -1.0 1.0 soft -0.5 0.5 default 0.0 step 0.01 decimals 3
        "Moves the density that prints as white; positive keeps more highlight detail";
    WarmthCc "warmth_cc" "Warm / cool" "CC" Colour
        hard -200.0 200.0 soft -50.0 50.0 default 0.0 step 1.0 decimals 1
        "Balance along amber and blue in colour-correction units (100 CC = 1 D); positive is warmer";
    TintCc "tint_cc" "Magenta / green" "CC" Colour
        hard -200.0 200.0 soft -50.0 50.0 default 0.0 step 1.0 decimals 1
        "Balance along magenta and green in colour-correction units; positive is more magenta";
    Saturation "saturation" "Saturation" "" Colour
        hard 0.0 4.0 soft 0.0 2.0 default 1.0 step 0.02 decimals 2
        "Colour strength; 0 is grey, 1 leaves colours as solved";
    WeakColourBoost "weak_colour_boost" "Weak-colour boost" "" Colour
        hard 0.0 1.0 soft 0.0 1.0 default 0.0 step 0.05 decimals 2
        "Raises muted colours more than strong ones and holds skin hues";
    CastStrength "cast_strength" "Cast correction" "" Colour
        hard 0.0 1.0 soft 0.0 1.0 default 0.0 step 0.05 decimals 2
        "Share of the suggested cast correction that is applied; 0 is off";
    ShadowWarmthCc "shadow_warmth_cc" "Shadows warm / cool" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the shadows along amber and blue";
    ShadowTintCc "shadow_tint_cc" "Shadows magenta / green" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the shadows along magenta and green";
    MidWarmthCc "mid_warmth_cc" "Middle warm / cool" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the middle tones along amber and blue";
    MidTintCc "mid_tint_cc" "Middle magenta / green" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the middle tones along magenta and green";
    HighlightWarmthCc "highlight_warmth_cc" "Highlights warm / cool" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the highlights along amber and blue";
    HighlightTintCc "highlight_tint_cc" "Highlights magenta / green" "CC" Colour
        hard -100.0 100.0 soft -30.0 30.0 default 0.0 step 1.0 decimals 1
        "Balance of the highlights along magenta and green";
    RepairStrength "repair_strength" "Dust repair" "" Clean
        hard 0.0 1.0 soft 0.0 1.0 default 1.0 step 1.0 decimals 0
        "1 fills dust and scratches that the infrared plane shows, and what is painted in by hand; 0 is off";
    RepairSensitivity "repair_sensitivity" "Sensitivity" "" Clean
        hard 0.0 1.0 soft 0.0 1.0 default 0.5 step 0.05 decimals 2
        "How faint a mark may be and still count as dust";
    SpotFinder "spot_finder" "Visible spots" "" Clean
        hard 0.0 1.0 soft 0.0 1.0 default 0.0 step 1.0 decimals 0
        "1 looks for lone specks in visible light where infrared can't help; it leaves doubtful ones alone";
    SharpenAmount "sharpen_amount" "Amount" "" Sharpen
        hard 0.0 5.0 soft 0.0 3.0 default 0.0 step 0.05 decimals 2
        "Strength of the capture sharpening on lightness; 0 is off";
    SharpenRadiusPx "sharpen_radius_px" "Radius" "px" Sharpen
        hard 0.3 10.0 soft 0.4 4.0 default 1.0 step 0.1 decimals 2
        "Radius in full-resolution scan pixels; no larger than the blur of an edge keeps halos small";
    OvershootLimit "overshoot_limit" "Overshoot limit" "" Sharpen
        hard 0.0 1.0 soft 0.0 0.3 default 0.05 step 0.01 decimals 2
        "Largest halo beside an edge, as a part of the contrast around it";
    SharpenGrainDark "sharpen_grain_dark_percent" "Grain in shadows" "%" Sharpen
        hard 0.0 50.0 soft 0.0 5.0 default 0.0 step 0.1 decimals 2
        "Spread of the grain in dark flat areas, in percent of white; detail no stronger is not sharpened, 0 sharpens all";
    SharpenGrainMid "sharpen_grain_mid_percent" "Grain in mid-tones" "%" Sharpen
        hard 0.0 50.0 soft 0.0 5.0 default 0.0 step 0.1 decimals 2
        "Spread of the grain in flat areas of medium lightness";
    SharpenGrainLight "sharpen_grain_light_percent" "Grain in lights" "%" Sharpen
        hard 0.0 50.0 soft 0.0 5.0 default 0.0 step 0.1 decimals 2
        "Spread of the grain in light flat areas";
}

impl Param {
    /// Every value, in display order.
    pub fn all() -> impl ExactSizeIterator<Item = Self> {
        SPECS.iter().map(|spec| spec.param)
    }

    /// Meaning, range and default of the value.
    pub fn spec(self) -> &'static ParamSpec {
        &SPECS[self as usize]
    }

    /// The value with this key in session files and commands.
    pub fn from_key(key: &str) -> Option<Self> {
        SPECS.iter().find(|spec| spec.key == key).map(|spec| spec.param)
    }
}

/// The adjustable values of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    values: Vec<f64>,
    /// Groups whose values are kept but have no effect, by their place in [`ParamGroup::ALL`].
    off: [bool; ParamGroup::ALL.len()],
}

impl Default for Look {
    fn default() -> Self {
        Self { values: SPECS.iter().map(|spec| spec.default).collect(), off: [false; ParamGroup::ALL.len()] }
    }
}

impl Look {
    /// The value that has effect: the kept one, or one without effect while its group is off.
    pub fn get(&self, param: Param) -> f64 {
        match (self.is_off(param.spec().group), param) {
            (false, _) => self.kept(param),
            (true, Param::RepairStrength | Param::SpotFinder | Param::SharpenAmount) => 0.0,
            (true, _) => param.spec().default,
        }
    }

    /// [`Param::ExposureStops`] with its unit.
    pub fn exposure(&self) -> ExposureStops {
        // Always a number: `set` ignores what is not.
        ExposureStops::new(self.get(Param::ExposureStops)).unwrap_or_default()
    }

    /// The value as it was set, whether or not its group is on.
    pub fn kept(&self, param: Param) -> f64 {
        self.values[param as usize]
    }

    /// Whether the values of a group are kept without effect.
    pub fn is_off(&self, group: ParamGroup) -> bool {
        self.off[group as usize]
    }

    /// Switches a group off or on; its values stay.
    pub fn switch(&mut self, group: ParamGroup, is_off: bool) {
        self.off[group as usize] = is_off;
    }

    /// Takes over the values of a group, and whether it is off.
    pub fn take_group(&mut self, other: &Self, group: ParamGroup) {
        for param in Param::all().filter(|param| param.spec().group == group) {
            self.set(param, other.kept(param));
        }
        self.switch(group, other.is_off(group));
    }

    /// Set a value, clamped to its hard range; not-a-number and infinities are ignored.
    pub fn set(&mut self, param: Param, value: f64) {
        let (low, high) = param.spec().hard;
        if value.is_finite() {
            self.values[param as usize] = value.clamp(low, high);
        }
    }

    /// The same look with one value changed.
    #[must_use]
    pub fn with(mut self, param: Param, value: f64) -> Self {
        self.set(param, value);
        self
    }

    /// Whether a value differs from that of a new frame.
    pub fn is_changed(&self, param: Param) -> bool {
        self.kept(param) != param.spec().default
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_parameter_is_declared_once_with_a_default_inside_its_ranges() {
        for (idx, param) in Param::all().enumerate() {
            let spec = param.spec();
            assert_eq!(idx, param as usize);
            assert_eq!(Param::from_key(spec.key), Some(param));
            assert!(spec.hard.0 <= spec.soft.0 && spec.soft.1 <= spec.hard.1, "{}", spec.key);
            assert!((spec.soft.0..=spec.soft.1).contains(&spec.default), "{}", spec.key);
        }
    }

    #[test]
    fn a_look_keeps_values_inside_the_hard_range_and_ignores_nan() {
        let mut look = Look::default().with(Param::ExposureStops, 99.0);
        assert_eq!(look.get(Param::ExposureStops), 8.0);
        look.set(Param::ExposureStops, f64::NAN);
        assert_eq!(look.get(Param::ExposureStops), 8.0);
        assert!(look.is_changed(Param::ExposureStops) && !look.is_changed(Param::Contrast));
    }

    #[test]
    fn a_group_that_is_off_keeps_its_values_without_effect() {
        let mut look = Look::default().with(Param::WarmthCc, 12.0).with(Param::SharpenAmount, 1.5);
        look.switch(ParamGroup::Colour, true);
        assert_eq!((look.get(Param::WarmthCc), look.kept(Param::WarmthCc)), (0.0, 12.0));
        assert_eq!(look.get(Param::SharpenAmount), 1.5);
        let mut other = Look::default();
        other.take_group(&look, ParamGroup::Colour);
        assert!(other.is_off(ParamGroup::Colour) && other.kept(Param::WarmthCc) == 12.0);
        look.switch(ParamGroup::Colour, false);
        look.switch(ParamGroup::Sharpen, true);
        assert_eq!((look.get(Param::WarmthCc), look.get(Param::SharpenAmount)), (12.0, 0.0));
    }
}
