//! Statistics as a table: each line as a whole, by course, and by interval where one is asked for.

use super::readings::ReadingsOf;
use super::table::{CellValue, Column, ColumnKind, fixed, whole};
use super::whole_file::{Stopped, Tick};
use backwall_store::{JobContents, JobReader, RunSummary, StoreError};
use backwall_survey::strip::statistics::{Coverage, IntervalError, Percentiles, ReadAt, Scope, Statistics, Tally};
use backwall_units::Length;

#[derive(Debug, thiserror::Error)]
pub enum StatisticsError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Interval(#[from] IntervalError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// The statistics of one stretch of a line.
pub struct StatisticsRow {
    pub line: String,
    /// The runs they were made from, in words.
    pub runs: String,
    pub scope: &'static str,
    pub course: Option<u16>,
    /// Edges of an interval.
    pub edges: Option<(Length, Length)>,
    pub statistics: Statistics,
    /// The least good of the runs' calibrations.
    pub calibration: &'static str,
    pub by_hand: ByHand,
}

/// What was read by hand in a stretch of a line: beside its statistics, in none of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ByHand {
    pub places: u64,
    pub least: Option<Length>,
}

impl ByHand {
    /// Of the places on a line that are meant.
    pub fn of(job: &JobContents, line: &str, is_meant: impl Fn(Length) -> bool) -> Self {
        let found = job.force.hand_on(line).filter(|(_, along)| is_meant(*along));
        found.fold(Self::default(), |all, (entered, _)| Self {
            places: all.places + 1,
            least: all.least.into_iter().chain(entered.what.mean()).reduce(Length::min),
        })
    }
}

/// The rows of all lines that `sources` ran along, in their order.
pub fn rows(
    reader: &JobReader,
    job: &JobContents,
    sources: &[ReadingsOf<'_>],
    interval: Option<Length>,
    tick: &mut Tick<'_>,
) -> Result<Vec<StatisticsRow>, StatisticsError> {
    let of = sources.iter().map(|source| source.run().readings).sum();
    let mut lines: Vec<&str> = Vec::new();
    for source in sources {
        let line = source.run().start.line.as_str();
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    let (mut rows, mut done) = (Vec::new(), 0);
    for line in lines {
        let on_line: Vec<ReadingsOf<'_>> = sources.iter().filter(|source| source.run().start.line == line).copied().collect();
        let mut tally = Tally::new();
        for source in &on_line {
            done += source.for_each(reader, (done, of), tick, |_, reading| {
                tally.push(&reading);
                Ok::<(), StatisticsError>(())
            })?;
        }
        let Some(last) = on_line.last().map(|source| source.run()) else { continue };
        rows.extend(of_line(job, last, &on_line, &tally, interval)?);
    }
    Ok(rows)
}

/// The rows of one line from readings collected in `tally`; `run` is its newest run, `sources` is where they come from.
pub fn of_line(
    job: &JobContents,
    run: &RunSummary,
    sources: &[ReadingsOf<'_>],
    tally: &Tally,
    interval: Option<Length>,
) -> Result<Vec<StatisticsRow>, IntervalError> {
    let scope = Scope { path: Some(&run.start.path), max_gap: Some(job.plan.limits.max_gap), tracks: &job.plan.tracks };
    let runs = sources.iter().map(|source| source.run().id.to_string()).collect::<Vec<_>>().join(" ");
    let words: Vec<_> = sources.iter().map(|source| source.calibration(job)).collect();
    let calibration = ["suspect", "pending", "valid"].into_iter().find(|word| words.contains(word)).unwrap_or_default();
    let row = |scope, course, edges: Option<(Length, Length)>, statistics| StatisticsRow {
        line: run.start.line.clone(),
        runs: runs.clone(),
        scope,
        course,
        edges,
        statistics,
        calibration,
        by_hand: ByHand::of(job, &run.start.line, |along| match edges {
            Some((from, to)) => along >= from && along < to,
            None => scope != "course" || run.start.path.course_at(along) == course,
        }),
    };
    let mut rows = vec![row("line", None, None, tally.whole(&scope))];
    rows.extend(tally.by_course(&scope).into_iter().map(|of| row("course", of.course, None, of.statistics)));
    if let Some(length) = interval {
        let intervals = tally.by_interval(length, &scope)?;
        rows.extend(intervals.into_iter().map(|of| row("interval", None, Some((of.from, of.to)), of.statistics)));
    }
    Ok(rows)
}

type OfStatisticsRow = for<'r> fn(&'r StatisticsRow) -> CellValue<'r>;

fn count<'a>(count: u64) -> CellValue<'a> {
    whole(Some(count))
}
fn place<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_micrometres))
}
fn thick<'a>(length: Option<Length>) -> CellValue<'a> {
    fixed(length.map(Length::as_nanometres))
}
fn share<'a>(share: Option<f64>) -> CellValue<'a> {
    fixed(share.filter(|share| share.is_finite()).map(|share| (share * 1e6).round() as i64))
}
fn found<'a>(of: Option<ReadAt>) -> CellValue<'a> {
    thick(of.map(|found| found.thickness))
}
fn part<'a>(row: &StatisticsRow, of: fn(&Percentiles) -> Length) -> CellValue<'a> {
    thick(row.statistics.percentiles.as_ref().map(of))
}
fn covered<'a>(row: &StatisticsRow, of: fn(&Coverage) -> Length) -> CellValue<'a> {
    place(row.statistics.coverage.as_ref().map(of))
}

