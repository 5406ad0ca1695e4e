//! The work on the blocks' records: finding their echoes, learning the pulse, what stands without a wall.

use super::sight::{Shifts, behind_record, tops_over};
use super::train;
use super::{BlockEcho, BlocksRefusal, BlocksUnder, CalibrationError, LEAST_SHOTS, MOST_SPREAD_MM, deviation, mean};
use crate::calibration::Clutter;
use crate::face::{Face, FaceSum};
use crate::filter::Filter;
use crate::path::SoundPath;
use crate::pulse::Pulse;
use crate::setup::Mode;
use crate::trace::Arrival;
use backwall_units::Time;

/// Nearer to each other than this an echo and its repeat overlap, periods of the probe's frequency: simulated blocks of 4 mm
/// at 2.25 MHz (2.7) calibrate, of 3 mm (1.9) do not.
const APART_PERIODS: f64 = 2.5;
/// A block's echo comes this near to the mean of its shots.
const MOST_JITTER_NS: f64 = 100.0;
/// A steel wall's shear velocity over its longitudinal one (3230/5920): places the mode-converted echo.
const SHEAR_OVER_LONGITUDINAL: f64 = 0.5456;

impl BlocksUnder<'_> {
    fn load(&mut self, filter: &Filter, block: usize, shot: usize) {
        let samples = &self.input.blocks[block].shots[shot];
        self.trace.load(samples, samples.len(), filter, &self.input.base);
    }
    fn sample_of(&self, ns: f64) -> f64 {
        self.input.base.sample_at(Time::ns(ns))
    }
    pub(super) fn expected(&self, path: &SoundPath, block: usize, m: f64) -> f64 {
        let path = SoundPath { mm_per_ns: self.velocities[block], ..*path };
        path.time(self.input.blocks[block].thickness.as_mm(), m)
    }
    fn shots(&self, block: usize) -> usize {
        self.input.blocks[block].shots.len()
    }

    /// How far all echoes lie from where the typed zero expects them.
    pub(super) fn coarse_shift(&mut self, filter: &Filter, path: &SoundPath) -> f64 {
        let mut shifts = Shifts::default();
        for block in 0..self.input.blocks.len() {
            let dues = [1.0, 2.0, 3.0].map(|m| self.expected(path, block, m));
            self.load(filter, block, 0);
            shifts.add(&Shifts::of(&self.trace, &self.input.base, dues));
        }
        shifts.best()
    }

    /// The echo nearest to a time, if it stands over the noise.
    fn echo_near(&mut self, filter: &Filter, due: f64, window: f64, over_noise: f64) -> Option<BlockEcho> {
        let (from, to) = (self.sample_of(due - window), self.sample_of(due + window));
        let mut tops = std::mem::take(&mut self.tops);
        tops_over(&mut self.trace, from, over_noise, &mut tops);
        let top = tops.iter().filter(|top| top.at <= to).max_by(|a, b| a.height.total_cmp(&b.height)).copied();
        self.tops = tops;
        let Arrival { height, phase, correlation, .. } = self.trace.arrival(filter, top?, 0.0);
        Some(BlockEcho { time_ns: self.input.base.time_at(correlation).as_ns(), height, phase })
    }

    pub(super) fn first_echoes(&mut self, filter: &Filter, path: &SoundPath, window: f64) -> Result<Vec<Vec<BlockEcho>>, BlocksRefusal> {
        (0..self.input.blocks.len())
            .map(|block| {
                let due = self.expected(path, block, 1.0);
                let of_block = |why| BlocksRefusal { block: Some(block), why };
                let thickness = self.input.blocks[block].thickness.as_mm();
                let samples = self.input.blocks[block].shots.iter().map(|shot| shot.len()).max().unwrap_or(0);
                let here = SoundPath { mm_per_ns: self.velocities[block], ..*path };
                behind_record(Mode::FirstEcho, &here, &self.input.base, samples, thickness).map_err(of_block)?;
                let mut found = Vec::new();
                for shot in 0..self.shots(block) {
                    self.load(filter, block, shot);
                    found.extend(self.echo_near(filter, due, window, 8.0));
                }
                let shots = self.shots(block);
                if found.len() < LEAST_SHOTS || found.len() * 10 < shots * 8 {
                    return Err(of_block(self.no_echo(path, thickness, shots, found.len())));
                }
                let times: Vec<f64> = found.iter().map(|e| e.time_ns).collect();
                let spread = deviation(&times) * path.slope(thickness);
                if spread > MOST_SPREAD_MM {
                    return Err(of_block(CalibrationError::Unstable { thickness, spread, limit: MOST_SPREAD_MM }));
                }
                Ok(found)
            })
            .collect()
    }

    /// Refuses blocks whose echoes taken for the first are repeats in most of their shots.
    pub(super) fn check_first(&mut self, filter: &Filter, path: &SoundPath, echoes: &[Vec<BlockEcho>]) -> Result<(), BlocksRefusal> {
        for (block, found) in echoes.iter().enumerate() {
            let thickness = self.input.blocks[block].thickness.as_mm();
            let path = SoundPath { mm_per_ns: self.velocities[block], ..*path };
            let mut refused = Vec::new();
            for shot in 0..self.shots(block) {
                self.load(filter, block, shot);
                let Some(taken) = self.echo_near(filter, mean(found.iter().map(|e| e.time_ns)), MOST_JITTER_NS, 8.0) else { continue };
                tops_over(&mut self.trace, 0.0, 8.0, &mut self.tops);
                let all: Vec<(f64, f64)> = self.tops.iter().map(|top| (self.input.base.time_at(top.at).as_ns(), top.height)).collect();
                refused.extend(train::is_first(&all, &path, thickness, (taken.time_ns, taken.height)).err());
            }
            if 2 * refused.len() > found.len()
                && let Some(why) = refused.pop()
            {
                return Err(BlocksRefusal { block: Some(block), why });
            }
        }
        Ok(())
    }

    /// Why a block shows no echo: on a thin one the repeat may run into it.
    fn no_echo(&self, path: &SoundPath, thickness: f64, shots: usize, echoes: usize) -> CalibrationError {
        let period = self.input.setup.frequency.period().as_ns();
        let periods = path.spacing(thickness, 1.0, 2.0) / period;
        // To half a millimetre upwards, as blocks go.
        let need = path.depth_from_spacing(APART_PERIODS * period, 1.0, 2.0).map(|mm| (2.0 * mm).ceil() / 2.0);
        match need.filter(|_| periods < APART_PERIODS) {
            Some(need) => CalibrationError::TooThin { thickness, periods, shots, echoes, need },
            None => CalibrationError::NoEcho { thickness, shots, echoes },
        }
    }

    /// The mean of all clean echoes, each shifted to its own time.
    pub(super) fn learn_pulse(&mut self, echoes: &[Vec<BlockEcho>], velocity: f64, f0: f64) -> Pulse {
        let rate = self.input.base.rate;
        // When the mode-converted echo follows the first, in ns.
        let gap = |block: usize| self.input.blocks[block].thickness.as_mm() / (velocity * 1e-6) * (1.0 / SHEAR_OVER_LONGITUDINAL - 1.0);
        let period = 1e9 / f0;
        let before_ns = 2.75 * period;
        let thickest = (0..echoes.len()).max_by(|a, b| gap(*a).total_cmp(&gap(*b))).unwrap_or(0);
        let clean: Vec<usize> = (0..echoes.len()).filter(|b| gap(*b) >= 5.5 * period || *b == thickest).collect();
        let room = clean.iter().map(|b| gap(*b)).fold(f64::INFINITY, f64::min) - 2.2 * period;
        let after_ns = room.clamp(2.5 * period, 7.5 * period);
        let (before, after) = ((before_ns / rate.period().as_ns()).ceil() as usize, (after_ns / rate.period().as_ns()).ceil() as usize);
        let mut samples = vec![0.0; before + after + 1];
        let mut weight = 0.0;
        for block in clean {
            for (shot, echo) in self.input.blocks[block].shots.iter().zip(&echoes[block]) {
                let centre = mean(shot.iter().map(|s| f64::from(*s)));
                let record: Vec<f64> = shot.iter().map(|s| f64::from(*s) - centre).collect();
                let at = self.sample_of(echo.time_ns);
                for (k, sum) in samples.iter_mut().enumerate() {
                    *sum += echo.height * between_samples(&record, at + k as f64 - before as f64);
                }
                weight += echo.height * echo.height;
            }
        }
        let count = samples.len();
        for (k, sample) in samples.iter_mut().enumerate() {
            let edge = (0.12 * count as f64).max(1.0);
            let near = (k.min(count - 1 - k) as f64 / edge).min(1.0);
            *sample *= (0.5 - 0.5 * libm::cos(std::f64::consts::PI * near)) / weight.max(1e-9);
        }
        Pulse { rate, reference: before as f64, samples }
    }

    /// Mean arrival and height of a block's `m`-th echo; none unless every shot shows it well.
    pub(super) fn repeat(&mut self, filter: &Filter, path: &SoundPath, block: usize, m: usize, first: f64) -> Option<(f64, f64)> {
        let due = first + self.expected(path, block, m as f64) - self.expected(path, block, 1.0);
        let mut found = Vec::new();
        for shot in 0..self.shots(block) {
            self.load(filter, block, shot);
            found.extend(self.echo_near(filter, due, 110.0, 8.0));
        }
        let times: Vec<f64> = found.iter().map(|echo| echo.time_ns).collect();
        let steady = times.len() == self.shots(block) && deviation(&times) < 15.0;
        let inside = due + 400.0 < self.input.base.end(self.trace.count()).as_ns();
        (steady && inside).then(|| (mean(times.into_iter()), mean(found.iter().map(|echo| echo.height))))
    }

    /// What stands in front of every block's wall, and the height of the near face's echo.
    pub(super) fn clutter(&mut self, filter: &Filter, path: &SoundPath, echoes: &[Vec<BlockEcho>]) -> (Clutter, Option<f64>, Option<Face>) {
        let full_scale = self.input.base.full_scale();
        let (mut least, mut faces): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
        let mut sum = FaceSum::new(&self.input.base, filter.search.step, path.zero_ns);
        for (block, found) in echoes.iter().enumerate() {
            let before_ns = (2.5 * self.input.setup.frequency.period().as_ns()).max(500.0);
            let wall_ns = mean(found.iter().map(|e| e.time_ns));
            let wall = self.sample_of(wall_ns - before_ns);
            let mut columns: Vec<Vec<f64>> = Vec::new();
            for shot in 0..self.shots(block) {
                self.load(filter, block, shot);
                let upto = (wall / self.trace.step as f64).max(0.0) as usize;
                columns.resize_with(columns.len().max(upto.min(self.trace.envelope().len())), Vec::new);
                for (column, height) in columns.iter_mut().zip(self.trace.envelope()) {
                    column.push(f64::from(*height));
                }
                sum.add(&self.trace, &self.input.base, wall_ns);
                faces.push(self.trace.highest(self.sample_of(path.zero_ns - 250.0), self.sample_of(path.zero_ns + 250.0)).0);
            }
            for (at, mut column) in columns.into_iter().enumerate() {
                let median = 100.0 * median(&mut column) / full_scale;
                match least.get_mut(at) {
                    Some(value) => *value = f64::min(*value, median),
                    None => least.push(median),
                }
            }
        }
        let base = self.input.base;
        let step = base.rate.period() * self.trace.step as f64;
        let face = (self.sample_of(path.zero_ns - 250.0) >= 0.0).then(|| 100.0 * median(&mut faces) / full_scale);
        (Clutter { first: base.first, step, height_pct: least }, face, sum.face(&base, filter.search.step))
    }
}

/// The middle one of `values`, the lower of two; reorders them.
fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let at = (values.len() - 1) / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// A record between its samples: a windowed sinc (band-limited interpolation, Shannon 1949).
fn between_samples(record: &[f64], at: f64) -> f64 {
    const REACH: i64 = 14;
    let base = at.floor();
    let part = at - base;
    let mut sum = 0.0;
    for k in -REACH + 1..=REACH {
        let index = base as i64 + k;
        let Some(value) = usize::try_from(index).ok().and_then(|i| record.get(i)) else { continue };
        let x = k as f64 - part;
        let angle = std::f64::consts::PI * x;
        let sinc = if x.abs() < 1e-9 { 1.0 } else { libm::sin(angle) / angle };
        sum += value * sinc * (0.5 + 0.5 * libm::cos(angle / REACH as f64));
    }
    sum
}
