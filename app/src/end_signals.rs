//! Signals that end the program: what is not saved is autosaved before the window closes.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether the system asked the program to end.
#[derive(Debug, Clone, Default)]
pub struct EndSignal(Arc<AtomicBool>);

impl EndSignal {
    /// Watch for the signals that end a program; `wake` is called when one has come. Where they cannot be watched, they
    /// end the program at once, as they do by themselves.
    pub fn watch(wake: impl Fn() + Send + 'static) -> Self {
        let watched = Self::default();
        watched.clone().begin(wake);
        watched
    }

    /// Say that the program is to end.
    pub fn raise(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether the program is to end.
    pub fn is_raised(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    #[cfg(unix)]
    fn begin(self, wake: impl Fn() + Send + 'static) {
        use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
        // Registered on the thread: without one, the signals keep ending the program by themselves.
        let watch = move || {
            let Ok(mut signals) = signal_hook::iterator::Signals::new([SIGHUP, SIGINT, SIGTERM]) else {
                return;
            };
            for signal in signals.forever() {
                if self.is_raised() {
                    // The first one was not enough: whoever sends it again does not want to wait.
                    drop(signal_hook::low_level::emulate_default_handler(signal));
                }
                self.raise();
                wake();
            }
        };
        drop(std::thread::Builder::new().name("glassine-signals".to_owned()).spawn(watch));
    }

    #[cfg(not(unix))]
    fn begin(self, _wake: impl Fn() + Send + 'static) {}
}
