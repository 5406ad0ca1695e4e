//! Reads a frame by its record: each field where it stands, then its value, or why there is none.

use super::condition::{Constant, Sent};
use super::json;
use super::layout::{Conversion, Count, FramePlace, Layout, LayoutError, LayoutField, Number, RecordRule, UnitRule, Wire};
use super::meaning::{Meaning, Unit};
use std::sync::Arc;

/// One field's value.
#[derive(Debug, Clone, PartialEq)]
pub enum FieldValue {
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
enum FieldPiece<'a> {
    Number(Number),
    /// With its unit, where that stands elsewhere.
    Text(&'a str, Option<&'a str>),
    /// Samples, in binary, in text, and in JSON.
    Bytes(&'a [u8]),
    Columns(&'a [&'a str]),
    List(&'a [serde_json::Value]),
}

impl FieldPiece<'_> {
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
    fn take(&mut self, field: &LayoutField, value: FieldValue) -> Result<(), LayoutError>;
    /// The device says that what it measured is no wall.
    fn invalid(&mut self);
    /// What was measured cannot be read: a mistake, unless it is invalid anyway.
    fn unreadable(&mut self, error: LayoutError);
}

/// Takes each field as it stands, or why it does not.
type Each<'e> = &'e mut dyn FnMut(&LayoutField, Result<FieldPiece<'_>, LayoutError>) -> Result<(), LayoutError>;

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
            let FramePlace::Bytes { wire, order, count, at: placed, bits } = field.place else { continue };
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
                (Wire::Text, _) => std::str::from_utf8(here)
                    .map(|text| FieldPiece::Text(text.trim_end_matches('\0'), None))
                    .map_err(|_| LayoutError::NotText),
                (_, Count::Rest) => Ok(FieldPiece::Bytes(here)),
                _ => Ok(FieldPiece::Number(match bits {
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
        let none = |field: &LayoutField| LayoutError::NoValue(field.name.clone());
        for field in &self.fields {
            let FramePlace::Column { index, rest } = field.place else { continue };
            let piece = columns.get(index).ok_or_else(|| none(field)).and_then(|here| match &field.unit {
                _ if rest => Ok(FieldPiece::Columns(&columns[index..])),
                UnitRule::Column(at) => Ok(FieldPiece::Text(here, Some(*columns.get(*at).ok_or_else(|| none(field))?))),
                _ => Ok(FieldPiece::Text(here, None)),
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
        let named = |key: &str, field: &LayoutField| {
            let mut found = pairs.iter().filter(|pair| pair.0 == key);
            match (found.next(), found.next()) {
                (Some(pair), None) => Ok(pair.1),
                _ => Err(LayoutError::NoValue(field.name.clone())),
            }
        };
        for field in &self.fields {
            let FramePlace::Key(key) = &field.place else { continue };
            let piece = named(key, field).and_then(|here| match &field.unit {
                UnitRule::Key(key) => Ok(FieldPiece::Text(here, Some(named(key, field)?))),
                _ => Ok(FieldPiece::Text(here, None)),
            });
            to(field, piece)?;
        }
        Ok(())
    }

    fn each_path(&self, body: &[u8], to: Each<'_>) -> Result<(), LayoutError> {
        let root = json::object(body)?;
        for field in &self.fields {
            let FramePlace::Path(path) = &field.place else { continue };
            let unit = match &field.unit {
                UnitRule::Path(path) => path.of(&root).and_then(serde_json::Value::as_str),
                _ => None,
            };
            let words;
            let piece = match path.of(&root) {
                // What is not there or null has no value; `absent = ""` says what that means.
                None | Some(serde_json::Value::Null) => Ok(FieldPiece::Text("", None)),
                Some(serde_json::Value::String(text)) => Ok(FieldPiece::Text(text, unit)),
                Some(serde_json::Value::Array(list)) => Ok(FieldPiece::List(list)),
                Some(other) => {
                    words = other.to_string();
                    Ok(FieldPiece::Text(&words, unit))
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

impl LayoutField {
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

    fn value(&self, piece: FieldPiece<'_>) -> Result<FieldValue, LayoutError> {
        let is_samples = self.meaning == Some(Meaning::Samples);
        match piece {
            FieldPiece::Text(text, _) if is_samples => Ok(FieldValue::Samples(self.encoded_samples(text)?)),
            FieldPiece::Text(text, unit) => self.of_text(text, unit),
            FieldPiece::Number(number) => self.of_number(number, None),
            FieldPiece::Bytes(bytes) => Ok(FieldValue::Samples(self.binary_samples(bytes)?)),
            FieldPiece::Columns(columns) => Ok(FieldValue::Samples(self.text_samples(columns)?)),
            FieldPiece::List(list) if is_samples => Ok(FieldValue::Samples(self.listed_samples(list)?)),
            FieldPiece::List(_) => Err(self.not_a_number("[...]")),
        }
    }

    fn of_text(&self, text: &str, unit: Option<&str>) -> Result<FieldValue, LayoutError> {
        if self.absent.iter().any(|absent| matches!(absent, Constant::Text(absent) if absent == text)) {
            return Ok(FieldValue::Absent);
        }
        if let Some(Constant::Text(due)) = &self.must_be
            && due != text
        {
            return Err(LayoutError::NotAsDue(self.name.clone()));
        }
        match self.meaning {
            None if !matches!(self.must_be, Some(Constant::Number(_))) => return Ok(FieldValue::Text(String::new())),
            Some(Meaning::DeviceName | Meaning::Channel) => return Ok(FieldValue::Text(text.to_owned())),
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

    fn of_number(&self, raw: Number, sent_unit: Option<&str>) -> Result<FieldValue, LayoutError> {
        if self.absent.iter().any(|absent| absent.is_number(raw)) {
            return Ok(FieldValue::Absent);
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
        if conversion.apply(raw).is_finite() { Ok(FieldValue::Number { raw, conversion }) } else { Err(self.out_of_range()) }
    }
}
