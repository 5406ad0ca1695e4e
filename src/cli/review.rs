//! `backwall review`, and the threads behind the console's review: one reads the runs through and keeps up with what
//! is still being recorded, one fetches what the cursor stands on. The screen waits for neither.

use super::console::{ScreenArgs, show};
use super::follow::{closed, text_of_summary, text_of_validity};
use super::reevaluate;
use super::session::Session;
use crate::console::review::overview::{self, Overview};
use crate::console::review::{Ask, Earlier, News, SIDE, Shown, Window};
use crate::console::{Backend, ReviewHandle, ScanHandle, Step};
use crate::job::checklist::{Answer, Signature, Signed};
use crate::job::validity::Check;
use crate::live::bench::BenchHandle;
use crate::reading::Reading;
use crate::report::{self, earlier::Told};
use crate::store::{JobContents, JobFile, JobReader, Note, RunId, RunSummary, StoreError};
use crate::strip::compare::{self, Point, Settings, SetupFacts, SurveyLine, align};
use crate::strip::places::Rows;
use crate::strip::{At, Level, Places, SpotWatch, Strip};
use crate::travel::encoder_check::EncoderCheck;
use crate::ultrasound::Setup;
use crate::units::Length;
use anyhow::{Context, bail};
use clap::Args;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::Sender;

#[derive(Args, Debug)]
pub struct ReviewArgs {
    /// The job file
    pub job: PathBuf,
    /// The run to begin with
    #[arg(long)]
    pub run: Option<RunId>,
    /// An earlier survey to draw behind the present one: another job file, or a CSV file with columns named
    #[arg(long, value_name = "FILE", conflicts_with = "headless")]
    pub earlier: Option<PathBuf>,
    /// No screen: list the runs
    #[arg(long)]
    pub headless: bool,
    /// With --headless: one JSON object a line
    #[arg(long, requires = "headless")]
    pub json: bool,
    #[command(flatten)]
    pub screen: ScreenArgs,
}

pub fn run(args: &ReviewArgs) -> anyhow::Result<()> {
    if args.headless {
        return list(args);
    }
    match Session::open(&args.job, None) {
        Ok(session) => super::console::review(session, args.run, args.earlier.clone(), &args.screen),
        // Another program records into it, or it lies where nothing can be written: it can still be looked at.
        Err(error) => match error.downcast_ref::<StoreError>() {
            Some(StoreError::InUse { .. } | StoreError::ReadOnlyFolder { .. }) => {
                let mut onlooker = Onlooker { path: args.job.clone(), why: format!("{error:#}"), earlier: args.earlier.clone() };
                show(&mut onlooker, Signed::default(), Step::Review, None, args.run, &args.screen)
            }
            _ => Err(error),
        },
    }
}

fn list(args: &ReviewArgs) -> anyhow::Result<()> {
    let contents = JobFile::open_read_only(&args.job)?.contents()?;
    let mut out = std::io::stdout().lock();
    for summary in contents.runs.iter().filter(|summary| args.run.is_none_or(|run| run == summary.id)) {
        let validity = contents.validity(summary);
        let evaluations = || contents.evaluations.iter().filter(|evaluation| evaluation.start.run == summary.id);
        if args.json {
            let mut object = closed(summary, &validity);
            object["event"] = json!("run");
            object["evaluations"] =
                evaluations().map(|evaluation| reevaluate::object_of(evaluation, &contents.validity_of(evaluation))).collect();
            writeln!(out, "{object}")?;
        } else {
            writeln!(out, "{}\n  {}", text_of_summary(summary), text_of_validity(&validity))?;
            for evaluation in evaluations() {
                writeln!(out, "  {}", reevaluate::line_of(evaluation, &contents.validity_of(evaluation)))?;
            }
        }
    }
    Ok(())
}

/// Looks at a job that cannot be written to.
struct Onlooker {
    path: PathBuf,
    why: String,
    earlier: Option<PathBuf>,
}

