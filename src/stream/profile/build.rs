//! From the written profile to one that can be used: what is missing, impossible or in each other's way.

use super::written::{self, CheckKind as WrittenCheck, FramingKind, LineEnd, Written};
use super::{FixedHeader, LinkSettings, Profile, Send};
use crate::job::Problem;
use crate::job::check::line_of_key;
use crate::stream::check::{ByteOrder, Check, CheckKind, CheckPlace};
use crate::stream::crc;
use crate::stream::framing::{Framing, LengthRule, Packed};
use crate::stream::layout::{Constant, Count, Field, Layout, Place, RecordRule, Scale, UnitRule, Wire};
use crate::stream::meaning::{Meaning, RecordKind, Unit};
use crate::units::{Frequency, Time};
use std::time::Duration;

/// The longest frame where a profile sets none, and the longest it may set.
const USUAL_FRAME: usize = 1 << 16;
const LONGEST_FRAME: usize = 1 << 24;

struct Findings<'a> {
    text: &'a str,
    /// Keys that are told already; what follows from them is not told again.
    wrong: &'a [String],
    problems: &'a mut Vec<Problem>,
}

impl Findings<'_> {
    fn add(&mut self, key: &str, message: impl Into<String>) {
        if !self.wrong.iter().any(|wrong| wrong == key) {
            self.problems.push(Problem { line: line_of_key(self.text, key), key: key.to_owned(), message: message.into() });
        }
    }

    fn within(&mut self, key: &str, value: usize, low: usize, high: usize) {
        if value < low || value > high {
            self.add(key, format!("{value} is not possible: it must lie between {low} and {high}"));
        }
    }

    fn needed<T>(&mut self, key: &str, value: Option<T>, hint: &str) -> Option<T> {
        if value.is_none() {
            self.add(key, format!("is missing: {hint}"));
        }
        value
    }

    fn of_no_use<T>(&mut self, key: &str, value: &Option<T>, why: &str) {
        if value.is_some() {
            self.add(key, format!("is of no use {why}: take it out"));
        }
    }

    fn hex(&mut self, key: &str, written: Option<&String>) -> Vec<u8> {
        let Some(written) = written else { return Vec::new() };
        let digits: Vec<u8> = written.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
        let byte =
            |pair: &[u8]| std::str::from_utf8(pair).ok().filter(|_| pair.len() == 2).and_then(|pair| u8::from_str_radix(pair, 16).ok());
        let bytes: Option<Vec<u8>> = digits.chunks(2).map(byte).collect();
        match bytes {
            Some(bytes) if !bytes.is_empty() => bytes,
            _ => {
                self.add(key, format!("'{written}' is not bytes in hexadecimal: write two digits for each, as \"AA 55\""));
                Vec::new()
            }
        }
    }

    fn one_char(&mut self, key: &str, written: Option<&String>) -> Option<char> {
        let written = written?;
        let mut chars = written.chars();
        match (chars.next(), chars.next()) {
            (Some(char), None) if char.is_ascii() => Some(char),
            _ => {
                self.add(key, format!("'{written}' is not possible: it must be one ASCII character"));
                None
            }
        }
    }
}

pub fn build(text: &str, written: &Written, wrong: &[String], problems: &mut Vec<Problem>) -> Option<Profile> {
    let mut found = Findings { text, wrong, problems };
    let name = found.needed("name", written.name.clone().filter(|name| !name.trim().is_empty()), "give the profile a name");
    let order = written.byte_order.unwrap_or_default();
    let link = link(&written.link, &mut found);
    if written.link.silence_s.is_some_and(|silence| !(1.0..=86_400.0).contains(&silence)) {
        found.add("link.silence_s", "must lie between 1 and 86400");
    }
    let silence = written.link.silence_s.and_then(|silence| Duration::try_from_secs_f64(silence).ok());
    let check = check(&written.check, order, written.framing.kind, &mut found);
    let max = written.framing.max_frame_bytes.unwrap_or(USUAL_FRAME);
    found.within("framing.max_frame_bytes", max, 8, LONGEST_FRAME);
    let framing = framing(&written.framing, &check, order, max, &mut found);
    let fixed_header = header(written, &mut found);
    let send = send(&written.send, &mut found);
    if written.records.is_empty() {
        found.add("record", "is missing: describe at least one [[record]], with kind and fields");
    }
    let records = written.records.iter().enumerate().filter_map(|(index, record)| rule(index, record, order, &mut found)).collect();
    whole(written, &fixed_header, &mut found);
    Some(Profile {
        text: String::new(),
        name: name?,
        about: written.about.clone().unwrap_or_default(),
        link,
        silence,
        framing: framing?,
        max_frame_bytes: max,
        check,
        fixed_header,
        records,
        send,
    })
}

