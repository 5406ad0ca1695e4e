//! The one way from a waveform and a set-up to a measurement.

use super::decide::{self, Candidate, Scene, Wall};
use super::filter::Filter;
use super::measurement::{Flag, Flags, Quality};
use super::model::Model;
use super::pulse::{Pulse, TYPICAL_BANDWIDTH};
use super::setup::Mode;
use super::spacing::{self, Repeat, Spaced};
use super::trace::{Arrival, Top, Trace};
use super::{Measurement, Setup, TimeBase};
use crate::units::{Decibel, Length, Temperature, Time};

/// Why a set-up cannot evaluate anything.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetupError {
    #[error("{what} is {value}, but {rule}")]
    Impossible { what: &'static str, value: String, rule: &'static str },
}

/// Fewer samples than this say nothing.
const LEAST_SAMPLES: usize = 32;

/// A set-up prepared for one time base. Pure: `measure` depends on its arguments and the set-up alone.
pub struct Evaluator {
    setup: Setup,
    base: TimeBase,
    model: Model,
    filter: Filter,
    trace: Trace,
    tops: Vec<Top>,
    candidates: Vec<Candidate>,
}

impl Evaluator {
    pub fn new(setup: &Setup, base: TimeBase) -> Result<Self, SetupError> {
        check(setup, base)?;
        let typical;
        let pulse = match &setup.calibration {
            Some(calibration) => &calibration.pulse,
            None => {
                typical = Pulse::gaussian(setup.frequency, TYPICAL_BANDWIDTH);
                &typical
            }
        };
        let filter = Filter::matched(pulse, setup.frequency, base.rate);
        Ok(Self {
            model: Model::new(setup, base.full_scale()),
            setup: setup.clone(),
            base,
            filter,
            trace: Trace::default(),
            tops: Vec::new(),
            candidates: Vec::new(),
        })
    }
    pub fn setup(&self) -> &Setup {
        &self.setup
    }
    pub fn base(&self) -> TimeBase {
        self.base
    }

    /// What `samples` say of a wall at temperature `wall`.
    pub fn measure(&mut self, samples: &[i16], wall: Temperature) -> Measurement {
        if samples.len() < LEAST_SAMPLES {
            return Measurement::none(Flags::of(Flag::BadShot));
        }
        let gate = (self.setup.gate.start.as_ns(), self.setup.gate.end().as_ns());
        let record_end = self.base.end(samples.len()).as_ns();
        if gate.0 >= record_end || gate.1 <= self.base.first.as_ns() {
            return Measurement::none(Flags::of(Flag::OutOfRange));
        }
        self.model.set_temperature(&self.setup, wall);
        // Behind the third repeat of the thickest wall the gate admits nothing more is of use.
        let useful = self.model.path.zero_ns + 3.4 * (gate.1 - self.model.path.zero_ns).max(1000.0);
        let end = self.sample_of(useful).clamp(LEAST_SAMPLES as f64, samples.len() as f64) as usize;
        self.trace.load(samples, end, &self.filter, &self.base);

        let noise = self.trace.noise;
        let zero = self.model.path.zero_ns;
        let (face_height, face_at) = self.trace.highest(self.sample_of(zero - 250.0), self.sample_of(zero + 250.0));
        self.trace.tops(self.sample_of(zero), decide::TOP_OVER_NOISE * noise, &mut self.tops);
        let base = self.base;
        decide::candidates(&self.tops, &self.model, |at| base.time_at(at).as_ns(), self.setup.minimum.as_mm(), &mut self.candidates);
        let scene = Scene {
            model: &self.model,
            gate_ns: gate,
            threshold: self.setup.gate.threshold_pct / 100.0 * self.base.full_scale(),
            face_height,
            face_ns: base.time_at(face_at).as_ns(),
            noise,
        };
        let saturated = if self.trace.clipped > 0 { Flags::of(Flag::Saturated) } else { Flags::NONE };
        match decide::first_wall(&self.candidates, &scene, &mut self.trace, |ns| base.sample_at(Time::ns(ns))) {
            Err(why) => Measurement::none(Flags::from_bits(why.bits() | saturated.bits())),
            Ok(wall) => self.time_and_judge(wall, gate, saturated).rounded(),
        }
    }

