//! The histogram: three curves, and how much is clipped at either end of each channel.
//!
//! The axis shows the tones of the print, from black to white, with a mark at each stop below white. It is readable
//! without seeing colours: every curve carries its letter, and what is lost at either end is written out in words and
//! figures, in bold where it deserves a look.

use egui::epaint::{Mesh, Vertex, WHITE_UV};
use egui::{
    Align2, Color32, FontSelection, Painter, Pos2, Rect, Response, Sense, Shape, Stroke, StrokeKind,
    TextStyle, Ui, WidgetInfo, pos2, vec2,
};
use glassine_film::Histogram;
use glassine_film::colour::{Transfer, encode};

use crate::widgets::theme::{self, Palette};

/// Share of pixels from which clipping deserves a warning.
/// Source: ours; a thousandth of the picture is about the size of a visible spot.
pub const WARN_SHARE: f64 = 0.001;

const LETTERS: [&str; 3] = ["R", "G", "B"];
const NAMES: [&str; 3] = ["red", "green", "blue"];
/// Height of one line of figures, points.
const CLIP_ROW: f32 = 16.0;
/// Height of the axis, points.
const AXIS: f32 = 16.0;
/// Stops below white that the axis marks.
const STOPS: std::ops::RangeInclusive<u8> = 1..=8;
/// Bins at either end that hold tones which a print no longer separates.
/// Source: ours; two of 256 parts are about 0.6 L* at either end of sRGB.
const SQUEEZED_BINS: usize = 2;

/// The second line of figures: the result of counting every pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ExactLine<'a> {
    /// Clipped shares of every pixel of the file, black ends and white ends.
    Counted([f64; 3], [f64; 3]),
    /// No result; says why in a few words.
    Words(&'a str),
}

/// Shows the histogram in the whole available width, `height` points high; the response senses clicks. `transfer` is
/// the curve of the codes that were counted.
pub fn histogram_plot(
    ui: &mut Ui,
    histogram: Option<&Histogram>,
    transfer: Transfer,
    exact: ExactLine<'_>,
    height: f32,
) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::click());
    if ui.is_rect_visible(rect) {
        let p = theme::palette(ui);
        let plot_height = (height - 2.0 * CLIP_ROW - AXIS - 2.0).max(16.0);
        let plot = Rect::from_min_size(rect.min, vec2(rect.width(), plot_height));
        paint_ground(ui, plot, transfer, &p);
        if let Some(histogram) = histogram {
            paint_curves(ui, plot, histogram, &p);
            paint_ends(ui.painter(), plot, histogram, &p);
            let is_grey = is_grey(histogram);
            let line = |row: f32| plot.bottom() + AXIS + (row + 0.5) * CLIP_ROW + 2.0;
            let (low, high) = (histogram.clip_low_fraction(), histogram.clip_high_fraction());
            let preview = Figures {
                low,
                high,
                is_grey,
                title: "% in the preview",
                squeezed: Some(squeezed(histogram)),
            };
            paint_figures(ui, rect, line(0.0), &preview, &p);
            match exact {
                ExactLine::Counted(low, high) => {
                    let exact = Figures { low, high, is_grey, title: "% of every pixel", squeezed: None };
                    paint_figures(ui, rect, line(1.0), &exact, &p);
                }
                ExactLine::Words(words) => {
                    let font = TextStyle::Small.resolve(ui.style());
                    let at = pos2(rect.center().x, line(1.0));
                    ui.painter().text(at, Align2::CENTER_CENTER, words, font, p.text_weak);
                }
            }
        } else {
            let style = TextStyle::Body.resolve(ui.style());
            let text = "no frame is shown";
            ui.painter().text(plot.center(), Align2::CENTER_CENTER, text, style, p.text_weak);
        }
        if response.has_focus() {
            ui.painter().rect_stroke(plot, 3.0, Stroke::new(1.0, p.accent), StrokeKind::Inside);
        }
    }
    let value = histogram.map_or_else(
        || "no frame".to_owned(),
        |histogram| format!("{}; {}", describe(histogram), describe_exact(exact)),
    );
    response.widget_info(|| WidgetInfo::labeled(egui::accesskit::Role::Button, true, "histogram"));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(value));
    response
}

/// The histogram in words, for users who do not see it.
pub fn describe(histogram: &Histogram) -> String {
    let clipping = describe_clipping(histogram.clip_low_fraction(), histogram.clip_high_fraction());
    let [low, high] = squeezed(histogram).map(percent_text);
    format!(
        "{clipping}; nearly clipped at black {low} %, at white {high} %; {} pixels counted",
        histogram.pixels
    )
}

