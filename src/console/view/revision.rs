//! What a revision of the plan changes, key by key, or the mistakes in its file; over Prepare.

use super::pen::{AreaRows, Pen};
use crate::console::revision::RevisionShown;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use ratatui::layout::Rect;

pub fn draw(shown: &RevisionShown, pen: &mut Pen, body: Rect) {
    pen.clear(body);
    let mut rows = AreaRows::of(body);
    let width = usize::from(body.width.saturating_sub(3));
    let file = text::clip(&safe_text(&shown.file), width / 3);
    pen.title(rows.take(1), &shown.title(), &file);
    let role = if shown.revision.is_some() { Role::Plain } else { Role::Watch };
    let room = usize::from(rows.left()).saturating_sub(1);
    let lines: Vec<String> = shown.lines.iter().skip(shown.top).flat_map(|line| text::wrap(line, width)).collect();
    for line in lines.iter().take(room) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), line, role);
    }
    if lines.len() > room {
        let taken = rows.take(1);
        let words = format!("{} more below", backwall_report::words::count((lines.len() - room) as u64, "row"));
        pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &words, Role::Quiet);
    }
}
