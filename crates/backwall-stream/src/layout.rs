//! Reads the fields of one frame's body, as a profile lays them out.

use super::check::ByteOrder;
use super::meaning::{Meaning, RecordKind, Unit};
use std::sync::Arc;

/// One kind of record a device sends.
#[derive(Debug, Clone)]
pub struct RecordRule {
    pub kind: RecordKind,
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
    /// A counter that starts again at 0 behind this many steps.
    pub wraps_at: Option<i128>,
    pub decimal_comma: bool,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    Bytes { wire: Wire, order: ByteOrder, count: Count },
    Column { index: usize, rest: bool },
    Key(String),
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

    fn number(self, order: ByteOrder, bytes: &[u8]) -> Number {
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

    fn parse(text: &str, decimal_comma: bool) -> Option<Self> {
        if let Ok(value) = text.parse::<i128>() {
            return Some(Self::Whole(value));
        }
        let plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+' | b'e' | b'E'));
        let text = if decimal_comma { &text.replace(',', ".") } else { text };
        text.parse().ok().filter(|value: &f64| plain(text) && value.is_finite()).map(Self::Float)
    }
}

/// A value written in a profile, to compare with.
#[derive(Debug, Clone, PartialEq)]
pub enum Constant {
    Number(f64),
    Text(String),
}

impl Constant {
    fn is_number(&self, value: Number) -> bool {
        matches!(self, Self::Number(constant) if *constant == value.as_f64())
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
}

/// Where the unit of a value is known from.
#[derive(Debug, Clone, PartialEq)]
pub enum UnitRule {
    Always(Unit),
    /// Behind the number, in the same text.
    AsSent,
    Column(usize),
    Key(String),
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

/// One field's value, in the unit of record.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    Absent,
    /// As it came (for counters and clocks, exactly), and in the unit of record.
    Number {
        raw: Number,
        value: f64,
        exact: bool,
    },
    Text(String),
    Samples(Arc<[i16]>),
}

/// Takes each field that has a meaning, with its value.
pub trait Take {
    fn take(&mut self, field: &Field, value: Value) -> Result<(), LayoutError>;
}

impl RecordRule {
    /// Reads `body` (with `when` already taken off).
    pub fn read(&self, body: &[u8], to: &mut impl Take) -> Result<(), LayoutError> {
        match self.layout {
            Layout::Binary => self.read_binary(body, to),
            Layout::Columns { delimiter, exactly } => self.read_columns(text(body)?, delimiter, exactly, to),
            Layout::Keyed { delimiter, sign } => self.read_keyed(text(body)?, delimiter, sign, to),
        }
    }

    fn read_binary(&self, body: &[u8], to: &mut impl Take) -> Result<(), LayoutError> {
        let mut rest = body;
        for field in &self.fields {
            let Place::Bytes { wire, order, count } = field.place else { continue };
            let bytes = match count {
                Count::One => wire.width().unwrap_or(0),
                Count::Bytes(bytes) => bytes,
                Count::Rest => rest.len(),
            };
            let Some((here, behind)) = rest.split_at_checked(bytes) else { return Err(LayoutError::Short(field.name.clone())) };
            rest = behind;
            let value = match (wire, count) {
                (Wire::Skip, _) => continue,
                (Wire::Text, _) => {
                    let text = std::str::from_utf8(here).map_err(|_| LayoutError::NotText)?;
                    field.of_text(text.trim_end_matches('\0'), None)?
                }
                (_, Count::Rest) => Value::Samples(field.samples(wire, order, here)?),
                _ => field.of_number(wire.number(order, here), None)?,
            };
            if field.meaning.is_some() {
                to.take(field, value)?;
            }
        }
        if rest.is_empty() { Ok(()) } else { Err(LayoutError::LeftOver(rest.len())) }
    }

