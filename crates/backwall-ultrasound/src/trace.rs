//! One record made ready: filtered, its noise known, its tops listed, and any echo's time to a fraction of a sample.
//!
//! The search works on every few samples of the analytic signal, which loses nothing of a band-limited envelope; the
//! time of an echo that is used is found at the full rate.

use super::filter::{Complex, Filter};
use super::waveform::TimeBase;

/// Depth of the record's quantile that stands for noise alone.
const QUIET_PART: f64 = 0.30;
/// A Rayleigh-distributed envelope has its 30 % quantile at this many component rms: sqrt(-2 ln 0.7).
const QUIET_RAYLEIGH: f64 = 0.844_600;
/// The same for the lowest tenth: sqrt(-2 ln 0.9).
const QUIETEST_RAYLEIGH: f64 = 0.459_044;
/// An echo this many times over the noise is cut out before the noise is taken again.
const STRONG: f64 = 8.0;
/// How far about a strong echo is cut out, in periods of the carrier.
const CUT_PERIODS: f64 = 2.0;
/// An echo train fills a record where no echo stands this far over what passes for noise, ...
const FULL_RECORD: f64 = 14.0;
/// ... that noise is this far over the white noise, ...
const OVER_WHITE: f64 = 3.0;
/// ... and the signal repeats itself: correlated with itself one lag later by at least this, squared. Noise has the square
/// of its correlation distributed as exp(-looks * square) (a ratio of Gaussian sums), so the second figure over the looks
/// keeps chance under one in a million a lag.
const ALIKE: f64 = 0.49;
/// At one lag asked for, of a record that holds a wall, chance has little room.
const ALIKE_AT: f64 = 0.45;
const CHANCE: f64 = 14.0;
/// Lags, over the rms width of the band: beyond the pulse's own length, and as far as echoes still run into each other.
const LAGS: (f64, f64) = (2.0, 12.0);
/// Echoes in such a train are looked for down to six times this part of the highest.
const TRAIN_NOISE: f64 = 1.0 / 60.0;
/// A converter's own rounding noise, in codes: 1/sqrt(12).
const ROUNDING: f64 = 0.288_675;

/// A top of the envelope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Top {
    /// (Fractional) sample of the envelope's top.
    pub at: f64,
    /// Height of the envelope, codes.
    pub height: f64,
    /// Phase at the top, radians; zero for an echo shaped like the pulse.
    pub phase: f64,
}

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

/// Reusable working space; `load` fills it from a record.
#[derive(Default)]
pub struct Trace {
    pub record: Vec<f64>,
    signal: Vec<Complex>,
    pub envelope: Vec<f64>,
    scratch: Vec<f64>,
    pub step: usize,
    pub carrier: f64,
    /// rms of one component of the filtered noise, codes.
    pub noise: f64,
    /// What the white noise alone makes of it, from the record's high frequencies: hundreds of looks.
    pub white: f64,
    pub clipped: usize,
    pub peak_code: i32,
}

impl Trace {
    /// Filters `samples` up to sample `end`.
    pub fn load(&mut self, samples: &[i16], end: usize, filter: &Filter, base: &TimeBase) {
        let samples = &samples[..end.min(samples.len())];
        let limit = base.full_scale();
        let mean = if samples.is_empty() { 0 } else { samples.iter().map(|s| i64::from(*s)).sum::<i64>() / samples.len() as i64 };
        self.record.clear();
        self.record.extend(samples.iter().map(|s| f64::from(*s) - mean as f64));
        self.clipped = samples.iter().filter(|s| f64::from(**s) >= limit - 1.0 || f64::from(**s) <= -limit).count();
        self.peak_code = samples.iter().map(|s| i32::from(*s).abs()).max().unwrap_or(0);
        // Four and a half looks in each period of the carrier keep the whole band of any probe below twice its centre.
        self.step = ((2.0 * std::f64::consts::PI / filter.carrier / 4.5) as usize).max(1);
        self.carrier = filter.carrier;
        self.signal.clear();
        self.signal.extend((0..samples.len()).step_by(self.step).map(|at| filter.at(&self.record, at)));
        self.envelope.clear();
        self.envelope.extend(self.signal.iter().map(|y| y.norm()));
        self.noise = self.noise_floor(filter);
        let highest = self.envelope.iter().copied().fold(0.0, f64::max);
        if highest < FULL_RECORD * self.noise && self.noise > OVER_WHITE * self.white && self.repeats_itself(filter) {
            self.noise = (TRAIN_NOISE * highest).clamp(self.white, self.noise);
        }
    }

    /// Whether the record is a train of like echoes: on a thin wall they leave no quiet part to take the noise from.
    fn repeats_itself(&self, filter: &Filter) -> bool {
        let (shortest, longest) = self.lags(filter);
        (shortest..=longest).any(|lag| self.likeness(lag) >= self.chance(filter))
    }

    /// Whether the signal repeats itself after about `lag` samples.
    pub fn repeats_after(&self, filter: &Filter, lag: f64) -> bool {
        let at = (lag / self.step as f64).round() as usize;
        let (shortest, longest) = (self.lags(filter).0, self.signal.len() / 3);
        (at.saturating_sub(2).max(shortest)..=(at + 2).min(longest)).any(|lag| self.likeness(lag) >= ALIKE_AT)
    }

