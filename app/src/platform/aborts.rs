//! Ends the program with a message and an exit code when it cannot continue.

#[cfg(unix)]
use std::{
    io::{self, Read as _, Write as _},
    sync::Arc,
    sync::atomic::{AtomicBool, Ordering},
};

#[cfg(unix)]
use signal_hook::{consts::SIGABRT, flag::register_conditional_shutdown};

/// Exit code of a program that ran out of memory; a command that did only part of its work returns the same.
const CODE: i32 = 1;

/// Printed below the line in which the standard library gives the reason.
const ADVICE: &str = "error: the program can't go on, for the reason in the line above; if memory ran out, close other \
                      programs, or work on fewer or smaller scans at a time; finished files are kept, and nothing \
                      unfinished has a final name\n";

/// Ends the program with advice and code 1 where it would die by SIGABRT.
///
/// Large buffers are requested in a way that reports refusal as an error, but the standard library aborts when a small
/// allocation fails, and stable Rust has no hook for that. A panic is not an abort: it unwinds, and is caught and
/// reported. The standard library prints the reason before every abort (a failed allocation, a second panic during
/// unwinding), so this hides no defect; only the core dump is missing.
#[cfg(unix)]
pub fn end_in_words() {
    let at_once = Arc::new(AtomicBool::new(true));
    drop(register_conditional_shutdown(SIGABRT, CODE, Arc::clone(&at_once)));
    // If the thread cannot start, only the exit code and the standard library's line remain.
    if begin().is_ok() {
        at_once.store(false, Ordering::SeqCst);
        // Handlers are called in the order of registration.
        drop(register_conditional_shutdown(SIGABRT, CODE, Arc::new(AtomicBool::new(true))));
    }
}

/// On other systems the system handles an abort.
#[cfg(not(unix))]
pub fn end_in_words() {}

/// Starts the thread that writes the advice.
///
/// A signal handler may do almost nothing: it wakes the thread, then blocks on a write to a pipe that stays full, until
/// the thread ends the program.
#[cfg(unix)]
fn begin() -> io::Result<()> {
    use signal_hook::low_level::{exit, pipe};
    use std::os::fd::AsFd as _;
    /// Small, because the thread only makes system calls.
    const STACK_BYTES: usize = 64 << 10;

    let (mut woken, mut wake) = std::os::unix::net::UnixStream::pair()?;
    // A duplicate: the standard handle has a lock, which the aborting thread may hold.
    let mut told = std::fs::File::from(io::stderr().as_fd().try_clone_to_owned()?);
    let (unread, mut full) = io::pipe()?;
    let waiting = full.try_clone()?;
    let flags = rustix::fs::fcntl_getfl(&full)?;
    rustix::fs::fcntl_setfl(&full, flags | rustix::fs::OFlags::NONBLOCK)?;
    for piece in [&[0; 4096][..], &[0]] {
        while full.write(piece).is_ok() {}
    }
    let tell = move || {
        // Nothing from here on may allocate: this thread would then wait for itself.
        let came = woken.write_all(&[0]).is_ok() && woken.read_exact(&mut [0]).is_ok();
        if came && told.write_all(ADVICE.as_bytes()).is_ok() {
            exit(CODE);
        }
        drop(unread);
    };
    std::thread::Builder::new().name("glassine-aborts".to_owned()).stack_size(STACK_BYTES).spawn(tell)?;
    // Wait until the thread runs, because starting it allocates.
    wake.read_exact(&mut [0])?;
    pipe::register(SIGABRT, wake)?;
    pipe::register(SIGABRT, waiting)?;
    // Make the full pipe block only after registration: the registration makes its descriptor non-blocking, so the
    // handler's write would return at once.
    rustix::fs::fcntl_setfl(&full, flags)?;
    Ok(())
}
