//! Reads a job file, also while another process records into it and also on media that cannot be written. Long
//! reads go in short pieces, so that a recording's log is never held up.

use super::codec::Unpacker;
use super::contents::{EventKind, JobContents, Mark, MarkKind, Note, RunEvent, RunId, RunStart, RunSummary, SetupEntry};
use super::cursor::Cursor;
use super::error::StoreError;
use super::evaluation::{EvaluationId, EvaluationStart, EvaluationSummary};
use super::lock::beside;
use super::minimum::Lowest;
use super::schema::{self, Access, JUDGED_SINCE, SAID_SINCE, STATED_SINCE};
use super::small_file::other_than_file;
use super::{digest, row, summary};
use backwall_survey::job::Checklist;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::force::{Entered, Placing};
use backwall_survey::job::noted::Noted;
use backwall_survey::neighbours::{Finding, Judgement, Kind, Stretch};
use backwall_survey::reading::Reading;
use backwall_survey::strip::Spot;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::{Flags, TimeBase, Waveform};
use backwall_units::{Frequency, Length, Time, Wording};
use rusqlite::{Connection, ErrorCode, OptionalExtension, Row};
use std::cell::RefCell;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

/// A job file open for reading. Row numbers count a run's readings from 0, in the order they came.
pub struct JobReader {
    pub(super) connection: Connection,
    /// Of the file's format.
    pub(super) version: i64,
    pub(super) path: PathBuf,
    block: RefCell<WaveformBlock>,
    pub(super) found: FoundOnce,
    /// Where the file is read, and how.
    at: (PathBuf, Access),
    _copy: Option<Copy>,
}

/// Shared by all readers of an open job.
pub(super) type FoundOnce = Arc<Mutex<Found>>;

/// What all readings of a run had to be read for.
#[derive(Default)]
pub(super) struct Found {
    /// Spots of runs that are judged again, by run, newest statement and adopted evaluation.
    pub spots: HashMap<(RunId, i64, Option<EvaluationId>), u64>,
    /// Minima where the least of all readings stands alone, by whether it is of an evaluation, and its number.
    pub minima: HashMap<(bool, i64), Option<Option<Lowest>>>,
}

/// The waveform block last looked at.
#[derive(Default)]
struct WaveformBlock {
    run: RunId,
    rows: std::ops::Range<i64>,
    samples: usize,
    base: Option<TimeBase>,
    codec: i64,
    data: Vec<u8>,
    unpacker: Unpacker,
}

/// A copy of a job file that could not be read where it is; removed in the end.
struct Copy(PathBuf);

impl Drop for Copy {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

impl JobReader {
    pub(super) fn open(path: &Path) -> Result<Self, StoreError> {
        let about = std::fs::metadata(path).map_err(|error| StoreError::io(path, &error))?;
        if let Some(what) = other_than_file(about.file_type()) {
            return Err(StoreError::NotAFile { path: path.to_path_buf(), what });
        }
        match Self::with(path, path, Access::Read) {
            Err(StoreError::Io { .. } | StoreError::ReadOnlyFolder { .. }) => {}
            done => return done,
        }
        // Beside the file nothing can be written, or a crash left a journal from which it is to be taken back first, which a reader may
        // not. What is in a log or a journal must not be passed over.
        let mut left = vec!["-wal", "-journal"];
        left.retain(|suffix| std::fs::metadata(beside(path, suffix)).map_or(0, |about| about.len()) > 0);
        if left.is_empty() {
            return Self::with(path, path, Access::ReadUnchanging);
        }
        let (copy, at) = copy_away(path, &left).map_err(|error| StoreError::io(path, &error))?;
        let mut reader = Self::with(path, &at, Access::Write)?;
        reader._copy = Some(copy);
        Ok(reader)
    }

