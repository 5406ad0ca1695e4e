//! What the console asks of the rest of the house: a job, its runs, and one run as it happens. The console knows
//! neither file nor stream, so that a test can stand in for both. All of it may take its time: it is called on the
//! console's worker thread, never by the loop that takes keys and draws.

use super::replay::Replay;
use super::review::{Ask, EarlierOutline, News, Overview};
use super::state::NewPhoto;
use super::survey::{SurveyAsk, SurveyNews};
use crate::live::bench::BenchHandle;
use crate::live::{Begin, Connecting, LiveView, LiveWall, RunCommand};
use backwall_store::{Adoption, EvaluationSummary, JobContents, Note, RunId};
use backwall_survey::job::Statement;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::statement::Revision;
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::Wording;
use std::sync::{Arc, Mutex};

/// µs since 1970-01-01 UTC.
pub type Clock = fn() -> i64;

/// Reads the line of an earlier survey.
pub type ReadOutline = Box<dyn FnOnce(&str) -> anyhow::Result<EarlierOutline> + Send>;

/// Writes the report.
pub type WriteReport = Box<dyn FnOnce() -> anyhow::Result<String> + Send>;

/// Which channels of the device are read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Reads {
    /// It has one, or none is chosen.
    #[default]
    One,
    Named(Vec<String>),
    /// Those that have a track in the plan.
    Tracks,
}

pub trait Backend: Send + 'static {
    /// Done first, while the screen is up already; `true` where it changed the job.
    fn prepare(&mut self, connecting: &Connecting) -> anyhow::Result<bool> {
        let _ = connecting;
        Ok(false)
    }
    fn contents(&self) -> anyhow::Result<JobContents>;
    /// Why what is asked for is not done, where nothing else is said here.
    fn refusal(&self) -> String {
        "nothing can be entered in this job".to_owned()
    }
    fn answer(&mut self, answer: Answer) -> anyhow::Result<()> {
        let _ = answer;
        anyhow::bail!(self.refusal())
    }
    fn sign(&mut self, signature: Signature) -> anyhow::Result<()> {
        let _ = signature;
        anyhow::bail!(self.refusal())
    }
    fn note(&mut self, note: Note) -> anyhow::Result<()> {
        let _ = note;
        anyhow::bail!(self.refusal())
    }
    /// Keeps what somebody says of the job, if it makes sense now; answers its number.
    fn state(&mut self, statement: Statement) -> anyhow::Result<i64> {
        let _ = statement;
        anyhow::bail!(self.refusal())
    }
    /// Reads a photo's file and keeps it; answers the number and the words of what was kept.
    fn photo(&mut self, photo: NewPhoto, by: Signed) -> anyhow::Result<(i64, String)> {
        let _ = (photo, by);
        anyhow::bail!(self.refusal())
    }
    /// Enters a set-up, in force from then on; answers its number.
    fn set_setup(&mut self, setup: Setup, origin: Wording, by: Signed) -> anyhow::Result<i64> {
        let _ = (setup, origin, by);
        anyhow::bail!(self.refusal())
    }
    fn add_check(&mut self, check: Check) -> anyhow::Result<()> {
        let _ = check;
        anyhow::bail!(self.refusal())
    }
    fn add_encoder_check(&mut self, check: EncoderCheck, by: Signed) -> anyhow::Result<()> {
        let _ = (check, by);
        anyhow::bail!(self.refusal())
    }
    /// Evaluates a stored run again from echo to echo, beside its own readings. `go_on` is told how many readings are done and
    /// of how many, and ends the work by answering `false`.
    fn evaluate(&mut self, run: RunId, by: Signed, go_on: &mut dyn FnMut(u64, u64) -> bool) -> anyhow::Result<EvaluationSummary> {
        let _ = (run, by, go_on);
        anyhow::bail!("this job cannot be evaluated again")
    }
    /// Says which readings of a run count.
    fn adopt(&mut self, adoption: Adoption) -> anyhow::Result<()> {
        let _ = adoption;
        anyhow::bail!(self.refusal())
    }
    /// Keeps that a spot of a run that has ended, by the number of its minimum shot, was taken note of.
    fn acknowledge(&mut self, run: RunId, seq: u32, by: Signed) -> anyhow::Result<()> {
        let _ = (run, seq, by);
        anyhow::bail!(self.refusal())
    }
    /// Reads a revision of the plan from its file.
    fn read_plan(&self, path: &str) -> anyhow::Result<Revision> {
        let _ = path;
        anyhow::bail!(self.refusal())
    }
    /// Makes a job of a plan.
    fn make_job(&mut self, plan: &str) -> anyhow::Result<()> {
        let _ = plan;
        anyhow::bail!(self.refusal())
    }
    /// How the report is written beside the job, answered with where and how much; done in a thread of its own.
    fn report(&self) -> anyhow::Result<WriteReport> {
        anyhow::bail!(self.refusal())
    }
    /// Opens the probe's stream for a calibration, of several channels this one. Whoever waits for it may stop waiting, and is told what for.
    fn start_bench(&mut self, channel: Option<&str>, connecting: &Connecting) -> anyhow::Result<BenchHandle> {
        let _ = (channel, connecting);
        anyhow::bail!(self.refusal())
    }
    /// Reads this channel of the device from now on, where none was named and the plan has no track.
    fn choose_channel(&mut self, channel: &str) -> anyhow::Result<()> {
        let _ = channel;
        anyhow::bail!(self.refusal())
    }
    /// Proves the stream's profile on its device, of several channels on this one, asking step by step; whose name the proof has.
    fn start_prove(&mut self, channel: Option<&str>, by: &Signed) -> anyhow::Result<ProveHandle> {
        let _ = (channel, by);
        anyhow::bail!(self.refusal())
    }
    /// Opens a run; readings flow until it ends. Why, and by whose name, it is scanned although something stops it is kept with the run, and
    /// so is which run it goes on from.
    fn start_scan(&mut self, begin: &Begin, connecting: &Connecting) -> anyhow::Result<ScanHandle> {
        let _ = (begin, connecting);
        anyhow::bail!(self.refusal())
    }
    /// Opens a stored run, or all runs of its line, to be walked. Answers what is known at once; the rest comes as news.
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        let _ = (run, all);
        anyhow::bail!(self.refusal())
    }
    /// Reads the whole job for its map or its statistics.
    fn open_survey(&mut self, survey: SurveyAsk) -> anyhow::Result<SurveyHandle> {
        let _ = survey;
        anyhow::bail!(self.refusal())
    }
    /// Plays a stored run again.
    fn open_replay(&mut self, run: RunId) -> anyhow::Result<ReplayHandle> {
        let _ = run;
        anyhow::bail!(self.refusal())
    }
    /// How the earlier survey to be drawn behind a run is read, if there is one; done in a thread of its own.
    fn earlier(&self) -> Option<ReadOutline> {
        None
    }
    /// Which channels of the device are read.
    fn reads(&self) -> Reads {
        Reads::One
    }
    /// Whether nothing here is real: a job and streams that were made up to be looked at.
    fn is_demo(&self) -> bool {
        false
    }
    /// Whether there is no job yet: its plan is being made.
    fn is_draft(&self) -> bool {
        false
    }
    /// The clock the screen goes by.
    fn clock(&self) -> Clock;
    /// Writes what still waits and lets go of the job.
    fn close(self) -> anyhow::Result<()>
    where
        Self: Sized,
    {
        Ok(())
    }
}

