//! Every kind of file that an export writes, read by programs that know nothing of this one. A program that is not
//! installed is named among the skipped tests.

use std::path::{Path, PathBuf};
use std::process::Command;

use glassine_engine::{
    ArchiveRequest, ContactSheetRequest, Engine, ExportRequest, FrameScope, SessionAt, SheetLayout,
};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_session::{
    DensityEncoding, Edit, ExportRecipe, Facts, OutputKind, PrintSettings, Session, TiffCompression,
    WebFormat,
};
use glassine_tests::{new_session, strip_on_disk};

const CAPTION: &str = "boats — “the morning” ßé";
const CREATOR: &str = "Zoë Quill";
const RIGHTS: &str = "© 1987 Zoë Quill";

/// What a program says when it is run; `None` if it is not installed.
fn said(program: &str, args: &[&str], file: &Path) -> Option<(bool, String)> {
    let output = match Command::new(program).args(args).arg(file).output() {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return None,
        output => output.expect("it runs"),
    };
    let text = [output.stdout, output.stderr].concat();
    Some((output.status.success(), String::from_utf8_lossy(&text).into_owned()))
}

/// Whether a program is installed; if not, its check is named among the skipped tests.
fn has(program: &str, args: &[&str]) -> bool {
    let is_there = Command::new(program).args(args).output().is_ok_and(|output| output.status.success());
    if !is_there {
        glassine_testdata::skipped(&format!("files read by {program}, which is not installed"));
    }
    is_there
}

fn recipes() -> Vec<ExportRecipe> {
    let mut recipes: Vec<_> = OutputKind::ALL.map(ExportRecipe::of_kind).to_vec();
    let named = |kind, name: &str| ExportRecipe::of_kind(kind).named(name);
    for compression in [TiffCompression::Deflate, TiffCompression::Lzw] {
        for kind in [OutputKind::Master, OutputKind::Tiff8, OutputKind::ArchiveNegative] {
            let name = format!("{} {}", kind.key(), compression.key());
            recipes.push(ExportRecipe { compression: Some(compression), ..named(kind, &name) });
        }
    }
    let small = |name| ExportRecipe { web_long_side_px: Some(300), ..named(OutputKind::Web, name) };
    recipes.push(ExportRecipe {
        space: Some("display-p3".to_owned()),
        web_format: Some(WebFormat::Png),
        ..small("png")
    });
    recipes.push(ExportRecipe { most_kb: Some(40), ..small("limited") });
    recipes
        .push(ExportRecipe { density: Some(DensityEncoding::Linear), ..named(OutputKind::Density, "light") });
    let print = PrintSettings { sides_mm: [90.0, 60.0], ppi: 150.0, ..PrintSettings::default() };
    recipes.push(ExportRecipe { print: Some(print), ..named(OutputKind::Print, "small print") });
    recipes
}

/// A strip with infrared, described in words beyond ASCII; the first frame is dated, the others are not quite.
fn session(film: FilmKind, scan: &Path) -> Session {
    let session = new_session(&Engine::new(), &[scan.to_owned()], film, "6x4.5").session;
    let facts = |idx: usize| Facts {
        caption: CAPTION.to_owned(),
        creator: CREATOR.to_owned(),
        rights: RIGHTS.to_owned(),
        keywords: "pier, Nebel".to_owned(),
        place: "the old harbour".to_owned(),
        date_shot: if idx == 0 { "1987-06-21" } else { "about 1987" }.to_owned(),
        film: "slow".to_owned(),
        camera: "box".to_owned(),
        lens: "75 mm".to_owned(),
        notes: "two pages".to_owned(),
    };
    let facts = session.frames.iter().enumerate().map(|(idx, frame)| (frame.id, facts(idx))).collect();
    Edit::SetFacts(facts).apply(&session).expect("applies")
}

/// Everything that is written of a session.
fn written(session: &Session, folder: &Path) -> Vec<PathBuf> {
    let engine = Engine::new();
    let kinds = ExportRecipe::settings_of(&recipes(), &session.output);
    let at = SessionAt::new(session.clone(), None);
    let first_two = session.frames.iter().take(2).map(|frame| frame.id).collect();
    let request = ExportRequest {
        scope: FrameScope::Only(first_two),
        repair: Some(false),
        written_at: "2026:02:03 04:05:06".to_owned(),
        ..ExportRequest::new(at.clone(), folder.to_owned())
    };
    let report = engine.export(&request.in_kinds(kinds), &CancelToken::new(), &|_, _| ()).expect("exports");
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    let mut files: Vec<PathBuf> = report.written.into_iter().map(|file| file.path).collect();
    for name in ["sheet.pdf", "sheet.jpg", "sheet.png"] {
        let sheet = ContactSheetRequest {
            at: at.clone(),
            path: folder.join(name),
            layout: SheetLayout { negatives: true, ..SheetLayout::default() },
            replace: false,
            output: session.output.clone(),
            name: "roll".to_owned(),
            made_on: "2026-02-03".to_owned(),
        };
        let sheet = engine.contact_sheet(&sheet, &CancelToken::new(), &|_, _| ()).expect("a sheet");
        files.extend(sheet.written);
    }
    files
}

fn ends_with(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|own| own == ending)
}

/// What the checker of metadata says without cause, and part of the names of the files of which it says so.
///
/// - Its list of compressions ends with TIFF 6.0; Deflate (8) came with a supplement of 2002.
/// - It takes an `ExtraSamples` of 0, unspecified data, for no extra sample. 0 is the only true value for infrared.
const UNFOUNDED: [(&str, &str); 2] = [
    ("Invalid value for IFD0 tag 0x0103 Compression", "deflate"),
    ("Invalid value for IFD0 tag 0x0115 SamplesPerPixel", "archive-negative"),
];

