//! Tries a job file: does it still hold what was saved, and does every reading follow from its waveform? Whatever is
//! wrong is told with its place; damage in one run does not hide another.

use super::contents::{EventKind, RunId, RunState, RunSummary};
use super::digest::{self, Digest, hex};
use super::error::StoreError;
use super::evaluator::{Comparer, Moved};
use super::reader::JobReader;
use super::remake::{MeasuredAgain, Setups, placed, remake};
use super::schema::{self, CHANGED_SINCE, JUDGED_SINCE};
use super::summary::END_COLUMNS;
use backwall_survey::job::Plan;
use backwall_survey::neighbours::{Judgement, Neighbour, Neighbours};
use backwall_survey::reading::{Reading, ReadingMaker};
use backwall_survey::travel::Odometer;
use backwall_ultrasound::{EVALUATOR_VERSION, Sight};
use backwall_units::{Decibel, Length};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Transaction};
use serde::Serialize;
use std::cell::{Cell, RefCell};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// More differences than this in one run are counted, not told one by one.
const TOLD: u64 = 20;
/// A run of fewer readings is tried in less time than another connection takes to read the schema.
const SHORT: u64 = 1000;
/// How often the digests, tried beside, are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(1);

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FileVerdict {
    pub runs: Vec<RunVerdict>,
    pub evaluations: Vec<EvaluationVerdict>,
    /// Empty when the file is whole.
    pub problems: Vec<FileProblem>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FileProblem {
    pub run: Option<RunId>,
    pub what: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RunVerdict {
    pub run: RunId,
    pub line: String,
    pub state: RunState,
    pub readings: u64,
    /// Readings made again from their waveforms.
    pub remade: u64,
    /// Readings whose waveform is not in the file: their place and level alone were made again.
    pub without_waveform: u64,
    /// As it is in the file; compare it with the one noted when the run was closed.
    pub digest: Option<String>,
    /// The number of the evaluator that made the readings.
    pub evaluator: u32,
    /// Where that is another than the present one: what it moved within the tolerance.
    pub moved: Moved,
    pub problems: u64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct EvaluationVerdict {
    pub evaluation: i64,
    pub run: RunId,
    /// Readings made again with the evaluation's set-up.
    pub readings: u64,
    pub digest: String,
    pub evaluator: u32,
    pub moved: Moved,
    pub problems: u64,
}

/// How far the trying is, and whether it was told to stop.
pub(super) struct VerifyProgress<'a> {
    tick: RefCell<&'a mut dyn FnMut(u64, u64) -> bool>,
    done: Cell<u64>,
    of: u64,
    stopped: Cell<bool>,
}

impl<'a> VerifyProgress<'a> {
    fn new(tick: &'a mut dyn FnMut(u64, u64) -> bool, of: u64) -> Self {
        Self { tick: RefCell::new(tick), done: Cell::new(0), of, stopped: Cell::new(false) }
    }
    /// So many more readings are tried; whether to go on.
    pub fn on(&self, readings: u64) -> bool {
        self.done.set(self.done.get() + readings);
        let told = self.stopped.get() || !(self.tick.borrow_mut())(self.done.get().min(self.of), self.of);
        self.stopped.set(told);
        !told
    }
}

#[derive(Default)]
struct VerifyFindings {
    run: Option<RunId>,
    count: u64,
    problems: Vec<FileProblem>,
}

impl VerifyFindings {
    fn add(&mut self, what: impl Into<String>) {
        self.count += 1;
        if self.count <= TOLD {
            self.problems.push(FileProblem { run: self.run, what: what.into() });
        }
    }
    /// An error while looking is a finding.
    fn look(&mut self, done: Result<(), StoreError>) {
        if let Err(error) = done {
            self.add(error.to_string());
        }
    }
    fn ask(&mut self, done: rusqlite::Result<()>, what: &str) {
        if let Err(error) = done {
            self.add(format!("{what} cannot be read: {error}"));
        }
    }
    /// Behind these, what was found beside.
    fn join(&mut self, others: Self) {
        let told = TOLD.saturating_sub(self.count) as usize;
        self.problems.extend(others.problems.into_iter().take(told));
        self.count += others.count;
    }
    fn end(&mut self) {
        if self.count > TOLD {
            self.problems.push(FileProblem { run: self.run, what: format!("and {} more like these", self.count - TOLD) });
        }
        self.count = 0;
    }
}

impl RunVerdict {
    /// Before anything of the run was tried.
    fn of(summary: &RunSummary) -> Self {
        Self {
            run: summary.id,
            line: summary.start.line.clone(),
            state: summary.state,
            readings: summary.readings,
            remade: 0,
            without_waveform: 0,
            digest: summary.digest.clone(),
            evaluator: EVALUATOR_VERSION,
            moved: Moved::default(),
            problems: 0,
        }
    }
}

impl JobReader {
    /// Checks everything. An error means that the file could not be tried at all.
    pub fn verify(&self) -> Result<FileVerdict, StoreError> {
        self.check(true, &mut |_, _| true)
    }

    /// The same; `go_on` is told how many readings are tried and of how many, and ends the work by answering `false`.
    pub fn verify_telling(&self, go_on: &mut dyn FnMut(u64, u64) -> bool) -> Result<FileVerdict, StoreError> {
        self.check(true, go_on)
    }

    /// Checks that everything is as it was saved, but makes no reading again.
    pub fn verify_digests(&self) -> Result<FileVerdict, StoreError> {
        self.check(false, &mut |_, _| true)
    }

    fn check(&self, remake: bool, tick: &mut dyn FnMut(u64, u64) -> bool) -> Result<FileVerdict, StoreError> {
        let going = VerifyProgress::new(tick, self.to_try(remake));
        let mut findings = VerifyFindings::default();
        let version = schema::check(&self.connection, &self.path)?;
        let _as_of_now = as_of_now(&self.connection).map_err(|error| StoreError::sqlite(&self.path, &error))?;
        let done = structure(&self.connection, version, &mut findings);
        findings.ask(done, "the file's structure");
        let done = ledger(&self.connection, version, &mut findings);
        findings.ask(done, "the ledger");
        if version >= 2 {
            let done = plan(&self.connection, &mut findings);
            findings.ask(done, "the plan");
        }
        findings.end();
        let ids: Result<Vec<RunId>, _> =
            self.connection.prepare("SELECT id FROM run ORDER BY id").and_then(|mut ids| ids.query_map([], |row| row.get(0))?.collect());
        let mut runs = Vec::new();
        for run in ids.map_err(|error| StoreError::sqlite(&self.path, &error))? {
            findings.run = Some(run);
            let mut remade = VerifyFindings { run: Some(run), ..VerifyFindings::default() };
            let summary = self.recorded_run(run);
            let mut verdict = summary.as_ref().ok().map(RunVerdict::of);
            let is_short = summary.as_ref().is_ok_and(|summary| summary.readings < SHORT);
            self.with_chain((run, is_short), &mut findings, &going, |reader| {
                if let (Ok(summary), Some(verdict), true) = (&summary, &mut verdict, remake) {
                    let done = reader.remake(summary, verdict, &mut remade, &going);
                    remade.look(done);
                }
            });
            if let Err(error) = summary {
                findings.add(error.to_string());
            }
            findings.join(remade);
            if let Some(mut verdict) = verdict {
                verdict.problems = findings.count;
                runs.push(verdict);
            }
            findings.end();
        }
        let evaluations = self.verify_evaluations(&mut findings, &going);
        if going.stopped.get() {
            return Err(StoreError::NotAllTried { path: self.path.clone() });
        }
        Ok(FileVerdict { runs, evaluations, problems: findings.problems })
    }

    /// Readings there are to try: each for its digest, and again where it is made anew; those of evaluations once. What
    /// cannot be counted is told when it is tried.
    fn to_try(&self, remake: bool) -> u64 {
        let of_runs: u64 = self.recorded_runs().unwrap_or_default().iter().map(|run| run.readings).sum();
        let of_evaluations: u64 = self.evaluations().unwrap_or_default().iter().map(|evaluation| evaluation.changes.readings).sum();
        of_runs * (1 + u64::from(remake)) + of_evaluations
    }

    fn verify_evaluations(&self, findings: &mut VerifyFindings, going: &VerifyProgress<'_>) -> Vec<EvaluationVerdict> {
        findings.run = None;
        let stored = match self.evaluations() {
            Ok(stored) => stored,
            Err(error) => {
                findings.add(format!("the evaluations cannot be read: {error}"));
                Vec::new()
            }
        };
        let verdicts = stored.iter().map(|stored| {
            let id = stored.id;
            findings.run = Some(stored.start.run);
            let evaluator = self.evaluator_of_evaluation(id).unwrap_or(EVALUATOR_VERSION);
            let mut comparer = Comparer::new(evaluator);
            let mut tell = |what| findings.add(format!("evaluation {id}: {what}"));
            let done = super::evaluation::check(self, stored, &mut comparer, going, &mut tell);
            if let Err(error) = done {
                findings.add(format!("evaluation {id}: {error}"));
            }
            let problems = findings.count;
            findings.end();
            let (run, readings, moved) = (stored.start.run, stored.changes.readings, comparer.moved);
            EvaluationVerdict { evaluation: id, run, readings, digest: stored.digest.clone(), evaluator, moved, problems }
        });
        verdicts.collect()
    }

    /// Makes every reading of a run again and compares.
    fn remake(
        &self,
        summary: &RunSummary,
        verdict: &mut RunVerdict,
        findings: &mut VerifyFindings,
        going: &VerifyProgress<'_>,
    ) -> Result<(), StoreError> {
        let (start, setups) = (&summary.start, Setups::of_run(summary));
        let odometer = match Odometer::new(start.path.clone()) {
            Ok(odometer) => odometer,
            Err(error) => {
                findings.add(error.to_string());
                return Ok(());
            }
        };
        let mut maker = ReadingMaker::new(setups.first().clone(), odometer, start.limits.clone(), start.wall_temperature);
        let tells_coating = self.tells_coating("reading", "run_id", verdict.run)?;
        verdict.evaluator = self.evaluator_of_run(verdict.run)?;
        let mut comparer = Comparer::new(verdict.evaluator);
        let (mut neighbours, mut judged) = (Neighbours::default(), Vec::new());
        let done = remake(self, verdict.run, &setups, |made| {
            let tried = made.readings.len() as u64;
            for (row, stored, again) in made.readings {
                for setup in setups.beginning_at(row) {
                    // Readings by two set-ups are no neighbours.
                    judged.extend(neighbours.end());
                    if let Err(error) = maker.set_setup(setup.clone()) {
                        findings.add(format!("the set-up from reading {row} on cannot evaluate: {error}"));
                    }
                }
                for placed in summary.placed_at(row) {
                    // Nor are readings across a place that was set.
                    judged.extend(neighbours.end());
                    maker.set_place(placed.along, placed.across);
                }
                match again {
                    MeasuredAgain::NoWaveform => verdict.without_waveform += 1,
                    MeasuredAgain::Measured(_) | MeasuredAgain::Impossible(_) => verdict.remade += 1,
                }
                let sight = if let MeasuredAgain::Measured(measured) = &again { measured.sight } else { Sight::default() };
                let made = placed(&mut maker, start, &stored, again);
                if let Some(neighbour) = made.as_ref().ok().and_then(|made| Neighbour::new(row, made, &sight)) {
                    judged.extend(neighbours.push(neighbour));
                }
                match made.map(|made| as_told(made, tells_coating)) {
                    Err(why) => findings.add(format!("reading {row} (seq {}): {why}", stored.seq)),
                    Ok(made) if !comparer.agree(&stored, &made) => {
                        let differences = differences(&stored, &made);
                        findings.add(format!("reading {row} (seq {}): does not follow from its waveform: {differences}", stored.seq));
                    }
                    Ok(_) => {}
                }
            }
            match made.failed {
                Some(error) => Err(error),
                None => Ok(going.on(tried)),
            }
        })
        .map(drop);
        verdict.moved = comparer.moved;
        judged.extend(neighbours.end());
        if done.is_ok() && !going.stopped.get() {
            self.judged_alike(verdict, &judged, findings)?;
        }
        done
    }

    /// Whether what neighbours made of the readings follows from them. What an earlier evaluator judged is not tried, nor is a run of which
    /// readings were not saved: its neighbours were others.
    fn judged_alike(&self, verdict: &RunVerdict, made: &[Judgement], findings: &mut VerifyFindings) -> Result<(), StoreError> {
        let lost = self.events(verdict.run)?.iter().any(|event| event.kind == EventKind::Overflow);
        if self.version < JUDGED_SINCE || verdict.evaluator != EVALUATOR_VERSION || lost {
            return Ok(());
        }
        let stored = self.judgements_between(verdict.run, 0, u64::MAX)?;
        // The last stretch of a run that was cut off was never judged.
        let expected = if self.recorded_run(verdict.run)?.state == RunState::Closed { made } else { &made[..stored.len().min(made.len())] };
        let pairs = || stored.iter().zip(expected);
        if stored.len() != expected.len() || !pairs().all(|(a, b)| is_alike(a, b)) {
            let first = pairs().position(|(a, b)| !is_alike(a, b)).unwrap_or(stored.len().min(expected.len()));
            findings.add(format!(
                "what its neighbours make of the readings does not follow from them: {} stored, {} made again, the first that differs is number {}",
                stored.len(),
                expected.len(),
                first + 1
            ));
        }
        Ok(())
    }

    /// Tries the chain of a run in a thread of its own, with a reader of its own, while `work` is done.
    fn with_chain(
        &self,
        (run, is_short): (RunId, bool),
        findings: &mut VerifyFindings,
        going: &VerifyProgress<'_>,
        work: impl FnOnce(&Self),
    ) {
        let beside = if is_short { None } else { self.beside().ok() };
        let Some(beside) = beside else {
            // One reader: one thing after the other.
            let done = chain(&self.connection, run, findings, &mut |readings| going.on(readings));
            findings.ask(done, "the chain of digests");
            return work(self);
        };
        let (tried, stop) = (AtomicU64::new(0), AtomicBool::new(false));
        let mut told = 0;
        let mut tell = |going: &VerifyProgress<'_>| {
            let now = tried.load(Ordering::Relaxed);
            if !going.on(now - told) {
                stop.store(true, Ordering::Relaxed);
            }
            told = now;
        };
        std::thread::scope(|scope| {
            let chained = scope.spawn(|| {
                let mut found = VerifyFindings { run: Some(run), ..VerifyFindings::default() };
                let done = chain(&beside.into_connection(), run, &mut found, &mut |readings| {
                    tried.fetch_add(readings, Ordering::Relaxed);
                    !stop.load(Ordering::Relaxed)
                });
                found.ask(done, "the chain of digests");
                found
            });
            work(self);
            while !chained.is_finished() {
                tell(going);
                std::thread::sleep(LOOK_EVERY);
            }
            match chained.join() {
                Ok(found) => findings.join(found),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        });
        tell(going);
    }
}

/// Whether two judgements are the same as they are kept.
pub(super) fn is_alike(a: &Judgement, b: &Judgement) -> bool {
    let kept = |judgement: &Judgement| judgement.stretch.map(|stretch| serde_json::to_string(&stretch).ok());
    (a.rows, a.flags) == (b.rows, b.flags) && kept(a) == kept(b)
}

/// A reading made again, as a run or evaluation tells it: those of older files say nothing of a coating.
pub(super) fn as_told(mut made: Reading, tells_coating: bool) -> Reading {
    made.measurement.coating = made.measurement.coating.filter(|_| tells_coating);
    made
}

pub(super) fn differences(stored: &Reading, made: &Reading) -> String {
    let mm = |length: Option<Length>| length.map_or("none".to_owned(), |length| length.to_string());
    let mut found = Vec::new();
    let mut compare = |name: &str, stored: String, made: String| {
        if stored != made {
            found.push(format!("{name} {stored} stored, {made} made again"));
        }
    };
    let (s, m) = (&stored.measurement, &made.measurement);
    compare("thickness", mm(s.thickness), mm(m.thickness));
    compare("uncertainty", mm(s.uncertainty), mm(m.uncertainty));
    compare("echo time", format!("{:?}", s.echo_time), format!("{:?}", m.echo_time));
    compare("next echo", format!("{:?}", s.next_echo), format!("{:?}", m.next_echo));
    compare("height", format!("{:?} %", s.height_pct), format!("{:?} %", m.height_pct));
    compare("signal to noise", format!("{:?}", s.snr.map(Decibel::as_db)), format!("{:?}", m.snr.map(Decibel::as_db)));
    compare("coating", format!("{:?}", s.coating), format!("{:?}", m.coating));
    compare("quality", s.quality.to_string(), m.quality.to_string());
    compare("flags", format!("[{}]", s.flags), format!("[{}]", m.flags));
    compare("place", format!("{:?}", stored.place), format!("{:?}", made.place));
    compare("level", stored.level.to_string(), made.level.to_string());
    compare("gain", format!("{:?}", stored.gain), format!("{:?}", made.gain));
    compare("wall temperature", format!("{:?}", stored.wall_temperature), format!("{:?}", made.wall_temperature));
    found.join("; ")
}

/// What SQLite itself can say of the file.
fn structure(connection: &Connection, version: i64, findings: &mut VerifyFindings) -> rusqlite::Result<()> {
    let mut statement = connection.prepare("PRAGMA integrity_check(10)")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let said: String = row.get(0)?;
        if said != "ok" {
            findings.add(format!("SQLite finds the file damaged: {said}"));
        }
    }
    let mut statement = connection.prepare("PRAGMA foreign_key_check")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        findings.add(format!("a row of {} belongs to nothing", row.get::<_, String>(0)?));
    }
    // Tables, and the triggers that keep them from being changed, are as this program lays them.
    let laid = schema::laid(version)?;
    let there = schema::objects(connection)?;
    for (name, made) in laid.iter() {
        match there.get(name) {
            None => findings.add(format!("{name} is missing")),
            Some(there) if there != made => findings.add(format!("{name} is not as this program makes it")),
            Some(_) => {}
        }
    }
    for name in there.keys().filter(|name| !laid.contains_key(*name)) {
        findings.add(format!("{name} was not made by this program"));
    }
    Ok(())
}

