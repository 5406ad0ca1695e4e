//! The probe's pulse after a path in steel, as tables fine enough to be placed at any instant: a placed pulse sits
//! where it belongs to far less than a hundredth of a nanosecond, whatever the sampling grid.

use super::wall::{PulseKind, VirtualProbe};
use backwall_units::Frequency;
use std::f64::consts::{LN_2, PI};

/// Path length between two tables; between them pulses are blended.
const PATH_STEP_M: f64 = 5e-3;
/// Fine steps are at most this long.
const FINEST_STEP_S: f64 = 1e-9;

/// Pulses by path length, each split into phases so that a placed pulse reads contiguous samples.
#[derive(Debug, Clone)]
pub struct PulseTable {
    /// `[path][phase][sample]`
    tables: Vec<Vec<Vec<f64>>>,
    /// Fine steps in a sample.
    phases: usize,
    /// Time of the first fine step, and the sampling interval, in seconds.
    begin: f64,
    interval: f64,
}

/// One spectrum value, real and imaginary part.
fn spectrum(probe: &VirtualProbe, f: f64) -> (f64, f64) {
    let f0 = probe.frequency.as_hz();
    let (cos, sin) = (libm::cos(probe.phase_rad), libm::sin(probe.phase_rad));
    match probe.pulse {
        PulseKind::Gauss => {
            let s = libm::sqrt(2.0 * LN_2) / (PI * probe.bandwidth * f0);
            let g = |u: f64| libm::exp(-2.0 * (PI * s * u) * (PI * s * u));
            let scale = 0.5 * s * libm::sqrt(2.0 * PI);
            let (here, mirror) = (g(f - f0), g(f + f0));
            (scale * cos * (here + mirror), scale * sin * (here - mirror))
        }
        PulseKind::Gamma => {
            let a = decay(probe);
            let peak = 3.0 / a;
            let norm = peak * peak * peak * libm::exp(-3.0);
            // 6 / (a + 2πiu)⁴
            let g = |u: f64| {
                let w = 2.0 * PI * u;
                let (re, im) = (a * a - w * w, 2.0 * a * w);
                let (re, im) = (re * re - im * im, 2.0 * re * im);
                let size = re * re + im * im;
                (6.0 / norm * re / size, -6.0 / norm * im / size)
            };
            let (here, mirror) = (g(f - f0), g(f + f0));
            let re = 0.5 * (cos * (here.0 + mirror.0) - sin * (here.1 - mirror.1));
            let im = 0.5 * (cos * (here.1 + mirror.1) + sin * (here.0 - mirror.0));
            (re, im)
        }
    }
}

fn decay(probe: &VirtualProbe) -> f64 {
    probe.bandwidth * probe.frequency.as_hz() * PI / libm::sqrt(libm::sqrt(2.0) - 1.0)
}

/// Amplitude attenuation in neper per metre.
pub fn attenuation(f: f64, db_m_at_5_mhz: f64) -> f64 {
    let u = f / 5e6;
    db_m_at_5_mhz / (20.0 / std::f64::consts::LN_10) * (0.5 * u + 0.5 * u * u * u * u)
}

