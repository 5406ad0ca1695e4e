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
    let said = said(app, area.width);
    let said_rows = said.as_ref().map_or(0, |said| said.lines.len() as u16);
    // Where the window is at its least, what takes more than a row lies over the step.
    let room = (area.height - 3).saturating_sub(said_rows.saturating_sub(1)).max(LEAST.1 - 3);
    let mut body = Rect { y: area.y + 1, height: room, ..area };
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
    let line = Rect { y: area.bottom() - 1, height: 1, ..area };
    // The alarm stands where it was said: what a key was answered with is not lost beneath it.
    let is_over_keys = app.open_alarm().is_some() && said.is_some();
    let above = if is_over_keys { said_rows } else { 1 };
    alarm_line(app, &mut pen, Rect { y: area.bottom() - 1 - above, ..line });
    if let Some(said) = &said {
        let low = if is_over_keys { area.bottom() } else { line.y };
        said.draw(&mut pen, Rect { y: low - said_rows, height: said_rows, ..area });
    }
    match (&app.prompt, app.question) {
        (Some(prompt), _) if !is_form(prompt) && !in_place(&prompt.purpose) => {
            cursor = overlay::prompt_line(prompt, &mut pen, line);
        }
        (None, Some(question)) => overlay::question(question, &mut pen, line),
        (None, None) if app.change.is_some() => overlay::change(app, &mut pen, line),
        _ if is_over_keys => {}
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

/// The line above the footer: an alarm nobody has acknowledged.
fn alarm_line(app: &App, pen: &mut Pen, area: Rect) {
    let Some((spot, open)) = app.open_alarm() else { return };
    let limits = app.scan.as_ref().map(|scan| &scan.view.limits);
    let words = panels::alarm_words(&spot, limits.and_then(|limits| limits.required(spot.course)), pen.look.unit);
    let more = if open > 1 { format!(" +{} more", open - 1) } else { String::new() };
    let tail = format!("{more}  [a] acknowledge ");
    let width = usize::from(area.width).saturating_sub(tail.len() + 1);
    let style = pen.look.theme.level(spot.level);
    pen.fill(area, style);
    pen.put_style(area.x + 1, area.y, area.width - 1, &super::text::clip(&words, width), style);
    pen.put_style(area.right() - tail.len() as u16, area.y, tail.len() as u16, &tail, style);
}

/// What is said takes no more rows than this of the screen.
const SAID_ROWS: usize = 4;

/// What is said above the keys. It says what to do: where it has no room in a row it takes more, and is not cut.
struct SaidAbove {
    lines: Vec<String>,
    role: Role,
}

impl SaidAbove {
    fn draw(&self, pen: &mut Pen, area: Rect) {
        let style = pen.look.theme.style(self.role);
        if self.role == Role::Fault {
            pen.fill(area, style);
        } else {
            pen.clear(area);
        }
        for (y, line) in (area.top()..).zip(&self.lines) {
            pen.put_style(area.x + 1, y, area.width - 2, line, style);
        }
    }
}

/// What was last said, else what the state of the job has to say.
fn said(app: &App, width: u16) -> Option<SaidAbove> {
    let has_alarm = app.open_alarm().is_some();
    // Beneath an alarm there is the line of the keys, if nothing is typed or asked there.
    if has_alarm && (app.prompt.is_some() || app.question.is_some() || app.change.is_some()) {
        return None;
    }
    let (words, role) = match &app.message {
        Some(message) => (message.text.clone(), message.role),
        None if has_alarm => return None,
        None => standing_words(app)?,
    };
    Some(SaidAbove { lines: super::text::wrap_to(&words, usize::from(width - 2), SAID_ROWS), role })
}

/// What stands above the keys while nothing was said.
fn standing_words(app: &App) -> Option<(String, Role)> {
    if let (Some(scan), Step::Review) = (app.review.replay(), app.step) {
        let run = scan.view.run;
        let standing =
            super::standing::words(&app.contents, run).into_iter().next().map_or_else(String::new, |words| format!(" ({words})"));
        return Some((format!("REPLAY of run {run}: recorded earlier; nothing is measured or written now{standing}"), Role::Watch));
    }
    if let Some(opening) = &app.opening {
        let stop = if app.mode() == KeyMode::Connecting { " Esc stops it" } else { "" };
        return Some((super::text::safe_text(&format!("{}{stop}", opening.words())), Role::Watch));
    }
    if let (KeyMode::Ready, Some(words)) = (app.mode(), goes_on_words(app)) {
        return Some((words, Role::Watch));
    }
    if app.scanning() {
        let due: Vec<String> = app.overdue().into_iter().map(|due| due.what).collect();
        let words = format!("DUE NOW: {}. This run goes on, no other starts: see Checklist (Tab)", due.join(", "));
        return (!due.is_empty()).then(|| (super::text::safe_text(&words), Role::Fault));
    }
    None
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
