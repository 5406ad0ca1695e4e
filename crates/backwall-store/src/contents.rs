//! What a job file holds, as plain types: what the writer takes and the reader gives back.

use super::adoption::Adoption;
use super::evaluation::EvaluationSummary;
use super::seal::Seal;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
pub use backwall_survey::job::noted::MarkKind;
pub use backwall_survey::job::statement::RunId;
use backwall_survey::job::statement::{BasisText, Said, Swap};
use backwall_survey::job::validity::{Check, Validity, is_far_from_blocks, standing, validity, validity_at};
use backwall_survey::job::{Checklist, InForce, Plan, Statement, in_force};
use backwall_survey::neighbours::Judgement;
use backwall_survey::reading::Reading;
use backwall_survey::strip::{Limits, Spot};
use backwall_survey::travel::Path;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::{Setup, TimeBase, Waveform};
use backwall_units::{Length, Temperature, Wording};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Everything about a job but its readings and waveforms.
#[derive(Debug, Clone, PartialEq)]
pub struct JobContents {
    /// Of the job as it was when this was read; none in a file of an earlier format.
    pub seal: Option<Seal>,
    /// The newest revision.
    pub plan: Plan,
    /// The plan the job was made with, and as its file had it.
    pub made_with: Plan,
    pub made_with_text: String,
    /// What was said about the job, in order.
    pub statements: Vec<Statement>,
    /// What counts by all of it.
    pub force: InForce,
    /// Runs that were voided or replaced: listed, never counted.
    pub set_aside: Vec<RunSummary>,
    pub checklist: Checklist,
    pub answers: Vec<Answer>,
    pub signatures: Vec<Signature>,
    /// Set-ups in the order they were entered; the last one is in force.
    pub setups: Vec<SetupEntry>,
    /// The runs that count, each on the line, with the limits and by the readings in force.
    pub runs: Vec<RunSummary>,
    /// Of the job and of the runs that count.
    pub notes: Vec<Note>,
    /// Why scanning was allowed although the checklist stood against it.
    pub overrides: Vec<(String, Signed)>,
    /// Verifications of set-ups on blocks, in time order.
    pub checks: Vec<Check>,
    pub encoder_checks: Vec<(EncoderCheck, Signed)>,
    /// Runs evaluated again with other set-ups.
    pub evaluations: Vec<EvaluationSummary>,
    /// Which readings of a run count, in the order it was said; the newest of a run holds.
    pub adoptions: Vec<Adoption>,
    /// Changes of the kit that stand, in order.
    pub swaps: Vec<Swapped>,
}

/// A part that a calibration hangs on was changed; what came before it, by the order in which it was entered: a clock may be set back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Swapped {
    pub swap: Swap,
    /// The last set-up and the last run begun before it; 0 for none.
    pub last_setup: i64,
    pub last_run: RunId,
    /// Verifications made before it.
    pub checks: usize,
}

impl JobContents {
    /// A job of which nothing but plan and checklist is there, as it is before its file is made.
    pub fn unmade(plan: Plan, checklist: Checklist) -> Self {
        Self {
            seal: None,
            force: in_force(&plan, &[], &[]),
            made_with: plan.clone(),
            made_with_text: String::new(),
            plan,
            checklist,
            statements: Vec::new(),
            set_aside: Vec::new(),
            answers: Vec::new(),
            signatures: Vec::new(),
            setups: Vec::new(),
            runs: Vec::new(),
            notes: Vec::new(),
            overrides: Vec::new(),
            checks: Vec::new(),
            encoder_checks: Vec::new(),
            evaluations: Vec::new(),
            adoptions: Vec::new(),
            swaps: Vec::new(),
        }
    }

    /// The plan in force as its file had it, comments and all.
    pub fn plan_text(&self) -> &str {
        let newest = self.force.revisions.last();
        let revision = newest.and_then(|newest| self.statements.iter().find(|statement| statement.id == *newest));
        match revision.map(|statement| &statement.said) {
            Some(Said::Plan(revision)) => &revision.text,
            _ => &self.made_with_text,
        }
    }

    /// The basis in force as its file had it.
    pub fn basis_text(&self) -> Option<&BasisText> {
        let kept = self.force.basis.as_ref()?.statement;
        match &self.statements.iter().find(|statement| statement.id == kept)?.said {
            Said::Basis(basis) => Some(basis),
            _ => None,
        }
    }

