//! The record rules of a profile: each field's place, meaning and unit, and what a record cannot do without.

use super::conditions::{codes, conditions, constants, encoding, range};
use super::findings::ProfileFindings;
use super::written;
use crate::check::ByteOrder;
use crate::json;
use crate::layout::{Bits, Count, FramePlace, Layout, LayoutField, RecordRule, Scale, UnitRule, Wire};
use crate::meaning::{Meaning, RecordKind, Unit};
use crate::samples::SampleEncoding;

/// What the rest of the profile says about its records.
pub struct RecordAbout {
    pub order: ByteOrder,
    /// Each frame is a JSON object.
    pub json: bool,
    /// Of the converter, where the profile says it.
    pub bits: Option<u8>,
}

pub fn rule(index: usize, record: &written::WrittenRecord, about: &RecordAbout, found: &mut ProfileFindings<'_>) -> Option<RecordRule> {
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
    let answers = record.answers.and_then(|answers| answers.checked_sub(1));
    let chosen = record.fields.iter().any(|field| field.only_when.is_some());
    if kind == RecordKind::Ignore && !chosen {
        if when.is_empty() {
            found.add(&format!("{at}.kind"), "ignore needs when, when_hex or a field with only_when: else everything would be ignored");
        }
        // Its fields are not read: a body of any length fits.
        let rest = FramePlace::Bytes { wire: Wire::Skip, order: about.order, count: Count::Rest, at: None, bits: None };
        return Some(RecordRule { kind, answers, when, layout: Layout::Binary, fields: vec![plain_field("", rest)] });
    }
    let layout = layout(&at, record, about.json, found);
    if about.json {
        found.of_no_use(&format!("{at}.when"), &record.when, "in JSON: choose by a field with only_when");
    }
    let fields: Vec<LayoutField> = record
        .fields
        .iter()
        .enumerate()
        .filter_map(|(number, written)| {
            let here = format!("{at}.fields[{number}]");
            let last = number + 1 == record.fields.len();
            field(&here, written, kind, &layout, about, record.decimal_comma, last, found)
        })
        .collect();
    complete(&at, kind, record, found);
    places(&at, &fields, found);
    Some(RecordRule { kind, answers, when, layout, fields })
}

fn plain_field(name: &str, place: FramePlace) -> LayoutField {
    LayoutField {
        name: name.to_owned(),
        place,
        meaning: None,
        scale: Scale::ONE,
        unit: UnitRule::Always(Unit::ONE),
        absent: Vec::new(),
        must_be: None,
        only_when: None,
        valid_when: None,
        flag_when: None,
        encoding: SampleEncoding::NONE,
        wraps_at: None,
        decimal_comma: false,
    }
}

fn layout(at: &str, record: &written::WrittenRecord, json: bool, found: &mut ProfileFindings<'_>) -> Layout {
    let delimiter_key = format!("{at}.delimiter");
    let delimiter = match record.delimiter.as_deref() {
        None | Some("blank") => None,
        Some(_) => found.one_char(&delimiter_key, record.delimiter.as_ref()),
    };
    if record.decimal_comma && delimiter == Some(',') {
        found.add(&delimiter_key, "a comma cannot separate columns and be the decimal mark at once");
    }
    if let Some(sign) = delimiter.filter(|sign| sign.is_ascii_digit() || matches!(sign, '-' | '+' | '.')) {
        found.add(&delimiter_key, format!("'{sign}' is part of numbers and cannot separate columns"));
    }
    if json {
        for (name, given) in
            [("delimiter", record.delimiter.is_some()), ("columns", record.columns.is_some()), ("sign", record.sign.is_some())]
        {
            found.of_no_use(&format!("{at}.{name}"), &given.then_some(()), "in JSON: fields are at a path");
        }
        Layout::Json
    } else if record.fields.iter().any(|field| field.key.is_some()) {
        let sign = found.one_char(&format!("{at}.sign"), record.sign.as_ref()).unwrap_or('=');
        found.of_no_use(&format!("{at}.columns"), &record.columns, "where fields have keys");
        Layout::Keyed { delimiter, sign }
    } else if record.fields.iter().any(|field| field.column.is_some()) {
        found.of_no_use(&format!("{at}.sign"), &record.sign, "where fields have columns");
        Layout::Columns { delimiter, exactly: record.columns }
    } else {
        for (name, given) in [
            ("delimiter", record.delimiter.is_some()),
            ("columns", record.columns.is_some()),
            ("sign", record.sign.is_some()),
            ("decimal_comma", record.decimal_comma),
        ] {
            found.of_no_use(&format!("{at}.{name}"), &given.then_some(()), "where fields are binary");
        }
        Layout::Binary
    }
}

