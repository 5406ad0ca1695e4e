//! The calibration bench: what its keys ask for, what was typed for it, and what becomes of what it finds.

use super::super::form::Field;
use super::super::keys::BenchKey;
use super::super::state::{App, BenchShown, Effect, Picture, Prompt, Purpose};
use super::super::text;
use super::super::theme::Role;
use super::prompt;
use crate::live::bench::{BenchCommand, BenchView, Found, Hold, Piece};
use crate::live::propose;
use crate::live::verdict;
use backwall_store::Note;
use backwall_survey::job::validity::{Check, Validity};
use backwall_survey::travel::encoder_check::{EncoderCheck, SHORTEST};
use backwall_ultrasound::{Gate, Setup};
use backwall_units::{Length, LengthUnit, Temperature, Time, parse_length};
use std::borrow::Cow;
use std::sync::Arc;

const START_STEP: Time = Time::ns(50.0);
const LENGTH_STEP: Time = Time::ns(100.0);
const THRESHOLD_STEP: f64 = 1.0;
/// A shorter gate holds no pulse.
const SHORTEST_GATE: Time = Time::ns(200.0);

pub fn press(app: &mut App, key: BenchKey) -> Vec<Effect> {
    let moved = |app: &mut App, change: &dyn Fn(&mut Gate)| match shown_gate(app) {
        Some(mut gate) => {
            change(&mut gate);
            gate.start = gate.start.max(Time::ZERO);
            gate.length = gate.length.max(SHORTEST_GATE);
            gate.threshold_pct = gate.threshold_pct.clamp(1.0, 100.0);
            vec![Effect::Bench(BenchCommand::Gate(gate))]
        }
        None => no_stream(app),
    };
    match key {
        BenchKey::Live => live(app),
        BenchKey::Block => ask_block(app),
        BenchKey::Verify => ask_verify(app),
        BenchKey::Distance => ask_distance(app),
        BenchKey::Take => command(app, BenchCommand::Take),
        BenchKey::Drop => match &app.bench {
            Some(bench) if bench.view.hold.is_some() => command(app, BenchCommand::GiveUp),
            _ => command(app, BenchCommand::DropBlock),
        },
        BenchKey::Keep => keep(app),
        BenchKey::KeepVelocity => keep_velocity(app),
        BenchKey::Propose => propose(app),
        BenchKey::Picture => {
            if let Some(bench) = &mut app.bench {
                bench.picture = match bench.picture {
                    Picture::Wave => Picture::Residuals,
                    Picture::Residuals => Picture::Pulse,
                    Picture::Pulse => Picture::Words,
                    Picture::Words => Picture::Wave,
                };
            }
            Vec::new()
        }
        BenchKey::GateEarlier => moved(app, &|gate| gate.start = gate.start - START_STEP),
        BenchKey::GateLater => moved(app, &|gate| gate.start = gate.start + START_STEP),
        BenchKey::GateShorter => moved(app, &|gate| gate.length = gate.length - LENGTH_STEP),
        BenchKey::GateLonger => moved(app, &|gate| gate.length = gate.length + LENGTH_STEP),
        BenchKey::ThresholdUp => moved(app, &|gate| gate.threshold_pct += THRESHOLD_STEP),
        BenchKey::ThresholdDown => moved(app, &|gate| gate.threshold_pct -= THRESHOLD_STEP),
    }
}

fn shown_gate(app: &App) -> Option<Gate> {
    Some(app.bench.as_ref()?.view.setup.as_ref()?.gate)
}

fn no_stream(app: &mut App) -> Vec<Effect> {
    app.say(Role::Plain, "the probe's stream is not open: l opens it");
    Vec::new()
}

fn command(app: &mut App, command: BenchCommand) -> Vec<Effect> {
    if app.bench.is_none() {
        return no_stream(app);
    }
    vec![Effect::Bench(command)]
}

/// A run holds the stream: two readers would share its bytes.
fn run_is_going(app: &mut App) -> bool {
    if app.scanning() {
        app.say(Role::Error, "a run is reading the probe's stream: end it first (Tab to Scan, e)");
    }
    app.scanning()
}

fn live(app: &mut App) -> Vec<Effect> {
    if run_is_going(app) {
        return Vec::new();
    }
    match app.bench.take() {
        Some(_) => {
            app.say(Role::Plain, "the probe's stream is closed");
            vec![Effect::CloseBench]
        }
        None => vec![Effect::OpenBench],
    }
}

