//! What is left to do in the job, on one screen: what was read of it, and the item the cursor is on. And the run that is to go
//! on where another broke off, from when that is chosen until it is started.

use crate::live::ContinuesRun;
use backwall_report::left::Left;
use backwall_survey::job::left::OpenItem;
use backwall_units::Length;
use std::sync::Arc;

/// The screen of what is left.
#[derive(Debug, Clone, Default)]
pub struct LeftShown {
    /// Readings read, and of how many.
    pub progress: (u64, u64),
    pub found: Option<Arc<Left>>,
    pub failed: Option<String>,
    /// The item the cursor is on.
    pub at: usize,
}

impl LeftShown {
    pub fn item(&self) -> Option<&OpenItem> {
        self.found.as_ref()?.items.get(self.at)
    }

    pub fn take(&mut self, found: Arc<Left>) {
        self.at = self.at.min(found.items.len().saturating_sub(1));
        self.failed = None;
        self.found = Some(found);
    }

    pub fn walk(&mut self, by: usize, back: bool) {
        let last = self.found.as_ref().map_or(0, |found| found.items.len()).saturating_sub(1);
        self.at = if back { self.at.saturating_sub(by) } else { (self.at + by).min(last) };
    }
}

/// The next run goes on where an earlier one broke off, once it is started on that line.
#[derive(Debug, Clone, PartialEq)]
pub struct ToGoOn {
    pub line: String,
    /// The last place of the earlier run that was saved.
    pub at: Option<Length>,
    pub goes_on: ContinuesRun,
}
