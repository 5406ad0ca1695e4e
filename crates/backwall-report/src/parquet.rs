//! A table as Parquet: the values of the CSV digit for digit (decimals with a scale, not floating point), their units in the
//! columns' metadata, compressed for columns of millions of readings. `layout` says where the files of a fleet lie.

pub mod layout;

mod arrow_schema;

use super::hand::{HandRow, hand_columns};
use super::readings::{ReadingsOf, each_reading, each_spot, reading_columns, spot_columns};
use super::statistics::{StatisticsRow, statistics_columns};
use super::table::{CellValue, Column, ColumnKind};
use super::whole_file::{Stopped, Tick, WholeFileError};
use backwall_store::{JobContents, JobReader, Seal, StoreError};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, Int64Type};
use parquet::errors::ParquetError as Fault;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::ColumnPath;
use std::collections::HashMap;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

/// What the keys and columns of a file follow; changes when a reader would have to.
pub const SCHEMA: &str = "1";

/// What every such file begins with.
pub const MAGIC: &[u8; 4] = b"PAR1";

/// The seal of the job that a file was exported from, where it has one.
pub fn seal_of(path: &Path) -> Option<Seal> {
    let facts = layout::facts_of(path)?;
    let value = |wanted: &str| facts.iter().find(|(key, _)| key == wanted).map(|(_, value)| value.clone());
    Some(Seal { digest: value(layout::SEAL)?, entries: value(layout::SEAL_ENTRIES)?.parse().ok()? })
}

/// Rows of a row group: large enough to compress, small enough to skip.
const GROUP: usize = 131_072;