fn link(written: &written::Link, found: &mut Findings<'_>) -> LinkSettings {
    let link = LinkSettings {
        baud: written.baud.unwrap_or(115_200),
        data_bits: written.data_bits.unwrap_or(8),
        parity: written.parity.unwrap_or_default(),
        stop_bits: written.stop_bits.unwrap_or(1),
        flow: written.flow.unwrap_or_default(),
    };
    found.within("link.baud", link.baud as usize, 50, 20_000_000);
    found.within("link.data_bits", link.data_bits.into(), 5, 8);
    found.within("link.stop_bits", link.stop_bits.into(), 1, 2);
    link
}

fn check(written: &written::Check, order: ByteOrder, framing: Option<FramingKind>, found: &mut Findings<'_>) -> Check {
    let mut check = Check { order: written.byte_order.unwrap_or(order), from: written.from_byte.unwrap_or(0), ..Check::NONE };
    if written.kind != WrittenCheck::Crc {
        found.of_no_use("check.algorithm", &written.algorithm, "without kind = \"crc\"");
    }
    check.kind = match written.kind {
        WrittenCheck::None => {
            for (key, given) in [
                ("check.from_byte", written.from_byte.is_some()),
                ("check.at_byte", written.at_byte.is_some()),
                ("check.hex_behind", written.hex_behind.is_some()),
            ] {
                found.of_no_use(key, &given.then_some(()), "without a check");
            }
            CheckKind::None
        }
        WrittenCheck::Xor => CheckKind::Xor,
        WrittenCheck::Sum => CheckKind::Sum,
        WrittenCheck::Crc => {
            match found.needed("check.algorithm", written.algorithm.as_ref(), "name one of the CRC catalogue, as CRC-32/ISCSI") {
                None => CheckKind::None,
                Some(name) => match crc::by_name(name) {
                    Some(sum) => CheckKind::Crc(sum),
                    None => {
                        found.add("check.algorithm", format!("'{name}' is not in the CRC catalogue{}", crc_hint(name)));
                        CheckKind::None
                    }
                },
            }
        }
    };
    check.place = match (written.at_byte, found.one_char("check.hex_behind", written.hex_behind.as_ref())) {
        (Some(_), Some(_)) => {
            found.add("check.at_byte", "stands beside hex_behind: give one of them");
            CheckPlace::End
        }
        (Some(at), None) => {
            if check.from < at + check.width() {
                found.add(
                    "check.at_byte",
                    "the check must stand in front of what it covers: set from_byte behind it, or leave at_byte out for a check at the end",
                );
            }
            CheckPlace::At(at)
        }
        (None, Some(sign)) => CheckPlace::HexBehind(sign as u8),
        (None, None) if framing == Some(FramingKind::Line) && written.kind != WrittenCheck::None => {
            found.add("check.hex_behind", "is missing: in text lines the check stands in hexadecimal behind a sign, as \"*\"");
            CheckPlace::End
        }
        (None, None) => CheckPlace::End,
    };
    check
}

/// Names of the same width that are nearest to what was written.
fn crc_hint(name: &str) -> String {
    let width: String = name.chars().skip_while(|char| !char.is_ascii_digit()).take_while(char::is_ascii_digit).collect();
    let start = format!("CRC_{width}_");
    let near: Vec<String> = crc::NAMES
        .iter()
        .filter_map(|known| known.strip_prefix(&start))
        .take(40)
        .map(|rest| format!("CRC-{width}/{}", rest.replace('_', "-")))
        .collect();
    if near.is_empty() || width.is_empty() {
        ": write it as there, as CRC-32/ISCSI or CRC-16/MODBUS".to_owned()
    } else {
        format!(": of {width} bits it has {}", near.join(", "))
    }
}

