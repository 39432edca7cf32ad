//! The SANE interface itself: its library, loaded at run time, and its structures (SANE Standard 1.06, chapter 4).
//!
//! Only the process of the drivers uses it. Every pointer that a driver hands over is checked against null, and texts
//! and lists are copied before the next call.

#![expect(
    unsafe_code,
    reason = "the interface is made of C functions and pointers; nothing outside this file is unsafe"
)]

use std::ffi::{CStr, CString, OsStr, c_char, c_int, c_void};
use std::ptr::{null, null_mut};
use std::sync::Arc;

use libloading::{Library, Symbol};

use crate::error::Status;
use crate::option::{Choice, DeviceOption, OptionValue, Unit, ValueKind};
use crate::protocol::{Device, FrameHead, FrameKind};

type Handle = *mut c_void;

#[repr(C)]
struct RawDevice {
    name: *const c_char,
    vendor: *const c_char,
    model: *const c_char,
    kind: *const c_char,
}

#[repr(C)]
struct RawOption {
    name: *const c_char,
    title: *const c_char,
    help: *const c_char,
    kind: c_int,
    unit: c_int,
    size: c_int,
    cap: c_int,
    constraint_kind: c_int,
    /// A range, a list of words or a list of texts, as `constraint_kind` says.
    constraint: *const c_void,
}

#[repr(C)]
struct RawRange {
    least: c_int,
    most: c_int,
    step: c_int,
}

#[repr(C)]
#[derive(Default)]
struct RawParameters {
    format: c_int,
    is_last: c_int,
    bytes_per_line: c_int,
    pixels_per_line: c_int,
    lines: c_int,
    depth: c_int,
}

const KIND_SWITCH: c_int = 0;
const KIND_WHOLE: c_int = 1;
const KIND_FIXED: c_int = 2;
const KIND_TEXT: c_int = 3;
const KIND_BUTTON: c_int = 4;
const CAN_SELECT: c_int = 1;
const IS_INACTIVE: c_int = 32;
const IS_ADVANCED: c_int = 64;
const GET: c_int = 0;
const SET: c_int = 1;
/// Numbers with 16 binary places.
const FIXED_ONE: f64 = 65_536.0;
/// Most entries of a list that is taken from a driver. Our choice: a list that does not end is a fault of the driver.
const MOST_ENTRIES: usize = 4096;
/// Names of the library, newest first.
const LIBRARIES: [&str; 2] = ["libsane.so.1", "libsane.so"];
/// Environment variable with the path of another library of the same interface, such as a single driver.
const OTHER_LIBRARY: &str = "GLASSINE_SANE";

/// The loaded library.
pub(crate) struct Sane {
    library: Library,
}

impl Sane {
    /// Loads the library and starts it.
    pub(crate) fn load() -> Result<Self, String> {
        let mut why = String::new();
        let other = std::env::var_os(OTHER_LIBRARY);
        let names = match &other {
            Some(path) => vec![path.as_os_str()],
            None => LIBRARIES.iter().map(OsStr::new).collect(),
        };
        for name in names {
            // SAFETY: loading runs the initialisers of the library, as every dynamically linked program does.
            match unsafe { Library::new(name) } {
                Ok(library) => {
                    let sane = Self { library };
                    let mut version: c_int = 0;
                    let init: Symbol<'_, unsafe extern "C" fn(*mut c_int, *const c_void) -> c_int> =
                        sane.function(c"sane_init")?;
                    // SAFETY: the signature is that of the standard; no authorisation callback is given.
                    let status = Status::from_code(unsafe { init(&raw mut version, null()) });
                    return match (status, version >> 24) {
                        (Status::Good, 1) => Ok(sane),
                        (Status::Good, major) => Err(format!("its interface has version {major}, not 1")),
                        (status, _) => Err(status.meaning()),
                    };
                }
                Err(error) if why.is_empty() => why = error.to_string(),
                Err(_) => {}
            }
        }
        Err(why)
    }

