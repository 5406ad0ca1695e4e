//! A stretch of wall as its neighbours judge it, with what speaks for it.

use crate::strip::Level;
use backwall_units::{Length, LengthUnit};
use serde::{Deserialize, Serialize};

/// What a stretch is taken for. The words are in the glossary; `lamination?` keeps its question mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The wall slides to another thickness and back.
    Thinning,
    /// Narrow and dark: little of the beam comes back from its bottom.
    Pit,
    /// Something inside the wall reflects; the wall behind is as before.
    Lamination,
    /// Nothing here says which.
    Unproven,
}

impl Kind {
    pub const ALL: &[Self] = &[Self::Thinning, Self::Pit, Self::Lamination, Self::Unproven];

    pub const fn word(self) -> &'static str {
        match self {
            Self::Thinning => "thinning",
            Self::Pit => "pit",
            Self::Lamination => "lamination?",
            Self::Unproven => "unproven",
        }
    }

    /// What proves it; nothing where the number itself is the finding.
    pub const fn advice(self) -> &'static str {
        match self {
            Self::Thinning => "",
            Self::Pit => "the minimum may be deeper than read: confirm by hand, in small steps",
            Self::Lamination => "the wall may be whole: confirm by hand from the other side or with an angle probe",
            Self::Unproven => "confirm by hand",
        }
    }
}

/// What was seen along a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Evidence {
    /// Shots that show wall and something before it, together about a whole beam.
    pub both: u32,
    /// Shots that show something before the wall.
    pub inside: u32,
    pub shots: u32,
    /// What comes back of a whole beam, middle of all shots.
    pub returned: f64,
    /// How far the depth scatters about a straight line, middle.
    #[serde(rename = "rough_mm")]
    pub rough: Length,
    /// The longest way along which little came back.
    #[serde(rename = "dark_mm")]
    pub dark: Length,
    /// The wall before.
    #[serde(rename = "wall_before_mm")]
    pub wall_before: Length,
    /// The wall behind; nothing where it did not come back.
    #[serde(rename = "wall_behind_mm")]
    pub wall_behind: Option<Length>,
}

/// The thinnest reading of a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Least {
    #[serde(rename = "thickness_mm")]
    pub thickness: Length,
    #[serde(rename = "along_mm")]
    pub along: Length,
    pub seq: u32,
    pub course: Option<u16>,
    pub level: Level,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    pub kind: Kind,
    /// In rising order.
    #[serde(rename = "edges_mm")]
    pub edges: (Length, Length),
    /// The middle of the depths it shows.
    #[serde(rename = "depth_mm")]
    pub depth: Option<Length>,
    pub readings: u32,
    pub least: Option<Least>,
    pub evidence: Evidence,
}

impl Stretch {
    /// What speaks for it, in words for report, screen and export.
    pub fn evidence(&self, unit: LengthUnit) -> String {
        let Evidence { both, inside, shots, returned, rough, dark, wall_before, wall_behind } = self.evidence;
        let length = |length: Length| format!("{} {}", unit.thickness(length), unit.thickness_symbol());
        let share = format!("{:.0} % of a whole beam comes back", 100.0 * returned.min(1.0));
        let walls = match wall_behind {
            Some(behind) => format!("wall {} before and {} behind", unit.thickness(wall_before), length(behind)),
            None => format!("wall {} before, not seen behind", length(wall_before)),
        };
        match (self.kind, self.depth) {
            (Kind::Lamination, Some(depth)) => {
                let flat = format!("flat within {} at {}", length(rough), length(depth));
                format!(
                    "{inside} of {shots} shots show an echo before the wall, {both} the wall too; {flat}; {share}; {walls}, sharp edges"
                )
            }
            (Kind::Pit, _) => format!("narrow and dark: {share}; {walls}"),
            (Kind::Thinning, _) => format!("the wall slides down and comes back, dark slopes of {}; {walls}", length(dark)),
            _ => format!("{share}; {walls}"),
        }
    }
}

/// What a spot is taken for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    pub kind: Kind,
    /// The stretch that says so; a thinning that slides in and out has none.
    pub stretch: Option<Stretch>,
}

impl Finding {
    pub fn evidence(&self, unit: LengthUnit) -> String {
        match (&self.stretch, self.kind) {
            (Some(stretch), _) => stretch.evidence(unit),
            (None, Kind::Thinning) => "the wall slides into it and out again without a step".to_owned(),
            (None, _) => "too short to say".to_owned(),
        }
    }

    /// What the stretches that overlap a spot make of it.
    pub fn of(edges: (Length, Length), stretches: &[Stretch]) -> Self {
        let length = (edges.1 - edges.0 + SHOT).as_mm();
        let shared = |stretch: &Stretch| {
            let (from, to) = (edges.0.max(stretch.edges.0), edges.1.min(stretch.edges.1));
            if to < from { 0.0 } else { (to - from + SHOT).as_mm() / length }
        };
        let most = |kind: Kind| {
            let of_kind = stretches.iter().filter(|stretch| stretch.kind == kind);
            of_kind.map(|stretch| (shared(stretch), stretch)).max_by(|a, b| a.0.total_cmp(&b.0))
        };
        for (kind, least) in [(Kind::Lamination, LAMINATION_SHARE), (Kind::Pit, PIT_SHARE), (Kind::Thinning, PIT_SHARE)] {
            if let Some((share, stretch)) = most(kind).filter(|(share, _)| *share > 0.0)
                && share >= least
            {
                return Self { kind, stretch: Some(*stretch) };
            }
        }
        if length >= LONG.as_mm() {
            return Self { kind: Kind::Thinning, stretch: None };
        }
        let stretch = most(Kind::Unproven).filter(|(share, _)| *share > 0.0).map(|(_, stretch)| *stretch);
        Self { kind: Kind::Unproven, stretch }
    }
}

/// What one shot speaks for where a spot is a single reading.
const SHOT: Length = Length::mm(1.0);
/// Shares of a spot that must be a lamination's, or a pit's or thinning's, to call the whole after it.
const LAMINATION_SHARE: f64 = 0.5;
const PIT_SHARE: f64 = 0.3;
/// A spot of this length through which the wall was followed is thinning.
const LONG: Length = Length::mm(8.0);
