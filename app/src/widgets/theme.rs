//! How the window looks: two neutral surrounds, one accent, sizes and fonts.
//!
//! The user judges colour in this window, so every surface is a pure grey (equal red, green and blue). The one accent
//! is a muted verdigris, used sparingly; warnings use a vermilion and always come with a mark or a word as well. Red,
//! green and blue stand only for channels, inside the histogram.

use std::sync::Arc;

use egui::epaint::Shadow;
use egui::{
    Color32, Context, CornerRadius, FontData, FontDefinitions, FontFamily, FontId, Id, Margin, Stroke, Style,
    TextStyle, Theme, Ui, Visuals, vec2,
};

/// Height of the tool bar, points.
pub const TOOLBAR_HEIGHT: f32 = 42.0;
/// Height of the status line, points.
pub const STATUS_HEIGHT: f32 = 28.0;
/// Width of the open section of the settings, points.
pub const SETTINGS_WIDTH: f32 = 360.0;
/// Width of the rail with the names of the sections, points.
pub const RAIL_WIDTH: f32 = 108.0;
/// Height of a row with one control, points.
pub const ROW_HEIGHT: f32 = 24.0;
/// Width of the labels in front of controls, points.
pub const LABEL_WIDTH: f32 = 118.0;
/// Width of a number field, points.
pub const NUMBER_WIDTH: f32 = 88.0;
/// The unit of all gaps, points.
pub const GAP: f32 = 8.0;

const REGULAR: &str = "inter";
const SEMIBOLD: &str = "inter-semibold";

/// The colours of one surround.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    /// Whether the surround is dark.
    pub dark: bool,
    /// Panels: settings, prints.
    pub panel: Color32,
    /// Bars above and below: tools, status, section heads.
    pub bar: Color32,
    /// Around pictures.
    pub surround: Color32,
    /// Inside text and number fields, plots.
    pub field: Color32,
    /// Hairlines between parts.
    pub line: Color32,
    /// Buttons at rest.
    pub button: Color32,
    /// Buttons under the pointer.
    pub button_hover: Color32,
    pub text: Color32,
    /// Explanatory text.
    pub text_weak: Color32,
    /// Text and marks that must stand out.
    pub text_strong: Color32,
    /// Selection, the moved part of a slider, the main button.
    pub accent: Color32,
    /// A selected surface.
    pub accent_surface: Color32,
    /// Text on the accent.
    pub on_accent: Color32,
    /// Warning; never without a mark or a word.
    pub warn: Color32,
    /// Curves of the red, green and blue channel, histogram only.
    pub channels: [Color32; 3],
}

/// The colours of the dark or light surround.
pub const fn palette_of(dark: bool) -> Palette {
    if dark {
        Palette {
            dark,
            panel: Color32::from_gray(0x29),
            bar: Color32::from_gray(0x31),
            surround: Color32::from_gray(0x1e),
            field: Color32::from_gray(0x1b),
            line: Color32::from_gray(0x3f),
            button: Color32::from_gray(0x3e),
            button_hover: Color32::from_gray(0x4c),
            text: Color32::from_gray(0xd2),
            text_weak: Color32::from_gray(0x9c),
            text_strong: Color32::from_gray(0xf4),
            accent: Color32::from_rgb(0x6c, 0xb9, 0xa6),
            accent_surface: Color32::from_rgb(0x2c, 0x45, 0x3f),
            on_accent: Color32::from_gray(0x16),
            warn: Color32::from_rgb(0xec, 0x83, 0x5c),
            channels: [
                Color32::from_rgb(0xf0, 0x62, 0x5a),
                Color32::from_rgb(0x5f, 0xc8, 0x6b),
                Color32::from_rgb(0x5d, 0x96, 0xf2),
            ],
        }
    } else {
        Palette {
            dark,
            panel: Color32::from_gray(0xe6),
            bar: Color32::from_gray(0xdb),
            surround: Color32::from_gray(0xc2),
            field: Color32::from_gray(0xf5),
            line: Color32::from_gray(0xbd),
            button: Color32::from_gray(0xf4),
            button_hover: Color32::from_gray(0xff),
            text: Color32::from_gray(0x2c),
            text_weak: Color32::from_gray(0x5c),
            text_strong: Color32::from_gray(0x0a),
            accent: Color32::from_rgb(0x1d, 0x6b, 0x5b),
            accent_surface: Color32::from_rgb(0xbf, 0xdd, 0xd4),
            on_accent: Color32::from_gray(0xff),
            warn: Color32::from_rgb(0xb0, 0x3c, 0x14),
            channels: [
                Color32::from_rgb(0xc8, 0x2c, 0x28),
                Color32::from_rgb(0x1f, 0x86, 0x34),
                Color32::from_rgb(0x24, 0x5c, 0xcc),
            ],
        }
    }
}

