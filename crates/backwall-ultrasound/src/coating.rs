//! How thick the coating is: what the first echo comes later than the spacing of its repeats says.

use super::calibration::TYRE_NS_K;
use backwall_units::{Length, Velocity};

/// Sound in paint and epoxy; 2300 to 2500 m/s, common practice, no source.
pub const COATING_VELOCITY: Velocity = Velocity::m_s(2400.0);
/// How well that is known, relative, standard uncertainty.
const VELOCITY_PART: f64 = 0.06;
/// Tyre against blocks, kelvin, standard uncertainty, where both are said to be at one temperature.
const TYRE_K: f64 = 1.0;

/// A coating between tyre and wall. Told only where it is thicker than twice its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coating {
    pub thickness: Length,
    /// Standard uncertainty (k = 1): its velocity, and the tyre's delay.
    pub uncertainty: Length,
}

impl Coating {
    /// Rounded to what the job file stores.
    pub(super) fn rounded(self) -> Self {
        let rounded = |length: Length| Length::nanometres(length.as_nanometres());
        Self { thickness: rounded(self.thickness), uncertainty: rounded(self.uncertainty) }
    }

    /// From the delay all echoes share beyond the calibrated zero, on a wall `drift_k` warmer than the blocks.
    pub(super) fn behind(delay_ns: f64, drift_k: f64) -> Option<Self> {
        let per_ns = COATING_VELOCITY.as_m_s() * 1e-6 / 2.0;
        let thickness = delay_ns * per_ns;
        let tyre = TYRE_NS_K * libm::hypot(TYRE_K, drift_k) * per_ns;
        let uncertainty = libm::hypot(VELOCITY_PART * thickness, tyre);
        (thickness > 2.0 * uncertainty).then(|| Self { thickness: Length::mm(thickness), uncertainty: Length::mm(uncertainty) })
    }
}
