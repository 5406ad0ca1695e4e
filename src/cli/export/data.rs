//! Tables: readings, spots and statistics as CSV or Parquet.

use super::{ExportArgs, ExportDone, ExportOrder, ExportWhat, Format};
use backwall_report::csv::{self, CsvError};
use backwall_report::hand;
use backwall_report::parquet::{self, ParquetError, layout};
use backwall_report::readings::ReadingsOf;
use backwall_report::statistics;
use backwall_report::whole_file::{self, Tick, WholeFileError};
use backwall_units::parse_length;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

pub fn write(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    match order.args.format {
        Format::Parquet => as_parquet(order, tick),
        _ => as_csv(order, tick),
    }
}

fn done(order: &ExportOrder<'_>, count: u64) -> ExportDone {
    let runs: Vec<_> = order.sources.iter().map(|source| source.run().id).collect();
    let things = match order.args.what.unwrap_or_default() {
        ExportWhat::Readings => "readings",
        ExportWhat::Spots => "spots",
        ExportWhat::Statistics => "rows of statistics",
        ExportWhat::Hand => {
            return ExportDone {
                count,
                files: vec![order.args.out.clone()],
                runs: Vec::new(),
                words: format!("{} read by hand", backwall_report::words::count(count, "place")),
            };
        }
        ExportWhat::Assessment | ExportWhat::Comparison | ExportWhat::Points | ExportWhat::Profile => "rows",
    };
    let words = match order.sources.as_slice() {
        [ReadingsOf::Evaluation(evaluation, run)] => {
            format!("{count} {things} of run {} as evaluation {} has them ({})", run.id, evaluation.id, evaluation.start.differs)
        }
        _ => format!("{count} {things} of {}", backwall_report::words::count(runs.len() as u64, "run")),
    };
    ExportDone { count, files: vec![order.args.out.clone()], runs, words }
}

fn as_csv(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let ExportOrder { args, reader, job, sources } = order;
    let rows = statistics_of(order, tick)?;
    let count = csv_file(args, |out| match &rows {
        Some(rows) => csv::write_statistics(rows, out),
        None if args.what == Some(ExportWhat::Hand) => csv::write_hand(&hand::rows(job), out),
        None if args.what == Some(ExportWhat::Spots) => csv::write_spots(reader, job, sources, out),
        None => csv::write_readings(reader, job, sources, out, tick),
    })?;
    Ok(done(order, count))
}

/// A table as CSV, with its byte order mark where one is wanted; answers how many rows.
pub(super) fn csv_file(args: &ExportArgs, write: impl FnOnce(&mut BufWriter<&File>) -> Result<u64, CsvError>) -> anyhow::Result<u64> {
    let count = whole_file::write(&args.out, |out| {
        if args.bom {
            let fail = |why| WholeFileError::Io { path: args.out.clone(), what: "not written", why };
            out.write_all("\u{feff}".as_bytes()).map_err(fail)?;
        }
        write(out)
    });
    count.map_err(of_csv)
}

/// The rows, where statistics are asked for.
fn statistics_of(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<Option<Vec<statistics::StatisticsRow>>> {
    let ExportOrder { args, reader, job, sources } = order;
    if args.what != Some(ExportWhat::Statistics) {
        return Ok(None);
    }
    let interval = args.interval.as_deref().map(|text| parse_length(text, job.plan.job.units)).transpose()?;
    match statistics::rows(reader, job, sources, interval, tick) {
        Err(statistics::StatisticsError::Stopped(stopped)) => Err(stopped.into()),
        rows => Ok(Some(rows?)),
    }
}

fn as_parquet(order: &ExportOrder<'_>, tick: &mut Tick<'_>) -> anyhow::Result<ExportDone> {
    let ExportOrder { args, reader, job, sources } = order;
    let all = sources.iter().map(|source| source.run().readings).sum();
    let write = |out: &Path, sources: &[ReadingsOf<'_>], before: u64, tick: &mut Tick<'_>| {
        whole_file::write(out, |file| match args.what.unwrap_or_default() {
            ExportWhat::Spots => parquet::write_spots(reader, job, sources, file),
            _ => parquet::write_readings(reader, job, sources, file, (before, all), tick),
        })
        .map_err(of_parquet)
    };
    if let Some(rows) = statistics_of(order, tick)? {
        let count = whole_file::write(&args.out, |file| parquet::write_statistics(job, sources, &rows, file)).map_err(of_parquet)?;
        return Ok(done(order, count));
    }
    if args.what == Some(ExportWhat::Hand) {
        let count = whole_file::write(&args.out, |file| parquet::write_hand(job, &hand::rows(job), file)).map_err(of_parquet)?;
        return Ok(done(order, count));
    }
    if !layout::is_folder(&args.out) {
        let count = write(&args.out, sources, 0, tick)?;
        return Ok(done(order, count));
    }
    let table = if args.what == Some(ExportWhat::Spots) { "spots" } else { "readings" };
    let (mut files, mut count) = (Vec::new(), 0);
    for source in sources {
        let place = layout::place(&args.out, job, source.run());
        layout::make_room(&place, table, source.run())?;
        count += write(&place, &[*source], count, tick)?;
        files.push(place);
    }
    Ok(ExportDone { files, ..done(order, count) })
}

/// Being stopped is kept apart from failing.
fn of_csv(error: CsvError) -> anyhow::Error {
    match error {
        CsvError::Stopped(stopped) => stopped.into(),
        error => error.into(),
    }
}

pub(super) fn of_parquet(error: ParquetError) -> anyhow::Error {
    match error {
        ParquetError::Stopped(stopped) => stopped.into(),
        error => error.into(),
    }
}
