//! What a probe shows on a block whose thickness is known: its echo is looked for where that block must show one, first echo
//! and repeats together, so that a thin block's repeats cannot be taken for it from one shot to the next.

use super::{CalibrationError, train};
use crate::filter::Filter;
use crate::path::SoundPath;
use crate::pulse::{Pulse, TYPICAL_BANDWIDTH};
use crate::setup::{Mode, Setup};
use crate::trace::{Top, Trace};
use crate::{Evaluator, SetupError, TimeBase};
use backwall_units::{Length, Time};

/// On a thin block echoes fill the record and leave no noise to see. Where one must stand is known here, so this part of
/// the highest echo passes for noise, if the highest stands clear of the white noise. What is no echo does not come steadily.
const NOISE_OF_HIGHEST: f64 = 1.0 / 80.0;
const CLEAR: f64 = 40.0;
/// The typed zero may be off by this much.
const ZERO_SEARCH_NS: f64 = 1500.0;
const STEP_NS: f64 = 20.0;
/// What a microsecond away from the typed zero counts against a train of echoes, in full echoes: of alike ones the nearest.
const AWAY: f64 = 0.8;
/// An echo counts as a block's from this far over the noise, as far from its place, and no farther than nearly half way to
/// its repeat.
const OVER_NOISE: f64 = 8.0;
const WINDOW_NS: f64 = 350.0;
const HALF_WAY: f64 = 0.45;

/// Tops from sample `from` on, over what passes for noise on a block.
pub(super) fn tops_over(trace: &mut Trace, from: f64, over_noise: f64, tops: &mut Vec<Top>) {
    let highest = f64::from(trace.envelope().iter().copied().fold(0.0, f32::max));
    let clear = if highest >= CLEAR * trace.white { NOISE_OF_HIGHEST * highest } else { trace.noise };
    trace.tops(from, over_noise * clear.clamp(trace.white, trace.noise.max(trace.white)), tops);
}

/// How well a train of echoes fits, for each shift of the zero.
#[derive(Debug, Clone, Default)]
pub(super) struct Shifts {
    scores: Vec<f64>,
    blocks: f64,
}

impl Shifts {
    /// `dues` are the first echoes' times by the typed zero.
    pub fn of(trace: &Trace, base: &TimeBase, dues: [f64; 3]) -> Self {
        let steps = (2.0 * ZERO_SEARCH_NS / STEP_NS) as usize + 1;
        let height = |ns: f64| {
            let at = base.sample_at(Time::ns(ns)) / trace.step as f64;
            if at >= 0.0 { trace.envelope().get(at.round() as usize).map_or(0.0, |height| f64::from(*height)) } else { 0.0 }
        };
        let rows: Vec<[f64; 3]> = (0..steps).map(|k| dues.map(|due| height(due + offset(k)))).collect();
        let top = rows.iter().map(|row| row[0]).fold(1e-9, f64::max);
        Self { scores: rows.iter().map(|row| row.iter().map(|height| libm::sqrt((height / top).min(1.0))).sum()).collect(), blocks: 1.0 }
    }

    pub fn add(&mut self, other: &Self) {
        self.scores.resize(other.scores.len(), 0.0);
        self.blocks += other.blocks;
        for (sum, score) in self.scores.iter_mut().zip(&other.scores) {
            *sum += score;
        }
    }

    /// The shift that fits best, ns.
    pub fn best(&self) -> f64 {
        let worth = |k: usize| self.scores[k] - AWAY * offset(k).abs() / 1000.0 * self.blocks;
        (0..self.scores.len()).max_by(|a, b| worth(*a).total_cmp(&worth(*b))).map_or(0.0, offset)
    }
}

fn offset(k: usize) -> f64 {
    k as f64 * STEP_NS - ZERO_SEARCH_NS
}

/// Refuses a block whose echo, or the second one where spacings are to be read, lies behind the record's end.
pub(super) fn behind_record(mode: Mode, path: &SoundPath, base: &TimeBase, samples: usize, thickness: f64) -> Result<(), CalibrationError> {
    let (echo, m) = match mode {
        Mode::FirstEcho => ("echo", 1.0),
        Mode::EchoToEcho => ("second echo", 2.0),
    };
    let (due, end) = (path.time(thickness, m), base.end(samples).as_ns());
    if due <= end {
        return Ok(());
    }
    Err(CalibrationError::BehindRecord { thickness, echo, due_us: due / 1000.0, end_us: end / 1000.0 })
}

/// A probe on a block of known thickness, before any calibration.
pub struct BlockSight {
    setup: Setup,
    base: TimeBase,
    filter: Filter,
    path: SoundPath,
    thickness: f64,
    trace: Trace,
    tops: Vec<Top>,
}

