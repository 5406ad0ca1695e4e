//! The matched filter: from a pulse to complex taps at the rate of a time base.
//!
//! Filtering with the probe's own pulse gives the best arrival time noise allows (S. M. Kay, Estimation Theory, 1993,
//! range estimation); keeping only positive frequencies makes the result an analytic signal (D. Gabor, 1946) whose
//! magnitude is the envelope and whose angle is the phase. The taps are summed directly, in one fixed order, so that
//! every machine gets the same bits.

use super::pulse::Pulse;
use backwall_units::Frequency;
use std::f64::consts::PI;

#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Complex {
    pub re: f64,
    pub im: f64,
}

impl Complex {
    pub fn norm(self) -> f64 {
        libm::sqrt(self.re * self.re + self.im * self.im)
    }
    pub fn arg(self) -> f64 {
        libm::atan2(self.im, self.re)
    }
    pub fn times(self, other: Self) -> Self {
        Self { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
    pub fn turned(self, radians: f64) -> Self {
        let (sin, cos) = libm::sincos(radians);
        self.times(Self { re: cos, im: sin })
    }
    pub fn plus_scaled(self, other: Self, factor: f64) -> Self {
        Self { re: self.re + other.re * factor, im: self.im + other.im * factor }
    }
}

/// One line of a pulse's spectrum, and how much of it the band lets through.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    pub hertz: f64,
    pub value: Complex,
    pub taper: f64,
}

impl Line {
    pub fn tapered(&self) -> Complex {
        Complex::default().plus_scaled(self.value, self.taper)
    }
}

/// Where the filter's band ends: full above -24 dB of the pulse's power, nothing under -34 dB.
const BAND_FULL_DB: f64 = -24.0;
const BAND_NONE_DB: f64 = -34.0;
/// Taps smaller than this part of the largest are left out.
const TAP_FLOOR: f64 = 4e-4;

/// Complex taps that turn a record into the analytic signal whose top marks an echo; an echo equal to the pulse gives
/// its own envelope peak.
pub struct Filter {
    re: Vec<f64>,
    im: Vec<f64>,
    /// How many taps lie before the reference sample.
    before: usize,
    /// Carrier, radians per sample: the power-weighted mean of the band.
    pub carrier: f64,
    /// Output noise per component for white input noise of rms 1.
    pub noise_gain: f64,
    /// rms frequency of the output's pulse, radians per sample: curvature of its top.
    pub rms_frequency: f64,
    /// rms width of the band about the carrier, radians per sample.
    pub rms_bandwidth: f64,
}

impl Filter {
    pub fn matched(pulse: &Pulse, centre: Frequency, rate: Frequency) -> Self {
        Self::design(pulse, centre, rate, true)
    }
    /// The same band without the pulse's own phase and shape: a zero-phase band-pass for timing on the pulse itself.
    pub fn band_pass(pulse: &Pulse, centre: Frequency, rate: Frequency) -> Self {
        Self::design(pulse, centre, rate, false)
    }

