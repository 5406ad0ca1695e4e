//! A document on pages: the blocks put down one below the other, page numbers once their count is known.

use super::first_page::{self, HeldOnPage};
use super::page::PaperSheet;
pub use super::page::{Page, PageEntry, PagePlace, Pages};
use super::wrap::Type;
use super::{Captioned, Document, DocumentBlock, Logo, notice, page, table};
use crate::figure::{Anchor, Ink, Stroke, point};
use crate::picture::Picture;

const TITLE: Type = Type::bold(6.2);
const UNDER_TITLE: Type = Type::regular(3.4);
const FIRST: Type = Type::bold(4.2);
const SECOND: Type = Type::bold(3.3);
pub(super) const TEXT: Type = Type::regular(2.9);
pub(super) const STRONG: Type = Type::bold(2.9);
const CAPTION: Type = Type::regular(2.5);
const FOOT: Type = Type::regular(2.3);
/// Between blocks.
pub(super) const GAP: f64 = 2.0;
/// Between figures that stand side by side.
const BETWEEN: f64 = 4.0;

/// Lays a document out. Pure: the same document gives the same pages.
pub fn pages(document: &Document) -> Pages {
    let (first, rest) = document.blocks.split_at(document.first_page.min(document.blocks.len()));
    let fits = |blocks: &[DocumentBlock]| begun(document, blocks).done.pages.len() == 1;
    let HeldOnPage { first, later } = first_page::held(first, document.rest_is_in, notice::line_width(document.paper.text_width()), fits);
    let mut sheet = begun(document, &first);
    let rest: Vec<&DocumentBlock> = later.iter().chain(rest).collect();
    all(&mut sheet, &rest);
    let mut pages = sheet.done;
    foot(document, &mut pages);
    pages
}

/// The paper with these blocks on it, from its top.
fn begun(document: &Document, blocks: &[DocumentBlock]) -> PaperSheet {
    let mut sheet = PaperSheet::new(document.paper);
    top(&mut sheet, document);
    all(&mut sheet, &blocks.iter().collect::<Vec<_>>());
    sheet
}

fn all(sheet: &mut PaperSheet, blocks: &[&DocumentBlock]) {
    for (index, block) in blocks.iter().enumerate() {
        put(sheet, block, &blocks[index + 1..]);
    }
}

fn top(sheet: &mut PaperSheet, document: &Document) {
    let mut room = sheet.width();
    if let Some(logo) = &document.logo {
        let (width, height) = logo_size(logo);
        let place = PagePlace { x: sheet.left() + sheet.width() - width, y: sheet.y, width, height };
        sheet.page().logo = Some(place);
        room -= width + 6.0;
    }
    let from = sheet.y;
    sheet.lines(sheet.left(), TITLE, Ink::Black, &TITLE.wrap(&document.title, room));
    for line in &document.subtitle {
        sheet.lines(sheet.left(), UNDER_TITLE, Ink::Grey, &UNDER_TITLE.wrap(line, room));
    }
    if let Some(place) = sheet.page().logo {
        sheet.y = sheet.y.max(from + place.height);
    }
    sheet.y += 1.5;
    sheet.rule(sheet.left(), 0.0, sheet.width(), Stroke::solid(Ink::Blue, 0.7));
    sheet.y += 3.0;
}

/// A logo fits into 50 by 18 mm.
fn logo_size(logo: &Logo) -> (f64, f64) {
    let (width, height) = (f64::from(logo.width.max(1)), f64::from(logo.height.max(1)));
    let scale = (50.0 / width).min(18.0 / height);
    (width * scale, height * scale)
}

/// `rest` are the blocks behind it.
fn put(sheet: &mut PaperSheet, block: &DocumentBlock, rest: &[&DocumentBlock]) {
    match block {
        DocumentBlock::Heading { level, text } => heading(sheet, *level, text, rest),
        DocumentBlock::Paragraph(text) => {
            sheet.gap(GAP / 2.0);
            sheet.lines(sheet.left(), TEXT, Ink::Black, &TEXT.wrap(text, sheet.width()));
        }
        DocumentBlock::Bullets(lines) => {
            sheet.gap(GAP / 2.0);
            for line in lines {
                let wrapped = TEXT.wrap(line, sheet.width() - 5.0);
                sheet.need(TEXT.line());
                sheet.text(sheet.left() + 1.0, TEXT.size, TEXT, Anchor::Start, Ink::Blue, "•");
                sheet.lines(sheet.left() + 5.0, TEXT, Ink::Black, &wrapped);
                sheet.y += 0.5;
            }
        }
        DocumentBlock::Facts(facts) => {
            sheet.gap(GAP);
            table::facts(sheet, facts);
        }
        DocumentBlock::Table(wanted) => {
            sheet.gap(GAP);
            table::put(sheet, wanted);
            sheet.y += GAP / 2.0;
        }
        DocumentBlock::Figures(figures) => {
            sheet.gap(GAP);
            for row in rows(figures, sheet.width()) {
                match shrunk(sheet, row) {
                    Some(small) => figure_row(sheet, &small),
                    None => figure_row(sheet, row),
                }
            }
        }
        DocumentBlock::Pictures(pictures) => {
            sheet.gap(GAP);
            pictures.chunks(2).for_each(|row| picture_row(sheet, row));
        }
        DocumentBlock::Notice { tone, title, lines, .. } => notice::put(sheet, *tone, title, lines),
        DocumentBlock::Signatures(lines) => signatures(sheet, lines),
        DocumentBlock::PageBreak => {
            if !sheet.is_fresh() {
                sheet.turn();
            }
        }
    }
}