#[expect(clippy::too_many_arguments, reason = "one call, and each says where the field stands")]
fn field(
    at: &str,
    written: &written::WrittenField,
    kind: RecordKind,
    layout: &Layout,
    about: &RecordAbout,
    decimal_comma: bool,
    last: bool,
    found: &mut ProfileFindings<'_>,
) -> Option<LayoutField> {
    let key = |name: &str| format!("{at}.{name}");
    if let Some(meaning) = written.meaning
        && !meaning.belongs_to(kind)
    {
        found.add(&key("meaning"), format!("{} does not belong in a {} record", meaning.word(), kind.word()));
    }
    let place = place(at, written, layout, about.order, last, found)?;
    let name = written.name.clone().or_else(|| written.meaning.map(|meaning| meaning.word().to_owned())).unwrap_or_else(|| match &place {
        FramePlace::Bytes { .. } => "without name".to_owned(),
        FramePlace::Column { index, .. } => format!("column {}", index + 1),
        FramePlace::Key(key) => key.clone(),
        FramePlace::Path(_) => written.path.clone().unwrap_or_default(),
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
    let absent = written.absent.as_ref().map_or_else(Vec::new, |value| constants(&key("absent"), value, &place, found));
    let must_be = match &written.must_be {
        Some(toml::Value::Array(_)) => {
            found.add(&key("must_be"), "must be a number or a text; where several will do, use only_when");
            None
        }
        value => value.as_ref().and_then(|value| constants(&key("must_be"), value, &place, found).pop()),
    };
    let [only_when, valid_when, flag_when] = conditions(at, written, kind, &place, found);
    let encoding = encoding(at, written, layout, about.order, found);
    if written.meaning == Some(Meaning::Samples) {
        codes(at, written, written.wire, about.bits, found);
    }
    if written.meaning.is_some_and(|meaning| meaning.only_grows()) && written.scale.is_some_and(|scale| scale < 0.0) {
        found.add(&key("scale"), format!("{} cannot be negative", written.meaning.map_or("", Meaning::word)));
    }
    wraps(at, written, &place, found);
    Some(LayoutField {
        name,
        wraps_at: written.wraps_at.map(i128::from).or_else(|| usual_wrap(written.meaning, &place)),
        place,
        meaning: written.meaning,
        scale: Scale::new(written.scale.unwrap_or(1.0), written.offset.unwrap_or(0.0)),
        unit,
        absent,
        must_be,
        only_when,
        valid_when,
        flag_when,
        encoding,
        decimal_comma,
    })
}

/// A narrow counter goes round sooner than what is kept of it.
fn usual_wrap(meaning: Option<Meaning>, place: &FramePlace) -> Option<i128> {
    let FramePlace::Bytes { wire, bits, .. } = place else { return None };
    let width = bits.map_or(8 * wire.width().filter(|_| !wire.is_float())?, |bits| bits.count as usize);
    meaning.filter(|meaning| meaning.is_counter()).map(|_| 1 << width)
}

fn wraps(at: &str, written: &written::WrittenField, place: &FramePlace, found: &mut ProfileFindings<'_>) {
    let key = format!("{at}.wraps_at");
    let Some(wraps_at) = written.wraps_at else { return };
    if !written.meaning.is_some_and(Meaning::is_counter) {
        found.of_no_use(&key, &written.wraps_at, "for anything but seq, device-time and encoder");
    } else if wraps_at < 2 {
        found.add(&key, "must be 2 or more: the count after which the device starts again at 0");
    } else if let FramePlace::Bytes { wire, bits, .. } = place
        && let Some((low, high)) = range(*wire, *bits).filter(|_| !wire.is_float())
        && wraps_at as f64 > high - low + 1.0
    {
        found.add(&key, format!("{wraps_at} is more than the field can count: {} at the most", high - low + 1.0));
    }
}

/// No value stands for two things.
fn places(at: &str, fields: &[LayoutField], found: &mut ProfileFindings<'_>) {
    for (index, field) in fields.iter().enumerate().filter(|(_, field)| field.meaning.is_some()) {
        let same = |earlier: &&LayoutField| {
            earlier.meaning.is_some()
                && match (&earlier.place, &field.place) {
                    (FramePlace::Bytes { at: Some(a), bits: a_bits, .. }, FramePlace::Bytes { at: Some(b), bits: b_bits, .. }) => {
                        a == b && a_bits == b_bits
                    }
                    (FramePlace::Bytes { .. }, _) => false,
                    (FramePlace::Column { index: a, .. }, FramePlace::Column { index: b, .. }) => a == b,
                    (a, b) => a == b,
                }
        };
        if let Some(earlier) = fields[..index].iter().find(same) {
            let name = match field.place {
                FramePlace::Column { .. } => "column",
                FramePlace::Key(_) => "key",
                FramePlace::Path(_) => "path",
                FramePlace::Bytes { .. } => "at_byte",
            };
            found.add(&format!("{at}.fields[{index}].{name}"), format!("is that of {} too: one value cannot be both", earlier.name));
        }
    }
}

fn place(
    at: &str,
    written: &written::WrittenField,
    layout: &Layout,
    order: ByteOrder,
    last: bool,
    found: &mut ProfileFindings<'_>,
) -> Option<FramePlace> {
    let key = |name: &str| format!("{at}.{name}");
    let is_samples = written.meaning == Some(Meaning::Samples);
    let is_base64 = written.encoding.is_some_and(|encoding| encoding != written::Packing::Delta);
    if !matches!(layout, Layout::Json) {
        found.of_no_use(&key("path"), &written.path, "outside framing.kind = \"json\"");
    }
    if !matches!(layout, Layout::Binary) {
        found.of_no_use(&key("at_byte"), &written.at_byte, "in text");
        found.of_no_use(&key("bits"), &written.bits, "in text: compare with a mask instead");
    }
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
            let bits = written.bits.map(|[from, count]| Bits { from, count });
            let width = wire.width().filter(|_| !wire.is_float()).map_or(0, |bytes| 8 * bytes as u32);
            if let Some(Bits { from, count }) = bits
                && (count == 0 || from.saturating_add(count) > width || written.rest)
            {
                found.add(
                    &key("bits"),
                    format!(
                        "[{from}, {count}] is not possible: from which bit on and how many, of the {width} a whole number of this type has"
                    ),
                );
                return None;
            }
            Some(FramePlace::Bytes { wire, order: written.byte_order.unwrap_or(order), count, at: written.at_byte, bits })
        }
        Layout::Json => {
            found.of_no_use(&key("column"), &written.column.filter(|_| written.path.is_some()), "in JSON");
            let path = found.needed(&key("path"), written.path.as_ref(), "where the value is in the object, as \"probe.wall[0]\"")?;
            let parsed = json::JsonPath::parse(path);
            if parsed.is_none() {
                found.add(&key("path"), format!("'{path}' is not a path: names and indices, as \"probe.wall[0]\""));
            }
            Some(FramePlace::Path(parsed?))
        }
        Layout::Columns { exactly, .. } => {
            let column = found.needed(&key("column"), written.column, "count from 1")?;
            if column == 0 || exactly.is_some_and(|columns| column > columns) {
                found.add(
                    &key("column"),
                    format!("{column} is not possible: columns count from 1{}", exactly.map_or(String::new(), |n| format!(" to {n}"))),
                );
                return None;
            }
            if written.rest != (is_samples && !is_base64) {
                found.add(&key("rest"), "samples, and only they, take all columns from here on: set rest = true");
            }
            Some(FramePlace::Column { index: column - 1, rest: written.rest })
        }
        Layout::Keyed { .. } => {
            found.of_no_use(&key("column"), &written.column, "beside key");
            if is_samples && !is_base64 {
                found.add(&key("meaning"), "samples cannot come as a keyed value but in base64: use columns, or encoding");
            }
            Some(FramePlace::Key(found.needed(&key("key"), written.key.clone(), "the text in front of the sign")?))
        }
    }
}