/// The colours in use where this `Ui` is drawn.
pub fn palette(ui: &Ui) -> Palette {
    palette_of(ui.visuals().dark_mode)
}

/// Font of a section head.
pub fn section_style() -> TextStyle {
    TextStyle::Name("section".into())
}

/// Font of emphasised running text.
pub fn strong_style() -> TextStyle {
    TextStyle::Name("strong".into())
}

/// Sets fonts, sizes and colours, and chooses the dark or light surround.
///
/// Fonts are loaded once for each context, so calling this again only changes the surround.
pub fn apply(ctx: &Context, dark: bool) {
    let loaded = Id::unique("glassine letters loaded");
    if !ctx.data(|data| data.get_temp::<bool>(loaded).unwrap_or(false)) {
        ctx.set_fonts(font_definitions());
        ctx.set_style_of(Theme::Dark, style(true));
        ctx.set_style_of(Theme::Light, style(false));
        ctx.data_mut(|data| data.insert_temp(loaded, true));
    }
    ctx.set_theme(if dark { Theme::Dark } else { Theme::Light });
}

pub(crate) fn font_definitions() -> FontDefinitions {
    let mut fonts = FontDefinitions::default();
    let regular = FontData::from_static(include_bytes!("../../../assets/fonts/inter-regular-latin.otf"));
    let semibold = FontData::from_static(include_bytes!("../../../assets/fonts/inter-semibold-latin.otf"));
    fonts.font_data.insert(REGULAR.to_owned(), Arc::new(regular));
    fonts.font_data.insert(SEMIBOLD.to_owned(), Arc::new(semibold));
    let fall_backs = fonts.families.get(&FontFamily::Proportional).cloned().unwrap_or_default();
    let with_fall_backs = |first: &str| {
        let mut list = vec![first.to_owned()];
        list.extend(fall_backs.iter().cloned());
        list
    };
    fonts.families.insert(FontFamily::Proportional, with_fall_backs(REGULAR));
    fonts.families.insert(FontFamily::Name(SEMIBOLD.into()), with_fall_backs(SEMIBOLD));
    fonts
}

fn style(dark: bool) -> Style {
    let mut style = Style { visuals: visuals(dark), ..Style::default() };
    let regular = |size| FontId::new(size, FontFamily::Proportional);
    let semibold = |size| FontId::new(size, FontFamily::Name(SEMIBOLD.into()));
    style.text_styles = [
        (TextStyle::Small, regular(11.5)),
        (TextStyle::Body, regular(13.0)),
        (TextStyle::Button, regular(13.0)),
        (TextStyle::Monospace, FontId::new(12.0, FontFamily::Monospace)),
        (TextStyle::Heading, semibold(17.0)),
        (section_style(), semibold(12.5)),
        (strong_style(), semibold(13.0)),
    ]
    .into();
    style.drag_value_text_style = TextStyle::Body;
    let spacing = &mut style.spacing;
    spacing.item_spacing = vec2(GAP, 6.0);
    spacing.button_padding = vec2(10.0, 4.0);
    spacing.interact_size = vec2(28.0, ROW_HEIGHT);
    spacing.window_margin = Margin::same(20);
    spacing.menu_margin = Margin::same(6);
    spacing.combo_width = 60.0;
    spacing.icon_width = 16.0;
    spacing.icon_width_inner = 9.0;
    spacing.icon_spacing = 6.0;
    spacing.tooltip_width = 320.0;
    spacing.scroll.floating = true;
    // The scroll bar has its own room, so that it never covers a control.
    spacing.scroll.bar_width = 7.0;
    spacing.scroll.floating_allocated_width = 9.0;
    style.interaction.selectable_labels = false;
    style.interaction.tooltip_delay = 0.45;
    style.animation_time = 0.08;
    // A blinking cursor would wake an idle window twice a second.
    style.visuals.text_cursor.blink = false;
    style.explanation_tooltips = false;
    style
}

