//! Readings of an ended run made again from its waveforms with another set-up: a new evaluation beside the first, never
//! over it. It is computed here, piece by piece, and handed to the writer, which keeps it in one transaction: an
//! evaluation is whole or not in the file. Only what a set-up can change is kept of a reading: measurement and level.

use super::contents::{RunId, RunState, RunSummary};
use super::cursor::Cursor;
use super::error::StoreError;
use super::evaluator::Comparer;
use super::queue::WriterCommand;
use super::reader::JobReader;
use super::remake::{MadeAgain, MeasuredAgain, Setups, placed, remake};
use super::verify::VerifyProgress;
use super::writer::Writer;
use backwall_survey::job::checklist::Signed;
use backwall_survey::neighbours::{Judgement, Neighbour, Neighbours};
use backwall_survey::reading::{Reading, ReadingMaker};
use backwall_survey::strip::{AlarmSettings, Level, Limits, Section, Seen};
use backwall_survey::travel::Odometer;
use backwall_ultrasound::{Flag, Measurement, Setup, Sight};
use backwall_units::Length;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};

/// Numbers an evaluation within its job, from 1.
pub type EvaluationId = i64;

/// The evaluator with which minima and spots before and after began to leave out readings that stand alone.
const JUDGED_FINDINGS_SINCE: u32 = 8;

/// Pieces that may wait for the writer.
const WAITING: usize = 4;

/// Which run is evaluated again, with what, by whom and why.
#[derive(Debug, Clone, PartialEq)]
pub struct EvaluationStart {
    pub run: RunId,
    pub setup: Setup,
    /// The stored set-up it was taken from; single values may differ from it.
    pub setup_id: Option<i64>,
    /// In words, what differs from the run's own set-up.
    pub differs: String,
    pub why: String,
    pub software: String,
    pub by: Signed,
}

/// An evaluation in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct EvaluationSummary {
    pub id: EvaluationId,
    pub start: EvaluationStart,
    pub changes: Changes,
    /// Hex digest over the run's digest and every reading of the evaluation.
    pub digest: String,
}

/// What a run says before, or after.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct EvaluationFindings {
    pub no_echo: u64,
    pub thin_spots: u64,
    pub watch_spots: u64,
    #[serde(rename = "least_mm")]
    pub least: Option<Length>,
    #[serde(rename = "least_at_mm")]
    pub least_at: Option<Length>,
    pub least_seq: Option<u32>,
}

/// One reading's thickness before and after.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReadingDifference {
    #[serde(rename = "before_mm")]
    pub before: Length,
    #[serde(rename = "after_mm")]
    pub after: Length,
    #[serde(rename = "at_mm")]
    pub at: Option<Length>,
    pub seq: u32,
}

/// What an evaluation says differently from the run's own readings. Spots of both are found by the job's present
/// alarm settings, so that they can be compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Changes {
    pub readings: u64,
    /// Readings without a waveform, kept as they were.
    pub kept: u64,
    /// Readings that differ in anything.
    pub changed: u64,
    /// Readings that had no thickness and now have one.
    pub gained: u64,
    /// Readings that had a thickness and now have none.
    pub lost: u64,
    /// Readings with a thickness before and after.
    pub compared: u64,
    /// Mean of after less before over those.
    #[serde(rename = "mean_difference_mm")]
    pub mean_difference: Option<Length>,
    /// The largest difference of those, either way; none where all are the same.
    pub largest: Option<ReadingDifference>,
    pub before: EvaluationFindings,
    pub after: EvaluationFindings,
}

#[derive(Debug, thiserror::Error)]
pub enum EvaluationError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("run {0} is still being recorded: close it, then evaluate it again")]
    NotEnded(RunId),
    #[error(
        "run {0} has no waveforms: its device sent finished values, so there is nothing to evaluate again. Its readings stay as they are"
    )]
    NoWaveforms(RunId),
    #[error("reading {row} of run {run} cannot be made again: {why}. Nothing of this evaluation was kept")]
    Impossible { run: RunId, row: u64, why: String },
    #[error("stopped before the end: nothing of this evaluation was kept, the run is as it was")]
    Stopped,
}

/// A step of an evaluation on its way to the writer. Whoever hangs up without an end takes everything back.
pub(super) enum EvaluationStep {
    Readings(Vec<(Measurement, Level)>),
    /// What neighbours make of them; once, behind the last.
    Judgements(Vec<Judgement>),
    End(Box<Changes>),
}

