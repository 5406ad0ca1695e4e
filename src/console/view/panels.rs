//! The small panels of the scan screen: spots, notes, link, histogram.

use super::pen::Pen;
use crate::console::glyphs::Shapes;
use crate::console::state::{App, ShownRun};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::engine::zero_words;
use crate::live::wall::{Glimpse, SpreadOf};
use backwall_report::words::count;
use backwall_store::Saved;
use backwall_survey::job::hand::Proven;
use backwall_survey::neighbours::Kind;
use backwall_survey::strip::{CourseLimits, Limits, Spot};
use backwall_ultrasound::ZeroKeeping;
use backwall_units::{Length, LengthUnit};
use ratatui::layout::Rect;

/// The alarm in words: `THIN at 4.035 m, 5.78 mm (0.42 under 6.20)`.
pub fn alarm_words(spot: &Spot, required: Option<Length>, unit: LengthUnit) -> String {
    let place = match spot.least_at {
        Some(at) => format!("at {} {}", unit.place(at), unit.place_symbol()),
        None => format!("at shot {}", spot.least_seq),
    };
    let kind = match spot.finding.map(|finding| finding.kind) {
        None | Some(Kind::Thinning) => String::new(),
        Some(kind) => format!(" {}", kind.word()),
    };
    let margin = match required {
        // What it is matters more than by how much.
        _ if !kind.is_empty() => String::new(),
        Some(required) if spot.least < required => {
            format!(" ({} under {})", unit.thickness(required - spot.least), unit.thickness(required))
        }
        Some(required) => format!(" ({} over {})", unit.thickness(spot.least - required), unit.thickness(required)),
        None => String::new(),
    };
    format!("{}{kind} {place}, {} {}{margin}", spot.level.word(), unit.thickness(spot.least), unit.thickness_symbol())
}

/// Spots, those nobody has acknowledged first, then the newest.
pub fn spots(wall: &Glimpse, pen: &mut Pen, area: Rect) {
    spots_with(wall, &|_| None, pen, area);
}

/// The same with what is known of each by hand or by other means.
pub fn spots_with(wall: &Glimpse, proven: &dyn Fn(&Spot) -> Option<Proven>, pen: &mut Pen, area: Rect) {
    if area.height == 0 {
        return;
    }
    let unit = pen.look.unit;
    let all = wall.all_spots;
    let count = if all == 0 { "none".to_owned() } else { format!("{} new of {all}", wall.open_spots) };
    pen.title(Rect { height: 1, ..area }, &format!("spots ({count})"), "");
    let room = usize::from(area.height - 1);
    let cut = all > room;
    for (row, spot) in wall.spots.iter().take(room).enumerate() {
        let y = area.y + 1 + row as u16;
        if cut && row + 1 == room && room > 1 {
            pen.put(area.x + 1, y, area.width - 1, &format!("and {} more", all - row), Role::Quiet);
            break;
        }
        let place = match spot.edges {
            Some((from, to)) => format!("{}-{} {}", unit.place(from), unit.place(to), unit.place_symbol()),
            None => format!("shot {}", spot.least_seq),
        };
        let length = spot.length().map_or_else(String::new, |length| text::stretch(unit, length));
        let style = pen.look.theme.level(spot.level);
        let glyph = pen.look.glyphs.level(spot.level);
        let wide = area.width >= 46;
        let word = if wide { format!("{glyph} {:<5}", spot.level.word()) } else { glyph.to_string() };
        let x = pen.put_style(area.x + 1, y, area.width - 1, &word, style) + 1;
        let least = unit.thickness(spot.least);
        let kind = spot.finding.filter(|finding| finding.kind != Kind::Thinning).map_or("", |finding| finding.kind.word());
        let proven = proven(spot);
        let state = match (proven, spot.acknowledged, wide) {
            (Some(proven), _, _) => proven.words(unit),
            (None, true, true) => "acknowledged".to_owned(),
            (None, true, false) => "ack.".to_owned(),
            (None, false, _) => "NEW".to_owned(),
        };
        let role = if spot.acknowledged || proven.is_some() { Role::Plain } else { Role::Strong };
        let words = if let (Some(proven), false) = (proven, wide) {
            // Where its edges have no room beside what was read by hand: its minimum, and what proves it.
            let at = spot.least_at.map_or_else(String::new, |at| format!("{} {} ", unit.place(at), unit.place_symbol()));
            let value = proven.value.map_or_else(String::new, |value| format!(" {}", unit.thickness(value)));
            format!("{at}{least} {}{value}", proven.word())
        } else if wide {
            format!("{place:<17} {least} {} {length:>7}  {state} {kind}", unit.thickness_symbol())
        } else {
            match kind {
                "" => format!("{place} {least} {length} {state}"),
                kind => format!("{place} {least} {kind} {state}"),
            }
        };
        pen.put(x, y, area.right().saturating_sub(x), words.trim_end(), role);
    }
}

