//! Markdown as a list of blocks, ready to be drawn and searched.

use pulldown_cmark::{Event, HeadingLevel, Options, Parser, Tag, TagEnd};

/// A run of text in one style.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Span {
    pub text: String,
    pub is_strong: bool,
    pub is_emphasised: bool,
    pub is_code: bool,
    /// Target of a link.
    pub link: Option<String>,
}

/// Part of a page; a table's first row is its head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Block {
    Heading { level: HeadingLevel, spans: Vec<Span> },
    Paragraph(Vec<Span>),
    Item { depth: usize, mark: String, spans: Vec<Span> },
    Code(String),
    Table(Vec<Vec<Vec<Span>>>),
    Picture { file: String, words: String },
}

/// The text of some spans, without styles.
pub fn plain(spans: &[Span]) -> String {
    spans.iter().map(|span| span.text.as_str()).collect()
}

/// Words that stand for each other in a search: spellings, and what people call things that the guide calls otherwise.
const ALIKE: &[&[&str]] = &[
    &["color", "colour"],
    &["gray", "grey"],
    &["mold", "mould"],
    &["blurry", "blurred", "unsharp", "soft"],
    &["crop", "box"],
    &["rotate", "rotation", "turn"],
    &["preset", "look"],
    &["crash", "recover", "lost", "unsaved"],
    &["halo", "glow"],
    &["banding", "stripe", "line"],
    &["pale", "washed", "faded"],
    &["bright", "lighter"],
    &["shortcut", "key"],
    &["metadata", "fact"],
    &["slow", "freeze", "hang", "speed"],
    &["loupe", "magnifier", "zoom"],
    &["border", "rebate"],
    &["backup", "safekeeping", "archive"],
    &["mouse", "pointer", "wheel"],
    &["dng", "raw"],
    &["triangle", "warning"],
];

/// The words of a text: letters and digits without what stands between them, each with the place of its first letter.
fn words(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut rest = 0;
    text.split(|c: char| !c.is_alphanumeric()).filter_map(move |word| {
        let at = text.get(rest..)?.find(word)? + rest;
        rest = at + word.len();
        (!word.is_empty()).then_some((at, word))
    })
}

/// What is searched for: each word with those that stand for it, all in lower case.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Query(Vec<Vec<String>>);

impl Query {
    pub fn of(search: &str) -> Self {
        let search = search.to_lowercase();
        let with_alike = |(_, word): (usize, &str)| {
            let single = word.strip_suffix('s').filter(|single| single.len() > 2).unwrap_or(word);
            let alike = ALIKE.iter().filter(|group| group.contains(&word) || group.contains(&single));
            let forms = alike.copied().flatten().copied().chain([single]);
            forms.map(str::to_owned).collect()
        };
        Self(words(&search).map(with_alike).collect())
    }

    /// How many words are searched for.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// How many of the words a text in lower case has, at the beginnings of its own.
    fn count_in(&self, lower: &str) -> usize {
        let has = |forms: &&Vec<String>| words(lower).any(|(_, word)| begins(word, forms));
        self.0.iter().filter(has).count()
    }

    /// Place of the first of the words in a text in lower case.
    pub fn first_in(&self, lower: &str) -> Option<usize> {
        words(lower).find(|(_, word)| self.0.iter().any(|forms| begins(word, forms))).map(|(at, _)| at)
    }
}

fn begins(word: &str, forms: &[String]) -> bool {
    forms.iter().any(|form| word.starts_with(form.as_str()))
}

/// A block with its text, ready to be searched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SearchBlock {
    pub block: Block,
    /// Everything it says.
    pub text: String,
    /// The text in lower case.
    lower: String,
}

impl SearchBlock {
    pub fn new(block: Block) -> Self {
        let text = block.text();
        Self { block, lower: text.to_lowercase(), text }
    }

    /// How many of the words that are searched for it has.
    pub fn count(&self, query: &Query) -> usize {
        query.count_in(&self.lower)
    }

