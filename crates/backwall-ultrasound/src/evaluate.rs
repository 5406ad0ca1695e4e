//! The one way from a waveform and a set-up to a measurement.

mod second;

use super::coating::Coating;
use super::decide::{self, DecidedWall, Scene, WallCandidate};
use super::echoes::{Echo, Sight, Steady};
use super::filter::Filter;
use super::judge::{self, CYCLE_DOUBT, PHASE_DOUBT, Signal};
use super::measurement::{Flag, Flags, Quality};
use super::model::Model;
use super::pick::Marker;
use super::pulse::{Pulse, TYPICAL_BANDWIDTH};
use super::quick;
use super::setup::Mode;
use super::trace::wrapped;
use super::trace::{Arrival, Top, Trace};
use super::uncertainty::{self, BudgetPart, Combined, ShotEvidence};
use super::{Measurement, Setup, TimeBase};
use backwall_units::{Decibel, Length, Temperature, Time};

/// Why a set-up cannot evaluate anything.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetupError {
    #[error("{what} is {value}, but {rule}")]
    Impossible { what: &'static str, value: String, rule: &'static str },
}

/// In front of a thin wall there is no room to see the grain, which is highest there; the floor behind is taken for
/// this part of it. Fitted on simulated thin walls.
const NO_ROOM: f64 = 3.0;
/// Less than this moves no echo to another place.
const LEAST_LATE_NS: f64 = 30.0;
/// Fewer samples than this say nothing.
const LEAST_SAMPLES: usize = 32;

