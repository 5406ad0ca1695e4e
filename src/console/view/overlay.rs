//! What lies over a step: forms, prompts, questions, the help page and the test card.

use super::pen::{AreaRows, Pen};
use crate::console::Glyphs;
use crate::console::form::{FieldKind, FormField};
use crate::console::keys;
use crate::console::origin::OriginLine;
use crate::console::planning::Planning;
use crate::console::state::{App, OriginShown, Prompt, Question};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use backwall_survey::strip::Level;
use ratatui::layout::Rect;

/// A typed value with its cursor in sight; answers where the terminal's cursor belongs.
pub fn input(field: &FormField, pen: &mut Pen, area: Rect) -> (u16, u16) {
    let style = pen.look.theme.style(Role::Field);
    pen.fill(area, style);
    let width = usize::from(area.width.saturating_sub(1)).max(1);
    let scroll = field.input.visual_scroll(width);
    let mut skipped = 0;
    let shown: String = safe_text(field.input.value())
        .chars()
        .skip_while(|c| {
            let skip = skipped < scroll;
            skipped += text::columns(&c.to_string());
            skip
        })
        .collect();
    pen.put_style(area.x, area.y, area.width, &shown, style);
    let x = area.x + (field.input.visual_cursor().max(scroll) - scroll) as u16;
    // The cell under the cursor is marked as well: not every terminal shows its cursor.
    if x < area.right() {
        let under = pen.buffer[(x, area.y)].symbol().chars().next().unwrap_or(' ');
        pen.cell_style(x, area.y, under, pen.look.theme.style(Role::Cursor));
    }
    (x.min(area.right().saturating_sub(1)), area.y)
}

/// A prompt of one field in the bottom line; the alarm line above stays in sight.
pub fn prompt_line(prompt: &Prompt, pen: &mut Pen, area: Rect) -> Option<(u16, u16)> {
    pen.clear(area);
    let field = prompt.form.fields.first()?;
    let label = format!("{}: ", safe_text(&prompt.title));
    let x = pen.put(area.x + 1, area.y, area.width / 2, &label, Role::Key);
    let is_choice = matches!(field.kind, FieldKind::Choice(_));
    let keys = if is_choice { "←→ choose  Enter keep  Esc drop" } else { "Enter keep  Esc drop" };
    let tail = field.error.clone().unwrap_or_else(|| keys.to_owned());
    let tail = text::clip(&tail, usize::from(area.width / 2));
    let width = (text::columns(&tail) + 1) as u16;
    let role = if field.error.is_some() { Role::Error } else { Role::Quiet };
    pen.put(area.right().saturating_sub(width), area.y, width, &tail, role);
    if is_choice {
        let value = if field.value().is_empty() { "left out" } else { field.value() };
        pen.put(x, area.y, area.right().saturating_sub(x + width), &format!("< {value} >"), Role::Cursor);
        return None;
    }
    Some(input(field, pen, Rect { x, y: area.y, width: area.right().saturating_sub(x + width + 1).max(4), height: 1 }))
}

