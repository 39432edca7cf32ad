//! The guide: its pages and pictures, which part of the window each is about, and the search over them.

use std::sync::{Arc, LazyLock};

use glassine_film::FilmKind;

use super::colour_tools::VariationKind;
use super::markdown::{Block, Query, SearchBlock, blocks};
use super::panels::Section;
use super::questions::{PathPurpose, Question};
use super::ui_state::{StripTool, UiState};

/// A page of the guide.
#[derive(Debug)]
pub struct Page {
    /// Name of its file, without the ending.
    pub name: &'static str,
    /// Its text, Markdown.
    pub text: &'static str,
}

macro_rules! pages {
    ($($name:literal)*) => {
        &[$(Page { name: $name, text: include_str!(concat!("../../../assets/guide/", $name, ".md")) },)*]
    };
}

macro_rules! pictures {
    ($($name:literal)*) => {
        &[$((concat!("pictures/", $name), include_bytes!(concat!("../../../assets/guide/pictures/", $name))),)*]
    };
}

/// Every page.
pub const PAGES: &[Page] = pages! {
    "index" "first-strip" "window" "cautions" "troubleshooting" "keys"
    "scanning-well" "file-kinds" "stray-light" "flat-film" "holder-height" "camera-captures" "scan-check" "scanner" "watched-folder"
    "colour-negatives" "black-and-white" "slides" "film-base" "stocks"
    "boxes" "strip-solve" "exposure" "balance" "tones" "dust" "sharpening" "rolls" "edge-codes" "joining" "screen"
    "export" "names" "safekeeping" "sessions"
    "command-line" "session-format" "figures" "limits" "release-notes"
};

/// Every picture, by its path in the pages, as PNG.
pub const PICTURES: &[(&str, &[u8])] = pictures! {
    "window.png" "base-pixels.png" "tolerances.png" "test-strip.png" "ring-around.png" "tones.png" "dust.png" "stock.png"
    "contact.png" "export.png"
};

/// The page that leads to all others.
pub const INDEX: &str = "index";
/// The page that lists the keys.
pub const KEYS: &str = "keys";

/// Blocks of every page, in the order of [`PAGES`].
static BLOCKS: LazyLock<Vec<Vec<SearchBlock>>> = LazyLock::new(|| {
    let read = |page: &Page| blocks(page.text).into_iter().map(SearchBlock::new).collect();
    PAGES.iter().map(read).collect()
});

/// The page with this name, or one that a link names.
pub fn page(name: &str) -> Option<&'static Page> {
    let name = name.split('#').next().unwrap_or(name);
    let name = name.strip_suffix(".md").unwrap_or(name);
    PAGES.iter().find(|page| page.name == name)
}

impl Page {
    /// Its first line.
    pub fn title(&self) -> &'static str {
        self.text.lines().next().unwrap_or_default().trim_start_matches('#').trim()
    }

    /// Its blocks, which are read from its text once.
    pub fn blocks(&self) -> &'static [SearchBlock] {
        let at = PAGES.iter().position(|page| page.name == self.name);
        at.and_then(|at| BLOCKS.get(at)).map(Vec::as_slice).unwrap_or_default()
    }
}

/// A page that a search found, with the words around what it found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hit {
    pub page: &'static str,
    pub title: &'static str,
    pub excerpt: String,
}

/// What a search found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Found {
    pub query: Query,
    /// Words that a block of a page must have to be among the hits: all, or most of them if no block has all.
    pub least: usize,
    pub hits: Vec<Hit>,
}

/// Pages with all words in one block, or with most of them if there are none; those with the words in a heading first.
pub fn search(search: &str) -> Found {
    let query = Query::of(search);
    let most = PAGES.iter().flat_map(Page::blocks).map(|block| block.count(&query)).max().unwrap_or(0);
    let least = if 2 * most >= query.len() { most } else { 0 };
    if least == 0 {
        return Found { query, ..Found::default() };
    }
    let mut hits: Vec<(bool, Hit)> = Vec::new();
    for page in PAGES {
        let mut found = page.blocks().iter().filter(|block| block.count(&query) >= least).peekable();
        let Some(first) = found.peek().map(|block| excerpt(&block.shown_for(&query), &query)) else {
            continue;
        };
        let in_heading = found.any(|found| matches!(found.block, Block::Heading { .. }));
        hits.push((!in_heading, Hit { page: page.name, title: page.title(), excerpt: first }));
    }
    hits.sort_by_key(|(is_later, _)| *is_later);
    Found { query, least, hits: hits.into_iter().map(|(_, hit)| hit).collect() }
}

