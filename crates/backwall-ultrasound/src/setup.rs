//! Everything that decides how a waveform becomes a thickness; stored with every run.

use super::calibration::Calibration;
use super::path::SoundPath;
use backwall_units::{Frequency, Length, Temperature, Time, Velocity};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::sync::Arc;

/// How the arrival of an echo is timed; names of the trade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Picker {
    /// Threshold on the leading edge. Earlier files call it by another name.
    #[serde(alias = "flank")]
    LeadingEdge,
    /// Highest point of the rectified signal.
    Peak,
    /// Zero crossing after the threshold.
    ZeroCrossing,
    /// Correlation with the probe's own pulse.
    #[default]
    Matched,
}

/// Which two instants the transit time runs between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mode {
    /// From the transmit pulse to the first back-wall echo, less the zero.
    #[default]
    FirstEcho,
    /// From one back-wall echo to the next: paint and delay cancel.
    EchoToEcho,
}

/// Whether the calibrated zero is kept, or follows what the spacing of the echoes shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ZeroKeeping {
    /// As calibrated; a zero that has moved is flagged.
    #[default]
    Fixed,
    /// Moved with the shots that show two back-wall echoes.
    Tracked,
}

impl Picker {
    /// Each picker with its name and what it does.
    pub const ALL: &[(Self, &str, &str)] = &[
        (Self::LeadingEdge, "leading-edge", "Threshold on the leading edge"),
        (Self::Peak, "peak", "Highest point of the rectified signal"),
        (Self::ZeroCrossing, "zero-crossing", "Zero crossing after the threshold"),
        (Self::Matched, "matched", "Correlation with the probe's own pulse"),
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Self::LeadingEdge => "leading-edge",
            Self::Peak => "peak",
            Self::ZeroCrossing => "zero-crossing",
            Self::Matched => "matched",
        }
    }
}

impl Mode {
    /// Each mode with its name and what it times.
    pub const ALL: &[(Self, &str, &str)] = &[
        (Self::FirstEcho, "first-echo", "From the transmit pulse to the first back-wall echo, less the zero"),
        (Self::EchoToEcho, "echo-to-echo", "From one back-wall echo to the next: paint and delay cancel"),
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Self::FirstEcho => "first-echo",
            Self::EchoToEcho => "echo-to-echo",
        }
    }
}

impl fmt::Display for Picker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
impl fmt::Display for Mode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The time window watched for an echo, and how high an echo must stand in it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    #[serde(rename = "start_ns")]
    pub start: Time,
    #[serde(rename = "length_ns")]
    pub length: Time,
    /// Percent of full screen height.
    pub threshold_pct: f64,
}

impl Gate {
    pub fn end(&self) -> Time {
        self.start + self.length
    }
}

/// The full set-up of an evaluation. The same waveform and the same set-up give the same measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Sound velocity in the wall at `block_temperature`.
    #[serde(rename = "velocity_m_s")]
    pub velocity: Velocity,
    /// Time of everything outside the wall: tyre there and back, cable, electronics.
    #[serde(rename = "zero_ns")]
    pub zero: Time,
    /// Half the distance between the exit points of the two elements; zero for a single element.
    #[serde(rename = "half_separation_mm")]
    pub half_separation: Length,
    #[serde(rename = "frequency_hz")]
    pub frequency: Frequency,
    /// The thinnest wall the probe can resolve.
    #[serde(rename = "minimum_mm")]
    pub minimum: Length,
    pub gate: Gate,
    pub picker: Picker,
    pub mode: Mode,
    /// Files made before the zero was watched kept it fixed.
    #[serde(default)]
    pub zero_keeping: ZeroKeeping,
    /// Temperature at which velocity and zero were found.
    #[serde(rename = "block_temperature_c")]
    pub block_temperature: Temperature,
    /// Change of the wall's velocity with temperature, m/s per kelvin.
    pub velocity_slope_m_s_k: f64,
    /// What blocks taught; its zero, path, velocity and temperature then count instead of the typed ones.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "shared")]
    pub calibration: Option<Arc<Calibration>>,
    /// The channel of the device it was measured on, where one was chosen: each has a probe of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<String>,
}

/// Serde for a calibration that set-ups share.
mod shared {
    use super::{Arc, Calibration};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(calibration: &Option<Arc<Calibration>>, serializer: S) -> Result<S::Ok, S::Error> {
        calibration.as_deref().serialize(serializer)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Arc<Calibration>>, D::Error> {
        Ok(Option::<Calibration>::deserialize(deserializer)?.map(Arc::new))
    }
}

impl Setup {
    /// This set-up with a calibration, its typed values replaced by the calibration's.
    pub fn with_calibration(&self, calibration: Arc<Calibration>) -> Self {
        Self {
            velocity: calibration.velocity,
            zero: calibration.zero,
            half_separation: calibration.half_separation,
            block_temperature: calibration.temperature,
            calibration: Some(calibration),
            ..self.clone()
        }
    }
    /// The temperature at which the velocity that counts was found.
    pub fn reference_temperature(&self) -> Temperature {
        self.calibration.as_ref().map_or(self.block_temperature, |calibration| calibration.temperature)
    }
    /// The zero that counts.
    pub fn reference_zero(&self) -> Time {
        self.calibration.as_ref().map_or(self.zero, |calibration| calibration.zero)
    }
    /// The sound's way at the temperature of the blocks.
    pub(super) fn path(&self) -> SoundPath {
        let half = self.calibration.as_ref().map_or(self.half_separation, |calibration| calibration.half_separation);
        SoundPath {
            zero_ns: self.reference_zero().as_ns(),
            half_mm: half.as_mm(),
            mm_per_ns: self.velocity_at(self.reference_temperature()).as_m_s() * 1e-6,
        }
    }
    /// When the first echo of a wall at the temperature of the blocks arrives.
    pub fn arrival(&self, wall: Length) -> Time {
        Time::ns(self.path().time(wall.as_mm(), 1.0))
    }
    /// Velocity in the wall at its own temperature, by the set-up's linear rule.
    pub fn velocity_at(&self, wall: Temperature) -> Velocity {
        let velocity = self.calibration.as_ref().map_or(self.velocity, |calibration| calibration.velocity);
        let kelvin = (wall - self.reference_temperature()).as_celsius();
        Velocity::m_s(velocity.as_m_s() + self.velocity_slope_m_s_k * kelvin)
    }
}
