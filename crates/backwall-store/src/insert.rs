//! Puts things into the tables, inside a transaction the writer has opened.

use super::codec::{self, Packer};
use super::contents::{Entry, EventKind, RunId};
use super::digest::{self, Digest};
use super::evaluation::{Changes, EvaluationId, EvaluationStart, EvaluationSummary};
use super::queue::{Entries, JobItem};
use super::row;
use backwall_survey::job::Plan;
use backwall_survey::job::checklist::Signed;
use backwall_survey::neighbours::Judgement;
use backwall_ultrasound::{EVALUATOR_VERSION, TimeBase, Waveform};
use backwall_units::{Length, LengthUnit, Wording};
use rusqlite::{Connection, params};
use std::sync::Arc;

/// Up to where a run is written.
#[derive(Debug, Clone)]
pub(super) struct RunProgress {
    pub run: RunId,
    pub link: i64,
    /// The row the next reading gets.
    pub row: i64,
    pub digest: Digest,
    pub seq: Option<u32>,
    pub along: Option<Length>,
}

/// Waveforms of neighbouring readings that share length and time base, not yet packed.
#[derive(Default)]
struct UnpackedBlock {
    first_row: i64,
    base: Option<TimeBase>,
    waveforms: Vec<Arc<[i16]>>,
}

impl UnpackedBlock {
    fn takes(&self, row: i64, waveform: &Waveform) -> bool {
        match self.waveforms.first() {
            None => true,
            Some(first) => {
                self.waveforms.len() < codec::BLOCK
                    && row == self.first_row + self.waveforms.len() as i64
                    && first.len() == waveform.samples.len()
                    && self.base == Some(waveform.base)
            }
        }
    }
}

pub(super) struct Inserter {
    packer: Packer,
    block: UnpackedBlock,
}

fn io_error(error: std::io::Error) -> rusqlite::Error {
    rusqlite::Error::ToSqlConversionFailure(Box::new(error))
}

impl Inserter {
    pub fn new() -> std::io::Result<Self> {
        Ok(Self { packer: Packer::new()?, block: UnpackedBlock::default() })
    }

    /// Writes what waits of each run, in the order it came; `runs` is where they stand after it.
    pub fn batches(&mut self, connection: &Connection, entries: &Entries, runs: &mut [RunProgress]) -> rusqlite::Result<()> {
        for progress in runs {
            let run = progress.run;
            let mut of_run = entries.iter().filter(|(of, _)| *of == run).map(|(_, entry)| entry).peekable();
            if of_run.peek().is_some() {
                self.batch(connection, of_run, progress)?;
            }
        }
        Ok(())
    }

    /// Writes a batch and its link.
    fn batch<'a>(
        &mut self,
        connection: &Connection,
        entries: impl Iterator<Item = &'a Entry>,
        progress: &mut RunProgress,
    ) -> rusqlite::Result<()> {
        let (run, link, first_row) = (progress.run, progress.link + 1, progress.row);
        self.block.waveforms.clear();
        let values = vec!["?"; row::COLUMNS.split(',').count() + 2].join(", ");
        let mut readings = connection.prepare_cached(&format!("INSERT INTO reading (run_id, row, {}) VALUES ({values})", row::COLUMNS))?;
        for entry in entries {
            match entry {
                Entry::Reading { reading, waveform } => {
                    row::insert(&mut readings, run, progress.row, reading)?;
                    if let Some(waveform) = waveform {
                        if !self.block.takes(progress.row, waveform) {
                            self.pack(connection, run, link)?;
                        }
                        if self.block.waveforms.is_empty() {
                            self.block.first_row = progress.row;
                            self.block.base = Some(waveform.base);
                        }
                        self.block.waveforms.push(Arc::clone(&waveform.samples));
                    }
                    progress.row += 1;
                    progress.seq = Some(reading.seq);
                    progress.along = reading.place.along.or(progress.along);
                }
                other => side_entry(connection, run, link, progress.row, other)?,
            }
        }
        self.pack(connection, run, link)?;
        progress.link = link;
        progress.digest = digest::of_link(connection, run, link, (first_row, progress.row), &progress.digest)?;
        connection
            .prepare_cached("INSERT INTO link (run_id, link, first_row, end_row, digest) VALUES (?, ?, ?, ?, ?)")?
            .execute(params![run, link, first_row, progress.row, progress.digest])?;
        Ok(())
    }

    fn pack(&mut self, connection: &Connection, run: RunId, link: i64) -> rusqlite::Result<()> {
        let (Some(first), Some(base)) = (self.block.waveforms.first(), self.block.base) else {
            return Ok(());
        };
        let (codec, data) = self.packer.pack(&self.block.waveforms).map_err(io_error)?;
        connection
            .prepare_cached(
                "INSERT INTO waveform_block (run_id, link, first_row, count, samples_each, rate_hz, first_sample_ns, bits, codec, data)
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                run,
                link,
                self.block.first_row,
                self.block.waveforms.len() as i64,
                first.len() as i64,
                base.rate.as_hz(),
                base.first.as_ns(),
                base.bits,
                codec,
                data
            ])?;
        self.block.waveforms.clear();
        Ok(())
    }
}

