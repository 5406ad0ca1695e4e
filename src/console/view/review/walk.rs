//! A stored run walked by cursor: the strip as in the scan, the waveform at the cursor, everything known of the reading
//! the cursor stands on, and what falls under the limit.

use super::{hand, state_word};
use crate::console::origin::is_guarded;
use crate::console::review::{Opened, Window};
use crate::console::standing;
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::view::header;
use crate::console::view::panels;
use crate::console::view::pen::{AreaRows, Pen};
use crate::console::view::section::{self, Extra, Lookout, SectionView, Single};
use crate::console::view::wave::{self, Wave};
use crate::live::wall::{StretchWindow, WallAsk};
use backwall_store::{EvaluationSummary, RunSummary};
use backwall_survey::job::validity::Validity;
use backwall_survey::reading::Reading;
use backwall_survey::strip::{At, Bin, Level, Limits, Spot};
use backwall_ultrasound::Quality;
use backwall_units::{Length, LengthUnit};
use ratatui::layout::Rect;

pub fn draw(app: &App, opened: &Opened, pen: &mut Pen, body: Rect) {
    let mut rows = AreaRows::of(body);
    title(app, opened, pen, rows.take(1));
    let limits = opened.limits();
    let beneath = 2 + u16::from(opened.behind.is_some());
    if opened.overview.direction.is_upright() {
        let main = rows.take(rows.left().saturating_sub(beneath));
        let left = Rect { width: (main.width / 2).max(30), ..main };
        let right = Rect { x: left.right() + 1, width: main.width.saturating_sub(left.width + 1), ..main };
        pen.down(left.right(), main);
        let positions = left.height.saturating_sub(1);
        strip(app, opened, &limits, pen, left, positions, section::upright);
        beside(app, opened, &limits, pen, right);
    } else {
        let height = (rows.left().saturating_sub(beneath) / 2).max(9);
        let flat = rows.take(height);
        strip(app, opened, &limits, pen, flat, flat.width.saturating_sub(8), section::flat);
        let rest = rows.take(rows.left().saturating_sub(beneath));
        beside(app, opened, &limits, pen, rest);
    }
    if let Some(behind) = &opened.behind {
        let line = rows.take(1);
        let at = opened.at.and_then(|at| at.along()).or(opened.place());
        let role = if behind.accepted.is_some() { Role::Plain } else { Role::Watch };
        pen.put(line.x + 1, line.y, line.width - 1, &behind.words(at, pen.look.unit), role);
    }
    stretch_line(opened, &limits, pen, rows.take(1));
    limit_line(opened, &limits, pen, rows.rest());
}

fn title(app: &App, opened: &Opened, pen: &mut Pen, area: Rect) {
    let overview = &opened.overview;
    let summary = summary_of(app, opened, opened.at);
    let line = summary.map_or_else(String::new, |summary| safe_text(&summary.start.line));
    let name = match (opened.is_all(), overview.runs.len()) {
        (true, 1) => format!("{line} {}, its one run", overview.direction.word()),
        (true, count) => format!("{line} {}, all {count} runs", overview.direction.word()),
        _ => format!("{line} {}, run {}", overview.direction.word(), opened.run),
    };
    let adopted = summary.and_then(|summary| Some((summary, app.contents.adopted(summary.id)?.0)));
    let name = adopted.map_or(name.clone(), |(run, evaluation)| format!("{name}, {}", adopted_words(run, evaluation)));
    let standing = summary.filter(|_| !opened.is_all()).and_then(|run| standing::word(&app.contents, run.id));
    let name = standing.map_or(name.clone(), |word| format!("{name}, {word}"));
    let progress = &overview.progress;
    let (right, role) = match (progress.done, progress.open, summary) {
        (false, ..) => {
            let share = (100 * progress.read).checked_div(progress.of).unwrap_or(0).min(100);
            (format!("reading {share} %: {} of {}", progress.read, progress.of), Role::Strong)
        }
        (true, true, _) => (format!("RECORDING, {} so far", progress.read), Role::Strong),
        (true, false, Some(summary)) => {
            let (word, role) = state_word(summary);
            (format!("{word}, {}", backwall_report::words::count(progress.read, "reading")), role)
        }
        (true, false, None) => (backwall_report::words::count(progress.read, "reading"), Role::Plain),
    };
    pen.title(area, &name, "");
    let width = text::columns(&right) as u16 + 2;
    if width + 2 < area.width {
        pen.put(area.right() - width - 1, area.y, width, &format!(" {right} "), role);
    }
}

