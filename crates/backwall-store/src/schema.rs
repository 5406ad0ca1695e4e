//! The tables of a job file, how they came to be version by version, and how a connection is set up.

use super::error::StoreError;
use rusqlite::types::Type;
use rusqlite::{Connection, OpenFlags};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

/// Marks an SQLite file as a job file ("Bkwl").
pub(super) const APPLICATION_ID: i64 = 0x426b_776c;

/// Steps from nothing to the present format; `user_version` counts those done. A step once released never changes.
const STEPS: &[&str] = &[VERSION_1, VERSION_2, VERSION_3, VERSION_4, VERSION_5, VERSION_6, VERSION_7, VERSION_8, VERSION_9];

/// The version that brought judgements.
pub(super) const JUDGED_SINCE: i64 = 5;
/// The version that brought adopted evaluations.
pub(super) const ADOPTED_SINCE: i64 = 5;
/// The version that brought statements, and runs and their ends into the ledger.
pub(super) const STATED_SINCE: i64 = 6;

/// The version that brought set-ups changed within a run.
pub(super) const CHANGED_SINCE: i64 = 6;

/// The version that brought values beside words.
pub(super) const SAID_SINCE: i64 = 8;

/// The version that brought the place across to places that are set.
pub(super) const ACROSS_SET_SINCE: i64 = 9;

pub(super) const KNOWN_VERSION: i64 = STEPS.len() as i64;

/// Pages of the write-ahead log not yet in the main file, at which they are brought there: 16 MiB of 8 KiB pages.
pub(super) const CHECKPOINT_PAGES: i64 = 2048;

/// Statements a connection keeps compiled.
const STATEMENTS_KEPT: usize = 64;

const VERSION_1: &str = "
CREATE TABLE job (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  number TEXT NOT NULL, site TEXT NOT NULL, asset TEXT NOT NULL, procedure TEXT NOT NULL,
  created_us INTEGER NOT NULL,
  software TEXT NOT NULL,
  plan_toml TEXT NOT NULL,
  checklist_json TEXT NOT NULL
) STRICT;

