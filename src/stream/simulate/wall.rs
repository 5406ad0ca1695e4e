//! The wall, the probe and the drive of the virtual crawler, as a TOML file describes them. The serde types are its
//! schema: unknown keys are refused with their line, every key carries its unit, and impossible values are named.

use crate::job::check::{PlanError, Problem, line_of_key, toml_problem};
use crate::travel::Direction;
use crate::units::{Decibel, Frequency, Length, Speed, Temperature, Time, Velocity, megahertz, microseconds};
use serde::Deserialize;

/// A described wall with everything that looks at it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wall {
    pub name: String,
    /// Start of all randomness; the same seed gives the same bytes on every machine.
    #[serde(default)]
    pub seed: u64,
    #[serde(default)]
    pub steel: Steel,
    #[serde(default)]
    pub paint: Paint,
    #[serde(default)]
    pub probe: Probe,
    #[serde(default)]
    pub receiver: Receiver,
    #[serde(default)]
    pub noise: Noise,
    #[serde(default)]
    pub device: Device,
    #[serde(default, rename = "course")]
    pub courses: Vec<Course>,
    #[serde(default, rename = "line")]
    pub lines: Vec<Line>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Steel {
    /// Longitudinal, at 20 °C.
    #[serde(rename = "velocity_m_s")]
    pub velocity: Velocity,
    /// Measured on 1018 low-carbon steel between 0 and 50 °C (Do Trung Kien et al., Communications in Physics).
    pub velocity_slope_m_s_k: f64,
    #[serde(rename = "temperature_c")]
    pub temperature: Temperature,
    /// Of the blocks a calibration stands on.
    #[serde(rename = "block_temperature_c")]
    pub block_temperature: Temperature,
    /// Shear over longitudinal velocity.
    pub shear_ratio: f64,
    /// At 5 MHz; half of it grows with f (absorption), half with f⁴ (grain scatter).
    pub attenuation_db_m: f64,
}

impl Default for Steel {
    fn default() -> Self {
        Self {
            velocity: Velocity::m_s(5920.0),
            velocity_slope_m_s_k: -0.8,
            temperature: Temperature::celsius(20.0),
            block_temperature: Temperature::celsius(20.0),
            shear_ratio: 3230.0 / 5920.0,
            attenuation_db_m: 30.0,
        }
    }
}

/// Coating between tyre and steel.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Paint {
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(rename = "velocity_m_s")]
    pub velocity: Velocity,
    pub impedance_mrayl: f64,
}