    /// How the calibration of the readings of a run that count stands.
    pub fn validity(&self, run: &RunSummary) -> Validity {
        match self.adopted(run.id) {
            Some((evaluation, _)) => self.validity_of(evaluation),
            None => self.validity_as_measured(run),
        }
    }

    fn validity_as_measured(&self, run: &RunSummary) -> Validity {
        let RunStart { started_us, setup_id, setup, .. } = &run.start;
        let began = validity_at(self.validity_since(run.id, *started_us, *setup_id), setup, run.was_far_from(setup));
        let went_on = run.changes.iter().map(|change| self.validity_since(run.id, change.at_us, Some(change.setup_id)));
        let all: Vec<Validity> = std::iter::once(began.clone()).chain(went_on).collect();
        match all.into_iter().find(|found| matches!(found, Validity::Suspect(_))) {
            Some(suspect) => suspect,
            None if !run.changes.is_empty() => Validity::Pending(CHANGED),
            None if run.adjusted => Validity::Pending(ADJUSTED),
            None => began,
        }
    }

    /// How a run with a set-up stands by the verifications made with the kit it was recorded with.
    fn validity_since(&self, run: RunId, started_us: i64, setup_id: Option<i64>) -> Validity {
        let Some(swapped) = self.swaps.iter().find(|swapped| swapped.last_run >= run) else {
            return validity(started_us, setup_id, &self.checks);
        };
        let with_its_kit = &self.checks[..swapped.checks.min(self.checks.len())];
        match validity(started_us, setup_id, with_its_kit) {
            Validity::Pending(_) => Validity::Pending("the kit was changed before it was verified again"),
            found => found,
        }
    }

    /// The last swap that the set-up entered last knows nothing of.
    pub(crate) fn swapped_since(&self) -> Option<&Swap> {
        let entered = self.setups.last()?.id;
        self.swaps.last().filter(|swapped| swapped.last_setup >= entered).map(|swapped| &swapped.swap)
    }

    /// The set-up that the next run is recorded with; none where nothing was entered since the kit was changed.
    pub fn setup_in_force(&self) -> Option<&SetupEntry> {
        self.setups.last().filter(|_| self.swapped_since().is_none())
    }

    /// The same for a channel of the device: the last that was not measured on another.
    pub fn setup_for(&self, channel: Option<&str>) -> Option<&SetupEntry> {
        let known = self.swaps.last().map_or(0, |swapped| swapped.last_setup);
        self.setups_of(channel).last().filter(|entry| entry.id > known)
    }

    /// The set-ups of a channel of the device in the order they were entered: those that were not measured on another.
    pub fn setups_of(&self, channel: Option<&str>) -> impl DoubleEndedIterator<Item = &SetupEntry> {
        let is_of_it = move |other: &str| channel.is_none_or(|channel| channel == other);
        self.setups.iter().filter(move |entry| entry.setup.channel.as_deref().is_none_or(is_of_it))
    }

