//! Contact sheets: every frame of a session, small, in film order, as a PDF or as pictures of its pages.

mod layout;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_film::OutputSpace;
use glassine_raster::{CancelToken, ResolutionPpi};
use glassine_scanfile::sheet::{Sheet, SheetPicture, write_sheet_pdf, write_sheet_picture};
use glassine_scanfile::{Metadata, Overwrite, PictureFormat};
use glassine_session::{Frame, FrameId, FrameMark, Session, Strip};

use crate::colour::output_profile;
use crate::error::EngineError;
use crate::preview::Previews;
use crate::render::export::{SmallPictures, planned_paths};
use crate::types::{
    ContactSheetReport, ContactSheetRequest, FailedFrame, PictureSide, PreviewRequest, SessionAt, UnitRect,
    ViewKey,
};
use layout::{Cell, PlannedPage, Row, SheetText, Shown};

/// Resolution of pages and of the pictures on them; common practice for prints seen from reading distance.
const PAGE_PPI: ResolutionPpi = ResolutionPpi::new(300.0).expect("positive");
/// Quality of pages written as JPEG: our choice, no visible blocks around text.
const JPEG_QUALITY: u8 = 92;

type Progress<'a> = &'a (dyn Fn(f32, &str) + Sync);

/// A contact sheet that is laid out, without its pictures.
pub(crate) struct PlannedSheet<'a> {
    request: &'a ContactSheetRequest,
    format: SheetFormat,
    overwrite: Overwrite,
    pages: Vec<PlannedPage>,
    wanted: Vec<Shown>,
}

impl<'a> PlannedSheet<'a> {
    pub(crate) fn new(request: &'a ContactSheetRequest) -> Result<Self, EngineError> {
        let session = &request.at.session;
        if session.frames.is_empty() {
            return Err(EngineError::user_error(
                "there is no frame to show",
                "find frames or draw a box first",
            ));
        }
        let format = SheetFormat::of(&request.path)?;
        let overwrite = if request.replace { Overwrite::Replace } else { Overwrite::Never };
        // A taken name is reported before the work.
        drop(glassine_scanfile::AtomicFile::create(&request.path, overwrite)?);
        let rows = rows_of(session, request);
        let (pages, wanted) = layout::pages(&rows, &text_of(session, request), request);
        Ok(Self { request, format, overwrite, pages, wanted })
    }

    /// The files that it will have.
    pub(crate) fn paths(&self) -> Vec<PathBuf> {
        let pages = if matches!(self.format, SheetFormat::Pdf) { 1 } else { self.pages.len() };
        (1..=pages).map(|page| page_path(&self.request.path, page)).collect()
    }

    /// Longest side of the print of each frame on the sheet.
    pub(crate) fn sides_px(&self) -> HashMap<FrameId, u32> {
        let prints = self.wanted.iter().filter(|shown| shown.side == PictureSide::Positive);
        let side = |shown: &Shown| {
            let [width, height] = shown.box_mm.map(side_px);
            let aspect = layout::aspect(&shown.frame);
            // The picture fills its box in one direction.
            let scale = (f64::from(width) / aspect).min(f64::from(height));
            (shown.frame.id, (scale * aspect.max(1.0)).round().max(1.0) as u32)
        };
        prints.map(side).collect()
    }

