//! The minimum that a run is said to have, wherever it is said: of its readings that do not stand alone. What `run_end` keeps, under
//! its digest, is the least of all that was read, and so does an evaluation of an earlier evaluator; where that one stands alone, the next
//! that does not is looked for here.

use super::contents::{RunId, RunState, RunSummary};
use super::error::StoreError;
use super::evaluation::EvaluationId;
use super::reader::JobReader;
use super::schema::{JUDGED_SINCE, STATED_SINCE};
use backwall_ultrasound::Flag;
use backwall_units::Length;
use rusqlite::{Connection, params};
use std::sync::PoisonError;

/// A reading that counts, and where it was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lowest {
    thickness: Length,
    at: Option<Length>,
}

/// Whose readings.
#[derive(Debug, Clone, Copy)]
enum Of {
    Run(RunId),
    Evaluation(EvaluationId),
}

impl Of {
    fn id(self) -> i64 {
        match self {
            Self::Run(id) | Self::Evaluation(id) => id,
        }
    }

    fn judged_since(self) -> i64 {
        match self {
            Self::Run(_) => JUDGED_SINCE,
            Self::Evaluation(_) => STATED_SINCE,
        }
    }

    /// The thickness, the rows it stands in, and those that stand alone; each of these was judged by itself.
    fn tables(self) -> [&'static str; 3] {
        match self {
            Self::Run(_) => {
                ["r.thickness_nm", "reading AS r WHERE r.run_id = ?1", "SELECT first_row FROM judgement WHERE run_id = ?1 AND flags & ?2"]
            }
            Self::Evaluation(_) => [
                "e.thickness_nm",
                "evaluation AS v JOIN evaluated AS e ON e.evaluation_id = v.id JOIN reading AS r ON r.run_id = v.run_id AND r.row = e.row
                 WHERE v.id = ?1",
                "SELECT first_row FROM evaluated_judgement WHERE evaluation_id = ?1 AND flags & ?2",
            ],
        }
    }

    /// The lowest that counts, where the least of all does not; `None` where it does.
    fn lowest(self, connection: &Connection, as_read: Length) -> rusqlite::Result<Option<Option<Lowest>>> {
        let [thickness, rows, alone] = self.tables();
        let (id, flag) = (self.id(), i64::from(Flag::Alone.bit()));
        let sql = format!("SELECT EXISTS (SELECT 1 FROM {rows} AND {thickness} <= ?3 AND r.row IN ({alone}))");
        if !connection.prepare_cached(&sql)?.query_row(params![id, flag, as_read.as_nanometres()], |row| row.get(0))? {
            return Ok(None);
        }
        // With min() alone, SQLite takes the other columns from the row of the minimum.
        let sql = format!("SELECT min({thickness}), r.position_um FROM {rows} AND {thickness} IS NOT NULL AND r.row NOT IN ({alone})");
        let found = connection.prepare_cached(&sql)?.query_row(params![id, flag], |row| {
            let Some(nm) = row.get(0)? else { return Ok(None) };
            let at = row.get::<_, Option<i64>>(1)?.map(Length::micrometres);
            Ok(Some(Lowest { thickness: Length::nanometres(nm), at }))
        })?;
        Ok(Some(found))
    }
}

/// A run that has just ended, as it is said.
pub(super) fn of_ended(connection: &Connection, mut run: RunSummary) -> rusqlite::Result<RunSummary> {
    if let Some(as_read) = run.least
        && let Some(lowest) = Of::Run(run.id).lowest(connection, as_read)?
    {
        (run.least, run.least_at) = (lowest.map(|lowest| lowest.thickness), lowest.and_then(|lowest| lowest.at));
    }
    Ok(run)
}

impl JobReader {
    /// Found once for what does not change any more, since every reading may be read for it.
    fn lowest(&self, of: Of, as_read: Option<Length>, is_ended: bool) -> Result<Option<Option<Lowest>>, StoreError> {
        let Some(as_read) = as_read.filter(|_| self.version >= of.judged_since()) else { return Ok(None) };
        let known = || self.found.lock().unwrap_or_else(PoisonError::into_inner);
        let key = (matches!(of, Of::Evaluation(_)), of.id());
        if let Some(lowest) = known().minima.get(&key) {
            return Ok(*lowest);
        }
        let lowest = self.said(of.lowest(&self.connection, as_read))?;
        if is_ended {
            known().minima.insert(key, lowest);
        }
        Ok(lowest)
    }

    /// A run with the minimum that it is said to have, by its own readings or those of the evaluation that counts.
    pub(super) fn with_minimum(&self, mut run: RunSummary, adopted: Option<EvaluationId>) -> Result<RunSummary, StoreError> {
        let of = adopted.map_or(Of::Run(run.id), Of::Evaluation);
        if let Some(lowest) = self.lowest(of, run.least, run.state != RunState::Open)? {
            (run.least, run.least_at) = (lowest.map(|lowest| lowest.thickness), lowest.and_then(|lowest| lowest.at));
        }
        Ok(run)
    }
}
