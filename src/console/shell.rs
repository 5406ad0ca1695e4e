//! The shell around the pure core: one loop over signals, keys, the run's newest view and the clock. It draws only
//! when something changed, and nothing here is ever waited for by the acquisition.

pub mod terminal;

use super::backend::{Backend, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
use super::review::News;
use super::settings::Settings;
use super::state::{App, Effect, Event, Look};
use super::survey::SurveyNews;
use super::theme::Role;
use super::update::update;
use super::{Glyphs, Step, Theme};
use crate::job::checklist::Signed;
use crate::job::validity::Check;
use crate::live::bench::{BenchHandle, BenchView};
use crate::live::{Command, LiveView, Phase};
use crate::platform;
use crate::store::RunId;
use crate::units::LengthUnit;
use anyhow::Context;
use ratatui::crossterm::event::Event as TerminalEvent;
use std::collections::VecDeque;
use std::future::Future;
use std::path::PathBuf;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior};

pub struct ConsoleOptions {
    pub start: Step,
    /// `None`: as stored, or mono where `NO_COLOR` is set.
    pub theme: Option<Theme>,
    pub glyphs: Option<Glyphs>,
    pub unit: LengthUnit,
    /// Scan this line at once.
    pub start_line: Option<String>,
    /// Open this run at once.
    pub start_run: Option<RunId>,
    /// Why the line is scanned although the checklist stands against it.
    pub override_reason: Option<String>,
    /// Who is at the keys; an empty name takes the plan's first operator.
    pub operator: Signed,
    pub settings_path: Option<PathBuf>,
}

/// How the console was left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    Quit,
    /// By a signal, or by a terminal that went away; says which. A run that was going has been ended.
    Terminated(String),
}

/// At most 30 pictures a second.
const FRAME: Duration = Duration::from_millis(33);
/// How long a run may take to close when the program must end.
const CLOSING: Duration = Duration::from_secs(5);
/// One bell a second is heard; more is noise.
const BELL: Duration = Duration::from_secs(1);

static DRAWS: AtomicU64 = AtomicU64::new(0);

/// How many pictures this process has drawn.
pub fn count_draws() -> u64 {
    DRAWS.load(Ordering::Relaxed)
}

/// Where the picture goes.
pub trait Surface {
    /// Whether the picture before has gone out; while it has not, none is made.
    fn ready(&self) -> bool;
    fn draw(&mut self, app: &App) -> std::io::Result<()>;
    /// Draw everything next time, also what has not changed.
    fn start_over(&mut self) -> std::io::Result<()>;
    fn bell(&mut self);
    /// Whether there is still somebody who could see it.
    fn is_there(&self) -> bool;
}

/// Runs the console until the operator leaves, the terminal goes, or the system ends it.
pub async fn run(backend: &mut impl Backend, options: ConsoleOptions) -> anyhow::Result<Outcome> {
    let mut app = first_state(backend, &options)?;
    let mut surface = terminal::TerminalSurface::open()
        .context("the screen needs a terminal: run this in one, or use --headless where the command has it")?;
    let input = terminal::read_input();
    let ended = async { platform::asked_to_end().await.to_owned() };
    drive(backend, &mut app, &mut surface, input, ended, &options).await
}

