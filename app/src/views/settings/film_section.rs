//! What the strip shares: kind of film, format, stock, film base, mask tolerance, dye unmixing, balance.

use egui::{Button, DragValue, Label, RichText, Role, TextEdit, Ui, WidgetInfo};
use glassine_engine::ScanMarks;
use glassine_film::{BalanceMode, FilmKind, Stock, default_stock, shipped_stocks};
use glassine_layout::{Format, format_by_id, format_of, formats};
use glassine_session::{BaseSource, Edit, FilmBase, ScanRef, Session, Strip, StripCode, StripId, departure};

use super::roll_rows::roll_rows_ui;
use super::scan_reading::scan_ui;
use crate::commands::{
    BoxCommand, ColourCommand, Command, EditCommand, GesturePhase, JobCommand, ViewCommand,
};
use crate::model::colour_tools::VariationKind;
use crate::model::doubts::{strip_doubts, wants_turning};
use crate::model::gesture::ValueGesture;
use crate::model::guide::page_of_film;
use crate::model::number_text::{number_text, parse_number};
use crate::model::ui_state::{NO_FRAME, StripTool, first_bare_scan};
use crate::views::ViewCx;
use crate::views::guide_pane::about_ui;
use crate::widgets::parts::{
    choice_row_ui, choice_ui, fact_row_ui, grouped, note_ui, sub_head_ui, switch_row_ui, warning_ui,
};
use crate::widgets::theme;
use crate::widgets::value_row::{MixedValue, ValueRow, label_ui, number_field_ui};

/// Range of a typed base density; film is never clearer than open light, nor denser than a scanner can measure.
const BASE_RANGE_D: (f64, f64) = (-0.5, 4.0);
/// Recommended tolerance of a typed base, whose spread is unknown.
const TYPED_TOLERANCE_D: f64 = 0.03;
const LETTERS: [&str; 3] = ["R", "G", "B"];
const CHANNELS: [&str; 3] = ["red", "green", "blue"];

pub(super) fn film_section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(strip) = cx.strip() else {
        match first_bare_scan(cx.session) {
            Some(scan) => bare_scan_ui(ui, cx, scan),
            None => note_ui(ui, "open a scan to begin"),
        }
        return;
    };
    let strip: &Strip = strip;
    if cx.session.strips.len() > 1 {
        which_strip_ui(ui, cx, strip);
    }
    about_ui(ui, cx, page_of_film(strip.film), |ui, cx| kind_ui(ui, cx, strip));
    if strip.film.is_negative() {
        sub_head_ui(ui, "film base");
        base_ui(ui, cx, strip);
        tolerance_ui(ui, cx, strip);
    } else {
        note_ui(ui, "slides have no film base: they are shown as scanned, with their own balance");
    }
    if strip.film == FilmKind::ColourNegative {
        unmix_ui(ui, cx, strip);
    }
    about_ui(ui, cx, "strip-solve", |ui, cx| {
        sub_head_ui(ui, "strip solve");
        solve_ui(ui, cx, strip);
        for doubt in strip_doubts(strip) {
            warning_ui(ui, &doubt.text());
        }
    });
    about_ui(ui, cx, "edge-codes", |ui, cx| edge_code_ui(ui, cx, strip));
    about_ui(ui, cx, "rolls", |ui, cx| {
        sub_head_ui(ui, "roll");
        roll_rows_ui(ui, cx, strip);
        if cx.session.strips.len() > 1 {
            roll_ui(ui, cx, strip);
        }
    });
    scan_ui(ui, cx);
}

/// What the code along the film says, and how to show the strip as it says.
fn edge_code_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    if let Some((mirror, half_turn)) = wants_turning(strip) {
        let text = match (mirror, half_turn) {
            (true, false) => "mirror the strip",
            (false, _) => "turn the strip",
            (true, true) => "mirror and turn the strip",
        };
        let hint = "show the strip and its pictures as the code on the film says; undo brings them back";
        if ui.button(text).on_hover_text(hint).clicked() {
            cx.push(EditCommand::Apply(Edit::TurnStrip { strip: strip.id, mirror, half_turn }));
        }
    }
    if let Some(code) = &strip.edge_code {
        fact_row_ui(ui, "edge code", &edge_code_text(code));
    }
}

/// What is chosen for the next search of a scan without frames.
#[derive(Debug, Clone, Default)]
struct Search {
    film: Option<FilmKind>,
    format_id: Option<String>,
}

