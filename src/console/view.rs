//! The state, drawn. Pure: the same state and size give the same cells.

mod calibrate;
mod channels;
mod checklist;
mod digits;
pub(super) mod header;
mod left;
mod overlay;
mod panels;
mod pen;
mod planning;
mod prepare;
mod reading;
mod review;
mod revision;
mod scan;
mod section;
pub(super) mod wave;

use super::Step;
use super::keys::{self, KeyMode};
use super::review::Review;
use super::state::{App, Prompt, Purpose};
use super::theme::Role;
use super::update::goes_on_words;
use backwall_survey::strip::Level;
use pen::Pen;
use ratatui::Frame;
use ratatui::layout::{Position, Rect};

/// The least size a screen needs.
pub const LEAST: (u16, u16) = (60, 20);
/// From this width on there is room for more beside the least.
const WIDE: u16 = 120;

pub fn draw(app: &App, frame: &mut Frame) {
    let area = frame.area();
    let buffer = frame.buffer_mut();
    buffer.set_style(area, app.look.theme.base());
    let mut pen = Pen::new(buffer, app.look);
    if area.width < LEAST.0 || area.height < LEAST.1 {
        too_small(app, &mut pen, area);
        return;
    }
    header::draw(app, &mut pen, Rect { height: 1, ..area });
    let mut body = Rect { y: area.y + 1, height: area.height - 3, ..area };
    if let Some(words) = at_thin(app) {
        body.height -= 1;
        let words = super::text::clip(&super::text::safe_text(&words), usize::from(area.width - 2));
        pen.put(area.x + 1, body.bottom(), area.width - 1, &words, Role::Strong);
    }
    match (app.test_card, app.help, &app.origin) {
        (true, ..) => overlay::test_card(app, &mut pen, body),
        (false, Some(top), _) => overlay::help(app, &mut pen, body, top),
        (false, None, Some(shown)) => overlay::origin(shown, &mut pen, body),
        (false, None, None) => match (&app.revision, &app.planning) {
            (Some(shown), _) => revision::draw(shown, &mut pen, body),
            (None, Some(shown)) => planning::draw(app, shown, &mut pen, body),
            (None, None) => step(app, &mut pen, body),
        },
    }
    let mut cursor = None;
    if let Some(prompt) = app.prompt.as_ref().filter(|prompt| is_form(prompt)) {
        cursor = overlay::form(prompt, &mut pen, body);
    }
    let line = Rect { y: area.bottom() - 2, height: 1, ..area };
    alarm_line(app, &mut pen, line);
    let line = Rect { y: area.bottom() - 1, height: 1, ..area };
    match (&app.prompt, app.question) {
        (Some(prompt), _) if !is_form(prompt) && !in_place(&prompt.purpose) => {
            cursor = overlay::prompt_line(prompt, &mut pen, line);
        }
        (None, Some(question)) => overlay::question(question, &mut pen, line),
        (None, None) if app.change.is_some() => overlay::change(app, &mut pen, line),
        // The alarm stands where it was said: what a key was answered with is not lost beneath it.
        (None, None) if app.message.is_some() && app.open_alarm().is_some() => message(app, &mut pen, line),
        _ => footer(app.mode(), &mut pen, line),
    }
    if let (Some(prompt), Step::Checklist, None) = (&app.prompt, app.step, &app.left)
        && in_place(&prompt.purpose)
    {
        cursor = checklist::field(app, prompt, &mut pen, content_of(body));
    }
    pen.only_what_the_set_has();
    if let Some((x, y)) = cursor {
        frame.set_cursor_position(Position { x, y });
    }
}

/// What was agreed for the case of a thin spot, while one is not acknowledged.
fn at_thin(app: &App) -> Option<String> {
    let scan = app.scan.as_ref().filter(|scan| app.step == Step::Scan && !scan.is_over())?;
    scan.alarm().filter(|(spot, _)| spot.level == Level::Thin)?;
    app.at_thin().map(|agreed| format!("AGREED: {agreed}"))
}

/// Over the screen, not in the bottom line.
fn is_form(prompt: &Prompt) -> bool {
    prompt.form.fields.len() > 1 || matches!(prompt.purpose, Purpose::Prove)
}

