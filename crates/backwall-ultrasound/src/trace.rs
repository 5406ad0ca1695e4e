//! One record made ready: filtered, its noise known, its tops listed, and any echo's time to a fraction of a sample.
//!
//! The search works on every few samples of the analytic signal, which loses nothing of a band-limited envelope; the
//! time of an echo that is used is found at the full rate.

use super::face::{FaceLook, LOOKS};
use super::filter::{Complex, Filter, NEIGHBOURS};
use super::search::{Found, codes, correlation, quantile};
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
    /// The samples, and their mean.
    samples: Vec<i16>,
    mean: i32,
    found: Found,
    /// The signal's power up to each place, for the likeness.
    power: Vec<f64>,
    /// What [`sorting`] makes of heights, or plain magnitudes.
    scratch: Vec<u32>,
    pub step: usize,
    pub carrier: f64,
    /// rms of one component of the filtered noise, codes.
    pub noise: f64,
    /// What the white noise alone makes of it, from the record's high frequencies: hundreds of looks.
    pub white: f64,
    pub clipped: i32,
}

impl Trace {
    /// Filters `samples` up to sample `end`.
    pub fn load(&mut self, samples: &[i16], end: usize, filter: &Filter, base: &TimeBase) {
        let samples = &samples[..end.min(samples.len())];
        let limit = base.full_scale();
        self.samples.clear();
        self.samples.extend_from_slice(samples);
        let (over, under) = (libm::ceil(limit - 1.0) as i32, libm::floor(-limit) as i32);
        let codes = codes(samples, over, under);
        self.clipped = codes.clipped;
        self.mean = (codes.sum / (samples.len().max(1) as i64)) as i32;
        self.step = filter.search.step;
        self.carrier = filter.carrier;
        filter.search.run(samples, self.mean, &mut self.found);
        self.power.clear();
        self.noise = self.noise_floor(filter);
        let highest = f64::from(self.envelope().iter().copied().fold(0.0, f32::max));
        if highest < FULL_RECORD * self.noise && self.noise > OVER_WHITE * self.white && self.repeats_itself(filter) {
            self.noise = (TRAIN_NOISE * highest).clamp(self.white, self.noise);
        }
    }

    /// How many samples were filtered.
    pub fn count(&self) -> usize {
        self.samples.len()
    }

    /// The envelope at every `step`-th sample, codes.
    pub fn envelope(&self) -> &[f32] {
        &self.found.envelope
    }

    /// Whether the record is a train of like echoes: on a thin wall they leave no quiet part to take the noise from.
    fn repeats_itself(&mut self, filter: &Filter) -> bool {
        let (shortest, longest) = self.lags(filter);
        let chance = self.chance(filter);
        (shortest..=longest).any(|lag| self.likeness(lag) >= chance)
    }

    /// Whether the signal repeats itself after about `lag` samples.
    pub fn repeats_after(&mut self, filter: &Filter, lag: f64) -> bool {
        let at = (lag / self.step as f64).round() as usize;
        let (shortest, longest) = (self.lags(filter).0, self.found.re.len() / 3);
        (at.saturating_sub(2).max(shortest)..=(at + 2).min(longest)).any(|lag| self.likeness(lag) >= ALIKE_AT)
    }

    /// The likeness that noise does not reach.
    fn chance(&self, filter: &Filter) -> f64 {
        // Noise in the pulse's own band passes it twice and is narrower by the root of two.
        let looks = self.found.re.len() as f64 * self.width(filter) / libm::sqrt(2.0 * std::f64::consts::PI);
        ALIKE.max(CHANCE / looks)
    }

    fn lags(&self, filter: &Filter) -> (usize, usize) {
        let width = self.width(filter);
        (((LAGS.0 / width).ceil() as usize).max(1), ((LAGS.1 / width) as usize).min(self.found.re.len() / 3))
    }

    fn width(&self, filter: &Filter) -> f64 {
        (filter.rms_bandwidth * self.step as f64).max(1e-6)
    }

    /// The square of the signal's correlation with itself `lag` places later.
    fn likeness(&mut self, lag: usize) -> f64 {
        let Found { re, im, .. } = &self.found;
        let count = re.len();
        if self.power.is_empty() {
            let mut sum = 0.0;
            self.power.push(0.0);
            self.power.extend(re.iter().zip(im).map(|(re, im)| {
                sum += f64::from(re * re + im * im);
                sum
            }));
        }
        let (with_re, with_im) = correlation((&re[..count - lag], &im[..count - lag]), (&re[lag..], &im[lag..]));
        let (before, behind) = (self.power[count - lag], self.power[count] - self.power[lag]);
        (with_re * with_re + with_im * with_im) / (before * behind).max(f64::MIN_POSITIVE)
    }

