//! The end of a program that can't go on: in words and with an exit code.

#[cfg(unix)]
use std::{
    io::{self, Read as _, Write as _},
    sync::Arc,
    sync::atomic::{AtomicBool, Ordering},
};

#[cfg(unix)]
use signal_hook::{consts::SIGABRT, flag::register_conditional_shutdown};

/// Exit code of a program that got no memory to go on, as of one that did a part of its work.
const CODE: i32 = 1;

/// Stands below the line in which the standard library says what happened.
const ADVICE: &str = "error: the program can't go on, for the reason in the line above; if memory ran out, close other \
                      programs, or work on fewer or smaller scans at a time; finished files are kept, and nothing \
                      unfinished has a final name\n";

/// End the program with advice and code 1 where it would die by SIGABRT.
///
/// Large buffers are asked for and refused in words, but the standard library aborts when a small allocation fails, and
/// stable Rust has no hook for that. A panic is no abort: it unwinds, and is caught and told. The standard library prints
/// the reason of every abort before (a failed allocation, a second panic while one unwinds), so that this hides no defect;
/// only the core dump is missing.
#[cfg(unix)]
pub fn end_in_words() {
    let at_once = Arc::new(AtomicBool::new(true));
    drop(register_conditional_shutdown(SIGABRT, CODE, Arc::clone(&at_once)));
    // Without the thread, the exit code and the line of the standard library have to do.
    if begin().is_ok() {
        at_once.store(false, Ordering::SeqCst);
        // Handlers are called in the order of registration.
        drop(register_conditional_shutdown(SIGABRT, CODE, Arc::new(AtomicBool::new(true))));
    }
}

/// Elsewhere an abort ends the program as the system does it.
#[cfg(not(unix))]
pub fn end_in_words() {}

/// Start the thread that writes the advice. A signal handler may do next to nothing: it wakes the thread, and waits in a
/// write to a pipe that is full for ever, until the thread ends the program.
#[cfg(unix)]
fn begin() -> io::Result<()> {
    use signal_hook::low_level::{exit, pipe};
    use std::os::fd::AsFd as _;
    /// The thread calls the system and nothing else.
    const STACK_BYTES: usize = 64 << 10;

    let (mut woken, mut wake) = std::os::unix::net::UnixStream::pair()?;
    // The standard handle has a lock, which the thread that aborts may hold.
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
    // The start of a thread allocates.
    wake.read_exact(&mut [0])?;
    pipe::register(SIGABRT, wake)?;
    pipe::register(SIGABRT, waiting)?;
    // Registered, it would come back from a full pipe at once.
    rustix::fs::fcntl_setfl(&full, flags)?;
    Ok(())
}
