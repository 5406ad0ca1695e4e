//! `backwall open`, and the way of every other command onto the console: the console's effects, done
//! to an open job.

use super::compare::BehindArgs;
use super::follow::{text_of_summary, text_of_validity};
use super::stream_args::StreamArgs;
use crate::console::{Backend, ConsoleEnd, ConsoleOptions, Glyphs, Step, Theme};
use crate::live::Begin;
use crate::session::review::EarlierSurvey;
use crate::session::{ConsoleBackend, DraftBackend, Session, operator_of, runtime};
use anyhow::bail;
use backwall_store::{JobFile, RunId};
use backwall_survey::job::checklist::Signed;
use clap::Args;
use serde_json::json;
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
    /// No screen: print the state of the job
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub behind: BehindArgs,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

impl OpenArgs {
    pub fn of(job: PathBuf, screen: ScreenArgs) -> Self {
        use backwall_stream::spec::Pace;
        let stream = StreamArgs { stream: None, profile: "open-packet".to_owned(), channel: Vec::new(), pace: Pace::Device, record: None };
        Self { job, stream, operator: None, headless: false, json: false, behind: BehindArgs::default(), screen }
    }
}

/// Open the console on a job, at the first step that is not done.
pub fn open(args: OpenArgs) -> anyhow::Result<()> {
    if args.headless {
        return standing(&args);
    }
    let earlier = args.behind.survey(&args.job)?;
    let session = args.stream.open(&args.job, args.operator.as_deref())?;
    let contents = session.file.contents()?;
    let conditions = contents.conditions(crate::live::now_us(), None, &session.operator.name);
    let step = if !contents.checklist.obstacles(&contents.answers, &contents.signatures, &conditions).is_empty() {
        Step::Checklist
    } else if contents.setups.is_empty() {
        Step::Calibrate
    } else {
        Step::Scan
    };
    run_desk(ConsoleBackend { session, earlier, unprepared: None }, step, None, None, &args.screen)
}

/// The console on the checklist.
pub fn checklist(args: OpenArgs) -> anyhow::Result<()> {
    let session = args.stream.open(&args.job, args.operator.as_deref())?;
    run_console(session, Step::Checklist, None, &args.screen)
}

/// The console on a run that starts at once.
pub fn scan(session: Session, begin: Begin, earlier: Option<EarlierSurvey>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_desk(ConsoleBackend { session, earlier, unprepared: None }, Step::Scan, Some(begin), None, screen)
}

/// The console on the stored runs.
pub fn review(session: Session, run: Option<RunId>, earlier: Option<EarlierSurvey>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_desk(ConsoleBackend { session, earlier, unprepared: None }, Step::Review, None, run, screen)
}

/// What is still missing before each step, without a screen.
fn standing(args: &OpenArgs) -> anyhow::Result<()> {
    let contents = JobFile::open_read_only(&args.job)?.contents()?;
    let operator = operator_of(&contents.plan, args.operator.as_deref());
    // As the plan has them, or as they were named: no device is asked here.
    let channels: Vec<&str> = match &args.stream.channel[..] {
        [] => contents.plan.channels(),
        named => named.iter().map(String::as_str).collect(),
    };
    let obstacles = contents.obstacles_on(&contents.conditions(crate::live::now_us(), None, &operator.name), &channels);
    let standing = contents.standing();
    if args.json {
        let object = json!({
            "event": "job", "job": contents.plan.job.number, "asset": contents.plan.asset.name, "obstacles": obstacles,
            "setups": contents.setups.len(), "runs": contents.runs.len(),
            "calibration": standing.word(), "calibration_why": standing.why(contents.plan.job.units),
        });
        say!("{object}");
        return Ok(());
    }
    say!("{} {}", contents.plan.job.number, contents.plan.asset.name);
    for obstacle in &obstacles {
        say!("stops scanning: {obstacle}");
    }
    if contents.setups.is_empty() {
        say!("calibrate: no set-up entered yet; the plan's typed values would be used");
    }
    say!("{}", text_of_validity(&standing));
    for summary in &contents.runs {
        say!("{}\n  {}", text_of_summary(summary), text_of_validity(&contents.validity(summary)));
    }
    Ok(())
}

fn run_console(session: Session, step: Step, begin: Option<Begin>, screen: &ScreenArgs) -> anyhow::Result<()> {
    run_desk(ConsoleBackend { session, earlier: None, unprepared: None }, step, begin, None, screen)
}

fn run_desk(desk: ConsoleBackend, step: Step, begin: Option<Begin>, run: Option<RunId>, screen: &ScreenArgs) -> anyhow::Result<()> {
    let (operator, job) = (desk.session.operator.clone(), desk.session.file.path().to_owned());
    let shown = show(desk, operator, step, begin, run, screen);
    // However it ended: what is in the file then is what the seal stands for.
    if let Ok((_, seal)) = crate::session::sealed::of_job(&job) {
        let job = job.display();
        say!(
            "seal {} over {}. Keep it elsewhere; `backwall seal {job}` shows it to a telephone",
            seal.digest,
            backwall_report::words::count(seal.entries, "entry")
        );
    }
    shown
}

/// Runs the console on a backend; on the review, at a run if one is named.
pub fn show<B: Backend>(
    backend: B,
    operator: Signed,
    step: Step,
    begin: Option<Begin>,
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
        && contents.any_run(run).is_none()
    {
        bail!("there is no run {run} in this job; review --headless lists the runs");
    }
    let unit = if screen.inch { backwall_units::LengthUnit::Inch } else { contents.plan.job.units };
    let options = ConsoleOptions {
        start: step,
        theme: screen.theme,
        glyphs: screen.glyphs,
        unit,
        begin,
        start_run: run,
        operator,
        settings_path: backwall_stream::platform::settings_folder().map(|folder| folder.join("console.toml")),
    };
    let outcome = runtime.block_on(crate::console::run(backend, options));
    // The input thread may sit in a read that never returns, and so may a reader of standard input.
    runtime.shutdown_background();
    match outcome? {
        ConsoleEnd::Quit => Ok(()),
        ConsoleEnd::Terminated(why) => bail!("ended: {why}; what was shown as saved is in the job file"),
    }
}

/// The console on a plan that no job is made of yet.
pub fn draft(draft: DraftBackend) -> anyhow::Result<()> {
    show(draft, Signed::default(), Step::Prepare, None, None, &ScreenArgs::default())
}

/// The console on the calibration.
pub fn calibrate(args: OpenArgs) -> anyhow::Result<()> {
    let session = args.stream.open(&args.job, args.operator.as_deref())?;
    run_console(session, Step::Calibrate, None, &args.screen)
}