/// What one shot on the block showed.
#[derive(Debug, Clone)]
pub struct BlockSeen {
    shifts: Shifts,
    /// Times, ns, and heights, codes.
    echoes: Vec<(f64, f64)>,
    samples: usize,
    /// Noise behind the filter, percent of full screen height.
    pub noise_pct: f64,
}

/// The block's own echo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnEcho {
    pub time: Time,
    pub height_pct: f64,
    /// What the typed values make of it.
    pub reading: Length,
}

impl BlockSight {
    /// `setup` brings the typed values; a calibration in it is not looked at.
    pub fn new(setup: &Setup, base: TimeBase, thickness: Length) -> Result<Self, SetupError> {
        let setup = Setup { calibration: None, ..setup.clone() };
        Evaluator::new(&setup, base)?;
        let pulse = Pulse::gaussian(setup.frequency, TYPICAL_BANDWIDTH);
        Ok(Self {
            filter: Filter::matched(&pulse, setup.frequency, base.rate),
            path: setup.path(),
            setup,
            base,
            thickness: thickness.as_mm(),
            trace: Trace::default(),
            tops: Vec::new(),
        })
    }

    pub fn look(&mut self, samples: &[i16]) -> BlockSeen {
        self.trace.load(samples, samples.len(), &self.filter, &self.base);
        let dues = [1.0, 2.0, 3.0].map(|m| self.path.time(self.thickness, m));
        tops_over(&mut self.trace, 0.0, OVER_NOISE, &mut self.tops);
        let timed = |top: &Top| {
            let arrival = self.trace.arrival(&self.filter, *top, 0.0);
            (self.base.time_at(arrival.correlation).as_ns(), arrival.height)
        };
        BlockSeen {
            shifts: Shifts::of(&self.trace, &self.base, dues),
            echoes: self.tops.iter().map(timed).collect(),
            samples: samples.len(),
            noise_pct: 100.0 * self.trace.noise / self.base.full_scale(),
        }
    }

    /// The block's echo in each of several shots; the zero is looked for in all of them together.
    pub fn own_echoes<'a>(&self, seen: impl Iterator<Item = &'a BlockSeen> + Clone) -> Vec<Option<OwnEcho>> {
        let mut shifts = Shifts::default();
        seen.clone().for_each(|seen| shifts.add(&seen.shifts));
        let path = SoundPath { zero_ns: self.path.zero_ns + shifts.best(), ..self.path };
        let window = WINDOW_NS.min(HALF_WAY * path.spacing(self.thickness, 1.0, 2.0));
        let highest_near = |seen: &BlockSeen, due: f64| {
            let near = seen.echoes.iter().filter(|(time, _)| (time - due).abs() <= window);
            near.max_by(|a, b| a.1.total_cmp(&b.1)).copied()
        };
        seen.map(|seen| {
            let (time, height) = highest_near(seen, path.time(self.thickness, 1.0))?;
            if self.setup.mode == Mode::EchoToEcho {
                highest_near(seen, path.time(self.thickness, 2.0))?;
            }
            // Nearer than the drawing's elements allow, a wall is followed on along the block's own slope.
            let along = || self.thickness + (time - self.path.time(self.thickness, 1.0)) * self.path.slope(self.thickness);
            let reading = Length::mm(self.path.depth(time).unwrap_or_else(along));
            Some(OwnEcho { time: Time::ns(time), height_pct: 100.0 * height / self.base.full_scale(), reading })
        })
        .collect()
    }

    /// Refuses a block whose echoes cannot lie in shots like these, or that shows its first echo elsewhere.
    pub fn fits(&self, seen: &BlockSeen) -> Result<(), CalibrationError> {
        let own = self.own_echoes(std::iter::once(seen)).into_iter().flatten().next();
        if let Some(own) = own {
            let taken = (own.time.as_ns(), own.height_pct * self.base.full_scale() / 100.0);
            let shifted = SoundPath { zero_ns: self.path.zero_ns + seen.shifts.best(), ..self.path };
            train::is_first(&seen.echoes, &shifted, self.thickness, taken)?;
        } else if let Some((first, zero)) = train::elsewhere(&seen.echoes, &self.path, self.thickness) {
            let (due_us, first_us, zero_us) = (self.path.time(self.thickness, 1.0) / 1000.0, first / 1000.0, zero / 1000.0);
            return Err(CalibrationError::Elsewhere { thickness: self.thickness, due_us, first_us, zero_us });
        }
        behind_record(self.setup.mode, &self.path, &self.base, seen.samples, self.thickness)
    }
}
