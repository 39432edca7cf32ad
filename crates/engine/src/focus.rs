//! Compares scans of the same film at several holder heights: brings them over each other, and measures them cell by
//! cell.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_layout::join::{Affine, PartView, RegisterError, register_pair};
use glassine_raster::{PixelRect, Plane, Point, PowerCurve, RegionSource as _};
use glassine_session::{EncodingChoice, ScanRef, Session};
use glassine_sharpness::{CELL_PX, CellFocus, FocusSeries};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::import::FindRequest;
use crate::error::{EngineError, Notice};
use crate::frame::light;
use crate::scans::{OpenScan, OverviewData, shown};
use crate::types::{NewSessionRequest, ScanReading};

/// Pictures found with less confidence are not compared; with none left, the whole scan is.
const CONFIDENCE_MIN: f64 = 0.5;
/// Share of a picture's sides left out: gates and box edges are not on the plane of the film.
const EDGE_SHARE: f64 = 0.03;
/// Smallest side of a cell, px: four tiles of detail. Cells grow in steps of a tile.
const CELL_MIN_PX: u32 = 128;
const CELL_STEP_PX: u32 = 64;
/// Most cells, and most of a picture each way. Our choice: more take longer and tell no more of tilt and bow.
const CELLS_MAX: usize = 160;
const CELLS_A_SIDE: u32 = 12;
/// Share of a cell that may be brighter than what is shown as white. Our choice.
const WHITE_SHARE: f64 = 0.998;

/// Scans of the same film to compare.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FocusRequest {
    pub files: Vec<PathBuf>,
    /// Height of the holder for each of them; empty if unknown.
    pub heights_mm: Vec<f64>,
    pub encoding: EncodingChoice,
}

/// One scan of a comparison.
#[derive(Debug, Clone)]
pub struct FocusScan {
    pub path: PathBuf,
    pub height_mm: Option<f64>,
}

/// One cell as every scan shows it, at full size.
#[derive(Debug, Clone)]
pub struct FocusPlace {
    /// Middle of the cell, 0 to 1 over the compared part.
    pub at: (f64, f64),
    /// Grey pictures in the order of the scans, sRGB coded, with the light of the first.
    pub pictures: Vec<Arc<Plane<u8>>>,
    /// Whether it has the most to see.
    pub is_richest: bool,
}

/// The comparison of a series of scans, in the order given.
#[derive(Debug, Clone)]
pub struct FocusReport {
    pub scans: Vec<FocusScan>,
    /// The comparison; `None` if fewer than two scans could be read.
    pub series: Option<FocusSeries>,
    /// What was compared on the first scan.
    pub part: PixelRect,
    /// What was compared, place by place.
    pub places: Vec<FocusPlace>,
    /// Width and height of a cell relative to that part.
    pub cell: (f64, f64),
    /// Resolution of the first scan, pixels per inch.
    pub ppi: Option<f64>,
    /// Scans that could not be compared.
    pub failed: Vec<(PathBuf, Notice)>,
}

/// A scan with its place on the first one.
struct Placed {
    path: PathBuf,
    height_mm: Option<f64>,
    open: Arc<OpenScan>,
    from_first: Affine,
}

/// A cell on the first scan, and what each scan shows there.
type Piece = (PixelRect, Vec<Plane<f32>>);

/// Cells of one size on the first scan, in rows that are read together.
struct Grid {
    rows: Vec<Vec<PixelRect>>,
    side: u32,
}

