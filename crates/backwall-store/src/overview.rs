//! What an overview of a run needs of the job file: every reading in a few numbers, and whether more will come.

use super::contents::RunId;
use super::cursor::Stored;
use super::error::StoreError;
use super::reader::JobReader;
use super::row;
use backwall_survey::job::force::Placing;
use backwall_survey::strip::Level;
use backwall_survey::travel::{Across, Place};
use backwall_ultrasound::{Flags, Measurement};
use backwall_units::Length;
use rusqlite::{OptionalExtension, Row};

/// A reading, as far as an overview is concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingSummary {
    pub row: u64,
    pub seq: u32,
    pub along: Option<Length>,
    pub course: Option<u16>,
    /// Sideways off the line.
    pub across: Option<Length>,
    pub thickness: Option<Length>,
    pub uncertainty: Option<Length>,
    pub level: Level,
    pub flags: Flags,
}

impl ReadingSummary {
    /// The thickness, where it counts for a minimum, as of a [`Measurement`].
    pub fn counted(&self) -> Option<Length> {
        Measurement { thickness: self.thickness, ..Measurement::none(self.flags) }.counted()
    }
}

impl Stored for ReadingSummary {
    fn of_run(version: i64) -> String {
        format!(
            "SELECT row, seq, position_um, course, thickness_nm, uncertainty_nm, level, flags, {} FROM reading
             WHERE run_id = ?1 AND row >= ?2 ORDER BY row LIMIT ?3",
            if version >= row::ACROSS_SINCE { "across_um" } else { "NULL" }
        )
    }
    fn of_evaluation(version: i64) -> String {
        format!(
            "SELECT e.row, r.seq, r.position_um, r.course, e.thickness_nm, e.uncertainty_nm, e.level, e.flags, {} FROM evaluation AS v
             JOIN evaluated AS e ON e.evaluation_id = v.id JOIN reading AS r ON r.run_id = v.run_id AND r.row = e.row
             WHERE v.id = ?1 AND e.row >= ?2 ORDER BY e.row LIMIT ?3",
            if version >= row::ACROSS_SINCE { "r.across_um" } else { "NULL" }
        )
    }
    fn read(found: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            row: found.get::<_, i64>(0)? as u64,
            seq: found.get(1)?,
            along: found.get::<_, Option<i64>>(2)?.map(Length::micrometres),
            course: found.get(3)?,
            thickness: found.get::<_, Option<i64>>(4)?.map(Length::nanometres),
            uncertainty: found.get::<_, Option<i64>>(5)?.map(Length::nanometres),
            level: row::word(found, 6, row::LEVELS, row::stored_level)?,
            flags: Flags::from_bits(found.get(7)?),
            across: found.get::<_, Option<i64>>(8)?.map(Length::micrometres),
        })
    }
    fn judge(&mut self, flags: Flags) {
        if self.thickness.is_some() {
            self.flags = self.flags.and(flags);
        }
    }
    fn place(&mut self, placing: &Placing) {
        let across = self.across.map(|at| Across { counts: None, at });
        let place = placing.place(Place { along: self.along, course: self.course, speed: None, across });
        (self.along, self.course, self.across) = (place.along, place.course, place.across.map(|across| across.at));
        if placing.judges_again() {
            let measurement = Measurement { thickness: self.thickness, uncertainty: self.uncertainty, ..Measurement::none(self.flags) };
            let measurement = placing.limits().judged(measurement, place.course);
            (self.thickness, self.uncertainty, self.flags) = (measurement.thickness, measurement.uncertainty, measurement.flags);
            self.level = placing.limits().level(&measurement, place.course);
        }
    }
}

impl JobReader {
    /// Whether a run is still being recorded, or was when the program that recorded it ended.
    pub fn is_open(&self, run: RunId) -> Result<bool, StoreError> {
        let ended = self.connection.prepare_cached("SELECT 1 FROM run_end WHERE run_id = ?1");
        let ended = ended.and_then(|mut ended| ended.query_row([run], |_| Ok(())).optional());
        ended.map(|ended| ended.is_none()).map_err(|error| StoreError::sqlite(&self.path, &error))
    }
}
