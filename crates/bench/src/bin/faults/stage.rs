//! The small scan, session and pictures that faults are applied to, and the checks afterwards.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_tests::{StripOnDisk, strip_on_disk};

use crate::Bench;
use crate::program::{Ended, How, PATIENCE, Program};
use crate::tally::Tally;

/// Title of the session at the start.
pub(crate) const FIRST_TITLE: &str = "save 0";

/// A small scan, its session, and the pictures of an undisturbed export.
#[derive(Debug)]
pub(crate) struct Stage {
    disk: StripOnDisk,
    /// The session of the strip, made with `glassine new`.
    pub(crate) session: PathBuf,
    /// A session of one small picture, which is quick to make.
    made: PathBuf,
    /// Pictures of an undisturbed export: name and checksum of the codes.
    pub(crate) pictures: Pictures,
    /// Duration of an undisturbed `new`.
    pub(crate) new_takes: Duration,
    /// Duration of an undisturbed export.
    pub(crate) export_takes: Duration,
}

/// File names with a checksum of the picture content.
pub(crate) type Pictures = BTreeMap<String, u64>;

/// A copy of the stage in its own folder.
#[derive(Debug)]
pub(crate) struct Copy {
    pub(crate) folder: PathBuf,
    pub(crate) scan: PathBuf,
    pub(crate) session: PathBuf,
    /// A small scan.
    pub(crate) small: PathBuf,
    /// The session of the small scan.
    pub(crate) made: PathBuf,
    /// Output folder for pictures.
    pub(crate) out: PathBuf,
    before: Vec<Print>,
}

/// Everything that shows whether a file was touched.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Print {
    path: PathBuf,
    inode: u64,
    modified: (i64, i64),
    mode: u32,
    bytes: Vec<u8>,
}

impl Print {
    fn of(path: &Path) -> Option<Self> {
        let meta = std::fs::metadata(path).ok()?;
        let modified = (meta.mtime(), meta.mtime_nsec());
        let bytes = std::fs::read(path).ok()?;
        Some(Self { path: path.to_owned(), inode: meta.ino(), modified, mode: meta.mode(), bytes })
    }
}

impl Stage {
    /// Draws the scan, makes its session, and exports it once.
    pub(crate) fn build(program: &Program) -> Result<Self, String> {
        let disk = strip_on_disk("harbour", 90.0);
        let folder = disk.folder.path().canonicalize().map_err(|error| error.to_string())?;
        let session = folder.join("roll.session.json");
        let out = folder.join("out");
        let mut new = words(&["new"]);
        new.push(session.clone());
        new.extend(words(&[
            "--film",
            "colour-negative",
            "--format",
            "6x4.5",
            "--title",
            FIRST_TITLE,
            "--scan",
        ]));
        new.push(folder.join("harbour.tif"));
        succeed(program, &new)?;
        let started = Instant::now();
        succeed(program, &export_args(&session, &out))?;
        let export_takes = started.elapsed();
        let pictures = pictures_in(&out)?;
        let first = pictures.keys().next().ok_or("the export wrote nothing")?;
        let (small, made) = (folder.join("small.tif"), folder.join("made.session.json"));
        std::fs::copy(out.join(first), &small).map_err(|error| error.to_string())?;
        let started = Instant::now();
        succeed(program, &new_args(&made, &small, FIRST_TITLE))?;
        let new_takes = started.elapsed();
        Ok(Self { disk, session, made, pictures, new_takes, export_takes })
    }

    pub(crate) fn scan(&self) -> &Path {
        &self.disk.scan
    }

    /// Copies scan, session and, if requested, the pictures of an earlier export.
    pub(crate) fn copy_to(&self, folder: &Path, with_pictures: bool) -> std::io::Result<Copy> {
        std::fs::create_dir_all(folder)?;
        let folder = folder.canonicalize()?;
        let scan = folder.join("harbour.tif");
        let session = folder.join("roll.session.json");
        let out = folder.join("out");
        let (small, made) = (folder.join("small.tif"), folder.join("made.session.json"));
        std::fs::copy(self.scan(), &scan)?;
        std::fs::copy(&self.session, &session)?;
        std::fs::copy(self.session.with_file_name("small.tif"), &small)?;
        std::fs::copy(&self.made, &made)?;
        std::fs::create_dir_all(&out)?;
        if with_pictures {
            let from = self.session.with_file_name("out");
            for name in self.pictures.keys() {
                std::fs::copy(from.join(name), out.join(name))?;
            }
        }
        let before = [&scan, &small].into_iter().filter_map(|path| Print::of(path)).collect();
        Ok(Copy { folder, scan, session, small, made, out, before })
    }
}

