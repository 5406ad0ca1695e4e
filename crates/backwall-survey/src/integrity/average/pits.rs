//! Stretches under the required thickness by the code's rule of widely scattered pits.

use crate::integrity::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, positive};
use backwall_units::Length;
use serde::Serialize;

const PITS: FormulaSource = FormulaSource::from_memory("API 653 4.3.2.2, widely scattered pits: half t_min, and 2 in. in 8 in.");
/// What a single reading stands for.
const CELL: Length = Length::mm(1.0);

/// A stretch under the required thickness.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AssessedPit {
    #[serde(rename = "from_mm")]
    pub from: Length,
    #[serde(rename = "to_mm")]
    pub to: Length,
    #[serde(rename = "minimum_mm")]
    pub least: Length,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pits {
    pub pits: Vec<AssessedPit>,
    /// The greatest summed length of pits in any 8 in along the line.
    #[serde(rename = "most_in_8_in_mm")]
    pub most_together: Length,
    /// Whether the rule of widely scattered pits would hold, if an inspector finds that these are pits.
    pub scattered: bool,
}

/// Stretches under `required` along a line, by the rule of widely scattered pits: none leaves less than half of t_min, and
/// no more than 2 in of them lie in any 8 in of a vertical line. `join` ends a stretch where nothing was read for so long.
pub fn pits(readings: &[(Length, Length)], required: Length, allowance: Length, join: Length) -> Result<WorkedAnswer<Pits>, Refusal> {
    let title = "Stretches under the required thickness as scattered pits";
    positive(title, "required thickness", required.as_mm())?;
    let mut sorted: Vec<_> = readings.iter().filter(|(along, wall)| along.is_finite() && wall.is_finite()).copied().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut pits: Vec<AssessedPit> = Vec::new();
    let mut open = false;
    for (along, wall) in sorted {
        if wall >= required {
            open = false;
            continue;
        }
        match pits.last_mut().filter(|pit| open && along - pit.to <= join) {
            Some(pit) => {
                pit.to = along;
                pit.least = pit.least.min(wall);
            }
            None => pits.push(AssessedPit { from: along, to: along, least: wall }),
        }
        open = true;
    }
    // A single reading stands for the point it was taken at and its surroundings.
    for pit in &mut pits {
        (pit.from, pit.to) = (pit.from - CELL / 2.0, pit.to + CELL / 2.0);
    }
    let (window, most) = (Length::inch(8.0), Length::inch(2.0));
    let starts = pits.iter().flat_map(|pit| [pit.from, pit.to - window]);
    let together = |start: Length| {
        let cut = |pit: &AssessedPit| (pit.to.min(start + window) - pit.from.max(start)).max(Length::ZERO);
        let from = pits.partition_point(|pit| pit.to < start);
        pits[from..].iter().take_while(|pit| pit.from <= start + window).map(cut).fold(Length::ZERO, |sum, length| sum + length)
    };
    let most_together = starts.map(together).fold(Length::ZERO, Length::max);
    let least = pits.iter().map(|pit| pit.least).reduce(Length::min);
    let half = required * 0.5 + allowance;
    let scattered = most_together <= most && least.is_none_or(|least| least >= half);
    let worked = Worked::new(title, "no pit under t_min / 2 + C, and not more than 2 in of pits in any 8 in", PITS)
        .given("t_min", "required thickness", required.as_mm(), "mm")
        .given("C", "loss until the next inspection", allowance.as_mm(), "mm")
        .gives("", "stretches under t_min", pits.len() as f64, "")
        .gives("", "longest sum in 8 in", most_together.as_mm(), "mm")
        .gives("", "minimum in them", least.map_or(f64::NAN, Length::as_mm), "mm")
        .verdict(match (pits.is_empty(), scattered) {
            (true, _) => "no reading is under t_min",
            (_, true) => "would hold, if an inspector finds that these are pits",
            (_, false) => "does not hold: this counts as a corroded area",
        })
        .caution("lengths along the scanned line only; only an inspection shows whether a stretch is a pit");
    Ok(WorkedAnswer::new(Pits { pits, most_together, scattered }, worked))
}
