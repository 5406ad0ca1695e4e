//! Readings as CSV: UTF-8, RFC 4180, point as decimal mark, RFC 3339 times, an empty field for what does not exist.
//! Numbers are written from the whole numbers the job file stores, so that no digit is invented or lost.

use crate::reading::Reading;
use crate::store::{EvaluationSummary, JobReader, RunId, StoreError};
use crate::strip::Level;
use crate::units::{Decibel, Length, Speed, Time};
use chrono::{DateTime, SecondsFormat};
use std::io::Write;

/// The first fifteen never change; others are only ever added behind them.
pub const COLUMNS: [&str; 19] = [
    "run",
    "seq",
    "device_time_us",
    "host_time",
    "line",
    "position_mm",
    "course",
    "echo_time_ns",
    "thickness_mm",
    "uncertainty_mm",
    "height_pct",
    "snr_db",
    "quality",
    "flags",
    "level",
    "gain_db",
    "wall_temperature_c",
    "speed_mm_s",
    "calibration",
];

#[derive(Debug, thiserror::Error)]
pub enum CsvError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the CSV could not be written: {0}. Check the disk and the path")]
    Write(#[from] csv::Error),
}

/// Writes the readings of `runs`, in that order; answers how many.
pub fn write_readings(reader: &JobReader, runs: &[RunId], out: impl Write) -> Result<u64, CsvError> {
    let mut table = Table::new(out)?;
    let job = reader.contents()?;
    for &run in runs {
        let summary = reader.run(run)?;
        let rows = table.of(run, &summary.start.line, job.validity(&summary).word());
        reader.for_each_reading(run, rows)?;
    }
    table.end()
}

/// Writes the readings of a run as an evaluation has them; answers how many.
pub fn write_evaluation(reader: &JobReader, evaluation: &EvaluationSummary, out: impl Write) -> Result<u64, CsvError> {
    let mut table = Table::new(out)?;
    let run = evaluation.start.run;
    let (summary, calibration) = (reader.run(run)?, reader.contents()?.validity_of(evaluation));
    let rows = table.of(run, &summary.start.line, calibration.word());
    reader.for_each_evaluated(evaluation.id, rows)?;
    table.end()
}

/// Rows on their way out; after the first error nothing more is written.
struct Table<W: Write> {
    csv: csv::Writer<W>,
    written: u64,
    failed: Option<csv::Error>,
}

impl<W: Write> Table<W> {
    fn new(out: W) -> Result<Self, CsvError> {
        let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
        csv.write_record(COLUMNS)?;
        Ok(Self { csv, written: 0, failed: None })
    }

    /// Takes the readings of one run.
    fn of(&mut self, run: RunId, line: &str, calibration: &'static str) -> impl FnMut(Reading) {
        let (run, line) = (run.to_string(), plain_text(line));
        move |reading| {
            if self.failed.is_none() {
                self.failed = self.csv.write_record(fields(&run, &line, calibration, &reading)).err();
                self.written += 1;
            }
        }
    }

    fn end(mut self) -> Result<u64, CsvError> {
        if let Some(error) = self.failed {
            return Err(error.into());
        }
        self.csv.flush().map_err(csv::Error::from)?;
        Ok(self.written)
    }
}

fn fields(run: &str, line: &str, calibration: &str, reading: &Reading) -> [String; COLUMNS.len()] {
    let measurement = &reading.measurement;
    let mm = |length: Option<Length>, scaled: fn(Length) -> i64, digits| length.map(|length| fixed(scaled(length), digits));
    let hundredths = |value: Option<f64>| value.map(|value| fixed((value * 100.0).round() as i64, 2));
    let decibels = |level: Option<Decibel>| level.filter(|level| level.is_finite()).map(|level| fixed(level.as_hundredths(), 2));
    let temperature = reading.wall_temperature;
    let or_empty = Option::unwrap_or_default;
    [
        run.to_owned(),
        reading.seq.to_string(),
        or_empty(reading.device_time_us.map(|time| time.to_string())),
        rfc3339(reading.host_time_us),
        line.to_owned(),
        or_empty(mm(reading.place.along, Length::as_micrometres, 3)),
        or_empty(reading.place.course.map(|course| course.to_string())),
        or_empty(measurement.echo_time.map(Time::as_picoseconds).map(|time| fixed(time, 3))),
        or_empty(mm(measurement.thickness, Length::as_nanometres, 6)),
        or_empty(mm(measurement.uncertainty, Length::as_nanometres, 6)),
        or_empty(hundredths(measurement.height_pct)),
        or_empty(decibels(measurement.snr)),
        measurement.quality.to_string(),
        measurement.flags.to_string(),
        if reading.level == Level::Unjudged { String::new() } else { reading.level.word().to_owned() },
        or_empty(decibels(Some(reading.gain))),
        or_empty(Some(temperature).filter(|t| t.is_finite()).map(|t| fixed(t.as_millidegrees(), 3))),
        or_empty(reading.place.speed.map(Speed::as_micrometres_s).map(|speed| fixed(speed, 3))),
        calibration.to_owned(),
    ]
}

/// A whole number of the smallest unit with its decimal point put in, every digit as stored.
fn fixed(value: i64, digits: usize) -> String {
    let sign = if value < 0 { "-" } else { "" };
    let all = format!("{:0width$}", value.unsigned_abs(), width = digits + 1);
    let (whole, part) = all.split_at(all.len() - digits);
    format!("{sign}{whole}.{part}")
}

fn rfc3339(us: i64) -> String {
    DateTime::from_timestamp_micros(us).map_or_else(String::new, |time| time.to_rfc3339_opts(SecondsFormat::Micros, true))
}

/// Text that a spreadsheet would take for a formula gets an apostrophe in front.
fn plain_text(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r') => format!("'{text}"),
        _ => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_every_digit_they_were_stored_with() {
        assert_eq!(fixed(9_512_345, 6), "9.512345");
        assert_eq!(fixed(-5, 3), "-0.005");
        assert_eq!(fixed(0, 2), "0.00");
        assert_eq!(fixed(i64::MIN, 3), "-9223372036854775.808");
    }

    // RFC 3339, section 5.6: full-date "T" full-time, "Z" for UTC.
    #[test]
    fn times_are_utc_to_the_microsecond() {
        assert_eq!(rfc3339(1_772_366_400_000_001), "2026-03-01T12:00:00.000001Z");
        assert_eq!(rfc3339(-1), "1969-12-31T23:59:59.999999Z");
    }

    #[test]
    fn text_never_becomes_a_formula() {
        assert_eq!(plain_text("=1+1"), "'=1+1");
        assert_eq!(plain_text("A090"), "A090");
    }
}
