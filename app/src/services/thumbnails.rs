//! Small pictures of recent sessions, one PNG for each in the user's cache folder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use egui::{Color32, ColorImage};
use glassine_engine::Preview;
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{
    Error, Metadata, OpenOptions, Overwrite, PictureFormat, PictureSpec, PictureWriter, Scan,
};

/// Longest side, pixels: twice that of its place on the welcome page, for dense screens.
const SIDE_PX: u32 = 160;
/// Hexadecimal digits of a name.
const NAME_DIGITS: usize = 32;

/// Where the picture of a session is kept.
fn place(folder: &Path, session: &Path) -> PathBuf {
    let hash = blake3::hash(session.as_os_str().as_encoded_bytes()).to_hex();
    folder.join(format!("{}.png", &hash.as_str()[..NAME_DIGITS]))
}

/// Writes the picture of a session.
pub(crate) fn write(folder: &Path, session: &Path, picture: &Preview) -> Result<(), Error> {
    std::fs::create_dir_all(folder).map_err(|source| Error::Io {
        path: folder.to_owned(),
        action: "make the folder",
        source,
    })?;
    let (width_px, height_px, rgb) = reduced(picture);
    if rgb.is_empty() {
        return Ok(());
    }
    let spec = PictureSpec {
        width_px,
        height_px,
        channels: 3,
        bits: 8,
        ppi: None,
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Png,
        overwrite: Overwrite::Replace,
    };
    let mut writer = PictureWriter::begin(&place(folder, session), &spec)?;
    writer.write_rows_u8(&rgb)?;
    writer.finish().map(drop)
}

/// Reads the picture of a session; `None` if there is none.
pub(crate) fn read(folder: &Path, session: &Path) -> Option<ColorImage> {
    let scan = Scan::open(&place(folder, session), &OpenOptions::default()).ok()?;
    let (width, height) = (scan.width(), scan.height());
    if width > 4 * SIDE_PX || height > 4 * SIDE_PX || scan.channels() < 3 {
        return None;
    }
    let codes = scan.read(PixelRect::of_size(width, height), &CancelToken::new()).ok()?;
    let channels = usize::from(scan.channels());
    let byte = |code: u16| (code >> 8) as u8;
    let pixels =
        codes.data().chunks_exact(channels).map(|p| Color32::from_rgb(byte(p[0]), byte(p[1]), byte(p[2])));
    Some(ColorImage::new([width as usize, height as usize], pixels.collect()))
}

/// Removes the pictures of all other sessions.
pub(crate) fn remove_others(folder: &Path, sessions: &BTreeSet<&Path>) {
    let kept: BTreeSet<PathBuf> = sessions.iter().map(|session| place(folder, session)).collect();
    let is_one = |path: &Path| {
        let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
        path.extension().is_some_and(|ending| ending == "png")
            && stem.len() == NAME_DIGITS
            && stem.bytes().all(|byte| byte.is_ascii_hexdigit())
    };
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if is_one(&path) && !kept.contains(&path) {
            // One that stays costs only its room.
            drop(std::fs::remove_file(path));
        }
    }
}

/// Means over squares, so that the longest side is short enough; red, green and blue.
fn reduced(picture: &Preview) -> (u32, u32, Vec<u8>) {
    let by = picture.width_px.max(picture.height_px).div_ceil(SIDE_PX).max(1);
    let (width, height) = (picture.width_px / by, picture.height_px / by);
    if picture.rgba.len() < 4 * picture.width_px as usize * picture.height_px as usize {
        return (0, 0, Vec::new());
    }
    let mut rgb = Vec::with_capacity(3 * width as usize * height as usize);
    for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))) {
        for channel in 0..3 {
            let code = |dx: u32, dy: u32| {
                let at = (y * by + dy) as usize * picture.width_px as usize + (x * by + dx) as usize;
                u32::from(picture.rgba[4 * at + channel])
            };
            let sum: u32 =
                (0..by).flat_map(|dy| (0..by).map(move |dx| (dx, dy))).map(|(dx, dy)| code(dx, dy)).sum();
            rgb.push((sum / (by * by)) as u8);
        }
    }
    (width, height, rgb)
}
