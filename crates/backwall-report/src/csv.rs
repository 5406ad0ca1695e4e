//! A table as CSV: UTF-8, RFC 4180, point as decimal mark, RFC 3339 times, an empty field for what does not exist.

use super::hand::{HandRow, hand_columns};
use super::readings::{ReadingsOf, each_reading, each_spot, reading_columns, spot_columns};
use super::statistics::{StatisticsRow, statistics_columns};
use super::table::{CellValue, Column, ColumnKind, decimal};
use super::whole_file::{Stopped, Tick, WholeFileError};
use backwall_store::{JobContents, JobReader, StoreError};
use chrono::{DateTime, SecondsFormat};
use std::io::Write;

#[derive(Debug, thiserror::Error)]
pub enum CsvError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the CSV could not be written: {0}. Check the disk and the path")]
    Write(#[from] csv::Error),
    #[error(transparent)]
    File(#[from] WholeFileError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// Writes the readings of `sources`, in that order; answers how many.
pub fn write_readings(
    reader: &JobReader,
    job: &JobContents,
    sources: &[ReadingsOf<'_>],
    out: impl Write,
    tick: &mut Tick<'_>,
) -> Result<u64, CsvError> {
    let mut table = CsvTable::new(reading_columns(), out)?;
    let of = sources.iter().map(|source| source.run().readings).sum();
    let done = each_reading(reader, job, sources, (0, of), tick, |row| table.row(row))?;
    table.end()?;
    Ok(done)
}

/// Writes the spots of `sources`; answers how many.
pub fn write_spots(reader: &JobReader, job: &JobContents, sources: &[ReadingsOf<'_>], out: impl Write) -> Result<u64, CsvError> {
    let mut table = CsvTable::new(spot_columns(), out)?;
    let done = each_spot(reader, job, sources, |row| table.row(row))?;
    table.end()?;
    Ok(done)
}

/// Writes the statistics of `sources`; answers how many rows.
pub fn write_statistics(rows: &[StatisticsRow], out: impl Write) -> Result<u64, CsvError> {
    let mut table = CsvTable::new(statistics_columns(), out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Writes rows of the hand-over; answers how many.
pub fn write_rows<R>(columns: Vec<Column<R>>, rows: &[R], out: impl Write) -> Result<u64, CsvError> {
    let mut table = CsvTable::new(columns, out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Writes what was read by hand; answers how many rows.
pub fn write_hand(rows: &[HandRow<'_>], out: impl Write) -> Result<u64, CsvError> {
    let mut table = CsvTable::new(hand_columns(), out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Rows on their way out.
pub struct CsvTable<R, W: Write> {
    columns: Vec<Column<R>>,
    csv: csv::Writer<W>,
}

impl<R, W: Write> CsvTable<R, W> {
    pub fn new(columns: Vec<Column<R>>, out: W) -> Result<Self, CsvError> {
        let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
        csv.write_record(columns.iter().map(|column| column.name))?;
        Ok(Self { columns, csv })
    }

    pub fn row(&mut self, row: &R) -> Result<(), CsvError> {
        for column in &self.columns {
            self.csv.write_field(text_of(column.kind, &(column.of)(row)))?;
        }
        self.csv.write_record(None::<&[u8]>)?;
        Ok(())
    }

    pub fn end(mut self) -> Result<(), CsvError> {
        self.csv.flush().map_err(csv::Error::from)?;
        Ok(())
    }
}

fn text_of(kind: ColumnKind, value: &CellValue<'_>) -> String {
    match (value, kind) {
        (CellValue::None, _) => String::new(),
        // Where the decimal mark is a comma, spreadsheets take a point before three digits for one between thousands: 2.500 mm would be 2500 mm.
        (CellValue::Fixed(scaled), ColumnKind::Fixed(3)) => decimal(*scaled, 3) + "0",
        (CellValue::Fixed(scaled), ColumnKind::Fixed(digits)) => decimal(*scaled, digits),
        (CellValue::Whole(whole), _) => whole.to_string(),
        (CellValue::Fixed(whole), _) => whole.to_string(),
        (CellValue::Time(us), _) => rfc3339(*us),
        (CellValue::Text(text), _) => plain_text(text),
        (CellValue::Truth(truth), _) => truth.to_string(),
    }
}

fn rfc3339(us: i64) -> String {
    DateTime::from_timestamp_micros(us).map_or_else(String::new, |time| time.to_rfc3339_opts(SecondsFormat::Micros, true))
}

/// Text that a spreadsheet would take for a formula gets an apostrophe in front, also where its sign is of full width.
fn plain_text(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠') => format!("'{text}"),
        _ => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 3339, section 5.6: full-date "T" full-time, "Z" for UTC.
    #[test]
    fn times_are_utc_to_the_microsecond() {
        assert_eq!(rfc3339(1_772_366_400_000_001), "2026-03-01T12:00:00.000001Z");
        assert_eq!(rfc3339(-1), "1969-12-31T23:59:59.999999Z");
    }

    // LibreOffice 7.4 with the German locale of glibc took 2.500 for 2500 and left 2.5000 as the text it is.
    #[test]
    fn no_number_has_three_digits_behind_its_point() {
        let text = |value: i64, digits: u8| text_of(ColumnKind::Fixed(digits), &CellValue::Fixed(value));
        assert_eq!([text(2500, 3), text(-5, 3), text(2500, 2), text(9_512_345, 6)], ["2.5000", "-0.0050", "25.00", "9.512345"]);
    }

    #[test]
    fn text_never_becomes_a_formula() {
        assert_eq!(plain_text("=1+1"), "'=1+1");
        assert_eq!(plain_text("＝1+1"), "'＝1+1");
        assert_eq!(plain_text("A090"), "A090");
    }

    // RFC 4180, section 2: fields with quotes, commas or line breaks are quoted, quotes doubled, lines end in CRLF.
    #[test]
    fn fields_are_quoted_as_the_rfc_wants() {
        let columns =
            || vec![Column::<&str> { name: "text", kind: ColumnKind::Text, unit: "", about: "", of: |row| CellValue::from(*row) }];
        let mut out = Vec::new();
        let mut table = CsvTable::new(columns(), &mut out).unwrap();
        for text in ["plain", "a,b", "say \"so\"", "two\nlines", ""] {
            table.row(&text).unwrap();
        }
        table.end().unwrap();
        let want = "text\r\nplain\r\n\"a,b\"\r\n\"say \"\"so\"\"\"\r\n\"two\nlines\"\r\n\"\"\r\n";
        assert_eq!(String::from_utf8(out).unwrap(), want);
    }
}
