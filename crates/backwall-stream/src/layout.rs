//! Reads the fields of one frame's body, as a profile lays them out.

use super::check::ByteOrder;
pub use super::condition::Constant;
use super::condition::{Condition, Sent};
use super::json;
use super::meaning::{Meaning, RecordKind, Unit};
use super::samples::Encoding;
use std::sync::Arc;

/// One kind of record a device sends.
#[derive(Debug, Clone)]
pub struct RecordRule {
    pub kind: RecordKind,
    /// It answers this request of the profile, counted from 0.
    pub answers: Option<usize>,
    /// The body begins with this; it is taken off before the fields are read.
    pub when: Vec<u8>,
    pub layout: Layout,
    pub fields: Vec<Field>,
}

#[derive(Debug, Clone)]
pub enum Layout {
    Binary,
    /// Columns between `delimiter`s (`None`: runs of blanks); `exactly` so many where given.
    Columns {
        delimiter: Option<char>,
        exactly: Option<usize>,
    },
    /// `KEY=value` pairs: what parts a pair from the next, and a key from its value.
    Keyed {
        delimiter: Option<char>,
        sign: char,
    },
    /// One JSON object.
    Json,
}

#[derive(Debug, Clone)]
pub struct Field {
    pub name: String,
    pub place: Place,
    pub meaning: Option<Meaning>,
    pub scale: Scale,
    pub unit: UnitRule,
    pub absent: Vec<Constant>,
    pub must_be: Option<Constant>,
    /// The record is for frames in which this holds.
    pub only_when: Option<Condition>,
    /// Where this does not hold, the device says that its value is none.
    pub valid_when: Option<Condition>,
    /// Where this holds, the device says so too.
    pub flag_when: Option<Condition>,
    pub encoding: Encoding,
    /// A counter that starts again at 0 behind this many steps.
    pub wraps_at: Option<i128>,
    pub decimal_comma: bool,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    Bytes {
        wire: Wire,
        order: ByteOrder,
        count: Count,
        /// Counted from the beginning of the body; `None`: behind the field before.
        at: Option<usize>,
        bits: Option<Bits>,
    },
    Column {
        index: usize,
        rest: bool,
    },
    Key(String),
    Path(json::Path),
}

/// Some bits of a number: the lowest is number 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    pub from: u32,
    pub count: u32,
}

impl Bits {
    fn of(self, raw: u64, wire: Wire) -> Number {
        let taken = raw >> self.from & (u64::MAX >> (64 - self.count));
        let sign = 1u64 << (self.count - 1);
        Number::Whole(if wire.is_signed() { i128::from((taken ^ sign) as i64) - i128::from(sign as i64) } else { i128::from(taken) })
    }
}

/// How often a binary field stands there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Count {
    One,
    /// So many bytes, for text and bytes of no use.
    Bytes(usize),
    /// To the end of the body.
    Rest,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wire {
    U8,
    U16,
    U24,
    U32,
    U64,
    I8,
    I16,
    I24,
    I32,
    I64,
    F32,
    F64,
    Text,
    Skip,
}

impl Wire {
    /// Bytes of one number; `None` for text and bytes of no use.
    pub const fn width(self) -> Option<usize> {
        match self {
            Self::U8 | Self::I8 => Some(1),
            Self::U16 | Self::I16 => Some(2),
            Self::U24 | Self::I24 => Some(3),
            Self::U32 | Self::I32 | Self::F32 => Some(4),
            Self::U64 | Self::I64 | Self::F64 => Some(8),
            Self::Text | Self::Skip => None,
        }
    }

    pub const fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    pub const fn is_signed(self) -> bool {
        matches!(self, Self::I8 | Self::I16 | Self::I24 | Self::I32 | Self::I64)
    }