fn describe_clipping(low: [f64; 3], high: [f64; 3]) -> String {
    let channels: Vec<String> = (0..3)
        .map(|c| {
            let (name, low, high) = (NAMES[c], percent_text(low[c]), percent_text(high[c]));
            format!("{name} clips low {low} %, {name} clips high {high} %")
        })
        .collect();
    channels.join(", ")
}

fn describe_exact(exact: ExactLine<'_>) -> String {
    match exact {
        ExactLine::Counted(low, high) => format!("on every pixel {}", describe_clipping(low, high)),
        ExactLine::Words(words) => words.to_owned(),
    }
}

/// Share of clipped pixels from which they are mentioned: less is not visible. Source: ours.
pub const CLIP_MENTION: f64 = 0.001;

/// Clipping of the worst channel at each end in a few letters.
pub fn clip_text(histogram: &Histogram) -> String {
    let worst = |shares: [f64; 3]| shares.into_iter().fold(0.0, f64::max);
    let (high, low) = (worst(histogram.clip_high_fraction()), worst(histogram.clip_low_fraction()));
    let mut parts = Vec::new();
    if high >= CLIP_MENTION {
        parts.push(format!("white {} %", percent_text(high)));
    }
    if low >= CLIP_MENTION {
        parts.push(format!("black {} %", percent_text(low)));
    }
    parts.join("  ")
}

/// A share as a percentage with as many decimals as it needs; a trace is never shown as zero.
pub fn percent_text(share: f64) -> String {
    let percent = share * 100.0;
    if percent <= 0.0 {
        "0".to_owned()
    } else if percent < 0.01 {
        "<0.01".to_owned()
    } else if percent < 10.0 {
        format!("{percent:.2}")
    } else {
        format!("{percent:.0}")
    }
}

/// Ground of the plot with the axis under it: its ends in words, a line at each stop below white.
fn paint_ground(ui: &Ui, plot: Rect, transfer: Transfer, p: &Palette) {
    let painter = ui.painter();
    painter.rect_filled(plot, 3.0, p.field);
    let small = TextStyle::Small.resolve(ui.style());
    let middle = plot.bottom() + 1.0 + AXIS / 2.0;
    let black = painter.text(pos2(plot.left(), middle), Align2::LEFT_CENTER, "black", small.clone(), p.text);
    let white =
        painter.text(pos2(plot.right(), middle), Align2::RIGHT_CENTER, "white", small.clone(), p.text);
    let mut right = white.left();
    for stop in STOPS {
        let x = plot.left() + plot.width() * encode(transfer, 0.5f64.powi(i32::from(stop))) as f32;
        painter.vline(x, plot.y_range(), Stroke::new(1.0, p.line.gamma_multiply(0.55)));
        let text = if stop == 1 { "−1 stop".to_owned() } else { format!("−{stop}") };
        let galley = painter.layout_no_wrap(text, small.clone(), p.text_weak);
        let left = x - galley.size().x / 2.0;
        // A number without room keeps its line.
        if left + galley.size().x + 6.0 < right && left > black.right() + 6.0 {
            right = left;
            painter.galley(pos2(left, middle - galley.size().y / 2.0), galley, p.text_weak);
        }
    }
}

/// Shares of pixels that are not clipped but fall into the last few codes, where the print shows no detail that the
/// film still has: the worst channel near black and near white.
pub fn squeezed(histogram: &Histogram) -> [f64; 2] {
    let pixels = histogram.pixels.max(1) as f64;
    let sum = |bins: &[u32]| bins.iter().map(|count| u64::from(*count)).sum::<u64>();
    let worst = |of: &dyn Fn(usize) -> u64| (0..3).map(of).max().unwrap_or(0) as f64 / pixels;
    let low = |c: usize| sum(&histogram.bins[c][..SQUEEZED_BINS]).saturating_sub(histogram.clip_low[c]);
    let high =
        |c: usize| sum(&histogram.bins[c][256 - SQUEEZED_BINS..]).saturating_sub(histogram.clip_high[c]);
    [worst(&low), worst(&high)]
}

/// Height of the tallest bin that is not an end: the ends may hold a spike that would flatten everything else.
fn tallest(histogram: &Histogram) -> f32 {
    let inner = histogram.bins.iter().flat_map(|bins| &bins[1..255]);
    let most = inner.copied().max().unwrap_or(0);
    let ends = histogram.bins.iter().flat_map(|bins| [bins[0], bins[255]]).max().unwrap_or(0);
    (if most == 0 { ends } else { most }).max(1) as f32
}

/// Square roots of counts, so that small counts beside a large peak stay visible.
fn curve(bins: &[u32; 256], tallest: f32, plot: Rect) -> Vec<Pos2> {
    let inner = plot.shrink2(vec2(1.0, 0.0));
    let room = inner.height() - 10.0;
    let line = bins.iter().enumerate().map(|(idx, count)| {
        let share = (*count as f32 / tallest).min(1.0).sqrt();
        let x = inner.left() + inner.width() * idx as f32 / 255.0;
        pos2(x, inner.bottom() - share * room)
    });
    line.collect()
}

