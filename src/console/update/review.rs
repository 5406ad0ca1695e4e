//! Walking a stored run: cursor, jumps, zoom, the limit moved for looking. Everything is done at once on what is
//! known; what has to be fetched is asked for.

use super::super::keys::WalkKey;
use super::super::origin as number_origin;
use super::super::review::{Ask, Behind, News, Opened, Overview};
use super::super::state::{App, Effect, OriginShown};
use super::super::theme::Role;
use backwall_store::RunId;
use backwall_units::Length;
use std::sync::Arc;

pub fn opened(app: &mut App, run: RunId, overview: Arc<Overview>) -> Vec<Effect> {
    let before = app.review.walked.take().filter(|opened| opened.run == run);
    let mut opened = Opened::new(run, overview);
    // The same run with the others of its line, or without them: the eye stays where it was.
    if let Some(before) = before {
        opened.look = before.look;
        opened.moved = before.moved;
        if let Some(place) = before.place() {
            opened.go(place);
        }
        opened.limit_again();
    }
    opened.aim = app.aim.take();
    if let Some(place) = opened.aim {
        opened.look_at(place);
    }
    app.review.walked = Some(opened);
    asks(app)
}

pub fn news(app: &mut App, news: News) -> Vec<Effect> {
    let Some(opened) = &mut app.review.walked else { return Vec::new() };
    match news {
        News::Overview(overview) => opened.take(overview),
        News::Window(window) => opened.take_window(window),
        News::Reading(shown) => {
            opened.shown = Some(shown);
            return Vec::new();
        }
        News::Earlier(earlier) => {
            let doubts = earlier.warnings.first().map(|first| match earlier.warnings.len() {
                1 => format!("earlier survey: {first}"),
                more => format!("earlier survey: {first} (and {} more)", more - 1),
            });
            opened.behind = Some(Behind::new(earlier));
            if let Some(words) = doubts {
                app.say(Role::Watch, words);
            }
            return Vec::new();
        }
        News::Compared(comparison) => {
            if let Some(behind) = opened.behind.as_mut().filter(|behind| behind.accepted == Some(comparison.offset)) {
                behind.compared = Some(comparison);
            }
            return Vec::new();
        }
        News::Failed(words) => {
            app.say(Role::Fault, words);
            return Vec::new();
        }
    }
    asks(app)
}

fn asks(app: &App) -> Vec<Effect> {
    app.review.walked.as_ref().map(|opened| opened.asks().into_iter().map(Effect::Ask).collect()).unwrap_or_default()
}

fn with(app: &mut App, change: impl FnOnce(&mut Opened)) -> Vec<Effect> {
    if let Some(opened) = &mut app.review.walked {
        change(opened);
    }
    asks(app)
}

pub fn walk(app: &mut App, by: usize, up: bool) -> Vec<Effect> {
    with(app, |opened| opened.walk(by, up))
}

pub fn home(app: &mut App) -> Vec<Effect> {
    with(app, Opened::go_start)
}

pub fn end(app: &mut App) -> Vec<Effect> {
    with(app, Opened::go_end)
}

pub fn zoom(app: &mut App, out: bool) -> Vec<Effect> {
    with(app, |opened| opened.zoom(out))
}