    /// The job without the set-ups that were measured on other channels: what a bench of this one goes by.
    pub fn of_channel(&self, channel: Option<&str>) -> Cow<'_, Self> {
        let of_it = |entry: &SetupEntry| entry.setup.channel.is_none() || entry.setup.channel.as_deref() == channel;
        if channel.is_none() || self.setups.iter().all(of_it) {
            return Cow::Borrowed(self);
        }
        let mut job = self.clone();
        job.setups.retain(of_it);
        Cow::Owned(job)
    }

    /// What a run of a channel is recorded with: the set-up in force for it, or one without a calibration.
    pub fn setup_of_channel(&self, channel: Option<&str>) -> Setup {
        let calibrated = self.setup_for(channel).map(|entry| entry.setup.clone());
        let setup = calibrated.unwrap_or_else(|| self.setup_without_calibration());
        Setup { channel: channel.map(str::to_owned).or(setup.channel), ..setup }
    }

    /// What a run is recorded with where no set-up is in force: the last one with its calibration gone, or the typed one.
    pub fn setup_without_calibration(&self) -> Setup {
        self.setups.last().map_or_else(|| self.plan.typed_setup(), |entry| Setup { calibration: None, ..entry.setup.clone() })
    }

    /// Whether the set-up in force was measured on blocks.
    pub fn is_calibrated(&self) -> bool {
        self.setup_in_force().is_some_and(|entry| entry.setup.calibration.is_some())
    }

    /// How the set-up in force stands.
    pub fn standing(&self) -> Validity {
        let setup_id = self.setup_in_force().map(|entry| entry.id);
        let began = self.runs.iter().filter(|run| run.start.setup_id == setup_id).map(|run| run.start.started_us);
        let changes = self.runs.iter().flat_map(|run| &run.changes).filter(|change| Some(change.setup_id) == setup_id);
        let last_run = began.chain(changes.map(|change| change.at_us)).max();
        standing(setup_id, last_run, &self.checks)
    }

    /// How the calibration of an evaluation stands. Evaluating a run again never makes it better than the run itself:
    /// what a failed verification made suspect stays suspect.
    pub fn validity_of(&self, evaluation: &EvaluationSummary) -> Validity {
        let start = &evaluation.start;
        let Some(run) = self.runs.iter().find(|run| run.id == start.run) else {
            return Validity::Pending("its run is not in the job");
        };
        // Another way to read a hot wall may need no zero.
        let own =
            validity_at(self.validity_since(run.id, run.start.started_us, start.setup_id), &start.setup, run.was_far_from(&start.setup));
        let measured = match self.validity_as_measured(run) {
            // A hot wall is judged by the evaluation's own way to read it.
            Validity::Pending(_) if run.changes.is_empty() && !run.adjusted => {
                self.validity_since(run.id, run.start.started_us, run.start.setup_id)
            }
            other => other,
        };
        let entered = self.setups.iter().find(|entry| Some(entry.id) == start.setup_id);
        let calibrated = |setup: &Setup| (setup.velocity, setup.zero, setup.calibration.clone());
        let typed = entered.is_none_or(|entry| calibrated(&entry.setup) != calibrated(&start.setup));
        match (measured, own) {
            (suspect @ Validity::Suspect(_), _) | (_, suspect @ Validity::Suspect(_)) => suspect,
            _ if typed => Validity::Pending("its velocity or zero was typed for it and never verified"),
            (pending @ Validity::Pending(_), _) | (_, pending @ Validity::Pending(_)) => pending,
            (Validity::Valid, Validity::Valid) => Validity::Valid,
        }
    }
}

/// Why a run whose device was set otherwise than on the blocks is not valid.
pub const ADJUSTED: &str = "gain or range of the device was changed while it ran: neither part was verified before and after";

/// Why a run that went on with another set-up is not valid.
pub const CHANGED: &str = "its set-up was changed while it ran: neither part was verified before and after";

/// A set-up and how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct SetupEntry {
    pub id: i64,
    pub setup: Setup,
    /// "typed", or how it was measured.
    pub origin: Wording,
    pub by: Signed,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    Open,
    Closed,
    /// The program ended in the middle; what was saved is there.
    Interrupted,
}

/// Why a run was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CloseReason {
    Operator,
    StreamEnded,
    /// SIGTERM, SIGHUP, or a terminal that went away.
    Terminated,
    Fault(String),
}

impl std::fmt::Display for CloseReason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Operator => f.write_str("ended by the operator"),
            Self::StreamEnded => f.write_str("the stream ended"),
            Self::Terminated => f.write_str("the program was asked to end"),
            Self::Fault(what) => f.write_str(what),
        }
    }
}

/// What is stored when a run opens: everything needed to make its readings again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunStart {
    pub line: String,
    pub path: Path,
    pub limits: Limits,
    pub setup: Setup,
    pub setup_id: Option<i64>,
    #[serde(rename = "wall_temperature_c")]
    pub wall_temperature: Temperature,
    pub profile_name: String,
    /// The profile's TOML, whole.
    pub profile_text: String,
    /// How the profile was proven on its device, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile_proof: Option<String>,
    pub stream: String,
    pub software: String,
    pub checklist_override: Option<String>,
    pub operator: String,
    /// The channel that was read, where one was chosen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<String>,
    pub started_us: i64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    pub kind: MarkKind,
    pub along: Option<Length>,
    pub seq: Option<u32>,
    pub text: String,
    pub at_us: i64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    pub run: Option<RunId>,
    pub along: Option<Length>,
    pub text: Wording,
    pub at_us: i64,
}

/// Things that happen to a run besides readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The link came, went, came back.
    Link,
    /// Shots that never arrived: a jump in `seq`.
    Lost,
    /// Bytes or readings dropped because something was too slow.
    Overflow,
    /// The device told its time base.
    Header,
    /// Battery, temperature.
    Status,
    Alarm,
    Acknowledged,
    Fault,
    /// No shot came for longer than it should take.
    Stall,
    /// What device or clock said and cannot be.
    Doubt,
    /// The run went on with another set-up.
    Setup,
    /// The place was set again.
    Place,
    /// Frames that came damaged or did not fit the profile: all up to then, by why.
    Dropped,
    /// Something was sent to the device, and what became of it.
    Command,
    /// The same, where it changes gain or range of a device that was calibrated before.
    Adjusted,
    /// Shots of another channel came, which is not read.
    Channel,
    /// The wall was found further from the blocks' temperature than the zero may be kept for.
    FarFromBlocks,
}

