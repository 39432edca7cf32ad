//! The table of keys: what the window does on each, and what the help shows.

use egui::{Context, Key, KeyboardShortcut, Modifiers};
use glassine_engine::{FrameScope, Overlay};
use glassine_film::Param;
use glassine_session::{FrameId, FrameMark, StrokeKind};

use crate::commands::{
    BoxCommand, CleanCommand, ColourCommand, Command, EditCommand, ExportCommand, FactsCommand, FileCommand,
    GesturePhase, JobCommand, ScreenCommand, SelectCommand, SelectHow, SharpnessCommand, ViewCommand,
};
use crate::model::colour_tools::VariationKind;
use crate::model::guide;
use crate::model::panels::Section;
use crate::model::screen_state::ProofChoice;
use crate::model::ui_state::{StripTool, UiState};

/// When a key works.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyScope {
    /// Always, also while text is typed.
    Always,
    /// Unless text is typed.
    OutsideText,
    /// Only while no control has the keyboard, because controls use the key themselves.
    OnPictures,
}

/// Section of the help that shows the key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyGroup {
    /// Files and history.
    Session,
    /// Sections of the settings.
    Sections,
    /// Changes of the selected frames' settings.
    Values,
    /// Moving between frames, marking and turning them.
    Frames,
    Boxes,
    Dust,
    /// What is shown.
    View,
}

impl KeyGroup {
    /// Every group, in the order shown.
    pub const ALL: [Self; 7] =
        [Self::Session, Self::Sections, Self::Values, Self::Frames, Self::Boxes, Self::Dust, Self::View];

    /// Name shown.
    pub fn label(self) -> &'static str {
        match self {
            Self::Session => "session",
            Self::Sections => "sections",
            Self::Values => "values",
            Self::Frames => "frames",
            Self::Boxes => "boxes",
            Self::Dust => "dust",
            Self::View => "view",
        }
    }
}

/// What a key requests.
#[derive(Debug, Clone, Copy)]
enum KeyAction {
    /// A command, which may depend on the present state.
    Command(fn(&UiState) -> Command),
    /// Moves the box: right and down for one press; Shift is ten times, Alt a tenth.
    Nudge(f64, f64),
    /// Moves the right and lower edge.
    Grow(f64, f64),
    /// Shows the frame without dust repair while the key is down.
    Unrepaired,
    /// The system's copy.
    Copy,
    /// The system's paste.
    Paste,
}

#[derive(Debug, Clone, Copy)]
pub struct KeyRow {
    /// Modifiers.
    pub modifiers: Modifiers,
    pub key: Key,
    pub group: KeyGroup,
    pub text: &'static str,
    pub scope: KeyScope,
    action: KeyAction,
}

/// Factor of the brush radius for one key press.
const BRUSH_STEP: f64 = 1.2;
/// Factor of the picture's size for one key press: two presses double it.
const ZOOM_STEP: f64 = std::f64::consts::SQRT_2;
const NONE: Modifiers = Modifiers::NONE;
const CTRL: Modifiers = Modifiers::COMMAND;
const CTRL_SHIFT: Modifiers = Modifiers::COMMAND.plus(Modifiers::SHIFT);
const CTRL_ALT: Modifiers = Modifiers::COMMAND.plus(Modifiers::ALT);
const SHIFT: Modifiers = Modifiers::SHIFT;
const ALT: Modifiers = Modifiers::ALT;

/// The action of a row: `(command)` always the same, `{ |state| command }` by the present state, `[…]` a special
/// one.
macro_rules! key_action {
    (($command:expr)) => {
        KeyAction::Command(|_| $command.into())
    };
    ({ $command:expr }) => {
        KeyAction::Command(|state| {
            let command: fn(&UiState) -> _ = $command;
            command(state).into()
        })
    };
    ([nudge $dx:expr, $dy:expr]) => {
        KeyAction::Nudge($dx, $dy)
    };
    ([grow $dw:expr, $dh:expr]) => {
        KeyAction::Grow($dw, $dh)
    };
    ([unrepaired]) => {
        KeyAction::Unrepaired
    };
    ([copy]) => {
        KeyAction::Copy
    };
    ([paste]) => {
        KeyAction::Paste
    };
}

