//! `backwall review`, and the threads behind the console's review, each in a file of its own. The screen waits for none
//! of them, and each ends when what it tells is listened to no more.

mod earlier;
mod fetch;
mod map;
mod replay;
mod statistics;
mod walk;

pub use earlier::EarlierSurvey;
pub use fetch::window;
pub use replay::open as open_replay;
pub use walk::open;

use super::compare::ToldArgs;
use super::console::{ScreenArgs, show};
use super::follow::{closed, text_of_summary, text_of_validity};
use super::reevaluate;
use super::session::Session;
use crate::console::survey::Survey;
use crate::console::{Backend, Clock, ReplayHandle, ReviewHandle, ScanHandle, Step, SurveyHandle};
use crate::live::Connecting;
use crate::live::bench::BenchHandle;
use anyhow::bail;
use backwall_store::{JobContents, JobFile, Note, RunId, StoreError};
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use clap::Args;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

#[derive(Args, Debug)]
pub struct ReviewArgs {
    /// The job file
    pub job: PathBuf,
    /// The run to begin with
    #[arg(long)]
    pub run: Option<RunId>,
    /// An earlier survey to draw behind the present one: another job file, or a CSV file with columns named
    #[arg(long, value_name = "FILE", conflicts_with = "headless")]
    pub earlier: Option<PathBuf>,
    #[command(flatten)]
    pub told: ToldArgs,
    /// No screen: list the runs
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object a line
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

pub fn run(args: &ReviewArgs) -> anyhow::Result<()> {
    if args.headless {
        return list(args);
    }
    let earlier = behind(args)?;
    match Session::open(&args.job, None) {
        Ok(session) => super::console::review(session, args.run, earlier, &args.screen),
        // Another program records into it, or it lies where nothing can be written: it can still be looked at.
        Err(error) => match error.downcast_ref::<StoreError>() {
            Some(StoreError::InUse { .. } | StoreError::ReadOnlyFolder { .. }) => {
                let onlooker = ReadOnlyBackend { path: args.job.clone(), why: format!("{error:#}"), earlier };
                show(onlooker, Signed::default(), Step::Review, None, args.run, &args.screen)
            }
            _ => Err(error),
        },
    }
}

/// The earlier survey, and what was given with it. Its lengths are in the job's unit where they name none.
fn behind(args: &ReviewArgs) -> anyhow::Result<Option<EarlierSurvey>> {
    let Some(path) = args.earlier.clone() else { return Ok(None) };
    let unit = JobFile::open_read_only(&args.job)?.contents()?.plan.job.units;
    Ok(Some(EarlierSurvey { path, told: args.told.told(unit)? }))
}

fn list(args: &ReviewArgs) -> anyhow::Result<()> {
    let contents = JobFile::open_read_only(&args.job)?.contents()?;
    let mut out = std::io::stdout().lock();
    for summary in contents.runs.iter().filter(|summary| args.run.is_none_or(|run| run == summary.id)) {
        let validity = contents.validity(summary);
        let evaluations = || contents.evaluations.iter().filter(|evaluation| evaluation.start.run == summary.id);
        if args.json {
            let mut object = closed(summary, &validity);
            object["event"] = json!("run");
            object["evaluations"] =
                evaluations().map(|evaluation| reevaluate::object_of(evaluation, &contents.validity_of(evaluation))).collect();
            writeln!(out, "{object}")?;
        } else {
            writeln!(out, "{}\n  {}", text_of_summary(summary), text_of_validity(&validity))?;
            for evaluation in evaluations() {
                writeln!(out, "  {}", reevaluate::line_of(evaluation, &contents.validity_of(evaluation)))?;
            }
        }
    }
    Ok(())
}

/// Looks at a job that cannot be written to.
struct ReadOnlyBackend {
    path: PathBuf,
    why: String,
    earlier: Option<EarlierSurvey>,
}

impl ReadOnlyBackend {
    fn refuse<T>(&self) -> anyhow::Result<T> {
        bail!("open for looking only: {}", self.why)
    }
}

impl Backend for ReadOnlyBackend {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(JobFile::open_read_only(&self.path)?.contents()?)
    }
    fn answer(&mut self, _: Answer) -> anyhow::Result<()> {
        self.refuse()
    }
    fn sign(&mut self, _: Signature) -> anyhow::Result<()> {
        self.refuse()
    }
    fn note(&mut self, _: Note) -> anyhow::Result<()> {
        self.refuse()
    }
    fn set_setup(&mut self, _: Setup, _: String, _: Signed) -> anyhow::Result<i64> {
        self.refuse()
    }
    fn add_check(&mut self, _: Check) -> anyhow::Result<()> {
        self.refuse()
    }
    fn add_encoder_check(&mut self, _: EncoderCheck, _: Signed) -> anyhow::Result<()> {
        self.refuse()
    }
    fn start_bench(&mut self, _: &Connecting) -> anyhow::Result<BenchHandle> {
        self.refuse()
    }
    fn start_scan(&mut self, _: &str, _: Option<(String, Signed)>, _: &Connecting) -> anyhow::Result<ScanHandle> {
        self.refuse()
    }
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        open(&self.path, run, all, self.earlier.as_ref())
    }
    fn open_survey(&mut self, survey: Survey) -> anyhow::Result<SurveyHandle> {
        open_survey(&self.path, survey)
    }
    fn open_replay(&mut self, run: RunId) -> anyhow::Result<ReplayHandle> {
        open_replay(&self.path, run)
    }
    fn clock(&self) -> Clock {
        crate::live::now_us
    }
}

/// How often what has been read is shown while it is read.
const TELL: Duration = Duration::from_millis(250);
/// How often a run still being recorded is looked at again.
const AGAIN: Duration = Duration::from_secs(1);

/// Reads the whole job for a screen of it.
pub fn open_survey(path: &Path, survey: Survey) -> anyhow::Result<SurveyHandle> {
    match survey {
        Survey::Map => map::open(path),
        Survey::Statistics { line, interval } => statistics::open(path, line, interval),
    }
}
