//! The decision of each course as rows: over all lines, then on each.

use super::{HandoverFacts, date, facts_columns, number, place, rate, text, thick, years};
use crate::assessment::{Assessment, LineAssessment, RolledCourse, Summary, ThinStretch};
use crate::table::{CellValue, Column, ColumnKind, whole};
use backwall_store::JobContents;
use backwall_survey::integrity::life::Life;
use backwall_units::{Length, LossRate};
use chrono::NaiveDate;

/// One course: over all lines, or on one.
#[derive(Debug, Clone)]
pub struct AssessmentRow {
    pub facts: HandoverFacts,
    /// `course` over all lines, `line` on one.
    pub scope: &'static str,
    pub course: Option<u16>,
    /// The line itself, or the one that decides.
    pub line: Option<String>,
    pub nominal: Option<Length>,
    pub required: Option<Length>,
    pub required_from: String,
    pub decision: &'static str,
    pub why: String,
    pub minimum: Option<Length>,
    pub minimum_expanded: Option<Length>,
    pub minimum_line: Option<String>,
    pub minimum_at: Option<Length>,
    pub average: Option<(Length, Length)>,
    pub covered: Option<f64>,
    pub rate: Option<LossRate>,
    pub rate_expanded: Option<LossRate>,
    pub rate_upper: Option<LossRate>,
    pub rate_line: Option<String>,
    pub rate_from: Option<String>,
    pub rate_at: Option<(Length, Length)>,
    pub life: Option<Life>,
    pub next: Option<NaiveDate>,
    pub to_do: String,
    pub thin: Option<ThinStretch>,
}

/// Each course over all lines, then each course of each line.
pub fn assessment_rows(job: &JobContents, assessment: &Assessment) -> Vec<AssessmentRow> {
    let facts = HandoverFacts::of(job, assessment);
    let over_all = assessment.roll_up.courses.iter().map(|course| of_course(&facts, course, job));
    let on_lines = assessment.lines.iter().flat_map(|line| of_line(&facts, job, assessment, line));
    over_all.chain(on_lines).collect()
}

fn of_course(facts: &HandoverFacts, course: &RolledCourse, job: &JobContents) -> AssessmentRow {
    let unit = job.plan.job.units;
    let to_do: Vec<String> = course.to_do.iter().map(|to_do| to_do.words(unit)).collect();
    let minimum = course.minimum.as_ref();
    let rate = course.rate.as_ref();
    AssessmentRow {
        facts: facts.clone(),
        scope: "course",
        course: Some(course.course),
        line: course.governing_line.clone(),
        nominal: Some(course.nominal),
        required: course.required,
        required_from: course.required_from.clone(),
        decision: course.decision.word(),
        why: course.decision_why.clone(),
        minimum: minimum.map(|found| found.thickness),
        minimum_expanded: minimum.and_then(|found| found.expanded),
        minimum_line: minimum.map(|found| found.line.clone()),
        minimum_at: minimum.and_then(|found| found.at),
        average: course.average.as_ref().map(|found| (found.low, found.high)),
        covered: course.covered_share,
        rate: rate.and_then(|found| found.rate),
        rate_expanded: rate.and_then(|found| found.expanded),
        rate_upper: rate.and_then(|found| found.upper),
        rate_line: rate.map(|found| found.line.clone()),
        rate_from: rate.map(|found| found.from.clone()),
        rate_at: rate.and_then(|found| found.at),
        life: course.life.as_ref().map(|found| found.life),
        next: course.next,
        to_do: to_do.join("; "),
        thin: course.thin.clone(),
    }
}

fn of_line(facts: &HandoverFacts, job: &JobContents, assessment: &Assessment, line: &LineAssessment) -> Vec<AssessmentRow> {
    let rolled = |number: Option<u16>| assessment.roll_up.courses.iter().find(|course| Some(course.course) == number);
    let row = |(number, statistics, summary): (Option<u16>, &backwall_survey::strip::statistics::Statistics, &Summary)| AssessmentRow {
        facts: HandoverFacts { date: line.date, ..facts.clone() },
        scope: "line",
        course: number,
        line: Some(line.line.clone()),
        nominal: job.plan.asset.courses.iter().find(|course| Some(course.number) == number).map(|course| course.nominal),
        required: summary.required,
        required_from: rolled(number).map_or_else(String::new, |course| course.required_from.clone()),
        decision: summary.decision.word(),
        why: summary.decision_why.clone(),
        minimum: summary.least,
        minimum_expanded: summary.least_expanded,
        minimum_line: summary.least.map(|_| line.line.clone()),
        minimum_at: summary.least_at.or(statistics.least.and_then(|least| least.along)),
        average: summary.average_low.zip(summary.average_high),
        covered: statistics.coverage.and_then(|coverage| coverage.share),
        rate: summary.rate,
        rate_expanded: summary.rate_expanded,
        rate_upper: summary.rate_upper,
        rate_line: summary.greatest_from.as_ref().map(|_| line.line.clone()),
        rate_from: summary.greatest_from.clone(),
        rate_at: summary.greatest_at.map(|at| (at.from, at.to)),
        life: summary.life_ends,
        next: summary.next,
        to_do: String::new(),
        thin: None,
    };
    line.courses.iter().map(|course| row((course.course, &course.statistics, &course.summary))).collect()
}

