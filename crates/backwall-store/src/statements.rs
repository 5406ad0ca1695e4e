//! What was said about the job, kept in the order it was said, and a run as it stands by what is in force: whether it counts,
//! on which line, where its readings are and what is required there.

use super::adoption::same_spot;
use super::contents::{JobContents, RunId, RunState, RunSummary, Swapped};
use super::cursor::Cursor;
use super::error::StoreError;
use super::queue::JobItem;
use super::reader::{JobReader, signed};
use super::schema::STATED_SINCE;
use super::summary;
use super::writer::Writer;
use backwall_survey::job::checklist::Signed;
use backwall_survey::job::force::{Counts, Entered, InForce, Placing, Recorded, Refused, in_force};
use backwall_survey::job::hand::HandProof;
use backwall_survey::job::noted::{Noted, Where};
use backwall_survey::job::{Plan, Said, Statement};
use backwall_survey::strip::{Section, Spot, SpotId};
use backwall_units::Length;
use rusqlite::OptionalExtension;
use rusqlite::types::Type;
use std::collections::BTreeSet;
use std::sync::PoisonError;

impl Writer {
    /// Keeps a statement; answers its number. Whether it makes sense is for [`InForce::check`] to say, before.
    pub fn state(&self, statement: Statement) -> Result<i64, StoreError> {
        self.enter(JobItem::State(Box::new(statement)))
    }
}

impl JobReader {
    /// All statements of the job, in the order they were made.
    pub fn statements(&self) -> Result<Vec<Statement>, StoreError> {
        if self.version < STATED_SINCE {
            return Ok(Vec::new());
        }
        self.all("SELECT name, certificate, at_us, id, kind, body, reason FROM statement ORDER BY id", [], |row| {
            let (kind, body): (String, String) = (row.get(4)?, row.get(5)?);
            let said =
                Said::read(&kind, &body).map_err(|error| rusqlite::Error::FromSqlConversionFailure(5, Type::Text, Box::new(error)))?;
            Ok(Statement { by: signed(row)?, id: row.get(3)?, said, reason: row.get(6)? })
        })
    }

    /// The plan the job was made with, and as its file had it.
    pub(super) fn first_plan(&self) -> Result<(Plan, String), StoreError> {
        let text: String = self.said(self.connection.query_row("SELECT plan_toml FROM job", [], |row| row.get(0)))?;
        // Read by its schema alone: a rule added later must not lock a job out that was good when it was made.
        let plan = toml::from_str(&text).map_err(|error| StoreError::corrupt(&self.path, error))?;
        Ok((plan, text))
    }

    /// The changes of the kit that stand.
    pub(super) fn swaps(&self, statements: &[Statement], force: &InForce) -> Result<Vec<Swapped>, StoreError> {
        const BEFORE: &str =
            "SELECT coalesce(max(item_id) FILTER (WHERE item = 'setup'), 0), coalesce(max(item_id) FILTER (WHERE item = 'run'), 0),
             count(*) FILTER (WHERE item = 'block_check')
             FROM ledger WHERE id < (SELECT id FROM ledger WHERE item = 'statement' AND item_id = ?1)";
        let mut swaps = Vec::new();
        for statement in statements.iter().filter(|statement| force.stands(statement.id)) {
            let Said::Swap(swap) = &statement.said else { continue };
            swaps.push(self.said(self.connection.query_row(BEFORE, [statement.id], |row| {
                Ok(Swapped { swap: swap.clone(), last_setup: row.get(0)?, last_run: row.get(1)?, checks: row.get::<_, i64>(2)? as usize })
            }))?);
        }
        Ok(swaps)
    }

    /// What is in force, over all runs of the file.
    pub fn force(&self) -> Result<InForce, StoreError> {
        let runs = self.said(summary::starts(&self.connection))?;
        Ok(in_force(&self.first_plan()?.0, &runs, &self.statements()?))
    }

    /// How a run's readings are placed and judged now; nothing where they are as they were recorded.
    pub(super) fn placing(&self, run: RunId) -> Result<Option<Placing>, StoreError> {
        if !self.says_anything()? {
            return Ok(None);
        }
        self.placing_by(&self.force()?, run)
    }

    /// The same by what is known to be in force.
    pub(super) fn placing_by(&self, force: &InForce, run: RunId) -> Result<Option<Placing>, StoreError> {
        let Some(standing) = force.runs.get(&run) else { return Ok(None) };
        let start = self.start_of(run)?;
        Ok(Placing::of(force, standing, &start.path, &start.limits))
    }