/// The text from a little before the first word on.
fn excerpt(text: &str, query: &Query) -> String {
    /// Letters shown before the word.
    const BEFORE: usize = 12;
    let lower = text.to_lowercase();
    let at = query.first_in(&lower).unwrap_or(0);
    let begin = lower.get(..at).map_or(0, |before| before.chars().count()).saturating_sub(BEFORE);
    if begin == 0 {
        return text.to_owned();
    }
    // Whole words only.
    let rest: String = text.chars().skip(begin).collect();
    format!("… {}", rest.split_once(' ').map_or("", |(_, rest)| rest))
}

/// What the guide shows.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct GuideState {
    /// The page shown; `None` while the guide is closed.
    pub open: Option<&'static str>,
    /// Pages shown before it.
    pub back: Vec<&'static str>,
    /// What is searched for.
    pub search: String,
    /// What was searched for last, and what was found.
    found: (String, Arc<Found>),
    /// Whether the page still has to be scrolled to its top.
    pub scrolls_to_top: bool,
    /// Whether the page still has to be scrolled to what was found.
    pub scrolls_to_hit: bool,
    /// The page about the part of the window that has the keyboard or lies under the pointer.
    pub under_hand: Option<&'static str>,
    /// The page about the dialog that lies over the window.
    pub of_dialog: Option<&'static str>,
    /// Parts of the window with the pages about them, as they were drawn last; the smallest counts.
    pub places: Vec<(egui::Rect, &'static str)>,
}

impl GuideState {
    /// What the search finds; it is kept until the search changes.
    pub(crate) fn found(&mut self) -> Arc<Found> {
        if self.found.0 != self.search {
            self.found = (self.search.clone(), Arc::new(search(&self.search)));
        }
        Arc::clone(&self.found.1)
    }

    /// Shows a page, or closes the guide.
    pub(crate) fn show(&mut self, page: Option<&'static str>) {
        self.scrolls_to_top = page != self.open;
        match (page, self.open) {
            (Some(_), Some(now)) if page != self.open => self.back.push(now),
            (None, _) => {
                let (under_hand, of_dialog) = (self.under_hand, self.of_dialog);
                let places = std::mem::take(&mut self.places);
                *self = Self { under_hand, of_dialog, places, ..Self::default() };
            }
            _ => {}
        }
        self.open = page;
    }
}

/// The page about a section of the settings.
pub fn page_of_section(section: Section) -> &'static str {
    match section {
        Section::Film => "film-base",
        Section::Exposure => "exposure",
        Section::Colour => "balance",
        Section::Clean => "dust",
        Section::Sharpen => "sharpening",
        Section::Output => "export",
    }
}

/// The page about a question.
pub fn page_of_question(question: &Question) -> &'static str {
    match question {
        Question::Unsaved(_) => "sessions",
        Question::Exporting => "export",
        Question::Scanning => "scanner",
        Question::BaseInPicture { .. } => "film-base",
        Question::NewSession { .. } => "first-strip",
        Question::TypePath { purpose, .. } => match purpose {
            PathPurpose::Open => "first-strip",
            PathPurpose::SaveAs | PathPurpose::ScanFolder => "sessions",
            PathPurpose::ExportFolder
            | PathPurpose::SaveRecipe
            | PathPurpose::LoadRecipe
            | PathPurpose::RecipePrinter => "export",
            PathPurpose::SaveTable | PathPurpose::LoadTable => "rolls",
            PathPurpose::WriteJoined(_) => "joining",
            PathPurpose::SaveStock | PathPurpose::LoadStock => "stocks",
            PathPurpose::ScansInto => "scanner",
            PathPurpose::WatchedFolder => "watched-folder",
            PathPurpose::Infrared(_) => "file-kinds",
            PathPurpose::ScreenProfile | PathPurpose::PrinterProfile => "screen",
            PathPurpose::FocusScans | PathPurpose::FocusFolder => "holder-height",
        },
    }
}

