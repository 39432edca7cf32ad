//! The three tone curves that the balance wheels set: offsets of red, green and blue over log exposure.
//!
//! Each curve has a point for each tone band. Dragging one moves its layer against the other two, and each of these
//! moves back by half of that, because balance leaves exposure alone.

use egui::accesskit::Role;
use egui::{
    Align2, CursorIcon, Pos2, Rect, Sense, Shape, Stroke, StrokeKind, TextStyle, Ui, WidgetInfo, pos2, vec2,
};
use glassine_film::{
    BAND_CENTRES_LOG, Look, ToneCurve, band_curves, log_from_balance_cc, look_from_band_curves,
};

use crate::model::colour_tools::Band;
use crate::model::gesture::ValueGesture;
use crate::model::number_text::number_text;
use crate::widgets::drag_value::point_gestures;
use crate::widgets::theme;

/// Log exposures at the left and right end.
const ENDS_LOG: (f64, f64) = (BAND_CENTRES_LOG[0] - 0.35, BAND_CENTRES_LOG[2] + 0.35);
/// Possible offsets at top and bottom, log10.
const REACHES_LOG: [f64; 4] = [0.15, 0.3, 0.6, 1.2];
/// Step of an arrow key, log10: 1 CC.
const STEP_LOG: f64 = 0.01;
/// Horizontal distance between the points of the three layers, points.
const STAGGER: f32 = 8.0;
const LETTERS: [&str; 3] = ["R", "G", "B"];
const NAMES: [&str; 3] = ["red", "green", "blue"];

/// A user action: the band whose point moved, and its new warm and magenta.
pub type BandEvent = (Band, ValueGesture<[f64; 2]>);

/// The plot of a look.
#[derive(Debug)]
pub struct BandPlot<'a> {
    /// The look whose curves are shown.
    pub look: &'a Look,
    /// Balance of all tones, CC: it shifts every curve as a whole.
    pub all_cc: [f64; 2],
    /// The band chosen on the wheel; the keyboard can reach its points.
    pub band: Band,
}

/// Geometry of one drawing.
struct Scale {
    rect: Rect,
    reach_log: f64,
}

impl Scale {
    fn x(&self, log: f64) -> f32 {
        let share = (log - ENDS_LOG.0) / (ENDS_LOG.1 - ENDS_LOG.0);
        self.rect.left() + share as f32 * self.rect.width()
    }

    fn y(&self, offset_log: f64) -> f32 {
        let share = (offset_log / self.reach_log).clamp(-1.05, 1.05);
        self.rect.center().y - share as f32 * self.rect.height() / 2.0
    }
}

