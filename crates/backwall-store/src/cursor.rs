//! The one way through the stored readings of a run or of an evaluation: in short pieces, so that a recording's log is
//! never held up, from any row on, and on again later where a run is still being recorded.

use super::contents::RunId;
use super::error::StoreError;
use super::evaluation::EvaluationId;
use super::overview::ReadingSummary;
use super::reader::JobReader;
use super::row;
use backwall_survey::job::force::Placing;
use backwall_survey::neighbours::Judgement;
use backwall_survey::reading::Reading;
use backwall_ultrasound::{Flags, Quality};
use rusqlite::Row;

/// Readings fetched in one short read.
const PIECE: usize = 4096;

/// What can be read of a stored reading: all of it, or what an overview needs.
pub trait Stored: Sized {
    /// The statement for the rows of a run: its parameters are run, first row and how many.
    fn of_run(version: i64) -> String;
    /// The same of an evaluation.
    fn of_evaluation(version: i64) -> String;
    /// Reads a row; its number stands in front.
    fn read(row: &Row<'_>) -> rusqlite::Result<Self>;
    /// Takes over flags that its neighbours give it.
    fn judge(&mut self, _flags: Flags) {}
    /// Takes its place and level as they are in force.
    fn place(&mut self, placing: &Placing);
}

impl Stored for Reading {
    fn of_run(version: i64) -> String {
        format!("SELECT row, {} FROM reading WHERE run_id = ?1 AND row >= ?2 ORDER BY row LIMIT ?3", row::columns(version))
    }
    fn of_evaluation(version: i64) -> String {
        format!(
            "SELECT e.row, {} FROM evaluation AS v JOIN evaluated AS e ON e.evaluation_id = v.id
             JOIN reading AS r ON r.run_id = v.run_id AND r.row = e.row
             WHERE v.id = ?1 AND e.row >= ?2 ORDER BY e.row LIMIT ?3",
            row::evaluated_columns(version)
        )
    }
    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        row::read(row, 1)
    }
    fn judge(&mut self, flags: Flags) {
        let measurement = &mut self.measurement;
        if measurement.thickness.is_some() {
            measurement.flags = measurement.flags.and(flags);
            measurement.quality = measurement.quality.min(Quality::Fair);
        }
    }
    fn place(&mut self, placing: &Placing) {
        placing.reading(self);
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CursorSource {
    /// Whichever of the two others counts; decided at the first reading, so that one way through is of one kind.
    InForce(RunId),
    Run(RunId),
    Evaluation(EvaluationId),
}

impl CursorSource {
    fn words(self) -> String {
        match self {
            Self::InForce(run) | Self::Run(run) => format!("run {run}"),
            Self::Evaluation(evaluation) => format!("evaluation {evaluation}"),
        }
    }
}

/// How far a cursor came in one step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CursorStep {
    pub readings: u64,
    /// No more is there, as yet.
    pub at_end: bool,
}

/// Stands between two stored readings. Row numbers count a run's readings from 0, in the order they came.
#[derive(Debug, Clone)]
pub struct Cursor<T = Reading> {
    source: CursorSource,
    next: u64,
    piece: Vec<(u64, T)>,
    /// Whether readings get the flags that their neighbours give them.
    judged: bool,
    /// Where a run's readings are now, found at the first.
    placing: Option<Placing>,
}

impl Cursor<Reading> {
    /// In front of the first reading of a run that counts: its own, or the adopted evaluation's. Every result reads these.
    pub fn in_force(run: RunId) -> Self {
        Self::before(CursorSource::InForce(run))
    }
    /// In front of the first reading that was measured in a run, whatever was adopted since.
    pub fn measured(run: RunId) -> Self {
        Self::before(CursorSource::Run(run))
    }
    /// In front of the first reading as an evaluation has it, where it was recorded.
    pub fn of_evaluation(evaluation: EvaluationId) -> Self {
        Self::before(CursorSource::Evaluation(evaluation))
    }
    /// The same, where the run is by what is in force.
    pub fn of_evaluation_in_force(reader: &JobReader, evaluation: EvaluationId, run: RunId) -> Result<Self, StoreError> {
        Ok(Self { placing: reader.placing(run)?, ..Self::of_evaluation(evaluation) })
    }
}

impl Cursor<ReadingSummary> {
    /// In front of the first reading of a run that counts, each read in the few numbers an overview needs.
    pub fn glancing(run: RunId) -> Self {
        Self::before(CursorSource::InForce(run))
    }
}

impl<T: Stored> Cursor<T> {
    fn before(source: CursorSource) -> Self {
        Self { source, next: 0, piece: Vec::new(), judged: true, placing: None }
    }