    fn noise_floor(&mut self, filter: &Filter) -> f64 {
        let white = self.white_level() * filter.noise_gain;
        self.white = white;
        let floor = white.max(ROUNDING * filter.noise_gain).max(1e-9);
        let Found { envelope, .. } = &self.found;
        let count = envelope.len();
        let first = quantile_of(&mut self.scratch, envelope, QUIET_PART) / QUIET_RAYLEIGH;
        // Once more without the strong echoes: on a thin wall they are everywhere and the first look is too high.
        let strong = (STRONG * first.max(floor)) as f32;
        let cut = (CUT_PERIODS * 2.0 * std::f64::consts::PI / self.carrier / self.step as f64).ceil() as usize;
        self.scratch.clear();
        let mut kept = 0;
        for (at, _) in envelope.iter().enumerate().filter(|(_, height)| **height > strong) {
            let from = at.saturating_sub(cut);
            if from > kept {
                self.scratch.extend(envelope[kept..from].iter().map(sorting));
            }
            kept = kept.max(at + cut + 1);
        }
        if kept < count {
            self.scratch.extend(envelope[kept..].iter().map(sorting));
        }
        let again = if self.scratch.len() == count {
            first
        } else if self.scratch.len() * 8 >= count {
            f64::from(height_of(quantile(&self.scratch, QUIET_PART))) / QUIET_RAYLEIGH
        } else {
            quantile_of(&mut self.scratch, envelope, 0.10) / QUIETEST_RAYLEIGH
        };
        again.min(first).max(floor)
    }

    /// rms of the white noise, from the sixth difference of the record: an echo's band hardly reaches it.
    fn white_level(&self) -> f64 {
        const NORM: f64 = 30.397_368; // sqrt(1 + 36 + 225 + 400 + 225 + 36 + 1)
        // The median of a Gaussian's magnitude is 0.67449 rms.
        f64::from(quantile(&self.found.differences, 0.5)) / (NORM * 0.674_49)
    }

    /// The signal at the looks from one on, codes; nothing where the record ends before.
    pub fn looks(&self, first: usize) -> Option<FaceLook> {
        let of = |signal: &[f32]| signal.get(first..)?.first_chunk::<LOOKS>().copied();
        Some(FaceLook { re: of(&self.found.re)?, im: of(&self.found.im)? })
    }

    /// The tops over `least` from sample `from` on, in time order.
    pub fn tops(&self, from: f64, least: f64, tops: &mut Vec<Top>) {
        tops.clear();
        let start = (from / self.step as f64).ceil().max(1.0) as usize;
        let least = least as f32;
        for (at, near) in (start..).zip(self.envelope().get(start - 1..).unwrap_or_default().windows(3)) {
            let (left, here, right) = (near[0], near[1], near[2]);
            if here > least && here > left && here >= right {
                let (left, here, right) = (f64::from(left), f64::from(here), f64::from(right));
                let bend = left - 2.0 * here + right;
                let off = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
                let phase = wrapped(self.signal(at).arg() + self.carrier * self.step as f64 * off);
                tops.push(Top { at: (at as f64 + off) * self.step as f64, height: here - 0.25 * (left - right) * off, phase });
            }
        }
    }

    fn signal(&self, at: usize) -> Complex {
        Complex { re: f64::from(self.found.re[at]), im: f64::from(self.found.im[at]) }
    }

    /// Highest envelope between two samples.
    pub fn highest(&self, from: f64, to: f64) -> (f64, f64) {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = ((to / self.step as f64).floor().max(-1.0) + 1.0) as usize;
        let mut best = (0.0, from);
        for (at, height) in (start..).zip(self.envelope().get(start..end.min(self.envelope().len())).unwrap_or_default()) {
            if f64::from(*height) > best.0 {
                best = (f64::from(*height), (at * self.step) as f64);
            }
        }
        best
    }

