//! `backwall export JOB --format csv|parquet|… --out PATH`: data and pictures for other programs.

mod data;
mod handover;
mod picture;

use super::compare::EarlierArgs;
use super::work::interruptible;
use crate::session::sealed::TableSeal;
use anyhow::{Context, bail};
use backwall_report::readings::ReadingsOf;
use backwall_report::whole_file::{self, Stopped};
use backwall_store::{EvaluationId, EvaluationSummary, JobContents, JobFile, JobReader, RunId, RunSummary, StoreError};
use std::path::PathBuf;

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    Csv,
    Parquet,
    Svg,
    Png,
    /// Spots on the unrolled wall, in its own coordinates
    Geojson,
    /// The unrolled wall with lines and spots, as a drawing for CAD programs
    Dxf,
    /// The columns of a table, as a JSON schema of its rows
    JsonSchema,
}

impl Format {
    const fn word(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Parquet => "parquet",
            Self::Svg => "svg",
            Self::Png => "png",
            Self::Geojson => "geojson",
            Self::Dxf => "dxf",
            Self::JsonSchema => "json-schema",
        }
    }
    /// Whether it has the spots on the wall and nothing else.
    const fn is_of_spots(self) -> bool {
        matches!(self, Self::Geojson | Self::Dxf)
    }
    const fn is_picture(self) -> bool {
        matches!(self, Self::Svg | Self::Png)
    }
}

/// What a table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum ExportWhat {
    /// Every reading of the runs
    #[default]
    Readings,
    /// The spots under a limit, with their minimum
    Spots,
    /// Each line as a whole, by course, and by interval with --interval
    Statistics,
    /// What was read by hand, apart from the crawler
    Hand,
    /// The decision, rate, life and next date of each course, over all lines and on each
    Assessment,
    /// Each stretch of wall that an earlier survey read as well
    Comparison,
    /// Inspection points with place, day, thickness and rate
    Points,
    /// The critical thickness profile of each course: the lowest of its parallel lines, place by place
    Profile,
}

impl ExportWhat {
    /// Whether it needs the job to be assessed.
    const fn is_assessed(self) -> bool {
        matches!(self, Self::Assessment | Self::Comparison | Self::Points | Self::Profile)
    }
}

/// What a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum PictureOf {
    /// The section through the wall along a run
    #[default]
    Strip,
    /// One shot of a run with gate and echoes
    Waveform,
    /// All lines on the unrolled wall
    Map,
}

#[derive(Debug, clap::Args)]
pub struct ExportArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    #[arg(long, value_enum)]
    pub format: Format,
    /// The file to write; one of an earlier export is replaced. For Parquet of readings or spots, and for strips of several
    /// runs, also a folder: one file a run is then laid out in it
    #[arg(long)]
    pub out: PathBuf,
    /// What a CSV or Parquet table holds [default: readings]
    #[arg(long, value_enum)]
    pub what: Option<ExportWhat>,
    /// What an SVG or PNG picture shows [default: strip]
    #[arg(long, value_enum)]
    pub figure: Option<PictureOf>,
    /// Only this run; without it, all runs
    #[arg(long)]
    pub run: Option<RunId>,
    /// The readings of a run as this evaluation has them, instead of its own
    #[arg(long, value_name = "NUMBER", conflicts_with = "run")]
    pub evaluation: Option<EvaluationId>,
    /// The waveform nearest to this place along the line, in mm or inch as the job has it, or with its unit (4.035m); the
    /// minimum if not given
    #[arg(long, value_name = "POSITION", allow_hyphen_values = true)]
    pub at: Option<String>,
    /// Where a strip begins, written as for --at
    #[arg(long, value_name = "POSITION", allow_hyphen_values = true)]
    pub from: Option<String>,
    /// Where a strip ends, written as for --at
    #[arg(long, value_name = "POSITION", allow_hyphen_values = true)]
    pub to: Option<String>,
    /// Also statistics of every interval of this length, written as for --at
    #[arg(long, value_name = "LENGTH")]
    pub interval: Option<String>,
    /// Dots per inch of a PNG [default: 200]
    #[arg(long, value_name = "DPI", value_parser = clap::value_parser!(u32).range(30..=1200))]
    pub dpi: Option<u32>,
    /// Begin a CSV with a byte order mark, for spreadsheet programs that misread its letters without one
    #[arg(long)]
    pub bom: bool,
    /// Judge by this basis instead of the one in force: a file, the number of a kept one, or plan
    #[arg(long, value_name = "FILE|NUMBER|plan")]
    pub basis: Option<String>,
    #[command(flatten)]
    pub earlier: EarlierArgs,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