    fn function<T>(&self, name: &CStr) -> Result<Symbol<'_, T>, String> {
        // SAFETY: every caller names a function of the standard together with its signature.
        unsafe { self.library.get(name.to_bytes_with_nul()) }.map_err(|error| error.to_string())
    }

    /// A function that the driver must have; a library without it is answered like a driver that cannot.
    fn call<T>(&self, name: &CStr) -> Result<Symbol<'_, T>, Status> {
        self.function(name).map_err(|_missing| Status::Unsupported)
    }

    /// The devices that the drivers find.
    pub(crate) fn devices(&self, local_only: bool) -> Result<Vec<Device>, Status> {
        let list: Symbol<'_, unsafe extern "C" fn(*mut *const *const RawDevice, c_int) -> c_int> =
            self.call(c"sane_get_devices")?;
        let mut first: *const *const RawDevice = null();
        // SAFETY: as the standard says; the list is valid until the next call and is copied here.
        check(unsafe { list(&raw mut first, c_int::from(local_only)) })?;
        let mut devices = Vec::new();
        for at in 0..MOST_ENTRIES {
            if first.is_null() {
                break;
            }
            // SAFETY: the list ends with a null pointer, before which every entry can be read.
            let Some(device) = (unsafe { (*first.add(at)).as_ref() }) else { break };
            devices.push(Device {
                name: text(device.name),
                vendor: text(device.vendor),
                model: text(device.model),
                kind: text(device.kind),
            });
        }
        Ok(devices)
    }

    pub(crate) fn open(self: &Arc<Self>, name: &str) -> Result<OpenDevice, Status> {
        let open: Symbol<'_, unsafe extern "C" fn(*const c_char, *mut Handle) -> c_int> =
            self.call(c"sane_open")?;
        let name = CString::new(name).map_err(|_null_inside| Status::Invalid)?;
        let mut handle: Handle = null_mut();
        // SAFETY: the name ends with a null byte and lives through the call.
        check(unsafe { open(name.as_ptr(), &raw mut handle) })?;
        Ok(OpenDevice { sane: Arc::clone(self), handle })
    }
}

/// An open device.
pub(crate) struct OpenDevice {
    sane: Arc<Sane>,
    handle: Handle,
}

// SAFETY: one thread makes all calls but `sane_cancel`, which the standard allows at any time (section 4.3.10).
unsafe impl Send for OpenDevice {}
// SAFETY: see above; another thread calls `cancel` alone.
unsafe impl Sync for OpenDevice {}

impl OpenDevice {
    /// Every option with its present value.
    pub(crate) fn options(&self) -> Result<Vec<DeviceOption>, Status> {
        let mut options = Vec::new();
        // Option 0 holds the number of options; some drivers end the list with a null pointer as well.
        for index in 1..MOST_ENTRIES as c_int {
            let Some(mut option) = self.describe(index)? else { break };
            if option.is_active && !matches!(option.kind, ValueKind::Button | ValueKind::Group) {
                option.value = self.value(&option).ok();
            }
            options.push(option);
        }
        Ok(options)
    }

    /// An option without its value; `None` behind the last one.
    fn describe(&self, index: i32) -> Result<Option<DeviceOption>, Status> {
        let describe: Symbol<'_, unsafe extern "C" fn(Handle, c_int) -> *const RawOption> =
            self.sane.call(c"sane_get_option_descriptor")?;
        // SAFETY: a descriptor is valid until the options change, and is copied before that.
        let raw = unsafe { describe(self.handle, index).as_ref() };
        Ok(raw.map(|raw| described(index, raw)))
    }

    fn value(&self, option: &DeviceOption) -> Result<OptionValue, Status> {
        let mut words = vec![0_i32; room(option)];
        self.control(option.index, GET, &mut words)?;
        Ok(match option.kind {
            ValueKind::Switch => OptionValue::Switch(words[0] != 0),
            ValueKind::Whole => {
                OptionValue::Numbers(words[..option.size].iter().map(|word| f64::from(*word)).collect())
            }
            ValueKind::Fixed => OptionValue::Numbers(
                words[..option.size].iter().map(|word| f64::from(*word) / FIXED_ONE).collect(),
            ),
            ValueKind::Text | ValueKind::Button | ValueKind::Group => {
                let bytes: &[u8] = bytemuck::cast_slice(&words);
                let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
                OptionValue::Text(String::from_utf8_lossy(&bytes[..end]).into_owned())
            }
        })
    }