impl PulseTable {
    /// Tables for paths from nothing to `longest_m`.
    pub fn new(probe: &VirtualProbe, attenuation_db_m: f64, rate: Frequency, longest_m: f64) -> Self {
        let interval = 1.0 / rate.as_hz();
        let phases = libm::ceil(interval / FINEST_STEP_S).max(1.0) as usize;
        let (begin, end) = match probe.pulse {
            PulseKind::Gauss => {
                let reach = 6.0 * libm::sqrt(2.0 * LN_2) / (PI * probe.bandwidth * probe.frequency.as_hz());
                (-reach, reach)
            }
            PulseKind::Gamma => (-0.4e-6, 28.0 / decay(probe)),
        };
        let fine = interval / phases as f64;
        let begin = libm::floor(begin / fine) * fine;
        let samples = libm::ceil((end - begin) / interval) as usize + 2;
        // The inverse Fourier integral as a sum; its period is twice the table, so nothing folds back.
        let df = 0.5 / (samples as f64 * interval);
        let highest = (0.5 * rate.as_hz()).min(5.0 * probe.frequency.as_hz());
        let lines: Vec<(f64, f64, f64)> = (1..=(highest / df) as usize)
            .map(|k| {
                let f = k as f64 * df;
                let (re, im) = spectrum(probe, f);
                (f, 2.0 * df * re, 2.0 * df * im)
            })
            .collect();
        let paths = libm::ceil(longest_m / PATH_STEP_M) as usize + 2;
        let mut tables = vec![vec![vec![0.0; samples]; phases]; paths];
        let weights: Vec<Vec<f64>> = (0..paths)
            .map(|path| lines.iter().map(|(f, ..)| libm::exp(-attenuation(*f, attenuation_db_m) * path as f64 * PATH_STEP_M)).collect())
            .collect();
        for phase in 0..phases {
            for sample in 0..samples {
                let t = begin + (sample * phases + phase) as f64 * fine;
                // cos and sin of 2πft for f = df, 2df, … by rotation.
                let (step_im, step_re) = libm::sincos(2.0 * PI * df * t);
                let (mut re, mut im) = (step_re, step_im);
                for (line, (_, a, b)) in lines.iter().enumerate() {
                    let value = a * re - b * im;
                    for (table, weight) in tables.iter_mut().zip(&weights) {
                        table[phase][sample] += value * weight[line];
                    }
                    (re, im) = (re * step_re - im * step_im, re * step_im + im * step_re);
                }
            }
        }
        Self { tables, phases, begin, interval }
    }

    /// The finest step a pulse of `add_many` is placed by, in seconds.
    pub fn fine_step(&self) -> f64 {
        self.interval / self.phases as f64
    }

    fn between(&self, path_m: f64) -> (&Vec<Vec<f64>>, &Vec<Vec<f64>>, f64) {
        let at = (path_m / PATH_STEP_M).clamp(0.0, (self.tables.len() - 2) as f64);
        let lower = at as usize;
        (&self.tables[lower], &self.tables[lower + 1], at - lower as f64)
    }

    /// Adds `amplitude` times the pulse that travelled `path_m`, `time` seconds behind the first sample.
    pub fn add(&self, out: &mut [f64], time: f64, amplitude: f64, path_m: f64) {
        let (near, far, blend) = self.between(path_m);
        let at = (-time - self.begin) / self.fine_step();
        let floor = libm::floor(at);
        let x = at - floor;
        // Lagrange's weights on the four fine steps about the instant.
        let weights = [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ];
        for (tap, weight) in weights.iter().enumerate() {
            let step = floor as i64 - 1 + tap as i64;
            let phase = step.rem_euclid(self.phases as i64) as usize;
            let offset = step.div_euclid(self.phases as i64);
            let weight = amplitude * weight;
            add_shifted(out, &near[phase], offset, weight * (1.0 - blend));
            add_shifted(out, &far[phase], offset, weight * blend);
        }
    }

    /// Adds many pulses of about the same path at once: `strengths[k]` of them `begin + k` fine steps behind the first
    /// sample.
    pub fn add_many(&self, out: &mut [f64], begin: i64, strengths: &[f64], path_m: f64, scratch: &mut Vec<f64>) {
        let (near, far, blend) = self.between(path_m);
        let samples = near[0].len();
        scratch.clear();
        for (a, b) in near.iter().zip(far) {
            scratch.extend(a.iter().zip(b).map(|(a, b)| a * (1.0 - blend) + b * blend));
        }
        let origin = libm::rint(-self.begin / self.fine_step()) as i64;
        for (k, strength) in strengths.iter().enumerate() {
            if *strength == 0.0 {
                continue;
            }
            let step = origin - begin - k as i64;
            let phase = step.rem_euclid(self.phases as i64) as usize;
            add_shifted(out, &scratch[phase * samples..(phase + 1) * samples], step.div_euclid(self.phases as i64), *strength);
        }
    }
}

