//! The level of a reading against the limits of its course.

use backwall_ultrasound::{Flag, Flags, Measurement, Quality};
use backwall_units::Length;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How a wall stands against its limit. Ordered from harmless to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum Level {
    /// A thickness, but its course has no required thickness to judge it by, or the device contradicts itself on it.
    #[serde(rename = "NO LIMIT")]
    Unjudged,
    /// At or above the watch limit.
    Clear,
    /// No thickness could be read.
    #[serde(rename = "NO ECHO")]
    NoEcho,
    /// Within the watch margin above the required thickness, or its U reaches there.
    Watch,
    /// Below the required thickness.
    Thin,
}

impl Level {
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unjudged => "NO LIMIT",
            Self::Clear => "CLEAR",
            Self::Watch => "WATCH",
            Self::Thin => "THIN",
            Self::NoEcho => "NO ECHO",
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Limits of one course.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CourseLimits {
    pub number: u16,
    #[serde(rename = "bottom_mm")]
    pub bottom: Length,
    #[serde(rename = "top_mm")]
    pub top: Length,
    #[serde(rename = "nominal_mm")]
    pub nominal: Length,
    #[serde(rename = "required_mm")]
    pub required: Option<Length>,
}

/// What a plate may be thicker than ordered: EN 10029 class A allows 1.1 mm at 5 to 8 mm, 1.2 mm to 15 mm, 1.3 mm to 25 mm (values
/// from memory); the straight line through them.
const MILL_TOLERANCE: Length = Length::mm(1.1);
const MILL_TOLERANCE_PART: f64 = 0.01;
/// Beyond this many times nominal a number is no wall of that course.
const IMPOSSIBLE: f64 = 2.5;

/// Limits of all courses a line crosses.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Limits {
    pub courses: Vec<CourseLimits>,
    #[serde(rename = "watch_margin_mm")]
    pub watch_margin: Length,
    /// How strict the doubt is: a reading whose U reaches below the watch limit is WATCH, with k = 2, or k = 3 when this is set.
    #[serde(default)]
    pub guard_band: bool,
}

impl Limits {
    pub fn course(&self, number: u16) -> Option<&CourseLimits> {
        self.courses.iter().find(|course| course.number == number)
    }

    /// The required thickness that counts at a place: that of its course, else the largest of all.
    pub fn required(&self, course: Option<u16>) -> Option<Length> {
        match course.and_then(|number| self.course(number)) {
            Some(course) => course.required,
            None => self.courses.iter().filter_map(|course| course.required).reduce(Length::max),
        }
    }

    pub fn nominal(&self, course: Option<u16>) -> Option<Length> {
        match course.and_then(|number| self.course(number)) {
            Some(course) => Some(course.nominal),
            None => self.courses.iter().map(|course| course.nominal).reduce(Length::max),
        }
    }

    /// A measurement with what the limits of its course say of it. Judged before by other limits, it is judged anew.
    pub fn judged(&self, measurement: Measurement, course: Option<u16>) -> Measurement {
        if self.impossible(&measurement, course) {
            let flags = measurement.flags.with(Flag::OutOfRange).with(Flag::OverNominal);
            return Measurement { echo_time: measurement.echo_time, ..Measurement::none(flags) };
        }
        let doubt = self.in_doubt(&measurement, course).then_some(Flag::LimitInDoubt);
        let over = self.over_nominal(&measurement, course).then_some(Flag::OverNominal);
        let before = match measurement.thickness {
            Some(_) => measurement.flags.without(Flag::LimitInDoubt).without(Flag::OverNominal),
            None => measurement.flags,
        };
        let flags = [doubt, over].into_iter().flatten().fold(before, Flags::with);
        let quality = if over.is_some() { measurement.quality.min(Quality::Fair) } else { measurement.quality };
        Measurement { flags, quality, ..measurement }
    }

    /// The level of a measurement. Without a required thickness nothing is called CLEAR, nor what the
    /// device contradicts itself on; under a limit it is said all the same.
    pub fn level(&self, measurement: &Measurement, course: Option<u16>) -> Level {
        let Some(thickness) = measurement.thickness else {
            return Level::NoEcho;
        };
        let Some(required) = self.required(course) else {
            return Level::Unjudged;
        };
        if thickness < required {
            Level::Thin
        } else if thickness < required + self.watch_margin || self.in_doubt(measurement, course) {
            Level::Watch
        } else if measurement.is_distrusted() {
            Level::Unjudged
        } else {
            Level::Clear
        }
    }

    /// Whether a reading over the watch limit might lie under it: its U reaches there.
    pub fn in_doubt(&self, measurement: &Measurement, course: Option<u16>) -> bool {
        let (Some(thickness), Some(required)) = (measurement.thickness, self.required(course)) else { return false };
        let limit = required + self.watch_margin;
        thickness >= limit && thickness - self.doubt(measurement.uncertainty) < limit
    }

    /// How far under a reading the wall may be.
    pub fn doubt(&self, uncertainty: Option<Length>) -> Length {
        uncertainty.map_or(Length::ZERO, |u| u * if self.guard_band { 3.0 } else { 2.0 })
    }

    /// Whether a reading is thicker than plates come, U counted.
    pub fn over_nominal(&self, measurement: &Measurement, course: Option<u16>) -> bool {
        let (Some(thickness), Some(nominal)) = (measurement.thickness, self.nominal(course)) else { return false };
        thickness - measurement.uncertainty.map_or(Length::ZERO, |u| u * 2.0) > nominal * (1.0 + MILL_TOLERANCE_PART) + MILL_TOLERANCE
    }

    /// Whether a number cannot be a wall of that course.
    pub fn impossible(&self, measurement: &Measurement, course: Option<u16>) -> bool {
        measurement.thickness.zip(self.nominal(course)).is_some_and(|(thickness, nominal)| thickness > nominal * IMPOSSIBLE)
    }
}
