//! The chain of digests. Each commit of a run adds a link: BLAKE3 over the link before and everything the commit
//! added, read back from the tables. Writing and verifying call the same functions, so there is one definition of
//! what is covered. A chain shows that something was changed only to those who kept its end elsewhere: the digest of
//! a closed run stands in every report and export.

use super::schema;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row};

pub(super) type Digest = [u8; 32];

const CONTEXT: &str = "backwall job file 1";

/// What a link covers besides its readings, in this order, each with the columns its table began with.
const BY_LINK: [(&str, usize); 6] = [
    ("SELECT * FROM waveform_block WHERE run_id = ?1 AND first_row >= ?3 AND first_row < ?4 AND link = ?2 ORDER BY id", ALL),
    ("SELECT * FROM time_base WHERE run_id = ?1 AND link = ?2 ORDER BY id", ALL),
    ("SELECT * FROM mark WHERE run_id = ?1 AND link = ?2 ORDER BY id", ALL),
    ("SELECT * FROM event WHERE run_id = ?1 AND link = ?2 ORDER BY id", EVENT_COLUMNS),
    ("SELECT * FROM spot WHERE run_id = ?1 AND link = ?2 ORDER BY id", SPOT_COLUMNS),
    ("SELECT * FROM note WHERE run_id = ?1 AND link = ?2 ORDER BY id", NOTE_COLUMNS),
];
const READINGS: &str = "SELECT * FROM reading WHERE run_id = ?1 AND row >= ?2 AND row < ?3 ORDER BY row";

/// Columns the tables began with that have more by now; of the others all count.
const READING_COLUMNS: usize = 20;
const RUN_COLUMNS: usize = 6;
const EVALUATION_COLUMNS: usize = 12;
const EVALUATED_COLUMNS: usize = 11;
const SPOT_COLUMNS: usize = 13;
const EVENT_COLUMNS: usize = 8;
const NOTE_COLUMNS: usize = 6;
const SETUP_COLUMNS: usize = 6;
const ALL: usize = usize::MAX;

/// Values in a form that can be read in one way only.
struct Hash {
    hasher: blake3::Hasher,
    buffer: Vec<u8>,
}

impl Hash {
    fn new(what: &str, before: &Digest) -> Self {
        let mut hash = Self { hasher: blake3::Hasher::new_derive_key(CONTEXT), buffer: Vec::with_capacity(8192) };
        hash.bytes(b'k', what.as_bytes());
        hash.bytes(b'k', before);
        hash
    }
    fn bytes(&mut self, tag: u8, bytes: &[u8]) {
        self.buffer.push(tag);
        self.buffer.extend_from_slice(&(bytes.len() as u64).to_le_bytes());
        if bytes.len() > 4096 {
            self.flush();
            self.hasher.update(bytes);
        } else {
            self.buffer.extend_from_slice(bytes);
        }
    }
    fn flush(&mut self) {
        self.hasher.update(&self.buffer);
        self.buffer.clear();
    }
    fn value(&mut self, value: ValueRef<'_>) {
        match value {
            ValueRef::Null => self.buffer.push(b'-'),
            ValueRef::Integer(value) => {
                self.buffer.push(b'i');
                self.buffer.extend_from_slice(&value.to_le_bytes());
            }
            ValueRef::Real(value) => {
                self.buffer.push(b'r');
                self.buffer.extend_from_slice(&value.to_bits().to_le_bytes());
            }
            ValueRef::Text(text) => self.bytes(b't', text),
            ValueRef::Blob(blob) => self.bytes(b'b', blob),
        }
    }
    /// All of a row's columns up to `first`, the number its table began with. Those added since count only where they
    /// hold something, so that an older file keeps its digests.
    fn row(&mut self, row: &Row<'_>, columns: usize, first: usize) -> rusqlite::Result<()> {
        self.buffer.push(b'(');
        for index in 0..columns.min(first) {
            self.value(row.get_ref(index)?);
        }
        for index in first..columns {
            let value = row.get_ref(index)?;
            if value != ValueRef::Null {
                self.buffer.push(b'+');
                self.buffer.extend_from_slice(&(index as u64).to_le_bytes());
                self.value(value);
            }
        }
        if self.buffer.len() > 4096 {
            self.flush();
        }
        Ok(())
    }
    fn rows(&mut self, connection: &Connection, sql: &str, parameters: impl rusqlite::Params, first: usize) -> rusqlite::Result<()> {
        self.some_rows(connection, sql, parameters, first)?;
        self.buffer.push(b'.');
        Ok(())
    }
    /// Rows behind which others of the same table may follow.
    fn some_rows(&mut self, connection: &Connection, sql: &str, parameters: impl rusqlite::Params, first: usize) -> rusqlite::Result<()> {
        let mut statement = connection.prepare_cached(sql)?;
        let columns = statement.column_count();
        let mut rows = statement.query(parameters)?;
        while let Some(row) = rows.next()? {
            self.row(row, columns, first)?;
        }
        Ok(())
    }
    fn end(mut self) -> Digest {
        self.flush();
        *self.hasher.finalize().as_bytes()
    }
}