/// An answer is typed under its question, not in the bottom line.
fn in_place(purpose: &Purpose) -> bool {
    matches!(purpose, Purpose::Answer { .. } | Purpose::Comment { .. })
}

fn too_small(app: &App, pen: &mut Pen, area: Rect) {
    let recording = if app.scanning() { " Recording goes on." } else { "" };
    let words = format!("This screen is {} by {}; {} by {} or more is needed.{recording}", area.width, area.height, LEAST.0, LEAST.1);
    let role = if app.scanning() { Role::Fault } else { Role::Strong };
    for (row, line) in super::text::wrap(&words, usize::from(area.width)).iter().enumerate().take(usize::from(area.height)) {
        pen.put(area.x, area.y + row as u16, area.width, line, role);
    }
}

/// Width of the column of steps.
const STEPS_WIDTH: u16 = 16;

fn content_of(body: Rect) -> Rect {
    Rect { x: body.x + STEPS_WIDTH + 1, width: body.width - STEPS_WIDTH - 2, ..body }
}

fn step(app: &App, pen: &mut Pen, body: Rect) {
    if let Some(shown) = &app.left {
        left::draw(app, shown, pen, body);
        return;
    }
    // A run takes the whole screen: the steps wait at its end.
    if let (Step::Scan, Some(scan)) = (app.step, app.on_screen()) {
        scan::running(app, scan, pen, body);
        return;
    }
    // So do the screens over the list of runs.
    if app.step == Step::Review && !matches!(app.review.top(), Review::Runs) {
        review::draw_over(app, pen, body);
        return;
    }
    steps_column(app, pen, Rect { width: STEPS_WIDTH, ..body });
    let area = content_of(body);
    match app.step {
        Step::Prepare => prepare::draw(app, pen, area),
        Step::Checklist => checklist::draw(app, pen, area),
        Step::Calibrate => calibrate::draw(app, pen, area),
        Step::Scan => scan::ready(app, pen, area),
        Step::Review => review::draw(app, pen, area),
    }
}

/// The steps of the job down the left edge, each with how it stands, and what is missing before the next.
fn steps_column(app: &App, pen: &mut Pen, area: Rect) {
    let shapes = pen.look.glyphs.shapes();
    for y in area.top()..area.bottom() {
        pen.cell(area.right() - 1, y, shapes.divider, Role::Quiet);
    }
    let width = area.width - 2;
    for (index, step) in Step::ALL.into_iter().enumerate() {
        let y = area.y + 1 + index as u16 * 2;
        let missing = app.missing(step);
        let glyph = match (missing.is_empty(), app.stops(step), step) {
            (_, true, _) => shapes.missing,
            (true, _, Step::Review) => {
                if app.contents.runs.is_empty() {
                    shapes.open
                } else {
                    shapes.done
                }
            }
            (true, _, _) => shapes.done,
            (false, _, _) => shapes.open,
        };
        let here = app.step == step;
        let role = if here { Role::Cursor } else { Role::Plain };
        pen.put(area.x, y, width + 1, &format!(" {glyph} {:<11}", step.word()), role);
        if !missing.is_empty() {
            pen.put(area.x + 3, y + 1, width - 2, &app.missing_in_short(step), Role::Quiet);
        }
    }
    // What stands before the next step, in full, beneath.
    let missing = app.missing(app.step);
    let mut y = area.y + 12;
    if missing.is_empty() || y >= area.bottom() {
        return;
    }
    pen.put(area.x, y, width, "still missing:", Role::Title);
    y += 1;
    let room = usize::from(area.bottom().saturating_sub(y));
    let lines: Vec<String> = missing.iter().flat_map(|words| super::text::wrap(words, usize::from(width))).collect();
    for (row, words) in lines.iter().take(room).enumerate() {
        let last = row + 1 == room && lines.len() > room;
        pen.put(area.x, y + row as u16, width, if last { "and more" } else { words }, Role::Plain);
    }
}

