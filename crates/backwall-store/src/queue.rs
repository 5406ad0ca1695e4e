//! What waits to be saved: bounded by bytes, lossless while saving works. Whoever fills it never waits for the
//! disk unless it asks to. While the disk is full more may wait, in order, until there is room; once saving has failed it
//! drains into nothing, counted, so that nobody waits for ever.

use super::adoption::Adoption;
use super::contents::{Entry, EventKind, Mark, Note, RunId, RunStart, RunSummary};
use super::error::StoreError;
use super::evaluation::{EvaluationStart, EvaluationStep, EvaluationSummary};
use backwall_survey::job::Statement;
use backwall_survey::job::checklist::{Answer, Signature, Signed};
use backwall_survey::job::validity::Check;
use backwall_survey::travel::encoder_check::EncoderCheck;
use backwall_ultrasound::Setup;
use backwall_units::Wording;
use std::collections::{BTreeMap, VecDeque};
use std::sync::mpsc::{Receiver, Sender};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// What may wait, at most.
const ROOM_BYTES: usize = 16 << 20;
/// What may wait of a source that can be made to wait. More would only leave its end to the writer alone, on one core.
const AHEAD_BYTES: usize = 4 << 20;
/// What may wait while the disk is full: at 200 shots a second of 1024 samples two and a half minutes.
const BACKLOG_BYTES: usize = 64 << 20;
/// A commit is due when the oldest entry has waited this long ...
const TICK: Duration = Duration::from_millis(100);
/// ... or so many wait ...
const TICK_ENTRIES: usize = 256;
/// ... or so many bytes.
const TICK_BYTES: usize = 512 << 10;

/// What belongs to the job and not to an open run.
#[derive(Debug)]
pub(super) enum JobItem {
    Answer(Answer),
    Signature(Signature),
    Override(String, Signed),
    Setup(Box<Setup>, Wording, Signed),
    Check(Check),
    EncoderCheck(EncoderCheck, Signed),
    Note(Note),
    Adopt(Adoption),
    State(Box<Statement>),
}

pub(super) type Reply<T> = Sender<Result<T, StoreError>>;

/// What the writer thread does on request, answering when it is done.
pub(super) enum WriterCommand {
    StartRuns(Vec<RunStart>, Reply<Vec<RunId>>),
    CloseRun {
        run: RunId,
        reason: super::CloseReason,
        lost: u64,
        reply: Reply<RunSummary>,
    },
    /// All of them or none; the number of the last.
    Enter(Vec<JobItem>, Reply<i64>),
    Evaluate {
        start: Box<EvaluationStart>,
        steps: Receiver<EvaluationStep>,
        reply: Reply<EvaluationSummary>,
    },
    Flush(Reply<()>),
    Close(Reply<()>),
}

/// What waits, each with the run it is of.
pub(super) type Entries = VecDeque<(RunId, Entry)>;

#[derive(Default)]
struct State {
    entries: Entries,
    bytes: usize,
    since: Option<Instant>,
    /// Something an operator did waits: do not let it.
    urgent: bool,
    /// The writer waits for work; while it writes, waking it would be a call into the system for nothing.
    idle: bool,
    commands: VecDeque<WriterCommand>,
    /// The runs that take entries.
    runs: Vec<RunId>,
    /// The writer thread is gone.
    ended: bool,
    /// Why nothing is taken any more.
    fault: Option<String>,
    /// Why nothing is saved for now: what waits stays here.
    held: Option<String>,
    /// By run.
    unsaved: BTreeMap<RunId, u64>,
}

#[derive(Default)]
pub(super) struct EntryQueue {
    state: Mutex<State>,
    work: Condvar,
    room: Condvar,
}

fn bytes_of(entry: &Entry) -> usize {
    let held = match entry {
        Entry::Reading { waveform: Some(waveform), .. } => waveform.samples.len() * 2,
        Entry::Mark(Mark { text, .. }) | Entry::Lost { text, .. } => text.len(),
        Entry::Note(Note { text, .. }) | Entry::Event { text, .. } => text.size(),
        _ => 0,
    };
    size_of::<Entry>() + held
}

