//! How a run stands by what was said of it, in words: for the list of runs, the walk and the replay alike.

use super::text::safe_text;
use backwall_store::{JobContents, RunId};
use backwall_survey::job::force::Counts;

/// What statements make of a run, a line each; nothing where it counts as it was recorded.
pub fn words(contents: &JobContents, run: RunId) -> Vec<String> {
    let Some(standing) = contents.force.runs.get(&run) else { return Vec::new() };
    let by = |id: Option<i64>| {
        let found = id.and_then(|id| contents.statements.iter().find(|statement| statement.id == id));
        found.map(|statement| format!(" (statement {}, {}: {})", statement.id, safe_text(&statement.by.name), safe_text(&statement.reason)))
    };
    let mut found = Vec::new();
    if standing.counts != Counts::Counted {
        found.push(safe_text(&contents.counts_in_words(run)));
    }
    if let Some(by) = by(standing.reassigned_by) {
        let way = if standing.mirrored { ", driven from its far end" } else { "" };
        found.push(format!("put on line {}{way}{by}", safe_text(&standing.line)));
    }
    if let Some(from) = standing.joined_to {
        found.push(format!("goes on from run {from}"));
    }
    if let Some(by) = by(standing.left_by) {
        found.push(format!("left as it is{by}"));
    }
    found
}

/// The same in a word or two, for a heading.
pub fn word(contents: &JobContents, run: RunId) -> Option<&'static str> {
    let standing = contents.force.runs.get(&run)?;
    match standing.counts {
        Counts::Voided { .. } => Some("VOIDED"),
        Counts::Replaced { .. } => Some("REPLACED"),
        Counts::Counted if standing.reassigned_by.is_some() => Some("put on this line"),
        Counts::Counted => None,
    }
}