/// An entry that is not a reading.
fn side_entry(connection: &Connection, run: RunId, link: i64, next_row: i64, entry: &Entry) -> rusqlite::Result<()> {
    match entry {
        // Written by the batch itself.
        Entry::Reading { .. } => Ok(0),
        Entry::Mark(mark) => connection
            .prepare_cached("INSERT INTO mark (run_id, link, kind, position_um, seq, text, at_us) VALUES (?, ?, ?, ?, ?, ?, ?)")?
            .execute(params![run, link, mark.kind.word(), row::micrometres(mark.along), mark.seq, mark.text, mark.at_us]),
        Entry::Note(note) => connection
            .prepare_cached("INSERT INTO note (run_id, link, position_um, text, at_us, said_json) VALUES (?, ?, ?, ?, ?, ?)")?
            .execute(params![run, link, row::micrometres(note.along), note.text.to_string(), note.at_us, said(&note.text)?]),
        Entry::Event { kind, text, seq, along, at_us } => connection
            .prepare_cached("INSERT INTO event (run_id, link, kind, text, seq, position_um, at_us, said_json) VALUES (?, ?, ?, ?, ?, ?, ?, ?)")?
            .execute(params![run, link, kind.word(), text.to_string(), seq, row::micrometres(*along), at_us, said(text)?]),
        Entry::Lost { shots, text, seq, along, at_us } => connection
            .prepare_cached(
                "INSERT INTO event (run_id, link, kind, text, seq, position_um, at_us, shots, said_json) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![run, link, EventKind::Lost.word(), text, seq, row::micrometres(*along), at_us, shots, NO_VALUES]),
        Entry::TimeBase(base) => connection
            .prepare_cached("INSERT INTO time_base (run_id, link, from_row, rate_hz, first_sample_ns, bits) VALUES (?, ?, ?, ?, ?, ?)")?
            .execute(params![run, link, next_row, base.rate.as_hz(), base.first.as_ns(), base.bits]),
        Entry::SetupChange(setup_id) => connection
            .prepare_cached("INSERT INTO setup_change (run_id, link, from_row, setup_id) VALUES (?, ?, ?, ?)")?
            .execute(params![run, link, next_row, setup_id]),
        Entry::PlaceSet { along, across } => connection
            .prepare_cached("INSERT INTO place_set (run_id, link, from_row, along_um, across_um) VALUES (?, ?, ?, ?, ?)")?
            .execute(params![run, link, next_row, along.as_micrometres(), row::micrometres(*across)]),
        Entry::Judgement(Judgement { rows, flags, stretch }) => connection
            .prepare_cached("INSERT INTO judgement (run_id, link, first_row, last_row, flags, stretch_json) VALUES (?, ?, ?, ?, ?, ?)")?
            .execute(params![run, link, rows.0 as i64, rows.1 as i64, flags.bits(), stretch.as_ref().map(json).transpose()?]),
        Entry::Spot(spot) => connection
            .prepare_cached(
                "INSERT INTO spot (run_id, link, number, from_um, to_um, least_nm, least_at_um, least_seq, level, course, readings,
                 acknowledged, kind, evidence, stretch_json) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                run,
                link,
                spot.id,
                row::micrometres(spot.edges.map(|edges| edges.0)),
                row::micrometres(spot.edges.map(|edges| edges.1)),
                row::nanometres(Some(spot.least)),
                row::micrometres(spot.least_at),
                spot.least_seq,
                row::stored_level(spot.level),
                spot.course,
                spot.readings,
                spot.acknowledged,
                spot.finding.map(|finding| finding.kind.word()),
                spot.finding.map(|finding| finding.evidence(LengthUnit::Mm)),
                spot.finding.and_then(|finding| finding.stretch).as_ref().map(json).transpose()?
            ]),
    }
    .map(|_| ())
}

