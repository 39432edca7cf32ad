//! A scanner made of a file: a library of the SANE interface that plays a scan back, with infrared, for tests.
//!
//! `GLASSINE_SANE=target/debug/examples/libstandin_scanner.so STANDIN_SCAN=strip.tif glassine scanners`
//!
//! It has one device with a transparency unit, three resolutions and an exposure for each colour. `STANDIN_FAULT` is
//! `crash` or `hang`: what happens after half of the lines; or the path of a file: if it is there, it is removed and the
//! connection fails after half of the lines.
#![expect(unsafe_code, reason = "the interface is made of C functions and pointers")]

use std::ffi::{CStr, c_char, c_int, c_void};
use std::path::Path;
use std::ptr::{null, null_mut};
use std::sync::Mutex;

use glassine_raster::{CancelToken, MM_PER_INCH, PixelRect};
use glassine_scanfile::{OpenOptions, Scan};

const GOOD: c_int = 0;
const UNSUPPORTED: c_int = 1;
const INVALID: c_int = 4;
const END_OF_FILE: c_int = 5;
const IO_ERROR: c_int = 9;
const FIXED_ONE: f64 = 65_536.0;
const RGB_INFRARED: c_int = 0x10;

#[repr(C)]
struct RawDevice([*const c_char; 4]);

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
    constraint: *const c_void,
}

#[repr(C)]
struct RawParameters {
    format: c_int,
    is_last: c_int,
    bytes_per_line: c_int,
    pixels_per_line: c_int,
    lines: c_int,
    depth: c_int,
}

/// What the device is set to and where a scan is.
struct State {
    scan: Option<Scan>,
    /// Edges of the area: left, top, right, bottom, millimetres with 16 binary places.
    corners: [c_int; 4],
    ppi: c_int,
    /// Of red, green and blue, per cent.
    exposures: [c_int; 3],
    /// Pixels of the file on a side for one of the scan.
    factor: u32,
    region: PixelRect,
    line: u32,
    /// Bytes of the present line that were not delivered yet.
    rest: Vec<u8>,
}

static STATE: Mutex<State> = Mutex::new(State {
    scan: None,
    corners: [0; 4],
    ppi: 0,
    exposures: [100; 3],
    factor: 1,
    region: PixelRect { x0: 0, y0: 0, x1: 0, y1: 0 },
    line: 0,
    rest: Vec::new(),
});