/// A scan on which no frame was found: how to look again, how it is read, and a box by hand.
fn bare_scan_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    warning_ui(ui, NO_FRAME);
    fact_row_ui(ui, "scan", &scan.path.file_name().unwrap_or_default().to_string_lossy());
    let id = ui.scope_id().with(("search", scan.id.0));
    let mut search = ui.data(|data| data.get_temp::<Search>(id)).unwrap_or_default();
    let kinds = FilmKind::ALL.into_iter().map(|kind| (Some(kind), kind.label().to_lowercase()));
    let kinds = std::iter::once((None, "recognise it".to_owned())).chain(kinds);
    let shown = search.film.map_or_else(|| "recognise it".to_owned(), |kind| kind.label().to_lowercase());
    if let Some(film) = choice_row_ui(ui, "film kind", &shown, Some(&search.film.clone()), kinds) {
        search.film = film;
    }
    if let Some(format_id) = format_row_ui(ui, search.format_id.as_ref()) {
        search.format_id = format_id;
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        if ui.button("find the frames again").on_hover_text("with this film and format").clicked() {
            let Search { film, format_id } = search.clone();
            cx.push(JobCommand::FindFrames { scan: scan.id, film, format_id });
        }
        if ui.button("add a box").on_hover_text("a box of your own, to pull onto a picture   N").clicked() {
            cx.push(BoxCommand::Add);
        }
    });
    ui.data_mut(|data| data.insert_temp(id, search));
    scan_ui(ui, cx);
}

/// The list of formats; returns a new choice.
fn format_row_ui(ui: &mut Ui, chosen: Option<&String>) -> Option<Option<String>> {
    let shown = chosen.map_or("not known", |id| format_by_id(id).map_or(id.as_str(), |format| format.label));
    let none = std::iter::once((None, "not known".to_owned()));
    let choices = none.chain(formats().iter().map(|format| {
        let size = format!("{}, {} × {} mm", format.label, format.along_mm, format.across_mm);
        (Some(format.id.to_owned()), size)
    }));
    choice_row_ui(ui, "format", shown, Some(&chosen.cloned()), choices)
}

/// What the codes along the film say, in a few words.
fn edge_code_text(code: &StripCode) -> String {
    let numbers: Vec<String> = code.codes.iter().filter_map(|code| code.number).map(|n| n.text(1)).collect();
    let span = match (numbers.first(), numbers.last()) {
        (Some(first), Some(last)) if first != last => format!(", {first} to {last}"),
        (Some(only), _) => format!(", {only}"),
        _ => String::new(),
    };
    let [product, specifier] = code.film_code;
    format!("film {product}-{specifier}{span}, {:.0} % sure", 100.0 * code.confidence)
}

/// Gives what this strip has to every strip of the roll.
fn roll_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let others = || cx.session.strips.iter().filter(|other| other.id != strip.id);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = egui::vec2(4.0, 4.0);
        label_ui(ui, "same for all", false);
        let mut give = |ui: &mut Ui, text: &str, help: &str, edits: Vec<Edit>, solves: bool| {
            let button = ui.add_enabled(!edits.is_empty(), Button::new(text));
            if button.on_hover_text(format!("{help}, for every strip of the roll")).clicked() {
                let label = format!("same {text} for the roll");
                cx.out.push(Command::Edit(EditCommand::ApplyAll { label, edits }));
                if solves {
                    cx.out.push(Command::Job(JobCommand::SolveRoll));
                }
            }
        };
        let film = others().filter(|other| (other.film, &other.stock_id) != (strip.film, &strip.stock_id));
        let (kind, stock) = (strip.film, &strip.stock_id);
        let set_film = |other: &std::sync::Arc<Strip>| Edit::SetFilm {
            strip: other.id,
            film: kind,
            stock_id: stock.clone(),
        };
        give(
            ui,
            "film and stock",
            "the kind of film and the stock of this strip",
            film.map(set_film).collect(),
            true,
        );
        let base = strip.base.clone().into_iter().flat_map(|base| {
            others().filter(|other| other.film == strip.film).map(move |other| (other.id, base.clone()))
        });
        let base = base.map(|(id, base)| Edit::SetBase { strip: id, base: Some(base) }).collect();
        give(ui, "film base", "the density of the clear film of this strip", base, true);
        let tolerance_d = strip.mask_tolerance_d;
        let tolerance = others().filter(|other| other.mask_tolerance_d != tolerance_d);
        let tolerance =
            tolerance.map(|other| Edit::SetMaskTolerance { strip: other.id, tolerance_d }).collect();
        give(ui, "mask tolerance", "the mask tolerance of this strip", tolerance, false);
        let balance = strip.balance;
        let balances = others().filter(|other| other.balance != balance);
        let balances = balances.map(|other| Edit::SetBalance { strip: other.id, balance }).collect();
        give(ui, "balance", "the same balance for strip, light or frame", balances, true);
    });
}

