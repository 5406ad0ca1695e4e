//! The checklist: one item at a time, large, with its caution; what was answered so far in a narrow column.

use super::overlay;
use super::pen::{AreaRows, Pen};
use crate::console::state::{App, Prompt};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use backwall_survey::job::checklist::{Answer, Bounds, FilledBy, Item, ItemKind, ItemState};
use ratatui::layout::Rect;

/// Columns of the list of items.
fn list_width(area: Rect) -> u16 {
    (area.width / 3).clamp(18, 40)
}

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    let list = Rect { width: list_width(area), ..area };
    items(app, pen, list);
    pen.down(list.right(), area);
    let right = right_of(area);
    let Some(item) = app.contents.checklist.items.get(app.item) else {
        sign_row(app, pen, right);
        return;
    };
    let mut rows = AreaRows::of(right);
    large(app, item, pen, &mut rows);
    answering(app, item, pen, &mut rows);
    history(app, item, pen, &mut rows);
    standing(app, pen, rows.rest());
}

/// Behind the last item: what is still open, or that it can be signed.
fn sign_row(app: &App, pen: &mut Pen, area: Rect) {
    let list = &app.contents.checklist;
    let mut rows = AreaRows::of(area);
    pen.title(rows.take(1), "sign", "");
    rows.take(1);
    let open = list.unanswered(&app.contents.answers, &app.conditions());
    if list.items.is_empty() {
        paragraph(pen, &mut rows, "the checklist has no items", Role::Watch);
    } else if list.signed(&app.contents.answers, &app.contents.signatures, &app.conditions()).is_some() {
        paragraph(pen, &mut rows, "Signed. Sign again after an answer changes or runs out.", Role::Strong);
    } else if open.is_empty() {
        paragraph(pen, &mut rows, "Every hold point is answered. s or Enter signs with name and certificate.", Role::Strong);
    } else {
        let words = format!("NOT YET: {} before this can be signed", backwall_report::words::count(open.len() as u64, "thing"));
        paragraph(pen, &mut rows, &words, Role::Watch);
        let shapes = pen.look.glyphs.shapes();
        let room = usize::from(rows.left().saturating_sub(3));
        for words in open.iter().take(room) {
            let taken = rows.take(1);
            let words = text::clip(&format!("{} {}", shapes.missing, safe_text(words)), usize::from(taken.width));
            pen.put(taken.x, taken.y, taken.width, &words, Role::Plain);
        }
    }
    standing(app, pen, rows.rest());
}

fn right_of(area: Rect) -> Rect {
    let list = list_width(area);
    Rect { x: area.x + list + 2, width: area.width.saturating_sub(list + 2), ..area }
}

/// All items in order, grouped, with how each stands.
fn items(app: &App, pen: &mut Pen, area: Rect) {
    let list = &app.contents.checklist;
    let conditions = app.conditions();
    let states: Vec<ItemState> = list.items.iter().map(|item| list.state(item, &app.contents.answers, &conditions)).collect();
    let passed = states.iter().filter(|state| **state == ItemState::Passed).count();
    pen.title(Rect { height: 1, ..area }, &format!("{passed} of {}", list.items.len()), "");
    let shapes = pen.look.glyphs.shapes();
    let room = usize::from(area.height - 1);
    let all = list.items.len() + 1;
    let top = app.item.saturating_sub(room.saturating_sub(1) / 2).min(all.saturating_sub(room));
    if let Some(row) = list.items.len().checked_sub(top).filter(|row| *row < room) {
        let stands = list.signed(&app.contents.answers, &app.contents.signatures, &conditions).is_some();
        let glyph = if stands { shapes.done } else { shapes.open };
        let role = if app.item == list.items.len() { Role::Cursor } else { Role::Strong };
        let words = text::clip(&format!("{glyph}  Sign"), usize::from(area.width));
        pen.put(area.x, area.y + 1 + row as u16, area.width, &words, role);
    }
    for (row, (index, item)) in list.items.iter().enumerate().skip(top).enumerate().take(room) {
        let state = &states[index];
        let glyph = match state {
            ItemState::Passed => shapes.done,
            ItemState::Failed(_) => shapes.missing,
            ItemState::Open | ItemState::RanOut(_) => shapes.open,
        };
        // A hold point carries its H whether it is answered or not.
        let hold = if item.hold { 'H' } else { ' ' };
        let role = match (index == app.item, state) {
            (true, _) => Role::Cursor,
            (false, ItemState::Failed(_) | ItemState::RanOut(_)) => Role::Watch,
            (false, ItemState::Passed) => Role::Quiet,
            (false, ItemState::Open) => Role::Plain,
        };
        let words = text::clip(&format!("{glyph}{hold} {}", safe_text(&item.asked(app.look.unit))), usize::from(area.width));
        pen.put(area.x, area.y + 1 + row as u16, area.width, &words, role);
    }
}

