//! A document that belongs to no file format: headings, text, tables, figures. What a report says is decided once,
//! in these blocks; PDF and HTML each only put them down.

mod first_page;
pub mod layout;
mod notice;
mod page;
mod table;
mod wrap;

use super::figure::Figure;
use super::picture::Picture;
use serde::{Deserialize, Serialize};

/// A whole document.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    pub title: String,
    /// Under the title, one line each.
    pub subtitle: Vec<String>,
    /// At the foot of every page.
    pub foot: String,
    /// Language of the headings, as in BCP 47.
    pub language: String,
    pub paper: Paper,
    pub logo: Option<Logo>,
    /// µs since 1970-01-01 UTC.
    pub issued_us: i64,
    pub blocks: Vec<DocumentBlock>,
    /// So many of the blocks, from the first on, are to stay on one page.
    pub first_page: usize,
    /// Where the rest of what does not fit on it is found; `None`: on the page behind it.
    pub rest_is_in: Option<&'static str>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Paper {
    #[default]
    A4,
    Letter,
}

impl Paper {
    pub const ALL: &[(Self, &str, &str)] = &[(Self::A4, "a4", "210 by 297 mm"), (Self::Letter, "letter", "8.5 by 11 inch")];

    /// Width and height in millimetres: ISO 216 and ANSI/ASME Y14.1 size A.
    pub const fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (210.0, 297.0),
            Self::Letter => (215.9, 279.4),
        }
    }
    /// Width that text, tables and figures have.
    pub const fn text_width(self) -> f64 {
        self.size().0 - 2.0 * SIDE
    }
    /// Height of the text on a page.
    pub const fn text_height(self) -> f64 {
        self.size().1 - TOP - BOTTOM
    }
}

/// Margins of a page, millimetres.
const SIDE: f64 = 18.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 17.0;

/// A picture of the template's, on white: 8-bit red, green, blue, row by row from the top.
#[derive(Debug, Clone, PartialEq)]
pub struct Logo {
    pub width: u32,
    pub height: u32,
    pub rgb: Vec<u8>,
    /// The PNG file it came from.
    pub png: Vec<u8>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum DocumentBlock {
    /// Level 1 or 2.
    Heading {
        level: u8,
        text: String,
    },
    Paragraph(String),
    Bullets(Vec<String>),
    /// Names with their values.
    Facts(Vec<(String, String)>),
    Table(DocumentTable),
    /// Side by side where there is room.
    Figures(Vec<Captioned>),
    /// Photos, two side by side.
    Pictures(Vec<Picture>),
    /// A box that must not be overlooked.
    Notice {
        tone: Tone,
        title: String,
        lines: Vec<String>,
        /// None of its lines may go to another page than the first.
        is_whole: bool,
    },
    /// Lines to sign on, each with what it stands for.
    Signatures(Vec<String>),
    PageBreak,
}

/// A figure and what is written under it.
#[derive(Debug, Clone, PartialEq)]
pub struct Captioned {
    pub figure: Figure,
    pub caption: String,
}

/// How something is meant; never by colour alone, the words say it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Tone {
    #[default]
    Plain,
    Good,
    Watch,
    Bad,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Align {
    #[default]
    Left,
    Right,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct DocumentTable {
    pub columns: Vec<DocumentColumn>,
    pub rows: Vec<DocumentRow>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct DocumentColumn {
    pub head: String,
    pub align: Align,
}

#[derive(Debug, Clone, PartialEq)]
pub struct DocumentRow {
    pub cells: Vec<String>,
    pub tone: Tone,
}

impl DocumentTable {
    /// Columns by their heads; a head that ends in `>` is a column of numbers, set to the right.
    pub fn of(heads: &[&str]) -> Self {
        let column = |head: &&str| match head.strip_suffix('>') {
            Some(head) => DocumentColumn { head: head.to_owned(), align: Align::Right },
            None => DocumentColumn { head: (*head).to_owned(), align: Align::Left },
        };
        Self { columns: heads.iter().map(column).collect(), rows: Vec::new() }
    }
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.toned(Tone::Plain, cells);
    }
    pub fn toned(&mut self, tone: Tone, cells: impl IntoIterator<Item = String>) {
        let mut cells: Vec<String> = cells.into_iter().collect();
        cells.resize(self.columns.len(), String::new());
        self.rows.push(DocumentRow { cells, tone });
    }
}

impl Document {
    pub fn heading(&mut self, level: u8, text: impl Into<String>) {
        self.blocks.push(DocumentBlock::Heading { level, text: text.into() });
    }
    pub fn paragraph(&mut self, text: impl Into<String>) {
        self.blocks.push(DocumentBlock::Paragraph(text.into()));
    }
    pub fn bullets(&mut self, lines: Vec<String>) {
        if !lines.is_empty() {
            self.blocks.push(DocumentBlock::Bullets(lines));
        }
    }
    pub fn facts(&mut self, facts: Vec<(String, String)>) {
        if !facts.is_empty() {
            self.blocks.push(DocumentBlock::Facts(facts));
        }
    }
    pub fn table(&mut self, table: DocumentTable) {
        if !table.rows.is_empty() {
            self.blocks.push(DocumentBlock::Table(table));
        }
    }
    pub fn figures(&mut self, figures: Vec<Captioned>) {
        if !figures.is_empty() {
            let fitted = |it: Captioned| Captioned { figure: page::fitted(it.figure, self.paper), ..it };
            self.blocks.push(DocumentBlock::Figures(figures.into_iter().map(fitted).collect()));
        }
    }
    pub fn pictures(&mut self, pictures: Vec<Picture>) {
        if !pictures.is_empty() {
            self.blocks.push(DocumentBlock::Pictures(pictures));
        }
    }
    /// Every photo, in the order in which they stand; pages name them by it.
    pub fn all_pictures(&self) -> impl Iterator<Item = &Picture> {
        self.blocks.iter().filter_map(|block| if let DocumentBlock::Pictures(pictures) = block { Some(pictures) } else { None }).flatten()
    }
    pub fn notice(&mut self, tone: Tone, title: impl Into<String>, lines: Vec<String>) {
        self.blocks.push(DocumentBlock::Notice { tone, title: title.into(), lines, is_whole: false });
    }
    /// A box whose lines all stay on the first page.
    pub fn whole_notice(&mut self, tone: Tone, title: impl Into<String>, lines: Vec<String>) {
        self.blocks.push(DocumentBlock::Notice { tone, title: title.into(), lines, is_whole: true });
    }
}
