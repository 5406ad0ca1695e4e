//! Review: the runs of the job, and the wall of one of them, walked by cursor.

use super::pen::{Pen, Rows};
use super::section::{self, Section};
use super::{panels, scan};
use crate::console::state::{App, Opened};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::job::validity::Validity;
use crate::store::{RunState, RunSummary};
use ratatui::layout::Rect;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    match &app.opened {
        Some(opened) => match app.contents.runs.iter().find(|run| run.id == opened.run) {
            Some(summary) => run(opened, summary, pen, area),
            None => {
                pen.put(area.x + 1, area.y + 1, area.width - 1, "this run is no longer in the list: Esc goes back", Role::Watch);
            }
        },
        None => list(app, pen, area),
    }
}

/// How a run stands, in a word.
pub fn state_word(run: &RunSummary) -> (&'static str, Role) {
    match run.state {
        RunState::Open => ("RECORDING", Role::Strong),
        RunState::Closed => ("closed", Role::Plain),
        RunState::Interrupted => ("INTERRUPTED", Role::Watch),
    }
}

fn list(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = Rows::of(area);
    let unit = pen.look.unit;
    pen.title(rows.take(1), &format!("{} runs", app.contents.runs.len()), "Enter opens one");
    if app.contents.runs.is_empty() {
        let taken = rows.take(2);
        pen.put(taken.x + 1, taken.y + 1, taken.width - 1, "no run yet: scan a line first", Role::Plain);
        return;
    }
    let head = rows.take(1);
    pen.put(head.x + 1, head.y, head.width - 1, "  run line     started      state       readings spots  least", Role::Quiet);
    let detail = 11.min(rows.left() / 2);
    let listed = rows.take(rows.left().saturating_sub(detail));
    let room = usize::from(listed.height);
    // The newest run on top.
    let order: Vec<usize> = (0..app.contents.runs.len()).rev().collect();
    let at = order.iter().position(|index| *index == app.run).unwrap_or(0);
    let top = at.saturating_sub(room.saturating_sub(1));
    for (row, index) in order.iter().skip(top).take(room).enumerate() {
        let run = &app.contents.runs[*index];
        let suspect = matches!(app.contents.validity(run), Validity::Suspect(_));
        let state = if suspect && run.state == RunState::Closed { "SUSPECT" } else { state_word(run).0 };
        let here = *index == app.run;
        let cursor = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        let least = run.least.map_or_else(|| "none".to_owned(), |least| unit.thickness(least));
        let at = text::short_day_and_clock(run.start.started_us, app.look.utc_offset_s);
        let words = format!(
            "{cursor} {:>3} {:<8} {at}  {state:<11} {:>8} {:>5} {least:>6}",
            run.id,
            safe_text(&run.start.line),
            run.readings,
            run.spots
        );
        let role = match (here, run.state) {
            (true, _) => Role::Cursor,
            (false, RunState::Interrupted) => Role::Watch,
            (false, _) if suspect => Role::Watch,
            _ => Role::Plain,
        };
        pen.put(listed.x + 1, listed.y + row as u16, listed.width - 1, &text::clip(&words, usize::from(listed.width - 1)), role);
    }
    if let Some(run) = app.contents.runs.get(app.run) {
        let rest = rows.rest();
        pen.title(Rect { height: 1, ..rest }, &format!("run {} on {}", run.id, safe_text(&run.start.line)), state_word(run).0);
        let mut lines = vec![format!("{}; by {}", safe_text(&run.reason), safe_text(&run.start.operator))];
        let validity = app.contents.validity(run);
        lines.push(format!("calibration {}: {}", super::header::word(&validity), safe_text(validity.why())));
        lines.extend(scan::summary_lines(run, unit));
        lines.push(format!("stream {}, profile {}", safe_text(&run.start.stream), safe_text(&run.start.profile_name)));
        for (row, words) in lines.iter().enumerate().take(usize::from(rest.height - 1)) {
            pen.put(rest.x + 1, rest.y + 1 + row as u16, rest.width - 1, &text::clip(words, usize::from(rest.width - 1)), Role::Plain);
        }
    }
}

fn run(opened: &Opened, summary: &RunSummary, pen: &mut Pen, area: Rect) {
    let mut rows = Rows::of(area);
    let unit = pen.look.unit;
    let (state, role) = state_word(summary);
    let title = rows.take(1);
    pen.title(title, &format!("run {} on {}", summary.id, safe_text(&summary.start.line)), "");
    pen.put(title.right().saturating_sub(state.len() as u16 + 1), title.y, state.len() as u16, state, role);
    let path = &summary.start.path;
    let section = Section {
        wall: &opened.wall,
        limits: &summary.start.limits,
        direction: path.direction,
        at: opened.look.back,
        course: path.across_course,
        look: opened.look,
    };
    let here = opened.look.back.map_or_else(String::new, |at| {
        let low = opened.look.step() * (at / opened.look.step()).floor();
        let bin = opened.wall.strip.stretch(low, low + opened.look.step());
        let thickness = |length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
        let place = format!("{} {}", unit.place(low), unit.place_symbol());
        match (bin.least, bin.greatest) {
            (Some(least), Some(greatest)) => {
                format!(
                    "{place}: {} to {}, {}, {} readings, {} without echo",
                    thickness(least),
                    thickness(greatest),
                    bin.worst,
                    bin.read,
                    bin.lost
                )
            }
            _ if bin.lost > 0 => format!("{place}: no echo in {} readings", bin.lost),
            _ => format!("{place}: not driven"),
        }
    });
    if path.direction.is_upright() {
        let body = rows.take(rows.left().saturating_sub(1));
        let left = Rect { width: (body.width * 3 / 5).max(34).min(body.width), ..body };
        section::upright(&section, pen, left);
        let right = Rect { x: left.right() + 1, width: body.width.saturating_sub(left.width + 1), ..body };
        pen.down(left.right(), body);
        facts(opened, summary, pen, right);
    } else {
        let body = rows.take(rows.left().saturating_sub(1) / 2 + 2);
        section::flat(&section, pen, body);
        let rest = rows.take(rows.left().saturating_sub(1));
        facts(opened, summary, pen, rest);
    }
    let line = rows.rest();
    pen.put(line.x + 1, line.y, line.width - 1, &text::clip(&here, usize::from(line.width - 1)), Role::Strong);
}

fn facts(opened: &Opened, summary: &RunSummary, pen: &mut Pen, area: Rect) {
    let mut rows = Rows::of(area);
    for words in scan::summary_lines(summary, pen.look.unit) {
        let taken = rows.take(1);
        if taken.height > 0 {
            pen.put(
                taken.x + 1,
                taken.y,
                taken.width.saturating_sub(1),
                &text::clip(&words, usize::from(area.width.saturating_sub(1))),
                Role::Plain,
            );
        }
    }
    let spots = rows.left() * 3 / 5;
    panels::spots(&opened.wall, pen, rows.take(spots));
    panels::notes(&opened.wall, pen, rows.rest(), true);
}
