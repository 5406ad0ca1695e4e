//! Prepare: the asset as a stack of courses, the lines, people and kit with what is out of date, what it will
//! take, the limits.

use super::pen::{AreaRows, Pen};
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::update::shift_words;
use backwall_survey::job::Takes;
use backwall_survey::job::plan::{Course, Date, Line as PlanLine};
use backwall_units::Length;
use ratatui::layout::Rect;

/// Dates nearer than this are pointed out. Common practice, no source.
const SOON_DAYS: i64 = 30;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    let plan = &app.contents.plan;
    let mut rows = AreaRows::of(area);
    let words = format!("{}  {}", safe_text(&plan.asset.name), plan.asset.kind.word());
    pen.title(
        rows.take(1),
        &words,
        &text::clip(&safe_text(&plan.job.procedure), usize::from(area.width).saturating_sub(text::columns(&words) + 8)),
    );
    let unit = pen.look.unit;
    let about = format!(
        "{}, {} {} across; {}",
        safe_text(&plan.asset.material),
        unit.place(plan.asset.diameter),
        unit.place_symbol(),
        safe_text(&plan.job.purpose)
    );
    let mut takes = Takes::of(plan).words(unit, plan);
    let dated = dated(app);
    let count = |length: usize| u16::try_from(length).unwrap_or(u16::MAX);
    let (courses, lines, people) = (count(plan.asset.courses.len()), count(plan.lines.len()).max(1), count(dated.len()));
    // Three titles and two rows of limits.
    let below = |lines: u16, people: u16| lines + people + count(takes.len()) + 5;
    // Two rows of what it is about where that costs nothing else its place.
    let about_rows = if rows.left() > below(lines, people) + courses * 2 + 4 { 2 } else { 1 };
    for words in text::wrap_to(&about, usize::from(rows.width() - 1), about_rows) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, &words, Role::Quiet);
    }
    let is_tall = rows.left() >= below(lines, people) + courses * 2 + 2;
    let is_roomy = rows.left() >= below(lines, people) + courses;
    // Where there is no room for all of them those that are out of date come first.
    let mut listed: Vec<_> = dated.iter().collect();
    let urgent = count(dated.iter().filter(|dated| dated.is_urgent()).count());
    let (lines_room, people_room) = if is_roomy {
        (lines, people)
    } else {
        listed.sort_by_key(|dated| !dated.is_urgent());
        let spare = rows.left().saturating_sub(below(lines.min(3), urgent) + courses);
        (lines.min(3), people.min(urgent + spare))
    };
    if is_tall {
        stack(app, pen, rows.take(courses * 2 + 1));
    } else {
        let room = rows.left().saturating_sub(below(lines_room, people_room) - 2).max(3);
        table(app, pen, rows.take(courses.min(room)));
    }
    let title = if lines > lines_room { format!("lines, {} of {lines}", app.line + 1) } else { "lines".to_owned() };
    pen.title(rows.take(1), &title, "Enter takes one to Scan");
    self::lines(app, pen, rows.take(lines_room));
    let good = dated.iter().filter(|dated| dated.role == Role::Plain).count();
    let in_date = format!("{good} of {} in date", dated.len());
    let room = usize::from(rows.width()).saturating_sub(in_date.len() + 20);
    let shift = shift_words(app).map_or_else(|| "no shift signed on".to_owned(), |words| format!("shift {}", safe_text(&words)));
    pen.title(rows.take(1), "people and kit", &format!("{in_date}; {}", text::clip(&shift, room)));
    draw_dated(pen, rows.take(people_room.min(rows.left())), &listed);
    pen.title(rows.take(1), "what it will take", "");
    // What will not do comes first, so that it is never what is cut off.
    takes.sort_by_key(|said| !said.lacks);
    let taken = rows.take(count(takes.len()));
    for (row, said) in takes.iter().enumerate().take(usize::from(taken.height)) {
        let role = if said.lacks { Role::Watch } else { Role::Plain };
        let words = text::clip(&said.words, usize::from(taken.width - 1));
        pen.put(taken.x + 1, taken.y + row as u16, taken.width - 1, &words, role);
    }
    let rest = rows.rest();
    let limits = format!(
        "limits: watch +{} {}, gap {} {}, speed {} {}{}",
        unit.thickness(plan.limits.watch_margin),
        unit.thickness_symbol(),
        unit.thickness(plan.limits.max_gap),
        unit.thickness_symbol(),
        unit.speed(plan.limits.max_speed),
        unit.speed_symbol(),
        if plan.limits.guard_band { ", guard band" } else { "" }
    );
    let width = usize::from(rest.width - 1);
    let datum = text::wrap(&format!("datum: {}", safe_text(&plan.asset.datum)), width);
    let lines = std::iter::once(text::clip(&limits, width)).chain(datum);
    for (row, words) in lines.enumerate().take(usize::from(rest.height)) {
        pen.put(rest.x + 1, rest.y + row as u16, rest.width - 1, &words, Role::Plain);
    }
}

