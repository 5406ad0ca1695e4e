//! A stored run that may be read wrong by its first echo: read again from echo to echo beside its own readings, both shown,
//! and the operator says by name and reason which count.

use super::super::form::FormField;
use super::super::standing;
use super::super::state::{App, Effect, Prompt, Purpose};
use super::super::theme::Role;
use super::prompt;
use backwall_store::{Adoption, EvaluationFindings, EvaluationSummary, RunState};
use backwall_ultrasound::{Mode, Setup};

/// Evaluates the opened run again, or offers what is known of it already.
pub fn press(app: &mut App) -> Vec<Effect> {
    let Some(opened) = &app.review.walked else { return Vec::new() };
    let several = opened.is_all() && opened.overview.runs.len() > 1;
    if let Some(standing) = standing::word(&app.contents, opened.run).filter(|_| !app.contents.force.counts(opened.run)) {
        let words = format!("run {} is {standing}: A lets it count again", opened.run);
        app.say(Role::Plain, words);
        return Vec::new();
    }
    let Some(run) = app.contents.runs.iter().find(|run| run.id == opened.run).filter(|_| !several) else {
        app.say(Role::Plain, "all runs of the line are open together: l opens one alone, then E");
        return Vec::new();
    };
    let id = run.id;
    if let Some((evaluation, _)) = app.contents.adopted(id) {
        let evaluation = evaluation.clone();
        ask(app, &evaluation, false);
        return Vec::new();
    }
    if run.start.setup.mode == Mode::EchoToEcho {
        app.say(Role::Plain, "this run was read from echo to echo");
        return Vec::new();
    }
    let Some(own) = run.only_setup() else {
        let words = format!(
            "run {id} went on with another set-up: `backwall reevaluate` with --run {id} --setup NUMBER says with which one all is made again"
        );
        app.say(Role::Plain, words);
        return Vec::new();
    };
    let wanted = Setup { mode: Mode::EchoToEcho, ..own.clone() };
    let open = run.state == RunState::Open;
    let known = app.contents.evaluations.iter().rfind(|known| known.start.run == id && known.start.setup == wanted).cloned();
    match (known, app.evaluating) {
        (Some(evaluation), _) => ask(app, &evaluation, true),
        (None, Some(other)) => app.say(Role::Plain, format!("run {other} is being evaluated")),
        (None, None) if open || app.scanning() => app.say(Role::Plain, "a run is being recorded: E works when it has ended"),
        (None, None) => {
            app.evaluating = Some(id);
            app.say(Role::Plain, format!("run {id} is being read from echo to echo"));
            return vec![Effect::Evaluate(id, app.signed())];
        }
    }
    Vec::new()
}

pub fn progress(app: &mut App, run: i64, done: u64, of: u64) {
    let share = (100 * done).checked_div(of).unwrap_or(0).min(100);
    app.say(Role::Plain, format!("run {run} is being read from echo to echo: {share} %"));
}

/// Asks at once where the run is still looked at; whoever went on to something else is told.
pub fn evaluated(app: &mut App, evaluation: &EvaluationSummary) {
    app.evaluating = None;
    app.unsay();
    let run = evaluation.start.run;
    if app.mode() == super::super::keys::KeyMode::ReviewRun && app.review.walked.as_ref().is_some_and(|opened| opened.run == run) {
        ask(app, evaluation, true);
    } else {
        app.say(Role::Plain, format!("evaluation {} of run {run} is kept: E on the run shows it", evaluation.id));
    }
}

/// Shows both and asks which counts; `adopt` asks for the evaluation, else for the run's own readings.
fn ask(app: &mut App, evaluation: &EvaluationSummary, adopt: bool) {
    let (run, id) = (evaluation.start.run, evaluation.id);
    let title = match adopt {
        true => format!("Run {run} by evaluation {id}, from echo to echo: let it count?"),
        false => format!("Run {run} counts by evaluation {id}: let its own readings count again?"),
    };
    let mut fields = vec![FormField::text("reason", "reason", "", true).hint("kept with the name and shown in the report")];
    fields.extend(prompt::who(app));
    let purpose = Purpose::Adopt { run, evaluation: adopt.then_some(id) };
    let about = beside(app, evaluation);
    prompt::ask(app, title, purpose, fields);
    if let Some(Prompt { about: shown, .. }) = &mut app.prompt {
        *shown = about;
    }
}

/// Both beside each other.
fn beside(app: &App, evaluation: &EvaluationSummary) -> Vec<String> {
    let unit = app.look.unit;
    let (changes, symbol) = (&evaluation.changes, unit.thickness_symbol());
    let line =
        |name: &str, of: &dyn Fn(&EvaluationFindings) -> String| format!("{name:<18}{:>16}{:>18}", of(&changes.before), of(&changes.after));
    let least =
        |found: &EvaluationFindings| found.least.map_or_else(|| "none".to_owned(), |least| format!("{} {symbol}", unit.thickness(least)));
    let at = |found: &EvaluationFindings| {
        found.least_at.map_or_else(|| "-".to_owned(), |at| format!("{} {}", unit.place(at), unit.place_symbol()))
    };
    let mean = changes.mean_difference.map_or_else(
        || "no reading has a thickness in both".to_owned(),
        |mean| {
            let sign = if mean.as_mm() < 0.0 { "-" } else { "+" };
            let compared = backwall_report::words::count(changes.compared, "reading");
            format!("{:<18}{sign}{} {symbol} over {compared}", "mean difference", unit.thickness(mean.abs()))
        },
    );
    vec![
        format!("{:<18}{:>16}{:>18}", "", "own readings", format!("evaluation {}", evaluation.id)),
        line("minimum", &least),
        line("at", &at),
        line("no echo", &|found| found.no_echo.to_string()),
        line("THIN spots", &|found| found.thin_spots.to_string()),
        line("WATCH spots", &|found| found.watch_spots.to_string()),
        mean,
        format!("differs in {}", app.contents.differs(&evaluation.start, unit)),
        String::new(),
    ]
}

/// Keeps which readings count, and opens the run anew: everything on screen follows them.
pub fn adopted(app: &mut App, adoption: Adoption) -> Vec<Effect> {
    let run = adoption.run;
    let mut effects = vec![Effect::Adopt(adoption), Effect::Reload];
    effects.extend(app.review.walked.is_some().then_some(Effect::OpenRun(run)));
    effects
}
