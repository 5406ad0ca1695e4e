//! `backwall shift`: who works, from when to when, in what weather, and what the next shift must know.

use super::enter::{EnterArgs, enter};
use backwall_survey::job::statement::{Said, SignOff, SignOn};
use clap::{ArgGroup, Args};
use serde_json::json;

#[derive(Args, Debug)]
#[command(group = ArgGroup::new("end").required(true).args(["on", "off"]))]
pub struct ShiftArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
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
}

pub fn run(args: &ShiftArgs) -> anyhow::Result<()> {
    let said = match args.on {
        true => Said::SignOn(SignOn { crew: args.crew.clone(), weather: args.weather.clone(), gas: args.gas.clone() }),
        false => Said::SignOff(SignOff { handover: args.handover.clone() }),
    };
    let statement = enter(&args.enter, "", |_, _| Ok(said))?.statement;
    if args.enter.json {
        say!(
            "{}",
            json!({"event": statement.said.kind(), "statement": statement.id, "by": statement.by.name, "at_us": statement.by.at_us})
        );
    } else {
        say!("{}: {}", statement.by.name, statement.said);
    }
    Ok(())
}
