//! The wall, the probe and the drive of the virtual crawler, as a TOML file describes them. The serde types are its
//! schema: unknown keys are refused with their line, every key carries its unit, and impossible values are named.

mod check;

use backwall_survey::job::check::{PlanError, Problem, line_of_key, toml_problem};
use backwall_survey::travel::Direction;
use backwall_units::{Decibel, Frequency, Length, Speed, Temperature, Time, Velocity, megahertz, microseconds};
use serde::Deserialize;

/// A described wall with everything that looks at it.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VirtualWall {
    pub name: String,
    /// Start of all randomness; the same seed gives the same bytes on every machine.
    #[serde(default)]
    pub seed: u64,
    #[serde(default)]
    pub steel: Steel,
    #[serde(default)]
    pub paint: Paint,
    #[serde(default)]
    pub probe: VirtualProbe,
    #[serde(default)]
    pub receiver: Receiver,
    #[serde(default)]
    pub noise: Noise,
    #[serde(default)]
    pub device: Device,
    #[serde(default, rename = "course")]
    pub courses: Vec<VirtualCourse>,
    #[serde(default, rename = "line")]
    pub lines: Vec<DrivenLine>,
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
pub struct VirtualProbe {
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

impl Default for VirtualProbe {
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
    /// Of the encoder across, which is sent on lines that are woven.
    pub across_counts_per_mm: f64,
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
            across_counts_per_mm: 20.0,
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
pub struct VirtualCourse {
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
pub struct DrivenLine {
    pub name: String,
    pub direction: Direction,
    #[serde(rename = "start_mm", default)]
    pub start: Length,
    /// Wall of a line across; lines up and down take it from the courses.
    #[serde(rename = "wall_mm", default)]
    pub wall: Option<Length>,
    #[serde(rename = "leg")]
    pub legs: Vec<Leg>,
    /// The probe swings from side to side as the crawler drives.
    #[serde(default)]
    pub weave: Option<Weave>,
    #[serde(default, rename = "thinning")]
    pub thinnings: Vec<Thinning>,
    #[serde(default, rename = "pit")]
    pub pits: Vec<VirtualPit>,
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

/// A swing of the probe: from the line to one side, back over it to the other, and back. Pits lie beside the line at their
/// `offset_mm`; all else is the same across.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Weave {
    /// From the line to either side.
    #[serde(rename = "side_mm")]
    pub side: Length,
    /// A whole swing.
    pub seconds: f64,
}

impl Weave {
    /// How far beside the line the probe is: clockwise of lines up and down, above lines across.
    pub fn across(&self, seconds: f64) -> Length {
        // None of it at the start, all of it at a quarter of the swing, all of it on the other side at three quarters.
        let part = seconds / self.seconds + 0.75;
        self.side * (libm::fabs(4.0 * (part - libm::floor(part)) - 2.0) - 1.0)
    }
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
pub struct VirtualPit {
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

impl DrivenLine {
    /// A flat wall of one thickness, driven up, with nothing on it.
    pub fn flat(wall: Length) -> Self {
        Self {
            name: String::new(),
            direction: Direction::Up,
            start: Length::ZERO,
            wall: Some(wall),
            legs: Vec::new(),
            weave: None,
            thinnings: Vec::new(),
            pits: Vec::new(),
            seams: Vec::new(),
            reflectors: Vec::new(),
            painted: Vec::new(),
            losses: Vec::new(),
            gains: Vec::new(),
            lost: Vec::new(),
        }
    }
}

impl VirtualWall {
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

    pub fn line(&self, name: &str) -> Option<&DrivenLine> {
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
}
