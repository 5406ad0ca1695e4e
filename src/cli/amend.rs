//! `backwall amend`: what is wrong in a job is put right by a statement with name and reason. Nothing recorded is changed; what
//! counts is what was said last.

use super::choice::choice;
use super::enter::{EnterArgs, in_job, keep};
use crate::session::Session;
use anyhow::bail;
use backwall_store::{JobContents, RunId};
use backwall_survey::job::force::Counts;
use backwall_survey::job::revision;
use backwall_survey::job::statement::{Part, Said, Statement, Swap};
use clap::{ArgGroup, Args};
use serde_json::{Value, json};
use std::path::PathBuf;

#[derive(Args, Debug)]
#[command(group = ArgGroup::new("what").required(true)
    .args(["void", "restore", "reassign", "replace", "join", "leave", "plan", "swap", "withdraw"]))]
pub struct AmendArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    /// The reason; shown in the report with the name
    #[arg(long, value_name = "TEXT")]
    pub reason: String,
    /// The run
    #[arg(long, value_name = "RUN")]
    pub run: Option<RunId>,
    /// The run does not count: it stays in the job and is listed, but is in no result
    #[arg(long, requires = "run")]
    pub void: bool,
    /// The run counts again
    #[arg(long, requires = "run")]
    pub restore: bool,
    /// The run was driven along this line of the plan: places, courses and levels follow from it
    #[arg(long, value_name = "LINE", requires = "run")]
    pub reassign: Option<String>,
    /// With --reassign: it was driven from the line's far end
    #[arg(long, requires = "reassign")]
    pub mirrored: bool,
    /// The run replaces this one, which no longer counts
    #[arg(long, value_name = "RUN", requires = "run")]
    pub replace: Option<RunId>,
    /// The run goes on where this one ended: both are one way along the line
    #[arg(long, value_name = "RUN", requires = "run")]
    pub join: Option<RunId>,
    /// The run ended in the middle and stays as it is: it is no longer listed as left to do
    #[arg(long, requires = "run")]
    pub leave: bool,
    /// A new revision of the plan: lines, required thicknesses, people, kit, limits. What differs is shown; --yes takes it
    #[arg(long, value_name = "PLAN.toml")]
    pub plan: Option<PathBuf>,
    /// Take the revision whose differences were shown
    #[arg(long, requires = "plan")]
    pub yes: bool,
    /// A part was replaced: the next run needs the blocks measured again
    #[arg(long, value_name = "PART", value_parser = choice(Part::ALL))]
    pub swap: Option<Part>,
    /// With --swap: the serial number of the new part
    #[arg(long, value_name = "TEXT", requires = "swap", default_value = "")]
    pub serial: String,
    /// With --swap: the serial number of the old part
    #[arg(long, value_name = "TEXT", requires = "swap", default_value = "")]
    pub was: String,
    /// Take back an earlier statement, by its number
    #[arg(long, value_name = "STATEMENT")]
    pub withdraw: Option<i64>,
}

pub fn run(args: &AmendArgs) -> anyhow::Result<()> {
    let (statement, contents) = in_job(&args.enter, |session| state(session, args))?;
    let Some(statement) = statement else { return Ok(()) };
    if args.enter.json {
        say!("{}", object_of(&contents, &statement));
        return Ok(());
    }
    say!("statement {}: {}; {}: {}", statement.id, statement.said, statement.by.name, statement.reason);
    for line in runs_in_words(&contents) {
        say!("  {line}");
    }
    say!("Every screen, figure, report and export uses this from now on. `backwall amend --withdraw {}` takes it back.", statement.id);
    Ok(())
}

/// Enters what was asked for; nothing where a revision was only shown.
fn state(session: &Session, args: &AmendArgs) -> anyhow::Result<Option<Statement>> {
    let contents = session.file.contents()?;
    let statement = contents.statement(said(args)?, &args.reason, session.signed())?;
    if let Said::Plan(revision) = &statement.said {
        let changes = revision::changes(&contents.plan, &revision.plan);
        if !args.enter.json || !args.yes {
            say!("The revision changes {}:", backwall_report::words::count(changes.len() as u64, "key"));
            for change in &changes {
                say!("  {change}");
            }
        }
        if !args.yes {
            say!("Nothing was entered. The same command with --yes takes it.");
            return Ok(None);
        }
    }
    keep(session, statement).map(Some)
}

/// What the options say.
fn said(args: &AmendArgs) -> anyhow::Result<Said> {
    let run = args.run.unwrap_or_default();
    Ok(match args {
        AmendArgs { void: true, .. } => Said::Void { run },
        AmendArgs { restore: true, .. } => Said::Restore { run },
        AmendArgs { reassign: Some(line), mirrored, .. } => Said::Reassign { run, line: line.clone(), mirrored: *mirrored },
        AmendArgs { replace: Some(replaced), .. } => Said::Replace { run, replaced: *replaced },
        AmendArgs { join: Some(with), .. } => Said::Join { run, with: *with },
        AmendArgs { leave: true, .. } => Said::Leave { run },
        AmendArgs { plan: Some(path), .. } => Said::Plan(Box::new(crate::session::amend::read_plan(path)?)),
        AmendArgs { swap: Some(part), was, serial, .. } => Said::Swap(Swap { part: *part, was: was.clone(), serial: serial.clone() }),
        AmendArgs { withdraw: Some(statement), .. } => Said::Withdraw { statement: *statement },
        _ => bail!("nothing to enter: say --void, --restore, --reassign, --replace, --join, --leave, --plan, --swap or --withdraw"),
    })
}

/// How every run stands, a line each.
pub fn runs_in_words(contents: &JobContents) -> Vec<String> {
    let mut runs: Vec<_> = contents.runs.iter().chain(&contents.set_aside).collect();
    runs.sort_by_key(|run| run.id);
    runs.iter().map(|run| format!("run {} on {}: {}", run.id, run.start.line, contents.counts_in_words(run.id))).collect()
}

fn object_of(contents: &JobContents, statement: &Statement) -> Value {
    let runs: Vec<Value> = contents
        .force
        .runs
        .iter()
        .map(|(run, standing)| json!({"run": run, "line": standing.line, "counts": standing.counts == Counts::Counted}))
        .collect();
    json!({
        "event": "amended", "statement": statement.id, "kind": statement.said.kind(), "by": statement.by.name,
        "reason": statement.reason, "runs": runs,
    })
}
