//! `backwall export JOB --format csv --out PATH`: readings for other programs.

use super::work::interruptible;
use crate::report::csv::{self, CsvError};
use crate::report::readings::Source;
use crate::report::whole_file;
use crate::store::{EvaluationId, EvaluationSummary, JobFile, JobReader, RunId, RunSummary, StoreError};
use anyhow::{Context, bail};
use std::path::PathBuf;

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    Csv,
}

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The job file; it may be in use
    pub job: PathBuf,
    #[arg(long, value_enum)]
    pub format: Format,
    /// The file to write; one of an earlier export is replaced
    #[arg(long)]
    pub out: PathBuf,
    /// Only this run; without it, all runs
    #[arg(long)]
    pub run: Option<RunId>,
    /// The readings of a run as this evaluation has them, instead of its own
    #[arg(long, value_name = "NUMBER", conflicts_with = "run")]
    pub evaluation: Option<EvaluationId>,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &Args) -> anyhow::Result<()> {
    let reader = JobFile::open_read_only(&args.job)?;
    let job = reader.contents()?;
    let evaluation = args.evaluation.map(|id| evaluation(&reader, id)).transpose()?;
    let wanted = args.run.or(evaluation.as_ref().map(|evaluation| evaluation.start.run));
    let sources: Vec<Source<'_>> = match (wanted, &evaluation) {
        (None, _) => job.runs.iter().map(Source::Run).collect(),
        (Some(run), _) if job.runs.iter().all(|known| known.id != run) => bail!(StoreError::NoSuchRun { path: args.job.clone(), run }),
        (Some(run), evaluation) => {
            let of_run = |known: &&RunSummary| known.id == run;
            job.runs.iter().filter(of_run).map(|run| evaluation.as_ref().map_or(Source::Run(run), |e| Source::Evaluation(e, run))).collect()
        }
    };
    let runs: Vec<RunId> = sources.iter().map(|source| source.run().id).collect();
    if let Ok(figure) = std::env::var("FIG") {
        let run = sources[0].run();
        let wall = crate::report::figure::data::RunWall::read(&reader, sources[0], &mut |_, _| true)?;
        let mut stretch = crate::report::figure::data::stretch(run, &wall.strip);
        if let Ok(to) = std::env::var("TO") {
            stretch.1 = crate::units::Length::mm(to.parse()?);
        }
        if let Ok(to) = std::env::var("FROM") {
            stretch.0 = crate::units::Length::mm(to.parse()?);
        }
        let drawn = crate::report::figure::data::strip_figure(&job, run, &job.validity(run), &wall, stretch, job.plan.job.units);
        let _ = figure;
        whole_file::write_bytes(&args.out, &crate::report::png::png(&drawn, 130)?)?;
        return Ok(());
    }
    let readings = interruptible("readings", |tick| {
        whole_file::write::<_, CsvError>(&args.out, |out| csv::write_readings(&reader, &job, &sources, out, tick))
    })??;
    let out = args.out.display().to_string();
    if args.json {
        let evaluation = args.evaluation;
        say!("{}", serde_json::json!({ "out": out, "format": "csv", "runs": runs, "evaluation": evaluation, "readings": readings }));
    } else if let Some(evaluation) = evaluation {
        let (id, run) = (evaluation.id, evaluation.start.run);
        say!("{out}: {readings} readings of run {run} as evaluation {id} has them ({})", evaluation.start.differs);
    } else {
        say!("{out}: {readings} readings of {} runs", runs.len());
    }
    Ok(())
}

fn evaluation(reader: &JobReader, id: EvaluationId) -> anyhow::Result<EvaluationSummary> {
    let all = reader.evaluations()?;
    let known: Vec<_> = all.iter().map(|evaluation| format!("{} (of run {})", evaluation.id, evaluation.start.run)).collect();
    let known = if known.is_empty() { "none; `backwall reevaluate` makes one".to_owned() } else { known.join(", ") };
    all.into_iter()
        .find(|evaluation| evaluation.id == id)
        .with_context(|| format!("{}: there is no evaluation {id} in this job; it has: {known}", reader.path().display()))
}
