//! The assessment and the comparison as tables for other programs: a row a course of the asset, of a line, a stretch compared, an
//! inspection point, a place of the critical thickness profile. Every row explains itself: job, asset, site, day and basis stand in it.

use super::assessment::{Assessment, LineAssessment, RolledCourse, Summary};
use super::table::{Column, Kind, Value, fixed, whole};
use super::words::day;
use backwall_store::JobContents;
use backwall_survey::integrity::life::Life;
use backwall_survey::strip::compare::{Compared, Difference};
use backwall_units::{Length, LossRate, Years};
use chrono::NaiveDate;

/// What every row carries.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    pub job: String,
    pub asset: String,
    pub site: String,
    pub kind: &'static str,
    pub basis: String,
    pub date: Option<NaiveDate>,
}

impl Facts {
    fn of(job: &JobContents, assessment: &Assessment) -> Self {
        Self {
            job: job.plan.job.number.clone(),
            asset: job.plan.asset.name.clone(),
            site: job.plan.job.site.clone(),
            kind: job.plan.asset.kind.word(),
            basis: assessment.basis.clone(),
            date: assessment.lines.iter().filter_map(|line| line.date).max(),
        }
    }
}

/// One course: over all lines, or on one.
#[derive(Debug, Clone)]
pub struct AssessmentRow {
    pub facts: Facts,
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
    pub thin: Option<super::assessment::ThinStretch>,
}

/// Each course over all lines, then each course of each line.
pub fn assessment_rows(job: &JobContents, assessment: &Assessment) -> Vec<AssessmentRow> {
    let facts = Facts::of(job, assessment);
    let over_all = assessment.roll_up.courses.iter().map(|course| of_course(&facts, course, job));
    let on_lines = assessment.lines.iter().flat_map(|line| of_line(&facts, job, assessment, line));
    over_all.chain(on_lines).collect()
}

