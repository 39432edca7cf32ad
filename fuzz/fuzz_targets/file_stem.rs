//! Typed text gives a plain file name in the target folder, or a refusal.
#![no_main]

use glassine_session::{Frame, OutputSettings, file_stem};
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use std::sync::LazyLock;

static FRAME: LazyLock<Frame> = LazyLock::new(|| {
    let frozen = include_bytes!("../../crates/session/tests/files/version-1.session.json");
    let session = glassine_session::file::from_json(frozen).expect("the frozen session opens").session;
    (*session.frames[0]).clone()
});

fuzz_target!(|data: &[u8]| {
    let Some((own, name)) = data.split_first() else { return };
    let Ok(name) = std::str::from_utf8(name) else { return };
    let (mut frame, mut output) = (FRAME.clone(), OutputSettings::default());
    frame.name = None;
    if own % 2 == 1 {
        frame.name = Some(name.to_owned());
    } else {
        output.base_name = name.to_owned();
    }
    if let Ok(stem) = file_stem(&output, &frame) {
        let folder = Path::new("/pictures");
        let path = folder.join(format!("{stem}.tif"));
        assert_eq!(path.parent(), Some(folder), "{stem:?}");
        assert!(stem.len() <= 240 && !stem.contains(['/', '\\', '\0']) && !stem.starts_with('.'), "{stem:?}");
    }
});
