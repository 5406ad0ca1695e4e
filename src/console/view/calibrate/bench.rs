//! The bench: live waveform (or what was learned), what the probe is on, the table of blocks, the result in words.

use super::plot;
use super::standing;
use crate::console::state::{App, BenchShown, RunPicture};
use crate::console::text::{self, safe_text};
use crate::console::theme::Role;
use crate::console::view::pen::{AreaRows, Pen};
use crate::console::view::wave::{self, Wave};
use crate::live::bench::{BenchView, FitState, Hold, NO_WAVEFORM};
use backwall_survey::reading::GaugeValue;
use backwall_ultrasound::STABLE_SHOTS;
use backwall_units::{Length, LengthUnit, Wording};
use ratatui::layout::Rect;

pub fn draw(app: &App, shown: &BenchShown, pen: &mut Pen, area: Rect) {
    let mut rows = AreaRows::of(area);
    let width = usize::from(area.width.saturating_sub(2));
    let result: Vec<(String, Role)> = result(shown, pen.look.unit)
        .into_iter()
        .flat_map(|(words, role)| text::wrap(&safe_text(&words), width).into_iter().map(move |line| (line, role)))
        .collect();
    if shown.picture == RunPicture::Words {
        lines(&result, pen, &mut rows, "result in full", 0);
        return;
    }
    let standing: Vec<(String, Role)> = standing(app)
        .into_iter()
        .flat_map(|(words, role)| text::wrap_to(&words, width, 2).into_iter().map(move |line| (line, role)))
        .collect();
    let blocks = shown.view.blocks.len() as u16;
    let wanted = 2 + 2 + blocks.min(6) + 1 + (result.len() as u16).clamp(1, 9) + standing.len() as u16;
    let picture = rows.take(area.height.saturating_sub(wanted).clamp(8, (area.height * 3 / 5).max(8)));
    match shown.picture {
        RunPicture::Residuals => plot::residuals(shown, pen, picture),
        RunPicture::Pulse => plot::pulse(shown, pen, picture),
        RunPicture::Wave | RunPicture::Words => live(app, shown, pen, picture),
    }
    let (words, role) = match (shown.stale_s(app.now_us), &shown.view.link.fault) {
        // An old number never stands there as if it were now.
        (Some(age), Some(fault)) => (format!("LINK DOWN for {}: {}", text::duration(age), safe_text(fault)), Role::Fault),
        (Some(age), None) => (format!("NO DATA from the probe for {}: check the link", text::duration(age)), Role::Fault),
        (None, _) => hold(app, &shown.view),
    };
    for line in &text::wrap_to(&words, width, 3) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, line, role);
    }
    // Title, result title, at least two lines of result, and how things stand.
    let room = rows.left().saturating_sub(1 + 2 + standing.len() as u16);
    if blocks > 0 {
        table(shown, pen, rows.take(room.min(2 + blocks)));
    }
    lines(&result, pen, &mut rows, "result", standing.len() as u16);
    for (words, role) in standing {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width.saturating_sub(1), &words, role);
    }
}

/// As many of `all` as there is room for, `keep` rows left free; what is cut says where the rest is.
fn lines(all: &[(String, Role)], pen: &mut Pen, rows: &mut AreaRows, name: &str, keep: u16) {
    let room = usize::from(rows.left().saturating_sub(1 + keep));
    let cut = all.len() > room;
    pen.title(rows.take(1), name, if cut { "c shows all" } else { "" });
    for (words, role) in all.iter().take(room) {
        let taken = rows.take(1);
        pen.put(taken.x + 1, taken.y, taken.width - 1, words, *role);
    }
}

