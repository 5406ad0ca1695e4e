//! Review: the runs of the job; and one of them, or all of a line, walked by cursor.

mod assessed;
pub(super) mod hand;
pub mod map;
pub mod statistics;
pub mod unseen;
pub mod walk;

use super::pen::{AreaRows, Pen};
use super::scan;
use crate::console::review::{Over, Review};
use crate::console::standing;
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use backwall_store::{RunState, RunSummary};
use backwall_survey::job::validity::Validity;
use ratatui::layout::Rect;

/// What lies over the runs takes the whole screen.
pub fn draw_over(app: &App, pen: &mut Pen, body: Rect) {
    match app.review.top() {
        Review::Runs => {}
        Review::Walk(opened) => walk::draw(app, opened, pen, body),
        Review::Over(Over::Map(shown)) => map::draw(app, shown, pen, body),
        Review::Over(Over::Statistics(shown)) => statistics::draw(shown, pen, body),
        Review::Over(Over::Unseen(shown)) => unseen::draw(shown, pen, body),
        Review::Over(Over::Assessed(shown)) => assessed::draw(shown, pen, body),
        Review::Over(Over::Replay(scan)) => scan::running(app, scan, pen, body),
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

/// The runs of the job.
pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    let unit = pen.look.unit;
    let runs = app.all_runs();
    let set_aside = match app.contents.set_aside.len() {
        0 => String::new(),
        1 => ", 1 not counted".to_owned(),
        more => format!(", {more} not counted"),
    };
    pen.title(rows.take(1), &format!("runs ({}{set_aside})", app.contents.runs.len()), "Enter opens, A amends");
    if runs.is_empty() {
        let taken = rows.take(2);
        pen.put(taken.x + 1, taken.y + 1, taken.width - 1, "no run yet: scan a line first", Role::Plain);
        return;
    }
    let head = rows.take(1);
    pen.put(head.x + 1, head.y, head.width - 1, "  run line     started      state       readings spots  min  ", Role::Quiet);
    let detail = 11.min(rows.left() / 2);
    let listed = rows.take(rows.left().saturating_sub(detail));
    let room = usize::from(listed.height);
    // The newest run on top.
    let order: Vec<usize> = (0..runs.len()).rev().collect();
    let at = order.iter().position(|index| *index == app.run).unwrap_or(0);
    let top = at.saturating_sub(room.saturating_sub(1));
    for (row, index) in order.iter().skip(top).take(room).enumerate() {
        let run = runs[*index];
        let counts = app.contents.set_aside.iter().all(|known| known.id != run.id);
        let suspect = matches!(app.contents.validity(run), Validity::Suspect(_));
        let standing = standing::word(&app.contents, run.id).filter(|_| !counts);
        let state = if let Some(standing) = standing {
            standing
        } else if suspect && run.state == RunState::Closed {
            "SUSPECT"
        } else {
            state_word(run).0
        };
        let here = *index == app.run;
        let cursor = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        let least = run.least.map_or_else(|| "none".to_owned(), |least| unit.thickness(least));
        let at = text::short_day_and_clock(run.start.started_us, app.look.zone);
        let words = format!(
            "{cursor} {:>3} {:<8} {at}  {state:<11} {:>8} {:>5} {least:>6}",
            run.id,
            safe_text(&run.start.line),
            run.readings,
            run.spots
        );
        let role = match (here, run.state) {
            (true, _) => Role::Cursor,
            (false, _) if !counts => Role::Quiet,
            (false, RunState::Interrupted) => Role::Watch,
            (false, _) if suspect => Role::Watch,
            _ => Role::Plain,
        };
        pen.put(listed.x + 1, listed.y + row as u16, listed.width - 1, &text::clip(&words, usize::from(listed.width - 1)), role);
    }
    if let Some(run) = app.chosen_run() {
        let rest = rows.rest();
        pen.title(Rect { height: 1, ..rest }, &format!("run {} on {}", run.id, safe_text(&run.start.line)), state_word(run).0);
        let mut lines = standing::words(&app.contents, run.id);
        let operator = safe_text(&run.start.operator);
        lines.push(match run.reason.as_str() {
            // It is being recorded.
            "" => format!("operator {operator}"),
            reason => format!("{}; operator {operator}", safe_text(reason)),
        });
        let validity = app.contents.validity(run);
        lines.push(format!("calibration {}: {}", super::header::word(&validity), safe_text(&validity.why(app.look.unit))));
        if let Some((evaluation, adoption)) = app.contents.adopted(run.id) {
            lines.push(backwall_report::words::adopted(&app.contents, evaluation, adoption, app.look.unit));
        }
        lines.extend(scan::summary_lines(run, unit));
        lines.push(format!("stream {}, profile {}", safe_text(&run.start.stream), safe_text(&run.start.profile_name)));
        for (row, words) in lines.iter().enumerate().take(usize::from(rest.height - 1)) {
            pen.put(rest.x + 1, rest.y + 1 + row as u16, rest.width - 1, &text::clip(words, usize::from(rest.width - 1)), Role::Plain);
        }
    }
}
