//! Exposure at the scanner: what the film base on the overview suggests.

use glassine_acquire::{DeviceOption, DeviceState, ValueKind};
use glassine_session::{BaseSource, Session};

use super::scanner_state::{OverviewPlace, scan_of};

/// Level that clear film is brought to by the exposure of the device, of full scale. Our choice: a tenth of a stop is
/// left for uneven light.
const CLEAR_FILM_LEVEL: f64 = 0.93;

/// How much longer film is exposed now than for the overview, for each colour; `None` if the device does not say.
pub fn exposure_ratio(state: &DeviceState, then: &[f64]) -> Option<[f64; 3]> {
    let now: Vec<f64> = exposures(state, None, &[]).iter().map(|row| row.now).collect();
    let (now, then) = (<[f64; 3]>::try_from(now).ok()?, <[f64; 3]>::try_from(then).ok()?);
    let ratio = [0, 1, 2].map(|colour| now[colour] / then[colour]);
    ratio.iter().all(|ratio| ratio.is_finite() && *ratio > 0.0).then_some(ratio)
}

/// Density of the film base of the first negative on an overview, if it was measured on clear film.
pub fn base_on_overview(session: &Session, overview: &OverviewPlace) -> Option<[f64; 3]> {
    let scan = scan_of(session, &overview.path)?;
    let strip = session.strips.iter().find(|strip| strip.scan == scan && strip.film.is_negative())?;
    let base = strip.base.as_ref()?;
    matches!(base.source, BaseSource::Rebate | BaseSource::Box(_)).then_some(base.density_d)
}

/// A colour's exposure at the device: the option, its value, and the value that brings clear film under full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ExposureRow {
    pub option: String,
    pub title: String,
    pub unit: &'static str,
    pub now: f64,
    pub suggested: Option<f64>,
    /// Level of the clear film on the overview, of full scale.
    pub clear_level: Option<f64>,
}

/// Exposures of red, green and blue, where a device has one for each: numbers whose name or title says so.
///
/// ```text
/// suggested = then * 0.93 / level        level = 10^-density of the film base
/// ```
/// The base is that of a negative on the overview, which was scanned with the exposures `then`. Slides have no film
/// base; their clearest parts must stay below full scale.
pub fn exposures(state: &DeviceState, base_density_d: Option<[f64; 3]>, then: &[f64]) -> Vec<ExposureRow> {
    let colours = [["red", "-r"], ["green", "-g"], ["blue", "-b"]];
    let of_colour = |(nth, [word, ending]): (usize, [&str; 2])| {
        let fits = |option: &&DeviceOption| {
            let (name, title) = (option.name.to_lowercase(), option.title.to_lowercase());
            let is_number = matches!(option.kind, ValueKind::Whole | ValueKind::Fixed) && option.size == 1;
            let is_exposure = name.contains("exposure") || title.contains("exposure");
            let is_colour = name.contains(word) || title.contains(word) || name.ends_with(ending);
            is_number && is_exposure && is_colour && option.is_active && option.is_settable
        };
        let option = state.options.iter().find(fits)?;
        let now = option.value.as_ref()?.number()?;
        let clear_level = base_density_d.map(|density_d| 10.0_f64.powf(-density_d[nth]));
        let wanted = clear_level.zip(then.get(nth));
        let wanted = wanted.map(|(level, then)| then * CLEAR_FILM_LEVEL / level.max(1e-3));
        let suggested = wanted.and_then(|wanted| option.nearest(wanted));
        let (name, title) = (option.name.clone(), option.title.clone());
        Some(ExposureRow { option: name, title, unit: option.unit.label(), now, suggested, clear_level })
    };
    let rows: Option<Vec<ExposureRow>> = colours.into_iter().enumerate().map(of_colour).collect();
    rows.unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use glassine_acquire::Choice;

    use super::super::scanner_state::tests::number;
    use super::*;

    #[test]
    fn exposures_bring_the_clear_film_under_full_scale_where_the_device_has_them() {
        let range = || Choice::Range { least: 25.0, most: 800.0, step: 1.0 };
        let state = DeviceState {
            options: ["red", "green", "blue"]
                .map(|colour| number(&format!("exposure-{colour}"), range(), 100.0))
                .to_vec(),
            whole_area: None,
        };
        // The mask of a negative takes 0.30, 0.60 and 0.90 D.
        let rows = exposures(&state, Some([0.30, 0.60, 0.90]), &[100.0; 3]);
        let suggested: Vec<_> = rows.iter().filter_map(|row| row.suggested).collect();
        assert_eq!(suggested, [186.0, 370.0, 739.0]);
        // Taking them changes nothing about what was measured before.
        let half = exposures(&state, Some([0.30, 0.60, 0.90]), &[50.0; 3]);
        assert_eq!(half[1].suggested, Some(185.0));
        let rows = exposures(&state, None, &[]);
        assert!(rows.len() == 3 && rows.iter().all(|row| row.suggested.is_none() && row.now == 100.0));
        let two = DeviceState { options: state.options[..2].to_vec(), whole_area: None };
        assert!(exposures(&two, Some([0.3; 3]), &[100.0; 2]).is_empty(), "one colour has none");
    }
}