/// Words without a value in them, as they are kept beside their text.
const NO_VALUES: &str = "[]";

/// Words with their values, as they are kept beside their text.
fn said(words: &Wording) -> rusqlite::Result<String> {
    if words.has_values() { json(words) } else { Ok(NO_VALUES.to_owned()) }
}

/// Enters something of the job; answers its number.
pub(super) fn job_item(connection: &Connection, item: &JobItem) -> rusqlite::Result<i64> {
    let signed = |sql: &str, first: &[&dyn rusqlite::ToSql], by: &Signed| {
        let mut all = first.to_vec();
        all.extend([&by.name as &dyn rusqlite::ToSql, &by.certificate, &by.at_us]);
        connection.execute(sql, all.as_slice())
    };
    let table = match item {
        JobItem::Answer(answer) => {
            signed(
                "INSERT INTO answer (item, value_json, note, name, certificate, at_us) VALUES (?, ?, ?, ?, ?, ?)",
                &[&answer.item, &json(&answer.value)?, &answer.note],
                &answer.by,
            )?;
            "answer"
        }
        JobItem::Signature(signature) => {
            signed(
                "INSERT INTO signature (answers, name, certificate, at_us) VALUES (?, ?, ?, ?)",
                &[&(signature.answers as i64)],
                &signature.by,
            )?;
            "signature"
        }
        JobItem::Override(reason, by) => {
            signed("INSERT INTO override (reason, name, certificate, at_us) VALUES (?, ?, ?, ?)", &[reason], by)?;
            "override"
        }
        JobItem::Setup(setup, origin, by) => {
            signed(
                "INSERT INTO setup (setup_json, origin, said_json, name, certificate, at_us) VALUES (?, ?, ?, ?, ?, ?)",
                &[&json(setup)?, &origin.to_string(), &said(origin)?],
                by,
            )?;
            "setup"
        }
        JobItem::Check(check) => {
            signed(
                "INSERT INTO block_check (setup_id, check_json, name, certificate, at_us) VALUES (?, ?, ?, ?, ?)",
                &[&check.setup_id, &json(check)?],
                &check.by,
            )?;
            "block_check"
        }
        JobItem::EncoderCheck(check, by) => {
            signed(
                "INSERT INTO encoder_check (distance_um, counts, set_counts_per_mm, name, certificate, at_us) VALUES (?, ?, ?, ?, ?, ?)",
                &[&check.distance.as_micrometres(), &check.counts, &check.set_counts_per_mm],
                by,
            )?;
            "encoder_check"
        }
        JobItem::Note(note) => {
            connection.execute(
                "INSERT INTO note (run_id, position_um, text, at_us, said_json) VALUES (?, ?, ?, ?, ?)",
                params![note.run, row::micrometres(note.along), note.text.to_string(), note.at_us, said(&note.text)?],
            )?;
            "note"
        }
        JobItem::Adopt(adoption) => {
            signed(
                "INSERT INTO adoption (run_id, evaluation_id, reason, name, certificate, at_us) VALUES (?, ?, ?, ?, ?, ?)",
                &[&adoption.run, &adoption.evaluation, &adoption.reason],
                &adoption.by,
            )?;
            "adoption"
        }
        JobItem::State(statement) => {
            let body = statement.said.body().map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
            signed(
                "INSERT INTO statement (kind, body, reason, name, certificate, at_us) VALUES (?, ?, ?, ?, ?, ?)",
                &[&statement.said.kind(), &body, &statement.reason],
                &statement.by,
            )?;
            "statement"
        }
    };
    ledger(connection, table)
}

