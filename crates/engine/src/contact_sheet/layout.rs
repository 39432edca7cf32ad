//! Where everything on a contact sheet goes. All sizes are our choice: small enough for a roll on a page, with text
//! that can be read without a loupe.

use std::sync::Arc;

use glassine_scanfile::sheet::{
    SheetArea, SheetItem, SheetPage, SheetPicture, Weight, fitted_text, text_width_mm,
};
use glassine_session::{Frame, FrameMark};

use crate::types::{ContactSheetRequest, PictureSide, SheetArrangement};

const MARGIN_MM: f64 = 10.0;
/// Title and the line below it.
const HEADER_MM: f64 = 14.0;
const FOOTER_MM: f64 = 6.0;
/// Between frames, and between the negative of a frame and its print.
const GAP_MM: f64 = 3.0;
const SIDES_GAP_MM: f64 = 1.0;
const CAPTION_MM: f64 = 5.0;
const TITLE_SIZE_MM: f64 = 5.5;
const TEXT_SIZE_MM: f64 = 2.8;
/// Room of a line of text, in its size.
const LINE: f64 = 1.35;
/// Frames in a row of a grid; with more, a row of strips becomes a grid.
const COLUMNS: std::ops::RangeInclusive<usize> = 3..=8;
const DARK: u8 = 30;
const PALE: u8 = 110;

/// A frame and what is written below it.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    pub(super) frame: Arc<Frame>,
    pub(super) number: String,
    pub(super) name: String,
}

/// The frames of a strip.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) caption: Option<String>,
    pub(super) cells: Vec<Cell>,
}

/// Text of every page.
#[derive(Debug, Clone)]
pub(super) struct SheetText {
    pub(super) title: String,
    pub(super) about: String,
    pub(super) name: String,
}

/// A picture that the sheet needs.
#[derive(Debug, Clone)]
pub(super) struct Shown {
    pub(super) frame: Arc<Frame>,
    pub(super) side: PictureSide,
    /// Room for the picture.
    pub(super) box_mm: [f64; 2],
    corner_mm: [f64; 2],
}

/// A page whose pictures are still to be made.
#[derive(Debug, Clone, Default)]
pub(super) struct PlannedPage {
    page: SheetPage,
    /// Numbers of its pictures.
    pictures: Vec<usize>,
}

/// What is written for a mark; nothing for a frame without one.
pub(super) fn mark_text(mark: FrameMark) -> &'static str {
    match mark {
        FrameMark::Unmarked => "",
        FrameMark::Keep => "keep",
        FrameMark::LookAgain => "look again",
        FrameMark::LeaveOut => "left out",
    }
}

/// Width divided by height of the upright picture.
pub(super) fn aspect(frame: &Frame) -> f64 {
    let (width, height) = (frame.crop.width_px.max(1.0), frame.crop.height_px.max(1.0));
    if frame.orientation.swaps_sides() { height / width } else { width / height }
}

/// Sizes that are the same all over the sheet.
struct Grid {
    cell_width_mm: f64,
    /// Height of one picture.
    picture_mm: f64,
    sides: &'static [PictureSide],
    text_mm: f64,
}

impl Grid {
    fn new(columns: usize, frames: &[&Cell], request: &ContactSheetRequest) -> Self {
        let usable_mm = request.layout.paper_mm[0] - 2.0 * MARGIN_MM;
        let columns = columns.max(1);
        let cell_width_mm = (usable_mm - GAP_MM * (columns - 1) as f64) / columns as f64;
        let tallest = frames.iter().map(|cell| 1.0 / aspect(&cell.frame)).fold(0.1, f64::max).min(1.0);
        let sides = super::sides(request.layout.negatives);
        let text_mm = TEXT_SIZE_MM.min(cell_width_mm / 9.0);
        let grid = Self { cell_width_mm, picture_mm: cell_width_mm * tallest, sides, text_mm };
        // Few frames on a page must not make pictures taller than it.
        let most_mm =
            (content_mm(request) - CAPTION_MM - grid.words_mm()) / sides.len() as f64 - SIDES_GAP_MM;
        Self { picture_mm: grid.picture_mm.min(most_mm), ..grid }
    }

    /// Height of the lines below a picture.
    fn words_mm(&self) -> f64 {
        2.0 * LINE * self.text_mm + 1.0
    }

    fn row_mm(&self) -> f64 {
        let sides = self.sides.len() as f64;
        sides * self.picture_mm + (sides - 1.0) * SIDES_GAP_MM + self.words_mm()
    }
}

/// Height between header and footer.
fn content_mm(request: &ContactSheetRequest) -> f64 {
    request.layout.paper_mm[1] - 2.0 * MARGIN_MM - HEADER_MM - FOOTER_MM
}

