//! The statistics of all lines, collected by a thread of its own: the report's rows, and the histogram of each.

use super::{AGAIN, TELL};
use crate::console::SurveyHandle;
use crate::console::review::ReadProgress;
use crate::console::survey::statistics::{Figures, LineStatistics, StatisticsPart};
use crate::console::survey::{SurveyAsk, SurveyNews};
use backwall_report::readings::ReadingsOf;
use backwall_report::statistics::{ByHand, StatisticsRow, of_line};
use backwall_store::{Cursor, JobContents, JobFile, JobReader, RunSummary, StoreError};
use backwall_survey::strip::Limits;
use backwall_survey::strip::map::course_spans;
use backwall_survey::strip::statistics::{IntervalError, Scope, Tally};
use backwall_survey::travel::Path as LinePath;
use backwall_units::Length;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Instant;
use tokio::sync::mpsc::Sender;

pub fn open(path: &Path, line: String, interval: Length) -> anyhow::Result<SurveyHandle> {
    let reader = JobFile::open_read_only(path)?;
    let job = reader.contents()?;
    let (tell, news) = tokio::sync::mpsc::channel(4);
    let (asks, asked) = std::sync::mpsc::channel();
    let figures = Figures { lines: Vec::new(), interval: (line, interval), progress: ReadProgress::default(), trouble: None };
    let collector = StatisticsCollector { reader, job, tallies: BTreeMap::new(), figures, tell, asked };
    std::thread::Builder::new().name("statistics".to_owned()).spawn(move || collector.work())?;
    Ok(SurveyHandle { news, asks })
}

/// A line's readings, and where to go on from in each of its runs.
#[derive(Default)]
struct Collected {
    tally: Tally,
    cursors: BTreeMap<i64, Cursor>,
}

struct StatisticsCollector {
    reader: JobReader,
    job: JobContents,
    /// By line.
    tallies: BTreeMap<String, Collected>,
    figures: Figures,
    tell: Sender<SurveyNews>,
    asked: Receiver<SurveyAsk>,
}

impl StatisticsCollector {
    fn work(mut self) {
        if let Err(error) = self.keep_up() {
            self.tell.blocking_send(SurveyNews::Failed(error.to_string())).ok();
        }
    }

    /// Until nobody looks any more: what is still being recorded is read on, and other intervals are worked out when they
    /// are asked for.
    fn keep_up(&mut self) -> Result<(), StoreError> {
        loop {
            // A run may have begun since.
            self.job = self.reader.contents()?;
            let mut open = false;
            for run in &self.job.runs {
                open |= self.reader.is_open(run.id)?;
            }
            let before = self.figures.progress;
            let Some(grown) = self.read_on()? else { return Ok(()) };
            self.figures.progress.done = true;
            self.figures.progress.open = open;
            let since = Instant::now();
            if self.figures.progress != before && !self.publish(|line| open != before.open || grown.contains(line)) {
                return Ok(());
            }
            // Working out a long run takes its time: most of the processor is left to who records.
            let pause = AGAIN.max(since.elapsed() * 4);
            loop {
                match self.asked.recv_timeout(pause) {
                    Ok(survey) => {
                        // Of many keys pressed the last is what is wanted.
                        let newest = self.asked.try_iter().last().unwrap_or(survey);
                        let SurveyAsk::Statistics { line, interval } = newest else { continue };
                        let changed = [std::mem::replace(&mut self.figures.interval, (line.clone(), interval)).0, line];
                        self.count(|line| changed.iter().any(|changed| changed == line));
                        if self.tell.blocking_send(SurveyNews::Statistics(Arc::new(self.figures.clone()))).is_err() {
                            return Ok(());
                        }
                    }
                    Err(RecvTimeoutError::Timeout) if self.tell.is_closed() => return Ok(()),
                    Err(RecvTimeoutError::Timeout) if open => break,
                    Err(RecvTimeoutError::Timeout) => {}
                    Err(RecvTimeoutError::Disconnected) => return Ok(()),
                }
            }
        }
    }

    /// Reads what is there and answers the lines that have grown; `None` when nobody looks any more.
    fn read_on(&mut self) -> Result<Option<BTreeSet<String>>, StoreError> {
        let mut grown = BTreeSet::new();
        let mut told = Instant::now();
        self.figures.progress.of = self.job.runs.iter().map(|run| run.readings).sum();
        for run in &self.job.runs {
            let Collected { tally, cursors } = self.tallies.entry(run.start.line.clone()).or_default();
            let cursor = cursors.entry(run.id).or_insert_with(|| Cursor::in_force(run.id));
            loop {
                let step = cursor.step(&self.reader, |_, reading| tally.push(&reading))?;
                if step.readings > 0 {
                    grown.insert(run.start.line.clone());
                }
                self.figures.progress.read += step.readings;
                if step.at_end {
                    break;
                }
                if self.tell.is_closed() {
                    return Ok(None);
                }
                if told.elapsed() >= TELL {
                    told = Instant::now();
                    // Only how far it is: numbers of a part are no numbers of the whole.
                    let figures = Figures { lines: Vec::new(), ..self.figures.clone() };
                    if !self.figures.progress.done && self.tell.blocking_send(SurveyNews::Statistics(Arc::new(figures))).is_err() {
                        return Ok(None);
                    }
                }
            }
        }
        let progress = &mut self.figures.progress;
        progress.of = progress.of.max(progress.read);
        Ok(Some(grown))
    }

