//! The process in which scanner drivers run: this program with a command of its own.

use std::io;
use std::time::Duration;

use glassine_acquire::DriverProcess;

/// Name of the hidden command in which drivers run.
pub(crate) const DRIVER_COMMAND: &str = "scanner-driver";

/// How to start it; `patience` is the longest wait for an answer of a driver.
///
/// # Errors
/// The system does not say which program this is.
pub(crate) fn driver_process(patience: Duration) -> io::Result<DriverProcess> {
    let program = std::env::current_exe()?;
    Ok(DriverProcess { program, args: vec![DRIVER_COMMAND.into()], patience })
}