/// The page about a kind of film.
pub fn page_of_film(film: FilmKind) -> &'static str {
    match film {
        FilmKind::ColourNegative => "colour-negatives",
        FilmKind::BlackAndWhite => "black-and-white",
        FilmKind::Slide => "slides",
    }
}

/// The page about what the user is doing: the dialog or pane over the window, the tool in hand, what is under the hand, the
/// open section.
pub fn page_here(state: &UiState) -> &'static str {
    if let Some(page) = state.guide.of_dialog {
        return page;
    }
    if state.show_export {
        return "export";
    }
    if state.facts.is_some() {
        return "rolls";
    }
    if state.focus.is_some() {
        return "holder-height";
    }
    if let Some(kind) = state.colour.variations {
        return match kind {
            VariationKind::Exposure => "exposure",
            VariationKind::RingAround => "balance",
            VariationKind::MaskTolerance => "film-base",
        };
    }
    if state.colour.chart.is_some() {
        return "stocks";
    }
    match state.tool {
        StripTool::GreyPoint => return "balance",
        StripTool::BaseBox => return "film-base",
        StripTool::Brush(_) => return "dust",
        StripTool::Edge => return "sharpening",
        StripTool::Level => return "boxes",
        StripTool::Boxes => {}
    }
    state.guide.under_hand.or_else(|| state.panels.open.map(page_of_section)).unwrap_or(INDEX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_search_finds_pages_and_puts_headings_first() {
        let hits = search("mask tolerance").hits;
        assert_eq!(hits.first().map(|hit| hit.page), Some("film-base"), "{hits:?}");
        assert!(search("xylophone").hits.is_empty());
        assert!(search("").hits.is_empty());
    }

    #[test]
    fn words_alike_are_found_and_most_words_if_no_block_has_all() {
        for search_for in ["color", "mold", "blurry", "rotate", "banding", "shortcut", "backup", "recover"] {
            assert!(!search(search_for).hits.is_empty(), "{search_for}");
        }
        let found = search("mask tolerance xylophone");
        assert_eq!((found.least, found.hits.first().map(|hit| hit.page)), (2, Some("film-base")));
        assert!(search("xylophone zither mask").hits.is_empty(), "one of three words is not most of them");
        for hit in search("red").hits {
            assert!(!hit.excerpt.to_lowercase().contains("required"), "{hit:?}");
        }
    }

    #[test]
    fn pages_are_read_once_and_searched_when_the_search_changes() {
        for page in PAGES {
            assert!(std::ptr::eq(page.blocks(), page.blocks()), "{}", page.name);
            let blocks: Vec<_> = page.blocks().iter().map(|read| read.block.clone()).collect();
            assert_eq!(blocks, super::blocks(page.text), "{}", page.name);
        }
        let mut state = GuideState { search: "mask tolerance".to_owned(), ..GuideState::default() };
        let first = state.found();
        assert_eq!(*first, search("mask tolerance"));
        assert!(Arc::ptr_eq(&first, &state.found()), "the same search was made again");
        state.search = "nitrate".to_owned();
        assert_eq!(*state.found(), search("nitrate"));
        state.search.clear();
        assert!(state.found().hits.is_empty());
    }

    #[test]
    fn closing_the_guide_forgets_the_search_and_the_way() {
        let mut state = GuideState { under_hand: Some("dust"), ..GuideState::default() };
        state.show(Some("dust"));
        state.show(Some("keys"));
        assert_eq!(state.back, ["dust"]);
        state.search = "halo".to_owned();
        state.show(None);
        assert_eq!(state, GuideState { under_hand: Some("dust"), ..GuideState::default() });
    }
}
