//! PURE. Where on the wall a shot was taken: encoder counts to a place along a line, its course, its speed.

mod across;
pub mod clocks;
pub mod doubt;
pub mod encoder_check;
pub mod odometer;
pub mod restart;
pub mod sequence;

pub use clocks::{ClockNews, ClockWatch};
pub use doubt::{ACROSS_JUMP, Doubt, Moment};
pub use odometer::{Direction, NotOnLine, Odometer, Path, TravelError};
pub use restart::{Counted, Restart, RestartWatch, StartedAnew};
pub use sequence::{SequenceNews, SequenceWatch};

use backwall_units::{Length, Speed};

/// A place on the wall. `None` where the stream has no encoder, or what it says is not believed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Place {
    /// Along the line: elevation above the datum for lines up and down, distance from the datum for lines across.
    pub along: Option<Length>,
    /// Number of the course the place lies in, where one is known.
    pub course: Option<u16>,
    /// Signed: positive in the line's direction.
    pub speed: Option<Speed>,
    /// Sideways off the line, for scanners that weave and for probes that run beside it.
    pub across: Option<Across>,
}

/// How far off the line a place is: clockwise round the wall beside lines up and down, upward beside lines across.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Across {
    /// Raw counts of the second encoder, as they came.
    pub counts: Option<i32>,
    pub at: Length,
}