/// Columns that the source of a required thickness needs to say anything.
const SOURCE_LEAST: usize = 12;

/// One row a course, from the top down; side by side and shorter where there are more courses than rows.
fn table(app: &App, pen: &mut Pen, area: Rect) {
    let plan = &app.contents.plan;
    let unit = pen.look.unit;
    let edges = plan.course_edges();
    let courses: Vec<_> = plan.asset.courses.iter().zip(&edges).rev().collect();
    let (width, room) = (usize::from(area.width.saturating_sub(1)), usize::from(area.height));
    let is_whole = courses.len() <= room;
    let cell = |(course, (_, bottom, top)): &(&Course, &(u16, Length, Length))| {
        let required = course.required.map_or_else(|| "NOT KNOWN".to_owned(), |required| unit.thickness(required));
        let nominal = unit.thickness(course.nominal);
        if !is_whole {
            return format!("{}: {nominal}, {required}", course.number);
        }
        let symbol = if course.required.is_some() { unit.thickness_symbol() } else { "" };
        let from = course.required_from.as_deref().map_or_else(String::new, |from| format!(" ({})", safe_text(from)));
        let range = format!("{} to {} {}", unit.place(*bottom), unit.place(*top), unit.place_symbol());
        let words = format!("course {:<2} {range:<17} nominal {nominal:>5} required {required} {symbol}", course.number);
        // A source of which only a few letters would be left is left to the report.
        if width < text::columns(&words) + SOURCE_LEAST { words } else { format!("{words}{from}") }
    };
    let role = |course: &Course| if course.required.is_some() { Role::Plain } else { Role::Watch };
    if is_whole {
        for (row, course) in courses.iter().enumerate() {
            pen.put(area.x + 1, area.y + row as u16, area.width - 1, &text::clip(&cell(course), width), role(course.0));
        }
        return;
    }
    let words: Vec<_> = courses.iter().map(|course| (cell(course), role(course.0))).collect();
    let column = words.iter().map(|(words, _)| text::columns(words)).max().unwrap_or(1) + 3;
    let heading = format!("courses: nominal, required {}", unit.thickness_symbol());
    pen.put(area.x + 1, area.y, area.width - 1, &text::clip(&heading, width), Role::Quiet);
    let below = room.saturating_sub(1).max(1);
    let shown = below * (width / column).max(1);
    for (index, (words, role)) in words.iter().enumerate().take(shown) {
        let (x, y) = (index / below * column, index % below + 1);
        pen.put(area.x + 1 + x as u16, area.y + y as u16, area.width, words, *role);
    }
    if shown < words.len() {
        let rest = format!("{} more below: make the window larger", words.len() - shown);
        let at = area.right().saturating_sub(rest.len() as u16 + 1);
        pen.put(at, area.y, area.width, &rest, Role::Watch);
    }
}

/// The courses as a stack of plates, from the top down, with nominal and required. There is room for all.
fn stack(app: &App, pen: &mut Pen, area: Rect) {
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
    let room = area.width.saturating_sub(width + 2);
    rule(pen, area.y, top_left, top_right);
    if let Some((_, (_, _, top))) = courses.first() {
        let words = format!("{} {}", unit.place(*top), unit.place_symbol());
        pen.put(area.x + width + 2, area.y, room, &words, Role::Quiet);
    }
    for (row, (course, (_, bottom, _))) in courses.iter().enumerate() {
        let y = area.y + 1 + row as u16 * 2;
        pen.cell(area.x + 1, y, shapes.divider, Role::Plain);
        pen.cell(area.x + width, y, shapes.divider, Role::Plain);
        pen.put(area.x + 3, y, width - 3, &format!("course {}", course.number), Role::Strong);
        let required = match course.required {
            Some(required) => format!("required {} {}", unit.thickness(required), unit.thickness_symbol()),
            None => "required NOT KNOWN".to_owned(),
        };
        let from = course.required_from.as_deref().map_or_else(String::new, |from| format!(" ({})", safe_text(from)));
        let words = format!("nominal {}  {required}", unit.thickness(course.nominal));
        // A source that has no room is left to the report.
        let whole = format!("{words}{from}");
        let words = if text::columns(&whole) <= usize::from(room) { whole } else { words };
        let role = if course.required.is_some() { Role::Plain } else { Role::Watch };
        pen.put(area.x + width + 2, y, room, &text::clip(&words, usize::from(room)), role);
        if row + 1 < courses.len() {
            rule(pen, y + 1, shapes.tee.0, shapes.tee.1);
            let words = format!("{} {} seam", unit.place(*bottom), unit.place_symbol());
            pen.put(area.x + width + 2, y + 1, room, &words, Role::Quiet);
        } else {
            rule(pen, y + 1, low_left, low_right);
            pen.put(area.x + width + 2, y + 1, room, "0 datum", Role::Quiet);
        }
    }
}