fn of_course(facts: &Facts, course: &RolledCourse, job: &JobContents) -> AssessmentRow {
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

fn of_line(facts: &Facts, job: &JobContents, assessment: &Assessment, line: &LineAssessment) -> Vec<AssessmentRow> {
    let rolled = |number: Option<u16>| assessment.roll_up.courses.iter().find(|course| Some(course.course) == number);
    let row = |(number, statistics, summary): (Option<u16>, &backwall_survey::strip::statistics::Statistics, &Summary)| AssessmentRow {
        facts: Facts { date: line.date, ..facts.clone() },
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

fn thick<'a>(length: Option<Length>) -> Value<'a> {
    fixed(length.map(Length::as_nanometres))
}
fn place<'a>(length: Option<Length>) -> Value<'a> {
    fixed(length.map(Length::as_micrometres))
}
fn number<'a>(value: Option<f64>) -> Value<'a> {
    fixed(value.filter(|value| value.is_finite()).map(|value| (value * 1e6).round() as i64))
}
fn rate<'a>(rate: Option<LossRate>) -> Value<'a> {
    number(rate.map(LossRate::as_mm_y))
}
fn years<'a>(years: Option<Years>) -> Value<'a> {
    number(years.map(Years::as_years))
}
fn text(text: Option<&str>) -> Value<'_> {
    text.filter(|text| !text.is_empty()).map_or(Value::None, Value::from)
}
fn date<'a>(date: Option<NaiveDate>) -> Value<'a> {
    date.map_or(Value::None, |date| Value::from(date.to_string()))
}

/// The columns that name where a row belongs, the same in every table here.
macro_rules! facts_columns {
    ($row:ty) => {{
        let column = |name, about, of: for<'r> fn(&'r $row) -> Value<'r>| Column { name, kind: Kind::Text, unit: "", about, of };
        vec![
            column("job", "number of the job", |row| text(Some(&row.facts.job))),
            column("site", "where the asset stands", |row| text(Some(&row.facts.site))),
            column("asset", "name of the asset", |row| text(Some(&row.facts.asset))),
            column("asset_kind", "tank shell, column, vessel, sphere or pipe", |row| text(Some(row.facts.kind))),
            column("date", "day of the survey by the site's clock, YYYY-MM-DD", |row| date(row.facts.date)),
            column("basis", "what it is judged by", |row| text(Some(&row.facts.basis))),
        ]
    }};
}

pub fn assessment_columns() -> Vec<Column<AssessmentRow>> {
    use Kind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r AssessmentRow) -> Value<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    let mut columns = facts_columns!(AssessmentRow);
    columns.extend([
        column("scope", Text, "", "course: over all lines; line: on one", |row| Value::from(row.scope)),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("line", Text, "", "the line; over all lines the one that decides", |row| text(row.line.as_deref())),
        column("nominal_mm", Fixed(6), "mm", "nominal thickness by the plan", |row| thick(row.nominal)),
        column("required_mm", Fixed(6), "mm", "required thickness it is judged by", |row| thick(row.required)),
        column("required_from", Text, "", "where that comes from", |row| text(Some(&row.required_from))),
        column("decision", Text, "", "met, not met or not decided", |row| Value::from(row.decision)),
        column("decision_why", Text, "", "why, in words", |row| text(Some(&row.why))),
        column("minimum_mm", Fixed(6), "mm", "minimum thickness (t2)", |row| thick(row.minimum)),
        column("minimum_u_mm", Fixed(6), "mm", "its expanded uncertainty, k = 2", |row| thick(row.minimum_expanded)),
        column("minimum_line", Text, "", "its line", |row| text(row.minimum_line.as_deref())),
        column("minimum_at_mm", Fixed(3), "mm", "its place along that line", |row| place(row.minimum_at)),
        column("t1_low_mm", Fixed(6), "mm", "lowest average, unread wall as nothing", |row| thick(row.average.map(|average| average.0))),
        column("t1_high_mm", Fixed(6), "mm", "the same, unread wall as nominal", |row| thick(row.average.map(|average| average.1))),
        column("covered_share", Fixed(6), "", "covered share of the planned length, 0 to 1", |row| number(row.covered)),
        column("rate_mm_y", Fixed(6), "mm/y", "greatest rate of loss beyond its uncertainty", |row| rate(row.rate)),
        column("rate_u_mm_y", Fixed(6), "mm/y", "its expanded uncertainty, k = 2", |row| rate(row.rate_expanded)),
        column("rate_upper_mm_y", Fixed(6), "mm/y", "no rate is above this, one-sided 95 %", |row| rate(row.rate_upper)),
        column("rate_line", Text, "", "its line", |row| text(row.rate_line.as_deref())),
        column("rate_from", Text, "", "between what it was found", |row| text(row.rate_from.as_deref())),
        column("rate_from_mm", Fixed(3), "mm", "lower edge of its place; nothing where it has none", |row| place(row.rate_at.map(|at| at.0))),
        column("rate_to_mm", Fixed(3), "mm", "upper edge of its place", |row| place(row.rate_at.map(|at| at.1))),
        column("life_low_years", Fixed(6), "years", "short end of the remaining life: what counts", |row| years(row.life.map(|life| life.low))),
        column("life_middle_years", Fixed(6), "years", "by the measured numbers themselves", |row| years(row.life.and_then(|life| life.middle))),
        column("life_high_years", Fixed(6), "years", "long end; nothing where the rate may be nothing", |row| years(row.life.and_then(|life| life.high))),
        column("next_date", Text, "", "to be measured again at the latest, YYYY-MM-DD", |row| date(row.next)),
        column("to_do", Text, "", "what is to be done, most pressing first", |row| text(Some(&row.to_do))),
        column("thin_from_mm", Fixed(3), "mm", "input of a local thin area: where the critical profile lies under the required thickness longest", |row| {
            place(row.thin.as_ref().map(|thin| thin.from))
        }),
        column("thin_to_mm", Fixed(3), "mm", "its other end", |row| place(row.thin.as_ref().map(|thin| thin.to))),
        column("thin_minimum_mm", Fixed(6), "mm", "input: minimum in it", |row| thick(row.thin.as_ref().map(|thin| thin.minimum))),
        column("thin_wall_mm", Fixed(6), "mm", "input: median wall of the critical profile", |row| thick(row.thin.as_ref().map(|thin| thin.wall))),
        column("thin_rsf", Fixed(6), "", "remaining strength factor of these inputs, a screening number; nothing where it does not apply", |row| {
            number(row.thin.as_ref().and_then(|thin| thin.strength))
        }),
    ]);
    columns
}

/// One stretch of wall that two surveys read.
#[derive(Debug, Clone)]
pub struct ComparisonRow {
    pub facts: Facts,
    pub line: String,
    pub course: Option<u16>,
    pub earlier: String,
    pub earlier_date: Option<NaiveDate>,
    pub offset: Length,
    pub bin: Compared,
}

pub fn comparison_rows(job: &JobContents, assessment: &Assessment) -> Vec<ComparisonRow> {
    let facts = Facts::of(job, assessment);
    let mut rows = Vec::new();
    for line in &assessment.lines {
        let path = job.plan.line(&line.line).map(|planned| job.plan.path(planned));
        for compared in &line.comparisons {
            let Some(comparison) = &compared.comparison else { continue };
            rows.extend(comparison.bins.iter().map(|bin| ComparisonRow {
                facts: Facts { date: line.date, ..facts.clone() },
                line: line.line.clone(),
                course: path.as_ref().and_then(|path| path.course_at((bin.from + bin.to) / 2.0)),
                earlier: compared.source.rsplit(['/', '\\']).next().unwrap_or_default().to_owned(),
                earlier_date: compared.date,
                offset: comparison.offset,
                bin: *bin,
            }));
        }
    }
    rows
}

