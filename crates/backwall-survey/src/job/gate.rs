//! Gate and threshold where the plan gives none: from the courses' nominal thicknesses, the probe and, once they were measured,
//! the blocks' own noise. Says what it took and why; whoever looks at the waveform may set others.

use super::plan::Plan;
use backwall_ultrasound::{Gate, Mode, Setup};
use backwall_units::{Length, Time, Wording};

/// The gate reaches behind a wall this much thicker than nominal: plates come thicker than ordered. Common practice, no source.
const THICKER: f64 = 1.25;
/// Periods left free before the thinnest and behind the thickest echo, for the pulse itself.
const BEFORE: f64 = 1.5;
const BEHIND: f64 = 3.0;
/// Percent of full screen height. What is an echo is decided on the shot's own noise; a higher threshold than this only loses
/// weak walls: pits, paint, lost gain (`docs/accuracy.md`).
pub const LOW_PCT: f64 = 2.0;
/// Under this many times the blocks' noise nothing is taken for an echo anyway.
const OVER_NOISE: f64 = 4.0;
/// Nor does the noise of a bad block raise it over this.
const HIGHEST_PCT: f64 = 10.0;

/// What the gate is made from.
#[derive(Debug, Clone, PartialEq)]
pub struct GateRule {
    /// As the plan gives them, each by itself.
    pub start: Option<Time>,
    pub length: Option<Time>,
    pub threshold_pct: Option<f64>,
    /// The thickest course.
    pub nominal: Length,
}

/// What was seen of the device, as far as it was.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DeviceSeen {
    /// Lowest noise on the blocks behind the filter, percent of full screen height.
    pub noise_pct: Option<f64>,
    pub record_end: Option<Time>,
    /// The thickest block calibrated on: a further one to verify on is no thicker.
    pub block: Option<Length>,
}

impl GateRule {
    pub fn of(plan: &Plan) -> Self {
        let setup = &plan.setup;
        let nominal = plan.asset.courses.iter().map(|course| course.nominal).reduce(Length::max).unwrap_or(Length::ZERO);
        Self { start: setup.gate_start, length: setup.gate_length, threshold_pct: setup.gate_threshold_pct, nominal }
    }

    /// The gate for walls from the probe's least to the thickest nominal and over, by velocity and zero of `setup`.
    pub fn gate(&self, setup: &Setup, seen: DeviceSeen) -> Gate {
        let period = setup.frequency.period();
        let zero = setup.reference_zero();
        // Without the way between the elements no wall comes earlier than this.
        let least = Time::us(2.0 * setup.minimum.as_metres() / setup.velocity_at(setup.reference_temperature()).as_m_s() * 1e6);
        let start = self.start.unwrap_or_else(|| rounded((zero + least - period * BEFORE).max(zero).max(Time::ZERO)));
        let length = self.length.unwrap_or_else(|| {
            let thickest = self.thickest(setup, seen);
            let last = match setup.mode {
                Mode::FirstEcho => setup.arrival(thickest),
                // Twice the wall: its repeat comes no later than that.
                Mode::EchoToEcho => setup.arrival(thickest * 2.0),
            };
            let end = rounded(last + period * BEHIND);
            let inside = seen.record_end.filter(|record| *record > start + period).map_or(end, |record| end.min(record));
            (inside - start).max(period)
        });
        let threshold_pct = self.threshold_pct.unwrap_or_else(|| {
            let noise = seen.noise_pct.filter(|noise| noise.is_finite()).unwrap_or(0.0);
            (10.0 * OVER_NOISE * noise).round().clamp(10.0 * LOW_PCT, 10.0 * HIGHEST_PCT) / 10.0
        });
        Gate { start, length, threshold_pct }
    }

    fn thickest(&self, setup: &Setup, seen: DeviceSeen) -> Length {
        (self.nominal.max(setup.minimum) * THICKER).max(seen.block.unwrap_or(Length::ZERO))
    }

    /// What of `gate` was not given and what it comes from, in words; nothing where the plan gives all.
    pub fn why(&self, gate: &Gate, setup: &Setup, seen: DeviceSeen) -> Option<Wording> {
        let mut said: Vec<Wording> = Vec::new();
        if self.start.is_none() || self.length.is_none() {
            let repeat = if setup.mode == Mode::EchoToEcho { ", its multiple included" } else { "" };
            let until = match seen.record_end {
                Some(record) if gate.end() >= record => Wording::from("the record's end"),
                _ if seen.block.is_some_and(|block| block >= self.thickest(setup, seen)) => {
                    Wording::from("beyond the thickest block of ").length(self.thickest(setup, seen), 1).say(repeat)
                }
                _ => Wording::from("beyond ")
                    .length(self.nominal * THICKER, 1)
                    .say(" (")
                    .length(self.nominal, 1)
                    .say(format!(" nominal and 25 %{repeat})")),
            };
            let from = Wording::from("before the probe's minimum of ").length(setup.minimum, 1);
            let (start, end) = (gate.start.as_us(), gate.end().as_us());
            said.push(match (self.start, self.length) {
                (None, None) => Wording::from(format!("gate {start:.2} to {end:.2} µs, from ")).then(&from).say(" to ").then(&until),
                (None, Some(_)) => Wording::from(format!("gate start {start:.2} µs, ")).then(&from),
                _ => Wording::from(format!("gate end {end:.2} µs, ")).then(&until),
            });
        }
        if self.threshold_pct.is_none() {
            let cause = match seen.noise_pct {
                Some(noise) if gate.threshold_pct > LOW_PCT => format!("{OVER_NOISE:.0} times the noise of {noise:.2} % on the blocks"),
                Some(noise) => format!("low, so that no weak wall is lost; noise on the blocks {noise:.2} %"),
                None => "low, so that no weak wall is lost; the noise of each shot decides what is an echo".to_owned(),
            };
            said.push(format!("threshold {:.1} % of full screen height, {cause}", gate.threshold_pct).into());
        }
        let all = said.into_iter().reduce(|all, next| all.say("; ").then(&next))?;
        Some(Wording::from("set by the program, since the plan gives none: ").then(&all))
    }
}