impl AnalysisContext<'_> {
    /// Compare scans; those that can't be read or show another film are named in the report.
    pub(crate) fn compare_focus(&self, request: &FocusRequest) -> Result<FocusReport, EngineError> {
        let mut failed = Vec::new();
        let mut placed: Vec<Placed> = Vec::new();
        let mut first: Option<(Session, Arc<OverviewData>)> = None;
        let count = request.files.len().max(1) as f32;
        for (nth, path) in request.files.iter().enumerate() {
            let share = |share: f32| {
                (self.progress)(0.4 * (nth as f32 + share) / count, &format!("reading {}", shown(path)));
            };
            let height_mm = request.heights_mm.get(nth).copied();
            match self.placed((path, height_mm), request, placed.first().zip(first.as_ref()), &share) {
                Ok((scan, session, overview)) => {
                    first.get_or_insert((session, overview));
                    placed.push(scan);
                }
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => {
                    let notice = error.notice();
                    let is_named = notice.path.is_some();
                    failed.push((path.clone(), if is_named { notice } else { notice.about(path) }));
                }
            }
        }
        let Some((session, _)) = first.filter(|_| placed.len() > 1) else {
            return Ok(FocusReport {
                scans: named(&placed),
                series: None,
                part: PixelRect::default(),
                places: Vec::new(),
                cell: (0.0, 0.0),
                ppi: None,
                failed,
            });
        };
        let ppi = session.scans.first().and_then(|scan| scan.ppi);
        self.compared(&placed, &session, ppi, failed)
    }

    /// A scan with its place on the first one, its session with frames, and its overview.
    fn placed(
        &self,
        (path, height_mm): (&Path, Option<f64>),
        request: &FocusRequest,
        first: Option<(&Placed, &(Session, Arc<OverviewData>))>,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<(Placed, Session, Arc<OverviewData>), EngineError> {
        let reading = ScanReading { encoding: request.encoding, ..ScanReading::default() };
        let scans = vec![path.to_owned()];
        let request = NewSessionRequest { scans, reading, ..NewSessionRequest::default() };
        let mut builder = EditBuilder::new(Session::default());
        let ids = self.open_scans(&mut builder, &request)?;
        let id = ids.first().copied().ok_or_else(EngineError::no_scan)?;
        let Some((first, (session, seen))) = first else {
            // A target or a cut-out is no strip: it is compared as it is.
            let analysis = AnalysisContext { progress: &|_, _| (), ..*self };
            if let Err(EngineError::Cancelled) =
                analysis.find_frames(&mut builder, id, &FindRequest::of(&request))
            {
                return Err(EngineError::Cancelled);
            }
            let scan = builder.session.scan(id).ok_or_else(EngineError::no_scan)?;
            let open = self.scans.get(scan, self.folder)?;
            let overview = open.overview(self.cancel, share)?;
            let placed = Placed { path: path.to_owned(), height_mm, open, from_first: Affine::IDENTITY };
            return Ok((placed, builder.session, overview));
        };
        let scan = builder.session.scan(id).ok_or_else(EngineError::no_scan)?;
        // What a file does not say was measured on the first one: all are from one scanner.
        let encoding = session.scans.first().map_or(scan.encoding, |first| first.encoding_in_use());
        let scan = ScanRef { encoding, ..ScanRef::clone(scan) };
        let open = self.scans.get(&scan, self.folder)?;
        let overview = open.overview(self.cancel, share)?;
        let fit = register_pair(&part_view(&first.open, seen), &part_view(&open, &overview), self.cancel);
        let to_first = fit.map_err(|why| unlike(&why, &first.path))?.b_to_a;
        let from_first =
            to_first.inverse().ok_or_else(|| EngineError::internal("a registration has an inverse"))?;
        Ok((Placed { path: path.to_owned(), height_mm, open, from_first }, builder.session, overview))
    }

    fn compared(
        &self,
        placed: &[Placed],
        session: &Session,
        ppi: Option<f64>,
        failed: Vec<(PathBuf, Notice)>,
    ) -> Result<FocusReport, EngineError> {
        let first = &placed[0];
        let parts = parts_of(session, &first.open);
        let part = parts.iter().copied().reduce(union).unwrap_or_default();
        let grid = Grid::over(&parts).ok_or_else(|| {
            let (width, height) = (part.width(), part.height());
            EngineError::user_error(
                format!("a picture of {width} x {height} px is too small to judge focus by"),
                format!("scan at a higher resolution; at least {CELL_MIN_PX} px each way are needed"),
            )
        })?;
        let (w, h) = (f64::from(part.width()), f64::from(part.height()));
        let place = |rect: &PixelRect| {
            let middle = |from: u32, to: u32, start: u32| f64::from(from + to) / 2.0 - f64::from(start);
            (middle(rect.x0, rect.x1, part.x0) / w, middle(rect.y0, rect.y1, part.y0) / h)
        };
        let (mut cells, mut places) = (Vec::new(), Vec::new());
        let (mut most, mut richest) = (0, 0);
        let rows = grid.rows.len().max(1) as f32;
        for (nth, row) in grid.rows.iter().enumerate() {
            (self.progress)(0.4 + 0.6 * nth as f32 / rows, "comparing the scans");
            for (rect, planes) in self.pieces(placed, row)? {
                let cell = CellFocus::measure(place(&rect), &planes, self.cancel)?;
                let detail = 20 * cell.edges() + cell.tiles;
                if detail > most {
                    (most, richest) = (detail, places.len());
                }
                let top = planes.first().map_or(1.0, brightest);
                let pictures =
                    planes.iter().zip(&cell.gains).map(|(plane, gain)| Arc::new(as_seen(plane, top * gain)));
                places.push(FocusPlace { at: cell.at, pictures: pictures.collect(), is_richest: false });
                cells.push(cell);
            }
        }
        if cells.is_empty() {
            return Err(EngineError::user_error(
                "these scans share no part of a picture",
                "scan the same frames again, with nothing changed but the height",
            ));
        }
        let heights: Vec<f64> = placed.iter().filter_map(|scan| scan.height_mm).collect();
        let series = FocusSeries::of(&cells, &heights).map_err(|why| {
            EngineError::user_error(why.to_string(), "scan a frame with fine detail, or a target")
        })?;
        if let Some(place) = places.get_mut(richest) {
            place.is_richest = true;
        }
        let side = f64::from(grid.side);
        (self.progress)(1.0, "done");
        Ok(FocusReport {
            scans: named(placed),
            series: Some(series),
            part,
            places,
            cell: (side / w, side / h),
            ppi,
            failed,
        })
    }

    /// The cells of a row that lie on every scan, with what each scan shows there.
    fn pieces(&self, placed: &[Placed], row: &[PixelRect]) -> Result<Vec<Piece>, EngineError> {
        let there = |rect: &PixelRect| -> Option<Vec<PixelRect>> {
            placed.iter().map(|scan| scan.rect_of(rect)).collect()
        };
        let cells: Vec<(PixelRect, Vec<PixelRect>)> =
            row.iter().filter_map(|rect| Some((*rect, there(rect)?))).collect();
        let mut pieces: Vec<Piece> = cells.iter().map(|(rect, _)| (*rect, Vec::new())).collect();
        for (nth, scan) in placed.iter().enumerate() {
            let Some(band) = cells.iter().map(|(_, rects)| rects[nth]).reduce(union) else { continue };
            let read = light(&scan.open, band, self.cancel)?;
            for ((_, planes), (_, rects)) in pieces.iter_mut().zip(&cells) {
                planes.push(cut(&read, rects[nth], (band.x0, band.y0)));
            }
        }
        Ok(pieces)
    }
}

