//! One digest over the whole job: the last of the ledger, which chains everything stated of the job and the start and the end of every
//! run. Kept elsewhere it shows that something was removed, the last entry included, or that the file was made anew.

use super::digest::{Digest, hex};
use super::error::StoreError;
use super::reader::JobReader;
use super::schema::STATED_SINCE;
use rusqlite::OptionalExtension;
use std::path::Path;

/// The job as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// Entries it covers.
    pub entries: u64,
    /// Hex.
    pub digest: String,
}

/// How a job stands to a seal that was kept elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AgainstSeal {
    /// It is the job's own.
    Same,
    /// All it covers is in the job; so many entries came since.
    Since(u64),
    /// It is no seal of this job: something was removed or made anew.
    Missing,
}

/// Fewer digits than this of a seal could fit by chance.
pub const LEAST_DIGITS: usize = 16;

/// The BLAKE3 digest of a file's bytes, as hexadecimal digits: what a seal written beside a table names the table by.
pub fn file_digest(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(std::fs::File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// The same of bytes.
pub fn bytes_digest(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

impl JobReader {
    /// The seal; none in a file of an earlier format, whose ledger does not hold the runs.
    pub fn seal(&self) -> Result<Option<Seal>, StoreError> {
        if self.version < STATED_SINCE {
            return Ok(None);
        }
        let found = self
            .connection
            .query_row("SELECT count(*) OVER (), digest FROM ledger ORDER BY id DESC LIMIT 1", [], |row| {
                Ok(Seal { entries: row.get::<_, i64>(0)? as u64, digest: hex(&row.get::<_, Digest>(1)?) })
            })
            .optional();
        self.said(found)
    }

    /// How the job stands to a seal, of which the first digits are enough. Whether what it covers is unchanged is for `verify` to say.
    pub fn against(&self, seal: &str) -> Result<AgainstSeal, StoreError> {
        let wanted = seal.trim().to_lowercase();
        let digests: Vec<Digest> = self.all("SELECT digest FROM ledger ORDER BY id DESC", [], |row| row.get(0))?;
        let at = digests.iter().position(|digest| wanted.len() >= LEAST_DIGITS && hex(digest).starts_with(&wanted));
        Ok(match at {
            Some(0) => AgainstSeal::Same,
            Some(since) => AgainstSeal::Since(since as u64),
            None => AgainstSeal::Missing,
        })
    }
}