    /// Sets an option. The driver may take another value, and other options may change with it.
    pub(crate) fn set(&self, index: i32, value: &OptionValue) -> Result<(), Status> {
        let option = self.describe(index)?.ok_or(Status::Invalid)?;
        if !option.is_active || !option.is_settable {
            return Err(Status::Invalid);
        }
        let mut words = vec![0_i32; room(&option)];
        match (option.kind, value) {
            (ValueKind::Switch | ValueKind::Button, OptionValue::Switch(on)) => words[0] = i32::from(*on),
            (ValueKind::Whole, OptionValue::Numbers(numbers)) if numbers.len() == option.size => {
                words.iter_mut().zip(numbers).for_each(|(word, number)| *word = number.round() as i32);
            }
            (ValueKind::Fixed, OptionValue::Numbers(numbers)) if numbers.len() == option.size => {
                words
                    .iter_mut()
                    .zip(numbers)
                    .for_each(|(word, number)| *word = (number * FIXED_ONE).round() as i32);
            }
            (ValueKind::Text, OptionValue::Text(text)) if text.len() < option.size.max(1) => {
                bytemuck::cast_slice_mut::<i32, u8>(&mut words)[..text.len()]
                    .copy_from_slice(text.as_bytes());
            }
            _ => return Err(Status::Invalid),
        }
        self.control(index, SET, &mut words)
    }

    fn control(&self, index: i32, action: c_int, words: &mut [i32]) -> Result<(), Status> {
        let control: Symbol<
            '_,
            unsafe extern "C" fn(Handle, c_int, c_int, *mut c_void, *mut c_int) -> c_int,
        > = self.sane.call(c"sane_control_option")?;
        // Says whether other options changed; all are read again anyway.
        let mut info = 0;
        // SAFETY: the buffer is at least as long as the size in the descriptor, which bounds what a driver may touch.
        check(unsafe { control(self.handle, index, action, words.as_mut_ptr().cast(), &raw mut info) })
    }

    /// Begins the next frame of the picture.
    pub(crate) fn start(&self) -> Result<FrameHead, Status> {
        let start: Symbol<'_, unsafe extern "C" fn(Handle) -> c_int> = self.sane.call(c"sane_start")?;
        let parameters: Symbol<'_, unsafe extern "C" fn(Handle, *mut RawParameters) -> c_int> =
            self.sane.call(c"sane_get_parameters")?;
        // SAFETY: the handle is open.
        check(unsafe { start(self.handle) })?;
        let mut raw = RawParameters::default();
        // SAFETY: the structure is that of the standard.
        check(unsafe { parameters(self.handle, &raw mut raw) })?;
        let size = |number: c_int| usize::try_from(number).map_err(|_negative| Status::Invalid);
        Ok(FrameHead {
            kind: FrameKind::from_code(raw.format),
            is_last: raw.is_last != 0,
            bytes_per_line: size(raw.bytes_per_line)?,
            width_px: size(raw.pixels_per_line)?,
            lines: usize::try_from(raw.lines).ok(),
            depth: u32::try_from(raw.depth).map_err(|_negative| Status::Invalid)?,
        })
    }

    /// Fills a part of the buffer with data of the frame; the status at the end of the frame is `EndOfFile`.
    pub(crate) fn read(&self, buffer: &mut [u8]) -> Result<usize, Status> {
        let read: Symbol<'_, unsafe extern "C" fn(Handle, *mut u8, c_int, *mut c_int) -> c_int> =
            self.sane.call(c"sane_read")?;
        let most = c_int::try_from(buffer.len()).unwrap_or(c_int::MAX);
        let mut count = 0;
        // SAFETY: the driver writes at most `most` bytes into the buffer.
        check(unsafe { read(self.handle, buffer.as_mut_ptr(), most, &raw mut count) })?;
        usize::try_from(count).ok().filter(|count| *count <= buffer.len()).ok_or(Status::Invalid)
    }

