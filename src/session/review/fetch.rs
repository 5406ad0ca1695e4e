//! What the cursor of a walk stands on, fetched by a thread of its own.

use super::AGAIN;
use super::earlier::Surveys;
use super::walk::Latest;
use crate::console::review::overview::Overview;
use crate::console::review::{Ask, News, SIDE, Shown, Window};
use backwall_store::{JobReader, RunId, StoreError};
use backwall_survey::reading::Reading;
use backwall_survey::strip::places::Rows;
use backwall_survey::strip::{At, Places};
use backwall_units::Length;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, PoisonError};
use tokio::sync::mpsc::Sender;

/// Fetches what the cursor stands on.
pub(super) struct Fetcher {
    pub reader: JobReader,
    pub latest: Latest,
    pub tell: Sender<News>,
    pub surveys: Surveys,
}

impl Fetcher {
    pub(super) fn work(self, asked: &Receiver<Ask>) {
        loop {
            let first = match asked.recv_timeout(AGAIN) {
                Ok(ask) => ask,
                Err(RecvTimeoutError::Timeout) if !self.tell.is_closed() => continue,
                Err(_) => return,
            };
            // A key held down asks faster than a slow disk answers: the newest of a kind is what is still wanted.
            let (mut reading, mut window, mut offset) = (None, None, None);
            for ask in std::iter::once(first).chain(asked.try_iter()) {
                match ask {
                    Ask::Reading(at) => reading = Some(at),
                    Ask::Window(at) => window = Some(at),
                    Ask::Compare(by) => offset = Some(by),
                }
            }
            let compared = offset.and_then(|offset| self.surveys.compare(offset)).map(Ok);
            let answers = [reading.and_then(|at| self.reading(at).transpose()), window.map(|at| self.window(at)), compared];
            for answer in answers.into_iter().flatten() {
                let news = answer.unwrap_or_else(|error| News::Failed(error.to_string()));
                if self.tell.blocking_send(news).is_err() {
                    return;
                }
            }
        }
    }

    fn overview(&self) -> Arc<Overview> {
        self.latest.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn reading(&self, at: At) -> Result<Option<News>, StoreError> {
        let overview = self.overview();
        let Some(run) = overview.runs.get(at.run as usize) else { return Ok(None) };
        let Some(reading) = self.reader.readings(*run, at.row, 1)?.pop() else { return Ok(None) };
        // Another reading must never be shown for the one that was asked for.
        if At::new(reading.place.along, at.run, at.row) != at {
            return Ok(None);
        }
        let waveform = self.reader.waveform(*run, at.row).map_err(|error| error.to_string());
        Ok(Some(News::Reading(Arc::new(Shown { at, reading, waveform }))))
    }

    fn window(&self, at: At) -> Result<News, StoreError> {
        let overview = self.overview();
        Ok(News::Window(Arc::new(window(&self.reader, &overview.runs, &overview.places, at)?)))
    }
}

/// Blocks of readings without a place fetched at once, each way.
const UNPLACED: usize = 4;
/// Readings kept while a window is gathered, before those furthest off are let go.
const GATHERED: usize = SIDE * 16;

/// The readings about a place in order, at least [`SIDE`] each way where there are so many.
pub fn window(reader: &JobReader, runs: &[RunId], places: &Places, at: At) -> Result<Window, StoreError> {
    let Some(along) = at.along() else { return unplaced(reader, runs, places, at) };
    let (from, to) = places.about(along, SIDE as u64);
    let mut gathered = FetchedRun { at, readings: Vec::new(), cut: (false, false) };
    for rows in places.rows_between(from, to) {
        fetch(reader, runs, rows, |at, reading| {
            if at.along().is_some_and(|along| along >= from && along < to) {
                gathered.readings.push((at, reading));
            }
        })?;
        if gathered.readings.len() > GATHERED {
            gathered.cut_down();
        }
    }
    gathered.cut_down();
    let edge = |found: Option<Length>, ok: bool| found.is_none() || ok;
    let (low, high) = places.extent().unzip();
    let whole = (
        edge(low, low.is_some_and(|low| low >= from)) && !gathered.cut.0,
        edge(high, high.is_some_and(|high| high <= to)) && !gathered.cut.1,
    );
    Ok(Window { readings: gathered.readings, whole })
}

fn unplaced(reader: &JobReader, runs: &[RunId], places: &Places, at: At) -> Result<Window, StoreError> {
    let mut readings = Vec::new();
    let (blocks, whole) = places.rows_unplaced(at, UNPLACED);
    for rows in blocks {
        fetch(reader, runs, rows, |at, reading| {
            if at.along().is_none() {
                readings.push((at, reading));
            }
        })?;
    }
    readings.sort_by_key(|(at, _)| *at);
    Ok(Window { readings, whole })
}

fn fetch(reader: &JobReader, runs: &[RunId], (run, first, count): Rows, mut each: impl FnMut(At, Reading)) -> Result<(), StoreError> {
    let Some(id) = runs.get(run as usize) else { return Ok(()) };
    for (row, reading) in (first..).zip(reader.readings(*id, first, count as usize)?) {
        each(At::new(reading.place.along, run, row), reading);
    }
    Ok(())
}

struct FetchedRun {
    at: At,
    readings: Vec<(At, Reading)>,
    /// Something before the first, or behind the last, was let go.
    cut: (bool, bool),
}

impl FetchedRun {
    /// Keeps order and, where there are many, those nearest to the cursor.
    fn cut_down(&mut self) {
        self.readings.sort_by_key(|(at, _)| *at);
        let here = self.readings.partition_point(|(at, _)| *at < self.at);
        if self.readings.len() > here + 2 * SIDE {
            self.readings.truncate(here + 2 * SIDE);
            self.cut.1 = true;
        }
        if here > 2 * SIDE {
            self.readings.drain(..here - 2 * SIDE);
            self.cut.0 = true;
        }
    }
}