    /// `at` is where the file is read, `path` what it is called in messages.
    fn with(path: &Path, at: &Path, access: Access) -> Result<Self, StoreError> {
        let connection = schema::connect(at, access).map_err(|error| match error.sqlite_error_code() {
            Some(ErrorCode::CannotOpen) => StoreError::Io { path: path.to_path_buf(), what: error.to_string() },
            _ => StoreError::sqlite(path, &error),
        })?;
        let version = schema::check(&connection, path)?;
        Ok(Self {
            connection,
            version,
            path: path.to_path_buf(),
            block: RefCell::default(),
            found: FoundOnce::default(),
            at: (at.to_path_buf(), access),
            _copy: None,
        })
    }

    /// Another reader of the same file, for another thread; it must not outlive this one.
    pub(super) fn beside(&self) -> Result<Self, StoreError> {
        Self::with(&self.path, &self.at.0, self.at.1)
    }

    pub(super) fn into_connection(self) -> Connection {
        self.connection
    }

    pub(super) fn said<T>(&self, result: rusqlite::Result<T>) -> Result<T, StoreError> {
        result.map_err(|error| StoreError::sqlite(&self.path, &error))
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether somebody has the job open for writing now. A run that is open where nobody has was broken off.
    pub fn is_being_written(&self) -> bool {
        super::lock::is_held(&self.path)
    }

    /// The column of the values in words, where the file has it.
    fn said_column(&self) -> &'static str {
        if self.version >= SAID_SINCE { "said_json" } else { "NULL" }
    }

    pub fn contents(&self) -> Result<JobContents, StoreError> {
        // First: what is entered meanwhile is then at worst shown and not covered, never the other way round.
        let seal = self.seal()?;
        let checklist: Checklist = self.said(self.connection.query_row("SELECT checklist_json FROM job", [], |row| from_json(row, 0)))?;
        let ((made_with, made_with_text), statements, force) = (self.first_plan()?, self.statements()?, self.force()?);
        let (runs, set_aside) = self.runs_by(&force)?;
        let said = self.said_column();
        let mut notes = self.all(&format!("SELECT run_id, position_um, text, {said}, at_us FROM note ORDER BY id"), [], note)?;
        notes.retain(|note| note.run.is_none_or(|run| force.counts(run)));
        let mut placings = BTreeMap::new();
        for run in notes.iter().filter_map(|note| note.run) {
            if let Entry::Vacant(place) = placings.entry(run) {
                place.insert(self.placing_by(&force, run)?);
            }
        }
        for note in &mut notes {
            note.along = now(note.run.and_then(|run| placings.get(&run)).and_then(Option::as_ref), note.along);
        }
        Ok(JobContents {
            seal,
            plan: force.plan.clone(),
            made_with,
            made_with_text,
            set_aside,
            runs,
            swaps: self.swaps(&statements, &force)?,
            statements,
            force,
            checklist,
            answers: self.all("SELECT name, certificate, at_us, item, value_json, note FROM answer ORDER BY id", [], |row| {
                Ok(Answer { by: signed(row)?, item: row.get(3)?, value: from_json(row, 4)?, note: row.get(5)? })
            })?,
            signatures: self.all("SELECT name, certificate, at_us, answers FROM signature ORDER BY id", [], |row| {
                Ok(Signature { by: signed(row)?, answers: row.get::<_, i64>(3)? as usize })
            })?,
            setups: self.all(
                &format!("SELECT name, certificate, at_us, id, setup_json, origin, {said} FROM setup ORDER BY id"),
                [],
                |row| Ok(SetupEntry { by: signed(row)?, id: row.get(3)?, setup: from_json(row, 4)?, origin: wording(row, 5)? }),
            )?,
            notes,
            overrides: self
                .all("SELECT name, certificate, at_us, reason FROM override ORDER BY id", [], |row| Ok((row.get(3)?, signed(row)?)))?,
            checks: self.all("SELECT check_json FROM block_check ORDER BY id", [], |row| from_json(row, 0))?,
            evaluations: self.evaluations()?,
            adoptions: self.adoptions()?,
            encoder_checks: self.all(
                "SELECT name, certificate, at_us, distance_um, counts, set_counts_per_mm FROM encoder_check ORDER BY id",
                [],
                |row| {
                    let check =
                        EncoderCheck { distance: Length::micrometres(row.get(3)?), counts: row.get(4)?, set_counts_per_mm: row.get(5)? };
                    Ok((check, signed(row)?))
                },
            )?,
        })
    }