impl Onlooker {
    fn refuse<T>(&self) -> anyhow::Result<T> {
        bail!("open for looking only: {}", self.why)
    }
}

impl Backend for Onlooker {
    fn contents(&self) -> anyhow::Result<JobContents> {
        Ok(JobFile::open_read_only(&self.path)?.contents()?)
    }
    fn answer(&mut self, _: Answer) -> anyhow::Result<()> {
        self.refuse()
    }
    fn sign(&mut self, _: Signature) -> anyhow::Result<()> {
        self.refuse()
    }
    fn note(&mut self, _: Note) -> anyhow::Result<()> {
        self.refuse()
    }
    fn set_setup(&mut self, _: Setup, _: String, _: Signed) -> anyhow::Result<i64> {
        self.refuse()
    }
    fn add_check(&mut self, _: Check) -> anyhow::Result<()> {
        self.refuse()
    }
    fn add_encoder_check(&mut self, _: EncoderCheck, _: Signed) -> anyhow::Result<()> {
        self.refuse()
    }
    fn start_bench(&mut self) -> anyhow::Result<BenchHandle> {
        self.refuse()
    }
    fn start_scan(&mut self, _: &str, _: Option<(String, Signed)>) -> anyhow::Result<ScanHandle> {
        self.refuse()
    }
    fn open_review(&mut self, run: RunId, all: bool) -> anyhow::Result<ReviewHandle> {
        open(&self.path, run, all, self.earlier.as_deref())
    }
    fn now_us(&self) -> i64 {
        crate::live::now_us()
    }
}

/// Readings taken in one short read.
const PIECE: usize = 4096;
/// How often what has been read is shown while it is read.
const TELL: Duration = Duration::from_millis(250);
/// How often a run still being recorded is looked at again.
const AGAIN: Duration = Duration::from_secs(1);

/// Opens a stored run, or all runs of its line.
pub fn open(path: &Path, run: RunId, all: bool, earlier: Option<&Path>) -> anyhow::Result<ReviewHandle> {
    let reader = JobFile::open_read_only(path)?;
    let contents = reader.contents()?;
    let summary = contents.runs.iter().find(|summary| summary.id == run).with_context(|| format!("there is no run {run}"))?;
    let line = &summary.start.line;
    let runs: Vec<RunSummary> =
        contents.runs.iter().filter(|known| if all { known.start.line == *line } else { known.id == run }).cloned().collect();
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
        earlier: earlier.map(Path::to_path_buf),
        surveys: surveys.clone(),
    };
    std::thread::Builder::new().name("overview".to_owned()).spawn(move || keeper.work())?;
    let fetcher = Fetcher { reader: JobFile::open_read_only(path)?, latest, tell, surveys };
    std::thread::Builder::new().name("fetch".to_owned()).spawn(move || fetcher.work(&asked))?;
    Ok(ReviewHandle { overview, news, asks })
}

type Latest = Arc<Mutex<Arc<Overview>>>;

