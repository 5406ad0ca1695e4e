//! What is left to do: the screen over any step, where each item leads, and the run that goes on where another broke off.

use super::super::Step;
use super::super::form::FormField;
use super::super::left::{LeftShown, ToGoOn};
use super::super::state::{App, Effect, Purpose};
use super::super::survey::{SurveyAsk, SurveyNews};
use super::super::theme::Role;
use super::{noted, prompt};
use crate::live::ContinuesRun;
use backwall_report::left::Left;
use backwall_store::RunId;
use backwall_survey::job::Said;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::left::About;
use backwall_units::Length;
use std::sync::Arc;

/// Opens it, or closes it again.
pub fn press(app: &mut App) -> Vec<Effect> {
    if app.left.is_some() { close(app) } else { open(app) }
}

/// What was read last stands there at once; it is read again where something was written since, or is being recorded.
pub fn open(app: &mut App) -> Vec<Effect> {
    let known = app.left_known.clone();
    let is_known = known.is_some() && !app.scanning();
    app.left = Some(LeftShown { found: known, ..LeftShown::default() });
    later(app);
    if is_known { Vec::new() } else { vec![Effect::OpenSurvey(SurveyAsk::Left)] }
}

/// Back to what lay beneath; a survey that was still being read there is read again.
pub fn close(app: &mut App) -> Vec<Effect> {
    if app.left.take().is_none() {
        return Vec::new();
    }
    let again = app.review.over.as_ref().and_then(|over| over.read_again(app.look.unit));
    vec![again.map_or(Effect::CloseSurvey, Effect::OpenSurvey)]
}

/// Something was written: what was known counts no more, and what is on screen is read again.
pub fn again(app: &mut App) -> Vec<Effect> {
    app.left_known = None;
    if app.left.is_some() { vec![Effect::OpenSurvey(SurveyAsk::Left)] } else { Vec::new() }
}

/// Time has gone by: what runs out moves on.
pub fn later(app: &mut App) {
    let Some(shown) = &mut app.left else { return };
    if let Some(found) = &shown.found {
        let found = found.later(&app.contents, app.now_us);
        shown.take(Arc::new(found));
    }
}

/// Takes what was read; news of anything else is handed back.
pub fn news(app: &mut App, news: SurveyNews) -> Option<SurveyNews> {
    match news {
        SurveyNews::Left { done, of } => app.left.iter_mut().for_each(|shown| shown.progress = (done, of)),
        SurveyNews::LeftFound(found) => {
            app.left_known = Some(found.clone());
            app.left.iter_mut().for_each(|shown| shown.take(found.clone()));
            later(app);
        }
        SurveyNews::LeftFailed(why) => app.left.iter_mut().for_each(|shown| shown.failed = Some(why.clone())),
        other => return Some(other),
    }
    None
}

/// Goes where the item is done.
pub fn choose(app: &mut App) -> Vec<Effect> {
    let Some((item, found)) = app.left.as_ref().and_then(|shown| Some((shown.item()?.clone(), shown.found.clone()?))) else {
        return Vec::new();
    };
    match item.about {
        About::Checklist => {
            let step = where_it_stops(app, &item.words);
            app.item = app.next_open_item(0).unwrap_or(app.contents.checklist.items.len());
            to(app, step)
        }
        About::Calibration => to(app, Step::Calibrate),
        About::Line(line) | About::Stretch { line, .. } => to_line(app, &line),
        About::Interrupted(run) => ask_interrupted(app, run),
        About::Run(run) => {
            let effects = to(app, Step::Review);
            app.choose_run(run);
            effects
        }
        About::Spot(run, spot) => to_spot(app, run, found.spot_at(run, spot)),
        About::Witness(name) => noted::ask_witness_of(app, &name),
        About::Photo(name) => noted::ask_photo_of(app, &name),
        About::RunsOut(what) => {
            let item = app.contents.checklist.items.iter().position(|item| item.short() == what);
            app.item = item.unwrap_or(app.item);
            to(app, Step::Checklist)
        }
        About::Plan => {
            let mut effects = to(app, Step::Prepare);
            effects.extend(super::planning::open(app));
            effects
        }
    }
}

/// The step in which what stops scanning is put right.
fn where_it_stops(app: &App, words: &String) -> Step {
    let of_checklist =
        app.contents.checklist.obstacles(&app.contents.answers, &app.contents.signatures, &app.contents.conditions(app.now_us, None, ""));
    if of_checklist.contains(words) {
        Step::Checklist
    } else if app.out_of_date().contains(words) {
        Step::Prepare
    } else {
        Step::Calibrate
    }
}