    /// All evaluations of the job, in the order they were made.
    pub fn evaluations(&self) -> Result<Vec<EvaluationSummary>, StoreError> {
        self.all(
            "SELECT name, certificate, at_us, id, run_id, setup_json, setup_id, differs, why, software, changes_json, digest
             FROM evaluation ORDER BY id",
            [],
            |row| {
                let start = EvaluationStart {
                    by: signed(row)?,
                    run: row.get(4)?,
                    setup: from_json(row, 5)?,
                    setup_id: row.get(6)?,
                    differs: row.get(7)?,
                    why: row.get(8)?,
                    software: row.get(9)?,
                };
                let digest: digest::Digest = row.get(11)?;
                Ok(EvaluationSummary { id: row.get(3)?, start, changes: from_json(row, 10)?, digest: digest::hex(&digest) })
            },
        )
    }

    /// The digest that an evaluation's rows make.
    pub(super) fn digest_of(&self, evaluation: &EvaluationSummary) -> Result<String, StoreError> {
        self.said(digest::of_evaluation(&self.connection, evaluation.start.run, evaluation.id)).map(|digest| digest::hex(&digest))
    }

    /// Whether any reading of a run, or of an evaluation, tells of a coating. Those of older files never do.
    pub(super) fn tells_coating(&self, table: &str, key: &str, id: i64) -> Result<bool, StoreError> {
        if self.version < row::COATING_SINCE {
            return Ok(false);
        }
        let sql = format!("SELECT EXISTS (SELECT 1 FROM {table} WHERE {key} = ?1 AND coating_nm IS NOT NULL)");
        self.said(self.connection.query_row(&sql, [id], |row| row.get(0)))
    }

    pub(super) fn has_waveforms(&self, run: RunId) -> Result<bool, StoreError> {
        self.said(self.connection.query_row("SELECT EXISTS (SELECT 1 FROM waveform_block WHERE run_id = ?1)", [run], |row| row.get(0)))
    }

    /// Every run as it was recorded, by its own readings.
    pub fn recorded_runs(&self) -> Result<Vec<RunSummary>, StoreError> {
        self.said(summary::runs(&self.connection))
    }

    /// A run as it was recorded, by its own readings.
    pub fn recorded_run(&self, run: RunId) -> Result<RunSummary, StoreError> {
        self.said(summary::summary(&self.connection, run))?.ok_or_else(|| StoreError::NoSuchRun { path: self.path.clone(), run })
    }

    /// What a run was started with.
    pub(super) fn start_of(&self, run: RunId) -> Result<RunStart, StoreError> {
        self.said(summary::start(&self.connection, run))?.ok_or_else(|| StoreError::NoSuchRun { path: self.path.clone(), run })
    }

    pub(super) fn all<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        read: fn(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let rows = self.connection.prepare_cached(sql).and_then(|mut statement| statement.query_map(parameters, read)?.collect());
        self.said(rows)
    }

    /// At most `limit` readings of a run that count, from row `from` on. [`Cursor`] goes through more than a few.
    pub fn readings(&self, run: RunId, from: u64, limit: usize) -> Result<Vec<Reading>, StoreError> {
        Cursor::in_force(run).starting_at(from).take(self, limit)
    }

    /// At most `limit` readings from row `from` on, as an evaluation has them.
    pub fn evaluated(&self, evaluation: EvaluationId, from: u64, limit: usize) -> Result<Vec<Reading>, StoreError> {
        Cursor::of_evaluation(evaluation).starting_at(from).take(self, limit)
    }

    /// Every reading of a run that counts.
    pub fn for_each_reading(&self, run: RunId, mut each: impl FnMut(Reading)) -> Result<(), StoreError> {
        self.through(Cursor::in_force(run), |_, reading| {
            each(reading);
            Ok(())
        })
    }