CREATE TABLE answer (
  id INTEGER PRIMARY KEY, item TEXT NOT NULL, value_json TEXT NOT NULL, note TEXT NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE signature (
  id INTEGER PRIMARY KEY, answers INTEGER NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE override (
  id INTEGER PRIMARY KEY, reason TEXT NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE setup (
  id INTEGER PRIMARY KEY, setup_json TEXT NOT NULL, origin TEXT NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

-- Verifications of a set-up on a block of known thickness.
CREATE TABLE block_check (
  id INTEGER PRIMARY KEY, setup_id INTEGER NOT NULL REFERENCES setup(id), check_json TEXT NOT NULL,
  true_mm REAL NOT NULL GENERATED ALWAYS AS (check_json ->> '$.true_mm') VIRTUAL,
  measured_mm REAL GENERATED ALWAYS AS (check_json ->> '$.measured_mm') VIRTUAL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE encoder_check (
  id INTEGER PRIMARY KEY, distance_um INTEGER NOT NULL, counts INTEGER NOT NULL, set_counts_per_mm REAL NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE run (
  id INTEGER PRIMARY KEY,
  start_json TEXT NOT NULL,
  setup_id INTEGER REFERENCES setup(id),
  line TEXT NOT NULL GENERATED ALWAYS AS (start_json ->> '$.line') VIRTUAL,
  operator TEXT NOT NULL GENERATED ALWAYS AS (start_json ->> '$.operator') VIRTUAL,
  started_us INTEGER NOT NULL GENERATED ALWAYS AS (start_json ->> '$.started_us') VIRTUAL
) STRICT;

-- One row per commit of a run: what it added, and a digest chained over all before it.
CREATE TABLE link (
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  first_row INTEGER NOT NULL, end_row INTEGER NOT NULL CHECK (end_row >= first_row),
  digest BLOB NOT NULL CHECK (length(digest) = 32),
  PRIMARY KEY (run_id, link)
) STRICT, WITHOUT ROWID;

CREATE TABLE reading (
  run_id INTEGER NOT NULL REFERENCES run(id),
  row INTEGER NOT NULL,
  seq INTEGER NOT NULL,
  device_time_us INTEGER,
  host_time_us INTEGER NOT NULL,
  encoder_counts INTEGER,
  position_um INTEGER,
  course INTEGER,
  speed_um_s INTEGER,
  gain_cdb INTEGER,
  wall_temperature_mdeg INTEGER,
  echo_time_ps INTEGER,
  next_echo_time_ps INTEGER,
  thickness_nm INTEGER,
  uncertainty_nm INTEGER,
  height_cpct INTEGER,
  snr_cdb INTEGER,
  quality TEXT NOT NULL CHECK (quality IN ('none', 'poor', 'fair', 'good')),
  flags INTEGER NOT NULL,
  level TEXT NOT NULL CHECK (level IN ('SOUND', 'WATCH', 'THIN', 'LOST', 'NO LIMIT')),
  PRIMARY KEY (run_id, row)
) STRICT, WITHOUT ROWID;

-- The waveforms of readings first_row .. first_row + count - 1.
CREATE TABLE waveform_block (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  first_row INTEGER NOT NULL, count INTEGER NOT NULL CHECK (count BETWEEN 1 AND 256),
  samples_each INTEGER NOT NULL CHECK (samples_each >= 0),
  rate_hz REAL NOT NULL, first_sample_ns REAL NOT NULL, bits INTEGER NOT NULL,
  codec INTEGER NOT NULL,
  data BLOB NOT NULL,
  UNIQUE (run_id, first_row)
) STRICT;

CREATE TABLE time_base (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  from_row INTEGER NOT NULL, rate_hz REAL NOT NULL, first_sample_ns REAL NOT NULL, bits INTEGER NOT NULL
) STRICT;
CREATE INDEX time_base_of_link ON time_base (run_id, link);

CREATE TABLE mark (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  kind TEXT NOT NULL, position_um INTEGER, seq INTEGER, text TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX mark_of_link ON mark (run_id, link);

CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  kind TEXT NOT NULL, text TEXT NOT NULL, seq INTEGER, position_um INTEGER, at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX event_of_link ON event (run_id, link);

-- Each state of a spot is a row; the last one of a number counts.
CREATE TABLE spot (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  number INTEGER NOT NULL, from_um INTEGER, to_um INTEGER,
  least_nm INTEGER NOT NULL, least_at_um INTEGER, least_seq INTEGER NOT NULL,
  level TEXT NOT NULL, course INTEGER, readings INTEGER NOT NULL, acknowledged INTEGER NOT NULL
) STRICT;
CREATE INDEX spot_of_link ON spot (run_id, link);

-- Notes taken while a run was open have a link; all others stand in the ledger.
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  run_id INTEGER REFERENCES run(id), link INTEGER,
  position_um INTEGER, text TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX note_of_link ON note (run_id, link);

-- How a run ended. A run without such a row is open.
CREATE TABLE run_end (
  run_id INTEGER PRIMARY KEY REFERENCES run(id),
  state TEXT NOT NULL CHECK (state IN ('closed', 'interrupted')),
  reason TEXT NOT NULL, closed_us INTEGER NOT NULL,
  readings INTEGER NOT NULL, no_echo INTEGER NOT NULL, lost INTEGER NOT NULL, spots INTEGER NOT NULL,
  least_nm INTEGER, least_at_um INTEGER, from_um INTEGER, to_um INTEGER,
  digest BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;

-- Everything that belongs to the job rather than to an open run, in the order it was entered, with a chained digest.
CREATE TABLE ledger (
  id INTEGER PRIMARY KEY, item TEXT NOT NULL, item_id INTEGER NOT NULL,
  digest BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;

-- Readings of a run made again from its waveforms with another set-up. Its row is the last thing an evaluation gets:
-- what has one is whole.
CREATE TABLE evaluation (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id),
  setup_json TEXT NOT NULL,
  setup_id INTEGER REFERENCES setup(id),
  differs TEXT NOT NULL, why TEXT NOT NULL, software TEXT NOT NULL,
  changes_json TEXT NOT NULL,
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL,
  digest BLOB NOT NULL CHECK (length(digest) = 32)
) STRICT;

-- What an evaluation makes of the run's reading in the same row; everything else of that reading stands.
CREATE TABLE evaluated (
  evaluation_id INTEGER NOT NULL REFERENCES evaluation(id) DEFERRABLE INITIALLY DEFERRED,
  row INTEGER NOT NULL,
  echo_time_ps INTEGER,
  next_echo_time_ps INTEGER,
  thickness_nm INTEGER,
  uncertainty_nm INTEGER,
  height_cpct INTEGER,
  snr_cdb INTEGER,
  quality TEXT NOT NULL CHECK (quality IN ('none', 'poor', 'fair', 'good')),
  flags INTEGER NOT NULL,
  level TEXT NOT NULL CHECK (level IN ('SOUND', 'WATCH', 'THIN', 'LOST', 'NO LIMIT')),
  PRIMARY KEY (evaluation_id, row)
) STRICT, WITHOUT ROWID;

CREATE VIEW reading_text AS SELECT
  reading.run_id AS run, reading.seq, run.line,
  strftime('%Y-%m-%dT%H:%M:%fZ', host_time_us / 1e6, 'unixepoch') AS host_time,
  position_um / 1e3 AS position_mm, course, speed_um_s / 1e3 AS speed_mm_s,
  echo_time_ps / 1e3 AS echo_time_ns, thickness_nm / 1e6 AS thickness_mm, uncertainty_nm / 1e6 AS uncertainty_mm,
  height_cpct / 1e2 AS height_pct, snr_cdb / 1e2 AS snr_db, gain_cdb / 1e2 AS gain_db,
  wall_temperature_mdeg / 1e3 AS wall_temperature_c, quality, flags, level
FROM reading JOIN run ON run.id = reading.run_id
ORDER BY reading.run_id, reading.row;
";

/// The plan once more, as JSON, and views that show it as tables to whoever opens the file with another tool.
const VERSION_2: &str = "
CREATE TABLE plan (
  id INTEGER PRIMARY KEY CHECK (id = 1) REFERENCES job(id),
  plan_json TEXT NOT NULL
) STRICT;

CREATE VIEW asset AS SELECT
  plan_json ->> '$.asset.kind' AS kind, plan_json ->> '$.asset.name' AS name,
  plan_json ->> '$.asset.diameter_mm' AS diameter_mm, plan_json ->> '$.asset.material' AS material,
  plan_json ->> '$.asset.surface_temperature_c' AS surface_temperature_c, plan_json ->> '$.asset.datum' AS datum
FROM plan;

CREATE VIEW course AS SELECT
  value ->> '$.number' AS number, value ->> '$.height_mm' AS height_mm, value ->> '$.nominal_mm' AS nominal_mm,
  value ->> '$.required_mm' AS required_mm, value ->> '$.required_from' AS required_from
FROM plan, json_each(plan_json, '$.asset.course');

CREATE VIEW line AS SELECT
  value ->> '$.name' AS name, value ->> '$.azimuth_deg' AS azimuth_deg, value ->> '$.start_mm' AS start_mm,
  value ->> '$.length_mm' AS length_mm, value ->> '$.direction' AS direction, value ->> '$.course' AS course,
  value ->> '$.elevation_mm' AS elevation_mm
FROM plan, json_each(plan_json, '$.line');

CREATE VIEW person AS SELECT
  value ->> '$.name' AS name, value ->> '$.role' AS role, value ->> '$.certificate' AS certificate, value ->> '$.expires' AS expires
FROM plan, json_each(plan_json, '$.person');

CREATE VIEW kit AS SELECT value ->> '$.kind' AS kind, value ->> '$.serial' AS serial, value ->> '$.due' AS due
FROM plan, json_each(plan_json, '$.kit');
";

/// What lies between probe and wall, where a shot told it.
const VERSION_3: &str = "
ALTER TABLE reading ADD COLUMN coating_nm INTEGER;
ALTER TABLE reading ADD COLUMN coating_uncertainty_nm INTEGER;
ALTER TABLE evaluated ADD COLUMN coating_nm INTEGER;
ALTER TABLE evaluated ADD COLUMN coating_uncertainty_nm INTEGER;

DROP VIEW reading_text;
CREATE VIEW reading_text AS SELECT
  reading.run_id AS run, reading.seq, run.line,
  strftime('%Y-%m-%dT%H:%M:%fZ', host_time_us / 1e6, 'unixepoch') AS host_time,
  position_um / 1e3 AS position_mm, course, speed_um_s / 1e3 AS speed_mm_s,
  echo_time_ps / 1e3 AS echo_time_ns, thickness_nm / 1e6 AS thickness_mm, uncertainty_nm / 1e6 AS uncertainty_mm,
  height_cpct / 1e2 AS height_pct, snr_cdb / 1e2 AS snr_db, gain_cdb / 1e2 AS gain_db,
  wall_temperature_mdeg / 1e3 AS wall_temperature_c, quality, flags, level, coating_nm / 1e6 AS coating_mm
FROM reading JOIN run ON run.id = reading.run_id
ORDER BY reading.run_id, reading.row;
";

/// The number of the evaluator that made the readings; nothing for those of the first, which did not keep it.
const VERSION_4: &str = "
ALTER TABLE run ADD COLUMN evaluator INTEGER;
ALTER TABLE evaluation ADD COLUMN evaluator INTEGER;

DROP VIEW reading_text;
CREATE VIEW reading_text AS SELECT
  reading.run_id AS run, reading.seq, run.line,
  strftime('%Y-%m-%dT%H:%M:%fZ', host_time_us / 1e6, 'unixepoch') AS host_time,
  position_um / 1e3 AS position_mm, course, speed_um_s / 1e3 AS speed_mm_s,
  echo_time_ps / 1e3 AS echo_time_ns, thickness_nm / 1e6 AS thickness_mm, uncertainty_nm / 5e5 AS uncertainty_k2_mm,
  height_cpct / 1e2 AS height_pct, snr_cdb / 1e2 AS snr_db, gain_cdb / 1e2 AS gain_db,
  wall_temperature_mdeg / 1e3 AS wall_temperature_c, quality, flags,
  CASE level WHEN 'SOUND' THEN 'CLEAR' WHEN 'LOST' THEN 'NO ECHO' ELSE level END AS level,
  coating_nm / 1e6 AS coating_mm
FROM reading JOIN run ON run.id = reading.run_id
ORDER BY reading.run_id, reading.row;
";

/// What the neighbours of readings make of them: flags that a stretch of rows has beside its own, and what it is taken for;
/// and which readings of a run count.
const VERSION_5: &str = "
CREATE TABLE judgement (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  first_row INTEGER NOT NULL, last_row INTEGER NOT NULL CHECK (last_row >= first_row),
  flags INTEGER NOT NULL, stretch_json TEXT,
  kind TEXT GENERATED ALWAYS AS (stretch_json ->> '$.kind') VIRTUAL
) STRICT;
CREATE INDEX judgement_of_link ON judgement (run_id, link);
CREATE INDEX judgement_of_row ON judgement (run_id, last_row);

-- Which readings of a run count: the newest row of a run holds.
CREATE TABLE adoption (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id),
  evaluation_id INTEGER REFERENCES evaluation(id),
  reason TEXT NOT NULL CHECK (length(trim(reason)) > 0),
  name TEXT NOT NULL, certificate TEXT NOT NULL, at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX adoption_of_run ON adoption (run_id, id);
CREATE TRIGGER adoption_of_its_run BEFORE INSERT ON adoption
WHEN NEW.evaluation_id IS NOT NULL
  AND NOT EXISTS (SELECT 1 FROM evaluation WHERE id = NEW.evaluation_id AND run_id = NEW.run_id) BEGIN
  SELECT RAISE(ABORT, 'an evaluation is adopted for the run it was made of');
END;

ALTER TABLE spot ADD COLUMN kind TEXT;
ALTER TABLE spot ADD COLUMN evidence TEXT;
ALTER TABLE spot ADD COLUMN stretch_json TEXT;
";

/// What people say about the job while it lives, and set-ups changed within a run; the newest statement about a thing counts. From here on the ledger also holds
/// the start and the end of every run, so that its last digest covers the whole job.
const VERSION_6: &str = "
CREATE TABLE statement (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  body TEXT NOT NULL CHECK (json_valid(body)),
  reason TEXT NOT NULL,
  name TEXT NOT NULL CHECK (length(trim(name)) > 0), certificate TEXT NOT NULL, at_us INTEGER NOT NULL,
  run_id INTEGER GENERATED ALWAYS AS (body ->> '$.run') VIRTUAL REFERENCES run(id)
) STRICT;

-- From which row on a run went on with another set-up than it began with.
CREATE TABLE setup_change (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  from_row INTEGER NOT NULL CHECK (from_row >= 0), setup_id INTEGER NOT NULL REFERENCES setup(id)
) STRICT;
CREATE INDEX setup_change_of_link ON setup_change (run_id, link);

-- At which row the operator said where the crawler stands.
CREATE TABLE place_set (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run(id), link INTEGER NOT NULL,
  from_row INTEGER NOT NULL CHECK (from_row >= 0), along_um INTEGER NOT NULL
) STRICT;
CREATE INDEX place_set_of_link ON place_set (run_id, link);

-- What neighbours make of an evaluation's readings, as `judgement` has it of a run's own.
CREATE TABLE evaluated_judgement (
  id INTEGER PRIMARY KEY,
  evaluation_id INTEGER NOT NULL REFERENCES evaluation(id) DEFERRABLE INITIALLY DEFERRED,
  first_row INTEGER NOT NULL, last_row INTEGER NOT NULL CHECK (last_row >= first_row),
  flags INTEGER NOT NULL, stretch_json TEXT,
  kind TEXT GENERATED ALWAYS AS (stretch_json ->> '$.kind') VIRTUAL
) STRICT;
CREATE INDEX evaluated_judgement_of_row ON evaluated_judgement (evaluation_id, last_row);
-- 1 where its neighbours were judged.
ALTER TABLE evaluation ADD COLUMN judged INTEGER;
";

/// Where a reading is beside its line, how many shots an event is of, and the row of each reading with nothing where nothing was sent.
const VERSION_7: &str = "
ALTER TABLE reading ADD COLUMN across_counts INTEGER;
ALTER TABLE reading ADD COLUMN across_um INTEGER;
ALTER TABLE event ADD COLUMN shots INTEGER;

DROP VIEW reading_text;
CREATE VIEW reading_text AS SELECT
  reading.run_id AS run, reading.row, reading.seq, run.line,
  strftime('%Y-%m-%dT%H:%M:%fZ', host_time_us / 1e6, 'unixepoch') AS host_time, device_time_us,
  position_um / 1e3 AS position_mm, across_um / 1e3 AS across_mm, course, speed_um_s / 1e3 AS speed_mm_s,
  echo_time_ps / 1e3 AS echo_time_ns, thickness_nm / 1e6 AS thickness_mm, uncertainty_nm / 5e5 AS uncertainty_k2_mm,
  height_cpct / 1e2 AS height_pct, snr_cdb / 1e2 AS snr_db, nullif(gain_cdb, 0) / 1e2 AS gain_db,
  wall_temperature_mdeg / 1e3 AS wall_temperature_c, quality, flags,
  CASE level WHEN 'SOUND' THEN 'CLEAR' WHEN 'LOST' THEN 'NO ECHO' ELSE level END AS level,
  coating_nm / 1e6 AS coating_mm
FROM reading JOIN run ON run.id = reading.run_id
ORDER BY reading.run_id, reading.row;
";

/// The values in words that are kept beside them, so that they can be read in inches too: JSON, an empty list where there are none. Rows
/// without it are from before.
const VERSION_8: &str = "
ALTER TABLE event ADD COLUMN said_json TEXT;
ALTER TABLE note ADD COLUMN said_json TEXT;
ALTER TABLE setup ADD COLUMN said_json TEXT;
";

/// Where beside the line the scanner stands, where the operator said that with its place.
const VERSION_9: &str = "
ALTER TABLE place_set ADD COLUMN across_um INTEGER;
";

/// Tables whose rows are never changed or removed, by the version that brought them.
const APPEND_ONLY: &[&[&str]] = &[
    APPEND_ONLY_1,
    &["plan"],
    &[],
    &[],
    &["judgement", "adoption"],
    &["statement", "setup_change", "place_set", "evaluated_judgement"],
    &[],
    &[],
    &[],
];

const APPEND_ONLY_1: &[&str] = &[
    "job",
    "answer",
    "signature",
    "override",
    "setup",
    "block_check",
    "encoder_check",
    "run",
    "link",
    "reading",
    "waveform_block",
    "time_base",
    "mark",
    "event",
    "spot",
    "note",
    "run_end",
    "evaluation",
    "evaluated",
    "ledger",
];

fn triggers(tables: &[&str]) -> String {
    let mut sql = String::new();
    for table in tables {
        for (when, what) in [("UPDATE", "changed"), ("DELETE", "removed")] {
            sql += &format!(
                "CREATE TRIGGER {table}_no_{} BEFORE {when} ON {table} BEGIN
                   SELECT RAISE(ABORT, 'a {table} once saved is never {what}; add a new one instead');
                 END;\n",
                when.to_ascii_lowercase()
            );
        }
    }
    sql
}

/// Brings a file up to the present format, all steps or none.
pub(super) fn migrate(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let version = check(connection, path)?;
    if version == KNOWN_VERSION {
        return Ok(());
    }
    steps(connection, version as usize).map_err(|error| StoreError::sqlite(path, &error))
}

/// Lays the tables of a new file.
pub(super) fn lay(transaction: &rusqlite::Transaction<'_>) -> rusqlite::Result<()> {
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    run_steps(transaction, 0, STEPS.len())
}

/// A new file's tables as a version of the format lays them, in memory.
pub(super) fn fresh(version: i64) -> rusqlite::Result<Connection> {
    let mut connection = Connection::open_in_memory()?;
    let transaction = connection.transaction()?;
    run_steps(&transaction, 0, version as usize)?;
    transaction.commit()?;
    Ok(connection)
}

/// Kind and name of each thing of a schema, which table it is of, and how it was made.
pub(super) type Objects = BTreeMap<String, (String, Option<String>)>;

/// What the schema of a file of a version holds as this program lays it; laid once, since that takes as long as trying a short run.
pub(super) fn laid(version: i64) -> rusqlite::Result<Cow<'static, Objects>> {
    static LAID: [OnceLock<Objects>; KNOWN_VERSION as usize + 1] = [const { OnceLock::new() }; KNOWN_VERSION as usize + 1];
    let Some(place) = usize::try_from(version).ok().and_then(|version| LAID.get(version)) else {
        return objects(&fresh(version)?).map(Cow::Owned);
    };
    if let Some(laid) = place.get() {
        return Ok(Cow::Borrowed(laid));
    }
    let laid = objects(&fresh(version)?)?;
    Ok(Cow::Borrowed(place.get_or_init(|| laid)))
}

/// What a file's schema holds. One bit makes bytes of a text; they read the same.
pub(super) fn objects(connection: &Connection) -> rusqlite::Result<Objects> {
    connection
        .prepare(
            "SELECT type || ' ' || name || iif(typeof(type) || typeof(name) || typeof(tbl_name) = 'texttexttext', '', ' (not as text)'),
                    CAST(tbl_name AS TEXT), sql
             FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%'",
        )?
        .query_map([], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))?
        .collect()
}

fn steps(connection: &mut Connection, from: usize) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    run_steps(&transaction, from, STEPS.len())?;
    if (from as i64) < STATED_SINCE {
        super::insert::runs_into_ledger(&transaction)?;
    }
    if from < 2 {
        let text: String = transaction.query_row("SELECT plan_toml FROM job", [], |row| row.get(0))?;
        let plan = toml::from_str(&text).map_err(|error| rusqlite::Error::FromSqlConversionFailure(0, Type::Text, error.into()))?;
        super::insert::plan(&transaction, &plan)?;
    }
    transaction.commit()
}

fn run_steps(transaction: &rusqlite::Transaction<'_>, from: usize, to: usize) -> rusqlite::Result<()> {
    for (step, tables) in STEPS.iter().zip(APPEND_ONLY).take(to).skip(from) {
        transaction.execute_batch(step)?;
        transaction.execute_batch(&triggers(tables))?;
    }
    transaction.pragma_update(None, "user_version", to as i64)
}

/// Whether this is a job file of a format known here; answers its version.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    let number = |pragma: &str| {
        connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0)).map_err(|error| StoreError::sqlite(path, &error))
    };
    if number("application_id")? != APPLICATION_ID {
        let why = "an SQLite file, but not one of this program's, or its making was cut short";
        return Err(StoreError::NotAJob { path: path.to_path_buf(), why: why.to_owned() });
    }
    match number("user_version")? {
        version @ 1..=KNOWN_VERSION => Ok(version),
        found if found > KNOWN_VERSION => Err(StoreError::NewerVersion { path: path.to_path_buf(), found, known: KNOWN_VERSION }),
        _ => Err(StoreError::NotAJob { path: path.to_path_buf(), why: "its making was cut short".to_owned() }),
    }
}

/// What a connection is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Access {
    Write,
    Read,
    /// On media that cannot be written and with nothing in a write-ahead log.
    ReadUnchanging,
}

