//! What a field's value says beside its meaning: conditions, constants, and how samples are packed.

use super::findings::ProfileFindings;
use super::written::{self, Packing};
use crate::check::ByteOrder;
use crate::condition::{Condition, Constant};
use crate::layout::{Bits, FramePlace, Layout, Wire};
use crate::meaning::{Meaning, RecordKind};
use crate::samples::SampleEncoding;

/// The conditions of a field: whose record it is, where its value is one, and where it is none.
pub fn conditions(
    at: &str,
    written: &written::WrittenField,
    kind: RecordKind,
    place: &FramePlace,
    found: &mut ProfileFindings<'_>,
) -> [Option<Condition>; 3] {
    let mut of = |name: &str, value: &Option<toml::Value>| {
        let key = format!("{at}.{name}");
        value.as_ref().and_then(|value| condition(&key, value, place, found))
    };
    let [only, valid, flag] =
        [of("only_when", &written.only_when), of("valid_when", &written.valid_when), of("flag_when", &written.flag_when)];
    if !matches!(kind, RecordKind::Shot | RecordKind::Gauge) {
        for (name, given) in [("valid_when", &valid), ("flag_when", &flag)] {
            found.of_no_use(&format!("{at}.{name}"), given, "outside shot and gauge records: only what is measured can be invalid");
        }
    }
    [only, valid, flag]
}

fn condition(key: &str, value: &toml::Value, place: &FramePlace, found: &mut ProfileFindings<'_>) -> Option<Condition> {
    match value {
        toml::Value::Table(table) => {
            let number = |name: &str| table.get(name).and_then(toml::Value::as_integer).and_then(|bits| u64::try_from(bits).ok());
            let known = table.keys().all(|name| matches!(name.as_str(), "mask" | "is"));
            match (number("mask").filter(|mask| *mask != 0), table.get("is").map_or(Some(None), |_| number("is").map(Some))) {
                (Some(mask), Some(is)) if known && is.unwrap_or(mask) & !mask == 0 => {
                    Some(Condition::Bits { mask, is: is.unwrap_or(mask) })
                }
                _ => {
                    found.add(
                        key,
                        "must be a value, a list of values, or { mask = 0x06, is = 0x04 } with the bits of 'is' among those of 'mask'",
                    );
                    None
                }
            }
        }
        toml::Value::Array(values) if values.is_empty() => {
            found.add(key, "an empty list never matches: name at least one value");
            None
        }
        value => Some(Condition::AnyOf(constants(key, value, place, found))),
    }
}

/// One value or a list of them, of which each can come.
pub fn constants(key: &str, value: &toml::Value, place: &FramePlace, found: &mut ProfileFindings<'_>) -> Vec<Constant> {
    let values = match value {
        toml::Value::Array(values) => values.iter().collect(),
        value => vec![value],
    };
    values.into_iter().filter_map(|value| constant(key, value, place, found)).collect()
}

fn constant(key: &str, value: &toml::Value, place: &FramePlace, found: &mut ProfileFindings<'_>) -> Option<Constant> {
    let constant = match value {
        toml::Value::Integer(value) => Constant::Number(*value as f64),
        toml::Value::Float(value) => Constant::Number(*value),
        toml::Value::String(text) => Constant::Text(text.clone()),
        // JSON and some sentences say so.
        toml::Value::Boolean(is) => Constant::Text(is.to_string()),
        _ => {
            found.add(key, "must be a number or a text");
            return None;
        }
    };
    let FramePlace::Bytes { wire, bits, .. } = place else { return Some(constant) };
    match (&constant, range(*wire, *bits)) {
        (Constant::Text(text), Some(_)) => found.add(key, format!("'{text}' never comes: the field is a number")),
        (Constant::Number(value), Some((low, high))) if !wire.is_float() && !(low..=high).contains(value) => {
            found.add(key, format!("{value} never comes: the field is between {low} and {high}"));
        }
        (Constant::Number(value), None) if *wire == Wire::Text => {
            found.add(key, format!("{value} is a number: the field is text, write \"{value}\""));
        }
        _ => return Some(constant),
    }
    None
}

