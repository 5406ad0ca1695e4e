//! What is known of the probe and its echoes: path, velocity, expected height and phase.

use super::path::Path;
use super::setup::Setup;
use crate::units::Temperature;

/// Path and expectations at one wall temperature.
pub struct Model {
    pub path: Path,
    /// Whether heights and phases were learned on blocks; without that only heights within one record compare.
    pub calibrated: bool,
    full_scale: f64,
}

impl Model {
    pub fn new(setup: &Setup, full_scale: f64) -> Self {
        let path = Path { zero_ns: setup.zero.as_ns(), half_mm: setup.half_separation.as_mm(), mm_per_ns: setup.velocity.as_m_s() * 1e-6 };
        Self { path, calibrated: false, full_scale }
    }
    pub fn set_temperature(&mut self, setup: &Setup, wall: Temperature) {
        self.path.mm_per_ns = setup.velocity_at(wall).as_m_s() * 1e-6;
    }
    pub fn depth(&self, time_ns: f64) -> Option<f64> {
        self.path.depth(time_ns)
    }
    pub fn time(&self, depth: f64, m: f64) -> f64 {
        self.path.time(depth, m)
    }
    /// Envelope height in codes of the first echo of a wall on the blocks.
    pub fn height(&self, _depth: f64) -> f64 {
        0.5 * self.full_scale
    }
    /// Phase at the envelope's top on the blocks.
    pub fn phase(&self, _depth: f64) -> f64 {
        0.0
    }
    /// Height of the echo of the wall's near face when coupled, codes, where blocks told it.
    pub fn face(&self) -> Option<f64> {
        None
    }
    /// Envelope known to stand at a time without any wall, codes.
    pub fn clutter(&self, _time_ns: f64) -> f64 {
        0.0
    }
}