impl EventKind {
    pub const ALL: [Self; 17] = [
        Self::Link,
        Self::Lost,
        Self::Overflow,
        Self::Header,
        Self::Status,
        Self::Alarm,
        Self::Acknowledged,
        Self::Fault,
        Self::Stall,
        Self::Doubt,
        Self::Setup,
        Self::Place,
        Self::Dropped,
        Self::Command,
        Self::Adjusted,
        Self::Channel,
        Self::FarFromBlocks,
    ];
    pub const fn word(self) -> &'static str {
        match self {
            Self::Link => "link",
            Self::Lost => "lost",
            Self::Overflow => "overflow",
            Self::Header => "header",
            Self::Status => "status",
            Self::Alarm => "alarm",
            Self::Acknowledged => "acknowledged",
            Self::Fault => "fault",
            Self::Stall => "stall",
            Self::Doubt => "doubt",
            Self::Setup => "set-up",
            Self::Place => "place",
            Self::Dropped => "dropped",
            Self::Command => "command",
            Self::Adjusted => "adjusted",
            Self::Channel => "channel",
            Self::FarFromBlocks => "far from blocks",
        }
    }
}

/// Something that happened to a run besides readings, as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct RunEvent {
    pub kind: EventKind,
    pub text: Wording,
    pub seq: Option<u32>,
    pub along: Option<Length>,
    pub at_us: i64,
}

/// One thing to be saved in an open run, in the order it happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    Reading {
        reading: Reading,
        waveform: Option<Waveform>,
    },
    Mark(Mark),
    Note(Note),
    Event {
        kind: EventKind,
        text: Wording,
        seq: Option<u32>,
        along: Option<Length>,
        at_us: i64,
    },
    /// So many shots never arrived.
    Lost {
        shots: u32,
        text: String,
        seq: Option<u32>,
        along: Option<Length>,
        at_us: i64,
    },
    /// The time base of the waveforms that follow.
    TimeBase(TimeBase),
    /// The number of the set-up that the readings from here on are made with.
    SetupChange(i64),
    /// Where the crawler stands by the operator's word, or where it is held as its device started anew: the next reading is there, and places go on from it.
    PlaceSet {
        along: Length,
        /// Of the scanner beside the line, where that was said too.
        across: Option<Length>,
    },
    /// What readings are because of their neighbours.
    Judgement(Judgement),
    /// The state of a spot when it was raised, acknowledged, judged or ended.
    Spot(Spot),
}

/// Up to where an open run is saved, and how the disk is. Published after each synced commit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Saved {
    /// The run; the first of those that go on side by side.
    pub run: Option<RunId>,
    pub seq: Option<u32>,
    pub along: Option<Length>,
    pub readings: u64,
    /// When the commit was done, µs since 1970-01-01 UTC.
    pub at_us: i64,
    /// Why nothing is saved, for now or for good; what was acknowledged before stands.
    pub fault: Option<String>,
    /// What waits in memory for room on the disk.
    pub waiting_bytes: u64,
    /// Entries that came after the fault and are not in the file.
    pub unsaved: u64,
    /// Free bytes on the disk the job file is on.
    pub free_bytes: Option<u64>,
    pub file_bytes: u64,
    /// The same of the runs beside it.
    pub beside: Vec<SavedRun>,
}

/// Up to where one run is saved.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SavedRun {
    pub run: RunId,
    pub seq: Option<u32>,
    pub along: Option<Length>,
    pub readings: u64,
    pub at_us: i64,
    pub unsaved: u64,
}

impl Saved {
    /// The same for one of the runs side by side.
    pub fn of(&self, run: RunId) -> Self {
        match self.beside.iter().find(|beside| beside.run == run) {
            None => Self { beside: Vec::new(), ..self.clone() },
            Some(&SavedRun { run, seq, along, readings, at_us, unsaved }) => {
                Self { run: Some(run), seq, along, readings, at_us, unsaved, beside: Vec::new(), ..self.clone() }
            }
        }
    }