pub fn comparison_columns() -> Vec<Column<ComparisonRow>> {
    use Kind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r ComparisonRow) -> Value<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    fn change(of: &Difference) -> Value<'_> {
        Value::from(of.change.word())
    }
    let mut columns = facts_columns!(ComparisonRow);
    columns.extend([
        column("line", Text, "", "the planned line", |row| text(Some(&row.line))),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("earlier", Text, "", "file of the earlier survey", |row| text(Some(&row.earlier))),
        column("earlier_date", Text, "", "its day, YYYY-MM-DD", |row| date(row.earlier_date)),
        column("offset_mm", Fixed(3), "mm", "added to the earlier positions", |row| place(Some(row.offset))),
        column("from_mm", Fixed(3), "mm", "lower edge of the stretch", |row| place(Some(row.bin.from))),
        column("to_mm", Fixed(3), "mm", "upper edge of the stretch", |row| place(Some(row.bin.to))),
        column("mean_earlier_mm", Fixed(6), "mm", "mean then", |row| thick(Some(row.bin.mean.earlier))),
        column("mean_now_mm", Fixed(6), "mm", "mean now", |row| thick(Some(row.bin.mean.now))),
        column("mean_difference_mm", Fixed(6), "mm", "now less then", |row| thick(Some(row.bin.mean.difference))),
        column("mean_u_mm", Fixed(6), "mm", "expanded uncertainty of the difference, k = 2", |row| thick(row.bin.mean.expanded)),
        column("mean_change", Text, "", "no change, thinner, thicker or not judged", |row| change(&row.bin.mean)),
        column("minimum_earlier_mm", Fixed(6), "mm", "minimum then", |row| thick(Some(row.bin.least.earlier))),
        column("minimum_now_mm", Fixed(6), "mm", "minimum now", |row| thick(Some(row.bin.least.now))),
        column("minimum_difference_mm", Fixed(6), "mm", "now less then", |row| thick(Some(row.bin.least.difference))),
        column("minimum_u_mm", Fixed(6), "mm", "expanded uncertainty of the difference, k = 2", |row| thick(row.bin.least.expanded)),
        column("minimum_change", Text, "", "no change, thinner, thicker or not judged", |row| change(&row.bin.least)),
    ]);
    columns
}

/// A place that is looked at survey after survey.
#[derive(Debug, Clone)]
pub struct PointRow {
    pub facts: Facts,
    pub id: String,
    /// `hand` where a gauge read it, `minimum` for the minimum of a course on a line.
    pub source: &'static str,
    pub line: Option<String>,
    pub position: Option<Length>,
    pub azimuth: Option<f64>,
    pub elevation: Option<Length>,
    pub course: Option<u16>,
    pub thickness: Option<Length>,
    pub expanded: Option<Length>,
    pub rate: Option<LossRate>,
    pub rate_expanded: Option<LossRate>,
}

/// Fixed points read by hand, then the minimum of each course on each line.
pub fn point_rows(job: &JobContents, assessment: &Assessment) -> Vec<PointRow> {
    let facts = Facts::of(job, assessment);
    let (plan, zone) = (&job.plan, job.plan.zone());
    let named = |what: &backwall_survey::job::hand::HandReading| {
        let grid = what.grid.as_ref().map(|grid| format!("{} {}", grid.grid, grid.point));
        what.inspection_point.clone().or(grid)
    };
    let by_hand = job.force.hand.iter().filter_map(|entered| {
        let what = &entered.what;
        let on_wall = what.on_wall(plan);
        Some(PointRow {
            facts: Facts { date: day(entered.by.at_us, zone), ..facts.clone() },
            id: named(what)?,
            source: "hand",
            line: what.on_line().map(|(line, _)| line.to_owned()),
            position: what.on_line().map(|(_, along)| along),
            azimuth: on_wall.map(|at| at.0),
            elevation: on_wall.map(|at| at.1),
            course: what.course(plan),
            thickness: what.mean(),
            expanded: None,
            rate: None,
            rate_expanded: None,
        })
    });
    let mut rows: Vec<PointRow> = by_hand.collect();
    for line in &assessment.lines {
        for course in &line.courses {
            let position = course.summary.least_at.or(course.statistics.least.and_then(|least| least.along));
            let on_wall = position.and_then(|position| plan.on_wall(&line.line, position));
            let Some(thickness) = course.summary.least else { continue };
            let number = course.course.map_or_else(|| "-".to_owned(), |number| number.to_string());
            rows.push(PointRow {
                facts: Facts { date: line.date, ..facts.clone() },
                id: format!("{}/{number}/minimum", line.line),
                source: "minimum",
                line: Some(line.line.clone()),
                position,
                azimuth: on_wall.map(|at| at.0),
                elevation: on_wall.map(|at| at.1),
                course: course.course,
                thickness: Some(thickness),
                expanded: course.summary.least_expanded,
                rate: course.summary.rate,
                rate_expanded: course.summary.rate_expanded,
            });
        }
    }
    rows
}