#[derive(Debug, thiserror::Error)]
pub enum ParquetError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the Parquet file could not be written: {0}. Check the disk and the path")]
    Write(#[from] Fault),
    #[error(transparent)]
    File(#[from] WholeFileError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
    #[error(transparent)]
    Layout(#[from] layout::ParquetLayoutError),
}

/// Writes the readings of `sources`; `progress` is what was done before and what there is in all. Answers how many.
pub fn write_readings(
    reader: &JobReader,
    job: &JobContents,
    sources: &[ReadingsOf<'_>],
    out: impl Write + Send,
    progress: (u64, u64),
    tick: &mut Tick<'_>,
) -> Result<u64, ParquetError> {
    let mut table = ParquetTable::new(reading_columns(), layout::facts("readings", job, sources), out)?;
    let done = each_reading(reader, job, sources, progress, tick, |row| table.row(row))?;
    table.end()?;
    Ok(done)
}

/// Writes the spots of `sources`; answers how many.
pub fn write_spots(reader: &JobReader, job: &JobContents, sources: &[ReadingsOf<'_>], out: impl Write + Send) -> Result<u64, ParquetError> {
    let mut table = ParquetTable::new(spot_columns(), layout::facts("spots", job, sources), out)?;
    let done = each_spot(reader, job, sources, |row| table.row(row))?;
    table.end()?;
    Ok(done)
}

/// Writes the statistics of `sources`; answers how many rows.
pub fn write_statistics(
    job: &JobContents,
    sources: &[ReadingsOf<'_>],
    rows: &[StatisticsRow],
    out: impl Write + Send,
) -> Result<u64, ParquetError> {
    let mut table = ParquetTable::new(statistics_columns(), layout::facts("statistics", job, sources), out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Writes rows of the hand-over; answers how many. `what` is the word they were asked for with.
pub fn write_rows<R>(
    what: &str,
    columns: Vec<Column<R>>,
    job: &JobContents,
    rows: &[R],
    out: impl Write + Send,
) -> Result<u64, ParquetError> {
    let mut table = ParquetTable::new(columns, layout::facts(what, job, &[]), out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Writes what was read by hand; answers how many rows.
pub fn write_hand(job: &JobContents, rows: &[HandRow<'_>], out: impl Write + Send) -> Result<u64, ParquetError> {
    let mut table = ParquetTable::new(hand_columns(), layout::facts("hand", job, &[]), out)?;
    rows.iter().try_for_each(|row| table.row(row))?;
    table.end()?;
    Ok(rows.len() as u64)
}

/// Rows on their way out, gathered to row groups.
pub struct ParquetTable<R, W: Write + Send> {
    columns: Vec<Column<R>>,
    gathered: Vec<ColumnValues>,
    rows: usize,
    writer: SerializedFileWriter<W>,
}

/// The values of one column; a definition level of 0 stands for a value that does not exist.
struct ColumnValues {
    levels: Vec<i16>,
    values: ValuesOfColumn,
}

enum ValuesOfColumn {
    Whole(Vec<i64>),
    Text(Vec<ByteArray>, HashMap<String, ByteArray>),
    Truth(Vec<bool>),
}

impl<R, W: Write + Send> ParquetTable<R, W> {
    pub fn new(columns: Vec<Column<R>>, facts: Vec<(String, String)>, out: W) -> Result<Self, ParquetError> {
        let schema = Arc::new(parse_message_type(&message(&columns))?);
        let mut keys: Vec<KeyValue> = vec![KeyValue::new("ARROW:schema".to_owned(), arrow_schema::encoded(&columns))];
        keys.push(KeyValue::new("backwall.schema".to_owned(), SCHEMA.to_owned()));
        keys.push(KeyValue::new("backwall.units".to_owned(), units(&columns)));
        keys.extend(facts.into_iter().map(|(key, value)| KeyValue::new(key, value)));
        let writer = SerializedFileWriter::new(out, schema, Arc::new(properties(&columns, keys)))?;
        let gathered = columns.iter().map(|column| ColumnValues::new(column.kind)).collect();
        Ok(Self { columns, gathered, rows: 0, writer })
    }

    pub fn row(&mut self, row: &R) -> Result<(), ParquetError> {
        for (column, gathered) in self.columns.iter().zip(&mut self.gathered) {
            gathered.push((column.of)(row));
        }
        self.rows += 1;
        if self.rows == GROUP { self.put_down() } else { Ok(()) }
    }

    fn put_down(&mut self) -> Result<(), ParquetError> {
        let mut group = self.writer.next_row_group()?;
        for gathered in &mut self.gathered {
            if let Some(column) = group.next_column()? {
                gathered.write(column)?;
            }
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }

    pub fn end(mut self) -> Result<(), ParquetError> {
        if self.rows > 0 {
            self.put_down()?;
        }
        self.writer.close()?;
        Ok(())
    }
}

impl ColumnValues {
    fn new(kind: ColumnKind) -> Self {
        let values = match kind {
            ColumnKind::Whole | ColumnKind::Fixed(_) | ColumnKind::Time => ValuesOfColumn::Whole(Vec::new()),
            ColumnKind::Text => ValuesOfColumn::Text(Vec::new(), HashMap::new()),
            ColumnKind::Truth => ValuesOfColumn::Truth(Vec::new()),
        };
        Self { levels: Vec::new(), values }
    }

    fn push(&mut self, value: CellValue<'_>) {
        let there = match (&mut self.values, value) {
            // A number that 64 bits cannot hold cannot be told here; no device counts that far.
            (ValuesOfColumn::Whole(values), CellValue::Whole(whole)) => i64::try_from(whole).map(|whole| values.push(whole)).is_ok(),
            (ValuesOfColumn::Whole(values), CellValue::Fixed(whole) | CellValue::Time(whole)) => {
                values.push(whole);
                true
            }
            (ValuesOfColumn::Text(values, known), CellValue::Text(text)) => {
                let bytes = match known.get(text.as_ref()) {
                    Some(bytes) => bytes.clone(),
                    None => known.entry(text.into_owned()).or_insert_with_key(|text| ByteArray::from(text.as_str())).clone(),
                };
                values.push(bytes);
                true
            }
            (ValuesOfColumn::Truth(values), CellValue::Truth(truth)) => {
                values.push(truth);
                true
            }
            _ => false,
        };
        self.levels.push(i16::from(there));
    }

    fn write(&mut self, mut column: SerializedColumnWriter<'_>) -> Result<(), ParquetError> {
        let levels = Some(self.levels.as_slice());
        match &mut self.values {
            ValuesOfColumn::Whole(values) => {
                column.typed::<Int64Type>().write_batch(values, levels, None)?;
                values.clear();
            }
            ValuesOfColumn::Text(values, known) => {
                column.typed::<ByteArrayType>().write_batch(values, levels, None)?;
                values.clear();
                known.clear();
            }
            ValuesOfColumn::Truth(values) => {
                column.typed::<BoolType>().write_batch(values, levels, None)?;
                values.clear();
            }
        }
        self.levels.clear();
        column.close()?;
        Ok(())
    }
}

/// The digits a decimal may have in 64 bits.
const PRECISION: u8 = 18;

/// The columns as Parquet's own schema language has them.
fn message<R>(columns: &[Column<R>]) -> String {
    let fields = columns.iter().map(|column| {
        let name = column.name;
        match column.kind {
            ColumnKind::Whole => format!("optional int64 {name};"),
            ColumnKind::Fixed(digits) => format!("optional int64 {name} (DECIMAL({PRECISION},{digits}));"),
            ColumnKind::Time => format!("optional int64 {name} (TIMESTAMP(MICROS,true));"),
            ColumnKind::Text => format!("optional binary {name} (STRING);"),
            ColumnKind::Truth => format!("optional boolean {name};"),
        }
    });
    format!("message backwall {{ {} }}", fields.collect::<Vec<_>>().join(" "))
}

/// Units and meanings for readers that show a file's keys and not a column's.
fn units<R>(columns: &[Column<R>]) -> String {
    let all = columns.iter().map(|column| (column.name, serde_json::json!({ "unit": column.unit, "about": column.about })));
    serde_json::Value::Object(all.map(|(name, value)| (name.to_owned(), value)).collect()).to_string()
}

/// Numbers that creep from row to row are kept as their differences, what repeats as a dictionary.
fn properties<R>(columns: &[Column<R>], keys: Vec<KeyValue>) -> WriterProperties {
    const REPEATING: [&str; 4] = ["run", "course", "gain_db", "wall_temperature_c"];
    let level = ZstdLevel::try_new(3).unwrap_or_default();
    let mut properties = WriterProperties::builder()
        .set_created_by(format!("backwall {}", env!("CARGO_PKG_VERSION")))
        .set_compression(Compression::ZSTD(level))
        .set_statistics_enabled(EnabledStatistics::Page)
        .set_max_row_group_row_count(Some(GROUP))
        .set_key_value_metadata(Some(keys));
    for column in columns {
        let number = matches!(column.kind, ColumnKind::Whole | ColumnKind::Fixed(_) | ColumnKind::Time);
        if number && !REPEATING.contains(&column.name) {
            let path = ColumnPath::from(column.name);
            properties =
                properties.set_column_dictionary_enabled(path.clone(), false).set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
        }
    }
    properties.build()
}
