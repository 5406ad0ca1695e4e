//! The shell around the pure core: one loop over signals, keys, the run's newest view, the worker and the clock. It draws
//! only when something changed, waits for nothing but these, and nothing here is ever waited for by the acquisition.

mod held;
mod pace;
mod sparing;
pub mod terminal;
mod worker;

use super::backend::Backend;
use super::planning::Planning;
use super::settings::ConsoleSettings;
use super::state::{App, Effect, Event, Look};
use super::theme::Role;
use super::update::{open_left, update};
use super::{Glyphs, Step, Theme};
use crate::live::Begin;
use crate::platform;
use anyhow::{Context, bail};
use backwall_report::left::interrupted;
use backwall_store::RunId;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::keys::sheet::Sheet;
use backwall_units::LengthUnit;
use held::{Held, changed_runs, newest_of_bench, newest_of_replay, newest_of_run, news_of_prove, news_of_review, news_of_survey};
use ratatui::crossterm::event::Event as TerminalEvent;
use std::future::Future;
use std::path::PathBuf;
use std::pin::pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior};
use worker::WorkerTold;

pub struct ConsoleOptions {
    pub start: Step,
    /// `None`: as stored, or mono where `NO_COLOR` is set.
    pub theme: Option<Theme>,
    pub glyphs: Option<Glyphs>,
    pub unit: LengthUnit,
    /// Begin this run at once.
    pub begin: Option<Begin>,
    /// Open this run at once.
    pub start_run: Option<RunId>,
    /// Who is at the keys; an empty name takes the plan's first operator.
    pub operator: Signed,
    pub settings_path: Option<PathBuf>,
}

/// How the console was left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ConsoleEnd {
    Quit,
    /// By a signal, or by a terminal that went away; says which. A run that was going has been ended.
    Terminated(String),
}

/// At most 30 pictures a second of what keys change.
const FRAME: Duration = Duration::from_millis(33);
/// At most 28 pictures a second of what comes by itself: more than an eye follows, and each costs. A live link is gathered a little longer
/// than this and sets the pace: 20.
const NEWS: Duration = Duration::from_millis(35);

/// At most 10 of what only the clock changes: it goes out with a picture of something else where one comes.
const CLOCK: Duration = Duration::from_millis(100);

/// What is not drawn yet; the last that is true counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Owed {
    Nothing,
    Clock,
    News,
    /// What somebody asked for.
    Key,
}

impl Owed {
    /// How long after the picture before it is drawn, at least.
    fn least(self) -> Duration {
        match self {
            Self::Key => FRAME,
            Self::Nothing | Self::News => NEWS,
            Self::Clock => CLOCK,
        }
    }
}

static DRAWS: AtomicU64 = AtomicU64::new(0);

/// How many pictures this process has drawn.
pub fn count_draws() -> u64 {
    DRAWS.load(Ordering::Relaxed)
}

/// Where the picture goes.
pub trait Surface {
    /// How long until the picture before has gone out; while it has not, none is made. Over a slow link what a key asked
    /// for comes before what changed by itself.
    fn ready_in(&self, pressed: bool) -> Duration;
    fn draw(&mut self, app: &App) -> std::io::Result<()>;
    /// The next picture is what somebody asked for.
    fn asked(&mut self) {}
    /// What has still to be drawn of the last picture, where it goes out in pieces.
    fn rest(&self) -> Owed {
        Owed::Nothing
    }
    /// Draw everything next time, also what has not changed.
    fn start_over(&mut self) -> std::io::Result<()>;
    fn bell(&mut self);
    /// Whether there is still somebody who could see it.
    fn is_there(&self) -> bool;
}

/// Runs the console until the operator leaves, the terminal goes, or the system ends it.
pub async fn run(backend: impl Backend, options: ConsoleOptions) -> anyhow::Result<ConsoleEnd> {
    let mut app = first_state(&backend, &options)?;
    let mut surface = terminal::TerminalSurface::open()
        .context("the screen needs a terminal: run this in one, or use --headless where the command has it")?;
    let input = terminal::read_input();
    let ended = async { platform::asked_to_end().await.to_owned() };
    drive(backend, &mut app, &mut surface, input, ended, &options).await
}

