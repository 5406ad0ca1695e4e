//! Surveys read for comparison: the lines of a job file, or a table another program wrote. What is pure about comparing
//! stands in `strip::compare`; here are the files.

mod table;
mod titles;

pub use table::{ColumnRole, ColumnUnit};
pub use titles::DateOrder;

use super::readings::ReadingsOf;
use super::whole_file::{Stopped, Tick};
use backwall_store::{JobContents, JobFile, JobReader, RunSummary, StoreError, small_file};
use backwall_survey::job::validity::Validity;
use backwall_survey::reading::Reading;
use backwall_survey::strip::compare::{Point, SetupFacts, SurveyLine, same_text};
use backwall_survey::travel::Direction;
use backwall_ultrasound::Mode;
use backwall_units::{Length, LengthUnit, Velocity};
use chrono::NaiveDate;
use std::io::Read;
use std::path::{Path, PathBuf};

/// A survey: its lines, and what the reader should know of how they were read.
#[derive(Debug, Clone, PartialEq)]
pub struct EarlierTable {
    pub source: String,
    pub lines: Vec<SurveyLine>,
    pub remarks: Vec<String>,
}

impl EarlierTable {
    /// The line of this name; case and outer blanks do not count.
    pub fn line(&self, name: &str) -> Option<&SurveyLine> {
        self.lines.iter().find(|line| same_text(&line.line, name))
    }
}

/// What the operator tells of a survey that does not tell it itself. A job file tells all of it.
#[derive(Debug, Clone, Default)]
pub struct EarlierTold {
    /// Which column is what; columns not named here are found by their names.
    pub columns: Vec<(ColumnRole, String)>,
    /// The unit of columns whose header names none.
    pub unit: Option<ColumnUnit>,
    /// The line a table without a line column is of.
    pub line: Option<String>,
    pub date: Option<NaiveDate>,
    /// How days are written that could be two.
    pub date_order: Option<DateOrder>,
    pub datum: Option<String>,
    /// Positions count from the start of a line in this direction, instead of from the datum.
    pub direction: Option<Direction>,
    /// Where such a line starts, from the datum.
    pub start: Option<Length>,
    /// Expanded uncertainty (k = 2) of one reading, for tables without an uncertainty column.
    pub expanded: Option<Length>,
    pub velocity: Option<Velocity>,
    pub mode: Option<Mode>,
}

#[derive(Debug, thiserror::Error)]
pub enum EarlierError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
    #[error("{}: {what}", .path.display())]
    File { path: PathBuf, what: String },
    #[error("{}:{line}: {what}", .path.display())]
    Row { path: PathBuf, line: u64, what: String },
}

/// Reads a survey: a job file if it is one, else a table.
pub fn load(path: &Path, told: &EarlierTold) -> Result<EarlierTable, EarlierError> {
    let mut head = [0; 16];
    let unreadable =
        |error: std::io::Error| EarlierError::File { path: path.to_path_buf(), what: format!("cannot be read: {error}; check the path") };
    // A job file may be larger than any table.
    let read = small_file::open(path, u64::MAX).and_then(|file| file.take(16).read(&mut head)).map_err(unreadable)?;
    if head[..read].starts_with(b"SQLite format 3") {
        let reader = JobFile::open_read_only(path)?;
        let mut survey = of_job(&reader)?;
        // What is told of a job file would contradict what it holds; only the date of a copied-in job may be told.
        for line in &mut survey.lines {
            line.date = told.date.or(line.date);
        }
        return Ok(survey);
    }
    table::read(path, told)
}

/// The same of a table that is not in a file; `name` is what messages call it.
pub fn of_table(name: &Path, from: impl Read, told: &EarlierTold) -> Result<EarlierTable, EarlierError> {
    table::read_from(name, from, told)
}

/// All lines of a job that have runs, each with the readings of all its runs together. Runs that a failed verification
/// has suspect are left out and named.
pub fn of_job(reader: &JobReader) -> Result<EarlierTable, EarlierError> {
    let contents = reader.contents()?;
    of_job_with(reader, &contents, contents.plan.job.units, &mut |_, _| true, |_, _| {})
}

/// The same, hands out every reading that was taken in, and tells the tick how many of all runs' readings are done.
pub fn of_job_with(
    reader: &JobReader,
    contents: &JobContents,
    unit: LengthUnit,
    tick: &mut Tick<'_>,
    mut each: impl FnMut(&RunSummary, &Reading),
) -> Result<EarlierTable, EarlierError> {
    let source = reader.path().display().to_string();
    let mut survey = EarlierTable { source: source.clone(), lines: Vec::new(), remarks: Vec::new() };
    let all = contents.runs.iter().map(|run| run.readings).sum();
    let mut done = 0;
    for run in &contents.runs {
        if let Validity::Suspect(why) = contents.validity(run) {
            let why = why.words(unit);
            survey.remarks.push(format!("{source}: run {} on {} is suspect and left out: {why}", run.id, run.start.line));
            continue;
        }
        let index = match survey.lines.iter().position(|line| line.line == run.start.line) {
            Some(index) => index,
            None => {
                survey.lines.push(empty_line(contents, run, &source));
                survey.lines.len() - 1
            }
        };
        let line = &mut survey.lines[index];
        let facts = SetupFacts::of(contents.setup_of(run), run.start.wall_temperature);
        if facts != line.setup {
            survey
                .remarks
                .push(format!("{source}: the runs on {} have different set-ups; that of run {} is used for all", run.start.line, run.id));
            line.setup = facts;
        }
        line.date = line.date.max(super::words::day(run.start.started_us, contents.plan.zone()));
        done += ReadingsOf::Run(run).for_each(reader, (done, all), tick, |_, reading| {
            each(run, &reading);
            match (reading.place.along, reading.measurement.counted()) {
                (Some(along), Some(thickness)) => {
                    line.points.push(Point { along, thickness, uncertainty: reading.measurement.uncertainty });
                }
                _ => line.without += 1,
            }
            Ok::<(), EarlierError>(())
        })?;
    }
    Ok(survey)
}

fn empty_line(contents: &JobContents, run: &RunSummary, source: &str) -> SurveyLine {
    SurveyLine {
        line: run.start.line.clone(),
        source: source.to_owned(),
        datum: Some(contents.plan.asset.datum.clone()),
        direction: Some(run.start.path.direction),
        date: super::words::day(run.start.started_us, contents.plan.zone()),
        setup: SetupFacts::of(contents.setup_of(run), run.start.wall_temperature),
        points: Vec::new(),
        without: 0,
    }
}
