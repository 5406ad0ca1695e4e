//! What may take its time is done here, in a thread of its own and in the order it was asked for: writing to the job,
//! connecting, opening what is stored. The loop that takes keys and draws hands work over and is told what came of it.

use crate::console::backend::{Backend, ProveHandle, ReplayHandle, ReviewHandle, ScanHandle, SurveyHandle};
use crate::console::state::{Effect, Event};
use crate::live::bench::{BenchEnd, BenchHandle};
use crate::live::{Changed, Connecting};
use anyhow::Context;
use backwall_store::{JobContents, RunId, SetupEntry};
use backwall_survey::job::validity::Check;
use std::sync::Arc;
use std::sync::mpsc as std_mpsc;
use std::time::{Duration, Instant};
use tokio::runtime::Handle;
use tokio::sync::mpsc;

/// How often it is told how far a run is evaluated again.
const TELL: Duration = Duration::from_millis(250);

/// Work, in order. What follows a failure in the same batch is not done; what is shown is then read again.
pub(super) struct Batch {
    pub number: u64,
    pub work: Vec<ShellWork>,
}

pub(super) struct ShellWork {
    pub effect: Effect,
    pub connecting: Connecting,
}

/// What came of it.
pub(super) enum WorkerTold {
    /// What is being waited for, by the number of the batch.
    WaitsFor(u64, String),
    /// The job as it is stored after this batch.
    Contents(u64, Box<JobContents>),
    Happened(Event),
    Failed(u64, String),
    Scan(u64, ScanHandle),
    Bench(u64, BenchHandle),
    Prove(ProveHandle),
    Review(u64, RunId, ReviewHandle),
    Survey(u64, SurveyHandle),
    Replay(u64, ReplayHandle),
    /// All of a batch has been done, or given up.
    Done(u64),
    /// The job is closed and the worker at its end.
    Closed(anyhow::Result<()>),
    /// The worker is gone; without having closed the job only by a fault of its own.
    Gone,
}

/// Tells that the worker is gone, however it went.
struct Farewell(mpsc::UnboundedSender<WorkerTold>);

impl Drop for Farewell {
    fn drop(&mut self) {
        // Whoever left without waiting hears nothing.
        let _ = self.0.send(WorkerTold::Gone);
    }
}

/// Whether an effect is done by the worker.
pub(super) fn is_work(effect: &Effect) -> bool {
    is_write(effect)
        || matches!(
            effect,
            Effect::Reload
                | Effect::ReadPlan(_)
                | Effect::Report
                | Effect::OpenBench(_)
                | Effect::CloseBench
                | Effect::ChooseChannel(_)
                | Effect::OpenProve(..)
                | Effect::StartScan(_)
                | Effect::OpenRun(_)
                | Effect::OpenLine(_)
                | Effect::OpenReplay(_)
                | Effect::OpenSurvey(_)
        )
}

/// Whether an effect keeps something in the job: it must not be left behind undone.
pub(super) fn is_write(effect: &Effect) -> bool {
    matches!(
        effect,
        Effect::Answer(_)
            | Effect::Sign(_)
            | Effect::Note(_)
            | Effect::State(_)
            | Effect::Photo(..)
            | Effect::MakeJob(_)
            | Effect::SetSetup { .. }
            | Effect::Change { .. }
            | Effect::Check(_)
            | Effect::EncoderCheck(..)
            | Effect::Evaluate(..)
            | Effect::Adopt(_)
            | Effect::Acknowledge(..)
    )
}

/// Starts the worker. It ends when `orders` is dropped, and then closes the job. Must be called in a tokio runtime.
pub(super) fn start<B: Backend>(
    backend: B,
    contents: JobContents,
    preparing: Connecting,
    tell: mpsc::UnboundedSender<WorkerTold>,
) -> std::io::Result<std_mpsc::Sender<Batch>> {
    let (orders, asked) = std_mpsc::channel();
    let runtime = Handle::current();
    let work = move || {
        let _entered = runtime.enter();
        let _farewell = Farewell(tell.clone());
        let mut worker = Worker { backend, contents, bench: None, tell };
        worker.prepare(&preparing);
        while let Ok(batch) = asked.recv() {
            worker.batch(batch);
        }
        worker.close();
    };
    std::thread::Builder::new().name("worker".to_owned()).spawn(work)?;
    Ok(orders)
}

struct Worker<B> {
    backend: B,
    /// The job as it is stored; each write brings it up to date.
    contents: JobContents,
    /// The bench that has the probe's stream open.
    bench: Option<BenchEnd>,
    tell: mpsc::UnboundedSender<WorkerTold>,
}

impl<B: Backend> Worker<B> {
    /// Nobody may be listening any more: then there is nobody to tell.
    fn tell(&self, told: WorkerTold) {
        let _ = self.tell.send(told);
    }