fn paragraph(pen: &mut Pen, rows: &mut AreaRows, words: &str, role: Role) {
    let width = rows.take(0).width;
    for line in text::wrap(&safe_text(words), usize::from(width)) {
        let taken = rows.take(1);
        if taken.height == 0 {
            return;
        }
        pen.put(taken.x, taken.y, taken.width, &line, role);
    }
}

fn large(app: &App, item: &Item, pen: &mut Pen, rows: &mut AreaRows) {
    let number = format!("{} of {}", app.item + 1, app.contents.checklist.items.len());
    pen.title(rows.take(1), &text::clip(&safe_text(&item.group), 30), &number);
    rows.take(1);
    if item.hold {
        let taken = rows.take(1);
        pen.put(taken.x, taken.y, taken.width, "HOLD POINT: scanning waits for it", Role::Watch);
    }
    paragraph(pen, rows, &item.asked(app.look.unit), Role::Strong);
    if let Some(caution) = item.warned(app.look.unit) {
        paragraph(pen, rows, &format!("CAUTION: {caution}"), Role::Watch);
    }
    if app.item == 0 && !app.contents.checklist.caution.is_empty() {
        paragraph(pen, rows, &format!("CAUTION: {}", app.contents.checklist.caution), Role::Watch);
    }
    if let Some(reference) = &item.reference {
        paragraph(pen, rows, &format!("from: {reference}"), Role::Quiet);
    }
    rows.take(1);
}

/// What kind of answer is wanted, and its limits.
fn answering(app: &App, item: &Item, pen: &mut Pen, rows: &mut AreaRows) {
    if let Some(by) = item.filled_by {
        let words = match (app.conditions().filled(by), by) {
            (Some(filled), _) => format!("filled, not asked: {}; {}", filled.value, filled.words),
            (None, FilledBy::EncoderCheck) => "filled by the check of the encoder that follows: Calibrate, d".to_owned(),
            (None, FilledBy::Kit) => "filled from the plan's kit; the plan lists none".to_owned(),
        };
        paragraph(pen, rows, &words, Role::Plain);
        rows.take(2);
        return;
    }
    match &item.kind {
        ItemKind::Confirm => paragraph(pen, rows, "y confirms, n does not", Role::Plain),
        ItemKind::Text => paragraph(pen, rows, "type the answer", Role::Plain),
        ItemKind::Number { unit, .. } => match bounds(app, item) {
            Ok(Bounds { min, max, why }) => {
                paragraph(pen, rows, &format!("a number {}; type it", limits(min, max, unit)), Role::Plain);
                if let Some(why) = why {
                    paragraph(pen, rows, &why, Role::Quiet);
                }
            }
            Err(why) => paragraph(pen, rows, &why, Role::Watch),
        },
        ItemKind::Choice { choices, failing } => {
            for (index, choice) in choices.iter().enumerate() {
                let here = index == app.choice;
                let cursor = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
                let stops = if failing.contains(choice) { " (stops the job)" } else { "" };
                let role = if here { Role::Cursor } else { Role::Plain };
                let width = usize::from(rows.width()).saturating_sub(2);
                for (row, line) in text::wrap(&format!("{}{stops}", safe_text(choice)), width).iter().enumerate() {
                    let taken = rows.take(1);
                    let mark = if row == 0 { cursor } else { ' ' };
                    if taken.height > 0 {
                        pen.put(taken.x, taken.y, taken.width, &format!("{mark} {line}"), role);
                    }
                }
            }
        }
    }
    rows.take(2);
}

fn limits(min: Option<f64>, max: Option<f64>, unit: &str) -> String {
    match (min, max) {
        (Some(min), Some(max)) if min == max => format!("that must be {min} {unit}"),
        (Some(min), Some(max)) => format!("from {min} to {max} {unit}"),
        (Some(min), None) => format!("at least {min} {unit}"),
        (None, Some(max)) => format!("at most {max} {unit}"),
        (None, None) => format!("in {unit}, no limit"),
    }
}

fn bounds(app: &App, item: &Item) -> Result<Bounds, String> {
    app.contents.checklist.bounds(item, &app.contents.answers, &app.conditions())
}

