//! What cannot be said of a job, and why not: found before it is kept.

use super::{Counts, InForce, Recorded};
use crate::job::Basis;
use crate::job::hand::{GridPoint, HandPlace, HandReading};
use crate::job::noted::Where;
use crate::job::plan::AskedFor;
use crate::job::statement::{RunId, Said, Statement};
use backwall_units::{Length, LengthUnit};
use std::collections::BTreeSet;

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    #[error("a reason is missing: say why in a few words; it is shown in the report")]
    NoReason,
    #[error("a name is missing: say who states it; it is shown in the report")]
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
    #[error("run {0} can neither replace nor continue itself")]
    Itself(RunId),
    #[error("run {run} is on line {line}, run {other} on line {other_line}: put both on one line first")]
    OtherLines { run: RunId, line: String, other: RunId, other_line: String },
    #[error("run {run} already goes on from run {with}, so run {with} cannot go on from run {run}")]
    Circle { run: RunId, with: RunId },
    #[error("run {run} goes on from run {with} already")]
    Joined { run: RunId, with: RunId },
    #[error("there is no statement {0} that could be taken back")]
    NoStatement(i64),
    #[error("statement {0} has no effect already")]
    Idle(i64),
    #[error("the revision has no line '{0}', which has runs or readings by hand: keep the line, or put its runs on another line first")]
    LineWithRuns(String),
    #[error("the revision is of asset '{new}', the job of '{old}': make a new job for another asset")]
    OtherAsset { old: String, new: String },
    #[error("the revision is the same as the plan")]
    SamePlan,
    #[error("{0}")]
    Basis(String),
    #[error("{place} is not on line {line}: it goes from {from} to {to}")]
    OffLine { place: String, line: String, from: String, to: String },
    #[error("an azimuth goes from 0° to 360°")]
    Azimuth,
    #[error("run {run} has no spot {spot}; it has {known}")]
    NoSpot { run: RunId, spot: u32, known: String },
    #[error("no value: give at least one thickness that was read")]
    NoValue,
    #[error("{0} is not a thickness: it must be greater than 0")]
    NotAThickness(String),
    #[error("no place: say where it was read, on a line, on the wall, from a weld or nozzle, as a point of a grid or an inspection point")]
    NoPlace,
    #[error("'{0}' is not a point of a grid: write a letter and a number, as B3")]
    NotAPoint(String),
    #[error("{0}: say in a note why it is right all the same")]
    NeedsNote(String),
    #[error("nothing is said: write a text, or choose a kind of mark")]
    Empty,
    #[error("a witness gives {0}")]
    NoWitness(&'static str),
    #[error("the plan has no {what} '{name}'; it has {known}")]
    NotAsked { what: &'static str, name: String, known: String },
}

/// Whether the plan asks for what is said to be it.
fn asked(what: &'static str, name: Option<&str>, known: &[AskedFor]) -> Result<(), Refused> {
    let Some(name) = name.filter(|name| !known.iter().any(|known| known.name == *name)) else { return Ok(()) };
    let known: Vec<&str> = known.iter().map(|known| known.name.as_str()).collect();
    let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
    Err(Refused::NotAsked { what, name: name.to_owned(), known })
}

/// A wall so many times its nominal thickness is more often a slip of the unit than a wall.
const OVER_NOMINAL: f64 = 1.3;

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
            // A run that goes on from another may say so from its start.
            let goes_on = matches!(statement.said, Said::Join { run: goes_on, .. } if goes_on == run);
            if found.is_open && !goes_on && !statement.said.may_be_of_an_open_run() {
                return Err(Refused::Open(run));
            }
        }
        match &statement.said {
            Said::HandReading(reading) => self.by_hand(reading, !statement.reason.trim().is_empty()),
            said => self.makes_sense(said, all),
        }
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
                if self.runs[run].joined_to == Some(*with) {
                    return Err(Refused::Joined { run: *run, with: *with });
                }
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
            Said::Basis(given) => self.judges_by(&given.basis),
            Said::Withdraw { statement } if !all.iter().any(|known| known.id == *statement) => Err(Refused::NoStatement(*statement)),
            Said::Withdraw { statement } if !self.stands(*statement) => Err(Refused::Idle(*statement)),
            Said::Note(note) if note.mark.is_none() && note.text.trim().is_empty() && note.drawing.trim().is_empty() => Err(Refused::Empty),
            Said::Note(note) => self.is_there(&note.at),
            Said::Photo(photo) => {
                asked("photo", photo.asked.as_deref(), &self.plan.photos)?;
                self.is_there(&photo.at)
            }
            Said::Witness(witness) if witness.name.trim().is_empty() => Err(Refused::NoWitness("a name")),
            Said::Witness(witness) if witness.initials.trim().is_empty() => Err(Refused::NoWitness("initials")),
            Said::Witness(witness) if witness.what.trim().is_empty() => Err(Refused::NoWitness("what was seen")),
            Said::Witness(witness) => asked("witness point", witness.asked.as_deref(), &self.plan.witness_points),
            Said::Void { .. }
            | Said::Restore { .. }
            | Said::Acknowledge { .. }
            | Said::Leave { .. }
            | Said::Swap(_)
            | Said::SignOn(_)
            | Said::SignOff(_)
            | Said::HandReading(_)
            | Said::Confirm(_)
            | Said::Withdraw { .. } => Ok(()),
        }
    }

    /// A reading by hand: where it is, what it comes to, and what only a note makes believable.
    fn by_hand(&self, reading: &HandReading, has_note: bool) -> Result<(), Refused> {
        let unit = self.plan.job.units;
        let thick = |thickness: Length| format!("{} {}", unit.thickness(thickness), unit.thickness_symbol());
        let Some(mean) = reading.mean() else { return Err(Refused::NoValue) };
        if let Some(wrong) = reading.values.iter().find(|value| value.as_nanometres() <= 0) {
            return Err(Refused::NotAThickness(thick(*wrong)));
        }
        match &reading.place {
            Some(HandPlace::Line { line, along }) => self.on_line(line, Some(*along))?,
            Some(HandPlace::Wall { azimuth_millideg, .. }) if !(0..=360_000).contains(azimuth_millideg) => return Err(Refused::Azimuth),
            Some(HandPlace::Wall { .. } | HandPlace::Near { .. }) => {}
            None if reading.grid.is_none() && reading.inspection_point.is_none() => return Err(Refused::NoPlace),
            None => {}
        }
        if let Some(wrong) = reading.grid.as_ref().filter(|grid| !GridPoint::is_a_point(&grid.point)) {
            return Err(Refused::NotAPoint(wrong.point.clone()));
        }
        if has_note {
            return Ok(());
        }
        let (spread, most) = (reading.spread(), self.plan.limits.hand_spread());
        if spread.as_nanometres() > most.as_nanometres() {
            return Err(Refused::NeedsNote(format!("the values are {} apart, more than {}", thick(spread), thick(most))));
        }
        let (limits, course) = (self.plan.limits(), reading.course(&self.plan));
        if let Some(nominal) = limits.nominal(course).filter(|nominal| mean > *nominal * OVER_NOMINAL) {
            return Err(Refused::NeedsNote(format!("{} is far over the nominal {}", thick(mean), thick(nominal))));
        }
        let under = limits.required(course).filter(|required| mean < *required);
        match (&reading.proof, under) {
            (Some(proof), Some(required)) if !proof.confirmed => Err(Refused::NeedsNote(format!(
                "{} is under the required {}, and yet the spot is not confirmed",
                thick(mean),
                thick(required)
            ))),
            _ => Ok(()),
        }
    }

    /// Courses that the asset has, and readings by hand that were entered.
    fn judges_by(&self, basis: &Basis) -> Result<(), Refused> {
        if let Some(why) = basis.unfit(&self.plan) {
            return Err(Refused::Basis(why));
        }
        match basis.hand.iter().find(|number| !self.hand.iter().any(|entered| entered.statement == **number)) {
            Some(number) => Err(Refused::Basis(format!("statement {number} is not a reading by hand that counts"))),
            None => Ok(()),
        }
    }

    fn is_there(&self, at: &Where) -> Result<(), Refused> {
        at.line.as_ref().map_or(Ok(()), |line| self.on_line(line, at.along))
    }

    /// Whether there is such a line, and such a place on it.
    fn on_line(&self, line: &str, along: Option<Length>) -> Result<(), Refused> {
        let Some(known) = self.plan.line(line) else { return Err(self.no_line(line)) };
        let (from, to) = self.plan.path(known).span();
        match along.filter(|along| *along < from || *along > to) {
            None => Ok(()),
            Some(along) => {
                let unit: LengthUnit = self.plan.job.units;
                let place = |length| format!("{} {}", unit.place(length), unit.place_symbol());
                Err(Refused::OffLine { place: place(along), line: line.to_owned(), from: place(from), to: place(to) })
            }
        }
    }

    fn no_line(&self, line: &str) -> Refused {
        let known = self.plan.lines.iter().map(|line| line.name.as_str()).collect::<Vec<_>>().join(", ");
        Refused::NoLine { line: line.to_owned(), known }
    }

    fn reassigns(&self, run: RunId, line: &str, mirrored: bool) -> Result<(), Refused> {
        if self.plan.line(line).is_none() {
            return Err(self.no_line(line));
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
        let by_hand = self.hand.iter().filter_map(|entered| entered.what.on_line()).map(|(line, _)| line);
        let missing = self.runs.values().map(|standing| standing.line.as_str()).chain(by_hand).find(|line| plan.line(line).is_none());
        if let Some(line) = missing {
            return Err(Refused::LineWithRuns(line.to_owned()));
        }
        if *plan == self.plan { Err(Refused::SamePlan) } else { Ok(()) }
    }
}
