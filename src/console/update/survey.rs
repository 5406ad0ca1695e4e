//! The screens of the whole job, over the review: what is read for them, and their cursors.

use super::super::state::{App, Effect};
use super::super::survey::{MapShown, StatisticsShown, Survey, SurveyNews, SurveyShown, Surveyed, UnseenShown};
use super::super::theme::Role;
use backwall_store::RunId;
use backwall_units::Length;
use std::sync::Arc;

/// The line looked at beneath, and the place in it.
fn beneath(app: &App) -> Option<(String, Option<Length>)> {
    let line_of = |run: RunId| app.contents.any_run(run).map(|run| run.start.line.clone());
    match &app.opened {
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
    app.survey = Some(SurveyShown::Map(shown));
    vec![Effect::OpenSurvey(Survey::Map)]
}

pub fn open_statistics(app: &mut App) -> Vec<Effect> {
    // From the map it is the line of the cursor.
    let on_map = match &app.survey {
        Some(SurveyShown::Map(shown)) => shown.surveyed.band(shown.lane).map(|band| band.line.clone()),
        _ => None,
    };
    let line = on_map.or_else(|| beneath(app).map(|(line, _)| line));
    let Some(line) = line.or_else(|| app.contents.plan.lines.first().map(|line| line.name.clone())) else {
        app.say(Role::Plain, "the plan has no line");
        return Vec::new();
    };
    let shown = StatisticsShown::new(line.clone());
    let interval = shown.interval(app.look.unit);
    app.survey = Some(SurveyShown::Statistics(shown));
    vec![Effect::OpenSurvey(Survey::Statistics { line, interval })]
}

/// What the run looked at could not have seen.
pub fn open_unseen(app: &mut App) -> Vec<Effect> {
    let looked_at = app.opened.as_ref().map(|opened| opened.run).or_else(|| app.chosen_run().map(|run| run.id));
    let Some(run) = looked_at else {
        app.say(Role::Plain, "there is no run");
        return Vec::new();
    };
    app.survey = Some(SurveyShown::Unseen(UnseenShown { run, progress: (0, 0), found: None, failed: None }));
    vec![Effect::OpenSurvey(Survey::Unseen(run))]
}

/// Asks for the intervals on screen, unless they are there.
pub fn again(app: &App) -> Vec<Effect> {
    let Some(SurveyShown::Statistics(shown)) = &app.survey else { return Vec::new() };
    let wanted = (shown.line.clone(), shown.interval(app.look.unit));
    if shown.figures.as_ref().is_some_and(|figures| figures.interval == wanted) {
        return Vec::new();
    }
    vec![Effect::AskSurvey(Survey::Statistics { line: wanted.0, interval: wanted.1 })]
}

fn with(app: &mut App, change: impl FnOnce(&mut StatisticsShown)) -> Vec<Effect> {
    if let Some(SurveyShown::Statistics(shown)) = &mut app.survey {
        change(shown);
    }
    again(app)
}

pub fn by(app: &mut App) -> Vec<Effect> {
    with(app, StatisticsShown::next)
}

pub fn interval(app: &mut App, longer: bool) -> Vec<Effect> {
    with(app, |shown| shown.longer(longer))
}

pub fn news(app: &mut App, news: SurveyNews) -> Vec<Effect> {
    let Some(news) = super::left::news(app, news) else { return Vec::new() };
    match (news, &mut app.survey) {
        (SurveyNews::Map(surveyed), Some(SurveyShown::Map(shown))) => shown.take(surveyed),
        (SurveyNews::Failed(words), _) => app.say(Role::Fault, words),
        (SurveyNews::Statistics(figures), Some(SurveyShown::Statistics(shown))) => shown.take(figures),
        (SurveyNews::Unseen { done, of }, Some(SurveyShown::Unseen(shown))) => shown.progress = (done, of),
        (SurveyNews::UnseenFound(found), Some(SurveyShown::Unseen(shown))) if found.run == shown.run => shown.found = Some(found),
        (SurveyNews::UnseenFailed(why), Some(SurveyShown::Unseen(shown))) => shown.failed = Some(why),
        // Of a screen that has been left.
        _ => {}
    }
    Vec::new()
}

pub fn walk(app: &mut App, by: usize, up: bool) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => shown.walk(by, up),
        Some(SurveyShown::Statistics(_)) => return with(app, |shown| shown.walk(by, up)),
        Some(SurveyShown::Unseen(_)) | None => {}
    }
    Vec::new()
}

pub fn sideways(app: &mut App, right: bool) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => shown.sideways(right),
        Some(SurveyShown::Statistics(_)) => return with(app, |shown| shown.sideways(right)),
        Some(SurveyShown::Unseen(_)) | None => {}
    }
    Vec::new()
}

pub fn home(app: &mut App) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => (shown.lane, shown.row, shown.column) = (0, 0, 0),
        Some(SurveyShown::Statistics(_)) => return with(app, |shown| shown.walk(usize::MAX, true)),
        Some(SurveyShown::Unseen(_)) | None => {}
    }
    Vec::new()
}

pub fn zoom(app: &mut App, out: bool) -> Vec<Effect> {
    if let Some(SurveyShown::Map(shown)) = &mut app.survey {
        shown.zoom(out);
    }
    Vec::new()
}

pub fn least(app: &mut App) -> Vec<Effect> {
    let found = match &mut app.survey {
        Some(SurveyShown::Map(shown)) => shown.least(),
        _ => true,
    };
    if !found {
        app.say(Role::Plain, "no reading has a thickness");
    }
    Vec::new()
}

/// Opens the line the cursor is on, all of its runs together, at the cursor.
pub fn choose(app: &mut App) -> Vec<Effect> {
    let found = match &app.survey {
        Some(SurveyShown::Map(shown)) => shown.cell().map(|(band, cell)| (band.line.clone(), Some(shown.place_in(band, &cell)))),
        Some(SurveyShown::Statistics(shown)) => shown.figures.as_ref().and_then(|figures| shown.chosen(figures)).map(|part| {
            let least = part.row.statistics.least.and_then(|found| found.along);
            (part.row.line.clone(), least.or(part.row.edges.map(|edges| edges.0)))
        }),
        Some(SurveyShown::Unseen(_)) | None => None,
    };
    let Some((line, place)) = found else { return Vec::new() };
    let Some(run) = app.runs_on(&line).filter(|run| run.readings > 0).last().or(app.runs_on(&line).last()).map(|run| run.id) else {
        app.say(Role::Plain, format!("line {line} has no run: it was not scanned"));
        return Vec::new();
    };
    app.survey = None;
    app.opened = None;
    app.aim = place;
    vec![Effect::CloseSurvey, Effect::OpenLine(run)]
}