/// The line above the footer: an alarm nobody has acknowledged, else what was last said.
fn alarm_line(app: &App, pen: &mut Pen, area: Rect) {
    if let Some((spot, open)) = app.open_alarm() {
        let limits = app.scan.as_ref().map(|scan| &scan.view.limits);
        let words = panels::alarm_words(&spot, limits.and_then(|limits| limits.required(spot.course)), pen.look.unit);
        let more = if open > 1 { format!(" +{} more", open - 1) } else { String::new() };
        let tail = format!("{more}  [a] acknowledge ");
        let width = usize::from(area.width).saturating_sub(tail.len() + 1);
        let style = pen.look.theme.level(spot.level);
        pen.fill(area, style);
        pen.put_style(area.x + 1, area.y, area.width - 1, &super::text::clip(&words, width), style);
        pen.put_style(area.right() - tail.len() as u16, area.y, tail.len() as u16, &tail, style);
        return;
    }
    if let (None, Some(scan), Step::Review) = (&app.message, app.review.replay(), app.step) {
        let run = scan.view.run;
        let standing =
            super::standing::words(&app.contents, run).into_iter().next().map_or_else(String::new, |words| format!(" ({words})"));
        let words = format!("REPLAY of run {run}: recorded earlier; nothing is measured or written now{standing}");
        let words = super::text::clip(&words, usize::from(area.width - 2));
        pen.put(area.x + 1, area.y, area.width - 2, &words, Role::Watch);
        return;
    }
    if let (None, Some(opening)) = (&app.message, &app.opening) {
        let stop = if app.mode() == KeyMode::Connecting { " Esc stops it" } else { "" };
        let words = super::text::safe_text(&format!("{}{stop}", opening.words()));
        pen.put(area.x + 1, area.y, area.width - 2, &super::text::clip(&words, usize::from(area.width - 2)), Role::Watch);
        return;
    }
    if let (None, KeyMode::Ready, Some(words)) = (&app.message, app.mode(), goes_on_words(app)) {
        pen.put(area.x + 1, area.y, area.width - 2, &super::text::clip(&words, usize::from(area.width - 2)), Role::Watch);
        return;
    }
    if let (None, true) = (&app.message, app.scanning()) {
        let due: Vec<String> = app.overdue().into_iter().map(|due| due.what).collect();
        if !due.is_empty() {
            let words =
                super::text::safe_text(&format!("DUE NOW: {}. This run goes on, no other starts: see Checklist (Tab)", due.join(", ")));
            let style = pen.look.theme.style(Role::Fault);
            pen.fill(area, style);
            pen.put_style(area.x + 1, area.y, area.width - 2, &super::text::clip(&words, usize::from(area.width - 2)), style);
        }
        return;
    }
    message(app, pen, area);
}

/// What was last said.
fn message(app: &App, pen: &mut Pen, area: Rect) {
    let Some(message) = &app.message else { return };
    let style = pen.look.theme.style(message.role);
    if message.role == Role::Fault {
        pen.fill(area, style);
    }
    pen.put_style(area.x + 1, area.y, area.width - 2, &super::text::clip(&message.text, usize::from(area.width - 2)), style);
}

/// The keys that work now; help comes last and always fits.
fn footer(mode: KeyMode, pen: &mut Pen, area: Rect) {
    let help = keys::footer(mode).find(|(shown, _)| *shown == "?");
    let room = area.width.saturating_sub(if help.is_some() { 9 } else { 1 });
    let mut x = area.x + 1;
    for (shown, label) in keys::footer(mode).filter(|(shown, _)| *shown != "?") {
        let shown = pen.look.glyphs.key_name(shown);
        let width = (super::text::columns(shown) + 1 + label.len()) as u16;
        if x + width > area.x + room {
            continue;
        }
        x = pen.put(x, area.y, area.right() - x, shown, Role::Key) + 1;
        x = pen.put(x, area.y, area.right() - x, label, Role::Plain) + 2;
    }
    if let Some((shown, label)) = help {
        x = pen.put(x, area.y, area.right().saturating_sub(x), shown, Role::Key) + 1;
        pen.put(x, area.y, area.right().saturating_sub(x), label, Role::Plain);
    }
}
