//! Acts found by name: those of the key table, and those that have no key of their own.

use egui::KeyboardShortcut;
use glassine_film::ParamGroup;
use glassine_session::{Edit, Frame, Session};

use super::key_table::TABLE;
use crate::commands::{
    BoxCommand, CleanCommand, ColourCommand, Command, EditCommand, FactsCommand, FileCommand, JobCommand,
    ScanCommand, ScannerCommand, ScreenCommand, SharpnessCommand, ViewCommand,
};
use crate::model::ui_state::UiState;

/// An act without a key. It makes no command where there is nothing to act on.
struct Act {
    text: &'static str,
    command: fn(&Session, &UiState) -> Option<Command>,
}

/// An act that can be carried out now.
#[derive(Debug, Clone)]
pub struct FoundAct {
    pub text: &'static str,
    pub shortcut: Option<KeyboardShortcut>,
    pub command: Command,
}

/// Acts without a key, in the order of the work.
const ACTS: &[Act] = &[
    Act { text: "box the frames of this scan", command: |session, state| find_frames(session, state) },
    Act {
        text: "give every box of the strip this size",
        command: |_, state| of_frame(state, BoxCommand::ResizeAlike),
    },
    Act { text: "space the boxes evenly", command: |_, state| of_frame(state, BoxCommand::Distribute) },
    Act {
        text: "hold the box in the image area, or let it go",
        command: |session, state| {
            primary(session, state).map(|frame| BoxCommand::SetHeld(!frame.held).into())
        },
    },
    Act { text: "one place earlier in the order", command: |session, state| moved(session, state, -1) },
    Act { text: "one place later in the order", command: |session, state| moved(session, state, 1) },
    Act {
        text: "mirror the strip: it was scanned from its other side",
        command: |_, state| of_frame(state, EditCommand::MirrorStrip),
    },
    Act {
        text: "turn the strip the other way round",
        command: |_, state| of_frame(state, EditCommand::TurnStrip),
    },
    Act {
        text: "measure the film base on the rebate",
        command: |session, state| Some(JobCommand::MeasureBase(state.strip(session)?.id, None).into()),
    },
    Act {
        text: "measure the scan again",
        command: |session, state| Some(JobCommand::MeasureScan(state.strip(session)?.scan).into()),
    },
    Act {
        text: "solve this strip",
        command: |session, state| Some(JobCommand::SolveStrip(state.strip(session)?.id).into()),
    },
    Act {
        text: "solve roll",
        command: |session, _| (!session.strips.is_empty()).then(|| JobCommand::SolveRoll.into()),
    },
    Act {
        text: "measure the film from a chart or wedge",
        command: |_, state| of_frame(state, ColourCommand::ShowChart(true)),
    },
    Act {
        text: "load a measured stock…",
        command: |session, state| state.strip(session).map(|_| ColourCommand::AskLoadStock.into()),
    },
    Act { text: "suggest sharpening", command: |_, state| of_frame(state, JobCommand::SuggestSharpening) },
    Act {
        text: "give the cleaning to the strip",
        command: |_, state| of_frame(state, CleanCommand::WholeStrip),
    },
    Act { text: "give all settings to the strip", command: |session, state| given(session, state, true) },
    Act { text: "give all settings to the roll", command: |session, state| given(session, state, false) },
    Act {
        text: "switch exposure off or on",
        command: |session, state| switched(session, state, ParamGroup::Exposure),
    },
    Act {
        text: "switch colour off or on",
        command: |session, state| switched(session, state, ParamGroup::Colour),
    },
    Act {
        text: "switch cleaning off or on",
        command: |session, state| switched(session, state, ParamGroup::Clean),
    },
    Act {
        text: "switch sharpening off or on",
        command: |session, state| switched(session, state, ParamGroup::Sharpen),
    },
    Act {
        text: "search a folder for missing scans…",
        command: |session, _| (!session.scans.is_empty()).then(|| ScanCommand::AskFolder.into()),
    },
    Act {
        text: "join the selected scans",
        command: |session, state| {
            let scans = state.scans_to_join(session);
            (scans.len() > 1).then(|| JobCommand::JoinScans(scans).into())
        },
    },
    Act {
        text: "check the scans",
        command: |session, _| (!session.scans.is_empty()).then(|| ScanCommand::Check.into()),
    },
    Act { text: "compare focus…", command: |_, _| Some(SharpnessCommand::AskFocusScans.into()) },
    Act { text: "screen profile…", command: |_, _| Some(ScreenCommand::AskProfile.into()) },
    Act {
        text: "proof a print with a printer profile…",
        command: |_, _| Some(ScreenCommand::AskPrinter.into()),
    },
    Act {
        text: "take the facts of the frames from a table…",
        command: |session, _| (!session.frames.is_empty()).then(|| FactsCommand::AskLoad.into()),
    },
    Act {
        text: "write the facts of the frames as a table…",
        command: |session, _| (!session.frames.is_empty()).then(|| FactsCommand::AskSave.into()),
    },
    Act { text: "messages", command: |_, _| Some(ViewCommand::ShowNotices(true).into()) },
    Act {
        text: "unsaved work of earlier runs",
        command: |_, _| Some(ViewCommand::ShowUnsavedWork(true).into()),
    },
    Act { text: "scan with a scanner", command: |_, _| Some(ScannerCommand::Show(true).into()) },
    Act { text: "open the demo", command: |_, _| Some(FileCommand::OpenDemo.into()) },
];

/// Every act that can be carried out now and whose text or key has all the words of the search, in the order of the
/// lists. Keys that move boxes by a step are not among them.
pub fn found(session: &Session, state: &UiState, search: &str) -> Vec<FoundAct> {
    let words: Vec<String> = search.to_lowercase().split_whitespace().map(str::to_owned).collect();
    let has_all = |text: &str| words.iter().all(|word| text.contains(word.as_str()));
    let with_key = TABLE.iter().filter_map(|row| {
        // The list itself is no act of the list.
        let command =
            row.command(state).filter(|command| !matches!(command, Command::View(ViewCommand::ShowActs(_))));
        Some(FoundAct { text: row.text, shortcut: Some(row.shortcut()), command: command? })
    });
    let without = ACTS.iter().filter_map(|act| {
        Some(FoundAct { text: act.text, shortcut: None, command: (act.command)(session, state)? })
    });
    let mut acts: Vec<FoundAct> = Vec::new();
    for act in with_key.chain(without).filter(|act| has_all(act.text)) {
        // Some acts have several keys.
        if acts.iter().all(|known| known.text != act.text) {
            acts.push(act);
        }
    }
    acts
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
