//! Mutated ICC profiles.

use glassine_testdata::random::SplitMix64;
use std::path::Path;

use glassine_scanfile::icc::{TransferCurve, build_grey_profile, build_rgb_profile, parse_profile};

use super::{Target, Verdict, bytes};

pub(super) struct Profiles {
    seeds: Vec<Vec<u8>>,
}

/// The chromatic values do not matter here: those of sRGB, adapted to D50 (ICC registry).
const MATRIX: [[f64; 3]; 3] =
    [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.7141]];

impl Profiles {
    /// Starts from our own profiles, and small ones of the open data if available.
    pub(super) fn new() -> Self {
        let white = [0.95046, 1.0, 1.08906];
        let mut seeds = vec![
            build_rgb_profile("seed", MATRIX, white, &TransferCurve::srgb()),
            build_rgb_profile("seed", MATRIX, white, &TransferCurve::Gamma(2.2)),
            build_grey_profile("seed", &TransferCurve::srgb()),
            build_grey_profile("seed", &TransferCurve::Gamma(1.8)),
        ];
        let folder = glassine_testdata::folder("icc-profiles-cc0");
        let entries =
            folder.and_then(|folder| std::fs::read_dir(folder).ok()).into_iter().flatten().flatten();
        let mut paths: Vec<_> = entries.map(|entry| entry.path()).collect();
        paths.sort();
        for path in paths {
            let is_small = std::fs::metadata(&path).is_ok_and(|meta| meta.len() < 4_096);
            if is_small && path.extension().is_some_and(|ending| ending == "icc") {
                seeds.extend(std::fs::read(path));
            }
        }
        Self { seeds }
    }
}

impl Target for Profiles {
    fn seeds(&self) -> Vec<Vec<u8>> {
        self.seeds.clone()
    }

    fn input(&self, random: &mut SplitMix64) -> Vec<u8> {
        let mut input = random.pick(&self.seeds).cloned().unwrap_or_default();
        if random.below(2) == 0 {
            bytes::mutate(&mut input, random);
            return input;
        }
        // The tag table (from byte 128) and the first values of tags.
        for _ in 0..=random.below(3) {
            let tags = input.get(131).copied().unwrap_or(1);
            let entry = 132 + 12 * random.below(usize::from(tags.max(1)));
            let field = entry + 4 * random.below(3);
            let offset = u32_be(&input, entry + 4) as usize;
            let place = if random.below(2) == 0 { field } else { offset + 4 * random.below(8) };
            let value = match random.below(4) {
                0 => 0,
                1 => u32::MAX,
                2 => random.below(input.len() + 32) as u32,
                _ => random.next_u64() as u32 >> random.below(32),
            };
            if let Some(four) = input.get_mut(place..place + 4) {
                four.copy_from_slice(&value.to_be_bytes());
            }
        }
        input
    }

    fn read(&self, input: &[u8], _place: &Path) -> Result<Verdict, String> {
        match parse_profile(input) {
            Err(error) if error.to_string().is_empty() => Err("refused without words".to_owned()),
            Err(_) => Ok(Verdict::Refused),
            Ok(curves) => {
                let bad = curves.tables.iter().any(|table| table.iter().any(|light| !light.is_finite()));
                if bad {
                    Err("a curve with a value that is no number".to_owned())
                } else {
                    Ok(Verdict::Taken)
                }
            }
        }
    }
}

fn u32_be(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).unwrap_or_default().iter().fold(0, |sum, byte| sum << 8 | u32::from(*byte))
}
