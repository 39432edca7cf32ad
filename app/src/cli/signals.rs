//! Signals that ask a command to stop: it stops at its next check, removes what is half written, and ends with 128 and
//! the number of the signal. A second signal ends it at once.

use std::sync::LazyLock;

use glassine_raster::CancelToken;

static STOP: LazyLock<CancelToken> = LazyLock::new(CancelToken::new);

/// The token that every command of this process polls.
pub(super) fn cancel() -> CancelToken {
    STOP.clone()
}

/// Signals received so far, the last of them.
#[cfg(unix)]
static RECEIVED: LazyLock<std::sync::Arc<std::sync::atomic::AtomicUsize>> =
    LazyLock::new(std::sync::Arc::default);

/// Stop commands when the system asks for it.
#[cfg(unix)]
pub(super) fn listen() {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::Duration;

    let again = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        // Where a handler can't be set, the signal ends the program as it would without it.
        drop(signal_hook::flag::register_conditional_shutdown(signal, 128 + signal, Arc::clone(&again)));
        drop(signal_hook::flag::register(signal, Arc::clone(&again)));
        drop(signal_hook::flag::register_usize(signal, Arc::clone(&RECEIVED), signal as usize));
    }
    let watch = std::thread::Builder::new().name("signals".to_owned()).spawn(|| {
        while RECEIVED.load(Ordering::SeqCst) == 0 {
            std::thread::sleep(Duration::from_millis(20));
        }
        STOP.cancel();
    });
    // Without the thread a second signal still ends the program.
    drop(watch);
}

#[cfg(not(unix))]
pub(super) fn listen() {}

/// Exit code of a process that a signal stopped.
pub fn exit_code() -> Option<u8> {
    #[cfg(unix)]
    {
        let signal = RECEIVED.load(std::sync::atomic::Ordering::SeqCst);
        u8::try_from(signal).ok().filter(|signal| *signal > 0).map(|signal| 128 + signal)
    }
    #[cfg(not(unix))]
    None
}