impl Default for Paint {
    fn default() -> Self {
        Self { thickness: Length::ZERO, velocity: Velocity::m_s(2400.0), impedance_mrayl: 3.6 }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PulseKind {
    /// A cosine under a Gaussian envelope; its time is the envelope's maximum.
    Gauss,
    /// t³ exp(−at) times a cosine: causal and ringing; its time is its onset.
    Gamma,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Probe {
    #[serde(rename = "frequency_mhz", with = "megahertz")]
    pub frequency: Frequency,
    /// −6 dB bandwidth over centre frequency.
    pub bandwidth: f64,
    pub pulse: PulseKind,
    pub phase_rad: f64,
    #[serde(rename = "half_separation_mm")]
    pub half_separation: Length,
    #[serde(rename = "tyre_mm")]
    pub tyre: Length,
    /// At 20 °C.
    #[serde(rename = "tyre_velocity_m_s")]
    pub tyre_velocity: Velocity,
    pub tyre_velocity_slope_m_s_k: f64,
    /// Cable and electronics.
    #[serde(rename = "delay_ns")]
    pub delay: Time,
    /// Depth at which the beams of the two elements cross, and the width (of ln depth) of the sensitivity about it.
    #[serde(rename = "focus_mm")]
    pub focus: Length,
    pub focus_width: f64,
    /// Standard deviation of the beam's Gaussian weight across the wall.
    #[serde(rename = "beam_mm")]
    pub beam: Length,
    /// Echo that goes down as longitudinal and up as shear wave, against the back-wall echo.
    #[serde(rename = "mode_converted_db")]
    pub mode_converted: Decibel,
    /// Echo of the tyre's face while it is in contact.
    #[serde(rename = "interface_db")]
    pub interface: Decibel,
    /// Second trip in the tyre once it has no contact; its face then stands 12 dB higher.
    #[serde(rename = "ring_db")]
    pub ring: Decibel,
}

impl Default for Probe {
    fn default() -> Self {
        Self {
            frequency: Frequency::mhz(5.0),
            bandwidth: 0.6,
            pulse: PulseKind::Gauss,
            phase_rad: 0.0,
            half_separation: Length::mm(2.9),
            tyre: Length::mm(4.0),
            tyre_velocity: Velocity::m_s(1560.0),
            tyre_velocity_slope_m_s_k: -2.5,
            delay: Time::ns(270.0),
            focus: Length::mm(8.0),
            focus_width: 0.8,
            beam: Length::mm(1.3),
            mode_converted: Decibel::db(-18.0),
            interface: Decibel::db(-34.0),
            ring: Decibel::db(-28.0),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Receiver {
    #[serde(rename = "rate_mhz", with = "megahertz")]
    pub rate: Frequency,
    #[serde(rename = "first_sample_us", with = "microseconds")]
    pub first: Time,
    pub samples: u16,
    pub bits: u8,
    /// Gain the device reports.
    #[serde(rename = "gain_db")]
    pub gain: Decibel,
    /// Height of an echo of unit strength at that gain, in percent of full screen height.
    pub unit_echo_pct: f64,
    pub offset_pct: f64,
}

impl Default for Receiver {
    fn default() -> Self {
        Self {
            rate: Frequency::mhz(100.0),
            first: Time::us(4.5),
            samples: 1024,
            bits: 16,
            gain: Decibel::db(40.0),
            unit_echo_pct: 62.5,
            offset_pct: 0.0,
        }
    }
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Noise {
    /// Unit echo's peak over the rms of the white noise.
    #[serde(rename = "snr_db")]
    pub snr: Decibel,
    /// Rms of the grain echoes against the unit echo.
    #[serde(rename = "grain_db")]
    pub grain: Decibel,
    /// Spread of the coupling from shot to shot.
    #[serde(rename = "coupling_db")]
    pub coupling: Decibel,
    /// Slow wander of the base line, in percent of full screen height.
    pub baseline_pct: f64,
}

impl Default for Noise {
    fn default() -> Self {
        Self { snr: Decibel::db(40.0), grain: Decibel::db(-40.0), coupling: Decibel::db(0.6), baseline_pct: 0.0 }
    }
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Device {
    pub id: u32,
    pub name: String,
    #[serde(rename = "shot_rate_hz")]
    pub shot_rate: Frequency,
    pub counts_per_mm: f64,
    pub first_count: i32,
    pub first_seq: u32,
    pub header_every_s: f64,
    pub status_every_s: f64,
    /// Battery when the crawler sets off, and how it sinks.
    pub battery_mv: u16,
    pub battery_mv_per_min: f64,
}

impl Default for Device {
    fn default() -> Self {
        Self {
            id: 1,
            name: "virtual crawler".to_owned(),
            shot_rate: Frequency::hz(200.0),
            counts_per_mm: 40.0,
            first_count: 0,
            first_seq: 0,
            header_every_s: 4.0,
            status_every_s: 2.0,
            battery_mv: 12_400,
            battery_mv_per_min: 4.0,
        }
    }
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Course {
    #[serde(rename = "height_mm")]
    pub height: Length,
    /// True wall of the sound course.
    #[serde(rename = "wall_mm")]
    pub wall: Length,
}

/// One line on the wall, what is wrong along it, and how it is driven. Places are elevations for lines up and down,
/// distances from the datum for lines across.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    pub name: String,
    pub direction: Direction,
    #[serde(rename = "start_mm", default)]
    pub start: Length,
    /// Wall of a line across; lines up and down take it from the courses.
    #[serde(rename = "wall_mm", default)]
    pub wall: Option<Length>,
    #[serde(rename = "leg")]
    pub legs: Vec<Leg>,
    #[serde(default, rename = "thinning")]
    pub thinnings: Vec<Thinning>,
    #[serde(default, rename = "pit")]
    pub pits: Vec<Pit>,
    #[serde(default, rename = "seam")]
    pub seams: Vec<Seam>,
    #[serde(default, rename = "reflector")]
    pub reflectors: Vec<Reflector>,
    #[serde(default, rename = "painted")]
    pub painted: Vec<Painted>,
    #[serde(default, rename = "loss")]
    pub losses: Vec<Loss>,
    #[serde(default, rename = "gain")]
    pub gains: Vec<GainChange>,
    #[serde(default, rename = "lost")]
    pub lost: Vec<LostShots>,
}

/// One part of the drive; exactly one of forward, back and pause.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Leg {
    #[serde(rename = "forward_mm")]
    pub forward: Option<Length>,
    #[serde(rename = "back_mm")]
    pub back: Option<Length>,
    #[serde(rename = "speed_mm_s")]
    pub speed: Option<Speed>,
    pub pause_s: Option<f64>,
}

/// Metal lost smoothly over a stretch, across the whole beam.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thinning {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "depth_mm")]
    pub depth: Length,
    /// Length of the slope at each end; half the stretch where it is left out.
    #[serde(rename = "edge_mm", default)]
    pub edge: Option<Length>,
}

/// A spherical cap lost from the back wall.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pit {
    #[serde(rename = "at_mm")]
    pub at: Length,
    /// Beside the line.
    #[serde(rename = "offset_mm", default)]
    pub offset: Length,
    #[serde(rename = "radius_mm")]
    pub radius: Length,
    #[serde(rename = "depth_mm")]
    pub depth: Length,
}

/// A weld across the line: the tyre climbs its cap and loses part of its contact.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seam {
    #[serde(rename = "at_mm")]
    pub at: Length,
    #[serde(rename = "width_mm")]
    pub width: Length,
    /// Reinforcement on the far side.
    #[serde(rename = "cap_mm", default)]
    pub cap: Length,
    #[serde(rename = "loss_db", default)]
    pub loss: Decibel,
}

/// An inner reflector (a lamination) that covers a share of the beam.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reflector {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "depth_mm")]
    pub depth: Length,
    /// 0 to 1.
    pub cover: f64,
}

/// A stretch with other paint than the rest.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Painted {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
}

/// A stretch without contact.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Loss {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "loss_db", default = "lost_contact")]
    pub loss: Decibel,
}

fn lost_contact() -> Decibel {
    Decibel::db(55.0)
}

/// The device turns its gain along a stretch, and reports it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GainChange {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "gain_db")]
    pub gain: Decibel,
}

