//! The physics against published values, simulated waveforms with known truth, and the bounds of theory.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bounds;
mod calibration;
mod cases;
mod faces;
mod goals;
mod inputs;
mod noise;
mod reference;
mod synth;
mod typed;