/// The state to start with.
pub fn first_state(backend: &impl Backend, options: &ConsoleOptions) -> anyhow::Result<App> {
    let (settings, trouble) = match options.settings_path.as_deref().map(ConsoleSettings::load) {
        None => (ConsoleSettings::default(), None),
        Some(Ok(settings)) => (settings, None),
        Some(Err(error)) => (ConsoleSettings::default(), Some(format!("{error:#}"))),
    };
    let no_color = std::env::var("NO_COLOR").ok();
    let contents = backend.contents().context("the job cannot be read")?;
    let look = Look {
        theme: Theme::starting(options.theme, settings.theme, no_color.as_deref()),
        glyphs: options.glyphs.or(settings.glyphs).unwrap_or_default(),
        unit: options.unit,
        zone: contents.plan.zone(),
    };
    let mut app = App::new(options.start, look, contents, options.operator.clone(), backend.clock()());
    app.demo = backend.is_demo();
    app.reads = backend.reads();
    if backend.is_draft() {
        app.planning = Some(Planning::new(Sheet::blank(), true));
    }
    app.bell = settings.bell.unwrap_or(true);
    if let Some(begin) = &options.begin {
        app.begin_on(begin);
    }
    match trouble {
        Some(words) => app.say(Role::Fault, words),
        None if options.settings_path.is_some() && settings.glyphs.is_none() && options.glyphs.is_none() => {
            app.say(Role::Plain, "if anything looks broken, G shows the test card; t changes colours");
        }
        None => {}
    }
    Ok(app)
}

