//! What was read by hand, as a table for export: one row a place, never among the crawler's readings.

use super::table::{CellValue, Column, ColumnKind, decimal, fixed, whole};
use backwall_store::JobContents;
use backwall_survey::job::force::Entered;
use backwall_survey::job::hand::{BlockRead, HandPlace, HandReading};
use backwall_units::Length;

/// A place read by hand, with what the plan says of it.
pub struct HandRow<'a> {
    pub entered: &'a Entered<HandReading>,
    pub course: Option<u16>,
    pub required: Option<Length>,
}

/// Everything read by hand that counts, in the order it was entered.
pub fn rows(job: &JobContents) -> Vec<HandRow<'_>> {
    let limits = job.plan.limits();
    let row = |entered: &'_ Entered<HandReading>| {
        let course = entered.what.course(&job.plan);
        (course, course.and_then(|course| limits.required(Some(course))))
    };
    job.force
        .hand
        .iter()
        .map(|entered| (entered, row(entered)))
        .map(|(entered, (course, required))| HandRow { entered, course, required })
        .collect()
}

impl HandRow<'_> {
    fn what(&self) -> &HandReading {
        &self.entered.what
    }

    fn place(&self) -> Option<&HandPlace> {
        self.what().place.as_ref()
    }

    fn block(&self) -> Option<BlockRead> {
        self.what().gauge.block
    }

    /// Whether it is under the required thickness of its course.
    pub fn is_thin(&self) -> bool {
        self.what().mean().zip(self.required).is_some_and(|(mean, required)| mean < required)
    }
}

fn micrometres<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_micrometres))
}
fn nanometres<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_nanometres))
}
fn text<'a>(text: Option<&'a str>) -> CellValue<'a> {
    text.filter(|text| !text.is_empty()).map_or(CellValue::None, CellValue::from)
}

type OfHandRow<'a> = for<'r> fn(&'r HandRow<'a>) -> CellValue<'r>;

pub fn hand_columns<'a>() -> Vec<Column<HandRow<'a>>> {
    use ColumnKind::{Fixed, Text, Time, Truth, Whole};
    let column = |name, kind, unit, about, of: OfHandRow<'a>| Column { name, kind, unit, about, of };
    vec![
        column("statement", Whole, "", "number of the statement that entered it", |row| whole(Some(row.entered.statement))),
        column("line", Text, "", "the planned line, where it was read on one", |row| text(row.what().on_line().map(|(line, _)| line))),
        column("position_mm", Fixed(3), "mm", "place along the line", |row| micrometres(row.what().on_line().map(|(_, along)| along))),
        column("azimuth_deg", Fixed(3), "deg", "where it was read anywhere on the wall", |row| match row.place() {
            Some(HandPlace::Wall { azimuth_millideg, .. }) => CellValue::Fixed(*azimuth_millideg),
            _ => CellValue::None,
        }),
        column("elevation_mm", Fixed(3), "mm", "where it was read anywhere on the wall", |row| match row.place() {
            Some(HandPlace::Wall { elevation, .. }) => micrometres(Some(*elevation)),
            _ => CellValue::None,
        }),
        column("near", Text, "", "the weld or nozzle it was read near", |row| match row.place() {
            Some(HandPlace::Near { what, .. }) => text(Some(what)),
            _ => CellValue::None,
        }),
        column("distance_mm", Fixed(3), "mm", "from that weld or nozzle", |row| match row.place() {
            Some(HandPlace::Near { distance, .. }) => micrometres(Some(*distance)),
            _ => CellValue::None,
        }),
        column("grid", Text, "", "the grid it is a point of", |row| text(row.what().grid.as_ref().map(|grid| grid.grid.as_str()))),
        column("point", Text, "", "the point of that grid", |row| text(row.what().grid.as_ref().map(|grid| grid.point.as_str()))),
        column("inspection_point", Text, "", "the fixed inspection point", |row| text(row.what().inspection_point.as_deref())),
        column("course", Whole, "", "shell course of the place", |row| whole(row.course)),
        column("values", Whole, "", "how often it was read", |row| whole(Some(row.what().values.len() as u64))),
        column("values_mm", Text, "mm", "each value, separated by spaces", |row| {
            let values: Vec<_> = row.what().values.iter().map(|value| decimal(value.as_nanometres(), 6)).collect();
            CellValue::from(values.join(" "))
        }),
        column("thickness_mm", Fixed(6), "mm", "their mean", |row| nanometres(row.what().mean())),
        column("spread_mm", Fixed(6), "mm", "from the lowest to the highest", |row| nanometres(Some(row.what().spread()))),
        column("minimum_mm", Fixed(6), "mm", "the lowest", |row| nanometres(row.what().least())),
        column("required_mm", Fixed(6), "mm", "required thickness there; empty where none is set or the course is not known", |row| {
            nanometres(row.required)
        }),
        column("instrument", Text, "", "what it was read with", |row| text(Some(&row.what().gauge.name))),
        column("serial", Text, "", "its serial number", |row| text(Some(&row.what().gauge.serial))),
        column("block_mm", Fixed(6), "mm", "the block the instrument was checked on", |row| nanometres(row.block().map(BlockRead::truth))),
        column("block_read_mm", Fixed(6), "mm", "what it read there", |row| nanometres(row.block().map(BlockRead::measured))),
        column("block_time", Time, "UTC", "when", |row| row.block().map_or(CellValue::None, |block| CellValue::Time(block.at_us))),
        column("run", Whole, "", "run of the spot it proves", |row| whole(row.what().proof.as_ref().map(|proof| proof.run))),
        column("spot", Whole, "", "number of that spot when it was entered", |row| {
            whole(row.what().proof.as_ref().map(|proof| proof.spot))
        }),
        column("spot_minimum_mm", Fixed(6), "mm", "minimum of that spot by the crawler", |row| {
            nanometres(row.what().proof.as_ref().map(|proof| proof.least))
        }),
        column("confirmed", Truth, "", "whether the spot is what the crawler read", |row| {
            row.what().proof.as_ref().map_or(CellValue::None, |proof| CellValue::Truth(proof.confirmed))
        }),
        column("by", Text, "", "who says so", |row| text(Some(&row.entered.by.name))),
        column("certificate", Text, "", "and with which certificate", |row| text(Some(&row.entered.by.certificate))),
        column("time", Time, "UTC", "when it was entered", |row| CellValue::Time(row.entered.by.at_us)),
        column("note", Text, "", "what else was said of it", |row| text(Some(&row.entered.note))),
    ]
}
