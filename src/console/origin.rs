//! Where a number comes from: every input of one reading, from the shot to the blocks, with what its uncertainty is
//! made of. Made again from the waveform on the way, as the job file's check would.

use super::state::Look;
use super::text::{self, safe_text};
use super::theme::Role;
use super::view::header;
use backwall_store::{JobContents, SetupEntry};
use backwall_survey::job::validity::{Validity, validity};
use backwall_survey::reading::{Reading, told};
use backwall_survey::strip::{Level, Limits};
use backwall_ultrasound::{BudgetPart, Evaluator, Measurement, Setup, Waveform};
use backwall_units::Length;

#[derive(Debug, Clone, PartialEq)]
pub enum OriginLine {
    Heading(&'static str),
    /// What it is and its value.
    Row(&'static str, String, Role),
}

/// The run a reading belongs to.
pub struct OriginRun<'a> {
    pub started_us: i64,
    pub setup: &'a Setup,
    pub limits: &'a Limits,
}

/// Whether a reading is WATCH only because its U reaches below the watch limit.
pub fn is_guarded(reading: &Reading, limits: &Limits) -> bool {
    reading.level == Level::Watch && limits.in_doubt(&reading.measurement, reading.place.course)
}

/// Everything a reading rests on.
pub fn of(contents: &JobContents, run: &OriginRun, reading: &Reading, waveform: Option<&Waveform>, look: &Look) -> Vec<OriginLine> {
    // One entered since may be what the run went on with.
    let before = contents.setups.iter().rfind(|entry| entry.by.at_us <= run.started_us && entry.setup == *run.setup);
    let entry = before.or_else(|| contents.setups.iter().find(|entry| entry.setup == *run.setup));
    let mut lines = Vec::new();
    result(run, reading, look, &mut lines);
    shot(reading, look, &mut lines);
    echo(run.setup, reading, &mut lines);
    set_up(run.setup, entry, reading, look, &mut lines);
    blocks(run.setup, look, &mut lines);
    verification(contents, run, entry, look, &mut lines);
    uncertainty(run.setup, reading, waveform, look, &mut lines);
    lines
}

fn row(lines: &mut Vec<OriginLine>, label: &'static str, value: impl Into<String>) {
    lines.push(OriginLine::Row(label, value.into(), Role::Plain));
}

fn result(run: &OriginRun, reading: &Reading, look: &Look, lines: &mut Vec<OriginLine>) {
    let unit = look.unit;
    let symbol = unit.thickness_symbol();
    lines.push(OriginLine::Heading("reading"));
    let value = match (reading.measurement.thickness, reading.measurement.uncertainty) {
        (Some(thickness), Some(u)) => format!("{} {symbol} ±{} (U, k=2)", text::fine(unit, thickness), text::fine(unit, u * 2.0)),
        (Some(thickness), None) => format!("{} {symbol}, uncertainty unknown", text::fine(unit, thickness)),
        (None, _) => "no thickness".to_owned(),
    };
    lines.push(OriginLine::Row("thickness", value, Role::Strong));
    let why = match (reading.level, run.limits.required(reading.place.course)) {
        (Level::Watch, Some(required)) if is_guarded(reading, run.limits) => {
            format!(": its U reaches below the watch limit of {}", unit.thickness(required + run.limits.watch_margin))
        }
        (Level::Watch, Some(required)) => {
            format!(": within {} of the required {}", unit.thickness(run.limits.watch_margin), unit.thickness(required))
        }
        (Level::Thin, Some(required)) => format!(": under the required {}", unit.thickness(required)),
        (_, Some(required)) => format!(", required {}", unit.thickness(required)),
        (_, None) => String::new(),
    };
    row(lines, "level", format!("{}{why}", reading.level.word()));
    row(lines, "quality", reading.measurement.quality.to_string());
    for flag in reading.measurement.flags.iter() {
        lines.push(OriginLine::Row("flag", format!("{}: {}", flag.word(), flag.explanation()), Role::Watch));
    }
}

fn shot(reading: &Reading, look: &Look, lines: &mut Vec<OriginLine>) {
    lines.push(OriginLine::Heading("shot"));
    let device = reading.device_time_us.map_or("no device time".to_owned(), |us| format!("{:.6} s device time", us as f64 / 1e6));
    row(lines, "number", format!("seq {}, {device}", reading.seq));
    row(lines, "taken", text::moment(reading.host_time_us, look.zone));
    row(lines, "gain", format!("{:.1} dB", reading.gain.as_db()));
    let counts = reading.encoder.map_or("no encoder".to_owned(), |counts| format!("{counts} counts"));
    let place = match (reading.place.along, reading.place.course) {
        (Some(along), Some(course)) => format!("{} {}, course {course}", look.unit.place(along), look.unit.place_symbol()),
        (Some(along), None) => format!("{} {}", look.unit.place(along), look.unit.place_symbol()),
        (None, _) => "no place".to_owned(),
    };
    row(lines, "place", format!("{place} ({counts})"));
    row(lines, "wall temperature", format!("{:.1} °C", reading.wall_temperature.as_celsius()));
}

fn echo(setup: &Setup, reading: &Reading, lines: &mut Vec<OriginLine>) {
    let measurement = &reading.measurement;
    lines.push(OriginLine::Heading("echo"));
    let time = |time: Option<backwall_units::Time>| time.map_or("none".to_owned(), |time| format!("{:.4} µs", time.as_us()));
    row(lines, "arrival", format!("first {}, next {}", time(measurement.echo_time), time(measurement.next_echo)));
    let height = measurement.height_pct.map_or("unknown".to_owned(), |pct| format!("{pct:.1} % of full screen height"));
    let snr = measurement.snr.map_or(String::new(), |snr| format!(", {:.1} dB over noise", snr.as_db()));
    row(lines, "height", format!("{height}{snr}"));
    let gate = &setup.gate;
    row(lines, "gate", format!("{:.2} to {:.2} µs, over {:.0} %", gate.start.as_us(), gate.end().as_us(), gate.threshold_pct));
    row(lines, "picker and mode", format!("{}, {}", setup.picker, setup.mode));
}

fn set_up(setup: &Setup, entry: Option<&SetupEntry>, reading: &Reading, look: &Look, lines: &mut Vec<OriginLine>) {
    lines.push(OriginLine::Heading("set-up"));
    match entry {
        Some(entry) => {
            row(lines, "number", format!("{}, {}", entry.id, safe_text(&entry.origin.words(look.unit))));
            let at = text::day_and_clock(entry.by.at_us, look.zone);
            row(lines, "by", format!("{} ({}), {at}", safe_text(&entry.by.name), safe_text(&entry.by.certificate)));
        }
        None => row(lines, "number", "none: the plan's typed values"),
    }
    let wall = reading.wall_temperature;
    let reference = setup.reference_temperature();
    row(lines, "velocity", format!("{:.1} m/s at {:.1} °C", setup.velocity_at(wall).as_m_s(), wall.as_celsius()));
    let calibrated = format!("{:.1} m/s at {:.1} °C", setup.velocity_at(reference).as_m_s(), reference.as_celsius());
    row(lines, "reference velocity", format!("{calibrated}, {} m/s per kelvin", setup.velocity_slope_m_s_k));
    row(lines, "zero", format!("{:.1} ns", setup.zero.as_ns()));
    row(lines, "element separation", format!("{:.3} mm", (setup.half_separation * 2.0).as_mm()));
}

fn blocks(setup: &Setup, look: &Look, lines: &mut Vec<OriginLine>) {
    lines.push(OriginLine::Heading("blocks"));
    let Some(calibration) = &setup.calibration else {
        lines.push(OriginLine::Row("none", "velocity and zero are typed, not measured on a block".to_owned(), Role::Watch));
        return;
    };
    for point in &calibration.points {
        let unit = look.unit;
        row(
            lines,
            "block",
            format!(
                "{} read {}, error {}, spread {}, {} shots",
                text::fine(unit, point.thickness),
                text::fine(unit, point.measured),
                text::signed(unit, point.error),
                text::fine(unit, point.spread),
                point.shots
            ),
        );
    }
}

fn verification(contents: &JobContents, run: &OriginRun, entry: Option<&SetupEntry>, look: &Look, lines: &mut Vec<OriginLine>) {
    lines.push(OriginLine::Heading("verification"));
    let setup_id = entry.map(|entry| entry.id);
    let state = validity(run.started_us, setup_id, &contents.checks);
    let role = if matches!(state, Validity::Suspect(_)) { Role::Fault } else { Role::Plain };
    lines.push(OriginLine::Row("calibration", format!("{}: {}", header::word(&state), state.why(look.unit)), role));
    let of_setup = || contents.checks.iter().filter(|check| Some(check.setup_id) == setup_id);
    let before = of_setup().rfind(|check| check.by.at_us <= run.started_us);
    let after = of_setup().find(|check| check.by.at_us > run.started_us);
    for (label, check) in [("before the run", before), ("after the run", after)] {
        let words = check.map_or("none".to_owned(), |check| {
            let at = text::short_day_and_clock(check.by.at_us, look.zone);
            format!("{at} {}", safe_text(&crate::live::bench::check_words(check).words(look.unit)))
        });
        row(lines, label, words);
    }
}

/// What the uncertainty is made of, the largest first; by evaluating the stored waveform again.
fn uncertainty(setup: &Setup, reading: &Reading, waveform: Option<&Waveform>, look: &Look, lines: &mut Vec<OriginLine>) {
    lines.push(OriginLine::Heading("uncertainty budget (k=1)"));
    let Some(waveform) = waveform else {
        row(lines, "unknown", "the device sent a value without its waveform");
        return;
    };
    let Ok(mut evaluator) = Evaluator::new(setup, waveform.base) else {
        row(lines, "unknown", "this set-up cannot evaluate the waveform");
        return;
    };
    let again = evaluator.measure_at(&waveform.samples, reading.wall_temperature, told(reading.gain));
    if let Some(coating) = again.coating {
        row(lines, "coating", text::coating(look.unit, &coating));
    }
    let mut parts: Vec<BudgetPart> = evaluator.parts().to_vec();
    parts.sort_by(|a, b| b.size.abs().total_cmp(&a.size.abs()));
    let all: f64 = parts.iter().map(|part| part.size.as_mm() * part.size.as_mm()).sum();
    for part in parts.iter().filter(|part| part.size != Length::ZERO) {
        let share = 100.0 * part.size.as_mm() * part.size.as_mm() / all.max(f64::MIN_POSITIVE);
        row(lines, part.name, format!("{} {}  {share:>3.0} %", text::fine(look.unit, part.size.abs()), look.unit.thickness_symbol()));
    }
    if let (Some(alone), Some(kept)) = (again.thickness, reading.measurement.thickness)
        && alone != kept
    {
        let symbol = look.unit.thickness_symbol();
        let (alone, kept) = (text::fine(look.unit, alone), text::fine(look.unit, kept));
        row(lines, "zero", format!("{alone} {symbol} with the calibrated zero, {kept} with the zero its neighbours show"));
    }
    // Neighbours move the zero and add flags; what the shot itself shows must be the same.
    let own = |m: &Measurement| (m.echo_time, m.next_echo, m.height_pct, m.snr, m.coating);
    let same = own(&again) == own(&reading.measurement);
    let words = if same { "evaluated again from its waveform: the same" } else { "evaluated again from its waveform: NOT the same" };
    lines.push(OriginLine::Row("check", words.to_owned(), if same { Role::Plain } else { Role::Fault }));
}
