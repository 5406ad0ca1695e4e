//! PURE. A thickness read by hand with a gauge: where, how often, with which instrument, and what it proves. It never becomes
//! one of the crawler's readings: both stand beside each other, each under its own name.

use super::plan::Plan;
use super::statement::RunId;
use crate::strip::{Spot, SpotId};
use backwall_units::{Length, LengthUnit, every_nanometre, parse_length, whole_micrometres, whole_nanometres};
use serde::{Deserialize, Serialize};

/// One place read by hand, as it is kept: lengths are whole nanometres and micrometres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandReading {
    /// Nothing where a grid or an inspection point says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<HandPlace>,
    /// The single values, in the order they were read.
    #[serde(rename = "values_nm", with = "every_nanometre")]
    pub values: Vec<Length>,
    pub gauge: HandGauge,
    /// The spot it proves, or does not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proof: Option<HandProof>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grid: Option<GridPoint>,
    /// A fixed inspection point of the asset, by its name there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inspection_point: Option<String>,
}

/// Where somebody held the probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum HandPlace {
    /// On a line of the plan.
    Line {
        line: String,
        #[serde(rename = "along_um", with = "whole_micrometres")]
        along: Length,
    },
    /// Anywhere on the wall.
    Wall {
        azimuth_millideg: i64,
        #[serde(rename = "elevation_um", with = "whole_micrometres")]
        elevation: Length,
    },
    /// From a weld or a nozzle that is named, in words.
    Near {
        what: String,
        #[serde(rename = "distance_um", with = "whole_micrometres")]
        distance: Length,
    },
}

/// The instrument, and how it read a block of known thickness.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandGauge {
    pub name: String,
    pub serial: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub block: Option<BlockRead>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlockRead {
    pub true_nm: i64,
    pub measured_nm: i64,
    /// µs since 1970-01-01 UTC.
    pub at_us: i64,
}

impl BlockRead {
    /// `10.00=10.02`: the block's true thickness, and what was read on it.
    pub fn parse(text: &str, at_us: i64, unit: LengthUnit) -> Result<Self, String> {
        let (truth, read) = text.split_once('=').ok_or("write the block's true thickness and what was read, as 10.00=10.02")?;
        let nm = |text| parse_length(text, unit).map(Length::as_nanometres).map_err(|error| error.to_string());
        Ok(Self { true_nm: nm(truth)?, measured_nm: nm(read)?, at_us })
    }

    pub fn truth(self) -> Length {
        Length::nanometres(self.true_nm)
    }
    pub fn measured(self) -> Length {
        Length::nanometres(self.measured_nm)
    }
}

/// A point of a grid that was drawn on the wall, as `B3`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GridPoint {
    pub grid: String,
    pub point: String,
}

impl GridPoint {
    /// One letter and a number up to 99: `A1`, `D12`.
    pub fn is_a_point(text: &str) -> bool {
        let (letter, number) = text.split_at(text.chars().next().map_or(0, char::len_utf8));
        letter.bytes().all(|byte| byte.is_ascii_uppercase())
            && letter.len() == 1
            && (1..=2).contains(&number.len())
            && number.bytes().all(|byte| byte.is_ascii_digit())
            && number.trim_start_matches('0') == number
    }
}

/// Whether a spot of the crawler's is what it says. The spot is known by its run and the reading of its minimum; its number may change
/// when its readings are cut again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandProof {
    pub run: RunId,
    pub spot: SpotId,
    /// Sequence number of the spot's minimum.
    pub seq: u32,
    #[serde(rename = "minimum_nm", with = "whole_nanometres")]
    pub least: Length,
    pub confirmed: bool,
}

impl HandProof {
    pub fn of(run: RunId, spot: &Spot, confirmed: bool) -> Self {
        Self { run, spot: spot.id, seq: spot.least_seq, least: spot.least, confirmed }
    }

    /// Whether it is about this spot: the same reading is its minimum. The number alone says nothing.
    pub fn is_about(&self, run: RunId, spot: &Spot) -> bool {
        self.run == run && self.seq == spot.least_seq
    }

    pub const fn word(&self) -> &'static str {
        word(self.confirmed)
    }
}

const fn word(confirmed: bool) -> &'static str {
    if confirmed { "confirmed" } else { "not confirmed" }
}

impl HandReading {
    /// The mean, to the nanometre; nothing without a value.
    pub fn mean(&self) -> Option<Length> {
        let count = i64::try_from(self.values.len()).ok().filter(|count| *count > 0)?;
        let sum: i64 = self.values.iter().map(|value| value.as_nanometres()).sum();
        Some(Length::nanometres((sum + count / 2).div_euclid(count)))
    }

    /// From the lowest to the highest of the values.
    pub fn spread(&self) -> Length {
        let ends = self.values.iter().fold(None, |ends: Option<(Length, Length)>, value| {
            Some(ends.map_or((*value, *value), |(low, high)| (low.min(*value), high.max(*value))))
        });
        ends.map_or(Length::ZERO, |(low, high)| high - low)
    }

