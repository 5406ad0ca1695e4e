//! Where the files of a fleet lie, so that thousands of jobs are one data set: `site=…/asset=…/year=…/<job>-<run>.parquet`,
//! one file a run. Names are percent-encoded (RFC 3986), as readers of such layouts decode them.

use crate::readings::ReadingsOf;
use backwall_store::{JobContents, RunState, RunSummary};
use chrono::{DateTime, Datelike};
use parquet::file::reader::{FileReader, SerializedFileReader};
use std::fs::File;
use std::path::{Path, PathBuf};

#[derive(Debug, thiserror::Error)]
pub enum ParquetLayoutError {
    #[error("{}: this file holds {found}, not {wanted}, and would be replaced; keep them in folders of their own", .path.display())]
    OtherTable { path: PathBuf, found: String, wanted: &'static str },
    #[error(
        "{}: this file holds a run of another job with the same number, started {found}, and would be replaced; give the jobs numbers of their own, or another folder",
        .path.display()
    )]
    OtherJob { path: PathBuf, found: String },
    #[error("{}: this folder cannot be made: {why}", .path.display())]
    Folder { path: PathBuf, why: std::io::Error },
}

/// Whether a target is a folder of a data set, and not one file.
pub fn is_folder(out: &Path) -> bool {
    out.is_dir() || !out.is_file() && out.extension().is_none_or(|ending| !ending.eq_ignore_ascii_case("parquet"))
}

/// The place of a run's file under `root`.
pub fn place(root: &Path, job: &JobContents, run: &RunSummary) -> PathBuf {
    let plan = &job.plan;
    let year = DateTime::from_timestamp_micros(run.start.started_us).map_or(1970, |time| time.year());
    root.join(format!("site={}", encoded(&plan.job.site)))
        .join(format!("asset={}", encoded(&plan.asset.name)))
        .join(format!("year={year}"))
        .join(format!("{}-{}.parquet", encoded(&plan.job.number), run.id))
}

/// Makes the folders above `place`, and refuses to replace what is not an earlier export of the same run.
pub fn make_room(place: &Path, table: &'static str, run: &RunSummary) -> Result<(), ParquetLayoutError> {
    if let Some(folder) = place.parent() {
        std::fs::create_dir_all(folder).map_err(|why| ParquetLayoutError::Folder { path: folder.to_owned(), why })?;
    }
    let Some(there) = facts_of(place) else { return Ok(()) };
    let value = |key: &str| there.iter().find(|(name, _)| name == key).map(|(_, value)| value.clone());
    match (value(TABLE), value(STARTED)) {
        (Some(found), _) if found != table => Err(ParquetLayoutError::OtherTable { path: place.to_owned(), found, wanted: table }),
        (_, Some(found)) if found != time(run.start.started_us) => Err(ParquetLayoutError::OtherJob { path: place.to_owned(), found }),
        _ => Ok(()),
    }
}

const TABLE: &str = "backwall.table";
const STARTED: &str = "backwall.started";
pub(super) const SEAL: &str = "backwall.seal";
pub(super) const SEAL_ENTRIES: &str = "backwall.seal_entries";

/// What is true of a whole file: job, asset, and for a single run the run.
pub fn facts(table: &str, job: &JobContents, sources: &[ReadingsOf<'_>]) -> Vec<(String, String)> {
    let plan = &job.plan;
    let mut facts = vec![
        (TABLE, table.to_owned()),
        ("backwall.job", plan.job.number.clone()),
        ("backwall.site", plan.job.site.clone()),
        ("backwall.asset", plan.asset.name.clone()),
        ("backwall.procedure", plan.job.procedure.clone()),
        ("backwall.datum", plan.asset.datum.clone()),
    ];
    if let Some(seal) = &job.seal {
        facts.extend([(SEAL, seal.digest.clone()), (SEAL_ENTRIES, seal.entries.to_string())]);
    }
    if let [source] = sources {
        let (run, start) = (source.run(), &source.run().start);
        facts.extend([
            ("backwall.run", run.id.to_string()),
            ("backwall.line", start.line.clone()),
            ("backwall.direction", start.path.direction.word().to_owned()),
            (STARTED, time(start.started_us)),
            ("backwall.operator", start.operator.clone()),
            ("backwall.velocity_m_s", source.setup(job).velocity.as_m_s().to_string()),
            ("backwall.readings", run.readings.to_string()),
            ("backwall.lost_shots", run.lost.to_string()),
            ("backwall.closed", (run.state == RunState::Closed).to_string()),
            ("backwall.calibration", source.calibration(job).to_owned()),
        ]);
        facts.extend(run.digest.clone().map(|digest| ("backwall.run_digest", digest)));
        if let Some(evaluation) = source.evaluation(job) {
            facts.push(("backwall.evaluation", evaluation.id.to_string()));
            facts.push(("backwall.evaluation_digest", evaluation.digest.clone()));
        }
    }
    facts.into_iter().map(|(key, value)| (key.to_owned(), value)).collect()
}

fn time(us: i64) -> String {
    DateTime::from_timestamp_micros(us).map_or_else(String::new, |time| time.to_rfc3339_opts(chrono::SecondsFormat::Micros, true))
}

/// The keys of a Parquet file; `None` where there is none.
pub(super) fn facts_of(path: &Path) -> Option<Vec<(String, String)>> {
    let reader = SerializedFileReader::new(File::open(path).ok()?).ok()?;
    let keys = reader.metadata().file_metadata().key_value_metadata()?;
    Some(keys.iter().map(|pair| (pair.key.clone(), pair.value.clone().unwrap_or_default())).collect())
}

/// A value as one safe part of a path on every system: letters, digits, `-`, `_` and `.` inside stay, everything else is
/// percent-encoded byte by byte.
fn encoded(value: &str) -> String {
    let last = value.len().saturating_sub(1);
    let mut out = String::with_capacity(value.len());
    for (index, byte) in value.bytes().enumerate() {
        // Readers skip names that begin with a dot or an underscore, and Windows drops a dot at the end.
        let edge = index == 0 || index == last;
        match byte {
            b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' | b'-' => out.push(char::from(byte)),
            b'.' | b'_' if !edge => out.push(char::from(byte)),
            byte => out.push_str(&format!("%{byte:02X}")),
        }
    }
    if out.is_empty() { "unnamed".to_owned() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_leaves_its_folder_or_hides_itself() {
        assert_eq!(encoded("TK-7"), "TK-7");
        assert_eq!(encoded("../../etc/passwd"), "%2E.%2F..%2Fetc%2Fpasswd");
        assert_eq!(encoded(".."), "%2E%2E");
        assert_eq!(encoded("_a.b."), "%5Fa.b%2E");
        assert_eq!(encoded("Süd / 3 =x\u{0}"), "S%C3%BCd%20%2F%203%20%3Dx%00");
        assert_eq!(encoded("C:\\x*?"), "C%3A%5Cx%2A%3F");
        assert_eq!(encoded(""), "unnamed");
    }

    #[test]
    fn a_path_that_ends_in_parquet_is_a_file() {
        assert!(!is_folder(Path::new("a/readings.parquet")) && !is_folder(Path::new("R.PARQUET")));
        assert!(is_folder(Path::new("a/fleet")) && is_folder(Path::new("fleet/")));
    }
}
