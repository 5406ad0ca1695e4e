//! From records on blocks of known thickness to a calibration, and a check of one on a further block.
//!
//! The pulse is the mean of the echoes shifted onto each other (common practice, no single source); zero and half
//! separation follow from the blocks' times by least squares, what is left over becomes the residual curves.

mod bench;

use super::calibration::{BlockPoint, Budget, Calibration};
use super::curve::{Between, Curve};
use super::filter::Filter;
use super::materials;
use super::model::Model;
use super::path::Path;
use super::pulse::{Pulse, TYPICAL_BANDWIDTH};
use super::trace::{Top, Trace};
use super::{Evaluator, Setup, SetupError, TimeBase};
use crate::units::{Length, Temperature, Time, Velocity};
use std::sync::Arc;

/// A block of known thickness and the shots taken on it.
#[derive(Debug, Clone)]
pub struct Block {
    pub thickness: Length,
    pub temperature: Temperature,
    pub shots: Vec<Arc<[i16]>>,
}

pub struct CalibrationInput<'a> {
    /// Typed values to start from; a calibration in it is not looked at.
    pub setup: &'a Setup,
    pub base: TimeBase,
    pub blocks: &'a [Block],
    /// Whether the velocity is found from the blocks (two thicknesses or more) or taken as typed.
    pub fit_velocity: bool,
}

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    #[error(transparent)]
    Setup(#[from] SetupError),
    #[error("no blocks were measured: put the probe on a block of known thickness and measure it")]
    NoBlocks,
    #[error("a block is said to be {thickness} mm thick: a thickness must be a positive number")]
    Impossible { thickness: f64 },
    #[error("the {thickness} mm block has {shots} shots, at least {need} are needed: hold the probe on it longer")]
    TooFewShots { thickness: f64, shots: usize, need: usize },
    #[error("{echoes} of {shots} shots on the {thickness} mm block show an echo where one is due: check coupling, gain and the typed zero")]
    NoEcho { thickness: f64, shots: usize, echoes: usize },
    #[error(
        "readings on the {thickness} mm block spread by {spread:.3} mm (at most {limit} mm): hold the probe still and measure it again"
    )]
    Unstable { thickness: f64, spread: f64, limit: f64 },
    #[error("finding the velocity needs two different thicknesses: measure a second block, or type the velocity")]
    OneThickness,
    #[error("the blocks give {velocity:.0} m/s, which no wall has: check the thicknesses typed for the blocks")]
    ImpossibleVelocity { velocity: f64 },
}

/// Fewer shots than this on a block tell nothing of its spread.
pub const LEAST_SHOTS: usize = 2;
/// A block whose single readings spread more than this (standard deviation) was not held still.
pub const MOST_SPREAD_MM: f64 = 0.05;
/// A velocity this far from the typed one, relative, deserves a word.
const VELOCITY_DOUBT: f64 = 0.01;
const PASSES: usize = 4;

/// What one shot on a block told.
#[derive(Clone, Copy)]
struct Echo {
    time_ns: f64,
    height: f64,
    phase: f64,
}

/// Blocks with their echoes under the filter of one pass.
struct Bench<'a> {
    input: &'a CalibrationInput<'a>,
    velocities: Vec<f64>,
    trace: Trace,
    tops: Vec<Top>,
}

/// Learns a calibration from blocks.
pub fn calibrate(input: &CalibrationInput) -> Result<Calibration, CalibrationError> {
    let typed = Setup { calibration: None, ..input.setup.clone() };
    Evaluator::new(&typed, input.base)?;
    check_blocks(input)?;
    let temperature = mean_temperature(input.blocks);
    let typed_velocity = typed.velocity_at(temperature).as_m_s();
    let slope = typed.velocity_slope_m_s_k;
    let kelvin = |block: &Block| (block.temperature - temperature).as_celsius();
    let mut bench = Bench {
        input,
        velocities: input.blocks.iter().map(|b| (typed_velocity + slope * kelvin(b)) * 1e-6).collect(),
        trace: Trace::default(),
        tops: Vec::new(),
    };
    let mut pulse = Pulse::gaussian(typed.frequency, TYPICAL_BANDWIDTH);
    let mut filter = Filter::matched(&pulse, typed.frequency, input.base.rate);
    let mut path = Path { zero_ns: typed.zero.as_ns(), half_mm: typed.half_separation.as_mm(), mm_per_ns: typed_velocity * 1e-6 };
    path.zero_ns += bench.coarse_shift(&filter, &path);
    let mut velocity = typed_velocity;
    let mut echoes = Vec::new();
    for pass in 0..=PASSES {
        let window = if pass == 0 { 350.0 } else { 200.0 };
        echoes = bench.first_echoes(&filter, &path, window)?;
        let times: Vec<f64> = echoes.iter().map(|block| mean(block.iter().map(|e| e.time_ns))).collect();
        (path, velocity) = fit(input, &bench.velocities, &times, &path, velocity, typed.half_separation.as_mm())?;
        bench.velocities = input.blocks.iter().map(|b| (velocity + slope * kelvin(b)) * 1e-6).collect();
        if pass < PASSES {
            pulse = bench.learn_pulse(&echoes, velocity, typed.frequency.as_hz());
            filter = Filter::matched(&pulse, typed.frequency, input.base.rate);
        }
    }
    bench.finish(typed, pulse, &filter, path, velocity, temperature, &echoes)
}

