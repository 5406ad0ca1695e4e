//! The quantities themselves: how each is made and read, and what comes of multiplying and dividing them.

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