macro_rules! rows {
    ($($group:ident $scope:ident $modifiers:ident $key:ident $text:literal $action:tt;)*) => {
        &[$(KeyRow {
            modifiers: $modifiers, key: Key::$key, group: KeyGroup::$group, text: $text, scope: KeyScope::$scope,
            action: key_action!($action),
        },)*]
    };
}

/// Every key, in the order of the help.
pub const TABLE: &[KeyRow] = rows! {
    Session Always CTRL O "open scans or a session" (FileCommand::AskOpen);
    Session Always CTRL S "save the session" (FileCommand::Save);
    Session Always CTRL_SHIFT S "save under another name" (FileCommand::AskSaveAs);
    Session Always CTRL E "export the roll" { |state| ViewCommand::ShowExport(!state.show_export) };
    Session Always CTRL T "facts of the frames, as a table"
        { |state| FactsCommand::Show(state.facts.is_none()) };
    Session OutsideText CTRL_ALT E "export the selected frames"
        { |state| export_of(state.selected.iter().copied().collect()) };
    Session OutsideText CTRL F "find a command by its name"
        { |state| ViewCommand::ShowCommands(state.command_search.is_none()) };
    Session OutsideText CTRL Z "undo" (EditCommand::Undo);
    Session OutsideText CTRL_SHIFT Z "redo" (EditCommand::Redo);
    Session Always CTRL Q "close the window" (FileCommand::Quit);
    Session Always NONE F1 "the guide, at the page about what you are doing"
        { |state| toggled_guide(state, guide::page_here(state)) };
    Session OutsideText NONE Questionmark "the keys" { |state| toggled_guide(state, guide::KEYS) };

    Sections OutsideText NONE F2 "section film" (ViewCommand::ToggleSection(Section::Film));
    Sections OutsideText NONE F3 "section exposure" (ViewCommand::ToggleSection(Section::Exposure));
    Sections OutsideText NONE F4 "section colour" (ViewCommand::ToggleSection(Section::Colour));
    Sections OutsideText NONE F5 "section clean" (ViewCommand::ToggleSection(Section::Clean));
    Sections OutsideText NONE F6 "section sharpen" (ViewCommand::ToggleSection(Section::Sharpen));
    Sections OutsideText NONE F7 "section output" (ViewCommand::ToggleSection(Section::Output));

    Values OutsideText NONE E "lighter" (EditCommand::StepParam(Param::ExposureStops, 1.0));
    Values OutsideText SHIFT E "darker" (EditCommand::StepParam(Param::ExposureStops, -1.0));
    Values OutsideText NONE J "more contrast" (EditCommand::StepParam(Param::Contrast, 2.0));
    Values OutsideText SHIFT J "less contrast" (EditCommand::StepParam(Param::Contrast, -2.0));
    Values OutsideText NONE Y "warmer" (EditCommand::StepParam(Param::WarmthCc, 2.0));
    Values OutsideText SHIFT Y "cooler" (EditCommand::StepParam(Param::WarmthCc, -2.0));
    Values OutsideText NONE F "greener" (EditCommand::StepParam(Param::TintCc, -2.0));
    Values OutsideText SHIFT F "more magenta" (EditCommand::StepParam(Param::TintCc, 2.0));
    Values OutsideText NONE Q "stronger colours" (EditCommand::StepParam(Param::Saturation, 2.0));
    Values OutsideText SHIFT Q "weaker colours" (EditCommand::StepParam(Param::Saturation, -2.0));
    Values OutsideText CTRL C "copy the settings of the box or print" [copy];
    Values OutsideText CTRL V "paste settings onto the selected frames" [paste];
    Values OutsideText CTRL M "match the selection to the last one clicked"
        (JobCommand::MatchFrames { target: None });
    Values OutsideText NONE G "grey point: click something grey in the large picture"
        { |state| ViewCommand::SetTool(state.toggled_tool(StripTool::GreyPoint)) };
    Values OutsideText NONE T "test strip of exposures"
        (ColourCommand::ShowVariations(Some(VariationKind::Exposure)));
    Values OutsideText NONE R "ring-around of balances"
        (ColourCommand::ShowVariations(Some(VariationKind::RingAround)));

    Frames OutsideText NONE PageDown "next frame" (SelectCommand::Step(1));
    Frames OutsideText NONE PageUp "previous frame" (SelectCommand::Step(-1));
    Frames OutsideText NONE Period "next frame" (SelectCommand::Step(1));
    Frames OutsideText NONE Comma "previous frame" (SelectCommand::Step(-1));
    Frames OutsideText NONE F8 "next frame in doubt" (SelectCommand::Doubtful(1));
    Frames OutsideText SHIFT F8 "previous frame in doubt" (SelectCommand::Doubtful(-1));
    Frames OutsideText NONE F9 "next frame with the same mark" (SelectCommand::SameMark(1));
    Frames OutsideText SHIFT F9 "previous frame with the same mark" (SelectCommand::SameMark(-1));
    Frames OutsideText CTRL A "select all frames" (SelectCommand::All);
    Frames OutsideText SHIFT A "select the frames of the strip" (SelectCommand::Strip);
    Frames OutsideText NONE Num1 "mark: keep" (EditCommand::SetMark(FrameMark::Keep));
    Frames OutsideText NONE Num2 "mark: look again" (EditCommand::SetMark(FrameMark::LookAgain));
    Frames OutsideText NONE Num3 "mark: leave out of the export" (EditCommand::SetMark(FrameMark::LeaveOut));
    Frames OutsideText NONE O "quarter turn clockwise" (EditCommand::QuarterTurn(1));
    Frames OutsideText SHIFT O "quarter turn counter-clockwise" (EditCommand::QuarterTurn(-1));
    Frames OutsideText NONE H "flip left to right" (EditCommand::FlipHorizontally);
    Frames OutsideText SHIFT H "flip top to bottom" (EditCommand::FlipVertically);

    Boxes OutsideText NONE N "add a frame" (BoxCommand::Add);
    Boxes OutsideText SHIFT N "duplicate onto the next position" (BoxCommand::Duplicate);
    Boxes OnPictures NONE Delete "delete the selected frames" (BoxCommand::Delete);
    Boxes OnPictures NONE ArrowRight "move by one scan pixel (Shift 10, Alt 0.1)" [nudge 1.0, 0.0];
    Boxes OnPictures NONE ArrowLeft "move left" [nudge -1.0, 0.0];
    Boxes OnPictures NONE ArrowDown "move down" [nudge 0.0, 1.0];
    Boxes OnPictures NONE ArrowUp "move up" [nudge 0.0, -1.0];
    Boxes OnPictures CTRL ArrowRight "right edge by one pixel (Shift 10, Alt 0.1)" [grow 1.0, 0.0];
    Boxes OnPictures CTRL ArrowLeft "right edge back" [grow -1.0, 0.0];
    Boxes OnPictures CTRL ArrowDown "lower edge by one pixel" [grow 0.0, 1.0];
    Boxes OnPictures CTRL ArrowUp "lower edge back" [grow 0.0, -1.0];
    Boxes OutsideText CTRL Period "turn the box clockwise by 0.1°" (BoxCommand::Turn { degrees: 0.1 });
    Boxes OutsideText CTRL Comma "turn the box counter-clockwise by 0.1°" (BoxCommand::Turn { degrees: -0.1 });
    Boxes OutsideText CTRL_ALT Period "turn the box clockwise by 1°" (BoxCommand::Turn { degrees: 1.0 });
    Boxes OutsideText CTRL_ALT Comma "turn the box counter-clockwise by 1°" (BoxCommand::Turn { degrees: -1.0 });
    Boxes OutsideText NONE L "straighten: draw along something level"
        { |state| ViewCommand::SetTool(state.toggled_tool(StripTool::Level)) };
    Boxes OutsideText NONE M "draw a box to measure the film base in"
        { |state| ViewCommand::SetTool(state.toggled_tool(StripTool::BaseBox)) };

    Dust OutsideText NONE S "repair spots with the brush" { |state| brush(state, StrokeKind::Spot) };
    Dust OutsideText NONE P "paint dust in" { |state| brush(state, StrokeKind::PaintIn) };
    Dust OutsideText NONE X "paint dust out" { |state| brush(state, StrokeKind::PaintOut) };
    Dust OutsideText NONE K "mark dust" { |state| toggled(state, Overlay::DustMap) };
    Dust OutsideText NONE V "show what dust repair changes"
        { |state| toggled(state, Overlay::RepairDifference) };
    Dust OutsideText NONE U "hold to see the picture without dust repair" [unrepaired];

    View OutsideText NONE Home "whole picture" (ViewCommand::SetLoupe(false));
    View OutsideText NONE End "scan pixels one to one" (ViewCommand::SetLoupe(true));
    View OutsideText NONE Plus "picture larger; with a brush: larger brush" { |state| larger(state, 1) };
    View OutsideText NONE Equals "picture larger; with a brush: larger brush" { |state| larger(state, 1) };
    View OutsideText NONE Minus "picture smaller; with a brush: smaller brush" { |state| larger(state, -1) };
    View OutsideText NONE B "before and after" { |state| ViewCommand::ShowBefore(!state.frame.show_before) };
    View OutsideText SHIFT B "before beside after, with a line to move"
        { |state| ViewCommand::Split(state.frame.split.is_none().then_some(0.5)) };
    View OutsideText SHIFT D "two frames side by side" { |state| ViewCommand::ShowBeside(!state.frame.beside) };
    View OutsideText NONE C "mark lost detail" { |state| toggled(state, Overlay::Clipping) };
    View OutsideText NONE I "mark film base" { |state| ViewCommand::ShowBasePixels(!state.show_base_pixels) };
    View OutsideText NONE A "all strips, or one" { |state| ViewCommand::ShowContact(!state.strip.contact) };
    View OutsideText NONE Num0 "whole strip" (ViewCommand::FitStrip);
    View OutsideText ALT Plus "strip larger" (ViewCommand::ZoomStrip(1.25));
    View OutsideText ALT Equals "strip larger" (ViewCommand::ZoomStrip(1.25));
    View OutsideText ALT Minus "strip smaller" (ViewCommand::ZoomStrip(0.8));
    View OutsideText NONE W "strips, or whole scans"
        { |state| ViewCommand::ShowWholeScans(!state.strip.whole_scans) };
    View OutsideText SHIFT S "soft proof: frames as they will come out"
        { |state| ScreenCommand::SetProof(ProofChoice { is_on: !state.proof.is_on, ..state.proof.clone() }) };
    View OutsideText NONE D "dark or light surround" { |state| ViewCommand::SetDark(state.light) };
};

