//! What several commands do alike: open the job for a person, make a statement of what was given, keep it, and say so.

use crate::session::Session;
use anyhow::Context;
use backwall_store::JobContents;
use backwall_survey::job::statement::{Said, Statement};
use clap::Args;
use serde_json::json;
use std::path::PathBuf;

/// Options of every command that enters a statement.
#[derive(Args, Debug)]
pub struct EnterArgs {
    /// The job file
    pub job: PathBuf,
    /// Who says so; a person of the plan signs with the plan's certificate
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

/// A statement that was kept, and the job with it.
pub struct KeptStatement {
    pub statement: Statement,
    pub contents: JobContents,
}

/// Opens the job for a person, does `work` in it and closes it, whatever came of the work; with the job as it then is.
pub fn in_job<T>(args: &EnterArgs, work: impl FnOnce(&Session) -> anyhow::Result<T>) -> anyhow::Result<(T, JobContents)> {
    let session = Session::open(&args.job, Some(&args.by))?;
    let done = work(&session).with_context(|| format!("{}: nothing was entered", args.job.display()));
    let contents = session.file.contents();
    let closed = session.file.close();
    let done = (done?, contents?);
    closed?;
    Ok(done)
}

/// Keeps what `said` makes of the job, with words of its own; nothing is kept where it makes no sense.
pub fn enter(
    args: &EnterArgs,
    note: &str,
    said: impl FnOnce(&Session, &JobContents) -> anyhow::Result<Said>,
) -> anyhow::Result<KeptStatement> {
    let (statement, contents) = in_job(args, |session| {
        let contents = session.file.contents()?;
        let said = said(session, &contents)?;
        keep(session, contents.statement(said, note, session.signed())?)
    })?;
    Ok(KeptStatement { statement, contents })
}

/// A statement that makes sense, with the number it is kept under.
pub fn keep(session: &Session, statement: Statement) -> anyhow::Result<Statement> {
    let id = session.file.writer().state(statement.clone())?;
    Ok(Statement { id, ..statement })
}

impl KeptStatement {
    /// Says what was kept, in a line and how to take it back, or as JSON with what `more` adds.
    pub fn say(&self, args: &EnterArgs, words: &str, more: serde_json::Value) -> anyhow::Result<()> {
        let Statement { id, said, reason, by } = &self.statement;
        if args.json {
            let mut object = json!({"event": "entered", "statement": id, "kind": said.kind(), "by": by.name, "note": reason});
            if let (Some(object), Some(more)) = (object.as_object_mut(), more.as_object()) {
                object.extend(more.clone());
            }
            say!("{object}");
            return Ok(());
        }
        say!("statement {id}: {words}; {}", by.name);
        say!("`backwall amend --withdraw {id}` takes it back.");
        Ok(())
    }
}