/// Opens a connection with everything set that is not kept in the file.
pub(super) fn connect(path: &Path, access: Access) -> rusqlite::Result<Connection> {
    let no_mutex = OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_EXRESCODE;
    let connection = match access {
        Access::Write => Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE | no_mutex)?,
        Access::Read => Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | no_mutex)?,
        Access::ReadUnchanging => {
            Connection::open_with_flags(unchanging_uri(path), OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | no_mutex)?
        }
    };
    connection.busy_timeout(std::time::Duration::from_secs(2))?;
    // A commit uses some twenty statements; where fewer are kept, each is compiled again at every commit.
    connection.set_prepared_statement_cache_capacity(STATEMENTS_KEPT);
    // No memory map: a disk that fails would end the program instead of giving an error.
    connection.execute_batch(
        "PRAGMA foreign_keys = ON; PRAGMA recursive_triggers = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;
         PRAGMA temp_store = MEMORY; PRAGMA mmap_size = 0; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;
         PRAGMA cache_size = -4096; PRAGMA journal_size_limit = 67108864;",
    )?;
    Ok(connection)
}

fn unchanging_uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    let text = path.to_string_lossy().replace('\\', "/");
    // A Windows drive letter needs a slash in front of it.
    if text.as_bytes().get(1) == Some(&b':') {
        uri.push('/');
    }
    for character in text.chars() {
        match character {
            '%' | '?' | '#' => uri.push_str(&format!("%{:02X}", character as u32)),
            _ => uri.push(character),
        }
    }
    uri + "?immutable=1"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_table_refuses_to_be_changed() {
        let connection = fresh(KNOWN_VERSION).unwrap();
        let mut names = connection.prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").unwrap();
        let mut tables: Vec<String> = names.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
        let mut kept: Vec<&str> = APPEND_ONLY.concat();
        kept.sort_unstable();
        tables.sort();
        assert_eq!(tables, kept);
    }
    /// A file as the first format laid it, with a plan in it.
    /// The page for whoever opens the file with other tools.
    #[test]
    fn the_page_of_the_job_file_has_every_table_and_the_number_of_the_format() {
        let page = include_str!("../../../docs/job-file.md");
        assert!(page.contains(&format!("the version of the format ({KNOWN_VERSION};")), "another number than {KNOWN_VERSION}");
        let connection = fresh(KNOWN_VERSION).unwrap();
        let mut names =
            connection.prepare("SELECT name FROM sqlite_schema WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite%'").unwrap();
        let names: Vec<String> = names.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
        let missing: Vec<_> = names.iter().filter(|name| !page.contains(&format!("`{name}`"))).collect();
        assert!(names.len() > 30 && missing.is_empty(), "docs/job-file.md does not name {missing:?} of {}", names.len());
    }

    #[test]
    fn a_file_of_the_first_format_is_brought_up_to_date() {
        let plan = include_str!("../../../tests/data/plan.toml");
        let mut connection = fresh(1).unwrap();
        connection.pragma_update(None, "application_id", APPLICATION_ID).unwrap();
        connection.execute("INSERT INTO job VALUES (1, 'FP-0412', 'site', 'TK-7', 'WT-07', 0, 'backwall', ?1, '{}')", [plan]).unwrap();
        assert!(connection.prepare("SELECT * FROM course").is_err());

        migrate(&mut connection, Path::new("old.job")).unwrap();
        assert_eq!(objects(&connection).unwrap(), objects(&fresh(KNOWN_VERSION).unwrap()).unwrap());
        let number = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, f64>(0)).unwrap();
        let written: toml::Table = plan.parse().unwrap();
        let courses = written["asset"]["course"].as_array().unwrap();
        assert_eq!(number("SELECT count(*) FROM course") as usize, courses.len());
        assert_eq!(number("SELECT nominal_mm FROM course WHERE number = 1"), courses[0]["nominal_mm"].as_float().unwrap());
        assert_eq!(number("SELECT count(*) FROM line") as usize, written["line"].as_array().unwrap().len());
        assert_eq!(number("SELECT count(*) FROM person") as usize, written["person"].as_array().unwrap().len());
        assert_eq!(number("SELECT count(*) FROM kit") as usize, written["kit"].as_array().unwrap().len());
        assert_eq!(number("SELECT count(*) FROM asset"), 1.0);
        assert!(connection.execute("UPDATE plan SET plan_json = '{}'", []).unwrap_err().to_string().contains("never changed"));
        // Nothing is left to do the second time.
        migrate(&mut connection, Path::new("old.job")).unwrap();
    }
}