/// Opens the guide at a page, or closes it.
fn toggled_guide(state: &UiState, page: &'static str) -> ViewCommand {
    ViewCommand::ShowGuide(state.guide.open.is_none().then_some(page))
}

fn brush(state: &UiState, kind: StrokeKind) -> ViewCommand {
    ViewCommand::SetTool(state.toggled_tool(StripTool::Brush(kind)))
}

fn export_of(frames: Vec<FrameId>) -> ExportCommand {
    ExportCommand::Start { scope: FrameScope::Only(frames), replace: false }
}

/// Sizes the brush in hand; without a brush, the picture.
fn larger(state: &UiState, by: i32) -> Command {
    match state.tool {
        StripTool::Brush(_) => Command::Clean(CleanCommand::ScaleBrush(BRUSH_STEP.powi(by))),
        _ => Command::View(ViewCommand::ZoomPicture(ZOOM_STEP.powi(by))),
    }
}

fn toggled(state: &UiState, overlay: Overlay) -> ViewCommand {
    ViewCommand::SetOverlay(if state.frame.overlay == overlay { Overlay::None } else { overlay })
}

impl KeyRow {
    /// What the key does in the present state; nothing for keys that move boxes or are held down.
    pub fn command(&self, state: &UiState) -> Option<Command> {
        match self.action {
            KeyAction::Command(command) => Some(command(state)),
            KeyAction::Copy => Some(Command::Edit(EditCommand::CopyLook)),
            KeyAction::Nudge(..) | KeyAction::Grow(..) | KeyAction::Unrepaired | KeyAction::Paste => None,
        }
    }

