//! What the shell holds on behalf of the core: the run, the bench, the stored runs being read, and the worker's end of
//! the line. What an effect asks for is done here where it takes no time, and handed to the worker where it may.

use super::worker::{self, Batch, ShellWork, WorkerTold};
use super::{ConsoleEnd, ConsoleOptions, Surface};
use crate::console::backend::{Backend, ProveHandle, ProveNews, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
use crate::console::review::News;
use crate::console::settings::ConsoleSettings;
use crate::console::state::{App, Effect, Event};
use crate::console::survey::SurveyNews;
use crate::console::theme::Role;
use crate::console::update::{progress, update};
use crate::live::bench::{BenchCommand, BenchHandle, BenchView};
use crate::live::{Connecting, LiveView, Phase, RunCommand};
use anyhow::{Context, bail};
use std::collections::VecDeque;
use std::future::Future;
use std::sync::Arc;
use std::sync::mpsc as std_mpsc;
use std::task::Poll;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// How long a run may take to close when the program must end.
const CLOSING: Duration = Duration::from_secs(5);
/// One bell a second is heard; more is noise.
const BELL: Duration = Duration::from_secs(1);
/// Between the bells of one alarm: nearer, a terminal makes one of them.
const BETWEEN: Duration = Duration::from_millis(350);

/// How long a worker that does not answer is waited for when nothing is left to be written.
const PATIENCE: Duration = Duration::from_millis(300);

/// What the shell holds on behalf of the core.
pub(super) struct Held {
    /// The run that goes on, and those beside it.
    pub scans: Vec<ScanHandle>,
    pub bench: Option<BenchHandle>,
    pub prove: Option<ProveHandle>,
    pub review: Option<ReviewHandle>,
    pub survey: Option<SurveyHandle>,
    pub replay: Option<ReplayHandle>,
    /// Batches for the worker; `None` once it is told to end.
    orders: Option<std_mpsc::Sender<Batch>>,
    pub told: mpsc::UnboundedReceiver<WorkerTold>,
    given: u64,
    done: u64,
    /// The last batch that keeps something.
    last_write: u64,
    /// The batches whose answers are still wanted; what comes of others is let go.
    wanted: WantedBatch,
    connecting: Connecting,
    /// The batch that was stopped last: why it failed need not be told.
    stopped: Option<u64>,
    tell: mpsc::UnboundedSender<WorkerTold>,
    /// For the bench that is being opened.
    waiting: Vec<BenchCommand>,
    /// Leave as soon as what was entered is written.
    leaving: bool,
    /// Asked again: leave although it is not.
    impatient: bool,
    last_bell: Option<Instant>,
    /// Of an alarm that rings more than once.
    rings_left: u8,
}

/// The number of the batch that opens each kind, where one is under way or open.
#[derive(Default)]
struct WantedBatch {
    scan: Option<u64>,
    bench: Option<u64>,
    review: Option<u64>,
    survey: Option<u64>,
    replay: Option<u64>,
}

/// The next view of a run.
pub(super) async fn newest_of_run(running: &mut Vec<ScanHandle>) -> Arc<LiveView> {
    let (index, gone) = {
        let mut changes: Vec<_> = running.iter_mut().map(|scan| Box::pin(scan.view.changed())).collect();
        std::future::poll_fn(|context| {
            let ready = changes.iter_mut().enumerate().find_map(|(index, change)| match change.as_mut().poll(context) {
                Poll::Ready(changed) => Some((index, changed.is_err())),
                Poll::Pending => None,
            });
            ready.map_or(Poll::Pending, Poll::Ready)
        })
        .await
    };
    let view = taken(running, index, gone);
    // The others come first next time.
    let next = (index + 1).min(running.len());
    running.rotate_left(next);
    view
}

/// The views of the runs that have changed since they were last taken.
pub(super) fn changed_runs(running: &mut Vec<ScanHandle>) -> Vec<Arc<LiveView>> {
    let mut views = Vec::new();
    for index in (0..running.len()).rev() {
        match running[index].view.has_changed() {
            Ok(false) => {}
            changed => views.push(taken(running, index, changed.is_err())),
        }
    }
    views
}

/// A run that is over is let go of; one whose task is gone without having closed is told as failed.
fn taken(running: &mut Vec<ScanHandle>, index: usize, gone: bool) -> Arc<LiveView> {
    let view = running[index].view.borrow_and_update().clone();
    let over = matches!(view.phase, Phase::Ended(_) | Phase::Failed(_));
    if over || gone {
        running.remove(index);
    }
    if gone && !over {
        let why = "the acquisition stopped without closing the run; what was saved is safe".to_owned();
        return Arc::new(LiveView { phase: Phase::Failed(why), ..(*view).clone() });
    }
    view
}

/// The bench's next view; `None` once it is gone.
pub(super) async fn newest_of_bench(bench: &mut Option<BenchHandle>) -> Option<Arc<BenchView>> {
    match bench {
        Some(bench) => bench.view.changed().await.ok().map(|()| bench.view.borrow_and_update().clone()),
        None => std::future::pending().await,
    }
}

/// What is said as a profile is proven; `None` once that is over.
pub(super) async fn news_of_prove(prove: &mut Option<ProveHandle>) -> Option<ProveNews> {
    match prove {
        Some(prove) => prove.news.recv().await,
        None => std::future::pending().await,
    }
}

/// What has been read of the stored runs on screen; `None` once nothing more can come.
pub(super) async fn news_of_review(review: &mut Option<ReviewHandle>) -> Option<News> {
    match review {
        Some(review) => review.news.recv().await,
        None => std::future::pending().await,
    }
}

/// The replay's next view; `None` once it is at its end.
pub(super) async fn newest_of_replay(replay: &mut Option<ReplayHandle>) -> Option<Arc<LiveView>> {
    match replay {
        Some(replay) => replay.view.changed().await.ok().map(|()| replay.view.borrow_and_update().clone()),
        None => std::future::pending().await,
    }
}

pub(super) async fn news_of_survey(survey: &mut Option<SurveyHandle>) -> Option<SurveyNews> {
    match survey {
        Some(survey) => survey.news.recv().await,
        None => std::future::pending().await,
    }
}

impl Held {
    /// Starts the worker on a backend.
    pub fn start<B: Backend>(backend: B, app: &App) -> anyhow::Result<Self> {
        let (tell, told) = mpsc::unbounded_channel();
        let (say, said) = (tell.clone(), tell.clone());
        let connecting = Connecting::telling(move |what| drop(say.send(WorkerTold::WaitsFor(0, what))));
        let orders = worker::start(backend, app.contents.clone(), connecting.clone(), tell)
            .context("the thread that works on the job could not be started")?;
        Ok(Self {
            scans: Vec::new(),
            bench: None,
            prove: None,
            review: None,
            survey: None,
            replay: None,
            orders: Some(orders),
            told,
            given: 0,
            done: 0,
            last_write: 0,
            wanted: WantedBatch::default(),
            connecting,
            stopped: None,
            tell: said,
            waiting: Vec::new(),
            leaving: false,
            impatient: false,
            last_bell: None,
            rings_left: 0,
        })
    }

    /// When an alarm rings again, if it does.
    pub fn rings_at(&self) -> Option<Instant> {
        self.last_bell.filter(|_| self.rings_left > 0).map(|last| last + BETWEEN)
    }

    /// It has.
    pub fn rang(&mut self) {
        self.last_bell = Some(Instant::now());
        self.rings_left = self.rings_left.saturating_sub(1);
    }

    /// Whether what was entered still waits to be written.
    fn writes(&self) -> bool {
        self.done < self.last_write
    }

    /// The worker broke off: nothing can be opened or kept any more.
    fn worker_gone(&mut self) -> Event {
        self.orders = None;
        self.last_write = self.done;
        Event::Failed("the task that writes the job stopped: nothing more can be kept here; end the run and leave".to_owned())
    }

    pub fn has_worker(&self) -> bool {
        self.orders.is_some()
    }

    /// Ends the run that is going, within bounds.
    async fn end_run(&mut self) {
        for scan in &mut self.scans {
            let closing = async {
                // A full queue empties as the run works through it; a closed one means the run is over.
                let _ = scan.commands.send(RunCommand::Terminate).await;
                let _ = scan.view.wait_for(|view| matches!(view.phase, Phase::Ended(_) | Phase::Failed(_))).await;
            };
            // Late or not, the program ends: what was called saved is on the disk.
            let _ = tokio::time::timeout(CLOSING, closing).await;
        }
    }

    /// Ends the run that is going, and says why the console ends.
    pub async fn terminate(&mut self, why: String) -> anyhow::Result<ConsoleEnd> {
        self.end_run().await;
        // Why it ends is worth more than what could not be written then.
        let _ = self.finish().await;
        Ok(ConsoleEnd::Terminated(why))
    }

    /// Waits, within bounds, until the worker has written what waits and closed the job. A run that it opens meanwhile is
    /// ended in order.
    pub async fn finish(&mut self) -> anyhow::Result<()> {
        self.connecting.stop();
        // Who reads the job for a screen lets go of it, so that it can be closed to one plain file.
        (self.review, self.survey, self.replay, self.prove) = (None, None, None, None);
        self.orders = None;
        let mut until = Instant::now() + if self.writes() && !self.impatient { CLOSING } else { PATIENCE };
        loop {
            match tokio::time::timeout_at(until, self.told.recv()).await {
                Ok(Some(WorkerTold::Closed(closed))) => return closed,
                Ok(None | Some(WorkerTold::Gone)) => return Ok(()),
                Ok(Some(WorkerTold::Scan(_, handle))) => {
                    self.scans = handle.side_by_side();
                    self.end_run().await;
                    until = Instant::now() + CLOSING;
                }
                Ok(Some(told)) => {
                    if let WorkerTold::Done(number) = told {
                        self.done = number;
                    }
                    // It answers: then closing the job may take as long as a slow disk takes.
                    if !self.impatient {
                        until = Instant::now() + CLOSING;
                    }
                }
                Err(_) if self.writes() => bail!("the disk did not answer: what was entered last was NOT kept"),
                // Nothing is lost: what was called saved is on the disk.
                Err(_) => return Ok(()),
            }
        }
    }

    /// What was waited for before leaving is written.
    pub fn may_go(&self) -> bool {
        self.leaving && !self.writes()
    }

    /// What the worker tells becomes events.
    pub fn take(&mut self, told: WorkerTold, app: &App) -> Vec<Event> {
        let mut events = Vec::new();
        match told {
            WorkerTold::WaitsFor(number, what) => {
                if number == 0 || self.wanted.scan == Some(number) || self.wanted.bench == Some(number) {
                    events.push(Event::Connecting(Some(what)));
                }
            }
            // What is still on its way to the disk is on screen already: an older state would take it off again.
            WorkerTold::Contents(number, contents) => {
                if number >= self.last_write {
                    events.push(Event::Contents(contents));
                }
            }
            WorkerTold::Happened(event) => events.push(event),
            WorkerTold::Failed(number, words) => {
                let unwanted = self.gave_up(number, &mut events);
                if !unwanted {
                    events.push(Event::Failed(words));
                }
            }
            WorkerTold::Scan(number, handle) => {
                if self.wanted.scan == Some(number) {
                    events.push(Event::Connecting(None));
                    events.push(Event::Started { view: handle.view.borrow().clone(), wall: handle.wall.clone() });
                    let beside = handle.beside.iter().map(|beside| (beside.view.borrow().clone(), beside.wall.clone()));
                    events.extend(beside.map(|(view, wall)| Event::StartedBeside { view, wall }));
                    self.scans = handle.side_by_side();
                } else {
                    // Stopped a moment too late: the run ends at once, in order.
                    handle.commands.try_send(RunCommand::End).ok();
                }
            }
            WorkerTold::Bench(number, handle) => {
                if self.wanted.bench == Some(number) {
                    events.push(Event::Connecting(None));
                    events.push(Event::BenchOpened(handle.view.borrow().clone()));
                    for command in self.waiting.drain(..) {
                        // The queue is empty yet, and fingers type far less than it holds.
                        handle.commands.try_send(command).ok();
                    }
                    self.bench = Some(handle);
                }
            }
            // Whoever gave it up meanwhile wants no more of it.
            WorkerTold::Prove(handle) => self.prove = app.proving.is_some().then_some(handle),
            WorkerTold::Review(number, run, handle) => {
                if self.wanted.review == Some(number) {
                    events.push(Event::Reviewed(run, handle.overview.clone()));
                    self.review = Some(handle);
                }
            }
            WorkerTold::Survey(number, handle) => {
                if self.wanted.survey == Some(number) {
                    self.survey = Some(handle);
                }
            }
            WorkerTold::Replay(number, handle) => {
                if self.wanted.replay == Some(number) {
                    events.push(Event::Replaying { view: handle.view.borrow().clone(), wall: handle.wall.clone() });
                    self.replay = Some(handle);
                }
            }
            WorkerTold::Done(number) => {
                self.done = number;
                if number == 0 && app.opening.is_some() && self.wanted.scan.is_none() {
                    events.push(Event::Connecting(None));
                }
            }
            WorkerTold::Gone => events.push(self.worker_gone()),
            WorkerTold::Closed(_) => {}
        }
        events
    }

    /// A batch failed: whether nobody waits for it any more.
    fn gave_up(&mut self, number: u64, events: &mut Vec<Event>) -> bool {
        let opens = [self.wanted.scan, self.wanted.bench].contains(&Some(number));
        if opens && self.scans.is_empty() && self.bench.is_none() {
            (self.wanted.scan, self.wanted.bench) = (None, None);
            self.waiting.clear();
            events.push(Event::Connecting(None));
        }
        self.stopped == Some(number)
    }

    /// Does what the core asks for; `true` when the console is to be left.
    pub fn execute<S: Surface>(&mut self, app: &mut App, surface: &mut S, options: &ConsoleOptions, effects: Vec<Effect>) -> bool {
        let mut todo: VecDeque<Effect> = effects.into();
        let mut work = Vec::new();
        let number = self.given + 1;
        while let Some(effect) = todo.pop_front() {
            self.let_go(&effect);
            // While a run is going its numbers come from the run; the disk need not count what is being written.
            if effect == Effect::Reload && app.scanning() && !work.iter().any(|work: &ShellWork| worker::is_write(&work.effect)) {
                progress::follow(app);
                continue;
            }
            if worker::is_work(&effect) {
                let connecting = self.want(number, &effect, app);
                if worker::is_write(&effect) {
                    self.last_write = number;
                }
                work.push(ShellWork { effect, connecting });
                continue;
            }
            let done = match effect {
                Effect::Quit => {
                    self.give(number, work, app);
                    return self.may_leave(app);
                }
                effect => self.at_once(effect, app, surface, options),
            };
            if let Err(error) = done {
                todo.extend(update(app, Event::Failed(format!("{error:#}"))));
            }
        }
        self.give(number, work, app);
        false
    }

    /// Leaves at once where nothing waits to be written; else says so, and leaves then, or when asked again.
    fn may_leave(&mut self, app: &mut App) -> bool {
        if !self.writes() || self.leaving {
            self.impatient = self.leaving;
            return true;
        }
        self.leaving = true;
        app.say(Role::Watch, "what was entered is still being written; the program ends when it is, q again ends it now");
        false
    }

    fn give(&mut self, number: u64, work: Vec<ShellWork>, app: &mut App) {
        if work.is_empty() {
            return;
        }
        self.given = number;
        let sent = self.orders.as_ref().is_some_and(|orders| orders.send(Batch { number, work }).is_ok());
        if !sent {
            let event = self.worker_gone();
            update(app, event);
        }
    }

    /// Remembers that what an effect opens is waited for, and that it can be stopped.
    fn want(&mut self, number: u64, effect: &Effect, app: &mut App) -> Connecting {
        match effect {
            Effect::OpenBench(_) => self.wanted.bench = Some(number),
            Effect::StartScan(_) => self.wanted.scan = Some(number),
            Effect::OpenRun(_) | Effect::OpenLine(_) => self.wanted.review = Some(number),
            Effect::OpenReplay(_) => self.wanted.replay = Some(number),
            Effect::OpenSurvey(_) => self.wanted.survey = Some(number),
            _ => {}
        }
        if !matches!(effect, Effect::OpenBench(_) | Effect::StartScan(_)) {
            return Connecting::default();
        }
        update(app, Event::Opening);
        let tell = self.tell.clone();
        self.connecting = Connecting::telling(move |what| drop(tell.send(WorkerTold::WaitsFor(number, what))));
        self.connecting.clone()
    }

    /// What an effect closes is let go at once, also what is only being opened.
    fn let_go(&mut self, effect: &Effect) {
        match effect {
            Effect::CloseBench | Effect::StartScan(_) => {
                (self.wanted.bench, self.bench) = (None, None);
                self.waiting.clear();
            }
            Effect::CloseReview => (self.wanted.review, self.review) = (None, None),
            Effect::CloseSurvey => (self.wanted.survey, self.survey) = (None, None),
            Effect::CloseReplay => (self.wanted.replay, self.replay) = (None, None),
            _ => {}
        }
    }

    /// What takes no time.
    fn at_once<S: Surface>(&mut self, effect: Effect, app: &App, surface: &mut S, options: &ConsoleOptions) -> anyhow::Result<()> {
        match effect {
            Effect::Bell(times) if app.bell && self.last_bell.is_none_or(|last| last.elapsed() >= BELL || times > self.rings_left + 1) => {
                surface.bell();
                self.last_bell = Some(Instant::now());
                self.rings_left = times.saturating_sub(1);
            }
            Effect::Redraw => surface.start_over().context("the terminal cannot be cleared")?,
            Effect::SaveSettings => save(app, options)?,
            Effect::StopConnecting => {
                self.connecting.stop();
                self.stopped = self.wanted.scan.or(self.wanted.bench);
                (self.wanted.scan, self.wanted.bench) = (None, None);
                self.waiting.clear();
            }
            Effect::Bench(command) => match &self.bench {
                Some(bench) => bench.commands.try_send(command).context("the bench does not keep up: press again")?,
                None if self.wanted.bench.is_some() => self.waiting.push(command),
                None => {}
            },
            // Whoever is at its end needs no telling, and whoever broke off has said why.
            Effect::Replay(wanted) => drop(self.replay.as_ref().map(|replay| replay.asks.send(wanted))),
            Effect::AskSurvey(survey) => drop(self.survey.as_ref().map(|open| open.asks.send(survey))),
            Effect::Ask(ask) => drop(self.review.as_ref().map(|review| review.asks.send(ask))),
            Effect::AnswerProve(answer) => drop(self.prove.as_ref().map(|prove| prove.answers.send(answer))),
            Effect::CloseProve => self.prove = None,
            Effect::Command(command) => self.command(app, &command),
            // The rest is the worker's.
            _ => {}
        }
        Ok(())
    }

    /// Hands a command to the run that is looked at; what is of the crawler and not of one channel, to all.
    fn command(&self, app: &App, command: &RunCommand) {
        let looked_at = app.scan.as_ref().map(|scan| scan.view.run);
        let of_all = matches!(command, RunCommand::SetPlace { .. } | RunCommand::AtDatum | RunCommand::End | RunCommand::Terminate);
        let run = if let RunCommand::Change(changed) = command { Some(changed.run) } else { looked_at };
        for scan in self.scans.iter().filter(|scan| of_all || self.scans.len() == 1 || Some(scan.view.borrow().run) == run) {
            if let Err(mpsc::error::TrySendError::Full(command)) = scan.commands.try_send(command.clone()) {
                // Nothing the operator asked for gets lost, and the screen does not wait for it.
                let commands = scan.commands.clone();
                tokio::spawn(async move { commands.send(command).await });
            }
        }
    }
}

fn save(app: &App, options: &ConsoleOptions) -> anyhow::Result<()> {
    match &options.settings_path {
        Some(path) => ConsoleSettings { theme: Some(app.look.theme), glyphs: Some(app.look.glyphs), bell: Some(app.bell) }.save(path),
        None => Ok(()),
    }
}
