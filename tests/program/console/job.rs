//! A stand-in for job file and acquisition.
#![allow(dead_code)]

use crate::console::fixture::*;
use backwall::console::survey::SurveyAsk;
use backwall::console::{Backend, Clock, ConsoleOptions, Glyphs, ReplayHandle, ReviewHandle, ScanHandle, Step, SurveyHandle, Theme};
use backwall::live::bench::BenchHandle;
use backwall::live::{Begin, Connecting, LiveView, Phase, RunCommand};
use backwall_store::{JobContents, Note, RunId, RunState, SetupEntry};
use backwall_survey::job::Statement;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::validity::Check;
use backwall_survey::travel::Direction;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::{LengthUnit, Wording};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// A run that counts what it is told and ends when asked to.
pub struct Job {
    pub job: JobContents,
    pub views: watch::Sender<Arc<LiveView>>,
    pub commands: mpsc::Sender<RunCommand>,
    pub fails: bool,
    /// A run starts whose task is gone at once.
    pub sender_gone: bool,
    pub answers: Arc<AtomicU64>,
    /// Runs of other channels that start with it.
    pub beside: Vec<ScanHandle>,
}

impl Job {
    /// A job with a task that plays the run.
    pub fn new(job: JobContents) -> (Self, Arc<AtomicBool>) {
        let (views, _) = watch::channel(Arc::new(live(Direction::Up)));
        let (commands, mut asked) = mpsc::channel(4);
        let ended = Arc::new(AtomicBool::new(false));
        let (told, sender) = (ended.clone(), views.clone());
        tokio::spawn(async move {
            while let Some(command) = asked.recv().await {
                if matches!(command, RunCommand::End | RunCommand::Terminate) {
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    told.store(true, Ordering::SeqCst);
                    let phase = Phase::Ended(Box::new(summary(3, "A090", RunState::Closed)));
                    sender.send_replace(Arc::new(LiveView { phase, ..live(Direction::Up) }));
                }
            }
        });
        (Self { job, views, commands, fails: false, sender_gone: false, answers: Default::default(), beside: Vec::new() }, ended)
    }
}

impl Backend for Job {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(self.job.clone())
    }
    fn answer(&mut self, answer: Answer) -> anyhow::Result<()> {
        anyhow::ensure!(!self.fails, "the disk is full");
        self.answers.fetch_add(1, Ordering::SeqCst);
        self.job.answers.push(answer);
        Ok(())
    }
    fn sign(&mut self, signature: Signature) -> anyhow::Result<()> {
        self.job.signatures.push(signature);
        Ok(())
    }
    fn note(&mut self, note: Note) -> anyhow::Result<()> {
        self.job.notes.push(note);
        Ok(())
    }
    fn state(&mut self, statement: Statement) -> anyhow::Result<i64> {
        let id = self.job.statements.len() as i64 + 1;
        self.job.statements.push(Statement { id, ..statement });
        Ok(id)
    }
    fn set_setup(&mut self, setup: Setup, origin: Wording, by: Signed) -> anyhow::Result<i64> {
        let id = self.job.setups.len() as i64 + 1;
        self.job.setups.push(SetupEntry { id, setup, origin, by });
        Ok(id)
    }
    fn add_check(&mut self, check: Check) -> anyhow::Result<()> {
        self.job.checks.push(check);
        Ok(())
    }
    fn add_encoder_check(&mut self, check: EncoderCheck, by: Signed) -> anyhow::Result<()> {
        self.job.encoder_checks.push((check, by));
        Ok(())
    }
    fn start_bench(&mut self, _: Option<&str>, _: &Connecting) -> anyhow::Result<BenchHandle> {
        let (_, view) = watch::channel(Default::default());
        let (commands, _) = mpsc::channel(1);
        Ok(BenchHandle { view, commands })
    }
    fn start_scan(&mut self, begin: &Begin, _: &Connecting) -> anyhow::Result<ScanHandle> {
        self.job.overrides.extend(begin.against.iter().map(|against| (against.words(), against.by.clone())));
        let view = if self.sender_gone { watch::channel(Arc::new(live(Direction::Up))).1 } else { self.views.subscribe() };
        Ok(ScanHandle {
            view,
            wall: Arc::new(Mutex::new(wall(Direction::Up))),
            commands: self.commands.clone(),
            beside: std::mem::take(&mut self.beside),
        })
    }
    fn open_review(&mut self, _: RunId, _: bool) -> anyhow::Result<ReviewHandle> {
        assert!(!self.fails, "a fault of the test's own");
        let (_, news) = mpsc::channel(1);
        let (asks, _) = std::sync::mpsc::channel();
        Ok(ReviewHandle { overview: Arc::new(overview(Direction::Up)), news, asks })
    }
    fn open_survey(&mut self, _: SurveyAsk) -> anyhow::Result<SurveyHandle> {
        anyhow::bail!("this job has no file")
    }
    fn open_replay(&mut self, _: RunId) -> anyhow::Result<ReplayHandle> {
        anyhow::bail!("this job has no file")
    }
    fn clock(&self) -> Clock {
        || NOW
    }
}

pub fn options(start: Step, line: Option<&str>) -> ConsoleOptions {
    ConsoleOptions {
        start,
        theme: Some(Theme::Dark),
        glyphs: Some(Glyphs::Braille),
        unit: LengthUnit::Mm,
        begin: line.map(Begin::on),
        start_run: None,
        operator: signed(),
        settings_path: None,
    }
}