fn live(app: &App, shown: &BenchShown, pen: &mut Pen, area: Rect) {
    let view = &shown.view;
    let title = Rect { height: 1, ..area };
    let of_channel = super::of_channel(app);
    let name = match &view.ended {
        Some(why) => format!("NO SHOTS: {}", safe_text(why)),
        // An old waveform never stands there as if it were now.
        None if shown.stale_s(app.now_us).is_some() => format!("OLD: {}{of_channel}", safe_text(&view.link.what)),
        None if view.link.what.is_empty() => format!("live{of_channel}"),
        None => format!("live: {}{of_channel}", safe_text(&view.link.what)),
    };
    let (Some(waveform), Some(setup)) = (&view.waveform, &view.setup) else {
        pen.title(title, &name, "");
        let words = match (&view.ended, view.by_device) {
            (Some(_), _) => "l closes and opens it again".to_owned(),
            (None, Some(GaugeValue::Thickness(Some(length)))) => {
                let unit = app.look.unit;
                format!("the device reads {} {}", unit.thickness(length), unit.thickness_symbol())
            }
            (None, Some(GaugeValue::EchoTime(Some(time)))) => format!("the device has an echo at {:.3} µs", time.as_us()),
            (None, Some(_)) => "the device has no echo".to_owned(),
            (None, None) => "no data from the probe yet; b puts it on a block".to_owned(),
        };
        let words = &words;
        pen.put(area.x + 1, area.y + 1, area.width - 1, words, Role::Plain);
        return;
    };
    let picture = Rect { y: area.y + 1, height: area.height - 1, ..area };
    let measurement = view.measurement.as_ref();
    let wave = Wave { waveform, setup, measurement, whole: app.wave_whole };
    let height = wave::draw(&wave, wave.height(), pen, picture);
    let echo = measurement.and_then(|m| m.height_pct).map_or("no echo".to_owned(), |pct| format!("echo {pct:.0} %"));
    let tail = format!("{echo}, gate {:.0} %, ±{height:.0} %", setup.gate.threshold_pct);
    pen.title(title, &text::clip(&name, usize::from(area.width).saturating_sub(tail.len() + 6)), &tail);
}

/// What there is to do where no waveform has come.
fn waiting_words(view: &BenchView) -> String {
    match view.by_device {
        Some(_) => NO_WAVEFORM.to_owned(),
        None => "b: a block; v: a block to verify on; d: a measured distance".to_owned(),
    }
}

/// What the probe is on and how steady it is there.
fn hold(app: &App, view: &BenchView) -> (String, Role) {
    let unit = app.look.unit;
    let symbol = unit.thickness_symbol();
    let fine = |length| text::fine(unit, length);
    let stability = view.stability;
    let reading = match stability.and_then(|s| s.mean.map(|mean| (mean, s))) {
        Some((mean, s)) => format!("it reads {} {symbol}, spread {}, {} of {STABLE_SHOTS} shots", fine(mean), fine(s.spread), s.readings),
        None if matches!(view.hold, Some(Hold::Block(_))) => "no echo where one is due, Enter says why".to_owned(),
        None => "no echo in the gate".to_owned(),
    };
    let steady = stability.is_some_and(|stability| stability.stable);
    let now = if steady { "STEADY, Enter takes it" } else { "NOT STEADY, hold it still" };
    let role = if steady { Role::Strong } else { Role::Watch };
    match &view.hold {
        None if view.waveform.is_none() => (waiting_words(view), Role::Quiet),
        None => {
            let with = match (view.fitted(), app.contents.setups_of(app.channel_on_bench()).last()) {
                (Some(_), _) => "with the new calibration",
                (None, Some(_)) => "with the set-up in force",
                (None, None) => "with the plan's values",
            };
            match view.measurement.and_then(|m| m.thickness.map(|t| (t, m))) {
                Some((thickness, m)) => {
                    let u = m.uncertainty.map_or(String::new(), |u| format!(" ±{}", unit.thickness(u * 2.0)));
                    let coating = m.coating.map_or(String::new(), |coating| format!(", {}", text::coating(unit, &coating)));
                    (format!("{} {symbol}{u} {with}{coating}", unit.thickness(thickness)), Role::Plain)
                }
                None => {
                    let why = view.measurement.and_then(|m| m.flags.iter().next()).map_or("", |flag| flag.explanation());
                    (format!("no thickness: {why}"), Role::Plain)
                }
            }
        }
        Some(Hold::Block(piece)) => {
            (format!("BLOCK {} {symbol} ({}): {now}. With typed values {reading}", fine(piece.thickness), safe_text(&piece.serial)), role)
        }
        Some(Hold::Verify { piece, tolerance }) => (
            format!("VERIFY {} ±{} {symbol} ({}): {now}. Now {reading}", fine(piece.thickness), fine(*tolerance), safe_text(&piece.serial)),
            role,
        ),
        Some(Hold::Encoder { distance }) => match view.travelled {
            None => (format!("DISTANCE {}: go to its start, Enter marks it", text::stretch(unit, *distance)), Role::Strong),
            Some(counts) => {
                let driven = Length::mm(counts as f64 / app.contents.plan.encoder.counts_per_mm);
                let driven = Wording::default().length(driven, 1).words(unit);
                let distance = text::stretch(unit, *distance);
                (format!("DISTANCE {distance}: {counts} counts, {driven} by the set scale; at the mark Enter takes it"), Role::Strong)
            }
        },
    }
}