fn check_blocks(input: &CalibrationInput) -> Result<(), CalibrationError> {
    if input.blocks.is_empty() {
        return Err(CalibrationError::NoBlocks);
    }
    for block in input.blocks {
        let thickness = block.thickness.as_mm();
        if !(thickness.is_finite() && thickness > 0.0 && block.temperature.is_finite()) {
            return Err(CalibrationError::Impossible { thickness });
        }
        let shots = block.shots.iter().filter(|shot| shot.len() >= 64).count();
        if shots < LEAST_SHOTS {
            return Err(CalibrationError::TooFewShots { thickness, shots, need: LEAST_SHOTS });
        }
    }
    if input.fit_velocity && distinct(input.blocks) < 2 {
        return Err(CalibrationError::OneThickness);
    }
    Ok(())
}

fn distinct(blocks: &[Block]) -> usize {
    let mut all: Vec<i64> = blocks.iter().map(|b| b.thickness.as_micrometres() / 50).collect();
    all.sort_unstable();
    all.dedup();
    all.len()
}

fn mean_temperature(blocks: &[Block]) -> Temperature {
    Temperature::celsius(mean(blocks.iter().map(|b| b.temperature.as_celsius())))
}

pub(super) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0usize), |(sum, count), v| (sum + v, count + 1));
    if count == 0 { f64::NAN } else { sum / count as f64 }
}

pub(super) fn deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let centre = mean(values.iter().copied());
    libm::sqrt(values.iter().map(|v| (v - centre) * (v - centre)).sum::<f64>() / (values.len() - 1) as f64)
}

/// Whether so many different blocks find the path between the elements, or leave it as typed.
pub fn finds_path(typed_half: Length, blocks: usize, fit_velocity: bool) -> bool {
    typed_half > Length::ZERO && blocks >= if fit_velocity { 4 } else { 3 }
}

/// Zero, half separation (three thicknesses or more) and velocity (where asked) from the blocks' times.
fn fit(
    input: &CalibrationInput,
    velocities: &[f64],
    times: &[f64],
    path: &Path,
    velocity: f64,
    typed_half: f64,
) -> Result<(Path, f64), CalibrationError> {
    let thickness: Vec<f64> = input.blocks.iter().map(|b| b.thickness.as_mm()).collect();
    let half_fitted = finds_path(Length::mm(typed_half), distinct(input.blocks), input.fit_velocity);
    // Way there and back at the present velocity, for a given half separation.
    let way = |half: f64, i: usize| 2.0 * libm::sqrt(thickness[i] * thickness[i] + half * half) / velocities[i];
    let solve = |half: f64| -> (f64, f64, f64) {
        let ways: Vec<f64> = (0..times.len()).map(|i| way(half, i)).collect();
        let (mt, mw) = (mean(times.iter().copied()), mean(ways.iter().copied()));
        let stretch = if input.fit_velocity {
            let cross: f64 = times.iter().zip(&ways).map(|(t, w)| (t - mt) * (w - mw)).sum();
            cross / ways.iter().map(|w| (w - mw) * (w - mw)).sum::<f64>()
        } else {
            1.0
        };
        let zero = mt - stretch * mw;
        let square = times.iter().zip(&ways).map(|(t, w)| (t - zero - stretch * w) * (t - zero - stretch * w)).sum();
        (zero, stretch, square)
    };
    let half = if half_fitted {
        let steps = (2.0 * typed_half.max(2.5) / 0.01) as usize;
        (0..=steps).map(|k| k as f64 * 0.01).min_by(|a, b| solve(*a).2.total_cmp(&solve(*b).2)).unwrap_or(typed_half)
    } else {
        typed_half
    };
    let (zero_ns, stretch, _) = solve(half);
    let found = velocity / stretch;
    if !(500.0..=15_000.0).contains(&found) {
        return Err(CalibrationError::ImpossibleVelocity { velocity: found });
    }
    Ok((Path { zero_ns, half_mm: half, mm_per_ns: path.mm_per_ns / stretch }, found))
}

