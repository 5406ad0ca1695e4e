//! PURE. A reading, and the one function that makes it out of a shot. Live, replay, headless, re-evaluation
//! and tests all call [`ReadingMaker`].

pub mod make;
pub mod record;
mod running;
mod tracked;
mod tyre;
pub mod zero;

pub use make::{Measured, Measurer, ReadingMaker};
pub use record::{Gauge, GaugeValue, Header, Record, Shot, Status, told};
pub use tyre::Cause;
pub use zero::Zero;

use crate::strip::{Level, statistics};
use crate::travel::Place;
use backwall_ultrasound::Measurement;
use backwall_units::{Decibel, Temperature};

/// One shot, evaluated and placed. No echo is a reading too.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub seq: u32,
    /// The device's clock, µs; not every device has one.
    pub device_time_us: Option<u64>,
    /// The computer's clock when the bytes arrived, µs since 1970-01-01 UTC.
    pub host_time_us: i64,
    /// Raw encoder counts as they came.
    pub encoder: Option<i32>,
    pub place: Place,
    pub gain: Decibel,
    /// Wall temperature the velocity was taken at.
    pub wall_temperature: Temperature,
    pub measurement: Measurement,
    pub level: Level,
    /// The level when it was made; another than `level` where the plan was revised or the run put on another line since.
    pub level_shown: Level,
}

impl From<&Reading> for statistics::Sample {
    fn from(reading: &Reading) -> Self {
        Self {
            along: reading.place.along,
            across: reading.place.across.map_or(backwall_units::Length::ZERO, |across| across.at),
            course: reading.place.course,
            thickness: reading.measurement.thickness,
            quality: reading.measurement.quality,
            level: reading.level,
        }
    }
}