    /// The key combination, as the toolkit writes it.
    pub fn shortcut(&self) -> KeyboardShortcut {
        KeyboardShortcut::new(self.modifiers, self.key)
    }
}

/// The key of a command, for tool tips: the first row whose text is this one.
pub fn shortcut_of(text: &str) -> Option<KeyboardShortcut> {
    TABLE.iter().find(|row| row.text == text).map(KeyRow::shortcut)
}

/// Reads the keyboard and pushes the commands of the pressed keys.
pub(crate) fn poll(ctx: &Context, state: &mut UiState, out: &mut Vec<Command>) {
    if state.question.is_some() && state.guide.open.is_none() {
        // A question takes the keyboard, but for the key of the guide.
        for row in TABLE.iter().filter(|row| row.key == Key::F1) {
            poll_row(ctx, state, row, out);
        }
        return;
    }
    let focused = ctx.memory(|memory| memory.focused());
    let on_pictures = focused.is_none() || (focused.is_some() && focused == state.canvas_focus);
    let focused_frame = state.canvas_frame.filter(|_| focused.is_some() && on_pictures);
    let in_text = !on_pictures && ctx.text_edit_focused();
    poll_escape(ctx, state, in_text, out);
    if state.clean.key_held && !ctx.input(|input| input.key_down(Key::U)) {
        state.clean.key_held = false;
        out.push(Command::Clean(CleanCommand::ShowUnrepaired(false)));
    }
    // Under an open pane no key may change what the user cannot see.
    let under_pane = state.show_export
        || state.facts.is_some()
        || state.guide.open.is_some()
        || state.command_search.is_some()
        || state.focus.is_some()
        || state.colour.variations.is_some();
    for row in TABLE {
        let works = match row.scope {
            KeyScope::Always => true,
            // The table of facts is changed step by step.
            _ if state.facts.is_some() && row.key == Key::Z => !in_text,
            _ if under_pane => row.key == Key::Questionmark && !in_text,
            KeyScope::OutsideText => !in_text,
            // A tool on the large view uses the arrows itself.
            KeyScope::OnPictures => {
                on_pictures && !matches!(state.tool, StripTool::GreyPoint | StripTool::Brush(_))
            }
        };
        if !works {
            continue;
        }
        let before = out.len();
        poll_row(ctx, state, row, out);
        // Keys for boxes act on the box with the keyboard focus, even if Tab only passes over it.
        let unselected = focused_frame.filter(|id| !state.is_selected(*id));
        if let Some(id) = unselected.filter(|_| row.scope == KeyScope::OnPictures && out.len() > before) {
            out.insert(before, Command::Select(SelectCommand::Frame(id, SelectHow::Only)));
        }
    }
}

