//! PURE. From a waveform to a wall thickness: the physics and the picking of echoes.
//!
//! `waveform` holds samples and their time base, `setup` everything an evaluation depends on,
//! `measurement` what comes out; `evaluate` is the one way from the first two to the third.

mod decide;
pub mod evaluate;
mod filter;
pub mod measurement;
mod model;
mod path;
mod pulse;
pub mod setup;
mod trace;
pub mod waveform;

pub use evaluate::{Evaluator, SetupError};
pub use measurement::{Flag, Flags, Measurement, Quality};
pub use setup::{Gate, Mode, Picker, Setup};
pub use waveform::{TimeBase, Waveform};