impl Writer {
    /// Evaluates an ended run again and keeps the result. `go_on` is told how many readings are done and of how many,
    /// and ends the work by answering `false`.
    pub fn reevaluate(
        &self,
        reader: &JobReader,
        start: EvaluationStart,
        mut go_on: impl FnMut(u64, u64) -> bool,
    ) -> Result<EvaluationSummary, EvaluationError> {
        let run = reader.recorded_run(start.run)?;
        if run.state == RunState::Open {
            return Err(EvaluationError::NotEnded(run.id));
        }
        if !reader.has_waveforms(run.id)? {
            return Err(EvaluationError::NoWaveforms(run.id));
        }
        let alarm = reader.contents()?.plan.alarm;
        let setup = start.setup.clone();
        let (steps, taken) = sync_channel(WAITING);
        let (reply, answer) = channel();
        self.queue.command(WriterCommand::Evaluate { start: Box::new(start), steps: taken, reply });
        let made = evaluate(reader, &run, &setup, alarm, &steps, &mut go_on);
        // Without an end the writer gives up what it has; hanging up is what tells it.
        let sent = made.map(|changes| steps.send(EvaluationStep::End(Box::new(changes))));
        drop(steps);
        let kept = answer.recv().unwrap_or_else(|_| {
            let fault = self.queue.fault().unwrap_or_else(|| "the job file is closed".to_owned());
            Err(StoreError::Stopped { fault })
        });
        match sent {
            Ok(_) | Err(Interrupted::WriterGone) => Ok(kept?),
            Err(Interrupted::Because(why)) => Err(why),
        }
    }
}

enum Interrupted {
    /// It answers why.
    WriterGone,
    Because(EvaluationError),
}

impl<E: Into<EvaluationError>> From<E> for Interrupted {
    fn from(error: E) -> Self {
        Self::Because(error.into())
    }
}

fn evaluate(
    reader: &JobReader,
    run: &RunSummary,
    setup: &Setup,
    alarm: AlarmSettings,
    steps: &SyncSender<EvaluationStep>,
    go_on: &mut impl FnMut(u64, u64) -> bool,
) -> Result<Changes, Interrupted> {
    let own = reader.judgements_between(run.id, 0, u64::MAX)?;
    let mut again = Remaking::new(run, setup, alarm)?;
    again.comparison.judged_by(&own, true);
    let mut done = 0;
    if !go_on(done, run.readings) {
        return Err(EvaluationError::Stopped.into());
    }
    remake(reader, run.id, &Setups::one(setup.clone()), |made| {
        let piece = again.piece(made)?;
        done += piece.len() as u64;
        piece.iter().for_each(|one| again.comparison.push(&one.stored, &one.made, one));
        let readings = piece.iter().map(|one| (one.made.measurement, one.made.level)).collect();
        steps.send(EvaluationStep::Readings(readings)).map_err(|_| Interrupted::WriterGone)?;
        if go_on(done, run.readings.max(done)) { Ok::<_, Interrupted>(true) } else { Err(EvaluationError::Stopped.into()) }
    })?;
    let judgements = again.judged();
    again.comparison.judge(&own, &judgements);
    steps.send(EvaluationStep::Judgements(judgements)).map_err(|_| Interrupted::WriterGone)?;
    Ok(again.comparison.end())
}

/// Places the readings of a run that were measured again, and compares them.
struct Remaking<'a> {
    run: &'a RunSummary,
    maker: ReadingMaker,
    comparison: EvaluationComparison,
    neighbours: Neighbours,
    judgements: Vec<Judgement>,
}

/// A reading of the run, and as the other set-up has it.
struct Remade {
    stored: Reading,
    made: Reading,
    was_made: bool,
    /// What is known of it and those just before since it was made.
    judged: Vec<Judgement>,
}

impl<'a> Remaking<'a> {
    fn new(run: &'a RunSummary, setup: &Setup, alarm: AlarmSettings) -> Result<Self, EvaluationError> {
        let start = &run.start;
        let impossible =
            |error: backwall_survey::travel::TravelError| EvaluationError::Impossible { run: run.id, row: 0, why: error.to_string() };
        let odometer = Odometer::new(start.path.clone()).map_err(impossible)?;
        let maker = ReadingMaker::new(setup.clone(), odometer, start.limits.clone(), start.wall_temperature);
        let comparison = EvaluationComparison::new(start.limits.clone(), alarm);
        Ok(Self { run, maker, comparison, neighbours: Neighbours::default(), judgements: Vec::new() })
    }

    /// What neighbours make of all readings, once the last is made.
    fn judged(&mut self) -> Vec<Judgement> {
        self.judgements.extend(self.neighbours.end());
        std::mem::take(&mut self.judgements)
    }