/// The lines of the plan with the cursor; also shown before a run is started.
pub fn lines(app: &App, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let lines = &app.contents.plan.lines;
    if lines.is_empty() {
        pen.put(area.x + 1, area.y, area.width - 1, "none in the plan", Role::Watch);
    }
    let where_at = |line: &PlanLine| match (line.azimuth_deg, line.elevation) {
        (Some(azimuth), _) => format!("azimuth {azimuth}°"),
        (None, Some(elevation)) => format!("at {} {}", unit.place(elevation), unit.place_symbol()),
        (None, None) => String::new(),
    };
    // No wider than needed: how often a line was driven must be seen at 80 columns.
    let names = lines.iter().map(|line| text::columns(&safe_text(&line.name))).max().unwrap_or(0);
    let places = lines.iter().map(|line| text::columns(&where_at(line))).max().unwrap_or(0);
    let top = app.line.saturating_sub(usize::from(area.height.saturating_sub(1)));
    for (row, (index, line)) in lines.iter().enumerate().skip(top).enumerate().take(usize::from(area.height)) {
        let y = area.y + row as u16;
        let here = index == app.line;
        let cursor = if here { pen.look.glyphs.shapes().cursor } else { ' ' };
        let where_at = where_at(line);
        let runs = app.runs_on(&line.name).count();
        let runs = match runs {
            0 => "no run yet".to_owned(),
            1 => "1 run".to_owned(),
            runs => format!("{runs} runs"),
        };
        let words = format!(
            "{cursor} {:<names$} {:<6} {where_at:<places$} from {} for {} {}  {runs}",
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

/// A person or a piece of kit with how its date stands.
struct Dated {
    words: String,
    state: String,
    role: Role,
}

impl Dated {
    /// Out of date, or soon.
    fn is_urgent(&self) -> bool {
        matches!(self.role, Role::Fault | Role::Watch)
    }
}

fn dated(app: &App) -> Vec<Dated> {
    let plan = &app.contents.plan;
    let people = plan.people.iter().map(|person| {
        let certificate = person.certificate.as_deref().map_or_else(|| "no certificate".to_owned(), safe_text);
        (format!("{}, {}, {certificate}", safe_text(&person.name), safe_text(&person.role)), person.expires)
    });
    let kit = plan.kit.iter().map(|kit| (format!("{} {}", safe_text(&kit.kind), safe_text(&kit.serial)), kit.due));
    let all = people.chain(kit).map(|(words, date)| {
        let (state, role) = validity(app, date);
        Dated { words, state, role }
    });
    all.collect()
}

fn draw_dated(pen: &mut Pen, area: Rect, listed: &[&Dated]) {
    for (row, dated) in listed.iter().enumerate().take(usize::from(area.height)) {
        let y = area.y + row as u16;
        let glyphs = pen.look.glyphs.shapes();
        let glyph = match dated.role {
            Role::Fault => glyphs.missing,
            Role::Watch => glyphs.open,
            _ => glyphs.done,
        };
        let width = (text::columns(&dated.state) + 1) as u16;
        let room = area.width.saturating_sub(width + 5);
        pen.put(area.x + 1, y, area.width - 1, &format!("{glyph} {}", text::clip(&dated.words, usize::from(room))), Role::Plain);
        pen.put(area.right().saturating_sub(width), y, width, &dated.state, dated.role);
    }
}

fn validity(app: &App, date: Option<Date>) -> (String, Role) {
    let Some(date) = date else {
        return ("no date".to_owned(), Role::Quiet);
    };
    let days = text::day(app.now_us, app.look.zone).map(|today| (date.0 - today).num_days());
    match days {
        Some(days) if days < 0 => (format!("OUT OF DATE {date}"), Role::Fault),
        Some(days) if days <= SOON_DAYS => (format!("{date}, in {days} days"), Role::Watch),
        _ => (format!("to {date}"), Role::Plain),
    }
}
