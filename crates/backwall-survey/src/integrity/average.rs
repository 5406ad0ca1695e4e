//! Averages of the wall over the codes' averaging length along a scanned line, where part of the wall was not read. Unread wall is
//! not filled in and not left out: it may be nothing, it may be nominal, and both are carried through to the decision.

mod bins;
mod pits;
mod test;
mod tracks;

pub use bins::{BinShot, BinStretch, Bins, SpeaksFor};
pub use pits::{AssessedPit, Pits, pits};
pub use test::{Averages, Test, Windows, assess, lasting};
pub use tracks::{TrackShots, by_track, joined};

use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, positive};
use backwall_units::Length;

pub const AVERAGE: FormulaSource =
    FormulaSource::published("API 653, corroded areas of the shell: t1, t2 and L = 3.7 (D t2)^0.5 (3rd to 5th edition wording)");

/// The averaging length of a tank shell: 3.7·√(D·t2) inch (D in feet, t2 in inch), 40 in at most.
pub fn tank_length(diameter: Length, least: Length) -> Result<WorkedAnswer<Length>, Refusal> {
    let title = "Averaging length";
    let feet = positive(title, "diameter", diameter.as_inch() / 12.0)?;
    let t2 = positive(title, "minimum thickness", least.as_inch())?;
    let value = 3.7 * libm::sqrt(feet * t2);
    let worked = Worked::new(title, "L = 3.7 (D t2)^0.5, not more than 40 in", AVERAGE)
        .given("D", "diameter", feet, "ft")
        .given("t2", "minimum thickness", t2, "in")
        .gives("", "calculated", value, "in")
        .gives("L", "averaging length", value.min(40.0), "in")
        .gives("", "which is", Length::inch(value.min(40.0)).as_mm(), "mm");
    Ok(WorkedAnswer::new(Length::inch(value.min(40.0)), worked))
}