fn unit(at: &str, written: &written::WrittenField, layout: &Layout, found: &mut ProfileFindings<'_>) -> UnitRule {
    let key = |name: &str| format!("{at}.{name}");
    let one = UnitRule::Always(Unit::ONE);
    let text = !matches!(layout, Layout::Binary);
    let Some(meaning) = written.meaning.filter(|meaning| !meaning.units().is_empty()) else {
        found.of_no_use(&key("unit"), &written.unit, "for this meaning");
        return one;
    };
    if let (None, None, None, Some(path), Layout::Json) =
        (&written.unit, written.unit_column, &written.unit_key, &written.unit_path, layout)
    {
        let parsed = json::JsonPath::parse(path);
        if parsed.is_none() {
            found.add(&key("unit_path"), format!("'{path}' is not a path: names and indices, as \"probe.unit\""));
        }
        return parsed.map_or(one, UnitRule::Path);
    }
    found.of_no_use(&key("unit_path"), &written.unit_path, "beside another unit, or outside JSON");
    if let (Some(column), Layout::Columns { exactly: Some(columns), .. }) = (written.unit_column, layout)
        && column > *columns
    {
        found.add(&key("unit_column"), format!("{column} is not possible: columns count from 1 to {columns}"));
        return one;
    }
    match (&written.unit, written.unit_column, &written.unit_key) {
        (Some(unit), None, None) if unit == "as-sent" && text => UnitRule::AsSent,
        (Some(unit), None, None) => meaning.unit(unit).map_or_else(
            || {
                found.add(&key("unit"), format!("'{unit}' is not a unit of {}: one of {}", meaning.word(), meaning.unit_words()));
                one
            },
            UnitRule::Always,
        ),
        (None, Some(column), None) if column > 0 && matches!(layout, Layout::Columns { .. }) => UnitRule::Column(column - 1),
        (None, None, Some(name)) if matches!(layout, Layout::Keyed { .. }) => UnitRule::Key(name.clone()),
        (None, None, None) => {
            let more = if text { ", or \"as-sent\" where it follows the number" } else { "" };
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
fn complete(at: &str, kind: RecordKind, record: &written::WrittenRecord, found: &mut ProfileFindings<'_>) {
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
