//! `backwall witness`: somebody saw something being done, with name and initials, while the job goes on.

use super::enter::{EnterArgs, enter};
use backwall_store::RunId;
use backwall_survey::job::noted::Witness;
use backwall_survey::job::statement::Said;
use clap::Args;
use serde_json::json;

#[derive(Args, Debug)]
pub struct WitnessArgs {
    #[command(flatten)]
    pub enter: EnterArgs,
    /// Who saw it
    #[arg(long, value_name = "NAME")]
    pub name: String,
    /// The initials that stand for a signature
    #[arg(long, value_name = "TEXT")]
    pub initials: String,
    /// Whom the witness represents: the client, an inspection body
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub of: String,
    /// What was seen
    #[arg(long, value_name = "TEXT")]
    pub what: String,
    /// The run it belongs to
    #[arg(long, value_name = "RUN")]
    pub run: Option<RunId>,
    /// The witness point of the plan, by its name
    #[arg(long, value_name = "NAME")]
    pub asked: Option<String>,
}

pub fn run(args: &WitnessArgs) -> anyhow::Result<()> {
    let text = |text: &str| text.trim().to_owned();
    let witness = Witness {
        name: text(&args.name),
        initials: text(&args.initials),
        of: text(&args.of),
        what: text(&args.what),
        run: args.run,
        asked: args.asked.clone(),
    };
    let kept = enter(&args.enter, "", |_, _| Ok(Said::Witness(witness)))?;
    kept.say(&args.enter, &kept.statement.said.to_string(), json!({}))
}