/// What a run's chain begins with: the run's own row.
pub(super) fn of_start(connection: &Connection, run: i64) -> rusqlite::Result<Digest> {
    let mut hash = Hash::new("run", &[0; 32]);
    hash.rows(connection, "SELECT * FROM run WHERE id = ?1", [run], RUN_COLUMNS)?;
    Ok(hash.end())
}

/// A link: the one before it, and all that its commit added.
pub(super) fn of_link(connection: &Connection, run: i64, link: i64, rows: (i64, i64), before: &Digest) -> rusqlite::Result<Digest> {
    let mut hash = Hash::new("link", before);
    hash.rows(connection, READINGS, (run, rows.0, rows.1), READING_COLUMNS)?;
    for (sql, began_with) in BY_LINK {
        let mut statement = connection.prepare_cached(sql)?;
        let columns = statement.column_count();
        let mut found =
            if statement.parameter_count() == 4 { statement.query((run, link, rows.0, rows.1))? } else { statement.query((run, link))? };
        while let Some(row) = found.next()? {
            hash.row(row, columns, began_with)?;
        }
        hash.buffer.push(b'.');
    }
    came_later(&mut hash, connection, run, link)?;
    Ok(hash.end())
}

/// Columns that the places that are set began with.
const PLACE_SET_COLUMNS: usize = 5;

/// Tables that came later, each with the version that brought it and the columns it began with: a link without a row of theirs keeps its digest.
const CAME_LATER: [(&str, i64, usize); 3] = [
    ("SELECT * FROM judgement WHERE run_id = ?1 AND link = ?2 ORDER BY id", schema::JUDGED_SINCE, ALL),
    ("SELECT * FROM setup_change WHERE run_id = ?1 AND link = ?2 ORDER BY id", schema::CHANGED_SINCE, ALL),
    ("SELECT * FROM place_set WHERE run_id = ?1 AND link = ?2 ORDER BY id", schema::CHANGED_SINCE, PLACE_SET_COLUMNS),
];

fn came_later(hash: &mut Hash, connection: &Connection, run: i64, link: i64) -> rusqlite::Result<()> {
    let version: i64 = connection.prepare_cached("PRAGMA user_version")?.query_row([], |row| row.get(0))?;
    for (sql, _, began_with) in CAME_LATER.into_iter().filter(|(_, since, _)| *since <= version) {
        hash.some_rows(connection, sql, (run, link), began_with)?;
    }
    Ok(())
}

/// The digest of a run that has ended: its last link and the row that says how it ended.
pub(super) fn of_end(connection: &Connection, run: i64, last: &Digest, end: &[rusqlite::types::Value]) -> rusqlite::Result<Digest> {
    let mut hash = Hash::new("run end", last);
    // The values are hashed as SQLite gives them back, whether they are already stored or not.
    let marks = vec!["?"; end.len()].join(", ");
    hash.rows(connection, &format!("SELECT {run}, {marks}"), rusqlite::params_from_iter(end), ALL)?;
    Ok(hash.end())
}