/// Leaves the screen for a step, with nothing over it.
fn to(app: &mut App, step: Step) -> Vec<Effect> {
    app.left = None;
    let over = app.review.over.take().map(|over| over.closed());
    // What is left was read in the place of a survey.
    let mut effects = vec![Effect::CloseSurvey];
    effects.extend(over.filter(|closed| *closed != Effect::CloseSurvey));
    if step == Step::Review && app.review.walked.is_some() {
        effects.push(app.review.back());
    }
    app.step = step;
    app.put_away();
    effects
}

/// The line is chosen, never started.
fn to_line(app: &mut App, line: &str) -> Vec<Effect> {
    if app.scanning() {
        app.say(Role::Watch, "a run is going: end it first");
        return Vec::new();
    }
    let effects = to(app, Step::Scan);
    app.line = app.contents.plan.lines.iter().position(|known| known.name == line).unwrap_or(app.line);
    effects
}

/// The run is opened with the cursor at the place of the spot.
fn to_spot(app: &mut App, run: RunId, place: Option<Length>) -> Vec<Effect> {
    let mut effects = to(app, Step::Review);
    app.choose_run(run);
    app.aim = place;
    effects.push(Effect::OpenRun(run));
    effects
}

const GO_ON: &str = "go on from there";
const LEAVE: &str = "leave it as it is";

fn ask_interrupted(app: &mut App, run: RunId) -> Vec<Effect> {
    let Some(summary) = app.contents.any_run(run) else { return Vec::new() };
    let place = last_place(app, run).map_or_else(|| "before its first place".to_owned(), |at| place(app, at));
    let title = format!("Run {run} on {} ended in the middle, {place}", summary.start.line);
    let choices = vec![GO_ON.to_owned(), LEAVE.to_owned()];
    let mut fields = vec![
        FormField::choice("what", "what now", GO_ON, choices).hint("go on: the line is chosen, s starts a run joined to this one"),
        FormField::text("reason", "reason", "", true).hint("kept with the name and shown in the report"),
    ];
    fields.extend(prompt::who(app));
    prompt::ask(app, title, Purpose::Interrupted { run }, fields)
}

fn place(app: &App, at: Length) -> String {
    format!("at {} {}", app.look.unit.place(at), app.look.unit.place_symbol())
}

fn last_place(app: &App, run: RunId) -> Option<Length> {
    let found: &Arc<Left> = app.left.as_ref()?.found.as_ref()?;
    found.last_place(run)
}

/// What was chosen for an interrupted run.
pub fn interrupted(app: &mut App, run: RunId, what: &str, reason: String, by: Signed) -> Result<Vec<Effect>, String> {
    if what == LEAVE {
        return super::amend::said(app, Said::Leave { run }, reason, by).map_err(|(_, why)| why);
    }
    if app.scanning() {
        return Err("a run is going: end it first".to_owned());
    }
    let Some(line) = app.contents.any_run(run).map(|summary| summary.start.line.clone()) else { return Ok(Vec::new()) };
    let at = last_place(app, run);
    // Its places go on from the last one that was saved; the panel before the start shows where the crawler must stand.
    let planned = app.contents.plan.line(&line).map(|planned| app.contents.plan.path(planned));
    let offset = planned.zip(at).map(|(path, at)| crate::live::begin::offset_of(&path, at));
    app.goes_on = Some(ToGoOn { line: line.clone(), at, goes_on: ContinuesRun { from: run, reason, by } });
    let effects = to_line(app, &line);
    app.begin_from = offset.unwrap_or_default();
    Ok(effects)
}

/// The run that goes on, where its line is chosen.
fn to_go_on<'a>(app: &'a App, line: &str) -> Option<&'a ToGoOn> {
    app.goes_on.as_ref().filter(|to_go_on| to_go_on.line == line)
}

/// What is to be done for a run that goes on, while its line is chosen.
pub fn goes_on_words(app: &App) -> Option<String> {
    let chosen = app.contents.plan.lines.get(app.line)?;
    let to_go_on = to_go_on(app, &chosen.name)?;
    let unit = app.look.unit;
    let saved = to_go_on.at.map_or_else(String::new, |at| format!(", saved up to {} {}", unit.place(at), unit.place_symbol()));
    Some(format!("GOES ON from run {}{saved}: put the crawler there, then s", to_go_on.goes_on.from))
}

/// What a run that is started on a line goes on from, if it does.
pub fn goes_on(app: &App, line: &str) -> Option<ContinuesRun> {
    to_go_on(app, line).map(|to_go_on| to_go_on.goes_on.clone())
}
