//! The assessment of a job: statistics, comparison with earlier surveys and integrity numbers of each line and course.
//! Command, report and console show this one; every number in it comes from `strip` and `integrity`.

mod against;
mod compared;
mod course;
mod evidence;
mod profiles;
mod rollup;
mod words;
mod worst;

pub use against::{Against, named, worst_rows};
pub use compared::{LineComparison, OffsetUsed};
pub use course::{AtSurvey, CourseAssessment, Summary};
pub use profiles::{ThicknessProfile, ThinStretch};
pub use rollup::{FastestLoss, LowestAverage, OfAsset, RollUp, RolledCourse, ShortestLife, ToDo};
pub use words::{life_words, years};
pub use worst::{Worst, WorstPlace};

use self::course::HandPoint;
use self::evidence::RestsOn;
use self::rollup::{RollupParts, roll_up};
use self::worst::Gathering;
use super::earlier::{EarlierError, EarlierTable, of_job_with};
use super::whole_file::Tick;
use backwall_store::{JobContents, JobReader, RunId, RunState, RunSummary};
use backwall_survey::integrity::CAUTION;
use backwall_survey::integrity::average::{BinShot, SpeaksFor};
use backwall_survey::integrity::rate::DatedWall;
use backwall_survey::job::validity::Validity;
use backwall_survey::job::{Basis, Plan};
use backwall_survey::neighbours::Kind;
use backwall_survey::strip::compare::{CompareSettings, SurveyLine, same_text};
use backwall_survey::strip::statistics::{IntervalError, OfCourse, OfInterval, Scope, Statistics, Tally};
use backwall_survey::travel::Path;
use backwall_ultrasound::Flag;
use backwall_units::{Length, LengthUnit};
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
    pub earlier: Vec<EarlierTable>,
    /// What to add to the earlier positions; without it nothing is, unless a found offset is accepted.
    pub offset: Option<Length>,
    pub accept_offset: bool,
    pub settings: CompareSettings,
    /// What is judged by.
    pub basis: Judge,
    /// The unit of lengths in words; the job's where it is not given.
    pub unit: Option<LengthUnit>,
}

/// What an assessment judges by.
#[derive(Debug, Clone, Default)]
pub enum Judge {
    /// The basis that was kept last, else the plan.
    #[default]
    InForce,
    /// The plan as it is.
    Plan,
    /// This one, by the file or the statement it comes from.
    By(Box<Basis>, String),
}

