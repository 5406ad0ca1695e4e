//! Lengths, times and the other quantities of the trade, as types.
//!
//! Every quantity that crosses a room's wall is one of these, so that a millimetre is never taken for an
//! inch nor a microsecond for a nanosecond. Serialised, each is the plain number in the unit its
//! constructor-of-record names (`Length` mm, `Time` ns, `Velocity` m/s, `Frequency` Hz, `Temperature` °C,
//! `Decibel` dB, `Pressure` MPa, `LossRate` mm a year, `Years` years, `Minutes` minutes); the key of the plan or the JSON carries that unit in its name.

mod wording;

pub use wording::Wording;

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            pub const ZERO: Self = Self(0.0);

            pub fn is_finite(self) -> bool {
                self.0.is_finite()
            }
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
            pub fn total_cmp(&self, other: &Self) -> std::cmp::Ordering {
                self.0.total_cmp(&other.0)
            }
        }
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

quantity!(
    /// A length or a place along a line; of record in millimetres.
    Length
);
quantity!(
    /// A span of time on the ultrasonic time base; of record in nanoseconds.
    Time
);
quantity!(
    /// A sound velocity; of record in metres per second.
    Velocity
);
quantity!(
    /// A crawling speed; of record in millimetres per second.
    Speed
);
quantity!(
    /// A frequency or a sampling rate; of record in hertz.
    Frequency
);
quantity!(
    /// A temperature or a difference of two; of record in degrees Celsius.
    Temperature
);
quantity!(
    /// A level or a gain; of record in decibels (20 log10 of an amplitude ratio).
    Decibel
);

quantity!(
    /// A pressure or a stress; of record in megapascals.
    Pressure
);
quantity!(
    /// A loss of wall over time, positive where the wall becomes thinner; of record in millimetres a year.
    LossRate
);
quantity!(
    /// A span of calendar time; of record in years of 365.25 days.
    Years
);

quantity!(
    /// A span of working time; of record in minutes.
    Minutes
);

/// One inch is exactly 25.4 mm (international yard and pound agreement, 1959).
pub const MM_PER_INCH: f64 = 25.4;

impl Length {
    pub const fn mm(value: f64) -> Self {
        Self(value)
    }
    pub fn inch(value: f64) -> Self {
        Self(value * MM_PER_INCH)
    }
    pub fn metres(value: f64) -> Self {
        Self(value * 1e3)
    }
    pub fn micrometres(value: i64) -> Self {
        Self(value as f64 / 1e3)
    }
    pub fn nanometres(value: i64) -> Self {
        Self(value as f64 / 1e6)
    }
    pub const fn as_mm(self) -> f64 {
        self.0
    }
    pub fn as_inch(self) -> f64 {
        self.0 / MM_PER_INCH
    }
    pub fn as_metres(self) -> f64 {
        self.0 / 1e3
    }
    /// The nearest whole micrometre; what the job file stores of a place.
    pub fn as_micrometres(self) -> i64 {
        (self.0 * 1e3).round() as i64
    }
    /// The nearest whole nanometre; what the job file stores of a thickness.
    pub fn as_nanometres(self) -> i64 {
        (self.0 * 1e6).round() as i64
    }
}

impl Time {
    pub const fn ns(value: f64) -> Self {
        Self(value)
    }
    pub fn us(value: f64) -> Self {
        Self(value * 1e3)
    }
    pub fn seconds(value: f64) -> Self {
        Self(value * 1e9)
    }
    pub fn picoseconds(value: i64) -> Self {
        Self(value as f64 / 1e3)
    }
    pub const fn as_ns(self) -> f64 {
        self.0
    }
    pub fn as_us(self) -> f64 {
        self.0 / 1e3
    }
    pub fn as_seconds(self) -> f64 {
        self.0 / 1e9
    }
    /// The nearest whole picosecond; what the job file stores of an echo time.
    pub fn as_picoseconds(self) -> i64 {
        (self.0 * 1e3).round() as i64
    }
}

impl Velocity {
    pub const fn m_s(value: f64) -> Self {
        Self(value)
    }
    pub fn inch_per_us(value: f64) -> Self {
        Self(value * MM_PER_INCH * 1e3)
    }
    pub const fn as_m_s(self) -> f64 {
        self.0
    }
    pub fn as_inch_per_us(self) -> f64 {
        self.0 / (MM_PER_INCH * 1e3)
    }
}

