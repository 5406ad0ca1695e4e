//! `backwall assess JOB`: statistics, comparison with earlier surveys and integrity numbers, each with its way.

mod rolled;

use super::basis::side_by_side;
use super::compare::EarlierArgs;
use super::enter::{EnterArgs, KeptStatement, enter};
use super::work::interruptible;
use crate::session::basis;
use anyhow::Context;
use backwall_report::assessment::{Against, Assessment, CourseAssessment, LineAssessment, LineComparison, Request, RunNote};
use backwall_report::sealed;
use backwall_report::words::safe_text;
use backwall_store::{JobContents, JobFile};
use backwall_survey::job::Said;
use backwall_survey::strip::compare::{Change, Compared};
use backwall_survey::strip::statistics::Statistics;
use backwall_units::{Length, LengthUnit, parse_length};
use clap::Args;
use std::path::PathBuf;

/// Statistics, corrosion rate, remaining life and what else the readings and the plan allow, with formulas and sources.
///
/// Screening numbers: the code of record and the responsible engineer decide. Runs of suspect calibration are named and
/// left out. What is missing for a number is said; nothing is assumed.
#[derive(Args, Debug)]
pub struct AssessArgs {
    /// The job file; it may be in use
    pub job: PathBuf,
    /// Only this line
    #[arg(long)]
    pub line: Option<String>,
    /// Statistics of intervals of this length as well, such as 500, 0.5m or 20in
    #[arg(long, value_name = "LENGTH")]
    pub interval: Option<String>,
    #[command(flatten)]
    pub earlier: EarlierArgs,
    /// Judge by this basis instead of the plan or the one kept: a file, the number of a kept one, or plan
    #[arg(long, value_name = "FILE|NUMBER|plan")]
    pub basis: Option<String>,
    /// Beside it, judge by another basis: what differs, and what follows from that
    #[arg(long, value_name = "FILE|NUMBER|plan", conflicts_with_all = ["keep", "unseen"])]
    pub against: Option<String>,
    /// Keep the basis in the job: from now on assessments and reports go by it
    #[arg(long, requires_all = ["basis", "by", "reason"])]
    pub keep: bool,
    /// Who keeps it
    #[arg(long, value_name = "NAME", requires = "keep")]
    pub by: Option<String>,
    /// Why it is kept
    #[arg(long, value_name = "TEXT", requires = "keep")]
    pub reason: Option<String>,
    /// The tables only, without the working of each number
    #[arg(long)]
    pub summary: bool,
    /// What the scan could not have seen: the virtual crawler drives over pits of many sizes with the last run's own probe, noise
    /// and shot spacing (takes some seconds)
    #[arg(long)]
    pub unseen: bool,
    /// Everything as one JSON object
    #[arg(long)]
    pub json: bool,
}

pub fn run(args: &AssessArgs) -> anyhow::Result<()> {
    let reader = JobFile::open_read_only(&args.job)?;
    let contents = reader.contents()?;
    let unit = contents.plan.job.units;
    let request = Request {
        line: args.line.clone(),
        interval: args.interval.as_deref().map(|text| parse_length(text, unit)).transpose().context("--interval")?,
        ..args.earlier.request(unit)?
    };
    let chosen = basis::chosen(args.basis.as_deref(), &args.job, &contents)?;
    let other = args.against.as_ref().map(|other| basis::chosen(Some(other), &args.job, &contents)).transpose()?;
    let found = interruptible("readings", |tick| basis::judged(&reader, &contents, (&chosen, other.as_ref()), &request, tick))?;
    let found = found.with_context(|| args.job.display().to_string())?;
    if found.b.is_some() {
        against(args, &found, unit, &contents)?;
        return Ok(());
    }
    let assessment = found.a;
    let kept = args.keep.then(|| keep(args, &chosen)).transpose()?;
    let unseen = if args.unseen { Some(super::unseen::of_job(&reader)?) } else { None };
    if args.json {
        let mut object = serde_json::to_value(&assessment)?;
        if let (Some(unseen), Some(fields)) = (&unseen, object.as_object_mut()) {
            fields.insert("unseen".to_owned(), serde_json::to_value(unseen)?);
        }
        if let (Some(kept), Some(fields)) = (&kept, object.as_object_mut()) {
            fields.insert("kept".to_owned(), kept.statement.id.into());
        }
        object["seal"] = contents.seal.as_ref().map(sealed::object).into();
        say!("{object}");
        return Ok(());
    }
    for line in text(&assessment, unit, !args.summary) {
        say!("{line}");
    }
    for line in unseen.iter().flat_map(|unseen| super::unseen::text(unseen, unit)) {
        say!("{line}");
    }
    if let Some(kept) = &kept {
        say!("");
        kept.say(&enter_args(args), &kept.statement.said.to_string(), serde_json::json!({}))?;
    }
    Ok(())
}