/// The state to start with.
pub fn first_state(backend: &impl Backend, options: &ConsoleOptions) -> anyhow::Result<App> {
    let (settings, trouble) = match options.settings_path.as_deref().map(Settings::load) {
        None => (Settings::default(), None),
        Some(Ok(settings)) => (settings, None),
        Some(Err(error)) => (Settings::default(), Some(format!("{error:#}"))),
    };
    let no_color = std::env::var("NO_COLOR").ok();
    let look = Look {
        theme: Theme::starting(options.theme, settings.theme, no_color.as_deref()),
        glyphs: options.glyphs.or(settings.glyphs).unwrap_or_default(),
        unit: options.unit,
        utc_offset_s: chrono::Local::now().offset().local_minus_utc(),
    };
    let contents = backend.contents().context("the job cannot be read")?;
    let mut app = App::new(options.start, look, contents, options.operator.clone(), backend.now_us());
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
    backend: &mut B,
    app: &mut App,
    surface: &mut S,
    mut input: mpsc::Receiver<TerminalEvent>,
    ended: impl Future<Output = String>,
    options: &ConsoleOptions,
) -> anyhow::Result<Outcome> {
    let mut ended = pin!(ended);
    let mut hands = Hands { scan: None, bench: None, review: None, survey: None, replay: None, last_bell: None };
    if let Some(line) = options.start_line.clone() {
        let start = Effect::StartScan { line, against: options.override_reason.clone().map(|why| (why, app.signed())) };
        hands.execute(backend, app, surface, options, vec![start, Effect::Reload]);
    }
    if let Some(run) = options.start_run {
        app.run = app.contents.runs.iter().position(|summary| summary.id == run).unwrap_or(app.run);
        hands.execute(backend, app, surface, options, vec![Effect::OpenRun(run)]);
    }
    let mut second = tokio::time::interval(Duration::from_secs(1));
    second.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut dirty = true;
    let mut input_open = true;
    let mut last_draw: Option<Instant> = None;
    loop {
        let due = last_draw.map_or_else(Instant::now, |last| last + FRAME);
        if dirty && due <= Instant::now() && surface.ready() {
            if let Err(error) = surface.draw(app) {
                return Ok(hands.terminate(format!("the terminal cannot be drawn on any more: {error}")).await);
            }
            DRAWS.fetch_add(1, Ordering::Relaxed);
            last_draw = Some(Instant::now());
            dirty = false;
        }
        let wake = due.max(Instant::now() + Duration::from_millis(5));
        let mut events = Vec::new();
        tokio::select! {
            biased;
            why = &mut ended => return Ok(hands.terminate(why).await),
            event = input.recv(), if input_open => match event {
                Some(event) => {
                    take(event, &mut events, &mut dirty);
                    // Everything that has come is one change, and one picture.
                    while events.len() < 64 && let Ok(event) = input.try_recv() {
                        take(event, &mut events, &mut dirty);
                    }
                }
                None => input_open = false,
            },
            _ = second.tick() => {
                if !surface.is_there() {
                    return Ok(hands.terminate("the terminal went away".to_owned()).await);
                }
                let now_us = backend.now_us();
                let minute = |at: i64| at.div_euclid(60_000_000);
                if app.shows_time() || minute(now_us) != minute(app.now_us) {
                    events.push(Event::Clock(now_us));
                } else {
                    app.now_us = now_us;
                }
            }
            view = newest_of_bench(&mut hands.bench), if hands.bench.is_some() => match view {
                Some(view) => events.push(Event::Bench(view, backend.now_us())),
                None => {
                    hands.bench = None;
                    events.push(Event::BenchGone);
                }
            },
            news = news_of_review(&mut hands.review), if hands.review.is_some() => match news {
                Some(news) => events.push(Event::Review(news)),
                None => hands.review = None,
            },
            news = news_of_survey(&mut hands.survey), if hands.survey.is_some() => match news {
                Some(news) => events.push(Event::Survey(news)),
                None => hands.survey = None,
            },
            view = newest_of_replay(&mut hands.replay), if hands.replay.is_some() => match view {
                Some(view) => events.push(Event::Replay(view)),
                None => hands.replay = None,
            },
            view = newest_of_run(&mut hands.scan), if hands.scan.is_some() => events.push(Event::Live(view, backend.now_us())),
            () = tokio::time::sleep_until(wake), if dirty => {}
        }
        for event in events {
            dirty = true;
            let effects = update(app, event);
            if hands.execute(backend, app, surface, options, effects) {
                return Ok(Outcome::Quit);
            }
        }
    }
}

fn take(event: TerminalEvent, events: &mut Vec<Event>, dirty: &mut bool) {
    match event {
        TerminalEvent::Key(key) => events.push(Event::Key(key)),
        TerminalEvent::Paste(text) => events.push(Event::Paste(text)),
        // The size is looked at when the next picture is made; a storm of these is one picture.
        TerminalEvent::Resize(..) => *dirty = true,
        _ => {}
    }
}

/// What the shell holds on behalf of the core.
struct Hands {
    scan: Option<ScanHandle>,
    bench: Option<BenchHandle>,
    review: Option<ReviewHandle>,
    survey: Option<SurveyHandle>,
    replay: Option<ReplayHandle>,
    last_bell: Option<Instant>,
}

