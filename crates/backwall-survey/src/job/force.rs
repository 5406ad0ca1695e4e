//! PURE. What is in force: the newest statement about each thing counts, and every result is made from that. No file and no
//! clock is read here; the same list gives the same answer everywhere.
//!
//! A run keeps distance along the line as it was recorded. Which line that was, its courses, and which thickness is required
//! there follow from what is in force: see [`Placing`].

mod placing;
mod refuse;
#[cfg(test)]
mod tests;

pub use placing::Placing;
pub use refuse::Refused;

use super::basis::Basis;
use super::checklist::Signed;
use super::hand::{HandProof, HandReading, Proven};
use super::noted::{Noted, Photo, Witness};
use super::plan::{AskedFor, Plan};
use super::statement::{RunId, Said, SignOn, Statement};
use crate::strip::Spot;
use std::collections::{BTreeMap, BTreeSet};

/// A run as it was recorded, as far as statements are concerned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    pub run: RunId,
    pub line: String,
    pub is_open: bool,
}

/// What counts now.
#[derive(Debug, Clone, PartialEq)]
pub struct InForce {
    pub plan: Plan,
    /// The last statement there is; 0 where there is none.
    pub newest: i64,
    /// The statements that revised the plan, oldest first; none where it is as the job was made.
    pub revisions: Vec<i64>,
    pub runs: BTreeMap<RunId, Standing>,
    /// What assessments judge by; none where they go by the plan.
    pub basis: Option<Entered<Basis>>,
    /// Who works now: the newest sign-on that no sign-off followed, with the statement.
    pub shift: Option<(i64, SignOn)>,
    /// What was read by hand, in the order it was entered.
    pub hand: Vec<Entered<HandReading>>,
    /// Spots proven otherwise.
    pub confirmed: Vec<Entered<HandProof>>,
    /// Notes and marks put at a place afterwards.
    pub notes: Vec<Entered<Noted>>,
    pub photos: Vec<Entered<Photo>>,
    pub witnessed: Vec<Entered<Witness>>,
    /// Statements that count for nothing, and why.
    pub idle: Vec<Idle>,
}

/// Something that stands beside the runs, with who entered it and what else was said of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entered<T> {
    pub statement: i64,
    pub what: T,
    pub note: String,
    pub by: Signed,
}

impl<T: Clone> Entered<T> {
    fn of(what: &T, statement: &Statement) -> Self {
        Self { statement: statement.id, what: what.clone(), note: statement.reason.clone(), by: statement.by.clone() }
    }
}

/// A statement that counts for nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Idle {
    pub statement: i64,
    pub why: String,
}

/// How one run stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    pub counts: Counts,
    /// The line it was driven along.
    pub line: String,
    /// Driven from the line's far end.
    pub mirrored: bool,
    /// The statement that put it on this line, where one did.
    pub reassigned_by: Option<i64>,
    /// The run it goes on from.
    pub joined_to: Option<RunId>,
    /// Spots acknowledged since it ended, by the numbers of their minimum shots.
    pub acknowledged: BTreeSet<u32>,
    /// The statement that leaves it as it is, though it ended in the middle.
    pub left_by: Option<i64>,
}

/// Whether a run counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counts {
    Counted,
    Voided { by: i64 },
    Replaced { with: RunId, by: i64 },
}

impl InForce {
    pub fn counts(&self, run: RunId) -> bool {
        self.runs.get(&run).is_some_and(|standing| standing.counts == Counts::Counted)
    }

    /// What was said last of a spot: whether it is what the crawler read, and what was read by hand there.
    pub fn proven(&self, run: RunId, spot: &Spot) -> Option<Proven> {
        let by_hand = self.hand.iter().filter_map(|entered| {
            let proof = entered.what.proof.as_ref()?;
            Some((entered.statement, proof, entered.what.mean()))
        });
        let otherwise = self.confirmed.iter().map(|entered| (entered.statement, &entered.what, None));
        by_hand
            .chain(otherwise)
            .filter(|(_, proof, _)| proof.is_about(run, spot))
            .max_by_key(|(statement, ..)| *statement)
            .map(|(statement, proof, value)| Proven { confirmed: proof.confirmed, value, statement })
    }