/// Whether the three channels are identical: black-and-white film.
fn is_grey(histogram: &Histogram) -> bool {
    let [red, green, blue] = &histogram.bins;
    red == green && green == blue
}

fn paint_curves(ui: &Ui, plot: Rect, histogram: &Histogram, p: &Palette) {
    let painter = ui.painter().with_clip_rect(plot);
    let tallest = tallest(histogram);
    if is_grey(histogram) {
        let points = curve(&histogram.bins[0], tallest, plot);
        painter.add(Shape::mesh(filled(&points, plot.bottom(), p.text_weak.gamma_multiply(0.45))));
        painter.add(Shape::line(points, Stroke::new(1.2, p.text)));
        return;
    }
    let curves = [0, 1, 2].map(|c| curve(&histogram.bins[c], tallest, plot));
    for (points, colour) in curves.iter().zip(p.channels) {
        painter.add(Shape::mesh(filled(points, plot.bottom(), wash(colour, p.dark))));
    }
    for (points, colour) in curves.iter().zip(p.channels) {
        painter.add(Shape::line(points.clone(), Stroke::new(1.2, colour)));
    }
    paint_letters(ui, &painter, plot, histogram, &curves, p);
}

/// Draws the letter of each curve at its peak.
fn paint_letters(
    ui: &Ui,
    painter: &Painter,
    plot: Rect,
    histogram: &Histogram,
    curves: &[Vec<Pos2>; 3],
    p: &Palette,
) {
    let font = FontSelection::Style(theme::section_style()).resolve(ui.style());
    let mut taken: Vec<Pos2> = Vec::new();
    for (c, points) in curves.iter().enumerate() {
        let Some(peak) = histogram.bins[c][1..255]
            .iter()
            .enumerate()
            .max_by_key(|(_, count)| **count)
            .and_then(|(idx, _)| points.get(idx + 1).copied())
        else {
            continue;
        };
        let mut at =
            pos2(peak.x.clamp(plot.left() + 10.0, plot.right() - 10.0), peak.y.max(plot.top() + 9.0));
        // Letters of curves that peak together are placed side by side.
        while taken.iter().any(|other| (other.x - at.x).abs() < 11.0 && (other.y - at.y).abs() < 13.0) {
            at.x += if at.x + 12.0 < plot.right() - 8.0 { 12.0 } else { -36.0 };
        }
        taken.push(at);
        let galley = painter.layout_no_wrap(LETTERS[c].to_owned(), font.clone(), p.text_strong);
        let plate = Rect::from_center_size(at, galley.size() + vec2(4.0, 0.0));
        painter.rect_filled(plate, 2.0, p.field.gamma_multiply(0.8));
        painter.galley(plate.center() - galley.size() / 2.0, galley, p.text_strong);
    }
}

/// Fill colour of a curve: overlapping fills add up to grey on a dark ground and cover each other evenly on a light
/// one.
fn wash(colour: Color32, dark: bool) -> Color32 {
    if dark {
        let [r, g, b, _] = colour.gamma_multiply(0.36).to_array();
        Color32::from_rgba_premultiplied(r, g, b, 0)
    } else {
        colour.gamma_multiply(0.26)
    }
}

fn filled(points: &[Pos2], bottom: f32, colour: Color32) -> Mesh {
    let mut mesh = Mesh::default();
    for (idx, point) in (0u32..).zip(points) {
        for pos in [*point, pos2(point.x, bottom)] {
            mesh.vertices.push(Vertex { pos, uv: WHITE_UV, color: colour });
        }
        if idx > 0 {
            let at = 2 * idx;
            mesh.indices.extend([at - 2, at - 1, at, at - 1, at + 1, at]);
        }
    }
    mesh
}

/// Blocks at the ends of the plot for channels that clip there.
fn paint_ends(painter: &Painter, plot: Rect, histogram: &Histogram, p: &Palette) {
    let ends =
        [(histogram.clip_low_fraction(), plot.left()), (histogram.clip_high_fraction(), plot.right() - 5.0)];
    for (shares, left) in ends {
        for (c, share) in shares.into_iter().enumerate() {
            if share >= WARN_SHARE {
                let third = (plot.height() - 2.0) / 3.0;
                let top = plot.top() + 1.0 + third * c as f32;
                let block = Rect::from_min_size(pos2(left, top), vec2(5.0, third - 1.0));
                painter.rect_filled(block, 1.0, p.channels[c]);
            }
        }
    }
}