/// A run that is going on.
pub struct ScanHandle {
    pub view: tokio::sync::watch::Receiver<Arc<LiveView>>,
    pub wall: Arc<Mutex<LiveWall>>,
    pub commands: tokio::sync::mpsc::Sender<RunCommand>,
    /// Runs of other channels of the same stream.
    pub beside: Vec<ScanHandle>,
}

impl ScanHandle {
    /// This run and those beside it, each by itself.
    pub fn side_by_side(mut self) -> Vec<Self> {
        let beside = std::mem::take(&mut self.beside);
        std::iter::once(self).chain(beside).collect()
    }
}

/// What is said as a profile is proven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProveNews {
    Said(String),
    /// A question, to be answered.
    Asked(String),
    /// The proof in words, or why there is none.
    Done(Result<String, String>),
}

/// A profile being proven. It ends when this is dropped.
pub struct ProveHandle {
    pub news: tokio::sync::mpsc::Receiver<ProveNews>,
    pub answers: std::sync::mpsc::Sender<String>,
}

/// Stored runs being read. Reading ends when this is dropped.
pub struct ReviewHandle {
    pub overview: Arc<Overview>,
    pub news: tokio::sync::mpsc::Receiver<News>,
    pub asks: std::sync::mpsc::Sender<Ask>,
}

/// The whole job being read. Reading ends when this is dropped.
pub struct SurveyHandle {
    pub news: tokio::sync::mpsc::Receiver<SurveyNews>,
    /// What else is wanted of it.
    pub asks: std::sync::mpsc::Sender<SurveyAsk>,
}

/// A stored run being played again. It stops when this is dropped.
pub struct ReplayHandle {
    pub view: tokio::sync::watch::Receiver<Arc<LiveView>>,
    pub wall: Arc<Mutex<LiveWall>>,
    pub asks: std::sync::mpsc::Sender<Replay>,
}