/// The newest notes and marks.
pub fn notes(wall: &Glimpse, saved: &Saved, pen: &mut Pen, area: Rect, titled: bool) {
    if area.height == 0 {
        return;
    }
    let mut area = area;
    if titled {
        pen.title(Rect { height: 1, ..area }, "notes and marks", "");
        area = Rect { y: area.y + 1, height: area.height - 1, ..area };
    }
    let unit = pen.look.unit;
    let place = |along: Option<Length>| along.map_or_else(String::new, |a| format!("{} {} ", unit.place(a), unit.place_symbol()));
    let unsaved = |at_us: i64| if saved.fault.is_some() && at_us > saved.at_us { "NOT SAVED YET: " } else { "" };
    let mut lines: Vec<(i64, String)> = wall
        .newest_notes
        .iter()
        .rev()
        .take(usize::from(area.height))
        .map(|note| (note.at_us, format!("{}{}{}", unsaved(note.at_us), place(note.along), safe_text(&note.text.words(unit)))))
        .collect();
    lines.extend(wall.newest_marks.iter().rev().take(usize::from(area.height)).map(|mark| {
        let what = format!("{}{}mark {} {}", unsaved(mark.at_us), place(mark.along), mark.kind.word(), safe_text(&mark.text));
        (mark.at_us, what)
    }));
    lines.sort_by_key(|line| std::cmp::Reverse(line.0));
    if lines.is_empty() && !titled {
        pen.put(area.x + 1, area.y, area.width - 1, "no notes yet", Role::Quiet);
    }
    for (row, (at_us, words)) in lines.into_iter().take(usize::from(area.height)).enumerate() {
        let words = format!("{} {words}", text::clock(at_us, pen.look.zone));
        pen.put(area.x + 1, area.y + row as u16, area.width - 1, &text::clip(&words, usize::from(area.width - 1)), Role::Plain);
    }
}

fn age(scan: &ShownRun, now_us: i64) -> String {
    match scan.view.link.last_byte_us {
        Some(at) => {
            let seconds = ((now_us - at) as f64 / 1e6).max(0.0);
            if seconds < 10.0 { format!("{seconds:.1} s") } else { text::duration(seconds) }
        }
        None => "never".to_owned(),
    }
}

/// How far a replay is.
fn replayed(app: &App, scan: &ShownRun) -> String {
    let of = app.contents.any_run(scan.view.run).map_or(0, |run| run.readings).max(scan.view.counts.received);
    format!("reading {} of {of}", scan.view.counts.received)
}

fn replay_lines(app: &App, scan: &ShownRun) -> Vec<String> {
    let view = &scan.view;
    let offset = app.look.zone;
    let at = view.reading.as_ref().map_or_else(|| "-".to_owned(), |reading| text::day_and_clock(reading.host_time_us, offset));
    vec![
        replayed(app, scan),
        format!("read at {at}"),
        format!("{} without echo, {} too long", count(view.counts.no_echo, "reading"), count(view.counts.long_gaps, "stretch")),
        "nothing is measured or written now".to_owned(),
    ]
}