fn named(placed: &[Placed]) -> Vec<FocusScan> {
    placed.iter().map(|scan| FocusScan { path: scan.path.clone(), height_mm: scan.height_mm }).collect()
}

impl Placed {
    /// Where a cell of the first scan lies on this one; `None` if it reaches beyond it.
    fn rect_of(&self, cell: &PixelRect) -> Option<PixelRect> {
        let middle = Point::new(f64::from(cell.x0 + cell.x1) / 2.0, f64::from(cell.y0 + cell.y1) / 2.0);
        let there = self.from_first.apply(middle);
        let (x, y) = (there.x - f64::from(cell.width()) / 2.0, there.y - f64::from(cell.height()) / 2.0);
        let (x, y) = (x.round(), y.round());
        let is_inside = x >= 0.0
            && y >= 0.0
            && x + f64::from(cell.width()) <= f64::from(self.open.width())
            && y + f64::from(cell.height()) <= f64::from(self.open.height());
        is_inside.then(|| {
            let (x, y) = (x as u32, y as u32);
            PixelRect::new(x, y, x + cell.width(), y + cell.height())
        })
    }
}

impl Grid {
    /// Evenly spread cells of each picture; `None` if they are too small for one.
    fn over(parts: &[PixelRect]) -> Option<Self> {
        let least = parts.iter().map(|part| part.width().min(part.height())).max()?;
        let side = (least / CELL_STEP_PX * CELL_STEP_PX).min(CELL_PX);
        if side < CELL_MIN_PX {
            return None;
        }
        let parts: Vec<&PixelRect> =
            parts.iter().filter(|part| part.width() >= side && part.height() >= side).collect();
        let each = (CELLS_MAX / parts.len().max(1)).max(1);
        let mut rows = Vec::new();
        for part in parts {
            let fit = |length: u32| (length / side).clamp(1, CELLS_A_SIDE);
            let (mut columns, mut lines) = (fit(part.width()), fit(part.height()));
            while (columns * lines) as usize > each {
                *(if columns >= lines { &mut columns } else { &mut lines }) -= 1;
            }
            let start = |from: u32, length: u32, nth: u32, count: u32| {
                from + (u64::from(length - side) * u64::from(2 * nth + 1) / u64::from(2 * count)) as u32
            };
            for j in 0..lines {
                let y = start(part.y0, part.height(), j, lines);
                let cell = |i: u32| {
                    let x = start(part.x0, part.width(), i, columns);
                    PixelRect::new(x, y, x + side, y + side)
                };
                rows.push((0..columns).map(cell).collect());
            }
        }
        Some(Self { rows, side })
    }
}