fn framing(written: &written::Framing, check: &Check, order: ByteOrder, max: usize, found: &mut Findings<'_>) -> Option<Framing> {
    let kind = found.needed("framing.kind", written.kind, "line, cobs, sync-length or fixed")?;
    let sync = found.hex("framing.sync_hex", written.sync_hex.as_ref());
    let tail = found.hex("framing.end_hex", written.end_hex.as_ref());
    let start = found.one_char("framing.start", written.start.as_ref());
    if kind != FramingKind::Line {
        found.of_no_use("framing.start", &written.start, "outside kind = \"line\"");
        found.of_no_use("framing.line_end", &written.line_end, "outside kind = \"line\"");
    }
    if matches!(kind, FramingKind::Line | FramingKind::Cobs) {
        for (key, given) in [
            ("framing.sync_hex", written.sync_hex.is_some()),
            ("framing.end_hex", written.end_hex.is_some()),
            ("framing.body_from_byte", written.body_from_byte.is_some()),
        ] {
            found.of_no_use(key, &given.then_some(()), "where frames are told apart by their ends");
        }
    }
    if kind != FramingKind::SyncLength {
        for (key, given) in [
            ("framing.length_type", written.length_type.is_some()),
            ("framing.length_at_byte", written.length_at_byte.is_some()),
            ("framing.length_adds_bytes", written.length_adds_bytes.is_some()),
        ] {
            found.of_no_use(key, &given.then_some(()), "outside kind = \"sync-length\"");
        }
    }
    if kind != FramingKind::Fixed {
        found.of_no_use("framing.frame_bytes", &written.frame_bytes, "outside kind = \"fixed\"");
    }
    match kind {
        FramingKind::Line => {
            let end = if written.line_end.unwrap_or_default() == LineEnd::Cr { b'\r' } else { b'\n' };
            Some(Framing::Line { end, start: start.map(|start| start as u8) })
        }
        FramingKind::Cobs => Some(Framing::Cobs),
        FramingKind::Fixed => {
            let size = found.needed("framing.frame_bytes", written.frame_bytes, "say how long each frame is")?;
            found.within("framing.frame_bytes", size, 1, max);
            if sync.is_empty() && check.width() == 0 {
                found.add("framing.kind", "fixed frames need sync_hex or a [check]: without either nobody can tell where one begins");
            }
            let head = written.body_from_byte.unwrap_or(sync.len());
            if head + tail.len() + check.width() >= size {
                found.add("framing.frame_bytes", format!("{size} leaves no room for a body"));
            }
            Some(Framing::Packed(Packed { sync, length: LengthRule::Fixed(size), head, tail }))
        }
        FramingKind::SyncLength => {
            found.needed("framing.sync_hex", written.sync_hex.as_ref(), "the bytes each frame begins with")?;
            found.needed(
                "framing.max_frame_bytes",
                written.max_frame_bytes,
                "the longest frame the device sends; a damaged length waits for no more",
            )?;
            let wire = found.needed("framing.length_type", written.length_type, "u8, u16, u24 or u32")?;
            let width = match wire {
                Wire::U8 | Wire::U16 | Wire::U24 | Wire::U32 => wire.width()?,
                _ => {
                    found.add("framing.length_type", "must be u8, u16, u24 or u32");
                    return None;
                }
            };
            let at = written.length_at_byte.unwrap_or(sync.len());
            let head = written.body_from_byte.unwrap_or(at + width);
            if at < sync.len() {
                found.add("framing.length_at_byte", "lies within sync_hex");
            }
            if head < at + width {
                found.add("framing.body_from_byte", "the body would begin before the length ends");
            }
            let adds = found.needed(
                "framing.length_adds_bytes",
                written.length_adds_bytes,
                "the bytes of a frame that its length does not count (0 where it counts all)",
            )?;
            Some(Framing::Packed(Packed { sync, length: LengthRule::Field { at, width, order, adds }, head, tail }))
        }
    }
}

