//! `backwall review`: the stored runs of a job, on the console or as a list.

use super::compare::BehindArgs;
use super::console::{ScreenArgs, show};
use super::follow::{closed, text_of_summary, text_of_validity};
use super::reevaluate;
use crate::console::Step;
use crate::session::{ReadOnlyBackend, Session};
use backwall_store::{JobFile, RunId, StoreError};
use backwall_survey::job::checklist::Signed;
use clap::Args;
use serde_json::json;
use std::io::Write;
use std::path::PathBuf;

#[derive(Args, Debug)]
pub struct ReviewArgs {
    /// The job file
    pub job: PathBuf,
    /// The run to begin with
    #[arg(long)]
    pub run: Option<RunId>,
    #[command(flatten)]
    pub behind: BehindArgs,
    /// No screen: list the runs
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object a line
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

pub fn run(args: &ReviewArgs) -> anyhow::Result<()> {
    if args.headless {
        return list(args);
    }
    let earlier = args.behind.survey(&args.job)?;
    match Session::open(&args.job, None) {
        Ok(session) => super::console::review(session, args.run, earlier, &args.screen),
        // Another program records into it, or it lies where nothing can be written: it can still be looked at.
        Err(error) => match error.downcast_ref::<StoreError>() {
            Some(StoreError::InUse { .. } | StoreError::ReadOnlyFolder { .. }) => {
                let onlooker = ReadOnlyBackend { path: args.job.clone(), why: format!("{error:#}"), earlier };
                show(onlooker, Signed::default(), Step::Review, None, args.run, &args.screen)
            }
            _ => Err(error),
        },
    }
}

fn list(args: &ReviewArgs) -> anyhow::Result<()> {
    let contents = JobFile::open_read_only(&args.job)?.contents()?;
    let mut out = std::io::stdout().lock();
    for summary in contents.runs.iter().filter(|summary| args.run.is_none_or(|run| run == summary.id)) {
        let validity = contents.validity(summary);
        let evaluations = || contents.evaluations.iter().filter(|evaluation| evaluation.start.run == summary.id);
        let adoption = contents.adoption(summary.id);
        if args.json {
            let mut object = closed(summary, &validity);
            object["event"] = json!("run");
            object["evaluations"] =
                evaluations().map(|evaluation| reevaluate::object_of(evaluation, &contents.validity_of(evaluation))).collect();
            object["adopted"] = adoption.map_or(serde_json::Value::Null, reevaluate::object_of_adoption);
            writeln!(out, "{object}")?;
        } else {
            writeln!(out, "{}\n  {}", text_of_summary(summary), text_of_validity(&validity))?;
            if let Some(adoption) = adoption {
                writeln!(out, "  {}", reevaluate::line_of_adoption(&contents, adoption))?;
            }
            for evaluation in evaluations() {
                writeln!(out, "  {}", reevaluate::line_of(evaluation, &contents.validity_of(evaluation)))?;
            }
        }
    }
    for summary in contents.set_aside.iter().filter(|summary| args.run.is_none_or(|run| run == summary.id)) {
        let why = contents.counts_in_words(summary.id);
        if args.json {
            writeln!(out, "{}", json!({"event": "run-set-aside", "run": summary.id, "line": summary.start.line, "why": why}))?;
        } else {
            writeln!(out, "run {} on {} {why}", summary.id, summary.start.line)?;
        }
    }
    Ok(())
}