impl Copy {
    /// Requires that the scan is unchanged in inode, time, mode and content, and that no traced call touched it.
    pub(crate) fn scans_untouched(&self, tally: &mut Tally, ended: Option<&Ended>) {
        for before in &self.before {
            let same = Print::of(&before.path).as_ref() == Some(before);
            tally.require(same, || format!("the scan {} was changed", before.path.display()));
        }
        if let Some(ended) = ended {
            tally.refuse(ended.writes_to(&[self.scan.clone(), self.small.clone()]));
        }
    }

    /// Temporary files in the session folder and the picture folder.
    pub(crate) fn parts(&self) -> Vec<String> {
        let mut parts = parts_in(&self.folder);
        parts.extend(parts_in(&self.out));
        parts
    }

    /// Requires that no temporary file is left.
    pub(crate) fn no_parts(&self, tally: &mut Tally, when: &str) {
        let parts = self.parts();
        tally.require(parts.is_empty(), || format!("left {when}: {}", parts.join(", ")));
        // Remove them, so that each trial counts only its own.
        for part in parts {
            drop(std::fs::remove_file(part));
        }
    }

    /// Requires that the next start of the program removes everything that a run left behind.
    pub(crate) fn no_parts_after_start(&self, bench: &Bench, tally: &mut Tally) {
        if self.parts().is_empty() {
            return;
        }
        for session in [&self.session, &self.made] {
            let started = bench.program.start_worker(&[Path::new("start"), session]);
            let ended = started.and_then(|run| run.end(PATIENCE));
            tally.require(ended.is_ok_and(|ended| ended.status.success()), || {
                "the next start failed".to_owned()
            });
        }
        if !parts_in(&self.out).is_empty() {
            let mut args = export_args(&self.session, &self.out);
            args.extend(words(&["--frames", "1"]));
            if let Err(why) = succeed(&bench.program, &args) {
                tally.require(false, || format!("the next export failed: {why}"));
            }
        }
        self.no_parts(tally, "after the next start");
    }

    /// Requires that every existing picture is whole; with `all`, that none is missing.
    pub(crate) fn pictures_whole(&self, tally: &mut Tally, stage: &Stage, all: bool) {
        match pictures_in(&self.out) {
            Err(why) => tally.require(false, || why),
            Ok(found) => {
                for (name, sum) in &found {
                    let same = stage.pictures.get(name) == Some(sum);
                    tally.require(same, || format!("the picture {name} shows something else"));
                }
                let missing = stage.pictures.keys().filter(|name| !found.contains_key(*name)).count();
                tally.require(!all || missing == 0, || format!("{missing} pictures are missing"));
            }
        }
    }
}

fn parts_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let is_part = |name: &str| name.starts_with(".writing-") || name.ends_with(".part");
    entries
        .filter(|entry| is_part(&entry.file_name().to_string_lossy()))
        .map(|entry| entry.path().display().to_string())
        .collect()
}

/// Reads the pictures of a folder; an error names one that can't be read.
pub(crate) fn pictures_in(folder: &Path) -> Result<Pictures, String> {
    let mut found = Pictures::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') || entry.path().is_dir() {
            continue;
        }
        let cancel = CancelToken::new();
        let codes = Scan::open(&entry.path(), &OpenOptions::default())
            .and_then(|scan| scan.read_region(PixelRect::of_size(scan.width(), scan.height()), &cancel))
            .map_err(|error| format!("the picture {name} is not whole: {error}"))?;
        found.insert(name, sum_of(codes.data()));
    }
    Ok(found)
}

/// FNV-1a over the codes.
fn sum_of(codes: &[u16]) -> u64 {
    codes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |sum, code| (sum ^ u64::from(*code)).wrapping_mul(0x0100_0000_01b3))
}

/// Arguments that make the session of a small scan again, over an earlier one.
pub(crate) fn new_args(session: &Path, scan: &Path, title: &str) -> Vec<PathBuf> {
    let mut args = words(&["new", "--replace", "--film", "slide", "--one-frame-per-file", "--title", title]);
    args.extend([session.to_owned(), "--scan".into(), scan.to_owned()]);
    args
}

/// Arguments that export over earlier pictures.
pub(crate) fn export_args(session: &Path, out: &Path) -> Vec<PathBuf> {
    let mut args = words(&["export", "--replace", "--repair", "off"]);
    args.extend([session.to_owned(), "--to".into(), out.to_owned()]);
    args
}

pub(crate) fn words(list: &[&str]) -> Vec<PathBuf> {
    list.iter().map(PathBuf::from).collect()
}

pub(crate) fn borrowed(list: &[PathBuf]) -> Vec<&Path> {
    list.iter().map(PathBuf::as_path).collect()
}

/// Runs the program and requires success.
pub(crate) fn succeed(program: &Program, args: &[PathBuf]) -> Result<Ended, String> {
    let ended = program.run(&borrowed(args), &How::default()).map_err(|error| error.to_string())?;
    if ended.status.success() { Ok(ended) } else { Err(format!("{}: {}", ended.status, ended.said)) }
}
