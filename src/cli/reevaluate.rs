//! `backwall reevaluate JOB --run N`: another gate, picker, mode or calibration over the stored waveforms of a run. What
//! comes out is kept beside the run's own readings and compared with them; those stay as they are. With `--adopt` it is said
//! which of them count.

use super::choice::choice;
use super::follow::text_of_validity;
use super::work::interruptible;
use crate::session::{Session, evaluate};
use anyhow::{Context, bail};
use backwall_store::{
    Adoption, EvaluationFindings, EvaluationId, EvaluationStart, EvaluationSummary, JobContents, RunId, RunSummary, differences_in,
};
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::validity::Validity;
use backwall_ultrasound::calibration::Budget;
use backwall_ultrasound::{Mode, Picker, Setup};
use backwall_units::{Length, LengthUnit, Time, Velocity, parse_number};
use clap::Args;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;

#[derive(Args, Debug)]
pub struct ReevaluateArgs {
    /// The job file
    pub job: PathBuf,
    /// The run to evaluate again; it must have ended
    #[arg(long)]
    pub run: RunId,
    /// A set-up of the job to evaluate with, by its number, for example a later calibration; the run's own if not given. A run
    /// that went on with another set-up has several: say which one all its readings are made with
    #[arg(long, value_name = "NUMBER")]
    pub setup: Option<i64>,
    /// Where the gate starts, µs after the transmit pulse
    #[arg(long, value_name = "US", allow_hyphen_values = true, value_parser = parse_number)]
    pub gate_start: Option<f64>,
    /// How long the gate is, µs
    #[arg(long, value_name = "US", allow_hyphen_values = true, value_parser = parse_number)]
    pub gate_length: Option<f64>,
    /// How high an echo must be in the gate, percent of full screen height
    #[arg(long, value_name = "PCT", allow_hyphen_values = true, value_parser = parse_number)]
    pub threshold: Option<f64>,
    /// How the arrival of an echo is timed
    #[arg(long, value_parser = choice(Picker::ALL))]
    pub picker: Option<Picker>,
    /// From the transmit pulse to the first echo, or from echo to echo
    #[arg(long, value_parser = choice(Mode::ALL))]
    pub mode: Option<Mode>,
    /// Velocity in the wall, m/s, instead of the set-up's
    #[arg(long, value_name = "M_S", allow_hyphen_values = true, value_parser = parse_number)]
    pub velocity: Option<f64>,
    /// Zero, ns, instead of the set-up's
    #[arg(long, value_name = "NS", allow_hyphen_values = true, value_parser = parse_number)]
    pub zero: Option<f64>,
    /// From now on the readings of this evaluation count as the run's, or with "own" the run's own again; nothing is
    /// evaluated, and both stay in the job
    #[arg(long, value_name = "EVALUATION", value_parser = chosen, requires = "reason",
        conflicts_with_all = ["setup", "gate_start", "gate_length", "threshold", "picker", "mode", "velocity", "zero", "why"])]
    pub adopt: Option<ChosenSetup>,
    /// Why they count; kept with the name, and in the report
    #[arg(long, value_name = "TEXT", requires = "adopt")]
    pub reason: Option<String>,
    /// Why; kept with the evaluation
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub why: String,
    /// Who evaluates or adopts, if not the plan's operator
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// As for other commands; this one has no screen
    #[arg(long)]
    pub headless: bool,
    /// Say what came out as one JSON object
    #[arg(long)]
    pub json: bool,
}

/// Which readings are to count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChosenSetup {
    Own,
    Evaluation(EvaluationId),
}

fn chosen(text: &str) -> Result<ChosenSetup, String> {
    match (text, text.parse()) {
        ("own", _) | (_, Ok(0)) => Ok(ChosenSetup::Own),
        (_, Ok(id)) if id > 0 => Ok(ChosenSetup::Evaluation(id)),
        _ => Err("give the number of an evaluation, or own for the run's own readings".to_owned()),
    }
}

impl ReevaluateArgs {
    fn changes_nothing(&self) -> bool {
        let numbers = [self.gate_start, self.gate_length, self.threshold, self.velocity, self.zero];
        numbers.iter().all(Option::is_none) && self.setup.is_none() && self.picker.is_none() && self.mode.is_none()
    }
}

