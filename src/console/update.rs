//! What happens becomes new state and things to do. Pure: the same event on the same state does the same.

mod acknowledge;
mod amend;
mod assessed;
pub(super) mod bench;
mod change;
mod evaluate;
mod hand;
mod left;
mod noted;
mod place;
mod planning;
pub(super) mod progress;
mod prompt;
mod prove;
mod replay;
mod review;
mod running;
mod send;
mod start;
mod steps;
mod survey;

pub use amend::shift_words;
pub use left::{goes_on_words, open as open_left};
pub use planning::refusal as plan_refusal;

use super::Step;
use super::keys::{self, Action, KeyMode, WalkKey};
use super::state::{App, Effect, Ending, Event, Opening, Purpose, Question, ShownRun};
use super::theme::Role;
use crate::live::RunCommand;
use backwall_store::MarkKind;
use backwall_units::Length;
use ratatui::crossterm::event::KeyEvent;

pub fn update(app: &mut App, event: Event) -> Vec<Effect> {
    let effects = happened(app, event);
    prove::ask_next(app);
    effects
}

fn happened(app: &mut App, event: Event) -> Vec<Effect> {
    match event {
        Event::Key(key) => press(app, &key),
        Event::Paste(text) => {
            if let Some(prompt) = &mut app.prompt {
                prompt.form.paste(&text);
            }
            start::refresh(app);
            Vec::new()
        }
        Event::Clock(now_us) => {
            let effects = later(app, now_us);
            left::later(app);
            effects
        }
        Event::Live(view, now_us) => {
            let mut effects = later(app, now_us);
            effects.extend(running::news(app, view));
            effects
        }
        Event::Contents(contents) => {
            let before = app.setup();
            let is_new = app.contents != *contents;
            app.take_contents(*contents);
            progress::follow(app);
            let mut effects = if is_new { left::again(app) } else { Vec::new() };
            effects.extend(is_new.then(|| assessed::again(app)).flatten());
            effects.extend(bench::in_force(app, &before));
            effects
        }
        Event::Opening => {
            app.opening = Some(Opening::default());
            Vec::new()
        }
        Event::Connecting(what) => {
            app.opening = what.map(|what| Opening { what: Some(what) });
            Vec::new()
        }
        Event::BenchOpened(view) => bench::opened(app, view),
        Event::BenchGone => {
            app.bench = None;
            app.say(Role::Fault, "the calibration stopped: blocks not kept are gone; b or l opens it again");
            Vec::new()
        }
        Event::Prove(news) => prove::news(app, news),
        Event::Bench(view, now_us) => {
            app.now_us = now_us;
            bench::news(app, view)
        }
        Event::Started { view, wall } => {
            app.line = app.contents.plan.lines.iter().position(|line| line.name == view.line).unwrap_or(app.line);
            // It has gone on, or another run was started instead.
            app.goes_on = None;
            app.begin_from = Length::ZERO;
            app.scan = Some(ShownRun::new(view, wall));
            // Whoever is typing elsewhere goes on typing; the run is on the screen of its own step.
            if app.prompt.is_none() {
                app.step = Step::Scan;
                app.left = None;
            }
            app.bench = None;
            app.unsay();
            let free = app.scan.as_ref().and_then(|scan| scan.view.saved.free_bytes);
            if let Some(words) = crate::live::low_disk(free) {
                app.news(Role::Watch, words);
            }
            Vec::new()
        }
        Event::StartedBeside { view, wall } => {
            if let Some(scan) = &mut app.scan {
                scan.beside.push(ShownRun::new(view, wall));
                app.news(Role::Plain, "several channels are recorded, each as a run of its own: o looks at the next");
            }
            Vec::new()
        }
        Event::Outline { line, outline } => {
            running::outlined(app, &line, outline);
            Vec::new()
        }
        Event::Reviewed(run, overview) => review::opened(app, run, overview),
        Event::Review(news) => review::news(app, news),
        Event::Replaying { view, wall } => replay::started(app, view, wall),
        Event::Replay(view) => replay::news(app, view),
        Event::Survey(news) => survey::news(app, news),
        Event::Done(words) => {
            app.say(Role::Plain, words);
            Vec::new()
        }
        Event::Evaluating(run, done, of) => {
            evaluate::progress(app, run, done, of);
            Vec::new()
        }
        Event::Evaluated(evaluation) => {
            evaluate::evaluated(app, &evaluation);
            Vec::new()
        }
        Event::PlanRead(file, read) => amend::plan_read(app, file, read),
        Event::Made => vec![Effect::Quit],
        Event::ToChange(changed) => change::kept(app, changed),
        Event::Failed(words) => {
            (app.evaluating, app.proving) = (None, None);
            app.say(Role::Fault, words);
            Vec::new()
        }
    }
}