    /// What was read by hand on a line, by its places.
    pub fn hand_on<'a>(&'a self, line: &'a str) -> impl Iterator<Item = (&'a Entered<HandReading>, backwall_units::Length)> {
        self.hand.iter().filter_map(move |entered| {
            let (on, along) = entered.what.on_line()?;
            (on == line).then_some((entered, along))
        })
    }

    /// Witness points of the plan without initials.
    pub fn open_witness_points(&self) -> Vec<AskedFor> {
        let given = |point: &&AskedFor| !self.witnessed.iter().any(|entered| entered.what.asked.as_ref() == Some(&point.name));
        self.plan.witness_points.iter().filter(given).cloned().collect()
    }

    /// Photos of the plan that nobody has added.
    pub fn open_photos(&self) -> Vec<AskedFor> {
        let taken = |photo: &&AskedFor| !self.photos.iter().any(|entered| entered.what.asked.as_ref() == Some(&photo.name));
        self.plan.photos.iter().filter(taken).cloned().collect()
    }

    /// Whether `statement` counts.
    pub fn stands(&self, statement: i64) -> bool {
        self.idle.iter().all(|idle| idle.statement != statement)
    }
}

/// What follows from the plan a job was made with, the runs it has and all that was said since.
pub fn in_force(plan: &Plan, recorded: &[Recorded], statements: &[Statement]) -> InForce {
    let mut idle = Vec::new();
    let withdrawn = withdrawn(statements, &mut idle);
    let standing = |run: &Recorded| Standing {
        counts: Counts::Counted,
        line: run.line.clone(),
        mirrored: false,
        reassigned_by: None,
        joined_to: None,
        acknowledged: BTreeSet::new(),
        left_by: None,
    };
    let mut force = InForce {
        plan: plan.clone(),
        newest: statements.last().map_or(0, |statement| statement.id),
        revisions: Vec::new(),
        basis: None,
        runs: recorded.iter().map(|run| (run.run, standing(run))).collect(),
        shift: None,
        hand: Vec::new(),
        confirmed: Vec::new(),
        notes: Vec::new(),
        photos: Vec::new(),
        witnessed: Vec::new(),
        idle,
    };
    for statement in statements.iter().filter(|statement| !withdrawn.contains(&statement.id)) {
        force.take(statement);
    }
    force.idle.sort_by_key(|idle| idle.statement);
    force
}

/// Statements taken back; one that takes back and is itself taken back does nothing.
fn withdrawn(statements: &[Statement], idle: &mut Vec<Idle>) -> BTreeSet<i64> {
    let mut withdrawn = BTreeSet::new();
    // Later wins: read from the end, whether a withdrawal stands is known before what it takes back is looked at.
    for statement in statements.iter().rev() {
        let Said::Withdraw { statement: of } = statement.said else { continue };
        if withdrawn.contains(&statement.id) {
            continue;
        }
        if of < statement.id && withdrawn.insert(of) {
            idle.push(Idle { statement: of, why: format!("taken back by statement {}", statement.id) });
        }
    }
    withdrawn
}

impl InForce {
    fn take(&mut self, statement: &Statement) {
        let id = statement.id;
        if let Some(run) = statement.said.runs().into_iter().find(|run| !self.runs.contains_key(run)) {
            self.idle.push(Idle { statement: id, why: format!("there is no run {run}") });
            return;
        }
        match &statement.said {
            Said::Void { run } => self.set(*run, |standing| standing.counts = Counts::Voided { by: id }),
            Said::Restore { run } => self.set(*run, |standing| standing.counts = Counts::Counted),
            Said::Reassign { run, line, mirrored } => self.set(*run, |standing| {
                (standing.line, standing.mirrored, standing.reassigned_by) = (line.clone(), *mirrored, Some(id));
            }),
            Said::Replace { run, replaced } => self.set(*replaced, |standing| standing.counts = Counts::Replaced { with: *run, by: id }),
            Said::Join { run, with } => self.set(*run, |standing| standing.joined_to = Some(*with)),
            Said::Acknowledge { run, seq } => self.set(*run, |standing| {
                standing.acknowledged.insert(*seq);
            }),
            Said::Leave { run } => self.set(*run, |standing| standing.left_by = Some(id)),
            Said::Plan(revision) => {
                self.plan = revision.plan.clone();
                self.revisions.push(id);
            }
            Said::Basis(basis) => self.basis = Some(Entered::of(&basis.basis, statement)),
            Said::SignOn(shift) => self.shift = Some((id, shift.clone())),
            Said::SignOff(_) => self.shift = None,
            Said::HandReading(reading) => self.hand.push(Entered::of(reading, statement)),
            Said::Confirm(proof) => self.confirmed.push(Entered::of(proof, statement)),
            Said::Note(note) => self.notes.push(Entered::of(note, statement)),
            Said::Photo(photo) => self.photos.push(Entered::of(photo, statement)),
            Said::Witness(witness) => self.witnessed.push(Entered::of(witness, statement)),
            // Whether it stands is all that is asked of a swap here; its time is read where it matters.
            Said::Swap(_) | Said::Withdraw { .. } => {}
        }
    }

    fn set(&mut self, run: RunId, change: impl FnOnce(&mut Standing)) {
        if let Some(standing) = self.runs.get_mut(&run) {
            change(standing);
        }
    }
}