/// A form of several fields over the middle of the screen; errors stand under their field.
pub fn form(prompt: &Prompt, pen: &mut Pen, body: Rect) -> Option<(u16, u16)> {
    let fields = &prompt.form.fields;
    let width = body.width.saturating_sub(8).min(76);
    let title = text::wrap(&safe_text(&prompt.title), usize::from(width - 4));
    let about: Vec<String> = prompt.about.iter().flat_map(|line| text::wrap(&safe_text(line), usize::from(width - 4))).collect();
    // Room for the longest of all, so that the form stands still.
    let hint_lines = |field: &FormField| text::wrap(&field.hint, usize::from(width - 4));
    let hints = fields.iter().map(|field| hint_lines(field).len()).max().unwrap_or(0).max(1);
    let errors: usize = fields.iter().filter_map(|field| field.error.as_deref()).map(|error| error_lines(error, width).len()).sum();
    // What is typed is always in sight: of what stands above it the middle goes, where there is no room.
    let room = usize::from(body.height).saturating_sub(fields.len() + errors + title.len() + hints + 3);
    let about = without_middle(about, room);
    let height = ((fields.len() + errors + title.len() + about.len() + hints + 3) as u16).min(body.height);
    let area = Rect { x: body.x + (body.width - width) / 2, y: body.y + (body.height - height) / 2, width, height };
    frame(pen, area);
    let inside = Rect { x: area.x + 2, y: area.y + 1, width: width - 4, height: height - 2 };
    let mut rows = AreaRows::of(inside);
    for line in &title {
        let taken = rows.take(1);
        pen.put(taken.x, taken.y, taken.width, line, Role::Strong);
    }
    for line in &about {
        let taken = rows.take(1);
        pen.put(taken.x, taken.y, taken.width, line, Role::Plain);
    }
    let mut cursor = None;
    const LABEL: u16 = 26;
    for (index, field) in fields.iter().enumerate() {
        let taken = rows.take(1);
        if taken.height == 0 {
            break;
        }
        let here = index == prompt.form.focus;
        let label = match field.unit {
            "" => field.label.clone(),
            unit => format!("{} ({unit})", field.label),
        };
        let mark = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        pen.put(taken.x, taken.y, LABEL, &format!("{mark} {label}"), if here { Role::Strong } else { Role::Plain });
        let place = Rect { x: taken.x + LABEL + 1, width: taken.width - LABEL - 1, ..taken };
        match (&field.kind, here) {
            (FieldKind::Choice(_), true) => {
                pen.put(place.x, place.y, place.width, &format!("< {} >", field.value()), Role::Cursor);
            }
            (_, true) => cursor = Some(input(field, pen, place)),
            (_, false) => {
                pen.put(place.x, place.y, place.width, &safe_text(field.input.value()), Role::Field);
            }
        }
        if let Some(error) = &field.error {
            for line in error_lines(error, width) {
                let taken = rows.take(1);
                pen.put(taken.x + 2, taken.y, taken.width - 2, &line, Role::Error);
            }
        }
    }
    let hint = fields.get(prompt.form.focus).map(hint_lines).unwrap_or_default();
    let first = (area.bottom() - 1).saturating_sub(hints as u16);
    for (y, line) in (first..area.bottom() - 1).zip(&hint) {
        pen.put(inside.x, y, inside.width, line, Role::Quiet);
    }
    cursor
}

/// The first of some lines and as many of the last as there is room for.
fn without_middle(lines: Vec<String>, room: usize) -> Vec<String> {
    let Some(cut) = lines.len().checked_sub(room).filter(|cut| *cut > 0) else { return lines };
    if room < 3 {
        return lines.into_iter().take(room).collect();
    }
    let last = lines.iter().skip(cut + 2).cloned();
    lines.iter().take(1).cloned().chain(std::iter::once("...".to_owned())).chain(last).collect()
}

/// An error under its field: whole, because it says what to do.
fn error_lines(error: &str, width: u16) -> Vec<String> {
    text::wrap(&safe_text(error), usize::from(width.saturating_sub(6)))
}

fn frame(pen: &mut Pen, area: Rect) {
    pen.clear(area);
    let shapes = pen.look.glyphs.shapes();
    let (right, low) = (area.right() - 1, area.bottom() - 1);
    for x in area.x..=right {
        pen.cell(x, area.y, shapes.rule, Role::Plain);
        pen.cell(x, low, shapes.rule, Role::Plain);
    }
    for y in area.y..=low {
        pen.cell(area.x, y, shapes.divider, Role::Plain);
        pen.cell(right, y, shapes.divider, Role::Plain);
    }
    for (c, (x, y)) in shapes.corner.iter().zip([(area.x, area.y), (right, area.y), (area.x, low), (right, low)]) {
        pen.cell(x, y, *c, Role::Plain);
    }
}

