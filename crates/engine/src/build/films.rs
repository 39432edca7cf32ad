//! Strips of one film are solved together, so that they share a balance and each benefits from what the others show.

use std::sync::Arc;

use glassine_film::{FilmKind, SolveHints};
use glassine_session::{BaseSource, Edit, FilmBase, ScanId, Session, Strip, StripId};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::error::EngineError;

/// Largest difference of measured base densities (D) within one film. Source: ours; over one film the base is even to
/// 0.02 D, and films differ by more in at least one channel.
const SAME_BASE_D: f64 = 0.03;
/// Largest difference (D) that strips of one roll may have in all channels alike: the scanner exposed them differently.
/// Source: ours; one stop.
const SAME_EXPOSURE_D: f64 = 0.3;

impl AnalysisContext<'_> {
    /// Solve some strips, those of one film together.
    pub(crate) fn solve_films(
        &self,
        builder: &mut EditBuilder,
        strips: &[StripId],
    ) -> Result<(), EngineError> {
        for film in films(&builder.session, strips) {
            self.solve(builder, &film, &SolveHints::default())?;
        }
        Ok(())
    }

    /// Solve the strips of some scans again where one film spans several of them.
    pub(crate) fn solve_films_over(
        &self,
        builder: &mut EditBuilder,
        scans: &[ScanId],
    ) -> Result<(), EngineError> {
        for film in films(&builder.session, &strips_on(&builder.session, scans)) {
            let mut on = film.iter().filter_map(|id| builder.session.strip(*id)).map(|strip| strip.scan);
            let first = on.next();
            if on.any(|scan| Some(scan) != first) {
                self.solve(builder, &film, &SolveHints::default())?;
            }
        }
        Ok(())
    }

    /// Solve strips that are known to be one film, as files of one frame each: the clearest base taken from a picture
    /// serves all of them.
    pub(crate) fn solve_one_film(
        &self,
        builder: &mut EditBuilder,
        strips: &[StripId],
    ) -> Result<(), EngineError> {
        let of_film: Vec<Arc<Strip>> =
            builder.session.strips.iter().filter(|strip| strips.contains(&strip.id)).cloned().collect();
        let is_guess = |base: &&FilmBase| base.source == BaseSource::ClearestParts;
        let clearest = of_film
            .iter()
            .filter_map(|strip| strip.base.as_ref())
            .filter(is_guess)
            .fold([f64::INFINITY; 3], |least, base| [0, 1, 2].map(|c| least[c].min(base.density_d[c])));
        for strip in &of_film {
            if let Some(base) = strip.base.as_ref().filter(is_guess) {
                let base = FilmBase { density_d: clearest, ..base.clone() };
                builder.push(Edit::SetBase { strip: strip.id, base: Some(base) })?;
            }
        }
        self.solve(builder, strips, &SolveHints::default())
    }
}

pub(crate) fn strips_on(session: &Session, scans: &[ScanId]) -> Vec<StripId> {
    session.strips.iter().filter(|strip| scans.contains(&strip.scan)).map(|strip| strip.id).collect()
}

/// A strip and those that share its solve and still have the same kind, stock and balance mode.
pub(crate) fn sharing(session: &Session, id: StripId) -> Vec<StripId> {
    let Some(strip) = session.strip(id) else { return Vec::new() };
    let shares = |other: &&Arc<Strip>| {
        other.id == id
            || (strip.solve.is_some() && strip.solve == other.solve && are_solved_alike(strip, other))
    };
    session.strips.iter().filter(shares).map(|strip| strip.id).collect()
}

/// Strips grouped by film: same kind, stock and balance mode, the same film code where both have one, and nearly the
/// same measured base; within a roll, apart from the scanner's exposure. Only colour negatives are grouped.
pub(crate) fn films(session: &Session, strips: &[StripId]) -> Vec<Vec<StripId>> {
    let mut films: Vec<Vec<&Strip>> = Vec::new();
    for strip in strips.iter().filter_map(|id| session.strip(*id)) {
        match films.iter_mut().find(|film| film.iter().all(|other| are_of_one_film(strip, other))) {
            Some(film) => film.push(strip),
            None => films.push(vec![strip]),
        }
    }
    films.into_iter().map(|film| film.into_iter().map(|strip| strip.id).collect()).collect()
}

fn are_solved_alike(a: &Strip, b: &Strip) -> bool {
    (a.film, &a.stock_id, a.balance) == (b.film, &b.stock_id, b.balance)
}

fn are_of_one_film(a: &Strip, b: &Strip) -> bool {
    let measured = |strip: &Strip| {
        let base = strip.base.as_ref().filter(|base| base.source != BaseSource::ClearestParts);
        base.map(|base| base.density_d)
    };
    let (Some(of_a), Some(of_b)) = (measured(a), measured(b)) else { return false };
    let codes = [a, b].map(|strip| strip.edge_code.as_ref().map(|code| code.film_code));
    let have_other_codes = matches!(codes, [Some(a), Some(b)] if a != b);
    a.film == FilmKind::ColourNegative
        && are_solved_alike(a, b)
        && !have_other_codes
        && are_of_one_base(of_a, of_b, a.roll == b.roll)
}

fn are_of_one_base(a: [f64; 3], b: [f64; 3], are_of_one_roll: bool) -> bool {
    let apart: [f64; 3] = std::array::from_fn(|c| a[c] - b[c]);
    let mut sorted = apart;
    sorted.sort_by(f64::total_cmp);
    // A scanner's exposure moves all channels alike, a film has a colour of its own.
    let exposure = if are_of_one_roll { sorted[1].clamp(-SAME_EXPOSURE_D, SAME_EXPOSURE_D) } else { 0.0 };
    apart.iter().all(|apart| (apart - exposure).abs() <= SAME_BASE_D)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_roll_is_one_film_whatever_the_exposure_of_its_scans() {
        let base = [0.25, 0.60, 0.82];
        let brighter = base.map(|d| d - 0.11);
        assert!(are_of_one_base(base, brighter, true));
        assert!(!are_of_one_base(base, brighter, false), "strips of two rolls");
        assert!(!are_of_one_base(base, [0.25, 0.55, 0.90], true), "another mask");
        assert!(!are_of_one_base(base, base.map(|d| d + 0.5), true), "far more than an exposure");
    }
}