pub fn opened(app: &mut App, view: Arc<BenchView>) -> Vec<Effect> {
    app.bench = Some(BenchShown {
        view,
        handed_on: 0,
        picture: Picture::Wave,
        serial: String::new(),
        tolerance: String::new(),
        keep_velocity: false,
    });
    Vec::new()
}

/// A field for a length in the unit on screen; what is typed may carry a unit of its own.
fn length_field(app: &App, key: &'static str, label: &str, hint: impl Into<Cow<'static, str>>) -> Field {
    let unit = match app.look.unit {
        LengthUnit::Mm => "mm",
        LengthUnit::Inch => "in",
    };
    Field { unit, ..Field::text(key, label, "", true).hint(hint) }
}

fn block_fields(app: &App) -> Vec<Field> {
    let shown = app.bench.as_ref();
    let serial = match shown.map(|bench| bench.serial.as_str()).filter(|serial| !serial.is_empty()) {
        Some(serial) => serial.to_owned(),
        None => verdict::block_serial(&app.contents.plan).to_owned(),
    };
    let temperature = shown.and_then(|bench| bench.view.temperature).unwrap_or(app.setup().block_temperature);
    let celsius = (temperature.as_celsius() * 10.0).round() / 10.0;
    vec![
        length_field(app, "thickness", "true thickness", "as its certificate says, not as it is stamped"),
        Field::text("serial", "block serial", &serial, true).hint("which block, so that it can be found again"),
        Field::number("temperature", "block temperature", "C", celsius, -60.0, 500.0)
            .hint("velocity and zero are those of this temperature"),
    ]
}

fn ask_block(app: &mut App) -> Vec<Effect> {
    if run_is_going(app) || prompt::unknown_operator(app) {
        return Vec::new();
    }
    let fields = block_fields(app);
    prompt::ask(app, "Put the probe on a block of the wall's own material", Purpose::Block, fields)
}

fn ask_verify(app: &mut App) -> Vec<Effect> {
    if run_is_going(app) || prompt::unknown_operator(app) {
        return Vec::new();
    }
    let fitted = app.bench.as_ref().is_some_and(|bench| bench.view.fitted().is_some());
    if !fitted && app.contents.setups.is_empty() {
        app.say(Role::Error, "no set-up is in force to verify: take blocks (b) or keep the typed one (e) first");
        return Vec::new();
    }
    let mut fields = block_fields(app);
    let tolerance = app.bench.as_ref().map_or_else(String::new, |bench| bench.tolerance.clone());
    let planned = format!("empty: {}", app.contents.plan.verification.words(app.look.unit));
    let field = Field { key: "tolerance", ..length_field(app, "tolerance", "tolerance", planned) };
    fields.push(Field { input: tolerance.into(), kind: super::super::form::Kind::Text { required: false }, ..field });
    prompt::ask(app, "Verify on another thickness than those it was calibrated on", Purpose::VerifyBlock, fields)
}

fn ask_distance(app: &mut App) -> Vec<Effect> {
    if run_is_going(app) || prompt::unknown_operator(app) {
        return Vec::new();
    }
    let field = length_field(app, "distance", "distance by tape", "500 mm or more, along the wall");
    prompt::ask(app, "encoder over", Purpose::Distance, vec![field])
}

fn length(app: &App, prompt: &Prompt, key: &'static str) -> Result<Length, (&'static str, String)> {
    let found = parse_length(prompt.form.value(key), app.look.unit).map_err(|error| (key, error.to_string()))?;
    if found <= Length::ZERO || found > Length::mm(100_000.0) {
        return Err((key, "it must be greater than 0".to_owned()));
    }
    Ok(found)
}

