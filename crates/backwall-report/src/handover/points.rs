//! Inspection points as rows: what a gauge read at fixed points, and the minimum of each course on each line.

use super::{HandoverFacts, date, facts_columns, number, place, rate, text, thick};
use crate::assessment::Assessment;
use crate::table::{CellValue, Column, ColumnKind, whole};
use crate::words::day;
use backwall_store::JobContents;
use backwall_units::{Length, LossRate};

/// A place that is looked at survey after survey.
#[derive(Debug, Clone)]
pub struct PointRow {
    pub facts: HandoverFacts,
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
    let facts = HandoverFacts::of(job, assessment);
    let (plan, zone) = (&job.plan, job.plan.zone());
    let named = |what: &backwall_survey::job::hand::HandReading| {
        let grid = what.grid.as_ref().map(|grid| format!("{} {}", grid.grid, grid.point));
        what.inspection_point.clone().or(grid)
    };
    let by_hand = job.force.hand.iter().filter_map(|entered| {
        let what = &entered.what;
        let on_wall = what.on_wall(plan);
        Some(PointRow {
            facts: HandoverFacts { date: day(entered.by.at_us, zone), ..facts.clone() },
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
                facts: HandoverFacts { date: line.date, ..facts.clone() },
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
    use ColumnKind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r PointRow) -> CellValue<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    let mut columns = facts_columns!(PointRow);
    columns.extend([
        column("point", Text, "", "name of the inspection point, or line, course and 'minimum'", |row| text(Some(&row.id))),
        column("source", Text, "", "hand: read with a gauge; minimum: of a course on a line by the crawler", |row| {
            CellValue::from(row.source)
        }),
        column("line", Text, "", "its line; empty where it is on none", |row| text(row.line.as_deref())),
        column("position_mm", Fixed(3), "mm", "place along it", |row| place(row.position)),
        column("azimuth_deg", Fixed(6), "deg", "around the wall from the datum", |row| number(row.azimuth)),
        column("elevation_mm", Fixed(3), "mm", "above the datum", |row| place(row.elevation)),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("thickness_mm", Fixed(6), "mm", "wall thickness", |row| thick(row.thickness)),
        column("uncertainty_k2_mm", Fixed(6), "mm", "expanded uncertainty, k = 2; empty where it is not known", |row| thick(row.expanded)),
        column("rate_mm_y", Fixed(6), "mm/y", "rate of loss beyond its uncertainty", |row| rate(row.rate)),
        column("rate_u_mm_y", Fixed(6), "mm/y", "its expanded uncertainty, k = 2", |row| rate(row.rate_expanded)),
    ]);
    columns
}