/// Whether the boxes of a strip differ clearly in size from a format.
fn has_other_boxes(cx: &ViewCx<'_>, strip: &Strip, format: &Format) -> bool {
    /// A box drawn tighter than the image is still of its format.
    const SAME: std::ops::RangeInclusive<f64> = 0.85..=1.1;
    let Some(ppi) = cx.session.scan(strip.scan).and_then(|scan| scan.resolution()) else { return false };
    let mut boxes = cx.session.frames_of(strip.id).filter_map(|frame| frame.image_area);
    let format_mm = [format.along_mm.max(format.across_mm), format.along_mm.min(format.across_mm)];
    boxes.any(|area| {
        let sides = [area.width_px.max(area.height_px), area.width_px.min(area.height_px)];
        let ratios = [0, 1].map(|k| sides[k] / ppi.px_from_mm(format_mm[k]));
        !ratios.iter().all(|ratio| SAME.contains(ratio))
    })
}

/// The strip in a few words: kind and density of the clear film.
pub(super) fn film_summary(cx: &ViewCx<'_>) -> String {
    let Some(strip) = cx.strip() else { return String::new() };
    let kind = match strip.film {
        FilmKind::ColourNegative => "colour negative",
        FilmKind::BlackAndWhite => "black-and-white",
        FilmKind::Slide => return "slide".to_owned(),
    };
    match &strip.base {
        None => format!("{kind}, base not measured"),
        Some(base) if strip.film == FilmKind::BlackAndWhite => {
            let mean = base.density_d.iter().sum::<f64>() / 3.0;
            format!("{kind}, base {} D", number_text(mean, 2, false))
        }
        Some(base) => {
            let [r, g, b] = base.density_d.map(|density| number_text(density, 2, false));
            format!("{kind}, base {r}  {g}  {b} D")
        }
    }
}

fn which_strip_ui(ui: &mut Ui, cx: &ViewCx<'_>, strip: &Strip) {
    let position = cx.session.strip_place(strip.id);
    let scan = cx.session.scan(strip.scan).and_then(|scan| scan.path.file_name());
    let scan = scan.map_or_else(String::new, |name| format!(", {}", name.to_string_lossy()));
    fact_row_ui(ui, "strip", &format!("{position} of {}{scan}", cx.session.strips.len()));
}

fn kind_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let kinds = FilmKind::ALL.into_iter().map(|kind| (kind, kind.label().to_lowercase()));
    let guess = if strip.film_is_guessed() { " (guessed)" } else { "" };
    let shown = format!("{}{guess}", strip.film.label().to_lowercase());
    if let Some(film) = choice_row_ui(ui, "film kind", &shown, Some(&strip.film), kinds) {
        let stock_id = default_stock(film).id.clone();
        cx.push(EditCommand::Apply(Edit::SetFilm { strip: strip.id, film, stock_id }));
        cx.push(JobCommand::SolveStrip(strip.id));
    }
    if let Some(format_id) = format_row_ui(ui, strip.format_id.as_ref()) {
        cx.push(EditCommand::Apply(Edit::SetFormat { strip: strip.id, format_id }));
    }
    // If no format of the table fits, or none is known, the user can type a size.
    if strip.format_id.as_deref().and_then(format_by_id).is_none() {
        own_size_ui(ui, cx, strip);
    }
    about_ui(ui, cx, "stocks", |ui, cx| stock_row_ui(ui, cx, strip));
    if let Some(format) = strip.format_id.as_deref().and_then(format_of)
        && has_other_boxes(cx, strip, &format)
    {
        warning_ui(ui, "the boxes have another size than this format: box the frames again");
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let hint = "look for the frames of this scan again; boxes changed by hand on it are replaced, undo brings \
                    them back";
        if ui.button("box the frames again").on_hover_text(hint).clicked() {
            let (film, format_id) = (Some(strip.film), strip.format_id.clone());
            cx.push(JobCommand::FindFrames { scan: strip.scan, film, format_id });
        }
    });
}

