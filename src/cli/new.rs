//! `backwall new JOB --from PLAN.toml`: a job file from a job plan.

use super::templates;
use anyhow::Context;
use backwall_store::JobFile;
use backwall_survey::job::Plan;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
pub struct Args {
    /// The job file to make; it must not exist yet
    pub job: PathBuf,
    /// The job plan to make it from
    #[arg(long, value_name = "PLAN.toml")]
    pub from: PathBuf,
    /// Say what was done as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &Args) -> anyhow::Result<()> {
    let plan_path = args.from.display();
    let text = std::fs::read_to_string(&args.from).with_context(|| format!("{plan_path}: the job plan cannot be read; check the path"))?;
    let plan = Plan::parse(&args.from.to_string_lossy(), &text)?;
    let checklist = templates::checklist(&plan.job.checklist, &args.from)?;
    JobFile::create(&args.job, &plan, &text, &checklist, chrono::Utc::now().timestamp_micros())?;
    let job = args.job.display().to_string();
    if args.json {
        let done = serde_json::json!({
            "job": job, "number": plan.job.number, "asset": plan.asset.name,
            "lines": plan.lines.iter().map(|line| &line.name).collect::<Vec<_>>(), "checklist_items": checklist.items.len(),
        });
        say!("{done}");
    } else {
        say!(
            "{job}: job {}, {}, {} lines, checklist of {} items",
            plan.job.number,
            plan.asset.name,
            plan.lines.len(),
            checklist.items.len()
        );
        say!("next: backwall open {job}");
    }
    Ok(())
}