/// Time goes by; what was said makes room for what waits.
fn later(app: &mut App, now_us: i64) -> Vec<Effect> {
    let before = app.now_us;
    let effects = runs_out(app, now_us);
    if second(now_us) != second(before) {
        app.read_on(app.open_alarm().is_some() || app.scanning() && !app.overdue().is_empty());
    }
    effects
}

fn second(at_us: i64) -> i64 {
    at_us.div_euclid(1_000_000)
}

/// What runs out during a run rings, and takes the line that what was last said stands on.
fn runs_out(app: &mut App, now_us: i64) -> Vec<Effect> {
    let before = app.now_us;
    if !app.scanning() || second(now_us) == second(before) {
        app.now_us = now_us;
        return Vec::new();
    }
    let known = app.overdue().len();
    app.now_us = now_us;
    if app.overdue().len() <= known {
        return Vec::new();
    }
    app.unsay();
    vec![Effect::Bell(1)]
}

fn press(app: &mut App, key: &KeyEvent) -> Vec<Effect> {
    let effects = pressed(app, key);
    start::refresh(app);
    effects
}

fn pressed(app: &mut App, key: &KeyEvent) -> Vec<Effect> {
    if next_mark(app, key) {
        app.prompt = None;
    }
    let mode = app.mode();
    match keys::lookup(mode, key) {
        Some(binding) => act(app, binding.action),
        None if mode.types() && key.kind != ratatui::crossterm::event::KeyEventKind::Release => {
            if let Some(prompt) = &mut app.prompt {
                prompt.form.type_key(key);
            }
            Vec::new()
        }
        None => typed_on_a_field(app, mode, key),
    }
}

/// A mark set while the words for the one before were not begun: it is meant as the next mark.
fn next_mark(app: &App, key: &KeyEvent) -> bool {
    let waiting = |prompt: &super::state::Prompt| matches!(prompt.purpose, Purpose::MarkText) && prompt.form.value("text").is_empty();
    app.prompt.as_ref().is_some_and(waiting)
        && matches!(keys::lookup(KeyMode::Scanning, key), Some(keys::Binding { action: Action::Mark(_), .. }))
}

/// A digit typed on a number, any letter typed on a text starts the answer: one key less with gloves on.
fn typed_on_a_field(app: &mut App, mode: KeyMode, key: &KeyEvent) -> Vec<Effect> {
    use ratatui::crossterm::event::{KeyCode, KeyEventKind, KeyModifiers};
    let starts = match (mode, key.code) {
        (KeyMode::CheckField, KeyCode::Char(c)) => matches!(c, '0'..='9' | '-' | '.'),
        (KeyMode::CheckText, KeyCode::Char(c)) => {
            !c.is_whitespace() && !key.modifiers.intersects(KeyModifiers::CONTROL | KeyModifiers::ALT)
        }
        _ => false,
    };
    if starts && key.kind == KeyEventKind::Press {
        let effects = prompt::ask_answer(app);
        if let Some(prompt) = &mut app.prompt {
            prompt.form.type_key(key);
        }
        return effects;
    }
    Vec::new()
}

