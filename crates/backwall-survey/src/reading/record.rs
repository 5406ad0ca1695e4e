//! What a device tells, decoded: the records that flow from `stream` to `live`.

use backwall_ultrasound::TimeBase;
use backwall_units::{Decibel, Length, Temperature, Time};
use std::sync::Arc;

/// The time base and name of a device; comes first and again every few seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    pub base: TimeBase,
    pub samples: u16,
    pub device_id: u32,
    /// As the device sent it; make it safe before showing it.
    pub device_name: String,
}

/// One transmitted pulse and its waveform.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    pub seq: u32,
    pub device_time_us: Option<u64>,
    pub encoder: Option<i32>,
    /// Raw counts of the encoder across.
    pub across: Option<i32>,
    pub gain: Decibel,
    pub samples: Arc<[i16]>,
}

/// A device that tells no gain has 0 dB; so one of exactly that is not relied on.
pub fn told(gain: Decibel) -> Option<Decibel> {
    (gain != Decibel::ZERO).then(|| gain.rounded())
}

/// What a device that evaluates its own echoes sends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GaugeValue {
    /// A wall thickness; `None` where the device saw no echo.
    Thickness(Option<Length>),
    /// Arrival of the back-wall echo after the transmit pulse; `None` where the device saw no echo.
    EchoTime(Option<Time>),
    /// The device says itself that what it measured is no wall: its probe is not coupled.
    NoCoupling,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Gauge {
    pub seq: u32,
    pub device_time_us: Option<u64>,
    pub encoder: Option<i32>,
    /// Raw counts of the encoder across.
    pub across: Option<i32>,
    pub value: GaugeValue,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Status {
    pub device_time_us: Option<u64>,
    pub battery_mv: Option<u16>,
    pub surface_temperature: Option<Temperature>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    Header(Header),
    Shot(Shot),
    Status(Status),
    Gauge(Gauge),
}
