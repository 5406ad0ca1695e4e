//! The encoder checked against a measured distance on the wall, and a line's return to its datum.

use backwall_units::Length;
use serde::{Deserialize, Serialize};

/// A check over less than this says too little about a wheel.
pub const SHORTEST: Length = Length::mm(500.0);
/// A scale further off than this is refused: something is worn, slipping, or wrongly set.
pub const LARGEST_ERROR: f64 = 0.01;

/// A distance measured by tape, and what the encoder counted over it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EncoderCheck {
    #[serde(rename = "distance_mm")]
    pub distance: Length,
    pub counts: i64,
    /// The scale in force when the check was driven.
    pub set_counts_per_mm: f64,
}

/// Why an encoder check is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EncoderError {
    #[error("the measured distance is {:.0} mm: check over at least {:.0} mm", .0.as_mm(), SHORTEST.as_mm())]
    TooShort(Length),
    #[error("the encoder did not count: check its cable and wheel")]
    NoCounts,
    #[error("the encoder counts backwards: {solved:.3} counts per mm against {set:.3}; turn its sign in the plan or swap its channels")]
    Backwards { solved: f64, set: f64 },
    #[error(
        "the scale is {percent:.2} % off ({solved:.3} counts per mm against {set:.3}), more than 1 %: look for slip or wear, then set it again"
    )]
    OutOfTolerance { solved: f64, set: f64, percent: f64 },
}

impl EncoderCheck {
    /// Counts per mm, solved from the check.
    pub fn solved(&self) -> f64 {
        self.counts as f64 / self.distance.as_mm()
    }
    /// How far the encoder's own distance is off, as a share of the true one.
    pub fn error(&self) -> f64 {
        self.solved() / self.set_counts_per_mm - 1.0
    }
    /// The solved scale, if the check holds.
    pub fn judge(&self) -> Result<f64, EncoderError> {
        if self.distance < SHORTEST {
            return Err(EncoderError::TooShort(self.distance));
        }
        if self.counts == 0 {
            return Err(EncoderError::NoCounts);
        }
        let (solved, set) = (self.solved(), self.set_counts_per_mm);
        if solved * set < 0.0 {
            return Err(EncoderError::Backwards { solved, set });
        }
        let error = self.error();
        if error.abs() > LARGEST_ERROR {
            return Err(EncoderError::OutOfTolerance { solved, set, percent: error * 100.0 });
        }
        Ok(solved)
    }
}

/// How far the place is off when the crawler stands on its starting point again.
pub fn misclosure(start: Length, returned: Length) -> Length {
    returned - start
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(distance: f64, counts: i64, set: f64) -> EncoderCheck {
        EncoderCheck { distance: Length::mm(distance), counts, set_counts_per_mm: set }
    }

    #[test]
    fn the_scale_is_solved_and_its_error_told() {
        let good = check(1000.0, 40_200, 40.0);
        assert_eq!(good.judge(), Ok(40.2));
        assert!((good.error() - 0.005).abs() < 1e-12);
    }

    // Geometry: a wheel worn from 50.0 to 49.5 mm diameter turns 1/0.99 as often, 1.01 % more counts per mm.
    #[test]
    fn a_wheel_worn_by_one_percent_is_refused() {
        let counts = (1000.0 * 40.0 / 0.99) as i64;
        assert!(matches!(check(1000.0, counts, 40.0).judge(), Err(EncoderError::OutOfTolerance { .. })));
    }

    #[test]
    fn short_silent_and_backward_checks_are_refused_with_what_to_do() {
        assert!(matches!(check(499.0, 19_960, 40.0).judge(), Err(EncoderError::TooShort(_))));
        assert_eq!(check(600.0, 0, 40.0).judge(), Err(EncoderError::NoCounts));
        assert!(matches!(check(600.0, -24_000, 40.0).judge(), Err(EncoderError::Backwards { .. })));
    }

    #[test]
    fn misclosure_is_signed() {
        assert_eq!(misclosure(Length::mm(100.0), Length::mm(98.5)), Length::mm(-1.5));
    }
}