pub fn question(question: Question, pen: &mut Pen, area: Rect) {
    let style = pen.look.theme.style(Role::Cursor);
    pen.fill(area, style);
    pen.put_style(area.x + 1, area.y, area.width - 1, &format!("{}  {}", question.words(pen.look.unit), question.keys()), style);
}

/// Whether the run is to go on with another set-up.
pub fn change(app: &App, pen: &mut Pen, area: Rect) {
    let Some(change) = &app.change else { return };
    let style = pen.look.theme.style(Role::Cursor);
    pen.fill(area, style);
    const KEYS: &str = "  y yes   n no";
    let words = text::clip(&safe_text(change.asked()), usize::from(area.width).saturating_sub(KEYS.len() + 1));
    pen.put_style(area.x + 1, area.y, area.width - 1, &format!("{words}{KEYS}"), style);
}

/// The lines with what is longer than a row on rows of its own, so that nothing is cut.
fn whole(lines: &[OriginLine], width: usize) -> Vec<OriginLine> {
    let mut found = Vec::new();
    for line in lines {
        let OriginLine::Row(label, value, role) = line else {
            found.push(line.clone());
            continue;
        };
        if text::columns(value) <= width {
            found.push(line.clone());
            continue;
        }
        let rows = text::wrap(value, width).into_iter().enumerate();
        found.extend(rows.map(|(row, words)| OriginLine::Row(if row == 0 { label } else { "" }, words, *role)));
    }
    found
}

/// How to get back, and how much there is beneath; in the title, where it covers nothing.
fn back_words(below: usize) -> String {
    match below {
        0 => "Esc back".to_owned(),
        below => format!("{below} more below, Esc back"),
    }
}

/// Every input of a number, under headings; in two columns where there is room.
pub fn origin(shown: &OriginShown, pen: &mut Pen, area: Rect) {
    let inside = Rect { y: area.y + 1, height: area.height - 1, ..area };
    let columns = if area.width >= 150 { 2 } else { 1 };
    let width = inside.width / columns;
    let room = usize::from(inside.height * columns);
    const LABEL: u16 = 20;
    let lines = whole(&shown.lines, usize::from(width.saturating_sub(LABEL + 3)));
    let top = shown.top.min(lines.len().saturating_sub(room));
    for (index, line) in lines.iter().skip(top).take(room).enumerate() {
        let (column, row) = ((index / usize::from(inside.height)) as u16, (index % usize::from(inside.height)) as u16);
        let (x, y) = (inside.x + column * width, inside.y + row);
        match line {
            OriginLine::Heading(name) => {
                pen.put(x + 1, y, width - 2, name, Role::Title);
            }
            OriginLine::Row(label, value, role) => {
                pen.put(x + 2, y, LABEL, label, Role::Quiet);
                pen.put(x + 2 + LABEL, y, width.saturating_sub(LABEL + 3), value, *role);
            }
        }
    }
    pen.title(Rect { height: 1, ..area }, "where this number comes from", &back_words(lines.len().saturating_sub(top + room)));
}

