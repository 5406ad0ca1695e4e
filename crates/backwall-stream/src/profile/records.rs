//! The record rules of a profile: each field's place, meaning and unit, and what a record cannot do without.

use super::findings::Findings;
use super::written;
use crate::check::ByteOrder;
use crate::layout::{Constant, Count, Field, Layout, Place, RecordRule, Scale, UnitRule, Wire};
use crate::meaning::{Meaning, RecordKind, Unit};

pub fn rule(index: usize, record: &written::Record, order: ByteOrder, found: &mut Findings<'_>) -> Option<RecordRule> {
    let at = format!("record[{index}]");
    let kind = found.needed(&format!("{at}.kind"), record.kind, "header, shot, status, gauge or ignore");
    let when = match (&record.when, &record.when_hex) {
        (Some(_), Some(_)) => {
            found.add(&format!("{at}.when_hex"), "cannot go with when: give one of them");
            Vec::new()
        }
        (Some(text), None) => text.clone().into_bytes(),
        (None, hex) => found.hex(&format!("{at}.when_hex"), hex.as_ref()),
    };
    let kind = kind?;
    if kind == RecordKind::Ignore {
        if when.is_empty() {
            found.add(&format!("{at}.kind"), "ignore needs when or when_hex: else everything would be ignored");
        }
        // Its fields are not read: a body of any length fits.
        let rest = Place::Bytes { wire: Wire::Skip, order, count: Count::Rest };
        return Some(RecordRule { kind, when, layout: Layout::Binary, fields: vec![plain_field("", rest)] });
    }
    let layout = layout(&at, record, found);
    let fields: Vec<Field> = record
        .fields
        .iter()
        .enumerate()
        .filter_map(|(number, written)| {
            let here = format!("{at}.fields[{number}]");
            let last = number + 1 == record.fields.len();
            field(&here, written, kind, &layout, order, record.decimal_comma, last, found)
        })
        .collect();
    complete(&at, kind, record, found);
    Some(RecordRule { kind, when, layout, fields })
}

fn plain_field(name: &str, place: Place) -> Field {
    Field {
        name: name.to_owned(),
        place,
        meaning: None,
        scale: Scale::ONE,
        unit: UnitRule::Always(Unit::ONE),
        absent: Vec::new(),
        must_be: None,
        wraps_at: None,
        decimal_comma: false,
    }
}

fn layout(at: &str, record: &written::Record, found: &mut Findings<'_>) -> Layout {
    let delimiter_key = format!("{at}.delimiter");
    let delimiter = match record.delimiter.as_deref() {
        None | Some("blank") => None,
        Some(_) => found.one_char(&delimiter_key, record.delimiter.as_ref()),
    };
    if record.decimal_comma && delimiter == Some(',') {
        found.add(&delimiter_key, "a comma cannot part columns and decimals at once");
    }
    if record.fields.iter().any(|field| field.key.is_some()) {
        let sign = found.one_char(&format!("{at}.sign"), record.sign.as_ref()).unwrap_or('=');
        found.of_no_use(&format!("{at}.columns"), &record.columns, "where fields have keys");
        Layout::Keyed { delimiter, sign }
    } else if record.fields.iter().any(|field| field.column.is_some()) {
        found.of_no_use(&format!("{at}.sign"), &record.sign, "where fields have columns");
        Layout::Columns { delimiter, exactly: record.columns }
    } else {
        for (name, given) in
            [("delimiter", record.delimiter.is_some()), ("columns", record.columns.is_some()), ("sign", record.sign.is_some())]
        {
            found.of_no_use(&format!("{at}.{name}"), &given.then_some(()), "where fields are binary");
        }
        Layout::Binary
    }
}