impl Bench<'_> {
    #[allow(clippy::too_many_arguments)]
    fn finish(
        &mut self,
        typed: Setup,
        pulse: Pulse,
        filter: &Filter,
        path: Path,
        velocity: f64,
        temperature: Temperature,
        echoes: &[Vec<Echo>],
    ) -> Result<Calibration, CalibrationError> {
        let full_scale = self.input.base.full_scale();
        let per_cent = |code: f64| 100.0 * code / full_scale;
        let thickness: Vec<f64> = self.input.blocks.iter().map(|b| b.thickness.as_mm()).collect();
        let mut residuals: Vec<Vec<(f64, f64)>> = vec![Vec::new(); 4];
        let mut seconds: Vec<(f64, f64)> = Vec::new();
        for (block, d) in thickness.iter().enumerate() {
            let first = mean(echoes[block].iter().map(|e| e.time_ns));
            residuals[0].push((*d, first - self.expected(&path, block, 1.0)));
            for m in 2..=4 {
                if let Some((time, height)) = self.repeat(filter, &path, block, m, first) {
                    residuals[m - 1].push((*d, time - self.expected(&path, block, m as f64)));
                    if m == 2 {
                        seconds.push((*d, per_cent(height)));
                    }
                }
            }
        }
        let curve = |between, value: &dyn Fn(&[Echo]) -> f64| {
            Curve::new(between, thickness.iter().zip(echoes).map(|(d, block)| (*d, value(block))).collect())
        };
        let height = curve(Between::Height, &|block| per_cent(mean(block.iter().map(|e| e.height))));
        let prepared = height.prepared();
        let level = |d: f64, pct: f64| pct / prepared.at(d).unwrap_or(pct).max(1e-9);
        let repeat_part = Curve::new(
            Between::Straight,
            seconds.iter().map(|(d, pct)| (*d, level(2.0 * d, *pct) / level(*d, prepared.at(*d).unwrap_or(1.0)))).collect(),
        );
        let (clutter, face_pct) = self.clutter(filter, &path, echoes);
        let mut budget = Budget::blocks();
        let scatter = mean(echoes.iter().map(|block| {
            let times: Vec<f64> = block.iter().map(|e| e.time_ns).collect();
            deviation(&times) / libm::sqrt(times.len() as f64)
        }));
        budget.zero = Time::ns(scatter);
        let mut calibration = Calibration {
            pulse,
            zero: Time::ns(path.zero_ns),
            half_separation: Length::mm(path.half_mm),
            velocity: Velocity::m_s(velocity),
            velocity_fitted: self.input.fit_velocity,
            temperature,
            residuals: residuals.into_iter().map(|points| Curve::new(Between::Smooth, points)).collect(),
            height,
            repeat_part,
            phase: curve(Between::Straight, &|block| mean(block.iter().map(|e| e.phase))),
            face_pct,
            clutter,
            points: Vec::new(),
            budget,
            warnings: Vec::new(),
        };
        let typed_velocity = typed.velocity_at(temperature);
        calibration.warnings = warnings(&typed, &calibration, typed_velocity);
        let setup = typed.with_calibration(Arc::new(calibration.clone()));
        let mut model = Model::new(&setup, full_scale);
        for (block, echoes) in self.input.blocks.iter().zip(echoes) {
            model.set_temperature(&setup, block.temperature);
            let depths: Vec<f64> = echoes.iter().filter_map(|e| model.depth(e.time_ns)).collect();
            let measured = mean(depths.iter().copied());
            calibration.points.push(BlockPoint {
                thickness: block.thickness,
                measured: Length::mm(measured),
                error: Length::mm(measured) - block.thickness,
                spread: Length::mm(deviation(&depths)),
                shots: depths.len() as u32,
                echo_time: Time::ns(mean(echoes.iter().map(|e| e.time_ns))),
                height_pct: per_cent(mean(echoes.iter().map(|e| e.height))),
            });
        }
        Ok(calibration)
    }
}

fn warnings(typed: &Setup, calibration: &Calibration, typed_velocity: Velocity) -> Vec<String> {
    let mut all = Vec::new();
    let (found, typed_m_s) = (calibration.velocity.as_m_s(), typed_velocity.as_m_s());
    if calibration.velocity_fitted && (found / typed_m_s - 1.0).abs() > VELOCITY_DOUBT {
        let cause = if typed.half_separation <= Length::ZERO && found > typed_m_s {
            "dual-element path not corrected (a probe with two elements needs its separation)".to_owned()
        } else if let Some(material) = materials::nearest(calibration.velocity) {
            format!("a wrong material or block thickness; {} has about {:.0} m/s", material.name, material.velocity.as_m_s())
        } else {
            "a wrong block thickness; no common material has this velocity".to_owned()
        };
        all.push(format!("velocity from the blocks is {found:.0} m/s against {typed_m_s:.0} m/s typed: likely {cause}"));
    }
    if distinct_points(calibration) < 3 && typed.half_separation > Length::ZERO {
        all.push("fewer than three blocks: the dual-element path is the drawing's, thin walls may read off".to_owned());
    }
    all
}

fn distinct_points(calibration: &Calibration) -> usize {
    calibration.height.len()
}