    /// The same from a row on.
    pub fn starting_at(mut self, row: u64) -> Self {
        self.next = row;
        self
    }

    /// The readings alone, without what their neighbours make of them: as they came from their shots.
    pub fn alone(mut self) -> Self {
        self.judged = false;
        self
    }

    /// Hands out the next piece, each reading with its row.
    pub fn step(&mut self, reader: &JobReader, mut each: impl FnMut(u64, T)) -> Result<CursorStep, StoreError> {
        self.fetch(reader, PIECE)?;
        let readings = self.piece.len();
        self.piece.drain(..).for_each(|(row, reading)| each(row, reading));
        Ok(CursorStep { readings: readings as u64, at_end: readings < PIECE })
    }

    /// Hands out everything up to the present end; whether it got there. `go_on` is told after each piece how many
    /// readings it had, and ends the reading by answering `false`.
    pub fn read_on<E: From<StoreError>>(
        &mut self,
        reader: &JobReader,
        mut go_on: impl FnMut(u64) -> bool,
        mut each: impl FnMut(u64, T) -> Result<(), E>,
    ) -> Result<bool, E> {
        loop {
            self.fetch(reader, PIECE)?;
            let readings = self.piece.len();
            self.piece.drain(..).try_for_each(|(row, reading)| each(row, reading))?;
            if !go_on(readings as u64) {
                return Ok(false);
            }
            if readings < PIECE {
                return Ok(true);
            }
        }
    }

    /// At most `most` readings, without their rows.
    pub(super) fn take(mut self, reader: &JobReader, most: usize) -> Result<Vec<T>, StoreError> {
        self.fetch(reader, most)?;
        Ok(self.piece.into_iter().map(|(_, reading)| reading).collect())
    }

    /// At most `most` readings, each with its row.
    pub(super) fn take_rows(mut self, reader: &JobReader, most: usize) -> Result<Vec<(u64, T)>, StoreError> {
        self.fetch(reader, most)?;
        Ok(self.piece)
    }

    /// Nothing is handed out while the file is being read: whoever takes a reading may take its time.
    fn fetch(&mut self, reader: &JobReader, most: usize) -> Result<(), StoreError> {
        self.piece.clear();
        if let CursorSource::InForce(run) = self.source {
            self.source = reader.in_force(run)?.map_or(CursorSource::Run(run), CursorSource::Evaluation);
            self.placing = reader.placing(run)?;
        }
        let (sql, id) = match self.source {
            CursorSource::Run(run) | CursorSource::InForce(run) => (T::of_run(reader.version), run),
            CursorSource::Evaluation(evaluation) => (T::of_evaluation(reader.version), evaluation),
        };
        let mut read = || {
            let mut statement = reader.connection.prepare_cached(&sql)?;
            let mut rows = statement.query((id, self.next as i64, i64::try_from(most).unwrap_or(i64::MAX)))?;
            while let Some(found) = rows.next()? {
                self.piece.push((found.get::<_, i64>(0)? as u64, T::read(found)?));
            }
            Ok(())
        };
        reader.said(read())?;
        // A damaged file may give rows again that were handed out: going on behind the last of them would never end.
        let mut due = self.next;
        for (row, _) in &self.piece {
            if *row < due {
                let what = format!("reading {row} of {} does not stand in the order of its rows", self.source.words());
                return Err(StoreError::corrupt(reader.path(), what));
            }
            due = row.saturating_add(1);
        }
        if let (true, Some((first, _)), Some((last, _))) = (self.judged, self.piece.first(), self.piece.last()) {
            let judgements = match self.source {
                CursorSource::Run(run) | CursorSource::InForce(run) => reader.judgements_between(run, *first, *last)?,
                CursorSource::Evaluation(evaluation) => reader.evaluated_judgements(evaluation, *first, *last)?,
            };
            for Judgement { rows, flags, .. } in judgements {
                let from = self.piece.partition_point(|(row, _)| *row < rows.0);
                self.piece[from..].iter_mut().take_while(|(row, _)| *row <= rows.1).for_each(|(_, reading)| reading.judge(flags));
            }
        }
        if let Some(placing) = &self.placing {
            self.piece.iter_mut().for_each(|(_, reading)| reading.place(placing));
        }
        self.next = due;
        Ok(())
    }
}
