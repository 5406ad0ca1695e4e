//! PURE. From a waveform to a wall thickness: the physics and the picking of echoes.
//!
//! `waveform` holds samples and their time base, `setup` everything an evaluation depends on,
//! `measurement` what comes out; `evaluate` is the one way from the first two to the third.

mod alike;
mod calibrate;
pub mod calibration;
mod coating;
mod curve;
mod decide;
pub mod echoes;
pub mod evaluate;
mod face;
mod filter;
mod fine;
mod judge;
pub mod materials;
pub mod measurement;
mod model;
mod pairs;
mod path;
mod pick;
mod pulse;
mod quick;
mod ranks;
mod ruler;
mod search;
mod setup;
mod spacing;
mod trace;
mod uncertainty;
mod verify;
mod version;
pub mod waveform;

pub use calibrate::{Block, BlockSeen, BlockSight, Calibrated, LeftOut, OwnEcho, calibrate_what_holds};
pub use calibrate::{CalibrationError, CalibrationInput, LEAST_SHOTS, MOST_SPREAD_MM, calibrate, finds_path};
pub use calibration::{BlockPoint, Budget, Calibration};
pub use coating::{COATING_VELOCITY, Coating};
pub use echoes::{Echo, Pair, Sight, Steady};
pub use evaluate::{Evaluator, SetupError};
pub use face::{Face, FaceLook, FaceMoved, LOOKS as FACE_LOOKS};
pub use measurement::{Flag, Flags, Measurement, Quality};
pub use ruler::Ruler;
pub use setup::{Gate, Mode, Picker, Setup, ZeroKeeping};
pub use uncertainty::BudgetPart;
pub use verify::{BlockCheck, STABLE_SHOTS, Stability, stability, verify_block};
pub use version::{EVALUATOR_VERSION, THICKNESS_TOLERANCE, TIME_TOLERANCE};
pub use waveform::{TimeBase, Waveform};
