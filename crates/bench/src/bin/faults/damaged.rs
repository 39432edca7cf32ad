//! Damages picture data: the program must report every picture whose file has a checksum over the damage.

use glassine_testdata::random::SplitMix64;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{
    Compression, Metadata, OpenOptions, Overwrite, PictureFormat, PictureSpec, PictureWriter, Scan,
};

use crate::Bench;
use crate::kills::begun;
use crate::program::How;
use crate::stage::{borrowed, words};
use crate::tally::{Tally, random_of};

/// One way to damage a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Recipe {
    JpegCut,
    JpegQuarterGone,
    JpegZeroed,
    JpegBytes,
    DeflateBit,
    PngBit,
}

/// Recipes, the number of pictures for each, and whether the file can show the damage: by a checksum or missing blocks.
const RECIPES: [(Recipe, &str, u64, bool); 6] = [
    (Recipe::JpegCut, "JPEG, half of the data cut", 20, true),
    (Recipe::JpegQuarterGone, "JPEG, a quarter removed", 20, true),
    (Recipe::JpegZeroed, "JPEG, 200 bytes zeroed", 24, false),
    (Recipe::JpegBytes, "JPEG, 20 random bytes", 60, false),
    (Recipe::DeflateBit, "Deflate TIFF, one bit", 60, true),
    (Recipe::PngBit, "PNG, one bit", 60, true),
];

/// Words that messages about damage contain.
const DAMAGE_WORDS: &[&str] =
    &["damage", "corrupt", "checksum", "missing", "incomplete", "cut", "broken", "wrong"];

/// Damages pictures and checks that the program reports it.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    // File names here must not contain such a word, because messages end with the path.
    let folder = bench.program.home().join("pictures");
    if begun(tally, std::fs::create_dir_all(&folder)).is_none() {
        return;
    }
    let sound = match sound_pictures(bench, &folder) {
        Ok(sound) => sound,
        Err(why) => {
            tally.require(false, || format!("the bench could not write its pictures: {why}"));
            return;
        }
    };
    for (name, bytes) in [("sound.jpg", &sound.jpeg), ("sound.tif", &sound.tiff), ("sound.png", &sound.png)] {
        tally.trials += 1;
        let path = folder.join(format!("control {name}"));
        if begun(tally, std::fs::write(&path, bytes)).is_none() {
            return;
        }
        let said = told(bench, tally, &folder, &path);
        tally.require(said.is_none(), || format!("{name} is sound, but: {}", said.unwrap_or_default()));
    }
    let mut counts = BTreeMap::<&str, (u64, u64)>::new();
    for (recipe, name, full, must_tell) in RECIPES {
        for trial in 0..bench.trials(full, full / 6) {
            tally.trials += 1;
            let mut random = random_of(tally.seed ^ recipe as u64, trial);
            let bytes = match recipe {
                Recipe::DeflateBit => &sound.tiff,
                Recipe::PngBit => &sound.png,
                _ => &sound.jpeg,
            };
            let Some(damaged) = damage(recipe, bytes, &mut random) else {
                tally.require(false, || format!("{name}: the sound picture has no data to damage"));
                continue;
            };
            let path = folder.join(format!("picture.{}", extension(recipe)));
            if begun(tally, std::fs::write(&path, damaged)).is_none() {
                return;
            }
            let is_told = told(bench, tally, &folder, &path).is_some();
            let (count, of) = counts.entry(name).or_default();
            *count += u64::from(is_told);
            *of += 1;
            tally.require(is_told || !must_tell, || {
                format!("{name}, picture {trial}: the damage was not told")
            });
        }
    }
    for (name, (count, of)) in counts {
        tally.remark(format!("{name}: {count} of {of} told"));
    }
}

fn extension(recipe: Recipe) -> &'static str {
    match recipe {
        Recipe::DeflateBit => "tif",
        Recipe::PngBit => "png",
        _ => "jpg",
    }
}

/// What `new`, or otherwise the export of its session, reports about the damage.
fn told(bench: &Bench, tally: &mut Tally, folder: &Path, picture: &Path) -> Option<String> {
    let session = folder.join("roll.session.json");
    let mut new = words(&["new", "--replace"]);
    new.push(session.clone());
    new.extend(words(&["--film", "slide", "--one-frame-per-file", "--scan"]));
    new.push(picture.to_owned());
    let mut export = words(&["export", "--replace"]);
    export.push(session);
    export.extend([PathBuf::from("--to"), folder.join("out")]);
    for args in [new, export] {
        let ended = begun(tally, bench.program.run(&borrowed(&args), &How::default()))?;
        tally.refuse(ended.wrongs(None));
        tally.refuse(ended.writes_to(&[picture.to_owned()]));
        let said = ended.said.to_lowercase();
        if !ended.status.success() || DAMAGE_WORDS.iter().any(|word| said.contains(word)) {
            return Some(ended.said.trim().to_owned());
        }
    }
    None
}

struct Sound {
    jpeg: Vec<u8>,
    tiff: Vec<u8>,
    png: Vec<u8>,
}