fn is_urgent(entry: &Entry) -> bool {
    match entry {
        Entry::Mark(_) | Entry::Note(_) => true,
        Entry::Event { kind, .. } => {
            matches!(kind, EventKind::Acknowledged | EventKind::Fault | EventKind::Command | EventKind::Adjusted | EventKind::FarFromBlocks)
        }
        Entry::Reading { .. }
        | Entry::TimeBase(_)
        | Entry::Spot(_)
        | Entry::Judgement(_)
        | Entry::SetupChange(_)
        | Entry::PlaceSet { .. }
        | Entry::Lost { .. } => false,
    }
}

impl State {
    /// What may wait as things stand, bytes.
    fn room(&self) -> usize {
        if self.held.is_some() { BACKLOG_BYTES } else { ROOM_BYTES }
    }

    fn lose(&mut self, run: RunId) {
        *self.unsaved.entry(run).or_default() += 1;
    }

    fn weigh(&mut self) {
        self.bytes = self.entries.iter().map(|(_, entry)| bytes_of(entry)).sum();
    }
}

impl EntryQueue {
    fn lock(&self) -> MutexGuard<'_, State> {
        // Nothing is left half done where a holder of the lock could panic.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    #[expect(clippy::result_large_err, reason = "a full queue gives the entry back, to be tried again")]
    pub fn try_push(&self, run: RunId, entry: Entry) -> Result<(), Entry> {
        let mut state = self.lock();
        if state.fault.is_some() || !state.runs.contains(&run) {
            state.lose(run);
            return Ok(());
        }
        if state.bytes >= state.room() {
            return Err(entry);
        }
        self.push(&mut state, run, entry);
        Ok(())
    }

