//! The contact print: every strip of the session with its prints under their negatives, the whole roll at a glance.

use egui::{Align2, Id, Rect, Role, ScrollArea, Sense, TextStyle, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use glassine_session::{FrameId, Strip};

use super::prints::{CAPTION, RIM, prints_ui};
use super::strip_bar::strip_text;
use super::strip_view::{StripPlace, strip_ui};
use crate::commands::{SelectCommand, SelectHow, ViewCommand};
use crate::model::doubts::{Doubt, strip_doubts};
use crate::model::strip_space::{Piece, StripSpace, StripView};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, paint_icon};
use crate::widgets::theme;

/// Free room around the rows, points.
const PAD: f32 = 10.0;
/// Gap between two strips, points.
const GAP: f32 = 14.0;
/// Height of the line with the name of a strip, points.
const HEAD: f32 = 18.0;
/// Smallest and largest height of a strip, points: a smaller one shows nothing, a larger one belongs in the large row.
const STRIP: (f32, f32) = (44.0, 230.0);
/// Highest print, in heights of its strip: portrait pictures of a narrow film would make every row taller.
const PRINT_MAX: f64 = 0.95;

/// How the strips are arranged: in lines from left to right, as many in a line as it has room for.
#[derive(Debug, Clone, PartialEq)]
struct Arrangement {
    /// Height of a strip, points.
    strip: f32,
    /// Height of the prints under it without their captions, points.
    prints: f32,
    /// Strips in each line.
    lines: Vec<usize>,
}

impl Arrangement {
    /// The arrangement with the largest prints that fits the room; if none fits, the lines scroll.
    ///
    /// `widths` are those of the pieces and `print` is the height of the prints, all in heights of a strip.
    fn of(room: egui::Vec2, widths: &[f64], print: f64) -> Self {
        let widest = widths.iter().copied().fold(1e-3, f64::max) as f32;
        let most = (room.x / widest).clamp(1.0, STRIP.1);
        let at =
            |strip: f32| Self { strip, prints: strip * print as f32, lines: lines(room.x, strip, widths) };
        // The height grows with the size of the strips, because fewer fit beside each other.
        let (mut fits, mut too_large) = (STRIP.0.min(most), most);
        if at(most).height() <= room.y {
            return at(most);
        }
        for _ in 0..24 {
            let middle = (fits + too_large) / 2.0;
            if at(middle).height() <= room.y {
                fits = middle;
            } else {
                too_large = middle;
            }
        }
        at(fits.floor().max(1.0))
    }

    fn line_height(&self) -> f32 {
        HEAD + self.strip + RIM + self.prints + CAPTION
    }

    fn height(&self) -> f32 {
        let lines = self.lines.len() as f32;
        lines * self.line_height() + (lines - 1.0).max(0.0) * GAP
    }
}

/// Strips in each line of this width.
fn lines(width: f32, strip: f32, widths: &[f64]) -> Vec<usize> {
    let mut lines: Vec<usize> = Vec::new();
    let mut used = f32::INFINITY;
    for piece in widths {
        let piece = *piece as f32 * strip;
        if used + GAP + piece <= width + 0.5
            && let Some(line) = lines.last_mut()
        {
            *line += 1;
            used += GAP + piece;
        } else {
            lines.push(1);
            used = piece;
        }
    }
    lines
}

/// Draws all strips; a double click or Enter opens one of them large.
pub(super) fn contact_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let pieces = StripSpace::of(cx.session, false).pieces;
    let room = ui.available_rect_before_wrap().shrink(PAD);
    let widths: Vec<f64> = pieces.iter().map(Piece::width).collect();
    let arrangement = Arrangement::of(room.size(), &widths, print_height(cx, &pieces));
    let followed = followed_frame(ui, cx);
    let mut inside = ui.new_child(UiBuilder::new().max_rect(room));
    inside.spacing_mut().item_spacing = vec2(GAP, GAP);
    let list = ScrollArea::vertical().id_salt("contact print").auto_shrink([false, false]);
    list.show(&mut inside, |ui| {
        let mut rest = pieces.iter();
        for count in &arrangement.lines {
            ui.horizontal(|ui| {
                for piece in rest.by_ref().take(*count) {
                    let width = (piece.width() as f32 * arrangement.strip).min(room.width());
                    let size = vec2(width, arrangement.line_height());
                    let (rect, _) = ui.allocate_exact_size(size, Sense::hover());
                    let strip = piece.strip.and_then(|id| cx.session.strip(id));
                    let shows_it = followed.and_then(|id| cx.session.frame(id)).map(|frame| frame.strip);
                    if shows_it.is_some() && shows_it == piece.strip {
                        ui.scroll_to_rect(rect, None);
                    }
                    if ui.is_rect_visible(rect) {
                        row_ui(ui, cx, piece, strip.map(|strip| &**strip), rect, &arrangement);
                    }
                }
            });
        }
    });
}

/// The frame that was just selected, once.
fn followed_frame(ui: &Ui, cx: &mut ViewCx<'_>) -> Option<FrameId> {
    let primary = cx.ui_state.primary;
    let look = &mut cx.ui_state.strip;
    if primary == look.follows_frame || ui.input(|input| input.pointer.any_down()) {
        return None;
    }
    look.follows_frame = primary;
    primary
}

