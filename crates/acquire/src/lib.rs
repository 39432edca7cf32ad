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
mod option;
mod plan;
mod protocol;
mod sane;
mod scan;

pub use error::{Error, Status};
pub use helper::{Helper, Opened};
pub use option::{Choice, DeviceOption, OptionValue, Unit};
pub use plan::{Applied, AreaMm, ScanChoices, apply};
pub use protocol::Device;
pub use scan::{FileChoices, Progress, ScanFile, scan_to_file};