/// What was written, in words and as numbers.
struct ExportDone {
    /// Rows, or pictures.
    count: u64,
    files: Vec<PathBuf>,
    runs: Vec<RunId>,
    /// The rest of the line after the file's name.
    words: String,
}

/// A job file opened for an export.
struct ExportOrder<'a> {
    args: &'a ExportArgs,
    reader: &'a JobReader,
    job: &'a JobContents,
    sources: Vec<ReadingsOf<'a>>,
}

pub fn run(args: &ExportArgs) -> anyhow::Result<()> {
    refuse_what_does_not_apply(args)?;
    let reader = JobFile::open_read_only(&args.job)?;
    let job = reader.contents()?;
    let evaluation = args.evaluation.map(|id| evaluation(&reader, id)).transpose()?;
    let sources = sources(args, &job, evaluation.as_ref())?;
    let order = ExportOrder { args, reader: &reader, job: &job, sources };
    let beside = job.seal.as_ref().filter(|_| args.format == Format::Csv);
    if beside.is_some() {
        TableSeal::room(&args.out)?;
    }
    let mut done = interruptible("readings", |tick| {
        let done = match args.format {
            Format::Svg | Format::Png => picture::write(&order, tick),
            Format::JsonSchema => handover::schema(&order),
            Format::Geojson => handover::geojson(&order),
            Format::Dxf => handover::dxf(&order),
            Format::Csv | Format::Parquet if args.what.is_some_and(ExportWhat::is_assessed) => handover::write(&order, tick),
            Format::Csv | Format::Parquet => data::write(&order, tick),
        };
        done.map_err(|error| match error.is::<Stopped>() {
            true => whole_file::WholeFileError::Stopped(args.out.clone()).into(),
            false => error,
        })
    })??;
    if let Some(seal) = beside {
        done.files.push(TableSeal::write(&args.out, &job.plan.job.number, seal)?);
    }
    let out = args.out.display().to_string();
    if args.json {
        let files: Vec<_> = done.files.iter().map(|file| file.display().to_string()).collect();
        let kind = if args.format.is_picture() { "pictures" } else { "rows" };
        let mut object = serde_json::json!({
            "out": out, "format": args.format.word(), "runs": done.runs, "evaluation": args.evaluation, "files": files,
        });
        object[kind] = done.count.into();
        if what_of(args) == ExportWhat::Readings && !args.format.is_picture() {
            object["readings"] = done.count.into();
        }
        object["seal"] = job.seal.as_ref().map(|seal| seal.digest.as_str()).into();
        say!("{object}");
    } else {
        say!("{out}: {}", done.words);
        if let Some(seal) = &job.seal {
            say!("  seal of the job {} over {}", seal.digest, backwall_report::words::count(seal.entries, "entry"));
        }
        for file in done.files.iter().filter(|file| **file != args.out) {
            say!("  {}", file.display());
        }
    }
    Ok(())
}

/// Readings where nothing else is asked for; of what is on the wall the spots.
fn what_of(args: &ExportArgs) -> ExportWhat {
    args.what.unwrap_or(if args.format.is_of_spots() { ExportWhat::Spots } else { ExportWhat::Readings })
}