fn header(written: &Written, found: &mut Findings<'_>) -> FixedHeader {
    let header = &written.header;
    if let Some(rate) = header.sample_rate_hz
        && !(rate.is_finite() && rate > 0.0)
    {
        found.add("header.sample_rate_hz", format!("{rate} is not possible: it must be greater than 0"));
    }
    if header.first_sample_ns.is_some_and(|first| !first.is_finite()) {
        found.add("header.first_sample_ns", "must be a number");
    }
    if let Some(bits) = header.converter_bits {
        found.within("header.converter_bits", bits.into(), 2, 16);
    }
    FixedHeader {
        rate: header.sample_rate_hz.map(Frequency::hz),
        first: header.first_sample_ns.map(Time::ns),
        bits: header.converter_bits,
        samples: header.samples,
        device_id: header.device_id.unwrap_or(0),
        device_name: header.device_name.clone().or_else(|| written.name.clone()).unwrap_or_default(),
    }
}

fn send(written: &written::Send, found: &mut Findings<'_>) -> Send {
    let mut either = |name: &str, text: &Option<String>, hex: &Option<String>| {
        let key = format!("send.{name}_hex");
        if text.is_some() && hex.is_some() {
            found.add(&key, format!("stands beside send.{name}: give one of them"));
        }
        match text {
            Some(text) => text.clone().into_bytes(),
            None => found.hex(&key, hex.as_ref()),
        }
    };
    let (start, stop) = (either("start", &written.start, &written.start_hex), either("stop", &written.stop, &written.stop_hex));
    if written.gain.as_ref().is_some_and(|gain| !gain.contains("{db}")) {
        found.add("send.gain", "has no place for the value: write {db} where the gain in dB stands");
    }
    Send { start, stop, gain: written.gain.clone() }
}

fn rule(index: usize, record: &written::Record, order: ByteOrder, found: &mut Findings<'_>) -> Option<RecordRule> {
    let at = format!("record[{index}]");
    let kind = found.needed(&format!("{at}.kind"), record.kind, "header, shot, status, gauge or ignore");
    let when = match (&record.when, &record.when_hex) {
        (Some(_), Some(_)) => {
            found.add(&format!("{at}.when_hex"), "stands beside when: give one of them");
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
            found.add(&format!("{fields}[{index}].meaning"), format!("{} stands twice", meaning.word()));
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

/// What only the whole profile shows.
fn whole(written: &Written, fixed: &FixedHeader, found: &mut Findings<'_>) {
    let of = |kind| written.records.iter().filter(move |record| record.kind == Some(kind));
    let rest: [(&str, Meaning, bool); 3] = [
        ("sample_rate_hz", Meaning::SampleRate, fixed.rate.is_some()),
        ("first_sample_ns", Meaning::FirstSample, fixed.first.is_some()),
        ("converter_bits", Meaning::ConverterBits, fixed.bits.is_some()),
    ];
    if of(RecordKind::Shot).next().is_some() {
        for (key, meaning, fixed) in rest {
            let sent = of(RecordKind::Header).next().is_some()
                && of(RecordKind::Header).all(|record| record.fields.iter().any(|field| field.meaning == Some(meaning)));
            let told = found.wrong.iter().any(|key| key.starts_with("record") || key.starts_with("header"));
            if !sent && !fixed && !told {
                found.add(
                    &format!("header.{key}"),
                    format!("is missing: shots need it, and no header record has a field with meaning = \"{}\"", meaning.word()),
                );
            }
        }
    }
    for (index, record) in written.records.iter().enumerate() {
        let begin = |record: &written::Record| (record.when.clone().unwrap_or_default(), record.when_hex.clone().unwrap_or_default());
        if written.records[..index]
            .iter()
            .any(|earlier| begin(earlier) == begin(record) || begin(earlier) == (String::new(), String::new()))
        {
            found.add(
                &format!("record[{index}].kind"),
                "an earlier record takes every frame this one is for: give both a when, or change their order",
            );
        }
    }
}
