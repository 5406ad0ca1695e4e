//! News of the run that goes on: its newest state, what it says, and the earlier survey behind it.

use super::super::review::EarlierOutline;
use super::super::state::{App, Effect, ShownRun};
use super::super::theme::Role;
use super::super::view::wave::Wave;
use crate::live::{LiveView, Notice, Phase};
use std::sync::Arc;

pub fn news(app: &mut App, view: Arc<LiveView>) -> Vec<Effect> {
    let run = view.run;
    let Some(scan) = app.scan.as_mut().and_then(|scan| scan.of_run(run)) else {
        return Vec::new();
    };
    let mut effects = Vec::new();
    if view.bells != scan.view.bells {
        effects.push(Effect::Bell(view.rings.max(1)));
    }
    if scan.size_at_start.is_none() && view.saved.at_us > 0 && view.saved.file_bytes > 0 {
        scan.size_at_start = Some((view.saved.file_bytes, view.saved.at_us));
    }
    let was_over = scan.is_over();
    scale(scan, &view, app.wave_whole, app.now_us);
    if view.changed && view.setup != scan.view.setup {
        // What is held still was read by the set-up before.
        scan.frozen = None;
    }
    let device = (view.device != scan.view.device).then(|| view.device.clone());
    let known = scan.view.said.last().map_or(0, |said| said.number);
    let said: Vec<Notice> = view.said.iter().filter(|said| said.number > known).map(|said| said.notice.clone()).collect();
    let channel = scan.view.channel.clone();
    scan.view = view;
    let ended = scan.is_over() && !was_over;
    let failed = if let Phase::Failed(why) = &scan.view.phase { Some(why.clone()) } else { None };
    if let Some(said) = device {
        app.news(if said.is_doubt { Role::Watch } else { Role::Plain }, said.words);
    }
    for notice in said {
        say_of_run(app, channel.as_deref(), &notice);
    }
    if ended {
        if let Some(why) = failed {
            app.say(Role::Fault, format!("run {run} could not be closed: {why}"));
        }
        effects.push(Effect::Reload);
        app.question = None;
        app.change = None;
        // Those beside it are closed too before anything is left.
        if app.leaving && !app.scanning() {
            effects.push(Effect::Quit);
        }
    }
    effects
}

/// What a run says that no part of its screen shows; of which channel, where there are several.
fn say_of_run(app: &mut App, channel: Option<&str>, notice: &Notice) {
    let is_one_of_several = app.scan.as_ref().is_some_and(|scan| !scan.beside.is_empty());
    let of = channel.filter(|_| is_one_of_several).map_or_else(String::new, |channel| format!("ch {channel}: "));
    let unit = app.look.unit;
    match notice {
        Notice::Held(words) => app.news(Role::Watch, format!("{of}{}: p", words.words(unit))),
        Notice::Fault(words) => app.news(Role::Watch, format!("{of}{}", words.words(unit))),
        Notice::Alarm(_) | Notice::Finding(_) | Notice::LongGap { .. } | Notice::Link { .. } => {}
    }
}

/// An earlier survey behind the run that goes on.
pub fn outlined(app: &mut App, line: &str, outline: Arc<EarlierOutline>) {
    let Some(scan) = app.scan.as_mut().filter(|scan| scan.view.line == line) else { return };
    let words = format!("outline: earlier survey {}, positions as written there", outline.source);
    scan.beside.iter_mut().for_each(|beside| beside.behind = Some(Arc::clone(&outline)));
    scan.behind = Some(outline);
    app.news(Role::Plain, words);
}

/// How high the A-scan is drawn from now on.
fn scale(scan: &mut ShownRun, view: &LiveView, whole: bool, now_us: i64) {
    if let Some(waveform) = &view.waveform {
        let wave = Wave { waveform, setup: &view.setup, measurement: None, whole };
        scan.scale.take(wave.height(), now_us);
    }
}