    /// The readings as they are with the other set-up.
    fn piece(&mut self, made: MadeAgain) -> Result<Vec<Remade>, EvaluationError> {
        let mut piece = Vec::with_capacity(made.readings.len());
        for (row, stored, again) in made.readings {
            let mut judged = Vec::new();
            for placed in self.run.placed_at(row) {
                // Readings across a place that was set are no neighbours.
                judged.extend(self.neighbours.end());
                self.maker.set_place(placed.along, placed.across);
            }
            let was_made = !matches!(again, MeasuredAgain::NoWaveform);
            let sight = if let MeasuredAgain::Measured(measured) = &again { measured.sight } else { Sight::default() };
            let made = placed(&mut self.maker, &self.run.start, &stored, again).and_then(|made| match made.place == stored.place {
                true => Ok(made),
                false => Err("its place does not follow from its encoder counts; run `backwall verify`".to_owned()),
            });
            let made = made.map_err(|why| EvaluationError::Impossible { run: self.run.id, row, why })?;
            let made = Reading { measurement: made.measurement, level: made.level, level_shown: made.level, ..stored.clone() };
            if let Some(neighbour) = Neighbour::new(row, &made, &sight) {
                judged.extend(self.neighbours.push(neighbour));
            }
            self.judgements.extend_from_slice(&judged);
            piece.push(Remade { stored, made, was_made, judged });
        }
        made.failed.map_or(Ok(piece), |error| Err(error.into()))
    }
}

/// What a section of the run says.
fn findings(section: &Section) -> EvaluationFindings {
    let minimum = section.minimum();
    EvaluationFindings {
        no_echo: section.no_echo(),
        thin_spots: section.spots_of(Level::Thin),
        watch_spots: section.spots_of(Level::Watch),
        least: minimum.and_then(|seen| seen.thickness),
        least_at: minimum.and_then(|seen| seen.along),
        least_seq: minimum.map(|seen| seen.seq),
    }
}

/// The run's own readings against those made again.
struct EvaluationComparison {
    limits: Limits,
    before: Section,
    after: Section,
    changes: Changes,
    /// Shots of the rows, as far as judgements need them.
    seqs: Vec<u32>,
    /// Rows of the run whose own readings stand alone; nothing where an evaluation was not judged.
    judged: Option<BTreeSet<u64>>,
    /// Whether what stands alone is left out of the minima too.
    of_judged: bool,
    /// Of all differences; whole numbers, for a sum that does not depend on rounding.
    sum_nm: i128,
}

impl EvaluationComparison {
    fn new(limits: Limits, alarm: AlarmSettings) -> Self {
        let changes = Changes {
            readings: 0,
            kept: 0,
            changed: 0,
            gained: 0,
            lost: 0,
            compared: 0,
            mean_difference: None,
            largest: None,
            before: EvaluationFindings::default(),
            after: EvaluationFindings::default(),
        };
        Self {
            limits,
            before: Section::new(alarm),
            after: Section::new(alarm),
            changes,
            seqs: Vec::new(),
            judged: None,
            of_judged: false,
            sum_nm: 0,
        }
    }

    fn push(&mut self, before: &Reading, after: &Reading, one: &Remade) {
        let was_made = one.was_made;
        let row = self.seqs.len() as u64;
        let is_alone = self.judged.as_ref().is_some_and(|own| own.contains(&row));
        if is_alone && self.of_judged {
            self.before.see(&Seen { alone: true, ..Seen::from(before) }, &self.limits);
        } else {
            self.before.push(before, &self.limits);
        }
        self.after.push(after, &self.limits);
        self.seqs.push(after.seq);
        if is_alone && !self.of_judged {
            self.before.spots.withdraw(before.seq);
        }
        if self.judged.is_some() {
            let alone = one.judged.iter().filter(|judgement| judgement.flags.has(Flag::Alone)).map(|judgement| judgement.rows.0);
            let seqs: Vec<u32> = alone.filter_map(|row| self.seqs.get(usize::try_from(row).ok()?).copied()).collect();
            for seq in seqs {
                if self.of_judged {
                    self.after.withdraw(seq);
                    self.after.spots.take_back();
                } else {
                    self.after.spots.withdraw(seq);
                }
            }
        }
        let changes = &mut self.changes;
        changes.readings += 1;
        changes.kept += u64::from(!was_made);
        changes.changed += u64::from(before.measurement != after.measurement || before.level != after.level);
        match (before.measurement.thickness, after.measurement.thickness) {
            (None, Some(_)) => changes.gained += 1,
            (Some(_), None) => changes.lost += 1,
            (None, None) => {}
            (Some(old), Some(new)) => {
                changes.compared += 1;
                let by = new.as_nanometres() - old.as_nanometres();
                self.sum_nm += i128::from(by);
                let most = changes.largest.map_or(0, |most| (most.after.as_nanometres() - most.before.as_nanometres()).abs());
                if by.abs() > most {
                    changes.largest = Some(ReadingDifference { before: old, after: new, at: after.place.along, seq: after.seq });
                }
            }
        }
    }

    /// Spots as neighbours judge them, of both.
    fn judge(&mut self, before: &[Judgement], after: &[Judgement]) {
        self.before.judge(before);
        self.after.judge(after);
    }