/// `out[n] += weight · table[n + offset]` where both exist.
fn add_shifted(out: &mut [f64], table: &[f64], offset: i64, weight: f64) {
    let first = (-offset).max(0);
    let last = (table.len() as i64 - offset).min(out.len() as i64);
    if first >= last {
        return;
    }
    let (from, to) = ((first + offset) as usize, (last + offset) as usize);
    for (out, value) in out[first as usize..last as usize].iter_mut().zip(&table[from..to]) {
        *out += weight * value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_units::Decibel;

    fn probe(pulse: PulseKind) -> VirtualProbe {
        let phase_rad = if pulse == PulseKind::Gamma { 0.7 } else { 0.0 };
        VirtualProbe { pulse, phase_rad, bandwidth: 0.5, ..VirtualProbe::default() }
    }

    /// The pulse's own formula: M. Demirli and J. Saniie, IEEE Trans. UFFC 48(3), 2001, 787-802 (Gaussian echo), and
    /// t³ exp(−at) cos(2πft + φ), both normalised to an envelope of 1.
    fn formula(probe: &VirtualProbe, t: f64) -> f64 {
        let carrier = (2.0 * PI * probe.frequency.as_hz() * t + probe.phase_rad).cos();
        match probe.pulse {
            PulseKind::Gauss => {
                let s = (2.0 * LN_2).sqrt() / (PI * probe.bandwidth * probe.frequency.as_hz());
                (-t * t / (2.0 * s * s)).exp() * carrier
            }
            PulseKind::Gamma if t <= 0.0 => 0.0,
            PulseKind::Gamma => {
                let a = decay(probe);
                (a * t / 3.0).powi(3) * (3.0 - a * t).exp() * carrier
            }
        }
    }

    #[test]
    fn a_placed_pulse_follows_its_formula_at_any_instant() {
        for (pulse, tolerance) in [(PulseKind::Gauss, 2e-6), (PulseKind::Gamma, 2e-3)] {
            let probe = probe(pulse);
            let table = PulseTable::new(&probe, 0.0, Frequency::mhz(50.0), 0.02);
            for step in 0..17 {
                let time = 2e-6 + f64::from(step) * 1.37e-9;
                let mut out = vec![0.0; 256];
                table.add(&mut out, time, 1.0, 0.0);
                for (n, value) in out.iter().enumerate() {
                    let want = formula(&probe, n as f64 * 20e-9 - time);
                    assert!((value - want).abs() < tolerance, "{pulse:?} step {step} sample {n}: {value}, {want}");
                }
            }
        }
    }

    #[test]
    fn attenuation_takes_the_decibels_it_says() {
        // Half with f, half with f⁴: at 5 MHz the sum is the stated figure by definition; 30 dB/m over 0.1 m is 3 dB.
        assert!((libm::exp(-attenuation(5e6, 30.0) * 0.1) - Decibel::db(-3.0).as_ratio()).abs() < 1e-12);
        let probe = probe(PulseKind::Gauss);
        let table = PulseTable::new(&probe, 30.0, Frequency::mhz(50.0), 0.12);
        let height = |path: f64| {
            let mut out = vec![0.0; 256];
            table.add(&mut out, 2e-6, 1.0, path);
            out[100]
        };
        let ratio = height(0.1) / height(0.0);
        // The band's high end goes faster than its centre, so somewhat more than 3 dB is lost.
        assert!(ratio < 0.708 && ratio > 0.66, "{ratio}");
    }

    #[test]
    fn many_pulses_at_once_are_the_sum_of_single_ones() {
        let table = PulseTable::new(&probe(PulseKind::Gauss), 30.0, Frequency::mhz(50.0), 0.05);
        let strengths = [0.0, 0.3, -0.2, 0.0, 0.7];
        let (mut one, mut all) = (vec![0.0; 256], vec![0.0; 256]);
        for (k, strength) in strengths.iter().enumerate() {
            table.add(&mut one, (2000 + k) as f64 * table.fine_step(), *strength, 0.021);
        }
        table.add_many(&mut all, 2000, &strengths, 0.021, &mut Vec::new());
        for (a, b) in one.iter().zip(&all) {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }
}