/// Height of the highest print under a box of its width, in heights of a strip.
fn print_height(cx: &ViewCx<'_>, pieces: &[Piece]) -> f64 {
    let heights = cx.session.frames.iter().filter_map(|frame| {
        let strip = cx.session.strip(frame.strip)?;
        let piece = pieces.iter().find(|piece| piece.shows(strip))?;
        let across = piece.scan_direction((1.0, 0.0)).0.abs() > 0.5;
        let (w, h) = if across {
            (frame.crop.width_px, frame.crop.height_px)
        } else {
            (frame.crop.height_px, frame.crop.width_px)
        };
        let is_turned = frame.orientation.swaps_sides() == across;
        let ratio = if is_turned { w / h.max(1.0) } else { h / w.max(1.0) };
        Some(w * piece.scale() * ratio)
    });
    heights.fold(0.3, f64::max).min(PRINT_MAX)
}

/// One strip: its name, the film, its prints.
fn row_ui(
    ui: &mut Ui,
    cx: &mut ViewCx<'_>,
    piece: &Piece,
    strip: Option<&Strip>,
    rect: Rect,
    arrangement: &Arrangement,
) {
    let id = Id::unique(("contact row", piece.scan.0, piece.strip.map(|strip| strip.0)));
    let mut inside = ui.new_child(UiBuilder::new().scope_id(id).max_rect(rect));
    let head = rect.with_max_y(rect.top() + HEAD);
    if let Some(strip) = strip {
        head_ui(&inside, cx, strip, head);
    }
    let film = Rect::from_min_size(pos2(rect.left(), head.bottom()), vec2(rect.width(), arrangement.strip));
    let width = piece.width();
    let points = f64::from(arrangement.strip).min(f64::from(film.width()) / width.max(1e-6));
    // Rows begin at the left, as on a contact print.
    let center = (f64::from(film.width()) / points / 2.0, 0.5);
    let prints = Rect::from_min_max(pos2(rect.left(), film.bottom()), rect.max);
    if cx.strip().map(|strip| strip.id) == piece.strip {
        ui.data_mut(|data| data.insert_temp(row_id(), (film, points)));
    }
    let place = StripPlace {
        space: StripSpace { pieces: vec![Piece { left: 0.0, ..piece.clone() }] },
        view: StripView { rect: film, points, center },
        prints,
        is_contact: true,
    };
    inside.set_clip_rect(ui.clip_rect().intersect(rect.expand(4.0)));
    strip_ui(&inside, cx, &place);
    prints_ui(&inside, cx, &place);
}

/// Where the row of the current strip was drawn last, and the height of its film.
pub(super) fn row_id() -> Id {
    Id::unique("row of the current strip")
}

/// Name of a strip and whether something about it is in doubt; a click selects its frames, a double click opens it.
fn head_ui(ui: &Ui, cx: &mut ViewCx<'_>, strip: &Strip, rect: Rect) {
    let p = theme::palette(ui);
    let text = strip_text(cx, strip, true);
    let response = ui.interact(rect, ui.scope_id().with("head"), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &text));
    let small = TextStyle::Small.resolve(ui.style());
    let ink = if response.hovered() || response.has_focus() { p.text_strong } else { p.text_weak };
    let painter = ui.painter_at(rect.intersect(ui.clip_rect()));
    let at = pos2(rect.left(), rect.center().y);
    let written = painter.text(at, Align2::LEFT_CENTER, &text, small, ink);
    let doubts = strip_doubts(strip);
    if !doubts.is_empty() {
        let sign = Rect::from_center_size(pos2(written.right() + 12.0, at.y), vec2(13.0, 13.0));
        paint_icon(&painter, sign, Icon::Warn, p.warn);
    }
    if response.double_clicked() {
        cx.push(ViewCommand::ShowContact(false));
    } else if response.clicked()
        && let Some(first) = cx.session.frames_of(strip.id).next()
    {
        cx.push(SelectCommand::Frame(first.id, SelectHow::Only));
        cx.push(SelectCommand::Strip);
    }
    let mut lines: Vec<String> = doubts.iter().map(Doubt::text).collect();
    lines.push("click: select the frames of this strip, double click: open it large".to_owned());
    response.on_hover_text(lines.join("\n"));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Six frames of 38 mm on film of 35 mm, with a little film around.
    const WIDTH: f64 = 6.3;
    const PRINT: f64 = 24.0 / 35.0;

    fn print_width(room: egui::Vec2, strips: usize) -> (f32, f32) {
        let arrangement = Arrangement::of(room, &vec![WIDTH; strips], PRINT);
        (arrangement.strip * 36.0 / 35.0, arrangement.height())
    }

    #[test]
    fn thirty_six_frames_fit_a_window_of_1600_by_1000_with_readable_prints() {
        let room = vec2(1600.0 - theme::RAIL_WIDTH - 2.0 * PAD, 1000.0 - 42.0 - 28.0 - 34.0 - 2.0 * PAD);
        let (width, height) = print_width(room, 6);
        assert!(width >= 110.0, "{width}");
        assert!(height <= room.y, "{height}");
    }

    #[test]
    fn short_strips_share_a_line_and_a_single_one_is_not_larger_than_its_room() {
        let room = vec2(1000.0, 700.0);
        let arrangement = Arrangement::of(room, &[3.0, 3.0, 6.0], PRINT);
        assert_eq!(arrangement.lines, [2, 1]);
        assert!(arrangement.height() <= room.y);
        let wide = Arrangement::of(room, &[12.0], PRINT);
        assert!(wide.strip * 12.0 <= room.x + 1.0 && wide.strip > 80.0, "{wide:?}");
        assert_eq!(Arrangement::of(room, &[], PRINT).height(), 0.0);
    }

    #[test]
    fn strips_that_do_not_fit_scroll_at_a_size_that_can_still_be_read() {
        let (width, height) = print_width(vec2(1100.0, 500.0), 40);
        assert!(width >= 44.0 && height > 500.0, "{width} {height}");
    }
}