    /// The batch before the first one.
    fn prepare(&mut self, preparing: &Connecting) {
        match self.backend.prepare(preparing).and_then(|changed| if changed { self.read().map(|()| true) } else { Ok(false) }) {
            Ok(true) => self.tell(WorkerTold::Contents(0, Box::new(self.contents.clone()))),
            Ok(false) => {}
            Err(error) => self.tell(WorkerTold::Failed(0, format!("{error:#}"))),
        }
        self.tell(WorkerTold::Done(0));
    }

    fn read(&mut self) -> anyhow::Result<()> {
        self.contents = self.backend.contents()?;
        Ok(())
    }

    fn batch(&mut self, batch: Batch) {
        let number = batch.number;
        let (mut failed, mut written) = (false, false);
        for ShellWork { effect, connecting } in batch.work {
            if failed && effect != Effect::Reload {
                continue;
            }
            written |= is_write(&effect);
            let done = match effect {
                // What was written is known; only after a failure, or where others write, is it read again.
                Effect::Reload if written && !failed => {
                    self.tell(WorkerTold::Contents(number, Box::new(self.contents.clone())));
                    continue;
                }
                Effect::Reload => self.read().map(|()| Some(WorkerTold::Contents(number, Box::new(self.contents.clone())))),
                effect => self.work(number, effect, &connecting),
            };
            match done {
                Ok(told) => told.into_iter().for_each(|told| self.tell(told)),
                Err(error) => {
                    failed = true;
                    self.tell(WorkerTold::Failed(number, format!("{error:#}")));
                }
            }
        }
        self.tell(WorkerTold::Done(number));
    }

    fn work(&mut self, number: u64, effect: Effect, connecting: &Connecting) -> anyhow::Result<Option<WorkerTold>> {
        let said = |words: String| Ok(Some(WorkerTold::Happened(Event::Done(words))));
        match effect {
            Effect::Answer(answer) => {
                self.backend.answer(answer.clone()).context("the answer was NOT kept")?;
                self.contents.answers.push(answer);
            }
            Effect::Sign(signature) => {
                self.backend.sign(signature.clone()).context("the signature was NOT kept")?;
                let words = format!("signed by {}", signature.by.name);
                self.contents.signatures.push(signature);
                return said(words);
            }
            Effect::Note(note) => {
                self.backend.note(note.clone()).context("the note was NOT kept")?;
                self.contents.notes.push(note);
                return said("note kept".to_owned());
            }
            Effect::State(statement) => {
                let words = statement.said.to_string();
                let id = self.backend.state(*statement).context("what was said was NOT kept")?;
                // Everything may follow from it.
                self.read()?;
                return said(format!("kept as statement {id}: {words}"));
            }
            Effect::Photo(photo, by) => {
                let (id, words) = self.backend.photo(*photo, by).context("the photo was NOT kept")?;
                self.read()?;
                return said(format!("kept as statement {id}: {words}"));
            }
            Effect::SetSetup { setup, origin, by, checks } => {
                const FAILED: &str = "the set-up or its verification was NOT kept";
                let id = self.backend.set_setup((*setup).clone(), origin.clone(), by.clone()).context(FAILED)?;
                self.contents.setups.push(SetupEntry { id, setup: *setup, origin, by });
                let verified = !checks.is_empty();
                for check in checks {
                    let check = Check { setup_id: id, ..check };
                    self.backend.add_check(check.clone()).context(FAILED)?;
                    self.contents.checks.push(check);
                }
                // What verified it has said so already.
                if !verified {
                    return said("set-up kept, in force from the next run on; verify it (v)".to_owned());
                }
            }
            Effect::Change { run, setup, origin, by } => {
                let kept = self.backend.set_setup((*setup).clone(), origin.clone(), by.clone());
                let setup_id = kept.context("the set-up was NOT kept, the run goes on with the one before")?;
                self.contents.setups.push(SetupEntry { id: setup_id, setup: (*setup).clone(), origin: origin.clone(), by });
                return Ok(Some(WorkerTold::Happened(Event::ToChange(Changed { run, setup, setup_id, origin }))));
            }
            Effect::Check(check) => {
                self.backend.add_check(check.clone()).context("the verification was NOT kept")?;
                self.contents.checks.push(check);
            }
            Effect::EncoderCheck(check, by) => {
                self.backend.add_encoder_check(check, by.clone()).context("the encoder check was NOT kept")?;
                self.contents.encoder_checks.push((check, by));
            }
            Effect::Evaluate(run, by) => {
                let (tell, mut told) = (&self.tell, Instant::now());
                let evaluated = self.backend.evaluate(run, by, &mut |done, of| {
                    if told.elapsed() >= TELL {
                        told = Instant::now();
                        let _ = tell.send(WorkerTold::Happened(Event::Evaluating(run, done, of)));
                    }
                    !tell.is_closed()
                });
                let evaluated = evaluated.with_context(|| format!("run {run} was NOT evaluated again"))?;
                self.read()?;
                self.tell(WorkerTold::Contents(number, Box::new(self.contents.clone())));
                return Ok(Some(WorkerTold::Happened(Event::Evaluated(Box::new(evaluated)))));
            }
            Effect::Adopt(adoption) => {
                let words = match adoption.evaluation {
                    Some(id) => format!("kept: the readings of evaluation {id} count as those of run {}", adoption.run),
                    None => format!("kept: the own readings of run {} count again", adoption.run),
                };
                self.backend.adopt(adoption).context("which readings count was NOT kept")?;
                // What its run came to changes with it.
                self.read()?;
                return said(words);
            }
            Effect::Acknowledge(run, seq, by) => {
                self.backend.acknowledge(run, seq, by).context("that the spot was acknowledged was NOT kept")?;
                self.read()?;
            }
            Effect::ReadPlan(path) => {
                let read = self.backend.read_plan(&path).map(Box::new).map_err(|error| format!("{error:#}"));
                return Ok(Some(WorkerTold::Happened(Event::PlanRead(path, read))));
            }
            Effect::MakeJob(text) => {
                self.backend.make_job(&text).context("NO job was made")?;
                return Ok(Some(WorkerTold::Happened(Event::Made)));
            }
            Effect::Report => self.report()?,
            Effect::OpenBench(channel) => {
                self.close_bench();
                let handle = self.backend.start_bench(channel.as_deref(), connecting)?;
                self.bench = Some(handle.end());
                return Ok(Some(WorkerTold::Bench(number, handle)));
            }
            Effect::CloseBench => self.close_bench(),
            Effect::ChooseChannel(channel) => self.backend.choose_channel(&channel)?,
            Effect::OpenProve(channel, by) => {
                // It reads the stream the bench has open.
                self.close_bench();
                return Ok(Some(WorkerTold::Prove(self.backend.start_prove(channel.as_deref(), &by)?)));
            }
            Effect::StartScan(begin) => {
                // The run reads the stream the bench has open.
                self.close_bench();
                let handle = self.backend.start_scan(&begin, connecting)?;
                self.outline(handle.view.borrow().line.clone());
                self.tell(WorkerTold::Scan(number, handle));
                // The run stands in the job from now on; there is nothing in it yet that would have to be counted.
                self.read()?;
                return Ok(Some(WorkerTold::Contents(number, Box::new(self.contents.clone()))));
            }
            Effect::OpenRun(run) => return self.review(number, run, false),
            Effect::OpenLine(run) => return self.review(number, run, true),
            Effect::OpenReplay(run) => return Ok(Some(WorkerTold::Replay(number, self.backend.open_replay(run)?))),
            Effect::OpenSurvey(survey) => return Ok(Some(WorkerTold::Survey(number, self.backend.open_survey(survey)?))),
            // The rest is done by the loop itself.
            _ => {}
        }
        Ok(None)
    }

