//! A run that is going tells its own numbers: what the job says of it is brought up to date from there, so that nothing has
//! to be counted on the disk while it is being written.

use super::super::state::{App, ShownRun};
use backwall_store::{JobContents, Note, RunState};

/// Brings what the job says of the run that is going up to date.
pub fn follow(app: &mut App) {
    for scan in app.scan.iter().flat_map(ShownRun::all).filter(|scan| !scan.is_over()) {
        follow_one(&mut app.contents, scan);
    }
}

fn follow_one(contents: &mut JobContents, scan: &ShownRun) {
    let view = &scan.view;
    let Some(run) = contents.runs.iter_mut().find(|run| run.id == view.run && run.state == RunState::Open) else { return };
    run.readings = view.counts.received;
    run.no_echo = view.counts.no_echo;
    run.lost = view.counts.lost;
    let wall = scan.wall();
    run.spots = wall.spots.spots().len() as u64;
    (run.from, run.to) = wall.strip.extent().unzip();
    let least = wall.minimum().and_then(|seen| Some((seen.thickness?, seen.along)));
    (run.least, run.least_at) = least.map_or((run.least, run.least_at), |(least, at)| (Some(least), at));
    let known = |note: &Note, all: &[Note]| all.iter().any(|one| one.run == note.run && one.at_us == note.at_us && one.text == note.text);
    for note in &wall.notes {
        if !known(note, &contents.notes) {
            contents.notes.push(note.clone());
        }
    }
}