    /// Stops the scan; also while another thread is in [`Self::read`].
    pub(crate) fn cancel(&self) {
        if let Ok(cancel) = self.sane.call::<unsafe extern "C" fn(Handle)>(c"sane_cancel") {
            // SAFETY: the handle is open; the standard allows this call at any time.
            unsafe { cancel(self.handle) };
        }
    }
}

impl Drop for OpenDevice {
    fn drop(&mut self) {
        if let Ok(close) = self.sane.call::<unsafe extern "C" fn(Handle)>(c"sane_close") {
            // SAFETY: the handle is open and is not used again.
            unsafe { close(self.handle) };
        }
    }
}

/// Words that hold the value of an option, with one to spare.
fn room(option: &DeviceOption) -> usize {
    1 + match option.kind {
        ValueKind::Text => option.size.div_ceil(4),
        ValueKind::Switch | ValueKind::Whole | ValueKind::Fixed | ValueKind::Button | ValueKind::Group => {
            option.size
        }
    }
}

fn check(code: c_int) -> Result<(), Status> {
    match Status::from_code(code) {
        Status::Good => Ok(()),
        status => Err(status),
    }
}

fn text(pointer: *const c_char) -> String {
    if pointer.is_null() {
        return String::new();
    }
    // SAFETY: texts of the interface end with a null byte.
    unsafe { CStr::from_ptr(pointer) }.to_string_lossy().into_owned()
}

fn described(index: i32, raw: &RawOption) -> DeviceOption {
    let kind = match raw.kind {
        KIND_SWITCH => ValueKind::Switch,
        KIND_WHOLE => ValueKind::Whole,
        KIND_FIXED => ValueKind::Fixed,
        KIND_TEXT => ValueKind::Text,
        KIND_BUTTON => ValueKind::Button,
        _ => ValueKind::Group,
    };
    let bytes = usize::try_from(raw.size).unwrap_or(0);
    let size = match kind {
        ValueKind::Text => bytes,
        ValueKind::Switch | ValueKind::Whole | ValueKind::Fixed => bytes / 4,
        ValueKind::Button | ValueKind::Group => 0,
    };
    DeviceOption {
        index,
        name: text(raw.name),
        title: text(raw.title),
        help: text(raw.help),
        kind,
        unit: match raw.unit {
            1 => Unit::Pixel,
            2 => Unit::Bit,
            3 => Unit::Mm,
            4 => Unit::Dpi,
            5 => Unit::Percent,
            6 => Unit::Microsecond,
            _ => Unit::None,
        },
        size,
        choice: choice(kind, raw),
        is_active: raw.cap & IS_INACTIVE == 0,
        is_settable: raw.cap & CAN_SELECT != 0,
        is_advanced: raw.cap & IS_ADVANCED != 0,
        value: None,
    }
}

fn choice(kind: ValueKind, raw: &RawOption) -> Choice {
    let number =
        |word: c_int| if kind == ValueKind::Fixed { f64::from(word) / FIXED_ONE } else { f64::from(word) };
    if raw.constraint.is_null() {
        return Choice::Any;
    }
    match raw.constraint_kind {
        1 => {
            // SAFETY: constraint kind 1 is a pointer to a range.
            let range = unsafe { &*raw.constraint.cast::<RawRange>() };
            Choice::Range { least: number(range.least), most: number(range.most), step: number(range.step) }
        }
        2 => {
            let words = raw.constraint.cast::<c_int>();
            // SAFETY: constraint kind 2 is a list of words whose first is the number of the others.
            let count = usize::try_from(unsafe { *words }).unwrap_or(0).min(MOST_ENTRIES);
            // SAFETY: see above.
            Choice::Numbers((1..=count).map(|at| number(unsafe { *words.add(at) })).collect())
        }
        3 => {
            let texts = raw.constraint.cast::<*const c_char>();
            // SAFETY: constraint kind 3 is a list of texts that ends with a null pointer.
            let entries = (0..MOST_ENTRIES).map(|at| unsafe { *texts.add(at) });
            Choice::Texts(entries.take_while(|entry| !entry.is_null()).map(text).collect())
        }
        _ => Choice::Any,
    }
}