/// That an evaluation counts, in a heading.
fn adopted_words(run: &RunSummary, evaluation: &EvaluationSummary) -> String {
    let mode = evaluation.start.setup.mode;
    match mode == run.start.setup.mode {
        false => format!("{mode} (adopted)"),
        true => format!("evaluation {} (adopted)", evaluation.id),
    }
}

/// The run a reading is of; without a reading, the run that was opened.
fn summary_of<'a>(app: &'a App, opened: &Opened, at: Option<At>) -> Option<&'a RunSummary> {
    let id = at.and_then(|at| opened.overview.runs.get(at.run as usize).copied()).unwrap_or(opened.run);
    app.contents.any_run(id)
}

fn line_of(app: &App, opened: &Opened) -> String {
    app.contents.runs.iter().find(|run| run.id == opened.run).map_or_else(String::new, |run| run.start.line.clone())
}

fn strip(app: &App, opened: &Opened, limits: &Limits, pen: &mut Pen, area: Rect, positions: u16, draw: fn(&SectionView, &mut Pen, Rect)) {
    let overview = &opened.overview;
    if overview.places.count() == 0 {
        let words = if overview.progress.done { "this run has no readings" } else { "the run is being read" };
        pen.put(area.x + 1, area.y + 1, area.width - 1, words, Role::Plain);
        return;
    }
    let judged = |from: Length, to: Length| overview.judged(limits, from, to);
    let window = opened.window.as_ref().filter(|_| opened.single);
    if opened.single && window.is_none() {
        pen.put(area.x + 1, area.y + 1, area.width - 1, "fetching the readings here", Role::Plain);
        return;
    }
    let by_hand = hand::places(app, &line_of(app, opened));
    let upright = overview.direction.is_upright();
    let singles = window.map(|window| singles(opened, window, limits, positions, upright, pen.look.unit));
    let lookout = Lookout { direction: overview.direction, at: opened.place(), look: opened.look, span: overview.wall.span };
    let section = SectionView {
        wall: &overview.wall.glimpse(&WallAsk { window: lookout.window(area), lines: 0, spread: None }),
        limits,
        lookout,
        course: overview.course,
        extra: Extra {
            judged: (opened.moved != Length::ZERO).then_some(&judged),
            behind: opened.behind.as_ref().map(|behind| (&behind.earlier.strip, behind.offset())),
            singles: singles.as_deref(),
            hand: &by_hand,
        },
    };
    draw(&section, pen, area);
}

/// The readings about the cursor, the cursor's in the middle.
fn singles(opened: &Opened, window: &Window, limits: &Limits, positions: u16, upright: bool, unit: LengthUnit) -> Vec<Option<Single>> {
    let here = opened.at.map_or(0, |at| window.find(at).unwrap_or_else(|index| index)) as i64;
    let middle = i64::from(positions / 2);
    (0..i64::from(positions))
        .map(|position| {
            let index = if upright { here + middle - position } else { here + position - middle };
            let (at, reading) = window.readings.get(usize::try_from(index).ok()?)?;
            let measurement = &reading.measurement;
            let level = if opened.moved == Length::ZERO { reading.level } else { limits.level(measurement, reading.place.course) };
            Some(Single {
                label: label(*at, unit),
                along: at.along(),
                course: reading.place.course,
                bin: Bin::of(measurement.thickness, level),
                here: index == here,
            })
        })
        .collect()
}

/// A place as fine as the ruler's room allows; without one, the row.
fn label(at: At, unit: LengthUnit) -> String {
    let Some(along) = at.along() else { return format!("#{}", at.row) };
    let (fine, coarse) = match unit {
        LengthUnit::Mm => (format!("{:.4}", along.as_metres()), format!("{:.3}", along.as_metres())),
        LengthUnit::Inch => (format!("{:.2}", along.as_inch()), format!("{:.1}", along.as_inch())),
    };
    if fine.len() <= 6 { fine } else { coarse }
}

