//! Reading an ICC profile gives curves of finite values, or a reason for refusal.
#![no_main]

use glassine_scanfile::icc::parse_profile;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    match parse_profile(data) {
        Ok(curves) => assert!(curves.tables.iter().all(|table| table.iter().all(|light| light.is_finite()))),
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
