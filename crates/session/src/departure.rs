//! How far a strip departs from those it was solved with.

use glassine_raster::median;

use crate::model::{Session, Strip, StripId};

/// Fewest frames on either side. Our choice: the middle of two is decided by a single coloured scene.
const FRAMES_MIN: usize = 3;
/// Standard error of a median of normal values, from their median absolute deviation: 1.2533 / 0.6745.
/// Source: sqrt(pi / 2) over the normal quantile at 0.75.
const MEDIAN_ERROR: f64 = 1.858;

/// How far the pictures of a strip depart from those of the other strips of its solve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Departure {
    /// Warm/cool and magenta/green, CC units.
    pub balance_cc: [f64; 2],
    /// Standard error of each.
    pub error_cc: [f64; 2],
}

impl Departure {
    /// Whether it is more than chance: above three standard errors in a direction, and above 2 CC, which an eye sees
    /// beside another print (our choice; printing filters are sold in steps of 2.5 CC).
    pub fn is_clear(&self) -> bool {
        self.balance_cc.iter().zip(self.error_cc).any(|(cc, error)| cc.abs() > 2.0 && cc.abs() > 3.0 * error)
    }
}

/// Difference of the medians of the casts that the solve found in single frames, but did not correct:
///
/// ```text
/// departure = median(casts of the strip) - median(casts of the other strips of the solve)
/// error^2   = sum over both of (1.858 MAD)^2 / n
/// ```
/// `None` unless the strip shares its solve with others and both sides have three frames. Scenes have colours of their
/// own, which the error holds.
pub fn departure(session: &Session, strip: StripId) -> Option<Departure> {
    let strip = session.strip(strip)?;
    let shares = |other: &Strip| strip.solve.is_some() && other.solve == strip.solve;
    let casts = |of_strip: bool| {
        let strips =
            session.strips.iter().filter(move |other| (other.id == strip.id) == of_strip && shares(other));
        let frames = strips.flat_map(|other| session.frames_of(other.id));
        frames.filter_map(|frame| Some(frame.solve.as_ref()?.cast_suggestion_cc)).collect::<Vec<_>>()
    };
    let (own, others) = (casts(true), casts(false));
    if own.len().min(others.len()) < FRAMES_MIN {
        return None;
    }
    let along = |casts: &[[f64; 2]], axis: usize| {
        let mut values: Vec<f64> = casts.iter().map(|cast| cast[axis]).collect();
        let middle = median(&mut values, f64::total_cmp).unwrap_or_default();
        let mut apart: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
        let spread = median(&mut apart, f64::total_cmp).unwrap_or_default();
        let count = f64::from(u32::try_from(values.len()).unwrap_or(u32::MAX));
        (middle, (MEDIAN_ERROR * spread).powi(2) / count)
    };
    let axes = [0, 1].map(|axis| (along(&own, axis), along(&others, axis)));
    Some(Departure {
        balance_cc: axes.map(|((own, _), (others, _))| own - others),
        error_cc: axes.map(|((_, own), (_, others))| (own + others).sqrt()),
    })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::model::{Frame, FrameId, FrameSolve, StripSolve};

    /// Strips that share a solve, with these casts of their frames.
    fn session(strips: &[&[[f64; 2]]]) -> Session {
        let mut session = crate::edit::tests::sample_session();
        let (strip, frame) = (session.strips[0].clone(), session.frames[0].clone());
        let solve = StripSolve {
            gamma_ratio: [1.0; 3],
            toe_ratio: [0.0; 3],
            colour_strength: 1.0,
            neutral_log: [0.0; 3],
            confidence: 0.8,
            provenance: "test".to_owned(),
        };
        (session.strips, session.frames) = (Vec::new(), Vec::new());
        for casts in strips {
            let id = StripId(session.take_id());
            session.strips.push(Arc::new(Strip { id, solve: Some(solve.clone()), ..(*strip).clone() }));
            for cast_suggestion_cc in *casts {
                let frame_solve = FrameSolve {
                    log_offset: [0.0; 3],
                    exposure_stops: 0.0,
                    balance_cc: [0.0; 2],
                    cast_suggestion_cc: *cast_suggestion_cc,
                    confidence: 0.8,
                    notes: Vec::new(),
                };
                let id = FrameId(session.take_id());
                let strip = session.strips[session.strips.len() - 1].id;
                session.frames.push(Arc::new(Frame {
                    id,
                    strip,
                    solve: Some(frame_solve),
                    ..(*frame).clone()
                }));
            }
        }
        session
    }

    #[test]
    fn a_strip_from_another_development_departs_and_one_coloured_scene_does_not_make_it() {
        let even: &[[f64; 2]] = &[[0.5, 0.0], [-0.5, 0.2], [0.0, -0.2], [9.0, 4.0], [0.2, 0.1]];
        let warm: &[[f64; 2]] = &[[8.5, 0.0], [7.5, 0.2], [8.0, -0.2], [-3.0, 4.0], [8.2, 0.1]];
        let strips = session(&[even, even, warm]);
        let found = departure(&strips, strips.strips[2].id).expect("three strips");
        // Medians 8.0 and 0.2; median absolute deviations 0.5 over 5 frames and 0.3 over 10.
        assert!((found.balance_cc[0] - 7.8).abs() < 1e-9 && found.balance_cc[1].abs() < 1e-9, "{found:?}");
        let expected = ((1.858_f64 * 0.5).powi(2) / 5.0 + (1.858_f64 * 0.3).powi(2) / 10.0).sqrt();
        assert!((found.error_cc[0] - expected).abs() < 1e-9, "{found:?}");
        assert!(found.is_clear());
        let first = departure(&strips, strips.strips[0].id).expect("three strips");
        assert!(!first.is_clear(), "{first:?}");
        let two = session(&[even, &even[..2]]);
        assert_eq!(departure(&two, two.strips[1].id), None, "two frames say too little");
        let alone = session(&[even]);
        assert_eq!(departure(&alone, alone.strips[0].id), None);
    }
}
