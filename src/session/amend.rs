//! What is said of a job, from the command line and from the console: checked against what is in force, then kept.

use anyhow::Context;
use backwall_store::{JobFile, small_file};
use backwall_survey::job::Plan;
use backwall_survey::job::statement::{Revision, Statement};
use std::path::Path;

/// Keeps a statement, if it makes sense now; answers its number.
pub fn state(file: &JobFile, statement: Statement) -> anyhow::Result<i64> {
    let Statement { said, reason, by, .. } = statement;
    let statement = file.contents()?.statement(said, &reason, by)?;
    Ok(file.writer().state(statement)?)
}

/// A revision of the plan as its file has it.
pub fn read_plan(path: &Path) -> anyhow::Result<Revision> {
    let text = small_file::text(path).with_context(|| format!("{}: cannot be read", path.display()))?;
    let plan = Plan::parse(&path.display().to_string(), &text)?;
    Ok(Revision { text, plan })
}
