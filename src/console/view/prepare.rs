//! Prepare: the asset as a stack of courses, the lines, people and kit with what is out of date, the limits.

use super::pen::{Pen, Rows};
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use backwall_survey::job::plan::Date;
use ratatui::layout::Rect;

/// Dates nearer than this are pointed out. Common practice, no source.
const SOON_DAYS: i64 = 30;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    let plan = &app.contents.plan;
    let mut rows = Rows::of(area);
    let words = format!("{}  {}", safe_text(&plan.asset.name), plan.asset.kind.word());
    pen.title(rows.take(1), &words, &text::clip(&safe_text(&plan.job.procedure), 20));
    let unit = pen.look.unit;
    let about = format!(
        "{}, {} {} across; {}",
        safe_text(&plan.asset.material),
        unit.place(plan.asset.diameter),
        unit.place_symbol(),
        safe_text(&plan.job.purpose)
    );
    let taken = rows.take(1);
    pen.put(taken.x + 1, taken.y, taken.width - 1, &text::clip(&about, usize::from(taken.width - 1)), Role::Quiet);
    let courses = plan.asset.courses.len() as u16;
    let people = (plan.people.len() + plan.kit.len()) as u16;
    // Courses get two rows each where there is room for all.
    let fixed = 4 + people + 2 + (plan.lines.len() as u16).min(6) + 2;
    let tall = rows.left() >= fixed + courses * 2 + 2;
    let room = if tall { courses * 2 + 2 } else { rows.left().saturating_sub(fixed).clamp(3, courses + 2) };
    stack(app, pen, rows.take(room), tall);
    let listed = rows.left().saturating_sub(people + 5).clamp(2, plan.lines.len().max(1) as u16 + 1);
    pen.title(rows.take(1), "lines", "Enter takes one to Scan");
    lines(app, pen, rows.take(listed - 1));
    pen.title(rows.take(1), "people and kit", "");
    let limits = rows.left().min(2);
    let taken = rows.take(people.min(rows.left().saturating_sub(limits)));
    dated(app, pen, taken);
    let rest = rows.rest();
    let limits = [
        format!(
            "limits: watch {} {} over required, gap {} {}, speed {} {}{}",
            unit.thickness(plan.limits.watch_margin),
            unit.thickness_symbol(),
            unit.thickness(plan.limits.max_gap),
            unit.thickness_symbol(),
            unit.speed(plan.limits.max_speed),
            unit.speed_symbol(),
            if plan.limits.guard_band { ", guard band U" } else { "" }
        ),
        format!("datum: {}", safe_text(&plan.asset.datum)),
    ];
    for (row, words) in limits.iter().enumerate().take(usize::from(rest.height)) {
        let words = text::clip(words, usize::from(rest.width - 1));
        pen.put(rest.x + 1, rest.y + row as u16, rest.width - 1, &words, Role::Plain);
    }
}

/// The courses from the top down, with nominal and required.
fn stack(app: &App, pen: &mut Pen, area: Rect, tall: bool) {
    let plan = &app.contents.plan;
    let unit = pen.look.unit;
    let shapes = pen.look.glyphs.shapes();
    let [top_left, top_right, low_left, low_right] = shapes.corner;
    let width = 16u16.min(area.width / 3);
    let rule = |pen: &mut Pen, y: u16, left: char, right: char| {
        pen.cell(area.x + 1, y, left, Role::Plain);
        for x in 1..width - 1 {
            pen.cell(area.x + 1 + x, y, shapes.rule, Role::Plain);
        }
        pen.cell(area.x + width, y, right, Role::Plain);
    };
    let edges = plan.course_edges();
    let courses: Vec<_> = plan.asset.courses.iter().zip(&edges).rev().collect();
    let step = if tall { 2 } else { 1 };
    let room = usize::from(area.height.saturating_sub(2) / step).max(1);
    rule(pen, area.y, top_left, top_right);
    if let Some((_, (_, _, top))) = courses.first() {
        let words = format!("{} {}", unit.place(*top), unit.place_symbol());
        pen.put(area.x + width + 2, area.y, area.width, &words, Role::Quiet);
    }
    for (row, (course, (_, bottom, _))) in courses.iter().enumerate().take(room) {
        let y = area.y + 1 + row as u16 * step;
        pen.cell(area.x + 1, y, shapes.divider, Role::Plain);
        pen.cell(area.x + width, y, shapes.divider, Role::Plain);
        pen.put(area.x + 3, y, width - 3, &format!("course {}", course.number), Role::Strong);
        let required = match course.required {
            Some(required) => format!("required {} {}", unit.thickness(required), unit.thickness_symbol()),
            None => "required NOT KNOWN".to_owned(),
        };
        let from = course.required_from.as_deref().map_or_else(String::new, |from| format!(" ({})", safe_text(from)));
        let words = format!("nominal {}  {required}{from}", unit.thickness(course.nominal));
        let role = if course.required.is_some() { Role::Plain } else { Role::Watch };
        let room = area.width.saturating_sub(width + 2);
        pen.put(area.x + width + 2, y, room, &text::clip(&words, usize::from(room)), role);
        if tall && row + 1 < courses.len() {
            rule(pen, y + 1, shapes.tee.0, shapes.tee.1);
            let words = format!("{} {} seam", unit.place(*bottom), unit.place_symbol());
            pen.put(area.x + width + 2, y + 1, room, &words, Role::Quiet);
        }
    }
    let y = area.y + 1 + (courses.len().min(room) as u16 * step) - u16::from(tall);
    let y = y.min(area.bottom().saturating_sub(1)).max(area.y + 1);
    rule(pen, y, low_left, low_right);
    let zero = if courses.len() > room { format!("and {} more courses below", courses.len() - room) } else { "0 datum".to_owned() };
    pen.put(area.x + width + 2, y, area.width.saturating_sub(width + 2), &zero, Role::Quiet);
}