    /// Counts spots as neighbours judge them, the run's own by `own`; and minima with them, but for evaluations of an earlier evaluator.
    fn judged_by(&mut self, own: &[Judgement], of_judged: bool) {
        self.of_judged = of_judged;
        let alone = own.iter().filter(|judgement| judgement.flags.has(Flag::Alone));
        self.judged = Some(alone.flat_map(|judgement| judgement.rows.0..=judgement.rows.1).collect());
    }

    fn end(&self) -> Changes {
        let mean = (self.changes.compared > 0).then(|| {
            let mean_nm = self.sum_nm as f64 / self.changes.compared as f64;
            Length::nanometres(mean_nm.round() as i64)
        });
        Changes { mean_difference: mean, before: findings(&self.before), after: findings(&self.after), ..self.changes.clone() }
    }
}

/// Takes the steps of an evaluation into the tables, inside a transaction; `None` when whoever computes it hung up.
pub(super) fn take(
    connection: &rusqlite::Connection,
    start: &EvaluationStart,
    steps: &Receiver<EvaluationStep>,
) -> rusqlite::Result<Option<EvaluationSummary>> {
    let id: EvaluationId = connection.query_row("SELECT coalesce(max(id), 0) + 1 FROM evaluation", [], |row| row.get(0))?;
    let mut rows = super::row::EvaluatedRows::new(connection, id)?;
    let mut digest = super::digest::EvaluatedDigest::new(connection, start.run, id)?;
    while let Ok(step) = steps.recv() {
        match step {
            EvaluationStep::Readings(readings) => {
                for (measurement, level) in &readings {
                    rows.insert(measurement, *level)?;
                }
                digest.up_to(connection, rows.last())?;
            }
            EvaluationStep::Judgements(judgements) => super::insert::evaluated_judgements(connection, id, &judgements)?,
            EvaluationStep::End(changes) => {
                let digest = digest.end(connection)?;
                return super::insert::evaluation(connection, id, start, *changes, digest).map(Some);
            }
        }
    }
    Ok(None)
}

/// Makes an evaluation again and tells every difference from what is stored.
pub(super) fn check(
    reader: &JobReader,
    stored: &EvaluationSummary,
    comparer: &mut Comparer,
    going: &VerifyProgress<'_>,
    tell: &mut impl FnMut(String),
) -> Result<(), EvaluationError> {
    let run = reader.recorded_run(stored.start.run)?;
    let alarm = reader.contents()?.plan.alarm;
    if reader.digest_of(stored)? != stored.digest {
        tell("its readings are not what was saved".to_owned());
    }
    let mut again = Remaking::new(&run, &stored.start.setup, alarm)?;
    let is_judged = reader.is_judged(stored.id)?;
    let own = reader.judgements_between(run.id, 0, u64::MAX)?;
    if is_judged {
        again.comparison.judged_by(&own, reader.evaluator_of_evaluation(stored.id)? >= JUDGED_FINDINGS_SINCE);
    }
    let tells_coating = reader.tells_coating("evaluated", "evaluation_id", stored.id)?;
    let mut row = 0;
    let to_the_end = remake(reader, run.id, &Setups::one(stored.start.setup.clone()), |made| {
        let made = again.piece(made)?;
        let held = Cursor::of_evaluation(stored.id).alone().starting_at(row).take(reader, made.len())?;
        for (index, one) in made.iter().enumerate() {
            let Remade { stored, made, .. } = one;
            let made = &super::verify::as_told(made.clone(), tells_coating);
            // What it says has changed was said of the readings it has.
            again.comparison.push(stored, held.get(index).unwrap_or(made), one);
            match held.get(index) {
                Some(held) if comparer.agree(held, made) => {}
                Some(held) => tell(format!(
                    "reading {} (seq {}) does not follow from its waveform: {}",
                    row + index as u64,
                    made.seq,
                    super::verify::differences(held, made)
                )),
                None => tell(format!("reading {} is missing", row + index as u64)),
            }
        }
        row += made.len() as u64;
        Ok::<_, EvaluationError>(going.on(made.len() as u64))
    })?;
    if !to_the_end {
        return Ok(());
    }
    if !reader.evaluated(stored.id, row, 1)?.is_empty() {
        tell(format!("it has readings after the run's last one, {row}"));
    }
    if is_judged {
        let made = again.judged();
        let held = reader.evaluated_judgements(stored.id, 0, u64::MAX)?;
        let alike = held.len() == made.len() && held.iter().zip(&made).all(|(a, b)| super::verify::is_alike(a, b));
        if !alike && comparer.is_of_now() {
            tell("what its neighbours make of its readings does not follow from them".to_owned());
        }
        again.comparison.judge(&own, &held);
    }
    if again.comparison.end() != stored.changes {
        tell("what it says has changed does not follow from the readings".to_owned());
    }
    Ok(())
}
