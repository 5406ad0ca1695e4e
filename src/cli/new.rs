//! `backwall new JOB --from PLAN.toml`: a job file from a job plan; `--example` writes a plan to begin with.

use super::templates;
use anyhow::Context;
use backwall_store::JobFile;
use backwall_survey::job::keys::written;
use backwall_survey::job::{Plan, Takes};
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The job file to make; it must not exist yet
    #[arg(required_unless_present = "example")]
    pub job: Option<PathBuf>,
    /// The job plan to make it from
    #[arg(long, value_name = "PLAN.toml", required_unless_present = "example")]
    pub from: Option<PathBuf>,
    /// Write a plan with every key and its meaning to standard output, to be changed
    #[arg(long, conflicts_with_all = ["job", "from", "json"])]
    pub example: bool,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &Args) -> anyhow::Result<()> {
    match (&args.job, &args.from) {
        (Some(job), Some(from)) => make(job, from, args.json),
        _ => {
            use std::io::Write;
            std::io::stdout().write_all(written::example().as_bytes()).context("standard output cannot be written")
        }
    }
}

fn make(job: &Path, from: &Path, json: bool) -> anyhow::Result<()> {
    let plan_path = from.display();
    let text = backwall_store::small_file::text(from)
        .with_context(|| format!("{plan_path}: the job plan cannot be read; check the path, or begin with backwall new --example"))?;
    let plan = Plan::parse(&from.to_string_lossy(), &text)?;
    let checklist = templates::checklist(&plan.job.checklist, from)?;
    JobFile::create(job, &plan, &text, &checklist, chrono::Utc::now().timestamp_micros())?;
    let job = job.display().to_string();
    let takes = Takes::of(&plan);
    if json {
        let done = serde_json::json!({
            "job": job, "number": plan.job.number, "asset": plan.asset.name,
            "lines": plan.lines.iter().map(|line| &line.name).collect::<Vec<_>>(), "checklist_items": checklist.items.len(),
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
            checklist.items.len()
        );
        for said in takes.words(plan.job.units, &plan) {
            say!("{}", said.words);
        }
        say!("next: backwall open {job}");
    }
    Ok(())
}
