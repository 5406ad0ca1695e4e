//! Words that are kept, whose lengths, velocities and temperatures stay values: whoever reads them gets them in the units of the screen or
//! report they are read on.

use crate::{Length, LengthUnit, Temperature, Velocity};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// Words with values in between.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Wording {
    pieces: Vec<Piece>,
    /// From before values were kept apart: the numbers are in the words, in millimetres and degrees Celsius.
    recorded: bool,
}

/// As it is kept: a text, or an object with one value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
enum Piece {
    Words(String),
    Length(KeptLength),
    Velocity(KeptVelocity),
    Temperature(KeptTemperature),
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptLength {
    length_nm: i64,
    /// Digits behind the point in millimetres; an inch has one more.
    decimals: u8,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    signed: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptVelocity {
    velocity_mm_s: i64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptTemperature {
    temperature_mdeg: i64,
}

impl Wording {
    /// Words of a file from before values were kept apart.
    pub fn recorded(words: String) -> Self {
        Self { recorded: true, ..words.into() }
    }

    pub fn is_recorded(&self) -> bool {
        self.recorded
    }

    /// Whether there is anything that is read in one unit or the other.
    pub fn has_values(&self) -> bool {
        self.pieces.iter().any(|piece| !matches!(piece, Piece::Words(_)))
    }

    #[must_use]
    pub fn say(mut self, words: impl AsRef<str>) -> Self {
        match (self.pieces.last_mut(), words.as_ref()) {
            (_, "") => {}
            (Some(Piece::Words(known)), more) => known.push_str(more),
            (_, more) => self.pieces.push(Piece::Words(more.to_owned())),
        }
        self
    }

    /// With its unit: `12.3 mm`, `0.48 in`.
    #[must_use]
    pub fn length(self, length: Length, decimals: u8) -> Self {
        self.piece(Piece::Length(KeptLength { length_nm: length.as_nanometres(), decimals, signed: false }))
    }

    /// With its sign and unit: `+1.2 mm`.
    #[must_use]
    pub fn signed(self, length: Length, decimals: u8) -> Self {
        self.piece(Piece::Length(KeptLength { length_nm: length.as_nanometres(), decimals, signed: true }))
    }

    /// A wall with the digits the trade reads.
    #[must_use]
    pub fn thickness(self, length: Length) -> Self {
        self.length(length, 2)
    }

    #[must_use]
    pub fn velocity(self, velocity: Velocity) -> Self {
        self.piece(Piece::Velocity(KeptVelocity { velocity_mm_s: (velocity.as_m_s() * 1e3).round() as i64 }))
    }

    #[must_use]
    pub fn temperature(self, temperature: Temperature) -> Self {
        self.piece(Piece::Temperature(KeptTemperature { temperature_mdeg: temperature.as_millidegrees() }))
    }

    /// Followed by other words.
    #[must_use]
    pub fn then(mut self, other: &Self) -> Self {
        self.recorded |= other.recorded;
        for piece in &other.pieces {
            self = match piece {
                Piece::Words(words) => self.say(words),
                value => self.piece(value.clone()),
            };
        }
        self
    }

    fn piece(mut self, piece: Piece) -> Self {
        self.pieces.push(piece);
        self
    }

    /// As it is read; what was recorded as words alone stays as it was.
    pub fn words(&self, unit: LengthUnit) -> String {
        self.pieces.iter().map(|piece| piece.words(unit)).collect()
    }

    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// Bytes it takes in memory, about.
    pub fn size(&self) -> usize {
        let of = |piece: &Piece| if let Piece::Words(words) = piece { words.len() } else { 0 } + size_of::<Piece>();
        self.pieces.iter().map(of).sum()
    }
}

impl Piece {
    fn words(&self, unit: LengthUnit) -> String {
        match self {
            Self::Words(words) => words.clone(),
            Self::Length(kept) => kept.words(unit),
            Self::Velocity(KeptVelocity { velocity_mm_s }) => {
                let velocity = Velocity::m_s(*velocity_mm_s as f64 / 1e3);
                let number = if unit == LengthUnit::Mm { format!("{:.0}", velocity.as_m_s()) } else { unit.velocity(velocity) };
                format!("{number} {}", unit.velocity_symbol())
            }
            Self::Temperature(KeptTemperature { temperature_mdeg }) => {
                format!("{} {}", unit.temperature(Temperature::millidegrees(*temperature_mdeg)), unit.temperature_symbol())
            }
        }
    }
}

impl KeptLength {
    fn words(&self, unit: LengthUnit) -> String {
        let length = Length::nanometres(self.length_nm);
        let (number, digits) = match unit {
            LengthUnit::Mm => (length.as_mm(), usize::from(self.decimals)),
            LengthUnit::Inch => (length.as_inch(), usize::from(self.decimals) + 1),
        };
        let symbol = unit.thickness_symbol();
        if self.signed { format!("{number:+.digits$} {symbol}") } else { format!("{number:.digits$} {symbol}") }
    }
}

impl From<String> for Wording {
    fn from(words: String) -> Self {
        Self::default().say(words)
    }
}

impl From<&str> for Wording {
    fn from(words: &str) -> Self {
        Self::default().say(words)
    }
}

/// In millimetres.
impl fmt::Display for Wording {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words(LengthUnit::Mm))
    }
}

impl Serialize for Wording {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match &self.pieces[..] {
            // As it was, so that what is written again is what was read.
            [Piece::Words(words)] if self.recorded => serializer.serialize_str(words),
            pieces => pieces.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Wording {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Written {
            Recorded(String),
            Kept(Vec<Piece>),
        }
        Ok(match Written::deserialize(deserializer)? {
            Written::Recorded(words) => Self::recorded(words),
            Written::Kept(pieces) => Self { pieces, recorded: false },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // 25.4 mm are an inch exactly (international yard and pound agreement, 1959); 0 °C are 32 °F.
    #[test]
    fn the_same_words_are_read_in_either_unit() {
        let said = Wording::from("place set: ").length(Length::mm(254.0), 1).say(", off by ").signed(Length::mm(-25.4), 1);
        assert_eq!(said.to_string(), "place set: 254.0 mm, off by -25.4 mm");
        assert_eq!(said.words(LengthUnit::Inch), "place set: 10.00 in, off by -1.00 in");
        let wall = Wording::from("the wall is at ").temperature(Temperature::celsius(100.0)).say(", ").velocity(Velocity::m_s(5920.0));
        assert_eq!(wall.to_string(), "the wall is at 100.0 °C, 5920 m/s");
        assert_eq!(wall.words(LengthUnit::Inch), "the wall is at 212.0 °F, 0.23307 in/µs");
        let both = said.clone().say("; ").then(&wall);
        assert_eq!(both.words(LengthUnit::Inch), format!("{}; {}", said.words(LengthUnit::Inch), wall.words(LengthUnit::Inch)));
        assert!(both.has_values() && !Wording::from("rain").has_values() && !both.is_recorded());
    }

    #[test]
    fn what_was_recorded_as_words_stays_as_it_was() {
        let old = Wording::recorded("place set: 254.0 mm".to_owned());
        assert_eq!(old.words(LengthUnit::Inch), "place set: 254.0 mm");
        assert!(old.is_recorded() && Wording::from("measured on ").then(&old).is_recorded());
    }
}
