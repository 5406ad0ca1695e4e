//! What a run could not have seen: the model's statement, its table, and what it comes to; or how far the model is driven.

use crate::console::survey::UnseenShown;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::view::pen::{AreaRows, Pen};
use ratatui::layout::Rect;

/// Columns of the table, cells: the widest share and its interval, and a space.
const COLUMN: u16 = 14;
const FIRST: u16 = 9;

pub fn draw(shown: &UnseenShown, pen: &mut Pen, body: Rect) {
    let unit = pen.look.unit;
    let mut rows = AreaRows::of(body);
    let head = rows.take(1);
    let width = usize::from(body.width.saturating_sub(2));
    let paragraph = |rows: &mut AreaRows, pen: &mut Pen, words: &str, role: Role| {
        for line in text::wrap(&safe_text(words), width.min(110)) {
            let taken = rows.take(1);
            pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line, role);
        }
    };
    let Some(found) = &shown.found else {
        let title = format!("what run {} could not have seen", shown.run);
        if let Some(why) = &shown.failed {
            pen.title(head, &title, "");
            return paragraph(&mut rows, pen, why, Role::Watch);
        }
        let (done, of) = shown.progress;
        let share = (100 * done).checked_div(of).unwrap_or(0).min(100);
        pen.title(head, &title, &format!("{share} %: {done} of {of} drives"));
        let words = "a virtual crawler drives over pits of many sizes with this run's own probe, noise and shot spacing; Esc stops it";
        return paragraph(&mut rows, pen, words, Role::Plain);
    };
    pen.title(head, &safe_text(&found.title()), "Esc back");
    paragraph(&mut rows, pen, &found.statement(unit), Role::Plain);
    rows.take(1);
    for (index, row) in found.rows(unit).iter().enumerate() {
        let taken = rows.take(1);
        if taken.height == 0 {
            return;
        }
        let role = if index == 0 { Role::Title } else { Role::Plain };
        let mut x = taken.x + 1;
        for (column, words) in row.iter().enumerate() {
            let wide = if column == 0 { FIRST } else { COLUMN };
            let words = if column == 0 { format!("{words:<8}") } else { format!("{words:>13}") };
            pen.put(x, taken.y, taken.right().saturating_sub(x).min(wide), &words, role);
            x += wide;
        }
    }
    rows.take(1);
    paragraph(&mut rows, pen, &capital(&found.summary(unit)), Role::Strong);
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
