//! The pulse a probe sends and receives, and its spectrum at any frequency.

use backwall_units::{Frequency, Time};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// A sampled pulse. Its envelope peaks at 1 and its reference instant, the moment an echo is said to arrive, lies
/// at sample `reference`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pulse {
    #[serde(rename = "rate_hz")]
    pub rate: Frequency,
    pub reference: f64,
    pub samples: Vec<f64>,
}

/// Relative -6 dB bandwidth assumed of a probe nobody has calibrated; common practice for thickness probes, no source.
pub const TYPICAL_BANDWIDTH: f64 = 0.6;

impl Pulse {
    /// A cosine under a Gaussian envelope; `bandwidth` is the -6 dB width over the centre frequency.
    /// (Demirli and Saniie, IEEE Trans. UFFC 48(3), 2001: the Gaussian echo model.)
    pub fn gaussian(frequency: Frequency, bandwidth: f64) -> Self {
        let f0 = frequency.as_hz();
        let rate = 24.0 * f0;
        let sigma = gaussian_sigma(f0, bandwidth);
        let half = (4.5 * sigma * rate).ceil();
        let samples = (0..=(2.0 * half) as usize)
            .map(|k| {
                let t = (k as f64 - half) / rate;
                libm::exp(-t * t / (2.0 * sigma * sigma)) * libm::cos(2.0 * PI * f0 * t)
            })
            .collect();
        Self { rate: Frequency::hz(rate), reference: half, samples }
    }

    /// The spectrum at `hertz`, phase counted from the reference instant; in seconds (per unit envelope).
    pub fn spectrum(&self, hertz: f64) -> (f64, f64) {
        let step = 2.0 * PI * hertz / self.rate.as_hz();
        let (mut re, mut im) = (0.0, 0.0);
        for (k, sample) in self.samples.iter().enumerate() {
            let (sin, cos) = libm::sincos(step * (k as f64 - self.reference));
            re += sample * cos;
            im -= sample * sin;
        }
        let dt = 1.0 / self.rate.as_hz();
        (re * dt, im * dt)
    }

    /// How long the pulse is before and behind its reference.
    pub fn extent(&self) -> (Time, Time) {
        let period = self.rate.period();
        (period * self.reference, period * (self.samples.len() as f64 - 1.0 - self.reference))
    }
}

/// Standard deviation in time of a Gaussian envelope of the given relative -6 dB bandwidth.
pub fn gaussian_sigma(f0: f64, bandwidth: f64) -> f64 {
    let sigma_f = bandwidth * f0 / (2.0 * libm::sqrt(2.0 * std::f64::consts::LN_2));
    1.0 / (2.0 * PI * sigma_f)
}
