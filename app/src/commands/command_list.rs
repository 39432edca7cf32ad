//! Commands found by name: those of the key table, and those that have no key of their own.

use egui::KeyboardShortcut;
use glassine_film::ParamGroup;
use glassine_session::{Edit, Frame, Session};

use super::key_table::TABLE;
use crate::commands::{
    BoxCommand, CleanCommand, ColourCommand, Command, EditCommand, FactsCommand, FileCommand, JobCommand,
    ScanCommand, ScannerCommand, ScreenCommand, SharpnessCommand, ViewCommand,
};
use crate::model::ui_state::UiState;

/// A command without a key. It makes no command where there is nothing to act on.
struct Unkeyed {
    text: &'static str,
    command: fn(&Session, &UiState) -> Option<Command>,
}

/// A command that can be carried out now.
#[derive(Debug, Clone)]
pub struct FoundCommand {
    pub text: &'static str,
    pub shortcut: Option<KeyboardShortcut>,
    pub command: Command,
}

/// Commands without a key, in the order of the work.
const COMMANDS: &[Unkeyed] = &[
    Unkeyed { text: "box the frames of this scan", command: |session, state| find_frames(session, state) },
    Unkeyed {
        text: "give every box of the strip this size",
        command: |_, state| of_frame(state, BoxCommand::ResizeAlike),
    },
    Unkeyed { text: "space the boxes evenly", command: |_, state| of_frame(state, BoxCommand::Distribute) },
    Unkeyed {
        text: "hold the box in the image area, or let it go",
        command: |session, state| {
            primary(session, state).map(|frame| BoxCommand::SetHeld(!frame.held).into())
        },
    },
    Unkeyed { text: "one place earlier in the order", command: |session, state| moved(session, state, -1) },
    Unkeyed { text: "one place later in the order", command: |session, state| moved(session, state, 1) },
    Unkeyed {
        text: "mirror the strip: it was scanned from its other side",
        command: |_, state| of_frame(state, EditCommand::MirrorStrip),
    },
    Unkeyed {
        text: "turn the strip the other way round",
        command: |_, state| of_frame(state, EditCommand::TurnStrip),
    },
    Unkeyed {
        text: "measure the film base on the rebate",
        command: |session, state| Some(JobCommand::MeasureBase(state.strip(session)?.id, None).into()),
    },
    Unkeyed {
        text: "measure the scan again",
        command: |session, state| Some(JobCommand::MeasureScan(state.strip(session)?.scan).into()),
    },
    Unkeyed {
        text: "solve this strip",
        command: |session, state| Some(JobCommand::SolveStrip(state.strip(session)?.id).into()),
    },
    Unkeyed {
        text: "solve roll",
        command: |session, _| (!session.strips.is_empty()).then(|| JobCommand::SolveRoll.into()),
    },
    Unkeyed {
        text: "measure the film from a chart or wedge",
        command: |_, state| of_frame(state, ColourCommand::ShowChart(true)),
    },
    Unkeyed {
        text: "load a measured stock…",
        command: |session, state| state.strip(session).map(|_| ColourCommand::AskLoadStock.into()),
    },
    Unkeyed {
        text: "suggest sharpening",
        command: |_, state| of_frame(state, JobCommand::SuggestSharpening),
    },
    Unkeyed {
        text: "give the cleaning to the strip",
        command: |_, state| of_frame(state, CleanCommand::WholeStrip),
    },
    Unkeyed { text: "give all settings to the strip", command: |session, state| given(session, state, true) },
    Unkeyed { text: "give all settings to the roll", command: |session, state| given(session, state, false) },
    Unkeyed {
        text: "switch exposure off or on",
        command: |session, state| switched(session, state, ParamGroup::Exposure),
    },
    Unkeyed {
        text: "switch colour off or on",
        command: |session, state| switched(session, state, ParamGroup::Colour),
    },
    Unkeyed {
        text: "switch cleaning off or on",
        command: |session, state| switched(session, state, ParamGroup::Clean),
    },
    Unkeyed {
        text: "switch sharpening off or on",
        command: |session, state| switched(session, state, ParamGroup::Sharpen),
    },
    Unkeyed {
        text: "search a folder for missing scans…",
        command: |session, _| (!session.scans.is_empty()).then(|| ScanCommand::AskFolder.into()),
    },
    Unkeyed {
        text: "join the selected scans",
        command: |session, state| {
            let scans = state.scans_to_join(session);
            (scans.len() > 1).then(|| JobCommand::JoinScans(scans).into())
        },
    },
    Unkeyed {
        text: "check the scans",
        command: |session, _| (!session.scans.is_empty()).then(|| ScanCommand::Check.into()),
    },
    Unkeyed { text: "compare focus…", command: |_, _| Some(SharpnessCommand::AskFocusScans.into()) },
    Unkeyed { text: "screen profile…", command: |_, _| Some(ScreenCommand::AskProfile.into()) },
    Unkeyed {
        text: "proof a print with a printer profile…",
        command: |_, _| Some(ScreenCommand::AskPrinter.into()),
    },
    Unkeyed {
        text: "take the facts of the frames from a table…",
        command: |session, _| (!session.frames.is_empty()).then(|| FactsCommand::AskLoad.into()),
    },
    Unkeyed {
        text: "write the facts of the frames as a table…",
        command: |session, _| (!session.frames.is_empty()).then(|| FactsCommand::AskSave.into()),
    },
    Unkeyed { text: "messages", command: |_, _| Some(ViewCommand::ShowNotices(true).into()) },
    Unkeyed {
        text: "unsaved work of earlier runs",
        command: |_, _| Some(ViewCommand::ShowUnsavedWork(true).into()),
    },
    Unkeyed { text: "scan with a scanner", command: |_, _| Some(ScannerCommand::Show(true).into()) },
    Unkeyed { text: "open the demo", command: |_, _| Some(FileCommand::OpenDemo.into()) },
];