#[expect(clippy::too_many_arguments, reason = "one call, and each says where the field stands")]
fn field(
    at: &str,
    written: &written::Field,
    kind: RecordKind,
    layout: &Layout,
    order: ByteOrder,
    decimal_comma: bool,
    last: bool,
    found: &mut Findings<'_>,
) -> Option<Field> {
    let key = |name: &str| format!("{at}.{name}");
    if let Some(meaning) = written.meaning
        && !meaning.belongs_to(kind)
    {
        found.add(&key("meaning"), format!("{} does not belong into a {} record", meaning.word(), kind.word()));
    }
    let place = place(at, written, layout, order, last, found)?;
    let name = written.name.clone().or_else(|| written.meaning.map(|meaning| meaning.word().to_owned())).unwrap_or_else(|| match &place {
        Place::Bytes { .. } => "without name".to_owned(),
        Place::Column { index, .. } => format!("column {}", index + 1),
        Place::Key(key) => key.clone(),
    });
    if written.scale.is_some_and(|scale| !scale.is_finite() || scale == 0.0) {
        found.add(&key("scale"), "must be a number other than 0");
    }
    if written.offset.is_some_and(|offset| !offset.is_finite()) {
        found.add(&key("offset"), "must be a number");
    }
    if written.meaning == Some(Meaning::DeviceName) && written.wire.is_some_and(|wire| wire != Wire::Text) {
        found.add(&key("type"), "a name must be of type text");
    }
    let unit = unit(at, written, layout, found);
    let absent = match &written.absent {
        None => Vec::new(),
        Some(toml::Value::Array(values)) => values.iter().filter_map(|value| constant(&key("absent"), value, found)).collect(),
        Some(value) => constant(&key("absent"), value, found).into_iter().collect(),
    };
    let must_be = written.must_be.as_ref().and_then(|value| constant(&key("must_be"), value, found));
    if written.wraps_at.is_some_and(|wraps_at| wraps_at < 2) {
        found.add(&key("wraps_at"), "must be 2 or more: the count behind which the device starts again at 0");
    }
    Some(Field {
        name,
        wraps_at: written.wraps_at.map(i128::from).or_else(|| usual_wrap(written.meaning, &place)),
        place,
        meaning: written.meaning,
        scale: Scale::new(written.scale.unwrap_or(1.0), written.offset.unwrap_or(0.0)),
        unit,
        absent,
        must_be,
        decimal_comma,
    })
}

/// A narrow counter goes round sooner than what is kept of it.
fn usual_wrap(meaning: Option<Meaning>, place: &Place) -> Option<i128> {
    let Place::Bytes { wire, .. } = place else { return None };
    let bits = 8 * wire.width().filter(|_| !wire.is_float())?;
    match meaning? {
        Meaning::Seq | Meaning::Encoder if bits <= 32 => Some(1 << bits),
        Meaning::DeviceTime if bits <= 32 => Some(1 << bits),
        _ => None,
    }
}

fn constant(key: &str, value: &toml::Value, found: &mut Findings<'_>) -> Option<Constant> {
    match value {
        toml::Value::Integer(value) => Some(Constant::Number(*value as f64)),
        toml::Value::Float(value) => Some(Constant::Number(*value)),
        toml::Value::String(text) => Some(Constant::Text(text.clone())),
        _ => {
            found.add(key, "must be a number or a text");
            None
        }
    }
}