    fn sample_of(&self, ns: f64) -> f64 {
        self.base.sample_at(Time::ns(ns))
    }

    fn arrival(&self, candidate: &Candidate) -> Arrival {
        self.trace.arrival(&self.filter, candidate.top, 0.0)
    }

    fn time_and_judge(&self, wall: Wall, gate: (f64, f64), mut flags: Flags) -> Measurement {
        flags = Flags::from_bits(flags.bits() | wall.flags.bits());
        let arrival = self.arrival(&wall.chosen);
        let time = self.base.time_at(if self.model.calibrated() { arrival.correlation } else { arrival.envelope }).as_ns();
        let (depth, next) = match self.setup.mode {
            Mode::FirstEcho => (self.model.depth(time), wall.second.map(|second| second.time_ns)),
            Mode::EchoToEcho => match self.echo_to_echo(&wall, &arrival) {
                Some((spaced, next)) => (Some(spaced.depth), Some(next)),
                None => return Measurement::none(flags.with(Flag::SingleEcho)),
            },
        };
        let Some(depth) = depth.filter(|depth| *depth >= self.setup.minimum.as_mm()) else {
            return Measurement::none(flags.with(Flag::OutOfRange));
        };
        let margin = 0.6 * self.setup.frequency.period().as_ns();
        if time - gate.0 < margin || gate.1 - time < margin {
            flags = flags.with(Flag::GateEdge);
        }
        let snr = 20.0 * libm::log10(arrival.height / self.trace.noise);
        let doubts = [Flag::EarlyEcho, Flag::Ambiguous, Flag::GateEdge, Flag::InnerReflector, Flag::Weak, Flag::Phase];
        let quality = if flags.has(Flag::Ambiguous) || snr < 20.0 {
            Quality::Poor
        } else if doubts.iter().any(|flag| flags.has(*flag)) || snr < 24.0 {
            Quality::Fair
        } else {
            Quality::Good
        };
        Measurement {
            echo_time: Some(Time::ns(time)),
            next_echo: next.map(Time::ns),
            thickness: Some(Length::mm(depth)),
            uncertainty: None,
            height_pct: Some(100.0 * arrival.height / self.base.full_scale()),
            snr: Some(Decibel::db(snr)),
            quality,
            flags,
        }
    }

    /// The wall from the spacing of two to four echoes, and when the second arrives.
    fn echo_to_echo(&self, wall: &Wall, first: &Arrival) -> Option<(Spaced, f64)> {
        // Paint delays the first echo, so the spacing is at most what its time says, and the mode-converted echo lies
        // nearer than half of it.
        let most = self.model.path.spacing(wall.chosen.depth, 1.0, 2.0);
        let (from, to) = (wall.chosen.time_ns + 0.55 * most, wall.chosen.time_ns + most + 450.0);
        let inside = |c: &&Candidate| c.time_ns >= from && c.time_ns <= to;
        let second = self.candidates.iter().filter(inside).max_by(|a, b| a.top.height.total_cmp(&b.top.height))?;
        let start = self.time_of(first.correlation);
        let mut echoes = [Repeat { m: 1, time_ns: start, height: first.height }; 4];
        let arrival = self.arrival(second);
        echoes[1] = Repeat { m: 2, time_ns: self.like_cycle(first, &arrival), height: arrival.height };
        let mut spaced = spacing::solve(&self.model, &echoes[..2])?;
        let next = echoes[1].time_ns;
        let mut count = 2;
        for m in 3..=4 {
            if !self.model.knows_repeat(m) {
                break;
            }
            let due = self.model.time(spaced.depth, m) + spaced.delay_ns;
            let near = |c: &&Candidate| (c.time_ns - due).abs() < 70.0;
            let Some(found) = self.candidates.iter().filter(near).max_by(|a, b| a.top.height.total_cmp(&b.top.height)) else { break };
            let arrival = self.arrival(found);
            echoes[count] = Repeat { m, time_ns: self.like_cycle(first, &arrival), height: arrival.height };
            count += 1;
            spaced = spacing::solve(&self.model, &echoes[..count])?;
        }
        Some((spaced, next))
    }