/// Link and counts in one line.
pub fn link_line(app: &App, scan: &ShownRun, pen: &mut Pen, area: Rect) {
    if area.height == 0 {
        return;
    }
    if scan.replay.is_some() {
        pen.put(area.x + 1, area.y, area.width - 1, &replayed(app, scan), Role::Quiet);
        return;
    }
    let now_us = app.now_us;
    let (link, counts) = (&scan.view.link, &scan.view.counts);
    let bad = link.dropped + counts.lost + link.overflow_bytes + counts.unsaved > 0;
    let clean = !bad && link.reconnects == 0;
    if let (true, Some((zero, _))) = (clean, &scan.view.zero) {
        let words = format!("link {}, nothing lost, zero {:+.0} ns", age(scan, now_us), zero.late.as_ns());
        pen.put(area.x + 1, area.y, area.width - 1, &words, Role::Quiet);
        return;
    }
    let counted = [
        (counts.lost, format!("lost {}", counts.lost)),
        (link.dropped, format!("dropped {}", link.dropped)),
        (link.overflow_bytes, format!("overflow {}", text::bytes(link.overflow_bytes))),
        (link.reconnects, format!("reconnects {}", link.reconnects)),
    ];
    let said = counted.into_iter().filter(|(count, _)| *count > 0).map(|(_, words)| format!(", {words}")).collect::<String>();
    let said = if said.is_empty() { ", nothing lost".to_owned() } else { said };
    let words = text::clip(&format!("link {}{said}", age(scan, now_us)), usize::from(area.width.saturating_sub(1)));
    pen.put(area.x + 1, area.y, area.width - 1, &words, if bad { Role::Watch } else { Role::Quiet });
}

fn zero_of(scan: &ShownRun, unit: LengthUnit) -> String {
    match &scan.view.zero {
        None => "not watched: no second echo".to_owned(),
        Some((zero, length)) => {
            let kept = if scan.view.setup.zero_keeping == ZeroKeeping::Tracked { "tracked" } else { "fixed" };
            format!("{}, {kept}", zero_words(zero, *length).words(unit))
        }
    }
}

/// Link, counts and telemetry, one a line.
pub fn link(app: &App, scan: &ShownRun, pen: &mut Pen, area: Rect) {
    if area.height == 0 {
        return;
    }
    if scan.replay.is_some() {
        pen.title(Rect { height: 1, ..area }, "replay, not live", "");
        for (row, words) in replay_lines(app, scan).iter().enumerate().take(usize::from(area.height - 1)) {
            pen.put(area.x + 1, area.y + 1 + row as u16, area.width - 1, words, Role::Plain);
        }
        return;
    }
    let now_us = app.now_us;
    let view = &scan.view;
    let (link, counts) = (&view.link, &view.counts);
    let state = match (link.up, &link.fault) {
        (false, _) => "DOWN",
        (true, Some(_)) => "UP, FAULT",
        (true, None) => "UP",
    };
    pen.title(Rect { height: 1, ..area }, "link and device", state);
    let telemetry = &view.telemetry;
    let watch = |bad: bool| if bad { Role::Watch } else { Role::Plain };
    let lines: [(String, Role); 15] = [
        (format!("stream       {}", safe_text(&link.what)), Role::Plain),
        (format!("device       {}", telemetry.device.as_deref().map_or("not sent".to_owned(), safe_text)), Role::Plain),
        (format!("rate         {:.0} shots/s", link.rate_hz), Role::Plain),
        (format!("zero         {}", zero_of(scan, pen.look.unit)), Role::Plain),
        (format!("last byte    {} ago", age(scan, now_us)), watch(scan.stale_s(now_us).is_some())),
        (format!("received     {}, {}", count(counts.received, "reading"), text::bytes(link.bytes)), Role::Plain),
        (
            format!("no echo      {}, {} too long", count(counts.no_echo, "reading"), count(counts.long_gaps, "stretch")),
            watch(counts.long_gaps > 0),
        ),
        (format!("lost         {} never came", count(counts.lost, "shot")), watch(counts.lost > 0)),
        (format!("dropped      {} broken, {} unknown", count(link.dropped, "frame"), link.unknown), watch(link.dropped > 0)),
        (format!("overflow     {}", text::bytes(link.overflow_bytes)), watch(link.overflow_bytes > 0)),
        (format!("reconnects   {}, {}", link.reconnects, count(counts.stalls, "stall")), watch(link.reconnects + counts.stalls > 0)),
        (
            format!("saved        {}, {:.1} s behind", count(view.saved.readings, "reading"), scan.lag_s(now_us)),
            watch(scan.lag_s(now_us) > 0.5),
        ),
        (format!("job file     {}", text::bytes(view.saved.file_bytes)), Role::Plain),
        (
            format!("battery      {}", telemetry.battery_mv.map_or("not sent".to_owned(), |mv| format!("{:.2} V", f64::from(mv) / 1e3))),
            Role::Plain,
        ),
        (
            format!(
                "surface      {}",
                telemetry.surface_temperature.map_or("not sent".to_owned(), |t| format!("{:.1} °C", t.as_celsius()))
            ),
            Role::Plain,
        ),
    ];
    for (row, (words, role)) in lines.iter().enumerate().take(usize::from(area.height - 1)) {
        pen.put(area.x + 1, area.y + 1 + row as u16, area.width - 1, words, *role);
    }
}

