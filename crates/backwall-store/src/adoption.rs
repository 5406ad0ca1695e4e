//! Which readings of a run count: its own, or those of an evaluation that was adopted with a name and a reason. Nothing
//! is replaced: both stay in the file, and the newest statement about a run holds. Whoever reads a run without saying
//! otherwise reads what counts; where that is decided is here and nowhere else.

use super::contents::{JobContents, RunId, RunSummary};
use super::error::StoreError;
use super::evaluation::{EvaluationId, EvaluationSummary};
use super::reader::{JobReader, signed};
use super::schema::ADOPTED_SINCE;
use super::writer::Writer;
use backwall_survey::job::checklist::Signed;
use backwall_survey::strip::Spot;
use backwall_ultrasound::Setup;
use rusqlite::OptionalExtension;

/// A statement of which readings of a run count from now on.
#[derive(Debug, Clone, PartialEq)]
pub struct Adoption {
    pub run: RunId,
    /// `None`: the run's own readings.
    pub evaluation: Option<EvaluationId>,
    pub reason: String,
    pub by: Signed,
}

impl JobContents {
    /// The newest statement about a run, where there is one.
    pub fn adoption(&self, run: RunId) -> Option<&Adoption> {
        self.adoptions.iter().rfind(|adoption| adoption.run == run)
    }

    /// The evaluation whose readings count as the run's, with the statement that says so.
    pub fn adopted(&self, run: RunId) -> Option<(&EvaluationSummary, &Adoption)> {
        let adoption = self.adoption(run)?;
        let evaluation = self.evaluations.iter().find(|evaluation| Some(evaluation.id) == adoption.evaluation)?;
        Some((evaluation, adoption))
    }

    /// The set-up that made the reading in a row of a run, as it counts.
    pub fn setup_at<'a>(&'a self, run: &'a RunSummary, row: u64) -> &'a Setup {
        self.adopted(run.id).map_or_else(|| run.setup_at(row), |(evaluation, _)| &evaluation.start.setup)
    }

    /// The set-up that made the readings of a run that count; where it was changed on the way, the one it ended with.
    pub fn setup_of<'a>(&'a self, run: &'a RunSummary) -> &'a Setup {
        self.adopted(run.id).map_or_else(|| run.last_setup(), |(evaluation, _)| &evaluation.start.setup)
    }
}

impl Writer {
    /// Says which readings of a run count. The tables refuse an evaluation of another run, and a statement without a reason.
    pub fn adopt(&self, adoption: Adoption) -> Result<(), StoreError> {
        self.enter(super::queue::JobItem::Adopt(adoption)).map(drop)
    }
}

impl JobReader {
    /// All statements of the job, in the order they were made.
    pub fn adoptions(&self) -> Result<Vec<Adoption>, StoreError> {
        if self.version < ADOPTED_SINCE {
            return Ok(Vec::new());
        }
        self.all("SELECT name, certificate, at_us, run_id, evaluation_id, reason FROM adoption ORDER BY id", [], |row| {
            Ok(Adoption { by: signed(row)?, run: row.get(3)?, evaluation: row.get(4)?, reason: row.get(5)? })
        })
    }

    /// The evaluation whose readings count as the run's; `None` where its own do.
    pub(super) fn in_force(&self, run: RunId) -> Result<Option<EvaluationId>, StoreError> {
        if self.version < ADOPTED_SINCE {
            return Ok(None);
        }
        let sql = "SELECT evaluation_id FROM adoption WHERE run_id = ?1 ORDER BY id DESC LIMIT 1";
        let found = self.connection.prepare_cached(sql).and_then(|mut found| found.query_row([run], |row| row.get(0)).optional());
        Ok(self.said(found)?.flatten())
    }

    /// What a run came to, by the readings that count.
    pub(super) fn as_adopted(&self, mut run: RunSummary) -> Result<RunSummary, StoreError> {
        let Some(id) = self.in_force(run.id)? else { return self.with_minimum(run, None) };
        let Some(evaluation) = self.evaluations()?.into_iter().find(|evaluation| evaluation.id == id) else {
            return Err(StoreError::corrupt(&self.path, format!("run {}: its adopted evaluation {id} is not in the file", run.id)));
        };
        let after = evaluation.changes.after;
        run.no_echo = after.no_echo;
        run.spots = after.thin_spots + after.watch_spots;
        (run.least, run.least_at) = (after.least, after.least_at);
        self.with_minimum(run, Some(id))
    }
}

/// Whether two are one spot: their minimum is the same reading.
pub(super) fn same_spot(a: &Spot, b: &Spot) -> bool {
    a.least_seq == b.least_seq && a.least_at == b.least_at
}