fn enter_args(args: &AssessArgs) -> EnterArgs {
    EnterArgs { job: args.job.clone(), by: args.by.clone().unwrap_or_default(), json: false }
}

/// Keeps the basis, now that it was seen to work.
fn keep(args: &AssessArgs, chosen: &basis::Chosen) -> anyhow::Result<KeptStatement> {
    let text = chosen.text.clone().context("--keep: the basis is in the job already; give a file")?;
    enter(&enter_args(args), args.reason.as_deref().unwrap_or_default(), |_, _| Ok(Said::Basis(Box::new(text))))
}

/// A against B.
fn against(args: &AssessArgs, found: &Against, unit: LengthUnit, contents: &JobContents) -> anyhow::Result<()> {
    if args.json {
        let seal = contents.seal.as_ref().map(sealed::object);
        say!("{}", serde_json::json!({ "a": found.a, "b": found.b, "differs": found.differs, "seal": seal }));
        return Ok(());
    }
    for line in side_by_side(found, unit) {
        say!("{line}");
    }
    Ok(())
}

fn text(assessment: &Assessment, unit: LengthUnit, working: bool) -> Vec<String> {
    let mut lines =
        vec![format!("Assessment of {}, job {}", safe_text(&assessment.asset), safe_text(&assessment.job)), assessment.caution.to_owned()];
    lines.push(format!("It is {}.", safe_text(&assessment.basis)));
    lines.extend(assessment.remarks.iter().map(|remark| format!("! {}", safe_text(remark))));
    lines.extend(rolled::text(assessment, unit));
    lines.push(String::new());
    lines.push("Runs".to_owned());
    lines.extend(assessment.runs.iter().map(|run| run_line(run, unit)));
    for line in &assessment.lines {
        lines.extend(of_line(line, unit, working));
    }
    if assessment.lines.is_empty() {
        lines.push("No run is left to assess.".to_owned());
    }
    lines
}

fn run_line(run: &RunNote, unit: LengthUnit) -> String {
    let least = run.least.map_or("no thickness".to_owned(), |least| format!("min {} {}", unit.thickness(least), unit.thickness_symbol()));
    let used = if run.used { "" } else { "; LEFT OUT of all numbers below" };
    let remarks: String = run.remarks.iter().map(|remark| format!("; {remark}")).collect();
    format!(
        "  run {} on {}: {least}; calibration {}: {}{used}{remarks}",
        run.run,
        safe_text(&run.line),
        run.calibration,
        safe_text(&run.why)
    )
}

fn of_line(line: &LineAssessment, unit: LengthUnit, working: bool) -> Vec<String> {
    let runs: Vec<String> = line.runs.iter().map(i64::to_string).collect();
    let day = line.date.map_or("day not known".to_owned(), |day| day.to_string());
    let mut lines = vec![
        String::new(),
        format!("Line {} (runs {}; {day}), lengths in {}", safe_text(&line.line), runs.join(", "), unit.thickness_symbol()),
    ];
    let mut rows = vec![STATISTICS.map(str::to_owned)];
    rows.push(statistics_row("all", &line.statistics, unit));
    rows.extend(line.courses.iter().map(|course| statistics_row(&name(course), &course.statistics, unit)));
    let place = |place: Length| unit.place(place);
    rows.extend(
        line.intervals.iter().map(|found| statistics_row(&format!("{}-{}", place(found.from), place(found.to)), &found.statistics, unit)),
    );
    lines.extend(table(&rows));
    lines.push(String::new());
    let mut rows = vec![SUMMARY.map(str::to_owned)];
    rows.extend(line.courses.iter().map(|course| summary_row(course, unit)));
    lines.extend(table(&rows));
    for course in &line.courses {
        lines.extend(decision(course, unit));
    }
    let checks = |course: &CourseAssessment| course.checks.iter().map(|check| format!("  ! {}: {check}", name(course))).collect::<Vec<_>>();
    lines.extend(line.courses.iter().flat_map(checks));
    for compared in &line.comparisons {
        lines.extend(comparison(compared, unit));
    }
    for course in line.courses.iter().filter(|_| working) {
        if course.numbers.is_empty() && course.missing.is_empty() {
            continue;
        }
        lines.push(String::new());
        lines.push(format!("Line {}, {}", safe_text(&line.line), name(course)));
        lines.extend(course.numbers.iter().flat_map(|number| number.shown_in(unit).lines()).map(|line| format!("  {line}")));
        lines.extend(course.missing.iter().map(|missing| format!("  - {missing}")));
    }
    lines
}