/// Shots that are fired but never sent.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LostShots {
    /// Counted from the start of the drive.
    pub after_shot: u64,
    pub shots: u64,
}

impl Wall {
    /// Reads and checks a wall file. `name` stands for the file in messages.
    pub fn parse(name: &str, text: &str) -> Result<Self, PlanError> {
        let refuse = |problems| PlanError { file: name.to_owned(), problems };
        let wall: Self = toml::from_str(text).map_err(|error| refuse(vec![toml_problem(text, &error)]))?;
        let mut found = Vec::new();
        wall.check(&mut |key, message| {
            found.push(Problem { line: line_of_key(text, &key), key, message });
        });
        if found.is_empty() { Ok(wall) } else { Err(refuse(found)) }
    }

    pub fn line(&self, name: &str) -> Option<&Line> {
        self.lines.iter().find(|line| line.name == name)
    }

    /// Velocity in the steel at a temperature.
    pub fn velocity(&self, temperature: Temperature) -> Velocity {
        let kelvin = temperature.as_celsius() - 20.0;
        Velocity::m_s(self.steel.velocity.as_m_s() + self.steel.velocity_slope_m_s_k * kelvin)
    }

    /// Time there and back in the tyre at a temperature.
    pub fn tyre_time(&self, temperature: Temperature) -> Time {
        let kelvin = temperature.as_celsius() - 20.0;
        self.probe.tyre * 2.0 / Velocity::m_s(self.probe.tyre_velocity.as_m_s() + self.probe.tyre_velocity_slope_m_s_k * kelvin)
    }

    /// Time of everything outside paint and steel: what a calibration finds as the zero.
    pub fn zero(&self, temperature: Temperature) -> Time {
        self.probe.delay + self.tyre_time(temperature)
    }

