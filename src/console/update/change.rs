//! A run that goes on with another set-up: asked once, entered in the job, then said to the run.

use super::super::state::{App, Effect, ShownRun, ToTake};
use super::super::theme::Role;
use super::{prompt, send};
use crate::live::{Changed, RunCommand, change};

/// Asks whether the run is to go on so, or says why it cannot.
pub fn ask(app: &mut App, zero: bool) -> Vec<Effect> {
    let Some(scan) = app.scan.as_ref().filter(|scan| !scan.is_over()) else { return Vec::new() };
    let unit = app.look.unit;
    let found = if zero { change::take_zero(&scan.view, unit) } else { change::echo_to_echo(&scan.view, unit) };
    match found {
        Ok(_) if prompt::unknown_operator(app) => {}
        Ok(change) => app.change = Some(ToTake::Change(change)),
        Err(why) => app.say(Role::Watch, why),
    }
    Vec::new()
}

/// It is to.
pub fn answered(app: &mut App) -> Vec<Effect> {
    let change = match app.change.take() {
        Some(ToTake::Change(change)) => change,
        Some(ToTake::Send { order, .. }) => return send::now(app, order),
        None => return Vec::new(),
    };
    vec![Effect::Change { run: change.run, setup: Box::new(change.setup), origin: change.origin, by: app.signed() }, Effect::Reload]
}

/// The set-up stands in the job: the run gets it.
pub fn kept(app: &mut App, changed: Changed) -> Vec<Effect> {
    if !app.scan.iter().flat_map(ShownRun::all).any(|scan| scan.view.run == changed.run && !scan.is_over()) {
        app.say(Role::Watch, format!("the run has already ended: set-up {} counts from the next run on", changed.setup_id));
        return Vec::new();
    }
    app.say(Role::Plain, format!("set-up {} from here on, in later runs too; verify it after this one", changed.setup_id));
    vec![Effect::Command(RunCommand::Change(changed))]
}
