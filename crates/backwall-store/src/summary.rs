//! What a run came to: counted from its rows, and for ended runs as it was written down at the end.

use super::contents::{EventKind, PlaceSet, RunId, RunStart, RunState, RunSummary, SetupChange};
use super::digest::{self, Digest, hex};
use super::minimum;
use super::schema::{ACROSS_SET_SINCE, CHANGED_SINCE};
use backwall_survey::job::force::Recorded;
use backwall_survey::travel::SequenceWatch;
use backwall_units::Length;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Row};

/// Columns of `run_end` but its digest, in the order they are hashed.
pub(super) const END_COLUMNS: &str = "state, reason, closed_us, readings, no_echo, lost, spots, least_nm, least_at_um, from_um, to_um";

/// How a run ends.
pub(super) struct RunEnding<'a> {
    pub state: RunState,
    pub reason: &'a str,
    pub closed_us: i64,
    /// `None`: nobody counted, so the jumps in `seq` are counted now.
    pub lost: Option<u64>,
}

/// Counts a run's rows: readings, no_echo, spots, least_nm, least_at_um, from_um, to_um.
fn count(connection: &Connection, run: RunId) -> rusqlite::Result<[Option<i64>; 7]> {
    let mut counts = connection
        .prepare_cached(
            "SELECT count(*), coalesce(sum(thickness_nm IS NULL), 0),
               (SELECT count(DISTINCT number) FROM spot WHERE run_id = ?1
                AND number NOT IN (SELECT number FROM spot WHERE run_id = ?1 AND readings = 0)), NULL, NULL, min(position_um), max(position_um)
             FROM reading WHERE run_id = ?1",
        )?
        .query_row([run], |row| {
            let mut counts = [None; 7];
            for (index, count) in counts.iter_mut().enumerate() {
                *count = row.get(index)?;
            }
            Ok(counts)
        })?;
    if let Some((least, at)) = minimum::counted(connection, run)? {
        (counts[3], counts[4]) = (Some(least.as_nanometres()), at.map(Length::as_micrometres));
    }
    Ok(counts)
}

/// The shots of a run that nobody closed, counted off its numbers. Where shots of other channels came between, which are not in the file,
/// what was written down as lost while it ran.
fn count_lost(connection: &Connection, run: RunId) -> rusqlite::Result<u64> {
    if connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))? >= super::row::ACROSS_SINCE {
        let sql = "SELECT sum(shots), max(kind = ?2) FROM event WHERE run_id = ?1 AND kind IN (?2, ?3)";
        let (lost, beside): (Option<i64>, Option<bool>) =
            connection.query_row(sql, rusqlite::params![run, EventKind::Channel.word(), EventKind::Lost.word()], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })?;
        if beside == Some(true) {
            return Ok(lost.unwrap_or(0) as u64);
        }
    }
    let mut watch = SequenceWatch::default();
    let mut statement = connection.prepare_cached("SELECT seq FROM reading WHERE run_id = ?1 ORDER BY row")?;
    let mut rows = statement.query([run])?;
    while let Some(row) = rows.next()? {
        watch.next(row.get(0)?);
    }
    watch.end();
    Ok(watch.lost())
}

/// Writes down how a run ended, with its digest.
pub(super) fn end(connection: &Connection, run: RunId, ending: &RunEnding<'_>) -> rusqlite::Result<()> {
    let [readings, no_echo, spots, rest @ ..] = count(connection, run)?;
    let lost = match ending.lost {
        Some(lost) => lost,
        None => count_lost(connection, run)?,
    };
    let state = if ending.state == RunState::Closed { "closed" } else { "interrupted" };
    let mut values: Vec<Value> = vec![state.to_owned().into(), ending.reason.to_owned().into(), ending.closed_us.into()];
    values.extend([readings, no_echo, Some(lost as i64), spots].into_iter().chain(rest).map(Value::from));
    let (_, _, last) = digest::last_link(connection, run)?;
    let digest = digest::of_end(connection, run, &last, &values)?;
    values.push(Value::Blob(digest.to_vec()));
    let marks = vec!["?"; values.len()].join(", ");
    connection.execute(
        &format!("INSERT INTO run_end (run_id, {END_COLUMNS}, digest) VALUES ({run}, {marks})"),
        rusqlite::params_from_iter(values),
    )?;
    super::insert::ledger(connection, "run_end").map(drop)
}

/// Every run with its line as recorded, and whether it is still open.
pub(super) fn starts(connection: &Connection) -> rusqlite::Result<Vec<Recorded>> {
    let mut runs = connection
        .prepare_cached("SELECT id, line, NOT EXISTS (SELECT 1 FROM run_end WHERE run_end.run_id = run.id) FROM run ORDER BY id")?;
    runs.query_map([], |row| Ok(Recorded { run: row.get(0)?, line: row.get(1)?, is_open: row.get(2)? }))?.collect()
}

/// Runs that were never ended.
pub(super) fn open_runs(connection: &Connection) -> rusqlite::Result<Vec<RunId>> {
    connection
        .prepare("SELECT id FROM run WHERE id NOT IN (SELECT run_id FROM run_end) ORDER BY id")?
        .query_map([], |row| row.get(0))?
        .collect()
}

pub(super) fn runs(connection: &Connection) -> rusqlite::Result<Vec<RunSummary>> {
    let ids: Vec<RunId> =
        connection.prepare("SELECT id FROM run ORDER BY id")?.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    ids.into_iter().filter_map(|run| summary(connection, run).transpose()).collect()
}