    /// Reads what an earlier survey has of a line, beside everything else.
    fn outline(&self, line: String) {
        let Some(read) = self.backend.earlier() else { return };
        let tell = self.tell.clone();
        let work = move || {
            let event = match read(&line) {
                Ok(outline) => Event::Outline { line, outline: Arc::new(outline) },
                Err(error) => Event::Failed(format!("the earlier survey is not shown: {error:#}")),
            };
            // Nobody may be listening any more.
            let _ = tell.send(WorkerTold::Happened(event));
        };
        if let Err(error) = std::thread::Builder::new().name("earlier".to_owned()).spawn(work) {
            self.tell(WorkerTold::Happened(Event::Failed(format!("the earlier survey is not shown: {error}"))));
        }
    }

    /// Writes the report beside everything else: it takes its time.
    fn report(&self) -> anyhow::Result<()> {
        let write = self.backend.report()?;
        let tell = self.tell.clone();
        let work = move || {
            let event = match write() {
                Ok(words) => Event::Done(words),
                Err(error) => Event::Failed(format!("the report was NOT written: {error:#}")),
            };
            // Nobody may be listening any more.
            let _ = tell.send(WorkerTold::Happened(event));
        };
        std::thread::Builder::new().name("report".to_owned()).spawn(work).context("the report was NOT written")?;
        Ok(())
    }

    fn review(&mut self, number: u64, run: RunId, all: bool) -> anyhow::Result<Option<WorkerTold>> {
        Ok(Some(WorkerTold::Review(number, run, self.backend.open_review(run, all)?)))
    }

    fn close_bench(&mut self) {
        if let Some(bench) = self.bench.take() {
            bench.close();
        }
    }

    fn close(mut self) {
        self.close_bench();
        let closed = self.backend.close();
        // As above: whoever left without waiting hears nothing.
        let _ = self.tell.send(WorkerTold::Closed(closed));
    }
}
