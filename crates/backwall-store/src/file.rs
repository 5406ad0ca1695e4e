//! Makes, opens and closes job files.

use super::contents::{JobContents, RunState, Saved};
use super::error::StoreError;
use super::insert;
use super::lock::{self, Lock};
use super::queue::{EntryQueue, WriterCommand};
use super::reader::{JobReader, SpotCounts};
use super::schema::{self, Access};
use super::summary::{self, RunEnding};
use super::writer::{Writer, WriterThread, now_us};
use backwall_survey::job::{Checklist, Plan};
use rusqlite::{Connection, params};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::watch;

/// A job file open for writing; one at a time, over all processes. Dropped, it closes itself as well as it can.
pub struct JobFile {
    path: PathBuf,
    writer: Writer,
    saved: watch::Receiver<Saved>,
    thread: Option<JoinHandle<()>>,
    spot_counts: SpotCounts,
}

impl JobFile {
    /// Makes a new job file; a path that exists is refused.
    pub fn create(path: &Path, plan: &Plan, plan_text: &str, checklist: &Checklist, now_us: i64) -> Result<(), StoreError> {
        if toml::from_str::<Plan>(plan_text).ok().as_ref() != Some(plan) {
            return Err(StoreError::PlanDiffers { path: path.to_path_buf() });
        }
        // Takes the name first, so that of two who make the same file only one does.
        std::fs::File::create_new(path).map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound => StoreError::NoFolder { path: path.to_path_buf() },
            _ => StoreError::io(path, &error),
        })?;
        lay(path, plan, plan_text, checklist, now_us).map_err(|error| {
            let _ = std::fs::remove_file(path);
            StoreError::sqlite(path, &error)
        })
    }

    /// Opens a job file to write in it. Runs that a crash left open are written down as interrupted.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Self::open_with(path, |_| Ok(()))
    }

    /// `prepare` sees the writing connection before the thread has it.
    fn open_with(path: &Path, prepare: impl FnOnce(&Connection) -> rusqlite::Result<()>) -> Result<Self, StoreError> {
        let real = lock::real(path)?;
        let path = real.as_path();
        let lock = Lock::take(path)?;
        lock::forget_reserve(path);
        let say = |error: rusqlite::Error| StoreError::sqlite(path, &error);
        let mut connection = schema::connect(path, Access::Write).map_err(say)?;
        schema::migrate(&mut connection, path)?;
        let mode: String = connection.query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0)).map_err(say)?;
        if mode != "wal" {
            // A disk that cannot share memory between processes: the old journal is slower and as safe.
            connection.pragma_update(None, "synchronous", "EXTRA").map_err(say)?;
        }
        interrupt_open_runs(&mut connection).map_err(say)?;
        // A column's list of words is built anew for every row that is written. Here each word comes from a type; whoever
        // reads the file back, `verify` before all, holds every row against the lists.
        connection.pragma_update(None, "ignore_check_constraints", true).map_err(say)?;
        prepare(&connection).map_err(say)?;

        let (sender, saved) = watch::channel(Saved::default());
        let queue = Arc::new(EntryQueue::default());
        let thread = WriterThread::new(connection, path, lock, Arc::clone(&queue), sender).map_err(|error| StoreError::io(path, &error))?;
        let thread = std::thread::Builder::new()
            .name("job file".to_owned())
            .spawn(move || thread.run())
            .map_err(|error| StoreError::io(path, &error))?;
        Ok(Self { path: path.to_path_buf(), writer: Writer { queue }, saved, thread: Some(thread), spot_counts: SpotCounts::default() })
    }

    /// Opens a job file to look at it, also while another process records into it and also on read-only media.
    pub fn open_read_only(path: &Path) -> Result<JobReader, StoreError> {
        JobReader::open(path)
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn contents(&self) -> Result<JobContents, StoreError> {
        self.reader()?.contents()
    }

    pub fn writer(&self) -> Writer {
        self.writer.clone()
    }

    /// A reader of what is saved. Drop readers before closing, or the file stays in several pieces.
    pub fn reader(&self) -> Result<JobReader, StoreError> {
        let mut reader = JobReader::open(&self.path)?;
        reader.spot_counts = Arc::clone(&self.spot_counts);
        Ok(reader)
    }

    /// Up to where things are saved, after each commit.
    pub fn saved(&self) -> watch::Receiver<Saved> {
        self.saved.clone()
    }

    /// Saves what still waits and leaves one plain file behind.
    pub fn close(mut self) -> Result<(), StoreError> {
        self.shut()
    }

    fn shut(&mut self) -> Result<(), StoreError> {
        let Some(thread) = self.thread.take() else {
            return Ok(());
        };
        let done = self.writer.ask(WriterCommand::Close);
        let _ = thread.join();
        done
    }
}

impl Drop for JobFile {
    fn drop(&mut self) {
        let _ = self.shut();
    }
}

fn lay(path: &Path, plan: &Plan, plan_text: &str, checklist: &Checklist, now_us: i64) -> rusqlite::Result<()> {
    let mut connection = schema::connect(path, Access::Write)?;
    connection.pragma_update(None, "page_size", 8192)?;
    let transaction = connection.transaction()?;
    schema::lay(&transaction)?;
    transaction.execute(
        "INSERT INTO job (id, number, site, asset, procedure, created_us, software, plan_toml, checklist_json)
         VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?)",
        params![
            plan.job.number,
            plan.job.site,
            plan.asset.name,
            plan.job.procedure,
            now_us,
            concat!("backwall ", env!("CARGO_PKG_VERSION")),
            plan_text,
            insert::json(checklist)?
        ],
    )?;
    insert::ledger(&transaction, "job")?;
    insert::plan(&transaction, plan)?;
    transaction.commit()
}

fn interrupt_open_runs(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    for run in summary::open_runs(&transaction)? {
        let reason = "the program ended in the middle of the run; everything up to here was saved";
        summary::end(&transaction, run, &RunEnding { state: RunState::Interrupted, reason, closed_us: now_us(), lost: None })?;
    }
    transaction.commit()
}

#[cfg(test)]
mod tests;