/// What was typed becomes what the probe is put on; the stream is opened for it if it is not.
pub fn submit(app: &mut App, prompt: &Prompt) -> Result<Vec<Effect>, (&'static str, String)> {
    let piece = |app: &App| -> Result<Piece, (&'static str, String)> {
        Ok(Piece {
            serial: prompt.form.value("serial").to_owned(),
            thickness: length(app, prompt, "thickness")?,
            temperature: prompt.form.number("temperature").map(Temperature::celsius),
        })
    };
    let hold = match &prompt.purpose {
        Purpose::Block => Hold::Block(piece(app)?),
        Purpose::VerifyBlock => {
            let piece = piece(app)?;
            let tolerance = match prompt.form.value("tolerance") {
                "" => app.contents.plan.verification.tolerance(piece.thickness),
                _ => length(app, prompt, "tolerance")?,
            };
            Hold::Verify { piece, tolerance }
        }
        _ => {
            let distance = length(app, prompt, "distance")?;
            if distance < SHORTEST {
                return Err(("distance", format!("at least {:.0} mm: over less it says too little", SHORTEST.as_mm())));
            }
            Hold::Encoder { distance }
        }
    };
    let mut effects = Vec::new();
    match &mut app.bench {
        Some(bench) => {
            if !matches!(prompt.purpose, Purpose::Distance) {
                bench.serial = prompt.form.value("serial").to_owned();
            }
            if matches!(prompt.purpose, Purpose::VerifyBlock) {
                bench.tolerance = prompt.form.value("tolerance").to_owned();
            }
            bench.picture = Picture::Wave;
        }
        None => effects.push(Effect::OpenBench),
    }
    effects.push(Effect::Bench(BenchCommand::Hold(hold)));
    Ok(effects)
}

/// Keeps what the bench has found and the gate it stands at.
fn keep(app: &mut App) -> Vec<Effect> {
    if app.bench.is_none() {
        return no_stream(app);
    }
    if prompt::unknown_operator(app) {
        return Vec::new();
    }
    let Some(bench) = &app.bench else { return Vec::new() };
    let gate = bench.view.setup.as_ref().map(|setup| setup.gate);
    let (setup, origin) = match bench.view.fitted().filter(|fitted| !app.is_in_force(&fitted.setup)) {
        Some(fitted) => (fitted.setup.clone(), origin(&bench.view, false)),
        None => (app.setup(), "gate set on the live waveform".to_owned()),
    };
    let setup = Setup { gate: gate.unwrap_or(setup.gate), ..setup };
    if app.contents.setups.last().is_some_and(|entry| entry.setup == setup) {
        app.say(Role::Plain, "nothing has changed: this set-up is in force already");
        return Vec::new();
    }
    vec![Effect::SetSetup { setup: Box::new(setup), origin, by: app.signed(), checks: Vec::new() }, Effect::Reload]
}

fn origin(view: &BenchView, verified: bool) -> String {
    verdict::origin(view.blocks.iter().map(|taken| (taken.piece.thickness, taken.piece.serial.as_str())), verified)
}

fn keep_velocity(app: &mut App) -> Vec<Effect> {
    let Some(bench) = &mut app.bench else { return no_stream(app) };
    bench.keep_velocity = !bench.keep_velocity;
    let keep = bench.keep_velocity;
    app.say(Role::Plain, if keep { "the velocity is kept as typed" } else { "the velocity is found on the blocks" });
    vec![Effect::Bench(BenchCommand::KeepVelocity(keep))]
}

fn propose(app: &mut App) -> Vec<Effect> {
    let Some(setup) = app.bench.as_ref().and_then(|bench| bench.view.setup.clone()) else { return no_stream(app) };
    let measurement = app.bench.as_ref().and_then(|bench| bench.view.measurement);
    let Some(nominal) = app.contents.plan.limits().nominal(None) else {
        app.say(Role::Error, "the plan has no nominal thickness to propose a gate from");
        return Vec::new();
    };
    let gate = propose::gate(&setup, nominal, measurement.as_ref());
    app.say(
        Role::Plain,
        format!(
            "proposed for {} {} nominal: {:.2} to {:.2} µs over {:.0} %; look at the waveform, k keeps it",
            app.look.unit.thickness(nominal),
            app.look.unit.thickness_symbol(),
            gate.start.as_us(),
            gate.end().as_us(),
            gate.threshold_pct
        ),
    );
    vec![Effect::Bench(BenchCommand::Gate(gate))]
}

/// The job was read again: a bench must know when another set-up is in force.
pub fn in_force(app: &App, before: &Setup) -> Vec<Effect> {
    let now = app.setup();
    if app.bench.is_none() || now == *before {
        return Vec::new();
    }
    vec![Effect::Bench(BenchCommand::InForce(Box::new(now)))]
}

