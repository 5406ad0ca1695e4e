//! Tables on pages: columns as wide as they need, the head again on every page, a row kept together where it can be.

use super::page::PaperSheet;
use super::wrap::Type;
use super::{Align, DocumentRow, DocumentTable, Tone};
use crate::figure::{Anchor, Ink, Stroke};

const BODY: Type = Type::regular(2.7);
const HEAD: Type = Type::bold(2.7);
/// Space inside a cell, at the sides and above and below.
const PAD: f64 = 1.2;
const HIGH: f64 = 0.6;
/// Letters are made no smaller than this part of their size, so that the widest words of all columns have room side by side.
const SMALLEST: f64 = 0.75;
/// Rows looked at to find how wide columns have to be.
const SAMPLE: usize = 400;
/// Rows that are kept together, where they are not too high.
const TOGETHER: usize = 4;
const FAINT: Stroke = Stroke::solid(Ink::Pale, 0.15);

pub(super) const fn ink(tone: Tone) -> Ink {
    match tone {
        Tone::Plain => Ink::Grey,
        Tone::Good => Ink::Green,
        Tone::Watch => Ink::Orange,
        Tone::Bad => Ink::Vermilion,
    }
}

/// Puts a table down.
pub(super) fn put(sheet: &mut PaperSheet, table: &DocumentTable) {
    let kinds = Kinds::of(table, sheet.width());
    let widths = widths(table, sheet.width(), &kinds);
    let head = kinds.heads(table, &widths);
    let head_height = height(&head, kinds.head);
    sheet.need(start_height(table, sheet.width()));
    let grid = Grid { table, widths, head, head_height, kinds };
    grid.head(sheet);
    for (index, row) in table.rows.iter().enumerate() {
        if is_last_but_one(index, table.rows.len()) && !grid.have_room(sheet, &table.rows[index..]) {
            grid.turn(sheet);
        }
        grid.row(sheet, row);
    }
    let width = grid.widths.iter().sum();
    sheet.rule(sheet.left(), 0.0, width, Stroke::solid(Ink::Grey, 0.2));
}

/// The head with some rows: so much must stand together. A short table is not torn at all.
pub(super) fn start_height(table: &DocumentTable, room: f64) -> f64 {
    let kinds = Kinds::of(table, room);
    let widths = widths(table, room, &kinds);
    let head = kinds.heads(table, &widths);
    let rows = table.rows.iter().take(TOGETHER).map(|row| height(&kinds.wrapped(row, &widths), kinds.body));
    (height(&head, kinds.head) + rows.sum::<f64>()).min(42.0)
}

/// No row stands alone at the top of a page.
const fn is_last_but_one(index: usize, rows: usize) -> bool {
    rows > 2 && index + 2 == rows
}

/// Of more names than this two short ones stand side by side.
const MANY_FACTS: usize = 8;

/// Names with their values, put down as a table without a head.
pub(super) fn facts(sheet: &mut PaperSheet, facts: &[(String, String)]) {
    let name_width = facts.iter().map(|(name, _)| BODY.width(name)).fold(0.0, f64::max) + 2.0 * PAD;
    let name_width = name_width.clamp(26.0, sheet.width() * 0.36);
    let (whole, half) = (sheet.width() - name_width, sheet.width() / 2.0 - name_width);
    let (one, two) = (DocumentTable::of(&["", ""]), DocumentTable::of(&["", "", "", ""]));
    let is_short = |fact: &(String, String)| BODY.width(&fact.1) <= half - 2.0 * PAD;
    let grid = |table, widths| Grid { table, widths, head: Vec::new(), head_height: 0.0, kinds: Kinds::scaled(1.0) };
    let (alone, beside) = (grid(&one, vec![name_width, whole]), grid(&two, vec![name_width, half, name_width, half]));
    let mut rest = facts;
    let mut rows = Vec::new();
    while let Some((first, others)) = rest.split_first() {
        let other = others.first().filter(|other| facts.len() > MANY_FACTS && is_short(first) && is_short(other));
        let row = |facts: &[&(String, String)]| DocumentRow {
            cells: facts.iter().flat_map(|(name, value)| [name.clone(), value.clone()]).collect(),
            tone: Tone::Plain,
        };
        rows.push(match other {
            Some(other) => (&beside, row(&[first, other])),
            None => (&alone, row(&[first])),
        });
        rest = &rest[if other.is_some() { 2 } else { 1 }..];
    }
    for (index, (grid, row)) in rows.iter().enumerate() {
        let next = rows.get(index + 1).map(|(_, row)| row);
        // Nor does one stand alone at the foot of a page.
        if let Some(next) = next.filter(|_| index == 0 || is_last_but_one(index, rows.len()))
            && !grid.have_room(sheet, &[row.clone(), next.clone()])
        {
            grid.turn(sheet);
        }
        grid.row(sheet, row);
    }
}

