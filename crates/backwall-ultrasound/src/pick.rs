//! The pickers of the trade beside the correlation: leading edge, peak and zero crossing, each on the band-passed signal.
//!
//! Which echo is timed, and on which of its cycles, is decided before; a picker only finds its own mark on that echo.
//! Each mark lies at a fixed place on the probe's pulse, so that zero and residuals of a calibration hold for all pickers.

use super::filter::{Complex, Filter};
use super::pulse::Pulse;
use super::setup::Picker;
use super::trace::{LocalTrace, Trace};
use backwall_units::Frequency;
use std::f64::consts::PI;

/// The leading edge is taken where the signal passes this part of the echo's own peak: gain then does not move it.
const EDGE_PART: f64 = 0.5;

/// Where a picker's mark lies on the pulse.
#[derive(Debug, Clone, Copy)]
pub struct PickMark {
    picker: Picker,
    /// Samples behind the pulse's reference.
    offset: f64,
    /// The same for the peak whose part the leading edge is.
    peak_offset: f64,
    /// Whether the signal counts as it is or turned over.
    sign: f64,
}

/// A picker's band-pass and its mark.
pub struct Marker {
    filter: Filter,
    mark: PickMark,
    /// Samples in a period.
    period: f64,
}

impl Marker {
    /// `None` for the correlation, which needs no mark.
    pub fn new(picker: Picker, pulse: &Pulse, centre: Frequency, rate: Frequency, carrier: f64) -> Option<Self> {
        if picker == Picker::Matched {
            return None;
        }
        let period = 2.0 * PI / carrier;
        let band = PulseBand::of(pulse, centre);
        let mark = PickMark::on(picker, |samples| band.at(samples / rate.as_hz()), period);
        Some(Self { filter: Filter::band_pass(pulse, centre, rate), mark, period })
    }

    /// What white noise does to this mark against the correlation's; measured by the tests.
    pub fn noise_factor(&self) -> f64 {
        match self.mark.picker {
            Picker::Matched => 1.0,
            Picker::Peak | Picker::ZeroCrossing => 1.5,
            Picker::LeadingEdge => 2.0,
        }
    }

    /// The echo's time by this mark, given where its reference is about; none if the mark is not where it should be.
    pub fn time(&self, trace: &Trace, reference: f64) -> Option<f64> {
        let PickMark { picker, offset, peak_offset, sign } = self.mark;
        let mut near = NearSignal { trace, filter: &self.filter, local: LocalTrace::about(trace, &self.filter, reference + offset) };
        let limit = 0.3 * self.period;
        let found = match picker {
            Picker::Peak => near.climb(reference + offset, sign, limit)?.0,
            Picker::ZeroCrossing => near.cross(reference + offset, sign, 0.0, limit)?,
            Picker::LeadingEdge => {
                let (_, height) = near.climb(reference + peak_offset, sign, limit)?;
                near.cross(reference + offset, sign, EDGE_PART * height, limit)?
            }
            Picker::Matched => return Some(reference),
        };
        Some(found - offset)
    }
}

/// The band-passed signal between its samples, near one place.
struct NearSignal<'a> {
    trace: &'a Trace,
    filter: &'a Filter,
    local: LocalTrace,
}