    pub fn number(self, order: ByteOrder, bytes: &[u8]) -> Number {
        let raw = order.unsigned(bytes);
        Number::from(match self {
            Self::F32 => return Number::Float(f64::from(f32::from_bits(raw as u32))),
            Self::F64 => return Number::Float(f64::from_bits(raw)),
            Self::I8 => i128::from(raw as u8 as i8),
            Self::I16 => i128::from(raw as u16 as i16),
            Self::I24 => i128::from(((raw as u32) << 8) as i32 >> 8),
            Self::I32 => i128::from(raw as u32 as i32),
            Self::I64 => i128::from(raw as i64),
            _ => i128::from(raw),
        })
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Number {
    Whole(i128),
    Float(f64),
}

impl From<i128> for Number {
    fn from(value: i128) -> Self {
        Self::Whole(value)
    }
}

impl Number {
    pub fn as_f64(self) -> f64 {
        match self {
            Self::Whole(value) => value as f64,
            Self::Float(value) => value,
        }
    }

    pub fn parse(text: &str, decimal_comma: bool) -> Option<Self> {
        if let Ok(value) = text.parse::<i128>() {
            return Some(Self::Whole(value));
        }
        let plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+' | b'e' | b'E'));
        let text = if decimal_comma { &text.replace(',', ".") } else { text };
        text.parse().ok().filter(|value: &f64| plain(text) && value.is_finite()).map(Self::Float)
    }
}

/// `value * times / over + offset`; a scale of 0.1 divides by 10, so that decimals come out as printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    times: f64,
    over: f64,
    offset: f64,
}

impl Scale {
    pub const ONE: Self = Self { times: 1.0, over: 1.0, offset: 0.0 };

    pub fn new(scale: f64, offset: f64) -> Self {
        let inverse = 1.0 / scale;
        let whole = inverse.round();
        let divides = scale.abs() < 1.0 && whole != 0.0 && (inverse - whole).abs() < 1e-9 * whole.abs();
        if divides { Self { times: 1.0, over: whole, offset } } else { Self { times: scale, over: 1.0, offset } }
    }

    pub fn apply(self, value: f64) -> f64 {
        value * self.times / self.over + self.offset
    }

    pub fn divides(self) -> bool {
        self.over > 1.0
    }

    fn is_whole(self) -> bool {
        const EXACT: f64 = 9e15;
        let whole = |value: f64| value.trunc() == value && value.abs() < EXACT;
        self.over == 1.0 && whole(self.times) && whole(self.offset)
    }
}

/// From a number as it came to its value in the unit of record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conversion {
    pub scale: Scale,
    pub unit: Unit,
}

impl Conversion {
    #[cfg(test)]
    pub const ONE: Self = Self { scale: Scale::ONE, unit: Unit::ONE };

    pub fn apply(self, raw: Number) -> f64 {
        self.unit.apply(self.scale.apply(raw.as_f64()))
    }

    /// The nearest whole value; exact where whole numbers stay whole.
    pub fn whole(self, raw: Number) -> i128 {
        match raw {
            Number::Whole(raw) if self.unit.is_one() && self.scale.is_whole() => {
                raw.saturating_mul(self.scale.times as i128).saturating_add(self.scale.offset as i128)
            }
            _ => self.apply(raw).round() as i128,
        }
    }
}

/// Where the unit of a value is known from.
#[derive(Debug, Clone, PartialEq)]
pub enum UnitRule {
    Always(Unit),
    /// Behind the number, in the same text.
    AsSent,
    Column(usize),
    Key(String),
    Path(json::Path),
}

/// Why a body does not fit its rule.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LayoutError {
    #[error("too short for field '{0}'")]
    Short(String),
    #[error("{0} bytes more than the fields take")]
    LeftOver(usize),
    #[error("not text")]
    NotText,
    #[error("not one JSON object: {0}")]
    NotJson(String),
    #[error("{found} columns where {wanted} are due")]
    Columns { found: usize, wanted: usize },
    #[error("no value for '{0}'")]
    NoValue(String),
    #[error("'{text}' is no value for '{field}'")]
    NotANumber { field: String, text: String },
    #[error("'{0}' is not what it must be")]
    NotAsDue(String),
    #[error("'{unit}' is no unit for '{field}'")]
    Unit { field: String, unit: String },
    #[error("'{0}' is out of its range")]
    OutOfRange(String),
    #[error("{found} samples where the header says {wanted}")]
    Samples { found: usize, wanted: usize },
}

