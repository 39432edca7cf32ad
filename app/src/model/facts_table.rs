//! The table of what is written about the frames: its rows and cells, and which one has the keyboard.

use glassine_session::{Edit, Facts, FrameId, Roll, RollId, Session};

/// What a row is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FactsRow {
    /// A roll, whose facts hold for all its frames.
    Roll(RollId),
    Frame(FrameId),
}

/// A column: the title, or one of the facts by its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FactsColumn {
    Title,
    Fact(usize),
}

impl FactsColumn {
    /// Every column, in the order shown.
    pub fn all() -> impl Iterator<Item = Self> {
        std::iter::once(Self::Title).chain((0..Facts::FIELDS.len()).map(Self::Fact))
    }

    /// Its name on screen.
    pub fn label(self) -> &'static str {
        match self {
            Self::Title => "title",
            Self::Fact(at) => Facts::FIELDS.get(at).map_or("", |(_, label, ..)| label),
        }
    }
}

/// The pane with the table.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FactsPane {
    /// The cell that has the keyboard, or had it last.
    pub at: Option<(FactsRow, FactsColumn)>,
    /// Whether that cell takes the keyboard when it is drawn next.
    pub takes_focus: bool,
    /// Whether a cell had the keyboard when it was drawn last: Escape then leaves the cell, not the table.
    pub is_typing: bool,
}

/// The rows: each roll before its frames, frames in the order of the session.
pub fn rows_of(session: &Session) -> Vec<FactsRow> {
    let (mut rows, mut roll) = (Vec::new(), None);
    for frame in &session.frames {
        let own = session.roll_of(frame).map(|roll| roll.id);
        if own != roll {
            roll = own;
            rows.extend(own.map(FactsRow::Roll).filter(|row| !rows.contains(row)));
        }
        rows.push(FactsRow::Frame(frame.id));
    }
    rows
}

/// A cell: what is written there, and what holds where nothing is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FactsCell {
    pub own: String,
    pub inherited: String,
}

/// The text of a cell.
pub fn cell_of(session: &Session, row: FactsRow, column: FactsColumn) -> FactsCell {
    match (row, column) {
        (FactsRow::Frame(id), FactsColumn::Title) => {
            let Some(frame) = session.frame(id) else { return FactsCell::default() };
            FactsCell { own: frame.name.clone().unwrap_or_default(), inherited: String::new() }
        }
        (FactsRow::Roll(id), FactsColumn::Title) => {
            let own = session.roll(id).map(|roll| roll.title.clone()).unwrap_or_default();
            FactsCell { own, inherited: String::new() }
        }
        (FactsRow::Frame(id), FactsColumn::Fact(at)) => {
            let Some(frame) = session.frame(id) else { return FactsCell::default() };
            FactsCell {
                own: fact(&mut frame.facts.as_ref().clone(), at),
                inherited: fact(&mut session.facts_above(frame), at),
            }
        }
        (FactsRow::Roll(id), FactsColumn::Fact(at)) => {
            let mut own = session.roll(id).map(|roll| roll.facts.clone()).unwrap_or_default();
            FactsCell { own: fact(&mut own, at), inherited: fact(&mut session.facts_of_all(), at) }
        }
    }
}

fn fact(facts: &mut Facts, at: usize) -> String {
    Facts::FIELDS.get(at).map(|(.., field)| field(facts).clone()).unwrap_or_default()
}

/// The change that writes a text into a cell.
pub fn edit_of(session: &Session, row: FactsRow, column: FactsColumn, text: &str) -> Option<Edit> {
    let written = |facts: &mut Facts, at: usize| {
        if let Some((.., field)) = Facts::FIELDS.get(at) {
            text.clone_into(field(facts));
        }
    };
    match (row, column) {
        (FactsRow::Frame(frame), FactsColumn::Title) => {
            let name = Some(text.trim().to_owned()).filter(|name| !name.is_empty());
            Some(Edit::SetFrameName { frame, name })
        }
        (FactsRow::Frame(frame), FactsColumn::Fact(at)) => {
            let mut facts = Facts::clone(&session.frame(frame)?.facts);
            written(&mut facts, at);
            Some(Edit::SetFacts(vec![(frame, facts)]))
        }
        (FactsRow::Roll(id), column) => {
            let mut roll = Roll::clone(session.roll(id)?);
            match column {
                FactsColumn::Title => text.clone_into(&mut roll.title),
                FactsColumn::Fact(at) => written(&mut roll.facts, at),
            }
            Some(Edit::UpdateRoll(roll))
        }
    }
}