/// Does what a key stands for.
pub fn act(app: &mut App, action: Action) -> Vec<Effect> {
    if !matches!(action, Action::Submit | Action::NextField | Action::PreviousField) {
        app.unsay();
    }
    match action {
        Action::Quit if app.scanning() => {
            app.question = Some(Question::EndRunAndQuit);
            Vec::new()
        }
        Action::Quit => vec![Effect::Quit],
        Action::Help => {
            app.help = Some(0);
            Vec::new()
        }
        Action::TestCard => {
            app.test_card = true;
            Vec::new()
        }
        Action::NextStep => go(app, 1),
        Action::PreviousStep => go(app, Step::ALL.len() - 1),
        Action::NextTheme => {
            app.look.theme = app.look.theme.next();
            vec![Effect::SaveSettings]
        }
        Action::NextGlyphs => {
            app.look.glyphs = app.look.glyphs.next();
            vec![Effect::SaveSettings]
        }
        Action::ToggleBell => {
            app.bell = !app.bell;
            app.say(
                Role::Plain,
                if app.bell {
                    "the bell rings: once for WATCH, three times for THIN"
                } else {
                    "the bell is off; alarms are shown on screen"
                },
            );
            vec![Effect::SaveSettings]
        }
        Action::Redraw => vec![Effect::Redraw],
        Action::TakeZero | Action::EchoToEcho => change::ask(app, action == Action::TakeZero),
        Action::Change => change::answered(app),
        Action::Send => send::ask(app),
        Action::Submit | Action::Cancel | Action::NextField | Action::PreviousField => prompt::typing(app, action),
        Action::Yes | Action::No if app.question.is_some() => answer_question(app, action == Action::Yes),
        Action::Up => steps::walk(app, 1, true),
        Action::Down => steps::walk(app, 1, false),
        Action::PageUp => steps::walk(app, 10, true),
        Action::PageDown => steps::walk(app, 10, false),
        Action::Home => steps::home(app),
        Action::End if app.step == Step::Checklist => prompt::to_sign(app),
        Action::End => review::end(app),
        Action::Map => survey::open_map(app),
        Action::Statistics => survey::open_statistics(app),
        Action::Unseen => survey::open_unseen(app),
        Action::Assess => assessed::open(app),
        Action::WhatIf => assessed::ask_what_if(app),
        Action::DropBasis => assessed::drop_basis(app),
        Action::KeepBasis => assessed::ask_keep(app),
        Action::By => survey::by(app),
        Action::Shorter | Action::Longer => survey::interval(app, action == Action::Longer),
        Action::ToggleUnit => {
            app.look.unit = app.look.unit.toggled();
            survey::again(app).into_iter().chain(assessed::again(app)).collect()
        }
        Action::WhatIsLeft => left::press(app),
        Action::Amend => amend::ask(app),
        Action::Plan => planning::open(app),
        Action::Planning(key) => planning::press(app, key),
        Action::Revise => amend::ask_plan(app),
        Action::Report => {
            app.say(Role::Plain, "the report is being written ...");
            vec![Effect::Report]
        }
        Action::Swap => amend::ask_swap(app),
        Action::Shift => amend::ask_shift(app),
        Action::Replay => replay::start(app),
        Action::Pause => replay::change(app, |replay| replay.paused = !replay.paused),
        Action::Slower | Action::Faster => replay::change(app, |replay| replay.pace = replay.pace.changed(action == Action::Faster)),
        Action::Left => survey::with(app, |over| over.sideways(false)),
        Action::Right => survey::with(app, |over| over.sideways(true)),
        Action::Walk(WalkKey::Least) if app.review.over.is_some() => survey::minimum(app),
        Action::Walk(key) => review::press(app, key),
        Action::Choose if app.planning.is_some() && app.revision.is_none() => planning::choose(app),
        Action::Choose => steps::choose(app),
        Action::Back => {
            if app.test_card {
                app.test_card = false;
            } else if app.help.is_some() {
                app.help = None;
            } else if app.origin.take().is_some() || app.revision.take().is_some() {
                // Back at the run, or on Prepare.
            } else if app.planning.is_some() {
                return planning::close(app);
            } else if app.left.is_some() {
                return left::close(app);
            } else if app.step == Step::Review {
                return vec![app.review.back()];
            } else {
                app.put_away();
            }
            Vec::new()
        }
        Action::Yes | Action::No => prompt::confirm_item(app, action == Action::Yes),
        Action::Sign => prompt::ask_sign(app),
        Action::Comment => prompt::ask_comment(app),
        Action::EditSetup => prompt::ask_setup(app),
        Action::Bench(key) => bench::press(app, key),
        Action::Start => start::ask(app),
        Action::Override => prompt::ask_override(app),
        Action::Note => prompt::ask_note(app),
        Action::Photo => noted::ask_photo(app),
        Action::Witness => noted::ask_witness(app),
        Action::Mark(number) if app.step == Step::Review => hand::ask_later(app, MarkKind::ALL.get(usize::from(number)).copied()),
        Action::Mark(number) => steps::mark(app, number),
        Action::Acknowledge if !app.scanning() => acknowledge::of_ended(app),
        Action::Acknowledge => match app.scan.as_ref().and_then(ShownRun::alarm) {
            Some((spot, _)) => vec![Effect::Command(RunCommand::Acknowledge(spot.id))],
            None => Vec::new(),
        },
        Action::AcknowledgeAll => vec![Effect::Command(RunCommand::AcknowledgeAll)],
        Action::Freeze => {
            steps::freeze(app);
            Vec::new()
        }
        Action::Origin => steps::origin(app),
        Action::NextChannel => {
            match &mut app.scan {
                Some(scan) if !scan.beside.is_empty() => scan.next_channel(),
                _ => app.say(Role::Plain, "one channel is read: no other to look at"),
            }
            Vec::new()
        }
        Action::Prove => prove::start(app),
        Action::SetPlace => place::ask(app),
        Action::AtDatum => at_datum(app),
        Action::WaveSpan => {
            app.wave_whole = !app.wave_whole;
            Vec::new()
        }
        Action::ZoomIn => steps::zoom(app, false),
        Action::ZoomOut => steps::zoom(app, true),
        Action::StopConnecting if app.proving.is_some() => prove::cancelled(app),
        Action::StopConnecting => {
            app.opening = None;
            app.say(Role::Plain, "connecting was stopped; nothing was recorded");
            vec![Effect::StopConnecting]
        }
        Action::EndRun => {
            app.question = Some(Question::EndRun);
            Vec::new()
        }
    }
}

