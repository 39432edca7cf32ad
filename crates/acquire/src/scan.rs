//! One picture from the scanner to a file.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read as _, Seek as _, Write as _};
use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, ResolutionPpi};
use glassine_scanfile::{
    Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, WrittenFile,
};

use crate::error::Error;
use crate::helper::Opened;
use crate::lines::{LineSink, Samples};
use crate::live::{Arrived, Progress};
use crate::protocol::{FrameHead, FrameKind};

/// A scan on disk.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanFile {
    pub file: WrittenFile,
    pub width_px: u32,
    pub height_px: u32,
    pub has_infrared: bool,
    pub bits: u8,
    /// What deserves attention.
    pub remarks: Vec<String>,
    /// The scan is complete, but the driver did not end it well: the device must be opened again.
    pub loses_device: bool,
}

/// What a scan file should be like besides its samples.
#[derive(Debug, Clone, Default)]
pub struct FileChoices {
    pub ppi: Option<f64>,
    pub metadata: Metadata,
    /// The driver delivers 16-bit samples in the other byte order.
    pub swap_bytes: bool,
}

/// Called with the lines that have just arrived.
pub type Watch<'a> = dyn FnMut(Progress, &Arrived<'_>) + 'a;

/// Scans one picture with the present options of the device into a TIFF.
///
/// Lines go to disk as they arrive; a picture in several passes (a pass for each colour, or for infrared) is put
/// together from temporary files in the same folder.
///
/// # Errors
/// The driver fails, sends something else than it announced, or the file cannot be written. No file has the name then.
pub fn scan_to_file(
    device: &mut Opened,
    path: &Path,
    choices: &FileChoices,
    cancel: &CancelToken,
    progress: &mut Watch<'_>,
) -> Result<ScanFile, Error> {
    let mut result = scan(device, path, choices, cancel, progress);
    // The file is complete, or the first error is what counts.
    if let (Err(error), Ok(scan)) = (device.end_picture(), &mut result) {
        scan.remarks.push(format!("the scan is complete, but afterwards: {error}"));
        scan.loses_device = true;
    }
    result
}

fn scan(
    device: &mut Opened,
    path: &Path,
    choices: &FileChoices,
    cancel: &CancelToken,
    progress: &mut Watch<'_>,
) -> Result<ScanFile, Error> {
    let head = device.begin_frame(cancel)?;
    let mut remarks = Vec::new();
    let (file, height_px, kinds) = match (head.is_last, head.lines, direct_channels(head.kind)) {
        (true, Some(lines), Some(channels)) => {
            let (spec, mut writer) = begin(path, &head, lines, channels, choices)?;
            let mut done = 0;
            read_frame(device, &head, choices.swap_bytes, cancel, &mut remarks, |samples| {
                done += write(&mut writer, &spec, samples)?;
                let at = Progress { frames_done: 0, lines_done: done, lines: Some(lines) };
                progress(at, &Arrived { head: &head, samples });
                Ok(())
            })?;
            (writer.finish()?, lines, vec![head.kind])
        }
        _ => {
            let passes = spool_all(device, head, path, choices, cancel, progress, &mut remarks)?;
            let kinds = passes.iter().map(|pass| pass.head.kind).collect();
            let (file, lines) = join_passes(passes, path, choices, cancel)?;
            (file, lines, kinds)
        }
    };
    let has_infrared = kinds.iter().any(|kind| matches!(kind, FrameKind::RgbInfrared | FrameKind::Infrared));
    Ok(ScanFile {
        file,
        width_px: pixels(head.width_px)?,
        height_px: pixels(height_px)?,
        has_infrared,
        bits: if head.depth == 16 { 16 } else { 8 },
        remarks,
        loses_device: false,
    })
}

fn pixels(count: usize) -> Result<u32, Error> {
    u32::try_from(count).map_err(|_too_large| Error::Data { found: format!("{count} pixels on a side") })
}