/// The run's next view. A run whose task is gone without having closed is told as failed.
async fn newest_of_run(running: &mut Option<ScanHandle>) -> Arc<LiveView> {
    let Some(scan) = running else {
        return std::future::pending().await;
    };
    let gone = scan.view.changed().await.is_err();
    let view = scan.view.borrow_and_update().clone();
    let over = matches!(view.phase, Phase::Ended(_) | Phase::Failed(_));
    if over || gone {
        *running = None;
    }
    if gone && !over {
        let why = "the acquisition stopped without closing the run; what was saved is safe".to_owned();
        return Arc::new(LiveView { phase: Phase::Failed(why), ..(*view).clone() });
    }
    view
}

/// The bench's next view; `None` once it is gone.
async fn newest_of_bench(bench: &mut Option<BenchHandle>) -> Option<Arc<BenchView>> {
    match bench {
        Some(bench) => bench.view.changed().await.ok().map(|()| bench.view.borrow_and_update().clone()),
        None => std::future::pending().await,
    }
}

/// What has been read of the stored runs on screen; `None` once nothing more can come.
async fn news_of_review(review: &mut Option<ReviewHandle>) -> Option<News> {
    match review {
        Some(review) => review.news.recv().await,
        None => std::future::pending().await,
    }
}

/// The replay's next view; `None` once it is at its end.
async fn newest_of_replay(replay: &mut Option<ReplayHandle>) -> Option<Arc<LiveView>> {
    match replay {
        Some(replay) => replay.view.changed().await.ok().map(|()| replay.view.borrow_and_update().clone()),
        None => std::future::pending().await,
    }
}

async fn news_of_survey(survey: &mut Option<SurveyHandle>) -> Option<SurveyNews> {
    match survey {
        Some(survey) => survey.news.recv().await,
        None => std::future::pending().await,
    }
}

impl Hands {
    /// Ends the run that is going, within bounds, and says why the console ends.
    async fn terminate(&mut self, why: String) -> Outcome {
        if let Some(scan) = &mut self.scan {
            let closing = async {
                // A full queue empties as the run works through it; a closed one means the run is over.
                let _ = scan.commands.send(Command::Terminate).await;
                let _ = scan.view.wait_for(|view| matches!(view.phase, Phase::Ended(_) | Phase::Failed(_))).await;
            };
            // Late or not, the program ends: what was called saved is on the disk.
            let _ = tokio::time::timeout(CLOSING, closing).await;
        }
        Outcome::Terminated(why)
    }