fn with<T>(act: impl FnOnce(&mut State) -> T) -> T {
    act(&mut STATE.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
}

/// Names of the options from 1 on. The first two are texts, the corners fixed numbers, the others whole numbers.
const NAMES: [&CStr; 11] = [
    c"source",
    c"mode",
    c"depth",
    c"tl-x",
    c"tl-y",
    c"br-x",
    c"br-y",
    c"resolution",
    c"exposure-red",
    c"exposure-green",
    c"exposure-blue",
];

fn leak<T>(value: T) -> *const T {
    Box::leak(Box::new(value))
}

impl State {
    fn size_mm(&self) -> (f64, f64, f64) {
        let Some(scan) = &self.scan else { return (0.0, 0.0, 0.0) };
        let ppi = scan.info().ppi.map_or(300.0, |[x, _]| x.ppi());
        let mm = |px: u32| f64::from(px) * MM_PER_INCH / ppi;
        (mm(scan.info().width_px), mm(scan.info().height_px), ppi)
    }

    fn describe(&self, index: usize) -> Option<RawOption> {
        let name = NAMES.get(index.checked_sub(1)?)?.as_ptr();
        let (width_mm, height_mm, native_ppi) = self.size_mm();
        let (kind, unit, size, constraint_kind, constraint): (_, _, _, _, *const c_void) = match index {
            1 => (3, 0, 16, 3, leak([c"Transparency".as_ptr(), null()]).cast()),
            2 => (3, 0, 16, 3, leak([c"Color Infrared".as_ptr(), null()]).cast()),
            3 => (1, 2, 4, 2, leak([1_i32, 16]).cast()),
            8 => {
                let native = native_ppi.round() as i32;
                (1, 4, 4, 2, leak([3_i32, native / 4, native / 2, native]).cast())
            }
            9..=11 => (1, 5, 4, 1, leak([25_i32, 800, 1]).cast()),
            _ => {
                let most = if index.is_multiple_of(2) { width_mm } else { height_mm };
                (2, 3, 4, 1, leak([0_i32, (most * FIXED_ONE).ceil() as i32, 0]).cast())
            }
        };
        Some(RawOption {
            name,
            title: name,
            help: name,
            kind,
            unit,
            size,
            cap: 5,
            constraint_kind,
            constraint,
        })
    }

    /// Begins a scan of the area, to whole pixels.
    fn begin(&mut self) -> c_int {
        let (_, _, native_ppi) = self.size_mm();
        let Some(scan) = &self.scan else { return INVALID };
        let ppi = f64::from(self.ppi);
        self.factor = (native_ppi / ppi).round().max(1.0) as u32;
        let px = |corner: c_int| (f64::from(corner) / FIXED_ONE / MM_PER_INCH * ppi).round() as u32;
        let [left, top, right, bottom] = self.corners.map(px);
        let (right, bottom) =
            (right.min(scan.info().width_px / self.factor), bottom.min(scan.info().height_px / self.factor));
        if left >= right || top >= bottom {
            return INVALID;
        }
        self.region = PixelRect::new(left, top, right, bottom);
        (self.line, self.rest) = (0, Vec::new());
        GOOD
    }

    fn next_line(&mut self) -> c_int {
        let height = self.region.height();
        if self.line == height {
            return END_OF_FILE;
        }
        if self.line == height / 2 {
            match std::env::var("STANDIN_FAULT").as_deref() {
                Ok("crash") => std::process::abort(),
                Ok("hang") => std::thread::sleep(std::time::Duration::from_secs(3600)),
                Ok(path) if std::fs::remove_file(path).is_ok() => return IO_ERROR,
                _ => {}
            }
        }
        let (factor, y) = (self.factor, (self.region.y0 + self.line) * self.factor);
        let line = PixelRect::new(self.region.x0 * factor, y, self.region.x1 * factor, y + factor);
        let Some(read) = self.scan.as_ref().and_then(|scan| scan.read_region(line, &CancelToken::new()).ok())
        else {
            return IO_ERROR;
        };
        let channels = usize::from(read.channels());
        let exposures = self.exposures.map(|percent| f64::from(percent) / 100.0);
        let pixels = f64::from(factor * factor);
        let mean = |x: u32, channel: usize| {
            let block = (0..factor).flat_map(|row| (0..factor).map(move |column| (x * factor + column, row)));
            let sum: f64 = block.map(|(x, row)| f64::from(read.pixel(x, row)[channel])).sum();
            let code = sum / pixels * exposures.get(channel).copied().unwrap_or(1.0);
            code.round().min(65_535.0) as u16
        };
        let codes = (0..self.region.width()).flat_map(|x| (0..channels).map(move |channel| (x, channel)));
        self.rest = codes.flat_map(|(x, channel)| mean(x, channel).to_ne_bytes()).collect();
        self.line += 1;
        GOOD
    }
}

#[unsafe(no_mangle)]
extern "C" fn sane_init(version: *mut c_int, _authorise: *const c_void) -> c_int {
    // SAFETY: the caller passes a place for the version.
    unsafe { *version = 1 << 24 };
    GOOD
}

#[unsafe(no_mangle)]
extern "C" fn sane_get_devices(list: *mut *const *const RawDevice, _local_only: c_int) -> c_int {
    let texts = [c"standin:0", c"none", c"scanner made of a file", c"film scanner"].map(CStr::as_ptr);
    let devices: *const [*const RawDevice; 2] = leak([leak(RawDevice(texts)), null()]);
    // SAFETY: the caller passes a place for the list.
    unsafe { *list = devices.cast() };
    GOOD
}

#[unsafe(no_mangle)]
extern "C" fn sane_open(_name: *const c_char, handle: *mut *mut c_void) -> c_int {
    let Some(path) = std::env::var_os("STANDIN_SCAN") else { return INVALID };
    let Ok(scan) = Scan::open(Path::new(&path), &OpenOptions::default()) else { return IO_ERROR };
    with(|state| {
        state.scan = Some(scan);
        let (width_mm, height_mm, native_ppi) = state.size_mm();
        (state.ppi, state.exposures) = (native_ppi.round() as c_int, [100; 3]);
        state.corners = [0.0, 0.0, width_mm, height_mm].map(|mm| (mm * FIXED_ONE).ceil() as c_int);
    });
    // SAFETY: the caller passes a place for the handle.
    unsafe { *handle = null_mut() };
    GOOD
}

#[unsafe(no_mangle)]
extern "C" fn sane_get_option_descriptor(_handle: *mut c_void, index: c_int) -> *const RawOption {
    let index = usize::try_from(index).unwrap_or(0);
    with(|state| state.describe(index)).map_or(null(), leak)
}

#[unsafe(no_mangle)]
extern "C" fn sane_control_option(
    _handle: *mut c_void,
    index: c_int,
    action: c_int,
    value: *mut c_void,
    info: *mut c_int,
) -> c_int {
    let text = match index {
        1 => c"Transparency",
        2 => c"Color Infrared",
        _ => c"",
    };
    // SAFETY: the caller passes a place for the information, and one for the value of the size described.
    unsafe {
        *info = 0;
        match (index, action) {
            (1 | 2, 0) => value.cast::<u8>().copy_from(text.as_ptr().cast(), text.to_bytes_with_nul().len()),
            (3, 0) => *value.cast::<c_int>() = 16,
            (1..=3, 1) => {}
            (4..=7, 0) => *value.cast::<c_int>() = with(|state| state.corners[index as usize - 4]),
            (4..=7, 1) => with(|state| state.corners[index as usize - 4] = *value.cast::<c_int>()),
            (8, 0) => *value.cast::<c_int>() = with(|state| state.ppi),
            (8, 1) => with(|state| state.ppi = *value.cast::<c_int>()),
            (9..=11, 0) => *value.cast::<c_int>() = with(|state| state.exposures[index as usize - 9]),
            (9..=11, 1) => with(|state| state.exposures[index as usize - 9] = *value.cast::<c_int>()),
            _ => return UNSUPPORTED,
        }
    }
    GOOD
}

#[unsafe(no_mangle)]
extern "C" fn sane_get_parameters(_handle: *mut c_void, parameters: *mut RawParameters) -> c_int {
    let (width, lines) = with(|state| (state.region.width() as c_int, state.region.height() as c_int));
    // SAFETY: the caller passes a place for the parameters.
    unsafe {
        *parameters = RawParameters {
            format: RGB_INFRARED,
            is_last: 1,
            bytes_per_line: width * 8,
            pixels_per_line: width,
            lines,
            depth: 16,
        };
    }
    GOOD
}

#[unsafe(no_mangle)]
extern "C" fn sane_start(_handle: *mut c_void) -> c_int {
    with(State::begin)
}

#[unsafe(no_mangle)]
extern "C" fn sane_read(_handle: *mut c_void, buffer: *mut u8, most: c_int, count: *mut c_int) -> c_int {
    with(|state| {
        if state.rest.is_empty() {
            match state.next_line() {
                GOOD => {}
                status => return status,
            }
        }
        let len = state.rest.len().min(usize::try_from(most).unwrap_or(0));
        // SAFETY: the caller passes a buffer of `most` bytes and a place for the count.
        unsafe {
            buffer.copy_from(state.rest.as_ptr(), len);
            *count = len as c_int;
        }
        state.rest.drain(..len);
        GOOD
    })
}

#[unsafe(no_mangle)]
extern "C" fn sane_cancel(_handle: *mut c_void) {}

#[unsafe(no_mangle)]
extern "C" fn sane_close(_handle: *mut c_void) {
    with(|state| state.scan = None);
}
