//! The place of a course that lost most between two surveys.

use super::average::BinStretch;
use super::rate::{RATES, Rate};
use super::worked::{Worked, WorkedAnswer};
use crate::strip::compare::{CompareSettings, Difference, Local, Point, local};
use backwall_units::{Length, Years};

/// Places are pieces of wall of this length.
pub const PLACE: Length = Length::mm(50.0);

/// The rate where a course lost most, with that place: of pieces of 50 mm, by their mean or by their lowest reading, whichever lost more. Only losses beyond U
/// count; where there are none, what no piece is above. `None` where no piece was
/// read by both with an uncertainty.
pub fn worst_place(
    now: &[Point],
    earlier: &[Point],
    settings: &CompareSettings,
    edges: (Length, Length),
    time: Years,
) -> Option<(WorkedAnswer<Rate>, BinStretch)> {
    if !(time.is_finite() && time > Years::ZERO) {
        return None;
    }
    let of =
        |difference: &Difference| Rate::judged(-difference.difference / time, difference.expanded.map(|expanded| expanded / 2.0 / time));
    let pieces = local(now, earlier, settings, edges, PLACE);
    let both = |piece: &Local| [("mean", piece.compared.mean), ("lowest reading", piece.least)].map(|(what, found)| (*piece, what, found));
    let known = |found: &(Local, &str, Difference)| found.2.expanded.is_some();
    let all: Vec<(Local, &str, Difference)> = pieces.iter().flat_map(both).filter(known).collect();
    let greatest = |of: &dyn Fn(&Difference) -> Option<f64>| {
        all.iter().filter_map(|found| Some((of(&found.2)?, found))).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, found)| found)
    };
    let real = greatest(&|difference| Some(of(difference).rate?.as_mm_y()).filter(|rate| *rate > 0.0));
    let (piece, what, difference) = real.or_else(|| greatest(&|difference| Some(of(difference).upper.as_mm_y())))?;
    let mut rate = of(difference);
    // No piece is above this, nor the one that lost most beyond U.
    rate.upper = all.iter().map(|(_, _, difference)| of(difference).upper).fold(rate.upper, |a, b| a.max(b));
    let (from, to) = (piece.compared.from, piece.compared.to);
    let worked = Worked::new(
        format!("Short-term corrosion rate (place of greatest loss, {what})"),
        "rate = (t_previous - t_actual) / years, greatest of all pieces",
        RATES,
    )
    .given("", "length of a piece", PLACE.as_mm(), "mm")
    .given("", "pieces read by both", pieces.len() as f64, "")
    .given("", "this one from", from.as_mm(), "mm")
    .given("", "to", to.as_mm(), "mm")
    .given("t_previous", format!("{what} at the last survey"), difference.earlier.as_mm(), "mm")
    .given("t_actual", format!("{what} now"), difference.now.as_mm(), "mm")
    .given("years", "time between", time.as_years(), "y");
    Some((WorkedAnswer::new(rate, rate.working(worked)), BinStretch { from, to }))
}