pub fn statistics_columns() -> Vec<Column<StatisticsRow>> {
    use ColumnKind::{Fixed, Text, Whole};
    let column = |name, kind, unit, about, of: OfStatisticsRow| Column { name, kind, unit, about, of };
    vec![
        column("line", Text, "", "the planned line", |row| CellValue::from(row.line.as_str())),
        column("runs", Text, "", "numbers of the runs, separated by spaces", |row| CellValue::from(row.runs.as_str())),
        column("scope", Text, "", "line, course or interval: what the row is of", |row| CellValue::from(row.scope)),
        column("course", Whole, "", "shell course", |row| whole(row.course)),
        column("from_mm", Fixed(3), "mm", "lower edge of an interval", |row| place(row.edges.map(|edges| edges.0))),
        column("to_mm", Fixed(3), "mm", "upper edge of an interval; it belongs to the next one", |row| {
            place(row.edges.map(|edges| edges.1))
        }),
        column("readings", Whole, "", "all readings", |row| count(row.statistics.readings)),
        column("read", Whole, "", "readings with a thickness", |row| count(row.statistics.read)),
        column("no_echo", Whole, "", "readings without an echo", |row| count(row.statistics.no_echo)),
        column("no_echo_share", Fixed(6), "", "their share of all readings, 0 to 1", |row| share(row.statistics.no_echo_share)),
        column("poor", Whole, "", "readings of poor quality", |row| count(row.statistics.poor)),
        column("watch", Whole, "", "readings of level WATCH", |row| count(row.statistics.watch)),
        column("thin", Whole, "", "readings of level THIN", |row| count(row.statistics.thin)),
        column("unplaced", Whole, "", "readings without a place", |row| count(row.statistics.unplaced)),
        column("minimum_mm", Fixed(6), "mm", "minimum thickness of those that do not stand alone", |row| found(row.statistics.least)),
        column("minimum_at_mm", Fixed(3), "mm", "its place", |row| place(row.statistics.least.and_then(|found| found.along))),
        column("greatest_mm", Fixed(6), "mm", "greatest thickness", |row| found(row.statistics.greatest)),
        column("mean_mm", Fixed(6), "mm", "arithmetic mean", |row| thick(row.statistics.mean)),
        column("deviation_mm", Fixed(6), "mm", "standard deviation, n - 1", |row| thick(row.statistics.deviation)),
        column("p1_mm", Fixed(6), "mm", "1st percentile", |row| part(row, |p| p.p1)),
        column("p5_mm", Fixed(6), "mm", "5th percentile", |row| part(row, |p| p.p5)),
        column("p25_mm", Fixed(6), "mm", "25th percentile", |row| part(row, |p| p.p25)),
        column("p50_mm", Fixed(6), "mm", "median", |row| part(row, |p| p.p50)),
        column("p75_mm", Fixed(6), "mm", "75th percentile", |row| part(row, |p| p.p75)),
        column("p95_mm", Fixed(6), "mm", "95th percentile", |row| part(row, |p| p.p95)),
        column("covered_from_mm", Fixed(3), "mm", "start of what was to be covered", |row| covered(row, |c| c.from)),
        column("covered_to_mm", Fixed(3), "mm", "end of what was to be covered", |row| covered(row, |c| c.to)),
        column("largest_gap_mm", Fixed(3), "mm", "longest stretch without a thickness", |row| covered(row, |c| c.largest_gap.length())),
        column("largest_gap_from_mm", Fixed(3), "mm", "where it begins", |row| covered(row, |c| c.largest_gap.from)),
        column("gaps_over", Whole, "", "gaps longer than the procedure allows", |row| {
            whole(row.statistics.coverage.as_ref().and_then(|coverage| coverage.gaps_over))
        }),
        column("coverage_share", Fixed(6), "", "covered by the procedure's limit, 0 to 1", |row| {
            share(row.statistics.coverage.as_ref().and_then(|coverage| coverage.share))
        }),
        column("calibration", Text, "", "the worst of the runs': valid, pending or suspect", |row| CellValue::from(row.calibration)),
        column("hand_places", Whole, "", "places read by hand there, in none of these numbers", |row| count(row.by_hand.places)),
        column("hand_minimum_mm", Fixed(6), "mm", "the lowest of them", |row| thick(row.by_hand.least)),
        column("alone", Whole, "", "readings that no neighbour agrees with: neither minimum nor greatest", |row| {
            count(row.statistics.alone)
        }),
    ]
}