    /// Spots that were acknowledged after a run had ended, by the numbers of their minimum shots.
    pub(super) fn acknowledged_since(&self, run: RunId) -> Result<BTreeSet<u32>, StoreError> {
        if !self.says_anything()? {
            return Ok(BTreeSet::new());
        }
        Ok(self.force()?.runs.remove(&run).map(|standing| standing.acknowledged).unwrap_or_default())
    }

    /// Whether there is any statement at all; most jobs have none, and then nothing more is looked up.
    fn says_anything(&self) -> Result<bool, StoreError> {
        if self.version < STATED_SINCE {
            return Ok(false);
        }
        let found = self.connection.prepare_cached("SELECT EXISTS (SELECT 1 FROM statement)");
        self.said(found.and_then(|mut found| found.query_row([], |row| row.get(0))))
    }

    /// Notes and marks put to a run, or to its line, afterwards.
    pub(super) fn noted(&self, run: RunId) -> Result<Vec<Entered<Noted>>, StoreError> {
        if !self.says_anything()? {
            return Ok(Vec::new());
        }
        let mut force = self.force()?;
        let line = force.runs.remove(&run).map(|standing| standing.line);
        let of_run = |at: &Where| at.run.map_or_else(|| at.line.is_some() && at.line == line, |of| of == run);
        force.notes.retain(|entered| of_run(&entered.what.at));
        Ok(force.notes)
    }

    /// A run as it is in force: its line, path and limits, and what it came to by the readings that count.
    pub(super) fn as_in_force(&self, run: RunSummary, force: &InForce) -> Result<RunSummary, StoreError> {
        let id = run.id;
        let mut run = self.as_adopted(run)?;
        let Some(standing) = force.runs.get(&id) else { return Ok(run) };
        run.start.line.clone_from(&standing.line);
        let Some(placing) = Placing::of(force, standing, &run.start.path, &run.start.limits) else { return Ok(run) };
        run.start.path = placing.path().clone();
        run.start.limits = placing.limits().clone();
        run.least_at = run.least_at.map(|along| placing.along(along));
        if let Some((from, to)) = run.from.zip(run.to) {
            (run.from, run.to) = Some(placing.edges(from, to)).unzip();
        }
        if placing.judges_again() && run.state != RunState::Open {
            run.spots = self.spots_in_force(id, force, &placing)?;
        }
        Ok(run)
    }

    /// How many spots a run has by what is in force; found once for all that was said until now, since every reading is read for it.
    fn spots_in_force(&self, run: RunId, force: &InForce, placing: &Placing) -> Result<u64, StoreError> {
        let adopted = self.in_force(run)?;
        let said = (run, force.newest, adopted);
        let known = || self.found.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = known().spots.get(&said) {
            return Ok(*count);
        }
        let count = self.cut(run, Some(placing))?.len() as u64;
        known().spots.insert(said, count);
        Ok(count)
    }

    /// The spots of a run by the readings that count, where they are now.
    pub fn spots(&self, run: RunId) -> Result<Vec<Spot>, StoreError> {
        let (placing, adopted) = (self.placing(run)?, self.in_force(run)?);
        let judges = placing.as_ref().is_some_and(Placing::judges_again);
        if judges || adopted.is_some() {
            return self.cut(run, placing.as_ref());
        }
        let mut spots = self.measured_spots(run)?;
        if let Some(placing) = placing {
            spots.iter_mut().for_each(|spot| placing.spot(spot));
        }
        Ok(spots)
    }

    /// Which spot is to be proven, as it is now, and where its minimum lies.
    pub fn proof(&self, run: RunId, spot: SpotId, confirmed: bool) -> Result<Result<(HandProof, Option<Length>), Refused>, StoreError> {
        let runs = self.force()?.runs;
        let listed = |known: Vec<String>| if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        if !runs.contains_key(&run) {
            return Ok(Err(Refused::NoRun { run, known: listed(runs.keys().map(ToString::to_string).collect()) }));
        }
        let spots = self.spots(run)?;
        Ok(match spots.iter().find(|known| known.id == spot) {
            Some(found) => Ok((HandProof::of(run, found, confirmed), found.least_at)),
            None => Err(Refused::NoSpot { run, spot, known: listed(spots.iter().map(|spot| spot.id.to_string()).collect()) }),
        })
    }

