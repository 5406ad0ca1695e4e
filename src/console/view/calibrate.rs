//! Calibrate: the bench with the live waveform, its blocks and what they gave; without a stream the set-up in force,
//! where it comes from and how it stands.

mod bench;
mod plot;

use super::pen::{AreaRows, Pen};
use super::wave::{self, Wave};
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::live::bench::{check_words, encoder_words};
use backwall_survey::job::validity::Validity;
use backwall_ultrasound::Setup;
use backwall_units::LengthUnit;
use ratatui::layout::Rect;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    match &app.bench {
        Some(shown) if area.width >= 100 && area.height >= 30 => {
            let left = Rect { width: area.width * 3 / 5, ..area };
            let right = Rect { x: left.right() + 1, width: area.width - left.width - 1, ..area };
            pen.down(left.right(), area);
            bench::draw(app, shown, pen, left);
            let mut rows = AreaRows::of(right);
            plot::residuals(shown, pen, rows.take(area.height / 4));
            plot::pulse(shown, pen, rows.take(area.height / 4));
            in_force(app, pen, rows.rest());
        }
        Some(shown) => bench::draw(app, shown, pen, area),
        None => closed(app, pen, area),
    }
}

/// No stream is open: what is in force, and the waveform of a run if one is going.
fn closed(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    if let Some(scan) = &app.scan
        && let Some(waveform) = &scan.view.waveform
    {
        let taken = rows.take((area.height / 2).min(16));
        let measurement = scan.view.reading.as_ref().map(|reading| &reading.measurement);
        let picture = Rect { y: taken.y + 1, height: taken.height - 1, ..taken };
        let wave = Wave { waveform, setup: &scan.view.setup, measurement, whole: app.wave_whole };
        let height = wave::draw(&wave, wave.height(), pen, picture);
        pen.title(Rect { height: 1, ..taken }, "A-scan of the run", &format!("±{height:.0} %"));
    } else {
        let taken = rows.take(2);
        pen.put(taken.x + 1, taken.y, taken.width - 1, "b puts the probe on a block; l only opens its stream to look", Role::Strong);
    }
    in_force(app, pen, rows.rest());
}

/// `, channel 2 of 1, 2 (o: next)`, where several channels are read; which one, where it was chosen.
fn of_channel(app: &App) -> String {
    if app.chooses() && !app.seen.is_empty() {
        let chosen = app.chosen.as_ref().map_or("none chosen".to_owned(), |chosen| format!("channel {chosen}"));
        return safe_text(&format!(", {chosen} of {} (o: next)", app.seen.join(", ")));
    }
    let channels = app.channels();
    match (app.channel_on_bench(), channels.len()) {
        (None, _) => String::new(),
        (Some(channel), 1) => format!(", channel {}", safe_text(channel)),
        (Some(channel), _) => format!(", channel {} of {} (o: next)", safe_text(channel), safe_text(&channels.join(", "))),
    }
}

fn line(pen: &mut Pen, rows: &mut AreaRows, label: &str, value: &str, role: Role) {
    let taken = rows.take(1);
    if taken.height == 0 {
        return;
    }
    pen.put(taken.x + 1, taken.y, 21, label, Role::Quiet);
    pen.put(taken.x + 22, taken.y, taken.width.saturating_sub(22), value, role);
}

/// The same of words that may need more rows.
fn lines(pen: &mut Pen, rows: &mut AreaRows, label: &str, value: &str, most: usize) {
    let width = usize::from(rows.width().saturating_sub(22));
    for (row, words) in text::wrap_to(value, width, most).iter().enumerate() {
        line(pen, rows, if row == 0 { label } else { "" }, words, Role::Plain);
    }
}

/// How things stand, each whole as far as there is room.
fn put_standing(app: &App, pen: &mut Pen, rows: &mut AreaRows) {
    let width = usize::from(rows.width().saturating_sub(1));
    for (words, role) in standing(app) {
        for line in text::wrap_to(&words, width, 3) {
            let taken = rows.take(1);
            if taken.height > 0 {
                pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &line, role);
            }
        }
    }
}

