//! The critical thickness profiles of each course as rows, place by place: along the upright lines, and round the wall from line to line.

use super::{HandoverFacts, date, facts_columns, place, text, thick};
use crate::assessment::Assessment;
use crate::table::{CellValue, Column, ColumnKind, whole};
use backwall_store::JobContents;
use backwall_survey::job::plan::AssetKind;
use backwall_units::Length;

/// One place of the critical thickness profile of a course.
#[derive(Debug, Clone)]
pub struct ProfileRow {
    pub facts: HandoverFacts,
    pub course: u16,
    pub from: Length,
    pub to: Length,
    pub lowest: Option<Length>,
    pub read: usize,
    pub lines: usize,
    pub required: Option<Length>,
    /// Along the lines, or round the wall.
    pub direction: &'static str,
}

pub fn profile_rows(job: &JobContents, assessment: &Assessment) -> Vec<ProfileRow> {
    let facts = HandoverFacts::of(job, assessment);
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
            direction: "along",
        }));
        rows.extend(round(job, assessment, course.course).into_iter().map(|(at, lowest)| ProfileRow {
            facts: facts.clone(),
            course: course.course,
            from: at,
            to: at,
            lowest,
            read: usize::from(lowest.is_some()),
            lines: 1,
            required: course.required,
            direction: "round",
        }));
    }
    rows
}

/// Round the wall, from azimuth 0: where each upright line through the course stands, and the lowest it read there. Between two lines nothing is
/// known. Nothing of a sphere, whose circles are of many lengths, and of fewer than two lines.
fn round(job: &JobContents, assessment: &Assessment, number: u16) -> Vec<(Length, Option<Length>)> {
    let asset = &job.plan.asset;
    if asset.kind == AssetKind::Sphere {
        return Vec::new();
    }
    let upright = job.plan.lines.iter().filter(|line| line.direction.is_upright());
    let of_line = |name: &str| assessment.lines.iter().find(|line| line.line == name);
    let mut places: Vec<(Length, Option<Length>)> = upright
        .filter_map(|line| {
            let at = asset.diameter * std::f64::consts::PI * (line.azimuth_deg? / 360.0);
            let course = of_line(&line.name)?.courses.iter().find(|course| course.course == Some(number))?;
            Some((at, course.statistics.least.map(|least| least.thickness)))
        })
        .collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    if places.len() < 2 { Vec::new() } else { places }
}

pub fn profile_columns() -> Vec<Column<ProfileRow>> {
    use ColumnKind::{Fixed, Whole};
    type Read = for<'r> fn(&'r ProfileRow) -> CellValue<'r>;
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
        column("direction", ColumnKind::Text, "", "along the lines, or round the wall from azimuth 0 (one row a line)", |row| {
            text(Some(row.direction))
        }),
    ]);
    columns
}