/// The plan's copy for other tools says what the plan says.
fn plan(connection: &Connection, findings: &mut VerifyFindings) -> rusqlite::Result<()> {
    let (text, copy): (String, Option<String>) =
        connection.query_row("SELECT plan_toml, plan_json FROM job LEFT JOIN plan USING (id)", [], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let planned = toml::from_str::<Plan>(&text).ok();
    let read = copy.as_ref().and_then(|json| serde_json::from_str::<Plan>(json).ok());
    // What reads the same need not be written the same, as a day with a blank in the place of a zero.
    let written = copy.and_then(|json| serde_json::from_str(&json).ok());
    let is_written_so = written.zip(planned.as_ref().and_then(|plan| serde_json::to_value(plan).ok()));
    if planned != read || !is_written_so.is_some_and(|(copy, plan)| is_written_as(&copy, &plan)) {
        findings.add("the plan as other tools see it is not the job's plan");
    }
    Ok(())
}

/// Whether what stands in the copy stands so in the plan. A copy of an earlier format may lack keys, or have one that is written no longer.
fn is_written_as(copy: &serde_json::Value, plan: &serde_json::Value) -> bool {
    use serde_json::Value;
    match (copy, plan) {
        (Value::Object(copy), Value::Object(plan)) => {
            copy.iter().all(|(key, value)| plan.get(key).is_none_or(|planned| is_written_as(value, planned)))
        }
        (Value::Array(copy), Value::Array(plan)) => {
            copy.len() == plan.len() && copy.iter().zip(plan).all(|(copy, plan)| is_written_as(copy, plan))
        }
        (copy, plan) => copy == plan,
    }
}

/// The chain over what belongs to the job.
fn ledger(connection: &Connection, version: i64, findings: &mut VerifyFindings) -> rusqlite::Result<()> {
    let mut statement = connection.prepare("SELECT id, item, item_id, digest FROM ledger ORDER BY id")?;
    let mut rows = statement.query([])?;
    let (mut before, mut expected): (Digest, i64) = ([0; 32], 1);
    while let Some(row) = rows.next()? {
        let (id, item, item_id): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let stored: Digest = row.get(3)?;
        if id != expected {
            findings.add(format!("ledger: entries {expected} to {} are missing", id - 1));
        }
        match digest::of_ledger(connection, &item, item_id, &before) {
            Ok(made) if made == stored => {}
            Ok(_) => findings.add(format!("{item} {item_id} is not what was entered")),
            Err(error) => findings.add(format!("{item} {item_id} cannot be read: {error}")),
        }
        before = stored;
        expected = id + 1;
    }
    let mut tables = vec!["job", "answer", "signature", "override", "setup", "block_check", "encoder_check", "note", "evaluation"];
    tables.extend((version >= schema::ADOPTED_SINCE).then_some("adoption"));
    tables.extend((version >= schema::STATED_SINCE).then_some(["statement", "run", "run_end"]).into_iter().flatten());
    for table in tables {
        let own = if table == "note" { "link IS NULL AND" } else { "" };
        let strangers: i64 = connection.query_row(
            &format!("SELECT count(*) FROM {table} WHERE {own} rowid NOT IN (SELECT item_id FROM ledger WHERE item = ?1)"),
            [table],
            |row| row.get(0),
        )?;
        if strangers > 0 {
            findings.add(format!("{strangers} rows of {table} were never entered by this program"));
        }
    }
    Ok(())
}

/// Holds what is read from here on to how the file is now: while a job is being written, a commit between two questions would look
/// like readings that belong to none.
fn as_of_now(connection: &Connection) -> rusqlite::Result<Option<Transaction<'_>>> {
    if connection.is_autocommit() { connection.unchecked_transaction().map(Some) } else { Ok(None) }
}

