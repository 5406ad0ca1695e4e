//! The Arrow schema that goes with a Parquet file, where Arrow readers look for what a column means: unit and description of
//! each field. An encapsulated IPC message of format version 5 (Apache Arrow, Schema.fbs and Message.fbs), in base64, as
//! the Arrow readers and writers of Parquet exchange it under the key `ARROW:schema`.

use super::PRECISION;
use crate::table::{Column, ColumnKind};
use base64::Engine;
use flatbuffers::{FlatBufferBuilder, UnionWIPOffset, WIPOffset};

/// The place of a slot in its table.
const fn slot(index: u16) -> u16 {
    4 + 2 * index
}

// Message: version, header type, header, body length. Schema: endianness, fields. Field: name, nullable, type's type,
// type, dictionary, children, custom metadata.
const VERSION_5: i16 = 4;
const HEADER_IS_SCHEMA: u8 = 1;
const INT: u8 = 2;
const UTF8: u8 = 5;
const BOOL: u8 = 6;
const DECIMAL: u8 = 7;
const TIMESTAMP: u8 = 10;
const MICROSECOND: i16 = 2;

/// The message, ready for the key's value.
pub fn encoded<R>(columns: &[Column<R>]) -> String {
    let mut builder = FlatBufferBuilder::new();
    let fields: Vec<_> = columns.iter().map(|column| field(&mut builder, column)).collect();
    let fields = builder.create_vector(&fields);
    let table = builder.start_table();
    builder.push_slot_always(slot(1), fields);
    let schema = builder.end_table(table);
    let table = builder.start_table();
    builder.push_slot::<i64>(slot(3), 0, 1);
    builder.push_slot_always(slot(2), schema);
    builder.push_slot_always(slot(0), VERSION_5);
    builder.push_slot_always(slot(1), HEADER_IS_SCHEMA);
    let message = builder.end_table(table);
    builder.finish(message, None);
    let body = builder.finished_data();
    let padded = body.len().next_multiple_of(8);
    let mut bytes = Vec::with_capacity(8 + padded);
    bytes.extend_from_slice(&[0xff; 4]);
    bytes.extend_from_slice(&(padded as u32).to_le_bytes());
    bytes.extend_from_slice(body);
    bytes.resize(8 + padded, 0);
    base64::engine::general_purpose::STANDARD.encode(bytes)
}

type FlatTable = WIPOffset<flatbuffers::TableFinishedWIPOffset>;

fn field<'a, R>(builder: &mut FlatBufferBuilder<'a>, column: &Column<R>) -> FlatTable {
    let name = builder.create_string(column.name);
    let pairs: Vec<_> = [("unit", column.unit), ("description", column.about)]
        .into_iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(key, value)| pair(builder, key, value))
        .collect();
    let metadata = builder.create_vector(&pairs);
    let children = builder.create_vector::<FlatTable>(&[]);
    let (code, kind) = kind_of(builder, column.kind);
    let table = builder.start_table();
    builder.push_slot_always(slot(0), name);
    builder.push_slot_always(slot(3), kind);
    builder.push_slot_always(slot(5), children);
    builder.push_slot_always(slot(6), metadata);
    builder.push_slot_always(slot(1), true);
    builder.push_slot_always(slot(2), code);
    builder.end_table(table)
}

fn pair(builder: &mut FlatBufferBuilder<'_>, key: &str, value: &str) -> FlatTable {
    let (key, value) = (builder.create_string(key), builder.create_string(value));
    let table = builder.start_table();
    builder.push_slot_always(slot(0), key);
    builder.push_slot_always(slot(1), value);
    builder.end_table(table)
}

fn kind_of(builder: &mut FlatBufferBuilder<'_>, kind: ColumnKind) -> (u8, WIPOffset<UnionWIPOffset>) {
    let zone = builder.create_string("UTC");
    let table = builder.start_table();
    let code = match kind {
        ColumnKind::Whole => {
            builder.push_slot_always(slot(0), 64i32);
            builder.push_slot_always(slot(1), true);
            INT
        }
        ColumnKind::Fixed(digits) => {
            builder.push_slot_always(slot(0), i32::from(PRECISION));
            builder.push_slot_always(slot(1), i32::from(digits));
            builder.push_slot_always(slot(2), 128i32);
            DECIMAL
        }
        ColumnKind::Time => {
            builder.push_slot_always(slot(1), zone);
            builder.push_slot_always(slot(0), MICROSECOND);
            TIMESTAMP
        }
        ColumnKind::Text => UTF8,
        ColumnKind::Truth => BOOL,
    };
    (code, builder.end_table(table).as_union_value())
}
