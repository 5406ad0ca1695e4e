//! What the console works on while there is no job yet: nothing but a plan that is being made.

use crate::console::{Backend, Clock};
use backwall_store::JobContents;

/// Makes the job of a plan.
pub type Make = Box<dyn FnMut(&str) -> anyhow::Result<()> + Send>;

pub struct DraftBackend {
    /// Stands in for the job that there is not; none of it is shown.
    pub contents: JobContents,
    pub make: Make,
}

impl Backend for DraftBackend {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(self.contents.clone())
    }
    fn refusal(&self) -> String {
        "there is no job yet".to_owned()
    }
    fn is_draft(&self) -> bool {
        true
    }
    fn make_job(&mut self, plan: &str) -> anyhow::Result<()> {
        (self.make)(plan)
    }
    fn clock(&self) -> Clock {
        crate::live::now_us
    }
}
