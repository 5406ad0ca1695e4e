//! What an overview of a run needs of the job file: every reading in a few numbers, and whether more will come.

use super::contents::RunId;
use super::error::StoreError;
use super::reader::JobReader;
use super::row;
use backwall_survey::strip::Level;
use backwall_units::Length;
use rusqlite::OptionalExtension;

/// A reading, as far as an overview is concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct Glance {
    pub row: u64,
    pub seq: u32,
    pub along: Option<Length>,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    pub uncertainty: Option<Length>,
    pub level: Level,
}

impl JobReader {
    /// Gives at most `limit` readings of a run from row `from` on; answers how many there were.
    pub fn glance(&self, run: RunId, from: u64, limit: usize, mut each: impl FnMut(Glance)) -> Result<usize, StoreError> {
        let mut read = || {
            let mut statement = self.connection.prepare_cached(
                "SELECT row, seq, position_um, course, thickness_nm, uncertainty_nm, level FROM reading
                 WHERE run_id = ?1 AND row >= ?2 ORDER BY row LIMIT ?3",
            )?;
            let mut rows = statement.query((run, from as i64, limit as i64))?;
            let mut count = 0;
            while let Some(found) = rows.next()? {
                each(Glance {
                    row: found.get::<_, i64>(0)? as u64,
                    seq: found.get(1)?,
                    along: found.get::<_, Option<i64>>(2)?.map(Length::micrometres),
                    course: found.get(3)?,
                    thickness: found.get::<_, Option<i64>>(4)?.map(Length::nanometres),
                    uncertainty: found.get::<_, Option<i64>>(5)?.map(Length::nanometres),
                    level: row::word(found, 6, row::LEVELS, row::stored_level)?,
                });
                count += 1;
            }
            Ok(count)
        };
        let count: rusqlite::Result<usize> = read();
        count.map_err(|error| StoreError::sqlite(&self.path, &error))
    }

    /// Whether a run is still being recorded, or was when the program that recorded it ended.
    pub fn is_open(&self, run: RunId) -> Result<bool, StoreError> {
        let ended = self.connection.prepare_cached("SELECT 1 FROM run_end WHERE run_id = ?1");
        let ended = ended.and_then(|mut ended| ended.query_row([run], |_| Ok(())).optional());
        ended.map(|ended| ended.is_none()).map_err(|error| StoreError::sqlite(&self.path, &error))
    }

    /// The row of a run's last reading.
    pub fn last_row(&self, run: RunId) -> Result<Option<u64>, StoreError> {
        let last = self.connection.prepare_cached("SELECT max(row) FROM reading WHERE run_id = ?1");
        let last = last.and_then(|mut last| last.query_row([run], |found| found.get::<_, Option<i64>>(0)));
        last.map(|row| row.map(|row| row as u64)).map_err(|error| StoreError::sqlite(&self.path, &error))
    }
}
