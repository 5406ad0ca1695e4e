//! The calibration bench: what its keys ask for, what was typed for it, and what becomes of what it finds.

use super::super::form::FormField;
use super::super::keys::BenchKey;
use super::super::state::{App, BenchShown, Effect, Prompt, Purpose, RunPicture};
use super::super::theme::Role;
use super::prompt;
use crate::live::bench::{self, BenchCommand, BenchFound, BenchView, BlockPiece, FitState, Hold, KeptSetup, encoder_words};
use crate::live::verdict;
use backwall_store::Note;
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::SHORTEST;
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
        BenchKey::Channel => next_channel(app),
        BenchKey::KeepVelocity => keep_velocity(app),
        BenchKey::Propose => command(app, BenchCommand::Propose),
        BenchKey::Picture => {
            if let Some(bench) = &mut app.bench {
                bench.picture = match bench.picture {
                    RunPicture::Wave => RunPicture::Residuals,
                    RunPicture::Residuals => RunPicture::Pulse,
                    RunPicture::Pulse => RunPicture::Words,
                    RunPicture::Words => RunPicture::Wave,
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
        None => vec![open(app)],
    }
}

fn open(app: &App) -> Effect {
    Effect::OpenBench(app.channel_on_bench().map(str::to_owned))
}

/// The probe of the device's next channel is put on the blocks. What was taken with the one before and not kept would be lost: it must be said first what
/// becomes of it.
fn next_channel(app: &mut App) -> Vec<Effect> {
    if app.chooses() {
        return choose(app);
    }
    let Some(before) = app.channel_on_bench().map(str::to_owned) else {
        app.say(Role::Plain, "one channel is read: channels are named with --channel, or have a [[track]] in the plan");
        return Vec::new();
    };
    if app.channels().len() < 2 {
        app.say(Role::Plain, format!("channel {before} alone is read"));
        return Vec::new();
    }
    if app.opening.is_some() || run_is_going(app) {
        return Vec::new();
    }
    if would_lose_blocks(app, Some(&before)) {
        return Vec::new();
    }
    app.on_bench = (app.on_bench + 1) % app.channels().len();
    let now = app.channel_on_bench().unwrap_or_default().to_owned();
    app.say(Role::Plain, format!("channel {now}: its probe is calibrated, verified and proven from here on"));
    match app.bench.take() {
        Some(_) => vec![Effect::CloseBench, open(app)],
        None => Vec::new(),
    }
}

/// What was taken with a probe and not kept would be lost with another on the blocks: it must be said first what becomes of it.
fn would_lose_blocks(app: &mut App, channel: Option<&str>) -> bool {
    let Some(bench) = &app.bench else { return false };
    let job = app.contents.of_channel(channel);
    let is_kept = bench.view.fitted().is_some_and(|fitted| bench::in_force(&job, &fitted.setup));
    let is_lost = !bench.view.blocks.is_empty() && !is_kept;
    if is_lost {
        let of = channel.map_or_else(|| "before one was chosen".to_owned(), |channel| format!("on channel {channel}"));
        let words = format!("blocks were taken {of} and are not kept: v or k keeps what they gave, x removes them one by one");
        app.say(Role::Error, words);
    }
    is_lost
}

/// None is named and the plan has no track: one of those that come is chosen, for the bench and for the runs.
fn choose(app: &mut App) -> Vec<Effect> {
    if app.seen.is_empty() {
        let words = match app.bench {
            Some(_) => "no channel has come yet: o chooses among those that the device sends",
            None => "the channels are not known yet: l opens the stream, then o chooses among those that the device sends",
        };
        app.say(Role::Plain, words);
        return Vec::new();
    }
    let before = app.chosen.clone();
    if app.opening.is_some() || run_is_going(app) || would_lose_blocks(app, before.as_deref()) {
        return Vec::new();
    }
    let at = before.and_then(|chosen| app.seen.iter().position(|seen| *seen == chosen));
    let next = app.seen[at.map_or(0, |at| (at + 1) % app.seen.len())].clone();
    app.say(Role::Plain, format!("channel {next}: it is calibrated, verified, proven and read in runs from here on"));
    app.chosen = Some(next.clone());
    let chosen = Effect::ChooseChannel(next);
    match app.bench.take() {
        Some(_) => vec![Effect::CloseBench, chosen, open(app)],
        None => vec![chosen],
    }
}

pub fn opened(app: &mut App, view: Arc<BenchView>) -> Vec<Effect> {
    app.bench = Some(BenchShown {
        view,
        handed_on: 0,
        picture: RunPicture::Wave,
        serial: String::new(),
        tolerance: String::new(),
        keep_velocity: false,
    });
    Vec::new()
}

/// A field for a length in the unit on screen; what is typed may carry a unit of its own.
fn length_field(app: &App, key: &'static str, label: &str, hint: impl Into<Cow<'static, str>>) -> FormField {
    let unit = match app.look.unit {
        LengthUnit::Mm => "mm",
        LengthUnit::Inch => "in",
    };
    FormField { unit, ..FormField::text(key, label, "", true).hint(hint) }
}

fn block_fields(app: &App) -> Vec<FormField> {
    let shown = app.bench.as_ref();
    let serial = match shown.map(|bench| bench.serial.as_str()).filter(|serial| !serial.is_empty()) {
        Some(serial) => serial.to_owned(),
        None => verdict::block_serial(&app.contents.plan).to_owned(),
    };
    let temperature = shown.and_then(|bench| bench.view.temperature).unwrap_or(app.setup().block_temperature);
    let celsius = (temperature.as_celsius() * 10.0).round() / 10.0;
    vec![
        length_field(app, "thickness", "true thickness", "as its certificate says, not as stamped"),
        FormField::text("serial", "block serial", &serial, true).hint("which block, so that it can be traced"),
        FormField::number("temperature", "block temperature", "C", celsius, -60.0, 500.0)
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
    if app.bench.as_ref().is_some_and(|bench| matches!(bench.view.fit, FitState::Working)) {
        app.say(Role::Plain, "the calibration is still being worked out: v again in a moment");
        return Vec::new();
    }
    if !fitted && app.contents.setups_of(app.channel_on_bench()).next().is_none() {
        app.say(Role::Error, "no set-up is in force to verify: take blocks (b) or keep the typed one (e) first");
        return Vec::new();
    }
    let mut fields = block_fields(app);
    let tolerance = app.bench.as_ref().map_or_else(String::new, |bench| bench.tolerance.clone());
    let planned = format!("empty: {}", app.contents.plan.verification.words(app.look.unit));
    let field = FormField { key: "tolerance", ..length_field(app, "tolerance", "tolerance", planned) };
    fields.push(FormField { input: tolerance.into(), kind: super::super::form::FieldKind::Text { required: false }, ..field });
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
    let piece = |app: &App| -> Result<BlockPiece, (&'static str, String)> {
        Ok(BlockPiece {
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
            bench.picture = RunPicture::Wave;
        }
        None => effects.push(open(app)),
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
    let Some(KeptSetup { setup, origin }) = bench::kept(&bench.view, &app.contents.of_channel(channel_of(&bench.view))) else {
        app.say(Role::Plain, "nothing has changed: this set-up is in force already");
        return Vec::new();
    };
    if bench.view.fitted().is_some_and(|fitted| setup.calibration.as_ref() == Some(&fitted.calibration)) {
        // Its blocks were read with what was sent.
        app.adjusted.clear();
    }
    vec![Effect::SetSetup { setup: Box::new(setup), origin, by: app.signed(), checks: Vec::new() }, Effect::Reload]
}

fn keep_velocity(app: &mut App) -> Vec<Effect> {
    let Some(bench) = &mut app.bench else { return no_stream(app) };
    bench.keep_velocity = !bench.keep_velocity;
    let keep = bench.keep_velocity;
    app.say(Role::Plain, if keep { "the velocity is kept as typed" } else { "the velocity is found on the blocks" });
    vec![Effect::Bench(BenchCommand::KeepVelocity(keep))]
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
    if app.chooses() {
        let new: Vec<String> = view.link.channels.iter().filter(|channel| !app.seen.contains(channel)).cloned().collect();
        app.seen.extend(new);
    }
    view.found.iter().skip(from).flat_map(|found| found_something(app, &view, found)).collect()
}

fn found_something(app: &mut App, view: &BenchView, found: &BenchFound) -> Vec<Effect> {
    match found {
        BenchFound::Encoder(check, judged) => {
            let words = encoder_words(check).words(app.look.unit);
            match judged {
                Ok(_) => app.say(Role::Strong, words),
                Err(error) => app.say(Role::Fault, format!("{words}: {error}")),
            }
            vec![Effect::EncoderCheck(*check, app.signed()), Effect::Reload]
        }
        BenchFound::Checked { .. } => checked(app, view, found),
        BenchFound::Sent { words, is_behind } => {
            app.adjusted.extend(is_behind.then(|| words.clone()));
            let text = format!("on the bench: {words}");
            vec![Effect::Note(Note { run: None, along: None, text: text.into(), at_us: app.now_us }), Effect::Reload]
        }
    }
}

/// The channel of the device that stands on the block.
fn channel_of(view: &BenchView) -> Option<&str> {
    view.setup.as_ref()?.channel.as_deref()
}

/// A verification: a new calibration comes into force when it passes; a failed one of what is in force names the runs it
/// makes suspect.
fn checked(app: &mut App, view: &BenchView, found: &BenchFound) -> Vec<Effect> {
    let by = app.signed();
    let job = app.contents.of_channel(channel_of(view));
    let settled = bench::settle(view, std::slice::from_ref(found), &job, &by);
    let words = bench::check_of(found, &job, &by).map_or_else(String::new, |check| bench::check_words(&check).words(app.look.unit));
    if let Some(text) = settled.note {
        app.say(Role::Fault, format!("{words}: the new calibration is NOT in force; the previous one stays in force"));
        return vec![Effect::Note(Note { run: None, along: None, text, at_us: app.now_us }), Effect::Reload];
    }
    if settled.checks.iter().all(|check| check.passed()) {
        // Read on a block with what was sent.
        app.adjusted.clear();
    }
    if let Some(KeptSetup { setup, origin }) = settled.kept {
        app.say(Role::Strong, format!("{words}: the new calibration is in force"));
        return vec![Effect::SetSetup { setup: Box::new(setup), origin, by, checks: settled.checks }, Effect::Reload];
    }
    if settled.checks.iter().all(Check::passed) {
        app.say(Role::Strong, words);
    } else {
        let suspect: Vec<String> =
            bench::suspect_with(&app.contents, &settled.checks).into_iter().map(|(run, line)| format!("{run} ({line})")).collect();
        let runs = if suspect.is_empty() {
            "no run depends on it".to_owned()
        } else {
            format!("SUSPECT: {}", backwall_report::words::runs(&suspect))
        };
        app.say(Role::Fault, format!("{runs}. {words}"));
    }
    settled.checks.into_iter().map(Effect::Check).chain([Effect::Reload]).collect()
}
