//! From records on blocks of known thickness to a calibration, and a check of one on a further block.
//!
//! The pulse is the mean of the echoes shifted onto each other (common practice, no single source); zero and half
//! separation follow from the blocks' times by least squares, what is left over becomes the residual curves.

mod bench;
mod fit;
mod rest;
mod sight;
mod train;

pub use fit::finds_path;
pub use rest::{Calibrated, LeftOut, calibrate_what_holds};
pub use sight::{BlockSeen, BlockSight, OwnEcho};

use fit::{Fit, fit};

use super::calibration::{BlockPoint, Budget, Calibration};
use super::curve::{Between, Curve, STRAIGHT_ON_MM};
use super::filter::Filter;
use super::materials;
use super::model::Model;
use super::path::SoundPath;
use super::pulse::{Pulse, TYPICAL_BANDWIDTH};
use super::trace::{Top, Trace};
use super::{Evaluator, Setup, SetupError, TimeBase};
use backwall_units::{Decibel, Length, Temperature, Time, Velocity, Wording};
use std::sync::Arc;

/// A block of known thickness and the shots taken on it.
#[derive(Debug, Clone)]
pub struct Block {
    pub thickness: Length,
    pub temperature: Temperature,
    pub shots: Vec<Arc<[i16]>>,
    /// The gain they were taken at, where the device tells one.
    pub gain: Option<Decibel>,
}

pub struct CalibrationInput<'a> {
    /// Typed values to start from; a calibration in it is not looked at.
    pub setup: &'a Setup,
    pub base: TimeBase,
    pub blocks: &'a [Block],
    /// Whether the velocity is found from the blocks (two thicknesses or more) or taken as typed.
    pub fit_velocity: bool,
}

/// Thicknesses in millimetres, times in microseconds, velocities in metres a second, as they were typed or found.
#[derive(Debug, Clone, PartialEq)]
pub enum CalibrationError {
    Setup(SetupError),
    NoBlocks,
    Impossible { thickness: f64 },
    TooFewShots { thickness: f64, shots: usize, need: usize },
    NoEcho { thickness: f64, shots: usize, echoes: usize },
    TooThin { thickness: f64, periods: f64, shots: usize, echoes: usize, need: f64 },
    Unstable { thickness: f64, spread: f64, limit: f64 },
    BehindRecord { thickness: f64, echo: &'static str, due_us: f64, end_us: f64 },
    RepeatTaken { thickness: f64, taken_us: f64, first_us: f64, typed_us: f64, zero_us: f64 },
    Elsewhere { thickness: f64, due_us: f64, first_us: f64, zero_us: f64 },
    OtherBlock { thickness: f64, taken_us: f64, shows: f64 },
    OneThickness,
    Contradiction { thin: f64, thick: f64, apart: f64, due: f64 },
    ImpossibleVelocity { velocity: f64 },
}

impl CalibrationError {
    /// As it is kept with a set-up, to be read in either unit.
    pub fn wording(&self) -> Wording {
        let of = |words: &str| Wording::from(words);
        let the = |thickness: f64| of("the ").thickness(Length::mm(thickness)).say(" block");
        match self {
            Self::Setup(error) => error.to_string().into(),
            Self::NoBlocks => of("no blocks were measured: put the probe on a block of known thickness and measure it"),
            Self::Impossible { thickness } => {
                format!("a block is said to be {thickness} mm thick: a thickness must be a positive number").into()
            }
            Self::TooFewShots { thickness, shots, need } => {
                the(*thickness).say(format!(" has {shots} shots, at least {need} are needed: hold the probe on it longer"))
            }
            Self::NoEcho { thickness, shots, echoes } => of(&format!("{echoes} of {shots} shots on "))
                .then(&the(*thickness))
                .say(" show an echo where one is due: check coupling, gain and the typed zero"),
            Self::TooThin { thickness, periods, shots, echoes, need } => the(*thickness)
                .say(format!(
                    " is too thin for this frequency: its echo and the multiple behind it are {periods:.1} periods apart and run into each \
                     other ({echoes} of {shots} shots show an echo of its own). Take a block of "
                ))
                .length(Length::mm(*need), 1)
                .say(" or more, or a probe of a higher frequency"),
            Self::Unstable { thickness, spread, limit } => of("readings on ")
                .then(&the(*thickness))
                .say(" spread by ")
                .length(Length::mm(*spread), 3)
                .say(" (at most ")
                .thickness(Length::mm(*limit))
                .say("): hold the probe still and measure it again"),
            Self::BehindRecord { thickness, echo, due_us, end_us } => the(*thickness).say(format!(
                " does not fit the record: its {echo} is due {due_us:.2} us after the pulse and the record ends at {end_us:.2} us. Set the \
                 device to a longer record, or take a thinner block"
            )),
            Self::RepeatTaken { thickness, taken_us, first_us, typed_us, zero_us } => the(*thickness).say(format!(
                " was read on a multiple back-wall echo: its first echo is at {first_us:.2} us, not at {taken_us:.2} us. The zero is nearer \
                 to {zero_us:.2} us than to the {typed_us:.2} us the typed one led to. Put the typed zero right (zero_ns of the plan), and \
                 look whether the device's record begins where its settings say"
            )),
            Self::Elsewhere { thickness, due_us, first_us, zero_us } => the(*thickness).say(format!(
                " shows no echo at {due_us:.2} us, where the typed zero puts its first, but a row of echoes as it must have them from \
                 {first_us:.2} us on: the zero is near {zero_us:.2} us. Put the typed zero right (zero_ns of the plan), and look whether the \
                 device's record begins where its settings say"
            )),
            Self::OtherBlock { thickness, taken_us, shows } => of(&format!("the echo at {taken_us:.2} us, where "))
                .then(&the(*thickness))
                .say(" must show its first, has others as high before it, as a block of ")
                .thickness(Length::mm(*shows))
                .say(" has them. Look at the block, its thickness as typed, and the typed zero"),
            Self::OneThickness => {
                of("finding the velocity needs two different thicknesses: measure a second block, or type the velocity")
            }
            Self::Contradiction { thin, thick, apart, due } => of("the echoes of the ")
                .thickness(Length::mm(*thin))
                .say(" and ")
                .thickness(Length::mm(*thick))
                .say(format!(
                    " blocks contradict each other: {apart:.0} ns apart, {due:.0} ns are due, and a wall between them would have no one \
                     reading. Check both thicknesses typed, and measure both blocks again"
                )),
            Self::ImpossibleVelocity { velocity } => {
                of("the blocks give ").velocity(Velocity::m_s(*velocity)).say(", which no wall has: check the thicknesses typed for the blocks")
            }
        }
    }
}

impl std::fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.wording().fmt(f)
    }
}

