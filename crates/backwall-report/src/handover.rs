//! The assessment and the comparison as tables for other programs: a row a course of the asset, of a line, a stretch compared, an
//! inspection point, a place of the critical thickness profile. Every row explains itself: job, asset, site, day and basis stand in it.

mod assessed;
mod compared;
mod points;
mod profiled;

pub use assessed::{AssessmentRow, assessment_columns, assessment_rows};
pub use compared::{ComparisonRow, comparison_columns, comparison_rows};
pub use points::{PointRow, point_columns, point_rows};
pub use profiled::{ProfileRow, profile_columns, profile_rows};

use super::assessment::Assessment;
use super::table::{CellValue, Column, ColumnKind, fixed};
use backwall_store::JobContents;
use backwall_units::{Length, LossRate, Years};
use chrono::NaiveDate;

/// What every row carries.
#[derive(Debug, Clone, PartialEq)]
pub struct HandoverFacts {
    pub job: String,
    pub asset: String,
    pub site: String,
    pub kind: &'static str,
    pub basis: String,
    pub date: Option<NaiveDate>,
}

impl HandoverFacts {
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

fn thick<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_nanometres))
}
fn place<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_micrometres))
}
fn number<'a>(value: Option<f64>) -> CellValue<'a> {
    fixed(value.filter(|value| value.is_finite()).map(|value| (value * 1e6).round() as i64))
}
fn rate<'a>(rate: Option<LossRate>) -> CellValue<'a> {
    number(rate.map(LossRate::as_mm_y))
}
fn years<'a>(years: Option<Years>) -> CellValue<'a> {
    number(years.map(Years::as_years))
}
fn text(text: Option<&str>) -> CellValue<'_> {
    text.filter(|text| !text.is_empty()).map_or(CellValue::None, CellValue::from)
}
fn date<'a>(date: Option<NaiveDate>) -> CellValue<'a> {
    date.map_or(CellValue::None, |date| CellValue::from(date.to_string()))
}

/// The columns that name where a row belongs, the same in every table here.
macro_rules! facts_columns {
    ($row:ty) => {{
        let column = |name, about, of: for<'r> fn(&'r $row) -> CellValue<'r>| Column { name, kind: ColumnKind::Text, unit: "", about, of };
        vec![
            column("job", "number of the job", |row| text(Some(&row.facts.job))),
            column("site", "where the asset is", |row| text(Some(&row.facts.site))),
            column("asset", "name of the asset", |row| text(Some(&row.facts.asset))),
            column("asset_kind", "tank shell, column, vessel, sphere or pipe", |row| text(Some(row.facts.kind))),
            column("date", "day of the survey by the site's clock, YYYY-MM-DD", |row| date(row.facts.date)),
            column("basis", "what it is judged by", |row| text(Some(&row.facts.basis))),
        ]
    }};
}

use facts_columns;

/// The columns of the tables here as a JSON schema each (draft 2020-12), for whoever reads rows as objects.
pub fn json_schema<R>(title: &str, columns: &[Column<R>]) -> serde_json::Value {
    let kind = |kind: ColumnKind| match kind {
        ColumnKind::Whole => "integer",
        ColumnKind::Fixed(_) => "number",
        ColumnKind::Truth => "boolean",
        ColumnKind::Text | ColumnKind::Time => "string",
    };
    let properties: serde_json::Map<String, serde_json::Value> = columns
        .iter()
        .map(|column| {
            let unit = if column.unit.is_empty() { String::new() } else { format!(" ({})", column.unit) };
            (
                column.name.to_owned(),
                serde_json::json!({ "type": [kind(column.kind), "null"], "description": format!("{}{unit}", column.about) }),
            )
        })
        .collect();
    serde_json::json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "type": "object", "properties": properties,
        "required": columns.iter().map(|column| column.name).collect::<Vec<_>>(), "additionalProperties": false,
    })
}
