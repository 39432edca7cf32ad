//! Questions that the user must answer before something can continue.

use egui::{Align, Button, ComboBox, Id, Key, Label, Layout, Modal, RichText, TextEdit, Ui, vec2};
use glassine_engine::ScanReading;
use glassine_film::FilmKind;
use glassine_layout::formats;
use glassine_session::{EncodingChoice, FourthSampleChoice};

use crate::commands::{FileCommand, ViewCommand};
use crate::model::guide::page_of_question;
use crate::model::questions::{Answer, PendingAction, Question};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton};
use crate::widgets::parts::title_ui;
use crate::widgets::theme;
use crate::widgets::value_row::label_ui;

const WIDTH: f32 = 460.0;

/// Labels of a question's buttons: continue, the alternative, stay.
struct Words {
    yes: &'static str,
    no: Option<&'static str>,
    cancel: &'static str,
}

/// Draws the open question.
pub(super) fn questions_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    // The guide about the question takes its place until it is closed.
    if cx.ui_state.guide.open.is_some() {
        return;
    }
    let Some(mut question) = cx.ui_state.question.take() else { return };
    let page = page_of_question(&question);
    cx.ui_state.guide.of_dialog = Some(page);
    let mut answer = None;
    let frame = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("question")).frame(frame).show(ui.ctx(), |ui| {
        ui.set_width(WIDTH.min(ui.ctx().content_rect().width() - 60.0));
        let words = body_ui(ui, cx, &mut question);
        ui.add_space(16.0);
        answer = buttons_ui(ui, cx, &words, page);
    });
    if modal.should_close() {
        answer = answer.or(Some(Answer::Cancel));
    }
    cx.ui_state.question = Some(question);
    if let Some(answer) = answer {
        cx.push(FileCommand::Answer(answer));
    }
}

fn body_ui(ui: &mut Ui, cx: &ViewCx<'_>, question: &mut Question) -> Words {
    match question {
        Question::Unsaved(action) => {
            title_ui(ui, "save the changes first?");
            ui.add_space(6.0);
            let what = match action {
                PendingAction::Close => "closing the window",
                PendingAction::Open(_)
                | PendingAction::NewSession(_)
                | PendingAction::OpenDemo
                | PendingAction::Show(_) => "opening another session",
            };
            let text = match &cx.status.path {
                Some(path) => format!("{} has changes that {what} would lose", path.display()),
                None => format!("this session has not been saved yet; {what} would lose it"),
            };
            wrapped(ui, &text);
            Words { yes: "save", no: Some("leave without saving"), cancel: "stay" }
        }
        Question::Exporting => {
            title_ui(ui, "let the export finish first?");
            ui.add_space(6.0);
            wrapped(ui, &export_text(cx));
            wrapped(ui, "pictures that are finished stay where they are, whatever you choose");
            Words { yes: "finish, then close", no: Some("stop it and close"), cancel: "stay" }
        }
        Question::Scanning => {
            title_ui(ui, "stop the scan and close?");
            ui.add_space(6.0);
            wrapped(
                ui,
                "film is being scanned; the file that is not complete would be removed, finished ones stay",
            );
            Words { yes: "stop it and close", no: None, cancel: "stay" }
        }
        Question::BaseInPicture { frame, .. } => {
            title_ui(ui, "measure the film base in a picture?");
            ui.add_space(6.0);
            wrapped(ui, &format!("the box lies in frame {frame}, where the film has taken a picture"));
            wrapped(
                ui,
                "the base is the clear film: the rebate between and beside the pictures, or the leader. A base \
                 that is too dense spoils the blacks and the colour of the whole strip.",
            );
            Words { yes: "measure it all the same", no: None, cancel: "draw another box" }
        }
        Question::TypePath { purpose, text } => {
            title_ui(ui, purpose.title());
            ui.add_space(6.0);
            wrapped(ui, "this system shows no file dialog, so please type the path");
            let edit = TextEdit::singleline(text).desired_width(f32::INFINITY).hint_text(purpose.hint());
            let response = ui.add(edit);
            response.widget_info(|| {
                let mut info = egui::WidgetInfo::labeled(egui::Role::TextInput, true, "path");
                info.current_text_value = Some(text.clone());
                info
            });
            if ui.memory(|memory| memory.focused().is_none()) {
                response.request_focus();
            }
            Words { yes: purpose.verb(), no: None, cancel: "cancel" }
        }
        Question::NewSession { scans, film, format_id, reading, one_frame_per_file, add } => {
            title_ui(ui, "what is on these scans?");
            ui.add_space(6.0);
            let names: Vec<_> =
                scans.iter().filter_map(|path| path.file_name()).map(|name| name.to_string_lossy()).collect();
            let more = names.len().saturating_sub(3);
            let mut text = names.iter().take(3).map(AsRef::as_ref).collect::<Vec<&str>>().join(", ");
            if more > 0 {
                text.push_str(&format!(" and {more} more"));
            }
            wrapped(ui, &text);
            ui.add_space(6.0);
            film_row_ui(ui, film);
            format_row_ui(ui, format_id);
            reading_rows_ui(ui, reading);
            ui.add_space(4.0);
            ui.checkbox(one_frame_per_file, "each file holds one frame");
            if !cx.session.scans.is_empty() && !cx.status.is_demo {
                ui.checkbox(add, "add to the session that is open");
            }
            Words { yes: "box the frames", no: None, cancel: "cancel" }
        }
    }
}

