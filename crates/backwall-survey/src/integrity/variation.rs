//! How much a wall varies: whether single points are enough to judge metal loss by, and the averaging length of a
//! fitness-for-service assessment.

use super::worked::{FormulaSource, Refusal, Worked, WorkedAnswer, part, positive};
use crate::strip::statistics::{deviation, mean};
use backwall_units::Length;

const COV: FormulaSource =
    FormulaSource::published("API 579-1/ASME FFS-1 Part 4, point thickness readings: 15 readings, COV not above 10 %");
const LENGTH: FormulaSource = FormulaSource::from_memory("API 579-1/ASME FFS-1 Part 4, thickness averaging length");

/// So many point readings at least.
pub const LEAST_POINTS: usize = 15;
pub const MOST_COV: f64 = 0.10;
/// The allowable remaining strength factor most codes of construction take (from memory).
pub const RSF_A: f64 = 0.90;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variation {
    pub cov: f64,
    /// Thickness profiles are needed instead of points.
    pub profiles: bool,
}

/// The coefficient of variation, standard deviation (n − 1) over mean.
pub fn variation(walls: &[Length]) -> Result<WorkedAnswer<Variation>, Refusal> {
    let title = "Variation of the thickness";
    let values: Vec<f64> = walls.iter().map(|wall| wall.as_mm()).filter(|wall| wall.is_finite()).collect();
    if values.len() < LEAST_POINTS {
        let why = vec![format!("it needs {LEAST_POINTS} readings; there are {}", values.len())];
        return Err(Refusal::Conditions { title: title.to_owned(), why });
    }
    let (Some(mean), Some(deviation)) = (mean(&values), deviation(&values)) else {
        return Err(Refusal::impossible(title, "there are no readings"));
    };
    positive(title, "mean thickness", mean)?;
    let cov = deviation / mean;
    let value = Variation { cov, profiles: cov > MOST_COV };
    let worked = Worked::new(title, "COV = s / t_am, s with n - 1", COV)
        .given("n", "readings", values.len() as f64, "")
        .given("t_am", "mean", mean, "mm")
        .given("s", "standard deviation", deviation, "mm")
        .gives("COV", "coefficient of variation", cov * 100.0, "%")
        .verdict(if value.profiles { "above 10 %: thickness profiles are needed" } else { "not above 10 %: point readings may be used" })
        .caution("readings of one line are neighbours, not points spread over the component")
        .caution("one line is a profile along it; a profile across it needs several lines");
    Ok(WorkedAnswer::new(value, worked))
}

/// Q of the averaging length: 1.123·√(((1 − Rt)/(1 − Rt/RSFa))² − 1), 50 where Rt reaches RSFa.
pub fn q(remaining: f64, rsf_a: f64) -> f64 {
    if remaining >= rsf_a {
        return 50.0;
    }
    let ratio = (1.0 - remaining) / (1.0 - remaining / rsf_a);
    1.123 * libm::sqrt(ratio * ratio - 1.0)
}

/// L = Q·√(D·t_ml) with Rt = (t_mm − FCA)/t_ml: `least` is t_mm, `allowance` the loss still to come (FCA), `wall` t_ml.
pub fn averaging_length(inside_diameter: Length, least: Length, allowance: Length, wall: Length) -> Result<WorkedAnswer<Length>, Refusal> {
    let title = "Averaging length for fitness for service";
    let (d, t) = (positive(title, "inside diameter", inside_diameter.as_mm())?, positive(title, "wall", wall.as_mm())?);
    let left = positive(title, "minimum thickness less the loss to come", (least - allowance).as_mm())?;
    let remaining = left / t;
    let q = q(part(title, "remaining thickness ratio", remaining.min(1.0))?, RSF_A);
    let value = q * libm::sqrt(d * t);
    let worked = Worked::new(title, "L = Q (D t_ml)^0.5, Q = 1.123 (((1 - Rt) / (1 - Rt / RSFa))^2 - 1)^0.5, 50 for Rt >= RSFa", LENGTH)
        .given("D", "inside diameter", d, "mm")
        .given("t_mm", "minimum thickness", least.as_mm(), "mm")
        .given("FCA", "loss to come", allowance.as_mm(), "mm")
        .given("t_ml", "wall away from the loss less the loss to come", t, "mm")
        .given("RSFa", "allowable remaining strength factor", RSF_A, "")
        .gives("Rt", "remaining thickness ratio", remaining, "")
        .gives("Q", "factor", q, "")
        .gives("L", "averaging length", value, "mm");
    Ok(WorkedAnswer::new(Length::mm(value), worked))
}

/// Where the tests of what is no tank come from.
pub const LEVEL_ONE: FormulaSource = FormulaSource::from_memory("API 579-1/ASME FFS-1 Part 4, Level 1");

/// What Level 1 wants of lowest average and minimum reading before anything more is lost: t_min, and max(0.5·t_min, 0.2·t_nom, 2.5 mm).
pub fn level_one(required: Length, nominal: Length) -> (Length, Length) {
    (required, (required * 0.5).max(nominal * 0.2).max(Length::mm(2.5)))
}