    /// Every reading as an evaluation has it.
    pub fn for_each_evaluated(&self, evaluation: EvaluationId, mut each: impl FnMut(Reading)) -> Result<(), StoreError> {
        self.through(Cursor::of_evaluation(evaluation), |_, reading| {
            each(reading);
            Ok(())
        })
    }

    /// Every reading of a run itself, with the waveform it was made from.
    pub fn for_each_shot(&self, run: RunId, mut each: impl FnMut(Reading, Option<Waveform>)) -> Result<(), StoreError> {
        self.through(Cursor::measured(run), |row, reading| {
            each(reading, self.waveform(run, row)?);
            Ok(())
        })
    }

    fn through(&self, mut cursor: Cursor, each: impl FnMut(u64, Reading) -> Result<(), StoreError>) -> Result<(), StoreError> {
        cursor.read_on(self, |_| true, each).map(drop)
    }

    /// The waveform of the reading in a row; `None` where there is none.
    pub fn waveform(&self, run: RunId, row: u64) -> Result<Option<Waveform>, StoreError> {
        let row = row as i64;
        let mut block = self.block.borrow_mut();
        if (block.run != run || !block.rows.contains(&row)) && !self.said(self.fetch(&mut block, run, row))? {
            return Ok(None);
        }
        let WaveformBlock { rows, samples, base, codec, data, unpacker, .. } = &mut *block;
        let (count, index) = ((rows.end - rows.start) as usize, (row - rows.start) as usize);
        let samples = unpacker
            .unpack(*codec, data, count, *samples, index)
            .map_err(|error| StoreError::corrupt(&self.path, format!("run {run}, reading {row}: {error}")))?;
        Ok(base.map(|base| Waveform { base, samples }))
    }

    /// Loads the block that holds a row, if there is one.
    fn fetch(&self, block: &mut WaveformBlock, run: RunId, row: i64) -> rusqlite::Result<bool> {
        block.rows = 0..0;
        block.unpacker.forget();
        let mut statement = self.connection.prepare_cached(
            "SELECT first_row, count, samples_each, rate_hz, first_sample_ns, bits, codec, data FROM waveform_block
             WHERE run_id = ?1 AND first_row <= ?2 ORDER BY first_row DESC LIMIT 1",
        )?;
        let found = statement.query_row((run, row), |found| {
            let (first, count): (i64, i64) = (found.get(0)?, found.get(1)?);
            if row >= first.saturating_add(count) {
                return Ok(false);
            }
            block.samples = found.get::<_, u32>(2)? as usize;
            block.base = Some(time_base(found, 3)?);
            block.codec = found.get(6)?;
            block.data.clear();
            block.data.extend_from_slice(found.get_ref(7)?.as_blob()?);
            block.run = run;
            block.rows = first..first.saturating_add(count);
            Ok(true)
        });
        found.optional().map(|found| found == Some(true))
    }

    /// The row of the last reading with a sequence number.
    pub fn row_of_seq(&self, run: RunId, seq: u32) -> Result<Option<u64>, StoreError> {
        let sql = "SELECT row FROM reading WHERE run_id = ?1 AND seq = ?2 ORDER BY row DESC LIMIT 1";
        let found = self.connection.prepare_cached(sql).and_then(|mut found| found.query_row((run, seq), |row| row.get(0)).optional());
        Ok(self.said(found)?.map(|row: i64| row as u64))
    }