/// What a run was started with; `None` when there is no such run.
pub(super) fn start(connection: &Connection, run: RunId) -> rusqlite::Result<Option<RunStart>> {
    connection
        .prepare_cached("SELECT start_json FROM run WHERE id = ?1")?
        .query_row([run], |row| super::reader::from_json(row, 0))
        .optional()
}

/// The set-ups a run went on with, in order.
fn changes(connection: &Connection, run: RunId) -> rusqlite::Result<Vec<SetupChange>> {
    if connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))? < CHANGED_SINCE {
        return Ok(Vec::new());
    }
    connection
        .prepare_cached(
            "SELECT c.from_row, c.setup_id, s.setup_json, s.at_us FROM setup_change AS c JOIN setup AS s ON s.id = c.setup_id
             WHERE c.run_id = ?1 ORDER BY c.id",
        )?
        .query_map([run], |row| {
            let setup = super::reader::from_json(row, 2)?;
            Ok(SetupChange { from_row: row.get::<_, i64>(0)? as u64, setup_id: row.get(1)?, setup, at_us: row.get(3)? })
        })?
        .collect()
}

/// The places that were set while a run went on, in order.
fn placed(connection: &Connection, run: RunId) -> rusqlite::Result<Vec<PlaceSet>> {
    let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if version < CHANGED_SINCE {
        return Ok(Vec::new());
    }
    let across = if version < ACROSS_SET_SINCE { "NULL" } else { "across_um" };
    connection
        .prepare_cached(&format!("SELECT from_row, along_um, {across} FROM place_set WHERE run_id = ?1 ORDER BY id"))?
        .query_map([run], |row| {
            let across = row.get::<_, Option<i64>>(2)?.map(Length::micrometres);
            Ok(PlaceSet { from_row: row.get::<_, i64>(0)? as u64, along: Length::micrometres(row.get(1)?), across })
        })?
        .collect()
}

/// A run's summary; `None` when there is no such run.
pub(super) fn summary(connection: &Connection, run: RunId) -> rusqlite::Result<Option<RunSummary>> {
    let summary = without_changes(connection, run)?;
    let Some(summary) = summary else { return Ok(None) };
    let (changes, placed, dropped) = (changes(connection, run)?, placed(connection, run)?, dropped(connection, run)?);
    let adjusted = happened(connection, run, EventKind::Adjusted)?;
    let found_far = happened(connection, run, EventKind::FarFromBlocks)?;
    Ok(Some(RunSummary { changes, placed, dropped, adjusted, found_far, ..summary }))
}

/// What was dropped of the stream, as it was last said.
fn dropped(connection: &Connection, run: RunId) -> rusqlite::Result<Option<String>> {
    connection
        .prepare_cached("SELECT text FROM event WHERE run_id = ?1 AND kind = ?2 ORDER BY id DESC LIMIT 1")?
        .query_row(rusqlite::params![run, EventKind::Dropped.word()], |row| row.get(0))
        .optional()
}

fn happened(connection: &Connection, run: RunId, kind: EventKind) -> rusqlite::Result<bool> {
    connection
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM event WHERE run_id = ?1 AND kind = ?2)")?
        .query_row(rusqlite::params![run, kind.word()], |row| row.get(0))
}

fn without_changes(connection: &Connection, run: RunId) -> rusqlite::Result<Option<RunSummary>> {
    let Some(start) = start(connection, run)? else {
        return Ok(None);
    };
    let ended = connection
        .prepare_cached(&format!("SELECT {END_COLUMNS}, digest FROM run_end WHERE run_id = ?1"))?
        .query_row([run], |row| ended(row, run, start.clone()))
        .optional()?;
    if ended.is_some() {
        return Ok(ended);
    }
    let counts = count(connection, run)?;
    let lost = count_lost(connection, run)?;
    Ok(Some(filled(run, start, RunState::Open, String::new(), None, lost, counts, None)))
}

fn ended(row: &Row<'_>, run: RunId, start: RunStart) -> rusqlite::Result<RunSummary> {
    let state = if row.get_ref(0)?.as_str()? == "closed" { RunState::Closed } else { RunState::Interrupted };
    let counts = [row.get(3)?, row.get(4)?, row.get(6)?, row.get(7)?, row.get(8)?, row.get(9)?, row.get(10)?];
    let digest: Digest = row.get(11)?;
    Ok(filled(run, start, state, row.get(1)?, row.get(2)?, row.get::<_, i64>(5)? as u64, counts, Some(hex(&digest))))
}

#[expect(clippy::too_many_arguments, reason = "the two ways to a summary meet here and nowhere else")]
fn filled(
    id: RunId,
    start: RunStart,
    state: RunState,
    reason: String,
    closed_us: Option<i64>,
    lost: u64,
    [readings, no_echo, spots, least, least_at, from, to]: [Option<i64>; 7],
    digest: Option<String>,
) -> RunSummary {
    let counted = |count: Option<i64>| count.unwrap_or(0) as u64;
    RunSummary {
        id,
        start,
        changes: Vec::new(),
        placed: Vec::new(),
        state,
        reason,
        closed_us,
        readings: counted(readings),
        no_echo: counted(no_echo),
        lost,
        dropped: None,
        adjusted: false,
        found_far: false,
        spots: counted(spots),
        least: least.map(Length::nanometres),
        least_at: least_at.map(Length::micrometres),
        from: from.map(Length::micrometres),
        to: to.map(Length::micrometres),
        digest,
    }
}
