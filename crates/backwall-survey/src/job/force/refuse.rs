//! What cannot be said of a job, and why not: found before it is kept.

use super::{Counts, InForce, Recorded};
use crate::job::statement::{RunId, Said, Statement};
use std::collections::BTreeSet;

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("a reason is missing: say why in a few words, it stands in the report")]
    NoReason,
    #[error("a name is missing: say who says so, it stands in the report")]
    NoName,
    #[error("there is no run {run}; the job has {known}")]
    NoRun { run: RunId, known: String },
    #[error("run {0} is still being recorded: end it first")]
    Open(RunId),
    #[error("the plan has no line '{line}'; it has {known}. Add the line with a revision of the plan first")]
    NoLine { line: String, known: String },
    #[error("run {run} is on line {line} already, driven that way")]
    SameLine { run: RunId, line: String },
    #[error("run {0} does not count already")]
    NotCounted(RunId),
    #[error("run {0} counts already")]
    Counted(RunId),
    #[error("run {0} is left as it is already")]
    Left(RunId),
    #[error("run {0} cannot be put beside itself")]
    Itself(RunId),
    #[error("run {run} is on line {line}, run {other} on line {other_line}: put both on one line first")]
    OtherLines { run: RunId, line: String, other: RunId, other_line: String },
    #[error("run {run} already goes on from run {with}, so run {with} cannot go on from run {run}")]
    Circle { run: RunId, with: RunId },
    #[error("there is no statement {0} that could be taken back")]
    NoStatement(i64),
    #[error("statement {0} counts for nothing already")]
    Idle(i64),
    #[error("the revision has no line '{0}', on which runs were recorded: keep the line, or put its runs on another line first")]
    LineWithRuns(String),
    #[error("the revision is of asset '{new}', the job of '{old}': make a new job for another asset")]
    OtherAsset { old: String, new: String },
    #[error("the revision says what the plan says already")]
    SamePlan,
}

impl InForce {
    /// Whether a statement makes sense now.
    pub fn check(&self, statement: &Statement, recorded: &[Recorded], all: &[Statement]) -> Result<(), Refused> {
        if statement.by.name.trim().is_empty() {
            return Err(Refused::NoName);
        }
        if statement.said.needs_reason() && statement.reason.trim().is_empty() {
            return Err(Refused::NoReason);
        }
        for run in statement.said.runs() {
            let Some(found) = recorded.iter().find(|known| known.run == run) else {
                let known: Vec<String> = recorded.iter().map(|run| run.run.to_string()).collect();
                let known = if known.is_empty() { "none yet".to_owned() } else { known.join(", ") };
                return Err(Refused::NoRun { run, known });
            };
            if found.is_open {
                return Err(Refused::Open(run));
            }
        }
        self.makes_sense(&statement.said, all)
    }

    fn makes_sense(&self, said: &Said, all: &[Statement]) -> Result<(), Refused> {
        match said {
            Said::Void { run } if !self.counts(*run) => Err(Refused::NotCounted(*run)),
            Said::Restore { run } if self.counts(*run) => Err(Refused::Counted(*run)),
            Said::Reassign { run, line, mirrored } => self.reassigns(*run, line, *mirrored),
            Said::Replace { run, replaced } => {
                self.one_line(*run, *replaced)?;
                match self.runs[replaced].counts {
                    Counts::Counted => Ok(()),
                    Counts::Voided { .. } | Counts::Replaced { .. } => Err(Refused::NotCounted(*replaced)),
                }
            }
            Said::Join { run, with } => {
                self.one_line(*run, *with)?;
                let mut seen = BTreeSet::new();
                let mut at = Some(*with);
                while let Some(here) = at.filter(|here| seen.insert(*here)) {
                    if here == *run {
                        return Err(Refused::Circle { run: *with, with: *run });
                    }
                    at = self.runs.get(&here).and_then(|standing| standing.joined_to);
                }
                Ok(())
            }
            Said::Leave { run } if !self.counts(*run) => Err(Refused::NotCounted(*run)),
            Said::Leave { run } if self.runs[run].left_by.is_some() => Err(Refused::Left(*run)),
            Said::Plan(revision) => self.revises(&revision.plan),
            Said::Withdraw { statement } if !all.iter().any(|known| known.id == *statement) => Err(Refused::NoStatement(*statement)),
            Said::Withdraw { statement } if !self.stands(*statement) => Err(Refused::Idle(*statement)),
            Said::Void { .. }
            | Said::Restore { .. }
            | Said::Leave { .. }
            | Said::Swap(_)
            | Said::SignOn(_)
            | Said::SignOff(_)
            | Said::Withdraw { .. } => Ok(()),
        }
    }

    fn reassigns(&self, run: RunId, line: &str, mirrored: bool) -> Result<(), Refused> {
        if self.plan.line(line).is_none() {
            let known = self.plan.lines.iter().map(|line| line.name.as_str()).collect::<Vec<_>>().join(", ");
            return Err(Refused::NoLine { line: line.to_owned(), known });
        }
        let standing = &self.runs[&run];
        if standing.line == line && standing.mirrored == mirrored {
            return Err(Refused::SameLine { run, line: line.to_owned() });
        }
        Ok(())
    }

    fn one_line(&self, run: RunId, other: RunId) -> Result<(), Refused> {
        if run == other {
            return Err(Refused::Itself(run));
        }
        if !self.counts(run) {
            return Err(Refused::NotCounted(run));
        }
        let (line, other_line) = (self.runs[&run].line.clone(), self.runs[&other].line.clone());
        if line == other_line { Ok(()) } else { Err(Refused::OtherLines { run, line, other, other_line }) }
    }

    fn revises(&self, plan: &crate::job::Plan) -> Result<(), Refused> {
        if plan.asset.name != self.plan.asset.name {
            return Err(Refused::OtherAsset { old: self.plan.asset.name.clone(), new: plan.asset.name.clone() });
        }
        let missing = self.runs.values().map(|standing| &standing.line).find(|line| plan.line(line).is_none());
        if let Some(line) = missing {
            return Err(Refused::LineWithRuns(line.clone()));
        }
        if *plan == self.plan { Err(Refused::SamePlan) } else { Ok(()) }
    }
}