impl std::error::Error for CalibrationError {}

impl From<SetupError> for CalibrationError {
    fn from(error: SetupError) -> Self {
        Self::Setup(error)
    }
}

/// Why blocks give no calibration, and which of them is to blame where it is one.
#[derive(Debug)]
struct BlocksRefusal {
    block: Option<usize>,
    why: CalibrationError,
}

impl<E: Into<CalibrationError>> From<E> for BlocksRefusal {
    fn from(why: E) -> Self {
        Self { block: None, why: why.into() }
    }
}

/// Fewer shots than this on a block tell nothing of its spread.
pub const LEAST_SHOTS: usize = 2;
/// A block whose single readings spread more than this (standard deviation) was not held still.
pub const MOST_SPREAD_MM: f64 = 0.05;
/// A velocity this far from the typed one, relative, deserves a word.
const VELOCITY_DOUBT: f64 = 0.01;
const PASSES: usize = 4;
/// What a block is late or early against the path may change over thickness at this part of the path's own rate at most.
/// Thickness then rises strictly with time, and looking it up closes in by half and more with each step.
const MOST_BENT: f64 = 0.5;

/// What one shot on a block told.
#[derive(Clone, Copy)]
struct BlockEcho {
    time_ns: f64,
    height: f64,
    phase: f64,
}

/// Blocks with their echoes under the filter of one pass.
struct BlocksUnder<'a> {
    input: &'a CalibrationInput<'a>,
    velocities: Vec<f64>,
    trace: Trace,
    tops: Vec<Top>,
}

/// Learns a calibration from blocks.
pub fn calibrate(input: &CalibrationInput) -> Result<Calibration, CalibrationError> {
    learn(input).map_err(|refusal| refusal.why)
}

