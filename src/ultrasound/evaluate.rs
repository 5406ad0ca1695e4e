//! The one way from a waveform and a set-up to a measurement.

use super::{Measurement, Setup, TimeBase};
use crate::units::{Length, Temperature, Time};

/// Why a set-up cannot evaluate anything.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetupError {
    #[error("{what} is {value}, but {rule}")]
    Impossible { what: &'static str, value: String, rule: &'static str },
}

/// A set-up prepared for one time base. Pure: `measure` depends on its arguments and the set-up alone.
pub struct Evaluator {
    setup: Setup,
    base: TimeBase,
}

impl Evaluator {
    pub fn new(setup: &Setup, base: TimeBase) -> Result<Self, SetupError> {
        Ok(Self { setup: setup.clone(), base })
    }
    pub fn setup(&self) -> &Setup {
        &self.setup
    }
    pub fn base(&self) -> TimeBase {
        self.base
    }
    /// What `samples` say of a wall at temperature `wall`.
    pub fn measure(&mut self, _samples: &[i16], _wall: Temperature) -> Measurement {
        todo!()
    }
}

/// What a device's own time of flight says of the wall (V-path, velocity and zero of the set-up).
pub fn measure_time(_setup: &Setup, _echo_time: Option<Time>, _wall: Temperature) -> Measurement {
    todo!()
}

/// A device's own thickness, taken as it is.
pub fn measure_thickness(_setup: &Setup, _thickness: Option<Length>) -> Measurement {
    todo!()
}
