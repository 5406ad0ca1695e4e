//! A stored run played again, by a thread of its own: its readings go through the engine of a live run, by the times they
//! were taken at, and nothing that engine would write is written.

use super::AGAIN;
use crate::console::ReplayHandle;
use crate::console::replay::Replay;
use crate::live::engine::Engine;
use crate::live::{LiveView, Phase};
use anyhow::Context;
use backwall_store::{Cursor, JobFile, JobReader, Mark, Note, RunId, RunSummary, StoreError};
use backwall_survey::reading::{Reading, ReadingMaker};
use backwall_survey::strip::{Spot, SpotWatch};
use backwall_survey::travel::Odometer;
use backwall_ultrasound::Setup;
use std::collections::VecDeque;
use std::path::Path;
use std::sync::mpsc::{Receiver, TryRecvError};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Pictures a second, as on the live screen.
const FRAME: Duration = Duration::from_millis(33);
/// A device clock that jumps further than this has been set; the host's is then taken.
const LONGEST_STEP_US: i64 = 60_000_000;

pub fn open(path: &Path, run: RunId) -> anyhow::Result<ReplayHandle> {
    let reader = JobFile::open_read_only(path)?;
    let job = reader.contents()?;
    let summary = job.any_run(run).with_context(|| format!("there is no run {run}"))?.clone();
    let (start, plan) = (&summary.start, &job.plan);
    let seams = plan.line(&start.line).map(|line| plan.seams(line)).unwrap_or_default();
    let wall = crate::console::review::overview::empty_wall(SpotWatch::new(plan.alarm), seams, start.path.span());
    let maker = ReadingMaker::new(start.setup.clone(), Odometer::new(start.path.clone())?, start.limits.clone(), start.wall_temperature);
    let limits = Arc::new(start.limits.clone());
    let engine = Engine::new(maker, limits.clone(), plan.limits.max_gap, start.path.start, wall);
    let view = LiveView::waiting(run, start, limits, plan.limits.max_speed, plan.limits.max_gap);
    let (asks, asked) = std::sync::mpsc::channel();
    let (tell, view) = watch::channel(Arc::new(view));
    let wall = engine.wall.clone();
    let notes = reader.notes(run)?.into();
    let marks = reader.marks(run)?.into();
    let seen = reader.measured_spots(run)?.into_iter().filter(|spot| spot.acknowledged).collect();
    let player = Player {
        reader,
        summary,
        engine,
        seen,
        marks,
        notes,
        waiting: VecDeque::new(),
        cursor: Cursor::measured(run),
        last: None,
        clock_us: 0.0,
        newest_us: 0,
        tell,
        asked,
    };
    std::thread::Builder::new().name("replay".to_owned()).spawn(move || player.work())?;
    Ok(ReplayHandle { view, wall, asks })
}

/// A reading, its row, and when it was taken, µs after the first.
struct ReplayDue {
    row: u64,
    at_us: f64,
    reading: Reading,
}

/// The first, if its time has come.
fn taken<T>(queue: &mut VecDeque<T>, has_come: impl FnOnce(&T) -> bool) -> Option<T> {
    queue.front().is_some_and(has_come).then(|| queue.pop_front())?
}

struct Player {
    reader: JobReader,
    summary: RunSummary,
    engine: Engine,
    /// Spots that were acknowledged.
    seen: Vec<Spot>,
    marks: VecDeque<Mark>,
    notes: VecDeque<Note>,
    waiting: VecDeque<ReplayDue>,
    cursor: Cursor,
    /// Times of the last reading fetched: since the first, the device's, the host's.
    last: Option<(f64, Option<u64>, i64)>,
    clock_us: f64,
    /// When the reading shown was taken.
    newest_us: i64,
    tell: watch::Sender<Arc<LiveView>>,
    asked: Receiver<Replay>,
}

impl Player {
    fn work(mut self) {
        if let Err(error) = self.play() {
            self.engine.phase = Phase::Failed(error.to_string());
            self.tell.send_modify(|view| Arc::make_mut(view).phase = self.engine.phase.clone());
        }
    }