fn heading(sheet: &mut PaperSheet, level: u8, text: &str, rest: &[&DocumentBlock]) {
    // Under the title of the document a heading needs no room of its own.
    let is_first = sheet.done.outline.is_empty();
    let (kind, before) = match level {
        ..=1 if is_first => (FIRST, 1.0),
        ..=1 => (FIRST, 6.0),
        _ => (SECOND, 4.0),
    };
    let lines = kind.wrap(text, sheet.width());
    let own = kind.line() * lines.len() as f64 + 2.0;
    sheet.need(before + own + start_height(rest, sheet.width()));
    sheet.gap(before);
    let entry = PageEntry { level, text: text.to_owned(), page: sheet.done.pages.len() - 1, y: sheet.y };
    sheet.done.outline.push(entry);
    sheet.lines(sheet.left(), kind, Ink::Black, &lines);
    if level <= 1 {
        sheet.rule(sheet.left(), 0.2, sheet.width(), Stroke::solid(Ink::Blue, 0.3));
        sheet.y += 1.0;
    }
}

/// How much of what follows must stand with the heading over it.
fn start_height(rest: &[&DocumentBlock], width: f64) -> f64 {
    let Some((block, rest)) = rest.split_first() else { return 0.0 };
    match block {
        DocumentBlock::Figures(figures) => rows(figures, width).first().map_or(0.0, |row| least_height(row)) + GAP,
        DocumentBlock::Pictures(pictures) => pictures.chunks(2).next().map_or(0.0, |row| picture_row_height(row, width)) + GAP,
        DocumentBlock::Signatures(lines) => 22.0 * lines.len().div_ceil(SIGNING) as f64,
        // A few words that lead over to something stay with it.
        DocumentBlock::Paragraph(text) if text.len() < 500 => {
            let own = TEXT.line() * TEXT.wrap(text, width).len() as f64 + GAP;
            own + start_height(rest, width).min(60.0)
        }
        DocumentBlock::Heading { .. } => 12.0 + start_height(rest, width).min(60.0),
        DocumentBlock::Table(table) => table::start_height(table, width) + GAP,
        DocumentBlock::Notice { title, lines, .. } => notice::start_height(title, lines, width),
        DocumentBlock::PageBreak => 0.0,
        _ => 16.0,
    }
}

/// Figures shared out on rows, as many side by side as the width takes.
fn rows(figures: &[Captioned], room: f64) -> Vec<&[Captioned]> {
    let mut rows = Vec::new();
    let (mut from, mut used) = (0, 0.0);
    for (index, captioned) in figures.iter().enumerate() {
        let width = captioned.figure.width;
        if index > from && used + BETWEEN + width > room + 0.01 {
            rows.push(&figures[from..index]);
            (from, used) = (index, 0.0);
        }
        used += width + if index > from { BETWEEN } else { 0.0 };
    }
    rows.push(&figures[from..]);
    rows
}

fn row_height(row: &[Captioned]) -> f64 {
    let caption = |it: &Captioned| CAPTION.line() * CAPTION.wrap(&it.caption, it.figure.width).len() as f64;
    row.iter().map(|it| it.figure.height + 1.0 + caption(it)).fold(0.0, f64::max)
}

/// A figure is made so much smaller, lines and letters too, rather than left to the next page with the rest of this one empty.
const SMALLEST: f64 = 0.85;

fn tallest(row: &[Captioned]) -> f64 {
    row.iter().map(|it| it.figure.height).fold(0.0, f64::max)
}

/// What a row takes at the least; its captions wrap a little more where it is narrower.
fn least_height(row: &[Captioned]) -> f64 {
    row_height(row) - tallest(row) * (1.0 - SMALLEST) + CAPTION.line()
}