fn learn(input: &CalibrationInput) -> Result<Calibration, BlocksRefusal> {
    let typed = Setup { calibration: None, ..input.setup.clone() };
    Evaluator::new(&typed, input.base)?;
    check_blocks(input)?;
    let temperature = mean_temperature(input.blocks);
    let typed_velocity = typed.velocity_at(temperature).as_m_s();
    let slope = typed.velocity_slope_m_s_k;
    let kelvin = |block: &Block| (block.temperature - temperature).as_celsius();
    let mut bench = BlocksUnder {
        input,
        velocities: input.blocks.iter().map(|b| (typed_velocity + slope * kelvin(b)) * 1e-6).collect(),
        trace: Trace::default(),
        tops: Vec::new(),
    };
    let mut pulse = Pulse::gaussian(typed.frequency, TYPICAL_BANDWIDTH);
    let mut filter = Filter::matched(&pulse, typed.frequency, input.base.rate);
    let path = SoundPath { zero_ns: typed.zero.as_ns(), half_mm: typed.half_separation.as_mm(), mm_per_ns: typed_velocity * 1e-6 };
    let mut found = Fit { path, velocity: typed_velocity, velocity_u: None, half_u_mm: None };
    found.path.zero_ns += bench.coarse_shift(&filter, &path);
    let mut echoes = Vec::new();
    for pass in 0..=PASSES {
        let window = if pass == 0 { 350.0 } else { 200.0 };
        echoes = bench.first_echoes(&filter, &found.path, window)?;
        let times: Vec<f64> = echoes.iter().map(|block| mean(block.iter().map(|e| e.time_ns))).collect();
        found = fit(input, &bench.velocities, &times, found.velocity, typed_velocity)?;
        bench.velocities = input.blocks.iter().map(|b| (found.velocity + slope * kelvin(b)) * 1e-6).collect();
        if pass < PASSES {
            pulse = bench.learn_pulse(&echoes, found.velocity, typed.frequency.as_hz());
            filter = Filter::matched(&pulse, typed.frequency, input.base.rate);
        }
    }
    bench.check_first(&filter, &found.path, &echoes)?;
    Ok(bench.finish(typed, pulse, &filter, found, temperature, &echoes)?)
}

fn check_blocks(input: &CalibrationInput) -> Result<(), BlocksRefusal> {
    if input.blocks.is_empty() {
        return Err(CalibrationError::NoBlocks.into());
    }
    for (index, block) in input.blocks.iter().enumerate() {
        let refuse = |why| Err(BlocksRefusal { block: Some(index), why });
        let thickness = block.thickness.as_mm();
        if !(thickness.is_finite() && thickness > 0.0 && block.temperature.is_finite()) {
            return refuse(CalibrationError::Impossible { thickness });
        }
        let shots = block.shots.iter().filter(|shot| shot.len() >= 64).count();
        if shots < LEAST_SHOTS {
            return refuse(CalibrationError::TooFewShots { thickness, shots, need: LEAST_SHOTS });
        }
    }
    if input.fit_velocity && distinct(input.blocks) < 2 {
        return Err(CalibrationError::OneThickness.into());
    }
    Ok(())
}

fn distinct(blocks: &[Block]) -> usize {
    Curve::new(Between::Straight, blocks.iter().map(|b| (b.thickness.as_mm(), 0.0)).collect()).len()
}