impl NearSignal<'_> {
    fn value(&mut self, at: f64, sign: f64) -> f64 {
        if !self.local.holds(at) {
            self.local = LocalTrace::about(self.trace, self.filter, at);
        }
        sign * self.local.signal(self.trace.carrier, at).re
    }

    /// The top nearest to `at` and its height.
    fn climb(&mut self, at: f64, sign: f64, limit: f64) -> Option<(f64, f64)> {
        const STEP: f64 = 0.25;
        let mut t = at;
        for _ in 0..12 {
            let (left, here, right) = (self.value(t - STEP, sign), self.value(t, sign), self.value(t + STEP, sign));
            let bend = left - 2.0 * here + right;
            let off = if bend < 0.0 { (0.5 * (left - right) / bend * STEP).clamp(-1.0, 1.0) } else { (right - left).signum() };
            t += off;
            if (t - at).abs() > limit {
                return None;
            }
            if off.abs() < 1e-6 {
                break;
            }
        }
        Some((t, self.value(t, sign)))
    }

    /// Where the signal rises through `level` nearest to `at`.
    fn cross(&mut self, at: f64, sign: f64, level: f64, limit: f64) -> Option<f64> {
        const STEP: f64 = 0.1;
        let mut t = at;
        for _ in 0..12 {
            let slope = (self.value(t + STEP, sign) - self.value(t - STEP, sign)) / (2.0 * STEP);
            if slope <= 0.0 {
                return None;
            }
            let off = ((level - self.value(t, sign)) / slope).clamp(-1.5, 1.5);
            t += off;
            if (t - at).abs() > limit {
                return None;
            }
            if off.abs() < 1e-6 {
                break;
            }
        }
        Some(t)
    }
}

impl PickMark {
    /// Finds the mark on the pulse itself, given as an analytic signal of samples behind its reference.
    fn on(picker: Picker, pulse: impl Fn(f64) -> Complex, period: f64) -> Self {
        const PER_PERIOD: i64 = 64;
        const REACH: i64 = 8 * PER_PERIOD;
        let step = period / PER_PERIOD as f64;
        let values: Vec<f64> = (-REACH..=REACH).map(|k| pulse(k as f64 * step).re).collect();
        let top = (0..values.len()).max_by(|a, b| values[*a].abs().total_cmp(&values[*b].abs())).unwrap_or(0);
        let peak = values[top].abs();
        let place = |k: usize| (k as f64 - REACH as f64) * step;
        let refined_top = |k: usize| {
            let (l, h, r) = (values[k - 1].abs(), values[k].abs(), values[(k + 1).min(values.len() - 1)].abs());
            place(k) + step * 0.5 * (l - r) / (l - 2.0 * h + r).min(-1e-12)
        };
        if picker == Picker::Peak {
            return Self { picker, offset: refined_top(top.max(1)), peak_offset: 0.0, sign: values[top].signum() };
        }
        // The first half wave that reaches the level, and the sign it has.
        let rise = values.iter().position(|v| v.abs() >= EDGE_PART * peak).unwrap_or(0);
        let sign = values[rise].signum();
        let crossing = |from: usize, level: f64, sign: f64| {
            (from.max(1)..values.len())
                .find(|k| sign * values[k - 1] < level && sign * values[*k] >= level)
                .map_or(0.0, |k| place(k - 1) + step * (level - sign * values[k - 1]) / (sign * (values[k] - values[k - 1])))
        };
        if picker == Picker::ZeroCrossing {
            // Behind the leading edge the signal falls back through zero: a rise of the signal turned over.
            return Self { picker, offset: crossing(rise, 0.0, -sign), peak_offset: 0.0, sign: -sign };
        }
        let half_wave =
            (rise..values.len()).take_while(|k| sign * values[*k] > 0.0).max_by(|a, b| values[*a].abs().total_cmp(&values[*b].abs()));
        let own = half_wave.unwrap_or(top);
        // The level refers to the half wave the leading edge belongs to, which is not always the pulse's highest.
        let start = (0..=rise).rev().find(|k| sign * values[*k] <= 0.0).unwrap_or(0);
        let offset = crossing(start, EDGE_PART * values[own].abs(), sign);
        Self { picker, offset, peak_offset: refined_top(own.max(1)), sign }
    }
}

/// The pulse in its band, at any time.
struct PulseBand {
    lines: Vec<(f64, Complex)>,
}

impl PulseBand {
    fn of(pulse: &Pulse, centre: Frequency) -> Self {
        Self { lines: Filter::band(pulse, centre, f64::INFINITY).into_iter().map(|line| (line.hertz, line.tapered())).collect() }
    }
    fn at(&self, seconds: f64) -> Complex {
        self.lines.iter().fold(Complex::default(), |sum, (hertz, line)| sum.plus_scaled(line.turned(2.0 * PI * hertz * seconds), 1.0))
    }
}