pub fn run(args: &ReevaluateArgs) -> anyhow::Result<()> {
    if let Some(chosen) = args.adopt {
        return adopt(args, chosen);
    }
    if args.changes_nothing() {
        bail!(
            "nothing to evaluate with: give at least one of --gate-start US, --gate-length US, --threshold PCT, --picker, --mode, \
             --velocity M_S, --zero NS, or --setup NUMBER (a set-up of this job, such as a later calibration)"
        );
    }
    let session = Session::open(&args.job, args.operator.as_deref())?;
    let done = work(&session, args);
    let contents = session.file.contents();
    let closed = session.file.close();
    let (evaluation, contents) = (done?, contents?);
    closed?;
    let validity = contents.validity_of(&evaluation);
    if args.json {
        let mut object = object_of(&evaluation, &validity);
        object["event"] = json!("evaluated");
        say!("{object}");
    } else {
        say!("{}", text_of(&evaluation, &validity));
        say!(
            "The readings of run {} are as they were. `backwall export {} --format csv --evaluation {} --out FILE` writes these; `backwall reevaluate {} --run {} --adopt {} --reason TEXT` makes them count.",
            evaluation.start.run,
            args.job.display(),
            evaluation.id,
            args.job.display(),
            evaluation.start.run,
            evaluation.id
        );
    }
    Ok(())
}

fn adopt(args: &ReevaluateArgs, chosen: ChosenSetup) -> anyhow::Result<()> {
    let session = Session::open(&args.job, args.operator.as_deref())?;
    let done = state(&session, args, chosen);
    let contents = session.file.contents();
    let closed = session.file.close();
    let (adoption, contents) = (done?, contents?);
    closed?;
    let of = args.job.display();
    let run = contents.runs.iter().find(|run| run.id == args.run).with_context(|| format!("{of}: run {} is gone", args.run))?;
    if args.json {
        let mut object = object_of_adoption(&adoption);
        object["event"] = json!("adopted");
        object["least_mm"] = json!(run.least.map(Length::as_mm));
        object["no_echo"] = json!(run.no_echo);
        object["spots"] = json!(run.spots);
        say!("{object}");
    } else {
        say!("{}", line_of_adoption(&contents, &adoption));
        say!("{}", super::follow::text_of_summary(run));
        say!("Map, statistics, assessment, report and exports use these readings from now on; the others stay in the job.");
    }
    Ok(())
}

/// Enters which readings count.
fn state(session: &Session, args: &ReevaluateArgs, chosen: ChosenSetup) -> anyhow::Result<Adoption> {
    let contents = session.file.contents()?;
    let of = args.job.display();
    known_run(&contents, args)?;
    let reason = args.reason.as_deref().unwrap_or_default().trim().to_owned();
    if reason.is_empty() {
        bail!("say why with --reason TEXT: it is kept with the name and shown in the report");
    }
    let by = session.signed();
    if by.name.trim().is_empty() {
        bail!("say who with --operator NAME: the plan has no person");
    }
    let evaluation = match chosen {
        ChosenSetup::Own => None,
        ChosenSetup::Evaluation(id) => {
            let own = || contents.evaluations.iter().filter(|evaluation| evaluation.start.run == args.run);
            if !own().any(|evaluation| evaluation.id == id) {
                let known: Vec<_> = own().map(|evaluation| format!("{} ({})", evaluation.id, evaluation.start.differs)).collect();
                let known = if known.is_empty() { "none; without --adopt this command makes one".to_owned() } else { known.join(", ") };
                bail!("{of}: there is no evaluation {id} of run {}; it has: {known}", args.run);
            }
            Some(id)
        }
    };
    if contents.adoption(args.run).and_then(|adoption| adoption.evaluation) == evaluation {
        bail!("{of}: run {}: {} count already; nothing was entered", args.run, whose(evaluation));
    }
    let adoption = Adoption { run: args.run, evaluation, reason, by };
    session.file.writer().adopt(adoption.clone())?;
    Ok(adoption)
}

