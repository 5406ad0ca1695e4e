//! Something sent to the device by its name: which, with what value, and once more where readings depend on it.

use super::super::Step;
use super::super::form::FormField;
use super::super::state::{App, Effect, Prompt, Purpose, ShownRun, ToTake};
use super::super::theme::Role;
use super::prompt;
use crate::live::RunCommand;
use crate::live::bench::BenchCommand;
use backwall_stream::command::{CommandOrder, DeviceCommand};
use std::sync::Arc;

const COMMAND: &str = "command";
const VALUE: &str = "value";

fn commands(app: &App) -> Arc<[DeviceCommand]> {
    let going = app.scan.as_ref().filter(|scan: &&ShownRun| !scan.is_over());
    match (going, &app.bench) {
        (Some(scan), _) => scan.view.commands.clone(),
        (None, Some(bench)) => bench.view.commands.clone(),
        (None, None) => Arc::from([]),
    }
}

/// To the run that reads the device, or to the bench.
pub fn now(app: &App, order: CommandOrder) -> Vec<Effect> {
    match app.scanning() {
        true => vec![Effect::Command(RunCommand::Send(order))],
        false => vec![Effect::Bench(BenchCommand::Send(order))],
    }
}

pub fn ask(app: &mut App) -> Vec<Effect> {
    if app.step == Step::Calibrate && !app.scanning() && app.bench.is_none() {
        app.say(Role::Plain, "the probe's stream is not open: l opens it");
        return Vec::new();
    }
    let known = commands(app);
    let Some(first) = known.first() else {
        app.say(Role::Watch, "nothing can be sent: the stream is no device, or its profile has no [[command]]");
        return Vec::new();
    };
    if prompt::unknown_operator(app) {
        return Vec::new();
    }
    let names = known.iter().map(|command| command.name.clone()).collect();
    let fields = vec![
        FormField::choice(COMMAND, COMMAND, &first.name, names).hint("←→ another"),
        FormField::text(VALUE, VALUE, "", false).hint("one that is listed above; nothing where none is"),
    ];
    let effects = prompt::ask(app, "Send to the device", Purpose::Send, fields);
    if let Some(prompt) = &mut app.prompt {
        prompt.about = known.iter().map(in_words).collect();
    }
    effects
}

/// `gain (20, 26 or 32 dB): receiver gain`.
fn in_words(command: &DeviceCommand) -> String {
    let values = match command.values_in_words() {
        values if values.is_empty() => String::new(),
        values => format!(" ({values})"),
    };
    let about = if command.about.is_empty() { String::new() } else { format!(": {}", command.about) };
    format!("{}{values}{about}", command.name)
}

pub fn submit(app: &mut App, prompt: Prompt) -> Vec<Effect> {
    let (known, name) = (commands(app), prompt.form.value(COMMAND));
    let Some(command) = known.iter().find(|command| command.name == name) else { return Vec::new() };
    match command.order(prompt.form.value(VALUE)) {
        Ok(found) => order(app, found),
        Err(why) => prompt::refuse(app, prompt, VALUE, why.to_string()),
    }
}

/// Sends it, or asks first where readings depend on it.
fn order(app: &mut App, order: CommandOrder) -> Vec<Effect> {
    let order = CommandOrder { by: app.operator.name.clone(), ..order };
    if !order.kind.touches_readings() {
        return now(app, order);
    }
    let blocks = app.bench.as_ref().filter(|_| !app.scanning()).is_some_and(|bench| !bench.view.blocks.is_empty());
    let asked = match blocks {
        true => format!("Send {} now? The blocks on the table are removed.", order.words),
        false => format!("Send {} now? Readings change from here on.", order.words),
    };
    app.change = Some(ToTake::Send { order, asked });
    Vec::new()
}
