//! A stored run played again: from its start, held, faster and slower. Nothing here asks for anything to be written.

use super::super::replay::Replay;
use super::super::review::Over;
use super::super::state::{App, Effect, ShownRun, WallLook};
use super::super::theme::Role;
use crate::live::{LiveView, LiveWall, Phase};
use backwall_store::RunState;
use std::sync::{Arc, Mutex};

/// Plays the run that is looked at, or the one that was played once more.
pub fn start(app: &mut App) -> Vec<Effect> {
    let run = match (app.review.replay(), &app.review.walked) {
        (Some(scan), _) => Some(scan.view.run),
        (None, Some(opened)) => opened.at.and_then(|at| opened.overview.runs.get(at.run as usize).copied()).or(Some(opened.run)),
        (None, None) => app.chosen_run().map(|run| run.id),
    };
    let Some(summary) = run.and_then(|run| app.contents.any_run(run)) else {
        app.say(Role::Plain, "there is no run to play");
        return Vec::new();
    };
    if summary.readings == 0 && summary.state != RunState::Open {
        let words = format!("run {} has no readings", summary.id);
        app.say(Role::Plain, words);
        return Vec::new();
    }
    vec![Effect::OpenReplay(summary.id)]
}

pub fn started(app: &mut App, view: Arc<LiveView>, wall: Arc<Mutex<LiveWall>>) -> Vec<Effect> {
    let before = app.review.replay();
    let replay = Replay { paused: false, ..before.and_then(|scan| scan.replay).unwrap_or_default() };
    let look = before.map_or_else(WallLook::default, |scan| WallLook { back: None, ..scan.look });
    let scan = ShownRun { look, replay: Some(replay), ..ShownRun::new(view, wall) };
    app.review.over = Some(Over::Replay(Box::new(scan)));
    vec![Effect::Replay(replay)]
}

/// Changes how it is played.
pub fn change(app: &mut App, change: impl FnOnce(&mut Replay)) -> Vec<Effect> {
    let Some(replay) = app.review.replay_mut().and_then(|scan| scan.replay.as_mut()) else { return Vec::new() };
    change(replay);
    vec![Effect::Replay(*replay)]
}

pub fn news(app: &mut App, view: Arc<LiveView>) -> Vec<Effect> {
    // What comes of one that was left, or of another run, is passed over.
    if let Some(scan) = app.review.replay_mut().filter(|scan| scan.view.run == view.run) {
        scan.view = view;
        if let Phase::Failed(why) = &scan.view.phase {
            let words = format!("the replay stopped: {why}");
            app.say(Role::Fault, words);
        }
    }
    Vec::new()
}