/// One row a block: true, read, error, spread, shots.
fn table(shown: &BenchShown, pen: &mut Pen, area: Rect) {
    let view = &shown.view;
    if area.height < 2 {
        return;
    }
    let unit = pen.look.unit;
    let velocity = if shown.keep_velocity { "velocity kept as typed" } else { "" };
    pen.title(Rect { height: 1, ..area }, "blocks", velocity);
    let head = format!("{:>8} {:>8} {:>8} {:>7} {:>5} {:>6}  serial", "true", "read", "error", "spread", "shots", "C");
    pen.put(area.x + 1, area.y + 1, area.width - 1, &head, Role::Quiet);
    let room = usize::from(area.height - 2);
    let skip = view.blocks.len().saturating_sub(room);
    for (row, (index, taken)) in view.blocks.iter().enumerate().skip(skip).enumerate() {
        let point = view.fitted().map(|fitted| fitted.point(index));
        let (read, error) = match point {
            Some(Some(point)) => (text::fine(unit, point.measured), text::signed(unit, point.error)),
            Some(None) => ("left out".to_owned(), "-".to_owned()),
            None => ("-".to_owned(), "-".to_owned()),
        };
        let words = format!(
            "{:>8} {read:>8} {error:>8} {:>7} {:>5} {:>6.1}  {}",
            text::fine(unit, taken.piece.thickness),
            text::fine(unit, taken.taken.stability.spread),
            taken.taken.shots.len(),
            taken.temperature.as_celsius(),
            safe_text(&taken.piece.serial)
        );
        pen.put(area.x + 1, area.y + 2 + row as u16, area.width - 1, &words, Role::Plain);
    }
}

/// What the blocks gave, in words.
fn result(shown: &BenchShown, unit: LengthUnit) -> Vec<(String, Role)> {
    match &shown.view.fit {
        FitState::None => {
            vec![("take two or more blocks: one under and one over the walls to be measured, and some between".to_owned(), Role::Quiet)]
        }
        FitState::Working => vec![("working it out ...".to_owned(), Role::Quiet)],
        FitState::Refused(why) => vec![(format!("NOT POSSIBLE: {why}"), Role::Error)],
        FitState::Done(fitted) => {
            let calibration = &fitted.calibration;
            let numbers = format!(
                "{:.1} m/s{}, zero {:.1} ns, separation {} {}",
                calibration.velocity.as_m_s(),
                if calibration.velocity_fitted { "" } else { " (typed)" },
                calibration.zero.as_ns(),
                unit.thickness(calibration.half_separation * 2.0),
                unit.thickness_symbol()
            );
            let mut lines = vec![(numbers, Role::Strong)];
            lines.extend(fitted.verdict.warns.iter().map(|words| (format!("WARNING: {words}"), Role::Watch)));
            lines.extend(fitted.verdict.says.iter().map(|words| (words.clone(), Role::Plain)));
            lines
        }
    }
}