/// Beside the strip: the reading, its waveform, spots, and what was noted near.
fn beside(app: &App, opened: &Opened, limits: &Limits, pen: &mut Pen, area: Rect) {
    // Beside a strip that lies flat above there is room for two columns.
    let wide = area.width >= 70 && !opened.overview.direction.is_upright();
    let room = if wide { area.width / 2 } else { area.width };
    // Long flags never push the A-scan away; where it lies beside them they have all rows.
    let most = if wide { area.height } else { area.height.saturating_sub(WAVE_ROWS) };
    let lines = reading_lines(app, opened, limits, (usize::from(room.saturating_sub(2)), usize::from(most)), pen.look.unit);
    let mut rows = AreaRows::of(area);
    if wide {
        // Side by side where the strip lies flat.
        let left = Rect { width: area.width / 2, ..area };
        let right = Rect { x: left.right() + 1, width: area.width - left.width - 1, ..area };
        let mut rows = AreaRows::of(left);
        let shown = rows.take(lines.len() as u16);
        put_lines(&lines, pen, shown);
        lists(app, opened, pen, rows.rest());
        waveform(app, opened, pen, right);
        return;
    }
    let shown = rows.take(lines.len() as u16);
    put_lines(&lines, pen, shown);
    let room = rows.left();
    waveform(app, opened, pen, rows.take(if room > 24 { room * 2 / 5 } else { (room.saturating_sub(4)).min(9).max(room.min(7)) }));
    lists(app, opened, pen, rows.rest());
}

/// Rows that the A-scan has at least, with its title.
const WAVE_ROWS: u16 = 7;

/// As many lines as there is room for; what is cut has its key.
fn keeping(mut lines: Vec<(String, Role)>, room: usize) -> Vec<(String, Role)> {
    if lines.len() > room {
        lines.truncate(room.saturating_sub(1));
        lines.push(("more of it: i".to_owned(), Role::Quiet));
    }
    lines
}

fn put_lines(lines: &[(String, Role)], pen: &mut Pen, area: Rect) {
    for (row, (words, role)) in lines.iter().enumerate().take(usize::from(area.height)) {
        pen.put(area.x + 1, area.y + row as u16, area.width.saturating_sub(1), words, *role);
    }
}

fn lists(app: &App, opened: &Opened, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    let by_hand = hand::lines(app, &line_of(app, opened), pen.look.unit);
    let near = (opened.overview.wall.notes.len() + opened.overview.wall.marks.len() + by_hand.len()).min(6) as u16;
    let noted = if near > 0 { (near + 1).min(rows.left() / 2) } else { 0 };
    let spots = rows.left() - noted;
    let window = StretchWindow { step: opened.look.step(), first: 0, count: 0 };
    let glimpse = opened.overview.wall.glimpse(&WallAsk { window, lines: usize::from(area.height), spread: None });
    let proven = |spot: &Spot| opened.overview.runs.iter().find_map(|run| app.contents.force.proven(*run, spot));
    panels::spots_with(&glimpse, &proven, pen, rows.take(spots));
    noted_near(opened, by_hand, pen, rows.rest());
}

/// Notes and marks, the nearest to the cursor first.
fn noted_near(opened: &Opened, by_hand: Vec<(Option<Length>, i64, String)>, pen: &mut Pen, area: Rect) {
    if area.height < 2 {
        return;
    }
    let unit = pen.look.unit;
    let wall = &opened.overview.wall;
    pen.title(Rect { height: 1, ..area }, "notes and marks near", "");
    let place = |along: Option<Length>| along.map_or_else(String::new, |a| format!("{} {} ", unit.place(a), unit.place_symbol()));
    let notes = wall.notes.iter().map(|note| (note.along, note.at_us, safe_text(&note.text.words(unit))));
    let marks = wall.marks.iter().map(|mark| (mark.along, mark.at_us, format!("mark {} {}", mark.kind.word(), safe_text(&mark.text))));
    let mut all: Vec<_> = notes.chain(marks).chain(by_hand).collect();
    let far = |along: Option<Length>| match (along, opened.place()) {
        (Some(along), Some(here)) => (along - here).abs(),
        _ => Length::mm(f64::MAX),
    };
    all.sort_by(|a, b| far(a.0).total_cmp(&far(b.0)).then(b.1.cmp(&a.1)));
    for (row, (along, at_us, words)) in all.into_iter().enumerate().take(usize::from(area.height - 1)) {
        let words = format!("{}{} {words}", place(along), text::clock(at_us, pen.look.zone));
        pen.put(area.x + 1, area.y + 1 + row as u16, area.width.saturating_sub(1), &words, Role::Plain);
    }
}

