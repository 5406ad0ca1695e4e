//! What is exported, as columns: each with its name, its kind, its unit and where its value comes from. CSV and Parquet are
//! both written from here, so that they hold the same values digit for digit. Numbers are the whole numbers the job
//! file stores: no digit is invented or lost.

use std::borrow::Cow;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    Whole,
    /// A decimal number with this many digits behind the point.
    Fixed(u8),
    /// Microseconds since 1970-01-01 UTC.
    Time,
    Text,
    Truth,
}

/// One value of a row; what does not exist is `None`, never zero.
#[derive(Debug, Clone, PartialEq)]
pub enum CellValue<'a> {
    None,
    Whole(i128),
    /// The number times ten to the digits of its column.
    Fixed(i64),
    Time(i64),
    Text(Cow<'a, str>),
    Truth(bool),
}

pub struct Column<R> {
    pub name: &'static str,
    pub kind: ColumnKind,
    /// Empty for what has no unit.
    pub unit: &'static str,
    pub about: &'static str,
    pub of: for<'r> fn(&'r R) -> CellValue<'r>,
}

impl<'a> From<&'a str> for CellValue<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(Cow::Borrowed(text))
    }
}
impl From<String> for CellValue<'_> {
    fn from(text: String) -> Self {
        Self::Text(Cow::Owned(text))
    }
}

pub fn whole<'a>(value: Option<impl Into<i128>>) -> CellValue<'a> {
    value.map_or(CellValue::None, |value| CellValue::Whole(value.into()))
}

pub fn fixed<'a>(value: Option<i64>) -> CellValue<'a> {
    value.map_or(CellValue::None, CellValue::Fixed)
}

/// A whole number of the smallest unit with its decimal point put in, every digit as stored.
pub fn decimal(value: i64, digits: u8) -> String {
    let digits = usize::from(digits);
    let sign = if value < 0 { "-" } else { "" };
    let all = format!("{:0width$}", value.unsigned_abs(), width = digits + 1);
    let (whole, part) = all.split_at(all.len() - digits);
    if digits == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{part}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_every_digit_they_were_stored_with() {
        assert_eq!(decimal(9_512_345, 6), "9.512345");
        assert_eq!(decimal(-5, 3), "-0.005");
        assert_eq!(decimal(0, 2), "0.00");
        assert_eq!(decimal(7, 0), "7");
        assert_eq!(decimal(i64::MIN, 3), "-9223372036854775.808");
    }
}
