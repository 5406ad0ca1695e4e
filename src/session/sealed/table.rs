//! The seal beside a table as CSV. CSV has no place for what is true of the whole table: a comment line is data to most readers, and a column would
//! repeat 64 digits in each of a million rows. So it stands in a small file of its own, `readings.csv.seal`, with the digest of the table's bytes:
//! it says which job the table was made from, and whether the table is still the one that was made.

use anyhow::{Context, bail};
use backwall_report::whole_file;
use backwall_store::{Seal, file_digest, small_file};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Of a table that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TableSeal {
    file: TableWritten,
    is_there: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TableWritten {
    /// The table's file name.
    table: String,
    /// BLAKE3 of its bytes, hex.
    table_blake3: String,
    /// The job's number.
    job: String,
    entries: u64,
    digest: String,
}

/// Where the seal of a table stands.
fn place(table: &Path) -> PathBuf {
    let mut name = table.as_os_str().to_owned();
    name.push(".seal");
    PathBuf::from(name)
}

/// What stands in such a file; `None` where it is another kind of file.
fn written(path: &Path) -> anyhow::Result<Option<TableWritten>> {
    let of = path.display();
    let text = small_file::text(path).with_context(|| format!("{of}: the seal cannot be read"))?;
    let is_of_table = toml::from_str::<toml::Table>(&text).is_ok_and(|read| read.contains_key("table"));
    if !is_of_table {
        return Ok(None);
    }
    toml::from_str(&text).map(Some).map_err(|error| anyhow::anyhow!("{of}: is not the seal of a table: {}", error.message()))
}

impl TableSeal {
    /// Refuses to write where something else would be replaced.
    pub fn room(table: &Path) -> anyhow::Result<()> {
        let place = place(table);
        if place.exists() && !written(&place).is_ok_and(|known| known.is_some()) {
            bail!("{}: is not the seal of an earlier export and would be replaced; choose another name for the table", place.display());
        }
        Ok(())
    }

    /// Writes the seal of the job that `table` was just made from; answers where.
    pub fn write(table: &Path, job: &str, seal: &Seal) -> anyhow::Result<PathBuf> {
        let of = table.display();
        let name = table.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let table_blake3 = file_digest(table).with_context(|| format!("{of}: cannot be read for its digest"))?;
        let file = TableWritten { table: name, table_blake3, job: job.to_owned(), entries: seal.entries, digest: seal.digest.clone() };
        let text = toml::to_string(&file).context("the seal of the table cannot be written")?;
        let place = place(table);
        let about = "# The seal of the job file that the table was made from. `backwall verify JOB --seal FILE` compares both with it.\n";
        whole_file::write_bytes(&place, format!("{about}{text}").as_bytes())?;
        Ok(place)
    }

    /// Reads it and compares the table beside it; `None` where the file is of another kind, an error where the table was changed.
    pub fn read(path: &Path) -> anyhow::Result<Option<Self>> {
        let Some(file) = written(path)? else { return Ok(None) };
        // Only ever beside it, whatever the name says.
        let name = Path::new(&file.table).file_name().with_context(|| format!("{}: names no table", path.display()))?;
        let table = path.with_file_name(name);
        let is_there = table.exists();
        if is_there {
            let of = table.display();
            let now = file_digest(&table).with_context(|| format!("{of}: cannot be read for its digest"))?;
            if now != file.table_blake3 {
                bail!("{of}: is NOT the table that was exported: its bytes were changed. Export it anew");
            }
        }
        Ok(Some(Self { file, is_there }))
    }

    pub fn digest(&self) -> &str {
        &self.file.digest
    }

    pub fn words(&self) -> String {
        let TableWritten { table, .. } = &self.file;
        match self.is_there {
            true => format!("the table {table} is byte for byte as it was exported"),
            false => format!("the table {table} is not beside its seal and was not compared"),
        }
    }
}
