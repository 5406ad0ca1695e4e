//! The screens over the runs: opening them, what is read for them, and going from them to a line.

use super::super::review::{Over, Reviewing};
use super::super::state::{App, Effect};
use super::super::survey::{MapShown, StatisticsShown, SurveyAsk, SurveyNews, Surveyed, UnseenShown};
use super::super::theme::Role;
use backwall_store::RunId;
use backwall_units::Length;
use std::sync::Arc;

/// The line looked at beneath, and the place in it.
fn beneath(app: &App) -> Option<(String, Option<Length>)> {
    let line_of = |run: RunId| app.contents.any_run(run).map(|run| run.start.line.clone());
    match &app.review.walked {
        Some(opened) => Some((line_of(opened.run)?, opened.place())),
        None => app.chosen_run().map(|run| (run.start.line.clone(), run.least_at)),
    }
}

pub fn open_map(app: &mut App) -> Vec<Effect> {
    // Nothing is known yet, and the cursor already stands on the line that was looked at.
    let map = app.contents.plan.wall_map(|_| Default::default());
    let mut shown = MapShown::new(Arc::new(Surveyed::new(map, true, Vec::new(), Default::default())));
    if let Some((line, place)) = beneath(app) {
        shown.go(&line, place);
    }
    app.review.over = Some(Over::Map(shown));
    vec![Effect::OpenSurvey(SurveyAsk::Map)]
}

pub fn open_statistics(app: &mut App) -> Vec<Effect> {
    // From the map it is the line of the cursor.
    let on_map = match &app.review.over {
        Some(Over::Map(shown)) => shown.surveyed.band(shown.lane).map(|band| band.line.clone()),
        _ => None,
    };
    let line = on_map.or_else(|| beneath(app).map(|(line, _)| line));
    let Some(line) = line.or_else(|| app.contents.plan.lines.first().map(|line| line.name.clone())) else {
        app.say(Role::Plain, "the plan has no line");
        return Vec::new();
    };
    let shown = StatisticsShown::new(line.clone());
    let interval = shown.interval(app.look.unit);
    app.review.over = Some(Over::Statistics(shown));
    vec![Effect::OpenSurvey(SurveyAsk::Statistics { line, interval })]
}

/// What the run looked at could not have seen.
pub fn open_unseen(app: &mut App) -> Vec<Effect> {
    let looked_at = app.review.walked.as_ref().map(|opened| opened.run).or_else(|| app.chosen_run().map(|run| run.id));
    let Some(run) = looked_at else {
        app.say(Role::Plain, "there is no run");
        return Vec::new();
    };
    app.review.over = Some(Over::Unseen(UnseenShown { run, progress: (0, 0), found: None, failed: None }));
    vec![Effect::OpenSurvey(SurveyAsk::Unseen(run))]
}

/// What the screen on top asks for as it stands.
pub fn again(app: &App) -> Vec<Effect> {
    app.review.over.as_ref().map(|over| over.asks(app.look.unit)).unwrap_or_default()
}

/// Changes the screen on top; what it then asks for.
pub fn with(app: &mut App, change: impl FnOnce(&mut Over)) -> Vec<Effect> {
    if let Some(over) = &mut app.review.over {
        change(over);
    }
    again(app)
}

fn statistics(app: &mut App, change: impl FnOnce(&mut StatisticsShown)) -> Vec<Effect> {
    with(app, |over| {
        if let Over::Statistics(shown) = over {
            change(shown);
        }
    })
}

pub fn by(app: &mut App) -> Vec<Effect> {
    statistics(app, StatisticsShown::next)
}

pub fn interval(app: &mut App, longer: bool) -> Vec<Effect> {
    statistics(app, |shown| shown.longer(longer))
}

pub fn news(app: &mut App, news: SurveyNews) -> Vec<Effect> {
    match super::left::news(app, news) {
        Some(SurveyNews::Failed(words)) => app.say(Role::Fault, words),
        Some(news) => drop(app.review.over.as_mut().map(|over| over.take(news))),
        None => {}
    }
    Vec::new()
}

pub fn minimum(app: &mut App) -> Vec<Effect> {
    if !app.review.over.as_mut().is_none_or(Over::minimum) {
        app.say(Role::Plain, "no reading has a thickness");
    }
    Vec::new()
}

/// Opens the line the cursor is on, all of its runs together, at the cursor.
pub fn choose(app: &mut App) -> Vec<Effect> {
    let Some((line, place)) = app.review.over.as_ref().and_then(Over::chosen) else { return Vec::new() };
    let Some(run) = app.runs_on(&line).filter(|run| run.readings > 0).last().or(app.runs_on(&line).last()).map(|run| run.id) else {
        app.say(Role::Plain, format!("line {line} has no run: it was not scanned"));
        return Vec::new();
    };
    app.review = Reviewing::default();
    app.aim = place;
    vec![Effect::CloseSurvey, Effect::OpenLine(run)]
}
