//! The job plan: the TOML an office writes and a technician takes into the field. The serde types here are its
//! schema; unknown keys are refused, and every key carries its unit in its name. What each key may hold and means is
//! declared in [`super::keys`].

use super::assess::{AssessPlan, EarlierWall};
use super::check::{self, PlanError};
use super::gate::{DeviceSeen, GateRule};
use super::validity::VerificationPlan;
use super::zone::Zone;
use crate::strip::{AlarmSettings, CourseLimits, Limits};
use crate::travel::{ACROSS_JUMP, Direction, Path};
use backwall_ultrasound::{Gate, Mode, Picker, Setup, ZeroKeeping};
use backwall_units::{
    Frequency, Length, LengthUnit, Minutes, Pressure, Speed, Temperature, Time, Velocity, megahertz, some_metres, some_microseconds,
};
use serde::{Deserialize, Serialize};

/// A whole job plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    pub job: Job,
    #[serde(default, rename = "person")]
    pub people: Vec<Person>,
    #[serde(default)]
    pub kit: Vec<Kit>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crawler: Option<CrawlerPlan>,
    pub asset: Asset,
    #[serde(default, rename = "line")]
    pub lines: Vec<Line>,
    pub encoder: Encoder,
    /// Where the probes of a device with several run beside the line.
    #[serde(default, rename = "track", skip_serializing_if = "Vec::is_empty")]
    pub tracks: Vec<Track>,
    pub probe: Probe,
    pub setup: SetupPlan,
    pub limits: LimitsPlan,
    #[serde(default)]
    pub alarm: AlarmSettings,
    #[serde(default)]
    pub verification: VerificationPlan,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assess: Option<AssessPlan>,
    /// What must be witnessed, by the inspection and test plan.
    #[serde(default, rename = "witness_point", skip_serializing_if = "Vec::is_empty")]
    pub witness_points: Vec<AskedFor>,
    /// Photos that must be taken.
    #[serde(default, rename = "photo", skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<AskedFor>,
}

impl Plan {
    /// What the standards of thickness measurement list for a report, and the plan does not have: the report says that it is missing.
    pub fn lacks_for_the_report(&self) -> Vec<&'static str> {
        let is_missing = |value: &Option<String>| value.as_deref().is_none_or(|value| value.trim().is_empty());
        let of_plan = [
            ("client", is_missing(&self.job.client)),
            ("standard", is_missing(&self.job.standard)),
            ("drawing", is_missing(&self.asset.drawing)),
            ("surface", is_missing(&self.asset.surface)),
            ("coating", is_missing(&self.asset.coating)),
            ("couplant", is_missing(&self.probe.couplant)),
            ("kit", self.kit.is_empty()),
            ("certificates of kit", self.kit.iter().any(|kit| is_missing(&kit.certificate))),
        ];
        of_plan.into_iter().filter(|(_, missing)| *missing).map(|(what, _)| what).collect()
    }
}

/// A witness's initials or a photo that the job must have.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AskedFor {
    pub name: String,
    /// The line it belongs to; the job as a whole without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Job {
    pub number: String,
    pub site: String,
    pub procedure: String,
    pub purpose: String,
    /// With its edition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standard: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub client: Option<String>,
    /// Name or path of the checklist template.
    #[serde(default = "default_checklist")]
    pub checklist: String,
    /// Whether scanning against what stops it needs the name of a second person.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub override_needs_second_name: bool,
    #[serde(default)]
    pub units: LengthUnit,
    /// The site's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<Zone>,
}

fn default_checklist() -> String {
    "magnetic-crawler".to_owned()
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    pub name: String,
    pub role: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires: Option<Date>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kit {
    pub kind: String,
    pub serial: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub due: Option<Date>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
}

/// What the crawler can do; [`super::takes`] compares the job with it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CrawlerPlan {
    #[serde(rename = "battery_min", skip_serializing_if = "Option::is_none")]
    pub battery: Option<Minutes>,
    /// At this voltage and under it the battery is called low, millivolts as the device sends them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_low_mv: Option<u16>,
    #[serde(rename = "cable_m", skip_serializing_if = "Option::is_none", with = "some_metres")]
    pub cable: Option<Length>,
    /// From the console to the datum at the foot of a line.
    #[serde(rename = "cable_to_datum_m", skip_serializing_if = "Option::is_none", with = "some_metres")]
    pub cable_to_datum: Option<Length>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shots_per_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub samples: Option<u32>,
}

/// A calendar day; written as a TOML date in a plan and as text elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date(pub chrono::NaiveDate);