    pub fn least(&self) -> Option<Length> {
        self.values.iter().copied().reduce(Length::min)
    }

    /// The line and the place along it, where it has one.
    pub fn on_line(&self) -> Option<(&str, Length)> {
        match &self.place {
            Some(HandPlace::Line { line, along }) => Some((line, *along)),
            _ => None,
        }
    }

    /// The course it lies in, as far as its place says.
    pub fn course(&self, plan: &Plan) -> Option<u16> {
        match self.place.as_ref()? {
            HandPlace::Line { line, along } => plan.path(plan.line(line)?).course_at(*along),
            HandPlace::Wall { elevation, .. } => {
                let edges = plan.course_edges();
                edges.iter().find(|(_, bottom, top)| elevation >= bottom && elevation < top).map(|course| course.0)
            }
            HandPlace::Near { .. } => None,
        }
    }

    /// Azimuth in degrees and elevation, where both are known.
    pub fn on_wall(&self, plan: &Plan) -> Option<(f64, Length)> {
        match self.place.as_ref()? {
            HandPlace::Line { line, along } => plan.on_wall(line, *along),
            HandPlace::Wall { azimuth_millideg, elevation } => Some((*azimuth_millideg as f64 / 1e3, *elevation)),
            HandPlace::Near { .. } => None,
        }
    }

    /// Where it was read, in words; grid and inspection point too.
    pub fn place_words(&self, unit: LengthUnit) -> String {
        let mut words = Vec::new();
        words.extend(self.place.as_ref().map(|place| place.words(unit)));
        words.extend(self.grid.as_ref().map(|grid| format!("grid {} {}", grid.grid, grid.point)));
        words.extend(self.inspection_point.as_ref().map(|point| format!("inspection point {point}")));
        words.join(", ")
    }
}

impl HandPlace {
    pub fn words(&self, unit: LengthUnit) -> String {
        let place = |length| format!("{} {}", unit.place(length), unit.place_symbol());
        match self {
            Self::Line { line, along } => format!("{line} at {}", place(*along)),
            Self::Wall { azimuth_millideg, elevation } => {
                format!("azimuth {}°, elevation {}", *azimuth_millideg as f64 / 1e3, place(*elevation))
            }
            Self::Near { what, distance } => format!("{} from {what}", place(*distance)),
        }
    }
}

impl HandReading {
    /// As it stands in a list of statements.
    pub fn words(&self, unit: LengthUnit) -> String {
        let mut words = match self.mean() {
            Some(mean) => format!("{} {} read by hand", unit.thickness(mean), unit.thickness_symbol()),
            None => "read by hand".to_owned(),
        };
        let place = self.place_words(unit);
        if !place.is_empty() {
            words += &format!(", {place}");
        }
        if let Some(proof) = &self.proof {
            words += &format!("; {proof}");
        }
        words
    }
}

impl std::fmt::Display for HandProof {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "spot {} of run {} {}", self.spot, self.run, self.word())
    }
}

/// What is known of a spot by other means than the crawler's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proven {
    pub confirmed: bool,
    /// What was read by hand there; nothing where it was proven otherwise.
    pub value: Option<Length>,
    pub statement: i64,
}

impl Proven {
    pub const fn word(&self) -> &'static str {
        word(self.confirmed)
    }

    /// `confirmed 6.15 by hand`, `not confirmed 9.98 by hand`, `not confirmed by other means`.
    pub fn words(&self, unit: LengthUnit) -> String {
        let word = self.word();
        match self.value {
            Some(value) => format!("{word} {} by hand", unit.thickness(value)),
            None => format!("{word} by other means"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(values: &[i64]) -> HandReading {
        HandReading {
            place: None,
            values: values.iter().map(|nm| Length::nanometres(*nm)).collect(),
            gauge: HandGauge::default(),
            proof: None,
            grid: None,
            inspection_point: None,
        }
    }

    #[test]
    fn mean_and_spread_are_those_of_the_single_values_to_the_nanometre() {
        let three = read(&[6_100_000, 6_200_000, 6_150_001]);
        assert_eq!(three.mean().map(Length::as_nanometres), Some(6_150_000));
        assert_eq!(three.spread().as_nanometres(), 100_000);
        // A mean that ends in half a nanometre goes up.
        assert_eq!(read(&[1, 2]).mean().map(Length::as_nanometres), Some(2));
        assert_eq!((read(&[]).mean(), read(&[]).spread()), (None, Length::ZERO));
    }

    #[test]
    fn a_point_of_a_grid_is_a_letter_and_a_number() {
        let good = ["A1", "D4", "B12"];
        let bad = ["", "A", "1", "a1", "A0", "A01", "AA1", "A1x", "Ä1", "A123"];
        assert!(good.iter().all(|text| GridPoint::is_a_point(text)));
        assert!(!bad.iter().any(|text| GridPoint::is_a_point(text)));
    }
}