    /// Make the pictures that are not there yet and write the sheet. A frame without a picture is named in the report and
    /// on the sheet.
    pub(crate) fn write(
        self,
        previews: &Previews,
        made: &SmallPictures,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<ContactSheetReport, EngineError> {
        let Self { request, format, overwrite, pages, wanted } = self;
        let session = &request.at.session;
        let mut report = ContactSheetReport { frames: session.frames.len(), ..ContactSheetReport::default() };
        let count = wanted.len();
        let mut pictures = Vec::with_capacity(count);
        for (idx, wanted) in wanted.iter().enumerate() {
            cancel.check()?;
            progress(idx as f32 / count as f32, &format!("picture {} of {count}", idx + 1));
            let there = made.get(wanted.frame.id).filter(|_| wanted.side == PictureSide::Positive);
            match there.map_or_else(|| picture(previews, &request.at, wanted, cancel), Ok) {
                Ok(picture) => pictures.push(Some(picture)),
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => {
                    pictures.push(None);
                    // The negative and the print of a frame fail for the same reason.
                    if report.failed.iter().all(|failed| failed.frame != wanted.frame.id) {
                        let number = session.number_text(&wanted.frame);
                        let (frame, notice) = (wanted.frame.id, error.notice());
                        report.failed.push(FailedFrame { frame, number, notice });
                    }
                }
            }
        }
        let sheet = Sheet {
            title: title_of(session, request),
            software: concat!("Glassine ", env!("CARGO_PKG_VERSION")).to_owned(),
            pages: pages.into_iter().map(|page| page.with_pictures(&wanted, &pictures)).collect(),
        };
        report.pages = sheet.pages.len();
        report.written = format.write(&request.path, &sheet, overwrite)?;
        progress(1.0, "done");
        Ok(report)
    }
}

fn side_px(mm: f64) -> u32 {
    PAGE_PPI.px_from_mm(mm).round().max(1.0) as u32
}

/// The kind of file that a name asks for.
#[derive(Clone, Copy)]
enum SheetFormat {
    Pdf,
    Picture(PictureFormat),
}

impl SheetFormat {
    fn of(path: &Path) -> Result<Self, EngineError> {
        let ending = path.extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        Ok(match ending.as_str() {
            "pdf" => Self::Pdf,
            "png" => Self::Picture(PictureFormat::Png),
            "jpg" | "jpeg" => Self::Picture(PictureFormat::Jpeg { quality: JPEG_QUALITY }),
            _ => {
                return Err(EngineError::user_error(
                    format!("a contact sheet can't be written as “{}”", path.display()),
                    "give a name that ends in .pdf, .jpg or .png",
                ));
            }
        })
    }

    /// Write the sheet; pictures of further pages have the page behind their names.
    fn write(self, path: &Path, sheet: &Sheet, overwrite: Overwrite) -> Result<Vec<PathBuf>, EngineError> {
        let Self::Picture(format) = self else {
            write_sheet_pdf(path, sheet, overwrite)?;
            return Ok(vec![path.to_owned()]);
        };
        let targets: Vec<PathBuf> = (1..=sheet.pages.len()).map(|page| page_path(path, page)).collect();
        for target in targets.iter().skip(1) {
            drop(glassine_scanfile::AtomicFile::create(target, overwrite)?);
        }
        for (page, target) in sheet.pages.iter().zip(&targets) {
            let about = Metadata {
                title: sheet.title.clone(),
                software: sheet.software.clone(),
                ..Metadata::default()
            };
            let icc = Some(output_profile(OutputSpace::Srgb, false));
            write_sheet_picture(target, page, (PAGE_PPI, format), about, icc, overwrite)?;
        }
        Ok(targets)
    }
}

/// Pages of a sheet of this name that are on disk.
pub(crate) fn pages_there(path: &Path) -> Vec<PathBuf> {
    let is_pdf = matches!(SheetFormat::of(path), Ok(SheetFormat::Pdf));
    let pages = (1..=if is_pdf { 1 } else { usize::MAX }).map(|page| page_path(path, page));
    pages.take_while(|page| page.symlink_metadata().is_ok()).collect()
}

fn page_path(path: &Path, page: usize) -> PathBuf {
    if page == 1 {
        return path.to_owned();
    }
    let part = |text: Option<&std::ffi::OsStr>| text.unwrap_or_default().to_owned();
    let mut name = part(path.file_stem());
    name.push(format!(" {page}."));
    name.push(part(path.extension()));
    path.with_file_name(name)
}

fn title_of(session: &Session, request: &ContactSheetRequest) -> String {
    if session.title.is_empty() { request.name.clone() } else { session.title.clone() }
}

/// Strips in the order of their first frames, or one row of all frames that is broken into lines.
fn rows_of(session: &Session, request: &ContactSheetRequest) -> Vec<Row> {
    let names: Vec<_> =
        planned_paths(session, &session.frames, Path::new(""), &request.output, &request.made_on)
            .into_iter()
            .map(|(_, path)| path.map_or_else(|_| "no name".to_owned(), |path| path.display().to_string()))
            .collect();
    let cell = |(frame, name): (&Arc<Frame>, &String)| Cell {
        frame: Arc::clone(frame),
        number: frame.film_number.map_or_else(|| session.number_text(frame), |number| number.text(1)),
        name: name.clone(),
    };
    let mut strips: Vec<Row> = Vec::new();
    let mut of_strip = Vec::new();
    for shown in session.frames.iter().zip(&names) {
        let strip = shown.0.strip;
        match of_strip.iter().position(|known| *known == strip) {
            Some(at) => strips[at].cells.push(cell(shown)),
            None => {
                of_strip.push(strip);
                let caption = strip_caption(session, strip, of_strip.len());
                strips.push(Row { caption: Some(caption), cells: vec![cell(shown)] });
            }
        }
    }
    strips
}

/// Place on the roll, scan and film base of a strip.
fn strip_caption(session: &Session, strip: glassine_session::StripId, place: usize) -> String {
    let mut parts = vec![format!("strip {place}")];
    if let Some(strip) = session.strip(strip) {
        let scan = session.scan(strip.scan).and_then(|scan| scan.path.file_name());
        parts.extend(scan.map(|name| name.to_string_lossy().into_owned()));
        parts.extend(base_text(&[strip]));
    }
    parts.join(" · ")
}

/// Base density of some strips: a value for each channel, or its range.
fn base_text(strips: &[&Arc<Strip>]) -> Option<String> {
    let bases: Vec<[f64; 3]> =
        strips.iter().filter_map(|strip| Some(strip.base.as_ref()?.density_d)).collect();
    let range = |channel: usize| {
        let values = bases.iter().map(|base| base[channel]);
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), d| (low.min(d), high.max(d)));
        let (low, high) = (format!("{low:.2}"), format!("{high:.2}"));
        if low == high { low } else { format!("{low}–{high}") }
    };
    (!bases.is_empty()).then(|| format!("film base {} {} {} D", range(0), range(1), range(2)))
}