fn visuals(dark: bool) -> Visuals {
    let p = palette_of(dark);
    let mut visuals = if dark { Visuals::dark() } else { Visuals::light() };
    let radius = CornerRadius::same(4);
    visuals.panel_fill = p.panel;
    visuals.window_fill = p.panel;
    visuals.window_stroke = Stroke::new(1.0, p.line);
    visuals.window_corner_radius = CornerRadius::same(8);
    visuals.menu_corner_radius = CornerRadius::same(6);
    visuals.extreme_bg_color = p.field;
    visuals.faint_bg_color = p.bar;
    visuals.code_bg_color = p.field;
    visuals.warn_fg_color = p.warn;
    visuals.error_fg_color = p.warn;
    visuals.hyperlink_color = p.accent;
    visuals.weak_text_color = Some(p.text_weak);
    visuals.selection.bg_fill = p.accent_surface;
    visuals.selection.stroke = Stroke::new(1.0, p.accent);
    visuals.text_cursor.stroke = Stroke::new(1.5, p.accent);
    visuals.slider_trailing_fill = true;
    visuals.indent_has_left_vline = false;
    let shadow = Color32::from_black_alpha(if dark { 110 } else { 50 });
    visuals.popup_shadow = Shadow { offset: [0, 4], blur: 14, spread: 0, color: shadow };
    visuals.window_shadow = Shadow { offset: [0, 8], blur: 28, spread: 0, color: shadow };

    let widgets = &mut visuals.widgets;
    for state in [
        &mut widgets.noninteractive,
        &mut widgets.inactive,
        &mut widgets.hovered,
        &mut widgets.active,
        &mut widgets.open,
    ] {
        state.corner_radius = radius;
        state.expansion = 0.0;
    }
    widgets.noninteractive.bg_fill = p.panel;
    widgets.noninteractive.weak_bg_fill = p.panel;
    widgets.noninteractive.bg_stroke = Stroke::new(1.0, p.line);
    widgets.noninteractive.fg_stroke = Stroke::new(1.0, p.text);
    let edge = if dark { Stroke::NONE } else { Stroke::new(1.0, p.line) };
    widgets.inactive.bg_fill = p.button;
    widgets.inactive.weak_bg_fill = p.button;
    widgets.inactive.bg_stroke = edge;
    widgets.inactive.fg_stroke = Stroke::new(1.0, p.text);
    widgets.hovered.bg_fill = p.button_hover;
    widgets.hovered.weak_bg_fill = p.button_hover;
    widgets.hovered.bg_stroke = Stroke::new(1.0, if dark { p.button_hover } else { p.text_weak });
    widgets.hovered.fg_stroke = Stroke::new(1.0, p.text_strong);
    widgets.active.bg_fill = p.accent_surface;
    widgets.active.weak_bg_fill = p.accent_surface;
    widgets.active.bg_stroke = Stroke::new(1.0, p.accent);
    widgets.active.fg_stroke = Stroke::new(1.0, p.text_strong);
    widgets.open.bg_fill = p.button_hover;
    widgets.open.weak_bg_fill = p.button_hover;
    widgets.open.bg_stroke = edge;
    widgets.open.fg_stroke = Stroke::new(1.0, p.text_strong);
    visuals
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast ratio as in WCAG 2.1, sections "relative luminance" and "contrast ratio".
    fn luminance(c: Color32) -> f64 {
        let linear = |v: u8| {
            let v = f64::from(v) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b())
    }

    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn every_surface_is_a_neutral_grey() {
        for dark in [true, false] {
            let p = palette_of(dark);
            for surface in [p.panel, p.bar, p.surround, p.field, p.line, p.button, p.button_hover] {
                assert!(surface.r() == surface.g() && surface.g() == surface.b(), "{surface:?}");
            }
        }
    }

    #[test]
    fn text_can_be_read_on_every_surface() {
        for dark in [true, false] {
            let p = palette_of(dark);
            for surface in [p.panel, p.bar, p.field, p.surround] {
                assert!(contrast(p.text, surface) >= 7.0, "text on {surface:?}");
            }
            for surface in [p.panel, p.bar, p.field] {
                assert!(contrast(p.text_weak, surface) >= 4.5, "weak text on {surface:?}");
                assert!(contrast(p.accent, surface) >= 3.0, "accent on {surface:?}");
                assert!(contrast(p.warn, surface) >= 3.0, "warning on {surface:?}");
            }
            assert!(contrast(p.on_accent, p.accent) >= 4.5);
        }
    }
}