    /// The likeness that noise does not reach.
    fn chance(&self, filter: &Filter) -> f64 {
        // Noise in the pulse's own band passes it twice and is narrower by the root of two.
        let looks = self.signal.len() as f64 * self.width(filter) / libm::sqrt(2.0 * std::f64::consts::PI);
        ALIKE.max(CHANCE / looks)
    }

    fn lags(&self, filter: &Filter) -> (usize, usize) {
        let width = self.width(filter);
        (((LAGS.0 / width).ceil() as usize).max(1), ((LAGS.1 / width) as usize).min(self.signal.len() / 3))
    }

    fn width(&self, filter: &Filter) -> f64 {
        (filter.rms_bandwidth * self.step as f64).max(1e-6)
    }

    /// The square of the signal's correlation with itself `lag` places later.
    fn likeness(&self, lag: usize) -> f64 {
        let (early, late) = (&self.signal[..self.signal.len() - lag], &self.signal[lag..]);
        let (mut re, mut im, mut before, mut behind) = (0.0, 0.0, 0.0, 0.0);
        for (a, b) in early.iter().zip(late) {
            re += a.re * b.re + a.im * b.im;
            im += a.re * b.im - a.im * b.re;
            before += a.re * a.re + a.im * a.im;
            behind += b.re * b.re + b.im * b.im;
        }
        (re * re + im * im) / (before * behind).max(f64::MIN_POSITIVE)
    }

    fn noise_floor(&mut self, filter: &Filter) -> f64 {
        let white = self.white_level() * filter.noise_gain;
        self.white = white;
        let floor = white.max(ROUNDING * filter.noise_gain).max(1e-9);
        self.scratch.clear();
        self.scratch.extend_from_slice(&self.envelope);
        let first = quantile(&mut self.scratch, QUIET_PART) / QUIET_RAYLEIGH;
        // Once more without the strong echoes: on a thin wall they are everywhere and the first look is too high.
        let strong = STRONG * first.max(floor);
        let cut = (CUT_PERIODS * 2.0 * std::f64::consts::PI / self.carrier / self.step as f64).ceil() as usize;
        self.scratch.clear();
        let mut until = 0usize;
        let mut ahead = 0usize;
        for at in 0..self.envelope.len() {
            while ahead < self.envelope.len() && ahead <= at + cut {
                if self.envelope[ahead] > strong {
                    until = ahead + cut + 1;
                }
                ahead += 1;
            }
            if at >= until {
                self.scratch.push(self.envelope[at]);
            }
        }
        let again = if self.scratch.len() * 8 >= self.envelope.len() {
            quantile(&mut self.scratch, QUIET_PART) / QUIET_RAYLEIGH
        } else {
            self.scratch.clear();
            self.scratch.extend_from_slice(&self.envelope);
            quantile(&mut self.scratch, 0.10) / QUIETEST_RAYLEIGH
        };
        again.min(first).max(floor)
    }

    /// rms of the white noise, from the sixth difference of the record: an echo's band hardly reaches it.
    fn white_level(&mut self) -> f64 {
        const NORM: f64 = 30.397_368; // sqrt(1 + 36 + 225 + 400 + 225 + 36 + 1)
        self.scratch.clear();
        self.scratch.extend(
            self.record.windows(7).step_by(2).map(|w| (w[0] + w[6] - 6.0 * (w[1] + w[5]) + 15.0 * (w[2] + w[4]) - 20.0 * w[3]).abs()),
        );
        // The median of a Gaussian's magnitude is 0.67449 rms.
        quantile(&mut self.scratch, 0.5) / (NORM * 0.674_49)
    }

    /// The tops over `least` from sample `from` on, in time order.
    pub fn tops(&self, from: f64, least: f64, tops: &mut Vec<Top>) {
        tops.clear();
        let start = (from / self.step as f64).ceil().max(1.0) as usize;
        for at in start..self.envelope.len().saturating_sub(1) {
            let (left, here, right) = (self.envelope[at - 1], self.envelope[at], self.envelope[at + 1]);
            if here > least && here > left && here >= right {
                let bend = left - 2.0 * here + right;
                let off = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
                let phase = wrapped(self.signal[at].arg() + self.carrier * self.step as f64 * off);
                tops.push(Top { at: (at as f64 + off) * self.step as f64, height: here - 0.25 * (left - right) * off, phase });
            }
        }
    }

    /// Highest envelope between two samples.
    pub fn highest(&self, from: f64, to: f64) -> (f64, f64) {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = ((to / self.step as f64).floor().max(-1.0) + 1.0) as usize;
        let mut best = (0.0, from);
        for at in start..end.min(self.envelope.len()) {
            if self.envelope[at] > best.0 {
                best = (self.envelope[at], (at * self.step) as f64);
            }
        }
        best
    }

