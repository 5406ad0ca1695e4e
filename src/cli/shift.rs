//! `backwall shift`: who works, from when to when, in what weather, and what the next shift must know.

use crate::session::Session;
use anyhow::Context;
use backwall_survey::job::statement::{Said, SignOff, SignOn, Statement};
use clap::{ArgGroup, Args};
use serde_json::json;
use std::path::PathBuf;

#[derive(Args, Debug)]
#[command(group = ArgGroup::new("end").required(true).args(["on", "off"]))]
pub struct ShiftArgs {
    /// The job file
    pub job: PathBuf,
    /// Who signs on or off; a person of the plan signs with the plan's certificate
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// A shift begins
    #[arg(long)]
    pub on: bool,
    /// The shift ends
    #[arg(long)]
    pub off: bool,
    /// With --on: who else works, once for each
    #[arg(long, value_name = "NAME", requires = "on")]
    pub crew: Vec<String>,
    /// With --on: wind, rain, temperature
    #[arg(long, value_name = "TEXT", requires = "on", default_value = "")]
    pub weather: String,
    /// With --on: the gas test and what it read, or why none is needed
    #[arg(long, value_name = "TEXT", requires = "on", default_value = "")]
    pub gas: String,
    /// With --off: what the next shift must know
    #[arg(long, value_name = "TEXT", requires = "off", default_value = "")]
    pub handover: String,
    /// One JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &ShiftArgs) -> anyhow::Result<()> {
    let session = Session::open(&args.job, Some(&args.by))?;
    let done = state(&session, args);
    let closed = session.file.close();
    let statement = done?;
    closed?;
    if args.json {
        say!(
            "{}",
            json!({"event": statement.said.kind(), "statement": statement.id, "by": statement.by.name, "at_us": statement.by.at_us})
        );
    } else {
        say!("{}: {}", statement.by.name, statement.said);
    }
    Ok(())
}

fn state(session: &Session, args: &ShiftArgs) -> anyhow::Result<Statement> {
    let contents = session.file.contents()?;
    let said = match args.on {
        true => Said::SignOn(SignOn { crew: args.crew.clone(), weather: args.weather.clone(), gas: args.gas.clone() }),
        false => Said::SignOff(SignOff { handover: args.handover.clone() }),
    };
    let statement =
        contents.statement(said, "", session.signed()).with_context(|| format!("{}: nothing was entered", args.job.display()))?;
    let id = session.file.writer().state(statement.clone())?;
    Ok(Statement { id, ..statement })
}
