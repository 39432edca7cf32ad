//! Scanners: devices and their options, and scans written straight to disk.
//!
//! *Scope*: the SANE interface, version 1 (SANE Standard, version 1.06), loaded when it is needed. Drivers run in a
//! process of their own ([`driver`]), which the program starts and talks to through pipes ([`Helper`]), so a driver that
//! crashes or hangs takes nothing with it.
//! *Simplifications*: 8 and 16 bits a sample; grey, colour and infrared.
//! *Out of scope*: what the scans show (`layout`, `engine`), windows (`app`).
//!
//! **Invariant:** a scan has its final name only when every line of every frame has arrived.

pub mod driver;
mod error;
mod helper;
mod lines;
mod live;
mod option;
mod plan;
mod protocol;
mod sane;
mod scan;
mod worker;

pub use error::{Error, Status};
pub use helper::{DriverProcess, Helper, Opened};
pub use live::{Arrived, LivePicture, LiveRows, Progress};
pub use option::{Choice, DeviceOption, OptionValue, Unit, ValueKind};
pub use plan::{
    Applied, AreaMm, DEPTH, MODE, RESOLUTION, SOURCE, ScanChoices, X_RESOLUTION, apply, is_of_plan,
    whole_area,
};
pub use protocol::Device;
pub use scan::{FileChoices, ScanFile, Watch, scan_to_file};
pub use worker::{Answer, DeviceState, ScanTask, Scanned, WakeUp, Worker};