/// Channels of a picture that comes as one frame.
fn direct_channels(kind: FrameKind) -> Option<u8> {
    match kind {
        FrameKind::Grey => Some(1),
        FrameKind::Rgb => Some(3),
        FrameKind::RgbInfrared => Some(4),
        FrameKind::Red | FrameKind::Green | FrameKind::Blue | FrameKind::Infrared | FrameKind::Other(_) => {
            None
        }
    }
}

fn begin(
    path: &Path,
    head: &FrameHead,
    lines: usize,
    channels: u8,
    choices: &FileChoices,
) -> Result<(PictureSpec, PictureWriter), Error> {
    let spec = PictureSpec {
        width_px: pixels(head.width_px)?,
        height_px: pixels(lines)?,
        channels,
        bits: if head.depth == 16 { 16 } else { 8 },
        ppi: choices.ppi.and_then(ResolutionPpi::new),
        icc: None,
        metadata: choices.metadata.clone(),
        format: PictureFormat::Tiff { compression: Compression::None },
        // A scan is never replaced.
        overwrite: Overwrite::Never,
    };
    let writer = PictureWriter::begin(path, &spec)?;
    Ok((spec, writer))
}

/// Writes whole lines; returns how many.
fn write(writer: &mut PictureWriter, spec: &PictureSpec, samples: &Samples) -> Result<usize, Error> {
    let count = match samples {
        Samples::Narrow(samples) => {
            writer.write_rows_u8(samples)?;
            samples.len()
        }
        Samples::Wide(samples) => {
            writer.write_rows_u16(samples)?;
            samples.len()
        }
    };
    Ok(count / spec.row_samples())
}

/// Reads one frame to its end; returns its number of lines.
fn read_frame(
    device: &mut Opened,
    head: &FrameHead,
    swap: bool,
    cancel: &CancelToken,
    remarks: &mut Vec<String>,
    mut take: impl FnMut(&Samples) -> Result<(), Error>,
) -> Result<usize, Error> {
    let mut sink = LineSink::new(head, swap)?;
    while let Some(bytes) = device.next_data(cancel)? {
        if let Some(rows) = sink.push(&bytes)? {
            take(&rows.samples)?;
        }
    }
    if sink.looks_swapped() {
        let remedy = if swap { "without" } else { "with" };
        remarks
            .push(format!("the bytes of the samples seem to be swapped; scan again {remedy} --swap-bytes"));
    }
    sink.finish()
}

/// A frame of several, on disk.
struct Pass {
    head: FrameHead,
    lines: usize,
    file: File,
}

fn spool_all(
    device: &mut Opened,
    first: FrameHead,
    path: &Path,
    choices: &FileChoices,
    cancel: &CancelToken,
    progress: &mut Watch<'_>,
    remarks: &mut Vec<String>,
) -> Result<Vec<Pass>, Error> {
    /// A pass for each colour and one for infrared.
    const MOST_PASSES: usize = 4;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let failed = |source| Error::Spool { folder: folder.to_owned(), source };
    let mut passes: Vec<Pass> = Vec::new();
    let mut head = first;
    loop {
        let file = tempfile::tempfile_in(folder).map_err(failed)?;
        let mut spool = BufWriter::new(file);
        let mut done = 0;
        let line_samples = head.width_px * head.kind.samples();
        let lines = read_frame(device, &head, choices.swap_bytes, cancel, remarks, |samples| {
            let count = match samples {
                Samples::Narrow(samples) => {
                    spool.write_all(samples).map_err(failed)?;
                    samples.len()
                }
                Samples::Wide(samples) => {
                    spool.write_all(bytemuck::cast_slice(samples)).map_err(failed)?;
                    samples.len()
                }
            };
            done += count / line_samples.max(1);
            let at = Progress { frames_done: passes.len(), lines_done: done, lines: head.lines };
            progress(at, &Arrived { head: &head, samples });
            Ok(())
        })?;
        let mut file = spool.into_inner().map_err(|error| failed(error.into_error()))?;
        file.rewind().map_err(failed)?;
        let is_last = head.is_last;
        passes.push(Pass { head, lines, file });
        if is_last {
            return Ok(passes);
        }
        if passes.len() == MOST_PASSES {
            return Err(Error::Data { found: format!("more than {MOST_PASSES} passes") });
        }
        head = device.begin_frame(cancel)?;
    }
}

