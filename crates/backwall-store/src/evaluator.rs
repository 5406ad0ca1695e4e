//! Which evaluator made the readings of a run or of an evaluation, and when those that this one makes are the same. A
//! better evaluator moves a thickness by less than matters; that is told, and is no damage.

use super::error::StoreError;
use super::reader::JobReader;
use backwall_survey::reading::Reading;
use backwall_ultrasound::{EVALUATOR_VERSION, Measurement, THICKNESS_TOLERANCE, TIME_TOLERANCE};
use backwall_units::Length;
use rusqlite::OptionalExtension;
use serde::Serialize;

/// The version of the file that began to keep the evaluator's number. Readings of older files are of the first.
pub(super) const KEPT_SINCE: i64 = 4;
const FIRST: u32 = 1;

/// What another evaluator moved, all within the tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Moved {
    /// Readings that are not the same to the last digit.
    pub readings: u64,
    /// By how much a thickness moved, at the most.
    pub largest_nm: i64,
    /// Readings that come to lie at another level by it.
    pub levels: u64,
}

impl Moved {
    /// Takes up a reading that moved.
    fn add(&mut self, stored: &Reading, made: &Reading) {
        self.readings += 1;
        self.levels += u64::from(stored.level != made.level);
        let by = stored.measurement.thickness.zip(made.measurement.thickness).map_or(Length::ZERO, |(before, now)| (now - before).abs());
        self.largest_nm = self.largest_nm.max(by.as_nanometres());
    }
}

/// Compares stored readings with those made again.
pub(super) struct Comparer {
    evaluator: u32,
    pub moved: Moved,
}

impl Comparer {
    /// For readings that `evaluator` made.
    pub fn new(evaluator: u32) -> Self {
        Self { evaluator, moved: Moved::default() }
    }

    /// Whether the readings are of the present evaluator, so that all that follows from them can be made again.
    pub fn is_of_now(&self) -> bool {
        self.evaluator == EVALUATOR_VERSION
    }

    /// Whether a stored reading is what is made again; that of another evaluator may differ within the tolerance.
    pub fn agree(&mut self, stored: &Reading, made: &Reading) -> bool {
        if stored == made {
            return true;
        }
        let within = self.evaluator != EVALUATOR_VERSION && is_within(stored, made);
        if within {
            self.moved.add(stored, made);
        }
        within
    }
}

/// Everything that no evaluator decides is the same, and so is whether there is an echo.
fn is_within(stored: &Reading, made: &Reading) -> bool {
    fn near<T: Copy>(a: Option<T>, b: Option<T>, off: impl Fn(T, T) -> bool) -> bool {
        match (a, b) {
            (Some(a), Some(b)) => off(a, b),
            (a, b) => a.is_none() && b.is_none(),
        }
    }
    let measured =
        |reading: &Reading| Reading { measurement: made.measurement, level: made.level, level_shown: made.level_shown, ..reading.clone() };
    let (s, m): (&Measurement, &Measurement) = (&stored.measurement, &made.measurement);
    measured(stored) == *made
        && near(s.thickness, m.thickness, |a, b| (a - b).abs() <= THICKNESS_TOLERANCE)
        && near(s.echo_time, m.echo_time, |a, b| (a - b).as_ns().abs() <= TIME_TOLERANCE.as_ns())
}

impl JobReader {
    /// The number of the evaluator that made a run's readings.
    pub fn evaluator_of_run(&self, run: super::RunId) -> Result<u32, StoreError> {
        self.evaluator("SELECT evaluator FROM run WHERE id = ?1", run)
    }

    /// The number of the evaluator that made an evaluation's readings.
    pub fn evaluator_of_evaluation(&self, evaluation: super::EvaluationId) -> Result<u32, StoreError> {
        self.evaluator("SELECT evaluator FROM evaluation WHERE id = ?1", evaluation)
    }

    fn evaluator(&self, sql: &str, id: i64) -> Result<u32, StoreError> {
        if self.version < KEPT_SINCE {
            return Ok(FIRST);
        }
        let found = self.connection.query_row(sql, [id], |row| row.get::<_, Option<u32>>(0)).optional();
        Ok(self.said(found)?.flatten().unwrap_or(FIRST))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_survey::strip::Level;
    use backwall_survey::travel::Place;
    use backwall_ultrasound::{Flag, Flags};
    use backwall_units::{Decibel, Temperature};

    fn reading(nanometres: Option<i64>) -> Reading {
        let mut measurement = Measurement::none(Flags::NONE);
        measurement.thickness = nanometres.map(Length::nanometres);
        Reading {
            seq: 3,
            device_time_us: None,
            host_time_us: 5,
            encoder: Some(7),
            place: Place { along: Some(Length::mm(1.0)), course: Some(1), speed: None, across: None },
            gain: Decibel::ZERO,
            wall_temperature: Temperature::celsius(20.0),
            measurement,
            level: Level::Clear,
            level_shown: Level::Clear,
        }
    }

    #[test]
    fn another_evaluator_may_move_a_thickness_a_little_and_the_same_one_not_at_all() {
        let (stored, other) = (reading(Some(9_000_000)), EVALUATOR_VERSION + 1);
        let near = Reading { level: Level::Watch, ..reading(Some(9_000_015)) };
        assert!(!Comparer::new(EVALUATOR_VERSION).agree(&stored, &near));
        let mut comparer = Comparer::new(other);
        assert!(comparer.agree(&stored, &stored) && comparer.moved == Moved::default());
        assert!(comparer.agree(&stored, &near));
        assert_eq!(comparer.moved, Moved { readings: 1, largest_nm: 15, levels: 1 });
        for far in [
            reading(Some(9_000_021)),
            reading(None),
            Reading { seq: 4, ..near.clone() },
            Reading { place: Place { along: None, ..near.place }, ..near.clone() },
            Reading { gain: Decibel::db(0.01), ..near.clone() },
        ] {
            assert!(!comparer.agree(&stored, &far), "{far:?}");
        }
        let mut flagged = stored.clone();
        flagged.measurement.flags = Flags::of(Flag::Saturated);
        assert!(comparer.agree(&stored, &flagged), "how it words its doubt is the evaluator's own");
    }
}