fn poll_row(ctx: &Context, state: &mut UiState, row: &KeyRow, out: &mut Vec<Command>) {
    match row.action {
        KeyAction::Command(command) => {
            if consume(ctx, row.modifiers, row.key) > 0 {
                // A section opened by its key also gets the keyboard.
                state.panels.focus_title |= row.group == KeyGroup::Sections;
                out.push(command(state));
            }
        }
        KeyAction::Unrepaired => {
            if consume(ctx, row.modifiers, row.key) > 0 && !state.clean.key_held {
                state.clean.key_held = true;
                out.push(Command::Clean(CleanCommand::ShowUnrepaired(true)));
            }
        }
        KeyAction::Copy => {
            if take_event(ctx, |event| matches!(event, egui::Event::Copy)).is_some() {
                out.push(Command::Edit(EditCommand::CopyLook));
            }
        }
        KeyAction::Paste => {
            if let Some(egui::Event::Paste(text)) =
                take_event(ctx, |event| matches!(event, egui::Event::Paste(_)))
            {
                out.push(Command::Edit(EditCommand::PasteText(text)));
            }
        }
        KeyAction::Nudge(dx, dy) => {
            let px = consume_steps(ctx, row);
            if px != 0.0 {
                out.push(Command::Box(BoxCommand::Nudge { dx_px: dx * px, dy_px: dy * px }));
            }
        }
        KeyAction::Grow(dw, dh) => {
            let px = consume_steps(ctx, row);
            if px != 0.0 {
                out.push(Command::Box(BoxCommand::Grow { dw_px: dw * px, dh_px: dh * px }));
            }
        }
    }
}

