//! Each stretch of wall that an earlier survey read as well, as a row.

use super::{HandoverFacts, date, facts_columns, place, text, thick};
use crate::assessment::Assessment;
use crate::table::{CellValue, Column, ColumnKind, whole};
use backwall_store::JobContents;
use backwall_survey::strip::compare::{Compared, Difference};
use backwall_units::Length;
use chrono::NaiveDate;

/// One stretch of wall that two surveys read.
#[derive(Debug, Clone)]
pub struct ComparisonRow {
    pub facts: HandoverFacts,
    pub line: String,
    pub course: Option<u16>,
    pub earlier: String,
    pub earlier_date: Option<NaiveDate>,
    pub offset: Length,
    pub bin: Compared,
}

pub fn comparison_rows(job: &JobContents, assessment: &Assessment) -> Vec<ComparisonRow> {
    let facts = HandoverFacts::of(job, assessment);
    let mut rows = Vec::new();
    for line in &assessment.lines {
        let path = job.plan.line(&line.line).map(|planned| job.plan.path(planned));
        for compared in &line.comparisons {
            let Some(comparison) = &compared.comparison else { continue };
            rows.extend(comparison.bins.iter().map(|bin| ComparisonRow {
                facts: HandoverFacts { date: line.date, ..facts.clone() },
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
    use ColumnKind::{Fixed, Text, Whole};
    type Read = for<'r> fn(&'r ComparisonRow) -> CellValue<'r>;
    let column = |name, kind, unit, about, of: Read| Column { name, kind, unit, about, of };
    fn change(of: &Difference) -> CellValue<'_> {
        CellValue::from(of.change.word())
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
