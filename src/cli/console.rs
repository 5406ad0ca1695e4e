//! `backwall open`, and the way of every other command onto the console: the console's effects, done
//! to an open job.

use super::follow::{text_of_summary, text_of_validity};
use super::review::EarlierSurvey;
use super::session::{Session, StreamArgs, runtime};
use crate::console::survey::Survey;
use crate::console::{Backend, Clock, ConsoleOptions, Glyphs, Outcome, ReplayHandle, ReviewHandle, ScanHandle, Step, SurveyHandle, Theme};
use crate::live::Connecting;
use crate::live::bench::BenchHandle;
use anyhow::bail;
use backwall_store::{JobContents, JobFile, Note, RunId};
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use clap::Args;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

/// How the console looks.
#[derive(Args, Debug, Clone, Default)]
pub struct ScreenArgs {
    /// Colours; mono when NO_COLOR is set
    #[arg(long, value_enum)]
    pub theme: Option<Theme>,
    /// Which characters lines and pictures are drawn with
    #[arg(long, value_enum)]
    pub glyphs: Option<Glyphs>,
    /// Lengths in inch instead of the job's unit
    #[arg(long)]
    pub inch: bool,
}

#[derive(Args, Debug)]
pub struct OpenArgs {
    /// The job file
    pub job: PathBuf,
    #[command(flatten)]
    pub stream: StreamArgs,
    /// Who works, if not the plan's operator
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// No screen: say how the job stands
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

impl OpenArgs {
    pub fn of(job: PathBuf, screen: ScreenArgs) -> Self {
        use backwall_stream::spec::Pace;
        let stream = StreamArgs { stream: None, profile: "open-packet".to_owned(), pace: Pace::Device, record: None };
        Self { job, stream, operator: None, headless: false, json: false, screen }
    }
}

/// The console on a job, at the first step that is not done.
pub fn open(args: OpenArgs) -> anyhow::Result<()> {
    if args.headless {
        return standing(&args);
    }
    let session = Session::open(&args.job, args.operator.as_deref())?.with_stream(&args.stream)?;
    let contents = session.file.contents()?;
    let step = if contents.signatures.is_empty() {
        Step::Checklist
    } else if contents.setups.is_empty() {
        Step::Calibrate
    } else {
        Step::Scan
    };
    run_console(session, step, None, &args.screen)
}

/// The console on the checklist.
pub fn checklist(args: OpenArgs) -> anyhow::Result<()> {
    let session = Session::open(&args.job, args.operator.as_deref())?.with_stream(&args.stream)?;
    run_console(session, Step::Checklist, None, &args.screen)
}

/// The console on a run that starts at once.
pub fn scan(session: Session, line: String, checklist_override: Option<String>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_console(session, Step::Scan, Some((line, checklist_override)), screen)
}

/// The console on the stored runs.
pub fn review(session: Session, run: Option<RunId>, earlier: Option<EarlierSurvey>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_desk(Desk { session, earlier, unprepared: None }, Step::Review, None, run, screen)
}

/// What is still missing before each step, without a screen.
fn standing(args: &OpenArgs) -> anyhow::Result<()> {
    let contents = JobFile::open_read_only(&args.job)?.contents()?;
    let obstacles = contents.checklist.obstacles(&contents.answers, &contents.signatures);
    let standing = contents.standing();
    let mut out = std::io::stdout().lock();
    if args.json {
        let object = json!({
            "event": "job", "job": contents.plan.job.number, "asset": contents.plan.asset.name, "obstacles": obstacles,
            "setups": contents.setups.len(), "runs": contents.runs.len(),
            "calibration": standing.word(), "calibration_why": standing.why(),
        });
        writeln!(out, "{object}")?;
        return Ok(());
    }
    writeln!(out, "{} {}", contents.plan.job.number, contents.plan.asset.name)?;
    for obstacle in &obstacles {
        writeln!(out, "checklist: {obstacle}")?;
    }
    if contents.setups.is_empty() {
        writeln!(out, "calibrate: no set-up entered yet; the plan's typed values would be used")?;
    }
    writeln!(out, "{}", text_of_validity(&standing))?;
    for summary in &contents.runs {
        writeln!(out, "{}\n  {}", text_of_summary(summary), text_of_validity(&contents.validity(summary)))?;
    }
    Ok(())
}

fn run_console(session: Session, step: Step, start: Option<(String, Option<String>)>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_desk(Desk { session, earlier: None, unprepared: None }, step, start, None, screen)
}

fn run_desk(
    desk: Desk,
    step: Step,
    start: Option<(String, Option<String>)>,
    run: Option<RunId>,
    screen: &ScreenArgs,
) -> anyhow::Result<()> {
    let operator = desk.session.operator.clone();
    show(desk, operator, step, start, run, screen)
}

/// Runs the console on a backend; on the review, at a run if one is named.
pub fn show<B: Backend>(
    backend: B,
    operator: Signed,
    step: Step,
    start: Option<(String, Option<String>)>,
    run: Option<RunId>,
    screen: &ScreenArgs,
) -> anyhow::Result<()> {
    use std::io::IsTerminal;
    if !std::io::stdout().is_terminal() {
        bail!("the console needs a terminal; use --headless to run without one");
    }
    let runtime = runtime()?;
    let contents = backend.contents()?;
    if let Some(run) = run
        && !contents.runs.iter().any(|summary| summary.id == run)
    {
        bail!("there is no run {run} in this job; review --headless lists the runs");
    }
    let unit = if screen.inch { backwall_units::LengthUnit::Inch } else { contents.plan.job.units };
    let (start_line, override_reason) = start.map_or((None, None), |(line, reason)| (Some(line), reason));
    let options = ConsoleOptions {
        start: step,
        theme: screen.theme,
        glyphs: screen.glyphs,
        unit,
        start_line,
        start_run: run,
        override_reason,
        operator,
        settings_path: backwall_stream::platform::settings_folder().map(|folder| folder.join("console.toml")),
    };
    let outcome = runtime.block_on(crate::console::run(backend, options));
    // The input thread may sit in a read that never returns, and so may a reader of standard input.
    runtime.shutdown_background();
    match outcome? {
        Outcome::Quit => Ok(()),
        Outcome::Terminated(why) => bail!("ended: {why}; what was shown as saved is in the job file"),
    }
}

/// The console's backend: an open job and its streams.
struct Desk {
    session: Session,
    /// An earlier survey to draw behind what is reviewed.
    earlier: Option<EarlierSurvey>,
    /// Why what is done before the first run could not be done: then none starts.
    unprepared: Option<String>,
}

impl Backend for Desk {
    fn prepare(&mut self, connecting: &Connecting) -> anyhow::Result<bool> {
        self.session.prepare(connecting).inspect_err(|error| self.unprepared = Some(format!("{error:#}")))
    }
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(self.session.file.contents()?)
    }
    fn answer(&mut self, answer: Answer) -> anyhow::Result<()> {
        Ok(self.session.file.writer().answer(answer)?)
    }
    fn sign(&mut self, signature: Signature) -> anyhow::Result<()> {
        Ok(self.session.file.writer().sign(signature)?)
    }
    fn note(&mut self, note: Note) -> anyhow::Result<()> {
        Ok(self.session.file.writer().note(note)?)
    }
    fn set_setup(&mut self, setup: Setup, origin: String, by: Signed) -> anyhow::Result<i64> {
        Ok(self.session.file.writer().add_setup(setup, origin, by)?)
    }
    fn add_check(&mut self, check: Check) -> anyhow::Result<()> {
        Ok(self.session.file.writer().add_check(check)?)
    }
    fn add_encoder_check(&mut self, check: EncoderCheck, by: Signed) -> anyhow::Result<()> {
        Ok(self.session.file.writer().add_encoder_check(check, by)?)
    }
    fn start_bench(&mut self, connecting: &Connecting) -> anyhow::Result<BenchHandle> {
        self.session.start_bench(connecting)
    }
    fn start_scan(&mut self, line: &str, against: Option<(String, Signed)>, connecting: &Connecting) -> anyhow::Result<ScanHandle> {
        if let Some(why) = &self.unprepared {
            bail!("{why}");
        }
        let scan = self.session.start(line, against, |request| request.connecting = connecting.clone())?;
        Ok(ScanHandle { view: scan.view, wall: scan.wall, commands: scan.commands })
    }
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        super::review::open(self.session.file.path(), run, all, self.earlier.as_ref())
    }
    fn open_survey(&mut self, survey: Survey) -> anyhow::Result<SurveyHandle> {
        super::review::open_survey(self.session.file.path(), survey)
    }
    fn open_replay(&mut self, run: RunId) -> anyhow::Result<ReplayHandle> {
        super::review::open_replay(self.session.file.path(), run)
    }
    fn clock(&self) -> Clock {
        crate::live::now_us
    }
    fn close(self) -> anyhow::Result<()> {
        Ok(self.session.file.close()?)
    }
}

/// The console on the calibration.
pub fn calibrate(args: OpenArgs) -> anyhow::Result<()> {
    let session = Session::open(&args.job, args.operator.as_deref())?.with_stream(&args.stream)?;
    run_console(session, Step::Calibrate, None, &args.screen)
}