    fn publish(&mut self, wanted: impl Fn(&str) -> bool) -> bool {
        self.count(wanted);
        self.tell.blocking_send(SurveyNews::Statistics(Arc::new(self.figures.clone()))).is_ok()
    }

    /// Works out the lines that are wanted anew.
    fn count(&mut self, wanted: impl Fn(&str) -> bool) {
        self.figures.trouble = None;
        let mut names: Vec<String> = self.job.plan.lines.iter().map(|line| line.name.clone()).collect();
        for run in &self.job.runs {
            if !names.contains(&run.start.line) {
                names.push(run.start.line.clone());
            }
        }
        let known = std::mem::take(&mut self.figures.lines);
        for name in names {
            match known.iter().find(|of| of.line == name && !wanted(&name)) {
                Some(of) => self.figures.lines.push(of.clone()),
                None => {
                    let of = self.line(&name);
                    self.figures.lines.extend(of.map(Arc::new));
                }
            }
        }
    }

    fn line(&mut self, name: &str) -> Option<LineStatistics> {
        let runs: Vec<&RunSummary> = self.job.runs.iter().filter(|run| run.start.line == name).collect();
        let (chosen, length) = &self.figures.interval;
        let length = (chosen == name).then_some(*length);
        let (Some(last), Some(collected)) = (runs.last(), self.tallies.get(name)) else { return self.without_run(name) };
        let sources: Vec<ReadingsOf<'_>> = runs.iter().map(|run| ReadingsOf::Run(run)).collect();
        let tally = &collected.tally;
        let scope = Scope { path: Some(&last.start.path), max_gap: Some(self.job.plan.limits.max_gap), tracks: &self.job.plan.tracks };
        let mut trouble: Option<IntervalError> = None;
        let rows = of_line(&self.job, last, &sources, tally, length).or_else(|error| {
            trouble = Some(error);
            of_line(&self.job, last, &sources, tally, None)
        });
        let by_interval = length.filter(|_| trouble.is_none()).and_then(|length| tally.histograms_by_interval(length, &scope).ok());
        let mut by_interval = by_interval.unwrap_or_default().into_iter();
        let (path, limits) = (&last.start.path, &last.start.limits);
        let (mut whole, mut courses, mut intervals) = (None, Vec::new(), Vec::new());
        for row in rows.ok()? {
            match row.scope {
                "line" => whole = Some(part(row, tally.histogram(None, None), path, limits)),
                "course" => {
                    let histogram = row.course.and_then(|course| tally.histogram(Some(course), None));
                    courses.push(part(row, histogram, path, limits));
                }
                _ => intervals.push(part(row, by_interval.next().flatten(), path, limits)),
            }
        }
        self.figures.trouble = trouble.map(|error| error.to_string()).or(self.figures.trouble.take());
        Some(LineStatistics { line: name.to_owned(), whole: whole?, courses, intervals })
    }

    /// A planned line nobody has driven is there as well: nothing of it is covered.
    fn without_run(&self, name: &str) -> Option<LineStatistics> {
        let plan = &self.job.plan;
        let path = plan.path(plan.line(name)?);
        let scope = Scope { path: Some(&path), max_gap: Some(plan.limits.max_gap), tracks: &plan.tracks };
        let row = StatisticsRow {
            line: name.to_owned(),
            runs: String::new(),
            scope: "line",
            course: None,
            edges: None,
            statistics: Tally::new().whole(&scope),
            calibration: "",
            by_hand: ByHand::of(&self.job, name, |_| true),
        };
        let whole = part(row, None, &path, &plan.limits());
        Some(LineStatistics { line: name.to_owned(), whole, courses: Vec::new(), intervals: Vec::new() })
    }
}

/// A row with the limits that count in it.
fn part(
    row: StatisticsRow,
    histogram: Option<backwall_survey::strip::histogram::Histogram>,
    path: &LinePath,
    limits: &Limits,
) -> StatisticsPart {
    let (from, to) = row.edges.unwrap_or(path.span());
    let spans = course_spans(path, limits, from, to);
    let counts = |course: Option<u16>| row.course.is_none() || row.course == course;
    let each = |of: &dyn Fn(&backwall_survey::strip::map::CourseSpan) -> Option<Length>| {
        let mut found: Vec<Length> = spans.iter().filter(|span| counts(span.course)).filter_map(of).collect();
        found.sort_by(Length::total_cmp);
        found.dedup();
        found
    };
    let (required, nominal) = (each(&|span| span.required), each(&|span| span.nominal));
    StatisticsPart { row, histogram, required, nominal, watch_margin: limits.watch_margin }
}