/// Lay the frames out; the pictures are listed in the order of their numbers.
pub(super) fn pages(
    strips: &[Row],
    text: &SheetText,
    request: &ContactSheetRequest,
) -> (Vec<PlannedPage>, Vec<Shown>) {
    let cells: Vec<&Cell> = strips.iter().flat_map(|strip| &strip.cells).collect();
    let longest = strips.iter().map(|strip| strip.cells.len()).max().unwrap_or(1);
    let in_strips = match request.layout.arrangement {
        SheetArrangement::Auto => longest > 1 && longest <= *COLUMNS.end(),
        SheetArrangement::Strips => true,
        SheetArrangement::Grid => false,
    };
    let (rows, grid) = if in_strips {
        let columns = longest.clamp(*COLUMNS.start(), *COLUMNS.end());
        let lines = |strip: &Row| {
            let mut caption = strip.caption.clone();
            let lines = strip.cells.chunks(columns);
            lines.map(|line| Row { caption: caption.take(), cells: line.to_vec() }).collect::<Vec<_>>()
        };
        (strips.iter().flat_map(lines).collect(), Grid::new(columns, &cells, request))
    } else {
        let fits = |columns: &usize| {
            let grid = Grid::new(*columns, &cells, request);
            let lines = cells.len().div_ceil(*columns) as f64;
            lines * (grid.row_mm() + GAP_MM) <= content_mm(request) + GAP_MM
        };
        let columns = COLUMNS.clone().find(fits).unwrap_or(6);
        let row = |cells: &[&Cell]| Row {
            caption: None,
            cells: cells.iter().map(|cell| (*cell).clone()).collect(),
        };
        (cells.chunks(columns).map(row).collect::<Vec<_>>(), Grid::new(columns, &cells, request))
    };
    fill_pages(&rows, &grid, text, request)
}

fn fill_pages(
    rows: &[Row],
    grid: &Grid,
    text: &SheetText,
    request: &ContactSheetRequest,
) -> (Vec<PlannedPage>, Vec<Shown>) {
    let top_mm = MARGIN_MM + HEADER_MM;
    let bottom_mm = top_mm + content_mm(request);
    let (mut pages, mut shown) = (vec![PlannedPage::default()], Vec::new());
    let mut y_mm = top_mm;
    for row in rows {
        let caption_mm = if row.caption.is_some() { CAPTION_MM } else { 0.0 };
        if y_mm > top_mm && y_mm + caption_mm + grid.row_mm() > bottom_mm {
            pages.push(PlannedPage::default());
            y_mm = top_mm;
        }
        let Some(page) = pages.last_mut() else { break };
        if let Some(caption) = &row.caption {
            page.text([MARGIN_MM, y_mm + TEXT_SIZE_MM], TEXT_SIZE_MM, (Weight::Regular, PALE), caption);
        }
        y_mm += caption_mm;
        for (column, cell) in row.cells.iter().enumerate() {
            let x_mm = MARGIN_MM + column as f64 * (grid.cell_width_mm + GAP_MM);
            page.cell(cell, grid, [x_mm, y_mm], &mut shown);
        }
        y_mm += grid.row_mm() + GAP_MM;
    }
    let count = pages.len();
    for (idx, page) in pages.iter_mut().enumerate() {
        page.frame_page(text, request, (idx + 1, count));
    }
    (pages, shown)
}

impl PlannedPage {
    fn text(
        &mut self,
        [x_mm, baseline_mm]: [f64; 2],
        size_mm: f64,
        (weight, grey): (Weight, u8),
        text: &str,
    ) {
        let text = text.to_owned();
        self.page.items.push(SheetItem::Text { x_mm, baseline_mm, size_mm, weight, grey, text });
    }

    /// The pictures of a frame and the words below them.
    fn cell(&mut self, cell: &Cell, grid: &Grid, [x_mm, y_mm]: [f64; 2], shown: &mut Vec<Shown>) {
        for (idx, side) in grid.sides.iter().enumerate() {
            let top_mm = y_mm + idx as f64 * (grid.picture_mm + SIDES_GAP_MM);
            self.pictures.push(shown.len());
            shown.push(Shown {
                frame: Arc::clone(&cell.frame),
                side: *side,
                box_mm: [grid.cell_width_mm, grid.picture_mm],
                corner_mm: [x_mm, top_mm],
            });
        }
        let size_mm = grid.text_mm;
        let line_mm = LINE * size_mm;
        let first_mm = y_mm + grid.row_mm() - grid.words_mm() + line_mm;
        self.text([x_mm, first_mm], size_mm, (Weight::SemiBold, DARK), &cell.number);
        let mark = mark_text(cell.frame.mark);
        let left_mm = x_mm + grid.cell_width_mm - text_width_mm(mark, size_mm, Weight::Regular);
        self.text([left_mm, first_mm], size_mm, (Weight::Regular, DARK), mark);
        let name = fitted_text(&cell.name, size_mm, Weight::Regular, grid.cell_width_mm);
        self.text([x_mm, first_mm + line_mm], size_mm, (Weight::Regular, PALE), &name);
    }