/// A custom frame size, along by across the strip; taken when the user leaves the field and the size is valid.
fn own_size_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    const NAME: &str = "own frame size";
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, NAME, false);
        let id = ui.scope_id().with((NAME, strip.id.0));
        let own = || strip.format_id.clone().filter(|id| format_by_id(id).is_none()).unwrap_or_default();
        let mut text = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_else(own);
        let edit = ui.add(TextEdit::singleline(&mut text).desired_width(110.0).hint_text("40x65mm"));
        edit.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::TextInput, true, NAME);
            info.current_text_value = Some(text.clone());
            info
        });
        let edit = edit.on_hover_text("along by across the strip, such as 40x65mm");
        let size = text.trim().to_owned();
        if edit.lost_focus() {
            ui.data_mut(|data| data.remove_temp::<String>(id));
            if format_of(&size).is_some() && strip.format_id.as_deref() != Some(size.as_str()) {
                cx.push(EditCommand::Apply(Edit::SetFormat { strip: strip.id, format_id: Some(size) }));
            }
        } else if edit.has_focus() {
            if !size.is_empty() && format_of(&size).is_none() {
                ui.label("as 40x65mm");
            }
            ui.data_mut(|data| data.insert_temp(id, text));
        }
    });
}

/// The stock of the strip, with two ways to add a custom one: a file, or a chart on the frame shown large.
fn stock_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    const MEASURE_WIDTH: f32 = 78.0;
    let session = cx.session;
    let shown = stock_of(session, strip).map_or(strip.stock_id.as_str(), |stock| stock.name.as_str());
    let known = stocks(session, strip.film).map(|stock| (Some(stock.id.clone()), stock.name.clone()));
    let choices = known.chain(std::iter::once((None, "load stock file…".to_owned())));
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "stock", false);
        let width = ui.available_width() - MEASURE_WIDTH - 14.0;
        let current = Some(strip.stock_id.clone());
        // A separate area, so that a long name is cut off instead of pushing the button out of the column.
        let room = egui::vec2(width, theme::ROW_HEIGHT);
        let chosen = ui.allocate_ui_with_layout(room, *ui.layout(), |ui| {
            choice_ui(ui, "stock", shown, width, Some(&current), choices)
        });
        match chosen.inner {
            Some(Some(stock_id)) => {
                cx.push(EditCommand::Apply(Edit::SetStock { strip: strip.id, stock_id }));
                cx.push(JobCommand::SolveStrip(strip.id));
            }
            Some(None) => cx.push(ColourCommand::AskLoadStock),
            None => {}
        }
        let button = Button::new("measure…").min_size(egui::vec2(MEASURE_WIDTH, theme::ROW_HEIGHT));
        let measure = ui.add_enabled(cx.primary().is_some(), button);
        ui.ctx().accesskit_node_builder(measure.id, |node| node.set_label("measure a stock…"));
        if measure.on_hover_text("from a colour chart or a grey wedge on the frame shown large").clicked() {
            cx.push(ColourCommand::ShowChart(true));
        }
    });
}

/// Stocks of a kind: those kept with the session first, then those shipped with the program.
fn stocks(session: &Session, film: FilmKind) -> impl Iterator<Item = &Stock> {
    let own = session.stocks.iter().map(|stock| &**stock);
    own.chain(shipped_stocks()).filter(move |stock| stock.kind == film)
}

fn stock_of<'a>(session: &'a Session, strip: &Strip) -> Option<&'a Stock> {
    stocks(session, strip.film).find(|stock| stock.id == strip.stock_id)
}

/// Where the base came from, from how many pixels, and its confidence.
fn base_source_text(base: &FilmBase) -> String {
    let source = match base.source {
        BaseSource::Rebate => "rebate",
        BaseSource::Box(_) => "drawn box",
        BaseSource::Typed => return "typed in".to_owned(),
        BaseSource::ClearestParts => "clearest parts, no rebate was usable",
    };
    format!("{source}, {} px, {:.0} % sure", grouped(base.pixels), base.confidence * 100.0)
}

