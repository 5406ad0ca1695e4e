//! `backwall export JOB --format csv --out PATH`: readings for other programs.

use crate::report::csv;
use crate::store::{EvaluationId, EvaluationSummary, JobFile, JobReader, RunId, StoreError};
use anyhow::{Context, bail};
use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

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
    let all: Vec<RunId> = reader.runs()?.iter().map(|run| run.id).collect();
    let evaluation = args.evaluation.map(|id| evaluation(&reader, id)).transpose()?;
    let runs = match args.run.or(evaluation.as_ref().map(|evaluation| evaluation.start.run)) {
        Some(run) if !all.contains(&run) => bail!(StoreError::NoSuchRun { path: args.job.clone(), run }),
        Some(run) => vec![run],
        None => all,
    };
    refuse_database(&args.out)?;
    let readings = write_whole(&args.out, |out| match args.format {
        Format::Csv => Ok(match &evaluation {
            None => csv::write_readings(&reader, &runs, out)?,
            Some(evaluation) => csv::write_evaluation(&reader, evaluation, out)?,
        }),
    })?;
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

/// An export must never take the place of a job file.
fn refuse_database(out: &Path) -> anyhow::Result<()> {
    let mut head = [0; 16];
    let is_database = File::open(out).and_then(|mut file| file.read_exact(&mut head)).is_ok() && head.starts_with(b"SQLite format 3");
    if is_database {
        bail!("{}: this is a job file or another database, and an export would replace it; choose another name", out.display());
    }
    Ok(())
}

/// Writes beside the file and renames, so that the name never holds half an export.
fn write_whole<T>(out: &Path, write: impl FnOnce(&mut BufWriter<&File>) -> anyhow::Result<T>) -> anyhow::Result<T> {
    let mut name = out.file_name().with_context(|| format!("{}: not a file name", out.display()))?.to_owned();
    name.push(format!(".part-{}", std::process::id()));
    let part = out.with_file_name(name);
    let written = (|| {
        let file = File::create(&part).with_context(|| format!("{}: cannot be written; check that its folder exists", part.display()))?;
        let mut buffered = BufWriter::new(&file);
        let done = write(&mut buffered)?;
        buffered.flush().with_context(|| format!("{}: not written to the end", part.display()))?;
        drop(buffered);
        file.sync_all().with_context(|| format!("{}: not written to the end", part.display()))?;
        Ok(done)
    })();
    let renamed = written.and_then(|done| {
        std::fs::rename(&part, out).with_context(|| format!("{}: cannot be put in place", out.display()))?;
        Ok(done)
    });
    if renamed.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    renamed
}