pub fn press(app: &mut App, key: WalkKey) -> Vec<Effect> {
    let unit = app.look.unit;
    let Some(opened) = &mut app.review.walked else { return Vec::new() };
    match key {
        WalkKey::LimitDown => opened.move_limit(false, unit),
        WalkKey::LimitUp => opened.move_limit(true, unit),
        WalkKey::LimitHome => opened.limit_home(),
        WalkKey::AllRuns => {
            let (run, all) = (opened.run, opened.is_all());
            return vec![if all { Effect::OpenRun(run) } else { Effect::OpenLine(run) }];
        }
        WalkKey::Acknowledge => return super::acknowledge::at_cursor(app),
        WalkKey::Accept => return accept(app),
        WalkKey::Evaluate => return super::evaluate::press(app),
        WalkKey::ByHand => return super::hand::ask(app),
        WalkKey::Least => match opened.overview.places.least() {
            Some(at) => opened.go_to(at),
            None => app.say(Role::Plain, "no reading has a thickness"),
        },
        WalkKey::NextSpot | WalkKey::PreviousSpot => {
            let places = opened.overview.wall.spots.spots().iter().filter_map(|spot| spot.least_at).collect();
            jump(app, places, key == WalkKey::NextSpot, "spot");
        }
        WalkKey::NextGap | WalkKey::PreviousGap => {
            let places = opened.overview.gaps.iter().map(|gap| gap.from).collect();
            jump(app, places, key == WalkKey::NextGap, "stretch without a thickness longer than allowed");
        }
        WalkKey::NextMark | WalkKey::PreviousMark => {
            let wall = &opened.overview.wall;
            let places = wall.marks.iter().filter_map(|mark| mark.along).chain(wall.notes.iter().filter_map(|note| note.along));
            let line = app.contents.runs.iter().find(|run| run.id == opened.run).map_or("", |run| run.start.line.as_str());
            let places = places.chain(app.contents.force.hand_on(line).map(|(_, along)| along)).collect();
            jump(app, places, key == WalkKey::NextMark, "mark, note or reading by hand");
        }
    }
    asks(app)
}

/// Accepts how the earlier survey's positions lie to the present ones; pressed again, takes it back.
fn accept(app: &mut App) -> Vec<Effect> {
    let Some(behind) = app.review.walked.as_mut().and_then(|opened| opened.behind.as_mut()) else {
        app.say(Role::Plain, "no earlier survey is open: review JOB --earlier FILE brings one");
        return Vec::new();
    };
    behind.compared = None;
    if behind.accepted.take().is_some() {
        return Vec::new();
    }
    let offset = behind.proposed();
    behind.accepted = Some(offset);
    vec![Effect::Ask(Ask::Compare(offset))]
}

/// Goes to the next of some places, in driving direction.
fn jump(app: &mut App, mut places: Vec<Length>, next: bool, what: &str) {
    let Some(opened) = &mut app.review.walked else { return };
    let step = if opened.single { Length::mm(0.001) } else { opened.look.step() };
    let row = |place: Length| (place / step).floor() as i64;
    let up = next != opened.overview.is_down();
    places.sort_by(Length::total_cmp);
    let here = opened.place().map(row);
    let found = match (here, up) {
        (None, _) => places.first(),
        (Some(here), true) => places.iter().find(|place| row(**place) > here),
        (Some(here), false) => places.iter().rev().find(|place| row(**place) < here),
    };
    match found.copied() {
        Some(place) => opened.go(place),
        None if places.is_empty() => app.say(Role::Plain, format!("there is no {what}")),
        None => app.say(Role::Plain, format!("no further {what} this way")),
    }
}

/// Opens where the number at the cursor comes from.
pub fn origin(app: &mut App) -> Vec<Effect> {
    let Some(opened) = &app.review.walked else { return Vec::new() };
    let summary = opened.at.and_then(|at| app.contents.any_run(*opened.overview.runs.get(at.run as usize)?));
    match (opened.fetched(), summary) {
        (Some(shown), Some(summary)) => {
            let start = &summary.start;
            let row = opened.at.map_or(0, |at| at.row);
            let setup = app.contents.setup_at(summary, row);
            let run = number_origin::OriginRun { started_us: start.started_us, setup, limits: &start.limits };
            let waveform = shown.waveform.as_ref().ok().and_then(Option::as_ref);
            let lines = number_origin::of(&app.contents, &run, &shown.reading, waveform, &app.look);
            app.origin = Some(OriginShown { lines, top: 0 });
        }
        _ => app.say(Role::Plain, "no reading at the cursor"),
    }
    Vec::new()
}