/// What an evaluation holds, tied to the digest of its run; taken up piece by piece while it is being written.
pub(super) struct EvaluatedDigest {
    hash: Hash,
    evaluation: i64,
    next: i64,
}

impl EvaluatedDigest {
    pub fn new(connection: &Connection, run: i64, evaluation: i64) -> rusqlite::Result<Self> {
        let of_run: Digest = connection.query_row("SELECT digest FROM run_end WHERE run_id = ?1", [run], |row| row.get(0))?;
        Ok(Self { hash: Hash::new("evaluation", &of_run), evaluation, next: i64::MIN })
    }
    /// Takes up what is stored to a row, that row too.
    pub fn up_to(&mut self, connection: &Connection, row: i64) -> rusqlite::Result<()> {
        let sql = "SELECT * FROM evaluated WHERE evaluation_id = ?1 AND row >= ?2 AND row <= ?3 ORDER BY row";
        self.hash.some_rows(connection, sql, (self.evaluation, self.next, row), EVALUATED_COLUMNS)?;
        self.next = row.saturating_add(1);
        Ok(())
    }
    /// The digest, over what neighbours make of the readings too.
    pub fn end(mut self, connection: &Connection) -> rusqlite::Result<Digest> {
        if connection.pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))? >= super::schema::STATED_SINCE {
            let sql = "SELECT * FROM evaluated_judgement WHERE evaluation_id = ?1 ORDER BY id";
            self.hash.some_rows(connection, sql, [self.evaluation], ALL)?;
        }
        self.hash.buffer.push(b'.');
        Ok(self.hash.end())
    }
}

/// The same of an evaluation that is whole.
pub(super) fn of_evaluation(connection: &Connection, run: i64, evaluation: i64) -> rusqlite::Result<Digest> {
    let mut evaluated = EvaluatedDigest::new(connection, run, evaluation)?;
    evaluated.up_to(connection, i64::MAX)?;
    evaluated.end(connection)
}

/// The next digest of the ledger: the one before it, and the row it enters.
pub(super) fn of_ledger(connection: &Connection, item: &str, item_id: i64, before: &Digest) -> rusqlite::Result<Digest> {
    let mut hash = Hash::new(item, before);
    let began_with = match item {
        "evaluation" => EVALUATION_COLUMNS,
        "run" => RUN_COLUMNS,
        "note" => NOTE_COLUMNS,
        "setup" => SETUP_COLUMNS,
        _ => ALL,
    };
    hash.rows(connection, &format!("SELECT * FROM \"{}\" WHERE rowid = ?1", item.replace('"', "\"\"")), [item_id], began_with)?;
    Ok(hash.end())
}