fn whose(evaluation: Option<EvaluationId>) -> String {
    evaluation.map_or_else(|| "its own readings".to_owned(), |id| format!("the readings of evaluation {id}"))
}

/// Which readings of a run count, as an object.
pub fn object_of_adoption(adoption: &Adoption) -> Value {
    json!({
        "run": adoption.run, "evaluation": adoption.evaluation, "reason": adoption.reason,
        "by": adoption.by.name, "at_us": adoption.by.at_us,
    })
}

/// The same in a line.
pub fn line_of_adoption(contents: &JobContents, adoption: &Adoption) -> String {
    let (run, by) = (adoption.run, &adoption.by.name);
    match contents.evaluations.iter().find(|evaluation| Some(evaluation.id) == adoption.evaluation) {
        Some(evaluation) => {
            format!("run {run} counts as {}", backwall_report::words::adopted(contents, evaluation, adoption, contents.plan.job.units))
        }
        None => format!("run {run} counts by its own readings, as {by} says: {}", adoption.reason),
    }
}

fn work(session: &Session, args: &ReevaluateArgs) -> anyhow::Result<EvaluationSummary> {
    let contents = session.file.contents()?;
    let start = order(&contents, args, &session.operator)?;
    // Dropped before the file is closed, so that one plain file is left.
    let reader = session.file.reader()?;
    let done = interruptible("readings", |tick| session.file.writer().reevaluate(&reader, start, tick))?;
    Ok(done?)
}

fn known_run<'a>(contents: &'a JobContents, args: &ReevaluateArgs) -> anyhow::Result<&'a RunSummary> {
    let known = || contents.runs.iter().map(|run| run.id.to_string()).collect::<Vec<_>>().join(", ");
    let found = contents.runs.iter().find(|run| run.id == args.run);
    found.with_context(|| format!("{}: run {} does not exist in this job; it has: {}", args.job.display(), args.run, known()))
}

fn order(contents: &JobContents, args: &ReevaluateArgs, by: &Signed) -> anyhow::Result<EvaluationStart> {
    let run = known_run(contents, args)?;
    let (from, setup_id) = match args.setup {
        None => (run.only_setup().with_context(|| several(run, args))?, run.start.setup_id),
        Some(id) => {
            let entry = contents.setups.iter().find(|entry| entry.id == id).with_context(|| {
                let known: Vec<_> = contents.setups.iter().map(|entry| format!("{} ({})", entry.id, entry.origin)).collect();
                let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
                format!("{}: there is no set-up {id} in this job; it has: {known}", args.job.display())
            })?;
            (&entry.setup, Some(id))
        }
    };
    let setup = changed(from, args);
    Ok(EvaluationStart {
        run: run.id,
        differs: differences_in(run, &setup, args.setup, LengthUnit::Mm),
        setup,
        setup_id,
        why: args.why.trim().to_owned(),
        software: evaluate::software(),
        by: Signed { at_us: crate::live::now_us(), ..by.clone() },
    })
}

/// Why a run by several set-ups is not evaluated by one of them unasked.
fn several(run: &RunSummary, args: &ReevaluateArgs) -> String {
    let first = run.start.setup_id.map_or_else(|| "its first set-up".to_owned(), |id| format!("set-up {id}"));
    let on: Vec<_> =
        run.changes.iter().map(|change| format!("set-up {} from reading {} on", change.setup_id, change.from_row + 1)).collect();
    format!(
        "{}: run {} was read with {first}, then with {}. An evaluation makes all readings of a run with one set-up: say which with --setup NUMBER, \
         beside what is to differ from it",
        args.job.display(),
        run.id,
        on.join(", with ")
    )
}

