//! Safekeeping: a package with everything a roll was made from, and the check that nothing in it has changed.

mod bag;
mod notes;

use std::collections::hash_map::Entry;
use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;

use glassine_film::OutputSpace;
use glassine_raster::CancelToken;
use glassine_scanfile::{AtomicFile, Overwrite, write_bytes_atomic};
use glassine_session::{FrameId, OutputKind, OutputSettings, Session, TiffCompression, clash_key, file};

use crate::checksum::copy_with_sha256;
use crate::colour::output_profile;
use crate::error::{EngineError, Notice, Severity};
use crate::frame::{space_of, stock_of};
use crate::render::export::{ExportProgress, Exporter, SmallPictures, check_manifest};
use crate::scans::files_of;
use crate::types::{
    ArchiveReport, ArchiveRequest, ExportRequest, FolderCheck, FrameScope, SessionAt, SharpenChoice,
};

/// Write the package of a session under another name and give it its own when it is complete.
pub(crate) fn write(
    exporter: &Exporter<'_>,
    request: &ArchiveRequest,
    cancel: &CancelToken,
    progress: ExportProgress<'_>,
) -> Result<ArchiveReport, EngineError> {
    let target = std::path::absolute(&request.folder).unwrap_or_else(|_| request.folder.clone());
    let is_free = match std::fs::read_dir(&target) {
        Ok(mut entries) => entries.next().is_none(),
        Err(_) => target.symlink_metadata().is_err(),
    };
    if !is_free {
        return Err(about(&target, "the folder is not empty; nothing was written", "choose a new folder"));
    }
    let mut name = target.file_name().unwrap_or_default().to_owned();
    name.push(".incomplete");
    let work = target.with_file_name(name);
    std::fs::create_dir_all(target.parent().unwrap_or(Path::new("."))).map_err(failed(&target))?;
    std::fs::create_dir(&work).map_err(|error| {
        about(
            &work,
            &format!("the folder can't be made: {error}"),
            "remove what an unfinished run left there",
        )
    })?;
    let made = fill(exporter, request, &work, cancel, progress).and_then(|report| {
        if target.is_dir() {
            std::fs::remove_dir(&target).map_err(failed(&target))?;
        }
        std::fs::rename(&work, &target).map_err(failed(&target))?;
        Ok(report)
    });
    if made.is_err() {
        // Only what this run made; the error that is reported is the first one.
        drop(std::fs::remove_dir_all(&work));
    }
    made
}

fn about(path: &Path, headline: &str, what_to_do: &str) -> EngineError {
    EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do).about(path))
}

fn failed(path: &Path) -> impl FnOnce(std::io::Error) -> EngineError + '_ {
    move |error| {
        about(path, &format!("the package can't be written: {error}"), "check the disk, then try again")
    }
}

fn fill(
    exporter: &Exporter<'_>,
    request: &ArchiveRequest,
    work: &Path,
    cancel: &CancelToken,
    progress: ExportProgress<'_>,
) -> Result<ArchiveReport, EngineError> {
    let data = work.join(bag::PAYLOAD);
    for folder in ["scans", "negatives", "stocks", "profiles"] {
        std::fs::create_dir_all(data.join(folder)).map_err(failed(work))?;
    }
    let session = &request.at.session;
    progress(0.0, "copying the scans");
    let (mut kept, mut copied) = copy_scans(&request.at, &data, cancel)?;
    copy_printer_profiles(&request.at, &mut kept, &data, &mut copied, cancel)?;
    write_negatives(exporter, request, &data, cancel, &|share, what| progress(0.2 + 0.6 * share, what))?;
    progress(0.8, "writing the session");
    for stock in session.strips.iter().map(|strip| stock_of(session, strip)) {
        let name: String =
            stock.id.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
        let path = data.join(format!("stocks/{name}.json"));
        if !path.exists() {
            write_bytes_atomic(&path, stock.to_json().as_bytes(), Overwrite::Never, None)?;
        }
    }
    let own = space_of(&session.output.space);
    for space in [own, OutputSpace::LinearSrgb] {
        let path = data.join(format!("profiles/{}.icc", space.key()));
        if !path.exists() {
            write_bytes_atomic(&path, &output_profile(space, false), Overwrite::Never, None)?;
        }
    }
    let notes = notes::text(session);
    write_bytes_atomic(
        &data.join("how-the-pictures-were-made.txt"),
        notes.as_bytes(),
        Overwrite::Never,
        None,
    )?;
    kept.output.folder = None;
    let bytes = file::to_json(&kept, Some(&data), &file::FileStamp::default()).map_err(|error| {
        EngineError::user_error(format!("the session can't be written: {error}"), "save it first")
    })?;
    write_bytes_atomic(&data.join("roll.session.json"), &bytes, Overwrite::Never, None)?;
    progress(0.85, "computing checksums");
    let about = [
        ("Bag-Software-Agent", concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned()),
        ("Bagging-Date", request.made_on.clone()),
        ("External-Description", description(&session.title)),
    ];
    let about: Vec<_> = about.into_iter().filter(|(_, value)| !value.is_empty()).collect();
    bag::close(work, &about, &copied, cancel)?;
    let check = bag::check(work, cancel)?;
    if let Some(finding) = check.findings.first() {
        return Err(about_finding(work, &finding.path));
    }
    progress(1.0, "done");
    Ok(ArchiveReport { files: check.files, scans: copied.len(), negatives: session.frames.len() })
}