/// The last link of a run: its number, the end of its rows, its digest. A run without links stands at its start.
pub(super) fn last_link(connection: &Connection, run: i64) -> rusqlite::Result<(i64, i64, Digest)> {
    let found = connection
        .prepare_cached("SELECT link, end_row, digest FROM link WHERE run_id = ?1 ORDER BY link DESC LIMIT 1")?
        .query_row([run], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .optional()?;
    match found {
        Some(found) => Ok(found),
        None => Ok((0, 0, of_start(connection, run)?)),
    }
}

/// The last digest of the ledger.
pub(super) fn last_ledger(connection: &Connection) -> rusqlite::Result<Digest> {
    let found =
        connection.prepare_cached("SELECT digest FROM ledger ORDER BY id DESC LIMIT 1")?.query_row([], |row| row.get(0)).optional()?;
    Ok(found.unwrap_or([0; 32]))
}

pub(super) fn hex(digest: &Digest) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_keeps_its_digests_when_columns_are_added_and_what_they_hold_counts() {
        let mut connection = schema::fresh(2).unwrap();
        connection.pragma_update(None, "application_id", schema::APPLICATION_ID).unwrap();
        connection.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        let insert = |connection: &Connection, row: i64, more: &str| {
            let sql = format!(
                "INSERT INTO reading VALUES (1, {row}, {row}, 7, 8, 9, 10, 1, 11, 12, 13, 14, NULL, 9600000, 30000, 6400, 3100, 'good', 0, 'SOUND'{more})"
            );
            connection.execute(&sql, []).unwrap();
        };
        insert(&connection, 0, "");
        let link = |connection: &Connection, rows| of_link(connection, 1, 1, rows, &[7; 32]).unwrap();
        let before = link(&connection, (0, 1));
        // Written down when the file had two versions, so that no later one moves it.
        assert_eq!(hex(&before), "ec6bd30c2a22d8279fe82103cbdde602b9150b420194da97540cacb5101bf310");

        schema::migrate(&mut connection, std::path::Path::new("old.job")).unwrap();
        assert_eq!(link(&connection, (0, 1)), before);

        connection.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        let mut seen = vec![before];
        let nothing = ", NULL".repeat(2);
        let later = [", NULL, NULL", ", 300000, NULL", ", NULL, 300000", ", 300000, 20000"].map(|more| format!("{more}{nothing}"));
        for more in later.into_iter().chain([format!("{nothing}, 200, 10000"), format!("{nothing}, NULL, 10000")]) {
            connection.execute_batch("DROP TRIGGER IF EXISTS reading_no_delete; DELETE FROM reading").unwrap();
            insert(&connection, 0, &more);
            seen.push(link(&connection, (0, 1)));
        }
        assert_eq!(seen[0], seen[1], "columns with nothing in them do not count");
        seen.remove(0);
        let different: std::collections::HashSet<_> = seen.iter().collect();
        assert_eq!(different.len(), seen.len(), "what they hold counts, and where");
    }

    #[test]
    fn runs_and_evaluations_keep_their_digests_and_the_evaluators_number_counts() {
        let mut connection = schema::fresh(3).unwrap();
        connection.pragma_update(None, "application_id", schema::APPLICATION_ID).unwrap();
        connection.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        let start = r#"{"line":"A090","operator":"R. Aldane","started_us":1}"#;
        connection.execute("INSERT INTO run (id, start_json) VALUES (1, ?1)", [start]).unwrap();
        let evaluation = "INSERT INTO evaluation VALUES (1, 1, '{}', NULL, 'gate', '', 'backwall', '{}', '', '', 0, zeroblob(32))";
        connection.execute(evaluation, []).unwrap();
        let both = |connection: &Connection| {
            (hex(&of_start(connection, 1).unwrap()), hex(&of_ledger(connection, "evaluation", 1, &[7; 32]).unwrap()))
        };
        let before = both(&connection);
        // Written down when the file had three versions, so that no later one moves them.
        const RUN: &str = "e121a985b74f1be42ddd2526f0544cb1ea42984665bb031d049a35454b597261";
        const EVALUATION: &str = "fbe26e43de5f4f7522fc766aa41e63575bc936f68969a1466fc3f252bef3429a";
        assert_eq!(before, (RUN.to_owned(), EVALUATION.to_owned()));

        connection.execute_batch("INSERT INTO job VALUES (1, '', '', '', '', 0, '', '', ''); INSERT INTO plan VALUES (1, '{}')").unwrap();
        schema::migrate(&mut connection, std::path::Path::new("old.job")).unwrap();
        assert_eq!(both(&connection), before);
        connection.execute_batch(
            "DROP TRIGGER run_no_update; DROP TRIGGER evaluation_no_update; UPDATE run SET evaluator = 1; UPDATE evaluation SET evaluator = 1").unwrap();
        let after = both(&connection);
        assert!(after.0 != before.0 && after.1 != before.1, "{after:?}");
    }
}
