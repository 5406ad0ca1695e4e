//! The unrolled map, read by a thread of its own: every run of every line into bins, whatever the number of readings.

use super::{AGAIN, TELL};
use crate::console::SurveyHandle;
use crate::console::review::ReadProgress;
use crate::console::survey::{SurveyNews, Surveyed};
use backwall_report::figure::data;
use backwall_store::{Cursor, JobContents, JobFile, JobReader, ReadingSummary, StoreError};
use backwall_survey::strip::Strip;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use tokio::sync::mpsc::Sender;

pub fn open(path: &Path) -> anyhow::Result<SurveyHandle> {
    let reader = JobFile::open_read_only(path)?;
    let job = reader.contents()?;
    let (tell, news) = tokio::sync::mpsc::channel(4);
    let (asks, _) = std::sync::mpsc::channel();
    let mapper = Mapper { reader, job, strips: BTreeMap::new(), cursors: BTreeMap::new(), read: 0, tell };
    std::thread::Builder::new().name("map".to_owned()).spawn(move || mapper.work())?;
    Ok(SurveyHandle { news, asks })
}

struct Mapper {
    reader: JobReader,
    job: JobContents,
    /// By line, and by the stripe beside it.
    strips: BTreeMap<String, BTreeMap<i32, Strip>>,
    /// Where to go on from, by run.
    cursors: BTreeMap<i64, Cursor<ReadingSummary>>,
    read: u64,
    tell: Sender<SurveyNews>,
}

impl Mapper {
    fn work(mut self) {
        if let Err(error) = self.keep_up() {
            self.tell.blocking_send(SurveyNews::Failed(error.to_string())).ok();
        }
    }

    /// Until all is read and nothing more can come, or nobody looks any more.
    fn keep_up(&mut self) -> Result<(), StoreError> {
        let mut told = None;
        loop {
            // A run may have begun since.
            self.job = self.reader.contents()?;
            let mut open = false;
            for run in &self.job.runs {
                open |= self.reader.is_open(run.id)?;
            }
            if !self.read_on()? {
                return Ok(());
            }
            if told != Some((self.read, open)) && !self.publish(true, open) {
                return Ok(());
            }
            told = Some((self.read, open));
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
    fn read_on(&mut self) -> Result<bool, StoreError> {
        let mut told = Instant::now();
        for index in 0..self.job.runs.len() {
            let run = &self.job.runs[index];
            let (id, line) = (run.id, run.start.line.clone());
            loop {
                let strips = self.strips.entry(line.clone()).or_default();
                let cursor = self.cursors.entry(id).or_insert_with(|| Cursor::glancing(id));
                let step = cursor.step(&self.reader, |_, glance| {
                    let strip = strips.entry(self.job.plan.stripe(glance.across)).or_default();
                    strip.push(glance.along, glance.counted(), glance.level);
                })?;
                self.read += step.readings;
                if step.at_end {
                    break;
                }
                if self.tell.is_closed() {
                    return Ok(false);
                }
                if told.elapsed() >= 2 * TELL {
                    told = Instant::now();
                    if !self.publish(false, false) {
                        return Ok(false);
                    }
                }
            }
        }
        Ok(true)
    }

    fn publish(&self, done: bool, open: bool) -> bool {
        let plan = &self.job.plan;
        let map = plan.wall_map(|line| self.strips.get(line).cloned().unwrap_or_default());
        let seams = plan.course_edges().iter().skip(1).map(|(_, bottom, _)| *bottom).collect();
        let of = self.job.runs.iter().map(|run| run.readings).sum::<u64>().max(self.read);
        let progress = ReadProgress { read: self.read, of, done, open };
        let surveyed = Surveyed::new(map, data::beam(plan).1, seams, progress);
        self.tell.blocking_send(SurveyNews::Map(Arc::new(surveyed))).is_ok()
    }
}