/// Letters and the space at the sides of a cell.
#[derive(Clone, Copy)]
struct Kinds {
    body: Type,
    head: Type,
    pad: f64,
}

impl Kinds {
    fn scaled(by: f64) -> Self {
        Self { body: Type { size: BODY.size * by, ..BODY }, head: Type { size: HEAD.size * by, ..HEAD }, pad: PAD * by }
    }

    /// As large as they are elsewhere, or smaller where words would be broken otherwise.
    fn of(table: &DocumentTable, room: f64) -> Self {
        let whole = Self::scaled(1.0);
        let least: f64 = wants(table, room, &whole).iter().map(|want| want.word).sum();
        if least <= room { whole } else { Self::scaled((room / least).max(SMALLEST)) }
    }

    fn heads(&self, table: &DocumentTable, widths: &[f64]) -> Vec<Vec<String>> {
        table.columns.iter().zip(widths).map(|(column, width)| self.head.wrap(&column.head, width - 2.0 * self.pad)).collect()
    }

    fn wrapped(&self, row: &DocumentRow, widths: &[f64]) -> Vec<Vec<String>> {
        row.cells.iter().zip(widths).map(|(cell, width)| self.body.wrap(cell, width - 2.0 * self.pad)).collect()
    }
}

struct Grid<'a> {
    kinds: Kinds,
    table: &'a DocumentTable,
    widths: Vec<f64>,
    head: Vec<Vec<String>>,
    head_height: f64,
}

impl Grid<'_> {
    fn head(&self, sheet: &mut PaperSheet) {
        if self.head.is_empty() {
            return;
        }
        let (left, width) = (sheet.left(), self.widths.iter().sum());
        sheet.area(left, 0.0, width, self.head_height, Ink::Pale);
        self.cells(sheet, &self.head, 0..usize::MAX, self.kinds.head, Ink::Black);
        sheet.y += self.head_height;
    }

    fn row(&self, sheet: &mut PaperSheet, row: &DocumentRow) {
        let cells = self.kinds.wrapped(row, &self.widths);
        let body = self.kinds.body;
        let most = cells.iter().map(Vec::len).max().unwrap_or(1);
        let whole = height(&cells, body);
        let fresh = sheet.room() + if sheet.is_fresh() { 0.0 } else { f64::EPSILON };
        if whole > fresh {
            // A row that is no higher than half a page goes to the next page whole; a longer one is split.
            let tall = whole > 120.0;
            if !tall || sheet.room() < self.head_height + 6.0 * body.line() {
                self.turn(sheet);
            }
        }
        let mut from = 0;
        while from < most {
            let fit = ((sheet.room() - 2.0 * HIGH) / body.line()).floor().max(1.0) as usize;
            let to = (from + fit).min(most);
            let part = body.line() * (to - from) as f64 + 2.0 * HIGH;
            if row.tone != Tone::Plain {
                sheet.area(sheet.left(), 0.15, 0.9, part - 0.3, ink(row.tone));
            }
            let quiet = self.head.is_empty();
            self.cells(sheet, &cells, from..to, body, if quiet { Ink::Grey } else { Ink::Black });
            sheet.y += part;
            sheet.rule(sheet.left(), 0.0, self.widths.iter().sum(), FAINT);
            from = to;
            if from < most {
                self.turn(sheet);
            }
        }
    }

    /// Whether these rows fit on what is left of the page; rows too high to be kept together are not.
    fn have_room(&self, sheet: &PaperSheet, rows: &[DocumentRow]) -> bool {
        let high: f64 = rows.iter().map(|row| height(&self.kinds.wrapped(row, &self.widths), self.kinds.body)).sum();
        high <= sheet.room() || high > 60.0
    }

    fn turn(&self, sheet: &mut PaperSheet) {
        if !sheet.is_fresh() {
            sheet.turn();
            self.head(sheet);
        }
    }

    /// `first_ink` is for the first column; names of facts stand back behind their values.
    fn cells(&self, sheet: &mut PaperSheet, cells: &[Vec<String>], lines: std::ops::Range<usize>, kind: Type, first_ink: Ink) {
        let mut x = sheet.left();
        for (index, (cell, width)) in cells.iter().zip(&self.widths).enumerate() {
            let right = self.table.columns.get(index).is_some_and(|column| column.align == Align::Right);
            let pad = self.kinds.pad;
            let (at, anchor) = if right { (x + width - pad, Anchor::End) } else { (x + pad, Anchor::Start) };
            let shown = cell.iter().skip(lines.start).take(lines.end - lines.start);
            for (row, line) in shown.enumerate() {
                // Of facts side by side the third is a name again.
                let is_name = index == 0 || self.head.is_empty() && index == 2;
                let ink = if is_name { first_ink } else { Ink::Black };
                sheet.text(at, HIGH + kind.size + kind.line() * row as f64, kind, anchor, ink, line);
            }
            x += width;
        }
    }
}

