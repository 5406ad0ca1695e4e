//! The one thread that writes, and the handle others reach it by. It takes all that waits, commits it in one
//! synced transaction and only then says that it is saved. At the first error it stops saying so. A full disk is tried
//! again every second, what has come meanwhile waits in order; any other error is for good.

use super::contents::{CloseReason, Entry, Note, RunId, RunStart, RunState, RunSummary, Saved, SavedRun};
use super::error::StoreError;
use super::evaluation::{self, EvaluationStart, EvaluationStep, EvaluationSummary};
use super::insert::{self, Inserter, RunProgress};
use super::lock::{self, Lock, Reserve, beside, folder};
use super::queue::{Entries, EntryQueue, JobItem, Reply, WriterCommand};
use super::summary::{self, RunEnding};
use super::{digest, schema};
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::{EVALUATOR_VERSION, Setup};
use backwall_units::Wording;
use rusqlite::{Connection, ErrorCode, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Reaches the writer thread. Every call but those that append returns once its work is committed and synced.
#[derive(Clone)]
pub struct Writer {
    pub(super) queue: Arc<EntryQueue>,
}

impl Writer {
    pub(super) fn ask<T>(&self, command: impl FnOnce(Reply<T>) -> WriterCommand) -> Result<T, StoreError> {
        let (reply, answer) = channel();
        self.queue.command(command(reply));
        answer.recv().unwrap_or_else(|_| {
            let fault = self.queue.fault().unwrap_or_else(|| "the job file is closed".to_owned());
            Err(StoreError::Stopped { fault })
        })
    }
    pub(super) fn enter(&self, item: JobItem) -> Result<i64, StoreError> {
        self.ask(|reply| WriterCommand::Enter(vec![item], reply))
    }

    pub fn start_run(&self, start: RunStart) -> Result<RunId, StoreError> {
        let runs = self.start_runs(vec![start])?;
        // One start, one run.
        runs.first().copied().ok_or_else(|| StoreError::Stopped { fault: "no run was opened".to_owned() })
    }
    /// Opens runs that go on side by side, one for each channel of a stream: all of them or none. While any is open no other can be.
    pub fn start_runs(&self, starts: Vec<RunStart>) -> Result<Vec<RunId>, StoreError> {
        self.ask(|reply| WriterCommand::StartRuns(starts, reply))
    }
    /// Saves what still waits, then writes down how the run ended and its digest. `lost`: shots that never arrived.
    pub fn close_run(&self, run: RunId, reason: CloseReason, lost: u64) -> Result<RunSummary, StoreError> {
        self.ask(|reply| WriterCommand::CloseRun { run, reason, lost, reply })
    }
    pub fn answer(&self, answer: Answer) -> Result<(), StoreError> {
        self.answer_all(vec![answer])
    }
    /// All of them are saved or none.
    pub fn answer_all(&self, answers: Vec<Answer>) -> Result<(), StoreError> {
        if answers.is_empty() {
            return Ok(());
        }
        let items = answers.into_iter().map(JobItem::Answer).collect();
        self.ask(|reply| WriterCommand::Enter(items, reply)).map(drop)
    }
    pub fn sign(&self, signature: Signature) -> Result<(), StoreError> {
        self.enter(JobItem::Signature(signature)).map(drop)
    }
    pub fn add_override(&self, reason: String, by: Signed) -> Result<(), StoreError> {
        self.enter(JobItem::Override(reason, by)).map(drop)
    }
    /// Enters a set-up, which is in force from then on; answers its number.
    pub fn add_setup(&self, setup: Setup, origin: Wording, by: Signed) -> Result<i64, StoreError> {
        self.enter(JobItem::Setup(Box::new(setup), origin, by))
    }
    /// A verification of a set-up on a block; a failed one makes suspect the runs since the last good one.
    pub fn add_check(&self, check: Check) -> Result<(), StoreError> {
        self.enter(JobItem::Check(check)).map(drop)
    }
    pub fn add_encoder_check(&self, check: EncoderCheck, by: Signed) -> Result<(), StoreError> {
        self.enter(JobItem::EncoderCheck(check, by)).map(drop)
    }
    /// A note to the job, or to a run that has ended; notes to an open run go with [`Writer::try_append`].
    pub fn note(&self, note: Note) -> Result<(), StoreError> {
        self.enter(JobItem::Note(note)).map(drop)
    }
    /// Returns once everything appended before is saved.
    pub fn flush(&self) -> Result<(), StoreError> {
        self.ask(WriterCommand::Flush)
    }

    /// Hands an entry of an open run over to be saved, never waiting. A full queue gives it back. While the disk is full
    /// entries wait ([`Saved::waiting_bytes`]); after any other fault they are taken, dropped and counted in [`Saved::unsaved`].
    #[expect(clippy::result_large_err, reason = "a full queue gives the entry back, to be tried again")]
    pub fn try_append(&self, run: RunId, entry: Entry) -> Result<(), Entry> {
        self.queue.try_push(run, entry)
    }
    /// Hands an entry over to be saved, waiting for room.
    pub fn append_blocking(&self, run: RunId, entry: Entry) -> Result<(), StoreError> {
        self.queue.push_blocking(run, entry, false)
    }
    /// The same for a source that can be made to wait: it goes on only as fast as the disk does.
    pub fn append_in_pace(&self, run: RunId, entry: Entry) -> Result<(), StoreError> {
        self.queue.push_blocking(run, entry, true)
    }
}

/// How far the disk can still be trusted.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Health {
    Good,
    /// No room: tried again, and a run can still be closed in what the reserve held.
    Full,
    /// A write or a sync failed. What the system then says of later ones cannot be believed.
    Failed,
}