    fn read_columns(&self, text: &str, delimiter: Option<char>, exactly: Option<usize>, to: &mut impl Take) -> Result<(), LayoutError> {
        let columns = split(text, delimiter);
        if let Some(wanted) = exactly
            && wanted != columns.len()
        {
            return Err(LayoutError::Columns { found: columns.len(), wanted });
        }
        for field in &self.fields {
            let Place::Column { index, rest } = field.place else { continue };
            let here = columns.get(index).ok_or_else(|| LayoutError::NoValue(field.name.clone()))?;
            let value = if rest {
                Value::Samples(field.text_samples(&columns[index..])?)
            } else {
                let unit = match &field.unit {
                    UnitRule::Column(at) => Some(*columns.get(*at).ok_or_else(|| LayoutError::NoValue(field.name.clone()))?),
                    _ => None,
                };
                field.of_text(here, unit)?
            };
            if field.meaning.is_some() {
                to.take(field, value)?;
            }
        }
        Ok(())
    }

    fn read_keyed(&self, text: &str, delimiter: Option<char>, sign: char, to: &mut impl Take) -> Result<(), LayoutError> {
        let pairs: Vec<(&str, &str)> = split(text, delimiter)
            .into_iter()
            .filter_map(|pair| pair.split_once(sign))
            .map(|(key, value)| (key.trim(), value.trim()))
            .collect();
        let named = |key: &str| {
            let mut found = pairs.iter().filter(|pair| pair.0 == key);
            match (found.next(), found.next()) {
                (Some(pair), None) => Some(pair.1),
                _ => None,
            }
        };
        for field in &self.fields {
            let Place::Key(key) = &field.place else { continue };
            let here = named(key).ok_or_else(|| LayoutError::NoValue(field.name.clone()))?;
            let unit = match &field.unit {
                UnitRule::Key(key) => Some(named(key).ok_or_else(|| LayoutError::NoValue(field.name.clone()))?),
                _ => None,
            };
            let value = field.of_text(here, unit)?;
            if field.meaning.is_some() {
                to.take(field, value)?;
            }
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
    fn not_a_number(&self, text: &str) -> LayoutError {
        LayoutError::NotANumber { field: self.name.clone(), text: text.to_owned() }
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
            Some(Meaning::DeviceName) => return Ok(Value::Text(text.to_owned())),
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
            _ => Unit::ONE,
        };
        let value = unit.apply(self.scale.apply(raw.as_f64()));
        if !value.is_finite() {
            return Err(LayoutError::OutOfRange(self.name.clone()));
        }
        Ok(Value::Number { raw, value, exact: self.scale == Scale::ONE && unit.is_one() })
    }

    /// A step of the raw number, in the unit of record.
    pub fn step(&self, steps: f64) -> f64 {
        let unit = match self.unit {
            UnitRule::Always(unit) => unit,
            _ => Unit::ONE,
        };
        unit.apply(self.scale.apply(steps)) - unit.apply(self.scale.apply(0.0))
    }

    fn sample(&self, value: f64) -> Result<i16, LayoutError> {
        let value = self.scale.apply(value).round();
        if value >= f64::from(i16::MIN) && value <= f64::from(i16::MAX) {
            Ok(value as i16)
        } else {
            Err(LayoutError::OutOfRange(self.name.clone()))
        }
    }

    fn samples(&self, wire: Wire, order: ByteOrder, bytes: &[u8]) -> Result<Arc<[i16]>, LayoutError> {
        let width = wire.width().unwrap_or(1);
        if !bytes.len().is_multiple_of(width) {
            return Err(LayoutError::LeftOver(bytes.len() % width));
        }
        if wire == Wire::I16 && self.scale == Scale::ONE {
            let pairs = bytes.as_chunks::<2>().0.iter().copied();
            // By way of a vector: that is copied many samples at a time, a shared slice is filled one by one.
            let samples: Vec<i16> = match order {
                ByteOrder::Little => pairs.map(i16::from_le_bytes).collect(),
                ByteOrder::Big => pairs.map(i16::from_be_bytes).collect(),
            };
            return Ok(samples.into());
        }
        bytes.chunks_exact(width).map(|one| self.sample(wire.number(order, one).as_f64())).collect()
    }

    fn text_samples(&self, columns: &[&str]) -> Result<Arc<[i16]>, LayoutError> {
        columns
            .iter()
            .map(|text| {
                let number = Number::parse(text, self.decimal_comma).ok_or_else(|| self.not_a_number(text))?;
                self.sample(number.as_f64())
            })
            .collect()
    }
}