/// Everything known of the reading at the cursor.
fn reading_lines(app: &App, opened: &Opened, limits: &Limits, (width, rows): (usize, usize), unit: LengthUnit) -> Vec<(String, Role)> {
    let Some(at) = opened.at else {
        let words = match opened.place() {
            Some(place) => format!("{}: not driven", text_place(place, unit)),
            None => "no reading".to_owned(),
        };
        return vec![(words, Role::Strong)];
    };
    let Some(reading) = opened.reading() else {
        return vec![(format!("fetching reading {}", at.row), Role::Quiet)];
    };
    let measurement = &reading.measurement;
    let symbol = unit.thickness_symbol();
    let level = if opened.moved == Length::ZERO { reading.level } else { limits.level(measurement, reading.place.course) };
    let course = reading.place.course.map_or_else(String::new, |course| format!(", course {course}"));
    let place = reading.place.along.map_or("no place".to_owned(), |along| text_place(along, unit));
    let validity = summary_of(app, opened, Some(at)).map(|summary| app.contents.validity(summary));
    let is_suspect = matches!(validity, Some(Validity::Suspect(_)));
    let value = match (measurement.thickness, measurement.uncertainty) {
        (Some(thickness), _) if is_suspect => format!("{} {symbol}, not valid", unit.thickness(thickness)),
        (Some(thickness), _) if measurement.is_for_even_wall_only() => format!("{} {symbol}, even wall only", unit.thickness(thickness)),
        (Some(thickness), Some(u)) => format!("{} {symbol} ±{} k=2", unit.thickness(thickness), unit.thickness(u * 2.0)),
        (Some(thickness), None) => format!("{} {symbol}, U unknown", unit.thickness(thickness)),
        (None, _) => "no echo".to_owned(),
    };
    let role = match level {
        Level::Thin => Role::Thin,
        Level::Watch => Role::Watch,
        _ => Role::Strong,
    };
    let glyph = app.look.glyphs.level(level);
    let mut lines = vec![(format!("{place}{course}"), Role::Strong), (format!("{glyph} {} {value}", level.word()), role)];
    lines.push((margin(&Reading { level, ..reading.clone() }, limits, unit), Role::Plain));
    let height = measurement.height_pct.map_or("height unknown".to_owned(), |height| format!("height {height:.0} %"));
    let snr = measurement.snr.map_or(String::new(), |snr| format!(", SNR {:.0} dB", snr.as_db()));
    let quality = match measurement.quality {
        Quality::None => "no thickness".to_owned(),
        quality => format!("quality {quality}"),
    };
    lines.push((format!("{height}{snr}, {quality}"), if measurement.quality == Quality::Poor { Role::Watch } else { Role::Plain }));
    let words = measurement.flags.iter().map(|flag| format!("{}: {}", flag.word(), flag.explanation()));
    let flags: Vec<(String, Role)> = words.flat_map(|words| text::wrap(&words, width)).map(|words| (words, Role::Watch)).collect();
    let behind = run_lines(app, opened, (at, reading), width);
    let room = rows.saturating_sub(lines.len() + behind.len());
    lines.extend(keeping(flags, room));
    lines.extend(behind);
    lines
}

/// Its number, and how the calibration of its run stands.
fn run_lines(app: &App, opened: &Opened, (at, reading): (At, &Reading), width: usize) -> Vec<(String, Role)> {
    let Some(summary) = summary_of(app, opened, Some(at)) else { return Vec::new() };
    let since = (reading.host_time_us - summary.start.started_us) as f64 / 1e6;
    let clock = if width >= 60 { text::day_and_clock } else { text::clock }(reading.host_time_us, app.look.zone);
    let mut lines = vec![(format!("row {}, seq {}, {clock}, {since:.2} s", at.row, reading.seq), Role::Plain)];
    let validity = app.contents.validity(summary);
    let role = if matches!(validity, Validity::Suspect(_)) { Role::Fault } else { Role::Plain };
    let words = format!("run {}: cal {}, {}", summary.id, header::word(&validity), validity.why(app.look.unit));
    lines.extend(text::wrap(&safe_text(&words), width).into_iter().take(2).map(|words| (words, role)));
    lines
}

fn text_place(place: Length, unit: LengthUnit) -> String {
    format!("{} {}", unit.place(place), unit.place_symbol())
}

fn margin(reading: &Reading, limits: &Limits, unit: LengthUnit) -> String {
    match (reading.measurement.thickness, limits.required(reading.place.course)) {
        (Some(_), Some(required)) if is_guarded(reading, limits) => {
            format!("its U reaches below {}", unit.thickness(required + limits.watch_margin))
        }
        (Some(thickness), Some(required)) if thickness < required => {
            format!("{} under the limit {}", unit.thickness(required - thickness), unit.thickness(required))
        }
        (Some(thickness), Some(required)) => {
            format!("{} over the limit {}", unit.thickness(thickness - required), unit.thickness(required))
        }
        (None, Some(required)) => format!("limit {}", unit.thickness(required)),
        (_, None) => "no limit known".to_owned(),
    }
}

