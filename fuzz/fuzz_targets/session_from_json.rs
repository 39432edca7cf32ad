//! A session file is read: whatever the bytes are, there is a session or a reason.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    if let Err(error) = glassine_session::file::from_json(data) {
        assert!(!error.to_string().is_empty());
    }
});