/// The set-up in force, how it stands, and those before it.
fn in_force(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    let channel = app.channel_on_bench();
    pen.title(rows.take(1), &format!("set-up in force{}", of_channel(app)), "e edits");
    let setup = app.setup();
    let (origin, by) = match app.contents.setups_of(channel).last() {
        Some(entry) => {
            let at = text::short_day_and_clock(entry.by.at_us, app.look.zone);
            (
                safe_text(&entry.origin.words(app.look.unit)),
                format!("{} ({}), {at}", safe_text(&entry.by.name), safe_text(&entry.by.certificate)),
            )
        }
        None => ("as planned".to_owned(), "not confirmed here".to_owned()),
    };
    for (label, value) in values(&setup, pen.look.unit) {
        line(pen, &mut rows, label, &value, Role::Strong);
    }
    lines(pen, &mut rows, "origin", &origin, 3);
    lines(pen, &mut rows, "by", &by, 2);
    put_standing(app, pen, &mut rows);
    let count = app.contents.setups_of(channel).count();
    if count < 2 || rows.left() < 3 {
        return;
    }
    rows.take(1);
    pen.title(rows.take(1), "earlier set-ups", "");
    let rest = rows.rest();
    for (row, entry) in app.contents.setups_of(channel).rev().skip(1).enumerate().take(usize::from(rest.height)) {
        let at = text::day_and_clock(entry.by.at_us, app.look.zone);
        let words = format!(
            "{at}  {:.0} m/s  zero {:.0} ns  {}  {}",
            entry.setup.velocity.as_m_s(),
            entry.setup.zero.as_ns(),
            safe_text(&entry.origin.words(app.look.unit)),
            safe_text(&entry.by.name)
        );
        pen.put(rest.x + 1, rest.y + row as u16, rest.width - 1, &text::clip(&words, usize::from(rest.width - 1)), Role::Plain);
    }
}

/// Last verification, the runs that hang on it, last encoder check; a line each.
fn standing(app: &App) -> Vec<(String, Role)> {
    let offset = app.look.zone;
    let at = |at_us| match text::day(at_us, offset) == text::day(app.now_us, offset) {
        true => text::clock(at_us, offset),
        false => text::short_day_and_clock(at_us, offset),
    };
    let setup_id = app.contents.setups_of(app.channel_on_bench()).last().map(|entry| entry.id);
    let check = app.contents.checks.iter().rfind(|check| Some(check.setup_id) == setup_id);
    let check = match check {
        Some(check) => {
            let role = if check.passed() { Role::Plain } else { Role::Fault };
            (format!("{} {}", at(check.by.at_us), safe_text(&check_words(check).words(app.look.unit))), role)
        }
        None => ("not verified yet: v verifies on another block".to_owned(), Role::Watch),
    };
    let encoder = match app.contents.encoder_checks.last() {
        Some((check, by)) => {
            let role = if check.judge().is_ok() { Role::Plain } else { Role::Fault };
            (format!("{} {}", at(by.at_us), encoder_words(check).words(app.look.unit)), role)
        }
        None => ("encoder not checked here: d, over a measured distance".to_owned(), Role::Quiet),
    };
    let runs = |wanted: fn(&Validity) -> bool| -> Vec<String> {
        let contents = &app.contents;
        contents.runs.iter().filter(|run| wanted(&contents.validity(run))).map(|run| run.id.to_string()).collect()
    };
    let suspect = runs(|validity| matches!(validity, Validity::Suspect(_)));
    let pending = runs(|validity| matches!(validity, Validity::Pending(_)));
    let mut lines = vec![check];
    if !suspect.is_empty() {
        lines.push((format!("SUSPECT by a failed verification: {}", backwall_report::words::runs(&suspect)), Role::Fault));
    }
    if !pending.is_empty() {
        lines.push((format!("pending, not verified before and after: {}", backwall_report::words::runs(&pending)), Role::Plain));
    }
    lines.push(encoder);
    lines
}

/// A set-up in words, one value a line.
fn values(setup: &Setup, unit: LengthUnit) -> Vec<(&'static str, String)> {
    let velocity = match unit {
        LengthUnit::Mm => format!("{:.1} m/s", setup.velocity.as_m_s()),
        LengthUnit::Inch => format!("{:.5} in/µs ({:.1} m/s)", setup.velocity.as_inch_per_us(), setup.velocity.as_m_s()),
    };
    let length = |length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
    vec![
        ("velocity", format!("{velocity} at {:.1} °C", setup.block_temperature.as_celsius())),
        ("velocity change", format!("{} m/s per kelvin", setup.velocity_slope_m_s_k)),
        ("zero", format!("{:.1} ns", setup.zero.as_ns())),
        ("element separation", length(setup.half_separation * 2.0)),
        ("probe", format!("{} MHz, from {}", setup.frequency.as_mhz(), length(setup.minimum))),
        ("gate", format!("{:.2} to {:.2} µs, over {} %", setup.gate.start.as_us(), setup.gate.end().as_us(), setup.gate.threshold_pct)),
        ("picker and mode", format!("{}, {}", setup.picker, setup.mode)),
    ]
}
