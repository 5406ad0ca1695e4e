//! Calibrate: the set-up in force and where it comes from, those before it, and the live waveform to set the gate by.

use super::pen::{Pen, Rows};
use super::wave::{self, Wave};
use crate::console::state::App;
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::ultrasound::Setup;
use crate::units::LengthUnit;
use ratatui::layout::Rect;

pub fn draw(app: &App, pen: &mut Pen, area: Rect) {
    let mut rows = Rows::of(area);
    if let Some(scan) = &app.scan
        && let Some(waveform) = &scan.view.waveform
    {
        let taken = rows.take((area.height / 2).min(16));
        let measurement = scan.view.reading.as_ref().map(|reading| &reading.measurement);
        let picture = Rect { y: taken.y + 1, height: taken.height - 1, ..taken };
        let height = wave::draw(&Wave { waveform, setup: &scan.view.setup, measurement, whole: app.wave_whole }, pen, picture);
        pen.title(Rect { height: 1, ..taken }, "live waveform", &format!("±{height:.0} %"));
    }
    pen.title(rows.take(1), "set-up in force", "e edits");
    let setup = app.setup();
    let (origin, by) = match app.contents.setups.last() {
        Some(entry) => {
            let at = text::day_and_clock(entry.by.at_us, app.look.utc_offset_s);
            (safe_text(&entry.origin), format!("{} ({}), {at}", safe_text(&entry.by.name), safe_text(&entry.by.certificate)))
        }
        None => ("as planned".to_owned(), "nobody has confirmed it here".to_owned()),
    };
    for (label, value) in values(&setup, pen.look.unit) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, 22, label, Role::Quiet);
        pen.put(taken.x + 22, taken.y, taken.width.saturating_sub(22), &value, Role::Strong);
    }
    for (label, value) in [("origin", origin), ("by", by)] {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, 22, label, Role::Quiet);
        let room = taken.width.saturating_sub(22);
        pen.put(taken.x + 22, taken.y, room, &text::clip(&value, usize::from(room)), Role::Plain);
    }
    let count = app.contents.setups.len();
    if count < 2 || rows.left() < 3 {
        return;
    }
    rows.take(1);
    pen.title(rows.take(1), "earlier set-ups", "");
    let rest = rows.rest();
    for (row, entry) in app.contents.setups.iter().rev().skip(1).enumerate().take(usize::from(rest.height)) {
        let at = text::day_and_clock(entry.by.at_us, app.look.utc_offset_s);
        let words = format!(
            "{at}  {:.0} m/s  zero {:.0} ns  {}  {}",
            entry.setup.velocity.as_m_s(),
            entry.setup.zero.as_ns(),
            safe_text(&entry.origin),
            safe_text(&entry.by.name)
        );
        pen.put(rest.x + 1, rest.y + row as u16, rest.width - 1, &text::clip(&words, usize::from(rest.width - 1)), Role::Plain);
    }
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
        ("change with heat", format!("{} m/s per kelvin", setup.velocity_slope_m_s_k)),
        ("zero", format!("{:.1} ns", setup.zero.as_ns())),
        ("element separation", length(setup.half_separation * 2.0)),
        ("probe", format!("{} MHz, from {}", setup.frequency.as_mhz(), length(setup.minimum))),
        ("gate", format!("{:.2} to {:.2} µs, over {} %", setup.gate.start.as_us(), setup.gate.end().as_us(), setup.gate.threshold_pct)),
        ("picker and mode", format!("{}, {}", setup.picker, setup.mode)),
    ]
}
