//! A gate and a threshold to start from: out of nominal thickness, velocity, zero and the echo seen. A proposal, never
//! more; whoever looks at the waveform decides.

use backwall_ultrasound::{Gate, Measurement, Setup};
use backwall_units::{Length, Time};

/// The gate reaches behind a wall this much thicker than nominal: plates come thicker than ordered. Common practice, no source.
const THICKER: f64 = 1.25;
/// Periods left free before the thinnest and behind the thickest echo, for the pulse itself.
const BEFORE: f64 = 0.8;
const BEHIND: f64 = 3.0;
/// The threshold: this part of the echo seen (12 dB under it, for rough or pitted places), but well over its noise.
const PART: f64 = 0.25;
const OVER_NOISE: f64 = 4.0;
const THRESHOLDS: (f64, f64) = (5.0, 60.0);

/// Proposes a gate for walls from the probe's least to `nominal` and over. Without an echo seen the threshold stays.
pub fn gate(setup: &Setup, nominal: Length, seen: Option<&Measurement>) -> Gate {
    let period = setup.frequency.period();
    let start = rounded((setup.arrival(setup.minimum) - period * BEFORE).max(setup.reference_zero()));
    let end = rounded(setup.arrival(nominal * THICKER) + period * BEHIND);
    let threshold_pct = seen
        .and_then(|measurement| measurement.height_pct.zip(measurement.snr))
        .map_or(setup.gate.threshold_pct, |(height, snr)| (PART * height).max(OVER_NOISE * height / snr.as_ratio()).round())
        .clamp(THRESHOLDS.0, THRESHOLDS.1);
    Gate { start, length: end - start, threshold_pct }
}

/// To ten nanoseconds: nobody sets a gate finer by eye.
fn rounded(time: Time) -> Time {
    Time::us((time.as_us() * 100.0).round() / 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_ultrasound::{Flags, Mode, Picker, Quality};
    use backwall_units::{Decibel, Frequency, Temperature, Velocity};

    fn setup() -> Setup {
        Setup {
            velocity: Velocity::m_s(5920.0),
            zero: Time::us(12.0),
            half_separation: Length::mm(2.5),
            frequency: Frequency::mhz(5.0),
            minimum: Length::mm(1.5),
            gate: Gate { start: Time::us(1.0), length: Time::us(1.0), threshold_pct: 33.0 },
            picker: Picker::Matched,
            mode: Mode::FirstEcho,
            zero_keeping: Default::default(),
            block_temperature: Temperature::celsius(20.0),
            velocity_slope_m_s_k: -0.8,
            calibration: None,
        }
    }

    // Geometry: 10 mm * 1.25 at 5920 m/s with elements 5 mm apart: 2 sqrt(12.5^2 + 2.5^2) mm / 5.92 mm/us = 4.307 us.
    #[test]
    fn the_gate_spans_from_the_least_to_over_the_nominal_wall() {
        let gate = gate(&setup(), Length::mm(10.0), None);
        assert!((gate.end().as_us() - (12.0 + 4.307 + 0.6)).abs() < 0.011, "{:?}", gate.end());
        assert!((gate.start.as_us() - (12.0 + 0.985 - 0.16)).abs() < 0.011, "{:?}", gate.start);
        assert_eq!(gate.threshold_pct, 33.0);
    }

    #[test]
    fn the_threshold_stands_well_under_the_echo_and_over_its_noise() {
        let seen = |height, snr| Measurement {
            height_pct: Some(height),
            snr: Some(Decibel::db(snr)),
            quality: Quality::Good,
            ..Measurement::none(Flags::NONE)
        };
        assert_eq!(gate(&setup(), Length::mm(10.0), Some(&seen(64.0, 40.0))).threshold_pct, 16.0);
        assert_eq!(gate(&setup(), Length::mm(10.0), Some(&seen(64.0, 20.0))).threshold_pct, 26.0);
        assert_eq!(gate(&setup(), Length::mm(10.0), Some(&seen(8.0, 40.0))).threshold_pct, 5.0);
    }
}
