//! A waveform (A-scan): signed converter codes on an even time base.

use backwall_units::{Frequency, Time};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// When each sample was taken, counted from the transmit pulse, and what full screen height is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeBase {
    #[serde(rename = "rate_hz")]
    pub rate: Frequency,
    #[serde(rename = "first_ns")]
    pub first: Time,
    /// Converter bits; full screen height is 2^(bits-1) codes.
    pub bits: u8,
}

impl TimeBase {
    /// The code that stands for 100 % of full screen height.
    pub fn full_scale(&self) -> f64 {
        f64::from(1u32 << (u32::from(self.bits.clamp(2, 16)) - 1))
    }
    /// The time of a (fractional) sample index.
    pub fn time_at(&self, sample: f64) -> Time {
        self.first + Time::seconds(sample / self.rate.as_hz())
    }
    /// The (fractional) sample index of a time.
    pub fn sample_at(&self, time: Time) -> f64 {
        (time - self.first).as_seconds() * self.rate.as_hz()
    }
    /// The time just behind the last of `samples` samples.
    pub fn end(&self, samples: usize) -> Time {
        self.time_at(samples as f64)
    }
}

/// One recorded waveform, cheap to clone.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    pub base: TimeBase,
    pub samples: Arc<[i16]>,
}
