//! What is left to do in the job, on one screen: what was read of it, and the item the cursor is on. And the run that is to go
//! on where another broke off, from when that is chosen until it is said.

use backwall_report::left::Left;
use backwall_store::RunId;
use backwall_survey::job::checklist::Signed;
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

/// A run that is to go on where an earlier one broke off. It can be said only once the run has ended.
#[derive(Debug, Clone, PartialEq)]
pub struct GoesOn {
    pub from: RunId,
    pub line: String,
    /// The last place of the earlier run that was saved.
    pub at: Option<Length>,
    pub reason: String,
    pub by: Signed,
    /// The run that goes on, once it has started.
    pub run: Option<RunId>,
}