/// Removes and returns the first event of a kind.
fn take_event(ctx: &Context, is_it: impl Fn(&egui::Event) -> bool) -> Option<egui::Event> {
    ctx.input_mut(|input| {
        let at = input.events.iter().position(is_it)?;
        Some(input.events.remove(at))
    })
}

/// Counts the presses of exactly this combination and removes their events.
fn consume(ctx: &Context, modifiers: Modifiers, key: Key) -> usize {
    ctx.input_mut(|input| {
        let before = input.events.len();
        input.events.retain(|event| {
            !matches!(event, egui::Event::Key { key: pressed, modifiers: held, pressed: true, .. }
                if *pressed == key && is_exactly(*held, modifiers, key))
        });
        before - input.events.len()
    })
}

/// Whether exactly these modifiers are held. Signs that need Shift on some keyboards ignore Shift.
fn is_exactly(held: Modifiers, asked: Modifiers, key: Key) -> bool {
    let shift_free = matches!(key, Key::Plus | Key::Equals | Key::Questionmark);
    held.command == asked.command && held.alt == asked.alt && (shift_free || held.shift == asked.shift)
}

/// Scan pixels of all presses of an arrow key; Shift gives ten for each, Alt a tenth.
fn consume_steps(ctx: &Context, row: &KeyRow) -> f64 {
    let step = [(Modifiers::NONE, 1.0), (Modifiers::SHIFT, 10.0), (Modifiers::ALT, 0.1)];
    step.into_iter().map(|(more, px)| consume(ctx, row.modifiers.plus(more), row.key) as f64 * px).sum()
}

/// Escape closes the innermost open thing.
fn poll_escape(ctx: &Context, state: &mut UiState, in_text: bool, out: &mut Vec<Command>) {
    let in_gesture = state.box_drag.is_some() || state.drawing_from.is_some();
    if in_text || !ctx.input(|input| input.key_pressed(Key::Escape)) {
        return;
    }
    if state.clean.stroke.take().is_some() {
        state.clean.dropped = true;
    } else if in_gesture {
        state.drawing_from = None;
        out.push(Command::Edit(EditCommand::Gesture(GesturePhase::Cancel)));
    } else if state.tool != StripTool::Boxes {
        out.push(Command::View(ViewCommand::SetTool(StripTool::Boxes)));
    } else if state.command_search.is_some() {
        out.push(Command::View(ViewCommand::ShowCommands(false)));
    } else if state.guide.open.is_some() {
        out.push(Command::View(ViewCommand::ShowGuide(None)));
    } else if state.show_export {
        out.push(Command::View(ViewCommand::ShowExport(false)));
    } else if let Some(facts) = &state.facts {
        if !facts.is_typing {
            out.push(Command::Facts(FactsCommand::Show(false)));
        }
    } else if state.focus.is_some() {
        out.push(Command::Sharpness(SharpnessCommand::CloseFocus));
    } else if state.colour.variations.is_some() {
        out.push(Command::Colour(ColourCommand::ShowVariations(None)));
    } else if state.colour.chart.is_some() {
        out.push(Command::Colour(ColourCommand::ShowChart(false)));
    } else if state.show_notices {
        out.push(Command::View(ViewCommand::ShowNotices(false)));
    } else if state.frame.split.is_some() {
        out.push(Command::View(ViewCommand::Split(None)));
    } else if state.frame.show_before {
        out.push(Command::View(ViewCommand::ShowBefore(false)));
    } else {
        out.push(Command::View(ViewCommand::DismissNotice));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_rows_use_the_same_key() {
        for (idx, row) in TABLE.iter().enumerate() {
            for other in &TABLE[idx + 1..] {
                assert!(
                    row.key != other.key || row.modifiers != other.modifiers,
                    "{} and {}",
                    row.text,
                    other.text
                );
            }
        }
    }

    #[test]
    fn every_group_has_rows_and_every_row_a_text() {
        for group in KeyGroup::ALL {
            assert!(TABLE.iter().any(|row| row.group == group && !row.text.is_empty()));
        }
    }
}