impl Speed {
    pub const fn mm_s(value: f64) -> Self {
        Self(value)
    }
    pub const fn as_mm_s(self) -> f64 {
        self.0
    }
    pub fn as_inch_s(self) -> f64 {
        self.0 / MM_PER_INCH
    }
    pub fn micrometres_s(value: i64) -> Self {
        Self(value as f64 / 1e3)
    }
    /// The nearest whole micrometre per second; what the job file stores of a speed.
    pub fn as_micrometres_s(self) -> i64 {
        (self.0 * 1e3).round() as i64
    }
}

impl Frequency {
    pub const fn hz(value: f64) -> Self {
        Self(value)
    }
    pub fn mhz(value: f64) -> Self {
        Self(value * 1e6)
    }
    pub const fn as_hz(self) -> f64 {
        self.0
    }
    pub fn as_mhz(self) -> f64 {
        self.0 / 1e6
    }
    /// The time between two samples at this rate.
    pub fn period(self) -> Time {
        Time(1e9 / self.0)
    }
}

impl Temperature {
    pub const fn celsius(value: f64) -> Self {
        Self(value)
    }
    pub const fn as_celsius(self) -> f64 {
        self.0
    }
    /// A temperature, not a difference of two.
    pub fn as_fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }
    pub fn millidegrees(value: i64) -> Self {
        Self(value as f64 / 1e3)
    }
    /// The nearest whole thousandth of a degree; what the job file stores of a temperature.
    pub fn as_millidegrees(self) -> i64 {
        (self.0 * 1e3).round() as i64
    }
    /// Rounded to what the job file stores.
    pub fn rounded(self) -> Self {
        Self((self.0 * 1e3).round() / 1e3)
    }
}

impl Decibel {
    pub const fn db(value: f64) -> Self {
        Self(value)
    }
    pub const fn as_db(self) -> f64 {
        self.0
    }
    pub fn hundredths(value: i64) -> Self {
        Self(value as f64 / 1e2)
    }
    /// The nearest whole hundredth of a decibel; what the job file stores of a level or a gain.
    pub fn as_hundredths(self) -> i64 {
        (self.0 * 1e2).round() as i64
    }
    /// Rounded to what the job file stores.
    pub fn rounded(self) -> Self {
        Self((self.0 * 1e2).round() / 1e2)
    }
    pub fn as_ratio(self) -> f64 {
        libm::exp10(self.0 / 20.0)
    }
}

/// One pound-force per square inch in megapascals: 0.45359237 kg × 9.80665 m/s² / (0.0254 m)², all exact.
const MPA_PER_PSI: f64 = 0.453_592_37 * 9.806_65 / (0.0254 * 0.0254) / 1e6;

impl Pressure {
    pub const fn mpa(value: f64) -> Self {
        Self(value)
    }
    pub fn psi(value: f64) -> Self {
        Self(value * MPA_PER_PSI)
    }
    pub const fn as_mpa(self) -> f64 {
        self.0
    }
    pub fn as_psi(self) -> f64 {
        self.0 / MPA_PER_PSI
    }
}

impl LossRate {
    pub const fn mm_y(value: f64) -> Self {
        Self(value)
    }
    pub fn inch_y(value: f64) -> Self {
        Self(value * MM_PER_INCH)
    }
    pub const fn as_mm_y(self) -> f64 {
        self.0
    }
    pub fn as_inch_y(self) -> f64 {
        self.0 / MM_PER_INCH
    }
}

impl Years {
    pub const fn new(value: f64) -> Self {
        Self(value)
    }
    pub const fn as_years(self) -> f64 {
        self.0
    }
}

impl Minutes {
    pub const fn new(value: f64) -> Self {
        Self(value)
    }
    pub const fn as_minutes(self) -> f64 {
        self.0
    }
    pub fn as_seconds(self) -> f64 {
        self.0 * 60.0
    }
}

/// How long a way takes at a speed.
impl Div<Speed> for Length {
    type Output = Minutes;
    fn div(self, speed: Speed) -> Minutes {
        Minutes(self.0 / speed.0 / 60.0)
    }
}

/// The wall lost in a time.
impl Div<Years> for Length {
    type Output = LossRate;
    fn div(self, time: Years) -> LossRate {
        LossRate(self.0 / time.0)
    }
}
/// What goes at a rate in a time.
impl Mul<Years> for LossRate {
    type Output = Length;
    fn mul(self, time: Years) -> Length {
        Length(self.0 * time.0)
    }
}
/// How long a wall lasts at a rate.
impl Div<LossRate> for Length {
    type Output = Years;
    fn div(self, rate: LossRate) -> Years {
        Years(self.0 / rate.0)
    }
}