impl LayoutError {
    /// The same without what differs from frame to frame, to be counted by.
    pub fn reason(&self) -> String {
        match self {
            Self::LeftOver(_) => "more bytes than the fields take".to_owned(),
            Self::NotJson(_) => "not one JSON object".to_owned(),
            Self::Columns { wanted, .. } => format!("not {wanted} columns"),
            Self::NotANumber { field, .. } => format!("no value for '{field}'"),
            Self::Unit { field, .. } => format!("no unit for '{field}'"),
            Self::Samples { .. } => "another count of samples than the header says".to_owned(),
            Self::Short(_) | Self::NotText | Self::NoValue(_) | Self::NotAsDue(_) | Self::OutOfRange(_) => self.to_string(),
        }
    }
}

/// One field's value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    Absent,
    /// As it came, and what makes the unit of record of it.
    Number {
        raw: Number,
        conversion: Conversion,
    },
    Text(String),
    Samples(Arc<[i16]>),
}

/// A field as it stands in a frame.
enum Piece<'a> {
    Number(Number),
    /// With its unit, where that stands elsewhere.
    Text(&'a str, Option<&'a str>),
    /// Samples, in binary, in text, and in JSON.
    Bytes(&'a [u8]),
    Columns(&'a [&'a str]),
    List(&'a [serde_json::Value]),
}

impl Piece<'_> {
    fn sent(&self) -> Option<Sent<'_>> {
        match self {
            Self::Number(number) => Some(Sent::Number(*number)),
            Self::Text(text, _) => Some(Sent::Text(text)),
            _ => None,
        }
    }
}

/// Takes each field that has a meaning, with its value.
pub trait Take {
    fn take(&mut self, field: &Field, value: Value) -> Result<(), LayoutError>;
    /// The device says that what it measured is no wall.
    fn invalid(&mut self);
    /// What was measured cannot be read: a mistake, unless it is invalid anyway.
    fn unreadable(&mut self, error: LayoutError);
}