pub(super) struct WriterThread {
    connection: Connection,
    path: PathBuf,
    queue: Arc<EntryQueue>,
    saved: watch::Sender<Saved>,
    lock: Option<Lock>,
    reserve: Option<Reserve>,
    inserter: Inserter,
    /// The runs that are open, side by side.
    runs: Vec<RunProgress>,
    health: Health,
    looked_at_space: Instant,
    checkpointed: Instant,
    free_bytes: Option<u64>,
}

/// How long closing is tried again where somebody still reads.
const FOLD_PATIENCE: Duration = Duration::from_millis(300);
const SPACE_EVERY: Duration = Duration::from_secs(1);
const IDLE_CHECKPOINT: Duration = Duration::from_secs(10);

/// Whatever happens to the thread, nobody waits for it in vain.
struct EndQueue(Arc<EntryQueue>);
impl Drop for EndQueue {
    fn drop(&mut self) {
        self.0.end();
    }
}

/// The computer's clock, µs since 1970-01-01 UTC.
pub fn now_us() -> i64 {
    chrono::Utc::now().timestamp_micros()
}

impl WriterThread {
    pub fn new(
        connection: Connection,
        path: &Path,
        lock: Lock,
        queue: Arc<EntryQueue>,
        saved: watch::Sender<Saved>,
    ) -> std::io::Result<Self> {
        let now = Instant::now();
        Ok(Self {
            connection,
            path: path.to_path_buf(),
            queue,
            saved,
            lock: Some(lock),
            reserve: None,
            inserter: Inserter::new()?,
            runs: Vec::new(),
            health: Health::Good,
            looked_at_space: now,
            checkpointed: now,
            free_bytes: None,
        })
    }