    /// Runs begin, side by side.
    pub(super) fn begin(&mut self, runs: &[RunId], at_us: i64) {
        let begun = |run: &RunId| SavedRun { run: *run, at_us, ..SavedRun::default() };
        self.beside = runs.iter().skip(1).map(begun).collect();
        (self.run, self.seq, self.along, self.readings, self.at_us) = (runs.first().copied(), None, None, 0, at_us);
    }

    /// How a run stands now, one that began.
    pub(super) fn take(&mut self, now: SavedRun) {
        let SavedRun { run, seq, along, readings, at_us, .. } = now;
        if self.run == Some(run) {
            self.at_us = if self.readings == readings { self.at_us } else { at_us };
            (self.seq, self.along, self.readings) = (seq, along, readings);
        } else if let Some(known) = self.beside.iter_mut().find(|beside| beside.run == run) {
            known.at_us = if known.readings == readings { known.at_us } else { at_us };
            (known.seq, known.along, known.readings) = (seq, along, readings);
        }
    }

    /// What is not in the file, by run.
    pub(super) fn count_unsaved(&mut self, unsaved: &BTreeMap<RunId, u64>) {
        for beside in &mut self.beside {
            beside.unsaved = unsaved.get(&beside.run).copied().unwrap_or(0);
        }
        self.unsaved = unsaved.values().sum::<u64>() - self.beside.iter().map(|beside| beside.unsaved).sum::<u64>();
    }
}

/// A set-up that a run went on with, from the reading in a row on.
#[derive(Debug, Clone, PartialEq)]
pub struct SetupChange {
    pub from_row: u64,
    pub setup_id: i64,
    pub setup: Setup,
    /// When the set-up was entered.
    pub at_us: i64,
}

/// A place that was set while a run went on: the reading in a row was taken there, and places go on from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceSet {
    pub from_row: u64,
    pub along: Length,
    /// Of the scanner beside the line; where nothing was said it goes on as it was.
    pub across: Option<Length>,
}

impl RunSummary {
    /// The places that were set right before the reading in a row.
    pub fn placed_at(&self, row: u64) -> impl Iterator<Item = PlaceSet> {
        self.placed.iter().copied().filter(move |placed| placed.from_row == row)
    }
    /// The set-up that made the run's own reading in a row.
    pub fn setup_at(&self, row: u64) -> &Setup {
        self.changes.iter().rfind(|change| change.from_row <= row).map_or(&self.start.setup, |change| &change.setup)
    }
    /// The number of that set-up, where it was entered.
    pub fn setup_id_at(&self, row: u64) -> Option<i64> {
        self.changes.iter().rfind(|change| change.from_row <= row).map_or(self.start.setup_id, |change| Some(change.setup_id))
    }
    /// The set-up that made all its readings; nothing where it went on with another.
    pub fn only_setup(&self) -> Option<&Setup> {
        self.changes.is_empty().then_some(&self.start.setup)
    }
    /// The set-up the run ended with, or is going with.
    pub fn last_setup(&self) -> &Setup {
        self.changes.last().map_or(&self.start.setup, |change| &change.setup)
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct RunSummary {
    pub id: RunId,
    pub start: RunStart,
    /// Set-ups it went on with, in order.
    pub changes: Vec<SetupChange>,
    /// Places that were set while it went on, in order.
    pub placed: Vec<PlaceSet>,
    pub state: RunState,
    pub reason: String,
    pub closed_us: Option<i64>,
    pub readings: u64,
    /// Readings without an echo.
    pub no_echo: u64,
    /// Shots that never arrived.
    pub lost: u64,
    /// Frames that were dropped, in words; nothing where none was.
    pub dropped: Option<String>,
    /// Gain or range of a calibrated device was changed while it ran.
    pub adjusted: bool,
    /// The device found the wall further from the blocks than the zero may be kept for.
    pub found_far: bool,
    pub spots: u64,
    /// The minimum of the readings that do not stand alone; as it was recorded, of all.
    pub least: Option<Length>,
    pub least_at: Option<Length>,
    pub from: Option<Length>,
    pub to: Option<Length>,
    /// Hex digest over the run's content, once closed.
    pub digest: Option<String>,
}

impl RunSummary {
    /// Whether the wall was further from the blocks of a set-up than its zero may be kept for, as the plan has it or the device found it.
    fn was_far_from(&self, setup: &Setup) -> bool {
        self.found_far || is_far_from_blocks(setup, self.start.wall_temperature)
    }
}
