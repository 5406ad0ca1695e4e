//! Moving about: through lists, along the wall, from a line to its run.

use super::super::review::{Over, Review};
use super::super::state::{App, Effect, Frozen, OriginShown, ShownRun};
use super::super::theme::Role;
use super::super::{Step, origin};
use super::prompt;
use crate::live::RunCommand;
use backwall_store::MarkKind;
use backwall_survey::job::checklist::ItemKind;

fn moved(index: usize, by: usize, back: bool, count: usize) -> usize {
    let last = count.saturating_sub(1);
    if back { index.saturating_sub(by) } else { (index + by).min(last) }
}

pub fn walk(app: &mut App, by: usize, back: bool) -> Vec<Effect> {
    if let Some(top) = &mut app.help {
        *top = moved(*top, by, back, 100);
        return Vec::new();
    }
    if let Some(shown) = &mut app.origin {
        shown.top = moved(shown.top, by, back, shown.lines.len());
        return Vec::new();
    }
    if let Some(shown) = &mut app.revision {
        shown.top = moved(shown.top, by, back, shown.lines.len());
        return Vec::new();
    }
    if let Some(planning) = &mut app.planning {
        planning.walk(by, back);
        return Vec::new();
    }
    if let Some(shown) = &mut app.left {
        shown.walk(by, back);
        return Vec::new();
    }
    match app.step {
        Step::Prepare => app.line = moved(app.line, by, back, app.contents.plan.lines.len()),
        Step::Checklist => {
            let choices = match app.contents.checklist.items.get(app.item).map(|item| &item.kind) {
                Some(ItemKind::Choice { choices, .. }) => choices.len(),
                _ => 0,
            };
            // Inside a list of choices the cursor goes through the list first.
            let stays = if back { app.choice > 0 } else { app.choice + 1 < choices };
            if by == 1 && choices > 0 && stays {
                app.choice = moved(app.choice, 1, back, choices);
            } else {
                app.item = moved(app.item, by, back, app.contents.checklist.items.len() + 1);
                app.choice = 0;
            }
        }
        Step::Calibrate => {}
        Step::Scan if app.scan.is_none() => app.line = moved(app.line, by, back, app.contents.plan.lines.len()),
        Step::Review => match app.review.top() {
            Review::Runs => app.run = moved(app.run, by, !back, app.all_runs().len()),
            Review::Walk(_) => return super::review::walk(app, by, back),
            Review::Over(_) => return super::survey::with(app, |over| over.walk(by, back)),
        },
        Step::Scan => {
            if let Some(scan) = &mut app.scan {
                scan.look_back(by, back);
            }
        }
    }
    Vec::new()
}

/// Opens where the number on screen comes from; a frozen one counts before the newest.
pub fn origin(app: &mut App) -> Vec<Effect> {
    if app.step == Step::Review && app.review.replay().is_none() {
        return super::review::origin(app);
    }
    let Some(scan) = app.on_screen() else { return Vec::new() };
    let (reading, waveform) = match &scan.frozen {
        Some(frozen) => (Some(&frozen.reading), Some(&frozen.waveform)),
        None => (scan.view.reading.as_ref(), scan.view.waveform.as_ref()),
    };
    match reading {
        Some(reading) => {
            let run = origin::OriginRun { started_us: scan.view.started_us, setup: &scan.view.setup, limits: &scan.view.limits };
            let lines = origin::of(&app.contents, &run, reading, waveform, &app.look);
            app.origin = Some(OriginShown { lines, top: 0 });
        }
        None => app.say(Role::Plain, "no reading yet"),
    }
    Vec::new()
}

pub fn home(app: &mut App) -> Vec<Effect> {
    if app.help.is_some() {
        app.help = Some(0);
        return Vec::new();
    }
    if let Some(shown) = &mut app.origin {
        shown.top = 0;
        return Vec::new();
    }
    if app.revision.is_some() || app.planning.is_some() || app.left.is_some() {
        return walk(app, usize::MAX, true);
    }
    match app.step {
        Step::Prepare => app.line = 0,
        Step::Checklist => (app.item, app.choice) = (0, 0),
        Step::Review => match app.review.top() {
            Review::Runs => app.run = app.all_runs().len().saturating_sub(1),
            Review::Walk(_) => return super::review::home(app),
            Review::Over(_) => return super::survey::with(app, Over::home),
        },
        _ => follow(app),
    }
    Vec::new()
}

/// The strip follows the crawler again.
fn follow(app: &mut App) {
    if let Some(scan) = app.on_screen_mut() {
        scan.look.back = None;
    }
}

pub fn zoom(app: &mut App, out: bool) -> Vec<Effect> {
    match app.review.top() {
        Review::Over(_) if app.step == Step::Review => return super::survey::with(app, |over| over.zoom(out)),
        _ if app.step == Step::Review => return super::review::zoom(app, out),
        _ => {}
    }
    if let Some(scan) = &mut app.scan {
        scan.zoom(out);
    }
    Vec::new()
}

pub fn freeze(app: &mut App) {
    if let Some(scan) = app.on_screen_mut() {
        scan.frozen = match (scan.frozen.take(), &scan.view.waveform, &scan.view.reading) {
            (None, Some(waveform), Some(reading)) => Some(Frozen { waveform: waveform.clone(), reading: reading.clone() }),
            _ => None,
        };
    }
}

pub fn choose(app: &mut App) -> Vec<Effect> {
    if app.test_card {
        app.test_card = false;
        return vec![Effect::SaveSettings];
    }
    if app.revision.is_some() {
        return super::amend::ask_revision(app);
    }
    if app.left.is_some() {
        return super::left::choose(app);
    }
    match app.step {
        Step::Prepare => {
            app.step = Step::Scan;
            Vec::new()
        }
        Step::Checklist => prompt::take_item(app),
        Step::Calibrate => Vec::new(),
        Step::Scan => {
            // The run just ended, in the review.
            let Some(run) = app.scan.take().map(|scan| scan.view.run) else {
                return Vec::new();
            };
            app.step = Step::Review;
            app.choose_run(run);
            vec![Effect::Reload, Effect::OpenRun(run)]
        }
        Step::Review if app.review.over.is_some() => super::survey::choose(app),
        Step::Review => match app.chosen_run() {
            Some(run) => vec![Effect::OpenRun(run.id)],
            None => Vec::new(),
        },
    }
}

/// The first reason, and how many more there are.
pub(super) fn what_stops(obstacles: &[String]) -> String {
    let first = obstacles.first().map_or("", String::as_str);
    match obstacles.len() {
        0 | 1 => first.to_owned(),
        count => format!("{first}, and {} more", count - 1),
    }
}

pub fn mark(app: &mut App, number: u8) -> Vec<Effect> {
    let Some(kind) = MarkKind::ALL.get(usize::from(number)).copied() else {
        return Vec::new();
    };
    let along = app.scan.as_ref().and_then(|scan: &ShownRun| scan.view.reading.as_ref()).and_then(|reading| reading.place.along);
    let place = along.map_or_else(
        || "without a place".to_owned(),
        |along| format!("at {} {}", app.look.unit.place(along), app.look.unit.place_symbol()),
    );
    prompt::ask_mark_text(app, format!("{} {place}", kind.word()));
    vec![Effect::Command(RunCommand::Mark { kind, text: String::new() })]
}