fn check_metadata(files: &[PathBuf]) {
    if !has("exiftool", &["-ver"]) {
        return;
    }
    let output =
        Command::new("exiftool").args(["-j", "-a", "-validate", "-warning", "-error"]).args(files).output();
    let said: serde_json::Value = serde_json::from_slice(&output.expect("it runs").stdout).expect("JSON");
    let said = said.as_array().expect("a list");
    assert_eq!(said.len(), files.len());
    for file in said {
        let name = file["SourceFile"].as_str().expect("a name");
        let verdict = file["Validate"].as_str().expect("a verdict");
        // What is said more than once is a list.
        let lines = |key: &str| match &file[key] {
            serde_json::Value::Array(lines) => lines.clone(),
            serde_json::Value::Null => Vec::new(),
            line => vec![line.clone()],
        };
        assert!(verdict == "OK" || verdict.contains("Warning"), "{name}: {verdict}");
        let is_unfounded =
            |line: &serde_json::Value| UNFOUNDED.iter().any(|(known, of)| line == known && name.contains(of));
        let wrong = [lines("Warning"), lines("Error")].concat().into_iter().find(|line| !is_unfounded(line));
        assert_eq!(wrong, None, "{name}");
    }
}

fn check_structure(files: &[PathBuf]) {
    for (program, version, endings) in [
        ("tiffinfo", None, &["tif"][..]),
        ("tiffdump", None, &["tif"]),
        ("identify", Some("-version"), &["tif", "jpg", "png"]),
        ("qpdf", Some("--version"), &["pdf"]),
        ("pdfinfo", Some("-v"), &["pdf"]),
    ] {
        let args = match program {
            "qpdf" => &["--check"][..],
            "identify" => &["-regard-warnings"],
            _ => &[],
        };
        let chosen = files.iter().filter(|file| endings.iter().any(|ending| ends_with(file, ending)));
        for (idx, file) in chosen.enumerate() {
            if idx == 0 && version.is_some_and(|version| !has(program, &[version])) {
                break;
            }
            let Some((is_sound, text)) = said(program, args, file) else {
                glassine_testdata::skipped(&format!("files read by {program}, which is not installed"));
                break;
            };
            let complains = text.lines().any(|line| line.contains("arning") || line.contains("rror:"));
            assert!(is_sound && !complains, "{program} {}: {text}", file.display());
        }
    }
}

/// The same values, read by another library for metadata.
fn check_values(files: &[PathBuf]) {
    if !has("exiv2", &["--version"]) {
        return;
    }
    let keys = [
        ("Xmp.dc.creator", CREATOR.to_owned()),
        ("Xmp.dc.rights", format!("lang=\"x-default\" {RIGHTS}")),
        ("Xmp.dc.subject", "pier, Nebel".to_owned()),
        ("Exif.Image.Artist", CREATOR.to_owned()),
        ("Exif.Image.Copyright", RIGHTS.to_owned()),
        ("Xmp.exif.DateTimeOriginal", "1987-06-21".to_owned()),
    ];
    let args: Vec<&str> =
        ["-q", "-Pkv"].into_iter().chain(keys.iter().flat_map(|(key, _)| ["-K", *key])).collect();
    let is_frame = |file: &&PathBuf| file.file_stem().is_none_or(|stem| stem != "sheet");
    for file in files.iter().filter(is_frame) {
        let (_, text) = said("exiv2", &args, file).expect("is installed");
        let is_first = file.file_stem().is_some_and(|stem| stem.to_string_lossy().ends_with('1'));
        for (key, wanted) in &keys {
            let found = text.lines().find_map(|line| line.strip_prefix(key)).map(str::trim);
            // Only the first frame has a date; the words of the others are none.
            let wanted = Some(wanted.as_str()).filter(|_| is_first || !key.contains("Date"));
            assert_eq!(found, wanted, "{key} of {}", file.display());
        }
    }
}

#[test]
fn every_kind_of_file_is_accepted_by_programs_of_others() {
    let strip = strip_on_disk("harbour", 120.0);
    let session = session(FilmKind::ColourNegative, &strip.scan);
    let files = written(&session, &strip.folder.path().join("out"));
    assert!(files.len() > recipes().len());
    check_metadata(&files);
    check_structure(&files);
    check_values(&files);
}

#[test]
fn files_of_black_and_white_film_are_accepted_by_programs_of_others() {
    let strip = strip_on_disk("harbour", 120.0);
    let session = session(FilmKind::BlackAndWhite, &strip.scan);
    let files = written(&session, &strip.folder.path().join("out"));
    check_metadata(&files);
    check_structure(&files);
    check_values(&files);
}

#[test]
fn a_package_is_accepted_by_the_reference_reader_of_bags() {
    if !has("python3", &["-c", "import bagit"]) {
        return;
    }
    let strip = strip_on_disk("harbour", 100.0);
    let session = session(FilmKind::ColourNegative, &strip.scan);
    let folder = strip.folder.path().join("bag");
    let at = SessionAt::new(session, None);
    let request = ArchiveRequest { at, folder: folder.clone(), made_on: "2026-02-03".to_owned() };
    Engine::new().archive(&request, &CancelToken::new(), &|_, _| ()).expect("a package");
    let check = "import bagit, sys; bagit.Bag(sys.argv[1]).validate()";
    let (is_valid, text) = said("python3", &["-W", "error", "-c", check], &folder).expect("is installed");
    assert!(is_valid, "{text}");
    // The values of its negatives too, which are of the kind that was checked above.
    let negatives = std::fs::read_dir(folder.join("data/negatives")).expect("a folder");
    check_values(&negatives.map(|entry| entry.expect("an entry").path()).collect::<Vec<_>>());
}