impl std::fmt::Display for Date {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.0.format("%Y-%m-%d"))
    }
}
impl Serialize for Date {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for Date {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Written {
            Toml(toml::value::Datetime),
            Text(String),
        }
        let text = match Written::deserialize(deserializer)? {
            Written::Toml(date) => date.to_string(),
            Written::Text(text) => text,
        };
        chrono::NaiveDate::parse_from_str(&text, "%Y-%m-%d")
            .map(Date)
            .map_err(|_| serde::de::Error::custom(format!("'{text}' is not a date: write it as 2027-08-31")))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AssetKind {
    TankShell,
    Column,
    Vessel,
    Sphere,
    Pipe,
}

impl AssetKind {
    pub const fn word(self) -> &'static str {
        match self {
            Self::TankShell => "tank shell",
            Self::Column => "column",
            Self::Vessel => "vessel",
            Self::Sphere => "sphere",
            Self::Pipe => "pipe",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asset {
    pub kind: AssetKind,
    pub name: String,
    #[serde(rename = "diameter_mm")]
    pub diameter: Length,
    pub material: String,
    #[serde(rename = "surface_temperature_c", default, skip_serializing_if = "Option::is_none")]
    pub surface_temperature: Option<Temperature>,
    pub datum: String,
    /// Of a sphere: where its elevations begin, from the equator upward.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub datum_latitude_deg: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drawing: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coating: Option<String>,
    #[serde(default, rename = "course")]
    pub courses: Vec<Course>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Course {
    pub number: u16,
    #[serde(rename = "height_mm")]
    pub height: Length,
    #[serde(rename = "nominal_mm")]
    pub nominal: Length,
    #[serde(rename = "required_mm", default, skip_serializing_if = "Option::is_none")]
    pub required: Option<Length>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub required_from: Option<String>,
    /// Measured when new; the nominal is no measurement.
    #[serde(rename = "original_mm", default, skip_serializing_if = "Option::is_none")]
    pub original: Option<Length>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joint_efficiency: Option<f64>,
    #[serde(rename = "allowable_stress_mpa", default, skip_serializing_if = "Option::is_none")]
    pub allowable_stress: Option<Pressure>,
    /// Of the plate's steel; for tanks the allowable stress follows from the two.
    #[serde(rename = "yield_mpa", default, skip_serializing_if = "Option::is_none")]
    pub yield_stress: Option<Pressure>,
    #[serde(rename = "tensile_mpa", default, skip_serializing_if = "Option::is_none")]
    pub tensile: Option<Pressure>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<EarlierWall>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    pub name: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub azimuth_deg: Option<f64>,
    #[serde(rename = "start_mm", default)]
    pub start: Length,
    #[serde(rename = "length_mm")]
    pub length: Length,
    pub direction: Direction,
    /// For lines across: the course they run in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub course: Option<u16>,
    /// How far the wall leans out over the crawler at the line's steepest place: 0 upright, 90 overhead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lean_deg: Option<f64>,
    /// For lines across: their elevation above the datum.
    #[serde(rename = "elevation_mm", default, skip_serializing_if = "Option::is_none")]
    pub elevation: Option<Length>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Encoder {
    pub counts_per_mm: f64,
    /// Of the encoder across, for scanners that weave.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub across_counts_per_mm: Option<f64>,
}

/// Where beside a line the probe of a channel runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Track {
    pub channel: String,
    /// Clockwise round the wall beside lines up and down, upward beside lines across.
    #[serde(rename = "offset_mm")]
    pub offset: Length,
}

impl Track {
    /// Whether what lies so far beside the line is of this track: of `all` tracks, and the line itself, it is nearest to this one.
    pub fn has(&self, across: Length, all: &[Self]) -> bool {
        let away = |offset: Length| (across - offset).abs();
        let here = away(self.offset);
        all.iter().all(|other| other.offset == self.offset || here < away(other.offset))
            && (self.offset == Length::ZERO || here < away(Length::ZERO))
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Probe {
    #[serde(rename = "frequency_mhz", with = "megahertz")]
    pub frequency: Frequency,
    /// Exit point to exit point; 0 for a single element.
    #[serde(rename = "element_separation_mm")]
    pub element_separation: Length,
    #[serde(rename = "minimum_mm")]
    pub minimum: Length,
    /// Width of the stripe of wall that a reading speaks for; maps and coverage use it.
    #[serde(rename = "beam_width_mm", default, skip_serializing_if = "Option::is_none")]
    pub beam_width: Option<Length>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub couplant: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetupPlan {
    #[serde(rename = "velocity_m_s")]
    pub velocity: Velocity,
    #[serde(rename = "zero_ns")]
    pub zero: Time,
    /// Gate and threshold are found by [`GateRule`] where they are left out.
    #[serde(rename = "gate_start_us", default, skip_serializing_if = "Option::is_none", with = "some_microseconds")]
    pub gate_start: Option<Time>,
    #[serde(rename = "gate_length_us", default, skip_serializing_if = "Option::is_none", with = "some_microseconds")]
    pub gate_length: Option<Time>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gate_threshold_pct: Option<f64>,
    #[serde(default)]
    pub picker: Picker,
    #[serde(default)]
    pub mode: Mode,
    /// `tracked` follows the zero by the spacing of the echoes, `fixed` keeps the calibrated one.
    #[serde(rename = "zero", default = "tracked")]
    pub zero_keeping: ZeroKeeping,
    #[serde(rename = "block_temperature_c", default = "room")]
    pub block_temperature: Temperature,
    /// Change of velocity with temperature; −0.8 m/s per kelvin is what 1018 low-carbon steel shows between 0
    /// and 50 °C (Do Trung Kien et al., Communications in Physics).
    #[serde(default = "steel_slope")]
    pub velocity_slope_m_s_k: f64,
}

fn tracked() -> ZeroKeeping {
    ZeroKeeping::Tracked
}
fn room() -> Temperature {
    Temperature::celsius(20.0)
}
fn steel_slope() -> f64 {
    -0.8
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitsPlan {
    #[serde(rename = "watch_margin_mm")]
    pub watch_margin: Length,
    #[serde(rename = "max_speed_mm_s")]
    pub max_speed: Speed,
    #[serde(rename = "max_gap_mm")]
    pub max_gap: Length,
    #[serde(default)]
    pub guard_band: bool,
    /// Values read by hand at one place that are further apart need a note.
    #[serde(rename = "max_hand_spread_mm", default, skip_serializing_if = "Option::is_none")]
    pub max_hand_spread: Option<Length>,
}

impl LimitsPlan {
    /// How far apart values read by hand at one place may lie without a note. 0.3 mm where the plan says nothing: three times the
    /// 0.1 mm that a gauge is commonly trusted to (common practice, no source).
    pub fn hand_spread(&self) -> Length {
        self.max_hand_spread.unwrap_or(Length::mm(0.3))
    }
}

impl Plan {
    /// Reads and checks a plan. `name` stands for the file in messages.
    pub fn parse(name: &str, text: &str) -> Result<Self, PlanError> {
        check::parse(name, text)
    }

    pub fn line(&self, name: &str) -> Option<&Line> {
        self.lines.iter().find(|line| line.name == name)
    }

    /// Each course with its lower and upper edge, from the datum upward.
    pub fn course_edges(&self) -> Vec<(u16, Length, Length)> {
        let mut bottom = Length::ZERO;
        self.asset
            .courses
            .iter()
            .map(|course| {
                let edges = (course.number, bottom, bottom + course.height);
                bottom = bottom + course.height;
                edges
            })
            .collect()
    }

    /// Places of the horizontal seams a line crosses: the edges between courses.
    pub fn seams(&self, line: &Line) -> Vec<Length> {
        if !line.direction.is_upright() {
            return Vec::new();
        }
        let edges = self.course_edges();
        edges.iter().skip(1).map(|(_, bottom, _)| *bottom).collect()
    }

    /// The channels that have a track of their own.
    pub fn channels(&self) -> Vec<&str> {
        self.tracks.iter().map(|track| track.channel.as_str()).collect()
    }

    /// A line as the probe of a channel runs beside it.
    pub fn path_of(&self, line: &Line, channel: Option<&str>) -> Path {
        let track = self.tracks.iter().find(|track| Some(track.channel.as_str()) == channel);
        Path { track: track.map_or(Length::ZERO, |track| track.offset), ..self.path(line) }
    }

    pub fn path(&self, line: &Line) -> Path {
        let courses = self.course_edges();
        let at_elevation =
            line.elevation.and_then(|z| courses.iter().find(|(_, bottom, top)| z >= *bottom && z < *top).map(|course| course.0));
        let only = (courses.len() == 1).then(|| courses[0].0);
        Path {
            counts_per_mm: self.encoder.counts_per_mm,
            start: line.start,
            offset: Length::ZERO,
            length: line.length,
            direction: line.direction,
            across_course: line.course.or(at_elevation).or(only),
            courses,
            max_speed: Some(self.limits.max_speed),
            across_counts_per_mm: self.encoder.across_counts_per_mm,
            across_jump: self.encoder.across_counts_per_mm.map(|_| ACROSS_JUMP),
            across_start: Length::ZERO,
            track: Length::ZERO,
        }
    }

    pub fn limits(&self) -> Limits {
        let courses = self
            .course_edges()
            .into_iter()
            .zip(&self.asset.courses)
            .map(|((number, bottom, top), course)| CourseLimits { number, bottom, top, nominal: course.nominal, required: course.required })
            .collect();
        Limits { courses, watch_margin: self.limits.watch_margin, guard_band: self.limits.guard_band }
    }

    /// The clock every time is shown on.
    pub fn zone(&self) -> Zone {
        self.job.zone.unwrap_or_default()
    }

    /// The set-up from the typed values.
    pub fn typed_setup(&self) -> Setup {
        let setup = &self.setup;
        let typed = Setup {
            velocity: setup.velocity,
            zero: setup.zero,
            half_separation: self.probe.element_separation / 2.0,
            frequency: self.probe.frequency,
            minimum: self.probe.minimum,
            gate: Gate { start: Time::ZERO, length: Time::ZERO, threshold_pct: 0.0 },
            picker: setup.picker,
            mode: setup.mode,
            zero_keeping: setup.zero_keeping,
            block_temperature: setup.block_temperature,
            velocity_slope_m_s_k: setup.velocity_slope_m_s_k,
            calibration: None,
            channel: None,
        };
        Setup { gate: GateRule::of(self).gate(&typed, DeviceSeen::default()), ..typed }
    }

    /// The wall's temperature until the stream has one.
    pub fn wall_temperature(&self) -> Temperature {
        self.asset.surface_temperature.unwrap_or(self.setup.block_temperature)
    }
}
