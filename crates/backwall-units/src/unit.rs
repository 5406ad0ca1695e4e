//! The unit lengths are read and typed in, and numbers as people type them.

use crate::*;
use serde::{Deserialize, Serialize};

/// The unit the operator reads lengths in; storage is always metric.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LengthUnit {
    #[default]
    Mm,
    Inch,
}

impl LengthUnit {
    pub fn toggled(self) -> Self {
        match self {
            Self::Mm => Self::Inch,
            Self::Inch => Self::Mm,
        }
    }
    /// A wall thickness with the digits the trade reads: 0.01 mm or 0.001 in.
    pub fn thickness(self, length: Length) -> String {
        match self {
            Self::Mm => format!("{:.2}", length.as_mm()),
            Self::Inch => format!("{:.3}", length.as_inch()),
        }
    }
    /// A place along a line: metres with millimetres, or inches with tenths.
    pub fn place(self, length: Length) -> String {
        match self {
            Self::Mm => format!("{:.3}", length.as_metres()),
            Self::Inch => format!("{:.1}", length.as_inch()),
        }
    }
    /// A distance between places with its sign and unit: `+40.0 mm`, `-1.57 in`.
    pub fn offset(self, length: Length) -> String {
        match self {
            Self::Mm => format!("{:+.1} mm", length.as_mm()),
            Self::Inch => format!("{:+.2} in", length.as_inch()),
        }
    }
    /// A crawling speed without its unit.
    pub fn speed(self, speed: Speed) -> String {
        match self {
            Self::Mm => format!("{:.0}", speed.as_mm_s()),
            Self::Inch => format!("{:.2}", speed.as_inch_s()),
        }
    }
    pub fn thickness_symbol(self) -> &'static str {
        match self {
            Self::Mm => "mm",
            Self::Inch => "in",
        }
    }
    pub fn place_symbol(self) -> &'static str {
        match self {
            Self::Mm => "m",
            Self::Inch => "in",
        }
    }
    /// A loss rate without its unit.
    pub fn rate(self, rate: LossRate) -> String {
        match self {
            Self::Mm => format!("{:.3}", rate.as_mm_y()),
            Self::Inch => format!("{:.4}", rate.as_inch_y()),
        }
    }
    pub fn rate_symbol(self) -> &'static str {
        match self {
            Self::Mm => "mm/year",
            Self::Inch => "in/year",
        }
    }
    pub fn speed_symbol(self) -> &'static str {
        match self {
            Self::Mm => "mm/s",
            Self::Inch => "in/s",
        }
    }
    /// A sound velocity without its unit: metres a second, or inches a microsecond.
    pub fn velocity(self, velocity: Velocity) -> String {
        match self {
            Self::Mm => format!("{:.1}", velocity.as_m_s()),
            Self::Inch => format!("{:.5}", velocity.as_inch_per_us()),
        }
    }
    pub fn velocity_symbol(self) -> &'static str {
        match self {
            Self::Mm => "m/s",
            Self::Inch => "in/µs",
        }
    }
    /// An area of so many square metres with its unit; the foot is 0.3048 m exactly.
    pub fn area(self, m2: f64) -> String {
        match self {
            Self::Mm => format!("{m2:.3} m²"),
            Self::Inch => format!("{:.2} ft²", m2 / (0.3048 * 0.3048)),
        }
    }
    /// How a sound velocity changes with temperature, with its unit. `slope` is in metres a second for each kelvin.
    pub fn velocity_slope(self, slope: f64) -> String {
        match self {
            Self::Mm => format!("{slope:+.2} m/s per kelvin"),
            Self::Inch => format!("{:+.7} in/µs per °F", Velocity::m_s(slope).as_inch_per_us() / 1.8),
        }
    }
    /// A temperature without its unit.
    pub fn temperature(self, temperature: Temperature) -> String {
        match self {
            Self::Mm => format!("{:.1}", temperature.as_celsius()),
            Self::Inch => format!("{:.1}", temperature.as_fahrenheit()),
        }
    }
    pub fn temperature_symbol(self) -> &'static str {
        match self {
            Self::Mm => "°C",
            Self::Inch => "°F",
        }
    }
}

/// What is wrong with a typed number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NumberError {
    #[error("'{0}' is not a number: write digits, with a point or a comma before the decimals")]
    NoNumber(String),
    /// A comma before three digits parts thousands for some and decimals for others.
    #[error("'{text}' can be read in two ways: write {} or {}", .text.replace(',', "."), .text.replace(',', ""))]
    TwoWays { text: String },
    #[error("'{0}' has more than one point or comma: write at most one, before the decimals")]
    TwoMarks(String),
}

/// Reads a typed number: with a decimal point, or with a decimal comma where it can be no other. `1,234` is refused, for it is a
/// thousand and more to some and little more than one to others; `0,234`, `1,23` and `1,2345` have one meaning only.
pub fn parse_number(text: &str) -> Result<f64, NumberError> {
    let trimmed = text.trim();
    let wrong = || NumberError::NoNumber(trimmed.to_owned());
    let read = |text: &str| text.parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(wrong);
    let Some((whole, part)) = trimmed.split_once(',') else { return read(trimmed) };
    if part.contains(',') || trimmed.contains('.') {
        return Err(NumberError::TwoMarks(trimmed.to_owned()));
    }
    let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let whole = whole.strip_prefix(['-', '+']).unwrap_or(whole);
    if !is_digits(whole) || !is_digits(part) {
        return Err(wrong());
    }
    // Nobody parts thousands behind a zero or behind four digits.
    if part.len() == 3 && whole.len() <= 3 && !whole.starts_with('0') {
        return Err(NumberError::TwoWays { text: trimmed.to_owned() });
    }
    read(&trimmed.replace(',', "."))
}

/// What is wrong with a typed length.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LengthError {
    #[error("'{text}' is not a length: write a number, followed by mm, m or in if it is not in {unit}", unit = .default.thickness_symbol())]
    NoLength { text: String, default: LengthUnit },
    #[error(transparent)]
    Number(#[from] NumberError),
}

/// Reads a typed length: a number as [`parse_number`] does, in `default` or with `mm`, `m`, `in` or `"` behind it.
pub fn parse_length(text: &str, default: LengthUnit) -> Result<Length, LengthError> {
    let trimmed = text.trim();
    let wrong = || LengthError::NoLength { text: trimmed.to_owned(), default };
    let split = trimmed.find(|c: char| c.is_ascii_alphabetic() && c != 'e' && c != 'E' || c == '"').unwrap_or(trimmed.len());
    let (number, unit) = trimmed.split_at(split);
    let value = match parse_number(number) {
        Err(NumberError::NoNumber(_)) => return Err(wrong()),
        found => found?,
    };
    match (unit.trim(), default) {
        ("mm", _) | ("", LengthUnit::Mm) => Ok(Length::mm(value)),
        ("m", _) => Ok(Length::metres(value)),
        ("in" | "\"", _) | ("", LengthUnit::Inch) => Ok(Length::inch(value)),
        _ => Err(wrong()),
    }
}