fn description(title: &str) -> String {
    let of_roll = if title.is_empty() { String::new() } else { format!(" of the roll “{title}”") };
    format!("Scans and settings{of_roll}")
}

fn about_finding(work: &Path, path: &Path) -> EngineError {
    about(
        &work.join(path),
        "a file of the package differs from what was written",
        "check the disk, then try again",
    )
}

/// Copy the files of every scan, those of all parts of a joined one; returns the session that reads the copies, and their
/// checksums, which are those of the files that were read.
fn copy_scans(
    at: &SessionAt,
    data: &Path,
    cancel: &CancelToken,
) -> Result<(Session, bag::Checksums), EngineError> {
    let folder = at.folder.as_deref();
    let mut session = at.session.clone();
    let (mut copies, mut taken) = (HashMap::new(), HashSet::new());
    let mut checksums = bag::Checksums::new();
    for part in at.session.scans.iter().flat_map(|scan| scan.parts()) {
        let files = files_of(part, folder);
        for file in std::iter::once(files.scan).chain(files.infrared) {
            // Two scans may be pages of one file.
            if let Entry::Vacant(entry) = copies.entry(file) {
                let (name, checksum) = copy(entry.key(), data, "scans", &mut taken, cancel)?;
                entry.insert(data.join(&name));
                checksums.insert(name, checksum);
            }
        }
    }
    let copied = |file: &Path| copies.get(file).cloned().unwrap_or_else(|| file.to_path_buf());
    for scan in &mut session.scans {
        Arc::make_mut(scan).change_parts(|part| {
            let files = files_of(part, folder);
            part.path = copied(&files.scan);
            part.infrared_path = files.infrared.as_deref().map(copied);
        });
    }
    Ok((session, checksums))
}

/// Copy the profiles of the printers that recipes name; a recipe whose profile is missing keeps the path it has.
fn copy_printer_profiles(
    at: &SessionAt,
    kept: &mut Session,
    data: &Path,
    checksums: &mut bag::Checksums,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let resolved = |profile: &Path| file::resolve_path(profile, at.folder.as_deref());
    let (mut copies, mut taken) = (HashMap::new(), HashSet::new());
    for profile in kept.output.printer_profiles() {
        let from = resolved(profile);
        if copies.contains_key(&from) || !from.is_file() {
            continue;
        }
        let (name, checksum) = copy(&from, data, "profiles", &mut taken, cancel)?;
        copies.insert(from, data.join(&name));
        checksums.insert(name, checksum);
    }
    kept.output.change_profiles(|profile| {
        copies.get(&resolved(profile)).cloned().unwrap_or_else(|| profile.to_path_buf())
    });
    Ok(())
}

/// Copy a file, reading it once; returns the name of the copy below `data`, and the checksum and length of what was read.
fn copy(
    from: &Path,
    data: &Path,
    folder: &str,
    taken: &mut HashSet<String>,
    cancel: &CancelToken,
) -> Result<(String, (String, u64)), EngineError> {
    let name = from.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let free = |count: usize| if count == 1 { name.clone() } else { format!("{count} {name}") };
    let name = (1..).map(free).find(|name| taken.insert(clash_key(name))).unwrap_or_default();
    let to = data.join(folder).join(&name);
    let mut target = AtomicFile::create(&to, Overwrite::Never)?;
    let checksum = copy_with_sha256(from, &mut target, cancel)?;
    target.commit()?;
    Ok((format!("{folder}/{name}"), checksum))
}

/// Archive negatives of all frames, left out or not, named by their place.
fn write_negatives(
    exporter: &Exporter<'_>,
    request: &ArchiveRequest,
    data: &Path,
    cancel: &CancelToken,
    progress: ExportProgress<'_>,
) -> Result<(), EngineError> {
    let session = &request.at.session;
    let frames: Vec<FrameId> = session.frames.iter().map(|frame| frame.id).collect();
    if frames.is_empty() {
        return Ok(());
    }
    let output = OutputSettings {
        kind: OutputKind::ArchiveNegative,
        compression: TiffCompression::None,
        name_template: Some("frame {count:3}".to_owned()),
        ..session.output.clone()
    };
    let export = ExportRequest {
        scope: FrameScope::Only(frames),
        output,
        repair: Some(false),
        sharpen: Some(SharpenChoice::Off),
        ..ExportRequest::new(request.at.clone(), data.join("negatives"))
    };
    let report = exporter.export(&export, &SmallPictures::default(), cancel, progress)?;
    match report.failed.into_iter().next() {
        Some(failed) => Err(EngineError::Permanent(failed.notice)),
        None if report.cancelled => Err(EngineError::Cancelled),
        None => Ok(()),
    }
}

/// Compare a package or the folder of an export with its checksums.
pub(crate) fn check(folder: &Path, cancel: &CancelToken) -> Result<FolderCheck, EngineError> {
    if !bag::is_package(folder)
        && let Some(check) = check_manifest(folder, cancel)?
    {
        return Ok(check);
    }
    bag::check(folder, cancel)
}
