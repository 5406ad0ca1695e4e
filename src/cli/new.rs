//! `backwall new JOB --from PLAN.toml`: a job file from a job plan; without a plan it is made in the console. `--example` writes a plan
//! to begin with.

use super::templates;
use crate::session::DraftBackend;
use anyhow::{Context, bail, ensure};
use backwall_report::whole_file;
use backwall_store::{JobContents, JobFile};
use backwall_survey::job::keys::written;
use backwall_survey::job::{Plan, Takes};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct NewArgs {
    /// The job file to make; it must not exist yet
    #[arg(required_unless_present = "example")]
    pub job: Option<PathBuf>,
    /// The job plan to make it from; without it the plan is made in the console and kept beside the job file
    #[arg(long, value_name = "PLAN.toml")]
    pub from: Option<PathBuf>,
    /// Write a plan with every key and its meaning to standard output, to be changed
    #[arg(long, conflicts_with_all = ["job", "from", "json"])]
    pub example: bool,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &NewArgs) -> anyhow::Result<()> {
    match (&args.job, &args.from) {
        (Some(job), Some(from)) => {
            let plan = make(job, from)?;
            say_made(job, &plan, args.json)
        }
        (Some(job), None) => in_console(job, args.json),
        (None, _) => {
            use std::io::Write;
            std::io::stdout().write_all(written::example().as_bytes()).context("standard output cannot be written")
        }
    }
}

/// The plan as a form; what is kept there lies beside the job file.
fn in_console(job: &Path, json: bool) -> anyhow::Result<()> {
    if !std::io::stdout().is_terminal() {
        bail!("--from PLAN.toml is missing; in a terminal the plan can be made in the console");
    }
    let file = job.with_extension("toml");
    for path in [job, &file] {
        ensure!(!path.exists(), "{} is there already: choose another name, or remove it", path.display());
    }
    let example = Plan::parse("the example", &written::example())?;
    let contents = JobContents::unmade(example.clone(), templates::checklist(&example.job.checklist, &file)?);
    let (path, plan) = (job.to_owned(), file.clone());
    let make = Box::new(move |text: &str| {
        whole_file::write_bytes(&plan, text.as_bytes())?;
        make(&path, &plan).map(drop)
    });
    super::console::draft(DraftBackend { contents, make })?;
    if !job.exists() {
        say!("no job was made");
        return Ok(());
    }
    say!("{}: the plan", file.display());
    say_made(job, &JobFile::open_read_only(job)?.contents()?.plan, json)
}

/// A job file from a plan's file.
fn make(job: &Path, from: &Path) -> anyhow::Result<Plan> {
    let plan_path = from.display();
    let text = backwall_store::small_file::text(from)
        .with_context(|| format!("{plan_path}: the job plan cannot be read; check the path, or begin with backwall new --example"))?;
    let plan = Plan::parse(&from.to_string_lossy(), &text)?;
    let checklist = templates::checklist(&plan.job.checklist, from)?;
    JobFile::create(job, &plan, &text, &checklist, crate::live::now_us())?;
    Ok(plan)
}

fn say_made(job: &Path, plan: &Plan, json: bool) -> anyhow::Result<()> {
    let items = JobFile::open_read_only(job)?.contents()?.checklist.items.len();
    let job = job.display().to_string();
    let takes = Takes::of(plan);
    if json {
        let done = serde_json::json!({
            "job": job, "number": plan.job.number, "asset": plan.asset.name,
            "lines": plan.lines.iter().map(|line| &line.name).collect::<Vec<_>>(), "checklist_items": items,
            "takes": {
                "length_mm": takes.length.as_mm(), "minutes": takes.time.as_minutes(), "batteries": takes.batteries(),
                "file_bytes": takes.bytes, "missing": takes.missing,
                "cable_too_short": takes.too_short().collect::<Vec<_>>(),
            },
        });
        say!("{done}");
    } else {
        say!(
            "{job}: job {}, {}, {}, checklist of {} items",
            plan.job.number,
            plan.asset.name,
            if takes.lines.len() == 1 { "1 line".to_owned() } else { format!("{} lines", takes.lines.len()) },
            items
        );
        for said in takes.words(plan.job.units, plan) {
            say!("{}", said.words);
        }
        say!("next: backwall open {job}");
    }
    Ok(())
}
