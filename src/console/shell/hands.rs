//! What the shell holds on behalf of the core: the run, the bench, the stored runs being read; and how its effects are done.

use super::{ConsoleOptions, Outcome, Surface};
use crate::console::backend::{Backend, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
use crate::console::review::News;
use crate::console::settings::Settings;
use crate::console::state::{App, Effect, Event};
use crate::console::survey::SurveyNews;
use crate::console::update::update;
use crate::live::bench::{BenchHandle, BenchView};
use crate::live::{Command, LiveView, Phase};
use anyhow::Context;
use backwall_store::RunId;
use backwall_survey::job::validity::Check;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// How long a run may take to close when the program must end.
const CLOSING: Duration = Duration::from_secs(5);
/// One bell a second is heard; more is noise.
const BELL: Duration = Duration::from_secs(1);

/// What the shell holds on behalf of the core.
#[derive(Default)]
pub(super) struct Hands {
    pub scan: Option<ScanHandle>,
    pub bench: Option<BenchHandle>,
    pub review: Option<ReviewHandle>,
    pub survey: Option<SurveyHandle>,
    pub replay: Option<ReplayHandle>,
    last_bell: Option<Instant>,
}

/// The run's next view. A run whose task is gone without having closed is told as failed.
pub(super) async fn newest_of_run(running: &mut Option<ScanHandle>) -> Arc<LiveView> {
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
pub(super) async fn newest_of_bench(bench: &mut Option<BenchHandle>) -> Option<Arc<BenchView>> {
    match bench {
        Some(bench) => bench.view.changed().await.ok().map(|()| bench.view.borrow_and_update().clone()),
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

impl Hands {
    /// Ends the run that is going, within bounds, and says why the console ends.
    pub async fn terminate(&mut self, why: String) -> Outcome {
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
    pub fn execute<B: Backend, S: Surface>(
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