pub fn assessment_columns() -> Vec<Column<AssessmentRow>> {
    use ColumnKind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r AssessmentRow) -> CellValue<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    let mut columns = facts_columns!(AssessmentRow);
    columns.extend([
        column("scope", Text, "", "course: over all lines; line: on one", |row| CellValue::from(row.scope)),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("line", Text, "", "the line; over all lines the one that decides", |row| text(row.line.as_deref())),
        column("nominal_mm", Fixed(6), "mm", "nominal thickness by the plan", |row| thick(row.nominal)),
        column("required_mm", Fixed(6), "mm", "required thickness it is judged by", |row| thick(row.required)),
        column("required_from", Text, "", "where that comes from", |row| text(Some(&row.required_from))),
        column("decision", Text, "", "met, not met or not decided", |row| CellValue::from(row.decision)),
        column("decision_why", Text, "", "why, in words", |row| text(Some(&row.why))),
        column("minimum_mm", Fixed(6), "mm", "minimum thickness (t2)", |row| thick(row.minimum)),
        column("minimum_u_mm", Fixed(6), "mm", "its expanded uncertainty, k = 2", |row| thick(row.minimum_expanded)),
        column("minimum_line", Text, "", "its line", |row| text(row.minimum_line.as_deref())),
        column("minimum_at_mm", Fixed(3), "mm", "its place along that line", |row| place(row.minimum_at)),
        column("t1_low_mm", Fixed(6), "mm", "lowest average, unread wall as zero", |row| thick(row.average.map(|average| average.0))),
        column("t1_high_mm", Fixed(6), "mm", "the same, unread wall as nominal", |row| thick(row.average.map(|average| average.1))),
        column("covered_share", Fixed(6), "", "covered share of the planned length, 0 to 1", |row| number(row.covered)),
        column("rate_mm_y", Fixed(6), "mm/y", "greatest rate of loss beyond its uncertainty", |row| rate(row.rate)),
        column("rate_u_mm_y", Fixed(6), "mm/y", "its expanded uncertainty, k = 2", |row| rate(row.rate_expanded)),
        column("rate_upper_mm_y", Fixed(6), "mm/y", "no rate is above this, one-sided 95 %", |row| rate(row.rate_upper)),
        column("rate_line", Text, "", "its line", |row| text(row.rate_line.as_deref())),
        column("rate_from", Text, "", "between what it was found", |row| text(row.rate_from.as_deref())),
        column("rate_from_mm", Fixed(3), "mm", "lower edge of its place; empty where it has none", |row| place(row.rate_at.map(|at| at.0))),
        column("rate_to_mm", Fixed(3), "mm", "upper edge of its place", |row| place(row.rate_at.map(|at| at.1))),
        column("life_low_years", Fixed(6), "years", "short end of the remaining life: what counts", |row| {
            years(row.life.map(|life| life.low))
        }),
        column("life_middle_years", Fixed(6), "years", "by the measured numbers themselves", |row| {
            years(row.life.and_then(|life| life.middle))
        }),
        column("life_high_years", Fixed(6), "years", "long end; empty where the rate may be zero", |row| {
            years(row.life.and_then(|life| life.high))
        }),
        column("next_date", Text, "", "to be measured again at the latest, YYYY-MM-DD", |row| date(row.next)),
        column("to_do", Text, "", "what is to be done, most pressing first", |row| text(Some(&row.to_do))),
        column(
            "thin_from_mm",
            Fixed(3),
            "mm",
            "input of a local thin area: the longest stretch of the critical profile under the required thickness",
            |row| place(row.thin.as_ref().map(|thin| thin.from)),
        ),
        column("thin_to_mm", Fixed(3), "mm", "its other end", |row| place(row.thin.as_ref().map(|thin| thin.to))),
        column("thin_minimum_mm", Fixed(6), "mm", "input: minimum in it", |row| thick(row.thin.as_ref().map(|thin| thin.minimum))),
        column("thin_wall_mm", Fixed(6), "mm", "input: median wall of the critical profile", |row| {
            thick(row.thin.as_ref().map(|thin| thin.wall))
        }),
        column(
            "thin_rsf",
            Fixed(6),
            "",
            "remaining strength factor of these inputs, a screening number; empty where it does not apply",
            |row| number(row.thin.as_ref().and_then(|thin| thin.strength)),
        ),
    ]);
    columns
}