fn base_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    match &strip.base {
        Some(base) => measured_base_ui(ui, cx, strip, base),
        None => {
            warning_ui(ui, "not measured: colours use the typical base of the stock");
        }
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "measure", false);
        if ui.button("on the rebate").on_hover_text("measure the clear film around the frames").clicked() {
            cx.push(JobCommand::MeasureBase(strip.id, None));
        }
        let is_drawing = cx.ui_state.tool == StripTool::BaseBox;
        let draw = Button::selectable(is_drawing, "in a box…").frame_when_inactive(true);
        if ui.add(draw).on_hover_text("draw a box on clear film in the strip view").clicked() {
            cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::BaseBox)));
        }
        if strip.base.is_none() && ui.button("type in").on_hover_text("begin with typical values").clicked() {
            let typical =
                stock_of(cx.session, strip).unwrap_or_else(|| default_stock(strip.film)).typical_base_d;
            cx.push(typed_base(strip.id, typical));
        }
    });
    base_pixels_ui(ui, cx, strip);
}

fn measured_base_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip, base: &FilmBase) {
    let p = theme::palette(ui);
    let gap = 4.0;
    let width = |ui: &Ui| ((ui.available_width() - 2.0 * gap) / 3.0).max(50.0);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "density, D", false)
            .on_hover_text("of the clear film against full scale, −log10(code / 65535); can be typed in");
        ui.spacing_mut().item_spacing.x = gap;
        let width = width(ui);
        for channel in 0..3 {
            let mut density = base.density_d[channel];
            let drag = DragValue::new(&mut density)
                .range(BASE_RANGE_D.0..=BASE_RANGE_D.1)
                .clamp_existing_to_range(false)
                .speed(0.002)
                .prefix(format!("{} ", LETTERS[channel]))
                .custom_formatter(|value, _| number_text(value, 3, false))
                .custom_parser(parse_number)
                .update_while_editing(false);
            let name = format!("film base density {}", CHANNELS[channel]);
            let response = number_field_ui(ui, drag, &name, width);
            if response.drag_started() {
                cx.push(EditCommand::Gesture(GesturePhase::Begin("change film base".to_owned())));
            }
            if response.changed() {
                let mut density_d = base.density_d;
                density_d[channel] = density;
                cx.push(typed_base(strip.id, density_d));
            }
            if response.drag_stopped() {
                cx.push(EditCommand::Gesture(GesturePhase::Commit));
            }
        }
    });
    if base.source != BaseSource::Typed {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            label_ui(ui, "spread, D", false)
                .on_hover_text("robust standard deviation of the pixels it rests on");
            ui.spacing_mut().item_spacing.x = gap;
            let size = egui::vec2(width(ui), 18.0);
            for spread in base.spread_d {
                let text = RichText::new(format!("± {}", number_text(spread, 4, false))).color(p.text_weak);
                ui.add_sized(size, Label::new(text));
            }
        });
    }
    fact_row_ui(ui, "measured on", &base_source_text(base));
}

fn typed_base(strip: StripId, density_d: [f64; 3]) -> Command {
    let base = FilmBase {
        density_d,
        pixels: 0,
        spread_d: [0.0; 3],
        recommended_tolerance_d: TYPED_TOLERANCE_D,
        confidence: 1.0,
        source: BaseSource::Typed,
        field: None,
    };
    Command::Edit(EditCommand::Apply(Edit::SetBase { strip, base: Some(base) }))
}

fn base_pixels_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let mut shown = cx.ui_state.show_base_pixels;
    let count = cx.previews.marked_count(strip.scan, ScanMarks::BasePixels).filter(|_| shown);
    let text = match count {
        Some(count) => format!("show base pixels ({})", grouped(count)),
        None => "show base pixels".to_owned(),
    };
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let hint = "mark every pixel of the scan that counts as clear film with this tolerance";
        if ui.checkbox(&mut shown, text).on_hover_text(hint).changed() {
            cx.push(ViewCommand::ShowBasePixels(shown));
        }
    });
}

/// Turns the slider events of one strip value into commands.
fn strip_value_commands(
    cx: &mut ViewCx<'_>,
    label: &str,
    events: Vec<ValueGesture<f64>>,
    default: f64,
    edit: impl Fn(f64) -> Edit,
) {
    let label = format!("change {label}");
    let apply = |value| EditCommand::Apply(edit(value));
    for event in events {
        cx.push(event.into_command(&label, apply, || apply(default)));
    }
}

