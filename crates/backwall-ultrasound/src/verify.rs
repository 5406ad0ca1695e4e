//! Checks on blocks: whether a calibration still holds, and whether the probe is held still.

use super::calibrate::{LEAST_SHOTS, MOST_SPREAD_MM, deviation, mean};
use super::{Evaluator, Setup, SetupError, TimeBase};
use backwall_units::{Length, Temperature};
use std::sync::Arc;

/// Shots a live measurement waits for before it calls a block stable.
pub const STABLE_SHOTS: usize = 16;

/// What a further block says of a calibrated set-up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockCheck {
    pub thickness: Length,
    /// Median reading; none where no shot gave one.
    pub measured: Option<Length>,
    pub error: Option<Length>,
    /// Standard deviation of the readings.
    pub spread: Length,
    pub shots: usize,
    /// Shots that gave a reading.
    pub readings: usize,
    /// Whether the block was read steadily and within the tolerance.
    pub within: bool,
}

/// Reads a block of known thickness with a set-up as it stands.
pub fn verify_block(
    setup: &Setup,
    base: TimeBase,
    thickness: Length,
    temperature: Temperature,
    shots: &[Arc<[i16]>],
    tolerance: Length,
) -> Result<BlockCheck, SetupError> {
    let mut evaluator = Evaluator::new(setup, base)?;
    let mut readings: Vec<f64> =
        shots.iter().filter_map(|shot| evaluator.measure(shot, temperature).thickness).map(Length::as_mm).collect();
    let spread = Length::mm(deviation(&readings));
    let count = readings.len();
    let measured = (count > 0).then(|| Length::mm(median(&mut readings)));
    let error = measured.map(|m| m - thickness);
    let steady = count >= LEAST_SHOTS && count * 10 >= shots.len() * 9 && spread.as_mm() <= MOST_SPREAD_MM;
    let within = steady && error.is_some_and(|e| e.abs().as_mm() <= tolerance.as_mm() + 1e-9);
    Ok(BlockCheck { thickness, measured, error, spread, shots: shots.len(), readings: count, within })
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len().is_multiple_of(2) { 0.5 * (values[half - 1] + values[half]) } else { values[half] }
}

/// Whether the probe has been held still on a block long enough: what a live measurement waits for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stability {
    pub readings: usize,
    pub mean: Option<Length>,
    pub spread: Length,
    pub stable: bool,
}

/// Judges the last [`STABLE_SHOTS`] readings of a probe held on a block; `None` stands for a shot without an echo.
pub fn stability(recent: &[Option<Length>]) -> Stability {
    let last = &recent[recent.len().saturating_sub(STABLE_SHOTS)..];
    let values: Vec<f64> = last.iter().flatten().map(|d| d.as_mm()).collect();
    let spread = Length::mm(deviation(&values));
    let stable = values.len() >= STABLE_SHOTS && spread.as_mm() <= MOST_SPREAD_MM;
    Stability { readings: values.len(), mean: (!values.is_empty()).then(|| Length::mm(mean(values.iter().copied()))), spread, stable }
}
