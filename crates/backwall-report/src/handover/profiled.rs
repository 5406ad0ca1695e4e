//! The critical thickness profile of each course as rows, place by place.

use super::{Facts, date, facts_columns, place, text, thick};
use crate::assessment::Assessment;
use crate::table::{Column, Kind, Value, whole};
use backwall_store::JobContents;
use backwall_units::Length;

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