    /// The text to show for a search: of a table, the row that has most of the words.
    pub fn shown_for(&self, query: &Query) -> String {
        let Block::Table(rows) = &self.block else { return self.text.clone() };
        let rows = rows.iter().map(|row| row.iter().map(|cell| plain(cell)).collect::<Vec<_>>().join(" · "));
        let best = rows.rev().max_by_key(|row| query.count_in(&row.to_lowercase()));
        best.unwrap_or_default()
    }
}

impl Block {
    /// Everything it says, without styles.
    pub fn text(&self) -> String {
        match self {
            Self::Heading { spans, .. } | Self::Paragraph(spans) | Self::Item { spans, .. } => plain(spans),
            Self::Code(text) => text.clone(),
            Self::Table(rows) => {
                let cells = rows.iter().flatten().map(|cell| plain(cell));
                cells.collect::<Vec<_>>().join("  ")
            }
            Self::Picture { words, .. } => words.clone(),
        }
    }

    /// Spans that it holds.
    pub fn spans(&self) -> Vec<&Span> {
        match self {
            Self::Heading { spans, .. } | Self::Paragraph(spans) | Self::Item { spans, .. } => {
                spans.iter().collect()
            }
            Self::Table(rows) => rows.iter().flatten().flatten().collect(),
            Self::Code(_) | Self::Picture { .. } => Vec::new(),
        }
    }
}

/// The blocks of a text. What the guide does not use, such as quotes and HTML, comes out as its plain text.
pub fn blocks(text: &str) -> Vec<Block> {
    let mut reader = Reader::default();
    for event in Parser::new_ext(text, Options::ENABLE_TABLES) {
        reader.take(event);
    }
    reader.blocks
}

#[derive(Debug, Default)]
struct Reader {
    blocks: Vec<Block>,
    spans: Vec<Span>,
    /// Style of the next span.
    style: Span,
    /// Next number of each open list; `None` for bullets.
    lists: Vec<Option<u64>>,
    /// Mark of the item whose text has not been taken yet.
    mark: Option<String>,
    code: Option<String>,
    picture: Option<String>,
    rows: Vec<Vec<Vec<Span>>>,
}

impl Reader {
    fn take(&mut self, event: Event<'_>) {
        match event {
            Event::Start(tag) => self.begin(tag),
            Event::End(tag) => self.end(tag),
            Event::Code(text) => {
                self.style.is_code = true;
                self.add(&text);
                self.style.is_code = false;
            }
            Event::Text(text) | Event::Html(text) | Event::InlineHtml(text) => match &mut self.code {
                Some(code) => code.push_str(&text),
                None => self.add(&text),
            },
            Event::SoftBreak => self.add(" "),
            Event::HardBreak => self.add("\n"),
            _ => {}
        }
    }

    fn add(&mut self, text: &str) {
        self.spans.push(Span { text: text.to_owned(), ..self.style.clone() });
    }

    fn begin(&mut self, tag: Tag<'_>) {
        match tag {
            Tag::Strong => self.style.is_strong = true,
            Tag::Emphasis => self.style.is_emphasised = true,
            Tag::Link { dest_url, .. } => self.style.link = Some(dest_url.into_string()),
            Tag::Image { dest_url, .. } => {
                self.end_text();
                self.picture = Some(dest_url.into_string());
            }
            Tag::CodeBlock(_) => self.code = Some(String::new()),
            Tag::List(first) => {
                self.end_text();
                self.lists.push(first);
            }
            Tag::Item => {
                self.mark = Some(match self.lists.last_mut() {
                    Some(Some(number)) => {
                        *number += 1;
                        format!("{}.", *number - 1)
                    }
                    _ => "•".to_owned(),
                });
            }
            Tag::TableHead | Tag::TableRow => self.rows.push(Vec::new()),
            _ => {}
        }
    }

