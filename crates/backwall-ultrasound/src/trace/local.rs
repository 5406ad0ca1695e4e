//! The time of an echo to a fraction of a sample, from the signal at the full rate in double precision.

use super::{Top, Trace, nearest, wrapped};
use crate::filter::{Complex, Filter};
use crate::fine::NEIGHBOURS;

/// An echo's arrival at the full rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Sample of the envelope's top.
    pub envelope: f64,
    pub height: f64,
    /// Phase at the envelope's top, less the expected one.
    pub phase: f64,
    /// Sample where the correlation with the pulse peaks.
    pub correlation: f64,
}

impl Trace {
    /// Looks at two places at once where an echo will be timed; the filter must be the one that times them.
    pub fn look_ahead(&mut self, filter: &Filter, places: [f64; 2]) {
        let firsts = places.map(|at| Local::first(self, at));
        let both = filter.fine.beside((&self.samples, self.mean), firsts);
        self.ahead = [0, 1].map(|k| Some((firsts[k], both[k])));
    }

    /// Where the correlation peaks, by the search alone.
    pub fn guess(&self, top: &Top) -> f64 {
        top.at - top.phase / self.carrier
    }

    /// The signal about a place, if it was looked at before, as it was seen then.
    fn about(&self, filter: &Filter, at: f64) -> Local {
        let first = Local::first(self, at);
        match self.ahead.iter().flatten().find(|ahead| ahead.0 == first) {
            Some((first, z)) => Local::of(self, *first, *z),
            None => Local::about(self, filter, at),
        }
    }

    /// The arrival of the echo at `top` to a fraction of a sample.
    pub fn arrival(&self, filter: &Filter, top: Top, expected_phase: f64) -> Arrival {
        let mut local = self.about(filter, top.at);
        let envelope = local.climb(self, filter, top.at, |near, _| near.map(|z| z.re * z.re + z.im * z.im));
        let z = local.value(envelope);
        let phase = wrapped(z.arg() + self.carrier * envelope - expected_phase);
        let guess = envelope - phase / self.carrier;
        let near = if local.holds(guess) { local } else { self.about(filter, guess) };
        let correlation = self.correlation(filter, near, guess, expected_phase);
        Arrival { envelope, height: z.norm(), phase, correlation }
    }
    /// The same where only the correlation need be fine: the envelope's top stays as the search found it.
    pub fn quick_arrival(&self, filter: &Filter, top: Top) -> Arrival {
        let guess = self.guess(&top);
        let correlation = self.correlation(filter, self.about(filter, guess), guess, 0.0);
        Arrival { envelope: top.at, height: top.height, phase: top.phase, correlation }
    }

    /// Where the correlation with a pulse of a phase peaks, near a guess.
    fn correlation(&self, filter: &Filter, mut near: Local, guess: f64, expected_phase: f64) -> f64 {
        let Complex { re: cos_step, im: sin_step } = self.turns.step;
        near.climb(self, filter, guess, |[left, here, right], t| {
            let (sin, cos) = libm::sincos(self.carrier * t - expected_phase);
            // A step to the left and to the right turns the carrier by a fixed angle.
            let (sin_l, cos_l) = (sin * cos_step - cos * sin_step, cos * cos_step + sin * sin_step);
            let (sin_r, cos_r) = (sin * cos_step + cos * sin_step, cos * cos_step - sin * sin_step);
            [left.re * cos_l - left.im * sin_l, here.re * cos - here.im * sin, right.re * cos_r - right.im * sin_r]
        })
    }
}

/// How far the carrier turns, for those that ask again and again.
#[derive(Default)]
pub(super) struct Turns {
    /// In a sample, backwards.
    back: Complex,
    /// In a [`Local::STEP`].
    step: Complex,
}

impl Turns {
    pub fn of(carrier: f64) -> Self {
        let by = |angle: f64| {
            let (sin, cos) = libm::sincos(angle);
            Complex { re: cos, im: sin }
        };
        Self { back: by(-carrier), step: by(carrier * Local::STEP) }
    }
}

/// A few samples of the signal without its carrier, smooth enough for a polynomial.
pub struct Local {
    first: usize,
    z: [Complex; NEIGHBOURS],
}

impl Local {
    /// How far apart the three values lie through which a parabola finds a top, samples.
    const STEP: f64 = 0.25;

    pub fn about(trace: &Trace, filter: &Filter, at: f64) -> Self {
        let first = Self::first(trace, at);
        let [z] = filter.fine.beside((&trace.samples, trace.mean), [first]);
        Self::of(trace, first, z)
    }

    /// Where the samples about a place begin.
    fn first(trace: &Trace, at: f64) -> usize {
        let last = trace.samples.len().saturating_sub(7);
        ((nearest(at) - 3.0).max(0.0) as usize).min(last)
    }

    fn of(trace: &Trace, first: usize, mut z: [Complex; NEIGHBOURS]) -> Self {
        let (sin, cos) = libm::sincos(-trace.carrier * first as f64);
        let mut turn = Complex { re: cos, im: sin };
        for z in &mut z {
            *z = z.times(turn);
            turn = turn.times(trace.turns.back);
        }
        Self { first, z }
    }

    /// Whether a place lies well inside the seven samples.
    pub fn holds(&self, at: f64) -> bool {
        (at - self.first as f64 - 3.0).abs() <= 1.5
    }

    /// Lagrange's polynomial through the seven samples.
    pub fn value(&self, at: f64) -> Complex {
        const WEIGHT: [f64; 7] = [1.0 / 720.0, -1.0 / 120.0, 1.0 / 48.0, -1.0 / 36.0, 1.0 / 48.0, -1.0 / 120.0, 1.0 / 720.0];
        let u = at - self.first as f64;
        // Of the seven differences to the samples all but one are multiplied, from both ends.
        let mut below = [1.0; 7];
        for k in 1..7 {
            below[k] = below[k - 1] * (u - (k - 1) as f64);
        }
        let (mut above, mut sum) = (1.0, Complex::default());
        for k in (0..7).rev() {
            sum = sum.plus_scaled(self.z[k], WEIGHT[k] * below[k] * above);
            above *= u - k as f64;
        }
        sum
    }

    /// The nearest top of `height` to `at`.
    fn climb(&mut self, trace: &Trace, filter: &Filter, at: f64, heights: impl Fn([Complex; 3], f64) -> [f64; 3]) -> f64 {
        let mut t = at;
        for _ in 0..6 {
            if !self.holds(t) {
                *self = trace.about(filter, t);
            }
            let [left, here, right] = heights([self.value(t - Self::STEP), self.value(t), self.value(t + Self::STEP)], t);
            let bend = left - 2.0 * here + right;
            if bend >= 0.0 {
                break;
            }
            let off = (0.5 * (left - right) / bend * Self::STEP).clamp(-1.0, 1.0);
            t += off;
            if off.abs() < 1e-7 {
                break;
            }
        }
        if (t - at).abs() > 6.0 { at } else { t }
    }
}