/// A sound path travelled at a velocity: the time it takes.
impl Div<Velocity> for Length {
    type Output = Time;
    fn div(self, velocity: Velocity) -> Time {
        Time(self.0 / velocity.0 * 1e6)
    }
}

/// How far sound goes at a velocity in a time.
impl Mul<Time> for Velocity {
    type Output = Length;
    fn mul(self, time: Time) -> Length {
        Length(self.0 * time.0 / 1e6)
    }
}

/// Serde for plan keys that end in `_us`: a [`Time`] written in microseconds.
pub mod microseconds {
    use super::Time;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(time: &Time, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(time.as_us())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Time, D::Error> {
        f64::deserialize(deserializer).map(Time::us)
    }
}

/// The same for a key that may be left out.
pub mod some_microseconds {
    use super::Time;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(time: &Option<Time>, serializer: S) -> Result<S::Ok, S::Error> {
        time.map(Time::as_us).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Time>, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.map(Time::us))
    }
}

/// Serde for plan keys that end in `_m` and may be left out: a [`Length`] written in metres.
pub mod some_metres {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(length: &Option<Length>, serializer: S) -> Result<S::Ok, S::Error> {
        length.map(Length::as_metres).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Length>, D::Error> {
        Ok(Option::<f64>::deserialize(deserializer)?.map(Length::metres))
    }
}

/// Serde for plan keys that end in `_mhz`: a [`Frequency`] written in megahertz.
pub mod megahertz {
    use super::Frequency;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(frequency: &Frequency, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(frequency.as_mhz())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Frequency, D::Error> {
        f64::deserialize(deserializer).map(Frequency::mhz)
    }
}

/// Serde for keys that end in `_um`: a place as whole micrometres.
pub mod whole_micrometres {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(length: &Length, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(length.as_micrometres())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Length, D::Error> {
        i64::deserialize(deserializer).map(Length::micrometres)
    }
}

/// The same for a key that may be left out.
pub mod some_micrometres {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(length: &Option<Length>, serializer: S) -> Result<S::Ok, S::Error> {
        length.map(Length::as_micrometres).serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Length>, D::Error> {
        Ok(Option::<i64>::deserialize(deserializer)?.map(Length::micrometres))
    }
}

/// Serde for keys that end in `_nm`: a thickness as whole nanometres.
pub mod whole_nanometres {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(length: &Length, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(length.as_nanometres())
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Length, D::Error> {
        i64::deserialize(deserializer).map(Length::nanometres)
    }
}

/// The same for several thicknesses.
pub mod every_nanometre {
    use super::Length;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(lengths: &[Length], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(lengths.iter().map(|length| length.as_nanometres()))
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Length>, D::Error> {
        Ok(Vec::<i64>::deserialize(deserializer)?.into_iter().map(Length::nanometres).collect())
    }
}

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

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm", self.0)
    }
}
impl fmt::Display for Time {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ns", self.0)
    }
}
/// Whole minutes, rounded up: `12 min`, `2 h 05 min`.
impl fmt::Display for Minutes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // What float arithmetic adds to a whole minute makes no further one.
        let whole = (self.0 - 1e-9).max(0.0).ceil() as u64;
        match whole {
            0..60 => write!(f, "{whole} min"),
            _ => write!(f, "{} h {:02} min", whole / 60, whole % 60),
        }
    }
}
impl fmt::Display for Velocity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} m/s", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
    }

    // T = V·t/2: ASTM E797, section 4.1 (contact pulse-echo); arithmetic worked from it.
    #[test]
    fn a_wall_and_its_transit_time_agree_with_the_pulse_echo_relation() {
        close((Length::mm(10.0) * 2.0 / Velocity::m_s(5920.0)).as_us(), 3.378378, 1e-6);
        close((Length::inch(0.5) * 2.0 / Velocity::inch_per_us(0.2330)).as_us(), 4.291845, 1e-6);
        close((Velocity::m_s(5920.0) * Time::us(8.581081) / 2.0).as_mm(), 25.4, 1e-5);
    }

    // Exact: 1 in = 25.4 mm (international inch).
    #[test]
    fn velocities_convert_between_metric_and_inch() {
        close(Velocity::m_s(5920.0).as_inch_per_us(), 0.233071, 1e-6);
        close(Velocity::inch_per_us(0.2330).as_m_s(), 5918.2, 0.05);
    }

    // Fixed points by definition: water freezes at 0 °C = 32 °F and boils at 100 °C = 212 °F. The slope worked: -0.8 / 25 400 / 1.8.
    #[test]
    fn velocities_and_temperatures_are_shown_in_the_units_of_the_reader() {
        assert_eq!(Temperature::celsius(0.0).as_fahrenheit(), 32.0);
        close(Temperature::celsius(100.0).as_fahrenheit(), 212.0, 1e-9);
        let (mm, inch) = (LengthUnit::Mm, LengthUnit::Inch);
        assert_eq!(
            (mm.temperature(Temperature::celsius(18.04)), inch.temperature(Temperature::celsius(18.0))),
            ("18.0".into(), "64.4".into())
        );
        assert_eq!((mm.velocity(Velocity::m_s(5920.0)), inch.velocity(Velocity::m_s(5920.0))), ("5920.0".into(), "0.23307".into()));
        assert_eq!(inch.velocity_slope(-0.8), "-0.0000175 in/µs per °F");
    }

    // ASTM E797 section 4.1 with the wrong velocity set: true 10.000 mm of 5740 m/s steel read at 5920 m/s.
    #[test]
    fn a_wrong_velocity_reads_in_proportion() {
        let time = Length::mm(10.0) * 2.0 / Velocity::m_s(5740.0);
        close((Velocity::m_s(5920.0) * time / 2.0).as_mm(), 10.313589, 1e-6);
    }

    #[test]
    fn lengths_are_read_in_the_unit_typed() {
        assert_eq!(parse_length("6.2", LengthUnit::Mm), Ok(Length::mm(6.2)));
        assert_eq!(parse_length(" 1.25 m", LengthUnit::Inch), Ok(Length::mm(1250.0)));
        assert_eq!(parse_length("0.5", LengthUnit::Inch), Ok(Length::mm(12.7)));
        assert_eq!(parse_length("0.5\"", LengthUnit::Mm), Ok(Length::mm(12.7)));
        assert_eq!(parse_length("1e1mm", LengthUnit::Mm), Ok(Length::mm(10.0)));
        assert!(parse_length("ten", LengthUnit::Mm).is_err());
        assert!(parse_length("nan", LengthUnit::Mm).is_err());
    }

    // ISO 80000-1, 7.3.2: the decimal sign is a comma or a point on the line; digits are not parted by either.
    #[test]
    fn a_decimal_comma_is_read_where_it_can_be_nothing_else() {
        for (text, value) in
            [("6,2", 6.2), ("0,125", 0.125), ("-12,25", -12.25), ("1,2345", 1.2345), ("1234,567", 1234.567), ("1.234", 1.234)]
        {
            assert_eq!(parse_number(text), Ok(value), "{text}");
        }
        for text in ["1,234", "12,500", "-999,000"] {
            assert_eq!(parse_number(text), Err(NumberError::TwoWays { text: text.into() }));
        }
        assert_eq!(parse_number("1,234").unwrap_err().to_string(), "'1,234' can be read in two ways: write 1.234 or 1234");
        for text in ["1,234.5", "1.234,5", "1,2,3"] {
            assert_eq!(parse_number(text), Err(NumberError::TwoMarks(text.into())));
        }
        for text in ["", ",", "5,", ",5", "a,5", "1,5e3", "inf", "NaN"] {
            assert_eq!(parse_number(text), Err(NumberError::NoNumber(text.into())));
        }
        assert_eq!(parse_length("12,5 mm", LengthUnit::Inch), Ok(Length::mm(12.5)));
        assert!(parse_length("1,234 m", LengthUnit::Mm).unwrap_err().to_string().contains("two ways"));
    }

    #[test]
    fn working_time_is_said_in_whole_minutes_rounded_up() {
        let said = |minutes| Minutes::new(minutes).to_string();
        assert_eq!([said(0.0), said(2.01), said(59.0), said(60.0), said(124.5)], ["0 min", "3 min", "59 min", "1 h 00 min", "2 h 05 min"]);
        assert_eq!((Length::metres(3.6) / Speed::mm_s(60.0)).as_minutes(), 1.0);
    }
}