    fn time_of(&self, sample: f64) -> f64 {
        self.base.time_at(sample).as_ns()
    }

    /// A repeat's arrival on the same cycle as the first echo's, by the envelopes.
    fn like_cycle(&self, first: &Arrival, repeat: &Arrival) -> f64 {
        let period = 2.0 * std::f64::consts::PI / self.filter.carrier;
        let apart = (repeat.envelope - first.envelope) - (repeat.correlation - first.correlation);
        self.time_of(repeat.correlation + period * (apart / period).round())
    }
}

fn check(setup: &Setup, base: TimeBase) -> Result<(), SetupError> {
    let positive = "it must be a positive number; set it in the plan or calibrate again";
    let rules: [(&'static str, f64, bool, &'static str); 10] = [
        ("velocity (m/s)", setup.velocity.as_m_s(), setup.velocity.as_m_s() > 0.0, positive),
        ("frequency (Hz)", setup.frequency.as_hz(), setup.frequency.as_hz() > 0.0, positive),
        ("sampling rate (Hz)", base.rate.as_hz(), base.rate.as_hz() > 0.0, "the device must tell a positive rate"),
        (
            "sampling rate (Hz)",
            base.rate.as_hz(),
            base.rate.as_hz() >= 3.0 * setup.frequency.as_hz() && base.rate.as_hz() <= 2000.0 * setup.frequency.as_hz(),
            "it must lie between 3 and 2000 samples a period of the probe's frequency",
        ),
        ("first sample (ns)", base.first.as_ns(), base.first.is_finite(), "it must be a number"),
        ("zero (ns)", setup.zero.as_ns(), setup.zero.is_finite(), "it must be a number"),
        ("half separation (mm)", setup.half_separation.as_mm(), setup.half_separation.as_mm() >= 0.0, "it must be zero or more"),
        ("gate length (ns)", setup.gate.length.as_ns(), setup.gate.length.as_ns() > 0.0, positive),
        ("gate start (ns)", setup.gate.start.as_ns(), setup.gate.start.is_finite(), "it must be a number"),
        (
            "gate threshold (%)",
            setup.gate.threshold_pct,
            (0.0..=100.0).contains(&setup.gate.threshold_pct),
            "it must lie between 0 and 100 percent of full screen height",
        ),
    ];
    match rules.iter().find(|(_, value, holds, _)| !(value.is_finite() && *holds)) {
        Some((what, value, _, rule)) => Err(SetupError::Impossible { what, value: value.to_string(), rule }),
        None => Ok(()),
    }
}

/// What a device's own time of flight says of the wall (V-path, velocity and zero of the set-up).
pub fn measure_time(setup: &Setup, echo_time: Option<Time>, wall: Temperature) -> Measurement {
    let Some(time) = echo_time else { return Measurement::none(Flags::of(Flag::DeviceNoEcho)) };
    let mut model = Model::new(setup, 1.0);
    model.set_temperature(setup, wall);
    let depth = if time.is_finite() { model.depth(time.as_ns()) } else { None };
    match depth.filter(|depth| depth.is_finite() && *depth >= setup.minimum.as_mm()) {
        Some(depth) => Measurement { echo_time: Some(time), ..device_value(Length::mm(depth)) }.rounded(),
        None => Measurement::none(Flags::of(Flag::OutOfRange)),
    }
}

/// A device's own thickness, taken as it is.
pub fn measure_thickness(_setup: &Setup, thickness: Option<Length>) -> Measurement {
    match thickness {
        None => Measurement::none(Flags::of(Flag::DeviceNoEcho)),
        Some(thickness) if thickness.is_finite() && thickness > Length::ZERO => device_value(thickness).rounded(),
        Some(_) => Measurement::none(Flags::of(Flag::OutOfRange)),
    }
}

/// A value whose waveform nobody here has seen is never more than fair.
fn device_value(thickness: Length) -> Measurement {
    Measurement { thickness: Some(thickness), quality: Quality::Fair, ..Measurement::none(Flags::NONE) }
}
