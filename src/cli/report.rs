//! `backwall report JOB --out FILE`: the report a client can read, as PDF or HTML, in one call.

use super::choice::choice;
use super::compare::EarlierArgs;
use super::work::interruptible;
use crate::session::report::{self, ReportFormat, ReportOrder, ReportWritten};
use crate::session::{basis, sealed};
use anyhow::{Context, bail};
use backwall_report::assessment::Request;
use backwall_report::contents::{self, Issue, ReportStatus};
use backwall_report::document::{Logo, Paper};
use backwall_report::template::{self, SHIPPED, Template};
use backwall_report::words::count;
use backwall_store::{JobFile, small_file};
use backwall_units::LengthUnit;
use chrono::{DateTime, FixedOffset};
use std::path::{Component, Path, PathBuf};

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Units {
    Mm,
    #[value(alias = "inch")]
    In,
}

#[derive(Debug, clap::Args)]
pub struct ReportArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    /// The file to write, by its ending .pdf or .html; one of an earlier report is replaced
    #[arg(long)]
    pub out: PathBuf,
    /// How much: summary (two pages), full (the answer and what it rests on), complete (every run and number), daily (the day of issue
    /// and what is left), or a template's path
    #[arg(long, value_name = "NAME|FILE", default_value = "full")]
    pub template: String,
    /// Paper size, instead of the template's
    #[arg(long, value_parser = choice(Paper::ALL))]
    pub paper: Option<Paper>,
    /// Unit of lengths, instead of the template's and the job's
    #[arg(long, value_enum)]
    pub units: Option<Units>,
    /// The report's number
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub number: String,
    /// Its revision
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub revision: String,
    /// The status of the report
    #[arg(long, value_parser = choice(ReportStatus::ALL), default_value = "draft")]
    pub status: ReportStatus,
    /// What the engineer concludes, in their own words
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub conclusions: String,
    /// The follow-up, in the engineer's own words
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub follow_up: String,
    /// Judge by this basis instead of the one in force: a file, the number of a kept one, or plan
    #[arg(long, value_name = "FILE|NUMBER|plan")]
    pub basis: Option<String>,
    /// Date of issue, as 2026-03-02T09:00:00+01:00; now, if not given. Times in the report are on the clock of the plan (zone)
    #[arg(long, value_name = "TIME")]
    pub issued: Option<DateTime<FixedOffset>>,
    /// Add what the last run could not have seen, by a model of its own probe, noise and shot spacing (takes some seconds)
    #[arg(long)]
    pub unseen: bool,
    /// A signed seal of the job (`backwall seal --key`): the report names who signed, with the public key
    #[arg(long, value_name = "FILE")]
    pub seal: Option<PathBuf>,
    #[command(flatten)]
    pub earlier: EarlierArgs,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &ReportArgs) -> anyhow::Result<()> {
    let format = ReportFormat::of(&args.out)?;
    let (template, logo) = template_of(&args.template)?;
    let issued = args.issued.unwrap_or_else(|| chrono::Utc::now().fixed_offset());
    let reader = JobFile::open_read_only(&args.job)?;
    let contents = reader.contents()?;
    let unit = match args.units {
        Some(Units::Mm) => LengthUnit::Mm,
        Some(Units::In) => LengthUnit::Inch,
        None => template.units.unwrap_or(contents.plan.job.units),
    };
    let mut request = Request { unit: Some(unit), ..args.earlier.request(contents.plan.job.units)? };
    request.settings.unit = unit;
    let request = basis::chosen(args.basis.as_deref(), &args.job, &contents)?.request(request, &contents)?;
    let mut job = interruptible("readings", |tick| contents::gather(&reader, template.spot_figures, &request, tick))??;
    job.unseen = if args.unseen { Some(super::unseen::of_job(&reader)?) } else { None };
    let issue = Issue {
        number: args.number.clone(),
        revision: args.revision.clone(),
        status: args.status,
        conclusions: args.conclusions.clone(),
        follow_up: args.follow_up.clone(),
        signed: args.seal.as_deref().map(|seal| sealed::words_of(seal, &reader)).transpose()?,
    };
    let order = ReportOrder { template: &template, logo, paper: args.paper, unit: Some(unit), issued_us: issued.timestamp_micros(), issue };
    let ReportWritten { bytes, pages } = report::write(&reader, &job, order, &args.out)?;
    let (out, runs) = (args.out.display().to_string(), job.runs.len());
    if args.json {
        say!("{}", serde_json::json!({ "out": out, "format": format.word(), "pages": pages, "runs": runs, "bytes": bytes }));
    } else {
        let pages = pages.map_or_else(String::new, |pages| format!("{}, ", count(pages as u64, "page")));
        say!("{out}: {pages}{}, {}", count(runs as u64, "run"), backwall_report::words::bytes(bytes as u64));
    }
    Ok(())
}

/// A template that comes with the program, or a file, with its logo.
fn template_of(name: &str) -> anyhow::Result<(Template, Option<Logo>)> {
    if let Some((name, text)) = SHIPPED.iter().find(|(shipped, _)| *shipped == name) {
        return Ok((Template::parse(name, text)?, None));
    }
    let path = Path::new(name);
    let text = small_file::text(path).with_context(|| {
        let shipped: Vec<_> = SHIPPED.iter().map(|(name, _)| *name).collect();
        format!("--template {name}: neither a template that comes with the program ({}) nor a file that can be read", shipped.join(", "))
    })?;
    let template = Template::parse(name, &text)?;
    let logo = template.logo.as_ref().map(|logo| read_logo(path, &text, logo)).transpose()?;
    Ok((template, logo))
}

fn read_logo(template: &Path, text: &str, logo: &str) -> anyhow::Result<Logo> {
    let place = template.parent().unwrap_or(Path::new("")).join(logo);
    let line = backwall_survey::job::check::line_of_key(text, "logo").map_or_else(String::new, |line| format!(":{line}"));
    let stands = || format!("{}{line}: logo: {}", template.display(), place.display());
    if Path::new(logo).components().any(|part| !matches!(part, Component::Normal(_) | Component::CurDir)) {
        bail!("{}: the logo must be in the template's own folder or below it", stands());
    }
    let bytes = small_file::bytes(&place, small_file::PICTURE).with_context(|| format!("{}: cannot be read", stands()))?;
    template::logo(&bytes).map_err(|why| anyhow::anyhow!("{}: {why}", stands()))
}
