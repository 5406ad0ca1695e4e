//! A stored run read for the walk: one thread reads the runs through and keeps up with what is still being recorded.

use super::earlier::{EarlierSurvey, Surveys};
use super::fetch::Fetcher;
use super::{AGAIN, TELL};
use crate::console::ReviewHandle;
use crate::console::review::News;
use crate::console::review::overview::{self, Overview};
use anyhow::Context;
use backwall_store::{Cursor, JobFile, JobReader, ReadingSummary, RunId, RunSummary, StoreError};
use backwall_survey::strip::SpotWatch;
use std::path::Path;
use std::sync::mpsc::channel;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;
use tokio::sync::mpsc::Sender;

/// Opens a stored run, or all runs of its line.
pub fn open(path: &Path, run: RunId, all: bool, earlier: Option<&EarlierSurvey>) -> anyhow::Result<ReviewHandle> {
    let reader = JobFile::open_read_only(path)?;
    let contents = reader.contents()?;
    let summary = contents.any_run(run).with_context(|| format!("there is no run {run}"))?;
    let line = &summary.start.line;
    // All of a line are all that count; one alone may be one that does not.
    let of_line: Vec<RunSummary> = contents.runs.iter().filter(|known| all && known.start.line == *line).cloned().collect();
    let all = !of_line.is_empty();
    let runs = if all { of_line } else { vec![summary.clone()] };
    let newest = runs.last().unwrap_or(summary);
    let start = &newest.start;
    let seams = contents.plan.line(line).map(|line| contents.plan.seams(line)).unwrap_or_default();
    let wall = overview::empty_wall(SpotWatch::new(contents.plan.alarm), seams, start.path.span());
    let ids = runs.iter().map(|run| run.id).collect();
    let max_gap = contents.plan.limits.max_gap;
    let limits = start.limits.clone();
    let mut overview = Overview::new(ids, all, limits, start.path.direction, start.path.across_course, max_gap, wall);
    overview.progress.of = runs.iter().map(|run| run.readings).sum();
    let overview = Arc::new(overview);
    let latest = Arc::new(Mutex::new(overview.clone()));
    let (tell, news) = tokio::sync::mpsc::channel(64);
    let (asks, asked) = channel();
    let surveys = Surveys::default();
    let keeper = Keeper {
        reader,
        runs,
        overview: (*overview).clone(),
        latest: latest.clone(),
        tell: tell.clone(),
        earlier: earlier.cloned(),
        surveys: surveys.clone(),
    };
    std::thread::Builder::new().name("overview".to_owned()).spawn(move || keeper.work())?;
    let fetcher = Fetcher { reader: JobFile::open_read_only(path)?, latest, tell, surveys };
    std::thread::Builder::new().name("fetch".to_owned()).spawn(move || fetcher.work(&asked))?;
    Ok(ReviewHandle { overview, news, asks })
}

pub(super) type Latest = Arc<Mutex<Arc<Overview>>>;

/// Reads the runs through.
struct Keeper {
    reader: JobReader,
    runs: Vec<RunSummary>,
    overview: Overview,
    latest: Latest,
    tell: Sender<News>,
    earlier: Option<EarlierSurvey>,
    surveys: Surveys,
}

impl Keeper {
    fn work(mut self) {
        if let Err(error) = self.keep_up() {
            self.tell.blocking_send(News::Failed(error.to_string())).ok();
        }
    }

    /// Until all is read and nothing more can come, or nobody looks any more.
    fn keep_up(&mut self) -> Result<(), StoreError> {
        let mut cursors: Vec<_> = self.runs.iter().map(|run| Cursor::glancing(run.id)).collect();
        self.notes()?;
        loop {
            let before = self.overview.progress;
            // Asked before reading: what came in between is read all the same.
            let mut open = false;
            for run in &self.runs {
                open |= self.reader.is_open(run.id)?;
            }
            if !self.read_on(&mut cursors)? {
                return Ok(());
            }
            self.notes()?;
            self.overview.progress.of = self.overview.progress.read;
            self.overview.progress.open = open;
            self.overview.progress.done = true;
            self.overview.settle();
            if before != self.overview.progress && !self.publish() {
                return Ok(());
            }
            if let Some(behind) = self.earlier.take() {
                let news = match self.surveys.load(&self.reader, &self.runs, &behind) {
                    Ok(earlier) => News::Earlier(Arc::new(earlier)),
                    Err(error) => News::Failed(format!("the earlier survey is not shown: {error:#}")),
                };
                if self.tell.blocking_send(news).is_err() {
                    return Ok(());
                }
            }
            if !open {
                return Ok(());
            }
            std::thread::sleep(AGAIN);
            if self.tell.is_closed() {
                return Ok(());
            }
        }
    }

    /// Reads what is there; `false` when nobody looks any more.
    fn read_on(&mut self, cursors: &mut [Cursor<ReadingSummary>]) -> Result<bool, StoreError> {
        let mut told = Instant::now();
        for (index, (run, cursor)) in self.runs.iter().zip(cursors).enumerate() {
            loop {
                let overview = &mut self.overview;
                let step = cursor.step(&self.reader, |_, glance| overview.push(index as u32, &glance, &run.start.limits))?;
                if step.at_end {
                    break;
                }
                if told.elapsed() >= TELL {
                    told = Instant::now();
                    self.overview.settle();
                    if !self.publish() {
                        return Ok(false);
                    }
                }
            }
        }
        Ok(true)
    }

    fn notes(&mut self) -> Result<(), StoreError> {
        let wall = &mut self.overview.wall;
        (wall.marks, wall.notes) = (Vec::new(), Vec::new());
        for run in &self.runs {
            wall.marks.extend(self.reader.marks(run.id)?);
            wall.notes.extend(self.reader.notes(run.id)?);
            // What was acknowledged while scanning is known by its place.
            for seen in self.reader.measured_spots(run.id)?.iter().filter(|spot| spot.acknowledged) {
                let same = wall.spots.spots().iter().find(|spot| spot.least_seq == seen.least_seq && spot.least_at == seen.least_at);
                if let Some(id) = same.map(|spot| spot.id) {
                    wall.acknowledge(id);
                }
            }
        }
        Ok(())
    }

    fn publish(&self) -> bool {
        let snapshot = Arc::new(self.overview.clone());
        *self.latest.lock().unwrap_or_else(PoisonError::into_inner) = snapshot.clone();
        self.tell.blocking_send(News::Overview(snapshot)).is_ok()
    }
}