/// Takes each field as it stands, or why it does not.
type Each<'e> = &'e mut dyn FnMut(&Field, Result<Piece<'_>, LayoutError>) -> Result<(), LayoutError>;

impl RecordRule {
    /// Whether the record is for this `body` (with `when` already taken off).
    pub fn is_for(&self, body: &[u8]) -> Result<bool, LayoutError> {
        if self.fields.iter().all(|field| field.only_when.is_none()) {
            return Ok(true);
        }
        let mut fits = true;
        self.each(body, &mut |field, piece| {
            if let Some(condition) = &field.only_when {
                fits &= piece.is_ok_and(|piece| piece.sent().is_some_and(|sent| condition.holds(sent)));
            }
            Ok(())
        })?;
        Ok(fits)
    }

    /// Reads `body` (with `when` already taken off).
    pub fn read(&self, body: &[u8], to: &mut impl Take) -> Result<(), LayoutError> {
        self.each(body, &mut |field, piece| {
            let read = piece.and_then(|piece| {
                if piece.sent().is_some_and(|sent| field.says_invalid(sent)) {
                    to.invalid();
                }
                field.value(piece)
            });
            let taken = read.and_then(|value| if field.meaning.is_some() { to.take(field, value) } else { Ok(()) });
            match taken {
                Err(error) if field.meaning.is_some_and(Meaning::is_measured) => {
                    to.unreadable(error);
                    Ok(())
                }
                taken => taken,
            }
        })
    }

    fn each(&self, body: &[u8], to: Each<'_>) -> Result<(), LayoutError> {
        match self.layout {
            Layout::Binary => self.each_binary(body, to),
            Layout::Columns { delimiter, exactly } => self.each_column(text(body)?, delimiter, exactly, to),
            Layout::Keyed { delimiter, sign } => self.each_keyed(text(body)?, delimiter, sign, to),
            Layout::Json => self.each_path(body, to),
        }
    }

    fn each_binary(&self, body: &[u8], to: Each<'_>) -> Result<(), LayoutError> {
        let (mut at, mut reached) = (0, 0);
        for field in &self.fields {
            let Place::Bytes { wire, order, count, at: placed, bits } = field.place else { continue };
            at = placed.unwrap_or(at);
            let rest = body.get(at..).unwrap_or_default();
            let bytes = match count {
                Count::One => wire.width().unwrap_or(0),
                Count::Bytes(bytes) => bytes,
                Count::Rest => rest.len(),
            };
            let Some(here) = rest.get(..bytes) else { return Err(LayoutError::Short(field.name.clone())) };
            at += bytes;
            reached = reached.max(at);
            let piece = match (wire, count) {
                (Wire::Skip, _) => continue,
                (Wire::Text, _) => std::str::from_utf8(here).map(|text| Piece::Text(text.trim_end_matches('\0'), None)).map_err(|_| LayoutError::NotText),
                (_, Count::Rest) => Ok(Piece::Bytes(here)),
                _ => Ok(Piece::Number(match bits {
                    Some(bits) => bits.of(order.unsigned(here), wire),
                    None => wire.number(order, here),
                })),
            };
            to(field, piece)?;
        }
        if reached >= body.len() { Ok(()) } else { Err(LayoutError::LeftOver(body.len() - reached)) }
    }

    fn each_column(&self, text: &str, delimiter: Option<char>, exactly: Option<usize>, to: Each<'_>) -> Result<(), LayoutError> {
        let columns = split(text, delimiter);
        if let Some(wanted) = exactly
            && wanted != columns.len()
        {
            return Err(LayoutError::Columns { found: columns.len(), wanted });
        }
        let none = |field: &Field| LayoutError::NoValue(field.name.clone());
        for field in &self.fields {
            let Place::Column { index, rest } = field.place else { continue };
            let piece = columns.get(index).ok_or_else(|| none(field)).and_then(|here| match &field.unit {
                _ if rest => Ok(Piece::Columns(&columns[index..])),
                UnitRule::Column(at) => Ok(Piece::Text(here, Some(*columns.get(*at).ok_or_else(|| none(field))?))),
                _ => Ok(Piece::Text(here, None)),
            });
            to(field, piece)?;
        }
        Ok(())
    }

    fn each_keyed(&self, text: &str, delimiter: Option<char>, sign: char, to: Each<'_>) -> Result<(), LayoutError> {
        let pairs: Vec<(&str, &str)> = split(text, delimiter)
            .into_iter()
            .filter_map(|pair| pair.split_once(sign))
            .map(|(key, value)| (key.trim(), value.trim()))
            .collect();
        let named = |key: &str, field: &Field| {
            let mut found = pairs.iter().filter(|pair| pair.0 == key);
            match (found.next(), found.next()) {
                (Some(pair), None) => Ok(pair.1),
                _ => Err(LayoutError::NoValue(field.name.clone())),
            }
        };
        for field in &self.fields {
            let Place::Key(key) = &field.place else { continue };
            let piece = named(key, field).and_then(|here| match &field.unit {
                UnitRule::Key(key) => Ok(Piece::Text(here, Some(named(key, field)?))),
                _ => Ok(Piece::Text(here, None)),
            });
            to(field, piece)?;
        }
        Ok(())
    }

    fn each_path(&self, body: &[u8], to: Each<'_>) -> Result<(), LayoutError> {
        let root = json::object(body)?;
        for field in &self.fields {
            let Place::Path(path) = &field.place else { continue };
            let unit = match &field.unit {
                UnitRule::Path(path) => path.of(&root).and_then(serde_json::Value::as_str),
                _ => None,
            };
            let words;
            let piece = match path.of(&root) {
                // What is not there or null has no value; `absent = ""` says what that means.
                None | Some(serde_json::Value::Null) => Ok(Piece::Text("", None)),
                Some(serde_json::Value::String(text)) => Ok(Piece::Text(text, unit)),
                Some(serde_json::Value::Array(list)) => Ok(Piece::List(list)),
                Some(other) => {
                    words = other.to_string();
                    Ok(Piece::Text(&words, unit))
                }
            };
            to(field, piece)?;
        }
        Ok(())
    }
}

fn text(body: &[u8]) -> Result<&str, LayoutError> {
    std::str::from_utf8(body).map_err(|_| LayoutError::NotText)
}

fn split(text: &str, delimiter: Option<char>) -> Vec<&str> {
    match delimiter {
        Some(delimiter) => text.split(delimiter).map(str::trim).collect(),
        None => text.split_whitespace().collect(),
    }
}

impl Field {
    pub fn not_a_number(&self, text: &str) -> LayoutError {
        LayoutError::NotANumber { field: self.name.clone(), text: text.to_owned() }
    }

    pub fn out_of_range(&self) -> LayoutError {
        LayoutError::OutOfRange(self.name.clone())
    }

    fn says_invalid(&self, sent: Sent<'_>) -> bool {
        self.valid_when.as_ref().is_some_and(|condition| !condition.holds(sent))
            || self.flag_when.as_ref().is_some_and(|condition| condition.holds(sent))
    }

    fn value(&self, piece: Piece<'_>) -> Result<Value, LayoutError> {
        let is_samples = self.meaning == Some(Meaning::Samples);
        match piece {
            Piece::Text(text, _) if is_samples => Ok(Value::Samples(self.encoded_samples(text)?)),
            Piece::Text(text, unit) => self.of_text(text, unit),
            Piece::Number(number) => self.of_number(number, None),
            Piece::Bytes(bytes) => Ok(Value::Samples(self.binary_samples(bytes)?)),
            Piece::Columns(columns) => Ok(Value::Samples(self.text_samples(columns)?)),
            Piece::List(list) if is_samples => Ok(Value::Samples(self.listed_samples(list)?)),
            Piece::List(_) => Err(self.not_a_number("[...]")),
        }
    }

    fn of_text(&self, text: &str, unit: Option<&str>) -> Result<Value, LayoutError> {
        if self.absent.iter().any(|absent| matches!(absent, Constant::Text(absent) if absent == text)) {
            return Ok(Value::Absent);
        }
        if let Some(Constant::Text(due)) = &self.must_be
            && due != text
        {
            return Err(LayoutError::NotAsDue(self.name.clone()));
        }
        match self.meaning {
            None if !matches!(self.must_be, Some(Constant::Number(_))) => return Ok(Value::Text(String::new())),
            Some(Meaning::DeviceName | Meaning::Channel) => return Ok(Value::Text(text.to_owned())),
            _ => {}
        }
        let (digits, unit) = match self.unit {
            UnitRule::AsSent => {
                let end = text.find(|c: char| c.is_alphabetic() && c != 'e' && c != 'E' || c == '"' || c == '°').unwrap_or(text.len());
                (text[..end].trim_end(), Some(&text[end..]))
            }
            _ => (text, unit),
        };
        let number = Number::parse(digits, self.decimal_comma).ok_or_else(|| self.not_a_number(text))?;
        self.of_number(number, unit)
    }

    fn of_number(&self, raw: Number, sent_unit: Option<&str>) -> Result<Value, LayoutError> {
        if self.absent.iter().any(|absent| absent.is_number(raw)) {
            return Ok(Value::Absent);
        }
        if self.must_be.as_ref().is_some_and(|due| !due.is_number(raw)) {
            return Err(LayoutError::NotAsDue(self.name.clone()));
        }
        let unit = match (&self.unit, sent_unit, self.meaning) {
            (UnitRule::Always(unit), _, _) => *unit,
            (_, Some(written), Some(meaning)) => {
                meaning.unit(written).ok_or_else(|| LayoutError::Unit { field: self.name.clone(), unit: written.to_owned() })?
            }
            (UnitRule::Path(_), None, _) => return Err(LayoutError::Unit { field: self.name.clone(), unit: String::new() }),
            _ => Unit::ONE,
        };
        let conversion = Conversion { scale: self.scale, unit };
        if conversion.apply(raw).is_finite() { Ok(Value::Number { raw, conversion }) } else { Err(self.out_of_range()) }
    }
}