fn height(cells: &[Vec<String>], kind: Type) -> f64 {
    kind.line() * cells.iter().map(Vec::len).max().unwrap_or(1) as f64 + 2.0 * HIGH
}

/// What a column wants: the width of its widest word, of its longest cell on one line, and of a usual one.
#[derive(Clone, Copy)]
struct Want {
    word: f64,
    whole: f64,
    usual: f64,
}

fn wants(table: &DocumentTable, room: f64, kinds: &Kinds) -> Vec<Want> {
    let mut wants = Vec::new();
    for (index, column) in table.columns.iter().enumerate() {
        // Heads are broken between words sooner than what stands under them.
        let (mut word, _) = kinds.head.extent(&column.head);
        let (mut whole, mut squares) = (word, 0.0);
        let rows = table.rows.iter().take(SAMPLE);
        let count = rows.len().max(1) as f64;
        for row in rows {
            let (long, all) = row.cells.get(index).map_or((0.0, 0.0), |cell| kinds.body.extent(cell));
            word = word.max(long);
            whole = whole.max(all);
            squares += all * all;
        }
        // Squares, so that a few long cells count for more than many short ones, and not for everything.
        let usual = libm::sqrt(squares / count) + 2.0 * kinds.pad;
        wants.push(Want { word: word + 2.0 * kinds.pad, whole: whole + 2.0 * kinds.pad, usual });
    }
    // One column's longest word must not push the others off the page.
    if wants.iter().map(|want| want.word).sum::<f64>() > room {
        wants.iter_mut().for_each(|want| want.word = want.word.min(room / 3.0 + 2.0 * kinds.pad));
    }
    wants
}

/// A column that lacks no more than so much for its longest cell on one line may get it before the others share what is left: one long name must
/// not tear every number and range of a table. The others share by the mean of their longest and their usual cell, or by the usual one.
/// Which of these makes the table lowest is tried.
const SHARED: [(f64, Wish); 5] = [(12.0, mean), (6.0, mean), (0.0, mean), (12.0, usual), (0.0, usual)];
/// How much of what is left a column asks for.
type Wish = fn(&Want) -> f64;
/// On so many of its rows.
const TRIED: usize = 30;

fn mean(want: &Want) -> f64 {
    (want.usual + want.whole) / 2.0
}

fn usual(want: &Want) -> f64 {
    want.usual
}

/// Each column gets its widest word; what is left goes to those that would need more for one line, by what their cells usually need.
fn widths(table: &DocumentTable, room: f64, kinds: &Kinds) -> Vec<f64> {
    let wants = wants(table, room, kinds);
    let (least, most): (f64, f64) = wants.iter().fold((0.0, 0.0), |(a, b), want| (a + want.word, b + want.whole));
    if least >= room {
        return wants.iter().map(|want| want.word * room / least).collect();
    }
    if most <= room {
        // Wide enough for everything: what is left over is shared, up to half as much again.
        let grow = (room / most).min(1.5);
        return wants.iter().map(|want| want.whole * grow).collect();
    }
    let lines = |widths: &[f64]| -> usize {
        let of_row = |row| kinds.wrapped(row, widths).iter().map(Vec::len).max().unwrap_or(1);
        table.rows.iter().take(TRIED).map(of_row).sum()
    };
    let tried = SHARED.map(|(little, wish)| shared(&wants, room, little, wish));
    let lowest = tried.iter().min_by_key(|widths| lines(widths));
    lowest.cloned().unwrap_or_default()
}

/// The room shared out, with what lacks no more than `little` served first.
fn shared(wants: &[Want], room: f64, little: f64, wish: Wish) -> Vec<f64> {
    let mut widths: Vec<f64> = wants.iter().map(|want| want.word).collect();
    let lacks = |index: &usize| wants[*index].whole - wants[*index].word;
    let mut short: Vec<usize> = (0..wants.len()).filter(|index| lacks(index) <= little).collect();
    short.sort_by(|a, b| lacks(a).total_cmp(&lacks(b)));
    for index in short {
        // The others keep at least as much to share.
        if lacks(&index) <= (room - widths.iter().sum::<f64>()) / 2.0 {
            widths[index] = wants[index].whole;
        }
    }
    // Whoever has enough takes no more, and the others share what that leaves.
    for _ in 0..wants.len() {
        let open = |(want, width): (&Want, &f64)| {
            if want.whole - width > 1e-6 { (wish(want) - want.word).max(1.0) } else { 0.0 }
        };
        let weights: Vec<f64> = wants.iter().zip(&widths).map(open).collect();
        let (left, all) = (room - widths.iter().sum::<f64>(), weights.iter().sum::<f64>());
        if left < 1e-6 || all == 0.0 {
            break;
        }
        for ((want, width), weight) in wants.iter().zip(&mut widths).zip(&weights) {
            *width = (*width + left * weight / all).min(want.whole);
        }
    }
    widths
}
