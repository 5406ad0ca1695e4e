//! The profile as it is written: the schema of the TOML file. Every key is optional here; what is missing or
//! impossible is found in `build`, so that all mistakes are told at once.

use crate::check::ByteOrder;
use crate::command::CommandKind;
use crate::layout::Wire;
use crate::meaning::{Meaning, RecordKind};
use backwall_survey::job::Problem;
use backwall_survey::job::check::{line_of, line_of_key};
use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenProfile {
    pub name: Option<String>,
    pub about: Option<String>,
    pub byte_order: Option<ByteOrder>,
    pub channel: Option<toml::Value>,
    pub link: Link,
    pub framing: WrittenFraming,
    pub check: WrittenCheck,
    pub header: WrittenHeader,
    pub send: WrittenSend,
    pub poll: Option<WrittenPoll>,
    #[serde(rename = "record")]
    pub records: Vec<WrittenRecord>,
    #[serde(rename = "command")]
    pub commands: Vec<WrittenCommand>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Link {
    pub baud: Option<u32>,
    pub data_bits: Option<u8>,
    pub parity: Option<Parity>,
    pub stop_bits: Option<u8>,
    pub flow: Option<Flow>,
    pub silence_s: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    #[default]
    None,
    Even,
    Odd,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Flow {
    #[default]
    None,
    Software,
    Hardware,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenFraming {
    pub kind: Option<FramingKind>,
    pub max_frame_bytes: Option<usize>,
    pub line_end: Option<LineEnd>,
    pub start: Option<String>,
    pub sync_hex: Option<String>,
    pub frame_bytes: Option<usize>,
    pub length_type: Option<Wire>,
    pub length_at_byte: Option<usize>,
    pub length_adds_bytes: Option<usize>,
    pub length_times: Option<usize>,
    pub body_from_byte: Option<usize>,
    pub end_hex: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FramingKind {
    Line,
    Json,
    Cobs,
    SyncLength,
    Fixed,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineEnd {
    #[default]
    Lf,
    Cr,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenCheck {
    pub kind: WrittenCheckKind,
    pub algorithm: Option<String>,
    pub byte_order: Option<ByteOrder>,
    pub from_byte: Option<usize>,
    pub at_byte: Option<usize>,
    pub hex_behind: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WrittenCheckKind {
    #[default]
    None,
    Crc,
    Xor,
    Sum,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenHeader {
    pub sample_rate_hz: Option<f64>,
    pub first_sample_ns: Option<f64>,
    pub converter_bits: Option<u8>,
    pub samples: Option<u16>,
    pub device_id: Option<u32>,
    pub device_name: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenSend {
    pub start: Option<String>,
    pub start_hex: Option<String>,
    pub stop: Option<String>,
    pub stop_hex: Option<String>,
    pub start_again_s: Option<f64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenPoll {
    pub requests: Vec<String>,
    pub requests_hex: Vec<String>,
    pub add_check: bool,
    pub period_ms: Option<u64>,
    pub timeout_ms: Option<u64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenCommand {
    pub name: Option<String>,
    pub about: Option<String>,
    pub kind: Option<CommandKind>,
    pub text: Option<String>,
    pub hex: Option<String>,
    pub value_type: Option<Wire>,
    pub value_times: Option<f64>,
    pub add_check: bool,
    pub values: Vec<toml::Value>,
    pub from: Option<f64>,
    pub to: Option<f64>,
    pub decimals: Option<usize>,
    pub unit: Option<String>,
    pub answer: Option<String>,
    pub answer_hex: Option<String>,
    pub timeout_ms: Option<u64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenRecord {
    pub kind: Option<RecordKind>,
    pub when: Option<String>,
    pub when_hex: Option<String>,
    pub delimiter: Option<String>,
    pub columns: Option<usize>,
    pub sign: Option<String>,
    pub decimal_comma: bool,
    pub answers: Option<usize>,
    pub fields: Vec<WrittenField>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WrittenField {
    pub name: Option<String>,
    #[serde(rename = "type")]
    pub wire: Option<Wire>,
    pub byte_order: Option<ByteOrder>,
    pub bytes: Option<usize>,
    pub rest: bool,
    pub column: Option<usize>,
    pub key: Option<String>,
    pub path: Option<String>,
    pub at_byte: Option<usize>,
    pub bits: Option<[u32; 2]>,
    pub encoding: Option<Packing>,
    pub meaning: Option<Meaning>,
    pub scale: Option<f64>,
    pub offset: Option<f64>,
    pub unit: Option<String>,
    pub unit_column: Option<usize>,
    pub unit_key: Option<String>,
    pub unit_path: Option<String>,
    pub absent: Option<toml::Value>,
    pub must_be: Option<toml::Value>,
    pub only_when: Option<toml::Value>,
    pub valid_when: Option<toml::Value>,
    pub flag_when: Option<toml::Value>,
    pub wraps_at: Option<i64>,
}

/// How samples are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Packing {
    Delta,
    Base64,
    Base64Delta,
}

/// What could be read of the text, with every mistake of form: syntax, unknown keys, wrong types and words.
/// A key that is wrong is told, taken out, and the rest read again.
pub fn read(text: &str) -> (WrittenProfile, Vec<Problem>) {
    let (mut table, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        return (WrittenProfile::default(), errors.iter().map(|error| syntax_problem(text, error)).collect());
    }
    let mut problems = Vec::new();
    loop {
        let error = match WrittenProfile::deserialize(toml::de::Deserializer::from(table.clone())) {
            Ok(written) => return (written, problems),
            Err(error) => error,
        };
        let taken = error.span().and_then(|span| take_out(table.get_mut(), span.start, String::new()));
        let message = error.message().replace('\n', " ");
        let Some(key) = taken else {
            let line = error.span().map(|span| line_of(text, span.start));
            problems.push(Problem { line, key: String::new(), message });
            return (WrittenProfile::default(), problems);
        };
        problems.push(Problem {
            line: error.span().map(|span| line_of(text, span.start)).or_else(|| line_of_key(text, &key)),
            key,
            message,
        });
    }
}

/// What is no TOML; a key that is there twice by its name.
fn syntax_problem(text: &str, error: &toml::de::Error) -> Problem {
    let problem = backwall_survey::job::check::toml_problem(text, error);
    let key = error.span().and_then(|span| text.get(span)).filter(|_| problem.message.contains("duplicate key"));
    match key {
        Some(key) => Problem { message: format!("'{key}' is there twice in this table: take one out"), ..problem },
        None => problem,
    }
}

/// Takes the key out that stands at `place`, itself or its value, and answers its path.
fn take_out(table: &mut DeTable<'_>, place: usize, path: String) -> Option<String> {
    let path_of = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    let mut found: Option<String> = None;
    for (key, value) in table.iter_mut() {
        let name: &str = key.get_ref();
        if key.span().contains(&place) {
            found = Some(name.to_owned());
            break;
        }
        let deeper = match value.get_mut() {
            DeValue::Table(inner) => take_out(inner, place, path_of(name)),
            DeValue::Array(items) => items.iter_mut().enumerate().find_map(|(index, item)| match Spanned::get_mut(item) {
                DeValue::Table(inner) => take_out(inner, place, format!("{}[{index}]", path_of(name))),
                _ => None,
            }),
            _ => None,
        };
        if deeper.is_some() {
            return deeper;
        }
        if value.span().contains(&place) {
            found = Some(name.to_owned());
            break;
        }
    }
    let name = found?;
    table.remove(name.as_str());
    Some(path_of(&name))
}
