//! Shared by several test modules.

use proptest::test_runner::{Config, RngSeed};

/// Property tests with the same cases in every run, and without regression files next to the sources.
pub(crate) fn fixed_seed() -> Config {
    Config { cases: 64, rng_seed: RngSeed::Fixed(20_251), failure_persistence: None, ..Config::default() }
}