pub fn point_columns() -> Vec<Column<PointRow>> {
    use Kind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r PointRow) -> Value<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    let mut columns = facts_columns!(PointRow);
    columns.extend([
        column("point", Text, "", "name of the inspection point, or line, course and 'minimum'", |row| text(Some(&row.id))),
        column("source", Text, "", "hand: read with a gauge; minimum: of a course on a line by the crawler", |row| Value::from(row.source)),
        column("line", Text, "", "its line; nothing where it is on none", |row| text(row.line.as_deref())),
        column("position_mm", Fixed(3), "mm", "place along it", |row| place(row.position)),
        column("azimuth_deg", Fixed(6), "deg", "around the wall from the datum", |row| number(row.azimuth)),
        column("elevation_mm", Fixed(3), "mm", "above the datum", |row| place(row.elevation)),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("thickness_mm", Fixed(6), "mm", "wall thickness", |row| thick(row.thickness)),
        column("uncertainty_k2_mm", Fixed(6), "mm", "expanded uncertainty, k = 2; nothing where it is not known", |row| thick(row.expanded)),
        column("rate_mm_y", Fixed(6), "mm/y", "rate of loss beyond its uncertainty", |row| rate(row.rate)),
        column("rate_u_mm_y", Fixed(6), "mm/y", "its expanded uncertainty, k = 2", |row| rate(row.rate_expanded)),
    ]);
    columns
}

/// One place of the critical thickness profile of a course.
#[derive(Debug, Clone)]
pub struct ProfileRow {
    pub facts: Facts,
    pub course: u16,
    pub from: Length,
    pub to: Length,
    pub lowest: Option<Length>,
    pub read: usize,
    pub lines: usize,
    pub required: Option<Length>,
}

pub fn profile_rows(job: &JobContents, assessment: &Assessment) -> Vec<ProfileRow> {
    let facts = Facts::of(job, assessment);
    let mut rows = Vec::new();
    for course in &assessment.roll_up.courses {
        let Some(profile) = &course.profile else { continue };
        rows.extend(profile.places.iter().enumerate().map(|(index, found)| ProfileRow {
            facts: facts.clone(),
            course: course.course,
            from: profile.from + profile.width * index as f64,
            to: profile.from + profile.width * (index + 1) as f64,
            lowest: found.lowest,
            read: found.read,
            lines: profile.lines,
            required: course.required,
        }));
    }
    rows
}

pub fn profile_columns() -> Vec<Column<ProfileRow>> {
    use Kind::{Fixed, Whole};
    type Read = for<'r> fn(&'r ProfileRow) -> Value<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    let mut columns = facts_columns!(ProfileRow);
    columns.extend([
        column("course", Whole, "", "shell course", |row| whole(Some(row.course))),
        column("from_mm", Fixed(3), "mm", "lower edge along the lines", |row| place(Some(row.from))),
        column("to_mm", Fixed(3), "mm", "upper edge", |row| place(Some(row.to))),
        column("thickness_mm", Fixed(6), "mm", "lowest reading there of all parallel lines", |row| thick(row.lowest)),
        column("lines_read", Whole, "", "lines that were read there", |row| whole(Some(row.read as u64))),
        column("lines", Whole, "", "lines through the course", |row| whole(Some(row.lines as u64))),
        column("required_mm", Fixed(6), "mm", "required thickness it is judged by", |row| thick(row.required)),
    ]);
    columns
}

/// The columns of the tables here as a JSON schema each (draft 2020-12), for whoever reads rows as objects.
pub fn json_schema<R>(title: &str, columns: &[Column<R>]) -> serde_json::Value {
    let kind = |kind: Kind| match kind {
        Kind::Whole => "integer",
        Kind::Fixed(_) => "number",
        Kind::Truth => "boolean",
        Kind::Text | Kind::Time => "string",
    };
    let properties: serde_json::Map<String, serde_json::Value> = columns
        .iter()
        .map(|column| {
            let unit = if column.unit.is_empty() { String::new() } else { format!(" ({})", column.unit) };
            (column.name.to_owned(), serde_json::json!({ "type": [kind(column.kind), "null"], "description": format!("{}{unit}", column.about) }))
        })
        .collect();
    serde_json::json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "type": "object", "properties": properties,
        "required": columns.iter().map(|column| column.name).collect::<Vec<_>>(), "additionalProperties": false,
    })
}