    /// Header and footer.
    fn frame_page(&mut self, text: &SheetText, request: &ContactSheetRequest, (page, count): (usize, usize)) {
        let [width_mm, height_mm] = request.layout.paper_mm;
        (self.page.width_mm, self.page.height_mm) = (width_mm, height_mm);
        let room_mm = width_mm - 2.0 * MARGIN_MM;
        let title = fitted_text(&text.title, TITLE_SIZE_MM, Weight::SemiBold, room_mm);
        self.text([MARGIN_MM, MARGIN_MM + 4.5], TITLE_SIZE_MM, (Weight::SemiBold, DARK), &title);
        let about = fitted_text(&text.about, TEXT_SIZE_MM, Weight::Regular, room_mm);
        self.text([MARGIN_MM, MARGIN_MM + 9.5], TEXT_SIZE_MM, (Weight::Regular, DARK), &about);
        let foot_mm = height_mm - MARGIN_MM;
        let pages = format!("page {page} of {count}");
        let pages_mm = text_width_mm(&pages, TEXT_SIZE_MM, Weight::Regular);
        let quiet = (Weight::Regular, PALE);
        self.text([width_mm - MARGIN_MM - pages_mm, foot_mm], TEXT_SIZE_MM, quiet, &pages);
        let name = fitted_text(&text.name, TEXT_SIZE_MM, Weight::Regular, room_mm - pages_mm - GAP_MM);
        self.text([MARGIN_MM, foot_mm], TEXT_SIZE_MM, quiet, &name);
    }

    /// The page with its pictures, each in the middle of its room; a frame without one has an empty outline.
    pub(super) fn with_pictures(self, shown: &[Shown], pictures: &[Option<Arc<SheetPicture>>]) -> SheetPage {
        let Self { mut page, pictures: numbers } = self;
        for number in numbers {
            let (Some(shown), Some(picture)) = (shown.get(number), pictures.get(number)) else { continue };
            let Some(picture) = picture else {
                page.items.push(SheetItem::Outline { area: shown.room(), stroke_mm: 0.2, grey: PALE });
                continue;
            };
            let area = shown.area_of(picture);
            page.items.push(SheetItem::Picture { area, picture: Arc::clone(picture) });
            shown.mark_over(area, &mut page.items);
        }
        page
    }
}

impl Shown {
    fn room(&self) -> SheetArea {
        let ([x_mm, y_mm], [width_mm, height_mm]) = (self.corner_mm, self.box_mm);
        SheetArea { x_mm, y_mm, width_mm, height_mm }
    }

    /// Where a picture of this shape lies within its room: at its left, in the middle of its height.
    fn area_of(&self, picture: &SheetPicture) -> SheetArea {
        let room = self.room();
        let (width, height) = (f64::from(picture.width_px.max(1)), f64::from(picture.height_px.max(1)));
        let scale = (room.width_mm / width).min(room.height_mm / height);
        let (width_mm, height_mm) = (width * scale, height * scale);
        SheetArea { y_mm: room.y_mm + (room.height_mm - height_mm) / 2.0, width_mm, height_mm, ..room }
    }

    /// Mark of a frame on its print: an outline for one to keep, a cross for one that is left out.
    fn mark_over(&self, area: SheetArea, items: &mut Vec<SheetItem>) {
        if self.side != PictureSide::Positive {
            return;
        }
        let (right_mm, bottom_mm) = (area.x_mm + area.width_mm, area.y_mm + area.height_mm);
        match self.frame.mark {
            FrameMark::Unmarked | FrameMark::LookAgain => {}
            FrameMark::Keep => items.push(SheetItem::Outline { area, stroke_mm: 0.8, grey: 0 }),
            FrameMark::LeaveOut => {
                for (from_mm, to_mm) in [
                    ([area.x_mm, area.y_mm], [right_mm, bottom_mm]),
                    ([area.x_mm, bottom_mm], [right_mm, area.y_mm]),
                ] {
                    // A pale line on a dark one shows on every picture.
                    for (stroke_mm, grey) in [(0.9, 0), (0.4, 255)] {
                        items.push(SheetItem::Line { from_mm, to_mm, stroke_mm, grey });
                    }
                }
            }
        }
    }
}
