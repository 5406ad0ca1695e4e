//! The physics against published values, simulated waveforms with known truth, and the bounds of theory.

mod bounds;
mod calibration;
mod cases;
mod goals;
mod inputs;
mod noise;
mod reference;
mod synth;
mod typed;