    /// Does what the core asks for; `true` when the console is to be left.
    fn execute<B: Backend, S: Surface>(
        &mut self,
        backend: &mut B,
        app: &mut App,
        surface: &mut S,
        options: &ConsoleOptions,
        effects: Vec<Effect>,
    ) -> bool {
        let mut todo: VecDeque<Effect> = effects.into();
        let mut failed = false;
        while let Some(effect) = todo.pop_front() {
            // After a failure nothing that builds on it is done; what is shown is read again.
            if failed && effect != Effect::Reload {
                continue;
            }
            let result = match effect {
                Effect::Quit => return true,
                Effect::Bell => {
                    if self.last_bell.is_none_or(|last| last.elapsed() >= BELL) {
                        surface.bell();
                        self.last_bell = Some(Instant::now());
                    }
                    Ok(None)
                }
                Effect::Redraw => surface.start_over().map(|()| None).context("the terminal cannot be cleared"),
                Effect::SaveSettings => save(app, options).map(|()| None),
                Effect::Reload => backend.contents().map(|contents| Some(Event::Contents(Box::new(contents)))),
                Effect::Answer(answer) => backend.answer(answer).map(|()| None).context("the answer was NOT kept"),
                Effect::Sign(signature) => {
                    let said = format!("signed by {}", signature.by.name);
                    backend.sign(signature).map(|()| Some(Event::Done(said))).context("the signature was NOT kept")
                }
                Effect::Note(note) => {
                    backend.note(note).map(|()| Some(Event::Done("note kept".to_owned()))).context("the note was NOT kept")
                }
                Effect::SetSetup { setup, origin, by, checks } => {
                    // What verified it has said so already.
                    let said =
                        checks.is_empty().then(|| Event::Done("set-up kept, in force from the next run on; verify it (v)".to_owned()));
                    backend
                        .set_setup(*setup, origin, by)
                        .and_then(|setup_id| checks.into_iter().try_for_each(|check| backend.add_check(Check { setup_id, ..check })))
                        .map(|()| said)
                        .context("the set-up or its verification was NOT kept")
                }
                Effect::Check(check) => backend.add_check(check).map(|()| None).context("the verification was NOT kept"),
                Effect::EncoderCheck(check, by) => {
                    backend.add_encoder_check(check, by).map(|()| None).context("the encoder check was NOT kept")
                }
                Effect::OpenBench => backend.start_bench().map(|handle| {
                    let opened = Event::BenchOpened(handle.view.borrow().clone());
                    self.bench = Some(handle);
                    Some(opened)
                }),
                Effect::CloseBench => {
                    self.close_bench();
                    Ok(None)
                }
                Effect::Bench(command) => match &self.bench {
                    Some(bench) => bench.commands.try_send(command).map(|()| None).context("the bench does not keep up: press again"),
                    None => Ok(None),
                },
                Effect::StartScan { line, against } => {
                    // The run reads the stream the bench has open.
                    self.close_bench();
                    backend.start_scan(&line, against).map(|handle| {
                        let started = Event::Started { view: handle.view.borrow().clone(), wall: handle.wall.clone() };
                        self.scan = Some(handle);
                        Some(started)
                    })
                }
                Effect::OpenRun(run) => self.open_review(backend, run, false).map(Some),
                Effect::OpenLine(run) => self.open_review(backend, run, true).map(Some),
                Effect::CloseReview => {
                    self.review = None;
                    Ok(None)
                }
                Effect::OpenReplay(run) => backend.open_replay(run).map(|handle| {
                    let opened = Event::Replaying { view: handle.view.borrow().clone(), wall: handle.wall.clone() };
                    self.replay = Some(handle);
                    Some(opened)
                }),
                Effect::Replay(wanted) => {
                    // One that is at its end needs no telling.
                    if let Some(replay) = &self.replay {
                        replay.asks.send(wanted).ok();
                    }
                    Ok(None)
                }
                Effect::CloseReplay => {
                    self.replay = None;
                    Ok(None)
                }
                Effect::OpenSurvey(survey) => backend.open_survey(survey).map(|handle| {
                    self.survey = Some(handle);
                    None
                }),
                Effect::AskSurvey(survey) => {
                    // A reader that is gone has said why.
                    if let Some(open) = &self.survey {
                        open.asks.send(survey).ok();
                    }
                    Ok(None)
                }
                Effect::CloseSurvey => {
                    self.survey = None;
                    Ok(None)
                }
                Effect::Ask(ask) => {
                    // A reader that is gone has said why.
                    if let Some(review) = &self.review {
                        review.asks.send(ask).ok();
                    }
                    Ok(None)
                }
                Effect::Command(command) => {
                    self.command(command);
                    Ok(None)
                }
            };
            let event = match result {
                Ok(event) => event,
                Err(error) => {
                    failed = true;
                    Some(Event::Failed(format!("{error:#}")))
                }
            };
            if let Some(event) = event {
                todo.extend(update(app, event));
            }
        }
        false
    }

    fn open_review<B: Backend>(&mut self, backend: &mut B, run: RunId, all: bool) -> anyhow::Result<Event> {
        let handle = backend.open_review(run, all)?;
        let opened = Event::Reviewed(run, handle.overview.clone());
        self.review = Some(handle);
        Ok(opened)
    }

    fn close_bench(&mut self) {
        if let Some(bench) = self.bench.take() {
            bench.close();
        }
    }

    fn command(&self, command: Command) {
        let Some(scan) = &self.scan else { return };
        if let Err(mpsc::error::TrySendError::Full(command)) = scan.commands.try_send(command) {
            // Nothing the operator asked for gets lost, and the screen does not wait for it.
            let commands = scan.commands.clone();
            tokio::spawn(async move { commands.send(command).await });
        }
    }
}

fn save(app: &App, options: &ConsoleOptions) -> anyhow::Result<()> {
    match &options.settings_path {
        Some(path) => Settings { theme: Some(app.look.theme), glyphs: Some(app.look.glyphs) }.save(path),
        None => Ok(()),
    }
}