    /// Noise rms per component in a stretch, taken from its lower part so that single echoes do not raise it.
    pub fn local_noise(&mut self, from: f64, to: f64) -> Option<f64> {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.envelope.len());
        if start + 8 > end {
            return None;
        }
        self.scratch.clear();
        self.scratch.extend_from_slice(&self.envelope[start..end]);
        Some(quantile(&mut self.scratch, QUIET_PART) / QUIET_RAYLEIGH)
    }

    /// Noise rms per component as the body of the record outside a stretch has it: its mean power, tops cut at three
    /// times what its 60 % quantile says.
    pub fn body_outside(&mut self, from: f64, to: f64) -> f64 {
        const BODY_RAYLEIGH: f64 = 1.353_73; // sqrt(-2 ln 0.4)
        const CUT: f64 = 3.0;
        const CUT_LOSS: f64 = 0.988_891; // of the power of Rayleigh noise, 1 - exp(-4.5)
        let start = ((from / self.step as f64).max(0.0) as usize).min(self.envelope.len());
        let end = ((to / self.step as f64).max(0.0) as usize).clamp(start, self.envelope.len());
        self.scratch.clear();
        self.scratch.extend_from_slice(&self.envelope[..start]);
        self.scratch.extend_from_slice(&self.envelope[end..]);
        let most = CUT * quantile(&mut self.scratch, 0.6) / BODY_RAYLEIGH;
        let rest = self.envelope[..start].iter().chain(&self.envelope[end..]);
        let power: f64 = rest.map(|e| e.min(most) * e.min(most)).sum();
        libm::sqrt(power / (2.0 * CUT_LOSS * self.scratch.len().max(1) as f64))
    }

    /// Noise rms per component in a stretch, its mean power weighed against the record's own noise as if that were
    /// known from a few looks more: short stretches say little.
    pub fn noise_with_grain(&self, from: f64, to: f64) -> f64 {
        const LOOKS: f64 = 4.0;
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.envelope.len());
        let power: f64 = self.envelope.get(start..end).unwrap_or(&[]).iter().map(|e| 0.5 * e * e).sum();
        let count = end.saturating_sub(start) as f64;
        libm::sqrt((power + LOOKS * self.noise * self.noise) / (count + LOOKS)).max(self.noise)
    }

    /// The arrival of the echo at `top` to a fraction of a sample.
    pub fn arrival(&self, filter: &Filter, top: Top, expected_phase: f64) -> Arrival {
        let mut local = Local::about(self, filter, top.at);
        let envelope = local.climb(self, filter, top.at, |z, _| z.re * z.re + z.im * z.im);
        let z = local.value(envelope);
        let phase = wrapped(z.arg() + self.carrier * envelope - expected_phase);
        let guess = envelope - phase / self.carrier;
        let mut near = Local::about(self, filter, guess);
        let carrier = self.carrier;
        let correlation = near.climb(self, filter, guess, move |z, t| {
            let (sin, cos) = libm::sincos(carrier * t - expected_phase);
            z.re * cos - z.im * sin
        });
        Arrival { envelope, height: z.norm(), phase, correlation }
    }
}

/// A few samples of the signal without its carrier, smooth enough for a polynomial.
pub struct Local {
    first: usize,
    z: [Complex; 7],
}

impl Local {
    pub fn about(trace: &Trace, filter: &Filter, at: f64) -> Self {
        let last = trace.record.len().saturating_sub(7);
        let first = ((at.round() - 3.0).max(0.0) as usize).min(last);
        let z = std::array::from_fn(|k| {
            let index = first + k;
            filter.at(&trace.record, index).turned(-trace.carrier * index as f64)
        });
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
        let mut sum = Complex::default();
        for (k, z) in self.z.iter().enumerate() {
            let mut factor = WEIGHT[k];
            for j in 0..7 {
                if j != k {
                    factor *= u - j as f64;
                }
            }
            sum = sum.plus_scaled(*z, factor);
        }
        sum
    }

    /// The nearest top of `height` to `at`.
    fn climb(&mut self, trace: &Trace, filter: &Filter, at: f64, height: impl Fn(Complex, f64) -> f64) -> f64 {
        const STEP: f64 = 0.25;
        let mut t = at;
        for _ in 0..6 {
            if !self.holds(t) {
                *self = Self::about(trace, filter, t);
            }
            let (left, here, right) =
                (height(self.value(t - STEP), t - STEP), height(self.value(t), t), height(self.value(t + STEP), t + STEP));
            let bend = left - 2.0 * here + right;
            if bend >= 0.0 {
                break;
            }
            let off = (0.5 * (left - right) / bend * STEP).clamp(-1.0, 1.0);
            t += off;
            if off.abs() < 1e-7 {
                break;
            }
        }
        if (t - at).abs() > 6.0 { at } else { t }
    }
}

/// An angle brought to -pi..pi.
pub fn wrapped(angle: f64) -> f64 {
    let turn = 2.0 * std::f64::consts::PI;
    angle - turn * (angle / turn).round()
}

/// The value below which `part` of `values` lie; reorders them.
pub fn quantile(values: &mut [f64], part: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() - 1) as f64 * part) as usize;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}