/// An option that would be passed over is an error: the export would not be what was meant.
fn refuse_what_does_not_apply(args: &ExportArgs) -> anyhow::Result<()> {
    let (picture, what, shown) = (args.format.is_picture(), args.what.unwrap_or_default(), args.figure.unwrap_or_default());
    let strip = picture && shown == PictureOf::Strip;
    let rules = [
        ("--what", args.what.is_some(), !picture, "csv, parquet, geojson, dxf or json-schema"),
        (
            "--what",
            args.what.is_some_and(|what| what != ExportWhat::Spots),
            !args.format.is_of_spots(),
            "csv or parquet; geojson and dxf have the spots",
        ),
        ("--basis", args.basis.is_some(), what.is_assessed(), "assessment, comparison, points or profile"),
        ("--earlier", !args.earlier.earlier.is_empty(), what.is_assessed(), "assessment, comparison, points or profile"),
        ("--run", args.run.is_some(), !what.is_assessed(), "readings, spots or statistics; an assessment has the whole job"),
        ("--figure", args.figure.is_some(), picture, "svg or png"),
        ("--at", args.at.is_some(), picture && shown == PictureOf::Waveform, "--figure waveform"),
        ("--from", args.from.is_some(), strip, "--figure strip"),
        ("--to", args.to.is_some(), strip, "--figure strip"),
        ("--interval", args.interval.is_some(), !picture && what == ExportWhat::Statistics, "--what statistics"),
        ("--dpi", args.dpi.is_some(), args.format == Format::Png, "--format png"),
        ("--bom", args.bom, args.format == Format::Csv, "--format csv"),
        ("--run", args.run.is_some(), !(picture && shown == PictureOf::Map), "one run, and --figure map shows all"),
        ("--run", args.run.is_some(), picture || what != ExportWhat::Hand, "readings, spots or statistics; --what hand has the whole job"),
        (
            "--evaluation",
            args.evaluation.is_some(),
            !(picture && shown == PictureOf::Map) && (picture || matches!(what, ExportWhat::Readings | ExportWhat::Statistics)),
            "readings, statistics, strip or waveform",
        ),
    ];
    match rules.iter().find(|(_, given, applies, _)| *given && !applies) {
        Some((option, _, _, with)) => bail!("{option} goes with {with}; leave it out or change the rest"),
        None => Ok(()),
    }
}

fn sources<'a>(args: &ExportArgs, job: &'a JobContents, evaluation: Option<&'a EvaluationSummary>) -> anyhow::Result<Vec<ReadingsOf<'a>>> {
    let wanted = args.run.or(evaluation.map(|evaluation| evaluation.start.run));
    let Some(wanted) = wanted else {
        return Ok(job.runs.iter().map(ReadingsOf::Run).collect());
    };
    let Some(run) = job.runs.iter().find(|run: &&RunSummary| run.id == wanted) else {
        if job.any_run(wanted).is_some() {
            bail!("{}: run {wanted} {}", args.job.display(), job.counts_in_words(wanted));
        }
        bail!(StoreError::NoSuchRun { path: args.job.clone(), run: wanted });
    };
    Ok(vec![evaluation.map_or(ReadingsOf::Run(run), |evaluation| ReadingsOf::Evaluation(evaluation, run))])
}

fn evaluation(reader: &JobReader, id: EvaluationId) -> anyhow::Result<EvaluationSummary> {
    let all = reader.evaluations()?;
    let known: Vec<_> = all.iter().map(|evaluation| format!("{} (of run {})", evaluation.id, evaluation.start.run)).collect();
    let known = if known.is_empty() { "none; `backwall reevaluate` makes one".to_owned() } else { known.join(", ") };
    all.into_iter()
        .find(|evaluation| evaluation.id == id)
        .with_context(|| format!("{}: there is no evaluation {id} in this job; it has: {known}", reader.path().display()))
}