    /// The marks of a run, each with the words that were put to it, and those put there afterwards.
    pub fn marks(&self, run: RunId) -> Result<Vec<Mark>, StoreError> {
        let rows = self.all("SELECT kind, position_um, seq, text, at_us FROM mark WHERE run_id = ?1 ORDER BY id", [run], |found| {
            let kind = row::word(found, 0, MarkKind::ALL, MarkKind::word)?;
            Ok(Mark { kind, along: place(found, 1)?, seq: found.get(2)?, text: found.get(3)?, at_us: found.get(4)? })
        })?;
        let mut marks: Vec<Mark> = Vec::with_capacity(rows.len());
        for mark in rows {
            // A mark is stored at once, and again when words are put to it.
            match marks.iter_mut().rfind(|known| (known.kind, known.at_us, known.seq) == (mark.kind, mark.at_us, mark.seq)) {
                Some(known) => *known = mark,
                None => marks.push(mark),
            }
        }
        let placing = self.placing(run)?;
        marks.iter_mut().for_each(|mark| mark.along = now(placing.as_ref(), mark.along));
        for entered in self.noted(run)? {
            let text = afterwards(&entered);
            let Noted { at, mark: Some(kind), .. } = entered.what else { continue };
            marks.push(Mark { kind, along: at.along, seq: None, text, at_us: entered.by.at_us });
        }
        Ok(marks)
    }

    pub fn notes(&self, run: RunId) -> Result<Vec<Note>, StoreError> {
        let sql = format!("SELECT run_id, position_um, text, {}, at_us FROM note WHERE run_id = ?1 ORDER BY id", self.said_column());
        let mut notes = self.all(&sql, [run], note)?;
        let placing = self.placing(run)?;
        notes.iter_mut().for_each(|note| note.along = now(placing.as_ref(), note.along));
        for entered in self.noted(run)?.into_iter().filter(|entered| entered.what.mark.is_none()) {
            let text = afterwards(&entered);
            notes.push(Note { run: Some(run), along: entered.what.at.along, text: text.into(), at_us: entered.by.at_us });
        }
        Ok(notes)
    }

    pub fn events(&self, run: RunId) -> Result<Vec<RunEvent>, StoreError> {
        let sql = format!("SELECT kind, text, {}, seq, position_um, at_us FROM event WHERE run_id = ?1 ORDER BY id", self.said_column());
        let mut events = self.all(&sql, [run], |found| {
            let kind = row::word(found, 0, EventKind::ALL, EventKind::word)?;
            Ok(RunEvent { kind, text: wording(found, 1)?, seq: found.get(3)?, along: place(found, 4)?, at_us: found.get(5)? })
        })?;
        let placing = self.placing(run)?;
        events.iter_mut().for_each(|event| event.along = now(placing.as_ref(), event.along));
        Ok(events)
    }

    /// The last state of every spot that was found while the run was recorded; none that was taken back, which has no readings.
    pub fn measured_spots(&self, run: RunId) -> Result<Vec<Spot>, StoreError> {
        let found = if self.version >= JUDGED_SINCE { "kind, stretch_json" } else { "NULL, NULL" };
        let states = self.all(
            &format!(
                "SELECT number, from_um, to_um, least_nm, least_at_um, least_seq, level, course, readings, acknowledged, {found}
                 FROM spot WHERE run_id = ?1 ORDER BY id"
            ),
            [run],
            |found| {
                Ok(Spot {
                    id: found.get(0)?,
                    edges: place(found, 1)?.zip(place(found, 2)?),
                    least: Length::nanometres(found.get(3)?),
                    least_at: place(found, 4)?,
                    least_seq: found.get(5)?,
                    level: row::word(found, 6, row::LEVELS, row::stored_level)?,
                    course: found.get(7)?,
                    readings: found.get(8)?,
                    acknowledged: found.get(9)?,
                    finding: finding(found, 10)?,
                })
            },
        )?;
        let last: BTreeMap<_, _> = states.into_iter().map(|spot| (spot.id, spot)).collect();
        let mut spots: Vec<Spot> = last.into_values().filter(|spot| spot.readings > 0).collect();
        let since = self.acknowledged_since(run)?;
        spots.iter_mut().for_each(|spot| spot.acknowledged |= since.contains(&spot.least_seq));
        Ok(spots)
    }