/// What neighbours make of readings of an evaluation.
pub(super) fn evaluated_judgements(connection: &Connection, id: EvaluationId, judgements: &[Judgement]) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "INSERT INTO evaluated_judgement (evaluation_id, first_row, last_row, flags, stretch_json) VALUES (?, ?, ?, ?, ?)",
    )?;
    for Judgement { rows, flags, stretch } in judgements {
        statement.execute(params![id, rows.0 as i64, rows.1 as i64, flags.bits(), stretch.as_ref().map(json).transpose()?])?;
    }
    Ok(())
}

/// Ends an evaluation whose readings are in, with the digest of them: its own row, its entry in the ledger.
pub(super) fn evaluation(
    connection: &Connection,
    id: EvaluationId,
    start: &EvaluationStart,
    changes: Changes,
    digest: Digest,
) -> rusqlite::Result<EvaluationSummary> {
    connection.execute(
        "INSERT INTO evaluation (id, run_id, setup_json, setup_id, differs, why, software, changes_json, name, certificate, at_us, digest,
         evaluator, judged) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1)",
        params![
            id,
            start.run,
            json(&start.setup)?,
            start.setup_id,
            start.differs,
            start.why,
            start.software,
            json(&changes)?,
            start.by.name,
            start.by.certificate,
            start.by.at_us,
            digest,
            EVALUATOR_VERSION
        ],
    )?;
    ledger(connection, "evaluation")?;
    Ok(EvaluationSummary { id, start: start.clone(), changes, digest: digest::hex(&digest) })
}

/// The plan as JSON, for those who read the file with another tool; the TOML it came from is what counts.
pub(super) fn plan(connection: &Connection, plan: &Plan) -> rusqlite::Result<()> {
    connection.execute("INSERT INTO plan (id, plan_json) VALUES (1, ?)", params![json(plan)?]).map(drop)
}

/// Enters the row just inserted into `table` in the ledger; answers its number.
pub(super) fn ledger(connection: &Connection, table: &str) -> rusqlite::Result<i64> {
    ledger_row(connection, table, connection.last_insert_rowid())
}

/// Enters in the ledger the runs of a file from before it held them.
pub(super) fn runs_into_ledger(connection: &Connection) -> rusqlite::Result<()> {
    for (table, key) in [("run", "id"), ("run_end", "run_id")] {
        let mut rows = connection.prepare(&format!("SELECT {key} FROM {table} ORDER BY {key}"))?;
        let rows: Vec<i64> = rows.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
        rows.into_iter().try_for_each(|row| ledger_row(connection, table, row).map(drop))?;
    }
    Ok(())
}

fn ledger_row(connection: &Connection, table: &str, id: i64) -> rusqlite::Result<i64> {
    let digest = digest::of_ledger(connection, table, id, &digest::last_ledger(connection)?)?;
    connection.execute("INSERT INTO ledger (item, item_id, digest) VALUES (?, ?, ?)", params![table, id, digest])?;
    Ok(id)
}

pub(super) fn json<T: serde::Serialize>(value: &T) -> rusqlite::Result<String> {
    serde_json::to_string(value).map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}