fn name(course: &CourseAssessment) -> String {
    course.course.map_or("no course".to_owned(), |number| format!("course {number}"))
}

/// The decision with its reason, what it rests on, and what to drive again.
fn decision(course: &CourseAssessment, unit: LengthUnit) -> Vec<String> {
    let summary = &course.summary;
    let mut lines = vec![format!("  {}: {}: {}", name(course), summary.decision.word(), summary.decision_why)];
    if !summary.drive_again.is_empty() {
        let place = |place: Length| unit.place(place);
        let mut places: Vec<String> =
            summary.drive_again.iter().take(MOST_PLACES).map(|it| format!("{}-{}", place(it.from), place(it.to))).collect();
        if summary.drive_again.len() > MOST_PLACES {
            places.push(format!("and {} more", summary.drive_again.len() - MOST_PLACES));
        }
        lines.push(format!("    drive again ({}): {}", unit.place_symbol(), places.join(", ")));
    }
    if let Some(from) = summary.rate_from.as_ref() {
        let middle = summary.next_middle.filter(|middle| Some(*middle) != summary.next);
        let middle = middle.map_or(String::new(), |middle| format!("; by its middle {middle}"));
        lines.push(format!("    life and next date by the short end of: {from}{middle}"));
    }
    lines.extend(course.rests_on.iter().map(|words| format!("    ! {}", safe_text(words))));
    lines
}

/// More places to drive again than this are counted only.
const MOST_PLACES: usize = 6;

const STATISTICS: [&str; 13] = ["", "readings", "no echo", "min", "at", "mean", "sd", "p1", "p5", "p50", "p95", "largest gap", "coverage"];

fn statistics_row(name: &str, found: &Statistics, unit: LengthUnit) -> [String; 13] {
    let wall = |wall: Option<Length>| wall.map_or("-".to_owned(), |wall| unit.thickness(wall));
    let percent = |share: Option<f64>| share.map_or("-".to_owned(), |share| format!("{:.1} %", share * 100.0));
    let p = found.percentiles;
    let least = found.least;
    let gap = found.coverage.map(|coverage| coverage.largest_gap.length());
    let at = least.and_then(|least| least.along).map_or("-".to_owned(), |at| format!("{} {}", unit.place(at), unit.place_symbol()));
    [
        name.to_owned(),
        found.readings.to_string(),
        percent(found.no_echo_share),
        wall(least.map(|least| least.thickness)),
        at,
        wall(found.mean),
        wall(found.deviation),
        wall(p.map(|p| p.p1)),
        wall(p.map(|p| p.p5)),
        wall(p.map(|p| p.p50)),
        wall(p.map(|p| p.p95)),
        gap.map_or("-".to_owned(), |gap| unit.thickness(gap)),
        percent(found.coverage.and_then(|coverage| coverage.share)),
    ]
}

const SUMMARY: [&str; 10] = ["", "required", "t1", "t2", "decision", "rate/y", "life, years", "next by", "COV", "minimum expected"];

fn summary_row(course: &CourseAssessment, unit: LengthUnit) -> [String; 10] {
    let summary = &course.summary;
    let wall = |wall: Option<Length>| wall.map_or("-".to_owned(), |wall| unit.thickness(wall));
    let or_none = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    [
        name(course),
        wall(summary.required),
        summary.average_words(unit),
        wall(summary.least),
        summary.decision.word().to_owned(),
        summary.rate_words(unit),
        summary.life_words(),
        or_none(summary.next.map(|next| next.to_string())),
        or_none(summary.cov.map(|cov| format!("{:.1} %", cov * 100.0))),
        wall(summary.least_expected_low),
    ]
}

