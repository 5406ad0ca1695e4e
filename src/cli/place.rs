//! Options that say what something is added to: a run, a line, a place along it.

use backwall_store::{JobContents, RunId};
use backwall_survey::job::noted::Where;
use backwall_units::{Length, parse_length};
use clap::Args;

#[derive(Args, Debug)]
pub struct PlaceArgs {
    /// The run it belongs to
    #[arg(long, value_name = "RUN")]
    pub run: Option<RunId>,
    /// The line it belongs to; with --run, the line of that run
    #[arg(long, value_name = "LINE", conflicts_with = "run")]
    pub line: Option<String>,
    /// Where along the line, in the job's unit or with its own (1.234m)
    #[arg(long, value_name = "PLACE", allow_hyphen_values = true)]
    pub at: Option<String>,
}

impl PlaceArgs {
    pub fn read(&self, contents: &JobContents) -> anyhow::Result<Where> {
        anyhow::ensure!(self.at.is_none() || self.run.is_some() || self.line.is_some(), "--at: say also of which --line or --run");
        let along = self.at.as_deref().map(|text| parse_length(text, contents.plan.job.units)).transpose()?;
        let of_run = self.run.and_then(|run| contents.any_run(run)).map(|run| run.start.line.clone());
        Ok(Where {
            run: self.run,
            line: self.line.clone().or(of_run),
            along: along.map(|along| Length::micrometres(along.as_micrometres())),
        })
    }
}
