//! The assessment of a job: statistics, comparison with earlier surveys and integrity numbers of each line and course.
//! Command, report and console show this one; every number in it comes from `strip` and `integrity`.

mod compared;
mod course;
mod evidence;

pub use compared::{LineComparison, OffsetUsed};
pub use course::{CourseAssessment, Summary};

use self::evidence::Evidence;
use super::earlier::{EarlierError, Survey, of_job_with};
use super::whole_file::Tick;
use backwall_store::{JobContents, JobReader, RunId, RunState, RunSummary};
use backwall_survey::integrity::CAUTION;
use backwall_survey::integrity::average::Shot;
use backwall_survey::job::validity::Validity;
use backwall_survey::neighbours::Kind;
use backwall_survey::strip::compare::{Settings, SurveyLine, same_text};
use backwall_survey::strip::statistics::{IntervalError, OfCourse, OfInterval, Scope, Statistics, Tally};
use backwall_survey::travel::Path;
use backwall_ultrasound::Flag;
use backwall_units::Length;
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::BTreeMap;

/// What is asked.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Only this line.
    pub line: Option<String>,
    /// Statistics of intervals of this length as well.
    pub interval: Option<Length>,
    pub earlier: Vec<Survey>,
    /// What to add to the earlier positions; without it nothing is, unless a found offset is accepted.
    pub offset: Option<Length>,
    pub accept_offset: bool,
    pub settings: Settings,
}