/// The bench's newest state: what it says is said, what it found is handed on to be stored.
pub fn news(app: &mut App, view: Arc<BenchView>) -> Vec<Effect> {
    let Some(bench) = &mut app.bench else { return Vec::new() };
    let before = std::mem::replace(&mut bench.view, view.clone());
    let from = std::mem::replace(&mut bench.handed_on, view.found.len());
    if let Some(said) = &view.said
        && before.said.as_ref().map(|said| said.number) != Some(said.number)
    {
        app.say(if said.refused { Role::Error } else { Role::Plain }, said.words.clone());
    }
    view.found.iter().skip(from).flat_map(|found| found_something(app, &view, found)).collect()
}

fn found_something(app: &mut App, view: &BenchView, found: &Found) -> Vec<Effect> {
    match found {
        Found::Encoder(check, judged) => {
            let words = encoder_words(check);
            match judged {
                Ok(_) => app.say(Role::Strong, words),
                Err(error) => app.say(Role::Fault, format!("{words}: {error}")),
            }
            vec![Effect::EncoderCheck(*check, app.signed()), Effect::Reload]
        }
        Found::Checked { piece, tolerance, temperature, check, fitted } => {
            let check = Check {
                setup_id: app.contents.setups.last().map_or(0, |entry| entry.id),
                block: piece.serial.clone(),
                truth: piece.thickness,
                // An unsteady reading inside the tolerance is none.
                measured: check.measured.filter(|_| check.within || check.error.is_some_and(|error| error.abs() > *tolerance)),
                spread: check.spread,
                shots: check.shots as u32,
                tolerance: *tolerance,
                temperature: *temperature,
                by: app.signed(),
            };
            match fitted.as_ref().filter(|fitted| !app.is_in_force(&fitted.setup)) {
                Some(fitted) => checked_new(app, view, &fitted.setup, check),
                None => checked_in_force(app, check),
            }
        }
    }
}

/// A new calibration comes into force when its verification passes.
fn checked_new(app: &mut App, view: &BenchView, setup: &Setup, check: Check) -> Vec<Effect> {
    let words = check_words(&check);
    if !check.passed() {
        app.say(Role::Fault, format!("{words}: the new calibration is NOT in force; the set-up before stands"));
        let text = format!("new calibration NOT taken into force: {words} ({})", origin(view, true));
        return vec![Effect::Note(Note { run: None, along: None, text, at_us: app.now_us }), Effect::Reload];
    }
    let setup = Setup { gate: view.setup.as_ref().map_or(setup.gate, |shown| shown.gate), ..setup.clone() };
    app.say(Role::Strong, format!("{words}: the new calibration is in force"));
    let by = app.signed();
    vec![Effect::SetSetup { setup: Box::new(setup), origin: origin(view, true), by, checks: vec![check] }, Effect::Reload]
}

/// A verification of what is in force; a failed one names the runs it makes suspect.
fn checked_in_force(app: &mut App, check: Check) -> Vec<Effect> {
    let words = check_words(&check);
    if check.passed() {
        app.say(Role::Strong, words);
    } else {
        let mut after = app.contents.clone();
        after.checks.push(check.clone());
        let suspect: Vec<String> = after
            .runs
            .iter()
            .filter(|run| matches!(after.validity(run), Validity::Suspect(_)))
            .map(|run| format!("{} ({})", run.id, run.start.line))
            .collect();
        let runs = if suspect.is_empty() { "no run hangs on it".to_owned() } else { format!("SUSPECT: run {}", suspect.join(", run ")) };
        app.say(Role::Fault, format!("{runs}. {words}"));
    }
    vec![Effect::Check(check), Effect::Reload]
}

/// A verification in words.
pub fn check_words(check: &Check) -> String {
    let found = match (check.measured, check.error()) {
        (Some(measured), Some(error)) => {
            format!("read {:.3}, {} of ±{:.3} mm", measured.as_mm(), text::signed(LengthUnit::Mm, error), check.tolerance.as_mm())
        }
        _ => "gave no steady reading".to_owned(),
    };
    let word = if check.passed() { "PASSED" } else { "FAILED" };
    format!("verification {word}: {} {:.3} {found}", check.block, check.truth.as_mm())
}

/// An encoder check in words.
pub fn encoder_words(check: &EncoderCheck) -> String {
    let word = if check.judge().is_ok() { "accepted" } else { "REFUSED" };
    format!("encoder {word}: {:.0} mm, {:.3} counts/mm, {:+.2} %", check.distance.as_mm(), check.solved(), check.error() * 100.0)
}
