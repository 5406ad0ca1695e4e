//! The one way from a waveform and a set-up to a measurement.

use super::decide::{self, Candidate, Scene, Wall};
use super::filter::Filter;
use super::measurement::{Flag, Flags, Quality};
use super::model::Model;
use super::pulse::{Pulse, TYPICAL_BANDWIDTH};
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
        let pulse = Pulse::gaussian(setup.frequency, TYPICAL_BANDWIDTH);
        let filter = Filter::matched(&pulse, setup.frequency, base.rate);
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
        self.model.set_temperature(&self.setup, if wall.is_finite() { wall } else { self.setup.block_temperature });
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
        self.trace.arrival(&self.filter, candidate.top, self.model.phase(candidate.depth))
    }

    fn time_and_judge(&self, wall: Wall, gate: (f64, f64), mut flags: Flags) -> Measurement {
        flags = Flags::from_bits(flags.bits() | wall.flags.bits());
        let arrival = self.arrival(&wall.chosen);
        let time = self.base.time_at(if self.model.calibrated { arrival.correlation } else { arrival.envelope }).as_ns();
        let Some(depth) = self.model.depth(time).filter(|depth| *depth >= self.setup.minimum.as_mm()) else {
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
            next_echo: wall.second.map(|second| Time::ns(second.time_ns)),
            thickness: Some(Length::mm(depth)),
            uncertainty: None,
            height_pct: Some(100.0 * arrival.height / self.base.full_scale()),
            snr: Some(Decibel::db(snr)),
            quality,
            flags,
        }
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