    /// Noise rms per component in a stretch, taken from its lower part so that single echoes do not raise it.
    pub fn local_noise(&mut self, from: f64, to: f64) -> Option<f64> {
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.found.envelope.len());
        if start + 8 > end {
            return None;
        }
        Some(quantile_of(&mut self.scratch, &self.found.envelope[start..end], QUIET_PART) / QUIET_RAYLEIGH)
    }

    /// Noise rms per component as the body of the record outside a stretch has it: its mean power, tops cut at three
    /// times what its 60 % quantile says.
    pub fn body_outside(&mut self, from: f64, to: f64) -> f64 {
        const BODY_RAYLEIGH: f64 = 1.353_73; // sqrt(-2 ln 0.4)
        const CUT: f64 = 3.0;
        const CUT_LOSS: f64 = 0.988_891; // of the power of Rayleigh noise, 1 - exp(-4.5)
        let start = ((from / self.step as f64).max(0.0) as usize).min(self.found.envelope.len());
        let end = ((to / self.step as f64).max(0.0) as usize).clamp(start, self.found.envelope.len());
        self.scratch.clear();
        let rest = || self.found.envelope[..start].iter().chain(&self.found.envelope[end..]);
        self.scratch.extend(rest().map(sorting));
        let most = CUT * f64::from(height_of(quantile(&self.scratch, 0.6))) / BODY_RAYLEIGH;
        let power: f64 = rest().map(|e| f64::from(*e).min(most) * f64::from(*e).min(most)).sum();
        libm::sqrt(power / (2.0 * CUT_LOSS * self.scratch.len().max(1) as f64))
    }

    /// Noise rms per component in a stretch, its mean power weighed against the record's own noise as if that were
    /// known from a few looks more: short stretches say little.
    pub fn noise_with_grain(&self, from: f64, to: f64) -> f64 {
        const LOOKS: f64 = 4.0;
        let start = (from / self.step as f64).ceil().max(0.0) as usize;
        let end = (((to / self.step as f64).floor().max(-1.0) + 1.0) as usize).min(self.found.envelope.len());
        let power: f64 = self.envelope().get(start..end).unwrap_or(&[]).iter().map(|e| 0.5 * f64::from(*e) * f64::from(*e)).sum();
        let count = end.saturating_sub(start) as f64;
        libm::sqrt((power + LOOKS * self.noise * self.noise) / (count + LOOKS)).max(self.noise)
    }

    /// The arrival of the echo at `top` to a fraction of a sample.
    pub fn arrival(&self, filter: &Filter, top: Top, expected_phase: f64) -> Arrival {
        let mut local = Local::about(self, filter, top.at);
        let envelope = local.climb(self, filter, top.at, |near, _| near.map(|z| z.re * z.re + z.im * z.im));
        let z = local.value(envelope);
        let phase = wrapped(z.arg() + self.carrier * envelope - expected_phase);
        let guess = envelope - phase / self.carrier;
        let near = if local.holds(guess) { local } else { Local::about(self, filter, guess) };
        let correlation = self.correlation(filter, near, guess, expected_phase);
        Arrival { envelope, height: z.norm(), phase, correlation }
    }
}

impl Trace {
    /// The same where only the correlation need be fine: the envelope's top stays as the search found it.
    pub fn quick_arrival(&self, filter: &Filter, top: Top) -> Arrival {
        let guess = top.at - top.phase / self.carrier;
        let correlation = self.correlation(filter, Local::about(self, filter, guess), guess, 0.0);
        Arrival { envelope: top.at, height: top.height, phase: top.phase, correlation }
    }

    /// Where the correlation with a pulse of a phase peaks, near a guess.
    fn correlation(&self, filter: &Filter, mut near: Local, guess: f64, expected_phase: f64) -> f64 {
        let (sin_step, cos_step) = libm::sincos(self.carrier * Local::STEP);
        near.climb(self, filter, guess, |[left, here, right], t| {
            let (sin, cos) = libm::sincos(self.carrier * t - expected_phase);
            // A step to the left and to the right turns the carrier by a fixed angle.
            let (sin_l, cos_l) = (sin * cos_step - cos * sin_step, cos * cos_step + sin * sin_step);
            let (sin_r, cos_r) = (sin * cos_step + cos * sin_step, cos * cos_step - sin * sin_step);
            [left.re * cos_l - left.im * sin_l, here.re * cos - here.im * sin, right.re * cos_r - right.im * sin_r]
        })
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
        let last = trace.samples.len().saturating_sub(7);
        let first = ((at.round() - 3.0).max(0.0) as usize).min(last);
        let mut z = filter.beside((&trace.samples, trace.mean), first);
        let (sin, cos) = libm::sincos(-trace.carrier * first as f64);
        let mut turn = Complex { re: cos, im: sin };
        let (sin, cos) = libm::sincos(-trace.carrier);
        for z in &mut z {
            *z = z.times(turn);
            turn = turn.times(Complex { re: cos, im: sin });
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
                *self = Self::about(trace, filter, t);
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

/// An angle brought to -pi..pi.
pub fn wrapped(angle: f64) -> f64 {
    let turn = 2.0 * std::f64::consts::PI;
    angle - turn * (angle / turn).round()
}

/// Bits of a height without those that say nothing of noise. Heights are not negative, so their bits sort as they do; what is
/// left is known to one part in eight thousand, 0.001 dB, and found in half the steps.
const SPARE_BITS: u32 = 11;

fn sorting(height: &f32) -> u32 {
    height.to_bits() >> SPARE_BITS
}

/// The middle of the heights that [`sorting`] does not tell apart.
fn height_of(sorting: u32) -> f32 {
    f32::from_bits((sorting << SPARE_BITS) | (1 << (SPARE_BITS - 1)))
}

/// The height below which `part` of `heights` lie, none of them negative; `scratch` is overwritten.
fn quantile_of(scratch: &mut Vec<u32>, heights: &[f32], part: f64) -> f64 {
    scratch.clear();
    scratch.extend(heights.iter().map(sorting));
    f64::from(height_of(quantile(scratch, part)))
}
