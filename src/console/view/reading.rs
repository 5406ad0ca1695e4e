//! The reading: the largest thing on screen, with everything that says how far to trust it. What is old or absent
//! never stands there as if it were now.

use super::digits;
use super::header;
use super::pen::Pen;
use crate::console::origin::is_guarded;
use crate::console::state::{App, ShownRun};
use crate::console::text;
use crate::console::theme::Role;
use crate::live::{Disagreement, Phase};
use backwall_survey::job::validity::Validity;
use backwall_survey::reading::Reading;
use backwall_survey::strip::Level;
use backwall_ultrasound::{Flag, Flags, Quality};
use backwall_units::LengthUnit;
use ratatui::layout::Rect;

/// What stands where no thickness does.
const NO_NUMBER: &str = "-.--";

/// Rows the reading takes.
pub fn height(pen: &Pen) -> u16 {
    digits::height(pen.look.glyphs) + 3
}

pub fn draw(app: &App, scan: &ShownRun, pen: &mut Pen, area: Rect) {
    let calibration = app.calibration_of(scan);
    let what = if scan.replay.is_some() { "REPLAY" } else { "wall" };
    let title = format!("{what}, cal {}", header::word(&calibration));
    let Some(reading) = &scan.view.reading else {
        pen.title(Rect { height: 1, ..area }, &title, "");
        let words = if scan.is_over() {
            "no reading came in this run"
        } else if scan.replay.is_some() {
            "the run is being read"
        } else {
            "waiting for the first shot"
        };
        pen.put(area.x + 1, area.y + 2, area.width - 1, words, Role::Plain);
        before_the_first(scan, pen, Rect { y: area.y + 3, height: 2, ..area });
        return;
    };
    let stale = scan.stale_s(app.now_us);
    let word = word_of(scan, reading, stale, pen);
    pen.title(Rect { height: 1, ..area }, &title, "");
    if matches!(calibration, Validity::Suspect(_)) {
        pen.put(area.x + 2, area.y, area.width.saturating_sub(2), &title, Role::Fault);
    }
    let style = if stale.is_some() { pen.look.theme.style(Role::Fault) } else { pen.look.theme.level(reading.level) };
    let width = (text::columns(&word) + 2) as u16;
    pen.put_style(area.right().saturating_sub(width + 1), area.y, width, &format!(" {word} "), style);

    let unit = pen.look.unit;
    let value = match (reading.measurement.thickness, stale) {
        (Some(thickness), None) => unit.thickness(thickness),
        _ => NO_NUMBER.to_owned(),
    };
    let tall = digits::height(pen.look.glyphs);
    let room = Rect { x: area.x + 1, y: area.y + 1, width: area.width.saturating_sub(18), height: tall };
    let role = if reading.level == Level::Thin { Role::Strong } else { Role::Plain };
    let used = digits::draw(pen, room, &value, pen.look.theme.style(role));
    if stale.is_some() {
        // All of it is of then, not of now: none of it stays behind alone.
        let words = "no number, margin, height, speed now";
        pen.put(area.x + 1, area.y + 1 + tall, area.width - 1, &text::clip(words, usize::from(area.width - 1)), Role::Plain);
        return;
    }
    let x = area.x + 1 + used.max(area.width.min(44) / 2) + 1;
    for (row, (words, role)) in details(scan, reading, unit).into_iter().enumerate().take(usize::from(tall)) {
        pen.put(x, area.y + 1 + row as u16, area.right().saturating_sub(x), &words, role);
    }
    speed(scan, reading, pen, Rect { y: area.y + 1 + tall, height: 1, ..area });
    trust(scan, reading, pen, Rect { y: area.y + 2 + tall, height: 1, ..area });
}