/// A row that only just does not fit, smaller.
fn shrunk(sheet: &PaperSheet, row: &[Captioned]) -> Option<Vec<Captioned>> {
    let (height, room) = (row_height(row), sheet.room());
    if height <= room || least_height(row) > room || sheet.is_fresh() {
        return None;
    }
    let by = (tallest(row) - (height + CAPTION.line() - room)) / tallest(row);
    Some(row.iter().map(|it| Captioned { figure: page::smaller(it.figure.clone(), by), caption: it.caption.clone() }).collect())
}

fn figure_row(sheet: &mut PaperSheet, row: &[Captioned]) {
    let height = row_height(row);
    sheet.need(height);
    let (mut x, y) = (sheet.left(), sheet.y);
    for captioned in row {
        sheet.page().figure.place(&captioned.figure, point(x, y));
        for (index, line) in CAPTION.wrap(&captioned.caption, captioned.figure.width).iter().enumerate() {
            let down = captioned.figure.height + 1.0 + CAPTION.size + CAPTION.line() * index as f64;
            sheet.text(x, down, CAPTION, Anchor::Start, Ink::Grey, line);
        }
        x += captioned.figure.width + BETWEEN;
    }
    sheet.y += height + GAP;
}

/// Photos are no higher than this on a page.
const HIGHEST: f64 = 90.0;

/// Width and height of a photo on paper, in a column of this width.
fn picture_size(picture: &Picture, column: f64) -> (f64, f64) {
    let (width, height) = (f64::from(picture.width.max(1)), f64::from(picture.height.max(1)));
    let scale = (column / width).min(HIGHEST / height);
    (width * scale, height * scale)
}

fn picture_column(room: f64) -> f64 {
    (room - BETWEEN) / 2.0
}

fn picture_row_height(row: &[Picture], room: f64) -> f64 {
    let column = picture_column(room);
    let caption = |picture: &Picture| CAPTION.line() * CAPTION.wrap(&picture.caption, column).len() as f64;
    row.iter().map(|picture| picture_size(picture, column).1 + 1.0 + caption(picture)).fold(0.0, f64::max)
}

fn picture_row(sheet: &mut PaperSheet, row: &[Picture]) {
    let (room, column) = (sheet.width(), picture_column(sheet.width()));
    let height = picture_row_height(row, room);
    sheet.need(height);
    for (index, picture) in row.iter().enumerate() {
        let x = sheet.left() + (column + BETWEEN) * index as f64;
        let (width, high) = picture_size(picture, column);
        let (number, place) = (sheet.pictures, PagePlace { x, y: sheet.y, width, height: high });
        sheet.page().pictures.push((number, place));
        sheet.pictures += 1;
        for (line, words) in CAPTION.wrap(&picture.caption, column).iter().enumerate() {
            let down = high + 1.0 + CAPTION.size + CAPTION.line() * line as f64;
            sheet.text(x, down, CAPTION, Anchor::Start, Ink::Grey, words);
        }
    }
    sheet.y += height + GAP;
}

/// Lines to sign on side by side.
const SIGNING: usize = 3;
const BETWEEN_SIGNING: f64 = 6.0;

fn signatures(sheet: &mut PaperSheet, lines: &[String]) {
    let column = (sheet.width() - BETWEEN_SIGNING * (SIGNING - 1) as f64) / SIGNING as f64;
    for row in lines.chunks(SIGNING) {
        sheet.need(20.0);
        let left = sheet.left();
        for (index, line) in row.iter().enumerate() {
            let x = left + (column + BETWEEN_SIGNING) * index as f64;
            sheet.rule(x, 14.0, column, Stroke::solid(Ink::Black, 0.25));
            for (row, line) in CAPTION.wrap(line, column).iter().enumerate() {
                sheet.text(x, 14.0 + 1.0 + CAPTION.size + CAPTION.line() * row as f64, CAPTION, Anchor::Start, Ink::Grey, line);
            }
        }
        let deep = row.iter().map(|line| CAPTION.wrap(line, column).len()).max().unwrap_or(1);
        sheet.y += 16.0 + CAPTION.line() * deep as f64;
    }
}

fn foot(document: &Document, pages: &mut Pages) {
    let (width, height) = document.paper.size();
    let count = pages.pages.len();
    for (index, page) in pages.pages.iter_mut().enumerate() {
        let mut sheet = Foot { figure: &mut page.figure, y: height - 12.0 };
        sheet.line(super::SIDE, width - super::SIDE);
        let number = format!("Page {} of {count}", index + 1);
        let room = width - 2.0 * super::SIDE - FOOT.width(&number) - 6.0;
        let words = FOOT.wrap(&document.foot, room).into_iter().next().unwrap_or_default();
        sheet.text(super::SIDE, Anchor::Start, &words);
        sheet.text(width - super::SIDE, Anchor::End, &number);
    }
}