/// The loop; apart from [`run`] so that a test can stand in for terminal and keys.
pub async fn drive<B: Backend, S: Surface>(
    backend: B,
    app: &mut App,
    surface: &mut S,
    mut input: mpsc::Receiver<TerminalEvent>,
    ended: impl Future<Output = String>,
    options: &ConsoleOptions,
) -> anyhow::Result<ConsoleEnd> {
    let mut ended = pin!(ended);
    let clock = backend.clock();
    let mut held = Held::start(backend, app)?;
    if let Some(begin) = options.begin.clone() {
        held.execute(app, surface, options, vec![Effect::StartScan(begin)]);
    }
    if let Some(run) = options.start_run {
        app.choose_run(run);
        held.execute(app, surface, options, vec![Effect::OpenRun(run)]);
    }
    // After a crash: what is to become of the run that broke off comes before anything else.
    let starts_at_once = options.begin.is_some() || options.start_run.is_some() || options.start == Step::Review;
    if !starts_at_once && interrupted(&app.contents).next().is_some() {
        let effects = open_left(app);
        held.execute(app, surface, options, effects);
    }
    let mut second = tokio::time::interval(Duration::from_secs(1));
    second.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let (mut owed, mut is_asked) = (Owed::Key, true);
    let mut input_open = true;
    let mut last_draw: Option<Instant> = None;
    loop {
        let is_owed = owed > Owed::Nothing;
        let due = last_draw.map_or_else(Instant::now, |last| last + owed.least());
        let ready_in = if is_owed { surface.ready_in(owed == Owed::Key) } else { Duration::ZERO };
        if is_owed && due <= Instant::now() && ready_in.is_zero() {
            for view in changed_runs(&mut held.scans) {
                let effects = update(app, Event::Live(view, clock()));
                if held.execute(app, surface, options, effects) {
                    return leave(held).await;
                }
            }
            if std::mem::take(&mut is_asked) {
                surface.asked();
            }
            if let Err(error) = surface.draw(app) {
                return held.terminate(format!("the terminal cannot be drawn on any more: {error}")).await;
            }
            DRAWS.fetch_add(1, Ordering::Relaxed);
            last_draw = Some(Instant::now());
            owed = surface.rest();
        }
        // Without a worker nothing can be done here but to end the run that is going.
        if !held.has_worker() && held.scans.is_empty() {
            bail!("the task that writes the job stopped; what was shown as saved is in the job file");
        }
        let wake = due.max(Instant::now() + ready_in);
        let rings_at = held.rings_at();
        let (mut events, mut is_clock) = (Vec::new(), false);
        tokio::select! {
            biased;
            why = &mut ended => return held.terminate(why).await,
            event = input.recv(), if input_open => match event {
                Some(event) => {
                    (owed, is_asked) = (Owed::Key, true);
                    take(event, &mut events);
                    // Everything that has come is one change, and one picture.
                    while events.len() < 64 && let Ok(event) = input.try_recv() {
                        take(event, &mut events);
                    }
                }
                None => input_open = false,
            },
            () = tokio::time::sleep_until(rings_at.unwrap_or(wake)), if rings_at.is_some() => {
                held.rang();
                surface.bell();
                // It goes out with a picture.
                owed = owed.max(Owed::News);
            }
            told = held.told.recv() => {
                // The channel cannot close: the loop holds an end of it for what it is yet to ask.
                events = held.take(told.unwrap_or(WorkerTold::Gone), app);
                if held.may_go() {
                    return leave(held).await;
                }
            }
            _ = second.tick() => {
                if !surface.is_there() {
                    return held.terminate("the terminal went away".to_owned()).await;
                }
                let now_us = clock();
                let minute = |at: i64| at.div_euclid(60_000_000);
                if app.shows_time() || minute(now_us) != minute(app.now_us) {
                    is_clock = true;
                    events.push(Event::Clock(now_us));
                } else {
                    app.now_us = now_us;
                }
            }
            view = newest_of_bench(&mut held.bench), if held.bench.is_some() => match view {
                Some(view) => events.push(Event::Bench(view, clock())),
                None => {
                    held.bench = None;
                    events.push(Event::BenchGone);
                }
            },
            news = news_of_prove(&mut held.prove), if held.prove.is_some() => match news {
                Some(news) => events.push(Event::Prove(news)),
                None => held.prove = None,
            },
            news = news_of_review(&mut held.review), if held.review.is_some() => match news {
                Some(news) => events.push(Event::Review(news)),
                None => held.review = None,
            },
            news = news_of_survey(&mut held.survey), if held.survey.is_some() => match news {
                Some(news) => events.push(Event::Survey(news)),
                None => held.survey = None,
            },
            view = newest_of_replay(&mut held.replay), if held.replay.is_some() => match view {
                Some(view) => events.push(Event::Replay(view)),
                None => held.replay = None,
            },
            // Shots come faster than pictures: while one is owed, what comes is looked at when that is drawn.
            view = newest_of_run(&mut held.scans), if !held.scans.is_empty() && owed < Owed::News => events.push(Event::Live(view, clock())),
            () = tokio::time::sleep_until(wake), if owed > Owed::Nothing => {}
        }
        for event in events {
            let is_answer = is_answer(&event);
            is_asked |= is_answer;
            owed = owed.max(match (is_answer, is_clock) {
                (true, _) => Owed::Key,
                (false, true) => Owed::Clock,
                (false, false) => Owed::News,
            });
            let effects = update(app, event);
            if held.execute(app, surface, options, effects) {
                return leave(held).await;
            }
        }
    }
}

async fn leave(mut held: Held) -> anyhow::Result<ConsoleEnd> {
    held.finish().await.map(|()| ConsoleEnd::Quit)
}

/// What a key asked for and took its time.
fn is_answer(event: &Event) -> bool {
    matches!(
        event,
        Event::Started { .. }
            | Event::Replaying { .. }
            | Event::Reviewed(..)
            | Event::BenchOpened(_)
            | Event::PlanRead(..)
            | Event::Failed(_)
    )
}

fn take(event: TerminalEvent, events: &mut Vec<Event>) {
    match event {
        TerminalEvent::Key(key) => events.push(Event::Key(key)),
        TerminalEvent::Paste(text) => events.push(Event::Paste(text)),
        // The size is looked at when the next picture is made; a storm of these is one picture.
        _ => {}
    }
}
