//! The screens of the whole job, over the review: what is read for them, and their cursors.

use super::super::state::{App, Effect};
use super::super::survey::{MapShown, Survey, SurveyNews, SurveyShown, Surveyed};
use super::super::theme::Role;
use crate::store::RunId;
use crate::units::Length;
use std::sync::Arc;

/// The line looked at beneath, and the place in it.
fn beneath(app: &App) -> Option<(String, Option<Length>)> {
    let line_of = |run: RunId| app.contents.runs.iter().find(|known| known.id == run).map(|run| run.start.line.clone());
    match &app.opened {
        Some(opened) => Some((line_of(opened.run)?, opened.place())),
        None => app.contents.runs.get(app.run).map(|run| (run.start.line.clone(), run.least_at)),
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

pub fn news(app: &mut App, news: SurveyNews) -> Vec<Effect> {
    match (news, &mut app.survey) {
        (SurveyNews::Map(surveyed), Some(SurveyShown::Map(shown))) => shown.take(surveyed),
        (SurveyNews::Failed(words), _) => app.say(Role::Fault, words),
        // Of a screen that has been left.
        (SurveyNews::Map(_), None) => {}
    }
    Vec::new()
}

pub fn walk(app: &mut App, by: usize, up: bool) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => shown.walk(by, up),
        None => {}
    }
    Vec::new()
}

pub fn sideways(app: &mut App, right: bool) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => shown.sideways(right),
        None => {}
    }
    Vec::new()
}

pub fn home(app: &mut App) -> Vec<Effect> {
    match &mut app.survey {
        Some(SurveyShown::Map(shown)) => (shown.lane, shown.row, shown.column) = (0, 0, 0),
        None => {}
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
        None => true,
    };
    if !found {
        app.say(Role::Plain, "no reading has a thickness");
    }
    Vec::new()
}

/// Opens the line the cursor is on, all of its runs together, at the cursor.
pub fn choose(app: &mut App) -> Vec<Effect> {
    let found = match &app.survey {
        Some(SurveyShown::Map(shown)) => shown.cell().map(|(band, cell)| (band.line.clone(), least_in(band, &cell))),
        None => None,
    };
    let Some((line, place)) = found else { return Vec::new() };
    let Some(run) = app.runs_on(&line).filter(|run| run.readings > 0).last().or(app.runs_on(&line).last()).map(|run| run.id) else {
        app.say(Role::Plain, format!("line {line} has no run: nobody was there"));
        return Vec::new();
    };
    app.survey = None;
    app.opened = None;
    app.aim = place;
    vec![Effect::CloseSurvey, Effect::OpenLine(run)]
}

/// Where in a cell the least was read; where nothing was, its middle.
fn least_in(band: &crate::strip::map::Band, cell: &crate::strip::map::Cell) -> Option<Length> {
    let inside = |place: Length| place + Length::mm(1.0) > cell.from && place < cell.to;
    let found = band.strip.finest().filter(|(place, bin)| inside(*place) && bin.least.is_some() && bin.least == cell.bin.least);
    found.map(|(place, _)| place).next().or(Some((cell.from + cell.to) / 2.0))
}