/// The header of every page.
fn text_of(session: &Session, request: &ContactSheetRequest) -> SheetText {
    let mut about = Vec::new();
    let mut add = |text: String| {
        if !text.is_empty() && !about.contains(&text) {
            about.push(text);
        }
    };
    for strip in &session.strips {
        add(strip.film.label().to_lowercase());
    }
    for strip in &session.strips {
        add(strip.format_id.clone().unwrap_or_default());
    }
    add(base_text(&session.strips.iter().collect::<Vec<_>>()).unwrap_or_default());
    let count = session.frames.len();
    add(format!("{count} frame{}", if count == 1 { "" } else { "s" }));
    let marked = |mark: FrameMark| session.frames.iter().filter(|frame| frame.mark == mark).count();
    for mark in [FrameMark::Keep, FrameMark::LookAgain, FrameMark::LeaveOut] {
        let count = marked(mark);
        add(if count == 0 { String::new() } else { format!("{count} {}", layout::mark_text(mark)) });
    }
    if !request.made_on.is_empty() {
        add(format!("made {}", request.made_on));
    }
    SheetText { title: title_of(session, request), about: about.join(" · "), name: request.name.clone() }
}

/// A picture of a frame for its place on the sheet.
fn picture(
    previews: &Previews,
    at: &SessionAt,
    wanted: &Shown,
    cancel: &CancelToken,
) -> Result<Arc<SheetPicture>, EngineError> {
    let request = PreviewRequest {
        key: ViewKey::Print(wanted.frame.id),
        at: at.clone(),
        region: UnitRect::WHOLE,
        scan_rect: glassine_raster::PixelRect::of_size(1, 1),
        max_width_px: side_px(wanted.box_mm[0]),
        max_height_px: side_px(wanted.box_mm[1]),
        side: wanted.side,
        overlay: crate::types::Overlay::None,
        proof: None,
        revision: 0,
    };
    let made = std::sync::Mutex::new(None);
    previews.preview(&request, cancel, &|preview| {
        // A coarse picture comes first where the scan must still be read; the last one is sharp.
        *made.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(preview);
    })?;
    let made = made.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let made = made.ok_or_else(|| EngineError::internal("no picture was made for the contact sheet"))?;
    let rgb = made.rgba.chunks_exact(4).flat_map(|px| [px[0], px[1], px[2]]).collect();
    Ok(Arc::new(SheetPicture { width_px: made.width_px, height_px: made.height_px, rgb }))
}

/// Both sides of a frame, or the print alone.
fn sides(negatives: bool) -> &'static [PictureSide] {
    if negatives { &[PictureSide::Scan, PictureSide::Positive] } else { &[PictureSide::Positive] }
}