impl Judge {
    /// The basis itself, with where it is from.
    pub fn of<'a>(&'a self, contents: &'a JobContents) -> Option<(&'a Basis, String)> {
        match self {
            Self::Plan => None,
            Self::By(basis, from) => Some((basis, from.clone())),
            Self::InForce => {
                let kept = contents.force.basis.as_ref()?;
                Some((&kept.what, format!("statement {} of {}", kept.statement, super::words::safe_text(&kept.by.name))))
            }
        }
    }

    fn words(&self, contents: &JobContents) -> String {
        match self.of(contents) {
            Some((basis, from)) => format!("judged by the basis '{}' ({from})", super::words::safe_text(&basis.name)),
            None => "judged by the plan".to_owned(),
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    #[error(transparent)]
    Earlier(#[from] EarlierError),
    #[error(transparent)]
    Interval(#[from] IntervalError),
    #[error("the basis does not fit this job: {0}")]
    Basis(String),
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
    /// The day of its latest run, by the site's clock.
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
    /// What it is judged by, in words.
    pub basis: String,
    pub runs: Vec<RunNote>,
    /// What the reader must know before any number.
    pub remarks: Vec<String>,
    pub lines: Vec<LineAssessment>,
    /// What all lines say together, course by course.
    pub roll_up: RollUp,
}

/// Assesses the runs of a job that are not suspect; tells the tick how many readings are read.
pub fn assess(reader: &JobReader, request: &Request, tick: &mut Tick<'_>) -> Result<Assessment, AssessError> {
    let contents = reader.contents().map_err(EarlierError::from)?;
    if contents.runs.is_empty() {
        return Err(AssessError::NoRun);
    }
    let basis = request.basis.of(&contents).map(|(basis, _)| basis);
    let plan = basis.map_or_else(|| contents.plan.clone(), |basis| basis.applied(&contents.plan));
    if let Some(why) = basis.and_then(|basis| basis.unfit(&contents.plan)) {
        return Err(AssessError::Basis(why));
    }
    let unit = request.unit.unwrap_or(contents.plan.job.units);
    let by_hand = by_hand(&contents, basis)?;
    let judged = Judged { plan: &plan, basis, by_hand: &by_hand, unit };
    let wanted = |line: &str| request.line.as_deref().is_none_or(|name| same_text(name, line));
    if !contents.runs.iter().any(|run| wanted(&run.start.line)) {
        let mut known: Vec<&str> = contents.runs.iter().map(|run| run.start.line.as_str()).collect();
        known.dedup();
        return Err(AssessError::NoLine { name: request.line.clone().unwrap_or_default(), known: known.join(", ") });
    }
    let mut tallies: BTreeMap<String, Tally> = BTreeMap::new();
    let mut shots: BTreeMap<String, Vec<BinShot>> = BTreeMap::new();
    let mut evidence = RestsOn::of(reader, &contents, unit).map_err(EarlierError::from)?;
    let mut alone: BTreeMap<RunId, (u64, Length)> = BTreeMap::new();
    let counted: Vec<&RunSummary> = contents.runs.iter().filter(|run| wanted(&run.start.line) && !is_suspect(&contents, run)).collect();
    let mut spots = Gathering::of(reader, &counted, &plan).map_err(EarlierError::from)?;
    let survey = of_job_with(reader, &contents, unit, tick, |run, reading| {
        if let (true, Some(thickness)) = (reading.measurement.flags.has(Flag::Alone), reading.measurement.thickness) {
            let (count, least) = alone.entry(run.id).or_insert((0, thickness));
            (*count, *least) = (*count + 1, least.min(thickness));
        }
        if wanted(&run.start.line) {
            spots.add(run, reading);
            evidence.add(run, contents.setup_of(run).calibration.is_some(), reading);
            if let Some(along) = reading.place.along {
                let (thickness, uncertainty) = (reading.measurement.thickness, reading.measurement.uncertainty);
                let speaks_for = SpeaksFor::of(&reading.measurement);
                shots.entry(run.start.line.clone()).or_default().push(BinShot {
                    along,
                    across: reading.place.across.map_or(Length::ZERO, |across| across.at),
                    thickness,
                    uncertainty,
                    speaks_for,
                });
            }
            tallies.entry(run.start.line.clone()).or_default().push(reading);
        }
    })?;
    let (worst, laminations) = spots.ranked(&contents);
    let mut lines = Vec::new();
    for line in survey.lines.iter().filter(|line| wanted(&line.line)) {
        let used = contents.runs.iter().filter(|run| run.start.line == line.line && !is_suspect(&contents, run));
        let runs: Vec<&RunSummary> = used.collect();
        let Some(last) = runs.last() else { continue };
        let tally = tallies.remove(&line.line).unwrap_or_default();
        let on_line = shots.get(&line.line).map(Vec::as_slice).unwrap_or_default();
        let read = LineRead { line, tally: &tally, shots: on_line, evidence: &evidence };
        lines.push(of_line(&judged, &read, (&runs, &last.start.path), request)?);
    }
    let required_from = |number| required_from(&plan, &lines, number);
    let rests_on = |course| evidence.rolled(course, unit);
    let parts = RollupParts {
        plan: &plan,
        lines: &lines,
        only: request.line.as_deref(),
        required_from: &required_from,
        rests_on: &rests_on,
        shots: &shots,
        worst,
        laminations,
    };
    let roll_up = roll_up(parts);
    let mut assessment = Assessment {
        job: contents.plan.job.number.clone(),
        asset: contents.plan.asset.name.clone(),
        caution: CAUTION,
        basis: request.basis.words(&contents),
        runs: contents.runs.iter().filter(|run| wanted(&run.start.line)).map(|run| note(&contents, run, unit)).collect(),
        remarks: remarks(reader, &contents, &survey, request, unit)?,
        lines,
        roll_up,
    };
    assessment.remarks.extend(alone.iter().map(|(run, (count, least))| {
        let readings = super::words::count(*count, "reading");
        let least = format!("{} {}", unit.thickness(*least), unit.thickness_symbol());
        format!("no neighbour agrees with {readings} of run {run}, the lowest {least}: in no minimum, check there by hand")
    }));
    Ok(assessment)
}

/// Who says what a course requires.
fn required_from(plan: &Plan, lines: &[LineAssessment], number: u16) -> String {
    let course = plan.asset.courses.iter().find(|course| course.number == number);
    match course.map(|course| (course.required, course.required_from.as_deref())) {
        Some((Some(_), Some(from))) => from.to_owned(),
        Some((Some(_), None)) => "a value whose source is not given".to_owned(),
        // Without one of its own the formula counts, where its inputs are there.
        _ => {
            let courses = lines.iter().flat_map(|line| &line.courses).filter(|course| course.course == Some(number));
            let by_formula = courses.into_iter().any(|course| course.summary.required.is_some());
            if by_formula { "the formula of the code".to_owned() } else { "not known".to_owned() }
        }
    }
}

/// What everything is judged by.
struct Judged<'a> {
    /// With what the basis gives in place of its own.
    plan: &'a Plan,
    basis: Option<&'a Basis>,
    by_hand: &'a [(String, HandPoint)],
    unit: LengthUnit,
}

/// Readings by hand that the basis counts, with their lines. One that is on no line counts nowhere, and that is an error.
fn by_hand(contents: &JobContents, basis: Option<&Basis>) -> Result<Vec<(String, HandPoint)>, AssessError> {
    let Some(basis) = basis else { return Ok(Vec::new()) };
    let of = |statement: &i64| {
        let missing = || AssessError::Basis(format!("statement {statement} is not a reading by hand that counts"));
        let entered = contents.force.hand.iter().find(|entered| entered.statement == *statement).ok_or_else(missing)?;
        let (line, along) = entered.what.on_line().ok_or_else(|| {
            AssessError::Basis(format!("the reading by hand of statement {statement} is on no line: it cannot count for one"))
        })?;
        let thickness = entered.what.mean().ok_or_else(missing)?;
        let wall = DatedWall { thickness, uncertainty: basis.hand_expanded.map(|expanded| expanded / 2.0) };
        Ok((line.to_owned(), HandPoint { statement: *statement, course: entered.what.course(&contents.plan), along: Some(along), wall }))
    };
    basis.hand.iter().map(of).collect()
}

/// What was read along a line, by all its runs that count.
struct LineRead<'a> {
    line: &'a SurveyLine,
    tally: &'a Tally,
    shots: &'a [BinShot],
    evidence: &'a RestsOn,
}

fn of_line(
    judged: &Judged<'_>,
    &LineRead { line, tally, shots, evidence }: &LineRead<'_>,
    (runs, path): (&[&RunSummary], &Path),
    request: &Request,
) -> Result<LineAssessment, AssessError> {
    let scope = Scope { path: Some(path), max_gap: Some(judged.plan.limits.max_gap), tracks: &judged.plan.tracks };
    let comparisons: Vec<_> = request.earlier.iter().map(|survey| compared::of_line(line, survey, request)).collect();
    let hand: Vec<HandPoint> = judged.by_hand.iter().filter(|(on, _)| same_text(on, &line.line)).map(|(_, point)| *point).collect();
    let (plan, unit) = (judged.plan, judged.unit);
    let facts = course::Facts { plan, basis: judged.basis, hand: &hand, unit, path, line, comparisons: &comparisons, request, shots };
    let course = |found: OfCourse| {
        let rests_on = evidence.words(&line.line, found.course, unit);
        let of_minimum = evidence.of_minimum(&line.line, found.course);
        course::assess(&facts, found, rests_on, of_minimum)
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

fn note(contents: &JobContents, run: &RunSummary, unit: LengthUnit) -> RunNote {
    let validity = contents.validity(run);
    let mut remarks = Vec::new();
    if let Some((evaluation, adoption)) = contents.adopted(run.id) {
        remarks.push(super::words::adopted(contents, evaluation, adoption, unit));
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
        remarks.push(format!("scanned although the checklist did not allow it: {}", super::words::safe_text(why)));
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
        why: validity.why(unit),
        used: !matches!(validity, Validity::Suspect(_)),
        least: run.least,
        remarks,
    }
}

fn remarks(
    reader: &JobReader,
    contents: &JobContents,
    survey: &EarlierTable,
    request: &Request,
    unit: LengthUnit,
) -> Result<Vec<String>, EarlierError> {
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