/// Progress of the running export, in words.
fn export_text(cx: &ViewCx<'_>) -> String {
    let Some(job) = cx.status.exporting() else { return "the export has just ended".to_owned() };
    let done = format!("an export is running, {:.0} % of it is done", job.share * 100.0);
    let rest = job.remaining.as_ref().map(|remaining| format!("; {remaining}"));
    done + &rest.unwrap_or_default()
}

fn wrapped(ui: &mut Ui, text: &str) {
    let ink = theme::palette(ui).text;
    ui.add(Label::new(RichText::new(text).color(ink)).wrap());
}

fn film_row_ui(ui: &mut Ui, film: &mut Option<FilmKind>) {
    let text = |film: Option<FilmKind>| {
        film.map_or_else(|| "recognise it".to_owned(), |film| film.label().to_lowercase())
    };
    row_ui(ui, "film", &text(*film), |ui| {
        ui.selectable_value(film, None, text(None));
        for kind in FilmKind::ALL {
            ui.selectable_value(film, Some(kind), text(Some(kind)));
        }
    });
}

fn format_row_ui(ui: &mut Ui, format_id: &mut Option<String>) {
    let current = format_id.as_deref();
    let shown =
        formats().iter().find(|format| Some(format.id) == current).map_or("recognise it", |f| f.label);
    row_ui(ui, "format", shown, |ui| {
        ui.selectable_value(format_id, None, "recognise it");
        for format in formats() {
            ui.selectable_value(format_id, Some(format.id.to_owned()), format.label);
        }
    });
}

/// Choices that rarely differ from what the files say; page, infrared file and other gammas are set once the scans are
/// open.
fn reading_rows_ui(ui: &mut Ui, reading: &mut ScanReading) {
    let encodings = [
        (EncodingChoice::Auto, "as the file says"),
        (EncodingChoice::Linear, "linear"),
        (EncodingChoice::Srgb, "sRGB"),
        (EncodingChoice::Gamma(1.8), "gamma 1.8"),
        (EncodingChoice::Gamma(2.2), "gamma 2.2"),
    ];
    table_row_ui(ui, "encoding", &mut reading.encoding, &encodings);
    let meanings = [
        (FourthSampleChoice::Auto, "as the file says"),
        (FourthSampleChoice::Infrared, "infrared"),
        (FourthSampleChoice::Ignore, "ignore"),
    ];
    table_row_ui(ui, "fourth sample", &mut reading.fourth_sample, &meanings);
}

fn table_row_ui<T: Copy + PartialEq>(ui: &mut Ui, label: &str, value: &mut T, choices: &[(T, &str)]) {
    let shown = choices.iter().find(|(choice, _)| choice == value).map_or("", |(_, text)| *text);
    row_ui(ui, label, shown, |ui| {
        for (choice, text) in choices {
            ui.selectable_value(value, *choice, *text);
        }
    });
}

fn row_ui(ui: &mut Ui, label: &str, shown: &str, choices: impl FnOnce(&mut Ui)) {
    ui.horizontal(|ui| {
        label_ui(ui, label, false);
        let combo = ComboBox::from_id_salt(label).width(220.0).selected_text(shown);
        let response = combo.show_ui(ui, choices).response;
        let name = format!("{label}: {shown}");
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &name));
    });
}

fn buttons_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, words: &Words, page: &'static str) -> Option<Answer> {
    let p = theme::palette(ui);
    let mut answer = None;
    ui.horizontal(|ui| {
        let yes = Button::new(RichText::new(words.yes).color(p.on_accent))
            .fill(p.accent)
            .min_size(vec2(110.0, 28.0));
        if ui.add(yes).clicked() || ui.input(|input| input.key_pressed(Key::Enter)) {
            answer = Some(Answer::Yes);
        }
        if let Some(no) = words.no
            && ui.add(Button::new(no).min_size(vec2(0.0, 28.0))).clicked()
        {
            answer = Some(Answer::No);
        }
        if ui.add(Button::new(words.cancel).min_size(vec2(0.0, 28.0))).clicked() {
            answer = Some(Answer::Cancel);
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if IconButton::new(Icon::Help, "what the guide says about this").tip("F1").show(ui).clicked() {
                cx.push(ViewCommand::ShowGuide(Some(page)));
            }
        });
    });
    answer
}