#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    #[error(transparent)]
    Earlier(#[from] EarlierError),
    #[error(transparent)]
    Interval(#[from] IntervalError),
    #[error("there is no run to assess: scan a line first (`backwall scan`)")]
    NoRun,
    #[error("there is no run on a line {name}; there are runs on: {known}")]
    NoLine { name: String, known: String },
}

/// How a run stands, and whether its readings are in the numbers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunNote {
    pub run: RunId,
    pub line: String,
    pub calibration: &'static str,
    pub why: String,
    /// A run of suspect calibration is named and left out.
    pub used: bool,
    /// Its own least wall, so that what is left out is not hidden.
    #[serde(rename = "minimum_mm")]
    pub least: Option<Length>,
    pub remarks: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineAssessment {
    pub line: String,
    pub runs: Vec<RunId>,
    /// The day of its latest run, UTC.
    pub date: Option<NaiveDate>,
    pub statistics: Statistics,
    pub intervals: Vec<OfInterval>,
    pub comparisons: Vec<LineComparison>,
    pub courses: Vec<CourseAssessment>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Assessment {
    pub job: String,
    pub asset: String,
    pub caution: &'static str,
    pub runs: Vec<RunNote>,
    /// What the reader must know before any number.
    pub remarks: Vec<String>,
    pub lines: Vec<LineAssessment>,
}

/// Assesses the runs of a job that are not suspect; tells the tick how many readings are read.
pub fn assess(reader: &JobReader, request: &Request, tick: &mut Tick<'_>) -> Result<Assessment, AssessError> {
    let contents = reader.contents().map_err(EarlierError::from)?;
    if contents.runs.is_empty() {
        return Err(AssessError::NoRun);
    }
    let wanted = |line: &str| request.line.as_deref().is_none_or(|name| same_text(name, line));
    if !contents.runs.iter().any(|run| wanted(&run.start.line)) {
        let mut known: Vec<&str> = contents.runs.iter().map(|run| run.start.line.as_str()).collect();
        known.dedup();
        return Err(AssessError::NoLine { name: request.line.clone().unwrap_or_default(), known: known.join(", ") });
    }
    let mut tallies: BTreeMap<String, Tally> = BTreeMap::new();
    let mut shots: BTreeMap<String, Vec<Shot>> = BTreeMap::new();
    let mut evidence = Evidence::of(reader, &contents).map_err(EarlierError::from)?;
    let mut alone: BTreeMap<RunId, (u64, Length)> = BTreeMap::new();
    let survey = of_job_with(reader, &contents, tick, |run, reading| {
        if let (true, Some(thickness)) = (reading.measurement.flags.has(Flag::Alone), reading.measurement.thickness) {
            let (count, least) = alone.entry(run.id).or_insert((0, thickness));
            (*count, *least) = (*count + 1, least.min(thickness));
        }
        if wanted(&run.start.line) {
            evidence.add(run, contents.setup_of(run).calibration.is_some(), reading);
            if let Some(along) = reading.place.along {
                let (thickness, uncertainty) = (reading.measurement.thickness, reading.measurement.uncertainty);
                shots.entry(run.start.line.clone()).or_default().push(Shot { along, thickness, uncertainty });
            }
            tallies.entry(run.start.line.clone()).or_default().push(reading);
        }
    })?;
    let mut assessment = Assessment {
        job: contents.plan.job.number.clone(),
        asset: contents.plan.asset.name.clone(),
        caution: CAUTION,
        runs: contents.runs.iter().filter(|run| wanted(&run.start.line)).map(|run| note(&contents, run)).collect(),
        remarks: remarks(reader, &contents, &survey, request)?,
        lines: Vec::new(),
    };
    assessment.remarks.extend(alone.iter().map(|(run, (count, least))| {
        let readings = super::words::count(*count, "reading");
        let unit = contents.plan.job.units;
        let least = format!("{} {}", unit.thickness(*least), unit.thickness_symbol());
        format!("{readings} of run {run} agree with no neighbour, the lowest {least}: look there by hand before a minimum is used")
    }));
    for line in survey.lines.iter().filter(|line| wanted(&line.line)) {
        let used = contents.runs.iter().filter(|run| run.start.line == line.line && !is_suspect(&contents, run));
        let runs: Vec<&RunSummary> = used.collect();
        let Some(last) = runs.last() else { continue };
        let tally = tallies.remove(&line.line).unwrap_or_default();
        let shots = shots.remove(&line.line).unwrap_or_default();
        let read = Read { line, tally: &tally, shots: &shots, evidence: &evidence };
        assessment.lines.push(of_line(&contents, &read, (&runs, &last.start.path), request)?);
    }
    Ok(assessment)
}

/// What was read along a line, by all its runs that count.
struct Read<'a> {
    line: &'a SurveyLine,
    tally: &'a Tally,
    shots: &'a [Shot],
    evidence: &'a Evidence,
}

fn of_line(
    contents: &JobContents,
    &Read { line, tally, shots, evidence }: &Read<'_>,
    (runs, path): (&[&RunSummary], &Path),
    request: &Request,
) -> Result<LineAssessment, AssessError> {
    let scope = Scope { path: Some(path), max_gap: Some(contents.plan.limits.max_gap) };
    let comparisons: Vec<_> = request.earlier.iter().map(|survey| compared::of_line(line, survey, request)).collect();
    let facts = course::Facts { plan: &contents.plan, path, line, comparisons: &comparisons, request, shots };
    let unit = contents.plan.job.units;
    let course = |found: OfCourse| {
        let rests_on = evidence.words(&line.line, found.course, unit);
        let agreed = evidence.agreed(&line.line, found.course);
        course::assess(&facts, found, rests_on, agreed)
    };
    let intervals = match request.interval {
        Some(length) => tally.by_interval(length, &scope)?,
        None => Vec::new(),
    };
    Ok(LineAssessment {
        line: line.line.clone(),
        runs: runs.iter().map(|run| run.id).collect(),
        date: line.date,
        statistics: tally.whole(&scope),
        intervals,
        courses: tally.by_course(&scope).into_iter().map(course).collect(),
        comparisons,
    })
}

fn is_suspect(contents: &JobContents, run: &RunSummary) -> bool {
    matches!(contents.validity(run), Validity::Suspect(_))
}

fn note(contents: &JobContents, run: &RunSummary) -> RunNote {
    let validity = contents.validity(run);
    let mut remarks = Vec::new();
    if let Some((evaluation, adoption)) = contents.adopted(run.id) {
        remarks.push(super::words::adopted(evaluation, adoption, contents.plan.zone()));
    }
    if contents.setup_of(run).calibration.is_none() {
        remarks.push("not calibrated: velocity and zero were typed".to_owned());
    }
    match run.state {
        RunState::Open => remarks.push("still open: what is saved so far".to_owned()),
        RunState::Interrupted => remarks.push("interrupted: what was saved until then".to_owned()),
        RunState::Closed => {}
    }
    if let Some(why) = &run.start.checklist_override {
        remarks.push(format!("scanned against the checklist: {}", super::words::safe_text(why)));
    }
    match (run.readings, run.no_echo) {
        (0, _) => remarks.push("has no reading".to_owned()),
        (all, none) if all == none => remarks.push("has no reading with an echo".to_owned()),
        _ => {}
    }
    RunNote {
        run: run.id,
        line: run.start.line.clone(),
        calibration: validity.word(),
        why: validity.why().to_owned(),
        used: !matches!(validity, Validity::Suspect(_)),
        least: run.least,
        remarks,
    }
}

fn remarks(reader: &JobReader, contents: &JobContents, survey: &Survey, request: &Request) -> Result<Vec<String>, EarlierError> {
    let mut found = Vec::new();
    if contents.runs.iter().all(|run| contents.setup_of(run).calibration.is_none()) {
        found.push("NOT CALIBRATED: no run of this job was measured with a calibration; all thicknesses rest on typed values".to_owned());
    }
    for run in contents.runs.iter().filter(|run| !is_suspect(contents, run)) {
        let spots = reader.spots(run.id)?;
        let laminations: Vec<_> =
            spots.iter().filter(|spot| spot.finding.is_some_and(|finding| finding.kind == Kind::Lamination)).collect();
        if !laminations.is_empty() {
            let spots = super::words::count(laminations.len() as u64, "spot");
            let unit = contents.plan.job.units;
            let proven = laminations
                .iter()
                .filter_map(|spot| Some(format!("; spot {} {}", spot.id, contents.force.proven(run.id, spot)?.words(unit))));
            let proven: String = proven.collect();
            found.push(format!(
                "LAMINATION? {spots} of run {} on {}: their depth counts as wall in these numbers{proven}",
                run.id, run.start.line
            ));
        }
    }
    found.extend(survey.remarks.iter().cloned());
    for earlier in &request.earlier {
        found.extend(earlier.remarks.iter().cloned());
        for line in &earlier.lines {
            if survey.line(&line.line).is_none() {
                found.push(format!("{}: its line {} has no run in this job", earlier.source, line.line));
            }
        }
    }
    Ok(found)
}
