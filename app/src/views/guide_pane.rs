//! The guide over the window: the list of pages or what a search found at the left, the page at the right.

use std::sync::Arc;

use egui::text::{LayoutJob, TextWrapping};
use egui::{
    Align, Button, ColorImage, Context, FontSelection, Id, Key, Label, Layout, Modal, Rect, Response,
    RichText, Role, ScrollArea, Sense, TextEdit, TextStyle, TextureHandle, TextureOptions, Ui, WidgetInfo,
    pos2, vec2,
};
use glassine_scanfile::decode_own_png;

use crate::commands::ViewCommand;
use crate::model::guide::{self, INDEX, PICTURES, Page};
use crate::model::markdown::{Block, plain};
use crate::views::ViewCx;
use crate::widgets::markdown_view::{Reading, markdown_ui};
use crate::widgets::parts::note_ui;
use crate::widgets::theme;

/// Widest pane, and the column of the list in it, points.
const PANE_WIDTH: f32 = 1120.0;
const LIST_WIDTH: f32 = 250.0;
/// Room of the pane to the edges of the window, points.
const AROUND: f32 = 60.0;

pub(crate) fn guide_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(page) = cx.ui_state.guide.open.and_then(guide::page) else { return };
    let frame = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("guide")).frame(frame).show(ui.ctx(), |ui| {
        let room = ui.ctx().content_rect().size() - vec2(AROUND, AROUND);
        let width = (PANE_WIDTH - 40.0).min(room.x - 40.0);
        let height = room.y - 40.0;
        ui.set_width(width);
        ui.set_height(height);
        let (whole, _) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
        let (left, right) = whole.split_left_right_at_x(whole.left() + LIST_WIDTH);
        ui.scope_builder(egui::UiBuilder::new().max_rect(left), |ui| list_ui(ui, cx, page));
        let right = right.with_min_x(right.left() + 24.0);
        ui.scope_builder(egui::UiBuilder::new().max_rect(right), |ui| page_ui(ui, cx, page));
    });
    if modal.should_close() {
        cx.push(ViewCommand::ShowGuide(None));
    }
}

/// The search, and under it what it found, or the list of pages.
fn list_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, page: &Page) {
    let state = &mut cx.ui_state.guide;
    let edit = ui.add(
        TextEdit::singleline(&mut state.search)
            .hint_text("search the guide")
            .desired_width(LIST_WIDTH - 16.0),
    );
    ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label("search the guide"));
    let enters = edit.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
    if ui.memory(|memory| memory.focused().is_none()) {
        edit.request_focus();
    }
    if edit.changed() {
        state.scrolls_to_hit = true;
    }
    ui.add_space(6.0);
    let searches = !state.search.trim().is_empty();
    let hits = &state.found().hits;
    if let Some(first) = hits.first().filter(|_| enters) {
        state.scrolls_to_hit = true;
        cx.push(ViewCommand::ShowGuide(Some(first.page)));
    }
    let list = ScrollArea::vertical().id_salt(("pages", !searches)).auto_shrink([false, false]);
    list.show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        if !searches {
            contents_ui(ui, cx, page);
            return;
        }
        if hits.is_empty() {
            note_ui(ui, "no page has these words");
        }
        for hit in hits {
            let is_shown = hit.page == page.name;
            if entry_ui(ui, hit.title, Some(&hit.excerpt), is_shown).clicked() {
                cx.ui_state.guide.scrolls_to_hit = true;
                cx.push(ViewCommand::ShowGuide(Some(hit.page)));
            }
        }
    });
}

/// The pages in the groups of the index.
fn contents_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, shown: &Page) {
    let Some(index) = guide::page(INDEX) else { return };
    if entry_ui(ui, index.title(), None, shown.name == INDEX).clicked() {
        cx.push(ViewCommand::ShowGuide(Some(INDEX)));
    }
    for read in index.blocks().iter().skip(1) {
        match &read.block {
            Block::Heading { spans, .. } => {
                ui.add_space(8.0);
                note_ui(ui, &plain(spans).to_lowercase());
            }
            Block::Item { spans, .. } => {
                let link = spans.iter().find_map(|span| Some((&span.text, span.link.as_deref()?)));
                let Some((text, page)) = link.and_then(|(text, link)| Some((text, guide::page(link)?)))
                else {
                    continue;
                };
                if entry_ui(ui, text, None, page.name == shown.name).clicked() {
                    cx.push(ViewCommand::ShowGuide(Some(page.name)));
                }
            }
            _ => {}
        }
    }
}