/// The numbers a type can hold; `None` for what is none.
pub fn range(wire: Wire, bits: Option<Bits>) -> Option<(f64, f64)> {
    let width = bits.map_or(8 * u32::try_from(wire.width()?).ok()?, |bits| bits.count);
    let all = libm::exp2(f64::from(width));
    Some(match (wire.is_float(), wire.is_signed()) {
        (true, _) => (f64::MIN, f64::MAX),
        (_, true) => (-all / 2.0, all / 2.0 - 1.0),
        (_, false) => (0.0, all - 1.0),
    })
}

/// How samples are packed.
pub fn encoding(
    at: &str,
    written: &written::WrittenField,
    layout: &Layout,
    order: ByteOrder,
    found: &mut ProfileFindings<'_>,
) -> SampleEncoding {
    let packing = written.encoding;
    let base64 = matches!(packing, Some(Packing::Base64 | Packing::Base64Delta));
    let delta = matches!(packing, Some(Packing::Delta | Packing::Base64Delta));
    if written.meaning != Some(Meaning::Samples) {
        found.of_no_use(&format!("{at}.encoding"), &packing, "for anything but samples");
    }
    if base64 && matches!(layout, Layout::Binary) {
        found.add(&format!("{at}.encoding"), "base64 is text: it is in a column, after a key or at a path");
    }
    let is_text = !matches!(layout, Layout::Binary);
    if base64 && is_text && written.wire.and_then(Wire::width).is_none() {
        found.add(&format!("{at}.type"), "is missing: base64 holds bytes, give the type of the samples in them");
    }
    if !base64 && is_text {
        found.of_no_use(&format!("{at}.type"), &written.wire, "in text");
    }
    SampleEncoding { wire: written.wire.unwrap_or(Wire::I16), order: written.byte_order.unwrap_or(order), delta, base64 }
}

/// Samples are codes of the converter: they are moved so that the zero line is 0, and never stretched, since noise, height and
/// saturation are judged in codes.
pub fn codes(at: &str, written: &written::WrittenField, wire: Option<Wire>, bits: Option<u8>, found: &mut ProfileFindings<'_>) {
    let key = |name: &str| format!("{at}.{name}");
    let (scale, offset) = (written.scale.unwrap_or(1.0), written.offset.unwrap_or(0.0));
    let width = wire.and_then(Wire::width).map_or(16, |bytes| 8 * bytes as i32);
    let halvings = -libm::log2(scale);
    let is_shift = scale > 0.0 && halvings == libm::floor(halvings) && halvings >= f64::from(width - 16);
    if scale != 1.0 && !(width > 16 && is_shift) {
        let way = if width > 16 {
            format!("only samples of more than 16 bits are brought down to 16, by 1/{}", 1i64 << (width - 16))
        } else {
            "take it out: samples are the converter's codes, and header.converter_bits says how high they go".to_owned()
        };
        found.add(&key("scale"), format!("{scale} would stretch the noise and the full screen height with the echoes: {way}"));
    }
    let full = bits.map_or(65_536.0, |bits| libm::exp2(f64::from(bits)));
    let unsigned = wire.is_some_and(|wire| !wire.is_signed() && !wire.is_float());
    if unsigned && offset >= 0.0 {
        let half = bits.map_or_else(|| libm::exp2(f64::from(width.min(16) - 1)), |bits| libm::exp2(f64::from(bits) - 1.0));
        found.add(
            &key("offset"),
            format!("is missing: unsigned samples have their zero line in the middle, and -{half} takes it to 0; without it every sample is saturated"),
        );
    } else if offset.abs() >= full {
        found.add(&key("offset"), format!("{offset} takes every sample out of the converter's range of {full} codes"));
    }
}