/// The set-up with what the command line says put in.
fn changed(from: &Setup, args: &ReevaluateArgs) -> Setup {
    let mut setup = from.clone();
    let gate = &mut setup.gate;
    gate.start = args.gate_start.map_or(gate.start, Time::us);
    gate.length = args.gate_length.map_or(gate.length, Time::us);
    gate.threshold_pct = args.threshold.unwrap_or(gate.threshold_pct);
    setup.picker = args.picker.unwrap_or(setup.picker);
    setup.mode = args.mode.unwrap_or(setup.mode);
    setup.velocity = args.velocity.map_or(setup.velocity, Velocity::m_s);
    setup.zero = args.zero.map_or(setup.zero, Time::ns);
    // Where blocks were measured, theirs are the velocity and the zero that count; typed over, they are no better known
    // than typed ones.
    if let Some(blocks) = setup.calibration.as_mut().filter(|_| args.velocity.is_some() || args.zero.is_some()) {
        let (blocks, typed) = (Arc::make_mut(blocks), Budget::typed());
        if args.velocity.is_some() {
            blocks.velocity = setup.velocity;
            blocks.velocity_fitted = false;
            blocks.budget.velocity_relative = blocks.budget.velocity_relative.max(typed.velocity_relative);
        }
        if args.zero.is_some() {
            blocks.zero = setup.zero;
            blocks.budget.zero = blocks.budget.zero.max(typed.zero);
        }
        blocks.warnings.push("velocity or zero was typed over the blocks' for an evaluation".into());
    }
    setup
}

/// An evaluation as an object, for this command and for `review`.
pub fn object_of(evaluation: &EvaluationSummary, validity: &Validity) -> Value {
    let start = &evaluation.start;
    let mut object = json!(evaluation.changes);
    object["evaluation"] = json!(evaluation.id);
    object["run"] = json!(start.run);
    object["differs"] = json!(start.differs);
    object["setup_id"] = json!(start.setup_id);
    object["why"] = json!(start.why);
    object["by"] = json!(start.by.name);
    object["at_us"] = json!(start.by.at_us);
    object["software"] = json!(start.software);
    object["calibration"] = json!(validity.word());
    object["calibration_why"] = json!(validity.why(LengthUnit::Mm));
    object["digest"] = json!(evaluation.digest);
    object
}

/// One line about an evaluation, for a list.
pub fn line_of(evaluation: &EvaluationSummary, validity: &Validity) -> String {
    let (start, changes) = (&evaluation.start, &evaluation.changes);
    let why = if start.why.is_empty() { String::new() } else { format!(" ({})", start.why) };
    format!(
        "evaluation {} by {}, {}{why}: {} of {} readings changed, min {}, {}",
        evaluation.id,
        if start.by.name.is_empty() { "no person named" } else { &start.by.name },
        start.differs,
        changes.changed,
        changes.readings,
        least(&changes.after),
        text_of_validity(validity)
    )
}

fn text_of(evaluation: &EvaluationSummary, validity: &Validity) -> String {
    let (start, changes) = (&evaluation.start, &evaluation.changes);
    let mut text = format!("evaluation {} of run {}: {}\n", evaluation.id, start.run, start.differs);
    text += &format!(
        "{} readings: {} changed, {} gained an echo, {} lost it\n",
        changes.readings, changes.changed, changes.gained, changes.lost
    );
    if changes.kept > 0 {
        text += &format!("{} readings have no waveform in the file and stay as they were\n", changes.kept);
    }
    if let Some(mean) = changes.mean_difference {
        text += &format!("{} readings with a thickness before and after: mean difference {:+.3} mm", changes.compared, mean.as_mm());
        if let Some(largest) = &changes.largest {
            text += &format!(
                ", largest {:+.3} mm{} (seq {}: {:.2} -> {:.2} mm)",
                (largest.after - largest.before).as_mm(),
                place(largest.at),
                largest.seq,
                largest.before.as_mm(),
                largest.after.as_mm()
            );
        }
        text += "\n";
    }
    for (word, found) in [("before", &changes.before), ("after", &changes.after)] {
        text += &format!(
            "{word}: {} without echo, {} THIN and {} WATCH spots, min {}\n",
            found.no_echo,
            found.thin_spots,
            found.watch_spots,
            least(found)
        );
    }
    text + &format!("{}\ndigest {}", text_of_validity(validity), evaluation.digest)
}

fn least(found: &EvaluationFindings) -> String {
    found.least.map_or("none: no thickness read".to_owned(), |least| format!("{:.2} mm{}", least.as_mm(), place(found.least_at)))
}

fn place(at: Option<Length>) -> String {
    at.map_or(String::new(), |at| format!(" at {:.3} m", at.as_metres()))
}