/// Notes how far the encoder is off at the starting point; asked while a run is being ended, it ends as well.
fn at_datum(app: &mut App) -> Vec<Effect> {
    let Some(off) = app.scan.as_ref().and_then(|scan| scan.view.misclosure()) else {
        app.say(Role::Error, "no place is known: the stream has no encoder counts");
        return Vec::new();
    };
    let ending = match app.question {
        // It was just asked.
        Some(Question::AtDatum { .. }) => return Vec::new(),
        other => other.and_then(Question::ending),
    };
    if off.is_large() {
        app.question = Some(Question::AtDatum { off, ending });
        return Vec::new();
    }
    app.say(Role::Plain, off.words().words(app.look.unit));
    noted(app, ending)
}

/// The run keeps the misclosure; asked while it is being ended, it ends as well.
fn noted(app: &mut App, ending: Option<Ending>) -> Vec<Effect> {
    let mut effects = vec![Effect::Command(RunCommand::AtDatum)];
    app.question = ending.map(Question::from);
    if app.question.is_some() {
        effects.extend(answer_question(app, true));
    }
    effects
}

fn go(app: &mut App, by: usize) -> Vec<Effect> {
    let closed = left::close(app);
    app.step = Step::ALL[(app.step as usize + by) % Step::ALL.len()];
    // A run that has ended is looked at again in the review; the step is free for the next one.
    app.put_away();
    // While a run is going its notes and spots are being written; what is listed is read again when one looks.
    let reload = (app.step == Step::Review).then_some(Effect::Reload);
    closed.into_iter().chain(reload).collect()
}

fn answer_question(app: &mut App, yes: bool) -> Vec<Effect> {
    let Some(question) = app.question.take() else {
        return Vec::new();
    };
    if let Question::AtDatum { off, ending } = question {
        if yes {
            app.say(Role::Watch, off.words().words(app.look.unit));
            return noted(app, ending);
        }
        app.question = ending.map(Question::from);
        return Vec::new();
    }
    if !yes {
        return Vec::new();
    }
    if matches!(question, Question::DropPlan | Question::DropBasis) {
        return planning::drop_it(app);
    }
    if question == Question::EndRunAndQuit {
        // Asked a second time while the run will not end: leave; what was saved is safe.
        if std::mem::replace(&mut app.leaving, true) {
            return vec![Effect::Command(RunCommand::End), Effect::Quit];
        }
    }
    vec![Effect::Command(RunCommand::End)]
}
