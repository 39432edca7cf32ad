//! Reading a session file gives a session or a reason for refusal, for any bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    if let Err(error) = glassine_session::file::from_json(data) {
        assert!(!error.to_string().is_empty());
    }
});
