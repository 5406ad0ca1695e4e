//! The time of an echo to a fraction of a sample, from the signal at the full rate with all its taps.

use super::{Top, Trace, nearest, wrapped};
use crate::filter::{Complex, Filter};
use crate::fine::NEIGHBOURS;
use crate::quick;

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
        let firsts = places.map(|at| LocalTrace::first(self, at));
        let both = filter.fine.beside((&self.samples, self.mean), firsts);
        self.ahead = [0, 1].map(|k| Some((firsts[k], both[k])));
    }

    /// Where the correlation peaks, by the search alone.
    pub fn guess(&self, top: &Top) -> f64 {
        top.at - top.phase / self.carrier
    }

    /// The signal about a place, if it was looked at before, as it was seen then.
    fn about(&self, filter: &Filter, at: f64) -> LocalTrace {
        let first = LocalTrace::first(self, at);
        match self.ahead.iter().flatten().find(|ahead| ahead.0 == first) {
            Some((first, z)) => LocalTrace::of(self, *first, *z),
            None => LocalTrace::about(self, filter, at),
        }
    }

    /// The arrival of the echo at `top` to a fraction of a sample.
    pub fn arrival(&self, filter: &Filter, top: Top, expected_phase: f64) -> Arrival {
        let mut local = self.about(filter, top.at);
        let envelope = local.climb(self, filter, top.at, |near, _| near.map(|z| z.re * z.re + z.im * z.im));
        let z = local.value(envelope);
        let phase = wrapped(z.arg() + self.carrier * (envelope - local.first as f64) - expected_phase);
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
    fn correlation(&self, filter: &Filter, mut near: LocalTrace, guess: f64, expected_phase: f64) -> f64 {
        let Complex { re: cos_step, im: sin_step } = self.turns.step;
        near.climb(self, filter, guess, |[left, here, right], u| {
            let (sin, cos) = quick::sincos(self.carrier * u - expected_phase);
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
    /// From each of some samples back to the first.
    back: [Complex; NEIGHBOURS],
    /// In a [`Local::STEP`].
    step: Complex,
}

impl Turns {
    pub fn of(carrier: f64) -> Self {
        let by = |angle: f64| {
            let (sin, cos) = libm::sincos(angle);
            Complex { re: cos, im: sin }
        };
        Self { back: std::array::from_fn(|k| by(-carrier * k as f64)), step: by(carrier * LocalTrace::STEP) }
    }
}

/// A few samples of the signal, its carrier turned back to the first of them: smooth enough for the polynomial through all of them.
pub struct LocalTrace {
    first: usize,
    /// Coefficients over the distance from the middle sample.
    polynomial: [Complex; NEIGHBOURS],
}

impl LocalTrace {
    /// How far apart the three values lie through which a parabola finds a top, samples.
    const STEP: f64 = 0.25;
    /// A step under this is the last, samples: each is under a fiftieth of the one before.
    const SETTLED: f64 = 1e-5;

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
        for (z, back) in z.iter_mut().zip(&trace.turns.back) {
            *z = z.times(*back);
        }
        // Central differences of six orders (textbook): sums of samples alike far from the middle, then differences.
        let [l3, l2, l1, middle, r1, r2, r3] = z;
        let sums = [middle, r1.plus_scaled(l1, 1.0), r2.plus_scaled(l2, 1.0), r3.plus_scaled(l3, 1.0)];
        let differences = [r1.plus_scaled(l1, -1.0), r2.plus_scaled(l2, -1.0), r3.plus_scaled(l3, -1.0)];
        let even = |weights: [f64; 4], over: f64| weighted(&sums, &weights, 1.0 / over);
        let odd = |weights: [f64; 3], over: f64| weighted(&differences, &weights, 1.0 / over);
        let polynomial = [
            middle,
            odd([45.0, -9.0, 1.0], 60.0),
            even([-490.0, 270.0, -27.0, 2.0], 360.0),
            odd([-13.0, 8.0, -1.0], 48.0),
            even([56.0, -39.0, 12.0, -1.0], 144.0),
            odd([5.0, -4.0, 1.0], 240.0),
            even([-20.0, 15.0, -6.0, 1.0], 720.0),
        ];
        Self { first, polynomial }
    }

    /// Whether a place lies well inside the seven samples.
    pub fn holds(&self, at: f64) -> bool {
        (at - self.first as f64 - 3.0).abs() <= 1.5
    }

    /// The signal without its carrier, which stands as at the first sample.
    fn value(&self, at: f64) -> Complex {
        let u = at - self.first as f64 - 3.0;
        let [a, b, c, d, e, f, g] = self.polynomial;
        let pair = |low: Complex, high: Complex| low.plus_scaled(high, u);
        let square = u * u;
        let high = pair(e, f).plus_scaled(g, square);
        pair(a, b).plus_scaled(pair(c, d).plus_scaled(high, square), square)
    }

    /// The signal with its carrier.
    pub fn signal(&self, carrier: f64, at: f64) -> Complex {
        let (sin, cos) = quick::sincos(carrier * (at - self.first as f64));
        self.value(at).times(Complex { re: cos, im: sin })
    }

    /// The nearest top to `at` of what `heights` makes of three values and of how far behind the first sample the middle one lies.
    fn climb(&mut self, trace: &Trace, filter: &Filter, at: f64, heights: impl Fn([Complex; 3], f64) -> [f64; 3]) -> f64 {
        let mut t = at;
        for _ in 0..6 {
            if !self.holds(t) {
                *self = trace.about(filter, t);
            }
            let values = [self.value(t - Self::STEP), self.value(t), self.value(t + Self::STEP)];
            let [left, here, right] = heights(values, t - self.first as f64);
            let bend = left - 2.0 * here + right;
            if bend >= 0.0 {
                break;
            }
            let off = (0.5 * (left - right) / bend * Self::STEP).clamp(-1.0, 1.0);
            t += off;
            if off.abs() < Self::SETTLED {
                break;
            }
        }
        if (t - at).abs() > 6.0 { at } else { t }
    }
}

/// The weighted sum of some values, times a factor.
fn weighted<const COUNT: usize>(values: &[Complex; COUNT], weights: &[f64; COUNT], factor: f64) -> Complex {
    values.iter().zip(weights).fold(Complex::default(), |sum, (value, weight)| sum.plus_scaled(*value, weight * factor))
}