/// One line of figures: what is clipped at either end of each channel, and what was counted.
struct Figures<'a> {
    low: [f64; 3],
    high: [f64; 3],
    is_grey: bool,
    title: &'a str,
    /// Shares in the last few codes near black and near white, if they were counted.
    squeezed: Option<[f64; 2]>,
}

fn paint_figures(ui: &Ui, rect: Rect, middle: f32, figures: &Figures<'_>, p: &Palette) {
    let painter = ui.painter();
    let plain = TextStyle::Small.resolve(ui.style());
    let strong = FontSelection::Style(theme::section_style()).resolve(ui.style());
    let text = |at: f32, align: Align2, text: String, is_warning: bool| {
        let (font, colour) = if is_warning { (&strong, p.warn) } else { (&plain, p.text_weak) };
        painter.text(pos2(at, middle), align, text, font.clone(), colour)
    };
    let (low, high) = (figures.low, figures.high);
    let shown = if figures.is_grey { 1 } else { 3 };
    let figure = |c: usize, share: f64| {
        let letter = if shown == 1 { "grey" } else { LETTERS[c] };
        format!("{letter} {}", percent_text(share))
    };
    let near = |share: f64| (share >= WARN_SHARE).then(|| format!("near {}", percent_text(share)));
    let [near_low, near_high] = figures.squeezed.unwrap_or_default().map(near);
    let mut x = text(rect.left(), Align2::LEFT_CENTER, "lost:".to_owned(), false).right() + 6.0;
    for (c, share) in low.into_iter().enumerate().take(shown) {
        x = text(x, Align2::LEFT_CENTER, figure(c, share), share >= WARN_SHARE).right() + 8.0;
    }
    if let Some(near) = near_low {
        x = text(x, Align2::LEFT_CENTER, near, true).right() + 8.0;
    }
    let left = x;
    let mut x = rect.right();
    if let Some(near) = near_high {
        x = text(x, Align2::RIGHT_CENTER, near, true).left() - 8.0;
    }
    for c in (0..shown).rev() {
        x = text(x, Align2::RIGHT_CENTER, figure(c, high[c]), high[c] >= WARN_SHARE).left() - 8.0;
    }
    x = text(x, Align2::RIGHT_CENTER, "lost:".to_owned(), false).left() - 8.0;
    text((left + x) / 2.0, Align2::CENTER_CENTER, figures.title.to_owned(), false);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clipping() -> Histogram {
        let mut histogram = Histogram::default();
        histogram.add_planes([&[1.0], &[0.5], &[0.2]]);
        for _ in 0..999 {
            histogram.add_planes([&[0.5], &[0.5], &[0.2]]);
        }
        histogram
    }

    #[test]
    fn a_trace_of_clipping_is_not_rounded_to_nothing() {
        assert_eq!(percent_text(0.0), "0");
        assert_eq!(percent_text(1e-7), "<0.01");
        assert_eq!(percent_text(0.003), "0.30");
        assert_eq!(percent_text(0.5), "50");
    }

    #[test]
    fn the_histogram_is_told_in_words_for_every_channel_and_end() {
        let words = describe(&clipping());
        assert!(words.contains("red clips high 0.10 %"), "{words}");
        assert!(words.contains("blue clips low 0 %"), "{words}");
        assert!(words.ends_with("1000 pixels counted"), "{words}");
    }

    #[test]
    fn tones_in_the_last_codes_count_as_squeezed_but_not_those_at_the_end() {
        let mut histogram = Histogram::default();
        for value in [1.0, 0.998, 0.995, 0.98, 0.5, 0.004, 0.0, 0.0, 0.5, 0.5] {
            histogram.add_planes([&[value], &[0.5], &[0.5]]);
        }
        // Two of 256 parts are 0.0078 of the range: 0.998 and 0.995 at white, 0.004 at black.
        assert_eq!(squeezed(&histogram), [0.1, 0.2]);
    }

    #[test]
    fn a_spike_at_an_end_does_not_flatten_the_curve() {
        let mut histogram = clipping();
        histogram.bins[0][0] = 1_000_000;
        assert_eq!(tallest(&histogram), 1000.0);
        assert_eq!(tallest(&Histogram::default()), 1.0);
    }

    #[test]
    fn the_filled_curve_has_two_triangles_between_neighbouring_bins() {
        let plot = Rect::from_min_size(Pos2::ZERO, vec2(256.0, 100.0));
        let points = curve(&clipping().bins[1], 1000.0, plot);
        assert_eq!(points.len(), 256);
        let mesh = filled(&points, 100.0, Color32::WHITE);
        assert_eq!((mesh.vertices.len(), mesh.indices.len()), (512, 255 * 6));
        assert!(points.iter().all(|p| plot.contains(*p)));
    }
}
