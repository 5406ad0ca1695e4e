//! Whether each course is enough: the assessment in order of what must be known first, everything wrapped and nothing cut, with a cursor
//! that leads to the places it names.

use crate::console::review::AssessedShown;
use crate::console::review::assessed::{AssessedBlock, RowWeight};
use crate::console::text;
use crate::console::theme::Role;
use crate::console::view::pen::{AreaRows, Pen};
use backwall_report::assessment::named;
use ratatui::layout::Rect;

/// Prose is not set wider than one reads.
const WIDEST: usize = 130;

struct AssessedLine {
    words: String,
    role: Role,
    /// What of the screen it belongs to, as the cursor counts; none of a heading.
    item: Option<usize>,
    is_first: bool,
}

pub fn draw(shown: &AssessedShown, pen: &mut Pen, body: Rect) {
    let mut rows = AreaRows::of(body);
    let right = match (shown.progress, &shown.found) {
        (Some((done, of)), _) => format!("reading {} %", (100 * done).checked_div(of).unwrap_or(0).min(100)),
        (None, Some(found)) => found.a.roll_up.headline(),
        (None, None) => String::new(),
    };
    pen.title(rows.take(1), "thick enough?", &right);
    let width = usize::from(body.width.saturating_sub(4));
    let mut say = |words: &str, role: Role| {
        for line in text::wrap(&text::safe_text(words), width.min(WIDEST)) {
            let taken = rows.take(1);
            pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line, role);
        }
    };
    match (&shown.failed, &shown.found) {
        (Some(why), _) => say(why, Role::Fault),
        (None, None) => say("every reading of the job is read and judged; Esc stops it", Role::Plain),
        (None, Some(_)) => {}
    }
    let lines = lines(shown, pen, width);
    let room = usize::from(rows.left());
    let last = lines.iter().rposition(|line| line.item == Some(shown.at)).unwrap_or(0);
    // What the cursor is on is wholly in sight, and about in the middle.
    let top = (last + 1 + room / 3).saturating_sub(room).min(lines.len().saturating_sub(room));
    for line in lines.iter().skip(top).take(room) {
        let taken = rows.take(1);
        match line.item {
            None => pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line.words, line.role),
            Some(item) => {
                let here = item == shown.at;
                let mark = if here && line.is_first { pen.look.glyphs.shapes().cursor } else { ' ' };
                let role = if here { Role::Cursor } else { line.role };
                pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &format!("{mark} {}", line.words), role)
            }
        };
    }
}

fn role(weight: RowWeight) -> Role {
    match weight {
        RowWeight::Plain => Role::Plain,
        RowWeight::Strong => Role::Strong,
        RowWeight::Open => Role::Watch,
        RowWeight::Bad => Role::Thin,
    }
}

fn lines(shown: &AssessedShown, pen: &Pen, width: usize) -> Vec<AssessedLine> {
    let mut lines = Vec::new();
    let mut item = 0;
    for block in shown.blocks(pen.look.unit) {
        match block {
            AssessedBlock::Heading(words) => {
                let role = Role::Title;
                lines.push(AssessedLine { words: String::new(), role, item: None, is_first: false });
                lines.push(AssessedLine { words, role, item: None, is_first: false });
            }
            AssessedBlock::Words(words, weight) => {
                wrapped(&mut lines, &words, role(weight), item, width);
                item += 1;
            }
            AssessedBlock::Rows(tables, of_rows) => {
                // Close together rather than a narrower table.
                let mut sets = tables.iter().flat_map(|rows| [set(rows, 2), set(rows, 1)]);
                match sets.find(|set| set.iter().all(|row| text::columns(row) <= width)) {
                    Some(set) => {
                        let mut set = set.into_iter();
                        let head = set.next().unwrap_or_default();
                        lines.push(AssessedLine { words: format!("  {head}"), role: Role::Quiet, item: None, is_first: false });
                        for (words, (_, weight)) in set.zip(&of_rows) {
                            lines.push(AssessedLine { words, role: role(*weight), item: Some(item), is_first: true });
                            item += 1;
                        }
                    }
                    // Too narrow for any table: each row as words.
                    None => {
                        let Some((head, rows)) = tables.last().and_then(|table| table.split_first()) else { continue };
                        for (row, (_, weight)) in rows.iter().zip(&of_rows) {
                            wrapped(&mut lines, &named(head, row), role(*weight), item, width);
                            item += 1;
                        }
                    }
                }
            }
        }
    }
    lines
}

fn wrapped(lines: &mut Vec<AssessedLine>, words: &str, role: Role, item: usize, width: usize) {
    for (row, words) in text::wrap(words, width.min(WIDEST) - 2).into_iter().enumerate() {
        let words = if row == 0 { words } else { format!("  {words}") };
        lines.push(AssessedLine { words, role, item: Some(item), is_first: row == 0 });
    }
}

/// Rows with their columns under each other, so many spaces apart: the first to the left, the others to the right.
fn set(rows: &[Vec<String>], between: usize) -> Vec<String> {
    let count = rows.first().map_or(0, Vec::len);
    let widths: Vec<usize> =
        (0..count).map(|column| rows.iter().filter_map(|row| row.get(column)).map(|cell| text::columns(cell)).max().unwrap_or(0)).collect();
    let cell = |(column, (cell, wide)): (usize, (&String, &usize))| {
        let blank = " ".repeat(wide.saturating_sub(text::columns(cell)));
        if column == 0 { format!("{cell}{blank}") } else { format!("{blank}{cell}") }
    };
    rows.iter()
        .map(|row| row.iter().zip(&widths).enumerate().map(cell).collect::<Vec<_>>().join(&" ".repeat(between)).trim_end().to_owned())
        .collect()
}