    pub fn run(mut self) {
        let _end = EndQueue(Arc::clone(&self.queue));
        let mut entries = Entries::new();
        self.look_at_space();
        loop {
            let command = self.queue.take(&mut entries, self.looked_at_space + SPACE_EVERY);
            if !entries.is_empty() {
                self.save(&mut entries);
                entries.clear();
                if entries.capacity() > 8192 {
                    entries.shrink_to(1024);
                }
            }
            match command {
                None => {}
                Some(WriterCommand::StartRuns(starts, reply)) => drop(reply.send(self.start_runs(&starts))),
                Some(WriterCommand::CloseRun { run, reason, lost, reply }) => {
                    // What came since the queue was taken belongs to the run too.
                    if self.is_open(run) {
                        self.queue.end_run(run);
                        self.save_rest(run, &mut entries);
                    }
                    drop(reply.send(self.close_run(run, &reason, lost)));
                }
                Some(WriterCommand::Enter(items, reply)) => drop(reply.send(self.enter(&items))),
                Some(WriterCommand::Evaluate { start, steps, reply }) => drop(reply.send(self.evaluate(&start, &steps))),
                Some(WriterCommand::Flush(reply)) => {
                    self.publish();
                    drop(reply.send(self.standing()));
                }
                Some(WriterCommand::Close(reply)) => {
                    let done = self.fold();
                    self.connection = match Connection::open_in_memory() {
                        Ok(nothing) => nothing,
                        Err(_) => return,
                    };
                    self.reserve = None;
                    self.lock = None;
                    drop(reply.send(done));
                    return;
                }
            }
            if self.looked_at_space.elapsed() >= SPACE_EVERY {
                self.try_again(&mut entries);
                self.look_at_space();
                if self.checkpointed.elapsed() >= IDLE_CHECKPOINT {
                    self.checkpoint(1);
                }
            }
        }
    }

    /// An error if nothing more can be saved.
    fn standing(&self) -> Result<(), StoreError> {
        match self.queue.fault() {
            Some(fault) => Err(StoreError::Stopped { fault }),
            None => Ok(()),
        }
    }