impl BandPlot<'_> {
    /// Shows the plot; adds events in order.
    pub fn show(&self, ui: &mut Ui, size: egui::Vec2, events: &mut Vec<BandEvent>) {
        let (whole, plot) = ui.allocate_exact_size(size, Sense::hover());
        let p = theme::palette(ui);
        let curves = band_curves(self.look);
        let shift = log_from_balance_cc(self.all_cc);
        let rect = Rect::from_min_max(whole.min + vec2(0.0, 2.0), whole.max - vec2(14.0, 18.0));
        let scale = Scale { rect, reach_log: self.reach(ui, &curves, shift) };
        paint_ground(ui, &scale, self.band, &p);
        let letters = letter_places(&scale, &curves, shift);
        for layer in 0..3 {
            let line = (0..=64_u8)
                .map(|step| {
                    let log = ENDS_LOG.0 + (ENDS_LOG.1 - ENDS_LOG.0) * f64::from(step) / 64.0;
                    pos2(scale.x(log), scale.y(curves[layer].offset_log(log) + shift[layer]))
                })
                .collect();
            ui.painter().add(Shape::line(line, Stroke::new(1.6, p.channels[layer])));
            let font = theme::strong_style().resolve(ui.style());
            let at = pos2(rect.right() + 3.0, letters[layer]);
            ui.painter().text(at, Align2::LEFT_CENTER, LETTERS[layer], font, p.channels[layer]);
        }
        for (idx, band) in Band::TONES.into_iter().enumerate() {
            for layer in 0..3 {
                self.point_ui(ui, &scale, (idx, band), layer, &curves, shift, events);
            }
        }
        plot.on_hover_text(
            "offsets of red, green and blue against exposure; pull a point, or choose a band and use the arrow keys",
        );
    }

    /// Range of the plot. It stays while a button is down, so that nothing moves under the pointer.
    fn reach(&self, ui: &Ui, curves: &[ToneCurve; 3], shift: [f64; 3]) -> f64 {
        let id = ui.scope_id().with("band plot reach");
        let most = (0..3)
            .flat_map(|layer| curves[layer].offsets_log().map(|offset| (offset + shift[layer]).abs()))
            .fold(0.0, f64::max);
        let fitting = REACHES_LOG.into_iter().find(|reach| most <= 0.85 * reach).unwrap_or(1.2);
        let (known, is_down) = (ui.data(|data| data.get_temp(id)), ui.input(|i| i.pointer.any_down()));
        let reach = known.filter(|_| is_down).unwrap_or(fitting);
        if known != Some(reach) {
            ui.data_mut(|data| data.insert_temp(id, reach));
        }
        reach
    }

    #[expect(clippy::too_many_arguments, reason = "one point of nine, drawn from what the plot has at hand")]
    fn point_ui(
        &self,
        ui: &Ui,
        scale: &Scale,
        (idx, band): (usize, Band),
        layer: usize,
        curves: &[ToneCurve; 3],
        shift: [f64; 3],
        events: &mut Vec<BandEvent>,
    ) {
        let p = theme::palette(ui);
        let offset = curves[layer].offsets_log()[idx];
        let x = scale.x(BAND_CENTRES_LOG[idx]) + (layer as f32 - 1.0) * STAGGER;
        let at = pos2(x, scale.y(offset + shift[layer]));
        let is_chosen = band == self.band;
        let sense = if is_chosen { Sense::click_and_drag() } else { Sense::CLICK | Sense::DRAG };
        let id = ui.scope_id().with(("band point", idx, layer));
        let response = ui.interact(Rect::from_center_size(at, vec2(STAGGER, 20.0)), id, sense);
        let name = format!("{} in {}", NAMES[layer], band.in_words());
        let value = format!("{} CC", number_text(offset * 100.0, 1, true));
        response.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::Slider, ui.is_enabled(), &name);
            info.current_text_value = Some(value.clone());
            info
        });
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(value));
        let mut pulls = Vec::new();
        if response.double_clicked() {
            pulls.push(ValueGesture::Reset);
        } else if response.clicked() {
            response.request_focus();
        }
        let per_point = -2.0 * scale.reach_log / f64::from(scale.rect.height().max(1.0));
        point_gestures(ui, &response, [0.0, offset], [0.0, per_point], [0.0, STEP_LOG], &mut pulls);
        events.extend(pulls.into_iter().map(|pull| {
            let pull = match pull {
                ValueGesture::Set([_, wish]) => {
                    ValueGesture::Set(pulled(self.look, curves, band, layer, wish))
                }
                ValueGesture::Begin => ValueGesture::Begin,
                ValueGesture::Commit => ValueGesture::Commit,
                ValueGesture::Cancel => ValueGesture::Cancel,
                ValueGesture::Reset => ValueGesture::Reset,
            };
            (band, pull)
        }));
        let is_active = response.hovered() || response.dragged() || response.has_focus();
        let radius = if is_chosen || is_active { 4.0 } else { 3.0 };
        ui.painter().circle_filled(at, radius + 1.5, p.field);
        ui.painter().circle_filled(at, radius, p.channels[layer]);
        if is_active {
            ui.ctx().set_cursor_icon(CursorIcon::ResizeVertical);
        }
        if response.has_focus() {
            ui.painter().circle_stroke(at, radius + 2.5, Stroke::new(1.5, p.accent));
        }
    }
}

