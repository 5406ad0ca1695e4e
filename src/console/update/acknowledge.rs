//! Spots taken note of after their run has ended: its own record is closed, so that it is said in the job, by name and time.

use super::super::state::{App, Effect};
use super::super::theme::Role;
use super::prompt;
use backwall_store::RunId;
use std::sync::Arc;

/// The spot of the alarm line, in a run that has just ended.
pub fn of_ended(app: &mut App) -> Vec<Effect> {
    let Some(scan) = &app.scan else { return Vec::new() };
    let (run, Some((spot, _))) = (scan.view.run, scan.alarm()) else { return Vec::new() };
    if prompt::unknown_operator(app) {
        return Vec::new();
    }
    if let Some(scan) = &app.scan {
        scan.wall().acknowledge(spot.id);
    }
    said(app, run, spot.least_seq)
}

/// The spot at the cursor of a walked run; where there is none, goes to the next that nobody has acknowledged.
pub fn at_cursor(app: &mut App) -> Vec<Effect> {
    let Some(opened) = &app.review.walked else { return Vec::new() };
    if opened.overview.runs.len() > 1 {
        app.say(Role::Plain, "spots are acknowledged run by run: l shows this run alone");
        return Vec::new();
    }
    let spots = opened.overview.wall.spots.spots();
    let step = opened.look.step();
    let here = opened.place();
    let is_here = |along| here.is_some_and(|here| along >= here && along < here + step);
    let open = || spots.iter().filter(|spot| !spot.acknowledged);
    if let Some(spot) = open().find(|spot| spot.least_at.is_some_and(is_here)) {
        let (run, id, seq) = (opened.run, spot.id, spot.least_seq);
        if prompt::unknown_operator(app) {
            return Vec::new();
        }
        if let Some(opened) = &mut app.review.walked {
            Arc::make_mut(&mut opened.overview).wall.acknowledge(id);
        }
        return said(app, run, seq);
    }
    let next = open().filter_map(|spot| spot.least_at).next();
    match (next, &mut app.review.walked) {
        (Some(at), Some(opened)) => {
            opened.go(at);
            let asks = opened.asks().into_iter().map(Effect::Ask).collect();
            app.say(Role::Plain, "not acknowledged yet: a once more does");
            asks
        }
        _ => {
            app.say(Role::Plain, "every spot of this run is acknowledged");
            Vec::new()
        }
    }
}

fn said(app: &mut App, run: RunId, seq: u32) -> Vec<Effect> {
    app.say(Role::Plain, format!("acknowledged: the spot of run {run} at shot {seq}"));
    vec![Effect::Acknowledge(run, seq, app.signed()), Effect::Reload]
}