    fn play(&mut self) -> Result<(), StoreError> {
        let mut wanted = Replay::default();
        let mut since = Instant::now();
        loop {
            loop {
                match self.asked.try_recv() {
                    Ok(newest) => wanted = newest,
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) => return Ok(()),
                }
            }
            let passed = since.elapsed();
            since = Instant::now();
            if !wanted.paused {
                match wanted.pace.factor() {
                    Some(factor) => self.clock_us += passed.as_secs_f64() * 1e6 * factor,
                    None => self.clock_us = f64::INFINITY,
                }
                let (shown, is_at_end) = self.go_on(since)?;
                // Slowed down again, it goes on from where it is.
                if let Some(at_us) = shown.map(|(_, at_us)| at_us).or(self.last.map(|last| last.0)).filter(|_| self.clock_us.is_infinite())
                {
                    self.clock_us = at_us;
                }
                if let Some((row, _)) = shown {
                    self.remember(self.newest_us);
                    self.publish(Some(row))?;
                }
                if is_at_end && !self.reader.is_open(self.summary.id)? {
                    self.engine.phase = Phase::Ended(Box::new(self.reader.run(self.summary.id)?));
                    self.publish(None)?;
                    return Ok(());
                }
                if is_at_end {
                    // Of a run still being recorded, what has been saved since.
                    std::thread::sleep(AGAIN);
                    continue;
                }
            }
            std::thread::sleep(FRAME.saturating_sub(since.elapsed()));
        }
    }

    /// Plays what is due, for no longer than a picture takes; answers the last reading played, and whether no more is there.
    fn go_on(&mut self, since: Instant) -> Result<(Option<(u64, f64)>, bool), StoreError> {
        let mut shown = None;
        loop {
            if self.waiting.is_empty() && !self.fetch()? {
                return Ok((shown, true));
            }
            let Some(due) = taken(&mut self.waiting, |due| due.at_us <= self.clock_us) else { return Ok((shown, false)) };
            shown = Some((due.row, due.at_us));
            self.newest_us = due.reading.host_time_us;
            self.engine.stored(due.reading);
            if since.elapsed() >= FRAME {
                return Ok((shown, false));
            }
        }
    }

    fn fetch(&mut self) -> Result<bool, StoreError> {
        let (last, waiting) = (&mut self.last, &mut self.waiting);
        self.cursor.step(&self.reader, |row, reading| {
            let at_us = match *last {
                None => 0.0,
                Some((at_us, device, host)) => {
                    let by_device =
                        device.zip(reading.device_time_us).and_then(|(before, now)| i64::try_from(now.checked_sub(before)?).ok());
                    let by_host = (reading.host_time_us - host).max(0);
                    at_us + by_device.filter(|step| *step <= LONGEST_STEP_US).unwrap_or(by_host) as f64
                }
            };
            *last = Some((at_us, reading.device_time_us, reading.host_time_us));
            waiting.push_back(ReplayDue { row, at_us, reading });
        })?;
        Ok(!self.waiting.is_empty())
    }

    /// Marks and notes appear when they were made; a spot that was acknowledged is no new one.
    fn remember(&mut self, now_us: i64) {
        let mut wall = self.engine.wall.lock().unwrap_or_else(PoisonError::into_inner);
        for seen in &self.seen {
            let same = wall.spots.open().find(|spot| spot.least_seq == seen.least_seq && spot.least_at == seen.least_at);
            if let Some(id) = same.map(|spot| spot.id) {
                wall.acknowledge(id);
            }
        }
        while let Some(mark) = taken(&mut self.marks, |mark| mark.at_us <= now_us) {
            wall.marks.push(mark);
        }
        while let Some(note) = taken(&mut self.notes, |note| note.at_us <= now_us) {
            wall.notes.push(note);
        }
    }

    /// The set-up that made the reading in a row.
    fn setup_at(&self, row: u64, old: &LiveView) -> Arc<Setup> {
        let setup = self.summary.setup_at(row);
        if *old.setup == *setup { old.setup.clone() } else { Arc::new(setup.clone()) }
    }

    /// Shows the state after the reading in a row, with its own waveform or none.
    fn publish(&self, row: Option<u64>) -> Result<(), StoreError> {
        let old = self.tell.borrow().clone();
        let engine = &self.engine;
        let waveform = match row {
            Some(row) => self.reader.waveform(self.summary.id, row)?,
            None => old.waveform.clone(),
        };
        self.tell.send_replace(Arc::new(LiveView {
            phase: engine.phase.clone(),
            reading: engine.reading.clone(),
            waveform,
            counts: engine.counts.clone(),
            reach: engine.reach,
            zero: engine.zero,
            setup: row.map_or_else(|| old.setup.clone(), |row| self.setup_at(row, &old)),
            gap: engine.gap(),
            ..(*old).clone()
        }));
        Ok(())
    }
}
