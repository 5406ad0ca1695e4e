//! The plan or a basis as a form: its tables and keys, what the key under the cursor means, what is wrong, what the job will take.

use super::pen::{AreaRows, Pen};
use crate::console::planning::{Making, Planning, counted, left_out};
use crate::console::state::{App, Purpose};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::update::plan_refusal;
use backwall_survey::job::check::Problem;
use backwall_survey::job::keys::sheet::SheetRow;
use ratatui::layout::Rect;

/// From this width on what a key means stands beside the list.
const WIDE: u16 = 120;
/// Rows below the list where it does not.
const BELOW: u16 = 9;
const LABEL: u16 = 30;

pub fn draw(app: &App, shown: &Planning, pen: &mut Pen, body: Rect) {
    pen.clear(body);
    let what = match shown.making {
        Making::Job => "a new plan",
        Making::Revision => "the plan of this job",
        Making::Basis(_) => "a basis: what is left out stays as the plan has it",
    };
    let mistakes = match shown.problems().len() {
        0 => "no mistakes".to_owned(),
        count => backwall_report::words::count(count as u64, "mistake"),
    };
    pen.title(Rect { height: 1, ..body }, what, &mistakes);
    let rest = Rect { y: body.y + 1, height: body.height - 1, ..body };
    if body.width >= WIDE {
        let left = rest.width * 11 / 20;
        list(shown, pen, Rect { width: left, ..rest });
        let right = Rect { x: rest.x + left + 1, width: rest.width - left - 1, ..rest };
        pen.down(rest.x + left, rest);
        beside(app, shown, pen, right, usize::MAX);
    } else {
        let height = rest.height.saturating_sub(BELOW);
        list(shown, pen, Rect { height, ..rest });
        beside(app, shown, pen, Rect { y: rest.y + height, height: rest.height - height, ..rest }, 2);
    }
}

fn list(shown: &Planning, pen: &mut Pen, area: Rect) {
    let room = usize::from(area.height);
    let planned = shown.planned();
    // The cursor stays off the edges, so that the next rows are seen.
    let top = (shown.at + 3).saturating_sub(room).min(shown.rows.len().saturating_sub(room));
    for (index, row) in shown.rows.iter().enumerate().skip(top).take(room) {
        let y = area.y + (index - top) as u16;
        let here = index == shown.at;
        let shapes = pen.look.glyphs.shapes();
        let mark = if here { shapes.cursor } else { ' ' };
        pen.cell(area.x, y, mark, Role::Strong);
        if shown.problem(*row).is_some() {
            pen.cell(area.x + 1, y, shapes.missing, Role::Error);
        }
        let (x, width) = (area.x + 3, area.width.saturating_sub(4));
        match (*row, shown.key(*row)) {
            (SheetRow::Key(..), Some((key, typed))) => {
                pen.put(x + 2, y, LABEL - 2, key.name, if here { Role::Strong } else { Role::Plain });
                let (x, width) = (x + LABEL, width.saturating_sub(LABEL));
                match (typed, left_out(key)) {
                    ("", None) => pen.put(x, y, width, "must be typed", Role::Watch),
                    ("", Some(then)) => {
                        let own = planned.as_ref().and_then(|planned| shown.of_plan(planned, *row));
                        let own = own.map_or_else(String::new, |own| format!("{own} {}: ", key.unit).replace(" :", ":"));
                        pen.put(x, y, width, &text::clip(&safe_text(&format!("({own}{then})")), usize::from(width)), Role::Quiet)
                    }
                    (typed, _) => {
                        pen.put(x, y, width, &text::clip(&safe_text(&format!("{typed} {}", key.unit)), usize::from(width)), Role::Field)
                    }
                };
            }
            (SheetRow::Heading(part), _) => {
                let table = shown.sheet.parts()[part].table;
                let path = shown.path(*row);
                // Counted as people count: the first course is 1.
                let number = path.rsplit_once('[').and_then(|(_, number)| number.trim_end_matches(']').parse::<usize>().ok());
                let number = number.map_or_else(String::new, |number| format!(" {}", number + 1));
                let name = if table.path.is_empty() { "asset".to_owned() } else { format!("{}{number}", table.header()) };
                let end = pen.put(x, y, width, &name, Role::Title);
                let room = (area.right()).saturating_sub(end + 2);
                pen.put(end + 2, y, room, &text::clip(table.meaning, usize::from(room)), Role::Quiet);
            }
            (SheetRow::Without(number), _) => {
                let end = pen.put(x, y, width, shown.sheet.tables()[number].header().as_str(), Role::Quiet);
                pen.put(end + 2, y, area.right().saturating_sub(end + 2), "not in the plan: + adds it", Role::Quiet);
            }
            _ => {}
        }
    }
}

