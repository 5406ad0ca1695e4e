//! What can go wrong with a job file: what happened, where, and what to do next.

use super::contents::RunId;
use rusqlite::ErrorCode;
use std::path::{Path, PathBuf};

/// Who has a job file open for writing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holder {
    pub pid: u32,
    pub host: String,
    /// RFC 3339.
    pub since: String,
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    #[error("{}: there is already a file of that name; nothing was written. Choose another name, or open that job", .path.display())]
    AlreadyExists { path: PathBuf },
    #[error("{}: no such file. Check the path, or make a job file with `backwall new`", .path.display())]
    NotFound { path: PathBuf },
    #[error("{}: this is {what}, not a job file. Check the path; nothing was changed", .path.display())]
    NotAFile { path: PathBuf, what: &'static str },
    #[error(
        "{}: the file has {names} names (hard links), and two programs that open it under two of them would damage it. Copy it to a file of its own and record there; it can be opened for review as it is",
        .path.display()
    )]
    ManyNames { path: PathBuf, names: u64 },
    #[error("{}: there is no such folder to put a job file in. Make the folder, or choose another", .path.display())]
    NoFolder { path: PathBuf },
    #[error("{}: this is not a job file ({why}). Check the path; nothing was changed", .path.display())]
    NotAJob { path: PathBuf, why: String },
    #[error(
        "{}: written by a newer version of this program (format {found}, known here: up to {known}). Open it with that version; nothing was changed",
        .path.display()
    )]
    NewerVersion { path: PathBuf, found: i64, known: i64 },
    #[error(
        "{}: the plan handed over and its text differ. Read the plan again from its file", .path.display()
    )]
    PlanDiffers { path: PathBuf },
    #[error("{}: {}. Close it there first, or open the job for review only", .path.display(), holder_text(.holder.as_ref()))]
    InUse { path: PathBuf, holder: Option<Holder> },
    #[error(
        "{}: the folder cannot be written to, and recording needs files beside the job file. Copy the job file to a folder that can be written to, or open it for review only",
        .path.display()
    )]
    ReadOnlyFolder { path: PathBuf },
    #[error(
        "{}: the disk is full. What was shown as saved is safe. Free some space: what waits is then saved; until then keep the files beside the job (-wal) with it",
        .path.display()
    )]
    Full { path: PathBuf },
    #[error(
        "{}: the disk failed ({what}). What was shown as saved is safe. Close the job, copy the file to another disk and run `backwall verify` on the copy",
        .path.display()
    )]
    Io { path: PathBuf, what: String },
    #[error(
        "{}: damaged ({what}). Work on a copy: run `backwall verify` to see which runs are still whole", .path.display()
    )]
    Corrupt { path: PathBuf, what: String },
    #[error("{}: stopped before everything was checked, so there is no result. Run `backwall verify` again", .path.display())]
    NotAllTried { path: PathBuf },
    #[error("{}: run {run} does not exist in this job. `backwall verify` lists the runs", .path.display())]
    NoSuchRun { path: PathBuf, run: RunId },
    #[error("run {run} is still open: close it before starting another")]
    RunOpen { run: RunId },
    #[error("run {run} is not open: nothing can be added to it")]
    RunNotOpen { run: RunId },
    #[error("nothing more is saved: {fault}")]
    Stopped { fault: String },
    #[error(
        "{}: everything is saved, but another program has the job open, so part of it is still in the files beside it (-wal, -shm). Keep them together, or close the other program and open and close the job once more",
        .path.display()
    )]
    StillRead { path: PathBuf },
    #[error("{}: the photo can be neither read nor written there ({what}). Check the folder and the disk; the job is as it was", .path.display())]
    Photo { path: PathBuf, what: String },
}

fn holder_text(holder: Option<&Holder>) -> String {
    match holder {
        Some(Holder { pid, host, since }) => format!("in use by process {pid} on {host}, since {since}"),
        None => "in use by another program".to_owned(),
    }
}

impl StoreError {
    /// What an SQLite error means for a job file.
    pub(super) fn sqlite(path: &Path, error: &rusqlite::Error) -> Self {
        let path = path.to_path_buf();
        let what = error.to_string();
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { path },
            Some(ErrorCode::ReadOnly) => Self::ReadOnlyFolder { path },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::InUse { path, holder: None },
            Some(ErrorCode::NotADatabase) => Self::NotAJob { path, why: "not an SQLite file".to_owned() },
            Some(ErrorCode::DatabaseCorrupt) => Self::Corrupt { path, what },
            Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen) => Self::Io { path, what },
            // Anything else that SQLite refuses is content that does not fit the format.
            _ => Self::Corrupt { path, what },
        }
    }

    pub(super) fn io(path: &Path, error: &std::io::Error) -> Self {
        use std::io::ErrorKind;
        let path = path.to_path_buf();
        match error.kind() {
            ErrorKind::NotFound => Self::NotFound { path },
            ErrorKind::AlreadyExists => Self::AlreadyExists { path },
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => Self::ReadOnlyFolder { path },
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded => Self::Full { path },
            _ => Self::Io { path, what: error.to_string() },
        }
    }

    pub(super) fn corrupt(path: &Path, what: impl std::fmt::Display) -> Self {
        Self::Corrupt { path: path.to_path_buf(), what: what.to_string() }
    }
}