    fn check(&self, add: &mut dyn FnMut(String, String)) {
        let mut range = |key: &str, value: f64, low: f64, high: f64| {
            if !(value >= low && value <= high) {
                add(key.to_owned(), format!("{value} is not possible: it must lie between {low} and {high}"));
            }
        };
        range("steel.velocity_m_s", self.steel.velocity.as_m_s(), 500.0, 15_000.0);
        range("steel.velocity_slope_m_s_k", self.steel.velocity_slope_m_s_k, -20.0, 20.0);
        range("steel.temperature_c", self.steel.temperature.as_celsius(), -60.0, 300.0);
        range("steel.block_temperature_c", self.steel.block_temperature.as_celsius(), -60.0, 300.0);
        range("steel.shear_ratio", self.steel.shear_ratio, 0.1, 0.9);
        range("steel.attenuation_db_m", self.steel.attenuation_db_m, 0.0, 2000.0);
        range("paint.thickness_mm", self.paint.thickness.as_mm(), 0.0, 20.0);
        range("paint.velocity_m_s", self.paint.velocity.as_m_s(), 500.0, 8000.0);
        range("paint.impedance_mrayl", self.paint.impedance_mrayl, 0.1, 40.0);
        let probe = &self.probe;
        range("probe.frequency_mhz", probe.frequency.as_mhz(), 0.5, 20.0);
        range("probe.bandwidth", probe.bandwidth, 0.1, 1.2);
        range("probe.phase_rad", probe.phase_rad, -10.0, 10.0);
        range("probe.half_separation_mm", probe.half_separation.as_mm(), 0.0, 50.0);
        range("probe.tyre_mm", probe.tyre.as_mm(), 0.0, 100.0);
        range("probe.tyre_velocity_m_s", probe.tyre_velocity.as_m_s(), 800.0, 8000.0);
        range("probe.tyre_velocity_slope_m_s_k", probe.tyre_velocity_slope_m_s_k, -3.0, 3.0);
        range("probe.delay_ns", probe.delay.as_ns(), 0.0, 100_000.0);
        range("probe.focus_mm", probe.focus.as_mm(), 0.1, 1000.0);
        range("probe.focus_width", probe.focus_width, 0.05, 100.0);
        range("probe.beam_mm", probe.beam.as_mm(), 0.1, 20.0);
        let receiver = &self.receiver;
        range("receiver.rate_mhz", receiver.rate.as_mhz(), 2.0 * probe.frequency.as_mhz(), 1000.0);
        range("receiver.first_sample_us", receiver.first.as_us(), -1000.0, 1000.0);
        range("receiver.samples", f64::from(receiver.samples), 16.0, 32_000.0);
        range("receiver.bits", f64::from(receiver.bits), 6.0, 16.0);
        range("receiver.gain_db", receiver.gain.as_db(), -200.0, 200.0);
        range("receiver.unit_echo_pct", receiver.unit_echo_pct, 0.1, 1000.0);
        range("receiver.offset_pct", receiver.offset_pct, -100.0, 100.0);
        range("noise.snr_db", self.noise.snr.as_db(), -20.0, 200.0);
        range("noise.grain_db", self.noise.grain.as_db(), -200.0, 0.0);
        range("noise.coupling_db", self.noise.coupling.as_db(), 0.0, 20.0);
        range("noise.baseline_pct", self.noise.baseline_pct, 0.0, 100.0);
        let device = &self.device;
        range("device.shot_rate_hz", device.shot_rate.as_hz(), 0.1, 100_000.0);
        range("device.counts_per_mm", device.counts_per_mm.abs(), 0.001, 100_000.0);
        range("device.header_every_s", device.header_every_s, 0.01, 5.0);
        range("device.status_every_s", device.status_every_s, 0.01, 3600.0);
        range("device.battery_mv_per_min", device.battery_mv_per_min, 0.0, 10_000.0);
        for (index, course) in self.courses.iter().enumerate() {
            range(&format!("course[{index}].height_mm"), course.height.as_mm(), 1.0, 1e6);
            range(&format!("course[{index}].wall_mm"), course.wall.as_mm(), 0.5, 500.0);
        }
        let mut names = std::collections::BTreeSet::new();
        for (index, line) in self.lines.iter().enumerate() {
            if !names.insert(&line.name) {
                add(format!("line[{index}].name"), format!("line {} stands twice: give each its own name", line.name));
            }
            if line.wall.is_none() && (self.courses.is_empty() || !line.direction.is_upright()) {
                add(format!("line[{index}]"), "has no wall: give wall_mm, or [[course]] for lines up and down".to_owned());
            }
            line.check(index, add);
        }
    }
}

