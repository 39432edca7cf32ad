//! Signals that end the program: the window autosaves and closes, a command stops at its next check.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};

/// Number of SIGTERM on every Unix, for ends that no signal requested.
const TERMINATE: u8 = 15;

/// Whether the system asked the program to end: the number of the first signal, 0 before.
#[derive(Debug, Clone, Default)]
pub struct EndSignal(Arc<AtomicU8>);

impl EndSignal {
    /// Watches for the signals that end a program and calls `wake` when one arrives. A second one ends the program at
    /// once. If the signals cannot be watched, they end the program at once, as they do by default.
    ///
    /// Signals that are ignored when the program starts stay ignored, as under `nohup`.
    pub fn watch(wake: impl Fn() + Send + 'static) -> Self {
        let watched = Self::default();
        watched.clone().begin(wake);
        watched
    }

    /// Requests the end of the program.
    pub fn raise(&self) {
        self.note(TERMINATE);
    }

    /// Whether the program should end.
    pub fn is_raised(&self) -> bool {
        self.number().is_some()
    }

    /// Number of the first signal.
    pub fn number(&self) -> Option<u8> {
        Some(self.0.load(Ordering::Relaxed)).filter(|number| *number > 0)
    }

    fn note(&self, number: u8) {
        // An earlier signal keeps its place.
        self.0.compare_exchange(0, number, Ordering::Relaxed, Ordering::Relaxed).ok();
    }

    #[cfg(unix)]
    fn begin(self, wake: impl Fn() + Send + 'static) {
        use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
        let ignored = ignored_signals();
        let watched = [SIGHUP, SIGINT, SIGTERM].into_iter().filter(|number| ignored >> (number - 1) & 1 == 0);
        let watched: Vec<_> = watched.collect();
        // Registered on the thread: if it cannot start, the signals keep their default action.
        let watch = move || {
            let Ok(mut signals) = signal_hook::iterator::Signals::new(watched) else { return };
            for signal in signals.forever() {
                if self.is_raised() {
                    // A repeated signal means that the sender does not want to wait.
                    drop(signal_hook::low_level::emulate_default_handler(signal));
                }
                self.note(u8::try_from(signal).unwrap_or(TERMINATE));
                wake();
            }
        };
        drop(std::thread::Builder::new().name("glassine-signals".to_owned()).spawn(watch));
    }

    #[cfg(not(unix))]
    fn begin(self, _wake: impl Fn() + Send + 'static) {}
}

/// Signals that were ignored when the program started, one bit each from signal 1; none if the system does not report
/// it.
#[cfg(unix)]
fn ignored_signals() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0)
}