fn waveform(app: &App, opened: &Opened, pen: &mut Pen, area: Rect) {
    if area.height < 4 {
        return;
    }
    pen.title(Rect { height: 1, ..area }, "A-scan", if app.wave_whole { "whole" } else { "" });
    let area = Rect { y: area.y + 1, height: area.height - 1, ..area };
    let inside = Rect { x: area.x + 1, width: area.width.saturating_sub(2), ..area };
    let summary = summary_of(app, opened, opened.at);
    let words = match (opened.at, opened.fetched().map(|shown| (&shown.waveform, &shown.reading)), summary) {
        (None, ..) => return,
        (_, Some((Ok(Some(waveform)), reading)), Some(summary)) => {
            let setup = app.contents.setup_at(summary, opened.at.map_or(0, |at| at.row));
            let wave = Wave { waveform, setup, measurement: Some(&reading.measurement), whole: app.wave_whole };
            let height = wave::draw(&wave, wave.height(), pen, inside);
            let label = format!("{height:.0} %");
            pen.put(inside.right().saturating_sub(label.len() as u16), inside.y, label.len() as u16, &label, Role::Quiet);
            return;
        }
        (_, Some((Ok(_), _)), _) => "this reading came without a waveform".to_owned(),
        (_, Some((Err(why), _)), _) => format!("its waveform cannot be read: {}", safe_text(why)),
        (_, None, _) => "fetching".to_owned(),
    };
    for (row, words) in text::wrap(&words, usize::from(inside.width)).iter().enumerate().take(usize::from(inside.height)) {
        pen.put(inside.x, inside.y + row as u16, inside.width, words, Role::Quiet);
    }
}

/// The stretch the cursor stands in, in a line.
fn stretch_line(opened: &Opened, limits: &Limits, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let overview = &opened.overview;
    let words = match opened.place() {
        None if overview.places.unplaced() > 0 => {
            format!("{} without a place, in the order they came", backwall_report::words::count(overview.places.unplaced(), "reading"))
        }
        None => String::new(),
        Some(_) if opened.single => {
            let passed = opened
                .at
                .zip(opened.window.as_ref())
                .map_or(0, |(at, window)| window.readings.iter().filter(|(known, _)| known.along() == at.along()).count());
            let unplaced = overview.places.unplaced();
            let rest = if unplaced > 0 { format!("; {unplaced} readings have no place") } else { String::new() };
            if passed > 1 { format!("single readings; {passed} at this place{rest}") } else { format!("single readings{rest}") }
        }
        Some(place) => {
            let step = opened.look.step();
            let from = step * (place / step).floor();
            let bin = if opened.moved == Length::ZERO {
                overview.wall.strip.stretch(from, from + step)
            } else {
                overview.judged(limits, from, from + step)
            };
            let range = format!("{} to {}", text_place(from, unit), text_place(from + step, unit));
            match (bin.least, bin.greatest) {
                (Some(least), Some(greatest)) => format!(
                    "{range}: {} to {} {}, {}, {} readings, {} without echo",
                    unit.thickness(least),
                    unit.thickness(greatest),
                    unit.thickness_symbol(),
                    bin.worst,
                    bin.read,
                    bin.lost
                ),
                _ if bin.lost > 0 => format!("{range}: no echo in {} readings", bin.lost),
                _ => format!("{range}: not driven"),
            }
        }
    };
    pen.put(area.x + 1, area.y, area.width - 1, &words, Role::Strong);
}

/// Whether every course that has a required thickness has the same.
fn requires_one(limits: &Limits) -> bool {
    let mut required = limits.courses.iter().filter_map(|course| course.required);
    let first = required.next();
    required.all(|other| Some(other) == first)
}

/// The limit in force on this screen, and what lies under it.
fn limit_line(opened: &Opened, limits: &Limits, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let course = opened.reading().and_then(|reading| reading.place.course).or(opened.overview.course);
    let here = limits.required(course).map_or("none here".to_owned(), |required| unit.thickness(required));
    let under = opened.under;
    let readings = backwall_report::words::count(under.readings, "reading");
    let under = format!("{readings}, {} under it", text::stretch(unit, under.wall));
    // What is counted has one name: the required thickness, of each course its own.
    let of = if requires_one(limits) { "" } else { " here" };
    let (words, role) = if opened.moved == Length::ZERO {
        (format!("required {here}{of}: {under}"), Role::Plain)
    } else {
        let sign = if opened.moved < Length::ZERO { "-" } else { "+" };
        let moved = format!("{sign}{}", unit.thickness(opened.moved.abs()));
        (format!("REQUIRED {moved} = {here}{of} on trial (0 returns): {under}"), Role::Watch)
    };
    pen.put(area.x + 1, area.y, area.width - 1, &text::clip(&words, usize::from(area.width - 1)), role);
}