impl Line {
    fn check(&self, line: usize, add: &mut dyn FnMut(String, String)) {
        if self.legs.is_empty() {
            add(format!("line[{line}]"), "has no [[line.leg]]: the crawler would never move".to_owned());
        }
        for (index, leg) in self.legs.iter().enumerate() {
            let key = format!("line[{line}].leg[{index}]");
            let moves = usize::from(leg.forward.is_some()) + usize::from(leg.back.is_some());
            if moves + usize::from(leg.pause_s.is_some()) != 1 {
                add(key.clone(), "needs exactly one of forward_mm, back_mm and pause_s".to_owned());
            }
            let driven = leg.forward.or(leg.back).map_or(1.0, Length::as_mm);
            let speed = leg.speed.map_or(if moves == 1 { 0.0 } else { 1.0 }, Speed::as_mm_s);
            if !(driven.is_finite() && driven > 0.0) {
                add(key.clone(), format!("{driven} mm is not possible: it must be greater than 0"));
            }
            if !(speed.is_finite() && speed > 0.0) {
                add(key.clone(), "a leg that moves needs speed_mm_s greater than 0".to_owned());
            }
            if !(leg.pause_s.unwrap_or(0.0) >= 0.0 && leg.pause_s.unwrap_or(0.0) <= 86_400.0) {
                add(key, "pause_s must lie between 0 and 86400".to_owned());
            }
        }
        let mut stretch = |kind: &str, index: usize, from: Length, to: Length| {
            if !(from.is_finite() && to.is_finite() && from < to) {
                add(format!("line[{line}].{kind}[{index}].to_mm"), format!("{to} is not beyond from_mm, {from}"));
            }
        };
        for (index, x) in self.thinnings.iter().enumerate() {
            stretch("thinning", index, x.from, x.to);
        }
        for (index, x) in self.reflectors.iter().enumerate() {
            stretch("reflector", index, x.from, x.to);
        }
        for (index, x) in self.painted.iter().enumerate() {
            stretch("painted", index, x.from, x.to);
        }
        for (index, x) in self.losses.iter().enumerate() {
            stretch("loss", index, x.from, x.to);
        }
        for (index, x) in self.gains.iter().enumerate() {
            stretch("gain", index, x.from, x.to);
        }
        let mut range = |key: String, value: f64, low: f64, high: f64| {
            if !(value >= low && value <= high) {
                add(format!("line[{line}].{key}"), format!("{value} is not possible: it must lie between {low} and {high}"));
            }
        };
        for (index, x) in self.thinnings.iter().enumerate() {
            range(format!("thinning[{index}].depth_mm"), x.depth.as_mm(), 0.0, 500.0);
            if let Some(edge) = x.edge {
                range(format!("thinning[{index}].edge_mm"), edge.as_mm(), 0.0, (x.to - x.from).as_mm() / 2.0);
            }
        }
        for (index, pit) in self.pits.iter().enumerate() {
            range(format!("pit[{index}].radius_mm"), pit.radius.as_mm(), 0.1, 500.0);
            range(format!("pit[{index}].depth_mm"), pit.depth.as_mm(), 0.0, pit.radius.as_mm());
        }
        for (index, seam) in self.seams.iter().enumerate() {
            range(format!("seam[{index}].width_mm"), seam.width.as_mm(), 0.1, 500.0);
            range(format!("seam[{index}].cap_mm"), seam.cap.as_mm(), -20.0, 20.0);
            range(format!("seam[{index}].loss_db"), seam.loss.as_db(), 0.0, 200.0);
        }
        for (index, x) in self.reflectors.iter().enumerate() {
            range(format!("reflector[{index}].depth_mm"), x.depth.as_mm(), 0.3, 500.0);
            range(format!("reflector[{index}].cover"), x.cover, 0.0, 1.0);
        }
        for (index, x) in self.painted.iter().enumerate() {
            range(format!("painted[{index}].thickness_mm"), x.thickness.as_mm(), 0.0, 20.0);
        }
        for (index, x) in self.losses.iter().enumerate() {
            range(format!("loss[{index}].loss_db"), x.loss.as_db(), 0.0, 200.0);
        }
        for (index, x) in self.gains.iter().enumerate() {
            range(format!("gain[{index}].gain_db"), x.gain.as_db(), -200.0, 200.0);
        }
    }
}
