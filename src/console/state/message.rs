//! What happens to the state, and what it asks the shell to do.

use crate::console::backend::ProveNews;
use crate::console::replay::Replay;
use crate::console::review;
use crate::console::survey::{SurveyAsk, SurveyNews};
use crate::live::bench::{BenchCommand, BenchView};
use crate::live::{Begin, Changed, LiveView, LiveWall, RunCommand};
use backwall_store::{Adoption, EvaluationSummary, JobContents, Note, RunId};
use backwall_survey::job::Statement;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::noted::Where;
use backwall_survey::job::statement::Revision;
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::Wording;
use ratatui::crossterm::event::KeyEvent;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

/// Something that happened.
#[derive(Debug, Clone)]
pub enum Event {
    Key(KeyEvent),
    Paste(String),
    /// A second has passed while something on screen shows time.
    Clock(i64),
    Live(Arc<LiveView>, i64),
    Contents(Box<JobContents>),
    /// A stream is about to be opened, for a run or for the bench.
    Opening,
    /// What is waited for meanwhile; `None` when it is over, whatever came of it.
    Connecting(Option<String>),
    Started {
        view: Arc<LiveView>,
        wall: Arc<Mutex<LiveWall>>,
    },
    /// So has the run of another channel beside it.
    StartedBeside {
        view: Arc<LiveView>,
        wall: Arc<Mutex<LiveWall>>,
    },
    /// What an earlier survey has of the line that is scanned.
    Outline {
        line: String,
        outline: Arc<review::EarlierOutline>,
    },
    /// A stored run is open.
    Reviewed(RunId, Arc<review::Overview>),
    Review(review::News),
    Survey(SurveyNews),
    /// A stored run is being played again.
    Replaying {
        view: Arc<LiveView>,
        wall: Arc<Mutex<LiveWall>>,
    },
    Replay(Arc<LiveView>),
    /// Of the profile that is being proven.
    Prove(ProveNews),
    BenchOpened(Arc<BenchView>),
    Bench(Arc<BenchView>, i64),
    /// How far a run is evaluated again: readings done, and of how many.
    Evaluating(RunId, u64, u64),
    /// A run was evaluated again from echo to echo.
    Evaluated(Box<EvaluationSummary>),
    /// The set-up that the run is to go on with stands in the job.
    ToChange(Changed),
    /// A revision of the plan was read from this file, or why it could not be.
    PlanRead(String, Result<Box<Revision>, String>),
    /// A job was made of the plan.
    Made,
    /// The bench broke off.
    BenchGone,
    /// An effect was done; says so in words.
    Done(String),
    /// An effect failed; says what and what to do.
    Failed(String),
}

/// A photo that is to be added.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPhoto {
    pub path: PathBuf,
    pub at: Where,
    /// What it shows.
    pub text: String,
    /// Nothing is copied.
    pub digest_only: bool,
    /// The photo of the plan that it is.
    pub asked: Option<String>,
}

/// What the shell must do.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    Reload,
    Answer(Answer),
    Sign(Signature),
    Note(Note),
    /// What somebody says of the job; whether it makes sense is known.
    State(Box<Statement>),
    /// Read a photo's file and add it, by whose name.
    Photo(Box<NewPhoto>, Signed),
    /// With verifications that were made of it.
    SetSetup {
        setup: Box<Setup>,
        origin: Wording,
        by: Signed,
        checks: Vec<Check>,
    },
    /// Enter a set-up that the run is to go on with.
    Change {
        run: RunId,
        setup: Box<Setup>,
        origin: Wording,
        by: Signed,
    },
    Check(Check),
    EncoderCheck(EncoderCheck, Signed),
    /// Evaluate a stored run again from echo to echo.
    Evaluate(RunId, Signed),
    Adopt(Adoption),
    /// A spot of a run that has ended, by the number of its minimum shot, was taken note of.
    Acknowledge(RunId, u32, Signed),
    /// Read a revision of the plan from this file.
    ReadPlan(String),
    /// Make a job of this plan.
    MakeJob(String),
    /// Write the report beside the job file.
    Report,
    /// Of several channels for this one.
    OpenBench(Option<String>),
    CloseBench,
    /// Read this channel of the device, of those that come.
    ChooseChannel(String),
    /// Prove the stream's profile on its device, of several channels on this one, by whose name.
    OpenProve(Option<String>, Signed),
    /// The answer to what was asked.
    AnswerProve(String),
    CloseProve,
    Bench(BenchCommand),
    StartScan(Begin),
    /// Wait no longer for the stream that is being opened.
    StopConnecting,
    Command(RunCommand),
    OpenRun(RunId),
    /// All runs of the line of this one.
    OpenLine(RunId),
    CloseReview,
    Ask(review::Ask),
    OpenReplay(RunId),
    Replay(Replay),
    CloseReplay,
    OpenSurvey(SurveyAsk),
    /// Something else of the survey that is open.
    AskSurvey(SurveyAsk),
    CloseSurvey,
    SaveSettings,
    /// Draw everything again, also what has not changed.
    Redraw,
    /// So many times.
    Bell(u8),
    Quit,
}