/// Reads the runs through.
struct Keeper {
    reader: JobReader,
    runs: Vec<RunSummary>,
    overview: Overview,
    latest: Latest,
    tell: Sender<News>,
    earlier: Option<PathBuf>,
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
        let mut next = vec![0; self.runs.len()];
        self.notes()?;
        loop {
            let before = self.overview.progress;
            // Asked before reading: what came in between is read all the same.
            let mut open = false;
            for run in &self.runs {
                open |= self.reader.is_open(run.id)?;
            }
            if !self.read_on(&mut next)? {
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
            if let Some(path) = self.earlier.take() {
                let news = match self.surveys.load(&self.reader, &self.runs, &path) {
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
    fn read_on(&mut self, next: &mut [u64]) -> Result<bool, StoreError> {
        let mut told = Instant::now();
        for (index, (run, next)) in self.runs.iter().zip(next).enumerate() {
            loop {
                let overview = &mut self.overview;
                let mut last = None;
                let count = self.reader.glance(run.id, *next, PIECE, |glance| {
                    last = Some(glance.row);
                    overview.push(index as u32, &glance, &run.start.limits);
                })?;
                *next = last.map_or(*next, |last| last + 1);
                if count < PIECE {
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
            for seen in self.reader.spots(run.id)?.iter().filter(|spot| spot.acknowledged) {
                let same = wall.spots.spots().iter().find(|spot| spot.least_seq == seen.least_seq && spot.least_at == seen.least_at);
                if let Some(id) = same.map(|spot| spot.id) {
                    wall.spots.acknowledge(id);
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

type NowAndEarlier = (Vec<Point>, Vec<Point>);

/// The present and the earlier survey, kept for as long as they may be compared.
#[derive(Clone, Default)]
struct Surveys(Arc<Mutex<Option<NowAndEarlier>>>);

impl Surveys {
    /// Reads the earlier survey, and the present one as the same thing.
    fn load(&self, reader: &JobReader, runs: &[RunSummary], path: &Path) -> anyhow::Result<Earlier> {
        let Some(newest) = runs.last() else { bail!("there is no run to compare it with") };
        let survey = report::earlier::load(path, &Told::default())?;
        let name = &newest.start.line;
        let Some(earlier) = survey.line(name) else {
            let known: Vec<&str> = survey.lines.iter().map(|line| line.line.as_str()).collect();
            bail!("{} has no line {name}; it has {}", path.display(), if known.is_empty() { "none".to_owned() } else { known.join(", ") });
        };
        let contents = reader.contents()?;
        let mut now = SurveyLine {
            line: name.clone(),
            source: reader.path().display().to_string(),
            datum: Some(contents.plan.asset.datum.clone()),
            direction: Some(newest.start.path.direction),
            date: report::earlier::date_of(newest.start.started_us),
            setup: SetupFacts::of(&newest.start.setup, newest.start.wall_temperature),
            points: Vec::new(),
            without: 0,
        };
        for run in runs {
            let mut next = 0;
            loop {
                let count = reader.glance(run.id, next, PIECE, |glance| {
                    next = glance.row + 1;
                    match (glance.along, glance.thickness) {
                        (Some(along), Some(thickness)) => {
                            now.points.push(Point { along, thickness, uncertainty: glance.uncertainty });
                        }
                        _ => now.without += 1,
                    }
                })?;
                if count < PIECE {
                    break;
                }
            }
        }
        let mut strip = Strip::default();
        for point in &earlier.points {
            strip.push(Some(point.along), Some(point.thickness), Level::Unjudged);
        }
        let alignment = align(&now.points, &earlier.points, &Settings::default());
        let mut warnings = compare::warnings(&now, earlier);
        warnings.extend(survey.remarks.iter().cloned());
        let file = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
        let source = earlier.date.map_or_else(|| file.clone(), |date| format!("{file} of {date}"));
        let points = earlier.points.clone();
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some((now.points, points));
        Ok(Earlier { source, strip, alignment, warnings })
    }

    fn compare(&self, offset: Length) -> Option<News> {
        let held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, earlier) = held.as_ref()?;
        Some(News::Compared(Arc::new(compare::compare(now, earlier, offset, &Settings::default()))))
    }
}

/// Fetches what the cursor stands on.
struct Fetcher {
    reader: JobReader,
    latest: Latest,
    tell: Sender<News>,
    surveys: Surveys,
}

impl Fetcher {
    fn work(self, asked: &Receiver<Ask>) {
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
    let mut gathered = Gathered { at, readings: Vec::new(), cut: (false, false) };
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

struct Gathered {
    at: At,
    readings: Vec<(At, Reading)>,
    /// Something before the first, or behind the last, was let go.
    cut: (bool, bool),
}

impl Gathered {
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