/// Warm and magenta of a band after the point of one layer was moved to an offset; the two other layers give way.
pub fn pulled(look: &Look, curves: &[ToneCurve; 3], band: Band, layer: usize, offset_log: f64) -> [f64; 2] {
    let Some(idx) = Band::TONES.into_iter().position(|tone| tone == band) else { return [0.0; 2] };
    let change = offset_log - curves[layer].offsets_log()[idx];
    let moved = [0, 1, 2].map(|other| {
        let mut offsets = curves[other].offsets_log();
        offsets[idx] += if other == layer { change } else { -change / 2.0 };
        ToneCurve::new(offsets)
    });
    let look = look_from_band_curves(look, &moved);
    band.params().map(|param| (look.kept(param) * 100.0).round() / 100.0)
}

fn paint_ground(ui: &Ui, scale: &Scale, band: Band, p: &theme::Palette) {
    let painter = ui.painter();
    painter.rect_filled(scale.rect, 3.0, p.field);
    let font = TextStyle::Small.resolve(ui.style());
    for (tone, log) in Band::TONES.into_iter().zip(BAND_CENTRES_LOG) {
        let x = scale.x(log);
        painter.vline(x, scale.rect.y_range(), Stroke::new(1.0, p.line));
        let ink = if tone == band { p.text_strong } else { p.text_weak };
        let y = scale.rect.bottom() + 3.0;
        // The two bright bands are close together: the last label ends with the plot.
        let (at, align) = match tone {
            Band::Highlights => (pos2(scale.rect.right() + 12.0, y), Align2::RIGHT_TOP),
            _ => (pos2(x, y), Align2::CENTER_TOP),
        };
        painter.text(at, align, tone.label(), font.clone(), ink);
    }
    painter.hline(scale.rect.x_range(), scale.rect.center().y, Stroke::new(1.0, p.line));
    let reach = format!("±{:.0} CC", scale.reach_log * 100.0);
    painter.text(scale.rect.min + vec2(4.0, 3.0), Align2::LEFT_TOP, reach, font, p.text_weak);
    painter.rect_stroke(scale.rect, 3.0, Stroke::new(1.0, p.line), StrokeKind::Inside);
}

/// Heights of the letters at the right end, kept apart.
fn letter_places(scale: &Scale, curves: &[ToneCurve; 3], shift: [f64; 3]) -> [f32; 3] {
    const APART: f32 = 13.0;
    let mut order = [0, 1, 2];
    let ends: [Pos2; 3] =
        [0, 1, 2].map(|l: usize| pos2(0.0, scale.y(curves[l].offset_log(ENDS_LOG.1) + shift[l])));
    order.sort_by(|a, b| ends[*a].y.total_cmp(&ends[*b].y));
    let mut heights = order.map(|layer| ends[layer].y);
    heights[0] = heights[0].min(heights[1] - APART);
    heights[2] = heights[2].max(heights[1] + APART);
    let mut places = [0.0; 3];
    for (layer, height) in order.into_iter().zip(heights) {
        places[layer] = height.clamp(scale.rect.top() + 5.0, scale.rect.bottom() - 5.0);
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use glassine_film::Param;

    #[test]
    fn a_pulled_point_goes_where_it_was_pulled_and_the_wheel_follows() {
        let look = Look::default().with(Param::ShadowWarmthCc, 4.0);
        let [warm, tint] = pulled(&look, &band_curves(&look), Band::Shadows, 0, 0.06);
        let after = look.with(Param::ShadowWarmthCc, warm).with(Param::ShadowTintCc, tint);
        let offsets = band_curves(&after).map(|curve| curve.offsets_log()[0]);
        assert!((offsets[0] - 0.06).abs() < 1e-3, "{offsets:?}");
        assert!(offsets.iter().sum::<f64>().abs() < 1e-9, "exposure stays: {offsets:?}");
    }

    #[test]
    fn a_point_pulled_beyond_a_rising_curve_is_held() {
        let look = Look::default();
        let [warm, tint] = pulled(&look, &band_curves(&look), Band::Highlights, 1, -5.0);
        assert!(warm.is_finite() && tint.is_finite() && tint <= 100.0, "{warm} {tint}");
    }
}