/// A picture of the stage in three formats.
fn sound_pictures(bench: &Bench, folder: &Path) -> Result<Sound, String> {
    let first = bench.stage.pictures.keys().next().ok_or("there is no picture")?;
    let from = bench.stage.session.with_file_name("out").join(first);
    let scan = Scan::open(&from, &OpenOptions::default()).map_err(|error| error.to_string())?;
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let codes = scan.read_region(whole, &CancelToken::new()).map_err(|error| error.to_string())?;
    let write = |name: &str, format: PictureFormat| -> Result<Vec<u8>, String> {
        let spec = PictureSpec {
            width_px: scan.width(),
            height_px: scan.height(),
            channels: scan.channels(),
            bits: 8,
            ppi: ResolutionPpi::new(300.0),
            icc: None,
            metadata: Metadata::default(),
            format,
            overwrite: Overwrite::Replace,
        };
        let bytes: Vec<u8> = codes.data().iter().map(|code| (code >> 8) as u8).collect();
        let path = folder.join(name);
        let mut writer = PictureWriter::begin(&path, &spec).map_err(|error| error.to_string())?;
        writer.write_rows_u8(&bytes).map_err(|error| error.to_string())?;
        writer.finish().map_err(|error| error.to_string())?;
        std::fs::read(&path).map_err(|error| error.to_string())
    };
    Ok(Sound {
        jpeg: write("sound.jpg", PictureFormat::Jpeg { quality: 90 })?,
        tiff: write("sound.tif", PictureFormat::Tiff { compression: Compression::Deflate })?,
        png: write("sound.png", PictureFormat::Png)?,
    })
}

/// Damages the picture data in a copy of the bytes.
fn damage(recipe: Recipe, sound: &[u8], random: &mut SplitMix64) -> Option<Vec<u8>> {
    let mut bytes = sound.to_vec();
    match recipe {
        Recipe::DeflateBit => {
            let strips = tiff_strips(sound)?;
            let (at, length) = *random.pick(&strips)?;
            // Not the last bits of the block, which may be padding.
            let place = at + random.below(length.saturating_sub(6));
            *bytes.get_mut(place)? ^= 1 << random.below(8);
        }
        Recipe::PngBit => {
            let chunks = png_data(sound)?;
            let (at, length) = *random.pick(&chunks)?;
            *bytes.get_mut(at + random.below(length))? ^= 1 << random.below(8);
        }
        _ => damage_jpeg(recipe, &mut bytes, random)?,
    }
    Some(bytes)
}

fn damage_jpeg(recipe: Recipe, bytes: &mut Vec<u8>, random: &mut SplitMix64) -> Option<()> {
    let start = bytes.windows(2).rposition(|pair| pair == [0xFF, 0xDA])? + 14;
    let end = bytes.len().checked_sub(2)?;
    let length = end.checked_sub(start).filter(|length| *length > 1_000)?;
    match recipe {
        Recipe::JpegCut => drop(bytes.drain(end - length / 2 - random.below(length / 8)..end)),
        Recipe::JpegQuarterGone => {
            let at = start + length / 8 + random.below(length / 2);
            drop(bytes.drain(at..at + length / 4));
        }
        Recipe::JpegZeroed => {
            let at = start + random.below(length - 200);
            bytes.get_mut(at..at + 200)?.fill(0);
        }
        _ => {
            for _ in 0..20 {
                let at = start + random.below(length);
                *bytes.get_mut(at)? = random.next_u64() as u8;
            }
        }
    }
    Some(())
}

fn u32_le(bytes: &[u8], at: usize) -> Option<usize> {
    let four: [u8; 4] = bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
    Some(u32::from_le_bytes(four) as usize)
}

fn u16_le(bytes: &[u8], at: usize) -> Option<usize> {
    let two: [u8; 2] = bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
    Some(usize::from(u16::from_le_bytes(two)))
}

/// Offsets and lengths of the strips of a little-endian TIFF.
fn tiff_strips(bytes: &[u8]) -> Option<Vec<(usize, usize)>> {
    let directory = u32_le(bytes, 4)?;
    let list = |tag: usize| -> Option<Vec<usize>> {
        let entries = u16_le(bytes, directory)?;
        let entry =
            (0..entries).map(|i| directory + 2 + 12 * i).find(|at| u16_le(bytes, *at) == Some(tag))?;
        let (kind, count) = (u16_le(bytes, entry + 2)?, u32_le(bytes, entry + 4)?);
        let size = if kind == 3 { 2 } else { 4 };
        let at = if count * size <= 4 { entry + 8 } else { u32_le(bytes, entry + 8)? };
        (0..count)
            .map(|i| if kind == 3 { u16_le(bytes, at + 2 * i) } else { u32_le(bytes, at + 4 * i) })
            .collect()
    };
    Some(list(273)?.into_iter().zip(list(279)?).collect())
}

/// Offsets and lengths of the picture data of a PNG.
fn png_data(bytes: &[u8]) -> Option<Vec<(usize, usize)>> {
    let mut found = Vec::new();
    let mut at = 8;
    while let Some(length) = bytes.get(at..at + 4) {
        let length = length.iter().fold(0, |sum, byte| sum << 8 | usize::from(*byte));
        if bytes.get(at + 4..at + 8)? == b"IDAT" && length > 0 {
            found.push((at + 8, length));
        }
        at += 12 + length;
    }
    Some(found)
}