    /// What the neighbours of a run's readings that count made of them, in order; nothing in what a program of an earlier format made.
    pub fn judgements(&self, run: RunId) -> Result<Vec<Judgement>, StoreError> {
        let judgements = match self.in_force(run)? {
            Some(evaluation) => self.evaluated_judgements(evaluation, 0, u64::MAX)?,
            None => self.judgements_between(run, 0, u64::MAX)?,
        };
        self.in_place(run, judgements)
    }

    /// Those that reach into some rows.
    pub(super) fn judgements_between(&self, run: RunId, first: u64, last: u64) -> Result<Vec<Judgement>, StoreError> {
        if self.version < JUDGED_SINCE {
            return Ok(Vec::new());
        }
        self.judged_in("judgement", "run_id", run, first, last)
    }

    /// The same of an evaluation; nothing of those made before evaluations were judged.
    pub(super) fn evaluated_judgements(&self, evaluation: EvaluationId, first: u64, last: u64) -> Result<Vec<Judgement>, StoreError> {
        if self.version < STATED_SINCE {
            return Ok(Vec::new());
        }
        self.judged_in("evaluated_judgement", "evaluation_id", evaluation, first, last)
    }

    fn judged_in(&self, table: &str, key: &str, id: i64, first: u64, last: u64) -> Result<Vec<Judgement>, StoreError> {
        let row = |row: u64| i64::try_from(row).unwrap_or(i64::MAX);
        let sql = format!(
            "SELECT first_row, last_row, flags, stretch_json FROM {table} WHERE {key} = ?1 AND last_row >= ?2 AND first_row <= ?3 ORDER BY id"
        );
        self.all(&sql, (id, row(first), row(last)), |found| {
            let rows = (found.get::<_, i64>(0)? as u64, found.get::<_, i64>(1)? as u64);
            Ok(Judgement { rows, flags: Flags::from_bits(found.get(2)?), stretch: stretch(found, 3)? })
        })
    }

    /// What neighbours make of an evaluation's readings, where the run is by what is in force.
    pub fn judgements_of_evaluation(&self, run: RunId, evaluation: EvaluationId) -> Result<Vec<Judgement>, StoreError> {
        let judgements = self.evaluated_judgements(evaluation, 0, u64::MAX)?;
        self.in_place(run, judgements)
    }

    fn in_place(&self, run: RunId, mut judgements: Vec<Judgement>) -> Result<Vec<Judgement>, StoreError> {
        if let Some(placing) = self.placing(run)? {
            for stretch in judgements.iter_mut().filter_map(|judgement| judgement.stretch.as_mut()) {
                stretch.edges = placing.edges(stretch.edges.0, stretch.edges.1);
            }
        }
        Ok(judgements)
    }

    /// Whether neighbours of an evaluation's readings were judged.
    pub(super) fn is_judged(&self, evaluation: EvaluationId) -> Result<bool, StoreError> {
        if self.version < STATED_SINCE {
            return Ok(false);
        }
        self.said(self.connection.query_row("SELECT judged IS 1 FROM evaluation WHERE id = ?1", [evaluation], |row| row.get(0)))
    }