/// Every command that can be carried out now and whose text or key has all the words of the search, in the order of the
/// lists. Keys that move boxes by a step are not among them.
pub fn found(session: &Session, state: &UiState, search: &str) -> Vec<FoundCommand> {
    let words: Vec<String> = search.to_lowercase().split_whitespace().map(str::to_owned).collect();
    let has_all = |text: &str| words.iter().all(|word| text.contains(word.as_str()));
    let with_key = TABLE.iter().filter_map(|row| {
        // The list itself is no command of the list.
        let command = row
            .command(state)
            .filter(|command| !matches!(command, Command::View(ViewCommand::ShowCommands(_))));
        Some(FoundCommand { text: row.text, shortcut: Some(row.shortcut()), command: command? })
    });
    let without = COMMANDS.iter().filter_map(|command| {
        Some(FoundCommand { text: command.text, shortcut: None, command: (command.command)(session, state)? })
    });
    let mut commands: Vec<FoundCommand> = Vec::new();
    for command in with_key.chain(without).filter(|command| has_all(command.text)) {
        // Some commands have several keys.
        if commands.iter().all(|known| known.text != command.text) {
            commands.push(command);
        }
    }
    commands
}

/// Finds the frames of the current scan again, as film and format of its strip say.
pub fn find_frames(session: &Session, state: &UiState) -> Option<Command> {
    let strip = state.strip(session);
    let scan = strip.map(|strip| strip.scan).or_else(|| session.scans.first().map(|scan| scan.id))?;
    let film = strip.map(|strip| strip.film);
    let format_id = strip.and_then(|strip| strip.format_id.clone());
    Some(JobCommand::FindFrames { scan, film, format_id }.into())
}

/// Gives all settings of the frame shown large to its strip, or to every frame.
fn given(session: &Session, state: &UiState, to_strip: bool) -> Option<Command> {
    let frame = primary(session, state)?;
    Some(EditCommand::give_look(session, frame, &ParamGroup::ALL, "all settings", to_strip).into())
}

fn switched(session: &Session, state: &UiState, group: ParamGroup) -> Option<Command> {
    let frame = primary(session, state)?;
    Some(EditCommand::SwitchGroup(group, !frame.look.is_off(group)).into())
}

fn moved(session: &Session, state: &UiState, by: isize) -> Option<Command> {
    let frame = primary(session, state)?;
    let to = session.frame_idx(frame.id)?.checked_add_signed(by).filter(|to| *to < session.frames.len())?;
    Some(EditCommand::Apply(Edit::MoveFrame { frame: frame.id, to }).into())
}

fn of_frame(state: &UiState, command: impl Into<Command>) -> Option<Command> {
    state.primary.map(|_| command.into())
}

fn primary<'a>(session: &'a Session, state: &UiState) -> Option<&'a Frame> {
    state.primary.and_then(|id| session.frame(id)).map(AsRef::as_ref)
}