    fn transaction<T>(&mut self, work: impl FnOnce(&Connection, &mut Inserter) -> rusqlite::Result<T>) -> rusqlite::Result<T> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let done = work(&transaction, &mut self.inserter)?;
        transaction.commit()?;
        Ok(done)
    }

    fn is_open(&self, run: RunId) -> bool {
        self.runs.iter().any(|open| open.run == run)
    }

    /// Saves a batch of the open runs. On a full disk it goes back to wait; any other error ends saving.
    fn save(&mut self, entries: &mut Entries) {
        if self.runs.is_empty() || self.health != Health::Good {
            self.queue.count_unsaved(entries);
        } else if !entries.is_empty() {
            self.commit(entries);
        }
        self.publish();
    }

    /// One batch in one transaction; whether it is saved.
    fn commit(&mut self, entries: &mut Entries) -> bool {
        let mut runs = self.runs.clone();
        match self.transaction(|connection, inserter| inserter.batches(connection, entries, &mut runs)) {
            Ok(()) => {
                self.runs = runs;
                self.checkpoint(schema::CHECKPOINT_PAGES);
                true
            }
            Err(error) => {
                let said = self.stop(&error);
                if self.health == Health::Full {
                    self.queue.hold(entries, &said.to_string());
                } else {
                    self.queue.count_unsaved(entries);
                }
                false
            }
        }
    }

    /// Where the disk was full: saves what waits, in order, as far as there is room by now.
    fn try_again(&mut self, entries: &mut Entries) {
        if self.health != Health::Full {
            return;
        }
        if self.runs.is_empty() {
            // Nothing waits; whether there is room shows at the next thing to be saved.
            return;
        }
        loop {
            entries.clear();
            self.queue.take_held(entries);
            if entries.is_empty() {
                self.health = Health::Good;
                self.reserve = self.reserve.take().or_else(|| Reserve::take(&self.path));
                self.queue.release();
                return self.publish();
            }
            if !self.commit(entries) {
                entries.clear();
                return self.publish();
            }
            self.publish();
        }
    }

    /// A run ends: everything of it that waits, on a full disk as much as the reserve has room for beside the ends of the open runs.
    fn save_rest(&mut self, run: RunId, entries: &mut Entries) {
        if self.health == Health::Full {
            self.reserve = None;
            let room = lock::RESERVE_BYTES as usize / 2 / self.runs.len().max(1);
            let least = self.queue.waiting().saturating_sub(room);
            while self.health == Health::Full && self.queue.waiting() > least {
                entries.clear();
                self.queue.take_held(entries);
                if entries.is_empty() || !self.commit(entries) {
                    break;
                }
            }
            if self.queue.waiting() == 0 && self.health == Health::Full {
                self.health = Health::Good;
                self.queue.release();
            }
        }
        // What is left of it finds no room: it is counted, and the run's end says so.
        entries.clear();
        self.queue.drain(run, entries);
        self.save(entries);
        entries.clear();
    }

    /// An error of the disk: a full one is tried again, any other ends saving.
    fn stop(&mut self, error: &rusqlite::Error) -> StoreError {
        let full = error.sqlite_error_code() == Some(ErrorCode::DiskFull);
        self.health = if full && self.health != Health::Failed { Health::Full } else { Health::Failed };
        let said = StoreError::sqlite(&self.path, error);
        if self.health == Health::Full {
            self.queue.hold(&mut Entries::new(), &said.to_string());
        } else {
            self.reserve = None;
            self.queue.fail(&said.to_string());
        }
        self.publish();
        said
    }

    /// A refusal by the tables themselves is the caller's error; one by the disk ends saving.
    fn said(&mut self, error: &rusqlite::Error) -> StoreError {
        match error.sqlite_error_code() {
            Some(ErrorCode::ConstraintViolation | ErrorCode::TypeMismatch) | None => StoreError::sqlite(&self.path, error),
            _ => self.stop(error),
        }
    }

    fn start_runs(&mut self, starts: &[RunStart]) -> Result<Vec<RunId>, StoreError> {
        if self.health == Health::Failed {
            self.standing()?;
        }
        if let Some(open) = self.runs.first() {
            return Err(StoreError::RunOpen { run: open.run });
        }
        let started = self.transaction(|connection, _| {
            let start_run = |start: &RunStart| {
                let json = insert::json(start)?;
                connection.execute(
                    "INSERT INTO run (start_json, setup_id, evaluator) VALUES (?, ?, ?)",
                    (json, start.setup_id, EVALUATOR_VERSION),
                )?;
                let run = connection.last_insert_rowid();
                insert::ledger(connection, "run")?;
                Ok(RunProgress { run, link: 0, row: 0, digest: digest::of_start(connection, run)?, seq: None, along: None })
            };
            starts.iter().map(start_run).collect::<rusqlite::Result<Vec<_>>>()
        });
        self.runs = started.map_err(|error| self.said(&error))?;
        let runs: Vec<RunId> = self.runs.iter().map(|open| open.run).collect();
        self.reserve = Reserve::take(&self.path);
        self.health = Health::Good;
        self.queue.recover();
        self.queue.open(runs.clone());
        self.saved.send_modify(|saved| saved.begin(&runs, now_us()));
        self.publish();
        Ok(runs)
    }

    fn close_run(&mut self, run: RunId, reason: &CloseReason, lost: u64) -> Result<RunSummary, StoreError> {
        if !self.is_open(run) {
            return Err(StoreError::RunNotOpen { run });
        }
        if self.health == Health::Failed {
            self.standing()?;
        }
        let unsaved = self.queue.unsaved().get(&run).copied().unwrap_or(0);
        let mut reason = reason.to_string();
        if unsaved > 0 {
            reason += &format!("; {unsaved} entries after the last saved one are not in the file");
        }
        let ending = RunEnding { state: RunState::Closed, reason: &reason, closed_us: now_us(), lost: Some(lost) };
        let ended = self.transaction(|connection, _| {
            summary::end(connection, run, &ending)?;
            summary::summary(connection, run)
        });
        let summary = ended.map_err(|error| self.said(&error))?;
        self.runs.retain(|open| open.run != run);
        if self.runs.is_empty() {
            self.reserve = None;
        }
        // Best done now; if another process reads at this moment it happens later.
        let _ = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
        self.publish();
        summary.ok_or_else(|| StoreError::NoSuchRun { path: self.path.clone(), run })
    }

    fn enter(&mut self, items: &[JobItem]) -> Result<i64, StoreError> {
        if self.health == Health::Failed {
            self.standing()?;
        }
        let entered = self.transaction(|connection, _| items.iter().try_fold(0, |_, item| insert::job_item(connection, item)));
        let entered = entered.map_err(|error| self.said(&error))?;
        if self.health == Health::Full && self.runs.is_empty() {
            self.health = Health::Good;
            self.queue.recover();
            self.publish();
        }
        Ok(entered)
    }

    /// Takes an evaluation in while it is computed elsewhere, in one transaction.
    fn evaluate(&mut self, start: &EvaluationStart, steps: &Receiver<EvaluationStep>) -> Result<EvaluationSummary, StoreError> {
        if let Some(open) = self.runs.first() {
            return Err(StoreError::RunOpen { run: open.run });
        }
        self.standing()?;
        let attempt = |connection: &mut Connection| {
            // With the old journal, pages that do not fit the cache would lock out the reader the evaluation is computed from.
            let in_log = connection.pragma_query_value(None, "journal_mode", |row| row.get::<_, String>(0))? == "wal";
            connection.pragma_update(None, "cache_spill", in_log)?;
            let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let taken = evaluation::take(&transaction, start, steps)?;
            if taken.is_some() {
                transaction.commit()?;
            }
            Ok(taken)
        };
        let taken = attempt(&mut self.connection).map_err(|error| self.said(&error))?;
        self.checkpoint(1);
        taken.ok_or_else(|| StoreError::Stopped { fault: "the evaluation was stopped before its end".to_owned() })
    }

    /// Brings the log into the main file once at least `pages` wait in it. An error here is an error of the disk,
    /// told as such; SQLite's own automatic checkpoint would hide it.
    fn checkpoint(&mut self, pages: i64) {
        let look = |connection: &Connection, mode: &str| {
            let mut look = connection.prepare_cached(&format!("PRAGMA wal_checkpoint({mode})"))?;
            look.query_row([], |row| Ok((row.get::<_, i64>(1)?, row.get::<_, i64>(2)?)))
        };
        let done = look(&self.connection, "NOOP").and_then(|(log, moved)| {
            if log - moved >= pages {
                self.checkpointed = Instant::now();
                look(&self.connection, "PASSIVE")?;
            }
            Ok(())
        });
        match done {
            Ok(()) => {}
            // Someone else holds the lock of checkpoints for a moment.
            Err(error) if matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked)) => {}
            Err(error) => drop(self.stop(&error)),
        }
    }

    /// Leaves one plain file behind, that opens from read-only media too.
    fn fold(&mut self) -> Result<(), StoreError> {
        if self.health == Health::Failed {
            return self.standing();
        }
        let fold = || {
            let folded = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
            folded.and_then(|()| self.connection.query_row("PRAGMA journal_mode = DELETE", [], |row| row.get::<_, String>(0)))
        };
        // Readers of this program's own may be on the point of letting go; the change of journal waits for nobody by itself.
        let since = Instant::now();
        let mut folded = fold();
        while !folded.as_ref().is_ok_and(|mode| mode == "delete") && since.elapsed() < FOLD_PATIENCE {
            std::thread::sleep(FOLD_PATIENCE / 10);
            folded = fold();
        }
        match folded {
            Ok(mode) if mode == "delete" => Ok(()),
            Ok(_) => Err(StoreError::StillRead { path: self.path.clone() }),
            Err(error) if matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked)) => {
                Err(StoreError::StillRead { path: self.path.clone() })
            }
            Err(error) => Err(StoreError::sqlite(&self.path, &error)),
        }
    }

    fn look_at_space(&mut self) {
        self.looked_at_space = Instant::now();
        self.free_bytes = fs4::available_space(folder(&self.path)).ok();
        self.publish();
    }

    fn publish(&self) {
        let bytes = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len());
        // The screen has no room for the path, and there is one job only.
        let without_path =
            |fault: String| fault.strip_prefix(&format!("{}: ", self.path.display())).map_or_else(|| fault.clone(), str::to_owned);
        let fault = self.queue.fault().map(without_path);
        self.saved.send_modify(|saved| {
            for &RunProgress { run, seq, along, row, .. } in &self.runs {
                saved.take(SavedRun { run, seq, along, readings: row as u64, at_us: now_us(), unsaved: 0 });
            }
            saved.count_unsaved(&self.queue.unsaved());
            saved.waiting_bytes = if fault.is_some() { self.queue.waiting() as u64 } else { 0 };
            saved.fault = fault;
            saved.free_bytes = self.free_bytes;
            saved.file_bytes = bytes(&self.path) + bytes(&beside(&self.path, "-wal"));
        });
    }
}
