//! An earlier survey of the line behind the present one: drawn as an outline as soon as it is read, compared only when
//! the operator has accepted how its positions lie to the present ones.

use crate::console::text;
use backwall_survey::strip::Strip;
use backwall_survey::strip::compare::{Alignment, Change, Compared, Comparison, Difference};
use backwall_units::{Length, LengthUnit};
use std::sync::Arc;

/// A line of it as it is drawn behind a run that is going on: positions as they were written.
#[derive(Debug, Clone, Default)]
pub struct EarlierOutline {
    /// The file, and the day of the survey where it gives one.
    pub source: String,
    pub strip: Strip,
}

/// What was read of it.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// The file, and the day of the survey where it tells one.
    pub source: String,
    pub strip: Strip,
    pub alignment: Alignment,
    /// Why the two must not be laid over each other as they are.
    pub warnings: Vec<String>,
}

/// The earlier survey on screen.
#[derive(Debug, Clone)]
pub struct Behind {
    pub earlier: Arc<Earlier>,
    /// What is added to its positions, once accepted.
    pub accepted: Option<Length>,
    pub compared: Option<Arc<Comparison>>,
}

impl Behind {
    pub fn new(earlier: Arc<Earlier>) -> Self {
        Self { earlier, accepted: None, compared: None }
    }

    /// What is added to the earlier positions in the picture.
    pub fn offset(&self) -> Length {
        self.accepted.unwrap_or(Length::ZERO)
    }

    /// What would be accepted: the offset found, or the positions as they were written down.
    pub fn proposed(&self) -> Length {
        self.earlier.alignment.offset.unwrap_or(Length::ZERO)
    }

    /// How it lies to the present survey, or what it shows at a place.
    pub fn words(&self, at: Option<Length>, unit: LengthUnit) -> String {
        let source = text::safe_text(&self.earlier.source);
        let alignment = &self.earlier.alignment;
        let Some(offset) = self.accepted else {
            return match (alignment.offset, alignment.best) {
                (Some(offset), Some(best)) => {
                    let offset = signed(unit, offset);
                    format!(
                        "earlier {source}: offset {offset} found (correlation {:.2}), NOT applied; c accepts it and compares",
                        best.correlation
                    )
                }
                _ => format!("earlier {source}: no offset found ({}); c compares positions as written", alignment.why),
            };
        };
        let Some(compared) = &self.compared else { return format!("earlier {source}: being compared") };
        let offset = signed(unit, offset);
        let Some(bin) = at.and_then(|at| bin_at(compared, at)) else {
            let changed = compared.stretches.len();
            return format!("earlier {source}, offset {offset}: not both read here; {changed} stretches changed");
        };
        format!("earlier, offset {offset}: minimum {}; mean {}", difference(&bin.least, unit), difference(&bin.mean, unit))
    }
}

fn bin_at(comparison: &Comparison, at: Length) -> Option<&Compared> {
    let behind = comparison.bins.partition_point(|bin| bin.to <= at);
    comparison.bins.get(behind).filter(|bin| at >= bin.from)
}

/// `9.62 then, 9.31 now: -0.31 ±0.09 thinner`; what lies within the combined U is said to be none.
fn difference(found: &Difference, unit: LengthUnit) -> String {
    let values = format!("{} then, {} now", unit.thickness(found.earlier), unit.thickness(found.now));
    let size = unit.thickness(found.difference.abs());
    let sign = if found.difference < Length::ZERO { "-" } else { "+" };
    match (found.change, found.expanded) {
        (Change::None, Some(expanded)) => format!("{values}: no change (within ±{})", unit.thickness(expanded)),
        (change, Some(expanded)) => format!("{values}: {sign}{size} ±{} {}", unit.thickness(expanded), change.word()),
        (_, None) => format!("{values}: {sign}{size}, not judged (U unknown)"),
    }
}

fn signed(unit: LengthUnit, length: Length) -> String {
    let sign = if length < Length::ZERO { "-" } else { "+" };
    format!("{sign}{}", text::stretch(unit, length.abs()))
}