    /// The time bases a device told, each with the row it holds from.
    pub fn time_bases(&self, run: RunId) -> Result<Vec<(u64, TimeBase)>, StoreError> {
        self.all("SELECT from_row, rate_hz, first_sample_ns, bits FROM time_base WHERE run_id = ?1 ORDER BY id", [run], |found| {
            Ok((found.get::<_, i64>(0)? as u64, time_base(found, 1)?))
        })
    }
}

/// A recorded place, where it is now.
fn now(placing: Option<&Placing>, along: Option<Length>) -> Option<Length> {
    along.map(|along| placing.map_or(along, |placing| placing.along(along)))
}

fn stretch(row: &Row<'_>, index: usize) -> rusqlite::Result<Option<Stretch>> {
    row.get_ref(index)?.as_str_or_null()?.is_some().then(|| from_json(row, index)).transpose()
}

fn finding(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<Finding>> {
    if row.get_ref(first)?.as_str_or_null()?.is_none() {
        return Ok(None);
    }
    let kind = row::word(row, first, Kind::ALL.iter().copied(), Kind::word)?;
    Ok(Some(Finding { kind, stretch: stretch(row, first + 1)? }))
}

/// A copy of the file with what stands beside it under these endings.
fn copy_away(path: &Path, left: &[&str]) -> std::io::Result<(Copy, PathBuf)> {
    let nanos = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |since| since.as_nanos());
    let folder = std::env::temp_dir().join(format!("backwall-{}-{nanos}", std::process::id()));
    std::fs::create_dir(&folder)?;
    let copy = Copy(folder);
    let at = copy.0.join("job");
    for suffix in std::iter::once(&"").chain(left) {
        let (from, to) = (beside(path, suffix), beside(&at, suffix));
        // Not `fs::copy`: the copy of a file that cannot be written must itself be writable.
        std::io::copy(&mut std::fs::File::open(from)?, &mut std::fs::File::create(to)?)?;
    }
    Ok((copy, at))
}

pub(super) fn signed(row: &Row<'_>) -> rusqlite::Result<Signed> {
    Ok(Signed { name: row.get(0)?, certificate: row.get(1)?, at_us: row.get(2)? })
}

/// The words of what was put there afterwards, with who did.
fn afterwards(entered: &Entered<Noted>) -> String {
    let drawing = if entered.what.drawing.is_empty() { "" } else { ", with a drawing" };
    format!("{} (afterwards, {}{drawing})", entered.what.text, entered.by.name).trim_start().to_owned()
}

fn note(row: &Row<'_>) -> rusqlite::Result<Note> {
    Ok(Note { run: row.get(0)?, along: place(row, 1)?, text: wording(row, 2)?, at_us: row.get(4)? })
}

/// Words from the two columns they are in: their text, and the values in it.
fn wording(row: &Row<'_>, index: usize) -> rusqlite::Result<Wording> {
    let text: String = row.get(index)?;
    if row.get_ref(index + 1)? == rusqlite::types::ValueRef::Null {
        return Ok(Wording::recorded(text));
    }
    let kept: Wording = from_json(row, index + 1)?;
    Ok(if kept.is_empty() { text.into() } else { kept })
}

fn place(row: &Row<'_>, index: usize) -> rusqlite::Result<Option<Length>> {
    Ok(row.get::<_, Option<i64>>(index)?.map(Length::micrometres))
}

pub(super) fn time_base(row: &Row<'_>, first: usize) -> rusqlite::Result<TimeBase> {
    let base = TimeBase { rate: Frequency::hz(row.get(first)?), first: Time::ns(row.get(first + 1)?), bits: row.get(first + 2)? };
    let sound = base.rate.is_finite() && base.rate.as_hz() > 0.0 && base.first.is_finite() && (1..=16).contains(&base.bits);
    if sound {
        return Ok(base);
    }
    let why = format!("no time base: {} Hz, first sample at {} ns, {} bits", base.rate.as_hz(), base.first.as_ns(), base.bits);
    Err(rusqlite::Error::FromSqlConversionFailure(first, rusqlite::types::Type::Real, why.into()))
}

/// A set-up with everything its blocks taught has some hundred thousand bytes; what is far longer is no field of a job.
const LONGEST_JSON: usize = 16_000_000;

pub(super) fn from_json<T: serde::de::DeserializeOwned>(row: &Row<'_>, index: usize) -> rusqlite::Result<T> {
    let wrong = |error: Box<dyn std::error::Error + Send + Sync>| {
        rusqlite::Error::FromSqlConversionFailure(index, rusqlite::types::Type::Text, error)
    };
    let text = row.get_ref(index)?.as_str()?;
    if text.len() > LONGEST_JSON {
        let name = row.as_ref().column_name(index).unwrap_or("a field").to_owned();
        return Err(wrong(format!("{name} has {} bytes, more than {LONGEST_JSON}, the most allowed", text.len()).into()));
    }
    serde_json::from_str(text).map_err(|error| wrong(Box::new(error)))
}