    fn design(pulse: &Pulse, centre: Frequency, rate: Frequency, matched: bool) -> Self {
        let (f0, fs) = (centre.as_hz(), rate.as_hz());
        let band: Vec<(f64, f64, f64, f64)> =
            Self::band(pulse, centre, fs).into_iter().map(|line| (line.hertz, line.value.re, line.value.im, line.taper)).collect();
        let reach = (1.9 / f0 * 5.0 * fs).ceil() as i64;
        let mut taps: Vec<Complex> = (-reach..=reach)
            .map(|k| {
                // q(t) at t = -k/fs: the tap for the sample k places behind the reference.
                let turn = -2.0 * PI * k as f64 / fs;
                band.iter().fold(Complex::default(), |sum, &(f, re, im, taper)| {
                    let weight = if matched { Complex { re: re * taper, im: -im * taper } } else { Complex { re: taper, im: 0.0 } };
                    sum.plus_scaled(weight.turned(turn * f), 1.0)
                })
            })
            .collect();
        // What the filter makes of the pulse itself, at its reference: the sum of P·H over the band.
        let answer = band.iter().fold(Complex::default(), |sum, &(_, re, im, taper)| {
            let out =
                if matched { Complex { re: (re * re + im * im) * taper, im: 0.0 } } else { Complex { re: re * taper, im: im * taper } };
            sum.plus_scaled(out, 1.0)
        });
        // x[n] = p(n/fs) and P(f) is in seconds: sum_n x q = fs * sum_f P H; y then is in units of fs*answer.
        let scale = 1.0 / (fs * answer.norm().max(f64::MIN_POSITIVE));
        for tap in &mut taps {
            tap.re *= scale;
            tap.im *= scale;
        }
        let largest = taps.iter().map(|tap| tap.norm()).fold(0.0, f64::max);
        let first = taps.iter().position(|tap| tap.norm() > TAP_FLOOR * largest).unwrap_or(0);
        let last = taps.iter().rposition(|tap| tap.norm() > TAP_FLOOR * largest).unwrap_or(0);
        let kept = &taps[first..=last.max(first)];
        let weights: Vec<(f64, f64)> = band
            .iter()
            .map(|&(f, re, im, taper)| {
                (2.0 * PI * f / fs, if matched { (re * re + im * im) * taper } else { libm::sqrt(re * re + im * im) * taper })
            })
            .collect();
        let total: f64 = weights.iter().map(|(_, w)| w).sum::<f64>().max(f64::MIN_POSITIVE);
        let carrier = weights.iter().map(|(w, p)| w * p).sum::<f64>() / total;
        let square = weights.iter().map(|(w, p)| w * w * p).sum::<f64>() / total;
        Self {
            re: kept.iter().map(|tap| tap.re).collect(),
            im: kept.iter().map(|tap| tap.im).collect(),
            before: (reach as usize).saturating_sub(first),
            carrier,
            noise_gain: libm::sqrt(kept.iter().map(|tap| tap.re * tap.re).sum()),
            rms_frequency: libm::sqrt(square),
            rms_bandwidth: libm::sqrt((square - carrier * carrier).max(0.0)),
        }
    }

    /// The lines of the pulse's spectrum inside its band, below half of `rate`.
    pub fn band(pulse: &Pulse, centre: Frequency, rate: f64) -> Vec<Line> {
        let f0 = centre.as_hz();
        let df = f0 / 64.0;
        let count = ((3.2 * f0).min(0.49 * rate) / df) as usize;
        let spectrum: Vec<(f64, f64, f64)> = (1..=count)
            .map(|k| {
                let hertz = k as f64 * df;
                let (re, im) = pulse.spectrum(hertz);
                (hertz, re, im)
            })
            .collect();
        let top = spectrum.iter().map(|(_, re, im)| re * re + im * im).fold(f64::MIN_POSITIVE, f64::max);
        spectrum
            .into_iter()
            .filter_map(|(hertz, re, im)| {
                let taper = taper(10.0 * libm::log10(((re * re + im * im) / top).max(1e-30)));
                (taper > 0.0).then_some(Line { hertz, value: Complex { re, im }, taper })
            })
            .collect()
    }

    /// The analytic signal at sample `at`. Samples outside the record count as zero.
    pub fn at(&self, record: &[f64], at: usize) -> Complex {
        let skip = self.before.saturating_sub(at);
        let start = (at + skip).saturating_sub(self.before);
        if skip >= self.re.len() || start >= record.len() {
            return Complex::default();
        }
        let count = (self.re.len() - skip).min(record.len() - start);
        let part = &record[start..start + count];
        Complex { re: dot(part, &self.re[skip..skip + count]), im: dot(part, &self.im[skip..skip + count]) }
    }
}

fn taper(power_db: f64) -> f64 {
    if power_db >= BAND_FULL_DB {
        1.0
    } else if power_db <= BAND_NONE_DB {
        0.0
    } else {
        let u = (power_db - BAND_NONE_DB) / (BAND_FULL_DB - BAND_NONE_DB);
        0.5 - 0.5 * libm::cos(PI * u)
    }
}

/// Four running sums in one fixed order: quick, and the same bits everywhere.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0f64; 8];
    let (chunks_a, rest_a) = a.as_chunks::<8>();
    let (chunks_b, rest_b) = b.as_chunks::<8>();
    for (x, y) in chunks_a.iter().zip(chunks_b) {
        for lane in 0..8 {
            sums[lane] += x[lane] * y[lane];
        }
    }
    let mut tail = 0.0;
    for (x, y) in rest_a.iter().zip(rest_b) {
        tail += x * y;
    }
    ((sums[0] + sums[4]) + (sums[1] + sums[5])) + ((sums[2] + sums[6]) + (sums[3] + sums[7])) + tail
}
