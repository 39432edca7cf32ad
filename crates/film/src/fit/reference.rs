//! Reference colours of the 24-patch chart.

use crate::colour::Lab;

/// Edition of the 24-patch chart: the pigments changed in November 2014.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ChartEdition {
    /// The patches tabulated in ISO 17321-1.
    #[default]
    Iso17321,
    /// Charts made since November 2014.
    Since2014,
}

impl ChartEdition {
    /// Both editions, in display order.
    pub const ALL: [Self; 2] = [Self::Iso17321, Self::Since2014];

    /// Reference colours, CIE Lab under D50, row by row.
    pub fn lab_d50(self) -> &'static [Lab; 24] {
        match self {
            Self::Iso17321 => &CHART_ISO17321_LAB_D50,
            Self::Since2014 => &CHART_LAB_D50,
        }
    }

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Iso17321 => "iso17321",
            Self::Since2014 => "since-2014",
        }
    }

    /// Inverse of [`Self::key`]; `None` for any other text.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|edition| edition.key() == key)
    }
}

/// Names of the patches, row by row from dark skin.
pub const CHART_PATCH_NAMES: [&str; 24] = [
    "dark skin",
    "light skin",
    "blue sky",
    "foliage",
    "blue flower",
    "bluish green",
    "orange",
    "purplish blue",
    "moderate red",
    "purple",
    "yellow green",
    "orange yellow",
    "blue",
    "green",
    "red",
    "yellow",
    "magenta",
    "cyan",
    "white",
    "neutral 8",
    "neutral 6.5",
    "neutral 5",
    "neutral 3.5",
    "black",
];

/// Lab (D50, 2 degree observer) of the patches of charts made since November 2014, row by row.
///
/// Source: the maker's published table as kept in colour-science 0.4.7 (`ColorChecker24 - After November 2014`),
/// converted from xyY to Lab under its white (x 0.3457, y 0.3585); three digits.
pub const CHART_LAB_D50: [Lab; 24] = [
    Lab::new(37.540, 14.370, 14.920),
    Lab::new(64.660, 19.270, 17.500),
    Lab::new(49.320, -3.820, -22.540),
    Lab::new(43.460, -12.740, 22.720),
    Lab::new(54.940, 9.610, -24.790),
    Lab::new(70.480, -32.260, -0.370),
    Lab::new(62.730, 35.830, 56.500),
    Lab::new(39.430, 10.750, -45.170),
    Lab::new(50.570, 48.640, 16.670),
    Lab::new(30.100, 22.540, -20.870),
    Lab::new(71.770, -24.130, 58.190),
    Lab::new(71.510, 18.240, 67.370),
    Lab::new(28.370, 15.420, -49.800),
    Lab::new(54.380, -39.720, 32.270),
    Lab::new(42.430, 51.050, 28.620),
    Lab::new(81.800, 2.670, 80.410),
    Lab::new(50.630, 51.280, -14.120),
    Lab::new(49.570, -29.710, -28.320),
    Lab::new(95.190, -1.030, 2.930),
    Lab::new(81.290, -0.570, 0.440),
    Lab::new(66.890, -0.750, -0.060),
    Lab::new(50.760, -0.130, 0.140),
    Lab::new(35.630, -0.460, -0.480),
    Lab::new(20.640, 0.070, -0.460),
];

/// Lab (D50, 2 degree observer) of the chart as ISO 17321-1 tabulates its reflectances, row by row.
///
/// These are the patches of older charts; they differ from [`CHART_LAB_D50`] by 1.2 CIEDE2000 on average.
/// Source: computed from the reflectances of ISO 17321-1 (as kept in colour-science 0.4.7, 380 to 730 nm) with the CIE
/// 1931 observer under CIE D50; three digits.
pub const CHART_ISO17321_LAB_D50: [Lab; 24] = [
    Lab::new(37.813, 15.458, 16.473),
    Lab::new(66.728, 17.384, 18.182),
    Lab::new(50.349, -4.838, -21.761),
    Lab::new(42.712, -14.645, 21.874),
    Lab::new(56.251, 9.220, -24.464),
    Lab::new(70.753, -31.712, 0.154),
    Lab::new(62.355, 34.167, 59.163),
    Lab::new(40.205, 9.447, -42.616),
    Lab::new(52.230, 48.256, 17.473),
    Lab::new(30.858, 21.700, -20.903),
    Lab::new(72.089, -23.220, 56.715),
    Lab::new(72.658, 19.096, 66.962),
    Lab::new(29.178, 17.035, -52.062),
    Lab::new(55.308, -39.917, 33.151),
    Lab::new(42.553, 56.055, 28.452),
    Lab::new(82.364, 3.746, 78.967),
    Lab::new(51.957, 49.722, -12.624),
    Lab::new(50.600, -28.588, -28.467),
    Lab::new(95.468, -0.174, 0.649),
    Lab::new(80.958, 0.149, 0.104),
    Lab::new(66.380, 0.001, -0.084),
    Lab::new(52.181, 0.013, -0.090),
    Lab::new(36.467, -0.296, -0.482),
    Lab::new(21.398, -0.165, -0.944),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::xyz_d50_from_lab;
    use crate::density_from_transmittance;

    #[test]
    fn the_neutral_row_has_the_densities_in_its_patch_names() {
        // Densities printed on the chart, and -log10 Y of the table (computed with colour-science 0.4.7).
        let printed = [0.05, 0.23, 0.44, 0.70, 1.05, 1.50];
        let computed = [0.055, 0.229, 0.438, 0.720, 1.055, 1.502];
        for ((lab, printed), computed) in CHART_LAB_D50[18..].iter().zip(printed).zip(computed) {
            let density_d = density_from_transmittance(xyz_d50_from_lab(*lab)[1]).d();
            assert!((density_d - computed).abs() < 6e-4, "{density_d} is not {computed}");
            assert!((density_d - printed).abs() < 0.025, "{density_d} is not {printed}");
        }
    }

    #[test]
    fn blue_green_red_and_cyan_lie_where_the_published_table_puts_them() {
        let (blue, green, red, cyan) =
            (CHART_LAB_D50[12], CHART_LAB_D50[13], CHART_LAB_D50[14], CHART_LAB_D50[17]);
        assert_eq!((blue.l, blue.a, blue.b), (28.37, 15.42, -49.80));
        assert_eq!((green.l, green.a, green.b), (54.38, -39.72, 32.27));
        assert_eq!((red.l, red.a, red.b), (42.43, 51.05, 28.62));
        // Cyan is the one patch outside sRGB.
        let outside = |lab: &Lab| crate::colour::working_from_lab(*lab).iter().any(|x| *x < 0.0);
        assert!(outside(&cyan));
        assert_eq!(CHART_LAB_D50.iter().filter(|lab| outside(lab)).count(), 1);
    }
}