/// The lines of the plan with the cursor; also shown before a run is started.
pub fn lines(app: &App, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let lines = &app.contents.plan.lines;
    if lines.is_empty() {
        pen.put(area.x + 1, area.y, area.width - 1, "none in the plan", Role::Watch);
    }
    let top = app.line.saturating_sub(usize::from(area.height.saturating_sub(1)));
    for (row, (index, line)) in lines.iter().enumerate().skip(top).enumerate().take(usize::from(area.height)) {
        let y = area.y + row as u16;
        let here = index == app.line;
        let cursor = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        let where_at = match (line.azimuth_deg, line.elevation) {
            (Some(azimuth), _) => format!("azimuth {azimuth}°"),
            (None, Some(elevation)) => format!("at {} {}", unit.place(elevation), unit.place_symbol()),
            (None, None) => String::new(),
        };
        let runs = app.runs_on(&line.name).count();
        let runs = match runs {
            0 => "no run yet".to_owned(),
            1 => "1 run".to_owned(),
            runs => format!("{runs} runs"),
        };
        let words = format!(
            "{cursor} {:<8} {:<6} {where_at:<14} from {} for {} {}  {runs}",
            safe_text(&line.name),
            line.direction.word(),
            unit.place(line.start),
            unit.place(line.length),
            unit.place_symbol()
        );
        let role = if here { Role::Cursor } else { Role::Plain };
        pen.put(area.x + 1, y, area.width - 1, &text::clip(&words, usize::from(area.width - 1)), role);
    }
}

fn dated(app: &App, pen: &mut Pen, area: Rect) {
    let plan = &app.contents.plan;
    let people = plan.people.iter().map(|person| {
        let certificate = person.certificate.as_deref().map_or_else(|| "no certificate".to_owned(), safe_text);
        (format!("{}, {}, {certificate}", safe_text(&person.name), safe_text(&person.role)), person.expires)
    });
    let kit = plan.kit.iter().map(|kit| (format!("{} {}", safe_text(&kit.kind), safe_text(&kit.serial)), kit.due));
    for (row, (words, date)) in people.chain(kit).enumerate().take(usize::from(area.height)) {
        let y = area.y + row as u16;
        let (state, role) = validity(app, date);
        let glyphs = pen.look.glyphs.shapes();
        let glyph = match role {
            Role::Fault => glyphs.missing,
            Role::Watch => glyphs.open,
            _ => glyphs.done,
        };
        let width = (text::columns(&state) + 1) as u16;
        let room = area.width.saturating_sub(width + 5);
        pen.put(area.x + 1, y, area.width - 1, &format!("{glyph} {}", text::clip(&words, usize::from(room))), Role::Plain);
        pen.put(area.right().saturating_sub(width), y, width, &state, role);
    }
}

fn validity(app: &App, date: Option<Date>) -> (String, Role) {
    let Some(date) = date else {
        return ("no date".to_owned(), Role::Quiet);
    };
    let days = text::day(app.now_us, app.look.utc_offset_s).map(|today| (date.0 - today).num_days());
    match days {
        Some(days) if days < 0 => (format!("OUT OF DATE {date}"), Role::Fault),
        Some(days) if days <= SOON_DAYS => (format!("{date}, in {days} days"), Role::Watch),
        _ => (format!("to {date}"), Role::Plain),
    }
}
