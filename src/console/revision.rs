//! A new revision of the plan on screen: what it changes, to be read before it is taken; or why it cannot be read.

use super::text::safe_text;
use backwall_survey::job::Plan;
use backwall_survey::job::revision::changes;
use backwall_survey::job::statement::Revision;

#[derive(Debug, Clone)]
pub struct RevisionShown {
    pub file: String,
    /// What changes, or the plan's mistakes.
    pub lines: Vec<String>,
    /// `None` where it cannot be taken.
    pub revision: Option<Box<Revision>>,
    pub top: usize,
}

impl RevisionShown {
    pub fn new(file: String, before: &Plan, read: Result<Box<Revision>, String>) -> Self {
        match read {
            Ok(revision) => {
                let found = changes(before, &revision.plan);
                // The same plan again is refused where it is taken, like anything that makes no sense.
                let lines = found.iter().map(|change| safe_text(&change.to_string())).collect();
                Self { file, lines, revision: Some(revision), top: 0 }
            }
            Err(why) => Self { file, lines: why.lines().map(safe_text).collect(), revision: None, top: 0 },
        }
    }

    pub fn title(&self) -> String {
        match self.revision {
            Some(_) => format!("the revision changes {}", backwall_report::words::count(self.lines.len() as u64, "key")),
            None => "the revision cannot be taken".to_owned(),
        }
    }
}