/// Every answer given to this item; the last one counts, none is ever overwritten.
fn history(app: &App, item: &Item, pen: &mut Pen, rows: &mut AreaRows) {
    let given: Vec<&Answer> = app.contents.answers.iter().filter(|answer| answer.item == item.id).collect();
    let Some((last, earlier)) = given.split_last() else {
        return;
    };
    let words = |answer: &Answer| {
        let note = if answer.note.is_empty() { String::new() } else { format!(" ({})", answer.note) };
        let at = text::day_and_clock(answer.by.at_us, app.look.zone);
        format!("{}{note}, {} {at}", answer.value, answer.by.name)
    };
    let why = match app.state_of(item) {
        ItemState::Failed(why) => Some(format!("FAILED: {why}")),
        ItemState::RanOut(why) => Some(format!("RAN OUT: {why}")),
        ItemState::Open | ItemState::Passed => None,
    };
    match why {
        Some(why) => {
            paragraph(pen, rows, &why, Role::Fault);
            paragraph(pen, rows, &words(last), Role::Plain);
        }
        _ => paragraph(pen, rows, &format!("answered: {}", words(last)), Role::Plain),
    }
    for answer in earlier.iter().rev().take(3) {
        paragraph(pen, rows, &format!("earlier: {}", words(answer)), Role::Quiet);
    }
}

/// Whether scanning may start, and who signed.
fn standing(app: &App, pen: &mut Pen, area: Rect) {
    if area.height < 2 {
        return;
    }
    let obstacles = app.obstacles();
    let stands = app.contents.checklist.signed(&app.contents.answers, &app.contents.signatures, &app.conditions()).is_some();
    let signed = match app.contents.signatures.last() {
        Some(signature) => {
            let at = text::day_and_clock(signature.by.at_us, app.look.zone);
            let still = if stands { "" } else { "no longer holds: " };
            format!("{still}signed {} ({}) {at}", safe_text(&signature.by.name), safe_text(&signature.by.certificate))
        }
        None => "not signed yet: s signs".to_owned(),
    };
    let first = match obstacles.len() {
        0 => "DONE: the checklist allows scanning".to_owned(),
        1 => format!("1 obstacle: {}", safe_text(&obstacles[0])),
        count => format!("{count} obstacles, first: {}", safe_text(&obstacles[0])),
    };
    // As many rows as there are: both say what to do.
    let (width, room) = (usize::from(area.width), usize::from(area.height));
    let signed = text::wrap_to(&signed, width, (room - 1).min(3));
    let first = text::wrap_to(&first, width, room - signed.len());
    let role = if obstacles.is_empty() { Role::Strong } else { Role::Plain };
    let lines = first.iter().map(|line| (line, role)).chain(signed.iter().map(|line| (line, Role::Quiet)));
    let top = area.bottom() - (first.len() + signed.len()) as u16;
    for (y, (line, role)) in (top..).zip(lines) {
        pen.put(area.x, y, area.width, line, role);
    }
}

/// The field of an answer, over the lower part of the item.
pub fn field(app: &App, prompt: &Prompt, pen: &mut Pen, area: Rect) -> Option<(u16, u16)> {
    let right = right_of(area);
    let height = 5.min(right.height);
    let panel = Rect { y: right.bottom() - height, height, ..right };
    pen.clear(panel);
    let label = prompt.form.fields.first().map(|field| field.label.clone()).unwrap_or_default();
    pen.title(Rect { height: 1, ..panel }, &safe_text(&label), "");
    let field = prompt.form.fields.first()?;
    let cursor = overlay::input(field, pen, Rect { x: panel.x + 1, y: panel.y + 1, width: panel.width - 2, height: 1 });
    match &field.error {
        Some(error) => {
            for (row, line) in text::wrap(error, usize::from(panel.width - 1)).iter().enumerate().take(2) {
                pen.put(panel.x + 1, panel.y + 2 + row as u16, panel.width - 1, line, Role::Error);
            }
        }
        None => {
            if let Some(item) = app.contents.checklist.items.get(app.item)
                && let ItemKind::Number { unit, .. } = &item.kind
                && let Ok(Bounds { min, max, .. }) = bounds(app, item)
            {
                for (row, line) in text::wrap_to(&limits(min, max, unit), usize::from(panel.width - 1), 2).iter().enumerate() {
                    pen.put(panel.x + 1, panel.y + 2 + row as u16, panel.width - 1, line, Role::Quiet);
                }
            }
        }
    }
    Some(cursor)
}