/// To ten nanoseconds: nobody sets a gate finer by eye.
fn rounded(time: Time) -> Time {
    Time::us((time.as_us() * 100.0).round() / 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use backwall_ultrasound::Picker;
    use backwall_units::{Frequency, Temperature, Velocity};

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
            channel: None,
        }
    }
    const OPEN: GateRule = GateRule { start: None, length: None, threshold_pct: None, nominal: Length::mm(10.0) };

    // Geometry: 10 mm * 1.25 at 5920 m/s with elements 5 mm apart: 2 sqrt(12.5^2 + 2.5^2) mm / 5.92 mm/us = 4.307 us; 1.5 mm
    // without a separation 2 * 1.5 / 5.92 = 0.507 us, less 1.5 periods of 0.2 us.
    #[test]
    fn the_gate_spans_from_before_the_least_to_over_the_nominal_wall() {
        let gate = OPEN.gate(&setup(), DeviceSeen::default());
        assert!((gate.end().as_us() - (12.0 + 4.307 + 0.6)).abs() < 0.011, "{:?}", gate.end());
        assert!((gate.start.as_us() - 12.207).abs() < 0.011, "{:?}", gate.start);
        assert_eq!(gate.threshold_pct, 2.0);
        // Echo to echo holds the repeat: 2 sqrt(25^2 + 2.5^2) / 5.92 = 8.488 us.
        let spaced = Setup { mode: Mode::EchoToEcho, ..setup() };
        assert!((OPEN.gate(&spaced, DeviceSeen::default()).end().as_us() - (12.0 + 8.488 + 0.6)).abs() < 0.011);
        // It ends with the record.
        let short = DeviceSeen { record_end: Some(Time::us(15.0)), ..DeviceSeen::default() };
        assert_eq!(OPEN.gate(&setup(), short).end(), Time::us(15.0));
        assert!(OPEN.why(&OPEN.gate(&setup(), short), &setup(), short).unwrap().to_string().contains("to the record's end"));
    }

    // 2 sqrt(20^2 + 2.5^2) / 5.92 = 6.809 us.
    #[test]
    fn a_block_thicker_than_the_wall_lies_inside() {
        let seen = DeviceSeen { block: Some(Length::mm(20.0)), ..DeviceSeen::default() };
        let gate = OPEN.gate(&setup(), seen);
        assert!((gate.end().as_us() - (12.0 + 6.809 + 0.6)).abs() < 0.011, "{:?}", gate.end());
        assert!(OPEN.why(&gate, &setup(), seen).unwrap().to_string().contains("beyond the thickest block of 20.0 mm"));
    }

    #[test]
    fn the_threshold_is_low_and_rises_with_the_blocks_noise_only() {
        let with = |noise| OPEN.gate(&setup(), DeviceSeen { noise_pct: Some(noise), ..DeviceSeen::default() }).threshold_pct;
        assert_eq!([with(0.1), with(0.5), with(0.9), with(50.0), with(f64::NAN)], [2.0, 2.0, 3.6, 10.0, 2.0]);
    }

    #[test]
    fn what_the_plan_gives_counts_and_only_the_rest_is_said() {
        let rule = GateRule { start: Some(Time::us(12.5)), threshold_pct: Some(7.0), ..OPEN };
        let gate = rule.gate(&setup(), DeviceSeen::default());
        assert_eq!((gate.start, gate.threshold_pct), (Time::us(12.5), 7.0));
        assert_eq!(gate.end(), OPEN.gate(&setup(), DeviceSeen::default()).end());
        let why = rule.why(&gate, &setup(), DeviceSeen::default()).unwrap();
        assert!(
            why.to_string().contains("gate end 16.91 µs, beyond 12.5 mm (10.0 mm nominal") && !why.to_string().contains("threshold"),
            "{why}"
        );
        let given = GateRule { length: Some(Time::us(3.0)), ..rule };
        assert_eq!(given.why(&gate, &setup(), DeviceSeen::default()), None);
    }
}