/// The pictures of the first scan, or all of it.
fn parts_of(session: &Session, open: &OpenScan) -> Vec<PixelRect> {
    let pictures = session.frames.iter().filter(|frame| frame.confidence >= CONFIDENCE_MIN);
    let parts: Vec<PixelRect> = pictures
        .filter_map(|frame| frame.image_area)
        .map(|area| area.inset(EDGE_SHARE * area.width_px.min(area.height_px)))
        .map(|area| area.pixel_bounds(open.width(), open.height()))
        .collect();
    if parts.is_empty() { vec![PixelRect::of_size(open.width(), open.height())] } else { parts }
}

fn part_view<'a>(open: &'a Arc<OpenScan>, overview: &'a OverviewData) -> PartView<'a> {
    PartView {
        full: open,
        overview: &overview.samples,
        overview_factor: overview.factor,
        colours: open.colour_channels(),
    }
}

fn unlike(why: &RegisterError, first: &Path) -> EngineError {
    match why {
        RegisterError::Region(error) => error.clone().into(),
        RegisterError::Unregistered(why) => EngineError::user_error(
            format!("this scan does not show the same film as the first one, {}: {why}", shown(first)),
            "scan the same frames again, with nothing changed but the height",
        ),
    }
}

fn union(a: PixelRect, b: PixelRect) -> PixelRect {
    PixelRect::new(a.x0.min(b.x0), a.y0.min(b.y0), a.x1.max(b.x1), a.y1.max(b.y1))
}

fn cut(plane: &Plane<f32>, rect: PixelRect, (x, y): (u32, u32)) -> Plane<f32> {
    let row = |line: u32| plane.row(line - y)[(rect.x0 - x) as usize..(rect.x1 - x) as usize].iter().copied();
    let data = (rect.y0..rect.y1).flat_map(row).collect();
    Plane::from_vec(rect.width(), rect.height(), data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
}

/// The light that is shown as white: single specks may be brighter.
fn brightest(plane: &Plane<f32>) -> f64 {
    let mut sorted = plane.data().to_vec();
    sorted.sort_by(f32::total_cmp);
    let at = (sorted.len() as f64 * WHITE_SHARE) as usize;
    sorted.get(at.min(sorted.len().saturating_sub(1))).map_or(1.0, |value| f64::from(*value).max(1e-6))
}

/// Linear light up to a value, coded for the screen.
fn as_seen(light: &Plane<f32>, top: f64) -> Plane<u8> {
    let code = |value: &f32| {
        let share = (f64::from(*value) / top.max(1e-9)).clamp(0.0, 1.0);
        (255.0 * PowerCurve::SRGB.encode(share) + 0.5) as u8
    };
    let data = light.data().iter().map(code).collect();
    Plane::from_vec(light.width(), light.height(), data).unwrap_or_else(|| Plane::filled(0, 0, 0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_lie_inside_their_pictures_and_are_not_too_many() {
        let pictures: Vec<PixelRect> =
            (0..6).map(|nth| PixelRect::new(100 + 3600 * nth, 50, 3500 + 3600 * nth, 2300)).collect();
        let grid = Grid::over(&pictures).expect("large enough");
        let cells: Vec<PixelRect> = grid.rows.concat();
        assert!(cells.len() <= CELLS_MAX && cells.len() > 100, "{}", cells.len());
        assert!(cells.iter().all(|cell| pictures.iter().any(|part| part.intersect(*cell) == *cell)));
        let small = Grid::over(&[PixelRect::new(0, 0, 271, 177)]).expect("large enough");
        assert_eq!((small.side, small.rows.concat().len()), (128, 2));
        assert!(Grid::over(&[PixelRect::new(0, 0, 271, 100)]).is_none());
    }
}
