//! The minimum that a run is said to have, wherever it is said: of its readings that do not stand alone. `run_end` keeps it, under its
//! digest. Earlier programs kept the least of all that was read, and so does an evaluation of an earlier evaluator; where that one stands
//! alone, the next that does not is looked for here, which reads all readings.

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

    /// Whether the reading that is kept as the lowest stands alone. Only those that do are looked at.
    fn is_alone(self, connection: &Connection, kept: Length) -> rusqlite::Result<bool> {
        let [thickness, rows, alone] = self.tables();
        let sql = format!("SELECT EXISTS (SELECT 1 FROM {rows} AND r.row IN ({alone}) AND {thickness} = ?3)");
        let known = params![self.id(), i64::from(Flag::Alone.bit()), kept.as_nanometres()];
        connection.prepare_cached(&sql)?.query_row(known, |row| row.get(0))
    }

    /// The lowest that counts; every reading is read for it.
    fn lowest(self, connection: &Connection) -> rusqlite::Result<Option<Lowest>> {
        let [thickness, rows, alone] = self.tables();
        // With min() alone, SQLite takes the other columns from the row of the minimum.
        let sql = format!("SELECT min({thickness}), r.position_um FROM {rows} AND {thickness} IS NOT NULL AND r.row NOT IN ({alone})");
        connection.prepare_cached(&sql)?.query_row(params![self.id(), i64::from(Flag::Alone.bit())], |row| {
            let Some(nm) = row.get(0)? else { return Ok(None) };
            let at = row.get::<_, Option<i64>>(1)?.map(Length::micrometres);
            Ok(Some(Lowest { thickness: Length::nanometres(nm), at }))
        })
    }
}

/// The minimum of a run and its place as they are counted off its rows: of the readings that do not stand alone, as far as they are judged.
pub(super) fn counted(connection: &Connection, run: RunId) -> rusqlite::Result<Option<(Length, Option<Length>)>> {
    if connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))? >= JUDGED_SINCE {
        return Ok(Of::Run(run).lowest(connection)?.map(|lowest| (lowest.thickness, lowest.at)));
    }
    let sql = "SELECT min(thickness_nm), position_um FROM reading WHERE run_id = ?1 AND thickness_nm IS NOT NULL";
    connection.prepare_cached(sql)?.query_row([run], |row| {
        let at = row.get::<_, Option<i64>>(1)?.map(Length::micrometres);
        Ok(row.get::<_, Option<i64>>(0)?.map(|nm| (Length::nanometres(nm), at)))
    })
}

impl JobReader {
    /// The lowest that counts, where the one that is kept does not; `None` where it does. Found once for what does not change any more.
    fn lowest(&self, of: Of, kept: Option<Length>, is_ended: bool) -> Result<Option<Option<Lowest>>, StoreError> {
        let Some(kept) = kept.filter(|_| self.version >= of.judged_since()) else { return Ok(None) };
        let known = || self.found.lock().unwrap_or_else(PoisonError::into_inner);
        let key = (matches!(of, Of::Evaluation(_)), of.id());
        if let Some(lowest) = known().minima.get(&key) {
            return Ok(*lowest);
        }
        let is_alone = self.said(of.is_alone(&self.connection, kept))?;
        let lowest = if is_alone { Some(self.said(of.lowest(&self.connection))?) } else { None };
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