/// An entry of the list: a title, and perhaps the words around what was found.
fn entry_ui(ui: &mut Ui, title: &str, excerpt: Option<&str>, is_shown: bool) -> Response {
    let p = theme::palette(ui);
    let height = if excerpt.is_some() { 42.0 } else { 24.0 };
    let width = ui.available_width() - 8.0;
    let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::click());
    response.widget_info(|| WidgetInfo::selected(Role::Link, true, is_shown, title));
    let fill = match (is_shown, response.hovered()) {
        (true, _) => Some(p.accent_surface),
        (false, true) => Some(p.button),
        (false, false) => None,
    };
    if let Some(fill) = fill {
        ui.painter().rect_filled(rect, 3.0, fill);
    }
    if response.has_focus() {
        let focus = egui::Stroke::new(1.0, p.accent);
        ui.painter().rect_stroke(rect, 3.0, focus, egui::StrokeKind::Inside);
    }
    let clip = ui.painter().with_clip_rect(rect.shrink2(vec2(6.0, 0.0)).intersect(ui.clip_rect()));
    let style = if is_shown || excerpt.is_some() { theme::strong_style() } else { TextStyle::Body };
    let font = FontSelection::Style(style).resolve(ui.style());
    let ink = if is_shown { p.text_strong } else { p.text };
    let line = |text: &str, font, ink, middle: f32| {
        let mut job = LayoutJob::simple_singleline(text.to_owned(), font, ink);
        job.wrap = TextWrapping::truncate_at_width(rect.width() - 16.0);
        let galley = clip.layout_job(job);
        clip.galley(pos2(rect.left() + 8.0, middle - galley.size().y / 2.0), galley, ink);
    };
    line(title, font, ink, rect.top() + 12.0);
    if let Some(excerpt) = excerpt {
        let small = TextStyle::Small.resolve(ui.style());
        line(&excerpt.replace('\n', " "), small, p.text_weak, rect.top() + 31.0);
    }
    response
}

fn page_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, page: &Page) {
    ui.horizontal(|ui| {
        let can_go_back = !cx.ui_state.guide.back.is_empty();
        if ui.add_enabled(can_go_back, Button::new("back")).clicked()
            && let Some(before) = cx.ui_state.guide.back.pop()
        {
            cx.ui_state.guide.open = Some(before);
        }
        if ui.add_enabled(page.name != INDEX, Button::new("all pages")).clicked() {
            cx.push(ViewCommand::ShowGuide(Some(INDEX)));
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if ui.button("close").on_hover_text("Esc").clicked() {
                cx.push(ViewCommand::ShowGuide(None));
            }
            let file = format!("assets/guide/{}.md", page.name);
            ui.add(Label::new(RichText::new(file).small().color(theme::palette(ui).text_weak)).truncate());
        });
    });
    ui.add_space(8.0);
    let found = cx.ui_state.guide.found();
    let scrolls = std::mem::take(&mut cx.ui_state.guide.scrolls_to_hit);
    let ctx = ui.ctx().clone();
    let picture = |file: &str| picture_of(&ctx, page.name, file);
    let reading = Reading { query: &found.query, least: found.least, scrolls, picture: &picture };
    let area = ScrollArea::vertical().id_salt(("page", page.name)).auto_shrink([false, false]);
    let to_top = std::mem::take(&mut cx.ui_state.guide.scrolls_to_top);
    let area = if to_top { area.vertical_scroll_offset(0.0) } else { area };
    let clicked = area.show(ui, |ui| {
        ui.set_max_width(ui.available_width() - 16.0);
        let clicked = markdown_ui(ui, page.blocks(), &reading);
        ui.add_space(30.0);
        clicked
    });
    if let Some(page) = clicked.inner.as_deref().and_then(guide::page) {
        cx.push(ViewCommand::ShowGuide(Some(page.name)));
    }
}

/// Pictures of the page shown, which are kept until another page is.
#[derive(Clone, Default)]
struct KeptPictures {
    page: &'static str,
    textures: Vec<(&'static str, TextureHandle)>,
}

/// A picture of a page, as a texture.
fn picture_of(ctx: &Context, page: &'static str, file: &str) -> Option<TextureHandle> {
    let id = Id::unique("pictures of the guide");
    let mut kept = ctx.data(|data| data.get_temp::<KeptPictures>(id)).unwrap_or_default();
    if kept.page != page {
        kept = KeptPictures { page, textures: Vec::new() };
    }
    if let Some((_, texture)) = kept.textures.iter().find(|(known, _)| *known == file) {
        return Some(texture.clone());
    }
    let (name, bytes) = PICTURES.iter().find(|(name, _)| *name == file)?;
    let (width, height, rgba) = decode_own_png(bytes)?;
    let image = ColorImage::from_rgba_unmultiplied([width as usize, height as usize], &rgba);
    let texture = ctx.load_texture(*name, Arc::new(image), TextureOptions::LINEAR);
    kept.textures.push((name, texture.clone()));
    ctx.data_mut(|data| data.insert_temp(id, kept));
    Some(texture)
}

/// Draws a part of the window that has a page of its own.
pub(super) fn about_ui(
    ui: &mut Ui,
    cx: &mut ViewCx<'_>,
    page: &'static str,
    part: impl FnOnce(&mut Ui, &mut ViewCx<'_>),
) {
    let top = ui.cursor().top();
    part(ui, cx);
    let rect = Rect::from_x_y_ranges(ui.max_rect().x_range(), top..=ui.cursor().top());
    cx.ui_state.guide.places.push((rect.intersect(ui.clip_rect()), page));
}

/// Remembers the page about the part of the window that has the keyboard, else about the one under the pointer.
pub(super) fn note_under_hand(ui: &Ui, cx: &mut ViewCx<'_>) {
    if cx.ui_state.guide.open.is_some() {
        return;
    }
    let ctx = ui.ctx();
    let focused = ctx.memory(|memory| memory.focused()).and_then(|id| ctx.read_response(id));
    let hand = focused.map(|response| response.rect.center()).or_else(|| ctx.pointer_latest_pos());
    let state = &mut cx.ui_state.guide;
    let here = |(place, _): &&(Rect, _)| hand.is_some_and(|hand| place.contains(hand));
    let smallest = state.places.iter().filter(here).min_by(|(a, _), (b, _)| a.area().total_cmp(&b.area()));
    state.under_hand = smallest.map(|(_, page)| *page);
}