fn place(at: &str, written: &written::Field, layout: &Layout, order: ByteOrder, last: bool, found: &mut Findings<'_>) -> Option<Place> {
    let key = |name: &str| format!("{at}.{name}");
    let is_samples = written.meaning == Some(Meaning::Samples);
    match layout {
        Layout::Binary => {
            let wire =
                found.needed(&key("type"), written.wire, "u8 to u64, i8 to i64, f32, f64, text or skip; or a column or key for text")?;
            if written.rest && !last {
                found.add(&key("rest"), "only the last field can take the rest");
            }
            if written.rest && wire.width().is_some() && !is_samples {
                found.add(&key("rest"), "only samples, text and skip can take the rest");
            }
            if is_samples && (!written.rest || wire.width().is_none()) {
                found.add(&key("meaning"), "samples are numbers and take the rest of the frame: set rest = true");
            }
            let count = match (written.rest, written.bytes, wire.width()) {
                (true, None, _) => Count::Rest,
                (false, Some(bytes), None) => Count::Bytes(bytes),
                (false, None, Some(_)) => Count::One,
                (false, None, None) => {
                    found.add(&key("bytes"), "is missing: text and skip need it, or rest = true");
                    return None;
                }
                (true, Some(_), _) | (false, Some(_), Some(_)) => {
                    found.add(&key("bytes"), "is of no use here: take it out");
                    return None;
                }
            };
            Some(Place::Bytes { wire, order: written.byte_order.unwrap_or(order), count })
        }
        Layout::Columns { exactly, .. } => {
            found.of_no_use(&key("type"), &written.wire, "in text");
            let column = found.needed(&key("column"), written.column, "count from 1")?;
            if column == 0 || exactly.is_some_and(|columns| column > columns) {
                found.add(
                    &key("column"),
                    format!("{column} is not possible: columns count from 1{}", exactly.map_or(String::new(), |n| format!(" to {n}"))),
                );
                return None;
            }
            if written.rest != is_samples {
                found.add(&key("rest"), "samples, and only they, take all columns from here on: set rest = true");
            }
            Some(Place::Column { index: column - 1, rest: written.rest })
        }
        Layout::Keyed { .. } => {
            found.of_no_use(&key("type"), &written.wire, "in text");
            found.of_no_use(&key("column"), &written.column, "beside key");
            if is_samples {
                found.add(&key("meaning"), "samples cannot come as a keyed value: use columns");
            }
            Some(Place::Key(found.needed(&key("key"), written.key.clone(), "the text in front of the sign")?))
        }
    }
}

fn unit(at: &str, written: &written::Field, layout: &Layout, found: &mut Findings<'_>) -> UnitRule {
    let key = |name: &str| format!("{at}.{name}");
    let one = UnitRule::Always(Unit::ONE);
    let text = !matches!(layout, Layout::Binary);
    let Some(meaning) = written.meaning.filter(|meaning| !meaning.units().is_empty()) else {
        found.of_no_use(&key("unit"), &written.unit, "for this meaning");
        return one;
    };
    match (&written.unit, written.unit_column, &written.unit_key) {
        (Some(unit), None, None) if unit == "as-sent" && text => UnitRule::AsSent,
        (Some(unit), None, None) => meaning.unit(unit).map_or_else(
            || {
                found.add(&key("unit"), format!("'{unit}' is no unit of {}: one of {}", meaning.word(), meaning.unit_words()));
                one
            },
            UnitRule::Always,
        ),
        (None, Some(column), None) if column > 0 && matches!(layout, Layout::Columns { .. }) => UnitRule::Column(column - 1),
        (None, None, Some(name)) if matches!(layout, Layout::Keyed { .. }) => UnitRule::Key(name.clone()),
        (None, None, None) => {
            let more = if text { ", or \"as-sent\" where it stands behind the number" } else { "" };
            found.add(&key("unit"), format!("is missing: {} is in one of {}{more}", meaning.word(), meaning.unit_words()));
            one
        }
        _ => {
            found.add(&key("unit"), "give one of unit, unit_column (with columns) or unit_key (with keys)");
            one
        }
    }
}

/// What a record of its kind cannot do without.
fn complete(at: &str, kind: RecordKind, record: &written::Record, found: &mut Findings<'_>) {
    let fields = format!("{at}.fields");
    let has = |meaning: Meaning| record.fields.iter().any(|field| field.meaning == Some(meaning));
    for (index, field) in record.fields.iter().enumerate() {
        if let Some(meaning) = field.meaning
            && record.fields[..index].iter().any(|earlier| earlier.meaning == Some(meaning))
        {
            found.add(&format!("{fields}[{index}].meaning"), format!("{} is given twice", meaning.word()));
        }
    }
    if found.wrong.iter().any(|key| key.starts_with(&fields)) {
        return;
    }
    match kind {
        RecordKind::Shot if !has(Meaning::Samples) => found.add(&fields, "a shot needs a field with meaning = \"samples\""),
        RecordKind::Gauge if has(Meaning::Thickness) == has(Meaning::EchoTime) => {
            found.add(&fields, "a gauge record needs one field with meaning = \"thickness\" or \"echo-time\"");
        }
        _ => {}
    }
}