    /// The spots of the readings that count, found again by the plan's alarm settings and judged by their neighbours. Of those that
    /// are the run's own as well it is known whether they were acknowledged.
    fn cut(&self, run: RunId, placing: Option<&Placing>) -> Result<Vec<Spot>, StoreError> {
        let mut section = Section::new(self.force()?.plan.alarm);
        let limits = placing.map_or_else(|| self.start_of(run).map(|start| start.limits), |placing| Ok(placing.limits().clone()))?;
        Cursor::in_force(run).read_on(
            self,
            |_| true,
            |_, reading| {
                section.push(&reading, &limits);
                Ok::<(), StoreError>(())
            },
        )?;
        section.judge(&self.judgements(run)?);
        let mut own = self.measured_spots(run)?;
        if let Some(placing) = placing {
            own.iter_mut().for_each(|spot| placing.spot(spot));
        }
        let mut spots = section.spots.spots().to_vec();
        for spot in &mut spots {
            spot.acknowledged = own.iter().find(|own| same_spot(own, spot)).is_some_and(|same| same.acknowledged);
        }
        Ok(spots)
    }

    /// The runs that count, each by the readings that count; nothing of a run that was voided or replaced.
    pub fn runs(&self) -> Result<Vec<RunSummary>, StoreError> {
        self.runs_by(&self.force()?).map(|(counted, _)| counted)
    }

    /// The runs that count, and those that do not, each as it would.
    pub(super) fn runs_by(&self, force: &InForce) -> Result<(Vec<RunSummary>, Vec<RunSummary>), StoreError> {
        let runs: Result<Vec<_>, _> = self.recorded_runs()?.into_iter().map(|run| self.as_in_force(run, force)).collect();
        Ok(runs?.into_iter().partition(|run| force.counts(run.id)))
    }

    /// The last place of a run that was saved.
    pub fn last_place(&self, run: RunId) -> Result<Option<Length>, StoreError> {
        let sql = "SELECT position_um FROM reading WHERE run_id = ?1 AND position_um IS NOT NULL ORDER BY row DESC LIMIT 1";
        let found = self.connection.prepare_cached(sql).and_then(|mut found| found.query_row([run], |row| row.get(0)).optional());
        let recorded = self.said(found)?.map(Length::micrometres);
        Ok(recorded.zip(self.placing(run)?).map(|(along, placing)| placing.along(along)).or(recorded))
    }

    /// A run as it is in force, whether it counts or not.
    pub fn run(&self, run: RunId) -> Result<RunSummary, StoreError> {
        self.as_in_force(self.recorded_run(run)?, &self.force()?)
    }
}

impl JobContents {
    /// A statement ready to be kept, if it makes sense now.
    pub fn statement(&self, said: Said, reason: &str, by: Signed) -> Result<Statement, Refused> {
        let statement = Statement { id: 0, said, reason: reason.trim().to_owned(), by };
        let recorded: Vec<Recorded> = self.runs.iter().chain(&self.set_aside).map(recorded).collect();
        self.force.check(&statement, &recorded, &self.statements)?;
        Ok(statement)
    }

    /// A run, whether it counts or not.
    pub fn any_run(&self, run: RunId) -> Option<&RunSummary> {
        self.runs.iter().chain(&self.set_aside).find(|known| known.id == run)
    }

    /// Whether a run counts, and if not by which statement: `counts`, `does not count: voided by A. Field, wrong line`.
    pub fn counts_in_words(&self, run: RunId) -> String {
        let said = |id: i64| {
            let found = self.statements.iter().find(|statement| statement.id == id);
            found.map_or_else(String::new, |statement| format!(" by {}, {}", statement.by.name, statement.reason))
        };
        match self.force.runs.get(&run).map(|standing| standing.counts) {
            Some(Counts::Counted) => "counts".to_owned(),
            Some(Counts::Voided { by }) => format!("does not count: voided{}", said(by)),
            Some(Counts::Replaced { with, by }) => format!("does not count: replaced by run {with},{}", said(by)),
            None => "is not in the job".to_owned(),
        }
    }
}

fn recorded(run: &RunSummary) -> Recorded {
    Recorded { run: run.id, line: run.start.line.clone(), is_open: run.state == RunState::Open }
}