/// The course an upright line's spread is of at a place, if it lies in one.
fn course_at(limits: &Limits, at: Option<Length>) -> Option<&CourseLimits> {
    at.and_then(|at| limits.courses.iter().find(|course| at >= course.bottom && at < course.top))
}

/// What the spread of a place is of: its course, else the whole line.
pub fn spread_of(limits: &Limits, at: Option<Length>) -> SpreadOf {
    course_at(limits, at).map_or(SpreadOf::Line, |course| SpreadOf::Course(course.number))
}

/// From a little under what was read and is required to a little over what was read and is nominal: rows are spent where something can be.
fn histogram_span(spread: &[(Length, u32)], required: Option<Length>, nominal: Length) -> (Length, Length) {
    let read = || spread.iter().map(|(least, _)| *least);
    let low = read().chain(required).fold(nominal, Length::min);
    let high = read().fold(nominal, Length::max);
    let room = (high - low) * 0.05 + Length::mm(0.1);
    ((low - room).max(Length::ZERO), high + room)
}

/// How much of the course has which thickness; each millimetre driven counts once, with its least reading.
pub fn histogram(wall: &Glimpse, limits: &Limits, at: Option<Length>, pen: &mut Pen, area: Rect) {
    if area.height < 3 {
        return;
    }
    let unit = pen.look.unit;
    let course = course_at(limits, at);
    let name = course.map_or("thickness along the line".to_owned(), |course| format!("thickness in course {}", course.number));
    if !wall.is_driven {
        pen.title(Rect { height: 1, ..area }, &name, "");
        return;
    }
    let nominal = course.map(|course| course.nominal).or(limits.nominal(None)).unwrap_or(Length::mm(10.0));
    let required = course.map_or(limits.required(None), |course| course.required);
    let rows = usize::from(area.height - 1);
    let (low, high) = histogram_span(&wall.spread, required, nominal);
    let class = (high - low) / rows as f64;
    let mut counts = vec![0u32; rows];
    for (least, count) in &wall.spread {
        counts[(((*least - low) / class).max(0.0) as usize).min(rows - 1)] += count;
    }
    let lost = wall.without_echo;
    pen.title(Rect { height: 1, ..area }, &name, &format!("{} without echo", text::stretch(unit, Length::mm(f64::from(lost)))));
    let most = counts.iter().copied().max().unwrap_or(0).max(1);
    let shapes = pen.look.glyphs.shapes();
    const LABEL: u16 = 9;
    let cells = usize::from(area.width.saturating_sub(LABEL + 10));
    for row in 0..rows {
        let index = rows - 1 - row;
        let y = area.y + 1 + row as u16;
        let from = low + class * index as f64;
        let under = required.is_some_and(|required| from < required);
        let role = if under { Role::Watch } else { Role::Plain };
        let limit = required.is_some_and(|required| required >= from && required < from + class);
        pen.put(area.x + 1, y, LABEL, &format!("{:>6}{}", unit.thickness(from), if limit { shapes.required } else { ' ' }), role);
        // A class with anything in it shows at least its first stroke: a single thin millimetre must not vanish.
        let width = f64::from(counts[index]) / f64::from(most) * cells as f64;
        let width = if counts[index] > 0 { width.max(1.0) } else { 0.0 };
        for (offset, c) in Shapes::bar(shapes.across, width, cells).enumerate() {
            pen.cell(area.x + LABEL + offset as u16, y, c, role);
        }
        if counts[index] > 0 {
            let length = text::stretch(unit, Length::mm(f64::from(counts[index])));
            pen.put(area.x + LABEL + width.ceil() as u16 + 1, y, 9, &length, Role::Quiet);
        }
    }
}
