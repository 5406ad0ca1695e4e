//! What is left to do: how far the job is, and the open items by weight with the time they are due.

use super::pen::{AreaRows, Pen};
use crate::console::left::LeftShown;
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use backwall_report::left::Left;
use backwall_report::words::count;
use backwall_survey::job::left::{OpenItem, Weight};
use ratatui::layout::Rect;

pub fn draw(app: &App, shown: &LeftShown, pen: &mut Pen, body: Rect) {
    let mut rows = AreaRows::of(body);
    let head = rows.take(1);
    let Some(found) = &shown.found else {
        let (done, of) = shown.progress;
        let share = (100 * done).checked_div(of).unwrap_or(0).min(100);
        let right = if shown.failed.is_some() { String::new() } else { format!("{share} %: {done} of {of} readings") };
        pen.title(head, "what is left", &right);
        let (words, role) = match &shown.failed {
            Some(why) => (why.as_str(), Role::Watch),
            None => ("the runs are being read", Role::Plain),
        };
        for line in text::wrap(&safe_text(words), usize::from(body.width.saturating_sub(2))) {
            let taken = rows.take(1);
            pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line, role);
        }
        return;
    };
    pen.title(head, "what is left", &how_far(app, found));
    if found.items.is_empty() {
        rows.take(1);
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), "Nothing is left to do.", Role::Strong);
        return;
    }
    let lines = lines(app, found, usize::from(body.width.saturating_sub(4)));
    let room = usize::from(rows.left());
    // The item of the cursor is wholly in sight, with its heading where it is the first beneath it.
    let last = lines.iter().rposition(|line| line.item == Some(shown.at)).unwrap_or(0);
    let top =
        (last + 1).saturating_sub(room).max(if lines.len() > room { last.saturating_sub(room / 2).min(lines.len() - room) } else { 0 });
    for line in lines.iter().skip(top).take(room) {
        let taken = rows.take(1);
        let here = line.item == Some(shown.at);
        let mark = if here && line.is_first { pen.look.glyphs.shapes().cursor } else { ' ' };
        match line.item {
            None => {
                pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line.words, Role::Title);
            }
            Some(_) => {
                let role = if here { Role::Cursor } else { line.role };
                pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &format!("{mark} {}", line.words), role);
            }
        }
    }
}

/// `1 of 3 lines done, 11.80 of 35.40 m read`.
fn how_far(app: &App, found: &Left) -> String {
    let unit = app.look.unit;
    let ((read, planned), (done, of)) = (found.read(), found.lines_done());
    let lines = count(of as u64, "line");
    format!("{done} of {lines} done, {} of {} {} read", unit.place(read), unit.place(planned), unit.place_symbol())
}

struct LeftLine {
    words: String,
    /// The item it belongs to; none of a heading.
    item: Option<usize>,
    is_first: bool,
    role: Role,
}

fn lines(app: &App, found: &Left, width: usize) -> Vec<LeftLine> {
    let mut lines = Vec::new();
    for weight in Weight::ALL {
        let of_weight: Vec<(usize, &OpenItem)> = found.items.iter().enumerate().filter(|(_, item)| item.weight == weight).collect();
        if of_weight.is_empty() {
            continue;
        }
        lines.push(LeftLine {
            words: format!("{} ({})", weight.heading(), of_weight.len()),
            item: None,
            is_first: true,
            role: Role::Title,
        });
        for (index, item) in of_weight {
            let role = if weight == Weight::StopsScanning { Role::Watch } else { Role::Plain };
            for (row, words) in text::wrap(&words_of(app, item), width).into_iter().enumerate() {
                let words = if row == 0 { words } else { format!("  {words}") };
                lines.push(LeftLine { words, item: Some(index), is_first: row == 0, role });
            }
        }
    }
    lines
}

fn words_of(app: &App, item: &OpenItem) -> String {
    let words = safe_text(&item.words);
    match item.due_us {
        Some(due) => format!("{words}; due {}", text::short_day_and_clock(due, app.look.zone)),
        None => words,
    }
}