struct Foot<'a> {
    figure: &'a mut crate::figure::Figure,
    y: f64,
}

impl Foot<'_> {
    fn line(&mut self, from: f64, to: f64) {
        self.figure.line(point(from, self.y), point(to, self.y), Stroke::solid(Ink::Grey, 0.15));
    }
    fn text(&mut self, x: f64, anchor: Anchor, text: &str) {
        let text = crate::figure::Text::new(point(x, self.y + 1.2 + FOOT.size), text, FOOT.size);
        self.figure.text(text.anchored(anchor).ink(Ink::Grey));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::{DocumentTable, Paper, Tone};
    use crate::figure::{Figure, FigureItem};

    fn document(paper: Paper, blocks: Vec<DocumentBlock>) -> Document {
        Document {
            title: "Title".to_owned(),
            subtitle: Vec::new(),
            foot: "foot".to_owned(),
            language: "en".to_owned(),
            paper,
            logo: None,
            issued_us: 0,
            blocks,
            first_page: 0,
            rest_is_in: None,
        }
    }
    fn texts(page: &Page) -> Vec<&crate::figure::Text> {
        let items = page.figure.items.iter();
        items.filter_map(|item| if let FigureItem::Text(text) = item { Some(text) } else { None }).collect()
    }
    fn long_table() -> DocumentTable {
        let mut table = DocumentTable::of(&["Number>", "What the row says"]);
        for row in 0..300 {
            let words = if row % 7 == 0 { "a cell of many words that has to be wrapped ".repeat(6) } else { "short".to_owned() };
            table.row([format!("row{row}"), words]);
        }
        table.row(["last".to_owned(), "word ".repeat(4000)]);
        table
    }

    #[test]
    fn a_figure_that_only_just_does_not_fit_is_made_smaller_and_one_that_is_far_too_high_goes_on_the_next_page() {
        let high = Paper::A4.text_height();
        let of = |height: f64| {
            let figure =
                |height: f64| DocumentBlock::Figures(vec![Captioned { figure: Figure::new("", 100.0, height), caption: "c".into() }]);
            pages(&document(Paper::A4, vec![figure(high / 2.0), figure(height)])).pages.len()
        };
        // Beside the title a figure of half a page leaves 16 mm less than the other half.
        assert_eq!((of(high / 2.0 - 60.0), of(high / 2.0 - 15.0), of(high / 2.0 + 20.0)), (1, 1, 2));
    }

    #[test]
    fn a_long_table_has_its_head_on_every_page_and_every_row_once() {
        for paper in [Paper::A4, Paper::Letter] {
            let pages = pages(&document(paper, vec![DocumentBlock::Table(long_table())])).pages;
            assert!(pages.len() > 8);
            for page in &pages {
                assert_eq!(texts(page).iter().filter(|text| text.text == "Number").count(), 1);
            }
            let all: Vec<_> = pages.iter().flat_map(texts).map(|text| text.text.as_str()).collect();
            for row in 0..300 {
                assert_eq!(all.iter().filter(|text| **text == format!("row{row}")).count(), 1, "row {row}");
            }
            assert_eq!(all.iter().flat_map(|text| text.split(' ')).filter(|word| *word == "word").count(), 4000);
        }
    }

    #[test]
    fn nothing_stands_outside_the_margins_and_pages_are_numbered() {
        let mut blocks = vec![DocumentBlock::Table(long_table())];
        blocks.push(DocumentBlock::Notice {
            tone: Tone::Bad,
            title: "T".to_owned(),
            lines: vec!["word ".repeat(3000), "x".repeat(5000)],
            is_whole: false,
        });
        blocks.push(DocumentBlock::Facts(vec![("name ".repeat(60), "y".repeat(9000))]));
        blocks.push(DocumentBlock::Paragraph("z".repeat(9000)));
        let figure = || Captioned { figure: Figure::new("", 85.0, 60.0), caption: "caption".to_owned() };
        blocks.push(DocumentBlock::Figures(vec![figure(), figure(), figure()]));
        for paper in [Paper::A4, Paper::Letter] {
            let pages = pages(&document(paper, blocks.clone())).pages;
            let (width, height) = paper.size();
            for (index, page) in pages.iter().enumerate() {
                for text in texts(page) {
                    let wide = text.width();
                    let left = text.at.x - if text.anchor == Anchor::End { wide } else { 0.0 };
                    assert!(left >= super::super::SIDE - 0.01 && left + wide <= width - super::super::SIDE + 0.01, "{}", text.text);
                    assert!(text.at.y <= height - 8.0 && text.at.y > 10.0, "{}", text.text);
                }
                let number = format!("Page {} of {}", index + 1, pages.len());
                assert!(texts(page).iter().any(|text| text.text == number), "{number}");
            }
        }
    }
}