fn tolerance_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let recommended = strip.base.as_ref().map(|base| base.recommended_tolerance_d);
    let row = ValueRow {
        key: "mask_tolerance_d",
        name: "mask tolerance",
        label: "mask tolerance",
        unit: "D",
        help: "density above the clear film that still counts as film base",
        hard: (0.0, 1.0),
        soft: (0.0, 0.15),
        default: recommended.unwrap_or(TYPED_TOLERANCE_D),
        step: 0.002,
        decimals: 3,
        mark: recommended
            .map(|value| (value, "is recommended: it covers the spread without reaching the image")),
    };
    let mut events = Vec::new();
    row.show(ui, MixedValue::One(strip.mask_tolerance_d), &mut events);
    let id = strip.id;
    strip_value_commands(cx, "mask tolerance", events, row.default, |tolerance_d| Edit::SetMaskTolerance {
        strip: id,
        tolerance_d,
    });
    if strip.base.is_some() && cx.primary().is_some() {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            label_ui(ui, "", false);
            let hint =
                "the frame with several tolerances side by side, each with the pixels that count as base";
            if ui.button("compare tolerances…").on_hover_text(hint).clicked() {
                cx.push(ColourCommand::ShowVariations(Some(VariationKind::MaskTolerance)));
            }
        });
    }
}

fn unmix_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let row = ValueRow {
        key: "unmix_strength",
        name: "dye unmixing",
        label: "dye unmixing",
        unit: "",
        help: "share of the stock's correction for dyes that absorb where they should not; 0 is off",
        hard: (0.0, 1.0),
        soft: (0.0, 1.0),
        default: 1.0,
        step: 0.05,
        decimals: 2,
        mark: None,
    };
    let mut events = Vec::new();
    row.show(ui, MixedValue::One(strip.unmix_strength), &mut events);
    let id = strip.id;
    strip_value_commands(cx, "dye unmixing", events, row.default, |strength| Edit::SetUnmixStrength {
        strip: id,
        strength,
    });
}

fn solve_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let choices = [
        (BalanceMode::Strip, "same for strip", "one light: the grey balance is locked over the strip"),
        (
            BalanceMode::Group,
            "by light",
            "frames that seem to be in another light have a shared balance of their own",
        ),
        (BalanceMode::Frame, "each frame", "every frame gets a grey balance of its own"),
    ];
    if let Some(balance) = switch_row_ui(ui, "balance", strip.balance, &choices) {
        cx.push(EditCommand::Apply(Edit::SetBalance { strip: strip.id, balance }));
        cx.push(JobCommand::SolveStrip(strip.id));
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let is_solved = strip.solve.is_some();
        label_ui(ui, "", false);
        let hint = "estimate exposure, layer gammas and neutrals over all frames of the strip together";
        let text = if is_solved { "solve again" } else { "solve this strip" };
        if ui.button(text).on_hover_text(hint).clicked() {
            cx.push(JobCommand::SolveStrip(strip.id));
        }
    });
    if let Some(solve) = &strip.solve {
        let gamma = |channel: usize| number_text(solve.gamma_ratio[channel], 2, false);
        let ratios = format!("R {}   G {}   B {}", gamma(0), gamma(1), gamma(2));
        if strip.film == FilmKind::ColourNegative {
            fact_row_ui(ui, "layer gammas", &ratios);
            // Below 1 where the strip's colours would otherwise be stronger than those of real surfaces.
            fact_row_ui(ui, "colour strength", &number_text(solve.colour_strength, 2, false));
        }
        fact_row_ui(ui, "confidence", &format!("{:.0} %", solve.confidence * 100.0));
    }
    departure_ui(ui, cx, strip);
}

/// How far the strip departs from those that share its solve, and a way to leave it out.
fn departure_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, strip: &Strip) {
    let Some(found) = departure(cx.session, strip.id) else { return };
    let part = |axis: usize| {
        let cc = number_text(found.balance_cc[axis], 1, true);
        format!("{cc} ± {}", number_text(found.error_cc[axis], 1, false))
    };
    fact_row_ui(ui, "departs by", &format!("warm {}, tint {} CC", part(0), part(1)));
    if !found.is_clear() {
        return;
    }
    warning_ui(ui, "its pictures differ from the strips that it was solved with by more than chance");
    let hint = "another film, development or light at the scanner; “solve roll” takes it in again";
    if ui.button("solve it alone").on_hover_text(hint).clicked() {
        cx.push(JobCommand::SolveAlone(strip.id));
    }
}