/// A set-up prepared for one time base. Pure: `measure` depends on its arguments and the set-up alone.
pub struct Evaluator {
    setup: Setup,
    base: TimeBase,
    model: Model,
    filter: Filter,
    marker: Option<Marker>,
    /// The look from which on the tyre's face shows.
    face_from: Option<usize>,
    trace: Trace,
    tops: Vec<Top>,
    candidates: Vec<WallCandidate>,
    wall: Temperature,
    parts: Vec<BudgetPart>,
    sight: Sight,
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
            face_from: setup.calibration.as_ref().and_then(|c| c.face.as_ref()?.begins(&base, filter.search.step)),
            marker: Marker::new(setup.picker, pulse, setup.frequency, base.rate, filter.carrier),
            filter,
            trace: Trace::default(),
            tops: Vec::new(),
            candidates: Vec::new(),
            wall: setup.reference_temperature(),
            parts: Vec::new(),
            sight: Sight::default(),
        })
    }
    pub fn setup(&self) -> &Setup {
        &self.setup
    }
    pub fn base(&self) -> TimeBase {
        self.base
    }
    /// The shots that follow begin to be sampled at another time; nothing else of their time base changes.
    pub fn set_first(&mut self, first: Time) {
        self.base.first = first;
    }
    /// What the uncertainty of the last measurement is made of; nothing where it had no thickness.
    pub fn parts(&self) -> &[BudgetPart] {
        &self.parts
    }

    /// All echoes of the last shot, for whoever knows its neighbours.
    pub fn sight(&self) -> &Sight {
        &self.sight
    }

    /// What `samples` say of a wall at temperature `wall`, whatever the gain they were taken at.
    pub fn measure(&mut self, samples: &[i16], wall: Temperature) -> Measurement {
        self.measure_at(samples, wall, None)
    }

    /// The same for a known gain. Height then tells how much of the beam comes back, which only a second echo tells without.
    pub fn measure_at(&mut self, samples: &[i16], wall: Temperature, gain: Option<Decibel>) -> Measurement {
        self.parts.clear();
        self.sight.clear();
        if samples.len() < LEAST_SAMPLES {
            return Measurement::none(Flags::of(Flag::BadShot));
        }
        let gate = (self.setup.gate.start.as_ns(), self.setup.gate.end().as_ns());
        let record_end = self.base.end(samples.len()).as_ns();
        if gate.0 >= record_end || gate.1 <= self.base.first.as_ns() {
            return Measurement::none(Flags::of(Flag::OutOfRange));
        }
        self.wall = if wall.is_finite() { wall } else { self.setup.reference_temperature() };
        self.model.set_temperature(&self.setup, self.wall);
        self.model.set_gain(&self.setup, gain);
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
        self.sight.see(&self.candidates);
        self.sight.face = self.face_from.and_then(|from| self.trace.looks(from));
        let scene = Scene {
            model: &self.model,
            filter: &self.filter,
            gate_ns: gate,
            threshold: self.setup.gate.threshold_pct / 100.0 * self.base.full_scale(),
            face_height,
            face_ns: base.time_at(face_at).as_ns(),
            noise,
            full_scale: self.base.full_scale(),
            minimum: self.setup.minimum.as_mm(),
            first_counts: self.setup.mode == Mode::FirstEcho,
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

    fn arrival(&self, candidate: &WallCandidate) -> Arrival {
        self.trace.arrival(&self.filter, candidate.top, 0.0)
    }

    fn time_and_judge(&mut self, mut wall: DecidedWall, gate: (f64, f64), mut flags: Flags) -> Measurement {
        flags = Flags::from_bits(flags.bits() | wall.flags.bits() | uncalibrated(&self.setup).bits());
        if let Some(second) = self.second_to_time(&wall) {
            let quick = self.setup.mode == Mode::FirstEcho && wall.order == 1;
            let at = if quick { self.trace.guess(&second.top) } else { second.top.at };
            self.trace.look_ahead(&self.filter, [wall.chosen.top.at, at]);
        }
        let arrival = self.arrival(&wall.chosen);
        let noise = self.noise_at(&wall);
        let signal = Signal { noise_part: noise / arrival.height.max(1e-9), filter: &self.filter };
        let turned = wrapped(arrival.phase - self.model.phase(wall.chosen.place));
        let phase_told = self.model.calibrated() && self.setup.mode == Mode::FirstEcho;
        let strange = phase_told && turned.abs() > PHASE_DOUBT.max(2.6 * signal.phase_noise());
        if strange {
            flags = flags.with(Flag::Phase);
        }
        // A turned phase moves the correlation's top and leaves the envelope's where it is; the correlation still is the
        // better of the two until the turn makes its cycle doubtful.
        let by_envelope = !self.model.calibrated() || (strange && turned.abs() > CYCLE_DOUBT.max(5.5 * signal.phase_noise()));
        let time = if by_envelope {
            let reference = arrival.envelope - self.model.phase(wall.chosen.place) / self.filter.carrier;
            self.time_of(if strange { reference } else { self.marked(reference) })
        } else {
            self.time_of(self.marked(arrival.correlation))
        };
        let per_sample = self.base.rate.period().as_ns() * self.marker.as_ref().map_or(1.0, Marker::noise_factor);
        let mut coating = None;
        let (depth, next, scatter) = match self.setup.mode {
            Mode::FirstEcho if wall.order > 1 => {
                let Some((spaced, second)) = self.behind_the_first(&wall, &arrival) else {
                    return Measurement::none(flags.with(Flag::Ambiguous));
                };
                let per_code = noise / self.filter.rms_frequency * per_sample;
                (Some(spaced.depth), Some(second), spaced.sensitivity * per_code)
            }
            Mode::FirstEcho => {
                let scatter = if by_envelope { signal.envelope_noise() } else { signal.timing_noise() };
                let scatter_ns = scatter * per_sample;
                let depth = self.model.depth(time);
                let mut next = wall.second.map(|c| c.time_ns);
                if let Some((second, spaced)) = self.pair(&wall, &arrival) {
                    wall.second = Some(second);
                    next = Some(second.time_ns);
                    self.sight.pair = Some(self.pair_of(&wall, &spaced, noise / self.filter.rms_frequency * per_sample));
                }
                (depth, next, scatter_ns * depth.map_or(0.0, |d| self.model.path.slope(d)))
            }
            Mode::EchoToEcho => match self.echo_to_echo(&wall, &arrival) {
                Some((spaced, second)) => {
                    let next = second.time_ns;
                    wall.second = Some(second);
                    let drift_k = (self.wall - self.setup.reference_temperature()).as_celsius();
                    // Paint near half a wavelength turns the echo so far that the delay may be a cycle off.
                    let sure = self.model.calibrated() && turned.abs() < CYCLE_DOUBT;
                    coating = sure.then(|| Coating::behind(spaced.delay_ns, drift_k)).flatten();
                    let per_code = noise / self.filter.rms_frequency * per_sample;
                    self.sight.pair = Some(self.pair_of(&wall, &spaced, per_code));
                    (Some(spaced.depth), Some(next), spaced.sensitivity * per_code)
                }
                None => return Measurement::none(flags.with(Flag::SingleEcho)),
            },
        };
        let Some(depth) = depth.filter(|depth| *depth >= self.setup.minimum.as_mm()) else {
            return Measurement::none(flags.with(Flag::OutOfRange));
        };
        self.sight.taken = Some(Echo { depth: Length::mm(depth), level: wall.chosen.level });
        let margin = 0.6 * self.setup.frequency.period().as_ns();
        if time - gate.0 < margin || gate.1 - time < margin {
            flags = flags.with(Flag::GateEdge);
        }
        let kelvin = (self.wall - self.setup.reference_temperature()).as_celsius();
        if self.setup.mode == Mode::FirstEcho && kelvin.abs() > judge::DRIFT_K {
            flags = flags.with(Flag::Drift);
        }
        let end = self.time_of(self.trace.count() as f64);
        let evenness = judge::evenness(&wall, &self.model, self.trace.noise, end);
        let told = judge::echo_flags(&wall, &self.candidates, &self.model, self.setup.mode, evenness, self.moved());
        flags = Flags::from_bits(flags.bits() | told.bits());
        let snr = 20.0 / std::f64::consts::LN_10 * quick::ln(arrival.height / self.trace.noise);
        let shape_ns = wrapped(turned) / self.filter.carrier * self.base.rate.period().as_ns();
        let shape_noise_ns = signal.phase_noise() / self.filter.carrier * self.base.rate.period().as_ns();
        let uneven = wall.second.map_or(0.0, |second| 1.0 - second.level / wall.chosen.level / self.model.repeat_part(depth));
        let sloped = [Flag::Weak, Flag::Uneven, Flag::Phase].iter().any(|flag| flags.has(*flag));
        let shape_ns = if phase_told { shape_ns } else { 0.0 };
        let evidence = ShotEvidence { depth, uneven, sloped, scatter_mm: scatter, shape_ns, shape_noise_ns };
        let Combined { total, rest } = uncertainty::of_reading(&self.setup, &self.model, self.wall, &evidence, &mut self.parts);
        self.sight.steady = Some(Steady {
            scatter: Length::mm(uncertainty::NOISE_FACTOR * scatter),
            rest,
            quality: judge::quality(&wall, flags.without(Flag::Drift), snr, evenness),
        });
        Measurement {
            echo_time: Some(Time::ns(time)),
            next_echo: next.map(Time::ns),
            thickness: Some(Length::mm(depth)),
            uncertainty: Some(total),
            height_pct: Some(100.0 * arrival.height / self.base.full_scale()),
            snr: Some(Decibel::db(snr)),
            coating,
            quality: judge::quality(&wall, flags, snr, evenness),
            flags,
        }
    }

    /// By how much the spacing says that all echoes of this shot are late; nothing where that is no more than noise.
    fn moved(&self) -> f64 {
        let late = self.sight.pair.map_or(0.0, |pair| pair.late.as_ns());
        if late.abs() < LEAST_LATE_NS { 0.0 } else { late }
    }

    /// Noise where the echo stands, grain in front of it included.
    fn noise_at(&self, wall: &DecidedWall) -> f64 {
        // The filtered echo itself reaches some three periods forward.
        let period = self.setup.frequency.period().as_ns();
        let from = (wall.chosen.time_ns - 12.0 * period).max(self.model.path.zero_ns + 2.5 * period);
        let to = wall.chosen.time_ns - 3.3 * period;
        if to - from < 2.5 * period {
            return NO_ROOM * self.trace.noise;
        }
        self.trace.noise_with_grain(self.sample_of(from), self.sample_of(to))
    }

    /// An echo's time by the set-up's picker, given its time by the correlation.
    fn marked(&self, reference: f64) -> f64 {
        self.marker.as_ref().and_then(|marker| marker.time(&self.trace, reference)).unwrap_or(reference)
    }

    fn time_of(&self, sample: f64) -> f64 {
        self.base.time_at(sample).as_ns()
    }
}

fn check(setup: &Setup, base: TimeBase) -> Result<(), SetupError> {
    let positive = "it must be a positive number; set it in the plan or calibrate again";
    let rules: [(&'static str, f64, bool, &'static str); 10] = [
        ("velocity (m/s)", setup.velocity.as_m_s(), setup.velocity.as_m_s() > 0.0, positive),
        ("frequency (Hz)", setup.frequency.as_hz(), setup.frequency.as_hz() > 0.0, positive),
        ("sampling rate (Hz)", base.rate.as_hz(), base.rate.as_hz() > 0.0, "the device must give a positive sampling rate"),
        (
            "sampling rate (Hz)",
            base.rate.as_hz(),
            base.rate.as_hz() >= 3.0 * setup.frequency.as_hz() && base.rate.as_hz() <= 2000.0 * setup.frequency.as_hz(),
            "it must be between 3 and 2000 samples a period of the probe's frequency",
        ),
        ("first sample (ns)", base.first.as_ns(), base.first.is_finite(), "it must be a number"),
        ("zero (ns)", setup.zero.as_ns(), setup.zero.is_finite(), "it must be a number"),
        ("half element separation (mm)", setup.half_separation.as_mm(), setup.half_separation.as_mm() >= 0.0, "it must be zero or more"),
        ("gate length (ns)", setup.gate.length.as_ns(), setup.gate.length.as_ns() > 0.0, positive),
        ("gate start (ns)", setup.gate.start.as_ns(), setup.gate.start.is_finite(), "it must be a number"),
        (
            "gate threshold (%)",
            setup.gate.threshold_pct,
            (0.0..=100.0).contains(&setup.gate.threshold_pct),
            "it must be between 0 and 100 percent of full screen height",
        ),
    ];
    match rules.iter().find(|(_, value, holds, _)| !(value.is_finite() && *holds)) {
        Some((what, value, _, rule)) => Err(SetupError::Impossible { what, value: value.to_string(), rule }),
        None => Ok(()),
    }
}

/// What is to be told of every thickness that rests on typed values.
fn uncalibrated(setup: &Setup) -> Flags {
    if setup.calibration.is_some() { Flags::NONE } else { Flags::of(Flag::Uncalibrated) }
}

/// What a device's own time of flight says of the wall (V-path, velocity and zero of the set-up).
pub fn measure_time(setup: &Setup, echo_time: Option<Time>, wall: Temperature) -> Measurement {
    let Some(time) = echo_time else { return Measurement::none(Flags::of(Flag::DeviceNoEcho)) };
    let mut model = Model::new(setup, 1.0);
    model.set_temperature(setup, wall);
    let depth = if time.is_finite() { model.depth(time.as_ns()) } else { None };
    match depth.filter(|depth| depth.is_finite() && *depth >= setup.minimum.as_mm()) {
        Some(depth) => Measurement { echo_time: Some(time), flags: uncalibrated(setup), ..device_value(Length::mm(depth)) }.rounded(),
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
