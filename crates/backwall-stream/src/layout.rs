//! Reads the fields of one frame's body, as a profile lays them out.

use super::check::ByteOrder;
use super::condition::{Condition, Constant};
use super::json;
use super::meaning::{Meaning, RecordKind, Unit};
use super::samples::SampleEncoding;

/// One kind of record a device sends.
#[derive(Debug, Clone)]
pub struct RecordRule {
    pub kind: RecordKind,
    /// It answers this request of the profile, counted from 0.
    pub answers: Option<usize>,
    /// The body begins with this; it is taken off before the fields are read.
    pub when: Vec<u8>,
    pub layout: Layout,
    pub fields: Vec<LayoutField>,
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
pub struct LayoutField {
    pub name: String,
    pub place: FramePlace,
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
    pub encoding: SampleEncoding,
    /// A counter that starts again at 0 behind this many steps.
    pub wraps_at: Option<i128>,
    pub decimal_comma: bool,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FramePlace {
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
    Path(json::JsonPath),
}

/// Some bits of a number: the lowest is number 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    pub from: u32,
    pub count: u32,
}

impl Bits {
    pub fn of(self, raw: u64, wire: Wire) -> Number {
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
    Path(json::JsonPath),
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