/// The gain all blocks were taken at.
fn one_gain(blocks: &[Block]) -> Option<Decibel> {
    const ALIKE_DB: f64 = 0.05;
    let first = blocks.first()?.gain?;
    blocks.iter().all(|b| b.gain.is_some_and(|gain| (gain.as_db() - first.as_db()).abs() < ALIKE_DB)).then_some(first)
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

impl BlocksUnder<'_> {
    fn finish(
        &mut self,
        typed: Setup,
        pulse: Pulse,
        filter: &Filter,
        found: Fit,
        temperature: Temperature,
        echoes: &[Vec<BlockEcho>],
    ) -> Result<Calibration, CalibrationError> {
        let path = found.path;
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
        let mut residuals: Vec<Curve> = residuals.into_iter().map(|points| Curve::new(Between::Smooth, points)).collect();
        if let Some((thin, thick)) = bent(&residuals[0], &path, 1.0) {
            let first = |d: f64| path.time(d, 1.0);
            let curve = residuals[0].prepared();
            let late = |d: f64| curve.at(d).unwrap_or(0.0);
            let due = first(thick) - first(thin);
            return Err(CalibrationError::Contradiction { thin, thick, apart: due + late(thick) - late(thin), due });
        }
        // A repeat whose blocks contradict each other is as good as not seen.
        for (m, curve) in residuals.iter_mut().enumerate().skip(1) {
            if bent(curve, &path, m as f64 + 1.0).is_some() {
                *curve = Curve::new(Between::Smooth, Vec::new());
            }
        }
        let curve = |between, value: &dyn Fn(&[BlockEcho]) -> f64| {
            Curve::new(between, thickness.iter().zip(echoes).map(|(d, block)| (*d, value(block))).collect())
        };
        let height = curve(Between::Height, &|block| per_cent(mean(block.iter().map(|e| e.height))));
        let prepared = height.prepared();
        let level = |d: f64, pct: f64| pct / prepared.at(d).unwrap_or(pct).max(1e-9);
        let repeat_part = Curve::new(
            Between::Straight,
            seconds.iter().map(|(d, pct)| (*d, level(2.0 * d, *pct) / level(*d, prepared.at(*d).unwrap_or(1.0)))).collect(),
        );
        let (clutter, face_pct, face) = self.clutter(filter, &path, echoes);
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
            half_separation_u: found.half_u_mm.map(Length::mm),
            velocity: Velocity::m_s(found.velocity),
            velocity_u: found.velocity_u.map(Velocity::m_s),
            velocity_fitted: self.input.fit_velocity,
            temperature,
            residuals,
            height,
            repeat_part,
            gain: one_gain(self.input.blocks),
            phase: curve(Between::Straight, &|block| mean(block.iter().map(|e| e.phase))),
            face_pct,
            face,
            clutter,
            points: Vec::new(),
            budget,
            warnings: Vec::new(),
        };
        let typed_velocity = typed.velocity_at(temperature);
        calibration.warnings = warnings(&typed, self.input.blocks, &calibration, typed_velocity);
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

/// Neighbouring blocks between which an echo's time does not rise soundly with the wall.
fn bent(curve: &Curve, path: &SoundPath, m: f64) -> Option<(f64, f64)> {
    const PARTS: u32 = 16;
    let (thin, thick) = curve.range()?;
    let prepared = curve.prepared();
    let late = |d: f64| prepared.at(d).unwrap_or(0.0);
    let sound = |d: f64, next: f64| (late(next) - late(d)).abs() <= MOST_BENT * (path.time(next, m) - path.time(d, m));
    let outer = [(thin - STRAIGHT_ON_MM).max(0.5 * thin), thick + STRAIGHT_ON_MM];
    let ends: Vec<f64> = outer[..1].iter().copied().chain(curve.thicknesses()).chain(outer[1..].iter().copied()).collect();
    let fault = ends.windows(2).find(|pair| {
        let step = (pair[1] - pair[0]) / f64::from(PARTS);
        (0..PARTS).any(|k| !sound(pair[0] + f64::from(k) * step, pair[0] + f64::from(k + 1) * step))
    })?;
    curve.around(fault[0])
}

fn warnings(typed: &Setup, blocks: &[Block], calibration: &Calibration, typed_velocity: Velocity) -> Vec<Wording> {
    let mut all: Vec<Wording> = Vec::new();
    let (found, typed_m_s) = (calibration.velocity.as_m_s(), typed_velocity.as_m_s());
    if calibration.velocity_fitted && (found / typed_m_s - 1.0).abs() > VELOCITY_DOUBT {
        let cause = if typed.half_separation <= Length::ZERO && found > typed_m_s {
            Wording::from("dual-element path not corrected (a probe with two elements needs its separation)")
        } else if let Some(material) = materials::nearest(calibration.velocity) {
            Wording::from("a wrong material or block thickness; ").say(material.name).say(" has about ").velocity(material.velocity)
        } else {
            Wording::from("a wrong block thickness; no common material has this velocity")
        };
        let told = calibration.velocity_u.map_or(Velocity::m_s(0.0), |u| u * 2.0);
        let only =
            if (found - typed_m_s).abs() < told.as_m_s() { ", or the blocks themselves, which do not fix it any better" } else { "" };
        let said = Wording::from("velocity from the blocks is ").velocity(calibration.velocity).say(" ± ").velocity(told);
        all.push(said.say(" against ").velocity(typed_velocity).say(" typed: likely ").then(&cause).say(only));
    }
    if blocks.iter().any(|b| b.gain.is_some()) && calibration.gain.is_none() {
        all.push(
            "the blocks were taken at different gains: an echo's height says nothing of the wall then, and walls without a second echo are fair at \
             best; take all blocks at the gain you scan with"
                .into(),
        );
    }
    if typed.half_separation > Length::ZERO && calibration.half_separation_u.is_none() {
        let blocks = distinct_points(calibration);
        all.push(if blocks < 3 {
            "fewer than three blocks: the dual-element path is taken from the drawing; thin walls may read wrong".into()
        } else {
            format!(
                "these {blocks} blocks do not fix the element separation, it is kept as typed: thin walls may read wrong; take a \
                 block near the thinnest wall"
            )
            .into()
        });
    }
    all
}

fn distinct_points(calibration: &Calibration) -> usize {
    calibration.height.len()
}