/// Every key that works now, and what the screen shows.
pub fn help(app: &App, pen: &mut Pen, area: Rect, top: usize) {
    let width = usize::from(area.width.saturating_sub(14));
    let mut lines: Vec<(String, String)> = Vec::new();
    let mode = app.planning.as_ref().map_or_else(|| app.step_mode(), Planning::mode);
    for (shown, words) in keys::help(mode) {
        for (row, line) in text::wrap(words, width).into_iter().enumerate() {
            lines.push((if row == 0 { pen.look.glyphs.key_name(shown).to_owned() } else { String::new() }, line));
        }
    }
    lines.push(Default::default());
    for level in [Level::Clear, Level::Watch, Level::Thin, Level::NoEcho, Level::Unjudged] {
        let words = match level {
            Level::Clear => "at or above required plus the watch margin",
            Level::Watch => "within the watch margin over required",
            Level::Thin => "below the required thickness",
            Level::NoEcho => "no thickness could be read; nothing is ever filled in",
            Level::Unjudged => "the course has no required thickness to judge by",
        };
        lines.push((format!("{} {}", pen.look.glyphs.level(level), level.word()), words.to_owned()));
    }
    let doubt = "WATCH by doubt: over the watch limit, but its U reaches below it";
    lines.push((format!("{} WATCH", pen.look.glyphs.doubt()), doubt.to_owned()));
    lines.push(Default::default());
    for words in [
        "SAVED means committed to the disk and synced; only that survives a dead battery.",
        "Each row of the wall shows the minimum reading of its stretch. Hatched: no echo. Empty: not driven.",
        "An outline beside the bars is an earlier survey (--earlier), its positions as they were written.",
        "±U is the expanded uncertainty, k = 2. A gate too early takes the tyre for the wall.",
    ] {
        lines.extend(text::wrap(words, width + 12).into_iter().map(|line| (String::new(), format!("\u{1}{line}"))));
    }
    let room = usize::from(area.height - 1);
    let top = top.min(lines.len().saturating_sub(room));
    for (row, (shown, words)) in lines.iter().skip(top).take(room).enumerate() {
        let y = area.y + 1 + row as u16;
        match words.strip_prefix('\u{1}') {
            Some(words) => {
                pen.put(area.x + 1, y, area.width - 1, words, Role::Plain);
            }
            None => {
                pen.put(area.x + 1, y, 12, shown, Role::Key);
                pen.put(area.x + 13, y, area.width.saturating_sub(13), words, Role::Plain);
            }
        }
    }
    let name = format!("help: {}", app.planning.as_ref().map_or(app.step.word(), Planning::title));
    pen.title(Rect { height: 1, ..area }, &name, &back_words(lines.len().saturating_sub(top + room)));
}

/// Every set of characters side by side: the operator sees what the font has.
pub fn test_card(app: &App, pen: &mut Pen, area: Rect) {
    pen.title(Rect { height: 1, ..area }, "test card", "g next set, Enter keeps it");
    let mut y = area.y + 2;
    pen.put(area.x + 2, y, area.width - 2, "Choose the finest set without boxes, question marks or gaps.", Role::Plain);
    y += 2;
    for set in Glyphs::ALL {
        let shapes = set.shapes();
        let here = app.look.glyphs == set;
        let mark = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        pen.put(area.x + 2, y, 16, &format!("{mark} {:<11}", set.word()), if here { Role::Cursor } else { Role::Plain });
        let ramp: String = shapes.across.iter().chain(shapes.upward).collect();
        let levels: String = [Level::Clear, Level::Watch, Level::Thin, Level::NoEcho].map(|level| set.level(level)).iter().collect();
        let wave = match set {
            Glyphs::Braille => "⣀⡠⠔⠊⠉⠑⠢⢄⣀⡠⠔⠊⠉⠑⠢⢄⣀",
            Glyphs::HalfBlock => "▄▄▀▀▀▀▄▄▄▄▀▀▀▀▄▄▄",
            Glyphs::Ascii => "__--^^--____--^^-",
        };
        let words =
            format!("{ramp} {levels} {}{}{}{}{} {wave}", shapes.crawler, shapes.outer_face, shapes.nominal, shapes.required, shapes.hatch);
        pen.put(area.x + 18, y, area.width - 18, &words, Role::Plain);
        y += 2;
    }
    pen.put(area.x + 2, y, area.width - 2, "The wave should be one smooth line; the bars should grow evenly.", Role::Plain);
    y += 2;
    for (level, words) in [(Level::Watch, "watch"), (Level::Thin, "thin"), (Level::NoEcho, "no echo")] {
        let glyph = pen.look.glyphs.level(level);
        pen.put_style(area.x + 2, y, 20, &format!(" {glyph} {words} "), pen.look.theme.level(level));
        y += 1;
    }
}
