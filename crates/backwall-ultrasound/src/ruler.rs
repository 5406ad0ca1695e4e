//! From an echo's time to the wall where the zero is not the calibrated one.

use super::Setup;
use super::model::Model;
use super::uncertainty::{self, ShotEvidence};
use backwall_units::{Length, Temperature, Time};

/// The path of a set-up at one wall temperature.
pub struct Ruler {
    setup: Setup,
    model: Model,
}

impl Ruler {
    pub fn new(setup: &Setup) -> Self {
        Self { setup: setup.clone(), model: Model::new(setup, 1.0) }
    }
    pub fn set_temperature(&mut self, wall: Temperature) {
        self.model.set_temperature(&self.setup, wall);
    }
    /// The wall whose first echo arrives at `echo` when all echoes come `late`; `None` before the shortest path.
    pub fn wall(&self, echo: Time, late: Time) -> Option<Length> {
        self.model.depth((echo - late).as_ns()).filter(|depth| *depth >= self.setup.minimum.as_mm()).map(Length::mm)
    }
    /// Standard uncertainty (k = 1) of a sound, even wall at the blocks' temperature, noise left out: what the calibration is good for.
    pub fn uncertainty(&self, wall: Length) -> Length {
        let evidence =
            ShotEvidence { depth: wall.as_mm(), uneven: 0.0, sloped: false, scatter_mm: 0.0, shape_ns: 0.0, shape_noise_ns: 0.0 };
        uncertainty::of_reading(&self.setup, &self.model, self.setup.reference_temperature(), &evidence, &mut Vec::new()).total
    }
    /// What a time is on a wall of this thickness.
    pub fn length(&self, time: Time, wall: Length) -> Length {
        Length::mm(time.as_ns() * self.model.path.slope(wall.as_mm()))
    }
}