fn comparison(compared: &LineComparison, unit: LengthUnit) -> Vec<String> {
    let day = compared.date.map_or("day not known".to_owned(), |day| day.to_string());
    let mut lines = vec![String::new(), format!("Compared with {} ({day})", safe_text(&compared.source))];
    lines.extend(compared.warnings.iter().map(|warning| format!("  ! {}", safe_text(warning))));
    if let Some(alignment) = &compared.alignment {
        lines.push(format!("  offset   {}", alignment.why));
    }
    if let Some(why) = &compared.not_compared {
        lines.push(format!("  not compared: {}", safe_text(why)));
        return lines;
    }
    if !compared.points.is_empty() {
        lines.push(format!("  {} single points, each with the reading nearest to it now:", compared.points.len()));
        lines.extend(compared.points.iter().map(|point| {
            let at = format!("{} {}", unit.place(point.at), unit.place_symbol());
            let nearest = point.nearest.map_or_else(|| "nothing was read there now".to_owned(), |nearest| difference(&nearest, unit));
            let lowest = point.lowest.map_or_else(String::new, |lowest| format!("; lowest near it {}", unit.thickness(lowest)));
            format!("  {at}: {nearest}{lowest}")
        }));
    }
    let Some(comparison) = &compared.comparison else { return lines };
    let used = comparison.offset;
    lines.push(format!("  used     {} ({})", compared.offset_used.word(), unit.offset(used)));
    let found = compared.alignment.as_ref().and_then(|alignment| alignment.offset);
    if let Some(offset) = found.filter(|offset| (*offset - used).abs() > Length::mm(1.0)) {
        lines.push(format!("  !        the profiles fit with {}: --accept-offset takes that", unit.offset(offset)));
    }
    lines.push(format!(
        "  bins     {} read by both, {} only now, {} only earlier",
        comparison.bins.len(),
        comparison.only_now,
        comparison.only_earlier
    ));
    if let Some(whole) = &comparison.whole {
        lines.push(format!("  mean     {}", difference(&whole.mean, unit)));
    }
    if comparison.stretches.is_empty() {
        let judged = comparison.bins.iter().any(|bin| bin.mean.change != Change::Unjudged);
        lines.push(
            if judged {
                "  no stretch has changed by more than the combined U"
            } else {
                "  nothing is judged: an uncertainty is not known"
            }
            .to_owned(),
        );
    } else {
        lines.push(format!(
            "  {} changed by more than the combined U (k = 2); {}",
            backwall_report::words::count(comparison.stretches.len() as u64, "stretch"),
            comparison.chance_words()
        ));
    }
    lines.extend(comparison.stretches.iter().map(|stretch| stretch_line(stretch, unit)));
    lines
}

fn stretch_line(stretch: &Compared, unit: LengthUnit) -> String {
    let edges = format!("{} to {} {}", unit.place(stretch.from), unit.place(stretch.to), unit.place_symbol());
    format!("  {edges}: mean {}; least {}", difference(&stretch.mean, unit), difference(&stretch.least, unit))
}

fn difference(found: &backwall_survey::strip::compare::Difference, unit: LengthUnit) -> String {
    let expanded = found.expanded.map_or("U not known".to_owned(), |expanded| format!("U {}", unit.thickness(expanded)));
    let sign = if found.difference < Length::ZERO { "-" } else { "+" };
    format!(
        "{} -> {} ({sign}{}, {expanded}): {}",
        unit.thickness(found.earlier),
        unit.thickness(found.now),
        unit.thickness(found.difference.abs()),
        found.change.word()
    )
}

/// Rows with their columns set under each other.
pub(super) fn table<const N: usize>(rows: &[[String; N]]) -> Vec<String> {
    let widths: Vec<usize> = (0..N).map(|column| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0)).collect();
    let cell = |(column, text): (usize, &String)| match column {
        0 => format!("{text:<width$}", width = widths[column]),
        _ => format!("{text:>width$}", width = widths[column]),
    };
    rows.iter().map(|row| format!("  {}", row.iter().enumerate().map(cell).collect::<Vec<_>>().join("  "))).collect()
}