/// Puts passes together, pixel by pixel, in the order red, green, blue, infrared; or takes the only one.
fn join_passes(
    passes: Vec<Pass>,
    path: &Path,
    choices: &FileChoices,
    cancel: &CancelToken,
) -> Result<(WrittenFile, usize), Error> {
    let kinds: Vec<FrameKind> = passes.iter().map(|pass| pass.head.kind).collect();
    let order: &[FrameKind] = match kinds.len() {
        1 if direct_channels(kinds[0]).is_some() => &[kinds[0]],
        2 if kinds.contains(&FrameKind::Rgb) => &[FrameKind::Rgb, FrameKind::Infrared],
        2 => &[FrameKind::Grey, FrameKind::Infrared],
        3 => &[FrameKind::Red, FrameKind::Green, FrameKind::Blue],
        _ => &[FrameKind::Red, FrameKind::Green, FrameKind::Blue, FrameKind::Infrared],
    };
    let head = passes[0].head;
    let lines = passes[0].lines;
    let fits = |pass: &Pass| {
        pass.lines == lines && pass.head.width_px == head.width_px && pass.head.depth == head.depth
    };
    let mut sorted = Vec::new();
    for kind in order {
        match passes.iter().position(|pass| pass.head.kind == *kind).filter(|_| passes.iter().all(fits)) {
            Some(at) => sorted.push(at),
            None => return Err(Error::Data { found: format!("passes that do not fit together: {kinds:?}") }),
        }
    }
    let channels: usize = order.iter().map(|kind| kind.samples()).sum();
    let channels_u8 =
        u8::try_from(channels).map_err(|_too_large| Error::Data { found: format!("{channels} channels") })?;
    let (spec, mut writer) = begin(path, &head, lines, channels_u8, choices)?;
    let folder: PathBuf = path.parent().map(Path::to_owned).unwrap_or_default();
    let mut files: Vec<Option<BufReader<File>>> =
        passes.into_iter().map(|pass| Some(BufReader::with_capacity(1 << 20, pass.file))).collect();
    let mut inputs: Vec<(usize, BufReader<File>)> = Vec::new();
    for (kind, at) in order.iter().zip(sorted) {
        inputs.extend(files[at].take().map(|file| (kind.samples(), file)));
    }
    let bytes = usize::from(spec.bits / 8);
    let mut joined = vec![0; spec.row_bytes()];
    let mut wide: Vec<u16> = Vec::new();
    for _ in 0..lines {
        cancel.check().map_err(|_cancelled| Error::Cancelled)?;
        let mut first = 0;
        for (samples, input) in &mut inputs {
            let mut line = vec![0; head.width_px * *samples * bytes];
            input.read_exact(&mut line).map_err(|source| Error::Spool { folder: folder.clone(), source })?;
            for (pixel, from) in
                joined.chunks_exact_mut(channels * bytes).zip(line.chunks_exact(*samples * bytes))
            {
                pixel[first * bytes..(first + *samples) * bytes].copy_from_slice(from);
            }
            first += *samples;
        }
        if bytes == 2 {
            wide.clear();
            wide.extend(joined.chunks_exact(2).map(|pair| u16::from_ne_bytes([pair[0], pair[1]])));
            writer.write_rows_u16(&wide)?;
        } else {
            writer.write_rows_u8(&joined)?;
        }
    }
    Ok((writer.finish()?, lines))
}