/// What is required where the run starts, before anything was read there.
fn before_the_first(scan: &ShownRun, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let (limits, course) = (&scan.view.limits, scan.view.course);
    let (Some(required), Some(number)) = (limits.required(course), course) else {
        pen.put(area.x + 1, area.y, area.width - 1, "no limit known where the run starts", Role::Plain);
        return;
    };
    let watch = required + limits.watch_margin;
    let symbol = unit.thickness_symbol();
    let words = format!("course {number}: required {}, watch {} {symbol}", unit.thickness(required), unit.thickness(watch));
    pen.put(area.x + 1, area.y, area.width - 1, &words, Role::Plain);
    if let Some(nominal) = limits.nominal(course) {
        pen.put(area.x + 1, area.y + 1, area.width - 1, &format!("nominal {} {symbol}", unit.thickness(nominal)), Role::Plain);
    }
}

fn word_of(scan: &ShownRun, reading: &Reading, stale: Option<f64>, pen: &Pen) -> String {
    match (&scan.view.phase, stale) {
        (_, Some(age)) => format!("OLD {}", text::duration(age)),
        (Phase::Ended(_) | Phase::Failed(_), _) => format!("LAST {} {}", pen.look.glyphs.level(reading.level), reading.level.word()),
        _ if is_guarded(reading, &scan.view.limits) => format!("{} {} by doubt", pen.look.glyphs.doubt(), reading.level.word()),
        _ => format!("{} {}", pen.look.glyphs.level(reading.level), reading.level.word()),
    }
}

/// Beside the digits: uncertainty, margin, echo, place.
fn details(scan: &ShownRun, reading: &Reading, unit: LengthUnit) -> Vec<(String, Role)> {
    let measurement = &reading.measurement;
    let symbol = unit.thickness_symbol();
    let mut lines = Vec::new();
    match (measurement.thickness, measurement.uncertainty) {
        (Some(_), _) if measurement.is_for_even_wall_only() => lines.push((format!("{symbol} even wall only"), Role::Plain)),
        // U at k = 2: GUM (JCGM 100:2008) 6.2.
        (Some(_), Some(u)) => lines.push((format!("{symbol} ±{} k=2", unit.thickness(u * 2.0)), Role::Plain)),
        (Some(_), None) => lines.push((format!("{symbol}, U unknown"), Role::Plain)),
        (None, _) => lines.push(("no echo".to_owned(), Role::Strong)),
    }
    let required = scan.view.limits.required(reading.place.course);
    lines.push(match (measurement.thickness, required) {
        (Some(_), Some(required)) if is_guarded(reading, &scan.view.limits) => {
            (format!("U under {}", unit.thickness(required + scan.view.limits.watch_margin)), Role::Watch)
        }
        (Some(thickness), Some(required)) if thickness < required => {
            (format!("{} under {}", unit.thickness(required - thickness), unit.thickness(required)), Role::Watch)
        }
        (Some(thickness), Some(required)) => {
            (format!("{} over {}", unit.thickness(thickness - required), unit.thickness(required)), Role::Plain)
        }
        (None, Some(required)) => (format!("required {}", unit.thickness(required)), Role::Plain),
        (_, None) => ("no limit known".to_owned(), Role::Plain),
    });
    let height = measurement.height_pct.map_or_else(String::new, |height| format!("FSH {height:.0}%"));
    let snr = measurement.snr.map_or_else(String::new, |snr| format!("SNR {:.0} dB", snr.as_db()));
    if measurement.height_pct.is_some() || measurement.snr.is_some() {
        lines.push((format!("{height} {snr}").trim().to_owned(), Role::Plain));
    } else {
        lines.push((measurement.flags.iter().next().map_or("no height", |flag| flag.word()).to_owned(), Role::Plain));
    }
    let course = reading.place.course.map_or_else(String::new, |course| format!(" course {course}"));
    lines.push(match reading.place.along {
        Some(along) => (format!("{} {}{course}", unit.place(along), unit.place_symbol()), Role::Strong),
        None => (format!("no place{course}"), Role::Strong),
    });
    lines
}