    fn end(&mut self, tag: TagEnd) {
        match tag {
            TagEnd::Strong => self.style.is_strong = false,
            TagEnd::Emphasis => self.style.is_emphasised = false,
            TagEnd::Link => self.style.link = None,
            TagEnd::Image => {
                let words = plain(&std::mem::take(&mut self.spans));
                self.blocks.extend(self.picture.take().map(|file| Block::Picture { file, words }));
            }
            TagEnd::CodeBlock => self.blocks.extend(self.code.take().map(Block::Code)),
            TagEnd::List(_) => drop(self.lists.pop()),
            TagEnd::Heading(level) => {
                let spans = std::mem::take(&mut self.spans);
                self.blocks.push(Block::Heading { level, spans });
            }
            TagEnd::TableCell => {
                let cell = std::mem::take(&mut self.spans);
                self.rows.last_mut().into_iter().for_each(|row| row.push(cell.clone()));
            }
            TagEnd::Table => self.blocks.push(Block::Table(std::mem::take(&mut self.rows))),
            TagEnd::Item | TagEnd::Paragraph | TagEnd::BlockQuote(_) | TagEnd::HtmlBlock => self.end_text(),
            _ => {}
        }
    }

    /// Makes an item or a paragraph of the text so far.
    fn end_text(&mut self) {
        let spans = std::mem::take(&mut self.spans);
        if spans.is_empty() {
            return;
        }
        self.blocks.push(match self.mark.take() {
            Some(mark) => Block::Item { depth: self.lists.len().max(1), mark, spans },
            None => Block::Paragraph(spans),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_tables_code_and_pictures_become_blocks() {
        let text = "# A *b*\n\ntext **c** [d](e.md)\n\n1. one\n   - in `it`\n2. two\n\n| h | i |\n|---|---|\n| j | |\n\n\
                    ```\ncode\n```\n\n![k](l.png)\n";
        let blocks = blocks(text);
        let kinds: Vec<String> = blocks.iter().map(Block::text).collect();
        assert_eq!(kinds, ["A b", "text c d", "one", "in it", "two", "h  i  j  ", "code\n", "k"]);
        let Block::Paragraph(spans) = &blocks[1] else { panic!("a paragraph: {blocks:?}") };
        assert!(spans[1].is_strong && spans[3].link.as_deref() == Some("e.md"), "{spans:?}");
        assert!(matches!(&blocks[2], Block::Item { depth: 1, mark, .. } if mark == "1."), "{blocks:?}");
        assert!(matches!(&blocks[3], Block::Item { depth: 2, mark, .. } if mark == "•"), "{blocks:?}");
        assert!(matches!(&blocks[7], Block::Picture { file, .. } if file == "l.png"), "{blocks:?}");
    }

    #[test]
    fn a_block_is_found_by_the_beginnings_of_its_words_and_by_words_alike() {
        let blocks: Vec<SearchBlock> =
            blocks("The Film **Base**").into_iter().map(SearchBlock::new).collect();
        for (search, count) in
            [("BASE film", 2), ("base tone", 1), ("ilm ase", 0), ("films/bases", 2), ("", 0), ("the fi", 2)]
        {
            assert_eq!(blocks[0].count(&Query::of(search)), count, "{search}");
        }
        let text = SearchBlock::new(Block::Paragraph(vec![Span {
            text: "Pull the box; colours glow. It is required.".to_owned(),
            ..Span::default()
        }]));
        for (search, count) in [("crop", 1), ("color", 1), ("halos", 1), ("red", 0)] {
            assert_eq!(text.count(&Query::of(search)), count, "{search}");
        }
        assert_eq!(Query::of("color").first_in("é: the colours"), Some("é: the ".len()));
    }

    #[test]
    fn of_a_table_the_row_with_the_words_is_shown() {
        let blocks: Vec<SearchBlock> = blocks("| a | b |\n|---|---|\n| one | two |\n| three | four |\n")
            .into_iter()
            .map(SearchBlock::new)
            .collect();
        assert_eq!(blocks[0].shown_for(&Query::of("four")), "three · four");
    }
}
