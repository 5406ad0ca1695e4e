//! What the blocks taught: the probe's pulse, its path and its expectations. Stored whole with every set-up, so that a
//! reading can be made again exactly.

use super::curve::Curve;
use super::face::Face;
use super::pulse::Pulse;
use backwall_units::{Decibel, Length, Temperature, Time, Velocity, Wording};
use serde::{Deserialize, Serialize};

/// One block as measured with the finished calibration.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BlockPoint {
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(rename = "measured_mm")]
    pub measured: Length,
    #[serde(rename = "error_mm")]
    pub error: Length,
    /// Standard deviation of the single readings.
    #[serde(rename = "spread_mm")]
    pub spread: Length,
    /// Shots that gave an echo.
    pub shots: u32,
    #[serde(rename = "echo_time_ns")]
    pub echo_time: Time,
    pub height_pct: f64,
}

/// How well the things a reading rests on are known; standard uncertainties (k = 1).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Velocity of the wall against the blocks', relative.
    pub velocity_relative: f64,
    /// Thickness of a block.
    #[serde(rename = "block_mm")]
    pub block: Length,
    /// Zero: the fit's own uncertainty.
    #[serde(rename = "zero_ns")]
    pub zero: Time,
    /// Temperature of the wall, kelvin.
    pub temperature_k: f64,
    /// Change of the tyre's delay with temperature, ns per kelvin.
    pub delay_ns_k: f64,
    /// Coupling and tyre: what the zero moves from place to place.
    #[serde(rename = "coupling_mm")]
    pub coupling: Length,
    /// Half separation of the elements against the drawing's, relative; nothing where blocks have told the path.
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub separation_relative: f64,
}

fn is_nothing(part: &f64) -> bool {
    *part == 0.0
}

/// What an elastomer tyre's delay changes by, ns per kelvin: 2.5 m/s per kelvin of 1560 m/s over 4 mm there and back
/// (common practice, no source).
pub const TYRE_NS_K: f64 = 8.2;

impl Budget {
    /// For typed values: velocity ±0.5 %, temperature ±10 K, zero ±0.05 µs, coupling ±0.05 mm, all rectangular
    /// (JCGM 100:2008, 4.3.7); the figures are common practice, no source. The elements' separation ±40 % of the drawing's:
    /// simulated waves gave 1.7 mm for a half of 2.75.
    pub fn typed() -> Self {
        let root3 = libm::sqrt(3.0);
        Self {
            velocity_relative: 0.005 / root3,
            block: Length::ZERO,
            zero: Time::ns(50.0 / root3),
            temperature_k: 10.0 / root3,
            delay_ns_k: TYRE_NS_K,
            coupling: Length::mm(0.05 / root3),
            separation_relative: 0.4 / root3,
        }
    }
    /// For a calibration on blocks of the wall's own material at a like temperature.
    pub fn blocks() -> Self {
        let root3 = libm::sqrt(3.0);
        Self {
            velocity_relative: 0.002 / root3,
            block: Length::mm(0.01),
            zero: Time::ZERO,
            temperature_k: 3.0 / root3,
            delay_ns_k: 0.0,
            coupling: Length::mm(0.01),
            separation_relative: 0.0,
        }
    }
    /// For simulated blocks, whose every figure is exact.
    pub fn exact() -> Self {
        Self {
            velocity_relative: 0.0,
            block: Length::ZERO,
            zero: Time::ZERO,
            temperature_k: 0.0,
            delay_ns_k: 0.0,
            coupling: Length::ZERO,
            separation_relative: 0.0,
        }
    }
}

/// Envelope that stands without any wall: percent of full screen height on an even time grid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clutter {
    #[serde(rename = "first_ns")]
    pub first: Time,
    #[serde(rename = "step_ns")]
    pub step: Time,
    pub height_pct: Vec<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    pub pulse: Pulse,
    #[serde(rename = "zero_ns")]
    pub zero: Time,
    #[serde(rename = "half_separation_mm")]
    pub half_separation: Length,
    /// How well the blocks tell the half separation, k = 1; none where it is as typed.
    #[serde(rename = "half_separation_u_mm", default, skip_serializing_if = "Option::is_none")]
    pub half_separation_u: Option<Length>,
    /// Velocity at `temperature`, typed or fitted.
    #[serde(rename = "velocity_m_s")]
    pub velocity: Velocity,
    /// How well the blocks tell the velocity, k = 1; none where it is as typed.
    #[serde(rename = "velocity_u_m_s", default, skip_serializing_if = "Option::is_none")]
    pub velocity_u: Option<Velocity>,
    pub velocity_fitted: bool,
    #[serde(rename = "temperature_c")]
    pub temperature: Temperature,
    /// ns by which the m-th echo comes later than the straight path says, m = 1, 2, 3, 4.
    pub residuals: Vec<Curve>,
    /// Height of the first echo, percent of full screen.
    pub height: Curve,
    /// The gain of all blocks; none where the device told none or not the same on all.
    #[serde(rename = "gain_db", default, skip_serializing_if = "Option::is_none")]
    pub gain: Option<Decibel>,
    /// Phase of the first echo at its envelope's top, radians.
    pub phase: Curve,
    /// Level of the second echo against the first's, each against the height curve.
    pub repeat_part: Curve,
    /// Height of the near face's echo when coupled; none where the record begins behind it.
    pub face_pct: Option<f64>,
    /// That echo itself; none where the record holds too little of it, or nothing of it shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<Face>,
    pub clutter: Clutter,
    pub points: Vec<BlockPoint>,
    pub budget: Budget,
    /// What the technician should know of this calibration.
    pub warnings: Vec<Wording>,
}

impl Calibration {
    /// The thicknesses the blocks span.
    pub fn range(&self) -> Option<(Length, Length)> {
        let thin = self.points.iter().map(|p| p.thickness).min_by(Length::total_cmp)?;
        let thick = self.points.iter().map(|p| p.thickness).max_by(Length::total_cmp)?;
        Some((thin, thick))
    }
}