fn speed(scan: &ShownRun, reading: &Reading, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let limit = scan.view.max_speed;
    let Some(speed) = reading.place.speed else {
        pen.put(area.x + 1, area.y, area.width - 1, "speed not known yet", Role::Quiet);
        return;
    };
    let fast = speed.abs() > limit;
    let words = format!("speed {} of {} {}", unit.speed(speed), unit.speed(limit), unit.speed_symbol());
    let x = pen.put(area.x + 1, area.y, area.width - 1, &words, if fast { Role::Watch } else { Role::Plain }) + 1;
    if fast {
        pen.put(x, area.y, area.right().saturating_sub(x), "TOO FAST", Role::Watch);
        return;
    }
    let cells = area.right().saturating_sub(x + 2).min(24);
    let shapes = pen.look.glyphs.shapes();
    let full = f64::from(cells) * (speed.abs() / limit.max(backwall_units::Speed::mm_s(1e-6)));
    for (offset, c) in crate::console::glyphs::Shapes::bar(shapes.across, full, usize::from(cells)).enumerate() {
        pen.cell(x + offset as u16, area.y, c, Role::Plain);
    }
    pen.cell(x + cells, area.y, shapes.divider, Role::Quiet);
}

/// Both readings of the wall and the key; what the keys do and the quality where there is room.
fn disagreement(found: &Disagreement, quality: &str, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let (room, full) = (usize::from(area.width - 1), format!("{}: E", found.words(unit)));
    let words = if text::columns(&full) <= room { full } else { format!("{}: E", found.short_words(unit)) };
    let x = pen.put(area.x + 1, area.y, area.width - 1, &words, Role::Watch);
    let rest = area.right().saturating_sub(x);
    if rest > 20 {
        pen.put(x, area.y, rest, &text::clip(&format!(" reads so from here on; {quality}"), usize::from(rest)), Role::Plain);
    }
}

/// The flags behind what is said, as fully as there is room: explained, named, or the first named and the others counted. None is cut in
/// the middle, and how many there are always shows.
fn flagged(words: &str, flags: Flags, width: usize) -> String {
    let all: Vec<Flag> = flags.iter().collect();
    let Some(first) = all.first() else { return words.to_owned() };
    let names: Vec<&str> = all.iter().map(|flag| flag.word()).collect();
    let counted = |first: &str| match all.len() {
        1 => format!("{words}: {first}"),
        more => format!("{words}: {first} +{}", more - 1),
    };
    let explained = (all.len() == 1).then(|| format!("{words}: {}", first.explanation()));
    let fits = |line: &String| text::columns(line) <= width;
    let short = || match all.len() {
        1 => format!("{words}, 1 flag"),
        more => format!("{words}, {more} flags"),
    };
    explained.into_iter().chain([format!("{words}: {}", names.join(" ")), counted(first.word())]).find(fits).unwrap_or_else(short)
}

/// Quality and flags in words; a gap longer than allowed comes first.
fn trust(scan: &ShownRun, reading: &Reading, pen: &mut Pen, area: Rect) {
    let unit = pen.look.unit;
    let measurement = &reading.measurement;
    let width = usize::from(area.width - 1);
    let (words, role) = match scan.view.gap {
        Some(gap) => {
            let long = gap > scan.view.max_gap;
            let over = if long { ", TOO LONG" } else { "" };
            let (gap, most) = (text::stretch(unit, gap), text::stretch(unit, scan.view.max_gap));
            (flagged(&format!("no echo for {gap} of {most}{over}"), measurement.flags, width), if long { Role::Watch } else { Role::Plain })
        }
        None => {
            let mut words = match measurement.quality {
                Quality::None => "no thickness".to_owned(),
                quality => format!("quality {quality}"),
            };
            if let Some(required) = scan.view.limits.required(reading.place.course).filter(|_| is_guarded(reading, &scan.view.limits)) {
                words = format!("{words}: its U reaches below {}", unit.thickness(required + scan.view.limits.watch_margin));
            }
            if let Some(coating) = &measurement.coating {
                words = format!("{words}, {}", text::coating(unit, coating));
            }
            let words = flagged(&words, measurement.flags, width);
            if let Some(found) = &scan.view.disagreement {
                return disagreement(found, &words, pen, area);
            }
            let role = if measurement.quality == Quality::Poor { Role::Watch } else { Role::Plain };
            (words, role)
        }
    };
    pen.put(area.x + 1, area.y, area.width - 1, &text::clip(&words, width), role);
}