/// The key under the cursor, the mistakes, and what it will take; `most` rows of mistakes at most.
fn beside(app: &App, shown: &Planning, pen: &mut Pen, area: Rect, most: usize) {
    let mut rows = AreaRows::of(area);
    let width = usize::from(area.width.saturating_sub(2));
    let row = shown.row();
    pen.title(rows.take(1), &counted(&shown.path(row)), "");
    let mut about = Vec::new();
    match (row, shown.key(row)) {
        (_, Some((key, _))) => {
            let left_out = left_out(key).map_or_else(String::new, |then| format!("; left out: {then}"));
            about.extend(text::wrap(
                &format!("{} It may be {}, as {}{left_out}.", key.meaning, key.typed_words(), key.typed_example()),
                width,
            ));
        }
        (SheetRow::Heading(part), _) => about.extend(text::wrap(shown.sheet.parts()[part].table.meaning, width)),
        (SheetRow::Without(number), _) => about.extend(text::wrap(shown.sheet.tables()[number].meaning, width)),
        _ => {}
    }
    about.truncate(3);
    let typed = app.prompt.as_ref().filter(|prompt| matches!(prompt.purpose, Purpose::PlanValue { .. }));
    let refused = typed.and_then(|prompt| plan_refusal(&prompt.form)).map(str::to_owned);
    for line in &about {
        line_of(pen, &mut rows, line, Role::Plain);
    }
    // That a key must be typed stands at it already.
    let wrong = |problem: &&Problem| !shown.is_untyped(problem);
    let own = refused.or_else(|| shown.problem(row).filter(wrong).map(|problem| problem.message.clone()));
    let others = shown.problems().iter().filter(wrong).filter(|problem| shown.problem(row) != Some(*problem)).map(Planning::problem_words);
    let mistakes: Vec<String> = own.into_iter().chain(others).collect();
    let below = shown.comes_of.len().clamp(1, 4) as u16 + 1;
    let room = usize::from(rows.left().saturating_sub(below)).min(most);
    let lines: Vec<String> = mistakes.iter().flat_map(|words| text::wrap(&safe_text(words), width)).collect();
    for line in lines.iter().take(room) {
        line_of(pen, &mut rows, line, Role::Error);
    }
    let (title, nothing) = match shown.making {
        Making::Basis(_) => ("where it differs from the plan", "nowhere"),
        _ => ("what it will take", "worked out as soon as everything that must be typed is"),
    };
    pen.title(rows.take(1), title, "");
    if shown.comes_of.is_empty() {
        line_of(pen, &mut rows, nothing, Role::Quiet);
    }
    for said in &shown.comes_of {
        let role = if said.lacks { Role::Watch } else { Role::Plain };
        line_of(pen, &mut rows, &text::clip(&said.words, width), role);
    }
}

fn line_of(pen: &mut Pen, rows: &mut AreaRows, words: &str, role: Role) {
    let taken = rows.take(1);
    if taken.height > 0 {
        pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), words, role);
    }
}