    pub fn push_blocking(&self, run: RunId, entry: Entry, keep_pace: bool) -> Result<(), StoreError> {
        let mut state = self.lock();
        loop {
            if let Some(fault) = &state.fault {
                let fault = fault.clone();
                state.lose(run);
                return Err(StoreError::Stopped { fault });
            }
            if !state.runs.contains(&run) {
                state.lose(run);
                return Err(StoreError::RunNotOpen { run });
            }
            let room = if keep_pace && state.held.is_none() { AHEAD_BYTES } else { state.room() };
            if state.bytes < room {
                self.push(&mut state, run, entry);
                return Ok(());
            }
            // A full disk may stay full for ever.
            if let Some(fault) = &state.held {
                let fault = fault.clone();
                state.lose(run);
                return Err(StoreError::Stopped { fault });
            }
            state = self.room.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn push(&self, state: &mut State, run: RunId, entry: Entry) {
        state.bytes += bytes_of(&entry);
        state.urgent |= is_urgent(&entry);
        let first = state.entries.is_empty();
        state.entries.push_back((run, entry));
        if first {
            state.since = Some(Instant::now());
        }
        if state.idle && (first || state.urgent || state.entries.len() >= TICK_ENTRIES || state.bytes >= TICK_BYTES) {
            state.idle = false;
            self.work.notify_one();
        }
    }

    pub fn command(&self, command: WriterCommand) {
        let mut state = self.lock();
        // Dropped with its reply, it tells whoever waits for the answer that none will come.
        if !state.ended {
            state.commands.push_back(command);
            self.work.notify_one();
        }
    }

    /// Waits until there is something to do, at most until `deadline`; takes all entries and one command. The
    /// entries go before the command.
    pub fn take(&self, entries: &mut Entries, deadline: Instant) -> Option<WriterCommand> {
        let mut state = self.lock();
        loop {
            let now = Instant::now();
            let due = state.since.map(|since| since + TICK);
            let held = state.held.is_some();
            let full = state.urgent || state.entries.len() >= TICK_ENTRIES || state.bytes >= TICK_BYTES;
            let ready = !state.commands.is_empty() || (!held && (full || due.is_some_and(|due| due <= now)));
            if ready || now >= deadline {
                if !held {
                    self.move_entries(&mut state, entries);
                }
                return state.commands.pop_front();
            }
            let until = due.filter(|_| !held).map_or(deadline, |due| due.min(deadline));
            state.idle = true;
            state = self.work.wait_timeout(state, until - now).unwrap_or_else(PoisonError::into_inner).0;
            state.idle = false;
        }
    }

    fn move_entries(&self, state: &mut State, entries: &mut Entries) {
        entries.append(&mut state.entries);
        state.bytes = 0;
        state.since = None;
        state.urgent = false;
        self.room.notify_all();
    }

    /// Takes what waits of a run at this moment.
    pub fn drain(&self, run: RunId, entries: &mut Entries) {
        let mut state = self.lock();
        let (of_run, rest) = std::mem::take(&mut state.entries).into_iter().partition::<Entries, _>(|(of, _)| *of == run);
        entries.extend(of_run);
        state.entries = rest;
        state.weigh();
        self.room.notify_all();
    }

    /// There is no room on the disk: `entries`, which were taken last, go back to the front, and all that comes waits behind them.
    pub fn hold(&self, entries: &mut Entries, why: &str) {
        let mut state = self.lock();
        entries.append(&mut state.entries);
        std::mem::swap(&mut state.entries, entries);
        state.weigh();
        state.held = Some(why.to_owned());
    }

    /// The oldest of what is held, in pieces.
    pub fn take_held(&self, entries: &mut Entries) {
        let mut state = self.lock();
        let piece = state.entries.len().min(TICK_ENTRIES);
        entries.extend(state.entries.drain(..piece));
        state.weigh();
        self.room.notify_all();
    }

    /// There is room again.
    pub fn release(&self) {
        let mut state = self.lock();
        state.held = None;
        state.since = (!state.entries.is_empty()).then(Instant::now);
        self.work.notify_one();
        self.room.notify_all();
    }

    /// What waits, bytes.
    pub fn waiting(&self) -> usize {
        self.lock().bytes
    }

    /// Which runs take entries from now on.
    pub fn open(&self, runs: Vec<RunId>) {
        self.lock().runs = runs;
    }

    /// A run takes no more.
    pub fn end_run(&self, run: RunId) {
        self.lock().runs.retain(|open| *open != run);
    }

    /// From now on nothing is taken; what still waits is counted as unsaved.
    pub fn fail(&self, fault: &str) {
        let mut state = self.lock();
        state.fault.get_or_insert_with(|| fault.to_owned());
        let mut waiting = Entries::new();
        self.move_entries(&mut state, &mut waiting);
        waiting.iter().for_each(|(run, _)| state.lose(*run));
    }

    pub fn count_unsaved(&self, entries: &Entries) {
        let mut state = self.lock();
        entries.iter().for_each(|(run, _)| state.lose(*run));
    }

    /// Saving works again.
    pub fn recover(&self) {
        let mut state = self.lock();
        (state.fault, state.held) = (None, None);
        state.unsaved.clear();
    }

    /// The thread is gone: whoever waits for an answer gets none.
    pub fn end(&self) {
        self.fail("the job file is closed");
        let mut state = self.lock();
        state.ended = true;
        state.commands.clear();
    }

    /// What is not in the file, by run.
    pub fn unsaved(&self) -> BTreeMap<RunId, u64> {
        self.lock().unsaved.clone()
    }

    /// Why nothing is saved, and how much waits.
    pub fn fault(&self) -> Option<String> {
        let state = self.lock();
        let held = || {
            let mb = |bytes: usize| bytes as f64 / f64::from(1 << 20);
            let held = state.held.as_ref()?;
            Some(format!("{held}; {:.1} of at most {:.0} MB wait in memory", mb(state.bytes), mb(BACKLOG_BYTES)))
        };
        state.fault.clone().or_else(held)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Held in the queue and once more in the writer, what waits would be twice its room in memory wherever the disk is slower than the source.
    #[test]
    fn a_source_that_keeps_pace_fills_little_memory_and_a_live_one_has_its_room() {
        let note = || Entry::Note(Note { run: None, along: None, text: "x".repeat(10_000).into(), at_us: 0 });
        let queue = EntryQueue::default();
        queue.open(vec![1]);
        std::thread::scope(|scope| {
            let pushing = scope.spawn(|| (0..1000).all(|_| queue.push_blocking(1, note(), true).is_ok()));
            let since = Instant::now();
            while queue.waiting() < AHEAD_BYTES && since.elapsed() < Duration::from_secs(20) {
                std::thread::sleep(Duration::from_millis(1));
            }
            std::thread::sleep(Duration::from_millis(20));
            assert!((AHEAD_BYTES..AHEAD_BYTES + 20_000).contains(&queue.waiting()), "{} bytes", queue.waiting());
            while !pushing.is_finished() {
                queue.drain(1, &mut Entries::new());
            }
            assert!(pushing.join().unwrap());
        });
        while queue.try_push(1, note()).is_ok() {}
        assert!((ROOM_BYTES..ROOM_BYTES + 20_000).contains(&queue.waiting()));
    }
}
