//! Makes every system call fail once.
//!
//! Fails the Nth call of each kind, with each error it may give, for each N until a run ends without reaching it.

use crate::kills::{begun, copy_of};
use crate::program::{Ended, How};
use crate::stage::{Copy, borrowed, export_args, new_args};
use crate::tally::Tally;
use crate::{Bench, worker};

/// Calls on files, and the errors they may give.
const FILE_CALLS: &[(&str, &[&str])] = &[
    ("openat", &["EACCES", "EMFILE", "EIO", "ENOSPC", "EROFS", "ENOMEM"]),
    ("read", &["EIO"]),
    ("pread64", &["EIO"]),
    ("write", &["ENOSPC", "EIO", "EDQUOT"]),
    ("pwrite64", &["ENOSPC", "EIO", "EDQUOT"]),
    ("fsync", &["EIO", "ENOSPC"]),
    ("fdatasync", &["EIO"]),
    ("rename", &["EACCES", "EROFS", "ENOSPC", "EIO"]),
    ("renameat2", &["EACCES", "ENOSPC"]),
    ("link", &["EACCES", "EROFS", "ENOSPC", "EMLINK"]),
    ("linkat", &["EACCES", "EROFS", "ENOSPC", "EMLINK"]),
    ("unlink", &["EACCES", "EIO"]),
    ("mkdir", &["EACCES", "ENOSPC", "EROFS"]),
    ("ftruncate", &["ENOSPC", "EIO"]),
    ("fallocate", &["ENOSPC", "EIO"]),
    ("statx", &["EACCES", "EIO", "ENOMEM"]),
    ("lseek", &["EIO"]),
    ("fchmod", &["EPERM"]),
    ("flock", &["ENOLCK", "EIO"]),
    ("fcntl", &["ENOLCK"]),
    ("getdents64", &["EIO"]),
];
/// Calls that obtain memory and threads. The kernel's brk never gives an error number, so it is left out.
const MEMORY_CALLS: &[(&str, &[&str])] = &[
    ("mmap", &["ENOMEM"]),
    ("mremap", &["ENOMEM"]),
    ("munmap", &["ENOMEM"]),
    ("clone3", &["EAGAIN", "ENOMEM"]),
];
/// No run makes more calls of one kind in one thread.
const MOST_CALLS: u32 = 400;

/// Makes calls on files fail.
pub(crate) fn files(bench: &Bench, tally: &mut Tally) {
    all(bench, tally, FILE_CALLS, "calls");
}

/// Makes calls for memory and threads fail.
pub(crate) fn memory(bench: &Bench, tally: &mut Tally) {
    all(bench, tally, MEMORY_CALLS, "memory-calls");
}

fn all(bench: &Bench, tally: &mut Tally, calls: &[(&str, &[&str])], name: &str) {
    if !bench.program.is_traced() {
        tally.skip("strace is not installed");
        return;
    }
    let Some(copy) = copy_of(bench, tally, name, true) else { return };
    let mut ends = [0_u32; 5];
    for exports in [false, true] {
        for (call, errors) in calls {
            let errors = if bench.short { errors.get(..1).unwrap_or_default() } else { errors };
            for error in errors {
                let mut when = 1;
                while when <= MOST_CALLS {
                    let inject = format!("{call}:error={error}:when={when}");
                    let Some(ended) = one(bench, tally, &copy, exports, &inject) else { return };
                    if !ended.was_injected() {
                        break;
                    }
                    tally.trials += 1;
                    let kind = match (ended.signal(), ended.status.code()) {
                        _ if ended.failed_before_main() => 4,
                        (Some(_), _) => 3,
                        (_, Some(0)) => 0,
                        (_, Some(1)) => 1,
                        _ => 2,
                    };
                    if let Some(count) = ends.get_mut(kind) {
                        *count += 1;
                    }
                    // The short run samples a long series of calls.
                    when += if bench.short { when.max(4) } else { 1 };
                }
            }
        }
    }
    let [done, some, refused, died, loading] = ends;
    tally.remark(format!(
        "done all the same: {done}, frames failed: {some}, refused: {refused}, died: {died}, ended before \
         main, by the system's loader or the standard library: {loading}"
    ));
}

/// One run with one failing call, followed by all checks.
fn one(bench: &Bench, tally: &mut Tally, copy: &Copy, exports: bool, inject: &str) -> Option<Ended> {
    let session = if exports { &copy.session } else { &copy.made };
    let before = worker::open(session).map(|session| session.title).unwrap_or_default();
    let title = worker::title_of(worker::number_in(&before).unwrap_or(0) + 1);
    let args = if exports {
        export_args(&copy.session, &copy.out)
    } else {
        new_args(&copy.made, &copy.small, &title)
    };
    let how = How { inject: Some(inject), ..How::default() };
    let ended = begun(tally, bench.program.run(&borrowed(&args), &how))?;
    if !ended.was_injected() {
        return Some(ended);
    }
    let what = format!("{inject} in {}", if exports { "an export" } else { "a save" });
    if !ended.failed_before_main() {
        for wrong in ended.wrongs(None) {
            tally.require(false, || format!("{what}: {wrong}"));
        }
    }
    copy.scans_untouched(tally, Some(&ended));
    let whole = tally.failures.len();
    copy.pictures_whole(tally, &bench.stage, true);
    match worker::open(session) {
        Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
        Ok(found) => {
            let expected = if exports || !ended.status.success() { &before } else { &title };
            // A save may be complete although a later step failed.
            let fits = found.title == *expected || (!exports && found.title == title);
            tally.require(fits, || format!("the session is {} and not {expected}", found.title));
        }
    }
    copy.no_parts_after_start(bench, tally);
    for failure in tally.failures.iter_mut().skip(whole) {
        *failure = format!("{failure} ({what})");
    }
    Some(ended)
}