/// The chain of one run, and that nothing stands beside it.
fn chain(connection: &Connection, run: RunId, findings: &mut VerifyFindings, on: &mut dyn FnMut(u64) -> bool) -> rusqlite::Result<()> {
    let _as_of_now = as_of_now(connection)?;
    let mut before = digest::of_start(connection, run)?;
    let (mut links, mut end) = (0i64, 0i64);
    let mut statement = connection.prepare("SELECT link, first_row, end_row, digest FROM link WHERE run_id = ?1 ORDER BY link")?;
    let mut rows = statement.query([run])?;
    while let Some(row) = rows.next()? {
        let (link, first, last): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let stored: Digest = row.get(3)?;
        if link != links + 1 || first != end {
            findings.add(format!("commits {} to {link} do not join", links + 1));
        }
        let origin = if link == 1 { ", or what the run started with" } else { "" };
        let what = if last > first {
            format!("commit {link} (readings {first} to {}{origin})", last - 1)
        } else {
            format!("commit {link} (marks, notes or events{origin})")
        };
        match digest::of_link(connection, run, link, (first, last), &before) {
            Ok(made) if made == stored => {}
            Ok(_) => findings.add(format!("{what} is not what was saved")),
            Err(error) => findings.add(format!("{what} cannot be read: {error}")),
        }
        (before, links, end) = (stored, link, last);
        if !on(u64::try_from(last - first).unwrap_or(0)) {
            return Ok(());
        }
    }
    let count = |sql: &str| connection.query_row(sql, (run, links, end), |row| row.get::<_, i64>(0));
    let strangers = [
        ("readings", "SELECT count(*) FROM reading WHERE run_id = ?1 AND (?2 < 0 OR row < 0 OR row >= ?3)"),
        (
            "waveform blocks",
            "SELECT count(*) FROM waveform_block AS b LEFT JOIN link AS l ON l.run_id = b.run_id AND l.link = b.link
             WHERE b.run_id = ?1 AND ?2 + ?3 >= 0 AND (l.link IS NULL OR b.first_row < l.first_row OR b.first_row + b.count > l.end_row)",
        ),
        ("time bases", "SELECT count(*) FROM time_base WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
        ("marks", "SELECT count(*) FROM mark WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
        ("events", "SELECT count(*) FROM event WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
        ("spots", "SELECT count(*) FROM spot WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
        ("notes", "SELECT count(*) FROM note WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
    ];
    let came_later = [
        ("set-up changes", "SELECT count(*) FROM setup_change WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
        ("places set", "SELECT count(*) FROM place_set WHERE run_id = ?1 AND ?3 >= 0 AND link NOT BETWEEN 1 AND ?2"),
    ];
    let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    for (what, sql) in strangers.into_iter().chain((version >= CHANGED_SINCE).then_some(came_later).into_iter().flatten()) {
        match count(sql)? {
            0 => {}
            number => findings.add(format!("{what} that belong to no commit of the run: {number}")),
        }
    }
    let held = count("SELECT count(*) FROM reading WHERE run_id = ?1 AND ?2 + ?3 >= 0")?;
    if held < end {
        findings.add(format!("readings that are missing: {}", end - held));
    }
    ending(connection, run, &before, findings)
}

fn ending(connection: &Connection, run: RunId, last: &Digest, findings: &mut VerifyFindings) -> rusqlite::Result<()> {
    let columns = END_COLUMNS.split(',').count();
    let stored = connection
        .query_row(&format!("SELECT {END_COLUMNS}, digest FROM run_end WHERE run_id = ?1"), [run], |row| {
            let values: Vec<Value> = (0..columns).map(|index| row.get(index)).collect::<Result<_, _>>()?;
            Ok((values, row.get::<_, Digest>(columns)?))
        })
        .optional()?;
    // A run that is being recorded has no end yet.
    let Some((values, stored)) = stored else {
        return Ok(());
    };
    let made = digest::of_end(connection, run, last, &values)?;
    if made != stored {
        findings.add(format!("the run's digest is {}, but what is in the file makes {}", hex(&stored), hex(&made)));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    // A zero of a day becomes a blank by one bit, and is read as the same day.
    #[test]
    fn every_bit_of_the_plan_as_other_tools_see_it_is_held_against_the_jobs_plan() {
        let text = include_str!("../../../tests/data/plan.toml");
        let plan: Plan = toml::from_str(text).unwrap();
        let json = serde_json::to_string(&plan).unwrap();
        let connection = schema::fresh(schema::KNOWN_VERSION).unwrap();
        connection.execute("INSERT INTO job VALUES (1, '', '', '', '', 0, '', ?1, '{}')", [text]).unwrap();
        connection.execute_batch("DROP TRIGGER plan_no_update").unwrap();
        connection.execute("INSERT INTO plan (id, plan_json) VALUES (1, ?1)", [&json]).unwrap();
        let is_found = || {
            let mut findings = VerifyFindings::default();
            super::plan(&connection, &mut findings).is_err() || findings.count > 0
        };
        assert!(!is_found());
        let mut hidden = Vec::new();
        for bit in 0..json.len() * 8 {
            let mut bytes = json.clone().into_bytes();
            bytes[bit / 8] ^= 1 << (bit % 8);
            // What is no text any more cannot be read at all.
            let Ok(changed) = String::from_utf8(bytes) else { continue };
            if connection.execute("UPDATE plan SET plan_json = ?1", [&changed]).is_ok() && !is_found() {
                hidden.push(changed[(bit / 8).saturating_sub(12)..(bit / 8 + 4).min(json.len())].to_owned());
            }
        }
        assert!(hidden.is_empty(), "{hidden:?}");
    }
}
